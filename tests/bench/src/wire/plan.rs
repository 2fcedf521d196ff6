//! A schedule made ready for the loop, and the small arithmetic of bottlenecks.

use crate::script::{Rate, Schedule};

/// A schedule asked with rising frame numbers: `at` is sorted and walked, never searched.
#[derive(Clone, Debug, Default)]
pub(super) struct Plan {
    at: Vec<u64>,
    next: usize,
    every: u64,
    every_next: u64,
    burst: (u64, u64),
}

impl Plan {
    pub(super) fn new(schedule: &Schedule) -> Self {
        let mut at = schedule.at.clone();
        at.sort_unstable();
        at.dedup();
        let every = schedule.every.unwrap_or(u64::MAX);
        let burst =
            schedule.burst.map_or((0, 0), |burst| (burst.first, burst.first.saturating_add(burst.length)));
        Self { at, next: 0, every, every_next: every, burst }
    }

    /// Whether frame `n` is met. Every `n` from 1 on must be asked for, in order.
    #[inline]
    pub(super) fn meets(&mut self, n: u64) -> bool {
        let mut met = n >= self.burst.0 && n < self.burst.1;
        if n == self.every_next {
            self.every_next = self.every_next.saturating_add(self.every);
            met = true;
        }
        if self.next < self.at.len() && self.at[self.next] == n {
            self.next += 1;
            met = true;
        }
        met
    }
}

/// A bottleneck with a queue: says when a frame that comes now leaves, or that the queue is full.
///
/// Virtual service: the line is busy until `free`; what waits is what was admitted and has not begun to leave.
#[derive(Clone, Debug)]
pub(super) struct Bottleneck {
    rate: Rate,
    free: u64,
    /// The part of a nanosecond left over, each in units of 1/rate, so that nothing drifts.
    rest: (u64, u64),
    /// Times at which admitted frames begin to leave, still in the future; as long as the queue at most.
    starts: std::collections::VecDeque<u64>,
}

impl Bottleneck {
    pub(super) fn new(rate: Rate) -> Self {
        Self { rate, free: 0, rest: (0, 0), starts: std::collections::VecDeque::new() }
    }

    /// The time at which a frame of `octets` (without its FCS) has left, or None if the queue is full.
    pub(super) fn admit(&mut self, now: u64, octets: usize) -> Option<u64> {
        while self.starts.front().is_some_and(|&start| start <= now) {
            self.starts.pop_front();
        }
        let start = self.free.max(now);
        if start > now {
            if self.starts.len() >= self.rate.queue as usize {
                return None;
            }
            self.starts.push_back(start);
        } else {
            self.rest = (0, 0);
        }
        self.free = start + self.service(octets);
        Some(self.free)
    }

    fn service(&mut self, octets: usize) -> u64 {
        let whole = |units: u64, rate: u64, rest: &mut u64| {
            let total = u128::from(units) * 1_000_000_000 + u128::from(*rest);
            *rest = (total % u128::from(rate)) as u64;
            (total / u128::from(rate)) as u64
        };
        let by_frames = self.rate.frames_per_s.map_or(0, |rate| whole(1, rate, &mut self.rest.0));
        let bits = (octets as u64 + 24) * 8;
        let by_bits = self.rate.bits_per_s.map_or(0, |rate| whole(bits, rate, &mut self.rest.1));
        by_frames.max(by_bits)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn plan_meets_what_the_schedule_says(
            at in proptest::collection::vec(1_u64..200, 0..20),
            every in proptest::option::of(1_u64..40),
            burst in proptest::option::of((1_u64..150, 0_u64..60)),
        ) {
            let burst = burst.map(|(first, length)| crate::script::Burst { first, length });
            let schedule = Schedule { at, every, burst };
            let mut plan = Plan::new(&schedule);
            for n in 1..300 {
                prop_assert_eq!(plan.meets(n), schedule.meets(n), "frame {}", n);
            }
        }
    }

    #[test]
    fn bottleneck_serves_at_its_rate_and_queues_no_more_than_it_may() {
        let mut line = Bottleneck::new(Rate::frames(3, 2));
        let third = 1_000_000_000 / 3;
        assert_eq!(line.admit(0, 60), Some(third));
        assert_eq!(line.admit(0, 60), Some(2 * third), "the first one waits");
        assert_eq!(line.admit(0, 60), Some(1_000_000_000), "thirds add up to the whole second");
        assert_eq!(line.admit(0, 60), None, "two wait already");
        assert_eq!(line.admit(third, 60), Some(1_000_000_000 + third), "one of them is being served");
    }

    #[test]
    fn bits_count_preamble_gap_and_fcs() {
        // 64 octets with FCS are 84 on the wire: 672 ns at 1 Gb/s (RFC 2544 appendix B: 1,488,095 frames/s).
        assert_eq!(Bottleneck::new(Rate::bits(1_000_000_000, 0)).admit(0, 60), Some(672));
    }
}
