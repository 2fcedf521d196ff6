//! `kitproof interruption`: how long the link was gone while a person pulled the power.

use std::time::Duration;

use clap::Args;
use tokio::sync::watch;

use super::carry_out::Setting;
use super::options::{Outputs, Sending, duration};
use crate::procedure::failure::Failure;
use crate::procedure::interruption;

#[derive(Args, Debug)]
#[command(after_help = interruption::CAUTION)]
pub struct Interruption {
    #[command(flatten)]
    pub sending: Sending,

    /// The longest outage that passes; without it nothing is judged
    #[arg(long, value_name = "TIME", value_parser = duration)]
    pub longest_outage: Option<Duration>,

    #[command(flatten)]
    pub outputs: Outputs,
}

impl Interruption {
    /// Runs it, shows and writes the result.
    ///
    /// # Errors
    /// One clear line, before the traffic starts.
    pub async fn run(&self, no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        let setting =
            Setting { command: "interruption", sending: &self.sending, outputs: &self.outputs, no_color };
        let options = interruption::Options { longest_outage: self.longest_outage };
        setting
            .carry_out(self.sending.wanted()?, interrupt, async |wanted, target, interrupt, show| {
                interruption::run(options, wanted, target, interrupt, show).await
            })
            .await
    }
}
