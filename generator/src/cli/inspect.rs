//! `kitproof kit inspect`: how a fibre end looked.

use std::io::Write;
use std::path::PathBuf;

use clap::Args;

use super::complain;
use super::recording::usage;
use crate::ledger::{Cleaning, Inspection, Ledger, Picture, Side, Zone, Zones};
use crate::procedure::failure::{Failure, status};

const CAUTION: &str = "caution: treat every fibre end as lit, the light cannot be seen; never look into a fibre or a port, and \
                       never through a magnifier unless the far end is known to be dark (IEC 60825). Inspect, clean, \
                       inspect, then join, both ends of every joint.";

#[derive(Args, Debug)]
pub struct Inspect {
    /// The piece whose end it is
    pub label: String,

    /// Which of its ends; not needed where only one has fibre
    #[arg(long, value_enum, ignore_case = true, value_name = "A|B")]
    pub side: Option<Side>,

    /// Whether it had been cleaned
    #[arg(long, value_enum)]
    pub cleaning: Cleaning,

    /// Zone A of the end face
    #[arg(long, value_enum, default_value = "not-judged")]
    pub core: Zone,

    /// Zone B
    #[arg(long, value_enum, default_value = "not-judged")]
    pub cladding: Zone,

    /// Zone C
    #[arg(long, value_enum, default_value = "not-judged")]
    pub adhesive: Zone,

    /// Zone D
    #[arg(long, value_enum, default_value = "not-judged")]
    pub contact: Zone,

    /// A picture of it (PNG or JPEG), kept in the ledger with its hash
    #[arg(long, value_name = "FILE")]
    pub picture: Option<PathBuf>,

    #[arg(long, value_name = "TEXT")]
    pub notes: Option<String>,
}

impl Inspect {
    /// Records it; exit status 1 for an end that is not clean.
    ///
    /// # Errors
    /// A piece without fibre, an end that was not named, a picture that is none; the ledger's.
    pub fn record(&self, ledger: &mut Ledger, out: &mut impl Write) -> Result<u8, Failure> {
        complain(CAUTION);
        let piece = ledger.piece(&self.label).map_err(usage)?;
        let sides = piece.fibre_sides();
        let side = match (self.side, sides.as_slice()) {
            (_, []) => {
                return Err(Failure::Usage(format!(
                    "{} has no end that light comes out of: if it has, say so with kitproof kit change {} --ends …",
                    piece.label, piece.label
                )));
            }
            (Some(side), sides) if sides.contains(&side) => side,
            (None, [only]) => *only,
            (None, _) => {
                return Err(Failure::Usage(format!(
                    "{} has two fibre ends: say which with --side A or --side B, as they are marked",
                    piece.label
                )));
            }
            (Some(side), _) => {
                return Err(Failure::Usage(format!("end {side} of {} has no fibre", piece.label)));
            }
        };
        let picture = self.picture.as_deref().map(Picture::read).transpose().map_err(Failure::Usage)?;
        let Self { core, cladding, adhesive, contact, .. } = *self;
        let inspection = Inspection {
            picture: picture.as_ref().map(|picture| picture.hash.clone()),
            notes: self.notes.clone(),
            ..Inspection::new(&piece.label, side, self.cleaning, Zones { core, cladding, adhesive, contact })
        };
        ledger.inspected(&inspection, picture.as_ref()).map_err(usage)?;
        let found = if inspection.is_clean() { "clean" } else { "not shown clean" };
        let _ = writeln!(out, "end {side} of {}, {}: {found}", piece.label, self.cleaning);
        for (zone, judged) in inspection.zones.named() {
            let _ = writeln!(out, "  {zone:<9} {judged}");
        }
        Ok(if inspection.is_clean() { status::PASS } else { status::FAIL })
    }
}
