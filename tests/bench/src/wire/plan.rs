//! A schedule made ready for the loop.

use crate::script::Schedule;

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
}
