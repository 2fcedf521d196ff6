//! What N frames with K losses have shown: a zero is never reported bare.
//!
//! K losses among N frames bound the frame loss ratio from above at a stated confidence C by the exact one-sided
//! Clopper-Pearson limit: the p at which K or fewer losses among N have the probability 1 - C. For K = 0 that is
//! 1 - (1 - C)^(1/N), close to -ln(1 - C)/N. The limit of Clopper and Pearson (1934) is described in the NIST/SEMATECH
//! e-Handbook of Statistical Methods, section 7.2.4.1.
//!
//! Bit errors are counted as events: a lost frame is one, whatever the number of bits. With mu the one-sided Poisson limit
//! of the number of events, the bit error ratio is below mu / (frame bits offered). Only frame bits count (the FCS covers
//! nothing else), which is 8 times the frame size including FCS. Errors that come in bursts make fewer events than bits,
//! so that this is a statement about error events.

/// The confidence the results are stated at.
pub const CONFIDENCE: f64 = 0.95;

/// Bit error ratios that links are specified by: 1e-10 (1000BASE-T, from memory of IEEE 802.3 clause 40) and 1e-12
/// (1000BASE-X).
pub const OBJECTIVES: [f64; 2] = [1e-10, 1e-12];

/// Upper limit of the loss ratio shown by `losses` among `frames`, one-sided, exact binomial.
///
/// `None` without frames, with more losses than frames, or at a confidence outside 0.5 to below 1.
pub fn loss_bound(frames: u64, losses: u64, confidence: f64) -> Option<f64> {
    if losses > frames || frames == 0 || !sane(confidence) {
        return None;
    }
    Some(ln_binomial_limit(frames, losses, confidence).exp())
}

/// Lower limit of the loss ratio: at least this much was shown to be lost.
pub fn loss_floor(frames: u64, losses: u64, confidence: f64) -> Option<f64> {
    if losses > frames || frames == 0 || !sane(confidence) {
        return None;
    }
    // What is not lost is at most so much; the complement of its logarithm keeps the digits of a small ratio.
    Some(-ln_binomial_limit(frames, frames - losses, confidence).exp_m1())
}

/// Upper limit of a Poisson mean after `events` were seen, one-sided: half the chi-squared quantile of 2 events + 2
/// degrees of freedom.
pub fn poisson_bound(events: u64, confidence: f64) -> Option<f64> {
    sane(confidence).then(|| poisson_mean(events, (-confidence).ln_1p()))
}

/// Lower limit of a Poisson mean after `events` were seen, one-sided.
pub fn poisson_floor(events: u64, confidence: f64) -> Option<f64> {
    match events {
        _ if !sane(confidence) => None,
        0 => Some(0.0),
        _ => Some(poisson_mean(events - 1, confidence.ln())),
    }
}

/// Upper limit of the bit error ratio shown by `losses` error events among `frames` of `frame_size` bytes including FCS.
pub fn bit_error_bound(frames: u64, losses: u64, frame_size: u16, confidence: f64) -> Option<f64> {
    if frames == 0 || frame_size == 0 || losses > frames {
        return None;
    }
    let bits = frames as f64 * 8.0 * f64::from(frame_size);
    poisson_bound(losses, confidence).map(|events| (events / bits).min(1.0))
}

/// How many frames of `frame_size` bytes, with no more than `losses` lost, show a bit error ratio below `ratio`.
pub fn frames_to_show(ratio: f64, losses: u64, frame_size: u16, confidence: f64) -> Option<u64> {
    let sensible = ratio > 0.0 && ratio < 1.0 && frame_size > 0;
    let events = poisson_bound(losses, confidence).filter(|_| sensible)?;
    Some((events / ratio / (8.0 * f64::from(frame_size))).ceil() as u64)
}

fn sane(confidence: f64) -> bool {
    (0.5..1.0).contains(&confidence)
}

/// ln p for which `successes` or fewer among `trials` have the probability 1 - confidence.
fn ln_binomial_limit(trials: u64, successes: u64, confidence: f64) -> f64 {
    let ln_tail = (-confidence).ln_1p();
    let (n, k) = (trials as f64, successes as f64);
    if successes == trials {
        return 0.0;
    }
    if successes == 0 {
        return (-(ln_tail / n).exp_m1()).ln();
    }
    let ln_choices = ln_choose(trials, successes);
    let ln_probability = |ln_p: f64| {
        // Each form keeps its digits where the other loses them.
        let ln_q = if ln_p < -0.7 { (-ln_p.exp()).ln_1p() } else { (-ln_p.exp_m1()).ln() };
        let odds_against = (ln_q - ln_p).exp();
        // Terms fall from i = k downwards, since p is above k / n.
        let ratio = |i: f64| i / (n - i + 1.0) * odds_against;
        let highest = match ln_choices {
            LnChoose::Direct(ln_c) => ln_c + k * ln_p + (n - k) * ln_q,
            LnChoose::AgainstMode(rest) => {
                rest + k * (ln_p - (k / n).ln()) + (n - k) * (ln_q - (-k / n).ln_1p())
            }
        };
        highest + falling_sum(successes, ratio).ln()
    };
    bisect((k / n).ln(), 0.0, |ln_p| ln_probability(ln_p) > ln_tail)
}

