//! Where things stand in a frame, and the octets that never move.
//!
//! Offsets from the octet behind the EtherType. "Moving" fields differ from frame to frame.
//!
//! **ipv4** (RFC 791, RFC 768)
//!
//! | offset | octets | field | value |
//! | --- | --- | --- | --- |
//! | 0 | 1 | version, header length | 45 |
//! | 1 | 1 | DSCP, ECN | `dscp << 2` |
//! | 2 | 2 | total length | frame size - 18 - tags |
//! | 4 | 2 | identification | **moving**: guard (FCS-16 of the test header) |
//! | 6 | 2 | flags, fragment offset | 4000: do not fragment, which frees the identification (RFC 6864 section 4.1) |
//! | 8 | 1 | time to live | 0A (RFC 2544 C.2.6.4) |
//! | 9 | 1 | protocol | 11: UDP |
//! | 10 | 2 | header checksum | **moving** |
//! | 12 | 8 | addresses | 198.18.1.2 and 198.19.1.2 (RFC 2544 C.2.2), of the n-th flow n more |
//! | 20 | 4 | ports | 49184 (C020, RFC 2544 C.2.6.4) and 49185 |
//! | 24 | 2 | UDP length | frame size - 38 - tags |
//! | 26 | 2 | UDP checksum | **moving**, never 0 |
//! | 28 | 18 | test header | first 4 octets fixed, the rest **moving** |
//! | 46 | rest | fill | of variant `sequence % 16` |
//!
//! **ipv6** (RFC 8200, RFC 768)
//!
//! | offset | octets | field | value |
//! | --- | --- | --- | --- |
//! | 0 | 2 | version, traffic class, flow label bits 19-16 | 6, `dscp << 2`, 0 |
//! | 2 | 2 | flow label bits 15-0 | **moving**: guard |
//! | 4 | 2 | payload length | frame size - 58 - tags |
//! | 6 | 1 | next header | 11: UDP |
//! | 7 | 1 | hop limit | 0A |
//! | 8 | 32 | addresses | 2001:2::1:2 and 2001:2::2:2 (RFC 5180; block of RFC 6890), of the n-th flow n more |
//! | 40 | 8 | UDP | as above |
//! | 48 | 18 | test header | as above |
//! | 66 | rest | fill | as above |
//!
//! **ethernet**, and **datagram** (which starts here; one of less than 22 octets has no guard: fill follows
//! at once)
//!
//! | offset | octets | field | value |
//! | --- | --- | --- | --- |
//! | 0 | 18 | test header | as above |
//! | 18 | 4 | guard | **moving**: CRC-32 of the test header, big-endian |
//! | 22 | rest | fill | as above |

use super::VARIANTS;
use super::checksum::{fold, sum};
use super::fill::Windows;
use super::guard::FIXED_OCTETS;
use super::header::{HEADER_OCTETS, Kind, TestHeader};
use super::spec::{Encapsulation, FrameError, FrameSpec};
use pnet_base::MacAddr;
use pnet_packet::ip::IpNextHeaderProtocols;
use pnet_packet::ipv4::{Ipv4Flags, MutableIpv4Packet};
use pnet_packet::ipv6::MutableIpv6Packet;
use pnet_packet::udp::MutableUdpPacket;
use std::net::{Ipv4Addr, Ipv6Addr};

/// EtherType of bare test frames: IEEE 802 local experimental EtherType 1.
pub const ETHER_TYPE_TEST: u16 = 0x88b5;
/// EtherType of control frames: IEEE 802 local experimental EtherType 2.
pub const ETHER_TYPE_CONTROL: u16 = 0x88b6;
pub(crate) const ETHER_TYPE_IPV4: u16 = 0x0800;
pub(crate) const ETHER_TYPE_IPV6: u16 = 0x86dd;

