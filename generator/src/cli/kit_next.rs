//! `kitproof kit next`: which chain to build to learn most, and why.

use std::fmt::Write as _;
use std::io::Write;

use clap::Args;

use super::kit::percent;
use super::recording::usage;
use crate::elimination::buildable::{Buildable, Part};
use crate::elimination::ends::{End, Ends};
use crate::elimination::next::{Advice, Builder, Proposal, advice};
use crate::elimination::observation::{Observation, frames_wanted};
use crate::elimination::posterior::{Posterior, Scene, scenes};
use crate::elimination::set::Set;
use crate::elimination::words::named;
use crate::ledger::{Ledger, Piece, Through, usual_place};
use crate::procedure::failure::Failure;
use crate::report::{ChainPiece, grouped, typed};
use crate::verdict::confidence::CONFIDENCE;

#[derive(Args, Debug)]
pub struct Next {
    /// What the ports of the pair look like, the generator's and the reflector's
    #[arg(long, value_name = "END,END", default_value = "rj45-socket,rj45-socket")]
    pub ports: Ends,
}

/// Without a trial to go by: as many as a minute of the largest standard frames at 1 Gb/s.
const USUAL_FRAMES: u64 = 4_876_463;

/// The bag as the advice sees it.
struct Bag {
    elements: Vec<ChainPiece>,
    observations: Vec<Observation>,
    /// Elements that can be built with, one for each piece.
    parts: Vec<(usize, Part)>,
    /// Pieces whose ends are not known.
    unknown: Vec<String>,
}

impl Bag {
    fn of(ledger: &Ledger) -> Result<Self, Failure> {
        let pieces = ledger.pieces().map_err(usage)?;
        let (mut elements, observations) = ledger.evidence().map_err(usage)?;
        let (mut parts, mut unknown) = (Vec::new(), Vec::new());
        for piece in pieces.iter().filter(|piece| piece.retired.is_none()) {
            let Some(part) = piece.part() else {
                unknown.push(piece.label.clone());
                continue;
            };
            let element = element(piece, &mut elements, &observations);
            if element < Set::MOST {
                parts.push((element, part));
            }
        }
        Ok(Self { elements, observations, parts, unknown })
    }

    fn names(&self, set: Set) -> String {
        if set.is_empty() { "none".to_owned() } else { named(&self.elements, set, ", ") }
    }
}

/// The piece in the condition in which it last failed, or as it is.
fn element(piece: &Piece, elements: &mut Vec<ChainPiece>, observations: &[Observation]) -> usize {
    let own: Vec<usize> = elements
        .iter()
        .enumerate()
        .filter(|(_, known)| known.piece == piece.label)
        .map(|one| one.0)
        .collect();
    let failed = observations.iter().rev().filter(|one| one.failed);
    let last =
        failed.flat_map(|fail| own.iter().copied().filter(|place| fail.through.contains(*place))).next();
    let plain = || own.iter().copied().find(|place| elements[*place].condition.is_none());
    last.or_else(plain).unwrap_or_else(|| {
        elements.push(ChainPiece { piece: piece.label.clone(), kind: None, condition: None });
        elements.len() - 1
    })
}

/// What to do next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Suggestion {
    /// A chain to build, as it is typed after `--through`.
    Build { through: String, why: String },
    /// Nothing to build; `found` is what is to blame, where that is known.
    Over { found: Option<String>, words: String },
}

impl Suggestion {
    /// All of it in words.
    #[must_use]
    pub fn words(&self) -> &str {
        match self {
            Suggestion::Build { why, .. } => why,
            Suggestion::Over { words, .. } => words,
        }
    }
}

impl Next {
    /// Says what to build, and why.
    ///
    /// # Errors
    /// The ledger's.
    pub fn say(&self, ledger: &Ledger, out: &mut impl Write) -> Result<(), Failure> {
        let _ = out.write_all(suggestion(ledger, self.ports)?.words().as_bytes());
        Ok(())
    }
}

/// What to build next between two ports, and why.
///
/// # Errors
/// The ledger's.
pub fn suggestion(ledger: &Ledger, ports: Ends) -> Result<Suggestion, Failure> {
    let bag = Bag::of(ledger)?;
    let buildable = Buildable::of(&bag.parts, ports.0);
    let scenes = scenes(&bag.observations);
    let frames = frames_wanted(&bag.observations, CONFIDENCE).unwrap_or(USUAL_FRAMES);
    let pieces: Set = bag.parts.iter().map(|(element, _)| *element).collect();
    let seen = bag.observations.iter().fold(Set::default(), |all, one| all.union(one.through));
    let posterior = Posterior::of(&bag.observations, pieces.union(seen), &scenes, frames);
    let mut words = String::new();
    if let Some(first) = bag.unknown.first() {
        let _ = writeln!(
            words,
            "Left out, since their ends are not known: {} (kitproof kit change {first} --ends rj45-plug,rj45-socket).",
            bag.unknown.join(", "),
        );
    }
    if buildable.shapes.is_empty() {
        let [one, other] = ports.0;
        let _ = writeln!(
            words,
            "No chain can be built of these pieces between a port of kind {one} and one of kind {other}: put more into the \
             bag (kitproof kit add), or say what the ports are (--ports)."
        );
        return Ok(Suggestion::Over { found: None, words });
    }
    let mut found = None;
    match advice(&posterior, Builder::Fitting(&buildable), CONFIDENCE) {
        Advice::Build(proposal) => {
            let through = typed(proposal.order.iter().map(|place| &bag.elements[*place]));
            build(&bag, ledger, &posterior, &proposal, &through, (scenes.last(), frames), &mut words)?;
            return Ok(Suggestion::Build { through, why: words });
        }
        Advice::Found { bad, probability } => {
            let verb = if bad.len() == 1 { "is" } else { "are" };
            let names = named(&bag.elements, bad, " and ");
            let _ = writeln!(
                words,
                "Nothing more to build: {names} {verb} to blame ({}). Take it out of the bag (kitproof kit retire {} bad), and \
                 prove the chain again without it.",
                percent(probability),
                labels(&bag.elements, bad)
            );
            found = Some(names);
        }
        Advice::NothingBad { probability } => {
            let _ = writeln!(
                words,
                "Nothing more to build: no piece that these ports can reach is suspect ({}).",
                percent(probability)
            );
        }
        Advice::Repeat { chain, probability } => {
            let _ = writeln!(
                words,
                "Interaction or intermittent ({}): {} failed together, and each of them has passed. Build this chain again \
                 and prove it longer: if it fails each time, they do not go together; if not, the fault comes and goes.",
                percent(probability),
                bag.names(chain)
            );
        }
        Advice::CannotTell { among } => cannot_tell(&bag, &buildable, ports.0, among, &mut words),
    }
    Ok(Suggestion::Over { found, words })
}

