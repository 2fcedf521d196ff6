//! Two counts of rare events held against each other, exactly: given how many there were in all, how they fall on the two is
//! a matter of how much was tried in each (Przyborowski and Wilenski, 1940).

/// How likely two counts of events, of so many tries each and equally frequent, differ at least as much as these, either
/// way. 1 where nothing was tried.
#[must_use]
pub fn differ(events: [u64; 2], tries: [u64; 2]) -> f64 {
    let all = events[0] + events[1];
    let tried = tries[0] as f64 + tries[1] as f64;
    if all == 0 || tries.contains(&0) {
        return 1.0;
    }
    let share = tries[1] as f64 / tried;
    let low = at_most(all, events[1], share);
    let high = at_most(all, events[0], 1.0 - share);
    (2.0 * low.min(high)).min(1.0)
}

/// How likely at most `most` of `all` happen, each with this probability, strictly between 0 and 1.
fn at_most(all: u64, most: u64, probability: f64) -> f64 {
    // Each term from the one before it, as logarithms: the first one may be too small for a float.
    let odds = (probability / (1.0 - probability)).ln();
    let mut term = all as f64 * (-probability).ln_1p();
    let mut sum = term.exp();
    for count in 1..=most {
        term += odds + ((all - count + 1) as f64 / count as f64).ln();
        sum += term.exp();
    }
    sum.min(1.0)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use statrs::distribution::{Binomial, DiscreteCDF};

    use super::*;

    #[test]
    fn the_smallest_cases_by_hand() {
        // 5 events, as much tried: all on one side, twice 1 in 32.
        assert!((differ([0, 5], [100, 100]) - 2.0 / 32.0).abs() < 1e-12);
        assert!((differ([5, 0], [100, 100]) - 2.0 / 32.0).abs() < 1e-12);
        assert_eq!(differ([0, 0], [7, 9]), 1.0);
        assert_eq!(differ([3, 3], [0, 9]), 1.0);
        assert_eq!(differ([4, 4], [9, 9]), 1.0);
    }

    proptest! {
        /// Against statrs.
        #[test]
        fn tails_as_an_independent_library_has_them(all in 1..400u64, most in 0..400u64, probability in 0.001..0.999f64) {
            let most = most.min(all);
            let theirs = Binomial::new(probability, all).unwrap().cdf(most);
            prop_assert!((at_most(all, most, probability) - theirs).abs() < 1e-9);
        }

        #[test]
        fn which_is_first_does_not_matter(a in 0..200u64, b in 0..200u64, n in 1..1_000_000u64, m in 1..1_000_000u64) {
            prop_assert!((differ([a, b], [n, m]) - differ([b, a], [m, n])).abs() < 1e-9);
        }
    }
}
