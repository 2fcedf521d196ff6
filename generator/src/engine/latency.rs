//! Round trips: the histogram, the clocks behind it, and what is left out of it and why.

use hdrhistogram::Histogram;
use kitproof_common::port::clock::Offset;

/// A residence that saturated says nothing (test header, offset 16).
pub(super) const SATURATED: u16 = u16::MAX;
/// Units of the residence field.
pub(super) const RESIDENCE_UNIT_NS: u32 = 64;
/// The departure stamp is 32 bits of nanoseconds; a round trip that long against the schedule is ambiguous.
const UNAMBIGUOUS_NS: u64 = 4_000_000_000;
const LONGEST_NS: u64 = 10_000_000_000;
const SECOND_NS: u64 = 1_000_000_000;
/// Fraction bits of the time between frames: exact to 4 us after 2^40 frames, and room for a frame a minute.
const INTERVAL_BITS: u32 = 28;

/// Round-trip times of one trial. Arrivals are stamped by the kernel on the wall clock and brought to the
/// monotonic scale by an offset that is sampled every second; the round trips of a second in which the
/// wall clock was stepped are dropped, never the frames' counts.
pub struct Latency {
    total: Histogram<u64>,
    second: Buckets,
    excluded: u64,
    offset: Offset,
    next_sample: u64,
    start_ns: u64,
    /// The time between frames in units of 2^-[`INTERVAL_BITS`] ns.
    interval: u64,
    warm_up: u64,
    steps: u64,
    seconds: Vec<Second>,
    latest: Option<Second>,
}

/// What the round trips of one second came to, in nanoseconds (each the least value of its bucket).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Second {
    pub frames: u64,
    pub p50: u64,
    pub p99: u64,
    pub greatest: u64,
}

impl Second {
    /// The worse of two flows in everything, their frames together.
    #[must_use]
    pub fn worse(self, other: Second) -> Second {
        Second {
            frames: self.frames + other.frames,
            p50: self.p50.max(other.p50),
            p99: self.p99.max(other.p99),
            greatest: self.greatest.max(other.greatest),
        }
    }
}

/// Seconds that are kept one by one, from the beginning of a trial: an hour.
const SECONDS_KEPT: usize = 3_600;

/// The distribution of round trips in nanoseconds, residence removed.
#[derive(Clone, Debug)]
pub struct RoundTrips {
    pub histogram: Histogram<u64>,
    /// Frames home whose round trip was not recorded: warm-up, saturated residence, ambiguous, stepped clock.
    pub excluded: u64,
    /// Times the wall clock was seen to step.
    pub clock_steps: u64,
    /// Second by second, of the first hour; of several flows the worst. A second in which the clock was stepped is left out,
    /// and one without a frame.
    pub seconds: Vec<Second>,
}

impl RoundTrips {
    /// Those of several flows. Every flow sees the same clock step.
    #[must_use]
    pub fn together<'a>(flows: impl IntoIterator<Item = &'a RoundTrips>) -> RoundTrips {
        let mut all = RoundTrips { histogram: histogram(), excluded: 0, clock_steps: 0, seconds: Vec::new() };
        for flow in flows {
            // They have the same bounds, which is all that could be wrong.
            let _ = all.histogram.add(&flow.histogram);
            all.excluded += flow.excluded;
            all.clock_steps = all.clock_steps.max(flow.clock_steps);
            if all.seconds.len() < flow.seconds.len() {
                all.seconds.resize(flow.seconds.len(), Second::default());
            }
            for (worst, second) in all.seconds.iter_mut().zip(&flow.seconds) {
                *worst = worst.worse(*second);
            }
        }
        all
    }
}

pub(super) fn histogram() -> Histogram<u64> {
    // 1 ns to 10 s at three digits: constant bounds, which the constructor accepts.
    Histogram::new_with_bounds(1, LONGEST_NS, 3).expect("constant bounds are valid")
}

/// The counts of a [`histogram`] and nothing else, for values of 32 bits: a quarter of the instructions for
/// each value. What a histogram knows beside its counts (total, least, greatest) follows from them.
pub(super) struct Buckets(Box<[u64; BUCKETS]>);

