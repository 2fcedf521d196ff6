//! How long a procedure will take, before it starts.

use std::fmt;
use std::time::Duration;

use super::step::{Offer, Trial};

/// The pair stops a sender that cannot keep up this long after the trial should have been over, and 1 % of it.
const GRACE: Duration = Duration::from_millis(100);
/// Once every frame is home, copies are waited for so long.
const LAST_COPIES: Duration = Duration::from_millis(30);

/// The times around a trial.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Waits {
    /// Before the first frame: learning frames, agreement with the far end, ports.
    pub preparation: Duration,
    /// For late frames, cut short when every frame is home.
    pub residual: Duration,
    /// Between trials.
    pub settle: Duration,
}

impl Default for Waits {
    /// RFC 2544 section 23; the preparation is what this pair takes for it on an idle host, roughly.
    fn default() -> Waits {
        Waits {
            preparation: Duration::from_millis(300),
            residual: Duration::from_secs(2),
            settle: Duration::from_secs(5),
        }
    }
}

impl Waits {
    /// From the beginning of one trial to that of the next, if every frame comes home.
    fn likely(&self, sending: Duration) -> Duration {
        self.preparation + sending + LAST_COPIES + self.settle
    }

    /// The same if frames are missing and the sender is late.
    fn at_most(&self, sending: Duration) -> Duration {
        // The residual wait is made twice: before the far end's counts are asked for, and after.
        self.preparation + sending + sending / 100 + GRACE + 2 * self.residual + self.settle
    }
}

/// How long a procedure takes. The upper figure holds for any kit while the far end answers, no frame trickles in
/// late (each that does begins the residual wait anew) and the pair spoils no trial (each is offered again).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Estimate {
    pub likely: Duration,
    pub at_most: Duration,
    /// Trials in `likely` and in `at_most`.
    pub likely_trials: u64,
    pub most_trials: u64,
}

impl Estimate {
    /// `likely` trials of `likely_time` of sending each, and at most `most` of `most_time` each.
    pub fn trials(
        waits: &Waits,
        (likely, likely_time): (u64, Duration),
        (most, most_time): (u64, Duration),
    ) -> Estimate {
        Estimate {
            likely: times(waits.likely(likely_time), likely),
            at_most: times(waits.at_most(most_time), most),
            likely_trials: likely,
            most_trials: most,
        }
    }

    /// One after the other.
    #[must_use]
    pub fn then(self, next: Estimate) -> Estimate {
        Estimate {
            likely: self.likely.saturating_add(next.likely),
            at_most: self.at_most.saturating_add(next.at_most),
            likely_trials: self.likely_trials.saturating_add(next.likely_trials),
            most_trials: self.most_trials.saturating_add(next.most_trials),
        }
    }
}

fn times(time: Duration, count: u64) -> Duration {
    time.checked_mul(u32::try_from(count).unwrap_or(u32::MAX)).unwrap_or(Duration::MAX)
}

/// How long a trial sends or listens, by what it offers. `rate` is what the line carries, for bursts.
pub fn sending(trial: &Trial, line: kitproof_common::line::FrameRate) -> Duration {
    match trial.offer {
        Offer::Steady { duration, .. } => duration,
        Offer::Burst { frames, listen } => Duration::from_nanos(line.time_of(frames)).saturating_add(listen),
        Offer::Lowered { first_for, then_for, .. } => first_for.saturating_add(then_for),
    }
}

impl fmt::Display for Estimate {
    /// "about 12.0 min, at most 40.0 min if the pair spoils no trial".
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let span = |time: Duration| crate::verdict::words::span(time.as_secs_f64());
        write!(f, "about {}, at most {} if the pair spoils no trial", span(self.likely), span(self.at_most))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn trials_and_their_waits_add_up() {
        let waits = Waits {
            preparation: Duration::from_secs(1),
            residual: Duration::from_secs(2),
            settle: Duration::from_secs(5),
        };
        let estimate = Estimate::trials(&waits, (2, Duration::from_secs(10)), (3, Duration::from_secs(100)));
        assert_eq!(estimate.likely, Duration::from_millis(2 * 16_030));
        assert_eq!(estimate.at_most, Duration::from_millis(3 * (1_000 + 101_100 + 4_000 + 5_000)));
        assert_eq!(estimate.to_string(), "about 32.1 s, at most 5.6 min if the pair spoils no trial");
        let both = estimate.then(estimate);
        assert_eq!((both.likely_trials, both.most_trials), (4, 6));
        let endless = Estimate::trials(&waits, (u64::MAX, Duration::MAX / 4), (u64::MAX, Duration::MAX / 4));
        assert_eq!(endless.at_most, Duration::MAX);
    }
}
