//! `kitproof prove`.

use clap::Args;
use tokio::sync::watch;

use super::carry_out::Setting;
use super::options::{Outputs, Sending};
use crate::procedure::failure::Failure;
use crate::procedure::prove;

#[derive(Args, Debug)]
pub struct Prove {
    #[command(flatten)]
    pub sending: Sending,

    #[command(flatten)]
    pub outputs: Outputs,
}

impl Prove {
    /// Runs the job, shows and writes the result; the exit status says what it was.
    ///
    /// # Errors
    /// One clear line, before the first trial.
    pub async fn run(&self, no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        let setting = Setting { command: "prove", sending: &self.sending, outputs: &self.outputs, no_color };
        setting.carry_out(self.sending.wanted_or_mix()?, interrupt, prove::run).await
    }
}
