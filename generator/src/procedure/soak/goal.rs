//! What a soak is to show, and whether it has.

use std::fmt;
use std::time::Duration;

use crate::verdict::confidence::{bit_error_bound, frames_to_show, poisson_floor};

/// When a soak is over.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Goal {
    /// After its time.
    Time,
    /// After so many frames.
    Frames(u64),
    /// Once each direction has shown a bit error ratio below this at this confidence, or cannot any more.
    BitErrors { ratio: f64, confidence: f64 },
}

/// What one direction has shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Way {
    /// Frames of which it is known what became of them.
    pub frames: u64,
    /// How many of them were lost or damaged: each is one error event at least.
    pub errors: u64,
}

impl Way {
    /// Upper limit of the bit error ratio; `None` without frames.
    #[must_use]
    pub fn bound(self, frame_size: u16, confidence: f64) -> Option<f64> {
        bit_error_bound(self.frames, self.errors, frame_size, confidence)
    }
}

/// How far a soak is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    Going,
    Reached,
    /// The ratio is above the goal, at the same confidence.
    Refuted,
    /// Even without a further error the time does not suffice.
    TooLate,
}

/// What is known when it is asked.
#[derive(Clone, Copy, Debug)]
pub struct Known {
    pub forward: Way,
    pub homeward: Way,
    /// Errors forward and on return that are certain: a frame may still be under way that counts as missing.
    pub certain: (u64, u64),
    /// Frames offered.
    pub offered: u64,
    /// What is left of the soak's time.
    pub left: Duration,
    pub frame_size: u16,
    pub frames_per_s: f64,
}

impl Goal {
    /// Whether the soak goes on. The confidence is that of one look, whatever the number of errors; of a link whose ratio is
    /// exactly the goal's more than 5 % are passed in the end if it is looked again after every error.
    #[must_use]
    pub fn stands(&self, known: &Known) -> Standing {
        let over = known.left.is_zero();
        match *self {
            Goal::Time if over => Standing::Reached,
            Goal::Frames(frames) if known.offered >= frames => Standing::Reached,
            Goal::BitErrors { ratio, confidence } => {
                let bits = |way: Way| way.frames as f64 * 8.0 * f64::from(known.frame_size);
                let ways = [known.forward, known.homeward];
                let shown =
                    |way: &Way| way.bound(known.frame_size, confidence).is_some_and(|bound| bound <= ratio);
                let refuted = |(way, errors): (&Way, u64)| {
                    poisson_floor(errors, confidence).is_some_and(|floor| floor > ratio * bits(*way))
                };
                if ways.iter().zip([known.certain.0, known.certain.1]).any(refuted) {
                    return Standing::Refuted;
                }
                if ways.iter().all(shown) {
                    return Standing::Reached;
                }
                let still = known.frames_per_s * known.left.as_secs_f64();
                let hopeless = |way: &Way| {
                    frames_to_show(ratio, way.errors, known.frame_size, confidence)
                        .is_none_or(|needed| needed as f64 > way.frames as f64 + still)
                };
                if over || ways.iter().any(hopeless) { Standing::TooLate } else { Standing::Going }
            }
            Goal::Frames(_) if over => Standing::TooLate,
            Goal::Time | Goal::Frames(_) => Standing::Going,
        }
    }

    /// How much more time it takes without a further error.
    #[must_use]
    pub fn to_go(&self, known: &Known) -> Duration {
        let of_frames = |frames: f64| {
            Duration::try_from_secs_f64((frames / known.frames_per_s).max(0.0)).unwrap_or(known.left)
        };
        let time = match *self {
            Goal::Time => known.left,
            Goal::Frames(frames) => of_frames(frames.saturating_sub(known.offered) as f64),
            Goal::BitErrors { ratio, confidence } => {
                let needs = |way: Way| {
                    let needed =
                        frames_to_show(ratio, way.errors, known.frame_size, confidence).unwrap_or(u64::MAX);
                    needed.saturating_sub(way.frames) as f64
                };
                of_frames(needs(known.forward).max(needs(known.homeward)))
            }
        };
        time.min(known.left)
    }
}

