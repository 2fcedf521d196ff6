//! Probe frames: one kind of frame at a time, to see which of them a chain passes unchanged.
//!
//! Nothing here is measured or paced: a few copies of each probe are sent, and the other end says of each what came of it.
//! [`kind`] says which kinds there are and what each looks like, [`frame`] makes a probe and recognises it however it was
//! changed, [`tally`] counts what came of a round of them, [`exchange`] sends and hears one.

pub mod exchange;
pub mod frame;
pub mod kind;
pub mod tally;

pub use frame::{Change, Probe};
pub use kind::Kind;
pub use tally::{Seen, Tally};

use serde::{Deserialize, Serialize};

/// Copies of each probe.
pub const COPIES: u8 = 3;
/// Probes in one round: as many as a control message has room for.
pub const MOST_ITEMS: usize = 32;
/// Items whose fate one control message has room for.
pub const SEEN_TOLD: usize = 8;
/// Frames a second, at most.
pub const PER_SECOND: u64 = 1_000;

/// One probe: a kind at a size (bytes including FCS).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Item(pub Kind, pub u16);

/// A round of probes, all in one direction. Told to the far end, so that both know what each is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Round {
    /// Tells this round from all others of the session; never 0.
    pub tag: u16,
    pub items: Vec<Item>,
}

impl Round {
    /// What keeps it from being sent, in words.
    ///
    /// # Errors
    /// More than [`MOST_ITEMS`] probes, or one of a size that its kind does not have.
    pub fn check(&self) -> Result<(), String> {
        if self.tag == 0 || self.items.is_empty() || self.items.len() > MOST_ITEMS {
            return Err(format!("a round has 1 to {MOST_ITEMS} probes"));
        }
        match self.items.iter().find(|Item(kind, size)| !kind.has(*size)) {
            Some(Item(kind, size)) => Err(format!("there is no probe of {size} bytes: {kind}")),
            None => Ok(()),
        }
    }
}
