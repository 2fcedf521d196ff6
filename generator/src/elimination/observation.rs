//! What a trial says of the pieces it went through, and what follows from all of them.
//!
//! A pass clears a piece of a fail only if it was of the same regime (speed, duplex, frame size) at the same load or more,
//! and long enough: if the piece lost frames as often as the fail shows at least, so many frames would hardly have passed.
//! "At least" and "hardly" share the error: with confidence C each is held at 1 - (1 - C) / 2, so that a bad piece is
//! cleared of its own fail no more often than 1 - C. Losses that follow each other are one event: a loose contact that lost
//! five thousand frames in one go shows itself once.
//!
//! And whoever is cleared must be so in the light of everything: all cleared pieces together hold a bad one with a
//! probability of 1 - C at most ([`Posterior::cleared`]). Else the passes between the fails of a piece that comes and goes
//! would clear it in the end.

use super::hitting;
use super::posterior::{self, Posterior};
use super::set::Set;
use crate::verdict::confidence::loss_floor;

/// What must be the same for a pass to say anything of a fail.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Regime {
    /// Of both ports, bit/s.
    pub speeds: [Option<u64>; 2],
    pub duplex: [Option<String>; 2],
    /// Bytes including FCS.
    pub frame_size: u16,
    pub mix: Option<String>,
    /// What the frames look like: `ipv4`, with tags.
    pub encapsulation: Option<String>,
    /// Whether speed and duplex were negotiated, at both ends.
    pub negotiated: [Option<bool>; 2],
    /// Whether Energy Efficient Ethernet was in use, at both ends.
    pub eee: [Option<bool>; 2],
}

/// One judged trial.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Observation {
    pub through: Set,
    pub regime: Regime,
    pub load_percent: f64,
    pub failed: bool,
    pub frames: u64,
    /// Lost or corrupted.
    pub lost: u64,
    /// Loss periods: losses in a row count as one.
    pub events: u64,
    /// When its run began, seconds since 1970.
    pub at: i64,
}

impl Observation {
    /// Chances to fail: each frame, but for those within a loss period, which had no choice.
    pub(super) fn chances(&self) -> u64 {
        self.frames.saturating_sub(self.lost.saturating_sub(self.events)).max(self.events)
    }

    /// At least so often the chain loses, per frame, at a confidence.
    fn floor(&self, confidence: f64) -> f64 {
        loss_floor(self.chances(), self.events, confidence).unwrap_or(0.0)
    }

    fn says_something_of(&self, fail: &Self) -> bool {
        !self.failed
            && self.lost == 0
            && self.regime == fail.regime
            && self.load_percent >= fail.load_percent - 0.01
    }
}

/// A fail, and what is left of its chain.
#[derive(Clone, Debug, PartialEq)]
pub struct Conflict {
    pub through: Set,
    /// Its pieces that no pass has cleared of it.
    pub suspects: Set,
    /// Of those, the ones that have passed too, but with too few frames, or that failed as often.
    pub passed_too_few: Set,
    /// So many frames in all must pass to clear a piece of it.
    pub frames_to_clear: u64,
}

/// The fails, each with the pieces that may be to blame for it, and how probable every explanation is.
#[must_use]
pub fn weigh(observations: &[Observation], confidence: f64) -> (Vec<Conflict>, Posterior) {
    let half = 1.0 - (1.0 - confidence) / 2.0;
    let pieces = observations.iter().fold(Set::default(), |all, one| all.union(one.through));
    let posterior = Posterior::of(observations, pieces, &posterior::scenes(observations), 1);
    let innocent = posterior.cleared(pieces, confidence);
    let fails = observations.iter().filter(|one| one.failed);
    let conflict = |fail: &Observation| {
        let needed = frames_to_clear(fail.floor(half), half);
        let passed = |piece: usize| -> u64 {
            let passes = observations.iter().filter(|one| one.through.contains(piece));
            let passes = passes.filter(|pass| pass.says_something_of(fail));
            passes.map(|pass| pass.frames).fold(0, u64::saturating_add)
        };
        let (mut suspects, mut passed_too_few) = (Set::default(), Set::default());
        for piece in fail.through.iter() {
            let passed = passed(piece);
            if passed < needed || !innocent.contains(piece) {
                suspects = suspects.with(piece);
                if passed > 0 {
                    passed_too_few = passed_too_few.with(piece);
                }
            }
        }
        Conflict { through: fail.through, suspects, passed_too_few, frames_to_clear: needed }
    };
    (fails.map(conflict).collect(), posterior)
}

/// How many frames the next trial should have, so that a pass clears what it goes through of the last fail: at least as
/// many as that had, and no more than a hundred times as many. Without a fail as many as the last trial.
#[must_use]
pub fn frames_wanted(observations: &[Observation], confidence: f64) -> Option<u64> {
    let half = 1.0 - (1.0 - confidence) / 2.0;
    match observations.iter().rev().find(|one| one.failed) {
        Some(fail) => {
            let needed = frames_to_clear(fail.floor(half), half);
            Some(needed.clamp(fail.frames, fail.frames.saturating_mul(100)))
        }
        None => observations.last().map(|trial| trial.frames),
    }
}

