//! Is somebody else on this link? Frames that only a production network (or a forgotten cable) would send.
//!
//! Benchmarking traffic must never reach a production network (RFC 6815, sections 3 and 5). Both ends
//! listen before the first trial; a bridge's spanning tree, a neighbour's LLDP, an ARP or a DHCP message
//! from anyone but the two ends themselves means that the link is not an isolated bench.

use std::fmt;

use pnet_base::MacAddr;

/// A frame that has no business on an isolated bench.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stranger {
    pub kind: Kind,
    pub from: MacAddr,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    SpanningTree,
    NeighbourDiscovery,
    Arp,
    Dhcp,
}

impl fmt::Display for Stranger {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        let what = match self.kind {
            Kind::SpanningTree => "a bridge's spanning tree",
            Kind::NeighbourDiscovery => "LLDP",
            Kind::Arp => "ARP",
            Kind::Dhcp => "DHCP",
        };
        write!(formatter, "{what} from {}", self.from)
    }
}

/// Judges one frame (tags, if any, in place). `friends` are the two ends' own hardware addresses.
#[must_use]
pub fn judge(frame: &[u8], friends: &[MacAddr]) -> Option<Stranger> {
    let address = |at: usize| -> Option<MacAddr> {
        let octets: [u8; 6] = frame.get(at..at + 6)?.try_into().ok()?;
        Some(MacAddr::from(octets))
    };
    let (to, from) = (address(0)?, address(6)?);
    if friends.contains(&from) {
        return None;
    }
    let word =
        |at: usize| -> Option<u16> { Some(u16::from_be_bytes([*frame.get(at)?, *frame.get(at + 1)?])) };
    let mut at = 12;
    while matches!(word(at)?, 0x8100 | 0x88A8) {
        at += 4;
    }
    // Bridge group address (IEEE 802.1D); provider bridges use ...08.
    let bridge = matches!(to.octets(), [0x01, 0x80, 0xC2, 0, 0, 0x00 | 0x08]);
    let kind = match word(at)? {
        0x88CC => Kind::NeighbourDiscovery,
        0x0806 => Kind::Arp,
        0x0800 => {
            let header = usize::from(frame.get(at + 2)? & 0x0F) * 4;
            let udp = *frame.get(at + 11)? == 17;
            let port = word(at + 2 + header + 2)?;
            (udp && matches!(port, 67 | 68)).then_some(Kind::Dhcp)?
        }
        0x86DD => {
            let udp = *frame.get(at + 8)? == 17;
            let port = word(at + 2 + 40 + 2)?;
            (udp && matches!(port, 546 | 547)).then_some(Kind::Dhcp)?
        }
        _ if bridge => Kind::SpanningTree,
        _ => return None,
    };
    Some(Stranger { kind, from })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(to: [u8; 6], rest: &[u8]) -> Vec<u8> {
        [&to[..], &[0x02, 0, 0, 0, 0, 9], rest].concat()
    }

    #[test]
    fn each_kind_is_known_and_friends_are_not_strangers() {
        // Destination addresses and EtherTypes: IEEE 802.1D, IEEE 802.1AB, RFC 826; DHCP ports RFC 2131
        // and RFC 8415.
        let everyone = [0xFF; 6];
        let mut dhcp = vec![0x08, 0x00, 0x45];
        dhcp.extend_from_slice(&[0; 8]);
        dhcp.push(17);
        dhcp.extend_from_slice(&[0; 10]);
        dhcp.extend_from_slice(&[0, 68, 0, 67]);
        let mut dhcp6 = vec![0x86, 0xDD, 0x60, 0, 0, 0, 0, 0, 17, 1];
        dhcp6.extend_from_slice(&[0; 32]);
        dhcp6.extend_from_slice(&[2, 0x22, 2, 0x23]);
        let cases = [
            (frame([1, 0x80, 0xC2, 0, 0, 0], &[0, 38, 0x42, 0x42, 3]), Kind::SpanningTree),
            (frame([1, 0x80, 0xC2, 0, 0, 0x0E], &[0x88, 0xCC, 2]), Kind::NeighbourDiscovery),
            (frame(everyone, &[0x08, 0x06, 0, 1]), Kind::Arp),
            (frame(everyone, &[0x81, 0x00, 0, 5, 0x08, 0x06, 0, 1]), Kind::Arp),
            (frame(everyone, &dhcp), Kind::Dhcp),
            (frame([0x33, 0x33, 0, 1, 0, 2], &dhcp6), Kind::Dhcp),
        ];
        for (frame, kind) in cases {
            let from = MacAddr::new(2, 0, 0, 0, 0, 9);
            assert_eq!(judge(&frame, &[]), Some(Stranger { kind, from }));
            assert_eq!(judge(&frame, &[from]), None);
            for cut in 0..frame.len() {
                let _ = judge(&frame[..cut], &[]);
            }
        }
        assert_eq!(judge(&frame(everyone, &[0x88, 0xB6, 0, 0]), &[]), None);
    }
}
