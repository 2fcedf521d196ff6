//! AF_XDP sockets as a port: one that receives and owns the memory, one that sends and shares it.
//!
//! Two sockets and not one, so that waiting for frames never sends any. What the program does not hand to the socket (a
//! queue without one, a frame whose address was damaged) passes to the host, where a packet socket of the session hears
//! it: nothing that arrives goes unseen.

use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::sync::Arc;
use std::time::{Duration, Instant};

use pnet_base::MacAddr;

use super::attachment::Attachment;
use super::programs::{self, STAMP_OCTETS};
use crate::port::bpf::{Map, Program};
use crate::port::clock::{Offset, monotonic_ns};
use crate::port::filter::Filter;
use crate::port::packet::{PacketReceive, PacketTurn};
use crate::port::sys_xdp::{self, Frames, Ring, RingKind};
use crate::port::{Meta, OpenError, Receive, Stamps, Transmit, Turn, Turned, sys};

/// Frames that may be on their way out. Every frame is copied when it is sent, so that few are enough, and they stay in
/// the nearest cache.
const SEND_CHUNKS: usize = 256;
/// Memory for frames on their way in. At 1 Gb/s it holds 20 ms of the smallest frames.
const RECEIVE_OCTETS: usize = 64 << 20;
/// What the kernel keeps free in front of a received frame (`XDP_PACKET_HEADROOM`), and room for two tags.
const HEADROOM: usize = 256 + 8;
/// Frames handed over in one call at most.
const BATCH: usize = 64;
/// The kernel frees a closed socket late; a queue may be busy for so long.
const BIND_PATIENCE: Duration = Duration::from_millis(700);
/// How often the kernel is asked to go on sending before the port is said to be full.
const KICKS: usize = 16;
/// How long nothing is tried after the interface threw a frame away: without carrier it would throw away them all.
const HOLD: Duration = Duration::from_millis(1);
/// How long the kernel is asked to send what is left in the ring, after the last frame.
const FLUSH_PATIENCE: Duration = Duration::from_millis(500);
/// How old a sample of the wall clock may be that stamps of the packet socket are judged by.
const WALL_NS: u64 = 1_000_000_000;
/// How long a reflector keeps asking.
const TURN_PATIENCE: Duration = Duration::from_millis(100);
/// The longest frame, without the FCS, that fits one piece of memory.
pub const LONGEST: usize = 4_096 - HEADROOM;

type Descriptor = libc::xdp_desc;

/// Memory and rings of one port before it is split into halves.
struct Parts {
    frames: Arc<Frames>,
    chunk: usize,
    sender: OwnedFd,
    receive: Ring<Descriptor>,
    transmit: Ring<Descriptor>,
    fill: Ring<u64>,
    completion: Ring<u64>,
}

impl Parts {
    /// The first [`SEND_CHUNKS`] chunks are left to the sender, the others are given to the kernel to receive into.
    fn open(interface: &str, index: u32, queue: u32, largest: usize) -> Result<Self, OpenError> {
        let at = |step| move |source| OpenError::at_xdp(interface, step, source);
        if largest > LONGEST {
            let text = format!("frames of more than {LONGEST} octets do not fit one piece of memory");
            return Err(OpenError::System {
                what: interface.to_owned(),
                step: "AF_XDP",
                source: io::Error::new(io::ErrorKind::InvalidInput, text),
            });
        }
        let chunk = if largest + HEADROOM <= 2_048 { 2_048 } else { 4_096 };
        let receive_chunks = RECEIVE_OCTETS / chunk;
        let frames = Frames::new(SEND_CHUNKS * chunk + RECEIVE_OCTETS, chunk).map_err(at(
            "registering memory for frames (if this says no buffer space: raise the limit of locked memory, ulimit -l)",
        ))?;
        let socket = frames.socket.as_fd();
        let rings = at("making a ring");
        let mut fill = Ring::<u64>::new(socket, RingKind::Fill, receive_chunks as u32).map_err(&rings)?;
        let outgoing = SEND_CHUNKS.max(receive_chunks) as u32;
        let completion = Ring::<u64>::new(socket, RingKind::Completion, outgoing).map_err(&rings)?;
        let receive =
            Ring::<Descriptor>::new(socket, RingKind::Receive, receive_chunks as u32).map_err(&rings)?;
        let sender = sys_xdp::socket().map_err(at("opening an AF_XDP socket"))?;
        let transmit =
            Ring::<Descriptor>::new(sender.as_fd(), RingKind::Transmit, outgoing).map_err(&rings)?;
        sys_xdp::raise_send_budget(sender.as_fd());
        for number in 0..receive_chunks {
            fill.put(((SEND_CHUNKS + number) * chunk) as u64);
        }
        fill.publish();
        let since = Instant::now();
        loop {
            match sys_xdp::bind(socket, index, queue, None) {
                Ok(()) => break,
                Err(error)
                    if error.raw_os_error() == Some(libc::EBUSY) && since.elapsed() < BIND_PATIENCE =>
                {
                    std::thread::sleep(Duration::from_millis(10));
                }
                Err(error) => return Err(at("binding an AF_XDP socket")(error)),
            }
        }
        sys_xdp::bind(sender.as_fd(), index, queue, Some(socket))
            .map_err(at("binding the sending AF_XDP socket"))?;
        Ok(Self { frames: Arc::new(frames), chunk, sender, receive, transmit, fill, completion })
    }
}

