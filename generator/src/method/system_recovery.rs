//! System recovery (RFC 2544 section 26.5): how long the kit goes on losing frames after an overload has ended.
//!
//! Offered is 110 % of the throughput or all the line carries, whichever is lower, for at least 60 s; at the moment
//! A the rate is halved. B is the moment of the last frame lost, and the recovery time B - A. (The RFC says
//! "subtracting Timestamp B from Timestamp A"; the times only make sense the other way round.)
//!
//! A frame's moment is that of its departure, because a lost one has no other.

use std::time::Duration;

use kitproof_common::line::{FrameRate, Percent};

use super::estimate::{Estimate, Waits};
use super::letter::{self, Letter};
use super::step::{Offer, Trial};

/// Losses this close to the end of the trial leave open whether they had ended.
const TAIL: u64 = 10;

const STANDARD: &str = "RFC 2544 section 26.5";

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parameters {
    /// Bytes including FCS.
    pub frame_size: u16,
    /// Of the overload, 60 s by the letter.
    pub overload_for: Duration,
    /// How long the halved rate is offered: the longest recovery that can be seen.
    pub watch_for: Duration,
}

impl Parameters {
    pub fn new(frame_size: u16) -> Parameters {
        Parameters { frame_size, overload_for: letter::TRIAL, watch_for: letter::TRIAL }
    }

    /// The trial: 110 % of `throughput` or the line, then half of that.
    pub fn trial(&self, throughput: Percent) -> Trial {
        let first = overload(throughput);
        Trial {
            frame_size: self.frame_size,
            offer: Offer::Lowered {
                first,
                first_for: self.overload_for,
                then: Percent::from_millionths(first.millionths() / 2),
                then_for: self.watch_for,
            },
            why: "recovery",
        }
    }

    pub fn estimate(&self, waits: &Waits) -> Estimate {
        let time = self.overload_for.saturating_add(self.watch_for);
        Estimate::trials(waits, (1, time), (1, time))
    }

    pub fn letter(&self, waits: &Waits) -> Letter {
        Letter::of(STANDARD).at_least("an overload of", self.overload_for, letter::TRIAL).with_waits(waits)
    }
}

/// 110 % of the throughput, and never more than the line carries.
pub fn overload(throughput: Percent) -> Percent {
    Percent::from_millionths(throughput.millionths() / 10 * 11).min(Percent::FULL)
}

/// A loss period with its times: frames lost in a row (RFC 3357), nanoseconds on the generator's clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LossAt {
    /// When the first and the last of them left.
    pub first_ns: u64,
    pub last_ns: u64,
    pub frames: u64,
}

/// What the trial was, beside its losses. Times in nanoseconds on the generator's clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Offered {
    /// When the rate was halved: departure of the first frame at the lower rate.
    pub lowered_ns: u64,
    /// Departure of the last frame.
    pub end_ns: u64,
    /// The lower rate.
    pub then: FrameRate,
    /// The most of all lost frames that may be the pair's own doing.
    pub by_pair: u64,
    /// Whether every loss period is known, the last among them.
    pub all_known: bool,
}

/// What it came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Recovery {
    /// Losses ended so long after the rate was halved; 0 if none was lost from then on. It is known to one interval
    /// between frames.
    After { seconds: f64, uncertainty_s: f64 },
    /// Frames were still lost when the trial ended, this long after the rate was halved.
    Never { watched_s: f64 },
    /// The overload lost no frame: there is nothing to recover from.
    NotOverloaded,
    /// Losses after the rate was halved may be the pair's, or are not all known. At most so long, where that is
    /// known.
    Unproven { at_most_s: Option<f64> },
}

