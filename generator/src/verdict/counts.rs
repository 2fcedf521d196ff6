//! What goes into the accounting besides the reflector's own counts.

use std::collections::BTreeMap;

/// What the generator counted of one trial. All of it is about frames of this trial's session tag, except `foreign`.
///
/// Two rules hold whatever the chain did, and the accounting checks both:
/// `reflector_numbers = returned + copies_forward_home + late`, and
/// `arrivals = reflector_numbers + copies_return + late_numbers`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct HomeCounts {
    /// Test frames the port took: sequence numbers 0 to `offered - 1`, each sent once.
    pub offered: u64,
    /// Distinct sequence numbers that came home intact.
    pub returned: u64,
    /// Intact arrivals, all of them.
    pub arrivals: u64,
    /// Distinct reflector numbers on them.
    pub reflector_numbers: u64,
    /// Intact arrivals with a new reflector number and a sequence that was home already: copied before the reflector.
    pub copies_forward_home: u64,
    /// Intact arrivals with a reflector number that was home already: copied after the reflector.
    pub copies_return: u64,
    /// Distinct sequence numbers that were readable on a damaged arrival and of which no intact copy came home.
    pub corrupted: u64,
    /// Damaged arrivals whose sequence number could not be read.
    pub corrupted_anonymous: u64,
    /// The other damaged arrivals: readable, and their sequence is in `returned` or in `corrupted` already.
    pub damaged_copies: u64,
    /// Reordered arrivals (RFC 4737 section 3) by the reflector's numbers: what the return way did.
    pub reordered_return: u64,
    /// Reordered arrivals by the generator's sequence numbers: what both ways did together.
    pub reordered_by_sequence: u64,
    /// Intact arrivals with a new reflector number and a sequence older than the bitmap window. It stays lost.
    pub late: u64,
    /// Intact arrivals with a reflector number older than the bitmap window, in none of the counts above but `arrivals`
    /// (and `returned`, should the sequence be new).
    pub late_numbers: u64,
    /// Arrivals with a sequence number that was never offered: a header damaged beyond what its guard can tell.
    pub beyond: u64,
    /// Frames that were not ours.
    pub foreign: u64,
    /// Highest sequence number that came home intact.
    pub highest_sequence: Option<u64>,
    /// Highest reflector number that came home intact.
    pub highest_reflector_number: Option<u64>,
    /// Reflector numbers below the highest that did not come home intact.
    pub missing_below_highest: u64,
    /// Frames the generator's own data socket dropped because it was full. That socket sees nothing but test frames.
    pub received_dropped: u64,
    /// Test frames that came in by another way than most of the flow (a queue without a socket): then the order in which
    /// they were looked at may be this host's own.
    pub strayed: u64,
    /// Frames the generator's port accepted and its own host then threw away, before they reached the wire.
    pub sent_dropped: u64,
    /// Most frames sent back to back, without a wait between.
    pub longest_burst: u64,
}

/// What one port's other counters (NIC missed, FIFO, no buffer, softnet, transmit side) say of a trial. They see other
/// traffic too, so that they bound the pair's drops from above and no more.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct EndBounds {
    pub receive: u64,
    /// Whether this port's receive drop counters are known at all.
    pub receive_known: bool,
    pub transmit: u64,
    /// Whether this port's transmit drop counters are known at all.
    pub transmit_known: bool,
    /// CRC, alignment, symbol and length errors: damage done on the way to this port.
    pub caught: BTreeMap<String, u64>,
}

/// Upper bounds on what the pair may have dropped besides the named drops, by direction.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Bounds {
    pub forward: u64,
    /// False when a drop counter on the forward way is unknown: then no bound below "everything missing" can be given.
    pub forward_known: bool,
    pub homeward: u64,
    pub homeward_known: bool,
    /// The ports whose counters are unknown, for the reason text.
    pub unknown: Vec<String>,
    /// Damage that a NIC refused to hand over, by place. It never excuses the kit.
    pub caught_by_nic: BTreeMap<String, u64>,
}

impl Bounds {
    /// Bounds per direction from the two ends. `reflector` is `None` when its counters were not heard.
    pub fn from_ends(generator: &EndBounds, reflector: Option<&EndBounds>) -> Bounds {
        let unheard = EndBounds::default();
        let far = reflector.unwrap_or(&unheard);
        let mut unknown = Vec::new();
        for (known, place) in [
            (generator.transmit_known, "generator transmit"),
            (far.receive_known, "reflector receive"),
            (far.transmit_known, "reflector transmit"),
            (generator.receive_known, "generator receive"),
        ] {
            if !known && (reflector.is_some() || place.starts_with("generator")) {
                unknown.push(place.to_owned());
            }
        }
        let caught = |end: &EndBounds, name: &str| {
            let name = name.to_owned();
            end.caught
                .iter()
                .filter(|(_, n)| **n > 0)
                .map(move |(place, n)| (format!("{name}_{place}"), *n))
                .collect::<Vec<_>>()
        };
        Bounds {
            forward: generator.transmit.saturating_add(far.receive),
            forward_known: generator.transmit_known && far.receive_known,
            homeward: far.transmit.saturating_add(generator.receive),
            homeward_known: far.transmit_known && generator.receive_known,
            unknown,
            caught_by_nic: caught(generator, "generator")
                .into_iter()
                .chain(caught(far, "reflector"))
                .collect(),
        }
    }

    /// The same bounds where a clean reference on these ports, at this size and load, has shown the pair able: then a
    /// port that counts nothing is taken to have dropped nothing.
    pub fn trusting_reference(mut self) -> Bounds {
        self.forward_known = true;
        self.homeward_known = true;
        self
    }
}
