//! AF_XDP sockets as a port: one that receives and owns the memory, one that sends and shares it.
//!
//! Two sockets and not one, so that waiting for frames never sends any. What the program does not hand to the socket (a
//! queue without one, a frame whose address was damaged) passes to the host, where a packet socket of the session hears
//! it: nothing that arrives goes unseen.

use std::io;
use std::os::fd::{AsFd, BorrowedFd};
use std::sync::Arc;
use std::time::{Duration, Instant};

use pnet_base::MacAddr;

use super::attachment::{Attachment, Mode};
use super::manner::Manner;
use super::outgoing::{Descriptor, Kicked, Leaving, Outgoing, see_off};
use super::pieces::{Cut, Gathering, Slots};
use super::programs::{self, Clock, STAMP_OCTETS, Sample};
use super::stamping::{Departing, Heard, LEAD_OCTETS, Stamping};
use crate::port::bpf::{Map, Program};
use crate::port::clock::{Offset, monotonic_ns};
use crate::port::filter::Filter;
use crate::port::packet::{PacketReceive, PacketTurn};
use crate::port::stamps::StampSource;
use crate::port::sys_xdp::{self, Binding, Frames, METADATA_OCTETS, Ring, RingKind};
use crate::port::{Meta, OpenError, Receive, Stamps, Transmit, Turn, Turned, sys};

/// Frames that may be on their way out. Every frame is copied when it is sent, so that few are enough, and they stay in
/// the nearest cache.
pub(super) const SEND_CHUNKS: usize = 256;
/// Memory for frames on their way in. At 1 Gb/s it holds 20 ms of the smallest frames.
const RECEIVE_OCTETS: usize = 64 << 20;
/// Frames handed over in one call at most.
const BATCH: usize = 64;
/// The kernel frees a closed socket late; a queue may be busy for so long.
const BIND_PATIENCE: Duration = Duration::from_millis(700);
/// How long nothing is tried after the interface threw a frame away: without carrier it would throw away them all.
const HOLD: Duration = Duration::from_millis(1);
/// How long what was accepted may take to leave, after the last frame.
const FLUSH_PATIENCE: Duration = Duration::from_millis(500);
/// How old a sample of the wall clock may be that stamps of the packet socket are judged by.
const WALL_NS: u64 = 1_000_000_000;
/// How long a reflector keeps asking.
const TURN_PATIENCE: Duration = Duration::from_millis(100);

/// Memory and rings of one port before it is split into halves.
struct Parts {
    frames: Arc<Frames>,
    cut: Cut,
    /// Octets in front of each frame to send.
    lead: usize,
    /// Why stamps that were asked for are not to be had.
    unstamped: Option<String>,
    manner: Manner,
    outgoing: Outgoing,
    receive: Ring<Descriptor>,
    fill: Ring<u64>,
}

