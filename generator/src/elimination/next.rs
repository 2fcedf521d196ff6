//! Which chain to build next: the one whose verdict is expected to tell most of what is not known yet.

use super::buildable::{Buildable, Shape};
use super::posterior::{Posterior, What};
use super::set::Set;

/// What can be built.
#[derive(Clone, Copy, Debug)]
pub enum Builder<'a> {
    /// Any of these pieces with any other.
    Freely(Set),
    /// What fits together.
    Fitting(&'a Buildable),
}

/// A chain worth building.
#[derive(Clone, Debug, PartialEq)]
pub struct Proposal {
    pub chain: Set,
    /// From the generator, each once.
    pub order: Vec<usize>,
    /// Bits, of those open.
    pub gain: f64,
    /// How probably it fails.
    pub fails: f64,
}

/// What tells less than this is not worth plugging.
pub const LEAST_GAIN: f64 = 0.02;
/// A piece more has to tell this many bits more.
const PER_PIECE: f64 = 1e-4;

/// What to do next.
#[derive(Clone, Debug, PartialEq)]
pub enum Advice {
    /// Nothing more to learn: this set is to blame, with this probability.
    Found {
        bad: Set,
        probability: f64,
    },
    /// Nothing more to learn: nothing is bad, with this probability.
    NothingBad {
        probability: f64,
    },
    Build(Proposal),
    /// A chain fails as a whole although no piece of it does: once more, longer.
    Repeat {
        chain: Set,
        probability: f64,
    },
    /// These are left, and no chain tells them apart.
    CannotTell {
        among: Set,
    },
}

/// What the posterior says to do, at a confidence.
#[must_use]
pub fn advice(posterior: &Posterior, builder: Builder<'_>, confidence: f64) -> Advice {
    let likeliest =
        posterior.hypotheses.iter().max_by(|one, other| one.probability.total_cmp(&other.probability));
    let Some(likeliest) = likeliest else { return Advice::NothingBad { probability: 1.0 } };
    let probability = likeliest.probability;
    match likeliest.what {
        What::Bad(bad) if probability >= confidence => return Advice::Found { bad, probability },
        What::Together(chain) if probability >= confidence => return Advice::Repeat { chain, probability },
        _ => {}
    }
    let proposal = best(posterior, builder);
    match (proposal, likeliest.what) {
        (Some(proposal), _) if proposal.gain >= LEAST_GAIN => Advice::Build(proposal),
        (_, What::NothingBad) => Advice::NothingBad { probability },
        (_, What::Together(chain)) => Advice::Repeat { chain, probability },
        (_, What::Bad(_)) => Advice::CannotTell { among: posterior.credible(confidence) },
    }
}

/// The chain of the greatest gain; of those as good, the shortest.
fn best(posterior: &Posterior, builder: Builder<'_>) -> Option<Proposal> {
    let worth = |chain: Set| posterior.gain(chain) - PER_PIECE * chain.len() as f64;
    let found = match builder {
        Builder::Freely(pieces) => {
            freely(posterior, pieces, &worth).map(|chain| (chain, chain.iter().collect()))
        }
        Builder::Fitting(buildable) => fitting(posterior, buildable, &worth),
    };
    found.filter(|(chain, _)| !chain.is_empty()).map(|(chain, order)| Proposal {
        chain,
        order,
        gain: posterior.gain(chain),
        fails: posterior.fails(chain),
    })
}

/// The pieces, the most suspect first.
fn by_blame(posterior: &Posterior, pieces: impl Iterator<Item = usize>) -> Vec<usize> {
    let mut sorted: Vec<(f64, usize)> = pieces.map(|piece| (posterior.bad(piece), piece)).collect();
    sorted.sort_by(|one, other| other.0.total_cmp(&one.0).then(one.1.cmp(&other.1)));
    sorted.into_iter().map(|(_, piece)| piece).collect()
}

/// From each beginning of the list of suspects, then piece by piece in or out while that helps.
fn freely(posterior: &Posterior, pieces: Set, worth: &impl Fn(Set) -> f64) -> Option<Set> {
    let sorted = by_blame(posterior, pieces.iter());
    let mut begun = Vec::new();
    let mut chain = Set::default();
    for piece in &sorted {
        chain = chain.with(*piece);
        begun.push((worth(chain), chain));
    }
    begun.sort_by(|one, other| other.0.total_cmp(&one.0));
    let climbed = begun.into_iter().take(2).map(|(mut value, mut chain)| {
        while let Some((better, next)) = sorted
            .iter()
            .map(|piece| chain.toggled(*piece))
            .map(|next| (worth(next), next))
            .filter(|(better, _)| *better > value + 1e-12)
            .max_by(|one, other| one.0.total_cmp(&other.0))
        {
            (value, chain) = (better, next);
        }
        (value, chain)
    });
    climbed.max_by(|one, other| one.0.total_cmp(&other.0)).map(|(_, chain)| chain)
}

/// For every shape the best filling that swaps within the classes find, from three beginnings.
fn fitting(
    posterior: &Posterior,
    buildable: &Buildable,
    worth: &impl Fn(Set) -> f64,
) -> Option<(Set, Vec<usize>)> {
    let classes: Vec<Vec<usize>> =
        buildable.classes.iter().map(|class| by_blame(posterior, class.members.iter().copied())).collect();
    let mut best: Option<(f64, Set, &Shape)> = None;
    for shape in &buildable.shapes {
        for beginning in 0..3 {
            let mut chain: Set = classes
                .iter()
                .zip(&shape.counts)
                .flat_map(|(members, count)| taken(members, *count, beginning))
                .collect();
            let mut value = worth(chain);
            while let Some((better, next)) = swaps(&classes, chain)
                .map(|next| (worth(next), next))
                .filter(|(better, _)| *better > value + 1e-12)
                .max_by(|one, other| one.0.total_cmp(&other.0))
            {
                (value, chain) = (better, next);
            }
            if best.is_none_or(|(most, ..)| value > most + 1e-12) {
                best = Some((value, chain, shape));
            }
        }
    }
    best.map(|(_, chain, shape)| (chain, buildable.ordered(chain, shape)))
}

/// So many of a class: the most suspect, the least suspect, or every other one.
fn taken(members: &[usize], count: usize, beginning: usize) -> Vec<usize> {
    match beginning {
        0 => members[..count].to_vec(),
        1 => members[members.len() - count..].to_vec(),
        _ => {
            let (even, odd) = (members.iter().step_by(2), members.iter().skip(1).step_by(2));
            even.chain(odd).take(count).copied().collect()
        }
    }
}

/// One piece out and another of its class in.
fn swaps(classes: &[Vec<usize>], chain: Set) -> impl Iterator<Item = Set> {
    classes.iter().flat_map(move |members| {
        let inside = members.iter().filter(move |piece| chain.contains(**piece));
        inside.flat_map(move |out| {
            let outside = members.iter().filter(move |piece| !chain.contains(**piece));
            outside.map(move |into| chain.without(*out).with(*into))
        })
    })
}
