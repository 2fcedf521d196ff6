//! UDP sockets as ports: no privilege needed, and the path may be routed.
//!
//! The kernel builds the headers and judges the checksums, so a "frame" here is the payload of one
//! datagram. What the socket itself lost (buffer full, checksum wrong) is read from `SO_MEMINFO`.

use std::io;
use std::net::{SocketAddr, UdpSocket};
use std::os::fd::{AsFd, OwnedFd};
use std::time::Duration;

use socket2::{Domain, Protocol, SockAddr, Socket, Type};

use super::sys::{self, Messages};
use super::transmit::{BATCH, SocketTransmit, send_back};
use super::{Meta, OpenError, Receive, Turn, Turned, is_full};

/// `SO_MEMINFO` and the place of the drop counter in it (asm-generic/socket.h, linux/sock_diag.h); not in
/// the libc crate.
const SO_MEMINFO: libc::c_int = 55;
const SK_MEMINFO_VARS: usize = 9;
const SK_MEMINFO_DROPS: usize = 8;

const BUFFER_OCTETS: usize = 8 << 20;
const CONTROL_OCTETS: usize = 64;

/// A bound UDP socket that is not yet tied to its peer.
pub struct Endpoint {
    socket: Socket,
    what: String,
}

impl Endpoint {
    /// Binds a socket for test datagrams to `local` (port 0: any).
    ///
    /// # Errors
    /// What the kernel says.
    pub fn bind(local: SocketAddr) -> Result<Self, OpenError> {
        let what = format!("UDP {local}");
        let at = |step| {
            let what = what.clone();
            move |source| OpenError::at(&what, step, source)
        };
        let socket = Socket::new(Domain::for_address(local), Type::DGRAM, Some(Protocol::UDP))
            .map_err(at("opening a socket"))?;
        socket.set_nonblocking(true).map_err(at("setting it non-blocking"))?;
        // As deep as the system allows.
        let _ = socket.set_recv_buffer_size(BUFFER_OCTETS);
        let _ = socket.set_send_buffer_size(BUFFER_OCTETS / 2);
        sys::set_option(socket.as_fd(), libc::SOL_SOCKET, libc::SO_TIMESTAMPNS, 1i32)
            .map_err(at("asking for receive stamps"))?;
        // A test frame is never fragmented: a size the path cannot carry is an error, not two packets.
        let whole = if local.is_ipv4() {
            (libc::IPPROTO_IP, libc::IP_MTU_DISCOVER, libc::IP_PMTUDISC_DO)
        } else {
            (libc::IPPROTO_IPV6, libc::IPV6_MTU_DISCOVER, libc::IPV6_PMTUDISC_DO)
        };
        sys::set_option(socket.as_fd(), whole.0, whole.1, whole.2).map_err(at("forbidding fragments"))?;
        socket.bind(&SockAddr::from(local)).map_err(at("binding"))?;
        Ok(Self { socket, what })
    }

    /// The port it is bound to.
    ///
    /// # Errors
    /// What the kernel says.
    pub fn port(&self) -> io::Result<u16> {
        let address = self.socket.local_addr()?.as_socket();
        address.map(|address| address.port()).ok_or_else(|| io::Error::other("not an IP socket"))
    }

    fn connect(&self, peer: SocketAddr) -> Result<(), OpenError> {
        self.socket
            .connect(&SockAddr::from(peer))
            .map_err(|source| OpenError::at(&format!("{} to {peer}", self.what), "connecting", source))
    }

    fn duplicate(&self) -> Result<OwnedFd, OpenError> {
        let socket =
            self.socket.try_clone().map_err(|source| OpenError::at(&self.what, "duplicating", source))?;
        Ok(UdpSocket::from(socket).into())
    }

    /// Ties the socket to `peer` and splits it into its two halves, for payloads of up to `largest` octets.
    ///
    /// # Errors
    /// What the kernel says.
    pub fn split(
        &self,
        peer: SocketAddr,
        largest: usize,
    ) -> Result<(SocketTransmit, DatagramReceive), OpenError> {
        self.connect(peer)?;
        let receive = DatagramReceive::new(self.duplicate()?, largest);
        Ok((SocketTransmit::new(self.duplicate()?, largest), receive))
    }

