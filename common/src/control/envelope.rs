//! The envelope of a control message: enough to know whose it is, which version it speaks, and that it
//! arrived whole.
//!
//! It is the payload of an Ethernet frame of EtherType 0x88B6 (IEEE Std 802, local experimental 2), or of
//! a UDP datagram. Network byte order. The first 16 octets keep their meaning in every version, so that two
//! ends that differ can say so.
//!
//! | offset | size | field |
//! | --- | --- | --- |
//! | 0 | 4 | "KITP" |
//! | 4 | 1 | protocol version |
//! | 5 | 1 | 1 request, 2 reply |
//! | 6 | 2 | octets of body |
//! | 8 | 4 | exchange: the reply repeats the request's |
//! | 12 | 4 | CRC-32 of the twelve octets before it and of the body |
//! | 16 | … | body: JSON, then zeros up to the padded length |

/// The version of the messages in this build.
pub const PROTOCOL: u8 = 1;
/// Octets in front of the body.
pub const OVERHEAD: usize = 16;
/// Every discovery is padded to this length, and its answer is never longer.
pub const DISCOVERY_OCTETS: usize = 600;
/// Every other request is padded to this length, and its reply is never longer: whoever asks cannot make
/// a reflector send more than was sent to it.
pub const REQUEST_OCTETS: usize = 1_480;

const MAGIC: &[u8; 4] = b"KITP";

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Direction {
    Request = 1,
    Reply = 2,
}

/// A message taken out of its envelope.
#[derive(Debug, PartialEq, Eq)]
pub struct Opened<'a> {
    pub version: u8,
    pub direction: Direction,
    pub exchange: u32,
    pub body: &'a [u8],
}

/// Writes an envelope of at least `padded` octets.
#[must_use]
pub fn seal(version: u8, direction: Direction, exchange: u32, body: &[u8], padded: usize) -> Vec<u8> {
    let mut out = Vec::with_capacity(padded.max(OVERHEAD + body.len()));
    out.extend_from_slice(MAGIC);
    out.extend_from_slice(&[version, direction as u8]);
    out.extend_from_slice(&u16::try_from(body.len()).unwrap_or(u16::MAX).to_be_bytes());
    out.extend_from_slice(&exchange.to_be_bytes());
    let check = checksum(&out, body);
    out.extend_from_slice(&check.to_be_bytes());
    out.extend_from_slice(body);
    out.resize(out.len().max(padded), 0);
    out
}

/// Reads an envelope; `None` for anything that is not one, or that was damaged on the way.
#[must_use]
pub fn open(octets: &[u8]) -> Option<Opened<'_>> {
    let (head, rest) = octets.split_at_checked(OVERHEAD)?;
    let direction = match head[5] {
        1 => Direction::Request,
        2 => Direction::Reply,
        _ => return None,
    };
    let body = rest.get(..usize::from(u16::from_be_bytes([head[6], head[7]])))?;
    let check = u32::from_be_bytes(head[12..16].try_into().ok()?);
    (head.starts_with(MAGIC) && check == checksum(&head[..12], body)).then(|| Opened {
        version: head[4],
        direction,
        exchange: u32::from_be_bytes([head[8], head[9], head[10], head[11]]),
        body,
    })
}

fn checksum(head: &[u8], body: &[u8]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(head);
    hasher.update(body);
    hasher.finalize()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn what_was_sealed_opens(version: u8, exchange: u32, body in prop::collection::vec(any::<u8>(), 0..900)) {
            let sealed = seal(version, Direction::Reply, exchange, &body, REQUEST_OCTETS);
            prop_assert_eq!(sealed.len(), REQUEST_OCTETS);
            let opened = open(&sealed).unwrap();
            prop_assert_eq!(opened, Opened { version, direction: Direction::Reply, exchange, body: &body });
        }

        #[test]
        fn one_flipped_bit_is_never_believed(body in prop::collection::vec(any::<u8>(), 0..200), at in 0usize..1000) {
            let mut sealed = seal(1, Direction::Request, 7, &body, 0);
            let bit = at % (sealed.len() * 8);
            sealed[bit / 8] ^= 1 << (bit % 8);
            prop_assert_eq!(open(&sealed), None);
        }

        #[test]
        fn hostile_octets_do_no_harm(octets in prop::collection::vec(any::<u8>(), 0..100)) {
            prop_assert_eq!(open(&octets), None);
        }
    }
}
