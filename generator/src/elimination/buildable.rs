//! Which chains can be built from the pieces at hand: ends that fit, one kind of glass from light source to light source.
//!
//! Pieces that can stand in for each other are one class; what can be built is then a count of each class (a [`Shape`]),
//! found by trying every way to go on from an open end, each state once.

use std::collections::{HashMap, HashSet};

use super::ends::{End, Ends, Glass};
use super::set::Set;

/// A piece as far as building goes. Two that are equal can stand in for each other.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Part {
    /// What it is called among people: "converter".
    pub kind: String,
    pub ends: Ends,
    /// None goes with either.
    pub glass: Option<Glass>,
    /// At which rate its light is modulated (a transceiver's rated speed); None goes with any.
    pub rate: Option<String>,
}

/// States that are tried at most: beyond this the shapes found so far must do.
const STATES: usize = 200_000;
/// Shapes kept at most.
const SHAPES: usize = 4_000;

/// Pieces that can stand in for each other.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Class {
    pub part: Part,
    pub members: Vec<usize>,
}

/// How many of each class, and the order of one chain of them (classes, from the generator).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shape {
    pub counts: Vec<usize>,
    pub order: Vec<usize>,
}

/// All that can be built between two ports.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Buildable {
    pub classes: Vec<Class>,
    pub shapes: Vec<Shape>,
}

/// Where a half-built chain ends.
#[derive(Clone, PartialEq, Eq, Hash)]
struct Open {
    end: End,
    glass: Option<Glass>,
    rate: Option<String>,
}

impl Open {
    /// The chain with one more part, its end `first` joined; `None` if it does not go there.
    fn with(&self, part: &Part, first: usize) -> Option<Self> {
        let [joined, end] = [part.ends.0[first], part.ends.0[1 - first]];
        if !self.end.fits(joined) {
            return None;
        }
        // Light and what it is like goes from one end to the next; copper forgets it.
        let (mut glass, mut rate) = (None, None);
        if joined.is_fibre() {
            glass = agreed(self.glass, part.glass)?;
            rate = agreed(self.rate.clone(), part.rate.clone())?;
        }
        if end.is_fibre() {
            glass = glass.or(part.glass);
            rate = rate.or_else(|| part.rate.clone());
        } else {
            (glass, rate) = (None, None);
        }
        Some(Self { end, glass, rate })
    }
}

/// What both are, where neither contradicts the other.
fn agreed<T: PartialEq>(one: Option<T>, other: Option<T>) -> Option<Option<T>> {
    match (one, other) {
        (Some(one), Some(other)) => (one == other).then_some(Some(one)),
        (one, other) => Some(one.or(other)),
    }
}

impl Buildable {
    /// What can be built of `parts` between two ports.
    #[must_use]
    pub fn of(parts: &[(usize, Part)], ports: [End; 2]) -> Self {
        let mut sorted: Vec<&(usize, Part)> = parts.iter().collect();
        sorted.sort_by(|one, other| (&one.1, one.0).cmp(&(&other.1, other.0)));
        let mut classes: Vec<Class> = Vec::new();
        for (piece, part) in sorted {
            match classes.last_mut().filter(|class| class.part == *part) {
                Some(class) => class.members.push(*piece),
                None => classes.push(Class { part: part.clone(), members: vec![*piece] }),
            }
        }
        let shapes = shapes(&classes, ports);
        Self { classes, shapes }
    }

    /// Every set of pieces that fits a shape, for bags small enough.
    #[must_use]
    pub fn sets(&self) -> HashSet<Set> {
        let mut sets = HashSet::new();
        for shape in &self.shapes {
            let mut chosen = vec![Set::default()];
            for (class, count) in self.classes.iter().zip(&shape.counts) {
                let some = subsets(&class.members, *count);
                chosen = chosen
                    .into_iter()
                    .flat_map(|set| some.iter().map(move |more| set.union(*more)))
                    .collect();
            }
            sets.extend(chosen);
        }
        sets
    }

