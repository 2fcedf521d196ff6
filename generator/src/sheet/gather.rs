//! What the ledger says of the bag, as the page shows it.

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;

use super::run::{Link, RunBlock, Verdict, block, links, verdict};
use crate::elimination::observation::{Conflict, Explained, explain, weigh};
use crate::elimination::posterior::Posterior;
use crate::elimination::proof::Proof;
use crate::elimination::set::Set;
use crate::elimination::words::{conditions, day, named, rounded, stale};
use crate::ledger::{Ledger, LedgerError, Picture, Piece, Recorded};
use crate::report::{ChainPiece, grouped};
use crate::verdict::confidence::CONFIDENCE;

/// Runs that are shown whole, the latest ones.
const RUNS: usize = 30;
/// A picture larger than this is shown smaller, octets.
const LARGE: usize = 200_000;
/// So many pixels wide or high at most.
const PIXELS: u32 = 480;

/// The bag.
pub struct Bag {
    pub pieces: Vec<PieceRow>,
    pub headline: String,
    pub headline_class: &'static str,
    pub suspects: Vec<SuspectRow>,
    pub chains: Vec<ChainRow>,
    pub inspections: Vec<InspectionBlock>,
    pub runs: Vec<RunBlock>,
    pub more_runs: usize,
    pub strange_runs: usize,
    pub confidence: String,
}

impl Bag {
    /// Whether there is any proof.
    #[must_use]
    pub fn is_anything_proven(&self) -> bool {
        self.pieces.iter().any(|piece| !piece.proofs.is_empty())
    }
}

/// A piece and where it stands.
pub struct PieceRow {
    pub label: String,
    pub kind: String,
    pub about: String,
    pub state: State,
    pub proofs: Vec<ProofRow>,
    /// Fibre ends not seen clean since their last use.
    pub fibre: Vec<String>,
}

/// Where a piece stands: a word, a mark and a class.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct State {
    pub word: &'static str,
    pub mark: &'static str,
    pub class: &'static str,
}

const PROVEN: State = State { word: "proven", mark: "✔", class: "good" };
const SUSPECT: State = State { word: "suspect", mark: "▲", class: "bad" };
const STALE: State = State { word: "stale", mark: "◷", class: "unsure" };
const RETIRED: State = State { word: "out of the bag", mark: "✕", class: "plain" };
const OPEN: State = State { word: "not proven", mark: "○", class: "plain" };

pub struct ProofRow {
    pub conditions: String,
    pub load: String,
    pub passes: u64,
    pub frames: String,
    pub bound: String,
    pub last: String,
    /// Why it no longer holds; empty where it does.
    pub stale: String,
}

pub struct SuspectRow {
    pub names: String,
    pub probability: String,
}

/// A chain, and how often it passed and failed.
pub struct ChainRow {
    pub links: Vec<Link>,
    pub passes: usize,
    pub fails: usize,
    pub unproven: usize,
    pub last: Verdict,
    pub last_day: String,
}