    /// Ties the socket to `peer` as a port that sends back.
    ///
    /// # Errors
    /// What the kernel says.
    pub fn turning(&self, peer: SocketAddr, largest: usize) -> Result<DatagramTurn, OpenError> {
        self.connect(peer)?;
        let receive = DatagramReceive::new(self.duplicate()?, largest);
        Ok(DatagramTurn { receive, outgoing: Messages::new(BATCH), turned_away: 0 })
    }
}

/// The receiving half: `recvmmsg` into buffers of its own.
pub struct DatagramReceive {
    fd: OwnedFd,
    memory: Box<[u8]>,
    stride: usize,
    control: Box<[u8]>,
    messages: Messages,
    dropped_before: u32,
    dropped: u64,
}

impl DatagramReceive {
    pub(super) fn new(fd: OwnedFd, largest: usize) -> Self {
        // One octet more than fits, so that a datagram that is too long is seen to be.
        let stride = (largest + 1).next_multiple_of(64);
        let mut port = Self {
            fd,
            memory: vec![0; stride * BATCH].into_boxed_slice(),
            stride,
            control: vec![0; CONTROL_OCTETS * BATCH].into_boxed_slice(),
            messages: Messages::new(BATCH),
            dropped_before: 0,
            dropped: 0,
        };
        port.dropped_before = port.drop_counter().unwrap_or(0);
        port
    }

    fn drop_counter(&self) -> io::Result<u32> {
        let counters: [u32; SK_MEMINFO_VARS] =
            sys::get_option(self.fd.as_fd(), libc::SOL_SOCKET, SO_MEMINFO)?;
        Ok(counters[SK_MEMINFO_DROPS])
    }

    /// Receives a batch into the buffers; how many came.
    fn fetch(&mut self, max: usize) -> io::Result<usize> {
        let count = max.min(BATCH);
        for (index, (slot, control)) in self
            .memory
            .chunks_exact_mut(self.stride)
            .zip(self.control.chunks_exact_mut(CONTROL_OCTETS))
            .enumerate()
            .take(count)
        {
            self.messages.point(index, slot.as_mut_ptr(), self.stride);
            self.messages.control(index, control.as_mut_ptr(), CONTROL_OCTETS);
        }
        // SAFETY: the vectors point into `self.memory`, the control pointers into `self.control`; both are
        // live, disjoint, and not otherwise borrowed during the call.
        match unsafe { self.messages.receive(self.fd.as_fd(), count) } {
            Ok(received) => Ok(received),
            // A refusal by the peer's host (ICMP) is told on the next call; it is no reason to stop.
            Err(error) if is_full(&error) => Ok(0),
            Err(error) => Err(error),
        }
    }

    fn frame(&mut self, index: usize) -> (&mut [u8], Meta) {
        let mut arrived_ns = 0;
        sys::control_messages(self.messages.header(index), |level, kind, data| {
            if (level, kind) == (libc::SOL_SOCKET, libc::SCM_TIMESTAMPNS)
                && let (Some(seconds), Some(nanoseconds)) = (word(data, 0), word(data, 8))
            {
                arrived_ns = seconds.wrapping_mul(1_000_000_000).wrapping_add(nanoseconds);
            }
        });
        let length = self.messages.received(index).min(self.stride);
        (&mut self.memory[index * self.stride..][..length], Meta { arrived_ns })
    }
}

/// A native 64-bit word of a control message.
fn word(data: &[u8], at: usize) -> Option<u64> {
    Some(u64::from_ne_bytes(data.get(at..at + 8)?.try_into().ok()?))
}

impl Receive for DatagramReceive {
    fn receive(&mut self, max: usize, visit: &mut impl FnMut(&mut [u8], Meta)) -> io::Result<usize> {
        let count = self.fetch(max)?;
        for index in 0..count {
            let (frame, meta) = self.frame(index);
            visit(frame, meta);
        }
        Ok(count)
    }

