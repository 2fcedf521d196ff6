//! The demo's end: one of eleven pieces is bad. The chains that `kitproof kit next` proposes are built (played) until it is
//! found, and the bag's sheet is written.

use image::{GrayImage, Luma};
use kitproof_bench::script::Script;

use super::{Demo, broken, expect};
use crate::cli::kit_next::{Suggestion, suggestion};
use crate::cli::sheet::write;
use crate::elimination::ends::{End, Ends};
use crate::ledger::{Cleaning, Inspection, Kind, Ledger, LedgerError, Picture, Piece, Side, Zone, Zones};
use crate::procedure::failure::{Failure, status};
use crate::report::{Ink, Style};

/// The bag, invented.
const PIECES: [(&str, Kind, &str, &str, &str); 11] = [
    ("P-1", Kind::Patch, "copper", "1G", "Quayside Cordage (invented)"),
    ("P-2", Kind::Patch, "copper", "1G", "Quayside Cordage (invented)"),
    ("P-3", Kind::Patch, "copper", "1G", "Quayside Cordage (invented)"),
    ("T-1", Kind::Tap, "copper", "1G", "Harbour Taps (invented)"),
    ("C-1", Kind::Converter, "multimode", "1G", "Gangway Converters (invented)"),
    ("C-2", Kind::Converter, "multimode", "1G", "Gangway Converters (invented)"),
    ("C-3", Kind::Converter, "multimode", "1G", "Gangway Converters (invented)"),
    ("X-1", Kind::Transceiver, "multimode", "1G", "Foghorn Optics (invented)"),
    ("X-2", Kind::Transceiver, "multimode", "1G", "Foghorn Optics (invented)"),
    ("F-1", Kind::FibrePatch, "multimode OM3", "1G", "Quayside Cordage (invented)"),
    ("F-2", Kind::FibrePatch, "multimode OM3", "1G", "Quayside Cordage (invented)"),
];
const BAD: &str = "C-2";
/// As on the bench when the fault was noticed.
const FIRST: &str = "P-1,T-1,P-2,C-1,X-1,F-1,X-2,C-2,P-3";
/// What the bad converter does, both ways.
const FAULT: &str = r#"{"forward": {"drop": {"every": 211}}, "return": {"drop": {"every": 307}}}"#;
const BUILDS: usize = 10;

fn ledger_failed(error: LedgerError) -> Failure {
    Failure::Incomplete(error.to_string())
}

/// The fourth scene.
pub(super) fn scene(demo: &Demo, ink: &Ink, no_color: bool) -> Result<(), Failure> {
    println!(
        "{}",
        ink.paint(
            Style::Strong,
            "4. Eleven pieces in the bag, and one of them is bad: which? (converter C-2 is played bad)"
        )
    );
    let place = demo.output.join("bag.sqlite");
    for beside in ["", "-wal", "-shm"] {
        let mut old = place.clone().into_os_string();
        old.push(beside);
        let _ = std::fs::remove_file(old);
    }
    let mut ledger = Ledger::open(&place).map_err(ledger_failed)?;
    fill(&mut ledger).map_err(ledger_failed)?;
    let ports = Ends([End::Rj45Socket; 2]);
    let mut through = FIRST.to_owned();
    for build in 1..=BUILDS {
        let script = if through.split(',').any(|piece| piece == BAD) {
            Script::from_json(FAULT).map_err(broken)?
        } else {
            Script::faithful()
        };
        let file = place.to_string_lossy().into_owned();
        let command =
            ["prove", "--frame-size", "512", "--duration", "1s", "--through", &through, "--ledger", &file];
        let (ended, _) = demo.decided(&command, &script, &format!("build-{build}.json"), no_color)?;
        let expected = if through.split(',').any(|piece| piece == BAD) { status::FAIL } else { status::PASS };
        expect(ended == expected, "a chain fails if the bad converter is in it, and else passes")?;
        match suggestion(&ledger, ports)? {
            Suggestion::Build { through: next, why } => {
                print!("{why}");
                println!();
                through = next;
            }
            Suggestion::Over { found, words } => {
                print!("{words}");
                expect(found.as_deref() == Some(BAD), "the bad converter must be found")?;
                println!(
                    "\n{}\n",
                    ink.paint(
                        Style::Good,
                        &format!("{BAD} was found by elimination, with {build} chains built.")
                    )
                );
                let page = demo.output.join("kit-sheet.html");
                let title = "The bag for a weekend at the ferry terminal's ticket hall (invented)";
                expect(write(&ledger, &page, title, 365)?, "the sheet must be written")?;
                println!("The bag's sheet, to be opened in any browser: {}", page.display());
                return Ok(());
            }
        }
    }
    Err(Failure::Incomplete(format!("the demo did not go as it should: {BUILDS} builds did not find {BAD}")))
}

fn fill(ledger: &mut Ledger) -> Result<(), LedgerError> {
    for (number, (label, kind, medium, speed, maker)) in PIECES.into_iter().enumerate() {
        ledger.add(&Piece {
            maker: Some(maker.to_owned()),
            serial: Some(format!("INV-{:04}", 1_001 + number)),
            medium: Some(medium.to_owned()),
            rated_speed: Some(speed.to_owned()),
            ..Piece::new(label, kind)
        })?;
    }
    let clean = Zones { core: Zone::Pass, cladding: Zone::Pass, adhesive: Zone::Pass, contact: Zone::Pass };
    let dirty = Zones { contact: Zone::Fail, ..clean };
    for (cleaning, zones, specks) in [(Cleaning::Before, dirty, 14), (Cleaning::After, clean, 0)] {
        let picture = drawn(specks).map_err(LedgerError::Asked)?;
        let look = Inspection {
            picture: Some(picture.hash.clone()),
            notes: Some("The picture is drawn, not taken (invented).".to_owned()),
            ..Inspection::new("F-1", Side::A, cleaning, zones)
        };
        ledger.inspected(&look, Some(&picture))?;
    }
    Ok(())
}

/// An end face as a microscope shows it, drawn: cladding, core, and specks of dirt.
fn drawn(specks: u32) -> Result<Picture, String> {
    const SIDE: u32 = 240;
    let middle = f64::from(SIDE) / 2.0;
    let mut picture = GrayImage::from_pixel(SIDE, SIDE, Luma([26]));
    let mut disc = |x: f64, y: f64, radius: f64, grey: u8| {
        for (column, row, pixel) in picture.enumerate_pixels_mut() {
            let distance = (f64::from(column) - x).hypot(f64::from(row) - y);
            if distance <= radius {
                *pixel = Luma([grey]);
            }
        }
    };
    disc(middle, middle, 110.0, 120);
    disc(middle, middle, 56.0, 165);
    disc(middle, middle, 23.0, 205);
    for speck in 0..specks {
        // Where they lie is of no matter, only that they lie apart.
        let angle = f64::from(speck) * 2.4;
        let radius = 66.0 + f64::from(speck * 37 % 40);
        disc(middle + radius * angle.cos(), middle + radius * angle.sin(), 2.0 + f64::from(speck % 4), 40);
    }
    let mut octets = std::io::Cursor::new(Vec::new());
    picture.write_to(&mut octets, image::ImageFormat::Png).map_err(|error| error.to_string())?;
    Picture::of(octets.into_inner())
}
