//! `kitproof prove`.

use std::io::IsTerminal;

use clap::Args;
use kitproof_common::host;
use tokio::sync::watch;

use super::complain;
use super::options::{Outputs, Sending};
use super::progress::Progress;
use super::tune;
use crate::procedure::failure::{Failure, status};
use crate::procedure::judged::Judged;
use crate::procedure::prove::{self, Show};
use crate::procedure::result;
use crate::procedure::trial::Moment;
use crate::verdict::Outcome;

#[derive(Args, Debug)]
pub struct Prove {
    #[command(flatten)]
    pub sending: Sending,

    #[command(flatten)]
    pub outputs: Outputs,
}

/// The live line, and one line for each trial that is over.
struct Live {
    progress: Progress,
}

impl Show for Live {
    fn say(&mut self, text: &str) {
        self.progress.say(text);
    }

    fn moment(&mut self, number: usize, of: usize, moment: Moment<'_>) {
        self.progress.show(&format!("[{number}/{of}] "), moment);
    }

    fn judged(&mut self, trial: &Judged) {
        let account = &trial.account;
        self.progress.say(&format!(
            "{} bytes: {}, {} offered, {} home",
            trial.outcome.trial.frame.frame_size,
            trial.verdict.verdict,
            account.offered_frames,
            account.returned_frames,
        ));
    }
}

impl Prove {
    /// Runs the job, shows and writes the result; the exit status says what it was.
    ///
    /// # Errors
    /// One clear line, before the first trial.
    pub async fn run(&self, no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        let started = jiff::Zoned::now().strftime("%Y-%m-%dT%H:%M:%S%:z").to_string();
        let mut wanted = self.sending.wanted()?;
        self.outputs.check()?;
        let target = self.sending.target().await?;
        let (target, tuned) = tune::for_a_run(self.sending.tune, &mut wanted, target).await?;
        host::raise_priority();
        self.outputs.give_up_privileges(self.sending.privileges())?;
        let mut live = Live { progress: Progress::new(false) };
        let run = prove::run(wanted, target, interrupt, &mut live).await;
        live.progress.clear();
        let run = run?;
        let mut result = result::of(&run, "prove", started);
        result.pair.generator.tuned = Some(tune::recorded(&tuned));
        let written = self.outputs.write(&result, no_color);
        if written && !std::io::stdout().is_terminal() {
            // The table is not before anybody's eyes: whoever reads the log is told in one line.
            result.in_one_line().inspect(|line| complain(line));
        }
        tune::end(tuned);
        Ok(match result.verdict {
            // What is proven stays proven, however the run ended.
            _ if run.interrupted => status::INTERRUPTED,
            Some(Outcome::Pass) if !written => status::UNPROVEN,
            Some(verdict) => verdict.exit_status(),
            None => status::PASS,
        })
    }
}