/// The recovery time from how many frames of the trial were lost, and the last loss period of all.
pub fn recovery(offered: &Offered, lost: u64, last: Option<&LossAt>) -> Recovery {
    let interval_ns = offered.then.nanoseconds() as f64 / offered.then.frames() as f64;
    if !offered.all_known {
        return Recovery::Unproven { at_most_s: None };
    }
    let Some(last) = last.filter(|_| lost > 0) else { return Recovery::NotOverloaded };
    let after_s = last.last_ns.saturating_sub(offered.lowered_ns) as f64 / 1e9;
    if last.last_ns < offered.lowered_ns {
        // Only the overload lost frames; but if the pair may have lost them all, the kit was never shown an
        // overload.
        if offered.by_pair >= lost {
            return Recovery::Unproven { at_most_s: Some(0.0) };
        }
        return Recovery::After { seconds: 0.0, uncertainty_s: interval_ns / 1e9 };
    }
    // Of the last period, what left after the rate was halved.
    let late = if last.first_ns >= offered.lowered_ns {
        last.frames
    } else {
        offered.then.frames_in(last.last_ns - offered.lowered_ns) + 1
    };
    if offered.by_pair > 0 && offered.by_pair >= last.frames.min(late) {
        return Recovery::Unproven { at_most_s: Some(after_s) };
    }
    if last.last_ns as f64 + TAIL as f64 * interval_ns >= offered.end_ns as f64 {
        return Recovery::Never { watched_s: offered.end_ns.saturating_sub(offered.lowered_ns) as f64 / 1e9 };
    }
    Recovery::After { seconds: after_s, uncertainty_s: interval_ns / 1e9 }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const SECOND: u64 = 1_000_000_000;

    fn offered(by_pair: u64) -> Offered {
        Offered {
            lowered_ns: 60 * SECOND,
            end_ns: 120 * SECOND,
            then: FrameRate::from_per_second(10_000).unwrap(),
            by_pair,
            all_known: true,
        }
    }

    fn loss(first_s: f64, last_s: f64, frames: u64) -> LossAt {
        LossAt { first_ns: (first_s * 1e9) as u64, last_ns: (last_s * 1e9) as u64, frames }
    }

    /// Of several periods in order of time: how many frames they are, and the last.
    fn found(by_pair: u64, losses: &[LossAt]) -> Recovery {
        recovery(&offered(by_pair), losses.iter().map(|loss| loss.frames).sum(), losses.last())
    }

    #[test]
    fn the_overload_is_110_percent_or_the_line() {
        let percent = |value: f64| Percent::from_f64(value).unwrap();
        assert_eq!(overload(percent(60.0)), percent(66.0));
        assert_eq!(overload(percent(95.0)), Percent::FULL);
        let Offer::Lowered { first, then, .. } = Parameters::new(64).trial(percent(60.0)).offer else {
            panic!()
        };
        assert_eq!((first, then), (percent(66.0), percent(33.0)), "half of the overload");
    }

    #[test]
    fn recovery_is_b_less_a() {
        let losses = [loss(2.0, 60.0, 9_000), loss(61.0, 61.25, 30)];
        let Recovery::After { seconds, uncertainty_s } = found(0, &losses) else { panic!() };
        assert!((seconds - 1.25).abs() < 1e-9 && (uncertainty_s - 1e-4).abs() < 1e-12);
    }

    #[test]
    fn the_other_ends() {
        assert_eq!(found(0, &[]), Recovery::NotOverloaded);
        assert!(matches!(found(0, &[loss(1.0, 59.9, 500)]), Recovery::After { seconds: 0.0, .. }));
        assert_eq!(found(0, &[loss(1.0, 119.9995, 500)]), Recovery::Never { watched_s: 60.0 });
        let unknown = Offered { all_known: false, ..offered(0) };
        assert_eq!(recovery(&unknown, 5, Some(&loss(1.0, 2.0, 5))), Recovery::Unproven { at_most_s: None });
    }

    #[test]
    fn what_the_pair_may_have_lost_is_not_the_kits_recovery() {
        let losses = [loss(2.0, 59.0, 9_000), loss(70.0, 70.0, 1)];
        assert_eq!(found(1, &losses), Recovery::Unproven { at_most_s: Some(10.0) });
        assert_eq!(found(9_001, &losses[..1]), Recovery::Unproven { at_most_s: Some(0.0) });
        let many = [loss(2.0, 59.0, 9_000), loss(61.0, 62.0, 400)];
        assert!(matches!(found(1, &many), Recovery::After { .. }), "not all of the last ones");
        // A period that began in the overload: what left afterwards is all that shows a recovery.
        let straddling = [loss(59.0, 60.0009, 10_010)];
        assert_eq!(found(10, &straddling), Recovery::Unproven { at_most_s: Some(0.0009) });
        assert!(matches!(found(9, &straddling), Recovery::After { .. }));
    }

    #[test]
    fn a_short_overload_is_not_the_letter() {
        let short = Parameters { overload_for: Duration::from_secs(5), ..Parameters::new(64) };
        assert_eq!(
            short.letter(&Waits::default()).to_string(),
            "RFC 2544 section 26.5, shortened: an overload of 5 s in place of 60 s"
        );
    }

    proptest! {
        /// A box that goes on dropping every so-manieth frame for a known time after the overload: the last of them
        /// is found.
        #[test]
        fn the_last_loss_of_a_simulated_box(hold_ms in 0u64..3_000, gap in 1u64..50) {
            let begin = 60 * SECOND;
            let mut losses = vec![loss(1.0, 59.5, 10_000)];
            let mut last = None;
            for i in 0..30_000u64 {
                let at = begin + i * 100_000;
                if at < begin + hold_ms * 1_000_000 && i % gap == 0 {
                    losses.push(LossAt { first_ns: at, last_ns: at, frames: 1 });
                    last = Some(at);
                }
            }
            let Recovery::After { seconds, .. } = found(0, &losses) else { panic!() };
            let expected = last.map_or(0.0, |at| (at - begin) as f64 / 1e9);
            prop_assert!((seconds - expected).abs() < 1e-9);
        }
    }
}
