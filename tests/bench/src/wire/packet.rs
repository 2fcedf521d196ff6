//! A port of the wire over packet sockets.
//!
//! Receiving and sending are common's own: the mapped ring, promiscuous mode, tags put back, own frames ignored, and
//! `sendmmsg`. What is added here is what only a wire needs: frames of any length, in order.

use std::io;

use anyhow::Context;
use etherparse::{NetSlice, SlicedPacket, TransportSlice};
use kitproof_common::port::clock::{Offset, monotonic_ns};
use kitproof_common::port::filter::Filter;
use kitproof_common::port::packet::{self, PacketReceive};
use kitproof_common::port::transmit::SocketTransmit;
use kitproof_common::port::{Receive, Transmit};
use rustix::net::netdevice::name_to_index;
use rustix::net::{AddressFamily, SocketType, socket};

use super::checksum::{fold, sum};
use super::port::{Outbox, TURN, WirePort};

/// The distance between the two clocks is taken again after this: at 500 ppm of slew (adjtimex(2)) it is 1 us off by
/// then.
const OFFSET_LASTS_NS: u64 = 2_000_000;

/// An interface of the wire's room.
pub struct PacketPort {
    receive: PacketReceive,
    transmit: SocketTransmit,
    /// The length the transmit slots are set to.
    octets: usize,
    offset: Offset,
}

impl PacketPort {
    /// Opens `interface`, whose MTU is `mtu`, in the namespace of the calling thread. Frames with two tags fit.
    pub fn open(interface: &str, mtu: u32) -> anyhow::Result<Self> {
        let any = socket(AddressFamily::INET, SocketType::DGRAM, None)?;
        let index = name_to_index(&any, interface)
            .with_context(|| format!("there is no interface {interface} in the wire's room"))?;
        let largest = mtu as usize + 14 + 8;
        Ok(Self {
            receive: PacketReceive::open(interface, index, largest, &Filter::everything())?,
            transmit: packet::transmit(interface, index, largest)?,
            octets: 0,
            offset: Offset::sample(),
        })
    }
}

impl WirePort for PacketPort {
    fn receive(&mut self, visit: &mut dyn FnMut(&[u8])) -> io::Result<usize> {
        self.receive_stamped(&mut |frame, _| visit(frame))
    }

    fn receive_stamped(&mut self, visit: &mut dyn FnMut(&[u8], Option<u64>)) -> io::Result<usize> {
        // The kernel stamps by the wall clock.
        if monotonic_ns().saturating_sub(self.offset.at) > OFFSET_LASTS_NS {
            self.offset = Offset::sample();
        }
        let offset = self.offset;
        self.receive.receive(TURN, &mut |frame, meta| {
            complete_checksum(frame);
            visit(frame, Some(offset.to_monotonic(meta.arrived_ns)));
        })
    }

    fn send(&mut self, outbox: &mut Outbox) -> io::Result<usize> {
        // A batch is as many frames of one length as there are slots.
        let Some(octets) = outbox.front().map(<[u8]>::len) else { return Ok(0) };
        if octets != self.octets {
            self.transmit.set_octets(octets).map_err(|_| io::Error::from(rustix::io::Errno::MSGSIZE))?;
            self.octets = octets;
        }
        let mut count = 0;
        let batch = outbox.iter().take(self.transmit.slots()).take_while(|frame| frame.len() == octets);
        for frame in batch {
            self.transmit.slot(count).copy_from_slice(frame);
            count += 1;
        }
        let sent = self.transmit.submit(0, count)?;
        outbox.take(sent);
        Ok(sent)
    }

    fn lost(&mut self) -> io::Result<u64> {
        self.receive.dropped()
    }
}

/// A sender's kernel leaves a UDP checksum for the NIC to complete, and a veth has none: the frame comes with the sum
/// of the pseudo header in its place. A wire of glass would see the completed one, so it is completed here. A frame
/// whose checksum is that sum by chance and right all the same is left alone.
fn complete_checksum(frame: &mut [u8]) {
    let Some((field, checksum)) = completed(frame) else { return };
    frame[field..field + 2].copy_from_slice(&checksum.to_be_bytes());
}

fn completed(frame: &[u8]) -> Option<(usize, u16)> {
    let packet = SlicedPacket::from_ethernet(frame).ok()?;
    let Some(TransportSlice::Udp(udp)) = &packet.transport else { return None };
    let addresses = match packet.net.as_ref()? {
        NetSlice::Ipv4(ipv4) => &ipv4.header().slice()[12..20],
        NetSlice::Ipv6(ipv6) => &ipv6.header().slice()[8..40],
        _ => return None,
    };
    let pseudo = fold(sum(addresses) + 17 + u64::from(udp.length()));
    if udp.checksum() != pseudo {
        return None;
    }
    // With the pseudo header's sum in the field, the field stands for the pseudo header itself.
    let checksum = match !fold(sum(udp.slice())) {
        0 => 0xFFFF,
        other => other,
    };
    let is_right = fold(sum(udp.slice()) + u64::from(pseudo)) == 0xFFFF;
    (!is_right).then(|| (crate::classify::offset(frame, udp.slice()) + 6, checksum))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples::{Sample, frame};

    #[test]
    fn completes_a_checksum_left_to_the_nic_and_no_other() {
        for sample in [Sample::ipv4(), Sample::ipv6().tagged(1)] {
            let right = frame(&sample, 200);
            let mut same = right.clone();
            complete_checksum(&mut same);
            assert_eq!(same, right);

            let packet = SlicedPacket::from_ethernet(&right).unwrap();
            let Some(TransportSlice::Udp(udp)) = &packet.transport else { panic!() };
            let at = crate::classify::offset(&right, udp.slice());
            let addresses = match packet.net.as_ref().unwrap() {
                NetSlice::Ipv4(_) => at - 8..at,
                _ => at - 32..at,
            };
            let pseudo = fold(sum(&right[addresses]) + 17 + u64::from(udp.length()));
            let mut partial = right.clone();
            partial[at + 6..at + 8].copy_from_slice(&pseudo.to_be_bytes());
            complete_checksum(&mut partial);
            assert_eq!(partial, right);

            let mut wrong = right.clone();
            wrong[at + 7] ^= 1;
            let before = wrong.clone();
            complete_checksum(&mut wrong);
            assert_eq!(wrong, before, "a wrong checksum stays wrong");
        }
    }
}