/// Values below this have a bucket each; from there on each power of two has half as many. The smallest
/// power of two that three digits need: 2 * 10^3.
const FINE: u32 = 2_048;
/// Enough for every value of 32 bits.
const BUCKETS: usize = Buckets::index(u32::MAX) + 1;

impl Buckets {
    pub(super) fn new() -> Self {
        let counts = vec![0; BUCKETS].into_boxed_slice();
        Self(counts.try_into().expect("as many as were made"))
    }

    #[inline(always)]
    const fn index(value: u32) -> usize {
        // How often the value must be halved to come below FINE.
        let halvings = (value | (FINE - 1)).ilog2() - (FINE - 1).ilog2();
        ((halvings * (FINE / 2)) + (value >> halvings)) as usize
    }

    /// The least value in a bucket.
    const fn value(index: usize) -> u64 {
        let (index, half) = (index as u64, FINE as u64 / 2);
        let halvings = (index / half).saturating_sub(1);
        (index - halvings * half) << halvings
    }

    #[inline(always)]
    pub(super) fn record(&mut self, value: u32) {
        // One more for each frame: 64 bits never wrap.
        let count = &mut self.0[Self::index(value)];
        *count = count.wrapping_add(1);
    }

    fn len(&self) -> u64 {
        self.0.iter().sum()
    }

    /// What is in them; `None` of nothing.
    fn summary(&self) -> Option<Second> {
        let frames = self.len();
        let at = |rank: u64| {
            let mut seen = 0;
            let found = self.0.iter().position(|count| {
                seen += count;
                seen >= rank.max(1)
            });
            found.map_or(0, Self::value)
        };
        (frames > 0).then(|| Second {
            frames,
            p50: at(frames.div_ceil(2)),
            p99: at((frames * 99).div_ceil(100)),
            greatest: at(frames),
        })
    }

    fn clear(&mut self) {
        self.0.fill(0);
    }

    /// Adds everything to a histogram of [`histogram`]'s bounds and starts again from nothing.
    pub(super) fn drain_into(&mut self, histogram: &mut Histogram<u64>) {
        for (index, count) in self.0.iter_mut().enumerate().filter(|(_, count)| **count > 0) {
            histogram.saturating_record_n(Self::value(index), std::mem::take(count));
        }
    }
}

impl Latency {
    /// `start_ns` is when frame 0 is due, `interval_ns` the mean time between frames.
    #[must_use]
    pub fn new(offset: Offset, start_ns: u64, interval_ns: f64, warm_up: u64) -> Self {
        Self {
            total: histogram(),
            second: Buckets::new(),
            excluded: 0,
            offset,
            next_sample: offset.at + SECOND_NS,
            start_ns,
            interval: (interval_ns * (1_u64 << INTERVAL_BITS) as f64) as u64,
            warm_up,
            steps: 0,
            seconds: Vec::with_capacity(SECONDS_KEPT),
            latest: None,
        }
    }

    /// Records one frame that came home at `arrived_ns` (wall clock); its round trip in nanoseconds, if it has one.
    #[inline]
    pub fn record(&mut self, sequence: u64, departure: u32, residence: u16, arrived_ns: u64) -> Option<u32> {
        let arrived = self.offset.to_monotonic(arrived_ns);
        // A frame never leaves before it is due, so this is never less than the round trip.
        let since_start = u128::from(sequence).wrapping_mul(u128::from(self.interval)) >> INTERVAL_BITS;
        let since_due = arrived.wrapping_sub(self.start_ns.wrapping_add(since_start as u64));
        let round_trip = (arrived as u32).wrapping_sub(departure);
        // 22 bits.
        let residence_ns = u32::from(residence).wrapping_mul(RESIDENCE_UNIT_NS);
        if sequence < self.warm_up
            || residence == SATURATED
            || since_due > UNAMBIGUOUS_NS
            || u64::from(round_trip) > UNAMBIGUOUS_NS
        {
            self.excluded += 1;
            return None;
        }
        let round_trip = round_trip.saturating_sub(residence_ns);
        self.second.record(round_trip);
        Some(round_trip)
    }

