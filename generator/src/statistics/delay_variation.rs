//! Delay variation: PDV and IPDV (RFC 5481), and jitter as RFC 4689 has it.
//!
//! Delays are nanoseconds, one for each frame offered, in sending order; `None` where the frame was lost.

use super::percentile::Ordered;

/// Inter-packet delay variation, D(i) - D(i-1) (RFC 5481 section 4.1): by sending order, undefined for the first
/// frame and wherever either of the two was lost.
pub fn ipdv(delays: &[Option<u64>]) -> Vec<Option<i64>> {
    let mut previous = None;
    delays
        .iter()
        .map(|&delay| {
            let variation = delay.zip(previous).map(|(this, before)| difference(this, before));
            previous = delay;
            variation
        })
        .collect()
}

/// Packet delay variation, D(i) less the least delay of all (RFC 5481 section 4.2). Undefined where the frame was
/// lost.
pub fn pdv(delays: &[Option<u64>]) -> Vec<Option<u64>> {
    let least = delays.iter().flatten().min().copied().unwrap_or(0);
    delays.iter().map(|delay| delay.map(|delay| delay - least)).collect()
}

/// The one number that RFC 5481 sections 6.5 and 11 ask for: the 99.9th percentile of the delay less the least.
/// `None` without a delay.
pub fn pdv_99_9(delays: &[Option<u64>]) -> Option<u64> {
    let ordered = Ordered::new(delays.iter().flatten().copied().collect());
    Some(ordered.percentile(99_900)? - ordered.minimum()?)
}

/// Jitter by RFC 4689 section 3.2.5: the absolute difference of the delays of one frame and the one received before
/// it, across losses. `delays` in the order of arrival.
pub fn rfc4689_jitter(delays: &[u64]) -> Vec<u64> {
    delays.windows(2).map(|pair| pair[1].abs_diff(pair[0])).collect()
}

/// One less another. Saturates, 292 years from 0.
fn difference(this: u64, before: u64) -> i64 {
    let size = i64::try_from(this.abs_diff(before)).unwrap_or(i64::MAX);
    if this < before { -size } else { size }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use statrs::statistics::{Data, OrderStatistics};

    use super::*;

    const LOST: Option<u64> = None;

    /// RFC 5481 section 4.4, figures 3 and 4 (milliseconds).
    #[test]
    fn the_examples_of_rfc5481() {
        let delays = [20, 10, 20, 25, 20].map(Some);
        assert_eq!(ipdv(&delays), [None, Some(-10), Some(10), Some(5), Some(-5)]);
        assert_eq!(pdv(&delays), [10, 0, 10, 15, 10].map(Some));

        let every_other = [Some(3), LOST, Some(5), LOST, Some(4), LOST, Some(3), LOST, Some(4), LOST];
        assert!(ipdv(&every_other).iter().all(Option::is_none));
        assert_eq!(
            pdv(&every_other),
            [Some(0), None, Some(2), None, Some(1), None, Some(0), None, Some(1), None]
        );

        let row = [Some(3), Some(4), LOST, LOST, LOST, LOST, LOST, Some(5), Some(4), Some(3)];
        let undefined = None;
        assert_eq!(
            ipdv(&row),
            [undefined, Some(1), None, None, None, None, None, undefined, Some(-1), Some(-1)]
        );
        assert_eq!(pdv(&row), [Some(0), Some(1), None, None, None, None, None, Some(2), Some(1), Some(0)]);
    }

    /// On figure 4 of RFC 5481 RFC 4689's jitter spans the loss (calculated).
    #[test]
    fn rfc4689_spans_a_loss() {
        assert_eq!(rfc4689_jitter(&[3, 4, 5, 4, 3]), [1, 1, 1, 1]);
        assert!(rfc4689_jitter(&[3]).is_empty());
    }

    #[test]
    fn edges() {
        assert_eq!(ipdv(&[]), []);
        assert_eq!(pdv(&[LOST, LOST]), [None, None]);
        assert_eq!(pdv_99_9(&[LOST]), None);
        assert_eq!(ipdv(&[Some(u64::MAX), Some(0)]), [None, Some(-i64::MAX)]);
        let thousand: Vec<_> = (0..1_000).map(|i| Some(5_000 + i)).collect();
        assert_eq!(pdv_99_9(&thousand), Some(998));
    }

    proptest! {
        /// IPDV adds up to the delays it came from, and PDV is 0 for somebody; the extremes by an independent
        /// library.
        #[test]
        fn variations_lead_back_to_the_delays(delays in prop::collection::vec(0u64..1_000_000, 1..50)) {
            let all: Vec<_> = delays.iter().copied().map(Some).collect();
            let mut delay = delays[0] as i64;
            for (step, expected) in ipdv(&all).into_iter().zip(&delays).skip(1) {
                delay += step.unwrap();
                prop_assert_eq!(delay, *expected as i64);
            }
            let variation: Vec<f64> = pdv(&all).into_iter().map(|v| v.unwrap() as f64).collect();
            let mut data = Data::new(variation);
            prop_assert_eq!(data.quantile(0.0), 0.0);
            let spread = delays.iter().max().unwrap() - delays.iter().min().unwrap();
            prop_assert_eq!(data.quantile(1.0), spread as f64);
            prop_assert_eq!(pdv_99_9(&all), Some(spread), "fewer than 1,000 samples: the greatest");
        }
    }
}