/// The labels of pieces, without their conditions.
fn labels(elements: &[ChainPiece], set: Set) -> String {
    let labels = set.iter().filter_map(|place| elements.get(place)).map(|piece| piece.piece.as_str());
    labels.collect::<Vec<_>>().join(" and ")
}

fn build(
    bag: &Bag,
    ledger: &Ledger,
    posterior: &Posterior,
    proposal: &Proposal,
    through: &str,
    (scene, frames): (Option<&Scene>, u64),
    out: &mut String,
) -> Result<(), Failure> {
    let parsed: Through = through.parse().map_err(Failure::Usage)?;
    let chain = ledger.chain(&parsed).map_err(usage)?;
    let _ = writeln!(out, "Build this next:\n  {chain}");
    let mut command = format!("kitproof prove INTERFACE --through {through}");
    if usual_place().map_or(true, |usual| usual != ledger.path()) {
        command.push_str(&format!(" --ledger {}", ledger.path().display()));
    }
    if let Some(scene) = scene {
        if scene.regime.mix.is_none() {
            command.push_str(&format!(" --frame-size {}", scene.regime.frame_size));
        }
        command.push_str(&format!(" --load {}%", scene.load_percent));
        if let Some(seconds) = seconds(scene, frames) {
            command.push_str(&format!(" --duration {seconds}s"));
        }
    }
    let _ = writeln!(out, "and prove it with at least {} frames:\n  {command}", grouped(frames));
    let _ = writeln!(
        out,
        "It fails with a probability of {}; its verdict is worth {:.2} of the {:.2} bits that are open.",
        percent(proposal.fails),
        proposal.gain,
        posterior.open()
    );
    if bag.observations.iter().any(|one| one.failed) {
        for (outcome, passed) in [("passes", true), ("fails", false)] {
            let left = posterior.after(proposal.chain, passed).credible(CONFIDENCE);
            let _ = writeln!(out, "  If it {outcome}, suspect are: {}", bag.names(left));
        }
    } else {
        let _ =
            writeln!(out, "Nothing has failed yet: this is the chain that proves most that is not proven.");
    }
    Ok(())
}

/// How long a port sends so many frames at a load, in whole seconds: each takes its size and 20 octets (RFC 2544
/// appendix B).
fn seconds(scene: &Scene, frames: u64) -> Option<u64> {
    let bits = scene.regime.speeds[0].filter(|speed| *speed > 0)? as f64 * scene.load_percent / 100.0;
    let of_a_frame = 8.0 * (f64::from(scene.regime.frame_size) + 20.0);
    Some(((frames as f64 * of_a_frame / bits).ceil() as u64).max(1))
}

/// The kind of which one more would tell most of them apart.
fn cannot_tell(bag: &Bag, buildable: &Buildable, ports: [End; 2], among: Set, out: &mut String) {
    let _ = writeln!(
        out,
        "Suspect are {}, and no chain of this bag tells them apart: they are always used together.",
        bag.names(among)
    );
    let pairs: Vec<(usize, usize)> = among
        .iter()
        .flat_map(|one| among.iter().filter(move |other| one < *other).map(move |other| (one, other)))
        .collect();
    let spare = bag.elements.len();
    let apart =
        |found: &Buildable| pairs.iter().filter(|(one, other)| found.tells_apart(*one, *other)).count();
    let tried = buildable.classes.iter().map(|class| {
        let mut parts = bag.parts.clone();
        parts.push((spare, class.part.clone()));
        (apart(&Buildable::of(&parts, ports)), &class.part)
    });
    let best = tried.max_by_key(|(apart, _)| *apart);
    if let Some((apart, part)) = best.filter(|(apart, _)| *apart > 0) {
        let all = if apart == pairs.len() { "them" } else { "some of them" };
        let glass = part.glass.map_or(String::new(), |glass| format!(", {glass}"));
        let _ = writeln!(out, "One more {} ({}{glass}) would tell {all} apart.", part.kind, part.ends);
    }
}
