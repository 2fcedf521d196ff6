//! What an interface can do with XDP programs, as the kernel's family `netdev` tells it (linux/netdev.h, since 6.3).

use super::by_index::{self, Family};
use super::query::{PATIENCE, Served};

#[derive(Debug, Clone, PartialEq)]
struct Devices;

/// `NETDEV_CMD_DEV_GET`, `NETDEV_A_DEV_IFINDEX`.
impl Family for Devices {
    const NAME: &'static str = "netdev";
    const COMMAND: u8 = 1;
    const VERSION: u8 = 1;
    const INDEX: u16 = 1;
}

/// `NETDEV_A_DEV_XDP_FEATURES`; `NETDEV_A_DEV_XDP_RX_METADATA_FEATURES` (since 6.6) and `NETDEV_A_DEV_XSK_FEATURES` (since
/// 6.8), which a kernel without them does not tell.
const FEATURES: u16 = 3;
const RECEIVE_METADATA: u16 = 5;
const SOCKET_FEATURES: u16 = 6;

/// Bits of `enum netdev_xdp_act`.
const BASIC: u64 = 1;
const REDIRECTS: u64 = 2;
const SENDS: u64 = 4;
const ZERO_COPY: u64 = 8;
/// `NETDEV_XDP_RX_METADATA_TIMESTAMP`, `NETDEV_XSK_FLAGS_TX_TIMESTAMP`.
const STAMPS: u64 = 1;

/// What a driver can do with XDP.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct XdpAbilities {
    /// Programs run in the driver, and can hand frames to sockets.
    pub driver: bool,
    /// Frames that programs send out of this interface get on their way. A veth can only while its peer has a program
    /// too.
    pub sends: bool,
    /// AF_XDP sockets need no copy of a frame.
    pub zero_copy: bool,
    /// Programs are told the NIC's stamp of a frame that arrives, and such sockets that of one that leaves.
    pub stamps: bool,
}

impl XdpAbilities {
    fn told(attributes: &[u8]) -> Option<Self> {
        let bits = word(attributes, FEATURES)?;
        let stamps = |attribute| word(attributes, attribute).is_some_and(|bits| bits & STAMPS != 0);
        Some(Self {
            driver: bits & (BASIC | REDIRECTS) == BASIC | REDIRECTS,
            sends: bits & SENDS != 0,
            zero_copy: bits & ZERO_COPY != 0,
            stamps: stamps(RECEIVE_METADATA) && stamps(SOCKET_FEATURES),
        })
    }
}

/// What the interface with this index can do; `None` where the kernel does not tell.
pub async fn xdp_abilities(index: u32) -> Option<XdpAbilities> {
    let (connection, mut handle, _) = genetlink::new_connection().ok()?;
    let _served = Served(tokio::spawn(connection));
    let answer = by_index::ask::<Devices>(&mut handle, index);
    let answer = tokio::time::timeout(PATIENCE, answer).await.ok()??;
    XdpAbilities::told(&answer)
}

/// Finds a word of flags among the attributes of an answer.
fn word(mut attributes: &[u8], wanted: u16) -> Option<u64> {
    /// The upper two bits of a type are flags (linux/netlink.h).
    const TYPE: u16 = 0x3fff;
    loop {
        let (head, _) = attributes.split_first_chunk::<4>()?;
        let length = usize::from(u16::from_ne_bytes([head[0], head[1]]));
        let kind = u16::from_ne_bytes([head[2], head[3]]) & TYPE;
        let value = attributes.get(4..length)?;
        if kind == wanted {
            return value.first_chunk().map(|octets| u64::from_ne_bytes(*octets));
        }
        attributes = attributes.get(length.next_multiple_of(4)..)?;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn attribute(kind: u16, value: &[u8]) -> Vec<u8> {
        let mut octets = ((4 + value.len()) as u16).to_ne_bytes().to_vec();
        octets.extend(kind.to_ne_bytes());
        octets.extend(value);
        octets.resize(octets.len().next_multiple_of(4), 0);
        octets
    }

    #[test]
    fn features_are_found_among_other_attributes() {
        let told = |more: &[(u16, u64)]| {
            let mut answer = [attribute(1, &7u32.to_ne_bytes()), attribute(2, b"x")].concat();
            answer.extend(more.iter().flat_map(|(kind, bits)| attribute(*kind, &bits.to_ne_bytes())));
            XdpAbilities::told(&answer)
        };
        // As a veth of this kernel (6.18) answers: it tells programs of stamps, and never stamps what leaves.
        let veth = XdpAbilities { driver: true, sends: true, zero_copy: false, stamps: false };
        assert_eq!(told(&[(3, 7)]), Some(veth));
        assert_eq!(told(&[(3, 7), (5, 7), (6, 0)]), Some(veth));
        let both = XdpAbilities { zero_copy: true, stamps: true, ..veth };
        assert_eq!(told(&[(3, 0x8f), (5, 1), (6, 3)]), Some(both));
        assert_eq!(told(&[(3, 0x8f), (5, 6), (6, 3)]), Some(XdpAbilities { stamps: false, ..both }));
        assert_eq!(told(&[(3, 0x8f), (6, 3)]), Some(XdpAbilities { stamps: false, ..both }));
        assert_eq!(told(&[(5, 1), (6, 3)]), None);
    }

    #[test]
    fn broken_answers_tell_nothing() {
        for octets in [&[][..], &[1, 0], &[0; 8], &[200, 0, 3, 0, 1, 2], &[6, 0, 3, 0, 1, 2]] {
            assert_eq!(word(octets, FEATURES), None, "{octets:?}");
        }
    }
}