impl fmt::Display for Goal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Goal::Time => write!(f, "its time"),
            Goal::Frames(frames) => write!(f, "{frames} frames"),
            Goal::BitErrors { ratio, confidence } => {
                write!(f, "a bit error ratio below {ratio:e} at {} % confidence", confidence * 100.0)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use statrs::distribution::{ContinuousCDF, Gamma};

    use super::*;

    const LINE: f64 = 1e9;
    const SIZE: u16 = 1_518;

    fn known(frames: u64, errors: u64, hours: f64) -> Known {
        let way = Way { frames, errors };
        Known {
            forward: way,
            homeward: way,
            certain: (errors, errors),
            offered: frames,
            left: Duration::from_secs_f64(hours * 3_600.0),
            frame_size: SIZE,
            frames_per_s: LINE / (8.0 * (f64::from(SIZE) + 20.0)),
        }
    }

    const GOAL: Goal = Goal::BitErrors { ratio: 1e-12, confidence: 0.95 };

    /// Frames at which so many errors just show it, by the Poisson limit of an independent library: the mean at which `errors`
    /// or fewer have a probability of 5 %.
    fn needed(errors: u64) -> u64 {
        let mean = Gamma::new(errors as f64 + 1.0, 1.0).unwrap().inverse_cdf(0.95);
        (mean / 1e-12 / (8.0 * f64::from(SIZE))).round() as u64
    }

    /// 1e-12 at 95 % at 1 Gb/s is 50 minutes of frame bits without an error, as the issue has it; each error lengthens it by
    /// the Poisson limit. Means 2.996, 4.744 and 6.296 stand in published tables of it (Particle Data Group, from memory).
    #[test]
    fn it_is_shown_after_the_poisson_limit_and_not_a_frame_sooner() {
        for (errors, mean) in [(0, 2.996), (1, 4.744), (2, 6.296), (7, 13.148)] {
            let frames = needed(errors);
            let bits = frames as f64 * 8.0 * f64::from(SIZE);
            assert!((bits * 1e-12 - mean).abs() < 1e-3, "{errors}: {}", bits * 1e-12);
            assert_eq!(GOAL.stands(&known(frames + 2, errors, 10.0)), Standing::Reached);
            assert_eq!(GOAL.stands(&known(frames - 2, errors, 10.0)), Standing::Going);
        }
        let minutes = GOAL.to_go(&known(0, 0, 10.0)).as_secs_f64() / 60.0;
        // With preamble and gap it is 1.3 % longer than the bits alone.
        assert!((50.0..51.0).contains(&minutes), "{minutes}");
    }

    #[test]
    fn one_direction_alone_shows_nothing() {
        let mut half = known(needed(0) + 2, 0, 10.0);
        half.homeward.frames -= 100;
        assert_eq!(GOAL.stands(&half), Standing::Going);
    }

    #[test]
    fn what_cannot_be_shown_any_more_ends_it() {
        // 51 minutes are needed; half an hour is left and nothing was sent.
        assert_eq!(GOAL.stands(&known(0, 0, 0.5)), Standing::TooLate);
        // Ten errors in a thousandth of what a zero needs: the ratio is far above.
        assert_eq!(GOAL.stands(&known(needed(0) / 1_000, 10, 10.0)), Standing::Refuted);
        // One error early on says little.
        assert_eq!(GOAL.stands(&known(needed(0) / 2, 1, 10.0)), Standing::Going);
        assert_eq!(Goal::Frames(10).stands(&known(9, 0, 0.0)), Standing::TooLate);
        assert_eq!(Goal::Frames(10).stands(&known(10, 0, 1.0)), Standing::Reached);
        assert_eq!(Goal::Time.stands(&known(10, 3, 0.0)), Standing::Reached);
    }
}
