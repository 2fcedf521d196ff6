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

/// `NETDEV_A_DEV_XDP_FEATURES`.
const ATTRIBUTE_FEATURES: u16 = 3;

/// Bits of `enum netdev_xdp_act`.
const BASIC: u64 = 1;
const REDIRECTS: u64 = 2;
const SENDS: u64 = 4;
const ZERO_COPY: u64 = 8;

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
}

impl XdpAbilities {
    fn from_bits(bits: u64) -> Self {
        Self {
            driver: bits & (BASIC | REDIRECTS) == BASIC | REDIRECTS,
            sends: bits & SENDS != 0,
            zero_copy: bits & ZERO_COPY != 0,
        }
    }
}

/// What the interface with this index can do; `None` where the kernel does not tell.
pub async fn xdp_abilities(index: u32) -> Option<XdpAbilities> {
    let (connection, mut handle, _) = genetlink::new_connection().ok()?;
    let _served = Served(tokio::spawn(connection));
    let answer = by_index::ask::<Devices>(&mut handle, index);
    let answer = tokio::time::timeout(PATIENCE, answer).await.ok()??;
    features(&answer).map(XdpAbilities::from_bits)
}

/// Finds the features among the attributes of an answer.
fn features(mut attributes: &[u8]) -> Option<u64> {
    /// The upper two bits of a type are flags (linux/netlink.h).
    const TYPE: u16 = 0x3fff;
    loop {
        let (head, _) = attributes.split_first_chunk::<4>()?;
        let length = usize::from(u16::from_ne_bytes([head[0], head[1]]));
        let kind = u16::from_ne_bytes([head[2], head[3]]) & TYPE;
        let value = attributes.get(4..length)?;
        if kind == ATTRIBUTE_FEATURES {
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
        let answer =
            [attribute(1, &7u32.to_ne_bytes()), attribute(2, b"x"), attribute(3, &7u64.to_ne_bytes())];
        let bits = features(&answer.concat()).unwrap();
        assert_eq!(
            XdpAbilities::from_bits(bits),
            XdpAbilities { driver: true, sends: true, zero_copy: false }
        );
    }

    #[test]
    fn broken_answers_tell_nothing() {
        for octets in [&[][..], &[1, 0], &[0; 8], &[200, 0, 3, 0, 1, 2], &[6, 0, 3, 0, 1, 2]] {
            assert_eq!(features(octets), None, "{octets:?}");
        }
    }
}
