//! Fibre ends as a person saw them, zone by zone, with the picture that was taken.
//!
//! The zones of an end face are those of IEC 61300-3-35 (core, cladding, adhesive, contact; their edges differ by edition
//! and by fibre). The person judges, by the tables of the edition they work to; kitproof keeps what they said.

use std::fmt;
use std::path::Path;

use clap::ValueEnum;
use image::ImageFormat;
use rusqlite::{Connection, OptionalExtension as _, Row};
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

use super::runs::fresh_mark;
use super::{Ledger, LedgerError, Side};

/// What a person says of one zone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Zone {
    Pass,
    Fail,
    NotJudged,
}

impl fmt::Display for Zone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Zone::Pass => "pass",
            Zone::Fail => "fail",
            Zone::NotJudged => "not judged",
        })
    }
}

/// The zones of an end face, from the middle outwards.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Zones {
    pub core: Zone,
    pub cladding: Zone,
    pub adhesive: Zone,
    pub contact: Zone,
}

impl Zones {
    /// From the middle outwards, each with its name.
    #[must_use]
    pub fn named(self) -> [(&'static str, Zone); 4] {
        [
            ("core", self.core),
            ("cladding", self.cladding),
            ("adhesive", self.adhesive),
            ("contact", self.contact),
        ]
    }
}

/// Whether the end had been cleaned when it was looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ValueEnum)]
#[serde(rename_all = "lowercase")]
pub enum Cleaning {
    /// As it was found
    Before,
    /// After it was cleaned
    After,
}

impl fmt::Display for Cleaning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Cleaning::Before => "before cleaning",
            Cleaning::After => "after cleaning",
        })
    }
}

/// One look at one end.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Inspection {
    pub mark: String,
    /// The label of the piece.
    pub piece: String,
    pub side: Side,
    /// RFC 3339.
    pub at: String,
    pub cleaning: Cleaning,
    pub zones: Zones,
    /// SHA-256 of the picture, in hexadecimal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub picture: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<String>,
}

impl Inspection {
    /// A look taken now.
    #[must_use]
    pub fn new(piece: &str, side: Side, cleaning: Cleaning, zones: Zones) -> Self {
        Self {
            mark: fresh_mark(),
            piece: piece.to_owned(),
            side,
            at: crate::state::now(),
            cleaning,
            zones,
            picture: None,
            notes: None,
        }
    }

    /// Core, cladding and contact were judged good and the adhesive not bad (it has no limit of its own).
    #[must_use]
    pub fn is_clean(&self) -> bool {
        let Zones { core, cladding, adhesive, contact } = self.zones;
        [core, cladding, contact].iter().all(|zone| *zone == Zone::Pass) && adhesive != Zone::Fail
    }

    fn read(row: &Row<'_>) -> rusqlite::Result<Self> {
        let word = |column: usize, text: &str| {
            rusqlite::Error::FromSqlConversionFailure(
                column,
                rusqlite::types::Type::Text,
                format!("\"{text}\" is not understood").into(),
            )
        };
        let [side, cleaning, zones]: [String; 3] = [row.get(2)?, row.get(4)?, row.get(5)?];
        Ok(Self {
            mark: row.get(0)?,
            piece: row.get(1)?,
            side: Side::from_str(&side, true).map_err(|_| word(2, &side))?,
            at: row.get(3)?,
            cleaning: Cleaning::from_str(&cleaning, true).map_err(|_| word(4, &cleaning))?,
            zones: serde_json::from_str(&zones).map_err(|_| word(5, &zones))?,
            picture: row.get(6)?,
            notes: row.get(7)?,
        })
    }

