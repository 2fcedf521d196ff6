//! The session between the two ends: messages, their envelope, and the sockets that carry them.
//!
//! Control travels over the link under test, because there is no other: every request is repeated until
//! answered, every answer may be asked for again, and a dead link is a result rather than an error.

pub mod client;
pub mod counts;
pub mod envelope;
pub mod listen;
pub mod message;
pub mod server;
pub mod strangers;
pub mod watched;
pub mod wire;

use pnet_base::MacAddr;

pub use message::{DataAddress, End, FarCarrier, FarReport, Refusal, Reply, Request, TrialSpec, Went};

/// EtherType of control frames: IEEE Std 802, local experimental 2 (RFC 7042, appendix B.2).
pub const ETHERTYPE: u16 = 0x88B6;
/// Where a generator asks whether a reflector is there: a locally administered group address.
pub const DISCOVERY_GROUP: MacAddr = MacAddr(0x03, 0x6B, 0x70, 0x00, 0x00, 0x01);
/// The UDP port a reflector listens on unless told otherwise; from the range for private use (RFC 6335).
pub const UDP_PORT: u16 = 49_196;

/// A random locally administered individual address (IEEE 802, the two low bits of the first octet).
#[must_use]
pub fn random_mac() -> MacAddr {
    let [a, b, c, d, e, f, ..] = random().to_be_bytes();
    MacAddr((a & 0xFC) | 0x02, b, c, d, e, f)
}

/// A random address for the test frames of one session; the addresses of its flows follow from it
/// ([`flow::address`](crate::flow::address)).
#[must_use]
pub fn random_data_mac() -> MacAddr {
    crate::flow::base(random_mac())
}

/// A random number from the kernel.
#[must_use]
pub fn random() -> u64 {
    use std::hash::{BuildHasher, Hasher};
    let mut octets = [0; 8];
    match rustix::rand::getrandom(&mut octets, rustix::rand::GetRandomFlags::empty()) {
        Ok(8) => u64::from_ne_bytes(octets),
        // The standard library's own seed, itself from the kernel.
        _ => std::hash::RandomState::new().build_hasher().finish(),
    }
}
