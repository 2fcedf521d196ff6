//! `kitproof soak`.

use std::path::PathBuf;
use std::time::Duration;

use clap::Args;
use rustix::thread::CapabilitySet;
use tokio::sync::watch;

use super::carry_out::{Keeps, Setting};
use super::options::{Outputs, Sending, duration};
use crate::procedure::failure::Failure;
use crate::procedure::soak;
use crate::procedure::soak::goal::Goal;

#[derive(Args, Debug)]
#[command(after_help = super::options::CAUTION)]
pub struct Soak {
    #[command(flatten)]
    pub sending: Sending,

    /// End after so many frames
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(2..))]
    pub frames: Option<u64>,

    /// End when each direction has shown a bit error ratio below this, such as 1e-12, or cannot any more; it takes the place of
    /// --loss-limit
    #[arg(long, value_name = "RATIO", value_parser = ratio, conflicts_with = "frames")]
    pub bit_error_ratio: Option<f64>,

    /// At this confidence, percent
    #[arg(long, value_name = "PERCENT", default_value = "95", value_parser = confidence, requires = "bit_error_ratio")]
    pub confidence: f64,

    /// Length of the intervals that are written down
    #[arg(long, value_name = "TIME", default_value = "1s", value_parser = duration)]
    pub interval: Duration,

    /// Where every interval, loss and event is written down as it happens [default: kitproof-soak-TIME.jsonl, here]
    #[arg(long, value_name = "FILE")]
    pub journal: Option<PathBuf>,

    /// Carry on with that journal if it is there: a soak that was cut off goes on with a new segment
    #[arg(long, requires = "journal")]
    pub resume: bool,

    #[command(flatten)]
    pub outputs: Outputs,
}

impl Soak {
    /// What it is to show, and where that is written down.
    pub(crate) fn options(&self) -> soak::Options {
        let goal = match (self.bit_error_ratio, self.frames) {
            (Some(ratio), _) => Goal::BitErrors { ratio, confidence: self.confidence },
            (None, Some(frames)) => Goal::Frames(frames),
            (None, None) => Goal::Time,
        };
        let named =
            || PathBuf::from(jiff::Zoned::now().strftime("kitproof-soak-%Y%m%d-%H%M%S.jsonl").to_string());
        soak::Options {
            goal,
            every: self.interval,
            journal: self.journal.clone().unwrap_or_else(named),
            resume: self.resume,
            through: self.outputs.recording.through.as_ref().map(ToString::to_string),
        }
    }

    /// Runs it, shows and writes the result.
    ///
    /// # Errors
    /// One clear line, before the traffic starts.
    pub async fn run(&self, no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        let options = self.options();
        // It opens its journal where the user's folder is, and asks the port's module for its light.
        let keeps = Keeps {
            on_interface: CapabilitySet::DAC_OVERRIDE | CapabilitySet::NET_ADMIN,
            over_udp: CapabilitySet::DAC_OVERRIDE,
        };
        let setting = Setting::new("soak", &self.sending, &self.outputs, no_color);
        Setting { keeps, ..setting }
            .carry_out(self.sending.wanted_or_mix()?, interrupt, async |wanted, target, interrupt, show| {
                soak::run(options, wanted, target, interrupt, show).await
            })
            .await
    }
}

fn ratio(text: &str) -> Result<f64, String> {
    let ratio = text.parse().ok().filter(|ratio| (1e-16..1e-2).contains(ratio));
    ratio.ok_or_else(|| "a bit error ratio such as 1e-12".to_owned())
}

fn confidence(text: &str) -> Result<f64, String> {
    let percent =
        text.trim_end_matches('%').parse().ok().filter(|percent: &f64| (50.0..100.0).contains(percent));
    percent
        .map(|percent| percent / 100.0)
        .ok_or_else(|| "percent, from 50 to below 100, such as 95".to_owned())
}
