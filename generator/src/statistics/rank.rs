//! Two rows of samples held against each other by their ranks alone: whatever their distribution, and with no harm from a
//! few wild values.
//!
//! The test is that of Mann and Whitney (1947), exact for small rows, ties included; the estimate of the distance is that of
//! Hodges and Lehmann (1963), with the interval that belongs to the test.

/// Rows together no longer than this are tested exactly.
const EXACT: usize = 40;

/// How likely rows that do not differ at all show at least such a difference of ranks, either way. 1 for an empty row.
#[must_use]
pub fn mann_whitney(one: &[f64], other: &[f64]) -> f64 {
    if one.is_empty() || other.is_empty() {
        return 1.0;
    }
    let ranks = doubled_ranks(one, other);
    let sum: usize = ranks[..one.len()].iter().sum();
    if one.len() + other.len() <= EXACT {
        exact(&ranks, one.len(), sum)
    } else {
        normal(&ranks, one.len(), sum)
    }
}

/// Twice the mid-rank of every sample, those of `one` first: whole numbers even where samples are equal.
fn doubled_ranks(one: &[f64], other: &[f64]) -> Vec<usize> {
    let all: Vec<f64> = one.iter().chain(other).copied().collect();
    let mut order: Vec<usize> = (0..all.len()).collect();
    order.sort_by(|left, right| all[*left].total_cmp(&all[*right]));
    let mut ranks = vec![0; all.len()];
    let mut from = 0;
    while from < order.len() {
        let until = order[from..].iter().take_while(|at| all[**at] == all[order[from]]).count() + from;
        // Ranks from + 1 to until, of which twice the mean is their first and last together.
        for at in &order[from..until] {
            ranks[*at] = from + 1 + until;
        }
        from = until;
    }
    ranks
}

/// Every way to deal out the ranks, counted by its sum.
fn exact(ranks: &[usize], size: usize, sum: usize) -> f64 {
    let most: usize = ranks.iter().sum();
    // ways[k][s]: choices of k ranks with the sum s.
    let mut ways = vec![vec![0.0_f64; most + 1]; size + 1];
    ways[0][0] = 1.0;
    for rank in ranks {
        for chosen in (1..=size).rev() {
            let (fewer, these) = ways.split_at_mut(chosen);
            let (fewer, these) = (&fewer[chosen - 1], &mut these[0]);
            for total in *rank..=most {
                these[total] += fewer[total - rank];
            }
        }
    }
    let all: f64 = ways[size].iter().sum();
    let low: f64 = ways[size][..=sum].iter().sum();
    let high: f64 = ways[size][sum..].iter().sum();
    (2.0 * low.min(high) / all).min(1.0)
}

/// The normal approximation with correction for ties and continuity.
fn normal(ranks: &[usize], size: usize, sum: usize) -> f64 {
    let (n, m) = (size as f64, (ranks.len() - size) as f64);
    let total = n + m;
    let mean = n * (total + 1.0) / 2.0;
    let Some(deviation) = deviation(ranks, size) else { return 1.0 };
    let distance = ((sum as f64 / 2.0 - mean).abs() - 0.5).max(0.0);
    erfc(distance / deviation / std::f64::consts::SQRT_2)
}

/// Standard deviation of the sum of ranks; `None` where all samples are equal.
fn deviation(ranks: &[usize], size: usize) -> Option<f64> {
    let (n, m) = (size as f64, (ranks.len() - size) as f64);
    let total = n + m;
    let mut sorted = ranks.to_vec();
    sorted.sort_unstable();
    let ties: f64 = sorted
        .chunk_by(|left, right| left == right)
        .map(|tied| {
            let tied = tied.len() as f64;
            tied * tied * tied - tied
        })
        .sum();
    let variance = n * m / 12.0 * (total + 1.0 - ties / (total * (total - 1.0)));
    (variance > 0.0).then(|| variance.sqrt())
}

/// By how much `other` is greater than `one`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shift {
    pub estimate: f64,
    /// Where it lies at the confidence asked for; as wide as the samples are where there are too few for that.
    pub low: f64,
    pub high: f64,
    /// Whether there were enough samples for that confidence.
    pub enough: bool,
}