/// The generator's IPv4 address: test host on the first input network (RFC 2544 C.2.2). Flows after the first have
/// the addresses that follow, at both ends, so that NICs spread them over their queues.
pub const GENERATOR_IPV4: Ipv4Addr = Ipv4Addr::new(198, 18, 1, 2);
/// The reflector's IPv4 address: test host on the first output network (RFC 2544 C.2.2).
pub const REFLECTOR_IPV4: Ipv4Addr = Ipv4Addr::new(198, 19, 1, 2);
/// The generator's IPv6 address, in the block that RFC 6890 registers for benchmarking (RFC 5180 misprints
/// it).
pub const GENERATOR_IPV6: Ipv6Addr = Ipv6Addr::new(0x2001, 2, 0, 0, 0, 0, 1, 2);
/// The reflector's IPv6 address.
pub const REFLECTOR_IPV6: Ipv6Addr = Ipv6Addr::new(0x2001, 2, 0, 0, 0, 0, 2, 2);
/// The generator's UDP port: C020 (RFC 2544 C.2.6.4).
pub const GENERATOR_PORT: u16 = 49184;
/// The reflector's UDP port.
pub const REFLECTOR_PORT: u16 = 49185;
/// IPv4 time to live and IPv6 hop limit (RFC 2544 C.2.6.4).
pub const HOP_LIMIT: u8 = 0x0a;

pub(crate) const IPV4_OCTETS: usize = 20;
pub(crate) const IPV6_OCTETS: usize = 40;
pub(crate) const UDP_OCTETS: usize = 8;
/// IPv4, UDP and test header.
pub(crate) const IPV4_REGION: usize = IPV4_OCTETS + UDP_OCTETS + HEADER_OCTETS;
/// IPv6, UDP and test header.
pub(crate) const IPV6_REGION: usize = IPV6_OCTETS + UDP_OCTETS + HEADER_OCTETS;
/// Test header and CRC-32.
pub(crate) const GUARDED_REGION: usize = HEADER_OCTETS + 4;

/// Which way a frame travels.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Direction {
    /// Generator to reflector.
    Forward,
    /// Reflector to generator.
    Homeward,
}

/// What stands around the test header, as far as the hot paths care.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Shape {
    Ipv4,
    Ipv6,
    /// Test header and CRC-32: bare Ethernet, and datagrams with room for it.
    Guarded,
    /// Nothing but the test header: the smallest datagrams.
    Bare,
}

/// Offsets, computed once.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Layout {
    pub(crate) shape: Shape,
    /// Whether there are MAC addresses in front.
    pub(crate) addressed: bool,
    /// The octet behind the EtherType; 0 in a datagram.
    pub(crate) network: usize,
    pub(crate) header: usize,
    pub(crate) fill: usize,
    /// Octets in a buffer.
    pub(crate) octets: usize,
}

impl Layout {
    /// The layout of frames that passed [`FrameSpec::check`].
    pub(crate) fn new(spec: &FrameSpec) -> Result<Self, FrameError> {
        spec.check()?;
        let octets = spec.octets();
        let shape = match spec.encapsulation {
            Encapsulation::Ipv4 => Shape::Ipv4,
            Encapsulation::Ipv6 => Shape::Ipv6,
            Encapsulation::Datagram if octets < GUARDED_REGION => Shape::Bare,
            Encapsulation::Ethernet | Encapsulation::Datagram => Shape::Guarded,
        };
        let addressed = spec.encapsulation != Encapsulation::Datagram;
        let network = if addressed { 14 + spec.tags.octets() } else { 0 };
        let (header, fill) = match shape {
            Shape::Ipv4 => (network + IPV4_REGION - HEADER_OCTETS, network + IPV4_REGION),
            Shape::Ipv6 => (network + IPV6_REGION - HEADER_OCTETS, network + IPV6_REGION),
            Shape::Guarded => (network, network + GUARDED_REGION),
            // The up to three octets behind the header are fill.
            Shape::Bare => (network, network + HEADER_OCTETS),
        };
        Ok(Self { shape, addressed, network, header, fill, octets })
    }
}

