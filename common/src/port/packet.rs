//! Packet sockets (packet(7)): batched `sendmmsg` out, a mapped TPACKET_V2 ring in.
//!
//! The queueing discipline is bypassed, own frames are ignored, promiscuous mode is held, the kernel
//! stamps arrivals, and a VLAN tag that the kernel keeps beside the frame is put back before anything
//! looks at it. A port is filtered by the session's addresses before it hears its first frame, so that
//! its drop counter counts test frames only.

use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::ptr::NonNull;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use super::datagram::DatagramReceive;
use super::filter::Filter;
use super::sys::{self, Mapping, Messages};
use super::transmit::{BATCH, SocketTransmit, send_back};
use super::{Meta, OpenError, Receive, Turn, Turned};

const ETH_P_ALL: u16 = libc::ETH_P_ALL as u16;
/// Memory of one receive ring. At 1 Gb/s it holds at least 0.1 s of any frame size.
const RING_OCTETS: usize = 64 << 20;
const BLOCK_OCTETS: usize = 64 << 10;
/// Room in front of a received frame for a tag that is put back.
const RESERVE: libc::c_int = 16;

/// A socket that will hear what `filter` lets through, and nothing of what this host sends, once it is bound: the filter
/// comes first, so that not one foreign frame is heard or counted.
pub(super) fn filtered(interface: &str, filter: &Filter) -> Result<OwnedFd, OpenError> {
    let at = |step| move |source| OpenError::at(interface, step, source);
    let fd = sys::packet_socket().map_err(at("opening a packet socket"))?;
    sys::attach_filter(fd.as_fd(), filter.program()).map_err(at("attaching the filter"))?;
    sys::set_option(fd.as_fd(), libc::SOL_PACKET, libc::PACKET_IGNORE_OUTGOING, 1i32)
        .map_err(at("ignoring own frames"))?;
    Ok(fd)
}

fn sender(interface: &str, index: u32) -> Result<OwnedFd, OpenError> {
    let at = |step| move |source| OpenError::at(interface, step, source);
    let fd = sys::packet_socket().map_err(at("opening a packet socket"))?;
    sys::set_option(fd.as_fd(), libc::SOL_PACKET, libc::PACKET_QDISC_BYPASS, 1i32)
        .map_err(at("bypassing the queueing discipline"))?;
    // As much as the system allows; it bounds the frames in flight to the driver.
    let _ = sys::set_option(fd.as_fd(), libc::SOL_SOCKET, libc::SO_SNDBUF, 4i32 << 20);
    sys::bind_packet(fd.as_fd(), index, 0).map_err(at("binding"))?;
    Ok(fd)
}

/// Opens the sending half of a packet-socket port, for frames of up to `largest` octets (without the FCS).
///
/// # Errors
/// No permission, no such interface, or what the kernel says.
pub fn transmit(interface: &str, index: u32, largest: usize) -> Result<SocketTransmit, OpenError> {
    Ok(SocketTransmit::new(sender(interface, index)?, largest).with_stamps())
}

/// A packet socket that receives by batched calls (`recvmmsg`) instead of a mapped ring. It does not put VLAN tags back:
/// it is here to be measured against the ring (`scripts/bench receive`), which is kept because it costs less.
///
/// # Errors
/// As [`PacketReceive::open`].
pub fn receive_by_calls(
    interface: &str,
    index: u32,
    largest: usize,
    filter: &Filter,
) -> Result<DatagramReceive, OpenError> {
    let at = |step| move |source| OpenError::at(interface, step, source);
    let fd = filtered(interface, filter)?;
    let socket = fd.as_fd();
    sys::set_option(socket, libc::SOL_SOCKET, libc::SO_TIMESTAMPNS, 1i32)
        .map_err(at("asking for receive stamps"))?;
    let _ = sys::set_option(socket, libc::SOL_SOCKET, libc::SO_RCVBUF, 8i32 << 20);
    sys::bind_packet(socket, index, ETH_P_ALL).map_err(at("binding"))?;
    Ok(DatagramReceive::new(fd, largest))
}

/// The frame ring that packet sockets share with us (TPACKET_V2).
struct Ring {
    memory: Mapping,
    stride: usize,
    mask: usize,
    next: usize,
}

/// One frame of the ring that is ours until it is given back.
struct Slot {
    header: NonNull<libc::tpacket2_hdr>,
}