/// The distance of two rows; `None` for an empty one.
#[must_use]
pub fn shift(one: &[f64], other: &[f64], confidence: f64) -> Option<Shift> {
    if one.is_empty() || other.is_empty() {
        return None;
    }
    let mut all: Vec<f64> = one.iter().flat_map(|from| other.iter().map(move |to| to - from)).collect();
    all.sort_unstable_by(f64::total_cmp);
    let half = all.len() / 2;
    let estimate = if all.len() % 2 == 1 { all[half] } else { (all[half - 1] + all[half]) / 2.0 };
    let outside = outside(one.len(), other.len(), (1.0 - confidence) / 2.0);
    let at = outside.unwrap_or(0).min((all.len() - 1) / 2);
    Some(Shift { estimate, low: all[at], high: all[all.len() - 1 - at], enough: outside.is_some() })
}

/// How many of the sorted differences lie outside the interval at each end, when each end may err with this probability.
/// `None` where even all of them do not reach it.
fn outside(n: usize, m: usize, tail: f64) -> Option<usize> {
    if n + m <= EXACT {
        // U, the number of pairs in which the first row is greater, without ties.
        let ranks: Vec<usize> = (1..=n + m).collect();
        let least = n * (n + 1) / 2;
        let mut ways = vec![vec![0.0_f64; least + n * m + 1]; n + 1];
        ways[0][0] = 1.0;
        for rank in ranks {
            for chosen in (1..=n).rev() {
                let (fewer, these) = ways.split_at_mut(chosen);
                let (fewer, these) = (&fewer[chosen - 1], &mut these[0]);
                for total in rank..these.len() {
                    these[total] += fewer[total - rank];
                }
            }
        }
        let all: f64 = ways[n].iter().sum();
        let mut below = 0.0;
        let mut count = 0;
        for way in &ways[n][least..] {
            below += way / all;
            if below > tail {
                break;
            }
            count += 1;
        }
        return (count > 0).then(|| count - 1);
    }
    let (n, m) = (n as f64, m as f64);
    let deviation = (n * m * (n + m + 1.0) / 12.0).sqrt();
    let at = n * m / 2.0 - normal_quantile(1.0 - tail) * deviation - 0.5;
    (at >= 0.0).then_some(at as usize)
}

/// The complement of the error function, to 1.2e-7 of itself (Numerical Recipes in C, 2nd edition, section 6.2, from memory;
/// held against an independent library below).
fn erfc(x: f64) -> f64 {
    let z = x.abs();
    let t = 1.0 / (1.0 + 0.5 * z);
    let series = [
        0.170_872_77,
        -0.822_152_23,
        1.488_515_87,
        -1.135_203_98,
        0.278_868_07,
        -0.186_288_06,
        0.096_784_18,
        0.374_091_96,
        1.000_023_68,
    ];
    let sum = series.iter().fold(0.0, |sum, factor| sum * t + factor);
    let tail = t * (-z * z - 1.265_512_23 + t * sum).exp();
    if x >= 0.0 { tail } else { 2.0 - tail }
}