/// Everything in the frames of one direction that does not differ from frame to frame.
pub(crate) struct Image {
    pub(crate) layout: Layout,
    /// All octets before the fill, with every moving field 0.
    pub(crate) head: Vec<u8>,
    /// The first octets of the test header.
    pub(crate) fixed: [u8; FIXED_OCTETS],
    /// Sum of the IPv4 header, native order; 0 in other shapes.
    pub(crate) ip_sum: u16,
    /// Sum of everything under the UDP checksum, native order, for each variant; 0 in other shapes.
    pub(crate) udp_sum: [u16; VARIANTS],
    pub(crate) windows: Windows,
}

impl Image {
    pub(crate) fn new(spec: &FrameSpec, direction: Direction, kind: Kind) -> Result<Self, FrameError> {
        let layout = Layout::new(spec)?;
        let mut head = vec![0; layout.fill];
        let homeward = direction == Direction::Homeward;
        if layout.addressed {
            let ends = (spec.source, spec.destination);
            write_ethernet(&mut head, spec, if homeward { (ends.1, ends.0) } else { ends });
        }
        let udp_length = layout.octets - layout.header + UDP_OCTETS;
        let ports =
            if homeward { (REFLECTOR_PORT, GENERATOR_PORT) } else { (GENERATOR_PORT, REFLECTOR_PORT) };
        let header = TestHeader {
            session: spec.session,
            kind,
            returned: homeward,
            stream: spec.stream,
            sequence: 0,
            departure: 0,
            reflector_sequence: 0,
            residence: 0,
        };
        header.emit(&mut head[layout.header..]);

        let flow = u32::from(spec.stream % crate::flow::MOST);
        // The pseudo-header of RFC 768 and RFC 8200 section 8.1: addresses, protocol, length.
        let (ip_sum, addresses) = match layout.shape {
            Shape::Ipv4 => {
                let own = |first: Ipv4Addr| Ipv4Addr::from_bits(first.to_bits() + flow);
                let ends = (own(GENERATOR_IPV4), own(REFLECTOR_IPV4));
                let ends = if homeward { (ends.1, ends.0) } else { ends };
                write_ipv4(&mut head[layout.network..], spec.dscp, udp_length, ends);
                write_udp(&mut head[layout.network + IPV4_OCTETS..], udp_length, ports);
                let ip = &head[layout.network..][..IPV4_OCTETS];
                (sum(ip), sum(&ip[12..]))
            }
            Shape::Ipv6 => {
                let own = |first: Ipv6Addr| Ipv6Addr::from_bits(first.to_bits() + u128::from(flow));
                let ends = (own(GENERATOR_IPV6), own(REFLECTOR_IPV6));
                let ends = if homeward { (ends.1, ends.0) } else { ends };
                write_ipv6(&mut head[layout.network..], spec.dscp, udp_length, ends);
                write_udp(&mut head[layout.network + IPV6_OCTETS..], udp_length, ports);
                (0, sum(&head[layout.network..][8..IPV6_OCTETS]))
            }
            Shape::Guarded | Shape::Bare => (0, 0),
        };
        let windows = Windows::new(spec.fill, spec.fill_seed, layout.octets - layout.fill);
        let udp_sum = match layout.shape {
            Shape::Ipv4 | Shape::Ipv6 => {
                let protocol = IpNextHeaderProtocols::Udp.0;
                let before = u64::from(addresses)
                    + u64::from(sum(&[0, protocol]))
                    + u64::from(sum(&(udp_length as u16).to_be_bytes()))
                    + u64::from(sum(&head[layout.header - UDP_OCTETS..]));
                // Everything in front of the fill has an even length, so its sum simply adds.
                std::array::from_fn(|variant| fold(before + u64::from(sum(windows.get(variant)))))
            }
            Shape::Guarded | Shape::Bare => [0; VARIANTS],
        };
        let fixed = *head[layout.header..].first_chunk().expect("the header is in the head");
        Ok(Self { layout, head, fixed, ip_sum, udp_sum, windows })
    }
}

