//! What is proven of a piece, and what makes a proof stale.
//!
//! A pass proves every piece of its chain: at that speed, duplex and negotiation, with frames that look so and are so
//! large, at that load, in that condition; from that day, with the loss bound its frames support.

use super::observation::{Conflict, Observation, Regime};
use crate::verdict::confidence::loss_bound;

/// All passes of one piece under one set of conditions.
#[derive(Clone, Debug, PartialEq)]
pub struct Proof {
    /// The piece in its condition, by its number.
    pub element: usize,
    pub regime: Regime,
    pub load_percent: f64,
    pub passes: u64,
    pub frames: u64,
    /// Lost within the limits of the runs.
    pub lost: u64,
    /// Of the last pass, seconds since 1970.
    pub last: i64,
    pub stale: Vec<Stale>,
}

/// Why a proof no longer holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stale {
    /// The last pass is older than this many days.
    Age { days: i64 },
    /// It was in a chain that failed since, and nothing has cleared it of that.
    FailedSince,
    /// One of its fibre ends was used since, and was not seen clean afterwards.
    FibreTouched,
}

impl Proof {
    /// Upper limit of the loss ratio it supports.
    #[must_use]
    pub fn bound(&self, confidence: f64) -> Option<f64> {
        loss_bound(self.frames, self.lost, confidence)
    }
}

/// What makes a proof stale beside what was observed.
pub struct Freshness<'a> {
    /// Seconds since 1970.
    pub now: i64,
    /// A proof older than this is stale.
    pub days: i64,
    /// Whether a fibre end of the element was used after that time, and not seen clean afterwards.
    pub touched: &'a dyn Fn(usize, i64) -> bool,
}

const DAY: i64 = 86_400;

/// Every proof there is, by element; `conflicts` are those of the fails among the observations, in their order.
#[must_use]
pub fn proofs(observations: &[Observation], conflicts: &[Conflict], freshness: &Freshness<'_>) -> Vec<Proof> {
    let mut proofs: Vec<Proof> = Vec::new();
    for pass in observations.iter().filter(|one| !one.failed) {
        for element in pass.through.iter() {
            let same = proofs.iter_mut().find(|proof| {
                proof.element == element
                    && proof.regime == pass.regime
                    && (proof.load_percent - pass.load_percent).abs() < 0.01
            });
            match same {
                Some(proof) => {
                    proof.passes += 1;
                    proof.frames = proof.frames.saturating_add(pass.frames);
                    proof.lost = proof.lost.saturating_add(pass.lost);
                    proof.last = proof.last.max(pass.at);
                }
                None => proofs.push(Proof {
                    element,
                    regime: pass.regime.clone(),
                    load_percent: pass.load_percent,
                    passes: 1,
                    frames: pass.frames,
                    lost: pass.lost,
                    last: pass.at,
                    stale: Vec::new(),
                }),
            }
        }
    }
    let fails: Vec<(&Observation, &Conflict)> =
        observations.iter().filter(|one| one.failed).zip(conflicts).collect();
    for proof in &mut proofs {
        let days = (freshness.now - proof.last) / DAY;
        if days > freshness.days {
            proof.stale.push(Stale::Age { days });
        }
        // A fail at the load of the proof or below it contradicts it.
        let contradicts = |(fail, conflict): &(&Observation, &Conflict)| {
            fail.at > proof.last
                && conflict.suspects.contains(proof.element)
                && fail.regime == proof.regime
                && fail.load_percent <= proof.load_percent + 0.01
        };
        if fails.iter().any(contradicts) {
            proof.stale.push(Stale::FailedSince);
        }
        if (freshness.touched)(proof.element, proof.last) {
            proof.stale.push(Stale::FibreTouched);
        }
    }
    proofs.sort_by_key(|proof| (proof.element, proof.regime.frame_size));
    proofs
}

#[cfg(test)]
mod tests {
    use super::super::observation::weigh;
    use super::*;

    fn trial(through: &[usize], at: i64, lost: u64) -> Observation {
        Observation {
            through: through.iter().copied().collect(),
            load_percent: 100.0,
            failed: lost > 0,
            frames: 1_000_000,
            lost,
            events: lost,
            at,
            ..Observation::default()
        }
    }

    fn found(observations: &[Observation], now: i64, touched: &dyn Fn(usize, i64) -> bool) -> Vec<Proof> {
        let (conflicts, _) = weigh(observations, 0.95);
        proofs(observations, &conflicts, &Freshness { now, days: 365, touched })
    }

    #[test]
    fn passes_add_up_to_one_bound() {
        let proofs = found(&[trial(&[0, 1], 100, 0), trial(&[0], 200, 0)], 300, &|_, _| false);
        let [tap, patch] = proofs.as_slice() else { panic!("{proofs:?}") };
        assert_eq!((tap.passes, tap.frames, tap.last, tap.stale.len()), (2, 2_000_000, 200, 0));
        assert_eq!((patch.passes, patch.frames, patch.last), (1, 1_000_000, 100));
        // Three over n (the rule of three), to a thousandth.
        assert!((tap.bound(0.95).unwrap() * 2_000_000.0 / 2.995_7 - 1.0).abs() < 1e-3);
    }

    #[test]
    fn a_proof_goes_stale_by_age_by_a_fail_and_by_a_touched_fibre() {
        let passed = trial(&[0, 1], 0, 0);
        let year = 365 * DAY;
        assert_eq!(found(std::slice::from_ref(&passed), year + DAY - 1, &|_, _| false)[0].stale, []);
        let old = found(std::slice::from_ref(&passed), year + DAY, &|_, _| false);
        assert_eq!(old[0].stale, [Stale::Age { days: 366 }]);
        let touched = found(std::slice::from_ref(&passed), 1, &|element, last| element == 1 && last == 0);
        assert_eq!((&touched[0].stale[..], &touched[1].stale[..]), (&[][..], &[Stale::FibreTouched][..]));
        // Failed since; 1 is cleared of it by a pass, also an earlier one.
        let failed = [passed.clone(), trial(&[0, 2], 10, 500), trial(&[1], 20, 0)];
        let proofs = found(&failed, 30, &|_, _| false);
        assert_eq!(proofs[1].stale, []);
        let again = [trial(&[0], 10, 500)];
        let proofs = found(&[&[passed][..], &again].concat(), 30, &|_, _| false);
        assert_eq!(proofs[0].stale, [Stale::FailedSince]);
    }

    #[test]
    fn other_conditions_are_other_proofs() {
        let mut forced = trial(&[0], 0, 0);
        forced.regime.negotiated = [Some(false); 2];
        let mut light = trial(&[0], 0, 0);
        light.load_percent = 50.0;
        assert_eq!(found(&[trial(&[0], 0, 0), forced, light], 1, &|_, _| false).len(), 3);
    }
}
