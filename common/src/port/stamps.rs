//! Time stamps that the kernel and the NIC take: of frames that leave, of frames that arrive (SO_TIMESTAMPING,
//! Documentation/networking/timestamping.rst).
//!
//! A frame that asks for it is sent with a control message; its stamps come back on the socket's error queue together with
//! the frame itself. The frame says which one it was: no counter of the kernel's has to be kept in step with ours through
//! submissions that are turned away. An arriving sample is heard by a socket of its own, which gives the kernel's stamp and
//! the NIC's of the very same arrival; the port that counts frames is left as it is, and the kernel's stamp, which both have,
//! says that the two speak of one arrival.
//!
//! Over AF_XDP both come another way, see `port/xdp/stamping.rs`.
//!
//! A stamp of the kernel is CLOCK_REALTIME, a stamp of the NIC the NIC's own clock: their difference means nothing.

use std::io;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::sync::mpsc::Receiver;

use super::OpenError;
use super::filter::Filter;
use super::packet;
use super::sys::{self, Messages};
use super::xdp::Heard;

/// Frames that the kernel can keep for us until they are read; what does not fit loses its stamp.
const BUFFER_OCTETS: i32 = 4 << 20;
/// Frames read in one call.
const BATCH: usize = 16;
/// Room for the control messages of one frame, in octets: three times stamps (64), an extended error (up to 64), and more.
const CONTROL_OCTETS: usize = 256;
/// One `struct timespec` of a 64-bit kernel.
const TIMESPEC_OCTETS: usize = 16;

/// Which stamps are told, and that both are where there are two.
const REPORT: u32 = libc::SOF_TIMESTAMPING_SOFTWARE
    | libc::SOF_TIMESTAMPING_RAW_HARDWARE
    | libc::SOF_TIMESTAMPING_OPT_TX_SWHW;
/// Which stamps a frame asks for.
const ASK: u32 = libc::SOF_TIMESTAMPING_TX_SOFTWARE | libc::SOF_TIMESTAMPING_TX_HARDWARE;
/// Which stamps arrivals get, beside being told.
const RECEIVE: u32 = libc::SOF_TIMESTAMPING_RX_SOFTWARE | libc::SOF_TIMESTAMPING_RX_HARDWARE;

/// The stamps of one frame, nanoseconds; 0 where there is none.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Stamp {
    /// The kernel's, CLOCK_REALTIME; of an arrival over AF_XDP the program's, CLOCK_MONOTONIC: the clock of the port.
    pub kernel_ns: u64,
    /// The NIC's, by its own clock.
    pub nic_ns: u64,
}

impl Stamp {
    /// Takes what one control message says: `struct scm_timestamping` is three `timespec`: the kernel's stamp, one that is
    /// no longer used, the NIC's (linux/errqueue.h). Any other message, and one that is too short, says nothing.
    fn take(&mut self, level: i32, kind: i32, data: &[u8]) {
        if (level, kind) != (libc::SOL_SOCKET, libc::SCM_TIMESTAMPING) {
            return;
        }
        if let (Some(kernel), Some(nic)) = (nanoseconds(data, 0), nanoseconds(data, 2)) {
            *self = Self { kernel_ns: kernel, nic_ns: nic };
        }
    }
}

/// The `index`-th of several `timespec`.
fn nanoseconds(data: &[u8], index: usize) -> Option<u64> {
    let time = data.get(index * TIMESPEC_OCTETS..)?;
    let (seconds, nanoseconds) = (time.first_chunk()?, time.get(8..)?.first_chunk()?);
    Some(
        u64::from_ne_bytes(*seconds)
            .wrapping_mul(1_000_000_000)
            .wrapping_add(u64::from_ne_bytes(*nanoseconds)),
    )
}

/// Which frame it is, as it says itself: sequence (high half) and departure.
pub type Identity = u64;

/// Where stamps of samples come from.
pub enum StampSource {
    /// A socket, with the stamped frames themselves.
    Socket(StampQueue),
    /// An XDP program, which wrote them down.
    Program(Heard),
    /// A port, which found them beside frames that had left.
    Port(Receiver<(Identity, Stamp)>),
}