fn write_ethernet(head: &mut [u8], spec: &FrameSpec, (source, destination): (MacAddr, MacAddr)) {
    head[0..6].copy_from_slice(&destination.octets());
    head[6..12].copy_from_slice(&source.octets());
    let mut at = 12;
    for tag in spec.tags.iter() {
        head[at..][..4].copy_from_slice(&tag.octets());
        at += 4;
    }
    let ether_type = match spec.encapsulation {
        Encapsulation::Ipv4 => ETHER_TYPE_IPV4,
        Encapsulation::Ipv6 => ETHER_TYPE_IPV6,
        Encapsulation::Ethernet | Encapsulation::Datagram => ETHER_TYPE_TEST,
    };
    head[at..][..2].copy_from_slice(&ether_type.to_be_bytes());
}

fn write_ipv4(head: &mut [u8], dscp: u8, udp_length: usize, (source, destination): (Ipv4Addr, Ipv4Addr)) {
    let mut ip = MutableIpv4Packet::new(head).expect("an IPv4 header fits");
    ip.set_version(4);
    ip.set_header_length(5);
    ip.set_dscp(dscp);
    ip.set_total_length((IPV4_OCTETS + udp_length) as u16);
    ip.set_flags(Ipv4Flags::DontFragment);
    ip.set_ttl(HOP_LIMIT);
    ip.set_next_level_protocol(IpNextHeaderProtocols::Udp);
    ip.set_source(source);
    ip.set_destination(destination);
}

fn write_ipv6(head: &mut [u8], dscp: u8, udp_length: usize, (source, destination): (Ipv6Addr, Ipv6Addr)) {
    let mut ip = MutableIpv6Packet::new(head).expect("an IPv6 header fits");
    ip.set_version(6);
    ip.set_traffic_class(dscp << 2);
    ip.set_payload_length(udp_length as u16);
    ip.set_next_header(IpNextHeaderProtocols::Udp);
    ip.set_hop_limit(HOP_LIMIT);
    ip.set_source(source);
    ip.set_destination(destination);
}

fn write_udp(head: &mut [u8], udp_length: usize, (source, destination): (u16, u16)) {
    let mut udp = MutableUdpPacket::new(head).expect("a UDP header fits");
    udp.set_source(source);
    udp.set_destination(destination);
    udp.set_length(udp_length as u16);
}

/// `N` octets at an offset that the layout has made sure of.
#[inline(always)]
pub(crate) fn region<const N: usize>(frame: &[u8], at: usize) -> &[u8; N] {
    frame[at..].first_chunk().expect("the layout fits the frame")
}

/// `N` octets at an offset that the layout has made sure of.
#[inline(always)]
pub(crate) fn region_mut<const N: usize>(frame: &mut [u8], at: usize) -> &mut [u8; N] {
    frame[at..].first_chunk_mut().expect("the layout fits the frame")
}

/// Two octets inside a region, in native order.
#[inline(always)]
pub(crate) fn word<const N: usize>(region: &[u8; N], at: usize) -> u16 {
    u16::from_ne_bytes(part(region, at))
}

/// Writes two octets inside a region, in native order.
#[inline(always)]
pub(crate) fn set_word<const N: usize>(region: &mut [u8; N], at: usize, value: u16) {
    region[at..at + 2].copy_from_slice(&value.to_ne_bytes());
}

/// `N` octets inside a region.
#[inline(always)]
pub(crate) fn inside<const N: usize, const M: usize>(region: &[u8; M], at: usize) -> &[u8; N] {
    region[at..].first_chunk().expect("the part is inside the region")
}

/// `N` octets inside a region, copied.
#[inline(always)]
pub(crate) fn part<const N: usize, const M: usize>(region: &[u8; M], at: usize) -> [u8; N] {
    *inside(region, at)
}
