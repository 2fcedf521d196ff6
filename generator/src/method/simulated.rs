//! An invented box and an invented pair, for the tests of the searches: every answer follows from a rule.

use kitproof_common::line::{FrameRate, LineRate, line_frame_rate};

use super::estimate::sending;
use super::step::{Came, Finding, Method, Offer, Trial};

pub(crate) const GIGABIT: LineRate = LineRate(1_000_000_000);

/// A box that forwards so many frames a second and stores so many beyond that.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Box {
    pub(crate) forwards_fps: f64,
    pub(crate) stores: f64,
}

impl Box {
    /// Frames that get through of `offered` within `seconds`.
    fn passes(&self, offered: u64, seconds: f64) -> u64 {
        (offered as f64).min((self.forwards_fps * seconds + self.stores).floor() + 0.5) as u64
    }

    /// What a trial over this box comes to, the pair being perfect.
    pub(crate) fn answers(&self, trial: &Trial) -> Came {
        let line = line_frame_rate(GIGABIT, trial.frame_size);
        let (rate, offered, seconds): (FrameRate, u64, f64) = match trial.offer {
            Offer::Steady { load, duration } => {
                let rate = load.rate(GIGABIT, trial.frame_size).unwrap();
                (rate, rate.frames_in(duration.as_nanos() as u64), duration.as_secs_f64())
            }
            Offer::Burst { frames, .. } => (line, frames, frames as f64 / line.per_second()),
            Offer::Lowered { .. } => unreachable!("no search lowers its load"),
        };
        let received = self.passes(offered, seconds);
        Came {
            finding: if received < offered { Finding::LostInKit } else { Finding::Clean },
            offered,
            received,
            by_pair: 0,
            offered_fps: Some(rate.per_second()),
        }
    }
}

/// The pair spoils a trial: whatever the box did is not known.
pub(crate) fn spoiled(came: Came, finding: Finding) -> Came {
    let by_pair = if finding == Finding::LostInPair { came.missing().max(1) } else { 0 };
    let received = came.received.min(came.offered - by_pair);
    Came { finding, by_pair, received, ..came }
}

/// Runs a method to its end. `answer` is given the number of the trial, and the trial.
pub(crate) fn run<M: Method>(
    method: &mut M,
    most: u64,
    mut answer: impl FnMut(u64, &Trial) -> Came,
) -> Vec<(Trial, Came)> {
    let mut log = Vec::new();
    while let Some(trial) = method.next() {
        let came = answer(log.len() as u64, &trial);
        assert_eq!(method.next(), Some(trial), "the same until it is answered");
        assert!(sending(&trial, line_frame_rate(GIGABIT, trial.frame_size)).as_nanos() > 0);
        method.take(&came);
        log.push((trial, came));
        assert!(log.len() as u64 <= most, "more than {most} trials");
    }
    log
}
