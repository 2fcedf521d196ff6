//! The kinds of frames that a chain may treat differently.

use std::fmt;

use pnet_base::MacAddr;
use serde::{Deserialize, Serialize};

use crate::frame::internet_checksum;

/// A kind of frame.
///
/// Addresses and types: IEEE 802.1Q table 8-1 (reserved group addresses), IEEE 802.3 annex 31A and 31B (MAC control, PAUSE),
/// 802.1AB (LLDP), 802.1X (EAPOL), 802.3 clause 57 (OAM); all from memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// To one address, with no tag.
    Untagged,
    OneTag,
    /// 802.1ad outside, 802.1Q inside.
    TwoTags,
    /// A tag that only says a priority: VLAN identifier 0.
    PriorityTag,
    Multicast,
    Broadcast,
    /// To 01-80-C2-00-00-0x; x is 0 to 15.
    Reserved(u8),
    /// A PAUSE frame that asks for no pause: it stops nobody who takes it.
    Pause,
    Lldp,
    Eapol,
    Oam,
    /// A protocol that nobody has.
    UnknownType,
}

/// VLAN identifiers of the tags.
const OUTER: u16 = 0x0065;
const INNER: u16 = 0x0066;
const PRIORITY: u16 = 5 << 13;

impl Kind {
    /// All of them.
    pub fn all() -> impl Iterator<Item = Kind> {
        let plain = [
            Kind::Untagged,
            Kind::OneTag,
            Kind::TwoTags,
            Kind::PriorityTag,
            Kind::Multicast,
            Kind::Broadcast,
        ];
        let protocols = [Kind::Pause, Kind::Lldp, Kind::Eapol, Kind::Oam, Kind::UnknownType];
        plain.into_iter().chain((0..16).map(Kind::Reserved)).chain(protocols)
    }

    /// Whether it may be so long, bytes including FCS.
    #[must_use]
    pub fn has(self, frame_size: u16) -> bool {
        if let Kind::Reserved(last) = self
            && last > 15
        {
            return false;
        }
        let longest = match self {
            // MAC control frames have the least size there is (annex 31A).
            Kind::Pause => 64,
            // Slow protocols are untagged and of ordinary size (annex 57A).
            Kind::Oam => 1518,
            _ => crate::frame::FrameSpec::MAXIMUM_SIZE,
        };
        (64..=longest).contains(&frame_size)
    }

    /// Octets of tags.
    #[must_use]
    pub fn tag_octets(self) -> u16 {
        match self {
            Kind::OneTag | Kind::PriorityTag => 4,
            Kind::TwoTags => 8,
            _ => 0,
        }
    }

    /// Where it goes; `unicast` is the far end's own address.
    pub(super) fn destination(self, unicast: MacAddr) -> MacAddr {
        match self {
            Kind::Untagged | Kind::OneTag | Kind::TwoTags | Kind::PriorityTag | Kind::UnknownType => unicast,
            // Locally administered, of nobody.
            Kind::Multicast => MacAddr(0x03, 0x6B, 0x70, 0x00, 0x00, 0x02),
            Kind::Broadcast => MacAddr::broadcast(),
            Kind::Reserved(last) => MacAddr(0x01, 0x80, 0xC2, 0, 0, last & 0x0F),
            Kind::Pause => MacAddr(0x01, 0x80, 0xC2, 0, 0, 0x01),
            Kind::Oam => MacAddr(0x01, 0x80, 0xC2, 0, 0, 0x02),
            Kind::Eapol => MacAddr(0x01, 0x80, 0xC2, 0, 0, 0x03),
            Kind::Lldp => MacAddr(0x01, 0x80, 0xC2, 0, 0, 0x0E),
        }
    }

    /// What follows the addresses in a frame of this size (bytes including FCS): tags, type, and what the type demands first.
    pub(super) fn head(self, frame_size: u16) -> Vec<u8> {
        let tag = |tpid: u16, tci: u16| [tpid.to_be_bytes(), tci.to_be_bytes()].concat();
        let plain = ipv4(frame_size - 18 - self.tag_octets());
        match self {
            Kind::Untagged | Kind::Multicast | Kind::Broadcast | Kind::Reserved(_) => plain,
            Kind::OneTag => [&tag(0x8100, OUTER)[..], &plain].concat(),
            Kind::PriorityTag => [&tag(0x8100, PRIORITY)[..], &plain].concat(),
            Kind::TwoTags => [&tag(0x88A8, OUTER)[..], &tag(0x8100, INNER), &plain].concat(),
            // Opcode 1, no quanta.
            Kind::Pause => vec![0x88, 0x08, 0x00, 0x01, 0x00, 0x00],
            // Chassis and port by local names, time to live 0 (a neighbour forgets it at once), then an organisation's own
            // element, whose text holds what identifies the probe; the rest of the frame is behind the end.
            Kind::Lldp => {
                [
                    &[
                        0x88, 0xCC, 0x02, 0x03, 0x07, b'k', b'p', 0x04, 0x03, 0x07, b'k', b'p', 0x06, 0x02,
                        0, 0,
                    ][..],
                    &[0xFE, 4 + super::frame::IDENTITY_OCTETS as u8, 0x02, b'k', b'p', 0x01],
                ]
                .concat()
            }
            // Version 2, a type that is reserved, with as much body as identifies the probe.
            Kind::Eapol => vec![0x88, 0x8E, 0x02, 0x7F, 0x00, super::frame::IDENTITY_OCTETS as u8],
            // Subtype 3, no flags, an organisation's own code.
            Kind::Oam => vec![0x88, 0x09, 0x03, 0x00, 0x00, 0xFE, 0x02, b'k', b'p'],
            // OUI extended, an organisation's own protocol (IEEE Std 802 clause 9.2.4).
            Kind::UnknownType => vec![0x88, 0xB7, 0x02, b'k', b'p', 0x00, 0x01],
        }
    }
}

/// The type and a header of IPv4 (RFC 791) for so many octets: addresses for benchmarks (RFC 2544 appendix C.2.2), an
/// experimental protocol (RFC 3692).
fn ipv4(octets: u16) -> Vec<u8> {
    let [high, low] = octets.to_be_bytes();
    let mut header = vec![0x45, 0, high, low, 0, 0, 0x40, 0, 10, 253, 0, 0, 198, 18, 0, 1, 198, 19, 0, 1];
    let checksum = internet_checksum(&header).to_be_bytes();
    header[10..12].copy_from_slice(&checksum);
    [&[0x08, 0x00][..], &header].concat()
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Kind::Untagged => f.pad("untagged frames"),
            Kind::OneTag => f.pad("frames with one VLAN tag"),
            Kind::TwoTags => f.pad("frames with two VLAN tags"),
            Kind::PriorityTag => f.pad("priority-tagged frames"),
            Kind::Multicast => f.pad("multicast"),
            Kind::Broadcast => f.pad("broadcast"),
            Kind::Reserved(last) => f.pad(&format!("group address 01-80-C2-00-00-{last:02X}")),
            Kind::Pause => f.pad("PAUSE"),
            Kind::Lldp => f.pad("LLDP"),
            Kind::Eapol => f.pad("EAPOL"),
            Kind::Oam => f.pad("OAM (slow protocols)"),
            Kind::UnknownType => f.pad("an unknown type"),
        }
    }
}
