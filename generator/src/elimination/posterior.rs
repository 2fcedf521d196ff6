//! How probable each explanation is, given every trial.
//!
//! The explanations weighed: nothing is bad; one piece is; two are, of which neither alone reaches every fail; or a chain
//! fails only as a whole (two pieces do not go together, or a fault came and went with that build). A bad piece loses at
//! a rate of its own in each scene (speed, duplex, frame size, load): all rates from every frame to one in 10^10 are taken
//! for equally probable by their logarithm. Losses in a row are one event, and events are Poisson; a trial speaks with
//! ten events at most, since a real piece's rate is not the same twice.
//!
//! The priors are a judgement of ours, not a published figure: a piece out of the bag is bad one time in fifty.

use super::hitting;
use super::observation::{Observation, Regime};
use super::set::Set;

/// A piece taken out of the bag is bad with this probability, before anything was tried.
const BAD: f64 = 0.02;
/// That a chain fails as a whole and no piece of it alone: as improbable as two bad pieces.
const TOGETHER: f64 = BAD * BAD;
/// What is lost with nothing bad, per frame: below any objective a link is specified by (10^-12 per bit).
const BACKGROUND: f64 = 1e-13;
/// Rates per decade, and decades from 1 downwards.
const STEPS: usize = 4;
const DECADES: usize = 10;
/// A trial speaks with no more events than this.
const EVENTS: f64 = 10.0;

/// What trials must have in common to be of one rate.
#[derive(Clone, Debug, PartialEq)]
pub struct Scene {
    pub regime: Regime,
    pub load_percent: f64,
}

impl Scene {
    fn of(trial: &Observation) -> Self {
        Self { regime: trial.regime.clone(), load_percent: trial.load_percent }
    }

    /// A fail at this load, or a pass at this or more.
    fn holds(&self, trial: &Observation) -> bool {
        let above = trial.load_percent - self.load_percent;
        self.regime == trial.regime && if trial.failed { above.abs() <= 0.01 } else { above >= -0.01 }
    }
}

/// What happened to chains of one kind: events among chances.
#[derive(Clone, Copy, Debug, Default)]
struct Seen {
    events: f64,
    chances: f64,
}

impl Seen {
    fn add(&mut self, trial: &Observation) {
        let (events, chances) = (trial.events as f64, trial.chances() as f64);
        let share = (EVENTS / events.max(1.0)).min(1.0);
        self.events += events * share;
        self.chances += chances * share;
    }

    /// ln of the probability at a rate, but for what is the same at every rate.
    fn ln_likelihood(self, rate: f64) -> f64 {
        let of_events = if self.events > 0.0 { self.events * rate.ln() } else { 0.0 };
        of_events - self.chances * rate
    }
}

