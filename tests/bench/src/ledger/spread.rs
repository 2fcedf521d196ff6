//! How long something took, over many times.

use serde::{Deserialize, Serialize};

/// Durations in nanoseconds: how many, the least, the greatest, their sum, and how many of each size.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq, Eq)]
pub struct Spread {
    pub count: u64,
    /// None while there is none.
    pub min_ns: Option<u64>,
    pub max_ns: Option<u64>,
    pub sum_ns: u64,
    /// `histogram[0]` counts durations of 0 ns, `histogram[b]` those from 2^(b − 1) ns to 2^b − 1 ns. As long as it
    /// must be.
    pub histogram: Vec<u64>,
}

impl Spread {
    /// The mean, rounded down.
    pub fn mean_ns(&self) -> Option<u64> {
        self.sum_ns.checked_div(self.count)
    }

    #[inline]
    pub(crate) fn add(&mut self, duration_ns: u64) {
        self.count += 1;
        self.min_ns = Some(self.min_ns.map_or(duration_ns, |min| min.min(duration_ns)));
        self.max_ns = Some(self.max_ns.map_or(duration_ns, |max| max.max(duration_ns)));
        self.sum_ns = self.sum_ns.saturating_add(duration_ns);
        let bin = (u64::BITS - duration_ns.leading_zeros()) as usize;
        if bin >= self.histogram.len() {
            self.histogram.resize(bin + 1, 0);
        }
        self.histogram[bin] += 1;
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn says_what_a_list_would_say(durations in proptest::collection::vec(0_u64..5_000_000, 0..100)) {
            let mut spread = Spread::default();
            durations.iter().for_each(|&duration| spread.add(duration));
            prop_assert_eq!(spread.count, durations.len() as u64);
            prop_assert_eq!(spread.min_ns, durations.iter().copied().min());
            prop_assert_eq!(spread.max_ns, durations.iter().copied().max());
            prop_assert_eq!(spread.sum_ns, durations.iter().sum::<u64>());
            prop_assert_eq!(spread.histogram.iter().sum::<u64>(), spread.count);
            for (bin, &count) in spread.histogram.iter().enumerate() {
                let (least, end) = if bin == 0 { (0, 1) } else { (1 << (bin - 1), 1 << bin) };
                let there = durations.iter().filter(|&&duration| (least..end).contains(&duration)).count();
                prop_assert_eq!(count, there as u64, "bin {}", bin);
            }
        }
    }
}