    /// The pieces of a chain in the order in which they can be built.
    #[must_use]
    pub fn ordered(&self, chain: Set, shape: &Shape) -> Vec<usize> {
        let mut left: Vec<Vec<usize>> = self
            .classes
            .iter()
            .map(|class| class.members.iter().rev().copied().filter(|piece| chain.contains(*piece)).collect())
            .collect();
        shape.order.iter().filter_map(|class| left[*class].pop()).collect()
    }

    /// Whether some chain has one of the two pieces and not the other.
    #[must_use]
    pub fn tells_apart(&self, one: usize, other: usize) -> bool {
        let class = |piece: usize| self.classes.iter().position(|class| class.members.contains(&piece));
        let (Some(first), Some(second)) = (class(one), class(other)) else {
            // What is in no class is in no chain: told apart from what is in one.
            return self.is_used(one) != self.is_used(other);
        };
        let size = |class: usize| self.classes[class].members.len();
        self.shapes.iter().any(|shape| {
            let count = |class: usize| shape.counts[class];
            if first == second {
                count(first) > 0 && count(first) < size(first)
            } else {
                (count(first) > 0 && count(second) < size(second))
                    || (count(second) > 0 && count(first) < size(first))
            }
        })
    }

    /// Whether any chain has this piece.
    #[must_use]
    pub fn is_used(&self, piece: usize) -> bool {
        let class = self.classes.iter().position(|class| class.members.contains(&piece));
        class.is_some_and(|class| self.shapes.iter().any(|shape| shape.counts[class] > 0))
    }
}

/// All ways to take `count` of these.
fn subsets(members: &[usize], count: usize) -> Vec<Set> {
    if count == 0 {
        return vec![Set::default()];
    }
    let Some((first, rest)) = members.split_first().filter(|_| count <= members.len()) else {
        return Vec::new();
    };
    let with = subsets(rest, count - 1).into_iter().map(|set| set.with(*first));
    with.chain(subsets(rest, count)).collect()
}