/// The Poisson mean at which `events` or fewer have the probability e^`ln_tail`.
fn poisson_mean(events: u64, ln_tail: f64) -> f64 {
    if events == 0 {
        return -ln_tail;
    }
    let k = events as f64;
    let ln_probability = |ln_mean: f64| {
        let mean = ln_mean.exp();
        let highest = if events < STIRLING_FROM {
            k * ln_mean - mean - ln_factorial(events)
        } else {
            k * (ln_mean - k.ln()) - (mean - k) - 0.5 * (std::f64::consts::TAU * k).ln() - stirling(k)
        };
        highest + falling_sum(events, |i| i / mean).ln()
    };
    // Above k + 50 sqrt(k + 1) + 50 the tail is below any that f64 can ask for; near 0 it is close to 1.
    bisect(-40.0, (k + 50.0 * (k + 1.0).sqrt() + 50.0).ln(), |ln_mean| ln_probability(ln_mean) > ln_tail)
        .exp()
}

/// 1 + r(k) + r(k) r(k-1) + ... + r(k)..r(1), ended where the rest no longer shows.
fn falling_sum(from: u64, ratio: impl Fn(f64) -> f64) -> f64 {
    let (mut term, mut total) = (1.0, 1.0);
    let mut i = from as f64;
    while i >= 1.0 {
        let step = ratio(i);
        term *= step;
        total += term;
        if (step < 1.0 && term < total * 1e-17) || total.is_infinite() {
            break;
        }
        i -= 1.0;
    }
    total
}