    /// False where the ledger has it already.
    pub(super) fn insert(&self, database: &Connection) -> rusqlite::Result<bool> {
        let zones = serde_json::to_string(&self.zones)
            .map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))?;
        let cleaning = match self.cleaning {
            Cleaning::Before => "before",
            Cleaning::After => "after",
        };
        let added = database.execute(
            "INSERT INTO inspections (mark, piece, side, at, cleaning, zones, picture, notes)
             VALUES (?1, (SELECT id FROM pieces WHERE label = ?2), ?3, ?4, ?5, ?6, ?7, ?8)
             ON CONFLICT (mark) DO NOTHING",
            (
                &self.mark,
                &self.piece,
                self.side.to_string(),
                &self.at,
                cleaning,
                zones,
                &self.picture,
                &self.notes,
            ),
        )?;
        Ok(added > 0)
    }
}

/// A picture as it was taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Picture {
    /// SHA-256 of the octets, in hexadecimal.
    pub hash: String,
    /// `image/png` or `image/jpeg`.
    pub media: String,
    pub octets: Vec<u8>,
}

/// A picture that is larger was not taken by an inspection microscope.
const LARGEST: u64 = 16 << 20;

/// SHA-256 in hexadecimal.
fn hash(octets: &[u8]) -> String {
    Sha256::digest(octets).iter().map(|octet| format!("{octet:02x}")).collect()
}

impl Picture {
    /// Reads a PNG or JPEG file; it is decoded once, so that a file that is none is refused now.
    ///
    /// # Errors
    /// What is wrong with the file, in one line.
    pub fn read(path: &Path) -> Result<Self, String> {
        let place = path.display();
        let size = std::fs::metadata(path).map_err(|error| format!("{place}: {error}"))?.len();
        if size > LARGEST {
            return Err(format!(
                "{place} has {size} octets, and a picture has {LARGEST} at most: make it smaller"
            ));
        }
        let octets = std::fs::read(path).map_err(|error| format!("{place}: {error}"))?;
        Self::of(octets).map_err(|error| format!("{place} {error}"))
    }

    /// The same of octets.
    ///
    /// # Errors
    /// They are no picture.
    pub fn of(octets: Vec<u8>) -> Result<Self, String> {
        let media = match image::guess_format(&octets) {
            Ok(ImageFormat::Png) => "image/png",
            Ok(ImageFormat::Jpeg) => "image/jpeg",
            _ => return Err("is no picture: a PNG or JPEG file is wanted".to_owned()),
        };
        image::load_from_memory(&octets)
            .map_err(|error| format!("is a damaged picture ({error}): take it again"))?;
        let hash = hash(&octets);
        Ok(Self { hash, media: media.to_owned(), octets })
    }

    pub(super) fn insert(&self, database: &Connection) -> rusqlite::Result<usize> {
        database.execute(
            "INSERT INTO pictures (hash, media, octets) VALUES (?1, ?2, ?3) ON CONFLICT (hash) DO NOTHING",
            (&self.hash, &self.media, &self.octets),
        )
    }
}

impl Ledger {
    /// Records a look, with its picture if one was taken. When this returns, both are on the disk.
    ///
    /// # Errors
    /// There is no such piece; as [`Ledger::open`].
    pub fn inspected(
        &mut self,
        inspection: &Inspection,
        picture: Option<&Picture>,
    ) -> Result<(), LedgerError> {
        self.piece(&inspection.piece)?;
        self.change(|change| {
            if let Some(picture) = picture {
                picture.insert(change)?;
            }
            inspection.insert(change).map(|_| ())
        })
    }

    /// Every look, in the order they were recorded.
    ///
    /// # Errors
    /// As [`Ledger::open`].
    pub fn inspections(&self) -> Result<Vec<Inspection>, LedgerError> {
        let failed = |error| self.failed(error);
        let question = "SELECT mark, label, side, at, cleaning, zones, picture, inspections.notes
            FROM inspections JOIN pieces ON pieces.id = inspections.piece ORDER BY inspections.id";
        let mut question = self.database.prepare(question).map_err(failed)?;
        let looks = question.query_map([], Inspection::read).map_err(failed)?;
        looks.collect::<Result<_, _>>().map_err(failed)
    }