impl Ring {
    fn slot(&self, index: usize) -> Slot {
        Slot { header: self.memory.at((index & self.mask) * self.stride).cast() }
    }
}

impl Slot {
    fn status(&self) -> &AtomicU32 {
        // SAFETY: tp_status is the first field of the header, a properly aligned u32 that only the kernel
        // and this port write; the kernel's side is as atomic as ours (Documentation/networking/packet_mmap).
        unsafe { AtomicU32::from_ptr(self.header.cast().as_ptr()) }
    }

    fn is_ours(&self) -> bool {
        self.status().load(Ordering::Acquire) & libc::TP_STATUS_USER != 0
    }

    fn give_back(&self) {
        self.status().store(libc::TP_STATUS_KERNEL, Ordering::Release);
    }

    /// The whole frame, its outer VLAN tag put back, and when it arrived.
    ///
    /// # Safety
    /// The slot is ours (see [`Self::is_ours`]), no other reference to its frame lives, and the mapping
    /// outlives the returned slice.
    unsafe fn frame<'a>(&self) -> (&'a mut [u8], Meta) {
        // SAFETY: the kernel filled the header before it handed the slot over (acquire in `is_ours`); the
        // frame lies at tp_mac, tp_snaplen octets long, inside the slot; RESERVE octets are free before it.
        unsafe {
            let header = self.header.as_ptr();
            let mut start = self.header.cast::<u8>().as_ptr().add(usize::from((*header).tp_mac));
            let mut length = (*header).tp_snaplen as usize;
            let status = (*header).tp_status;
            if status & libc::TP_STATUS_VLAN_VALID != 0 && length >= 12 {
                let tpid = if status & libc::TP_STATUS_VLAN_TPID_VALID != 0 {
                    (*header).tp_vlan_tpid
                } else {
                    0x8100
                };
                let tag = (u32::from(tpid) << 16) | u32::from((*header).tp_vlan_tci);
                let moved = start.sub(4);
                std::ptr::copy(start, moved, 12);
                std::ptr::copy_nonoverlapping(tag.to_be_bytes().as_ptr(), moved.add(12), 4);
                start = moved;
                length += 4;
            }
            let arrived_ns = u64::from((*header).tp_sec) * 1_000_000_000 + u64::from((*header).tp_nsec);
            (std::slice::from_raw_parts_mut(start, length), Meta { arrived_ns })
        }
    }
}

/// The receiving half of a packet-socket port.
pub struct PacketReceive {
    fd: OwnedFd,
    ring: Ring,
    dropped: u64,
}

impl PacketReceive {
    /// Opens a port that hears what `filter` lets through, frames of up to `largest` octets.
    ///
    /// # Errors
    /// No permission, no such interface, no memory for the ring, or what the kernel says.
    pub fn open(interface: &str, index: u32, largest: usize, filter: &Filter) -> Result<Self, OpenError> {
        let at = |step| move |source| OpenError::at(interface, step, source);
        let fd = filtered(interface, filter)?;
        let socket = fd.as_fd();
        sys::set_option(socket, libc::SOL_SOCKET, libc::SO_TIMESTAMPNS, 1i32)
            .map_err(at("asking for receive stamps"))?;
        sys::set_option(socket, libc::SOL_PACKET, libc::PACKET_VERSION, libc::tpacket_versions::TPACKET_V2)
            .map_err(at("choosing the ring's version"))?;
        sys::set_option(socket, libc::SOL_PACKET, libc::PACKET_RESERVE, RESERVE)
            .map_err(at("reserving room for tags"))?;
        // Header, address and alignment take 66 octets in front of the frame (linux/if_packet.h).
        let stride = (largest + 8 + 66 + RESERVE as usize).next_power_of_two();
        let block = BLOCK_OCTETS.max(stride);
        let frames = RING_OCTETS / stride;
        let request = libc::tpacket_req {
            tp_block_size: block as u32,
            tp_block_nr: (RING_OCTETS / block) as u32,
            tp_frame_size: stride as u32,
            tp_frame_nr: frames as u32,
        };
        sys::set_option(socket, libc::SOL_PACKET, libc::PACKET_RX_RING, request)
            .map_err(at("allocating the receive ring"))?;
        let memory = Mapping::of(socket, RING_OCTETS).map_err(at("mapping the receive ring"))?;
        sys::hold_promiscuous(socket, index).map_err(at("holding promiscuous mode"))?;
        sys::bind_packet(socket, index, ETH_P_ALL).map_err(at("binding"))?;
        Ok(Self { fd, ring: Ring { memory, stride, mask: frames - 1, next: 0 }, dropped: 0 })
    }

