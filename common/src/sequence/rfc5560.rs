//! Duplication, RFC 5560.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// The counts behind RFC 5560's two figures. A lost packet has no arrival count and enters neither.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Duplication {
    /// Packets that arrived at least once.
    pub received: u64,
    /// Arrivals, every copy counted.
    pub arrivals: u64,
    /// Packets that arrived more than once.
    pub replicated: u64,
}

impl Duplication {
    /// Type-P-one-way-packet-duplication-fraction (section 5.1): arrivals / received − 1, so 1.0 if each came twice; none if
    /// nothing was received. (The sentence that follows the RFC's formula drops the − 1; its examples need it.)
    pub fn fraction(&self) -> Option<f64> {
        (self.received > 0).then(|| (self.arrivals - self.received) as f64 / self.received as f64)
    }

    /// Type-P-one-way-replicated-packet-rate (section 5.2): replicated / received; none if nothing was received.
    pub fn replicated_rate(&self) -> Option<f64> {
        (self.received > 0).then(|| self.replicated as f64 / self.received as f64)
    }
}

/// Counts over a whole list of arrivals, in any order.
pub fn duplication(arrivals: &[u64]) -> Duplication {
    let mut counts = BTreeMap::<u64, u64>::new();
    for sequence in arrivals {
        *counts.entry(*sequence).or_default() += 1;
    }
    Duplication {
        received: counts.len() as u64,
        arrivals: arrivals.len() as u64,
        replicated: counts.values().filter(|count| **count > 1).count() as u64,
    }
}
