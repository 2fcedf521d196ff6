//! Latency: which of several a figure is, and a reference subtracted from it.
//!
//! A frame of F octets takes s = 8 F / rate to pass a point of a line. With d the time from its last bit in to its
//! first bit out, and s_in and s_out its serialisation on the two lines (RFC 8238 section 2):
//!
//! | name | from | to | is |
//! | --- | --- | --- | --- |
//! | LIFO, store-and-forward latency of RFC 1242 section 3.8 | last bit in | first bit out | d |
//! | FIFO, bit-forwarding (cut-through) latency of RFC 1242 | first in | first out | s_in + d |
//! | LILO, forwarding delay of RFC 4689 section 3.2.4 | last in | last out | d + s_out |
//! | FILO, which RFC 8238 demands | first in | last out | s_in + d + s_out |
//!
//! LIFO is negative for what forwards a frame before it has all of it; RFC 8238 section 2.3 forbids it for
//! comparison.

use std::fmt;
use std::time::Duration;

use kitproof_common::line::LineRate;
use serde::{Deserialize, Serialize};

use super::letter::Letter;

/// RFC 2544 section 26.2: the stream lasts at least so long, and is repeated at least so often.
pub const STREAM: Duration = Duration::from_secs(120);
pub const STREAMS: u32 = 20;

/// Between which two events a latency is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Events {
    LastInFirstOut,
    FirstInFirstOut,
    LastInLastOut,
    FirstInLastOut,
}

impl Events {
    /// How many serialisations on the way in and out it holds beside d.
    fn holds(self) -> (f64, f64) {
        match self {
            Events::LastInFirstOut => (0.0, 0.0),
            Events::FirstInFirstOut => (1.0, 0.0),
            Events::LastInLastOut => (0.0, 1.0),
            Events::FirstInLastOut => (1.0, 1.0),
        }
    }
}

impl fmt::Display for Events {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Events::LastInFirstOut => "last bit in to first bit out (RFC 1242, store-and-forward)",
            Events::FirstInFirstOut => "first bit in to first bit out (RFC 1242, bit-forwarding)",
            Events::LastInLastOut => "last bit in to last bit out (RFC 4689 forwarding delay)",
            Events::FirstInLastOut => "first bit in to last bit out (RFC 8238)",
        })
    }
}

/// Nanoseconds that a frame of `frame_size` octets (including FCS) takes on a line, preamble not counted.
pub fn serialisation_ns(frame_size: u16, line: LineRate) -> f64 {
    8.0 * f64::from(frame_size) * 1e9 / line.0 as f64
}

/// A latency between two events, in nanoseconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Latency {
    pub ns: f64,
    pub events: Events,
}

impl Latency {
    /// The same frame's latency between other events. `passes` is how often the frame was timed over the kit: 1 for
    /// one way, 2 for a round trip, whose latency holds the serialisations of both.
    #[must_use]
    pub fn between(
        self,
        events: Events,
        frame_size: u16,
        line_in: LineRate,
        line_out: LineRate,
        passes: u32,
    ) -> Latency {
        let (now, then) = (self.events.holds(), events.holds());
        let step = (then.0 - now.0) * serialisation_ns(frame_size, line_in)
            + (then.1 - now.1) * serialisation_ns(frame_size, line_out);
        Latency { ns: self.ns + f64::from(passes) * step, events }
    }
}

/// A value with its standard uncertainty, both in nanoseconds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    pub ns: f64,
    pub uncertainty_ns: f64,
}

impl Measured {
    /// What is left of it when the pair alone took `reference`: a difference, whose uncertainty is the root of the
    /// sum of the squares (Guide to the expression of uncertainty in measurement, section 5.1; from memory). It may
    /// be below 0 by about that much; it is not cut off, because a mean of such values would then be wrong.
    #[must_use]
    pub fn less(self, reference: Measured) -> Measured {
        Measured {
            ns: self.ns - reference.ns,
            uncertainty_ns: self.uncertainty_ns.hypot(reference.uncertainty_ns),
        }
    }

    /// Whether it is above 0 by more than twice its uncertainty.
    pub fn is_above_noise(self) -> bool {
        self.ns > 2.0 * self.uncertainty_ns
    }
}