/// One explanation.
#[derive(Clone, Debug, PartialEq)]
pub struct Hypothesis {
    pub what: What,
    pub probability: f64,
    /// How probably the frames of the next trial pass, at the scene it is for.
    passes: Passes,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    NothingBad,
    Bad(Set),
    /// The chain as a whole.
    Together(Set),
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Passes {
    Always,
    /// With the first piece alone, with the second alone, with both.
    Through([usize; 2], [f64; 3]),
    Whole(f64),
}

impl Hypothesis {
    /// How probably a chain passes if this is what is wrong.
    #[must_use]
    pub fn passes(&self, chain: Set) -> f64 {
        match (&self.passes, self.what) {
            (Passes::Through([first, second], [one, other, both]), _) => {
                match (chain.contains(*first), chain.contains(*second)) {
                    (false, false) => 1.0,
                    (true, false) => *one,
                    (false, true) => *other,
                    (true, true) => *both,
                }
            }
            (Passes::Whole(passes), What::Together(whole)) if whole.is_subset_of(chain) => *passes,
            _ => 1.0,
        }
    }
}

/// Every explanation that was weighed; the probabilities add up to one.
#[derive(Clone, Debug, PartialEq)]
pub struct Posterior {
    pub hypotheses: Vec<Hypothesis>,
}

/// The scenes of the fails, the latest last; without a fail, that of the latest trial.
#[must_use]
pub fn scenes(observations: &[Observation]) -> Vec<Scene> {
    let mut scenes: Vec<Scene> = Vec::new();
    for fail in observations.iter().filter(|one| one.failed) {
        let scene = Scene::of(fail);
        scenes.retain(|known| *known != scene);
        scenes.push(scene);
    }
    if scenes.is_empty() {
        scenes.extend(observations.last().map(Scene::of));
    }
    scenes
}

fn rates() -> impl Iterator<Item = f64> + Clone {
    (0..=STEPS * DECADES).map(|step| 10_f64.powf(-(step as f64) / STEPS as f64))
}

/// ln of a mean of exponentials.
fn ln_mean(logarithms: &[f64]) -> f64 {
    let most = logarithms.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    most + (logarithms.iter().map(|one| (one - most).exp()).sum::<f64>() / logarithms.len() as f64).ln()
}

/// The mean of `value` under weights e^`logarithms`.
fn weighted(logarithms: &[f64], value: impl Fn(usize) -> f64) -> f64 {
    let most = logarithms.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let weights = logarithms.iter().map(|one| (one - most).exp());
    let (sum, total) = weights
        .enumerate()
        .fold((0.0, 0.0), |(sum, total), (place, weight)| (sum + weight * value(place), total + weight));
    sum / total
}

/// What one scene says of one explanation: ln of its likelihood, and how the coming trial would pass.
struct Said {
    ln_likelihood: f64,
    passes: [f64; 3],
}

fn said(trials: &[&Observation], what: What, coming: u64) -> Said {
    let frames = coming as f64;
    let (mut clean, mut seen) = (Seen::default(), [Seen::default(); 3]);
    let pair = pair_of(what);
    for trial in trials {
        match what {
            What::Bad(_) => {
                let [first, second] = pair.map(|piece| trial.through.contains(piece));
                match (first, second) {
                    (true, true) => seen[2].add(trial),
                    (true, false) => seen[0].add(trial),
                    (false, true) => seen[1].add(trial),
                    (false, false) => clean.add(trial),
                }
            }
            What::Together(whole) if whole.is_subset_of(trial.through) => seen[0].add(trial),
            What::NothingBad | What::Together(_) => clean.add(trial),
        }
    }
    let base = clean.ln_likelihood(BACKGROUND);
    let alone = match what {
        What::NothingBad => return Said { ln_likelihood: base, passes: [1.0; 3] },
        What::Together(_) => true,
        What::Bad(set) => set.len() == 1,
    };
    let rates: Vec<f64> = rates().collect();
    if alone {
        // A single piece is both of its pair.
        let all =
            Seen { events: seen[0].events + seen[2].events, chances: seen[0].chances + seen[2].chances };
        let logarithms: Vec<f64> = rates.iter().map(|rate| all.ln_likelihood(rate + BACKGROUND)).collect();
        let passes = weighted(&logarithms, |place| (-rates[place] * frames).exp());
        return Said { ln_likelihood: base + ln_mean(&logarithms), passes: [passes; 3] };
    }
    let mut logarithms = Vec::with_capacity(rates.len() * rates.len());
    for one in &rates {
        for other in &rates {
            logarithms.push(
                seen[0].ln_likelihood(one + BACKGROUND)
                    + seen[1].ln_likelihood(other + BACKGROUND)
                    + seen[2].ln_likelihood(one + other),
            );
        }
    }
    let pass = |rate: f64| (-rate * frames).exp();
    let (one, other) = (|place: usize| rates[place / rates.len()], |place: usize| rates[place % rates.len()]);
    Said {
        ln_likelihood: base + ln_mean(&logarithms),
        passes: [
            weighted(&logarithms, |place| pass(one(place))),
            weighted(&logarithms, |place| pass(other(place))),
            weighted(&logarithms, |place| pass(one(place) + other(place))),
        ],
    }
}

/// The one or two pieces of an explanation; one stands for both.
fn pair_of(what: What) -> [usize; 2] {
    let What::Bad(set) = what else { return [0; 2] };
    let mut pieces = set.iter();
    let first = pieces.next().unwrap_or(0);
    [first, pieces.next().unwrap_or(first)]
}

impl Posterior {
    /// Weighs the explanations over `pieces`, the coming trial being of the last of `scenes`.
    #[must_use]
    pub fn of(observations: &[Observation], pieces: Set, scenes: &[Scene], frames: u64) -> Self {
        let fails: Vec<Set> = observations.iter().filter(|one| one.failed).map(|one| one.through).collect();
        let pairs = hitting::minimal(&fails, 2).into_iter().filter(|set| set.len() == 2);
        let mut whole: Vec<Set> = fails.iter().copied().filter(|chain| chain.len() > 1).collect();
        whole.sort_unstable();
        whole.dedup();
        let alone = pieces.iter().map(|piece| [piece].into_iter().collect::<Set>());
        let explanations = std::iter::once((What::NothingBad, 1.0))
            .chain(alone.map(|set| (What::Bad(set), BAD)))
            .chain(pairs.map(|set| (What::Bad(set), BAD * BAD)))
            .chain(whole.into_iter().map(|chain| (What::Together(chain), TOGETHER)));
        let by_scene: Vec<Vec<&Observation>> = scenes
            .iter()
            .map(|scene| observations.iter().filter(|trial| scene.holds(trial)).collect())
            .collect();
        let weighed: Vec<(What, f64, [f64; 3])> = explanations
            .map(|(what, prior)| {
                let mut logarithm = f64::ln(prior);
                let mut passes = [1.0; 3];
                if by_scene.is_empty() {
                    passes = said(&[], what, frames).passes;
                }
                for trials in &by_scene {
                    let said = said(trials, what, frames);
                    logarithm += said.ln_likelihood;
                    // The last scene is that of the coming trial.
                    passes = said.passes;
                }
                (what, logarithm, passes)
            })
            .collect();
        let most = weighed.iter().map(|one| one.1).fold(f64::NEG_INFINITY, f64::max);
        let total: f64 = weighed.iter().map(|one| (one.1 - most).exp()).sum();
        let hypotheses = weighed.into_iter().map(|(what, logarithm, passes)| Hypothesis {
            what,
            probability: (logarithm - most).exp() / total,
            passes: match what {
                What::NothingBad => Passes::Always,
                What::Bad(_) => Passes::Through(pair_of(what), passes),
                What::Together(_) => Passes::Whole(passes[0]),
            },
        });
        Self { hypotheses: hypotheses.collect() }
    }

