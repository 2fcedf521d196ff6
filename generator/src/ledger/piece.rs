//! One thing in the bag.

use std::fmt;

use clap::ValueEnum;
use rusqlite::Row;
use serde::{Deserialize, Serialize};

use super::{Ledger, LedgerError};
use crate::elimination::buildable::Part;
use crate::elimination::ends::{End, Ends, Glass};
use crate::state;

/// What a piece is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// An inline tap
    Tap,
    /// A media converter
    Converter,
    /// A transceiver (SFP)
    Transceiver,
    /// A copper patch cord
    Patch,
    /// A fibre patch cord
    FibrePatch,
    /// A switch
    Switch,
    /// Anything else
    Other,
}

impl Kind {
    /// The ends such a piece usually has. `glass` is what is known of its fibre.
    fn usual_ends(self, medium: &str) -> Option<Ends> {
        let copper = medium.to_lowercase().contains("copper");
        Some(Ends(match self {
            Kind::Tap if Glass::of(medium).is_some() => [End::LcSocket; 2],
            Kind::Tap | Kind::Switch => [End::Rj45Socket; 2],
            Kind::Converter => [End::Rj45Socket, End::SfpCage],
            Kind::Transceiver if copper => [End::SfpModule, End::Rj45Socket],
            Kind::Transceiver => [End::SfpModule, End::LcSocket],
            Kind::Patch => [End::Rj45Plug; 2],
            Kind::FibrePatch => [End::LcPlug; 2],
            Kind::Other => return None,
        }))
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Kind::Tap => "tap",
            Kind::Converter => "converter",
            Kind::Transceiver => "transceiver",
            Kind::Patch => "patch",
            Kind::FibrePatch => "fibre-patch",
            Kind::Switch => "switch",
            Kind::Other => "other",
        })
    }
}

/// Why a piece is no longer in the bag. What was recorded of it stays.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ValueEnum)]
#[serde(rename_all = "lowercase")]
pub enum Retired {
    /// Lost, sold, lent: its history counts as before
    Gone,
    /// Known to be bad: it explains the fails of every chain it was in
    Bad,
}

impl fmt::Display for Retired {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Retired::Gone => "gone",
            Retired::Bad => "bad",
        })
    }
}

/// A piece as it is recorded.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Piece {
    /// The mark it carries, such as `T-1`.
    pub label: String,
    pub kind: Kind,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub maker: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// Such as `copper` or `multimode`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub medium: Option<String>,
    /// Such as `1G`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rated_speed: Option<String>,
    /// Where they are not those that its kind usually has.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ends: Option<Ends>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<String>,
    /// Set once it is no longer in the bag.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub retired: Option<Retired>,
    /// When it was recorded (RFC 3339).
    pub added: String,
}

impl Piece {
    /// A piece recorded now.
    #[must_use]
    pub fn new(label: &str, kind: Kind) -> Self {
        Self {
            label: label.to_owned(),
            kind,
            maker: None,
            serial: None,
            medium: None,
            rated_speed: None,
            ends: None,
            notes: None,
            retired: None,
            added: state::now(),
        }
    }

    fn read(row: &Row<'_>) -> rusqlite::Result<Self> {
        let kind: String = row.get(1)?;
        Ok(Self {
            label: row.get(0)?,
            kind: Kind::from_str(&kind, false).unwrap_or(Kind::Other),
            maker: row.get(2)?,
            serial: row.get(3)?,
            medium: row.get(4)?,
            rated_speed: row.get(5)?,
            notes: row.get(6)?,
            added: row.get(7)?,
            ends: row.get::<_, Option<String>>(8)?.and_then(|ends| ends.parse().ok()),
            retired: row.get::<_, Option<String>>(9)?.and_then(|word| Retired::from_str(&word, true).ok()),
        })
    }

    /// Its two ends, by what was said of it or by what its kind usually has.
    #[must_use]
    pub fn both_ends(&self) -> Option<Ends> {
        self.ends.or_else(|| self.kind.usual_ends(self.medium.as_deref().unwrap_or_default()))
    }

