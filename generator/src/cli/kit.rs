//! `kitproof kit`: the bag. Pieces go in, and what the recorded runs say of them comes out.

use std::fs::File;
use std::io::{BufReader, Write};
use std::path::PathBuf;

use clap::{Args, Subcommand};

use super::inspect::Inspect;
use super::kit_next::Next;
use super::kit_proven::Proven;
use super::options::print;
use super::recording::{open, usage};
use crate::elimination::ends::Ends;
use crate::elimination::observation::{Explained, explain, weigh};
use crate::elimination::set::Set;
use crate::elimination::words::named;
use crate::ledger::{Kind, Ledger, Piece, Retired};
use crate::procedure::failure::{Failure, status};
use crate::report::{grouped, typed};
use crate::verdict::Outcome;
use crate::verdict::confidence::CONFIDENCE;

#[derive(Args, Debug)]
pub struct Kit {
    /// The ledger [default: ~/.local/share/kitproof/ledger.sqlite]
    #[arg(long, value_name = "FILE", global = true)]
    pub ledger: Option<PathBuf>,

    #[command(subcommand)]
    pub what: What,
}

#[derive(Subcommand, Debug)]
pub enum What {
    /// Put a piece into the bag
    Add(Add),
    /// The pieces in the bag, and how often each passed and failed
    List,
    /// The recorded runs, in the order they were recorded
    Runs,
    /// Which pieces may be to blame for the fails, given all passes of prove
    Suspects,
    /// Which chain to build next to learn most, and why
    Next(Next),
    /// What the passes of prove show of each piece, under which conditions, and which proofs are stale
    Proven(Proven),
    /// Correct what is known of a piece; what is not named stays
    Change(Change),
    /// Take a piece out of the bag; what was recorded of it stays
    Retire {
        /// The mark it carries
        label: String,
        /// Why
        #[arg(value_enum)]
        why: Retired,
    },
    /// Put a piece back into the bag
    Return {
        /// The mark it carries
        label: String,
    },
    /// Record how a fibre end looked, zone by zone (IEC 61300-3-35)
    Inspect(Inspect),
    /// Write every piece and run as JSON lines to standard output
    Export,
    /// Take in what export wrote; what is there already is left as it is
    Import {
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
    /// Let SQLite check the file
    Check,
}

#[derive(Args, Debug)]
pub struct Add {
    /// The mark it carries, such as T-1
    pub label: String,

    #[arg(long, value_enum)]
    pub kind: Kind,

    #[command(flatten)]
    pub about: About,
}

#[derive(Args, Debug)]
pub struct Change {
    /// The mark it carries
    pub label: String,

    #[arg(long, value_enum)]
    pub kind: Option<Kind>,

    #[command(flatten)]
    pub about: About,
}

/// What is known of a piece beside its kind.
#[derive(Args, Debug)]
pub struct About {
    #[arg(long, value_name = "NAME")]
    pub maker: Option<String>,

    #[arg(long, value_name = "NUMBER")]
    pub serial: Option<String>,

    /// Such as copper, multimode or single-mode
    #[arg(long, value_name = "WORD")]
    pub medium: Option<String>,

    /// Such as 1G
    #[arg(long, value_name = "SPEED")]
    pub speed: Option<String>,

    /// Its two ends, where they are not those such a piece usually has: rj45-socket,sfp-cage
    #[arg(long, value_name = "END,END")]
    pub ends: Option<Ends>,

