//! What recorded trials say of the pieces they went through.
//!
//! Only `prove` offers one load and judges it: the trials of a search are meant to fail above the throughput, and those of
//! an interruption lose what the pull takes. A piece in another condition (a tap without power) is another element.

use jiff::Timestamp;

use super::{Ledger, LedgerError, Recorded, Retired};
use crate::elimination::observation::{Observation, Regime};
use crate::elimination::set::Set;
use crate::report::ChainPiece;
use crate::verdict::Outcome;

impl Ledger {
    /// What recorded trials say of the pieces. The fails of chains with a piece that is known to be bad are explained, and
    /// accuse nobody else.
    ///
    /// # Errors
    /// As [`Ledger::open`].
    pub fn evidence(&self) -> Result<(Vec<ChainPiece>, Vec<Observation>), LedgerError> {
        self.evidence_of(&self.runs()?.0)
    }

    /// The same of runs that were read already.
    ///
    /// # Errors
    /// As [`Ledger::open`].
    pub fn evidence_of(&self, runs: &[Recorded]) -> Result<(Vec<ChainPiece>, Vec<Observation>), LedgerError> {
        let (elements, mut observations) = evidence(runs);
        let pieces = self.pieces()?;
        let known_bad = |place: usize| {
            let known = pieces.iter().find(|piece| piece.label == elements[place].piece);
            known.is_some_and(|piece| piece.retired == Some(Retired::Bad))
        };
        observations.retain(|seen| !seen.failed || !seen.through.iter().any(known_bad));
        Ok((elements, observations))
    }
}

/// The elements (pieces in their condition) that went through trials, and what each trial says of them: element `n` of the observations is the `n`th.
/// More elements than a set holds are left out with their runs.
fn evidence(runs: &[Recorded]) -> (Vec<ChainPiece>, Vec<Observation>) {
    let mut elements: Vec<ChainPiece> = Vec::new();
    let mut observations = Vec::new();
    for result in runs.iter().map(|run| &run.result).filter(|result| result.command == "prove") {
        let mut through = Set::default();
        let mut all = true;
        for piece in &result.chain {
            let element = ChainPiece { kind: None, ..piece.clone() };
            let place = elements.iter().position(|known| *known == element);
            let place = place.unwrap_or_else(|| {
                elements.push(element);
                elements.len() - 1
            });
            all &= place < Set::MOST;
            if place < Set::MOST {
                through = through.with(place);
            }
        }
        if through.is_empty() || !all {
            continue;
        }
        let ends = [Some(&result.pair.generator), result.pair.reflector.as_ref()];
        let speeds = ends.map(|end| end.and_then(|end| end.speed));
        let duplex = ends.map(|end| end.and_then(|end| end.duplex.clone()));
        let at = result.started.parse::<Timestamp>().map_or(0, Timestamp::as_second);
        for trial in &result.trials {
            let failed = match trial.verdict {
                Some(Outcome::Pass) => false,
                Some(Outcome::Fail) => true,
                _ => continue,
            };
            let lost = trial.counts.lost().saturating_add(trial.counts.corrupted);
            let told = trial.loss_periods.len() as u64;
            let periods = trial.loss_periods_total.unwrap_or(told).clamp(1, lost.max(1));
            let events = if lost == 0 { u64::from(failed) } else { periods };
            observations.push(Observation {
                through,
                regime: Regime {
                    speeds,
                    duplex: duplex.clone(),
                    frame_size: trial.frame_size,
                    mix: trial.mix.as_ref().map(|mix| mix.genome.clone()),
                    encapsulation: trial.encapsulation.clone(),
                    negotiated: ends.map(|end| end.and_then(|end| end.negotiated)),
                    eee: ends.map(|end| end.and_then(|end| end.eee)),
                },
                load_percent: trial.intended_load.percent,
                failed,
                frames: trial.counts.offered_frames,
                lost,
                events,
                at,
            });
        }
    }
    (elements, observations)
}
