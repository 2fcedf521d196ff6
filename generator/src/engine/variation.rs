//! How much the delay varies from frame to frame, of every frame: IPDV (RFC 5481 section 4.1) and interarrival jitter
//! (RFC 3550 section 6.4.1), without keeping the frames.

use hdrhistogram::Histogram;

use super::latency::{Buckets, histogram};
use crate::statistics::jitter::Interarrival;

/// Frames back that a neighbour in sending order is looked for: one that arrives after more frames than this is not
/// paired with it.
const NEAR: usize = 64;
/// No sequence number: none is as large.
const NOBODY: u64 = u64::MAX;

/// Records the variation of one flow.
pub struct Variation {
    /// The round trips of the frames last seen, each in the place of its sequence number.
    near: Box<[(u64, u32); NEAR]>,
    /// By how much the delay fell, and by how much it rose or stayed.
    falls: Buckets,
    rises: Buckets,
    jitter: Interarrival,
}

/// What the variation of a trial came to.
#[derive(Clone, Debug)]
pub struct Varied {
    /// Differences below 0, without their sign.
    pub falls: Histogram<u64>,
    pub rises: Histogram<u64>,
    /// Nanoseconds at the end of the trial; `None` before a second arrival.
    pub jitter_ns: Option<f64>,
}

impl Default for Variation {
    fn default() -> Self {
        Self {
            near: Box::new([(NOBODY, 0); NEAR]),
            falls: Buckets::new(),
            rises: Buckets::new(),
            jitter: Interarrival::default(),
        }
    }
}

impl Variation {
    /// Records the round trip of a frame, in the order of arrival.
    #[inline]
    pub fn record(&mut self, sequence: u64, round_trip_ns: u32) {
        self.jitter.arrived(u64::from(round_trip_ns));
        let beside = |near: &[(u64, u32); NEAR], neighbour: u64| {
            let (number, ns) = near[neighbour as usize % NEAR];
            (number == neighbour).then_some(ns)
        };
        if sequence > 0
            && let Some(before) = beside(&self.near, sequence - 1)
        {
            self.differ(before, round_trip_ns);
        }
        // It was overtaken by the frame after it.
        if let Some(after) = beside(&self.near, sequence + 1) {
            self.differ(round_trip_ns, after);
        }
        self.near[sequence as usize % NEAR] = (sequence, round_trip_ns);
    }

    #[inline]
    fn differ(&mut self, before: u32, this: u32) {
        if this < before {
            self.falls.record(before - this);
        } else {
            self.rises.record(this - before);
        }
    }

    #[must_use]
    pub fn finish(mut self) -> Varied {
        let (mut falls, mut rises) = (histogram(), histogram());
        self.falls.drain_into(&mut falls);
        self.rises.drain_into(&mut rises);
        Varied { falls, rises, jitter_ns: self.jitter.jitter_ns() }
    }
}

impl Varied {
    /// Frames whose predecessor in sending order is home as well.
    #[must_use]
    pub fn samples(&self) -> u64 {
        self.falls.len() + self.rises.len()
    }

    /// The difference at a rank from the least, counted from 1, in nanoseconds; `None` beyond the last.
    fn at_rank(&self, rank: u64) -> Option<i64> {
        let value = |histogram: &Histogram<u64>, rank: u64| {
            // Half a rank less, so that no rounding leads to the next.
            let quantile = (rank as f64 - 0.5) / histogram.len() as f64;
            i64::try_from(histogram.value_at_quantile(quantile)).unwrap_or(i64::MAX)
        };
        let falls = self.falls.len();
        if rank == 0 || rank > self.samples() {
            None
        } else if rank <= falls {
            // The greatest fall is the least difference.
            Some(-value(&self.falls, falls + 1 - rank))
        } else {
            Some(value(&self.rises, rank - falls))
        }
    }

    /// The difference that so many thousandths of a percent of all are not above; the least for 0.
    #[must_use]
    pub fn percentile(&self, thousandths: u32) -> Option<i64> {
        let rank = (u128::from(self.samples()) * u128::from(thousandths)).div_ceil(100_000) as u64;
        self.at_rank(rank.max(1))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::statistics::delay_variation::ipdv;

    proptest! {
        /// Against the definition over the same delays, with frames lost and frames overtaken.
        #[test]
        fn the_differences_are_those_of_the_definition(
            delays in prop::collection::vec(prop::option::weighted(0.9, 0_u64..5_000_000), 2..300),
            swaps in prop::collection::vec((0_usize..300, 1_usize..40), 0..20),
        ) {
            let mut arrivals: Vec<(u64, u64)> =
                (0..).zip(&delays).filter_map(|(sequence, delay)| Some((sequence, (*delay)?))).collect();
            prop_assume!(!arrivals.is_empty());
            for (at, by) in swaps {
                let count = arrivals.len();
                // No further apart than what is kept.
                if (at % count) + by < count {
                    arrivals.swap(at % count, (at % count) + by);
                    if arrivals.iter().enumerate().any(|(place, (sequence, _))| place.abs_diff(*sequence as usize) > 20) {
                        arrivals.swap(at % count, (at % count) + by);
                    }
                }
            }
            prop_assume!((0..).zip(&arrivals).all(|(place, (sequence, _)): (usize, _)| place.abs_diff(*sequence as usize) <= 20));
            let mut variation = Variation::default();
            let mut jitter = Interarrival::default();
            for (sequence, delay) in &arrivals {
                variation.record(*sequence, *delay as u32);
                jitter.arrived(*delay);
            }
            let found = variation.finish();
            let mut expected: Vec<i64> = ipdv(&delays).into_iter().flatten().collect();
            expected.sort_unstable();
            prop_assert_eq!(found.samples(), expected.len() as u64);
            prop_assert_eq!(found.jitter_ns, jitter.jitter_ns());
            for (rank, exact) in (1..).zip(&expected) {
                let ours = found.at_rank(rank).unwrap();
                // Three digits.
                prop_assert!(ours.abs_diff(*exact) <= 1 + exact.unsigned_abs() / 1_000, "{ours} for {exact}");
            }
            prop_assert_eq!(found.percentile(0), found.at_rank(1));
            prop_assert_eq!(found.percentile(100_000), found.at_rank(expected.len() as u64));
        }
    }

    /// RFC 5481 section 4.4, figure 3 (there milliseconds).
    #[test]
    fn the_example_of_rfc5481() {
        let mut variation = Variation::default();
        for (sequence, delay) in (0..).zip([20, 10, 20, 25, 20]) {
            variation.record(sequence, delay);
        }
        let found = variation.finish();
        let all: Vec<i64> = (1..=4).filter_map(|rank| found.at_rank(rank)).collect();
        assert_eq!(all, [-10, -5, 5, 10]);
        assert_eq!((found.percentile(50_000), found.at_rank(5), found.at_rank(0)), (Some(-5), None, None));
    }

    #[test]
    fn one_frame_varies_from_nobody() {
        let mut variation = Variation::default();
        variation.record(7, 1_000);
        let found = variation.finish();
        assert_eq!((found.samples(), found.percentile(50_000), found.jitter_ns), (0, None, Some(0.0)));
    }
}
