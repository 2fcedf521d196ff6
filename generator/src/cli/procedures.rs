//! The standard procedures on the command line: `throughput`, `frame-loss-rate`, `back-to-back`,
//! `system-recovery`.

use std::time::Duration;

use clap::Args;
use kitproof_common::line::{Load, Percent};
use tokio::sync::watch;

use super::carry_out::Setting;
use super::options::{Outputs, Sending, duration};
use crate::method::back_to_back::{LONGEST, VALUES};
use crate::procedure::failure::Failure;
use crate::procedure::{back_to_back, frame_loss_rate, system_recovery, throughput};

/// How a throughput is searched for.
#[derive(Args, Debug, Clone)]
pub struct Searching {
    /// Distance of the loads that are tried, in percent of line rate
    #[arg(long, value_name = "PERCENT", default_value = "0.1%", value_parser = share)]
    pub resolution: Percent,

    /// Length of the trials of the search; the one that confirms its result takes --duration (RFC 2544 section 24)
    #[arg(long, value_name = "TIME", default_value = "10s", value_parser = duration)]
    pub search_duration: Duration,
}

impl Searching {
    /// What was typed, as the search wants it.
    #[must_use]
    pub fn options(&self) -> throughput::Options {
        throughput::Options { resolution: self.resolution, search_duration: self.search_duration }
    }
}

#[derive(Args, Debug)]
pub struct Throughput {
    #[command(flatten)]
    pub sending: Sending,

    #[command(flatten)]
    pub searching: Searching,

    #[command(flatten)]
    pub outputs: Outputs,
}

impl Throughput {
    /// Runs it, shows and writes the result.
    ///
    /// # Errors
    /// One clear line, before the first trial.
    pub async fn run(&self, no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        let setting = setting("throughput", &self.sending, &self.outputs, no_color);
        let options = self.searching.options();
        setting
            .carry_out(self.sending.wanted()?, interrupt, async |wanted, target, interrupt, show| {
                throughput::run(options, wanted, target, interrupt, show).await
            })
            .await
    }
}

#[derive(Args, Debug)]
pub struct FrameLossRate {
    #[command(flatten)]
    pub sending: Sending,

    /// Distance of the loads, in percent of line rate; 10 % at most (RFC 2544 section 26.3)
    #[arg(long, value_name = "PERCENT", default_value = "10%", value_parser = share)]
    pub step: Percent,

    #[command(flatten)]
    pub outputs: Outputs,
}

impl FrameLossRate {
    /// Runs it, shows and writes the result.
    ///
    /// # Errors
    /// One clear line, before the first trial.
    pub async fn run(&self, no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        let setting = setting("frame-loss-rate", &self.sending, &self.outputs, no_color);
        setting
            .carry_out(self.sending.wanted_or_mix()?, interrupt, async |wanted, target, interrupt, show| {
                frame_loss_rate::run(self.step, wanted, target, interrupt, show).await
            })
            .await
    }
}

#[derive(Args, Debug)]
pub struct BackToBack {
    #[command(flatten)]
    pub sending: Sending,

    /// How many values are measured at each frame size (RFC 2544 section 26.4)
    #[arg(long, value_name = "N", default_value_t = VALUES, value_parser = clap::value_parser!(u32).range(1..))]
    pub values: u32,

    /// The longest burst that is tried, as the time it takes (RFC 9004 section 6.2)
    #[arg(long, value_name = "TIME", default_value = "30s", value_parser = duration)]
    pub longest: Duration,

    /// Silence after a burst, once the chain's buffer has drained (RFC 9004 section 6.2)
    #[arg(long, value_name = "TIME", default_value = "2s", value_parser = duration)]
    pub listen: Duration,

    /// The throughput of the chain, where it is known [default: it is searched for first]
    #[arg(long, value_name = "LOAD")]
    pub throughput: Option<Load>,

    #[command(flatten)]
    pub searching: Searching,

    #[command(flatten)]
    pub outputs: Outputs,
}

impl BackToBack {
    /// Runs it, shows and writes the result.
    ///
    /// # Errors
    /// One clear line, before the first trial.
    pub async fn run(&self, no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        if self.longest.is_zero() || self.longest > LONGEST.saturating_mul(10) {
            return Err(Failure::Usage("--longest: a time above 0 and up to 300s".into()));
        }
        let setting = setting("back-to-back", &self.sending, &self.outputs, no_color);
        let options = back_to_back::Options {
            values: self.values,
            longest: self.longest,
            listen: self.listen,
            throughput: self.throughput,
            search: self.searching.options(),
        };
        setting
            .carry_out(self.sending.wanted()?, interrupt, async |wanted, target, interrupt, show| {
                back_to_back::run(options, wanted, target, interrupt, show).await
            })
            .await
    }
}

#[derive(Args, Debug)]
pub struct SystemRecovery {
    #[command(flatten)]
    pub sending: Sending,

    /// How often it is measured at each frame size (RFC 2544 section 26.5: "a number of times")
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = clap::value_parser!(u32).range(1..))]
    pub values: u32,

    /// How long the halved load is watched, after an overload of --duration
    #[arg(long, value_name = "TIME", default_value = "60s", value_parser = duration)]
    pub watch_for: Duration,

    /// The throughput of the chain, where it is known [default: it is searched for first]
    #[arg(long, value_name = "LOAD")]
    pub throughput: Option<Load>,

    #[command(flatten)]
    pub searching: Searching,

    #[command(flatten)]
    pub outputs: Outputs,
}

impl SystemRecovery {
    /// Runs it, shows and writes the result.
    ///
    /// # Errors
    /// One clear line, before the first trial.
    pub async fn run(&self, no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        if self.watch_for.is_zero() {
            return Err(Failure::Usage("--watch-for 0: the halved load needs time".into()));
        }
        let setting = setting("system-recovery", &self.sending, &self.outputs, no_color);
        let options = system_recovery::Options {
            values: self.values,
            watch_for: self.watch_for,
            throughput: self.throughput,
            search: self.searching.options(),
        };
        setting
            .carry_out(self.sending.wanted()?, interrupt, async |wanted, target, interrupt, show| {
                system_recovery::run(options, wanted, target, interrupt, show).await
            })
            .await
    }
}

fn setting<'a>(command: &'a str, sending: &'a Sending, outputs: &'a Outputs, no_color: bool) -> Setting<'a> {
    Setting::new(command, sending, outputs, no_color)
}

/// A share of line rate, more than nothing and at most all of it.
fn share(text: &str) -> Result<Percent, String> {
    match text.parse::<Load>() {
        Ok(Load::Percent(percent)) if (1..=Percent::FULL.millionths()).contains(&percent.millionths()) => {
            Ok(percent)
        }
        _ => Err("a share of line rate such as 10% or 0.1%".to_owned()),
    }
}
