//! `kitproof link-loss`: each cord is pulled in turn; what does each end notice?

use std::time::Duration;

use clap::Args;
use tokio::sync::watch;

use super::carry_out::Setting;
use super::options::{Outputs, Sending, duration};
use crate::procedure::failure::Failure;
use crate::procedure::link_loss;

#[derive(Args, Debug)]
#[command(after_help = link_loss::CAUTION)]
pub struct LinkLoss {
    #[command(flatten)]
    pub sending: Sending,

    /// The pieces of the chain, in order from the generator; there is one cord more than pieces
    #[arg(long, value_name = "NAME,…", value_delimiter = ',', default_value = "the chain")]
    pub pieces: Vec<String>,

    /// How long each cord is out
    #[arg(long, value_name = "TIME", default_value = "5s", value_parser = duration)]
    pub unplugged: Duration,

    /// Every other end must lose its link too
    #[arg(long)]
    pub expect_passed_on: bool,

    #[command(flatten)]
    pub outputs: Outputs,
}

impl LinkLoss {
    /// Runs it, shows and writes the result.
    ///
    /// # Errors
    /// One clear line, before the traffic starts.
    pub async fn run(&self, no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        let setting = Setting::new("link-loss", &self.sending, &self.outputs, no_color);
        let options = link_loss::Options {
            pieces: self.pieces.clone(),
            unplugged: self.unplugged,
            expect_passed_on: self.expect_passed_on,
        };
        setting
            .carry_out(self.sending.wanted()?, interrupt, async |wanted, target, interrupt, show| {
                link_loss::run(options, wanted, target, interrupt, show).await
            })
            .await
    }
}
