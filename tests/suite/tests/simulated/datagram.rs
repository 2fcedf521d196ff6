//! What two hosts' kernels do around a UDP socket: headers put on, and taken off again if they are right.

use etherparse::{NetSlice, PacketBuilder, SlicedPacket, TransportSlice};

/// Octets in front of the payload: Ethernet 14, IPv4 20, UDP 8.
pub(crate) const HEADERS: usize = 42;

const PORTS: [u16; 2] = [49184, 49185];
const MACS: [[u8; 6]; 2] = [[2, 0, 0, 0, 0, 0xA], [2, 0, 0, 0, 0, 0xB]];
const ADDRESSES: [[u8; 4]; 2] = [[192, 0, 2, 1], [192, 0, 2, 2]];

/// A payload on its way: `from` is 0 at the generator, 1 at the reflector.
pub(crate) fn wrap(from: usize, payload: &[u8]) -> Vec<u8> {
    let to = 1 - from;
    let builder = PacketBuilder::ethernet2(MACS[from], MACS[to])
        .ipv4(ADDRESSES[from], ADDRESSES[to], 64)
        .udp(PORTS[from], PORTS[to]);
    let mut frame = Vec::with_capacity(builder.size(payload.len()));
    builder.write(&mut frame, payload).expect("a Vec takes everything");
    frame
}

/// What reaches the socket at `to`; none if a checksum is wrong, as a kernel has it (RFC 1122 sections 3.2.1.2 and
/// 4.1.3.4).
pub(crate) fn unwrap(to: usize, frame: &[u8]) -> Option<Vec<u8>> {
    let packet = SlicedPacket::from_ethernet(frame).ok()?;
    let Some(TransportSlice::Udp(udp)) = &packet.transport else { return None };
    let Some(NetSlice::Ipv4(ip)) = &packet.net else { return None };
    let ip = ip.header().to_header();
    let header = udp.to_header();
    let right = ip.calc_header_checksum() == ip.header_checksum
        && header.calc_checksum_ipv4(&ip, udp.payload()).ok()? == header.checksum
        && ip.destination == ADDRESSES[to]
        && header.destination_port == PORTS[to];
    right.then(|| udp.payload().to_vec())
}