/// The program of one session in its slot, and the table of sockets it hands frames to.
struct Steering {
    attachment: Arc<Attachment>,
    own: MacAddr,
    queue: u32,
    sockets: Map,
}

impl Steering {
    fn install(
        attachment: &Arc<Attachment>,
        own: MacAddr,
        queue: u32,
        frames: &Frames,
        interface: &str,
    ) -> Result<Self, OpenError> {
        let at = |step| move |source| OpenError::at_xdp(interface, step, source);
        let sockets = Map::of_sockets(queue + 1).map_err(at("making a table of sockets"))?;
        sockets.put(queue, frames.socket.as_fd()).map_err(at("putting the socket into its table"))?;
        let program = Program::load(&programs::steer(own, &sockets))
            .map_err(at("loading the session's XDP program"))?;
        attachment.install(own, &program).map_err(at("installing the session's XDP program"))?;
        Ok(Self { attachment: Arc::clone(attachment), own, queue, sockets })
    }
}

impl Drop for Steering {
    fn drop(&mut self) {
        self.attachment.remove(self.own);
        let _ = self.sockets.take(self.queue);
    }
}

/// Opens both halves of an AF_XDP port for frames of up to `largest` octets (without the FCS) that are sent to `own`.
/// Frames are sent by queue `queue` and taken from it; what comes by another, or what the program lets pass, is heard
/// through `filter`.
///
/// # Errors
/// No permission, no memory, a queue that somebody else has, or what the kernel says.
pub fn open(
    attachment: &Arc<Attachment>,
    interface: &str,
    index: u32,
    queue: u32,
    largest: usize,
    own: MacAddr,
    filter: &Filter,
) -> Result<(XdpTransmit, XdpReceive), OpenError> {
    let passed = PacketReceive::open(interface, index, largest, filter)?;
    let parts = Parts::open(interface, index, queue, largest)?;
    let steering = Steering::install(attachment, own, queue, &parts.frames, interface)?;
    let transmit = XdpTransmit {
        frames: Arc::clone(&parts.frames),
        chunk: parts.chunk,
        octets: largest,
        sender: parts.sender,
        ring: parts.transmit,
        completion: parts.completion,
        busy: vec![false; SEND_CHUNKS].into_boxed_slice(),
        holding: None,
        lost: 0,
    };
    let incoming = Incoming {
        steering,
        frames: parts.frames,
        chunk: parts.chunk,
        ring: parts.receive,
        fill: parts.fill,
        wall: Offset::sample(),
        came: 0,
        strayed: 0,
    };
    Ok((transmit, XdpReceive { incoming, passed }))
}

/// The sending half.
pub struct XdpTransmit {
    frames: Arc<Frames>,
    chunk: usize,
    octets: usize,
    sender: OwnedFd,
    ring: Ring<Descriptor>,
    completion: Ring<u64>,
    /// Slots that are in the ring, or whose memory the kernel still reads.
    busy: Box<[bool]>,
    /// Since when nothing is tried, because the interface threw a frame away.
    holding: Option<Instant>,
    lost: u64,
}

/// What asking the kernel to send came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kicked {
    /// All that was in the ring is gone.
    Empty,
    /// There is no room now.
    Full,
}

