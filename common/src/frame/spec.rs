//! All that both ends must know to make the same octets.

use super::fill::Fill;
use super::header::HEADER_OCTETS;
use super::tags::{Tag, Tags};
use pnet_base::MacAddr;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;
use thiserror::Error;

/// Octets of the frame check sequence: counted in a frame size, absent from a buffer.
pub const FCS_OCTETS: usize = 4;

/// What a frame of the same size would hold around the payload of a UDP socket: Ethernet 14, IPv4 20, UDP 8,
/// FCS 4.
const DATAGRAM_OVERHEAD: usize = 46;

/// What test frames look like.
#[derive(Serialize, Deserialize, Clone, Copy, PartialEq, Eq, Hash, Debug, Default)]
#[serde(rename_all = "lowercase")]
pub enum Encapsulation {
    /// UDP in IPv4 in Ethernet.
    #[default]
    Ipv4,
    /// UDP in IPv6 in Ethernet.
    Ipv6,
    /// Straight behind the IEEE 802 local experimental EtherType 88B5.
    Ethernet,
    /// The payload of a UDP socket: the operating system makes every header.
    Datagram,
}

impl Encapsulation {
    /// Every encapsulation, in the order of the documentation.
    pub const ALL: [Self; 4] = [Self::Ipv4, Self::Ipv6, Self::Ethernet, Self::Datagram];

    const fn name(self) -> &'static str {
        match self {
            Self::Ipv4 => "ipv4",
            Self::Ipv6 => "ipv6",
            Self::Ethernet => "ethernet",
            Self::Datagram => "datagram",
        }
    }
}

impl fmt::Display for Encapsulation {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.pad(self.name())
    }
}

/// Text that names no encapsulation.
#[derive(Error, Clone, PartialEq, Eq, Debug)]
#[error("no encapsulation is called {0:?}: choose ipv4, ipv6, ethernet or datagram")]
pub struct EncapsulationError(String);

impl FromStr for Encapsulation {
    type Err = EncapsulationError;

    fn from_str(text: &str) -> Result<Self, EncapsulationError> {
        let named = Self::ALL.into_iter().find(|encapsulation| encapsulation.name() == text);
        named.ok_or_else(|| EncapsulationError(text.to_owned()))
    }
}

/// One kind of test frame, as the generator sends it. The frames on the way home follow from it.
#[derive(Serialize, Deserialize, Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct FrameSpec {
    pub encapsulation: Encapsulation,
    pub tags: Tags,
    /// Differentiated services code point, 0 to 63; bare Ethernet has no place for it, a socket's owner must
    /// set it.
    pub dscp: u8,
    /// Octets from the destination address to the end of the FCS (RFC 1242 section 3.5).
    pub frame_size: u16,
    /// The generator's data address.
    pub source: MacAddr,
    /// The reflector's data address.
    pub destination: MacAddr,
    /// Random tag of one trial, never 0.
    pub session: u16,
    pub stream: u8,
    pub fill: Fill,
    /// Where the pseudorandom fill starts; to be reported with the result (RFC 4814 section 3).
    pub fill_seed: u32,
}

impl FrameSpec {
    /// The largest frame size, whatever the encapsulation (RFC 5180 section 5.1.1).
    pub const MAXIMUM_SIZE: u16 = 9216;

    /// Octets in a buffer: the frame size without the FCS, or the payload of a datagram.
    pub fn octets(&self) -> usize {
        let overhead = match self.encapsulation {
            Encapsulation::Datagram => DATAGRAM_OVERHEAD,
            _ => FCS_OCTETS,
        };
        usize::from(self.frame_size).saturating_sub(overhead)
    }

    /// The smallest frame size that holds the test header.
    ///
    /// | encapsulation | untagged | one tag | two tags |
    /// | --- | --- | --- | --- |
    /// | ipv4 | 64 | 68 | 72 |
    /// | ipv6 | 84 | 88 | 92 |
    /// | ethernet | 64 | 64 | 64 |
    /// | datagram | 64 | - | - |
    pub fn minimum_size(encapsulation: Encapsulation, tags: &Tags) -> u16 {
        let tags = tags.octets() as u16;
        match encapsulation {
            Encapsulation::Ipv4 => 64 + tags,
            Encapsulation::Ipv6 => 84 + tags,
            Encapsulation::Ethernet | Encapsulation::Datagram => 64,
        }
    }

