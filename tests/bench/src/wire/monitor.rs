//! The monitor side: what the third port is shown.

use super::bottleneck::Bottleneck;
use crate::ledger::Direction;
use crate::script::{Directions, Monitor, Of};

#[derive(Debug)]
pub(super) struct MonitorState {
    directions: Directions,
    of: Of,
    pub(super) leaks: bool,
    bottleneck: Option<Bottleneck>,
}

impl MonitorState {
    pub(super) fn new(monitor: &Monitor) -> Self {
        Self {
            directions: monitor.directions,
            of: monitor.of,
            leaks: monitor.leaks,
            bottleneck: monitor.rate.map(Bottleneck::new),
        }
    }

    /// Whether it is attached here and shows this direction.
    #[inline]
    pub(super) fn shows(&self, direction: Direction, of: Of) -> bool {
        self.directions.has(direction) && self.of == of
    }

    /// When a copy made now has left the port; None if its queue is full.
    pub(super) fn admit(&mut self, now: u64, octets: usize) -> Option<u64> {
        match &mut self.bottleneck {
            Some(bottleneck) => bottleneck.admit(now, octets),
            None => Some(now),
        }
    }
}
