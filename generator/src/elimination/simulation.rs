//! Bags whose truth is known, proved chain by chain as the advice says: how many builds it takes, and how often a bad piece
//! is called innocent. Pure arithmetic, no port.

use std::collections::{HashMap, HashSet};

use proptest::prelude::Rng as _;
use proptest::test_runner::{RngAlgorithm, TestRng};
use statrs::distribution::{Binomial, DiscreteCDF};

use super::buildable::Buildable;
use super::buildable::tests::{COPPER, bag};
use super::next::{Advice, Builder, advice};
use super::observation::{Conflict, Observation, weigh};
use super::posterior::{Posterior, scenes};
use super::set::Set;

const CONFIDENCE: f64 = 0.95;
const FRAMES: u64 = 1_000_000;

pub(super) fn uniform(random: &mut TestRng) -> f64 {
    (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
}

/// Frames until the next loss, by the geometric distribution.
pub(super) fn until_a_loss(random: &mut TestRng, ratio: f64) -> u64 {
    ((1.0 - uniform(random)).ln() / (-ratio).ln_1p()).floor() as u64
}

/// Losses among frames: binomial, by the gaps between them (geometric).
fn losses(random: &mut TestRng, ratio: f64, frames: u64) -> u64 {
    let mut gap = || until_a_loss(random, ratio);
    let (mut at, mut count) = (gap(), 0);
    // So many say all there is to say.
    while at < frames && count < 50 {
        count += 1;
        at = at.saturating_add(1).saturating_add(gap());
    }
    count
}

/// The bad pieces of a bag, each with its loss ratio.
struct Truth(Vec<(usize, f64)>);

/// A trial, and the pieces that lost frames in it.
struct Trial {
    seen: Observation,
    guilty: Set,
}

impl Truth {
    fn bad(&self) -> Set {
        self.0.iter().map(|(piece, _)| *piece).collect()
    }

    fn prove(&self, random: &mut TestRng, chain: Set, frames: u64) -> Trial {
        let (mut lost, mut guilty) = (0, Set::default());
        for (piece, ratio) in self.0.iter().filter(|(piece, _)| chain.contains(*piece)) {
            let own = losses(random, *ratio, frames);
            lost += own;
            if own > 0 {
                guilty = guilty.with(*piece);
            }
        }
        let seen = Observation {
            through: chain,
            load_percent: 100.0,
            failed: lost > 0,
            frames,
            lost,
            events: lost,
            ..Observation::default()
        };
        Trial { seen, guilty }
    }
}

/// How a search ended.
struct Ended {
    builds: usize,
    trials: Vec<Trial>,
    advice: Advice,
}

/// From a first fail on, builds what is advised until there is nothing more to build.
fn search(
    random: &mut TestRng,
    truth: &Truth,
    first: Trial,
    pieces: Set,
    builder: Builder<'_>,
    most: usize,
) -> Ended {
    let mut trials = vec![first];
    loop {
        let seen: Vec<Observation> = trials.iter().map(|trial| trial.seen.clone()).collect();
        let posterior = Posterior::of(&seen, pieces, &scenes(&seen), FRAMES);
        let advice = advice(&posterior, builder, CONFIDENCE);
        match &advice {
            Advice::Build(proposal) if trials.len() <= most => {
                trials.push(truth.prove(random, proposal.chain, FRAMES));
            }
            _ => return Ended { builds: trials.len() - 1, trials, advice },
        }
    }
}

/// "With one bad piece among N that can be chained freely it needs about log2 N builds": the information bound (one of N
/// equally probable ones, a yes or no each time), times 1.3 at most, for every bag of 4 to 32 and every place of the bad one.
#[test]
fn one_bad_piece_in_about_log2_n_builds() {
    let mut random = TestRng::deterministic_rng(RngAlgorithm::ChaCha);
    let (mut spent, mut bound) = (0.0, 0.0);
    for pieces in 4..=32_usize {
        let all = Set::first(pieces);
        let mut builds = 0;
        for bad in 0..pieces {
            let truth = Truth(vec![(bad, 0.01)]);
            let first = truth.prove(&mut random, all, FRAMES);
            let ended = search(&mut random, &truth, first, all, Builder::Freely(all), 20);
            let Advice::Found { bad: found, probability } = ended.advice else {
                panic!("{bad} of {pieces}: {:?} after {} builds", ended.advice, ended.builds)
            };
            assert!(found == truth.bad() && probability >= CONFIDENCE, "{bad} of {pieces}: {found:?}");
            builds += ended.builds;
        }
        let mean = builds as f64 / pieces as f64;
        let ideal = (pieces as f64).log2();
        assert!(mean <= 1.3 * ideal, "{pieces} pieces: {mean} builds on average, the bound is {ideal}");
        spent += mean;
        bound += ideal;
    }
    eprintln!("builds against the information bound, bags of 4 to 32: {:.3}", spent / bound);
}

/// The fewest builds on average that any strategy needs for one bad piece among `among`, each as probable as the others,
/// until no chain divides what is left: every strategy is tried.
fn fewest(among: Set, chains: &HashSet<Set>, known: &mut HashMap<Set, f64>) -> f64 {
    if let Some(known) = known.get(&among) {
        return *known;
    }
    let size = among.len() as f64;
    let mut halves: Vec<Set> = chains.iter().map(|chain| chain.intersection(among)).collect();
    halves.sort_unstable();
    halves.dedup();
    let mut best = f64::INFINITY;
    for inside in halves.into_iter().filter(|half| !half.is_empty() && *half != among) {
        let outside = among.less(inside);
        let cost = 1.0
            + inside.len() as f64 / size * fewest(inside, chains, known)
            + outside.len() as f64 / size * fewest(outside, chains, known);
        best = best.min(cost);
    }
    // Nothing divides it.
    let best = if best.is_finite() { best } else { 0.0 };
    known.insert(among, best);
    best
}

/// Small bags with real ends: within 1.3 of the best that an exhaustive search finds; and the bad one is among those told.
#[test]
fn real_ends_within_the_best_of_all_strategies() {
    let bags: [&[&str]; 5] = [
        &["patch", "patch", "patch", "tap", "tap"],
        &["patch", "patch", "patch", "patch", "tap", "tap", "tap"],
        &["patch", "patch", "converter", "converter", "transceiver", "transceiver", "fibre"],
        &["patch", "patch", "patch", "tap", "converter", "converter", "transceiver", "transceiver", "fibre"],
        &[
            "patch",
            "patch",
            "converter",
            "converter",
            "converter",
            "transceiver",
            "transceiver",
            "transceiver",
            "fibre",
            "fibre",
        ],
    ];
    let mut random = TestRng::deterministic_rng(RngAlgorithm::ChaCha);
    for kinds in bags {
        let buildable = Buildable::of(&bag(kinds), COPPER);
        let chains = buildable.sets();
        let longest = buildable.shapes.last().unwrap();
        // A first fail of the largest chain there is.
        let first: Set = buildable
            .classes
            .iter()
            .zip(&longest.counts)
            .flat_map(|(class, count)| class.members[..*count].to_vec())
            .collect();
        assert!(chains.contains(&first));
        let best = fewest(first, &chains, &mut HashMap::new());
        let mut builds = 0;
        for bad in first.iter() {
            let truth = Truth(vec![(bad, 0.01)]);
            let failed = truth.prove(&mut random, first, FRAMES);
            let ended = search(
                &mut random,
                &truth,
                failed,
                Set::first(kinds.len()),
                Builder::Fitting(&buildable),
                30,
            );
            match ended.advice {
                Advice::Found { bad: found, .. } => assert_eq!(found, truth.bad(), "{kinds:?}"),
                Advice::CannotTell { among } => {
                    assert!(among.contains(bad), "{kinds:?}, {bad}: {among:?}");
                    // It is the bag that cannot tell, not the search that did not try.
                    for other in among.iter().filter(|other| *other != bad) {
                        assert!(
                            !chains.iter().any(|chain| chain.contains(bad) != chain.contains(other)),
                            "{kinds:?}: {bad} and {other} can be told apart"
                        );
                    }
                }
                other => panic!("{kinds:?}, {bad}: {other:?}"),
            }
            builds += ended.builds;
        }
        let mean = builds as f64 / first.len() as f64;
        eprintln!("{} pieces: {mean:.2} builds, the best of all strategies {best:.2}", kinds.len());
        assert!(mean <= 1.3 * best, "{kinds:?}: {mean} builds on average, the best possible is {best}");
    }
}

/// 10,000 bags of 4 to 32 with one or two bad pieces, from every hundredth frame to one in a million: how often a piece is
/// cleared of a fail it made, and how often a set is found that is not bad, against what the confidence allows (exact
/// binomial tests, at one in a million).
#[test]
fn no_more_bad_pieces_are_cleared_than_the_confidence_allows() {
    let bags = 10_000;
    let mut random = TestRng::deterministic_rng(RngAlgorithm::ChaCha);
    let (mut cleared, mut wrong, mut found) = (0, 0, 0);
    let mut done = 0;
    while done < bags {
        let pieces = 4 + (random.next_u64() % 29) as usize;
        let all = Set::first(pieces);
        let mut bad =
            || ((random.next_u64() % pieces as u64) as usize, 10_f64.powf(-2.0 - 4.0 * uniform(&mut random)));
        let mut truth = Truth(vec![bad()]);
        let second = bad();
        if done % 2 == 1 && second.0 != truth.0[0].0 {
            truth.0.push(second);
        }
        let first = truth.prove(&mut random, all, FRAMES);
        if !first.seen.failed {
            continue;
        }
        done += 1;
        let ended = search(&mut random, &truth, first, all, Builder::Freely(all), 12);
        let seen: Vec<Observation> = ended.trials.iter().map(|trial| trial.seen.clone()).collect();
        let (conflicts, _) = weigh(&seen, CONFIDENCE);
        let fails = ended.trials.iter().filter(|trial| trial.seen.failed);
        let innocent = |(trial, conflict): (&Trial, &Conflict)| !trial.guilty.is_subset_of(conflict.suspects);
        cleared += u64::from(fails.zip(&conflicts).any(innocent));
        if let Advice::Found { bad, .. } = ended.advice {
            found += 1;
            wrong += u64::from(!bad.is_subset_of(truth.bad()));
        }
    }
    eprintln!("{bags} bags: a guilty piece cleared in {cleared}; found {found}, wrongly {wrong}");
    let by_chance = |count: u64, of: u64| {
        1.0 - if count == 0 { 0.0 } else { Binomial::new(1.0 - CONFIDENCE, of).unwrap().cdf(count - 1) }
    };
    assert!(by_chance(cleared, bags) > 1e-6, "{cleared} of {bags}");
    assert!(by_chance(wrong, found) > 1e-6, "{wrong} of {found}");
    // The test means something: most are found.
    assert!(found > bags / 2, "{found} found");
}

/// R. Dorfman, The Detection of Defective Members of Large Populations, Annals of Mathematical Statistics 14 (1943), pp. 436-440
/// (from memory): pools of n, and every member of a pool that fails by itself, cost 1/n + 1 - (1 - p)^n tests a member; the best
/// n for p = 0.02 is 8, at 27 % of one test each. Nothing is known of the bag, each piece is bad with p, and all of it is to be told
/// good or found: what the advice takes must be less than that, on average over 2,000 bags of 32.
#[test]
fn a_bag_nobody_knows_costs_less_than_pools() {
    let p: f64 = 0.02;
    let pools = |n: i32| 1.0 / f64::from(n) + 1.0 - (1.0 - p).powi(n);
    let best = (2..=32).map(pools).fold(f64::INFINITY, f64::min);
    assert!((best - pools(8)).abs() < 1e-12 && (best - 0.27).abs() < 0.005, "{best}");
    let mut random = TestRng::deterministic_rng(RngAlgorithm::ChaCha);
    let (bags, pieces) = (2_000, 32_usize);
    let (mut builds, mut wrong) = (0_usize, 0_usize);
    for _ in 0..bags {
        let truth =
            Truth((0..pieces).filter(|_| uniform(&mut random) < p).map(|piece| (piece, 0.01)).collect());
        let mut left = Set::first(pieces);
        let mut trials: Vec<Observation> = Vec::new();
        loop {
            let posterior = Posterior::of(&trials, left, &scenes(&trials), FRAMES);
            match advice(&posterior, Builder::Freely(left), CONFIDENCE) {
                Advice::Build(proposal) => {
                    trials.push(truth.prove(&mut random, proposal.chain, FRAMES).seen);
                    builds += 1;
                }
                Advice::Found { bad, .. } => {
                    // Taken out of the bag, as `kit retire` does: its fails accuse nobody else.
                    trials.retain(|trial| !trial.failed || trial.through.intersection(bad).is_empty());
                    left = left.less(bad);
                }
                _ => break,
            }
        }
        wrong += usize::from(truth.bad() != Set::first(pieces).less(left));
    }
    let each = builds as f64 / f64::from(bags) / pieces as f64;
    eprintln!("{each:.3} builds a piece, the best pools {best:.3}; {wrong} of {bags} bags not told right");
    assert!(each < best, "{each} builds a piece, the best pools {best}");
    assert!(wrong <= bags as usize / 20, "{wrong} of {bags}");
}