    #[arg(long, value_name = "TEXT")]
    pub notes: Option<String>,
}

impl About {
    /// The piece with what was named in the place of what was known.
    fn of(&self, piece: Piece) -> Piece {
        let or = |named: &Option<String>, known: Option<String>| named.clone().or(known);
        Piece {
            maker: or(&self.maker, piece.maker),
            serial: or(&self.serial, piece.serial),
            medium: or(&self.medium, piece.medium),
            rated_speed: or(&self.speed, piece.rated_speed),
            notes: or(&self.notes, piece.notes),
            ends: self.ends.or(piece.ends),
            ..piece
        }
    }
}

impl Kit {
    /// Carries it out.
    ///
    /// # Errors
    /// One clear line.
    pub fn run(&self) -> Result<u8, Failure> {
        let mut ledger = open(self.ledger.as_deref())?;
        let mut text = Vec::new();
        let mut exit = status::PASS;
        match &self.what {
            What::Add(add) => {
                let piece = add.about.of(Piece::new(&add.label, add.kind));
                ledger.add(&piece).map_err(usage)?;
                let place = ledger.path().display();
                let _ = writeln!(text, "{} ({}) is in the bag: {place}", piece.label, piece.kind);
            }
            What::Change(change) => {
                let known = ledger.piece(&change.label).map_err(usage)?;
                let kind = change.kind.unwrap_or(known.kind);
                ledger.amend(&Piece { kind, ..change.about.of(known) }).map_err(usage)?;
                let _ = writeln!(text, "{} is changed", change.label);
            }
            What::Retire { label, why } => {
                let piece = ledger.piece(label).map_err(usage)?;
                ledger.amend(&Piece { retired: Some(*why), ..piece }).map_err(usage)?;
                let _ = writeln!(text, "{label} is out of the bag ({why}); its history stays");
            }
            What::Return { label } => {
                let piece = ledger.piece(label).map_err(usage)?;
                ledger.amend(&Piece { retired: None, ..piece }).map_err(usage)?;
                let _ = writeln!(text, "{label} is in the bag again");
            }
            What::Proven(asked) => asked.say(&ledger, &mut text)?,
            What::Next(asked) => asked.say(&ledger, &mut text)?,
            What::Inspect(look) => exit = look.record(&mut ledger, &mut text)?,
            What::List => list(&ledger, &mut text)?,
            What::Runs => runs(&ledger, &mut text)?,
            What::Suspects => exit = suspects(&ledger, &mut text)?,
            // Line by line: what can be read is out, whatever comes after it.
            What::Export => ledger.export(&mut std::io::stdout().lock()).map_err(usage)?,
            What::Import { file } => {
                let open = File::open(file)
                    .map_err(|error| Failure::Usage(format!("{}: {error}", file.display())))?;
                let imported = ledger
                    .import(BufReader::new(open))
                    .map_err(|error| Failure::Usage(format!("{}: {error}", file.display())))?;
                let _ = writeln!(
                    text,
                    "new: {} pieces, {} inspections and {} runs",
                    imported.pieces, imported.inspections, imported.runs
                );
            }
            What::Check => {
                let wrong = ledger.integrity().map_err(usage)?;
                for line in &wrong {
                    let _ = writeln!(text, "{line}");
                }
                if !wrong.is_empty() {
                    exit = status::FAIL;
                }
                let runs = ledger.count_runs().map_err(usage)?;
                let state = if wrong.is_empty() {
                    "sound"
                } else {
                    "damaged: keep a copy, then export what can be read"
                };
                let _ = writeln!(text, "{}: {state}, {runs} runs", ledger.path().display());
            }
        }
        print(&text).map_err(|error| {
            Failure::Environment(format!("standard output could not be written: {error}"))
        })?;
        Ok(exit)
    }
}

fn list(ledger: &Ledger, out: &mut impl Write) -> Result<(), Failure> {
    let pieces = ledger.pieces().map_err(usage)?;
    if pieces.is_empty() {
        let _ = writeln!(out, "The bag is empty: kitproof kit add T-1 --kind tap");
    }
    let wide = pieces.iter().map(|piece| piece.label.chars().count()).max().unwrap_or(0);
    for piece in &pieces {
        let count = |verdict| ledger.count_through(&piece.label, verdict).map_err(usage);
        let about = [&piece.maker, &piece.serial, &piece.medium, &piece.rated_speed, &piece.notes];
        let retired = piece.retired.map(|why| format!("retired: {why}"));
        let about = about.into_iter().chain([&retired]);
        let about: Vec<&str> = about.into_iter().filter_map(|text| text.as_deref()).collect();
        let line = format!(
            "{:<wide$}  {:<11}  {:>3} pass  {:>3} fail  {:>3} unproven  {}",
            piece.label,
            piece.kind,
            count(Outcome::Pass)?,
            count(Outcome::Fail)?,
            count(Outcome::Unproven)?,
            about.join(", ")
        );
        let _ = writeln!(out, "{}", line.trim_end());
    }
    Ok(())
}

fn runs(ledger: &Ledger, out: &mut impl Write) -> Result<(), Failure> {
    let (runs, strange) = ledger.runs().map_err(usage)?;
    for run in &runs {
        let result = &run.result;
        let verdict = result.verdict.map_or_else(|| "complete".to_owned(), |verdict| verdict.to_string());
        let chain = typed(&result.chain);
        let chain = if chain.is_empty() { "no chain was named" } else { &chain };
        let _ = writeln!(out, "{}  {:<8}  {}  {chain}", result.started, verdict, result.command);
    }
    if strange > 0 {
        let _ = writeln!(
            out,
            "{strange} more were written by another version and are not understood by this one"
        );
    }
    Ok(())
}

/// What explains the fails; exit status 1 if anything is suspect.
fn suspects(ledger: &Ledger, out: &mut impl Write) -> Result<u8, Failure> {
    let (elements, observations) = ledger.evidence().map_err(usage)?;
    let (conflicts, posterior) = weigh(&observations, CONFIDENCE);
    let name = |set: Set, joint: &str| named(&elements, set, joint);
    match explain(&conflicts) {
        Explained::NothingFailed if observations.is_empty() => {
            let _ = writeln!(
                out,
                "No trial of prove through named pieces is recorded yet: kitproof prove … --through P-1,T-1"
            );
            return Ok(status::PASS);
        }
        Explained::NothingFailed => {
            let _ = writeln!(out, "No recorded trial of prove failed: nothing is suspect.");
            return Ok(status::PASS);
        }
        Explained::ByNoPiece { through } => {
            let _ = writeln!(
                out,
                "Interaction or intermittent: {} failed together, and each of them has passed. Prove the same chain again, \
                 longer: if it fails each time, they do not go together; if not, the fault comes and goes.",
                name(through, ", ")
            );
        }
        Explained::ByTooMany => {
            let _ = writeln!(
                out,
                "More than {} pieces would have to be bad: look for what all the chains share beside the pieces (ports, \
                 settings), and run kitproof reference.",
                crate::elimination::hitting::MOST_TOGETHER
            );
        }
        Explained::By(mut sets) => {
            let _ = writeln!(out, "What explains every fail, given every pass:");
            sets.sort_by(|one, other| posterior.exactly(*other).total_cmp(&posterior.exactly(*one)));
            for set in sets {
                let weighed =
                    if set.len() <= 2 { percent(posterior.exactly(set)) } else { "not weighed".to_owned() };
                let _ = writeln!(out, "  {}: {weighed}", name(set, " and "));
            }
        }
    }
    let few = conflicts.iter().fold(Set::default(), |all, conflict| all.union(conflict.passed_too_few));
    if let Some(most) =
        conflicts.iter().map(|conflict| conflict.frames_to_clear).max().filter(|_| !few.is_empty())
    {
        let _ = writeln!(
            out,
            "{} passed too, but with too few frames to be cleared of losses so rare: up to {} frames in all are needed.",
            name(few, ", "),
            grouped(most)
        );
    }
    let _ = writeln!(
        out,
        "A pass clears at the same speed, duplex and frame size, at the same load or more, at {} % confidence.",
        CONFIDENCE * 100.0
    );
    Ok(status::FAIL)
}

/// A probability as a person reads it.
pub(super) fn percent(probability: f64) -> String {
    match 100.0 * probability {
        little if little < 0.1 => "below 0.1 %".to_owned(),
        much if much > 99.9 => "above 99.9 %".to_owned(),
        percent => format!("{percent:.1} %"),
    }
}
