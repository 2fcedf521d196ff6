//! What is shown while traffic runs: one line, rewritten on a terminal, every few seconds otherwise.

use std::time::{Duration, Instant};

use super::console::Console;
use crate::procedure::trial::{Moment, Phase};
use crate::report::grouped;

const ON_A_TERMINAL: Duration = Duration::from_millis(250);
const IN_A_LOG: Duration = Duration::from_secs(10);

/// A live line.
pub struct Progress {
    console: Console,
    last: Option<(Instant, u64, u64)>,
}

impl Default for Progress {
    fn default() -> Self {
        Self { console: Console::stderr(), last: None }
    }
}

impl Progress {
    fn interval(&self) -> Duration {
        if self.console.is_terminal() { ON_A_TERMINAL } else { IN_A_LOG }
    }

    /// Shows a line in place of the last; where there is no terminal, one every few seconds.
    pub fn line(&mut self, text: &str) {
        let now = Instant::now();
        let waits = self.last.is_some_and(|(at, ..)| now.duration_since(at) < self.interval());
        if !waits {
            self.last = Some((now, 0, 0));
            self.console.live(text);
        }
    }

    /// Shows a moment of a trial, not too often.
    pub fn show(&mut self, position: &str, moment: Moment<'_>) {
        let now = Instant::now();
        let reading = moment.reading;
        let Some((at, offered, returned)) = self.last else {
            self.last = Some((now, reading.offered, reading.returned));
            return;
        };
        if now.duration_since(at) < self.interval() {
            return;
        }
        let seconds = now.duration_since(at).as_secs_f64();
        let rate = |count: u64, before: u64| grouped((count.saturating_sub(before) as f64 / seconds) as u64);
        self.last = Some((now, reading.offered, reading.returned));
        let left = (moment.trial.seconds() - moment.elapsed.as_secs_f64()).max(0.0);
        let state = match moment.phase {
            Phase::Sending => format!("{left:.0} s left"),
            Phase::Residual => "waiting for late frames".to_owned(),
            Phase::Counting => "asking for the reflector's counts".to_owned(),
            Phase::Settling => "settling".to_owned(),
        };
        // What matters most comes first: a narrow terminal shows no more than that.
        self.console.live(&format!(
            "missing {}; {state}; out {}/s, back {}/s; {position} {} bytes at {}",
            grouped(reading.missing),
            rate(reading.offered, offered),
            rate(reading.returned, returned),
            moment.trial.frame_size(),
            moment.trial.load,
        ));
    }

    /// A line that stays.
    pub fn say(&mut self, text: &str) {
        self.last = None;
        self.console.live("");
        self.console.keep(text);
    }

    /// Takes the live line away; everything that was said stands there then.
    pub fn clear(&mut self) {
        self.last = None;
        self.console.live("");
        self.console.flush();
    }
}