pub struct InspectionBlock {
    pub place: String,
    pub at: String,
    pub cleaning: String,
    pub clean: bool,
    pub zones: Vec<(&'static str, String)>,
    pub notes: String,
    /// A data URI, and its hash; empty without a picture.
    pub picture: String,
    pub hash: String,
}

/// Gathers everything; a proof older than `days` is stale.
///
/// # Errors
/// The ledger's.
pub fn gather(ledger: &Ledger, days: i64) -> Result<Bag, LedgerError> {
    let (runs, strange_runs) = ledger.runs()?;
    let (elements, observations) = ledger.evidence_of(&runs)?;
    let (conflicts, posterior) = weigh(&observations, CONFIDENCE);
    let explained = explain(&conflicts);
    let ends = ledger.fibre_ends()?;
    let proofs = ledger.proofs(&elements, &observations, &conflicts, days)?;
    let blamed = blamed(&explained, &posterior);
    let suspected = blamed.map_or_else(|| suspected(&conflicts, &explained), |(set, _)| set);
    let pieces: Vec<PieceRow> = ledger
        .pieces()?
        .iter()
        .map(|piece| {
            let fibre = ends.not_clean(piece).iter().map(|side| format!("end {side}")).collect();
            piece_row(piece, &elements, &proofs, suspected, fibre)
        })
        .collect();
    let (headline, headline_class) = headline(&explained, blamed, &pieces, &elements);
    let chains = chains(&runs);
    let more_runs = runs.len().saturating_sub(RUNS);
    Ok(Bag {
        headline,
        headline_class,
        suspects: suspects(&explained, &posterior, &elements),
        chains,
        inspections: inspections(ledger)?,
        runs: runs.iter().rev().take(RUNS).map(block).collect(),
        more_runs,
        strange_runs,
        pieces,
        confidence: format!("{} %", CONFIDENCE * 100.0),
    })
}

/// The one explanation that has the confidence, if one has.
fn blamed(explained: &Explained, posterior: &Posterior) -> Option<(Set, f64)> {
    let Explained::By(sets) = explained else { return None };
    let weighed = sets.iter().map(|set| (*set, posterior.exactly(*set)));
    weighed
        .max_by(|one, other| one.1.total_cmp(&other.1))
        .filter(|(_, probability)| *probability >= CONFIDENCE)
}

/// Every element that some explanation blames.
fn suspected(conflicts: &[Conflict], explained: &Explained) -> Set {
    match explained {
        Explained::NothingFailed => Set::default(),
        Explained::By(sets) => sets.iter().fold(Set::default(), |all, set| all.union(*set)),
        Explained::ByNoPiece { through } => *through,
        Explained::ByTooMany => conflicts.iter().fold(Set::default(), |all, one| all.union(one.suspects)),
    }
}

fn piece_row(
    piece: &Piece,
    elements: &[ChainPiece],
    proofs: &[Proof],
    suspected: Set,
    fibre: Vec<String>,
) -> PieceRow {
    let own = |element: usize| elements[element].piece == piece.label;
    let here: Vec<&Proof> = proofs.iter().filter(|proof| own(proof.element)).collect();
    let state = if piece.retired.is_some() {
        RETIRED
    } else if suspected.iter().any(own) {
        SUSPECT
    } else if here.iter().any(|proof| proof.stale.is_empty()) {
        PROVEN
    } else if here.is_empty() {
        OPEN
    } else {
        STALE
    };
    let ends = piece.both_ends().map(|ends| ends.to_string().replace(',', " to "));
    let about = [
        piece.maker.clone(),
        piece.serial.as_ref().map(|serial| format!("serial {serial}")),
        piece.medium.clone(),
        piece.rated_speed.clone(),
        ends,
        piece.notes.clone(),
        piece.retired.map(|why| format!("retired: {why}")),
    ];
    PieceRow {
        label: piece.label.clone(),
        kind: piece.kind.to_string().replace('-', " "),
        about: about.into_iter().flatten().collect::<Vec<_>>().join(", "),
        state,
        proofs: here.iter().map(|proof| proof_row(proof, &elements[proof.element])).collect(),
        fibre,
    }
}

fn proof_row(proof: &Proof, element: &ChainPiece) -> ProofRow {
    let condition = element.condition.as_ref().map_or(String::new(), |condition| format!("{condition}; "));
    ProofRow {
        conditions: format!("{condition}{}", conditions(&proof.regime)),
        load: format!("{} %", rounded(proof.load_percent)),
        passes: proof.passes,
        frames: grouped(proof.frames),
        bound: proof.bound(CONFIDENCE).map_or_else(|| "–".to_owned(), |bound| format!("{bound:.1e}")),
        last: day(proof.last),
        stale: proof.stale.iter().map(stale).collect::<Vec<_>>().join(", "),
    }
}

fn suspects(explained: &Explained, posterior: &Posterior, elements: &[ChainPiece]) -> Vec<SuspectRow> {
    let Explained::By(sets) = explained else { return Vec::new() };
    let mut rows: Vec<(f64, SuspectRow)> = sets
        .iter()
        .map(|set| {
            let probability = posterior.exactly(*set);
            let told = if set.len() <= 2 {
                format!("{:.1} %", 100.0 * probability)
            } else {
                "not weighed".to_owned()
            };
            (probability, SuspectRow { names: named(elements, *set, " and "), probability: told })
        })
        .collect();
    rows.sort_by(|one, other| other.0.total_cmp(&one.0));
    rows.into_iter().map(|(_, row)| row).collect()
}

fn headline(
    explained: &Explained,
    blamed: Option<(Set, f64)>,
    pieces: &[PieceRow],
    elements: &[ChainPiece],
) -> (String, &'static str) {
    let count = |state: State| pieces.iter().filter(|piece| piece.state == state).count();
    let in_the_bag = pieces.len() - count(RETIRED);
    if let Some((bad, probability)) = blamed {
        let verb = if bad.len() == 1 { "is" } else { "are" };
        let names = named(elements, bad, " and ");
        let proven = count(PROVEN);
        return (
            format!(
                "{names} {verb} to blame for every fail ({:.1} %): leave it out of the bag. Of the other {} pieces {proven} are proven.",
                100.0 * probability,
                in_the_bag - bad.len()
            ),
            "bad",
        );
    }
    match explained {
        Explained::By(sets) if sets.len() == 1 => {
            let verb = if sets[0].len() == 1 { "is" } else { "are" };
            (
                format!(
                    "{} {verb} to blame for every fail. Leave it out of the bag.",
                    named(elements, sets[0], " and ")
                ),
                "bad",
            )
        }
        Explained::By(_) | Explained::ByTooMany => (
            format!(
                "Something failed: {} pieces are suspect. See which chain to build next below.",
                count(SUSPECT)
            ),
            "bad",
        ),
        Explained::ByNoPiece { through } => (
            format!(
                "{} failed together, and each of them has passed: they do not go together, or the fault comes and goes.",
                named(elements, *through, ", ")
            ),
            "bad",
        ),
        Explained::NothingFailed if in_the_bag == 0 => ("The bag is empty.".to_owned(), "plain"),
        Explained::NothingFailed if count(PROVEN) == in_the_bag => {
            (format!("All {in_the_bag} pieces are proven under the conditions below."), "good")
        }
        Explained::NothingFailed => (
            format!(
                "{} of {} pieces are proven; {} proofs are stale and {} pieces were never proven.",
                count(PROVEN),
                pieces.len(),
                count(STALE),
                count(OPEN)
            ),
            "unsure",
        ),
    }
}

/// Every chain that was proved, the latest first.
fn chains(runs: &[Recorded]) -> Vec<ChainRow> {
    use crate::verdict::Outcome;
    let mut rows: Vec<(Vec<ChainPiece>, ChainRow)> = Vec::new();
    for result in runs.iter().rev().map(|run| &run.result).filter(|result| !result.chain.is_empty()) {
        let known = rows.iter_mut().find(|(chain, _)| *chain == result.chain);
        let row = match known {
            Some((_, row)) => row,
            None => {
                let row = ChainRow {
                    links: links(&result.chain),
                    passes: 0,
                    fails: 0,
                    unproven: 0,
                    last: verdict(result.verdict),
                    last_day: result.started.chars().take(10).collect(),
                };
                rows.push((result.chain.clone(), row));
                match rows.last_mut() {
                    Some((_, row)) => row,
                    None => continue,
                }
            }
        };
        match result.verdict {
            Some(Outcome::Pass) => row.passes += 1,
            Some(Outcome::Fail) => row.fails += 1,
            Some(Outcome::Unproven) => row.unproven += 1,
            None => {}
        }
    }
    rows.into_iter().map(|(_, row)| row).collect()
}

fn inspections(ledger: &Ledger) -> Result<Vec<InspectionBlock>, LedgerError> {
    let mut blocks = Vec::new();
    for look in ledger.inspections()?.into_iter().rev() {
        let picture = look.picture.as_deref().map(|hash| ledger.picture(hash)).transpose()?.flatten();
        blocks.push(InspectionBlock {
            place: format!("{}, end {}", look.piece, look.side),
            at: look.at.replacen('T', " ", 1),
            cleaning: look.cleaning.to_string(),
            clean: look.is_clean(),
            zones: look.zones.named().map(|(name, zone)| (name, zone.to_string())).to_vec(),
            notes: look.notes.clone().unwrap_or_default(),
            picture: picture.as_ref().map(shown).unwrap_or_default(),
            hash: look.picture.map(|hash| hash.chars().take(16).collect()).unwrap_or_default(),
        });
    }
    Ok(blocks)
}

/// A picture as a data URI, made smaller if it is large.
fn shown(picture: &Picture) -> String {
    let uri = |media: &str, octets: &[u8]| format!("data:{media};base64,{}", BASE64_STANDARD.encode(octets));
    if picture.octets.len() > LARGE
        && let Ok(large) = image::load_from_memory(&picture.octets)
    {
        let mut small = std::io::Cursor::new(Vec::new());
        if large.thumbnail(PIXELS, PIXELS).to_rgb8().write_to(&mut small, image::ImageFormat::Jpeg).is_ok() {
            return uri("image/jpeg", &small.into_inner());
        }
    }
    uri(&picture.media, &picture.octets)
}
