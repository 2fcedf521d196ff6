//! What the chain adds to the pair's own round trip, and which latency of the standards that is.
//!
//! A round trip runs from before the first bit leaves the generator to after the last bit is back. With the chain in it
//! each pass takes longer by the time from a bit's arrival at the chain to that bit's departure, because the patch that
//! the reference had there took none: on lines of one speed the first-in-first-out latency (RFC 1242 section 3.8, for
//! bit-forwarding devices), which is the last-in-last-out latency as well. A device that stores and forwards is told by
//! the last-in-first-out latency instead: less by one serialisation of the frame for each pass.

use kitproof_common::line::LineRate;

use super::{ByClock, Clock};
use crate::method::latency::{Events, Latency, Measured};

/// How often a frame passes the chain in a round trip.
pub const PASSES: u32 = 2;

/// What the chain adds at one frame size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Added {
    pub clock: Clock,
    /// Of the least and the median round trip, both passes together, first bit in to first bit out.
    pub minimum: Measured,
    pub median: Measured,
}

/// By the best clock that both have.
#[must_use]
pub fn added(chain: &[ByClock], pair: &[ByClock]) -> Option<Added> {
    let common = chain.iter().filter_map(|with| {
        let alone = pair.iter().find(|alone| alone.clock == with.clock)?;
        Some(Added {
            clock: with.clock,
            minimum: with.minimum.less(alone.minimum),
            median: with.median.less(alone.median),
        })
    });
    common.max_by_key(|added| added.clock)
}

/// What was added, as the latency of a device that stores and forwards: last bit in to first bit out. Nanoseconds, both
/// passes together; below 0 for what forwards a frame before it has all of it.
#[must_use]
pub fn store_and_forward_ns(added_ns: f64, frame_size: u16, line: LineRate) -> f64 {
    let added = Latency { ns: added_ns, events: Events::FirstInFirstOut };
    added.between(Events::LastInFirstOut, frame_size, line, line, PASSES).ns
}

#[cfg(test)]
mod tests {
    use super::*;

    fn by(clock: Clock, ns: f64) -> ByClock {
        let measured = |ns| Measured { ns, uncertainty_ns: 30.0 };
        ByClock { clock, minimum: measured(ns), median: measured(ns + 500.0) }
    }

    #[test]
    fn the_best_clock_of_both_counts() {
        let chain = [by(Clock::Program, 60_000.0), by(Clock::Kernel, 50_000.0), by(Clock::Nic, 40_000.0)];
        let pair = [by(Clock::Program, 40_000.0), by(Clock::Kernel, 38_000.0)];
        let found = added(&chain, &pair).unwrap();
        assert_eq!((found.clock, found.minimum.ns), (Clock::Kernel, 12_000.0));
        assert!((found.minimum.uncertainty_ns - 1_800_f64.sqrt()).abs() < 1e-9);
        assert_eq!(added(&chain[2..], &pair), None);
    }

    /// 1518 octets at 1 Gb/s take 12.144 us (calculated): a box that stores each frame whole, and is idle, adds that in
    /// each pass and has no latency beside.
    #[test]
    fn a_box_that_only_stores() {
        let line = LineRate(1_000_000_000);
        assert!(store_and_forward_ns(2.0 * 12_144.0, 1_518, line).abs() < 1e-9);
        assert!((store_and_forward_ns(1_000.0, 1_518, line) + 23_288.0).abs() < 1e-9);
    }
}