    /// Whether a second is over and [`Self::close_second`] is due.
    #[inline]
    #[must_use]
    pub fn second_is_over(&self, now: u64) -> bool {
        now >= self.next_sample
    }

    /// Takes the next sample of the clocks: the second between the two is kept, or dropped if the wall
    /// clock was stepped within it. Whether it was. What is kept goes to `apart` first, where there is one; see
    /// [`Self::add`].
    pub fn close_second(&mut self, sample: Offset, apart: Option<&mut Histogram<u64>>) -> bool {
        let stepped = sample.stepped_since(self.offset);
        if stepped {
            self.excluded += self.second.len();
            self.steps += 1;
            self.second.clear();
        } else {
            self.latest = self.second.summary();
            if self.seconds.len() < SECONDS_KEPT {
                self.seconds.extend(self.latest);
            }
            self.second.drain_into(apart.unwrap_or(&mut self.total));
        }
        self.offset = sample;
        self.next_sample = sample.at + SECOND_NS;
        stepped
    }

    /// The last second that is over.
    #[must_use]
    pub fn last_second(&self) -> Option<Second> {
        self.latest
    }

    /// Adds what was kept apart.
    pub fn add(&mut self, apart: &Histogram<u64>) {
        // It has the same bounds, which is all that could be wrong.
        let _ = self.total.add(apart);
    }

