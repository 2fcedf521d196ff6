//! What one dark stretch of a trial really was.

use serde::{Deserialize, Serialize};

/// A test frame at the wire.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, PartialEq, Eq)]
pub struct Mark {
    /// Its number in its direction and trial, from 1.
    pub number: u64,
    pub stream: u8,
    pub sequence: u32,
    /// Its arrival, in nanoseconds of the wire's clock.
    pub arrived_ns: u64,
}

/// A dark stretch of one direction of a trial. It is listed from the trial's first frame on, whether it has begun or
/// not. Whether a frame is swallowed is decided by its arrival alone: it is, from `from_ns` on and before `until_ns`.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq, Eq)]
pub struct Stretch {
    /// Its place in the script's `dark`.
    pub index: usize,
    pub carrier: bool,
    /// First moment of it, in nanoseconds of the wire's clock.
    pub from_ns: u64,
    /// First moment after it; None if it never ends, or (`carrier`) has not ended yet.
    pub until_ns: Option<u64>,
    /// The latest test frame of this trial and direction that arrived before it.
    pub last_before: Option<Mark>,
    /// The first one that arrived after it.
    pub first_after: Option<Mark>,
    /// Test frames of this trial that it swallowed, one by one in [`Counts::dark`](super::Counts::dark).
    pub swallowed: u64,
    /// Of those, the ones that were inside the wire already and found the port without carrier.
    pub swallowed_inside: u64,
    /// Other frames that it swallowed: of other trials, learning, control and nobody's.
    pub swallowed_others: u64,
    /// How late the wire's thread was at each edge: how long after it, it came to know. With `carrier`, when the
    /// port's new state was there. None if that has not been yet, or nobody has watched (the engine alone).
    pub began_late_ns: Option<u64>,
    pub ended_late_ns: Option<u64>,
}
