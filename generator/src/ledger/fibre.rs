//! Fibre ends that were not seen clean since they were last used.

use std::collections::HashMap;

use jiff::Timestamp;

use super::{Ledger, LedgerError, Piece, Side};

/// When each fibre end was last used and last looked at.
pub struct FibreEnds {
    last_use: HashMap<String, Timestamp>,
    /// The last look at each end, and whether it was clean then.
    last_look: HashMap<(String, Side), (Timestamp, bool)>,
}

impl Ledger {
    /// What is known of all fibre ends.
    ///
    /// # Errors
    /// As [`Ledger::open`].
    pub fn fibre_ends(&self) -> Result<FibreEnds, LedgerError> {
        let failed = |error| self.failed(error);
        let question = "SELECT label, started FROM runs JOIN run_pieces ON run_pieces.run = runs.id
            JOIN pieces ON pieces.id = run_pieces.piece";
        let mut question = self.database.prepare(question).map_err(failed)?;
        let uses = question
            .query_map([], |row| Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?)))
            .map_err(failed)?;
        let mut last_use: HashMap<String, Timestamp> = HashMap::new();
        for used in uses {
            let (label, started) = used.map_err(failed)?;
            if let Ok(at) = started.parse::<Timestamp>() {
                let last = last_use.entry(label).or_insert(at);
                *last = at.max(*last);
            }
        }
        let mut last_look: HashMap<(String, Side), (Timestamp, bool)> = HashMap::new();
        for look in self.inspections()? {
            let Ok(at) = look.at.parse::<Timestamp>() else { continue };
            let clean = look.is_clean();
            let last = last_look.entry((look.piece, look.side)).or_insert((at, clean));
            // Of two looks in the same second the later record counts.
            if at >= last.0 {
                *last = (at, clean);
            }
        }
        Ok(FibreEnds { last_use, last_look })
    }
}

impl FibreEnds {
    /// The fibre ends of a piece that were not seen clean since the piece was last used.
    #[must_use]
    pub fn not_clean(&self, piece: &Piece) -> Vec<Side> {
        let used = self.last_use.get(&piece.label);
        let clean = |side: &Side| {
            let look = self.last_look.get(&(piece.label.clone(), *side));
            look.is_some_and(|(at, clean)| *clean && used.is_none_or(|used| at >= used))
        };
        piece.fibre_sides().into_iter().filter(|side| !clean(side)).collect()
    }

    /// Whether a fibre end of a piece was used after `since` (seconds since 1970) and not seen clean afterwards.
    #[must_use]
    pub fn touched_since(&self, piece: &Piece, since: i64) -> bool {
        let used = self.last_use.get(&piece.label).is_some_and(|used| used.as_second() > since);
        used && !self.not_clean(piece).is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::inspection::tests::CLEAN;
    use crate::ledger::store::tests::Folder;
    use crate::ledger::{Cleaning, Inspection, Kind, Zone, Zones};
    use crate::report::{ChainPiece, RunResult};

    #[test]
    fn an_end_is_clean_until_it_is_used_again() {
        let folder = Folder::new("fibre");
        let mut ledger = Ledger::open(&folder.ledger()).unwrap();
        let patch = Piece::new("F-1", Kind::FibrePatch);
        ledger.add(&patch).unwrap();
        let ends = |ledger: &Ledger| ledger.fibre_ends().unwrap().not_clean(&patch);
        assert_eq!(ends(&ledger), [Side::A, Side::B]);
        let look = |ledger: &mut Ledger, side, at: &str, zones| {
            let look =
                Inspection { at: at.to_owned(), ..Inspection::new("F-1", side, Cleaning::After, zones) };
            ledger.inspected(&look, None).unwrap();
        };
        look(&mut ledger, Side::A, "2026-11-28T10:00:00+00:00", CLEAN);
        look(&mut ledger, Side::B, "2026-11-28T10:00:00+00:00", Zones { core: Zone::Fail, ..CLEAN });
        assert_eq!(ends(&ledger), [Side::B]);
        look(&mut ledger, Side::B, "2026-11-28T10:05:00+00:00", CLEAN);
        assert_eq!(ends(&ledger), []);
        let run = RunResult {
            // Half an hour later, in another time zone.
            started: "2026-11-28T11:35:00+01:00".to_owned(),
            chain: vec![ChainPiece { piece: "F-1".to_owned(), kind: None, condition: None }],
            ..RunResult::default()
        };
        ledger.record(&run).unwrap();
        assert_eq!(ends(&ledger), [Side::A, Side::B]);
        let known = ledger.fibre_ends().unwrap();
        let used: Timestamp = run.started.parse().unwrap();
        assert!(
            known.touched_since(&patch, used.as_second() - 1)
                && !known.touched_since(&patch, used.as_second())
        );
        look(&mut ledger, Side::A, "2026-11-28T10:36:00+00:00", CLEAN);
        assert_eq!(ends(&ledger), [Side::B]);
    }
}