fn shapes(classes: &[Class], ports: [End; 2]) -> Vec<Shape> {
    let start = Open { end: ports[0], glass: None, rate: None };
    let mut found: HashMap<Vec<usize>, Vec<usize>> = HashMap::new();
    let mut seen = HashSet::new();
    // In order of length, so that what is cut off by the limits is the longest.
    let mut waiting = std::collections::VecDeque::from([(start, vec![0; classes.len()], Vec::new())]);
    while let Some((open, counts, order)) = waiting.pop_front() {
        if !order.is_empty() && open.end.fits(ports[1]) && !found.contains_key(&counts) {
            found.insert(counts.clone(), order.clone());
        }
        if found.len() >= SHAPES || seen.len() >= STATES {
            break;
        }
        for (place, class) in classes.iter().enumerate() {
            if counts[place] == class.members.len() {
                continue;
            }
            for first in 0..2 {
                let Some(open) = open.with(&class.part, first) else { continue };
                let mut counts = counts.clone();
                counts[place] += 1;
                if seen.insert((open.clone(), counts.clone())) {
                    let mut order = order.clone();
                    order.push(place);
                    waiting.push_back((open, counts, order));
                }
            }
        }
    }
    let mut shapes: Vec<Shape> = found.into_iter().map(|(counts, order)| Shape { counts, order }).collect();
    shapes.sort_by(|one, other| (one.order.len(), &one.counts).cmp(&(other.order.len(), &other.counts)));
    shapes
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub(in crate::elimination) fn part(kind: &str, ends: &str, glass: Option<Glass>) -> Part {
        Part { kind: kind.to_owned(), ends: ends.parse().unwrap(), glass, rate: None }
    }

    pub(in crate::elimination) fn bag(kinds: &[&str]) -> Vec<(usize, Part)> {
        let multimode = Some(Glass::Multimode);
        let part = |kind: &str| match kind {
            "patch" => part(kind, "rj45-plug,rj45-plug", None),
            "tap" => part(kind, "rj45-socket,rj45-socket", None),
            "converter" => part(kind, "rj45-socket,sfp-cage", None),
            "transceiver" => part(kind, "sfp-module,lc-socket", multimode),
            "fibre" => part(kind, "lc-plug,lc-plug", multimode),
            "single" => part(kind, "lc-plug,lc-plug", Some(Glass::SingleMode)),
            other => panic!("no such part: {other}"),
        };
        kinds.iter().map(|kind| part(kind)).enumerate().collect()
    }

    pub(in crate::elimination) const COPPER: [End; 2] = [End::Rj45Socket; 2];

    fn counts(kinds: &[&str]) -> Vec<String> {
        let buildable = Buildable::of(&bag(kinds), COPPER);
        let orders = buildable.shapes.iter().map(|shape| {
            let names: Vec<&str> =
                shape.order.iter().map(|class| buildable.classes[*class].part.kind.as_str()).collect();
            names.join(" ")
        });
        orders.collect()
    }

    #[test]
    fn a_tap_needs_two_patches() {
        assert_eq!(counts(&["patch", "tap"]), ["patch"]);
        assert_eq!(counts(&["patch", "patch", "tap"]), ["patch", "patch tap patch"]);
        assert_eq!(counts(&["tap"]), Vec::<String>::new());
    }

    #[test]
    fn a_converter_needs_its_partner_its_optics_and_a_fibre() {
        let all = ["patch", "patch", "converter", "converter", "transceiver", "transceiver", "fibre"];
        let long = "patch converter transceiver fibre transceiver converter patch";
        assert_eq!(counts(&all), ["patch", long]);
        for missing in 2..all.len() {
            let mut some = all.to_vec();
            some.remove(missing);
            assert_eq!(counts(&some), ["patch"], "without a {}", all[missing]);
        }
    }

    #[test]
    fn light_made_for_one_glass_does_not_go_through_the_other() {
        let all = ["patch", "patch", "converter", "converter", "transceiver", "transceiver", "single"];
        assert_eq!(counts(&all), ["patch"]);
        let mut slow =
            bag(&["patch", "patch", "converter", "converter", "transceiver", "transceiver", "fibre"]);
        slow[4].1.rate = Some("1G".to_owned());
        slow[5].1.rate = Some("10G".to_owned());
        assert_eq!(Buildable::of(&slow, COPPER).shapes.len(), 1);
        slow[5].1.rate = None;
        assert_eq!(Buildable::of(&slow, COPPER).shapes.len(), 2);
    }

    #[test]
    fn a_port_with_a_cage_begins_with_a_module() {
        let parts = bag(&["transceiver", "transceiver", "fibre", "patch"]);
        let found = Buildable::of(&parts, [End::SfpCage; 2]);
        assert_eq!(found.shapes.len(), 1);
        let chain = found.ordered(Set::first(4), &found.shapes[0]);
        assert_eq!(chain, [0, 2, 1]);
    }

    #[test]
    fn what_is_always_used_together_is_not_told_apart() {
        let kinds =
            ["patch", "patch", "converter", "converter", "transceiver", "transceiver", "fibre", "tap"];
        let found = Buildable::of(&bag(&kinds), COPPER);
        // Two converters, and both are always in it or neither.
        assert!(!found.tells_apart(2, 3) && !found.tells_apart(2, 4) && !found.tells_apart(4, 6));
        // One patch joins the ports by itself.
        assert!(found.tells_apart(0, 1) && found.tells_apart(0, 2));
        let three = [&kinds[..], &["converter"]].concat();
        let found = Buildable::of(&bag(&three), COPPER);
        assert!(found.tells_apart(2, 3) && found.tells_apart(2, 8) && found.tells_apart(2, 4));
        assert!(!found.tells_apart(4, 5) && found.is_used(7));
    }

    #[test]
    fn sets_are_all_ways_to_fill_the_shapes() {
        let found = Buildable::of(&bag(&["patch", "patch", "patch", "tap"]), COPPER);
        // One patch of three, or two of three with the tap.
        assert_eq!(found.sets().len(), 6);
    }
}