/// The point between `low` and `high` where `below` turns false.
fn bisect(mut low: f64, mut high: f64, below: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..200 {
        let middle = low + (high - low) / 2.0;
        if middle <= low || middle >= high {
            break;
        }
        if below(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// ln of n over k, in the form that keeps its digits.
enum LnChoose {
    Direct(f64),
    /// What Stirling's series leaves besides -k ln(k/n) - (n-k) ln(1 - k/n): with n in the billions those are large, and
    /// are better subtracted from ln p and ln q first.
    AgainstMode(f64),
}

const STIRLING_FROM: u64 = 20;

fn ln_choose(n: u64, k: u64) -> LnChoose {
    let few = k.min(n - k);
    if few < STIRLING_FROM {
        return LnChoose::Direct((0..few).map(|i| ((n - i) as f64 / (i + 1) as f64).ln()).sum());
    }
    let (n, k) = (n as f64, k as f64);
    let spread = std::f64::consts::TAU * k * ((n - k) / n);
    LnChoose::AgainstMode(-0.5 * spread.ln() + stirling(n) - stirling(k) - stirling(n - k))
}

fn ln_factorial(n: u64) -> f64 {
    (2..=n).map(|i| (i as f64).ln()).sum()
}

/// The correction to Stirling's formula: ln x! - (x ln x - x + ln(2 pi x)/2). Below 1e-12 wrong from x = 20 on.
fn stirling(x: f64) -> f64 {
    let x2 = x * x;
    (1.0 / 12.0 - (1.0 / 360.0 - (1.0 / 1260.0) / x2) / x2) / x
}

#[cfg(test)]
mod tests {
    use statrs::{
        distribution::{Binomial, ContinuousCDF, DiscreteCDF},
        function::{beta, gamma},
    };

    use super::*;

    /// Equal to as many digits as the published figure has, one unit of its last place either way.
    fn agrees(ours: f64, published: f64, significant: i32) {
        let unit = 10f64.powi(published.abs().log10().floor() as i32 - significant + 1);
        assert!((ours - published).abs() <= unit, "{ours:e} is not {published:e}");
    }

    /// One-sided Poisson limits, calculated with exact arithmetic; 90 % and 95 % agree with the table of the Particle
    /// Data Group for k = 0..10 (that from memory).
    #[test]
    #[expect(clippy::approx_constant, reason = "the published figure for k = 0 at 90 % happens to be ln 10")]
    fn poisson_limits_agree_with_the_table() {
        for (k, limits) in [
            (0, [2.302585, 2.995732, 4.605170, 6.907755]),
            (1, [3.889720, 4.743865, 6.638352, 9.233413]),
            (2, [5.322320, 6.295794, 8.405947, 11.22887]),
            (3, [6.680783, 7.753657, 10.04512, 13.06224]),
            (4, [7.993590, 9.153519, 11.60463, 14.79415]),
            (5, [9.274674, 10.51303, 13.10848, 16.45475]),
            (6, [10.53207, 11.84240, 14.57062, 18.06164]),
            (8, [12.99471, 14.43465, 17.40265, 21.15620]),
            (10, [15.40664, 16.96222, 20.14468, 24.13397]),
            (20, [27.04510, 29.06202, 33.10312, 38.04188]),
        ] {
            for (confidence, limit) in [0.90, 0.95, 0.99, 0.999].into_iter().zip(limits) {
                agrees(poisson_bound(k, confidence).unwrap(), limit, 7);
            }
        }
        for (k, low, high) in [
            (1, 0.0253178, 5.57164),
            (2, 0.242209, 7.22469),
            (3, 0.618672, 8.76727),
            (4, 1.08987, 10.2416),
            (5, 1.62349, 11.6683),
            (6, 2.20189, 13.0595),
            (8, 3.45383, 15.7632),
            (10, 4.79539, 18.3904),
            (20, 12.2165, 30.8884),
        ] {
            agrees(poisson_floor(k, 0.975).unwrap(), low, 6);
            agrees(poisson_bound(k, 0.975).unwrap(), high, 6);
        }
        assert_eq!(poisson_floor(0, 0.975), Some(0.0));
        agrees(poisson_bound(0, 0.975).unwrap(), 3.68888, 6);
    }

    /// Clopper-Pearson limits. The first is the worked example of the NIST/SEMATECH e-Handbook, section 7.2.4.2 (4 defective
    /// of 20, 90 % two-sided; the handbook's printed answer is from memory), the others calculated with exact arithmetic.
    #[test]
    fn binomial_limits_agree_with_the_vectors() {
        assert!((loss_floor(20, 4, 0.95).unwrap() - 0.0713539).abs() < 2e-6);
        assert!((loss_bound(20, 4, 0.95).unwrap() - 0.4010281).abs() < 2e-6);
        for (n, confidence, limit, digits) in [
            (10, 0.95, 0.25886555, 8),
            (10, 0.99, 0.36904266, 8),
            (20, 0.95, 0.13910834, 8),
            (30, 0.95, 0.09503385, 7),
            (30, 0.99, 0.14230410, 8),
            (100, 0.95, 0.02951305, 7),
            (100, 0.99, 0.04500741, 7),
            (1000, 0.95, 0.0029912495, 8),
            (1_000_000, 0.95, 2.9957278e-6, 8),
            (1_000_000, 0.99, 4.6051596e-6, 8),
        ] {
            agrees(loss_bound(n, 0, confidence).unwrap(), limit, digits);
        }
        for (n, k, low, high) in [
            (20, 1, 0.0012650895, 0.24873276),
            (20, 2, 0.012348527, 0.31698271),
            (100, 1, 0.00025314603, 0.054459385),
            (100, 5, 0.016431879, 0.11283491),
        ] {
            agrees(loss_floor(n, k, 0.975).unwrap(), low, 8);
            agrees(loss_bound(n, k, 0.975).unwrap(), high, 8);
        }
        agrees(loss_bound(20, 0, 0.975).unwrap(), 0.16843347, 8);
        agrees(loss_bound(1_000_000, 3, 0.95).unwrap(), 7.7536381e-6, 8);
    }

    #[test]
    fn the_edges_have_a_meaning() {
        assert_eq!(loss_bound(0, 0, 0.95), None);
        assert_eq!(loss_bound(3, 4, 0.95), None);
        assert_eq!(loss_bound(7, 7, 0.95), Some(1.0));
        assert_eq!(loss_floor(7, 0, 0.95), Some(0.0));
        for confidence in [0.0, 0.49, 1.0, 2.0, -1.0, f64::NAN] {
            assert_eq!(loss_bound(10, 1, confidence), None);
            assert_eq!(poisson_bound(1, confidence), None);
        }
        // The rule of three: 3/n at 95 %, good from n = 30 on (common practice).
        for n in [30, 100, 1_000_000] {
            let rule = 3.0 / n as f64;
            assert!((loss_bound(n, 0, 0.95).unwrap() / rule - 1.0).abs() < 0.06);
        }
    }

    /// An independent library agrees: the limit put back into its distribution function gives the tail.
    #[test]
    fn statrs_finds_the_same_tail() {
        for n in [2u64, 19, 20, 21, 40, 41, 100, 1_000, 50_000] {
            for k in [0u64, 1, 2, 5, 19, 20, 21, 30, 80, 400, 900, 20_000] {
                for confidence in [0.5, 0.9, 0.95, 0.999_999] {
                    if k >= n {
                        continue;
                    }
                    let p = loss_bound(n, k, confidence).unwrap();
                    // P(X <= k) is the complement of the regularised incomplete beta function I_p(k+1, n-k).
                    let tail = beta::beta_reg((n - k) as f64, k as f64 + 1.0, 1.0 - p);
                    assert!(
                        (tail / (1.0 - confidence) - 1.0).abs() < 1e-6,
                        "n {n} k {k} at {confidence}: {p} {tail}"
                    );
                    let summed = Binomial::new(p, n).unwrap().cdf(k);
                    assert!((summed / (1.0 - confidence) - 1.0).abs() < 1e-6);
                    let mean = poisson_bound(k, confidence).unwrap();
                    let tail = gamma::gamma_ur(k as f64 + 1.0, mean);
                    assert!(
                        (tail / (1.0 - confidence) - 1.0).abs() < 1e-6,
                        "k {k} at {confidence}: {mean} {tail}"
                    );
                }
            }
        }
        let chi_squared = statrs::distribution::ChiSquared::new(8.0).unwrap();
        agrees(poisson_bound(3, 0.95).unwrap(), chi_squared.inverse_cdf(0.95) / 2.0, 9);
    }

    /// Far beyond what the library can sum, the two limits of this file still agree with each other.
    #[test]
    fn binomial_and_poisson_meet_when_losses_are_rare() {
        for n in [10_000_000_000u64, 1_000_000_000_000] {
            for k in [0u64, 1, 19, 20, 1000, 100_000] {
                let exact = loss_bound(n, k, 0.95).unwrap();
                let poisson = poisson_bound(k, 0.95).unwrap() / n as f64;
                assert!(exact <= poisson * (1.0 + 1e-9), "{n} {k}");
                // They differ by no more than the share that is lost.
                assert!(
                    exact / poisson > 1.0 - 1e-9 - 2.0 * (k + 3) as f64 / n as f64,
                    "{n} {k} {exact} {poisson}"
                );
                assert!(exact > k as f64 / n as f64);
            }
        }
    }

    /// Zero errors, calculated with exact arithmetic (standards, section 6): frames of 1518 bytes that show a ratio.
    #[test]
    fn frames_that_show_a_bit_error_ratio() {
        assert_eq!(frames_to_show(1e-10, 0, 1518, 0.95), Some(2_466_842));
        assert_eq!(frames_to_show(1e-10, 0, 1518, 0.99), Some(3_792_137));
        assert_eq!(frames_to_show(1e-12, 0, 1518, 0.95), Some(246_684_147));
        assert_eq!(frames_to_show(1e-12, 0, 1518, 0.99), Some(379_213_619));
        // 64 bytes at 1 Gb/s, 1,488,095.238 frames/s: 39.32 s and 65.53 min.
        let seconds = |ratio| frames_to_show(ratio, 0, 64, 0.95).unwrap() as f64 / 1_488_095.238;
        agrees(seconds(1e-10), 39.32, 4);
        agrees(seconds(1e-12) / 60.0, 65.53, 4);
        for (ratio, size) in [(0.0, 64), (1.0, 64), (f64::NAN, 64), (1e-10, 0)] {
            assert_eq!(frames_to_show(ratio, 0, size, 0.95), None);
        }
    }

    /// "What a clean run proves" (standards, section 6): 1 Gb/s, one direction, 95 %.
    #[test]
    fn what_a_clean_run_proves() {
        for (frames, size, loss, bits) in [
            (1_197_318, 1024, 2.502e-6, 3.054e-10),
            (4_876_462, 1518, 6.143e-7, 5.059e-11),
            (89_285_714, 64, 3.355e-8, 6.553e-11),
            (71_839_080, 1024, 4.170e-8, 5.090e-12),
        ] {
            agrees(loss_bound(frames, 0, 0.95).unwrap(), loss, 4);
            agrees(bit_error_bound(frames, 0, size, 0.95).unwrap(), bits, 4);
        }
        assert_eq!(bit_error_bound(0, 0, 64, 0.95), None);
        assert_eq!(bit_error_bound(5, 6, 64, 0.95), None);
    }
}
