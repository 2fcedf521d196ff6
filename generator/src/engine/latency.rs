//! Round trips: the histogram, the clocks behind it, and what is left out of it and why.

use hdrhistogram::Histogram;
use kitproof_common::port::clock::Offset;

/// A residence that saturated says nothing (test header, offset 16).
const SATURATED: u16 = u16::MAX;
/// Units of the residence field.
const RESIDENCE_UNIT_NS: u64 = 64;
/// The departure stamp is 32 bits of nanoseconds; a round trip that long against the schedule is ambiguous.
const UNAMBIGUOUS_NS: u64 = 4_000_000_000;
const LONGEST_NS: u64 = 10_000_000_000;
const SECOND_NS: u64 = 1_000_000_000;

/// Round-trip times of one trial. Arrivals are stamped by the kernel on the wall clock and brought to the
/// monotonic scale by an offset that is sampled every second; the round trips of a second in which the
/// wall clock was stepped are dropped, never the frames' counts.
pub struct Latency {
    total: Histogram<u64>,
    second: Histogram<u64>,
    in_second: u64,
    excluded: u64,
    offset: Offset,
    next_sample: u64,
    start_ns: u64,
    interval_ns: f64,
    warm_up: u64,
    steps: u64,
}

/// The distribution of round trips in nanoseconds, residence removed.
#[derive(Clone, Debug)]
pub struct RoundTrips {
    pub histogram: Histogram<u64>,
    /// Frames home whose round trip was not recorded: warm-up, saturated residence, ambiguous, stepped clock.
    pub excluded: u64,
    /// Times the wall clock was seen to step.
    pub clock_steps: u64,
}

fn histogram() -> Histogram<u64> {
    // 1 ns to 10 s at three digits: constant bounds, which the constructor accepts.
    Histogram::new_with_bounds(1, LONGEST_NS, 3).expect("constant bounds are valid")
}

impl Latency {
    /// `start_ns` is when frame 0 is due, `interval_ns` the mean time between frames.
    #[must_use]
    pub fn new(offset: Offset, start_ns: u64, interval_ns: f64, warm_up: u64) -> Self {
        Self {
            total: histogram(),
            second: histogram(),
            in_second: 0,
            excluded: 0,
            offset,
            next_sample: offset.at + SECOND_NS,
            start_ns,
            interval_ns,
            warm_up,
            steps: 0,
        }
    }

    /// Records one frame that came home at `arrived_ns` (wall clock).
    #[inline]
    pub fn record(&mut self, sequence: u64, departure: u32, residence: u16, arrived_ns: u64) {
        let arrived = self.offset.to_monotonic(arrived_ns);
        // A frame never leaves before it is due, so this is never less than the round trip.
        let due = self.start_ns + (sequence as f64 * self.interval_ns) as u64;
        let since_due = arrived.wrapping_sub(due);
        let round_trip = u64::from((arrived as u32).wrapping_sub(departure));
        let residence_ns = u64::from(residence) * RESIDENCE_UNIT_NS;
        if sequence < self.warm_up
            || residence == SATURATED
            || since_due > UNAMBIGUOUS_NS
            || round_trip > UNAMBIGUOUS_NS
        {
            self.excluded += 1;
            return;
        }
        self.second.saturating_record(round_trip.saturating_sub(residence_ns));
        self.in_second += 1;
    }

    /// Whether a second is over and [`Self::close_second`] is due.
    #[inline]
    #[must_use]
    pub fn second_is_over(&self, now: u64) -> bool {
        now >= self.next_sample
    }

    /// Takes the next sample of the clocks: the second between the two is kept, or dropped if the wall
    /// clock was stepped within it.
    pub fn close_second(&mut self, sample: Offset) {
        if sample.stepped_since(self.offset) {
            self.excluded += self.in_second;
            self.steps += 1;
        } else if self.total.add(&self.second).is_err() {
            // Same bounds on both sides: cannot happen; but nothing measured may vanish silently.
            self.excluded += self.in_second;
        }
        self.second.reset();
        self.in_second = 0;
        self.offset = sample;
        self.next_sample = sample.at + SECOND_NS;
    }

    #[must_use]
    pub fn finish(mut self, sample: Offset) -> RoundTrips {
        self.close_second(sample);
        RoundTrips { histogram: self.total, excluded: self.excluded, clock_steps: self.steps }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const START: u64 = 50_000_000_000;

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

    #[test]
    fn a_stepped_wall_clock_costs_that_second_only() {
        let mut latency = latency();
        home(&mut latency, 1, 1_000, 0);
        latency.close_second(sample(START + SECOND_NS));
        home(&mut latency, 2, 1_000, 0);
        home(&mut latency, 3, 1_000, 0);
        let stepped = Offset { nanoseconds: 9_000_000_000, at: START + 2 * SECOND_NS };
        latency.close_second(stepped);
        let departure = START + 4 * 1_000;
        latency.record(4, departure as u32, 0, departure + 1_000 + 9_000_000_000);
        let trips = latency.finish(Offset { nanoseconds: 9_000_000_000, at: START + 3 * SECOND_NS });
        assert_eq!((trips.histogram.len(), trips.excluded, trips.clock_steps), (2, 2, 1));
        assert!(trips.histogram.equivalent(trips.histogram.max(), 1_000));
    }
}
