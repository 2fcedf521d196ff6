//! Runs with their whole result.

use kitproof_common::control::random;

use super::{Ledger, LedgerError};
use crate::report::RunResult;
use crate::verdict::Outcome;

/// A run in the ledger.
#[derive(Clone, Debug, PartialEq)]
pub struct Recorded {
    /// Tells runs apart, whichever ledger they were first written to.
    pub mark: String,
    pub result: RunResult,
}

/// A mark that no other run has.
pub(super) fn fresh_mark() -> String {
    format!("{:016x}{:016x}", random(), random())
}

impl Ledger {
    /// Records a run. When this returns, it is on the disk.
    ///
    /// # Errors
    /// As [`Ledger::open`].
    pub fn record(&mut self, result: &RunResult) -> Result<(), LedgerError> {
        let recorded = Recorded { mark: fresh_mark(), result: result.clone() };
        self.change(|change| recorded.insert(change)).map(|_| ())
    }

    /// How many runs there are, understood or not.
    ///
    /// # Errors
    /// As [`Ledger::open`].
    pub fn count_runs(&self) -> Result<i64, LedgerError> {
        self.value("SELECT count(*) FROM runs")
    }

    /// How often a piece was in a run with this verdict.
    ///
    /// # Errors
    /// As [`Ledger::open`].
    pub fn count_through(&self, label: &str, verdict: Outcome) -> Result<i64, LedgerError> {
        let question = "SELECT count(*) FROM runs JOIN run_pieces ON run_pieces.run = runs.id
            JOIN pieces ON pieces.id = run_pieces.piece WHERE label = ?1 AND verdict = ?2";
        let arguments = [label, &verdict.to_string()];
        self.database.query_row(question, arguments, |row| row.get(0)).map_err(|error| self.failed(error))
    }

    /// Every run, in the order they were recorded. One whose result this version does not understand is left out, and
    /// counted.
    ///
    /// # Errors
    /// As [`Ledger::open`].
    pub fn runs(&self) -> Result<(Vec<Recorded>, usize), LedgerError> {
        let failed = |error| self.failed(error);
        let mut question =
            self.database.prepare("SELECT mark, result FROM runs ORDER BY id").map_err(failed)?;
        let rows = question
            .query_map([], |row| Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?)))
            .map_err(failed)?;
        let (mut runs, mut strange) = (Vec::new(), 0);
        for row in rows {
            let (mark, text) = row.map_err(failed)?;
            match serde_json::from_str(&text) {
                Ok(result) => runs.push(Recorded { mark, result }),
                Err(_) => strange += 1,
            }
        }
        Ok((runs, strange))
    }
}

impl Recorded {
    /// False where the ledger has it already.
    pub(super) fn insert(&self, database: &rusqlite::Connection) -> rusqlite::Result<bool> {
        let Self { mark, result } = self;
        let text = serde_json::to_string(result)
            .map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))?;
        let verdict = result.verdict.map(|verdict| verdict.to_string());
        let added = database.execute(
            "INSERT INTO runs (mark, started, command, verdict, result) VALUES (?1, ?2, ?3, ?4, ?5)
             ON CONFLICT (mark) DO NOTHING",
            (mark, &result.started, &result.command, verdict, text),
        )?;
        if added == 0 {
            return Ok(false);
        }
        let run = database.last_insert_rowid();
        for (position, piece) in (0_i64..).zip(&result.chain) {
            database.execute(
                "INSERT INTO run_pieces (run, position, piece, condition)
                 VALUES (?1, ?2, (SELECT id FROM pieces WHERE label = ?3), ?4)",
                (run, position, &piece.piece, &piece.condition),
            )?;
        }
        Ok(true)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::store::tests::Folder;
    use crate::ledger::{Kind, Piece};

    #[test]
    fn a_run_is_kept_whole_and_once() {
        let folder = Folder::new("runs");
        let mut ledger = Ledger::open(&folder.ledger()).unwrap();
        let result = crate::report::sample_run();
        // Its tap is not in the bag: nothing of the run is kept then.
        assert!(ledger.record(&result).is_err());
        assert_eq!(ledger.runs().unwrap(), (Vec::new(), 0));
        ledger.add(&Piece::new("T-1", Kind::Tap)).unwrap();
        ledger.record(&result).unwrap();
        ledger.record(&result).unwrap();
        let (runs, strange) = ledger.runs().unwrap();
        assert_eq!((runs.len(), strange), (2, 0));
        assert!(runs.iter().all(|run| run.result == result) && runs[0].mark != runs[1].mark);
        let verdict = result.verdict.unwrap();
        assert_eq!(ledger.count_through("T-1", verdict).unwrap(), 2);
    }
}