    /// A picture by its hash; an error where what is there has another.
    ///
    /// # Errors
    /// As [`Ledger::open`].
    pub fn picture(&self, hash: &str) -> Result<Option<Picture>, LedgerError> {
        let question = "SELECT media, octets FROM pictures WHERE hash = ?1";
        let found = self
            .database
            .query_row(question, [hash], |row| Ok((row.get(0)?, row.get(1)?)))
            .optional()
            .map_err(|error| self.failed(error))?;
        let Some((media, octets)) = found else { return Ok(None) };
        let picture = Picture { hash: hash.to_owned(), media, octets };
        let now = self::hash(&picture.octets);
        if now != hash {
            return Err(LedgerError::Asked(format!(
                "the picture {hash} is not what it was when it was recorded"
            )));
        }
        Ok(Some(picture))
    }

    /// The hashes of all pictures.
    pub(super) fn picture_hashes(&self) -> Result<Vec<String>, LedgerError> {
        let failed = |error| self.failed(error);
        let mut question =
            self.database.prepare("SELECT hash FROM pictures ORDER BY hash").map_err(failed)?;
        let hashes = question.query_map([], |row| row.get(0)).map_err(failed)?;
        hashes.collect::<Result<_, _>>().map_err(failed)
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::ledger::store::tests::Folder;
    use crate::ledger::{Kind, Piece};

    pub(in crate::ledger) const CLEAN: Zones =
        Zones { core: Zone::Pass, cladding: Zone::Pass, adhesive: Zone::NotJudged, contact: Zone::Pass };

    pub(in crate::ledger) fn picture() -> Picture {
        let mut octets = std::io::Cursor::new(Vec::new());
        image::DynamicImage::new_luma8(4, 3).write_to(&mut octets, ImageFormat::Png).unwrap();
        Picture::of(octets.into_inner()).unwrap()
    }

    #[test]
    fn a_look_is_kept_with_its_picture() {
        let folder = Folder::new("looks");
        let mut ledger = Ledger::open(&folder.ledger()).unwrap();
        let picture = picture();
        let look = Inspection {
            picture: Some(picture.hash.clone()),
            ..Inspection::new("F-1", Side::B, Cleaning::After, CLEAN)
        };
        assert!(ledger.inspected(&look, Some(&picture)).unwrap_err().to_string().contains("no piece F-1"));
        ledger.add(&Piece::new("F-1", Kind::FibrePatch)).unwrap();
        ledger.inspected(&look, Some(&picture)).unwrap();
        assert_eq!(ledger.inspections().unwrap(), [look]);
        assert_eq!(ledger.picture(&picture.hash).unwrap(), Some(picture.clone()));
        // What was changed behind our back is found.
        ledger.database.execute("UPDATE pictures SET octets = x'00'", []).unwrap();
        assert!(ledger.picture(&picture.hash).unwrap_err().to_string().contains("not what it was"));
    }

    #[test]
    fn clean_is_what_was_judged_so() {
        let look = |zones| Inspection::new("F-1", Side::A, Cleaning::After, zones).is_clean();
        assert!(look(CLEAN));
        assert!(look(Zones { adhesive: Zone::Pass, ..CLEAN }));
        for bad in [
            Zones { core: Zone::NotJudged, ..CLEAN },
            Zones { cladding: Zone::Fail, ..CLEAN },
            Zones { adhesive: Zone::Fail, ..CLEAN },
            Zones { contact: Zone::NotJudged, ..CLEAN },
        ] {
            assert!(!look(bad), "{bad:?}");
        }
    }

    #[test]
    fn what_is_no_picture_is_refused() {
        assert!(Picture::of(b"a shopping list".to_vec()).unwrap_err().contains("no picture"));
        let mut cut = picture().octets;
        cut.truncate(40);
        assert!(Picture::of(cut).unwrap_err().contains("damaged"));
    }
}
