//! `kitproof latency`: how long the chain takes for a frame; `kitproof reference`: how long the pair takes without one.

use std::time::Duration;

use clap::Args;
use kitproof_common::line::Load;
use tokio::sync::watch;

use super::carry_out::Setting;
use super::options::{Outputs, Sending};
use super::procedures::Searching;
use crate::method::latency::STREAMS;
use crate::procedure::failure::Failure;
use crate::procedure::latency::{self, SHORTEST};

/// Streams of a reference at each frame size: enough to show how far one trial is from the next.
const REFERENCE_STREAMS: u32 = 3;

#[derive(Args, Debug)]
pub struct Latency {
    #[command(flatten)]
    pub sending: Sending,

    /// Streams at each frame size, of --duration each (RFC 2544 section 26.2)
    #[arg(long, value_name = "N", default_value_t = STREAMS, value_parser = clap::value_parser!(u32).range(1..))]
    pub trials: u32,

    /// Measure at this load [default: the throughput, which is searched for first]
    #[arg(long, value_name = "LOAD")]
    pub at: Option<Load>,

    #[command(flatten)]
    pub searching: Searching,

    #[command(flatten)]
    pub outputs: Outputs,
}

impl Latency {
    /// Runs it, shows and writes the result.
    ///
    /// # Errors
    /// One clear line, before the first trial.
    pub async fn run(&self, no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        long_enough(self.sending.duration)?;
        let setting = Setting::new("latency", &self.sending, &self.outputs, no_color);
        let options = latency::Options { trials: self.trials, at: self.at, search: self.searching.options() };
        setting
            .carry_out(self.sending.wanted()?, interrupt, async |wanted, target, interrupt, show| {
                latency::run(options, wanted, target, interrupt, show).await
            })
            .await
    }
}

#[derive(Args, Debug)]
pub struct Reference {
    #[command(flatten)]
    pub sending: Sending,

    /// Streams at each frame size, of --duration each
    #[arg(long, value_name = "N", default_value_t = REFERENCE_STREAMS, value_parser = clap::value_parser!(u32).range(1..))]
    pub trials: u32,

    #[command(flatten)]
    pub searching: Searching,

    #[command(flatten)]
    pub outputs: Outputs,
}

impl Reference {
    /// Runs it, shows and writes the result.
    ///
    /// # Errors
    /// One clear line, before the first trial.
    pub async fn run(&self, no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        long_enough(self.sending.duration)?;
        if self.outputs.recording.through.is_some() {
            return Err(Failure::Usage(
                "--through: a reference is the pair alone, with no piece between".into(),
            ));
        }
        let setting = Setting::new("reference", &self.sending, &self.outputs, no_color);
        let options = latency::Options { trials: self.trials, at: None, search: self.searching.options() };
        setting
            .carry_out(self.sending.wanted()?, interrupt, async |wanted, target, interrupt, show| {
                latency::reference(options, wanted, target, interrupt, show).await
            })
            .await
    }
}

fn long_enough(duration: Duration) -> Result<(), Failure> {
    if duration < SHORTEST {
        return Err(Failure::Usage(format!("--duration: a stream of at least {} ms", SHORTEST.as_millis())));
    }
    Ok(())
}
