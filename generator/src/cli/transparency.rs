//! `kitproof transparency`: which kinds of frames the chain passes unchanged.

use clap::{Args, ValueEnum};
use tokio::sync::watch;

use super::carry_out::Setting;
use super::options::{Outputs, Sending};
use crate::procedure::failure::Failure;
use crate::procedure::transparency;

/// What is between the ports.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Expected {
    /// It must pass everything
    Tap,
    /// It must pass everything
    Patch,
    /// It may keep back what bridges keep back (IEEE 802.1Q table 8-1), which is then said
    Converter,
    /// The same
    Switch,
}

#[derive(Args, Debug)]
pub struct Transparency {
    #[command(flatten)]
    pub sending: Sending,

    /// What the chain is, for what it may keep back
    #[arg(long, value_name = "KIND", default_value = "tap")]
    pub expect: Expected,

    /// Nothing is between the ports but a patch cord: keep what the pair itself delivers
    #[arg(long)]
    pub reference: bool,

    #[command(flatten)]
    pub outputs: Outputs,
}

impl Transparency {
    /// Runs it, shows and writes the result.
    ///
    /// # Errors
    /// One clear line, before the first frame.
    pub async fn run(&self, no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        let setting = Setting::new("transparency", &self.sending, &self.outputs, no_color);
        let options = transparency::Options {
            expect: match self.expect {
                Expected::Tap | Expected::Patch => transparency::Expect::Everything,
                Expected::Converter | Expected::Switch => transparency::Expect::Bridge,
            },
            reference: self.reference,
        };
        setting
            .carry_out(self.sending.wanted()?, interrupt, async |wanted, target, interrupt, show| {
                transparency::run(options, wanted, target, interrupt, show).await
            })
            .await
    }
}
