//! What is kept of the pair: at each frame size and load its latency, and whether it held the load.

use kitproof_common::probe::Item;
use serde::{Deserialize, Serialize};

use super::Ports;
use crate::method::clock_difference::Parts;
use crate::method::latency::Measured;
use crate::verdict::ReferenceFacts;

/// Between which two stamps a round trip was measured. The later, the closer to the wire; figures of one clock are never
/// held against another's.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Clock {
    /// From the program's own stamp before it sends to the kernel's receive stamp: of every frame.
    Program,
    /// Kernel to kernel, of sampled frames.
    Kernel,
    /// NIC to NIC, of sampled frames.
    Nic,
}

/// The latency by one clock, over all trials.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ByClock {
    pub clock: Clock,
    /// The least round trip of a trial.
    pub minimum: Measured,
    /// The median round trip of a trial.
    pub median: Measured,
}

/// What the frames looked like, beside their size: another look has another way through the host.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Look {
    pub encapsulation: String,
    pub tags: usize,
    /// The genome of a mix of sizes.
    #[serde(default)]
    pub mix: Option<String>,
    /// How they met the wire at both ends, such as `packet`.
    pub near_via: Option<String>,
    pub far_via: Option<String>,
}

/// One frame size at one load.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// Bytes including FCS.
    pub frame_size: u16,
    pub look: Look,
    /// Percent of line rate, and the line rate in bit/s.
    pub load_percent: f64,
    pub line_bits_per_s: u64,
    /// Whether every trial was clean: the load offered, every frame home.
    pub clean: bool,
    pub trials: u32,
    pub latency: Vec<ByClock>,
    /// How fast the pair's own latency climbed.
    pub climb: Option<Parts>,
}

/// All that is kept of one pair.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reference {
    pub ports: Ports,
    /// When it was taken last (RFC 3339).
    pub taken: String,
    pub records: Vec<Record>,
    /// Which kinds of frames the pair delivers (`kitproof transparency --reference`).
    #[serde(default)]
    pub delivered: Vec<Delivered>,
}

/// Whether the pair alone delivers a kind of frame at a size, unchanged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Delivered {
    pub item: Item,
    pub forward: bool,
    #[serde(rename = "return")]
    pub homeward: bool,
}

/// Loads that are closer than this, in percent of line rate, are the same.
const SAME_LOAD_PERCENT: f64 = 0.01;

impl Reference {
    /// Takes a new measurement in place of an older one of the same size, look and load.
    pub fn put(&mut self, record: Record) {
        self.records
            .retain(|old| !(old.is_like(&record) && same_load(old.load_percent, record.load_percent)));
        self.records.push(record);
    }

    /// The record of this size, look and line, at the nearest load.
    #[must_use]
    pub fn nearest(&self, frame_size: u16, look: &Look, line: u64, load_percent: f64) -> Option<&Record> {
        let like = |record: &&Record| {
            record.frame_size == frame_size && record.look == *look && record.line_bits_per_s == line
        };
        let distance = |record: &Record| (record.load_percent - load_percent).abs();
        self.records.iter().filter(like).min_by(|one, other| distance(one).total_cmp(&distance(other)))
    }

    /// What it says for a verdict on a trial of this size, look and load.
    #[must_use]
    pub fn speaks_for(&self, frame_size: u16, look: &Look, line: u64, load_percent: f64) -> ReferenceFacts {
        let holds = |record: &Record| {
            record.clean
                && record.frame_size == frame_size
                && record.look == *look
                && record.line_bits_per_s == line
                && record.load_percent >= load_percent - SAME_LOAD_PERCENT
        };
        ReferenceFacts {
            on_these_ports: self.records.iter().any(|record| record.clean),
            at_this_size_and_load: self.records.iter().any(holds),
        }
    }
}

impl Record {
    fn is_like(&self, other: &Record) -> bool {
        self.frame_size == other.frame_size
            && self.look == other.look
            && self.line_bits_per_s == other.line_bits_per_s
    }
}

/// Whether two loads, in percent of line rate, are one.
#[must_use]
pub fn same_load(one: f64, other: f64) -> bool {
    (one - other).abs() <= SAME_LOAD_PERCENT
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub(in crate::reference) fn look() -> Look {
        Look {
            encapsulation: "ipv4".to_owned(),
            tags: 0,
            mix: None,
            near_via: Some("packet".to_owned()),
            far_via: None,
        }
    }

    pub(in crate::reference) fn record(frame_size: u16, load_percent: f64, clean: bool) -> Record {
        let ns = |ns| Measured { ns, uncertainty_ns: 10.0 };
        Record {
            frame_size,
            look: look(),
            load_percent,
            line_bits_per_s: 1_000_000_000,
            clean,
            trials: 3,
            latency: vec![ByClock { clock: Clock::Program, minimum: ns(20_000.0), median: ns(30_000.0) }],
            climb: None,
        }
    }

    fn reference() -> Reference {
        Reference {
            ports: super::super::ports::tests::ports(),
            taken: "2026-11-27T12:00:00+00:00".to_owned(),
            records: vec![record(64, 100.0, false), record(64, 50.0, true), record(512, 100.0, true)],
            delivered: Vec::new(),
        }
    }

    #[test]
    fn a_reference_speaks_for_what_it_held_and_less() {
        let reference = reference();
        let says = |size, load| {
            let facts = reference.speaks_for(size, &look(), 1_000_000_000, load);
            (facts.on_these_ports, facts.at_this_size_and_load)
        };
        assert_eq!(says(512, 100.0), (true, true));
        assert_eq!(says(512, 30.0), (true, true));
        assert_eq!(says(64, 50.0), (true, true));
        assert_eq!(says(64, 50.1), (true, false), "it was not clean above");
        assert_eq!(says(128, 1.0), (true, false));
        let other = Look { tags: 1, ..look() };
        assert!(!reference.speaks_for(512, &other, 1_000_000_000, 10.0).at_this_size_and_load);
        assert!(!reference.speaks_for(512, &look(), 100_000_000, 10.0).at_this_size_and_load);
        let unable = Reference { records: vec![record(64, 100.0, false)], ..reference };
        assert!(!unable.speaks_for(64, &look(), 1_000_000_000, 1.0).on_these_ports);
    }

    #[test]
    fn the_nearest_load_is_taken_and_the_newest_record_kept() {
        let mut reference = reference();
        let load = |reference: &Reference, near| {
            reference.nearest(64, &look(), 1_000_000_000, near).map(|record| record.load_percent)
        };
        assert_eq!((load(&reference, 60.0), load(&reference, 90.0)), (Some(50.0), Some(100.0)));
        reference.put(record(64, 100.001, true));
        assert_eq!(reference.records.len(), 3);
        assert!(reference.nearest(64, &look(), 1_000_000_000, 100.0).unwrap().clean);
        assert_eq!(reference.nearest(1_518, &look(), 1_000_000_000, 100.0), None);
    }
}