    pub(super) fn as_fd(&self) -> std::os::fd::BorrowedFd<'_> {
        self.fd.as_fd()
    }

    /// Frames the ring holds.
    #[must_use]
    pub fn depth(&self) -> usize {
        self.ring.mask + 1
    }
}

impl Receive for PacketReceive {
    fn receive(&mut self, max: usize, visit: &mut impl FnMut(&mut [u8], Meta)) -> io::Result<usize> {
        let mut count = 0;
        while count < max {
            let slot = self.ring.slot(self.ring.next);
            if !slot.is_ours() {
                break;
            }
            // SAFETY: the slot is ours and is given back only after the borrow ended below.
            let (frame, meta) = unsafe { slot.frame() };
            visit(frame, meta);
            slot.give_back();
            self.ring.next = self.ring.next.wrapping_add(1);
            count += 1;
        }
        Ok(count)
    }

    fn wait(&mut self, timeout: Duration) -> io::Result<()> {
        sys::poll(self.fd.as_fd(), libc::POLLIN, timeout).map(drop)
    }

    fn dropped(&mut self) -> io::Result<u64> {
        // The kernel clears the counters when they are read, packet(7).
        let new: libc::tpacket_stats =
            sys::get_option(self.fd.as_fd(), libc::SOL_PACKET, libc::PACKET_STATISTICS)?;
        self.dropped += u64::from(new.tp_drops);
        Ok(self.dropped)
    }
}

/// A packet-socket port that sends back what it received, out of the receive ring's own memory.
pub struct PacketTurn {
    receive: PacketReceive,
    sender: OwnedFd,
    messages: Messages,
    turned_away: u64,
}

impl PacketTurn {
    /// As [`PacketReceive::open`].
    ///
    /// # Errors
    /// As [`PacketReceive::open`].
    pub fn open(interface: &str, index: u32, largest: usize, filter: &Filter) -> Result<Self, OpenError> {
        Ok(Self {
            sender: sender(interface, index)?,
            receive: PacketReceive::open(interface, index, largest, filter)?,
            messages: Messages::new(BATCH),
            turned_away: 0,
        })
    }
}

impl PacketTurn {
    pub(super) fn as_fd(&self) -> std::os::fd::BorrowedFd<'_> {
        self.receive.as_fd()
    }
}

impl Receive for PacketTurn {
    fn receive(&mut self, max: usize, visit: &mut impl FnMut(&mut [u8], Meta)) -> io::Result<usize> {
        self.receive.receive(max, visit)
    }

    fn wait(&mut self, timeout: Duration) -> io::Result<()> {
        self.receive.wait(timeout)
    }

    fn dropped(&mut self) -> io::Result<u64> {
        self.receive.dropped()
    }
}

impl Turn for PacketTurn {
    fn turn(&mut self, max: usize, decide: &mut impl FnMut(&mut [u8], Meta) -> bool) -> io::Result<Turned> {
        let first = self.receive.ring.next;
        let mut turned = Turned::default();
        let mut outgoing = 0;
        while turned.received < max.min(BATCH) {
            let slot = self.receive.ring.slot(first.wrapping_add(turned.received));
            if !slot.is_ours() {
                break;
            }
            // SAFETY: the slot is ours until it is given back below, after the send.
            let (frame, meta) = unsafe { slot.frame() };
            if decide(frame, meta) {
                self.messages.point(outgoing, frame.as_mut_ptr(), frame.len());
                outgoing += 1;
            }
            turned.received += 1;
        }
        // SAFETY: the vectors point at frames of ring slots that are given back only below.
        let sent =
            unsafe { send_back(self.sender.as_fd(), &mut self.messages, outgoing, &mut self.turned_away) };
        for index in 0..turned.received {
            self.receive.ring.slot(first.wrapping_add(index)).give_back();
        }
        self.receive.ring.next = first.wrapping_add(turned.received);
        turned.returned = sent;
        turned.refused = outgoing - sent;
        Ok(turned)
    }

    fn turned_away(&self) -> u64 {
        self.turned_away
    }
}
