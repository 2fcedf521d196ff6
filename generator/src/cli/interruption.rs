//! `kitproof interruption`: how long the link was gone while a person pulled the power; `kitproof reset`: how long the kit
//! forwarded nothing after a reset.

use std::time::Duration;

use clap::{Args, ValueEnum};
use tokio::sync::watch;

use super::carry_out::Setting;
use super::options::{Outputs, Sending, duration};
use crate::method::reset::{Kind, POWER_OFF};
use crate::procedure::failure::Failure;
use crate::procedure::interruption::pulls::Pulls;
use crate::procedure::{interruption, reset};

#[derive(Args, Debug)]
#[command(after_help = interruption::CAUTION)]
pub struct Interruption {
    #[command(flatten)]
    pub sending: Sending,

    /// The longest outage that passes; without it nothing is judged
    #[arg(long, value_name = "TIME", value_parser = duration)]
    pub longest_outage: Option<Duration>,

    /// Say when to pull and when to restore the power, so many times; --duration follows from it
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=1_000))]
    pub pulls: Option<u32>,

    /// How long the piece is without power at each of the --pulls
    #[arg(long, value_name = "TIME", default_value = "10s", value_parser = duration)]
    pub unpowered: Duration,

    /// How long it has power again before the next of the --pulls: longer than the link takes to come back
    #[arg(long, value_name = "TIME", default_value = "20s", value_parser = duration)]
    pub powered: Duration,

    /// Prove the path without power afterwards, at full rate, without asking (the power must be off by then)
    #[arg(long)]
    pub prove_unpowered: bool,

    /// Length of that proof; 0s for none
    #[arg(long, value_name = "TIME", default_value = "60s", value_parser = duration)]
    pub prove_for: Duration,

    #[command(flatten)]
    pub outputs: Outputs,
}

impl Interruption {
    /// When to pull, where it says so.
    pub(crate) fn schedule(&self) -> Option<Pulls> {
        let (unpowered, powered) = (self.unpowered, self.powered);
        self.pulls.map(|count| Pulls { count, unpowered, powered })
    }

    /// Runs it, shows and writes the result.
    ///
    /// # Errors
    /// One clear line, before the traffic starts.
    pub async fn run(&self, no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        let setting = Setting::new("interruption", &self.sending, &self.outputs, no_color);
        if self.pulls.is_some() && (self.unpowered.is_zero() || self.powered.is_zero()) {
            return Err(Failure::Usage("--unpowered and --powered: each pull needs time for both".into()));
        }
        let options = interruption::Options {
            longest_outage: self.longest_outage,
            pulls: self.schedule(),
            prove_unpowered: self.prove_unpowered,
            prove_for: self.prove_for,
        };
        setting
            .carry_out(self.sending.wanted()?, interrupt, async |wanted, target, interrupt, show| {
                interruption::run(options, wanted, target, interrupt, show).await
            })
            .await
    }
}

/// Which reset (RFC 6201 section 4).
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum ResetKind {
    /// Of the box or a part of it, by hand
    Hardware,
    /// Of a process or the operating system
    Software,
    /// The power is taken away; the time without it is subtracted
    Power,
}

#[derive(Args, Debug)]
#[command(after_help = interruption::CAUTION)]
pub struct Reset {
    #[command(flatten)]
    pub sending: Sending,

    /// Which reset is made while traffic runs
    #[arg(long, value_name = "KIND", default_value = "hardware")]
    pub kind: ResetKind,

    /// How long the power is off, with --kind power [default: 15s (RFC 6201 section 4.3.1)]
    #[arg(long, value_name = "TIME", value_parser = duration)]
    pub power_off: Option<Duration>,

    #[command(flatten)]
    pub outputs: Outputs,
}

impl Reset {
    /// Runs it, shows and writes the result.
    ///
    /// # Errors
    /// One clear line, before the traffic starts.
    pub async fn run(&self, no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        let kind = match (self.kind, self.power_off) {
            (ResetKind::Power, off) => Kind::Power { off_for: off.unwrap_or(POWER_OFF) },
            (_, Some(_)) => return Err(Failure::Usage("--power-off goes with --kind power".into())),
            (ResetKind::Hardware, None) => Kind::Hardware,
            (ResetKind::Software, None) => Kind::Software,
        };
        let setting = Setting::new("reset", &self.sending, &self.outputs, no_color);
        setting
            .carry_out(self.sending.wanted()?, interrupt, async |wanted, target, interrupt, show| {
                reset::run(kind, wanted, target, interrupt, show).await
            })
            .await
    }
}