/// Asks the kernel to send what is in the ring. Frames that the interface threw away are added to `lost`: then nothing
/// more is tried now.
fn kick(sender: &OwnedFd, ring: &mut Ring<Descriptor>, lost: &mut u64) -> io::Result<Kicked> {
    for _ in 0..KICKS {
        match sys_xdp::kick_sending(sender.as_fd()) {
            Ok(()) => return Ok(Kicked::Empty),
            Err(error) => match error.raw_os_error() {
                // The device dropped the frame it was given last: no carrier, or a full queue behind it.
                Some(libc::EBUSY) => {
                    *lost += 1;
                    if ring.outstanding() == 0 {
                        return Ok(Kicked::Empty);
                    }
                    return Ok(Kicked::Full);
                }
                Some(libc::EAGAIN | libc::ENOBUFS | libc::EINTR | libc::ENOMEM) => {}
                _ => return Err(error),
            },
        }
    }
    Ok(Kicked::Full)
}

impl XdpTransmit {
    /// Asks the kernel to send what is left in the ring; whether nothing is left.
    fn drain(&mut self) -> io::Result<bool> {
        if self.ring.outstanding() == 0 {
            return Ok(true);
        }
        if self.holding.is_some_and(|since| since.elapsed() < HOLD) {
            return Ok(false);
        }
        let lost = self.lost;
        let kicked = kick(&self.sender, &mut self.ring, &mut self.lost)?;
        self.holding = (self.lost > lost).then(Instant::now);
        Ok(kicked == Kicked::Empty)
    }

    /// Takes back the slots that the kernel has done with.
    fn reap(&mut self) {
        let ready = self.completion.ready();
        for _ in 0..ready {
            let slot = self.completion.take() as usize / self.chunk;
            if let Some(busy) = self.busy.get_mut(slot) {
                *busy = false;
            }
        }
        if ready > 0 {
            self.completion.release();
        }
    }
}

impl Transmit for XdpTransmit {
    fn slots(&self) -> usize {
        self.busy.len()
    }

    fn set_octets(&mut self, octets: usize) -> io::Result<()> {
        if octets > self.chunk {
            return Err(io::Error::new(
                io::ErrorKind::InvalidInput,
                "the frame is longer than the port was opened for",
            ));
        }
        self.octets = octets;
        Ok(())
    }

    fn slot(&mut self, index: usize) -> &mut [u8] {
        // SAFETY: the first chunks are this half's own, one for each slot, and the borrow of `self` keeps any other
        // reference away. The kernel reads a slot between `submit` and its completion only, and `room` says which
        // slots that does not concern.
        unsafe { self.frames.part(index * self.chunk, self.octets) }
    }

    fn room(&mut self, first: usize) -> usize {
        let free = |busy: &[bool]| busy[first..].iter().take(BATCH).take_while(|busy| !**busy).count();
        let found = free(&self.busy);
        if found >= BATCH {
            return found;
        }
        self.reap();
        free(&self.busy)
    }

    /// What is put into the ring is accepted: it leaves now, or before anything else does.
    fn submit(&mut self, first: usize, count: usize) -> io::Result<usize> {
        if !self.drain()? {
            return Ok(0);
        }
        for slot in first..first + count {
            let address = (slot * self.chunk) as u64;
            self.ring.put(Descriptor { addr: address, len: self.octets as u32, options: 0 });
        }
        self.busy[first..first + count].fill(true);
        self.ring.publish();
        // The error of a port that is gone is met again by the next call; these frames are in the books.
        let _ = self.drain();
        Ok(count)
    }

    fn flush(&mut self) -> io::Result<()> {
        let since = Instant::now();
        loop {
            let left = match self.drain() {
                Ok(true) => return Ok(()),
                Ok(false) if since.elapsed() < FLUSH_PATIENCE => continue,
                Ok(false) => Ok(()),
                Err(error) => Err(error),
            };
            // A closed socket forgets them.
            self.lost += u64::from(self.ring.outstanding());
            return left;
        }
    }

    /// Those the interface threw away: its own counter sees them too, and they are named already.
    fn turned_away(&self) -> u64 {
        self.lost
    }

    fn lost(&self) -> u64 {
        self.lost
    }
}

/// What comes in by the socket.
struct Incoming {
    // The program goes before the socket it hands frames to.
    steering: Steering,
    frames: Arc<Frames>,
    chunk: usize,
    ring: Ring<Descriptor>,
    fill: Ring<u64>,
    /// To bring the stamps of the packet socket to the scale of the program's.
    wall: Offset,
    /// Frames that came by the ring, and whole ones of the same address that came by the packet socket.
    came: u64,
    strayed: u64,
}

