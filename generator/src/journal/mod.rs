//! The journal of a soak: one JSON object a line, appended as it happens, readable to the last whole line whatever ended it.

mod read;
mod record;
mod write;

pub use read::{Journal, ReadError, read};
pub use record::{
    Begin, End, Event, EventKind, Interval, Lost, Record, RoundTrip, SCHEMA, Segment, SegmentEnd, Unwritten,
    Whose,
};
pub use write::{Store, Writer};
