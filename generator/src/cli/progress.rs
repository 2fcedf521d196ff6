//! What is shown while traffic runs: one line on stderr, rewritten on a terminal, every few seconds
//! otherwise.

use std::io::{IsTerminal, Write};
use std::time::{Duration, Instant};

use crate::procedure::trial::{Moment, Phase};

const ON_A_TERMINAL: Duration = Duration::from_millis(250);
const IN_A_LOG: Duration = Duration::from_secs(10);

/// A live line.
pub struct Progress {
    terminal: bool,
    last: Option<(Instant, u64, u64)>,
    /// Length of what stands on the line.
    width: usize,
    quiet: bool,
}

impl Progress {
    #[must_use]
    pub fn new(quiet: bool) -> Self {
        Self { terminal: std::io::stderr().is_terminal(), last: None, width: 0, quiet }
    }

    /// Shows a line in place of the last; where there is no terminal, one every few seconds.
    pub fn line(&mut self, text: &str) {
        let now = Instant::now();
        let waits = !self.terminal && self.last.is_some_and(|(at, ..)| now.duration_since(at) < IN_A_LOG);
        if !self.quiet && !waits {
            self.last = Some((now, 0, 0));
            self.write(text);
        }
    }

    /// Shows a moment of a trial, not too often.
    pub fn show(&mut self, position: &str, moment: Moment<'_>) {
        if self.quiet {
            return;
        }
        let now = Instant::now();
        let interval = if self.terminal { ON_A_TERMINAL } else { IN_A_LOG };
        let reading = moment.reading;
        let Some((at, offered, returned)) = self.last else {
            self.last = Some((now, reading.offered, reading.returned));
            return;
        };
        if now.duration_since(at) < interval {
            return;
        }
        let seconds = now.duration_since(at).as_secs_f64();
        let rate = |count: u64, before: u64| count.saturating_sub(before) as f64 / seconds;
        self.last = Some((now, reading.offered, reading.returned));
        let left = (moment.trial.seconds() - moment.elapsed.as_secs_f64()).max(0.0);
        let state = match moment.phase {
            Phase::Sending => format!("{left:.0} s left"),
            Phase::Residual => "waiting for late frames".to_owned(),
            Phase::Counting => "asking for the reflector's counts".to_owned(),
            Phase::Settling => "settling".to_owned(),
        };
        self.write(&format!(
            "{position} {} bytes at {}: out {:.0}/s, back {:.0}/s, lost so far {}, {state}",
            moment.trial.frame_size(),
            moment.trial.load,
            rate(reading.offered, offered),
            rate(reading.returned, returned),
            reading.missing,
        ));
    }

    /// A line that stays.
    pub fn say(&mut self, text: &str) {
        self.clear();
        if !self.quiet {
            tell(&format!("{text}\n"));
        }
    }

    /// Takes the live line away and starts anew.
    pub fn clear(&mut self) {
        if self.width > 0 {
            tell(&format!("\r{:width$}\r", "", width = self.width));
        }
        self.width = 0;
        self.last = None;
    }

    fn write(&mut self, line: &str) {
        if self.terminal {
            tell(&format!("\r{line:width$}", width = self.width));
            self.width = line.chars().count();
        } else {
            tell(&format!("{line}\n"));
        }
    }
}

/// A standard error that is gone must not end a measurement.
fn tell(text: &str) {
    let _ = std::io::stderr().write_all(text.as_bytes());
}