impl Incoming {
    /// The frame of a descriptor that was taken, and when the program saw it.
    ///
    /// # Safety
    /// The chunk has not been put into another ring, and no other reference to it lives.
    #[allow(clippy::mut_from_ref, reason = "chunks are handed over by the rings, not by borrows")]
    unsafe fn frame<'a>(frames: &'a Frames, descriptor: &Descriptor) -> (&'a mut [u8], Meta) {
        let start = descriptor.addr as usize;
        // SAFETY: the program put the stamp right in front of the frame, in the same chunk, which is ours.
        let whole = unsafe { frames.part(start - STAMP_OCTETS, STAMP_OCTETS + descriptor.len as usize) };
        let (stamp, frame) = whole.split_at_mut(STAMP_OCTETS);
        let arrived_ns = stamp.first_chunk().map_or(0, |stamp| u64::from_ne_bytes(*stamp));
        (frame, Meta { arrived_ns })
    }

    fn give_back(&mut self, address: u64) {
        self.fill.put(address - address % self.chunk as u64);
    }

    fn wake(&mut self) {
        if self.fill.needs_wakeup() {
            sys_xdp::kick_receiving(self.frames.socket.as_fd());
        }
    }

    /// Takes note of a frame of the packet socket. Its stamp is wall clock: judged by a fresh sample of it, and unknown
    /// after it was stepped.
    fn passed(&mut self, frame: &[u8], meta: Meta) -> Meta {
        self.strayed += u64::from(frame.starts_with(&self.steering.own.octets()));
        if meta.arrived_ns == 0 {
            return meta;
        }
        if monotonic_ns().saturating_sub(self.wall.at) > WALL_NS {
            let sample = Offset::sample();
            let stepped = sample.stepped_since(self.wall);
            self.wall = sample;
            if stepped {
                return Meta { arrived_ns: 0 };
            }
        }
        Meta { arrived_ns: self.wall.to_monotonic(meta.arrived_ns) }
    }

    fn receive(&mut self, max: usize, visit: &mut impl FnMut(&mut [u8], Meta)) -> usize {
        let count = (self.ring.ready() as usize).min(max);
        for _ in 0..count {
            let descriptor = self.ring.take();
            // SAFETY: the chunk was just taken from the receive ring and is given back below.
            let (frame, meta) = unsafe { Self::frame(&self.frames, &descriptor) };
            visit(frame, meta);
            self.give_back(descriptor.addr);
        }
        self.came += count as u64;
        if count > 0 {
            self.ring.release();
            self.fill.publish();
        }
        self.wake();
        count
    }

    fn dropped(&self) -> io::Result<u64> {
        sys_xdp::dropped(self.frames.socket.as_fd())
    }

    /// The fewer of the two ways' frames.
    fn strayed(&self) -> u64 {
        self.came.min(self.strayed)
    }
}

/// The receiving half.
pub struct XdpReceive {
    incoming: Incoming,
    passed: PacketReceive,
}

impl Receive for XdpReceive {
    fn receive(&mut self, max: usize, visit: &mut impl FnMut(&mut [u8], Meta)) -> io::Result<usize> {
        let count = self.incoming.receive(max, visit);
        let incoming = &mut self.incoming;
        let passed = self.passed.receive(max - count, &mut |frame, meta| {
            let meta = incoming.passed(frame, meta);
            visit(frame, meta);
        })?;
        Ok(count + passed)
    }

    fn wait(&mut self, timeout: Duration) -> io::Result<()> {
        sys::poll_either(self.incoming.frames.socket.as_fd(), self.passed.as_fd(), timeout)
    }

    fn dropped(&mut self) -> io::Result<u64> {
        Ok(self.incoming.dropped()? + self.passed.dropped()?)
    }

    fn strayed(&self) -> u64 {
        self.incoming.strayed()
    }

    fn stamps(&self) -> Stamps {
        Stamps::Monotonic
    }
}

/// A port that sends back what it received, out of the memory it was received into.
pub struct XdpTurn {
    incoming: Incoming,
    sender: OwnedFd,
    transmit: Ring<Descriptor>,
    completion: Ring<u64>,
    passed: PacketTurn,
    /// Frames that the interface threw away.
    lost: u64,
    /// Frames in the ring that were given up: they are reported as refused already.
    given_up: u64,
}

