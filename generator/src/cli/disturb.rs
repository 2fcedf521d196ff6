//! What a person does to the monitor side of a tap while frames go by: none of it may cost the link a frame.

use std::time::Duration;

use crate::page::News;
use crate::procedure::judged::Judged;
use crate::procedure::runner::Show;
use crate::procedure::trial::{Moment, Phase};
use crate::verdict::Reason;

/// At which part of a trial, and what.
const STEPS: [(f64, &str); 5] = [
    (0.1, "pull the cord out of the monitor port"),
    (0.3, "put the cord back into the monitor port"),
    (0.5, "set what hangs on the monitor port to another speed, or pull its cord half out if it has none"),
    (0.7, "power off what hangs on the monitor port"),
    (0.85, "power it on again, at its old speed"),
];

/// Shorter than this nobody keeps up.
pub const LEAST: Duration = Duration::from_secs(20);

/// Shows what it is given, and says what to do when it is time.
pub struct Guided<'a> {
    inner: &'a mut dyn Show,
    said: usize,
    all: Vec<&'static str>,
}

impl<'a> Guided<'a> {
    #[must_use]
    pub fn new(inner: &'a mut dyn Show) -> Self {
        Self { inner, said: 0, all: Vec::new() }
    }

    /// What was asked for, for the result.
    #[must_use]
    pub fn note(&self) -> Reason {
        let steps = if self.all.is_empty() { "nothing".to_owned() } else { self.all.join("; ") };
        Reason::note(
            "monitor_side_disturbed",
            format!("While frames went by, a person was asked to: {steps}."),
            "Whether it was done in time is known to that person only.",
        )
    }
}

/// The step that is due, after `said` of them.
fn due(elapsed: Duration, seconds: f64, said: usize) -> Option<&'static str> {
    let (part, step) = STEPS.get(said)?;
    (elapsed.as_secs_f64() >= part * seconds).then_some(*step)
}

impl Show for Guided<'_> {
    fn say(&mut self, text: &str) {
        self.inner.say(text);
    }

    fn moment(&mut self, position: &str, moment: Moment<'_>) {
        if moment.phase == Phase::Sending
            && let Some(step) = due(moment.elapsed, moment.trial.seconds(), self.said)
        {
            self.said += 1;
            self.all.push(step);
            self.inner.say(&format!("NOW: {step}"));
        }
        self.inner.moment(position, moment);
    }

    fn judged(&mut self, trial: &Judged) {
        self.said = 0;
        self.inner.judged(trial);
    }

    fn news(&mut self, news: News) {
        self.inner.news(news);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_step_is_said_once_and_in_its_time() {
        let (mut said, mut at) = (0, Vec::new());
        for tenth in 0..=600 {
            if due(Duration::from_millis(100 * tenth), 60.0, said).is_some() {
                said += 1;
                at.push(tenth);
            }
        }
        assert_eq!(at, [60, 180, 300, 420, 510]);
    }
}
