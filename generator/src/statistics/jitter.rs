//! Interarrival jitter (RFC 3550 section 6.4.1): a running mean of how much the transit time changes from one
//! arrival to the next, in the order of arrival, with a gain of 1/16. The first frame gives no sample.

/// In nanoseconds, J += (|D| - J) / 16.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Interarrival {
    previous: Option<u64>,
    jitter: f64,
}

impl Interarrival {
    /// Takes the transit time of the next arrival: arrival less departure, in any two clocks that do not drift.
    pub fn arrived(&mut self, transit_ns: u64) {
        if let Some(previous) = self.previous.replace(transit_ns) {
            self.jitter += (transit_ns.abs_diff(previous) as f64 - self.jitter) / 16.0;
        }
    }

    /// Nanoseconds; `None` before the first arrival, 0 before the second.
    pub fn jitter_ns(&self) -> Option<f64> {
        self.previous.map(|_| self.jitter)
    }
}

/// The integer form of RFC 3550 appendix A.8, in whatever unit the transit times have: kept sixteenfold,
/// `j += |d| - ((j + 8) >> 4)`, reported as `j >> 4`. Changes of less than 16 units may be lost in it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct InterarrivalUnits {
    previous: Option<u32>,
    scaled: u32,
}

impl InterarrivalUnits {
    /// Takes the transit time of the next arrival, modulo 2^32 as timestamps are.
    pub fn arrived(&mut self, transit: u32) {
        if let Some(previous) = self.previous.replace(transit) {
            let change = (transit.wrapping_sub(previous) as i32).unsigned_abs();
            self.scaled = self.scaled.wrapping_add(change).wrapping_sub(self.scaled.wrapping_add(8) >> 4);
        }
    }

    /// As it goes into a report.
    pub fn reported(&self) -> u32 {
        self.scaled >> 4
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn both(transits: &[u32]) -> Vec<(f64, u32)> {
        let (mut exact, mut units) = (Interarrival::default(), InterarrivalUnits::default());
        let after = transits.iter().map(|&transit| {
            exact.arrived(transit.into());
            units.arrived(transit);
            (exact.jitter_ns().unwrap(), units.reported())
        });
        after.skip(1).collect()
    }

    /// Calculated by hand from the two definitions; the first row is the delays of RFC 5481 section 4.4.
    #[test]
    fn worked_out_by_hand() {
        assert_eq!(
            both(&[20, 10, 20, 25, 20]),
            [(0.625, 0), (1.2109375, 1), (1.44775390625, 1), (1.669769287109375, 1)]
        );
        assert_eq!(
            both(&[100, 116, 100, 116, 100, 116]),
            [(1.0, 1), (1.9375, 1), (2.81640625, 2), (3.640380859375, 3), (4.4128570556640625, 4)]
        );
        let swinging: Vec<u32> = (0..=16).map(|i| 160 * (i % 2)).collect();
        let after = both(&swinging);
        assert_eq!((after[0].0, after[1].0), (10.0, 19.375));
        assert!((after[15].0 - 103.028139).abs() < 1e-6, "{}", after[15].0);
    }

    #[test]
    fn one_arrival_is_no_sample() {
        let mut jitter = Interarrival::default();
        assert_eq!(jitter.jitter_ns(), None);
        jitter.arrived(5);
        assert_eq!(jitter.jitter_ns(), Some(0.0));
        // The timestamp wraps; the transit has hardly changed.
        assert_eq!(both(&[u32::MAX - 7, 8])[0].1, 1);
    }

    proptest! {
        /// The sum written out: J(n) = 1/16 of the sum of (15/16)^(n-i) |D(i)|.
        #[test]
        fn a_weighted_sum(transits in prop::collection::vec(0u32..10_000_000, 2..100)) {
            let changes: Vec<f64> = transits.windows(2).map(|two| f64::from(two[1].abs_diff(two[0]))).collect();
            let n = changes.len() as i32;
            let sum: f64 =
                changes.iter().zip(1..).map(|(change, i)| change * (15.0f64 / 16.0).powi(n - i) / 16.0).sum();
            let (exact, units) = *both(&transits).last().unwrap();
            prop_assert!((exact - sum).abs() <= 1e-9 * sum.max(1.0));
            prop_assert!((f64::from(units) - exact).abs() <= 1.5, "{units} {exact}");
        }
    }
}