    #[must_use]
    pub fn finish(mut self, sample: Offset) -> RoundTrips {
        self.close_second(sample, None);
        RoundTrips {
            histogram: self.total,
            excluded: self.excluded,
            clock_steps: self.steps,
            seconds: self.seconds,
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const START: u64 = 50_000_000_000;

    /// Values around every power of two, where buckets change their width, and anywhere between.
    fn value() -> impl Strategy<Value = u32> {
        let edge =
            (0..32u32, -3..3i32).prop_map(|(power, beside)| (1u32 << power).wrapping_add_signed(beside));
        prop_oneof![edge, any::<u32>(), 0..4_100u32, 20_000..60_000u32]
    }

    proptest! {
        /// Against the histogram itself: the same counts, and all that follows from them.
        #[test]
        fn buckets_are_those_of_the_histogram(values in prop::collection::vec(value(), 0..300)) {
            let mut buckets = Buckets::new();
            let (mut expected, mut found) = (histogram(), histogram());
            for value in &values {
                buckets.record(*value);
                expected.record(u64::from(*value)).unwrap();
            }
            prop_assert_eq!(buckets.len(), values.len() as u64);
            let summary = buckets.summary();
            prop_assert_eq!(summary.is_none(), values.is_empty());
            if let Some(summary) = summary {
                let same = |value: u64, percent: f64| expected.equivalent(value, expected.value_at_percentile(percent));
                prop_assert!(summary.frames == expected.len() && same(summary.greatest, 100.0));
                prop_assert!(same(summary.p50, 50.0) && same(summary.p99, 99.0), "{summary:?}");
            }
            buckets.drain_into(&mut found);
            prop_assert_eq!(buckets.len(), 0);
            prop_assert_eq!(&found, &expected);
            prop_assert_eq!((found.min(), found.max(), found.len()), (expected.min(), expected.max(), expected.len()));
            prop_assert_eq!((found.mean(), found.stdev()), (expected.mean(), expected.stdev()));
            for percent in [0.0, 1.0, 50.0, 99.0, 99.9, 100.0] {
                prop_assert_eq!(found.value_at_percentile(percent), expected.value_at_percentile(percent));
            }
        }

        /// Each bucket begins at the value that is the first to fall into it.
        #[test]
        fn buckets_begin_at_their_values(value in value()) {
            let index = Buckets::index(value);
            prop_assert!(Buckets::value(index) <= u64::from(value));
            prop_assert!(u64::from(value) < Buckets::value(index + 1));
            prop_assert_eq!(Buckets::index(Buckets::value(index) as u32), index);
        }
    }

    fn latency() -> Latency {
        Latency::new(Offset { nanoseconds: 7_000_000_000, at: START }, START, 1_000.0, 0)
    }

    /// A frame that left when due and came home `round_trip` later, by the wall clock.
    fn home(latency: &mut Latency, sequence: u64, round_trip: u64, residence: u16) {
        let departure = START + sequence * 1_000;
        latency.record(sequence, departure as u32, residence, departure + round_trip + 7_000_000_000);
    }

    fn sample(at: u64) -> Offset {
        Offset { nanoseconds: 7_000_000_000, at }
    }

    /// Round trips dealt out to three flows and added again are those of one.
    #[test]
    fn flows_together_are_as_one() {
        let mut all = latency();
        let mut flows = [latency(), latency(), latency()];
        for sequence in 0..900 {
            let (round_trip, residence) =
                (1_000 + 977 * sequence, if sequence % 50 == 7 { u16::MAX } else { 3 });
            home(&mut all, sequence, round_trip, residence);
            home(&mut flows[(sequence % 3) as usize], sequence, round_trip, residence);
        }
        let flows = flows.map(|flow| flow.finish(sample(START + 1)));
        let (sum, all) = (RoundTrips::together(&flows), all.finish(sample(START + 1)));
        assert_eq!((&sum.histogram, sum.excluded), (&all.histogram, all.excluded));
        assert_eq!((sum.histogram.max(), sum.histogram.len()), (all.histogram.max(), 882));
    }

    #[test]
    fn residence_is_taken_off() {
        let mut latency = latency();
        home(&mut latency, 1, 100_000, 500);
        let trips = latency.finish(sample(START + 1));
        assert_eq!(trips.histogram.len(), 1);
        assert!(trips.histogram.equivalent(trips.histogram.max(), 100_000 - 500 * 64));
    }

    #[test]
    fn what_says_nothing_is_excluded_and_counted() {
        let mut latency = latency();
        latency.warm_up = 10;
        home(&mut latency, 9, 1_000, 0);
        home(&mut latency, 10, 1_000, u16::MAX);
        home(&mut latency, 11, 4_300_000_000, 0);
        home(&mut latency, 12, 1_000, 0);
        let trips = latency.finish(sample(START + 1));
        assert_eq!((trips.histogram.len(), trips.excluded), (1, 3));
    }

    /// At 14.88 million frames/s for 72 hours, and at a frame a minute, a frame that is 3.9 s late for its
    /// schedule still counts and one that is 4.1 s late does not.
    #[test]
    fn the_schedule_is_exact_to_the_end() {
        for (interval_ns, sequence) in [(67.2, 3_857_142_857_142), (60e9, 4_320)] {
            let due = START + (interval_ns * sequence as f64) as u64;
            let mut latency = Latency::new(Offset { nanoseconds: 0, at: START }, START, interval_ns, 0);
            for late in [0, 3_900_000_000, 4_100_000_000] {
                let left = due + late;
                latency.record(sequence, left as u32, 0, left + 50_000);
            }
            let trips = latency.finish(Offset { nanoseconds: 0, at: START });
            assert_eq!((trips.histogram.len(), trips.excluded), (2, 1));
        }
    }

    #[test]
    fn a_stepped_wall_clock_costs_that_second_only() {
        let mut latency = latency();
        home(&mut latency, 1, 1_000, 0);
        latency.close_second(sample(START + SECOND_NS), None);
        home(&mut latency, 2, 1_000, 0);
        home(&mut latency, 3, 1_000, 0);
        let stepped = Offset { nanoseconds: 9_000_000_000, at: START + 2 * SECOND_NS };
        latency.close_second(stepped, None);
        let departure = START + 4 * 1_000;
        latency.record(4, departure as u32, 0, departure + 1_000 + 9_000_000_000);
        let trips = latency.finish(Offset { nanoseconds: 9_000_000_000, at: START + 3 * SECOND_NS });
        assert_eq!((trips.histogram.len(), trips.excluded, trips.clock_steps), (2, 2, 1));
        assert!(trips.histogram.equivalent(trips.histogram.max(), 1_000));
    }
}