    /// How probably a piece is bad.
    #[must_use]
    pub fn bad(&self, piece: usize) -> f64 {
        self.sum(|what| matches!(what, What::Bad(set) if set.contains(piece)))
    }

    /// How probable exactly this set is.
    #[must_use]
    pub fn exactly(&self, set: Set) -> f64 {
        self.sum(|what| what == What::Bad(set))
    }

    /// How probable it is that no piece is to blame but a chain as a whole.
    #[must_use]
    pub fn together(&self) -> f64 {
        self.sum(|what| matches!(what, What::Together(_)))
    }

    fn sum(&self, of: impl Fn(What) -> bool) -> f64 {
        // Adding to a negative zero would be told as one.
        self.hypotheses.iter().filter(|one| of(one.what)).fold(0.0, |sum, one| sum + one.probability)
    }

    /// The pieces that may be called innocent together: with the given confidence there is no bad one among them.
    #[must_use]
    pub fn cleared(&self, pieces: Set, confidence: f64) -> Set {
        let mut by_blame: Vec<(f64, usize)> = pieces.iter().map(|piece| (self.bad(piece), piece)).collect();
        by_blame.sort_by(|one, other| one.0.total_cmp(&other.0));
        let mut risk = 0.0;
        by_blame
            .into_iter()
            .take_while(|(blame, _)| {
                risk += blame;
                risk <= 1.0 - confidence
            })
            .map(|(_, piece)| piece)
            .collect()
    }