impl Parts {
    /// The first [`SEND_CHUNKS`] slots are left to the sender, the chunks behind them are given to the kernel to receive
    /// into.
    fn open(attachment: &Attachment, queue: u32, largest: usize, stamps: bool) -> Result<Self, OpenError> {
        let ((interface, index), asked) = (attachment.interface(), attachment.manner());
        let at = |step| move |source| OpenError::at_xdp(interface, step, source);
        let cut = Cut::new(largest, asked.zero_copy);
        let receive_chunks = RECEIVE_OCTETS / cut.chunk;
        let send_octets = SEND_CHUNKS * cut.slot();
        let octets = send_octets + RECEIVE_OCTETS;
        let (stamping, unstamped) = match stamps.then(|| room_for_stamps(octets, cut)).transpose() {
            Ok(stamping) => (stamping, None),
            Err(why) => (None, Some(why)),
        };
        let lead = if stamping.is_some() { LEAD_OCTETS } else { 0 };
        let frames = stamping.map_or_else(|| Frames::new(octets, cut.chunk), Ok).map_err(at(
            "registering memory for frames (if this says no buffer space: raise the limit of locked memory, ulimit -l)",
        ))?;
        let socket = frames.socket.as_fd();
        let rings = at("making a ring");
        let mut fill = Ring::<u64>::new(socket, RingKind::Fill, receive_chunks as u32).map_err(&rings)?;
        // A place for every piece that can be on its way, sent anew or sent back; rings have powers of two.
        let places = (SEND_CHUNKS * cut.chunks).max(receive_chunks).next_power_of_two() as u32;
        let completion = Ring::<u64>::new(socket, RingKind::Completion, places).map_err(&rings)?;
        let receive =
            Ring::<Descriptor>::new(socket, RingKind::Receive, receive_chunks as u32).map_err(&rings)?;
        let sender = sys_xdp::socket().map_err(at("opening an AF_XDP socket"))?;
        let transmit = Ring::<Descriptor>::new(sender.as_fd(), RingKind::Transmit, places).map_err(&rings)?;
        sys_xdp::raise_send_budget(sender.as_fd());
        if asked.busy_poll {
            sys_xdp::poll_busily(socket)
                .map_err(at("asking for busy polling (Linux 5.11 or later has it)"))?;
        }
        for number in 0..receive_chunks {
            fill.put((send_octets + number * cut.chunk) as u64);
        }
        fill.publish();
        let binding = Binding::Own { zero_copy: asked.zero_copy, several: cut.several };
        bind(interface, index, queue, socket, binding)?;
        sys_xdp::bind(sender.as_fd(), index, queue, Binding::Shared(socket))
            .map_err(at("binding the sending AF_XDP socket"))?;
        let zero_copy = sys_xdp::is_zero_copy(socket).map_err(at("asking how frames are passed"))?;
        let outgoing = Outgoing::new(sender, transmit, completion, zero_copy);
        let manner = Manner { zero_copy, ..asked };
        Ok(Self { frames: Arc::new(frames), cut, lead, unstamped, manner, outgoing, receive, fill })
    }
}

/// Memory in which a frame to send has room in front of it for the stamp of its departure.
fn room_for_stamps(octets: usize, cut: Cut) -> Result<Frames, String> {
    if cut.several {
        return Err("frames of this size lie in several pieces".to_owned());
    }
    Frames::with_metadata(octets, cut.chunk)
        .map_err(|error| format!("no memory with room for stamps (Linux 6.11 or later has it): {error}"))
}

/// Binds the socket that has the memory. A queue that was just left may be busy for a while.
fn bind(
    interface: &str,
    index: u32,
    queue: u32,
    socket: BorrowedFd<'_>,
    binding: Binding<'_>,
) -> Result<(), OpenError> {
    let since = Instant::now();
    loop {
        let Err(error) = sys_xdp::bind(socket, index, queue, binding) else { return Ok(()) };
        let step = match (error.raw_os_error(), binding) {
            (Some(libc::EBUSY), _) if since.elapsed() < BIND_PATIENCE => {
                std::thread::sleep(Duration::from_millis(10));
                continue;
            }
            (Some(libc::EBUSY), _) => "binding an AF_XDP socket (another one has the queue)",
            (_, Binding::Own { zero_copy: true, .. }) => {
                "binding an AF_XDP socket without a copy of the frames (where the argument is invalid the MTU may be too large \
                 for it, or the queue may have none)"
            }
            (Some(libc::EINVAL), Binding::Own { several: true, .. }) => {
                "binding an AF_XDP socket for frames in several pieces (Linux 6.6 or later has it)"
            }
            _ => "binding an AF_XDP socket",
        };
        return Err(OpenError::at_xdp(interface, step, error));
    }
}

/// Holds a queue of an interface and does nothing with it: nobody else's AF_XDP socket gets it meanwhile. To see what
/// a port does that cannot be opened.
pub struct TakenQueue {
    _frames: Frames,
    _rings: (Ring<u64>, Ring<u64>, Ring<Descriptor>),
}

impl TakenQueue {
    /// # Errors
    /// As [`open`].
    pub fn of(interface: &str, index: u32, queue: u32) -> Result<Self, OpenError> {
        let at = |source| OpenError::at_xdp(interface, "taking its queue", source);
        let chunk = Cut::new(0, false).chunk;
        let frames = Frames::new(64 * chunk, chunk).map_err(at)?;
        let socket = frames.socket.as_fd();
        let rings = (
            Ring::new(socket, RingKind::Fill, 64).map_err(at)?,
            Ring::new(socket, RingKind::Completion, 64).map_err(at)?,
            Ring::new(socket, RingKind::Receive, 64).map_err(at)?,
        );
        bind(interface, index, queue, socket, Binding::Own { zero_copy: false, several: false })?;
        Ok(Self { _frames: frames, _rings: rings })
    }
}