impl StampSource {
    /// Shows every stamp that waits to `visit`, with the frame that it is of, which says that so many octets before its end.
    /// Never blocks.
    pub fn read(&mut self, identity_from_end: usize, visit: &mut impl FnMut(Identity, Stamp)) {
        match self {
            StampSource::Socket(queue) => {
                queue.read(&mut |frame, stamp| {
                    let start = frame.len().checked_sub(identity_from_end);
                    if let Some(identity) = start.and_then(|start| frame[start..].first_chunk()) {
                        visit(u64::from_be_bytes(*identity), stamp);
                    }
                });
            }
            StampSource::Program(heard) => heard.read(visit),
            StampSource::Port(told) => told.try_iter().for_each(|(identity, stamp)| visit(identity, stamp)),
        }
    }
}

/// The control message with which a frame asks for its stamps.
#[repr(C, align(8))]
pub(super) struct Request([u8; Self::OCTETS]);

impl Request {
    // SAFETY: CMSG_SPACE reckons only.
    const OCTETS: usize = unsafe { libc::CMSG_SPACE(size_of::<u32>() as u32) } as usize;

    pub(super) fn octets(&mut self) -> (*mut u8, usize) {
        (self.0.as_mut_ptr(), Self::OCTETS)
    }
}

impl Default for Request {
    fn default() -> Self {
        let mut request = Self([0; Self::OCTETS]);
        // SAFETY: `request` is aligned for a cmsghdr and has room for it and for one u32 behind it, by CMSG_SPACE; CMSG_LEN
        // reckons only, cmsg(3).
        unsafe {
            let header: *mut libc::cmsghdr = request.0.as_mut_ptr().cast();
            (*header).cmsg_level = libc::SOL_SOCKET;
            (*header).cmsg_type = libc::SO_TIMESTAMPING;
            (*header).cmsg_len = libc::CMSG_LEN(size_of::<u32>() as u32) as _;
            std::ptr::copy_nonoverlapping(
                ASK.to_ne_bytes().as_ptr(),
                libc::CMSG_DATA(header),
                size_of::<u32>(),
            );
        }
        request
    }
}

/// Stamped frames that wait to be read.
pub struct StampQueue {
    fd: OwnedFd,
    /// Which of the socket's queues.
    queue: libc::c_int,
    memory: Box<[u8]>,
    stride: usize,
    control: Box<[u8]>,
    messages: Messages,
}

impl StampQueue {
    /// The frames that were sent by `socket` and asked for a stamp. Stamps are told from now on.
    pub(super) fn of_departures(socket: BorrowedFd<'_>, largest: usize) -> io::Result<Self> {
        sys::set_option(socket, libc::SOL_SOCKET, libc::SO_TIMESTAMPING, REPORT)?;
        let _ = sys::set_option(socket, libc::SOL_SOCKET, libc::SO_RCVBUF, BUFFER_OCTETS);
        Ok(Self::new(socket.try_clone_to_owned()?, libc::MSG_ERRQUEUE, largest))
    }

    /// The arriving frames that `filter` lets through (see [`Filter::sampled`]), of up to `largest` octets, as a further
    /// listener on the interface. Promiscuous mode is held by whoever counts them.
    ///
    /// # Errors
    /// No permission, no such interface, or what the kernel says.
    pub fn of_arrivals(
        interface: &str,
        index: u32,
        largest: usize,
        filter: &Filter,
    ) -> Result<Self, OpenError> {
        let at = |step| move |source| OpenError::at(interface, step, source);
        let fd = packet::filtered(interface, filter)?;
        sys::set_option(fd.as_fd(), libc::SOL_SOCKET, libc::SO_TIMESTAMPING, REPORT | RECEIVE)
            .map_err(at("asking for stamps of arrivals"))?;
        let _ = sys::set_option(fd.as_fd(), libc::SOL_SOCKET, libc::SO_RCVBUF, BUFFER_OCTETS);
        sys::bind_packet(fd.as_fd(), index, libc::ETH_P_ALL as u16).map_err(at("binding"))?;
        Ok(Self::new(fd, 0, largest))
    }

    fn new(fd: OwnedFd, queue: libc::c_int, largest: usize) -> Self {
        // What a driver has put in front of a frame may come back with it.
        let stride = (largest + 64).next_multiple_of(64);
        Self {
            fd,
            queue,
            memory: vec![0; stride * BATCH].into_boxed_slice(),
            stride,
            control: vec![0; CONTROL_OCTETS * BATCH].into_boxed_slice(),
            messages: Messages::new(BATCH),
        }
    }

