//! What a confidence is worth to whoever stops as soon as it is reached.
//!
//! A ratio counts as shown once the events seen are so few that a link exactly at the limit would have so few, or fewer, in one
//! case of twenty (at 95 %). A soak that ends at the first such moment looks once without an event, once more with one, and
//! so on, and each look may be the lucky one: the chances add up, and this is their sum.

use crate::verdict::confidence::poisson_bound;

/// More events than this are not reckoned with.
pub const MOST: u64 = 300;

/// How likely a link exactly at the limit is passed at the first moment at which no event, or one, or up to `events` of them
/// show it to be below; `confidence` is that of a single look. Exact: the number of events is a Poisson process, followed from
/// look to look. `None` for more than 300 events, or at a confidence outside 0.5 to below 1.
#[must_use]
pub fn passed_at_the_limit(events: u64, confidence: f64) -> Option<f64> {
    if events > MOST {
        return None;
    }
    // Not passed yet, by the number of events seen; more than `events` never pass at any of these looks.
    let mut chance = vec![0.0; events as usize + 1];
    chance[0] = 1.0;
    let (mut passed, mut before) = (0.0, 0.0);
    for look in 0..=events {
        // In units of the mean number of events at the limit.
        let at = poisson_bound(look, confidence)?;
        chance = after(&chance, at - before);
        passed += std::mem::take(&mut chance[look as usize]);
        before = at;
    }
    Some(passed)
}

/// The same after a while in which `mean` events are to be expected.
fn after(chance: &[f64], mean: f64) -> Vec<f64> {
    let mut of_so_many = vec![(-mean).exp()];
    for more in 1..chance.len() {
        of_so_many.push(of_so_many[more - 1] * mean / more as f64);
    }
    (0..chance.len())
        .map(|events| (0..=events).map(|old| chance[old] * of_so_many[events - old]).sum())
        .collect()
}

#[cfg(test)]
mod tests {
    use statrs::distribution::{ContinuousCDF, Discrete, DiscreteCDF, Gamma, Poisson};

    use super::*;

    /// One look is worth what it says; of two, the second by hand: one event before the first look and none after it.
    #[test]
    fn one_look_and_two_looks() {
        for confidence in [0.9, 0.95, 0.99] {
            let one = passed_at_the_limit(0, confidence).unwrap();
            assert!((one - (1.0 - confidence)).abs() < 1e-12, "{one}");
            let at = |events: f64| Gamma::new(events + 1.0, 1.0).unwrap().inverse_cdf(confidence);
            let first = Poisson::new(at(0.0)).unwrap();
            let rest = Poisson::new(at(1.0) - at(0.0)).unwrap();
            let two = passed_at_the_limit(1, confidence).unwrap();
            assert!((two - (first.pmf(0) + first.pmf(1) * rest.pmf(0))).abs() < 1e-9, "{two}");
        }
        assert_eq!(passed_at_the_limit(301, 0.95), None);
        assert_eq!(passed_at_the_limit(0, 0.2), None);
    }

    /// It never falls with more looks, and is never less than the last look alone, which an independent library knows.
    #[test]
    fn looks_add_up() {
        let mut before = 0.0;
        for events in [0, 1, 2, 5, 20, 100, 300] {
            let now = passed_at_the_limit(events, 0.95).unwrap();
            assert!(now >= before && now < 1.0, "{events}: {now}");
            let alone = Poisson::new(poisson_bound(events, 0.95).unwrap()).unwrap().cdf(events);
            assert!((alone - 0.05).abs() < 1e-6 && now >= alone - 1e-9, "{events}: {alone}");
            before = now;
        }
    }

    /// Against links that are soaked one event at a time: 40,000 of them, five standard deviations.
    #[test]
    fn as_many_pass_as_are_reckoned() {
        const LINKS: u32 = 40_000;
        let bounds: Vec<f64> = (0..=5).map(|events| poisson_bound(events, 0.95).unwrap()).collect();
        let mut state = 29_u64;
        // Time to the next event: exponential, by a linear congruential generator (Knuth's MMIX constants, from memory).
        let mut wait = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            -(((state >> 11) as f64 + 0.5) / (1_u64 << 53) as f64).ln()
        };
        let passes = (0..LINKS)
            .filter(|_| {
                let mut next = wait();
                bounds.iter().any(|bound| {
                    let is_shown = next > *bound;
                    next += wait();
                    is_shown
                })
            })
            .count();
        let expected = passed_at_the_limit(5, 0.95).unwrap();
        let deviation = (expected * (1.0 - expected) / f64::from(LINKS)).sqrt();
        let found = passes as f64 / f64::from(LINKS);
        assert!((found - expected).abs() < 5.0 * deviation, "{found} in place of {expected}");
    }
}
