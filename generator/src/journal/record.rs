//! What stands in a journal.

use serde::{Deserialize, Serialize};

use crate::verdict::{Account, Outcome, Reason};

/// What a journal calls itself.
pub const SCHEMA: &str = "kitproof journal 1";

/// One line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "record", rename_all = "snake_case")]
pub enum Record {
    Begin(Begin),
    Segment(Segment),
    Interval(Interval),
    Lost(Lost),
    Event(Event),
    Unwritten(Unwritten),
    SegmentEnd(Box<SegmentEnd>),
    End(End),
}

/// What the soak is.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Begin {
    pub schema: String,
    pub version: String,
    /// RFC 3339.
    pub at: String,
    pub interface: String,
    /// The frames, the load and the goal in words: what a soak that carries on must agree with.
    pub what: String,
    /// Bytes including FCS; of a mix the mean.
    pub frame_size: u16,
    pub frames_per_s: f64,
    /// The pieces between the ports, where they were named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub through: Option<String>,
}

/// Frames numbered from 0 on, without a break: a soak has one segment unless something ended it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Segment {
    /// From 1.
    pub segment: u32,
    /// When its first frame was due, RFC 3339 with fractions.
    pub at: String,
    /// Why there is another one; the first has no reason.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub because: Option<String>,
    /// The tag in its frames.
    pub tag: u16,
    pub frames_per_s: f64,
}

/// An interval. Counts are of the segment up to its end, so that a line that is missing loses none of them.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    pub segment: u32,
    /// Seconds from the segment's first frame.
    pub from_s: f64,
    pub to_s: f64,
    pub offered: u64,
    pub home: u64,
    /// Not home by the end of it, though a later frame was: some may only be late. What is certain has a line of its own.
    pub missing: u64,
    pub missing_on_return: u64,
    #[serde(default, skip_serializing_if = "is_zero")]
    pub duplicates_forward: u64,
    #[serde(default, skip_serializing_if = "is_zero")]
    pub duplicates_return: u64,
    #[serde(default, skip_serializing_if = "is_zero")]
    pub reordered: u64,
    #[serde(default, skip_serializing_if = "is_zero")]
    pub reordered_return: u64,
    #[serde(default, skip_serializing_if = "is_zero")]
    pub corrupted: u64,
    /// Losses that were too many to be told one by one.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub untold_losses: u64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub round_trip_ns: Option<RoundTrip>,
    /// Counters of the generator's port that rose within it, and may speak of frames it dropped itself.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub counters: Vec<(String, u64)>,
    /// The warmest sensor of the generator, degrees Celsius.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// Light at the generator's module.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub receive_dbm: Option<f64>,
}

/// Round trips within an interval, nanoseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct RoundTrip {
    pub least: u64,
    pub p50: u64,
    pub p99: u64,
    pub p99_9: u64,
    pub greatest: u64,
}

/// One loss period (RFC 3357), certain.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Lost {
    pub segment: u32,
    /// When the first frame of it was due, RFC 3339 with fractions, and in seconds from the segment's first frame.
    pub at: String,
    pub at_s: f64,
    /// The first number lost.
    pub first: u64,
    pub frames: u64,
    pub forward: u64,
    #[serde(rename = "return")]
    pub homeward: u64,
    /// Nothing came home after it, so that its direction is not known here.
    #[serde(default, skip_serializing_if = "is_false")]
    pub to_the_end: bool,
}

/// Whose doing something was.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Whose {
    /// The link: what is between the ports.
    Link,
    /// The two machines: never the kit.
    Pair,
}

/// What happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EventKind {
    CarrierLost,
    CarrierBack,
    /// The machine slept.
    Suspended,
    ClockStepped,
    Throttled,
    OnBattery,
    OnMains,
    /// The generator's port failed or is gone.
    PortFailed,
    /// The reflector knows nothing of the session any more.
    ReflectorForgot,
    /// Nothing comes home, and nobody answers.
    Silent,
    /// The journal could not be written, and can be again.
    JournalBack,
    /// The program that wrote the journal before did not end it.
    CutOff,
    Interrupted,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// RFC 3339 with fractions.
    pub at: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub segment: Option<u32>,
    pub kind: EventKind,
    pub whose: Whose,
    pub text: String,
}

/// Lines that had to be given up because the disk was full for too long.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Unwritten {
    pub from: String,
    pub to: String,
    pub lines: u64,
}

/// A segment with the counts of both ends.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SegmentEnd {
    pub segment: u32,
    pub at: String,
    pub verdict: Outcome,
    pub reasons: Vec<Reason>,
    /// Seconds of offered load.
    pub seconds: f64,
    /// Whether the pair ended it before its time: what was missing at its end is not the kit's.
    pub broken: bool,
    pub account: Account,
}

/// What the soak came to.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct End {
    pub at: String,
    pub verdict: Outcome,
    pub reasons: Vec<Reason>,
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde asks for a reference")]
fn is_zero(count: &u64) -> bool {
    *count == 0
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde asks for a reference")]
fn is_false(flag: &bool) -> bool {
    !*flag
}
