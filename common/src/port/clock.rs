//! The two clocks of this host, and the distance between them.
//!
//! Departures are stamped with CLOCK_MONOTONIC; the kernel stamps arrivals with CLOCK_REALTIME, which a
//! time service may slew or step. [`Offset`] is sampled about once a second: two samples that differ by
//! more than a slew can explain mean that the wall clock was stepped in between.

use super::sys;

/// CLOCK_MONOTONIC, nanoseconds.
#[inline]
#[must_use]
pub fn monotonic_ns() -> u64 {
    sys::clock_ns(libc::CLOCK_MONOTONIC)
}

/// CLOCK_REALTIME, nanoseconds since 1970.
#[inline]
#[must_use]
pub fn realtime_ns() -> u64 {
    sys::clock_ns(libc::CLOCK_REALTIME)
}

/// CLOCK_BOOTTIME, nanoseconds: goes on while the host is suspended.
#[must_use]
pub fn boottime_ns() -> u64 {
    sys::clock_ns(libc::CLOCK_BOOTTIME)
}

/// CLOCK_REALTIME − CLOCK_MONOTONIC at one moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Offset {
    /// Nanoseconds to subtract from a realtime stamp to bring it to the monotonic scale.
    pub nanoseconds: i64,
    /// When it was sampled, monotonic nanoseconds.
    pub at: u64,
}

/// The most that a disciplined clock drifts between two samples a second apart: 500 ppm of slew
/// (adjtimex(2)) and as much again for the sampling.
const SLEW_PER_SECOND_NS: i64 = 1_000_000;

impl Offset {
    /// Samples both clocks; of five tries, the one whose readings lie closest together.
    #[must_use]
    pub fn sample() -> Self {
        (0..5)
            .map(|_| {
                let before = monotonic_ns();
                let wall = realtime_ns();
                let after = monotonic_ns();
                let middle = before + (after - before) / 2;
                (after - before, Self { nanoseconds: wall as i64 - middle as i64, at: middle })
            })
            .min_by_key(|(spread, _)| *spread)
            .map_or(Self { nanoseconds: 0, at: 0 }, |(_, offset)| offset)
    }

    /// Brings a realtime stamp to the monotonic scale.
    #[inline]
    #[must_use]
    pub fn to_monotonic(self, realtime_ns: u64) -> u64 {
        realtime_ns.wrapping_sub(self.nanoseconds as u64)
    }

    /// Whether the wall clock was stepped between the two samples.
    #[must_use]
    pub fn stepped_since(self, earlier: Self) -> bool {
        let seconds = (self.at.saturating_sub(earlier.at) / 1_000_000_000) as i64 + 1;
        (self.nanoseconds - earlier.nanoseconds).abs() > SLEW_PER_SECOND_NS * seconds
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_told_from_a_slew() {
        let start = Offset { nanoseconds: 5_000_000_000, at: 10_000_000_000 };
        let slewed = Offset { nanoseconds: 5_000_500_000, at: 11_000_000_000 };
        let stepped = Offset { nanoseconds: 4_000_000_000, at: 11_000_000_000 };
        assert!(!slewed.stepped_since(start));
        assert!(stepped.stepped_since(start));
    }

    #[test]
    fn a_stamp_taken_now_lands_between_two_monotonic_readings() {
        let offset = Offset::sample();
        let before = monotonic_ns();
        let stamp = offset.to_monotonic(realtime_ns());
        let after = monotonic_ns();
        // Two clocks read in turn agree to within the sampling error; a millisecond is far beyond it.
        assert!(stamp + 1_000_000 > before && stamp < after + 1_000_000, "{before} {stamp} {after}");
    }
}