impl XdpTurn {
    /// As [`open`].
    ///
    /// # Errors
    /// As [`open`].
    pub fn open(
        attachment: &Arc<Attachment>,
        interface: &str,
        index: u32,
        queue: u32,
        largest: usize,
        own: MacAddr,
        filter: &Filter,
    ) -> Result<Self, OpenError> {
        let passed = PacketTurn::open(interface, index, largest, filter)?;
        let parts = Parts::open(interface, index, queue, largest)?;
        let steering = Steering::install(attachment, own, queue, &parts.frames, interface)?;
        Ok(Self {
            incoming: Incoming {
                steering,
                frames: parts.frames,
                chunk: parts.chunk,
                ring: parts.receive,
                fill: parts.fill,
                wall: Offset::sample(),
                came: 0,
                strayed: 0,
            },
            sender: parts.sender,
            transmit: parts.transmit,
            completion: parts.completion,
            passed,
            lost: 0,
            given_up: 0,
        })
    }

    /// Has the ring sent; how many frames were thrown away, or are given up although they are still in it. Should these
    /// leave after all, the books of the two ends do not agree, and the trial shows nothing.
    fn send(&mut self, outgoing: u64) -> u64 {
        if outgoing == 0 && self.transmit.outstanding() == 0 {
            return 0;
        }
        let (before, since) = (self.lost, Instant::now());
        let left = loop {
            match kick(&self.sender, &mut self.transmit, &mut self.lost) {
                Ok(Kicked::Empty) => break 0,
                Ok(Kicked::Full) if since.elapsed() < TURN_PATIENCE => {}
                // The next look at the port meets the error of one that is gone.
                Ok(Kicked::Full) | Err(_) => break u64::from(self.transmit.outstanding()),
            }
        };
        let newly = left.saturating_sub(self.given_up);
        self.given_up = left;
        (self.lost - before) + newly
    }

    /// Frames that have left make room to receive into.
    fn reap(&mut self) {
        let ready = self.completion.ready();
        for _ in 0..ready {
            let address = self.completion.take();
            self.incoming.give_back(address);
        }
        if ready > 0 {
            self.completion.release();
            self.incoming.fill.publish();
        }
    }
}

impl Receive for XdpTurn {
    fn receive(&mut self, max: usize, visit: &mut impl FnMut(&mut [u8], Meta)) -> io::Result<usize> {
        let count = self.incoming.receive(max, visit);
        Ok(count + self.passed.receive(max - count, visit)?)
    }

    fn wait(&mut self, timeout: Duration) -> io::Result<()> {
        self.reap();
        sys::poll_either(self.incoming.frames.socket.as_fd(), self.passed.as_fd(), timeout)
    }

    fn dropped(&mut self) -> io::Result<u64> {
        Ok(self.incoming.dropped()? + self.passed.dropped()?)
    }

    fn strayed(&self) -> u64 {
        self.incoming.strayed()
    }

    fn stamps(&self) -> Stamps {
        Stamps::Monotonic
    }
}

impl Turn for XdpTurn {
    fn turn(&mut self, max: usize, decide: &mut impl FnMut(&mut [u8], Meta) -> bool) -> io::Result<Turned> {
        self.reap();
        let count = (self.incoming.ring.ready() as usize).min(max).min(BATCH);
        let mut outgoing = 0;
        for _ in 0..count {
            let descriptor = self.incoming.ring.take();
            // SAFETY: the chunk was just taken from the receive ring and goes into one other ring below.
            let (frame, meta) = unsafe { Incoming::frame(&self.incoming.frames, &descriptor) };
            if decide(frame, meta) {
                self.transmit.put(Descriptor { addr: descriptor.addr, len: descriptor.len, options: 0 });
                outgoing += 1;
            } else {
                self.incoming.give_back(descriptor.addr);
            }
        }
        self.incoming.came += count as u64;
        if count > 0 {
            self.incoming.ring.release();
            self.incoming.fill.publish();
        }
        self.incoming.wake();
        self.transmit.publish();
        let refused = self.send(outgoing as u64);
        let incoming = &mut self.incoming;
        let passed = self.passed.turn(max.min(BATCH) - count, &mut |frame, meta| {
            let meta = incoming.passed(frame, meta);
            decide(frame, meta)
        })?;
        Ok(Turned {
            received: count + passed.received,
            returned: outgoing - (refused as usize).min(outgoing) + passed.returned,
            refused: refused as usize + passed.refused,
        })
    }

    fn turned_away(&self) -> u64 {
        self.lost + self.passed.turned_away()
    }
}
