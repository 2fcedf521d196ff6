//! Exact percentiles: the value itself, not something between two values.
//!
//! The percentile P of n samples is the least sample such that at least P percent of all samples are no greater:
//! the sample of rank ceil(P n / 100), the first of all for P = 0 (RFC 2330 section 11.3, the empirical
//! distribution function; from memory). It needs every sample; for rows too long to keep there is the histogram of
//! the receive loop.

/// Samples in order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ordered {
    samples: Vec<u64>,
}

impl Ordered {
    pub fn new(mut samples: Vec<u64>) -> Ordered {
        samples.sort_unstable();
        Ordered { samples }
    }

    /// The percentile in thousandths of a percent: 99,900 is 99.9 %. `None` without samples or above 100,000.
    pub fn percentile(&self, thousandths: u32) -> Option<u64> {
        if thousandths > 100_000 {
            return None;
        }
        // Exact: 99.9 % of 1,000 samples is the 999th, whatever 0.999 is in binary.
        let rank = (self.samples.len() as u128 * u128::from(thousandths)).div_ceil(100_000) as usize;
        self.samples.get(rank.max(1) - 1).copied()
    }

    pub fn minimum(&self) -> Option<u64> {
        self.samples.first().copied()
    }

    pub fn maximum(&self) -> Option<u64> {
        self.samples.last().copied()
    }

    pub fn len(&self) -> usize {
        self.samples.len()
    }

    pub fn is_empty(&self) -> bool {
        self.samples.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use statrs::statistics::{Data, OrderStatistics};

    use super::*;

    #[test]
    fn ranks_are_exact() {
        let thousand = Ordered::new((1..=1_000).rev().collect());
        for (thousandths, value) in
            [(0, 1), (100, 1), (101, 2), (50_000, 500), (50_001, 501), (99_900, 999), (99_901, 1_000)]
        {
            assert_eq!(thousand.percentile(thousandths), Some(value), "{thousandths}");
        }
        assert_eq!(thousand.percentile(100_000), Some(1_000));
        assert_eq!(thousand.percentile(100_001), None);
        assert_eq!(Ordered::new(vec![]).percentile(50_000), None);
        assert_eq!(Ordered::new(vec![9]).percentile(0), Some(9));
    }

    proptest! {
        /// By the definition, counted out; and never further from an interpolating library than the next sample.
        #[test]
        fn by_the_definition(samples in prop::collection::vec(0u64..50, 1..80), thousandths in 0u32..=100_000) {
            let found = Ordered::new(samples.clone()).percentile(thousandths).unwrap();
            let enough = |value: u64| {
                let no_greater = samples.iter().filter(|&&sample| sample <= value).count() as u64;
                no_greater * 100_000 >= u64::from(thousandths) * samples.len() as u64
            };
            prop_assert!(samples.contains(&found) && enough(found));
            prop_assert!(!samples.iter().any(|&smaller| smaller < found && enough(smaller)));

            let mut sorted = samples.clone();
            sorted.sort_unstable();
            let at = sorted.iter().position(|&sample| sample == found).unwrap();
            let last = sorted.iter().rposition(|&sample| sample == found).unwrap();
            let below = sorted[at.saturating_sub(1)] as f64;
            let above = sorted[(last + 1).min(sorted.len() - 1)] as f64;
            let between = Data::new(sorted.iter().map(|&v| v as f64).collect::<Vec<_>>())
                .quantile(f64::from(thousandths) / 100_000.0);
            prop_assert!((below - 1e-9..=above + 1e-9).contains(&between), "{below} {between} {above}");
        }
    }
}