/// The program of one session in its slot, and the table of sockets it hands frames to.
struct Steering {
    attachment: Arc<Attachment>,
    own: MacAddr,
    queue: u32,
    sockets: Map,
    /// Whether the program that runs writes samples down, and if none could be had, why.
    samples: Result<bool, String>,
}

impl Steering {
    fn install(
        attachment: &Arc<Attachment>,
        own: MacAddr,
        queue: u32,
        frames: &Frames,
        sample: Option<Sample>,
    ) -> Result<Self, OpenError> {
        let (interface, index) = attachment.interface();
        let at = |step| move |source| OpenError::at_xdp(interface, step, source);
        let sockets = Map::of_sockets(queue + 1).map_err(at("making a table of sockets"))?;
        sockets.put(queue, frames.socket.as_fd()).map_err(at("putting the socket into its table"))?;
        let sockets_fd = sockets.descriptor();
        let program = Program::load(&programs::steer(own, sockets_fd, None))
            .map_err(at("loading the session's XDP program"))?;
        // A driver that gives no stamps to programs, or refuses this one, has the other.
        let stamping = sample.map(|sample| {
            let stamping = programs::steer(own, sockets_fd, Some(sample));
            match sample.clock {
                Clock::Nic(_) => Program::load_bound(&stamping, index),
                Clock::Host => Program::load(&stamping),
            }
        });
        let (stamping, refused) = match stamping.transpose() {
            Ok(stamping) => (stamping, None),
            Err(error) => (None, Some(format!("the program that stamps is refused: {error}"))),
        };
        let alone = attachment
            .install(own, &program, stamping)
            .map_err(at("installing the session's XDP program"))?;
        let samples = refused.map_or(Ok(alone), Err);
        Ok(Self { attachment: Arc::clone(attachment), own, queue, sockets, samples })
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
/// through `filter`. Samples are stamped where that was asked for and is to be had: in the driver, of frames in one piece, by
/// the program that is the only one on the interface. Where it is not, their stamps do not come, and nothing else changes.
///
/// # Errors
/// No permission, no memory, a queue that somebody else has, or what the kernel says.
pub fn open(
    attachment: &Arc<Attachment>,
    queue: u32,
    largest: usize,
    own: MacAddr,
    filter: &Filter,
    stamping: Option<Stamping>,
) -> Result<(XdpTransmit, XdpReceive), OpenError> {
    let (interface, index) = attachment.interface();
    let passed = PacketReceive::open(interface, index, largest, filter)?;
    // In the host's own receive path a program gets no driver's word.
    let can = attachment.mode() == Mode::Driver;
    let parts = Parts::open(attachment, queue, largest, stamping.is_some() && can)?;
    let prepared = stamping.map(|stamping| match &parts.unstamped {
        _ if !can => Err("the driver has no XDP".to_owned()),
        Some(why) => Err(why.clone()),
        None => stamping.prepare(),
    });
    let (prepared, mut unstamped) = match prepared.transpose() {
        Ok(prepared) => (prepared, None),
        Err(why) => (None, Some(why)),
    };
    let (sample, heard) = prepared.unzip();
    let steering = Steering::install(attachment, own, queue, &parts.frames, sample)?;
    let samples = steering.samples.clone().unwrap_or_else(|why| {
        unstamped = Some(why);
        false
    });
    let heard = heard.filter(|_| samples);
    let transmit = XdpTransmit {
        frames: Arc::clone(&parts.frames),
        cut: parts.cut,
        lead: parts.lead,
        octets: largest,
        outgoing: parts.outgoing,
        slots: Slots::new(SEND_CHUNKS, parts.cut),
        departing: stamping
            .filter(|stamping| heard.is_some() && stamping.tells_departures(parts.manner.zero_copy))
            .map(Departing::new),
        holding: None,
        unsent: 0,
    };
    let incoming = Incoming::new(steering, parts.frames, parts.cut, parts.manner, parts.receive, parts.fill);
    Ok((transmit, XdpReceive { incoming, passed, heard, unstamped }))
}

/// The sending half.
pub struct XdpTransmit {
    frames: Arc<Frames>,
    cut: Cut,
    /// Octets in front of each frame, in its slot.
    lead: usize,
    octets: usize,
    outgoing: Outgoing,
    /// Slots that are in the ring, or whose memory the kernel still reads.
    slots: Slots,
    /// Stamps of departures, where they are to be had.
    departing: Option<Departing>,
    /// Since when nothing is tried, because the interface threw a frame away.
    holding: Option<Instant>,
    /// Accepted, and never seen to leave.
    unsent: u64,
}

impl XdpTransmit {
    /// Asks the kernel to send what is left in the ring; whether nothing is left that waits for us.
    fn drain(&mut self) -> io::Result<bool> {
        if self.outgoing.waiting() == 0 {
            return Ok(true);
        }
        if self.holding.is_some_and(|since| since.elapsed() < HOLD) {
            return Ok(false);
        }
        let lost = self.outgoing.lost();
        let kicked = self.outgoing.kick()?;
        self.holding = (self.outgoing.lost() > lost).then(Instant::now);
        Ok(kicked == Kicked::Empty)
    }

    /// Of a frame.
    fn pieces(&self) -> u64 {
        self.cut.pieces(self.octets).count().max(1) as u64
    }

    /// Where the frame of a slot begins.
    fn start(&self, slot: usize) -> usize {
        slot * self.cut.slot() + self.lead
    }

    /// What is in front of the frame of a slot, where stamps are asked for and come.
    ///
    /// # Safety
    /// The slot is not under way, and no other reference to it lives.
    #[allow(clippy::mut_from_ref, reason = "slots are handed over by the rings, not by borrows")]
    unsafe fn in_front(frames: &Frames, start: usize) -> &mut [u8] {
        // SAFETY: the octets in front of a frame are its slot's; by the contract above.
        unsafe { frames.part(start - METADATA_OCTETS, METADATA_OCTETS) }
    }

    /// Takes back the slots that the kernel has done with.
    fn reap(&mut self) {
        let Self { frames, cut, lead, octets, outgoing, slots, departing, .. } = self;
        outgoing.completed(|address| {
            slots.done(address);
            let Some(departing) = departing else { return };
            let slot = address as usize / cut.slot();
            if departing.asked(slot) {
                let start = slot * cut.slot() + *lead;
                // SAFETY: the slot was given back, and is not written anew before this call is over.
                let (metadata, frame) =
                    unsafe { (Self::in_front(frames, start), frames.part(start, *octets)) };
                departing.done(slot, metadata, frame);
            }
        });
    }

    /// Slots that asked for a stamp and did not go ask for none any more.
    fn take_wishes_back(&mut self) {
        let Some(departing) = &mut self.departing else { return };
        while let Some(slot) = departing.stayed() {
            // SAFETY: the slot was not submitted.
            unsafe { Self::in_front(&self.frames, slot * self.cut.slot() + self.lead) }.fill(0);
        }
    }
}

impl Leaving for XdpTransmit {
    fn push(&mut self) -> io::Result<()> {
        self.drain()?;
        self.reap();
        Ok(())
    }

    /// The kernel copies a frame when it takes it out of the ring, and gives it to the driver; without a copy it has left
    /// when the NIC has done with it.
    fn left(&mut self) -> u64 {
        if self.outgoing.is_zero_copy() {
            return self.slots.out() as u64;
        }
        u64::from(self.outgoing.waiting()).div_ceil(self.pieces())
    }
}

impl Transmit for XdpTransmit {
    fn slots(&self) -> usize {
        self.slots.count()
    }

    fn set_octets(&mut self, octets: usize) -> io::Result<()> {
        if self.lead + octets > self.cut.slot() {
            return Err(io::Error::new(
                io::ErrorKind::InvalidInput,
                "the frame is longer than the port was opened for",
            ));
        }
        self.octets = octets;
        Ok(())
    }

    fn slot(&mut self, index: usize) -> &mut [u8] {
        // SAFETY: the first chunks are this half's own, as many as make a slot for each slot, and the borrow of `self` keeps
        // any other reference away. The kernel reads a slot, and writes in front of its frame, between `submit` and its
        // completion only, and `room` says which slots that does not concern.
        unsafe { self.frames.part(self.start(index), self.octets) }
    }

    fn room(&mut self, first: usize) -> usize {
        let found = self.slots.free_from(first, BATCH);
        if found >= BATCH {
            return found;
        }
        self.reap();
        self.slots.free_from(first, BATCH)
    }

    /// What is put into the ring is accepted: it leaves now, or before anything else does.
    fn submit(&mut self, first: usize, count: usize) -> io::Result<usize> {
        if !self.drain()? {
            self.take_wishes_back();
            return Ok(0);
        }
        for slot in first..first + count {
            let address = self.start(slot);
            if self.departing.as_mut().is_some_and(|departing| departing.goes(slot)) {
                self.outgoing.put_asking(address as u64, self.octets as u32);
                self.slots.hold(slot, 1);
                continue;
            }
            let mut pieces = 0;
            for (start, octets, more) in self.cut.pieces(self.octets) {
                self.outgoing.put((address + start) as u64, octets as u32, more);
                pieces += 1;
            }
            self.slots.hold(slot, pieces);
        }
        self.take_wishes_back();
        self.outgoing.publish();
        // The error of a port that is gone is met again by the next call; these frames are in the books.
        let _ = self.drain();
        Ok(count)
    }

    fn flush(&mut self) -> io::Result<()> {
        // A closed socket forgets what is left.
        let (left, result) = see_off(self, FLUSH_PATIENCE);
        self.unsent = left + self.outgoing.refused().div_ceil(self.pieces());
        result
    }

    fn ask_stamp(&mut self, index: usize) {
        let start = self.start(index);
        if let Some(departing) = &mut self.departing {
            // SAFETY: the slot is being written, so it is not under way.
            departing.ask(index, unsafe { Self::in_front(&self.frames, start) });
        }
    }

    fn departures(&mut self) -> Option<StampSource> {
        self.departing.as_mut()?.fetch().map(StampSource::Port)
    }

    /// Those the interface threw away: its own counter sees them too, and they are named already.
    fn turned_away(&self) -> u64 {
        self.lost()
    }

    fn lost(&self) -> u64 {
        self.outgoing.lost() + self.unsent
    }
}

/// What comes in by the socket.
struct Incoming {
    // The program goes before the socket it hands frames to.
    steering: Steering,
    frames: Arc<Frames>,
    chunk: usize,
    manner: Manner,
    ring: Ring<Descriptor>,
    fill: Ring<u64>,
    /// A frame in several pieces.
    gathering: Gathering,
    /// To bring the stamps of the packet socket to the scale of the program's.
    wall: Offset,
    /// Frames that came by the ring, and whole ones of the same address that came by the packet socket.
    came: u64,
    strayed: u64,
}

/// What was taken out of the receive ring.
enum Taken {
    /// No whole frame.
    Nothing,
    /// A frame in one piece.
    One(Descriptor),
    /// The last piece of the frame that was gathered.
    Gathered,
}

impl Incoming {
    fn new(
        steering: Steering,
        frames: Arc<Frames>,
        cut: Cut,
        manner: Manner,
        ring: Ring<Descriptor>,
        fill: Ring<u64>,
    ) -> Self {
        Self {
            steering,
            frames,
            chunk: cut.chunk,
            manner,
            ring,
            fill,
            gathering: Gathering::new(cut),
            wall: Offset::sample(),
            came: 0,
            strayed: 0,
        }
    }

    /// Descriptors that wait.
    fn ready(&mut self) -> u32 {
        if self.manner.busy_poll {
            // This call is what makes the driver look.
            sys_xdp::kick_receiving(self.frames.socket.as_fd());
        }
        self.ring.ready()
    }

    /// Takes the next whole frame out of the ring. `ready` descriptors may be taken, and are counted down.
    #[inline]
    fn take(&mut self, ready: &mut u32) -> Taken {
        while *ready > 0 {
            *ready -= 1;
            let descriptor = self.ring.take();
            let more = descriptor.options & libc::XDP_PKT_CONTD != 0;
            if !more && self.gathering.is_empty() {
                return Taken::One(descriptor);
            }
            let stamp = if self.gathering.is_empty() { STAMP_OCTETS } else { 0 };
            // SAFETY: the chunk was just taken from the receive ring, and is not given back before the borrow ends.
            let (piece, meta) = unsafe { Self::frame(&self.frames, &descriptor, stamp) };
            self.gathering.add(descriptor.addr, piece, meta);
            if !more {
                return Taken::Gathered;
            }
        }
        Taken::Nothing
    }

    /// The frame, or the piece of one, of a descriptor that was taken, and when the program saw it. In front of a frame, not
    /// of its further pieces, is a stamp of so many octets.
    ///
    /// # Safety
    /// The chunk has not been put into another ring, and no other reference to it lives.
    #[allow(clippy::mut_from_ref, reason = "chunks are handed over by the rings, not by borrows")]
    unsafe fn frame<'a>(frames: &'a Frames, descriptor: &Descriptor, stamp: usize) -> (&'a mut [u8], Meta) {
        let start = descriptor.addr as usize;
        // SAFETY: the program put the stamp right in front of the frame, in the same chunk, which is ours.
        let whole = unsafe { frames.part(start - stamp, stamp + descriptor.len as usize) };
        let (stamp, frame) = whole.split_at_mut(stamp);
        let arrived_ns = stamp.first_chunk().map_or(0, |stamp| u64::from_ne_bytes(*stamp));
        (frame, Meta { arrived_ns })
    }

    fn give_back(&mut self, address: u64) {
        self.fill.put(address - address % self.chunk as u64);
    }

    /// Gives back the chunks of the gathered frame.
    fn give_back_gathered(&mut self) {
        for (address, _) in self.gathering.parts() {
            self.fill.put(address - address % self.chunk as u64);
        }
        self.gathering.clear();
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
        let mut ready = self.ready();
        let any = ready > 0;
        let mut count = 0;
        while count < max {
            match self.take(&mut ready) {
                Taken::Nothing => break,
                Taken::One(descriptor) => {
                    // SAFETY: the chunk was just taken from the receive ring and is given back below.
                    let (frame, meta) = unsafe { Self::frame(&self.frames, &descriptor, STAMP_OCTETS) };
                    visit(frame, meta);
                    self.give_back(descriptor.addr);
                }
                Taken::Gathered => {
                    let (frame, meta) = self.gathering.frame();
                    visit(frame, meta);
                    self.give_back_gathered();
                }
            }
            count += 1;
        }
        self.came += count as u64;
        if any {
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
    /// What the program hears of samples, until it is fetched.
    heard: Option<Heard>,
    unstamped: Option<String>,
}

impl XdpReceive {
    /// How the port's sockets really work.
    #[must_use]
    pub fn manner(&self) -> Manner {
        self.incoming.manner
    }

    /// Why samples are not stamped that were to be.
    #[must_use]
    pub fn unstamped(&self) -> Option<&str> {
        self.unstamped.as_deref()
    }
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

    fn arrivals(&mut self) -> Option<StampSource> {
        self.heard.take().map(StampSource::Program)
    }
}

/// A port that sends back what it received, out of the memory it was received into.
pub struct XdpTurn {
    incoming: Incoming,
    outgoing: Outgoing,
    passed: PacketTurn,
    /// Pieces that were put into the ring and are not known to be done with.
    under_way: u64,
    /// Pieces of the latest frame; a trial's frames are all of one length.
    pieces: u64,
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
        queue: u32,
        largest: usize,
        own: MacAddr,
        filter: &Filter,
    ) -> Result<Self, OpenError> {
        let (interface, index) = attachment.interface();
        let passed = PacketTurn::open(interface, index, largest, filter)?;
        let parts = Parts::open(attachment, queue, largest, false)?;
        let steering = Steering::install(attachment, own, queue, &parts.frames, None)?;
        let Parts { frames, cut, manner, outgoing, receive, fill, .. } = parts;
        Ok(Self {
            incoming: Incoming::new(steering, frames, cut, manner, receive, fill),
            outgoing,
            passed,
            under_way: 0,
            pieces: 1,
            given_up: 0,
        })
    }

    /// How the port's sockets really work.
    #[must_use]
    pub fn manner(&self) -> Manner {
        self.incoming.manner
    }

    /// Has the ring sent; how many frames were thrown away, or are given up although they are still in it. Should these
    /// leave after all, the books of the two ends do not agree, and the trial shows nothing.
    fn send(&mut self, outgoing: u64) -> u64 {
        if outgoing == 0 && self.outgoing.waiting() == 0 {
            return 0;
        }
        let (before, since) = (self.outgoing.lost(), Instant::now());
        let left = loop {
            match self.outgoing.kick() {
                Ok(Kicked::Empty) => break 0,
                Ok(Kicked::Full) if since.elapsed() < TURN_PATIENCE => {}
                // The next look at the port meets the error of one that is gone.
                Ok(Kicked::Full) | Err(_) => {
                    break u64::from(self.outgoing.waiting()).div_ceil(self.pieces);
                }
            }
        };
        let newly = left.saturating_sub(self.given_up);
        self.given_up = left;
        (self.outgoing.lost() - before) + newly
    }

    /// Frames that have left make room to receive into.
    fn reap(&mut self) {
        let (incoming, under_way) = (&mut self.incoming, &mut self.under_way);
        let any = self.outgoing.completed(|address| {
            incoming.give_back(address);
            *under_way = under_way.saturating_sub(1);
        });
        if any {
            self.incoming.fill.publish();
        }
    }

    /// Puts the gathered frame, as it is now, back into its chunks and these into the ring.
    fn send_gathered(&mut self) {
        self.pieces = self.incoming.gathering.parts().count() as u64;
        let mut parts = self.incoming.gathering.parts().peekable();
        while let Some((address, piece)) = parts.next() {
            // SAFETY: the chunks were taken from the receive ring, go into the ring to send below, and nobody else refers
            // to them; each piece is as long as what was received there.
            unsafe { self.incoming.frames.part(address as usize, piece.len()) }.copy_from_slice(piece);
            self.outgoing.put(address, piece.len() as u32, parts.peek().is_some());
            self.under_way += 1;
        }
        drop(parts);
        self.incoming.gathering.clear();
    }
}

impl Leaving for XdpTurn {
    fn push(&mut self) -> io::Result<()> {
        self.outgoing.kick()?;
        self.reap();
        Ok(())
    }

    fn left(&mut self) -> u64 {
        self.under_way.div_ceil(self.pieces)
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
        let mut ready = self.incoming.ready();
        let any = ready > 0;
        let (mut count, mut outgoing) = (0, 0);
        while count < max.min(BATCH) {
            match self.incoming.take(&mut ready) {
                Taken::Nothing => break,
                Taken::One(descriptor) => {
                    // SAFETY: the chunk was just taken from the receive ring and goes into one other ring below.
                    let (frame, meta) =
                        unsafe { Incoming::frame(&self.incoming.frames, &descriptor, STAMP_OCTETS) };
                    if decide(frame, meta) {
                        self.outgoing.put(descriptor.addr, descriptor.len, false);
                        self.under_way += 1;
                        outgoing += 1;
                    } else {
                        self.incoming.give_back(descriptor.addr);
                    }
                }
                Taken::Gathered => {
                    let (frame, meta) = self.incoming.gathering.frame();
                    if decide(frame, meta) {
                        self.send_gathered();
                        outgoing += 1;
                    } else {
                        self.incoming.give_back_gathered();
                    }
                }
            }
            count += 1;
        }
        self.incoming.came += count as u64;
        if any {
            self.incoming.ring.release();
            self.incoming.fill.publish();
        }
        self.incoming.wake();
        self.outgoing.publish();
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
        self.outgoing.lost() + self.passed.turned_away()
    }

    /// With a copy a frame is known to have left, or to be refused, when it is turned.
    fn unsent(&mut self) -> u64 {
        let left = if self.outgoing.is_zero_copy() { see_off(self, FLUSH_PATIENCE).0 } else { 0 };
        left + self.outgoing.refused().div_ceil(self.pieces)
    }
}