    /// Shows every waiting frame with its stamps to `visit`; a frame that left may come twice, once with each. How many
    /// there were. Never blocks; a queue that cannot be read has nothing.
    pub fn read(&mut self, visit: &mut impl FnMut(&[u8], Stamp)) -> usize {
        let mut read = 0;
        loop {
            let count = self.fetch();
            for index in 0..count {
                let mut stamp = Stamp::default();
                sys::control_messages(self.messages.header(index), |level, kind, data| {
                    stamp.take(level, kind, data);
                });
                let length = self.messages.received(index).min(self.stride);
                visit(&self.memory[index * self.stride..][..length], stamp);
            }
            read += count;
            if count < BATCH {
                return read;
            }
        }
    }

    fn fetch(&mut self) -> usize {
        let memory = self.memory.chunks_exact_mut(self.stride);
        for (index, (slot, control)) in memory.zip(self.control.chunks_exact_mut(CONTROL_OCTETS)).enumerate()
        {
            self.messages.point(index, slot.as_mut_ptr(), self.stride);
            self.messages.control(index, control.as_mut_ptr(), CONTROL_OCTETS);
        }
        // SAFETY: the vectors point into `self.memory`, the control pointers into `self.control`; both are live, disjoint,
        // and not otherwise borrowed during the call.
        unsafe { self.messages.receive_from(self.fd.as_fd(), BATCH, self.queue) }.unwrap_or(0)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn message(times: [(u64, u64); 3]) -> Vec<u8> {
        times
            .iter()
            .flat_map(|(seconds, rest)| [seconds.to_ne_bytes(), rest.to_ne_bytes()].concat())
            .collect()
    }

    fn decoded(level: i32, kind: i32, data: &[u8]) -> Stamp {
        let mut stamp = Stamp::default();
        stamp.take(level, kind, data);
        stamp
    }

    const OURS: (i32, i32) = (libc::SOL_SOCKET, libc::SCM_TIMESTAMPING);

    /// Two messages as this kernel (6.18, x86-64) sent them for a frame on a veth: 2026-11-25, the kernel's stamp only.
    #[test]
    fn what_a_kernel_sent_is_read() {
        let mut seen = vec![0; 48];
        seen[..16].copy_from_slice(&[9, 0x62, 7, 0x6b, 0, 0, 0, 0, 0x2f, 0x4c, 0xeb, 0x2a, 0, 0, 0, 0]);
        let stamp = decoded(OURS.0, OURS.1, &seen);
        assert_eq!(stamp, Stamp { kernel_ns: 0x6b07_6209 * 1_000_000_000 + 0x2aeb_4c2f, nic_ns: 0 });
        // SOL_PACKET, PACKET_TX_TIMESTAMP: struct sock_extended_err with ENOMSG and origin 4 (timestamping).
        let error = [42, 0, 0, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0];
        assert_eq!(decoded(libc::SOL_PACKET, libc::PACKET_TX_TIMESTAMP, &error), Stamp::default());
    }

    proptest! {
        #[test]
        fn each_clock_has_its_place(kernel in (0u64..1 << 33, 0u64..1_000_000_000), nic in (0u64..1 << 33, 0u64..1_000_000_000)) {
            let stamp = decoded(OURS.0, OURS.1, &message([kernel, (77, 77), nic]));
            let one = |(seconds, rest)| seconds * 1_000_000_000 + rest;
            prop_assert_eq!(stamp, Stamp { kernel_ns: one(kernel), nic_ns: one(nic) });
        }

        /// Whatever is in a message, reading it does no harm, and only a whole message of the right kind says anything.
        #[test]
        fn nothing_is_read_out_of_anything_else(
            level in prop_oneof![Just(OURS.0), any::<i32>()],
            kind in prop_oneof![Just(OURS.1), any::<i32>()],
            data in prop::collection::vec(any::<u8>(), 0..80),
        ) {
            let stamp = decoded(level, kind, &data);
            if (level, kind) != OURS || data.len() < 3 * TIMESPEC_OCTETS {
                prop_assert_eq!(stamp, Stamp::default());
            }
        }
    }

    /// Octet for octet what the kernel takes: length, level, type, flags.
    #[test]
    fn the_request_is_one_control_message() {
        let mut request = Request::default();
        let (start, length) = request.octets();
        assert!(start.cast::<libc::cmsghdr>().is_aligned());
        let mut expected = Vec::new();
        expected.extend((16 + 4_usize).to_ne_bytes());
        expected.extend(1_i32.to_ne_bytes());
        expected.extend(37_i32.to_ne_bytes());
        expected.extend(3_u32.to_ne_bytes());
        expected.extend([0; 4]);
        assert_eq!((length, &request.0[..]), (24, &expected[..]));
    }
}
