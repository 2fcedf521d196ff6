//! Recognising a test frame of whatever shape, off the hot path.

use super::checksum::internet_checksum;
use super::guard::{guard16, guard32};
use super::header::{HEADER_OCTETS, TestHeader};
use super::layout::{
    ETHER_TYPE_IPV4, ETHER_TYPE_IPV6, ETHER_TYPE_TEST, GENERATOR_PORT, GUARDED_REGION, IPV4_OCTETS,
    IPV6_OCTETS, REFLECTOR_PORT, UDP_OCTETS,
};
use super::spec::Encapsulation;
use super::tags::{TAG_OCTETS, Tag, Tags, is_tpid};
use pnet_packet::ip::IpNextHeaderProtocols;
use pnet_packet::ipv4::Ipv4Packet;
use pnet_packet::ipv6::Ipv6Packet;
use pnet_packet::udp::UdpPacket;

/// A test frame found in a buffer.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Sniffed {
    pub encapsulation: Encapsulation,
    pub tags: Tags,
    /// Where the test header starts, in octets from the destination address.
    pub offset: usize,
    pub header: TestHeader,
}

/// Finds encapsulation, tags and test header of any well-formed test frame: up to two tags, headers whose
/// lengths hold together, the ports of the pair in either order, a right IPv4 header checksum, a known
/// version, a right guard.
///
/// The UDP checksum and the fill are not judged. `None` for anything else; never [`Encapsulation::Datagram`],
/// whose payload starts with the header itself ([`TestHeader::parse`]).
pub fn sniff(frame: &[u8]) -> Option<Sniffed> {
    let mut at = 12;
    let mut found = Vec::new();
    let mut ether_type = be16(frame, at)?;
    while is_tpid(ether_type) {
        found.push(Tag::from_tci(ether_type, be16(frame, at + 2)?));
        at += TAG_OCTETS;
        ether_type = be16(frame, at)?;
    }
    let tags = Tags::try_from(found).ok()?;
    let network = at + 2;
    let octets = frame.get(network..)?;
    let (encapsulation, inside) = match ether_type {
        ETHER_TYPE_IPV4 => (Encapsulation::Ipv4, ipv4(octets)?),
        ETHER_TYPE_IPV6 => (Encapsulation::Ipv6, ipv6(octets)?),
        ETHER_TYPE_TEST => (Encapsulation::Ethernet, bare(octets)?),
        _ => return None,
    };
    let offset = network + inside;
    Some(Sniffed { encapsulation, tags, offset, header: TestHeader::parse(&frame[offset..])? })
}

fn ipv4(octets: &[u8]) -> Option<usize> {
    let ip = Ipv4Packet::new(octets)?;
    let whole = ip.get_version() == 4
        && ip.get_header_length() == 5
        && ip.get_fragment_offset() == 0
        && ip.get_next_level_protocol() == IpNextHeaderProtocols::Udp
        && internet_checksum(&octets[..IPV4_OCTETS]) == 0;
    let datagram = octets.get(IPV4_OCTETS..usize::from(ip.get_total_length()))?;
    (whole && guard16(udp(datagram)?) == ip.get_identification()).then_some(IPV4_OCTETS + UDP_OCTETS)
}

fn ipv6(octets: &[u8]) -> Option<usize> {
    let ip = Ipv6Packet::new(octets)?;
    let whole = ip.get_version() == 6 && ip.get_next_header() == IpNextHeaderProtocols::Udp;
    let datagram = octets.get(IPV6_OCTETS..IPV6_OCTETS + usize::from(ip.get_payload_length()))?;
    (whole && u32::from(guard16(udp(datagram)?)) == ip.get_flow_label()).then_some(IPV6_OCTETS + UDP_OCTETS)
}

/// The test header in a UDP datagram between the ports of the pair.
fn udp(datagram: &[u8]) -> Option<&[u8; HEADER_OCTETS]> {
    let udp = UdpPacket::new(datagram)?;
    let ports = (udp.get_source(), udp.get_destination());
    let ours = matches!(ports, (GENERATOR_PORT, REFLECTOR_PORT) | (REFLECTOR_PORT, GENERATOR_PORT));
    let whole = usize::from(udp.get_length()) == datagram.len();
    if ours && whole { datagram[UDP_OCTETS..].first_chunk() } else { None }
}

fn bare(octets: &[u8]) -> Option<usize> {
    let header = octets.first_chunk::<HEADER_OCTETS>()?;
    (octets.get(HEADER_OCTETS..GUARDED_REGION)? == guard32(header).to_be_bytes()).then_some(0)
}

fn be16(frame: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_be_bytes(*frame.get(at..)?.first_chunk()?))
}