/// The standard uncertainty of a value known to be somewhere within `width` nanoseconds: width / sqrt 12.
pub fn from_resolution(width_ns: f64) -> f64 {
    width_ns / 12f64.sqrt()
}

/// Whether a latency was measured by the letter: at the throughput, streams of 120 s, 20 of them.
pub fn letter(stream: Duration, streams: u32, at_throughput: bool) -> Letter {
    Letter::of("RFC 2544 section 26.2")
        .at_least("streams of", stream, STREAM)
        .at_least_count(u64::from(streams), u64::from(STREAMS), "streams")
        .departs_if(!at_throughput, "the load was not the throughput")
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const GIGABIT: LineRate = LineRate(1_000_000_000);

    /// 1518 bytes at 10M/100M/1G/10G/25G/100G, and 64 bytes at 1G (calculated).
    #[test]
    fn serialisation() {
        for (line, us) in [
            (10_000_000, 1214.4),
            (100_000_000, 121.44),
            (1_000_000_000, 12.144),
            (10_000_000_000, 1.2144),
            (25_000_000_000, 0.48576),
            (100_000_000_000, 0.12144),
        ] {
            assert!((serialisation_ns(1518, LineRate(line)) / 1e3 - us).abs() < 1e-9);
        }
        assert_eq!(serialisation_ns(64, GIGABIT), 512.0);
    }

    /// RFC 1242 section 3.8: a cut-through box of 500 ns has a store-and-forward latency below 0.
    #[test]
    fn store_and_forward_latency_of_a_cut_through_box_is_negative() {
        let cut_through = Latency { ns: 500.0, events: Events::FirstInFirstOut };
        let to = |events, passes| cut_through.between(events, 1518, GIGABIT, GIGABIT, passes);
        assert_eq!(to(Events::LastInFirstOut, 1).ns, 500.0 - 12_144.0);
        assert_eq!(to(Events::FirstInLastOut, 1).ns, 500.0 + 12_144.0);
        assert_eq!(to(Events::LastInLastOut, 1).ns, 500.0);
        assert_eq!(to(Events::LastInFirstOut, 2).ns, 500.0 - 24_288.0);
        // A way out that is ten times slower.
        let slower = cut_through.between(Events::FirstInLastOut, 64, GIGABIT, LineRate(100_000_000), 1);
        assert_eq!(slower.ns, 500.0 + 5_120.0);
    }

    #[test]
    fn a_reference_is_subtracted_with_its_uncertainty() {
        let all = Measured { ns: 41_000.0, uncertainty_ns: 30.0 };
        let net = all.less(Measured { ns: 40_000.0, uncertainty_ns: 40.0 });
        assert_eq!((net.ns, net.uncertainty_ns), (1_000.0, 50.0));
        assert!(net.is_above_noise());
        let none = all.less(Measured { ns: 40_950.0, uncertainty_ns: 40.0 });
        assert!(!none.is_above_noise());
        assert!((from_resolution(8.0) - 2.309_401).abs() < 1e-6);
    }

    #[test]
    fn the_letter() {
        assert!(letter(STREAM, STREAMS, true).is_met());
        assert_eq!(
            letter(Duration::from_secs(10), 1, false).to_string(),
            "RFC 2544 section 26.2, shortened: streams of 10 s in place of 120 s; 1 stream in place of 20, not by its \
             letter: the load was not the throughput"
        );
    }

    proptest! {
        /// From any events to any and back is the same latency.
        #[test]
        fn there_and_back(ns in -1e6..1e6f64, from in 0..4usize, to in 0..4usize, size in 64u16..9_216, passes in 1u32..3) {
            let all = [Events::LastInFirstOut, Events::FirstInFirstOut, Events::LastInLastOut, Events::FirstInLastOut];
            let latency = Latency { ns, events: all[from] };
            let slow = LineRate(100_000_000);
            let back = latency.between(all[to], size, GIGABIT, slow, passes).between(all[from], size, GIGABIT, slow, passes);
            prop_assert!((back.ns - ns).abs() < 1e-6 && back.events == latency.events);
        }
    }
}