    fn wait(&mut self, timeout: Duration) -> io::Result<()> {
        sys::poll(self.fd.as_fd(), libc::POLLIN, timeout).map(drop)
    }

    fn dropped(&mut self) -> io::Result<u64> {
        let now = self.drop_counter()?;
        self.dropped += u64::from(now.wrapping_sub(self.dropped_before));
        self.dropped_before = now;
        Ok(self.dropped)
    }
}

/// A UDP port that sends every datagram back to its peer.
pub struct DatagramTurn {
    receive: DatagramReceive,
    outgoing: Messages,
    turned_away: u64,
}

impl Receive for DatagramTurn {
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

impl Turn for DatagramTurn {
    fn turn(&mut self, max: usize, decide: &mut impl FnMut(&mut [u8], Meta) -> bool) -> io::Result<Turned> {
        let received = self.receive.fetch(max)?;
        let mut outgoing = 0;
        for index in 0..received {
            let (frame, meta) = self.receive.frame(index);
            if decide(frame, meta) {
                self.outgoing.point(outgoing, frame.as_mut_ptr(), frame.len());
                outgoing += 1;
            }
        }
        // SAFETY: the vectors point into the receive buffers, untouched until the next `fetch`.
        let returned = unsafe {
            send_back(self.receive.fd.as_fd(), &mut self.outgoing, outgoing, &mut self.turned_away)
        };
        Ok(Turned { received, returned, refused: outgoing - returned })
    }

    fn turned_away(&self) -> u64 {
        self.turned_away
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::port::{Transmit, clock};

    fn loopback() -> SocketAddr {
        SocketAddr::from(([127, 0, 0, 1], 0))
    }

    #[test]
    fn datagrams_go_out_turn_and_come_home_with_stamps() {
        let (near, far) = (Endpoint::bind(loopback()).unwrap(), Endpoint::bind(loopback()).unwrap());
        let address = |endpoint: &Endpoint| SocketAddr::from(([127, 0, 0, 1], endpoint.port().unwrap()));
        let (mut transmit, mut receive) = near.split(address(&far), 100).unwrap();
        let mut turn = far.turning(address(&near), 100).unwrap();
        transmit.set_octets(60).unwrap();
        for index in 0..10 {
            transmit.slot(index).fill(index as u8);
        }
        let before = clock::realtime_ns();
        assert_eq!(transmit.submit(0, 10).unwrap(), 10);
        turn.wait(Duration::from_secs(1)).unwrap();
        let turned = turn
            .turn(64, &mut |frame, meta| {
                assert!(meta.arrived_ns >= before);
                frame[1] = 0xEE;
                frame[0] != 3
            })
            .unwrap();
        assert_eq!(turned, Turned { received: 10, returned: 9, refused: 0 });
        receive.wait(Duration::from_secs(1)).unwrap();
        let mut home = Vec::new();
        receive.receive(64, &mut |frame, _| home.push((frame[0], frame[1], frame.len()))).unwrap();
        assert_eq!(home, [0, 1, 2, 4, 5, 6, 7, 8, 9].map(|index| (index, 0xEE, 60)));
        assert_eq!(receive.dropped().unwrap(), 0);
    }

    #[test]
    fn what_a_full_buffer_lost_is_counted_exactly() {
        let (near, far) = (Endpoint::bind(loopback()).unwrap(), Endpoint::bind(loopback()).unwrap());
        let address = |endpoint: &Endpoint| SocketAddr::from(([127, 0, 0, 1], endpoint.port().unwrap()));
        far.socket.set_recv_buffer_size(16_384).unwrap();
        let (mut transmit, _) = near.split(address(&far), 100).unwrap();
        let (_, mut receive) = far.split(address(&near), 100).unwrap();
        transmit.set_octets(100).unwrap();
        let mut sent = 0;
        for _ in 0..20 {
            sent += transmit.submit(0, 64).unwrap() as u64;
        }
        let mut heard = 0;
        while receive.receive(64, &mut |_, _| heard += 1).unwrap() > 0 {}
        let dropped = receive.dropped().unwrap();
        assert!(dropped > 0, "the small buffer must have overflowed");
        assert_eq!(sent, heard + dropped);
    }
}