    /// The pieces of the likeliest explanations that together have the confidence.
    #[must_use]
    pub fn credible(&self, confidence: f64) -> Set {
        let blamed = |one: &Hypothesis| match one.what {
            What::Bad(set) => Some((one.probability, set)),
            What::NothingBad | What::Together(_) => None,
        };
        let mut left: Vec<(f64, Set)> = self.hypotheses.iter().filter_map(blamed).collect();
        left.sort_by(|one, other| other.0.total_cmp(&one.0));
        let of_all: f64 = left.iter().map(|(probability, _)| probability).sum();
        let (mut sum, mut pieces) = (0.0, Set::default());
        for (probability, set) in left {
            if sum >= confidence * of_all {
                break;
            }
            sum += probability;
            pieces = pieces.union(set);
        }
        pieces
    }

    /// As it will be if the coming trial through `chain` passes, or fails.
    #[must_use]
    pub fn after(&self, chain: Set, passed: bool) -> Self {
        let mut hypotheses = self.hypotheses.clone();
        for one in &mut hypotheses {
            let passes = one.passes(chain);
            one.probability *= if passed { passes } else { 1.0 - passes };
        }
        let total: f64 = hypotheses.iter().map(|one| one.probability).sum();
        if total > 0.0 {
            hypotheses.iter_mut().for_each(|one| one.probability /= total);
        }
        Self { hypotheses }
    }

    /// What a chain's verdict is expected to tell of the explanations, in bits: the mutual information.
    #[must_use]
    pub fn gain(&self, chain: Set) -> f64 {
        let (mut passes, mut known) = (0.0, 0.0);
        for hypothesis in &self.hypotheses {
            let pass = hypothesis.passes(chain);
            passes += hypothesis.probability * pass;
            known += hypothesis.probability * entropy(pass);
        }
        (entropy(passes) - known).max(0.0)
    }

    /// How probably a chain fails.
    #[must_use]
    pub fn fails(&self, chain: Set) -> f64 {
        self.hypotheses.iter().map(|one| one.probability * (1.0 - one.passes(chain))).sum::<f64>().max(0.0)
    }