    /// The sides of it that light comes out of.
    #[must_use]
    pub fn fibre_sides(&self) -> Vec<Side> {
        let ends = self.both_ends().map_or([None; 2], |ends| ends.0.map(Some));
        let sides = Side::value_variants().iter().zip(ends);
        sides.filter(|(_, end)| end.is_some_and(End::is_fibre)).map(|(side, _)| *side).collect()
    }

    /// What matters of it to whoever builds a chain; `None` where its ends are not known.
    #[must_use]
    pub fn part(&self) -> Option<Part> {
        let ends = self.both_ends()?;
        let light = ends.0.iter().any(|end| end.is_fibre());
        let rate = self.rated_speed.as_ref().filter(|_| self.kind == Kind::Transceiver);
        Some(Part {
            kind: self.kind.to_string(),
            ends,
            glass: self.medium.as_deref().filter(|_| light).and_then(Glass::of),
            rate: rate.map(|rate| rate.trim().to_uppercase()),
        })
    }

    pub(super) fn insert(&self, database: &rusqlite::Connection) -> rusqlite::Result<usize> {
        database.execute(
            "INSERT INTO pieces (label, kind, maker, serial, medium, rated_speed, notes, added, ends, retired)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10) ON CONFLICT (label) DO NOTHING",
            (
                &self.label,
                self.kind.to_string(),
                &self.maker,
                &self.serial,
                &self.medium,
                &self.rated_speed,
                &self.notes,
                &self.added,
                self.ends.map(String::from),
                self.retired.map(|retired| retired.to_string()),
            ),
        )
    }
}

/// One end of a piece, as it is marked: the first of its ends is A.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, ValueEnum)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    A,
    B,
}

impl fmt::Display for Side {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Side::A => "A",
            Side::B => "B",
        })
    }
}

/// A label can be typed in a chain: no white space, no comma, no equals sign.
///
/// # Errors
/// Says what a label looks like.
pub(super) fn label(text: &str) -> Result<(), String> {
    let odd = |letter: char| letter.is_whitespace() || letter.is_control() || letter == ',' || letter == '=';
    if text.is_empty() || text.len() > 40 || text.chars().any(odd) {
        return Err(format!(
            "\"{text}\": a label such as T-1, without spaces, commas and equals signs, up to 40 octets"
        ));
    }
    Ok(())
}

impl Ledger {
    /// Puts a piece into the bag.
    ///
    /// # Errors
    /// A label that is taken, or that could not be typed in a chain; as [`Ledger::open`].
    pub fn add(&mut self, piece: &Piece) -> Result<(), LedgerError> {
        label(&piece.label).map_err(LedgerError::Asked)?;
        if self.change(|change| piece.insert(change))? == 0 {
            return Err(LedgerError::Asked(format!(
                "there is a piece {} already: give this one another label",
                piece.label
            )));
        }
        Ok(())
    }

    /// Puts what is known of a piece in the place of what was; its label and its history stay.
    ///
    /// # Errors
    /// There is no such piece; as [`Ledger::open`].
    pub fn amend(&mut self, piece: &Piece) -> Result<(), LedgerError> {
        let amended = self.change(|change| {
            change.execute(
                "UPDATE pieces SET kind = ?2, maker = ?3, serial = ?4, medium = ?5, rated_speed = ?6, notes = ?7, ends = ?8,
                        retired = ?9
                 WHERE label = ?1",
                (
                    &piece.label,
                    piece.kind.to_string(),
                    &piece.maker,
                    &piece.serial,
                    &piece.medium,
                    &piece.rated_speed,
                    &piece.notes,
                    piece.ends.map(String::from),
                    piece.retired.map(|retired| retired.to_string()),
                ),
            )
        })?;
        if amended == 0 {
            return Err(LedgerError::Asked(format!("there is no piece {} in the bag", piece.label)));
        }
        Ok(())
    }

    /// The pieces in the bag, by label.
    ///
    /// # Errors
    /// As [`Ledger::open`].
    pub fn pieces(&self) -> Result<Vec<Piece>, LedgerError> {
        let failed = |error| self.failed(error);
        let question = "SELECT label, kind, maker, serial, medium, rated_speed, notes, added, ends, retired
            FROM pieces ORDER BY label";
        let mut question = self.database.prepare(question).map_err(failed)?;
        let pieces = question.query_map([], Piece::read).map_err(failed)?;
        pieces.collect::<Result<_, _>>().map_err(failed)
    }
}
