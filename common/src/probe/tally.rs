//! What came of a round.

use pnet_base::MacAddr;
use serde::{Deserialize, Serialize};

use super::{COPIES, Change, Round};

/// What came of one probe.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Seen {
    /// Copies that came as they were sent, each counted once.
    pub unchanged: u8,
    /// Copies that came changed, and how the last of them was.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub changed: u8,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub change: Option<Change>,
    /// Arrivals beyond one of each copy.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub again: u8,
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde asks for a reference")]
fn is_zero(number: &u8) -> bool {
    *number == 0
}

impl Seen {
    /// Whether every copy came, however.
    #[must_use]
    pub fn is_complete(&self) -> bool {
        self.unchanged.saturating_add(self.changed) >= COPIES
    }

    /// Whether it passed: something came, and all that came was as it was sent.
    #[must_use]
    pub fn passed(&self) -> bool {
        self.unchanged > 0 && self.changed == 0
    }
}

/// Takes the frames that arrive.
#[derive(Clone, Debug)]
pub struct Tally {
    round: Round,
    source: MacAddr,
    unicast: MacAddr,
    seen: Vec<Seen>,
    came: Vec<[bool; COPIES as usize]>,
}

impl Tally {
    /// `source` and `unicast` are the addresses that the sender has and means.
    #[must_use]
    pub fn new(round: Round, source: MacAddr, unicast: MacAddr) -> Self {
        let items = round.items.len();
        Self {
            round,
            source,
            unicast,
            seen: vec![Seen::default(); items],
            came: vec![[false; COPIES as usize]; items],
        }
    }

    /// Looks at one frame, whatever it is.
    pub fn take(&mut self, frame: &[u8]) {
        let Some((probe, change)) = self.round.recognise(frame, self.source, self.unicast) else { return };
        let item = usize::from(probe.item);
        let (Some(seen), Some(came)) = (self.seen.get_mut(item), self.came.get_mut(item)) else { return };
        let Some(came) = came.get_mut(usize::from(probe.copy)) else { return };
        if std::mem::replace(came, true) {
            seen.again = seen.again.saturating_add(1);
        } else if change.is_none() {
            seen.unchanged += 1;
        } else {
            seen.changed += 1;
            seen.change = Some(change);
        }
    }

    /// The items, in their order.
    #[must_use]
    pub fn seen(&self) -> &[Seen] {
        &self.seen
    }

    #[must_use]
    pub fn round(&self) -> &Round {
        &self.round
    }
}