/// The value that a normal variable is below with this probability.
fn normal_quantile(probability: f64) -> f64 {
    let (mut low, mut high) = (-40.0, 40.0);
    for _ in 0..200 {
        let middle = (low + high) / 2.0;
        if 0.5 * erfc(-middle / std::f64::consts::SQRT_2) < probability {
            low = middle;
        } else {
            high = middle;
        }
    }
    (low + high) / 2.0
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use statrs::distribution::{ContinuousCDF, Normal};
    use statrs::stats_tests::Alternative;
    use statrs::stats_tests::mannwhitneyu::{MannWhitneyUMethod, mannwhitneyu};

    use super::*;

    fn theirs(one: &[f64], other: &[f64], method: MannWhitneyUMethod) -> f64 {
        mannwhitneyu(one, other, method, Alternative::TwoSided).unwrap().1
    }

    #[test]
    fn the_smallest_cases_by_hand() {
        // 3 of 6 ranks, the lowest: 1 of 20 ways, at either end.
        assert!((mann_whitney(&[1.0, 2.0, 3.0], &[4.0, 5.0, 6.0]) - 0.1).abs() < 1e-12);
        assert_eq!(mann_whitney(&[1.0, 1.0], &[1.0, 1.0]), 1.0);
        assert_eq!(mann_whitney(&[], &[1.0]), 1.0);
        assert_eq!(mann_whitney(&[5.0; 30], &[5.0; 30]), 1.0);
    }

    #[test]
    fn the_normal_tail_is_that_of_an_independent_library() {
        let normal = Normal::new(0.0, 1.0).unwrap();
        for tenth in -60..=60 {
            let z = f64::from(tenth) / 10.0;
            let ours = 0.5 * erfc(-z / std::f64::consts::SQRT_2);
            assert!((ours / normal.cdf(z) - 1.0).abs() < 1e-6, "{z}: {ours}");
        }
        for probability in [0.001, 0.025, 0.5, 0.95, 0.975, 0.9999] {
            let theirs = normal.inverse_cdf(probability);
            assert!((normal_quantile(probability) - theirs).abs() < 1e-4, "{probability}");
        }
    }

    proptest! {
        /// Against statrs, exactly, without ties. The longer row comes first: where it does not, the exact test of statrs 0.19.1
        /// gives the complement of what it should (1 of 20 ways, both ends, comes out as 1.9; by hand above).
        #[test]
        fn exact_as_an_independent_library_has_it(
            one in prop::collection::vec(0.0..1.0f64, 6..9),
            other in prop::collection::vec(0.0..1.3f64, 1..6),
        ) {
            let mut all: Vec<u64> = one.iter().chain(&other).map(|sample| sample.to_bits()).collect();
            all.sort_unstable();
            prop_assume!(all.windows(2).all(|pair| pair[0] != pair[1]), "theirs has no exact test with ties");
            let theirs = theirs(&one, &other, MannWhitneyUMethod::Exact);
            prop_assert!((mann_whitney(&one, &other) - theirs).abs() < 1e-9);
            prop_assert!((mann_whitney(&other, &one) - theirs).abs() < 1e-9);
        }

        /// Against statrs, for many, with ties.
        #[test]
        fn many_as_an_independent_library_has_them(
            one in prop::collection::vec(0..30u8, 25..60),
            other in prop::collection::vec(3..33u8, 25..60),
        ) {
            let one: Vec<f64> = one.into_iter().map(f64::from).collect();
            let other: Vec<f64> = other.into_iter().map(f64::from).collect();
            let theirs = theirs(&one, &other, MannWhitneyUMethod::AsymptoticInclContinuityCorrection);
            let ours = mann_whitney(&one, &other);
            prop_assert!((ours - theirs).abs() < 1e-6, "{ours} and {theirs}");
        }

        /// A row that was moved is found moved by that, and the interval has it.
        #[test]
        fn a_shift_is_found(one in prop::collection::vec(0.0..1.0f64, 6..60), by in -5.0..5.0f64) {
            let other: Vec<f64> = one.iter().map(|sample| sample + by).collect();
            let shift = shift(&one, &other, 0.95).unwrap();
            prop_assert!(shift.enough);
            prop_assert!((shift.estimate - by).abs() < 1e-9);
            prop_assert!(shift.low <= by + 1e-9 && by - 1e-9 <= shift.high);
        }

        /// The interval leaves out nothing exactly where the test rejects nothing (they are one test, said twice).
        #[test]
        fn interval_and_test_agree(
            one in prop::collection::vec(0.0..1.0f64, 2..15),
            other in prop::collection::vec(0.0..1.6f64, 2..15),
        ) {
            let p = mann_whitney(&one, &other);
            let shift = shift(&one, &other, 0.95).unwrap();
            let has_none = shift.low <= 0.0 && 0.0 <= shift.high;
            prop_assert_eq!(has_none || !shift.enough, p > 0.05, "{} {:?}", p, shift);
        }
    }
}
