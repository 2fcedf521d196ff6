//! What was eaten, cut and stripped, by kind of frame.

use serde::{Deserialize, Serialize};

/// Why a frame did not get through as it came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Reason {
    MacControl,
    Group,
    EtherType,
    TooLong,
}

/// Frames of one kind, by what was done to them.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Altered {
    pub eaten_mac_control: u64,
    pub eaten_group: u64,
    pub eaten_ether_type: u64,
    pub dropped_too_long: u64,
    pub truncated: u64,
    pub stripped: u64,
}

impl Altered {
    pub(crate) fn take(&mut self, reason: Reason) {
        *match reason {
            Reason::MacControl => &mut self.eaten_mac_control,
            Reason::Group => &mut self.eaten_group,
            Reason::EtherType => &mut self.eaten_ether_type,
            Reason::TooLong => &mut self.dropped_too_long,
        } += 1;
    }
}

/// One direction, every kind of frame.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Opaqueness {
    /// Test frames of all trials together; by trial and sequence they are in [`Counts`](super::Counts).
    pub test: Altered,
    pub learning: Altered,
    pub control: Altered,
    pub foreign: Altered,
}
