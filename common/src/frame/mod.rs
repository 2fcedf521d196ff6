//! Test frames: bytes in, bytes out, no I/O and no clock.
//!
//! A frame in a buffer, as a packet socket or AF_XDP hands it over (without the 4 octets of FCS):
//!
//! | encapsulation | octets, from the outside in |
//! | --- | --- |
//! | [`Ipv4`](Encapsulation::Ipv4) | DA 6, SA 6, tags 4 each, 0800, IPv4 20, UDP 8, test header 18, fill |
//! | [`Ipv6`](Encapsulation::Ipv6) | DA 6, SA 6, tags 4 each, 86DD, IPv6 40, UDP 8, test header 18, fill |
//! | [`Ethernet`](Encapsulation::Ethernet) | DA 6, SA 6, tags 4 each, 88B5, test header 18, CRC-32 of it 4, fill |
//! | [`Datagram`](Encapsulation::Datagram) | test header 18, CRC-32 of it 4 (if there is room), fill |
//!
//! | room | promise |
//! | --- | --- |
//! | `spec` | [`FrameSpec`]: all that both ends must know to make the same octets |
//! | `header` | [`TestHeader`]: the 18 octets |
//! | `tags`, `fill`, `checksum`, `guard` | the parts |
//! | `layout` | where things stand in each encapsulation, with a field table each, and the octets that never move |
//! | `template` | [`Template`]: the generator's hot path |
//! | `turner` | [`Turner`]: the reflector's hot path |
//! | `checker` | [`Checker`]: the receiving hot path at both ends |
//! | `sniff` | [`sniff()`]: a test frame of whatever shape, off the hot path |
//!
//! One frame goes round like this:
//!
//! ```
//! use kitproof_common::frame::*;
//!
//! let spec = FrameSpec {
//!     encapsulation: Encapsulation::Ipv4,
//!     tags: Tags::none(),
//!     dscp: 0,
//!     frame_size: 64,
//!     source: "02:00:00:00:00:01".parse().unwrap(),
//!     destination: "02:00:00:00:00:02".parse().unwrap(),
//!     session: 0x1234,
//!     stream: 0,
//!     fill: Fill::Prbs,
//!     fill_seed: 1,
//! };
//! let template = Template::new(&spec)?;
//! let mut frame = vec![0; template.octets()];
//! let (sequence, departure) = (5, 1_000);
//! let variant = sequence as usize % VARIANTS;
//! template.write(variant, &mut frame); // once for each buffer
//! template.stamp(variant, &mut frame, sequence, departure); // for each frame
//!
//! let arrived = Checker::forward(&spec, false)?;
//! assert!(matches!(arrived.check(&frame), Checked::Intact(header) if header.sequence == 5));
//! Turner::new(&spec)?.turn(&mut frame, 0, residence_field(640));
//!
//! let home = Checker::homeward(&spec, true)?;
//! assert!(matches!(home.check(&frame), Checked::Intact(header) if header.residence == 10));
//! # Ok::<(), FrameError>(())
//! ```

mod checker;
mod checkers;
mod checksum;
pub(crate) mod fill;
pub(crate) mod guard;
mod header;
pub(crate) mod layout;
mod sniff;
mod spec;
mod tags;
mod template;
mod turner;

#[cfg(test)]
mod tests;

pub use checker::{Checked, Checker};
pub use checkers::Checkers;
pub use checksum::{internet_checksum, update_checksum};
pub use fill::{Fill, FillError};
pub use guard::{fcs16, guard16, guard32};
pub use header::{HEADER_OCTETS, HEADER_VERSION, Kind, RESIDENCE_UNIT_NS, TestHeader, residence_field};
pub use layout::{
    Direction, ETHER_TYPE_CONTROL, ETHER_TYPE_TEST, GENERATOR_IPV4, GENERATOR_IPV6, GENERATOR_PORT,
    HOP_LIMIT, REFLECTOR_IPV4, REFLECTOR_IPV6, REFLECTOR_PORT,
};
pub use pnet_base::MacAddr;
pub use sniff::{Sniffed, sniff};
pub use spec::{Encapsulation, EncapsulationError, FCS_OCTETS, FrameError, FrameSpec};
pub use tags::{TAG_OCTETS, TPID_CUSTOMER, TPID_SERVICE, Tag, TagError, Tags, TooManyTags, is_tpid};
pub use template::Template;
pub use turner::Turner;

/// Number of payload windows: a frame with sequence `s` carries the fill of variant `s % VARIANTS`.
pub const VARIANTS: usize = 16;
