//! `kitproof prove`.

use clap::Args;
use tokio::sync::watch;

use super::carry_out::Setting;
use super::disturb::{Guided, LEAST};
use super::options::{Outputs, Sending};
use crate::procedure::failure::Failure;
use crate::procedure::prove;

#[derive(Args, Debug)]
pub struct Prove {
    #[command(flatten)]
    pub sending: Sending,

    #[command(flatten)]
    pub outputs: Outputs,

    /// During each trial, be told when to pull, plug, mis-speed and power off what hangs on a tap's monitor port: none of it
    /// may cost the link a frame
    #[arg(long)]
    pub disturb_monitor: bool,
}

impl Prove {
    /// Runs the job, shows and writes the result; the exit status says what it was.
    ///
    /// # Errors
    /// One clear line, before the first trial.
    pub async fn run(&self, no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        let setting = Setting::new("prove", &self.sending, &self.outputs, no_color);
        let wanted = self.sending.wanted_or_mix()?;
        if !self.disturb_monitor {
            return setting.carry_out(wanted, interrupt, prove::run).await;
        }
        if self.sending.unattended {
            return Err(Failure::Usage(
                "--disturb-monitor needs a person at the bench: leave out --unattended".to_owned(),
            ));
        }
        if self.sending.duration < LEAST {
            return Err(Failure::Usage(format!(
                "--disturb-monitor: nobody keeps up with trials shorter than {} s: a longer --duration",
                LEAST.as_secs()
            )));
        }
        setting
            .carry_out(wanted, interrupt, async |wanted, target, interrupt, show| {
                let mut guided = Guided::new(show);
                let mut finished = prove::run(wanted, target, interrupt, &mut guided).await?;
                finished.reasons.push(guided.note());
                Ok(finished)
            })
            .await
    }
}