    /// What is not known yet, in bits.
    #[must_use]
    pub fn open(&self) -> f64 {
        let bits = |one: &Hypothesis| match one.probability {
            zero if zero <= 0.0 => 0.0,
            probability => -probability * probability.log2(),
        };
        self.hypotheses.iter().map(bits).sum::<f64>().max(0.0)
    }
}

/// Of a yes and no, in bits.
fn entropy(probability: f64) -> f64 {
    let term = |one: f64| if one <= 0.0 { 0.0 } else { -one * one.log2() };
    term(probability) + term(1.0 - probability)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trial(through: &[usize], frames: u64, events: u64) -> Observation {
        Observation {
            through: through.iter().copied().collect(),
            load_percent: 100.0,
            failed: events > 0,
            frames,
            lost: events,
            events,
            ..Observation::default()
        }
    }

    fn posterior(observations: &[Observation], pieces: usize) -> Posterior {
        Posterior::of(observations, Set::first(pieces), &scenes(observations), 1_000_000)
    }

    fn close(one: f64, other: f64) {
        assert!((one - other).abs() < 1e-9, "{one} and {other}");
    }

    #[test]
    fn one_fail_makes_all_its_pieces_equally_suspect() {
        let found = posterior(&[trial(&[0, 1, 2], 1_000_000, 100)], 4);
        close(found.bad(0), found.bad(2));
        close(found.hypotheses.iter().map(|one| one.probability).sum(), 1.0);
        assert!(found.bad(0) > 0.3 && found.bad(3) < 0.001, "{found:?}");
    }

    /// By hand: one fail of two pieces and nothing else is two equal halves, but for the whole chain: 2 × 0.02 against 0.0004,
    /// all three with the same likelihood. Of the halves one bit is open, and to try one of them gives it.
    #[test]
    fn by_hand() {
        let found = posterior(&[trial(&[0, 1], 1_000_000, 100)], 2);
        let total = 2.0 * BAD + TOGETHER;
        close(found.together(), TOGETHER / total);
        close(found.bad(0), BAD / total);
        let gain = found.gain([0].into_iter().collect());
        assert!(gain > 0.97 && gain <= found.open() && found.open() < 1.1, "{gain} of {}", found.open());
        assert!(found.gain(Set::first(2)) < 1e-6);
        assert!(found.gain(Set::default()) < 1e-12);
    }

    /// The ratio of two blames by hand: r = 1 is a certain loss, and so on down the rates; with one event in n chances and a
    /// pass of m frames, the likelihoods are means over the rates of r e^(-n r) and r e^(-(n + m) r).
    #[test]
    fn a_pass_weighs_by_its_frames() {
        let (n, m) = (1_000_000.0, 3_000_000.0);
        let found = posterior(&[trial(&[0, 1], n as u64, 1), trial(&[0], m as u64, 0)], 2);
        let mean = |chances: f64| {
            let of = |step: usize| {
                let rate = 10_f64.powf(-(step as f64) / 4.0);
                rate * (-chances * rate).exp()
            };
            (0..=40).map(of).sum::<f64>() / 41.0
        };
        let ratio = found.bad(0) / found.bad(1);
        assert!((ratio / (mean(n + m) / mean(n)) - 1.0).abs() < 1e-5, "{ratio}");
        // About one in four, as (n / (n + m)): a short pass does not clear.
        assert!((0.2..0.3).contains(&ratio), "{ratio}");
    }

    #[test]
    fn two_that_fail_only_together_are_told_as_such() {
        let seen = [trial(&[0, 1], 1_000_000, 500), trial(&[0], 1_000_000, 0), trial(&[1], 1_000_000, 0)];
        assert!(posterior(&seen, 2).together() > 0.99);
    }

    #[test]
    fn two_bad_ones_are_found_where_one_does_not_do() {
        let seen = [
            trial(&[0, 1], 1_000_000, 500),
            trial(&[2, 3], 1_000_000, 70),
            trial(&[0, 2], 1_000_000, 0),
            trial(&[4], 1_000_000, 0),
        ];
        let found = posterior(&seen, 5);
        assert!(found.exactly([1, 3].into_iter().collect()) > 0.9, "{found:?}");
        let cleared = found.cleared(Set::first(5), 0.95);
        assert_eq!(cleared, [0, 2, 4].into_iter().collect());
    }

    /// A piece that has failed as often as it passed is not cleared by all its passes together.
    #[test]
    fn passes_between_fails_do_not_add_up() {
        let mut seen = Vec::new();
        for _ in 0..200 {
            seen.push(trial(&[0, 1], 1_000_000, 1));
            seen.push(trial(&[0, 1], 1_000_000, 0));
        }
        let found = posterior(&seen, 2);
        assert!(!found.cleared(Set::first(2), 0.95).contains(0) && found.bad(0) > 0.4, "{found:?}");
    }

    #[test]
    fn a_lighter_load_and_another_size_say_nothing() {
        let fail = trial(&[0, 1], 1_000_000, 500);
        let light = Observation { load_percent: 50.0, ..trial(&[0], 1_000_000, 0) };
        let mut small = trial(&[0], 1_000_000, 0);
        small.regime.frame_size = 64;
        let found = posterior(&[fail, light, small], 2);
        close(found.bad(0), found.bad(1));
    }
}