/// Frames that must pass so that a loss as frequent as `floor` would have shown.
fn frames_to_clear(floor: f64, confidence: f64) -> u64 {
    if floor <= 0.0 {
        return u64::MAX;
    }
    if floor >= 1.0 {
        return 1;
    }
    ((-confidence).ln_1p() / (-floor).ln_1p()).ceil() as u64
}

/// The minimal sets of pieces that explain all fails given all passes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Explained {
    /// There is no fail.
    NothingFailed,
    /// The smallest sets first.
    By(Vec<Set>),
    /// Every piece of some fail has been cleared of it: together they fail, or the fault comes and goes.
    ByNoPiece { through: Set },
    /// More pieces would have to be bad than are ever blamed together.
    ByTooMany,
}

/// What explains these conflicts.
#[must_use]
pub fn explain(conflicts: &[Conflict]) -> Explained {
    if conflicts.is_empty() {
        return Explained::NothingFailed;
    }
    if let Some(empty) = conflicts.iter().find(|conflict| conflict.suspects.is_empty()) {
        return Explained::ByNoPiece { through: empty.through };
    }
    let sets: Vec<Set> = conflicts.iter().map(|conflict| conflict.suspects).collect();
    match hitting::minimal(&sets, hitting::MOST_TOGETHER) {
        found if found.is_empty() => Explained::ByTooMany,
        found => Explained::By(found),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::Rng as _;
    use proptest::test_runner::{RngAlgorithm, TestRng};
    use statrs::distribution::{Binomial, DiscreteCDF};

    use super::super::simulation::{uniform, until_a_loss};
    use super::*;

    fn trial(through: &[usize], frames: u64, lost: u64, events: u64) -> Observation {
        Observation {
            through: through.iter().copied().collect(),
            load_percent: 100.0,
            failed: lost > 0,
            frames,
            lost,
            events,
            ..Observation::default()
        }
    }

    fn conflicts(observations: &[Observation]) -> Vec<Conflict> {
        weigh(observations, 0.95).0
    }

    fn explained(observations: &[Observation]) -> Explained {
        explain(&conflicts(observations))
    }

    fn set(pieces: &[usize]) -> Set {
        pieces.iter().copied().collect()
    }

    #[test]
    fn a_pass_clears_what_it_went_through() {
        assert_eq!(explained(&[trial(&[0, 1, 2], 1_000_000, 0, 0)]), Explained::NothingFailed);
        let fail = trial(&[0, 1, 2], 1_000_000, 1_000, 1_000);
        assert_eq!(
            explained(std::slice::from_ref(&fail)),
            Explained::By(vec![set(&[0]), set(&[1]), set(&[2])])
        );
        let pass = trial(&[0, 2], 1_000_000, 0, 0);
        assert_eq!(explained(&[fail.clone(), pass.clone()]), Explained::By(vec![set(&[1])]));
        // In whatever order.
        assert_eq!(explained(&[pass, fail]), Explained::By(vec![set(&[1])]));
    }

    /// One event in a million frames: as many that pass say little, ten million say it.
    #[test]
    fn a_fault_that_comes_and_goes_is_not_cleared_by_one_short_pass() {
        let fail = trial(&[0, 1], 1_000_000, 5_000, 1);
        let short = trial(&[0], 1_000_000, 0, 0);
        let found = conflicts(&[fail.clone(), short.clone()]);
        assert_eq!((found[0].suspects, found[0].passed_too_few), (set(&[0, 1]), set(&[0])));
        let needed = found[0].frames_to_clear;
        assert_eq!(explained(&[fail.clone(), trial(&[0], needed, 0, 0)]), Explained::By(vec![set(&[1])]));
        let two = Explained::By(vec![set(&[0]), set(&[1])]);
        assert_eq!(explained(&[fail, trial(&[0], needed - 1, 0, 0)]), two);
    }

    /// A dead link is one event with one chance: any pass clears.
    #[test]
    fn a_dead_link_clears_at_once_what_carries_a_few_frames() {
        let dead = trial(&[0, 1], 1_000_000, 1_000_000, 1);
        assert_eq!(explained(&[dead, trial(&[0], 1_000, 0, 0)]), Explained::By(vec![set(&[1])]));
    }

    #[test]
    fn another_regime_clears_nothing() {
        let fail = trial(&[0, 1], 1_000_000, 1_000, 1_000);
        let both = Explained::By(vec![set(&[0]), set(&[1])]);
        for pass in [
            Observation { load_percent: 50.0, ..trial(&[0], 1_000_000, 0, 0) },
            Observation {
                regime: Regime { frame_size: 64, ..Regime::default() },
                ..trial(&[0], 1_000_000, 0, 0)
            },
            Observation {
                regime: Regime { speeds: [Some(100_000_000); 2], ..Regime::default() },
                ..trial(&[0], 1_000_000, 0, 0)
            },
        ] {
            assert_eq!(explained(&[fail.clone(), pass]), both);
        }
    }

    #[test]
    fn each_alone_passes_and_together_they_fail() {
        let fail = trial(&[0, 1], 1_000_000, 1_000, 1_000);
        let alone = [trial(&[0], 1_000_000, 0, 0), trial(&[1], 1_000_000, 0, 0)];
        let all = [&[fail][..], &alone].concat();
        assert_eq!(explained(&all), Explained::ByNoPiece { through: set(&[0, 1]) });
    }

    fn losses(random: &mut TestRng, ratio: f64, frames: u64) -> u64 {
        let (mut at, mut count) = (until_a_loss(random, ratio), 0);
        while at < frames {
            count += 1;
            at += 1 + until_a_loss(random, ratio);
        }
        count
    }

    /// 10,000 bags whose one bad piece loses at random, fails once and then passes by luck or not at all: it is cleared no
    /// more often than the confidence allows. An exact binomial test, at one in a million.
    #[test]
    fn a_bad_piece_is_cleared_no_more_often_than_the_confidence_allows() {
        let mut random = TestRng::deterministic_rng(RngAlgorithm::ChaCha);
        let (mut bags, mut cleared) = (0_u64, 0_u64);
        while bags < 10_000 {
            let pieces = 4 + (random.next_u64() % 29) as usize;
            let bad = (random.next_u64() % pieces as u64) as usize;
            let ratio = 10_f64.powf(-2.0 - 4.0 * uniform(&mut random));
            let frames = 1_000_000;
            let lost = losses(&mut random, ratio, frames);
            if lost == 0 {
                continue;
            }
            bags += 1;
            let fail = Observation { through: Set::first(pieces), ..trial(&[], frames, lost, lost) };
            // The shortest run that could clear: what an adversary of the bound would choose.
            let needed = conflicts(std::slice::from_ref(&fail))[0].frames_to_clear;
            if losses(&mut random, ratio, needed) == 0 {
                let pass = Observation { through: Set::first(pieces), ..trial(&[], needed, 0, 0) };
                cleared += u64::from(!conflicts(&[fail, pass])[0].suspects.contains(bad));
            }
        }
        let by_chance = 1.0 - Binomial::new(0.05, bags).unwrap().cdf(cleared.saturating_sub(1));
        assert!(by_chance > 1e-6, "{cleared} of {bags} bad pieces were cleared");
        // The test can fail: some are.
        assert!(cleared > 0);
    }

    proptest::proptest! {
        /// Whatever was seen, every fail is explained, and what never passed stays suspect.
        #[test]
        fn every_fail_is_explained_by_its_own_suspects(
            seen in proptest::collection::vec((1_u8..64, proptest::bool::ANY), 0..8)
        ) {
            let observations = history(seen.into_iter());
            let found = conflicts(&observations);
            if let Explained::By(sets) = explain(&found) {
                for set in sets {
                    for conflict in &found {
                        proptest::prop_assert!(!set.intersection(conflict.suspects).is_empty());
                    }
                }
            }
            for conflict in &found {
                let never_passed = conflict.through.less(passed(&observations));
                proptest::prop_assert!(never_passed.is_subset_of(conflict.suspects));
                proptest::prop_assert!(conflict.suspects.is_subset_of(conflict.through));
            }
        }

        /// Where one piece is bad each time and nothing else is, what passed is cleared, and nothing else.
        #[test]
        fn of_one_bad_piece_the_passes_clear_all_the_others(
            bad in 0_usize..6, seen in proptest::collection::vec(1_u8..64, 0..8)
        ) {
            let observations = history(seen.into_iter().map(|bits| (bits, bits >> bad & 1 == 1)));
            for conflict in conflicts(&observations) {
                let never_passed = conflict.through.less(passed(&observations));
                proptest::prop_assert_eq!(conflict.suspects, never_passed);
                proptest::prop_assert!(conflict.suspects.contains(bad));
            }
        }
    }

    /// Chains by their bits, and whether they failed.
    fn history(seen: impl Iterator<Item = (u8, bool)>) -> Vec<Observation> {
        let observation = |(bits, failed): (u8, bool)| {
            let lost = if failed { 500 } else { 0 };
            let through: Vec<usize> = (0..6).filter(|piece| bits >> piece & 1 == 1).collect();
            trial(&through, 100_000, lost, lost)
        };
        seen.map(observation).collect()
    }

    fn passed(observations: &[Observation]) -> Set {
        let passes = observations.iter().filter(|one| !one.failed);
        passes.fold(Set::default(), |all, one| all.union(one.through))
    }
}
