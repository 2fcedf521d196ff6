//! Everything as JSON lines, out and in: one object a line, the pieces and pictures first.

use std::io::{BufRead, Write};

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use serde::{Deserialize, Serialize};

use super::{Inspection, Ledger, LedgerError, Picture, Piece, Recorded};
use crate::report::RunResult;

/// One line.
#[derive(Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Line {
    Piece(Piece),
    /// The octets in base 64 (RFC 4648).
    Picture(String),
    Inspection(Inspection),
    Run {
        mark: String,
        result: Box<RunResult>,
    },
}

/// How many were new. What the ledger had already is left as it is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Imported {
    pub pieces: usize,
    pub inspections: usize,
    pub runs: usize,
}

impl Ledger {
    /// Writes every piece, every inspection with its picture, and every run.
    ///
    /// # Errors
    /// As [`Ledger::open`]; what cannot be written.
    pub fn export(&self, to: &mut impl Write) -> Result<(), LedgerError> {
        let asked = |error: &dyn std::fmt::Display| {
            LedgerError::Asked(format!("the export could not be written: {error}"))
        };
        let (runs, strange) = self.runs()?;
        let pieces = self.pieces()?.into_iter().map(Line::Piece);
        let runs =
            runs.into_iter().map(|Recorded { mark, result }| Line::Run { mark, result: Box::new(result) });
        let mut write = |line: Line| {
            let text = serde_json::to_string(&line).map_err(|error| asked(&error))?;
            writeln!(to, "{text}").map_err(|error| asked(&error))
        };
        pieces.into_iter().try_for_each(&mut write)?;
        for hash in self.picture_hashes()? {
            if let Some(picture) = self.picture(&hash)? {
                write(Line::Picture(BASE64_STANDARD.encode(picture.octets)))?;
            }
        }
        self.inspections()?.into_iter().map(Line::Inspection).try_for_each(&mut write)?;
        runs.into_iter().try_for_each(&mut write)?;
        to.flush().map_err(|error| asked(&error))?;
        if strange > 0 {
            return Err(LedgerError::Asked(format!(
                "{strange} runs were left out: this version does not understand them"
            )));
        }
        Ok(())
    }

    /// Takes in what [`Ledger::export`] wrote, all of it or nothing.
    ///
    /// # Errors
    /// A line that is not understood, with its number; as [`Ledger::open`].
    pub fn import(&mut self, from: impl BufRead) -> Result<Imported, LedgerError> {
        let mut lines = Vec::new();
        for (number, text) in (1..).zip(from.lines()) {
            let asked = |error: &dyn std::fmt::Display| {
                LedgerError::Asked(format!("line {number}: {error}; nothing was taken in"))
            };
            let text = text.map_err(|error| asked(&error))?;
            if text.trim().is_empty() {
                continue;
            }
            let line: Line = serde_json::from_str(&text).map_err(|error| asked(&error))?;
            if let Line::Piece(piece) = &line {
                super::piece::label(&piece.label).map_err(|error| asked(&error))?;
            }
            lines.push(line);
        }
        self.change(|change| {
            let mut imported = Imported::default();
            for line in lines {
                match line {
                    Line::Piece(piece) => imported.pieces += piece.insert(change)?,
                    Line::Picture(text) => {
                        let picture = BASE64_STANDARD.decode(text).map_err(|error| error.to_string());
                        let picture = picture.and_then(Picture::of);
                        let picture = picture.map_err(|error| {
                            rusqlite::Error::ToSqlConversionFailure(format!("a picture {error}").into())
                        })?;
                        picture.insert(change)?;
                    }
                    Line::Inspection(inspection) => {
                        imported.inspections += usize::from(inspection.insert(change)?);
                    }
                    Line::Run { mark, result } => {
                        imported.runs += usize::from(Recorded { mark, result: *result }.insert(change)?);
                    }
                }
            }
            Ok(imported)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::inspection::tests::CLEAN;
    use crate::ledger::store::tests::Folder;
    use crate::ledger::{Cleaning, Kind, Side};

    #[test]
    fn what_goes_out_comes_in_and_only_once() {
        let (from, to) = (Folder::new("out"), Folder::new("in"));
        let mut ledger = Ledger::open(&from.ledger()).unwrap();
        let tap = Piece { notes: Some("bought used".to_owned()), ..Piece::new("T-1", Kind::Tap) };
        ledger.add(&tap).unwrap();
        let picture = crate::ledger::inspection::tests::picture();
        let look = Inspection {
            picture: Some(picture.hash.clone()),
            ..Inspection::new("T-1", Side::A, Cleaning::Before, CLEAN)
        };
        ledger.inspected(&look, Some(&picture)).unwrap();
        ledger.record(&crate::report::sample_run()).unwrap();
        let mut text = Vec::new();
        ledger.export(&mut text).unwrap();
        let mut other = Ledger::open(&to.ledger()).unwrap();
        assert_eq!(other.import(text.as_slice()).unwrap(), Imported { pieces: 1, inspections: 1, runs: 1 });
        assert_eq!(other.import(text.as_slice()).unwrap(), Imported::default());
        assert_eq!(other.pieces().unwrap(), [tap]);
        assert_eq!(other.runs().unwrap(), ledger.runs().unwrap());
        assert_eq!(other.inspections().unwrap(), [look]);
        assert_eq!(other.picture(&picture.hash).unwrap(), Some(picture));
        let mut cut = text.clone();
        cut.truncate(text.len() - 20);
        let third = Folder::new("third");
        let mut third = Ledger::open(&third.ledger()).unwrap();
        let error = third.import(cut.as_slice()).unwrap_err().to_string();
        assert!(error.starts_with("line 4:"), "{error}");
        assert_eq!(third.pieces().unwrap(), []);
    }
}
