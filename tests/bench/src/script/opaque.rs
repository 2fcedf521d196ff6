//! What a piece of kit does not let through as it came, whoever sent it.

use serde::{Deserialize, Serialize};

/// Frames of every kind (test, learning, control and nobody's), or of the `kinds` given, that are eaten, cut or
/// stripped of a tag. Whatever is not written here is handed on bit for bit. Lengths count the FCS.
///
/// A frame is eaten first, then judged by its length as it came, then stripped.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq, Eq)]
#[serde(default, deny_unknown_fields)]
pub struct Opaque {
    /// Only frames of these kinds are met; none written means all.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub kinds: Vec<Kind>,
    /// Eats MAC control frames (EtherType 0x8808, no tag) with these opcodes: 1 is PAUSE, 0x0101 priority-based
    /// flow control (IEEE 802.3 annexes 31A and 31D, from memory).
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub mac_control: Vec<u16>,
    /// Eats frames to the reserved group addresses 01-80-C2-00-00-0x with these x, 0 to 15 (IEEE 802.1Q 8.6.3).
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub groups: Vec<u8>,
    /// Eats frames with one of these EtherTypes, that of a tag included: 0x8100 eats what is tagged.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub ether_types: Vec<u16>,
    /// Loses frames longer than this.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub drop_over: Option<u32>,
    /// Cuts frames longer than this to this length.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub truncate_over: Option<u32>,
    /// Takes the outermost tag off. A frame that becomes shorter than 64 octets is filled up with zeros.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub strip: Option<Strip>,
}

/// A kind of frame, as the wire tells them apart.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, PartialEq, Eq)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    Test,
    Learning,
    Control,
    Foreign,
}

/// Which tags (TPID 0x8100 or 0x88A8) are taken off.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, PartialEq, Eq)]
#[serde(rename_all = "lowercase")]
pub enum Strip {
    /// The outermost, whatever it says.
    Outer,
    /// The outermost if it only says a priority: VLAN identifier 0.
    Priority,
}

impl Opaque {
    pub(super) fn check(&self) -> anyhow::Result<()> {
        anyhow::ensure!(
            self.groups.iter().all(|&last| last < 16),
            "`groups` are the last digits x of 01-80-C2-00-00-0x, 0 to 15"
        );
        anyhow::ensure!(
            self.truncate_over.is_none_or(|octets| octets >= 64),
            "`truncate_over` is less than 64 octets, the shortest frame there is"
        );
        Ok(())
    }
}
