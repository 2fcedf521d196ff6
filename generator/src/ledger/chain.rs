//! Pieces in order, each in its condition, as they were typed: `P-1,T-1=unpowered,P-2`.

use std::fmt;
use std::str::FromStr;

use super::piece::label;
use super::{Kind, Ledger, LedgerError, Piece};
use crate::report::ChainPiece;

/// What was typed after `--through`: labels in order from the generator, each with a condition if one was said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Through(Vec<(String, Option<String>)>);

impl fmt::Display for Through {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let pieces = self.0.iter().map(|(name, condition)| match condition {
            Some(condition) => format!("{name}={condition}"),
            None => name.clone(),
        });
        f.write_str(&pieces.collect::<Vec<_>>().join(","))
    }
}

impl FromStr for Through {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let mut pieces: Vec<(String, Option<String>)> = Vec::new();
        for part in text.split(',').map(str::trim) {
            let (name, condition) = match part.split_once('=') {
                Some((name, condition)) => (name.trim(), Some(condition.trim())),
                None => (part, None),
            };
            label(name)?;
            if let Some(condition) = condition {
                label(condition).map_err(|_| format!("{part}: a condition such as {name}=unpowered"))?;
            }
            if pieces.iter().any(|(other, _)| other == name) {
                return Err(format!("{name} is in the chain twice: there is one of it in the bag"));
            }
            pieces.push((name.to_owned(), condition.map(str::to_owned)));
        }
        Ok(Self(pieces))
    }
}

/// Pieces of the bag in order from the generator.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Chain(Vec<(Piece, Option<String>)>);

impl Ledger {
    /// One piece by its label.
    ///
    /// # Errors
    /// As [`Ledger::chain`].
    pub fn piece(&self, label: &str) -> Result<Piece, LedgerError> {
        let pieces = self.pieces()?;
        pieces.iter().find(|piece| piece.label == label).cloned().ok_or_else(|| unknown(label, &pieces))
    }

    /// The pieces that were named.
    ///
    /// # Errors
    /// A piece that is not in the bag, with those whose labels are near; as [`Ledger::open`].
    pub fn chain(&self, through: &Through) -> Result<Chain, LedgerError> {
        let pieces = self.pieces()?;
        let find = |(name, condition): &(String, Option<String>)| {
            let found = pieces.iter().find(|piece| piece.label == *name);
            found.map(|piece| (piece.clone(), condition.clone())).ok_or_else(|| unknown(name, &pieces))
        };
        let chain: Vec<(Piece, Option<String>)> = through.0.iter().map(find).collect::<Result<_, _>>()?;
        match chain.iter().find(|(piece, _)| piece.retired.is_some()) {
            Some((piece, _)) => Err(LedgerError::Asked(format!(
                "{} is retired: if it is in the bag again, say kitproof kit return {}",
                piece.label, piece.label
            ))),
            None => Ok(Chain(chain)),
        }
    }
}

/// Closer than this, two labels may be meant for each other.
const NEAR: f64 = 0.6;

fn unknown(name: &str, pieces: &[Piece]) -> LedgerError {
    let lower = name.to_lowercase();
    let distance =
        |piece: &&Piece| strsim::normalized_damerau_levenshtein(&lower, &piece.label.to_lowercase());
    let mut near: Vec<(f64, &str)> = pieces
        .iter()
        .map(|piece| (distance(&piece), piece.label.as_str()))
        .filter(|(near, _)| *near >= NEAR)
        .collect();
    near.sort_by(|one, other| other.0.total_cmp(&one.0));
    let near: Vec<&str> = near.into_iter().take(3).map(|(_, label)| label).collect();
    let what = if near.is_empty() {
        format!("put it there with kitproof kit add {name} --kind …")
    } else {
        format!("is it {}? (kitproof kit list shows them all)", near.join(" or "))
    };
    LedgerError::Asked(format!("there is no piece {name} in the bag: {what}"))
}

impl Chain {
    /// As the result tells it.
    #[must_use]
    pub fn told(&self) -> Vec<ChainPiece> {
        let told = |(piece, condition): &(Piece, Option<String>)| ChainPiece {
            piece: piece.label.clone(),
            kind: Some(piece.kind.to_string()),
            condition: condition.clone(),
        };
        self.0.iter().map(told).collect()
    }

    /// The pieces.
    pub fn pieces(&self) -> impl Iterator<Item = &Piece> {
        self.0.iter().map(|(piece, _)| piece)
    }

    /// Whether light comes out of one of its ends.
    #[must_use]
    pub fn has_fibre(&self) -> bool {
        self.0.iter().any(|(piece, _)| !piece.fibre_sides().is_empty())
    }
}

/// The chain as it should stand on the bench, cords as lines and boxes as boxes.
impl fmt::Display for Chain {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("generator")?;
        for (piece, condition) in &self.0 {
            let condition = condition.as_ref().map_or(String::new(), |condition| format!(", {condition}"));
            match piece.kind {
                Kind::Patch => write!(f, " --{}{condition}--", piece.label)?,
                Kind::FibrePatch => write!(f, " =={}{condition}==", piece.label)?,
                kind => write!(f, " [{} {kind}{condition}]", piece.label)?,
            }
        }
        f.write_str(" reflector")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::store::tests::Folder;

    fn read(text: &str) -> Result<Vec<(String, Option<String>)>, String> {
        text.parse::<Through>().map(|through| through.0)
    }

    #[test]
    fn chains_are_read() {
        let chain = read("P-1, T-1=unpowered,P-2").unwrap();
        assert_eq!(chain[1], ("T-1".to_owned(), Some("unpowered".to_owned())));
        assert_eq!(chain.len(), 3);
        for (wrong, says) in
            [("", "a label"), ("T-1,,P-1", "a label"), ("T-1,T-1=unpowered", "twice"), ("T-1=", "condition")]
        {
            let error = read(wrong).unwrap_err();
            assert!(error.contains(says), "{wrong}: {error}");
        }
    }

    #[test]
    fn a_piece_that_is_not_in_the_bag_is_told_with_those_near() {
        let folder = Folder::new("near");
        let mut ledger = Ledger::open(&folder.ledger()).unwrap();
        for (label, kind) in [("T-1", Kind::Tap), ("P-1", Kind::Patch), ("C-14", Kind::Converter)] {
            ledger.add(&Piece::new(label, kind)).unwrap();
        }
        let ask = |ledger: &Ledger, text: &str| ledger.chain(&text.parse().unwrap());
        let error = ask(&ledger, "P-1,t-1").unwrap_err().to_string();
        assert!(error.contains("no piece t-1") && error.contains("T-1"), "{error}");
        let error = ask(&ledger, "laser").unwrap_err().to_string();
        assert!(error.contains("kitproof kit add laser"), "{error}");
        let retired = Piece { retired: Some(crate::ledger::Retired::Gone), ..ledger.piece("P-1").unwrap() };
        ledger.amend(&retired).unwrap();
        let error = ask(&ledger, "P-1,T-1").unwrap_err().to_string();
        assert!(error.contains("P-1 is retired"), "{error}");
        ledger.amend(&Piece { retired: None, ..retired }).unwrap();
        let drawn = ask(&ledger, "P-1,T-1=unpowered,C-14").unwrap().to_string();
        assert_eq!(drawn, "generator --P-1-- [T-1 tap, unpowered] [C-14 converter] reflector");
    }
}