    /// Whether both ends can make and read such frames.
    ///
    /// # Errors
    /// The first thing found wrong, with the values that would do.
    pub fn check(&self) -> Result<(), FrameError> {
        let minimum = Self::minimum_size(self.encapsulation, &self.tags);
        if self.frame_size < minimum {
            let (encapsulation, tags) = (self.encapsulation, self.tags.len());
            return Err(FrameError::TooSmall { size: self.frame_size, minimum, encapsulation, tags });
        }
        if self.frame_size > Self::MAXIMUM_SIZE {
            return Err(FrameError::TooLarge { size: self.frame_size, maximum: Self::MAXIMUM_SIZE });
        }
        if self.session == 0 {
            return Err(FrameError::NoSession);
        }
        if self.dscp > 63 {
            return Err(FrameError::Dscp(self.dscp));
        }
        if let Some(tag) = self.tags.iter().find(|tag| !tag.is_valid()) {
            return Err(FrameError::Tag(tag));
        }
        if self.encapsulation == Encapsulation::Datagram {
            return if self.tags.is_empty() { Ok(()) } else { Err(FrameError::TaggedDatagram) };
        }
        // Bit 0 of the first octet marks a group address: the reflector must never return such a frame.
        if let Some(address) = [self.source, self.destination].into_iter().find(|address| address.0 & 1 == 1)
        {
            return Err(FrameError::GroupAddress(address));
        }
        if self.source == self.destination {
            return Err(FrameError::SameAddress(self.source));
        }
        Ok(())
    }
}

// The smallest datagram holds the header and nothing else.
const _: () = assert!(64 - DATAGRAM_OVERHEAD == HEADER_OCTETS);

/// Frames that cannot be made.
#[derive(Error, Clone, Copy, PartialEq, Eq, Debug)]
pub enum FrameError {
    #[error(
        "a frame size of {size} is too small: {encapsulation} with {tags} VLAN tags needs at least {minimum} bytes (with FCS)"
    )]
    TooSmall { size: u16, minimum: u16, encapsulation: Encapsulation, tags: usize },
    #[error("a frame size of {size} is too large: the largest is {maximum} bytes (with FCS)")]
    TooLarge { size: u16, maximum: u16 },
    #[error("several sizes in one trial need frames that say their length: ipv4 or ipv6, not ethernet")]
    NoLength,
    #[error("session 0 is reserved: draw another")]
    NoSession,
    #[error("DSCP {0} does not exist: 0 to 63 do")]
    Dscp(u8),
    #[error(
        "no frame can carry the VLAN tag {0} with TPID {tpid:04x}: the ID must be 0 to 4094, the PCP 0 to 7, the TPID 8100 or 88a8",
        tpid = .0.tpid
    )]
    Tag(Tag),
    #[error("datagrams carry no VLAN tag: the operating system makes their headers")]
    TaggedDatagram,
    #[error("test frames never use a group address such as {0}: nobody would return them")]
    GroupAddress(MacAddr),
    #[error("source and destination are both {0}: each end needs an address of its own")]
    SameAddress(MacAddr),
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::tests::spec;

    #[test]
    fn names_come_back() {
        for encapsulation in Encapsulation::ALL {
            assert_eq!(encapsulation.to_string().parse(), Ok(encapsulation));
            assert_eq!(serde_json::to_string(&encapsulation).unwrap(), format!("\"{encapsulation}\""));
        }
        assert!("ip".parse::<Encapsulation>().unwrap_err().to_string().contains("ipv6"));
    }

    #[test]
    fn each_wrong_thing_is_named() {
        let good = spec(Encapsulation::Ipv4, 0, 64);
        assert_eq!(good.check(), Ok(()));
        let small = FrameSpec { frame_size: 63, ..good }.check().unwrap_err();
        assert!(small.to_string().contains("at least 64"), "{small}");
        let large = FrameSpec { frame_size: 9217, ..good }.check().unwrap_err();
        assert!(large.to_string().contains("9216"), "{large}");
        let wrong = |spec: FrameSpec| spec.check().unwrap_err();
        assert_eq!(wrong(FrameSpec { session: 0, ..good }), FrameError::NoSession);
        assert_eq!(wrong(FrameSpec { dscp: 64, ..good }), FrameError::Dscp(64));
        let group = MacAddr(3, 0, 0, 0, 0, 1);
        assert_eq!(wrong(FrameSpec { source: group, ..good }), FrameError::GroupAddress(group));
        let broadcast = MacAddr::broadcast();
        assert_eq!(wrong(FrameSpec { destination: broadcast, ..good }), FrameError::GroupAddress(broadcast));
        assert_eq!(
            wrong(FrameSpec { source: good.destination, ..good }),
            FrameError::SameAddress(good.destination)
        );
        for tag in [
            Tag::customer(4095),
            Tag { pcp: 8, ..Tag::customer(1) },
            Tag { tpid: 0x9100, ..Tag::customer(1) },
        ] {
            let tagged = FrameSpec { tags: Tags::single(tag), frame_size: 128, ..good };
            assert_eq!(wrong(tagged), FrameError::Tag(tag));
        }
        let datagram = FrameSpec {
            encapsulation: Encapsulation::Datagram,
            tags: Tags::single(Tag::customer(1)),
            ..good
        };
        assert_eq!(wrong(datagram), FrameError::TaggedDatagram);
    }

    #[test]
    fn serialised_and_back() {
        for encapsulation in Encapsulation::ALL {
            let spec = spec(encapsulation, 0, 512);
            let json = serde_json::to_string(&spec).unwrap();
            assert_eq!(serde_json::from_str::<FrameSpec>(&json).unwrap(), spec);
        }
    }
}
