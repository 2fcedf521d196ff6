//! AF_XDP sockets (Documentation/networking/af_xdp.rst): the memory that kernel and process share, and the rings in
//! which addresses of frames in it are handed over and back.

use std::io;
use std::marker::PhantomData;
use std::mem::size_of;
use std::os::fd::{AsFd, AsRawFd, BorrowedFd, FromRawFd, OwnedFd};
use std::ptr::NonNull;
use std::sync::atomic::{AtomicU32, Ordering};

use super::sys::{self, Mapping};

/// `XDP_MAX_TX_SKB_BUDGET` of linux/if_xdp.h: frames that one call sends in copy mode; 32 without it.
const SEND_BUDGET_OPTION: libc::c_int = 9;
const SEND_BUDGET: u32 = 512;
/// How long one call may look for frames, microseconds, and how many it takes at once (the kernel's own weight).
const BUSY_POLL_US: libc::c_int = 20;
const BUSY_POLL_FRAMES: libc::c_int = 64;

/// An AF_XDP socket that is bound to nothing yet, close-on-exec.
pub(super) fn socket() -> io::Result<OwnedFd> {
    // SAFETY: socket(2) takes no pointers; a descriptor it returns is ours alone.
    unsafe {
        let fd = libc::socket(libc::AF_XDP, libc::SOCK_RAW | libc::SOCK_CLOEXEC, 0);
        if fd < 0 { Err(io::Error::last_os_error()) } else { Ok(OwnedFd::from_raw_fd(fd)) }
    }
}

/// `XDP_UMEM_TX_METADATA_LEN` of linux/if_xdp.h (since 6.11): the octets in front of a frame to send that are no part of it
/// are taken note of.
const WITH_METADATA: u32 = 1 << 2;
/// `struct xsk_tx_metadata`: what is asked for, and 16 octets for the answer or further wishes
/// (Documentation/networking/xsk-tx-metadata.rst).
pub(super) const METADATA_OCTETS: usize = 24;
/// `XDP_TXMD_FLAGS_TIMESTAMP`: a stamp of the departure is asked for; it takes the place of the first wish.
pub(super) const METADATA_ASKS_STAMP: u64 = 1;
pub(super) const METADATA_STAMP_AT: usize = 8;
/// `XDP_TX_METADATA`, an option of a descriptor: there is something in front of this frame.
pub(super) const HAS_METADATA: u32 = 1 << 1;

/// Memory for frames, registered with a socket; `metadata` says that every frame to send has [`METADATA_OCTETS`] in front of
/// it. The kernel pins it; it outlives the socket by being kept beside it.
pub(super) fn register(
    fd: BorrowedFd<'_>,
    memory: &Mapping,
    octets: usize,
    chunk: usize,
    metadata: bool,
) -> io::Result<()> {
    #[repr(C)]
    #[derive(Clone, Copy)]
    struct Registration {
        start: u64,
        octets: u64,
        chunk: u32,
        headroom: u32,
        flags: u32,
        metadata: u32,
    }
    let registration = Registration {
        start: memory.at(0).as_ptr() as u64,
        octets: octets as u64,
        chunk: chunk as u32,
        headroom: 0,
        flags: if metadata { WITH_METADATA } else { 0 },
        metadata: if metadata { METADATA_OCTETS as u32 } else { 0 },
    };
    sys::set_option(fd, libc::SOL_XDP, libc::XDP_UMEM_REG, registration)
}

/// What a socket is bound for.
#[derive(Clone, Copy)]
pub(super) enum Binding<'a> {
    /// It brings the memory. Frames are copied, or the driver reads and writes them there or not at all; `several` lets a
    /// frame be in several pieces (since 6.6).
    Own { zero_copy: bool, several: bool },
    /// It uses memory, rings and manner of another socket.
    Shared(BorrowedFd<'a>),
}

/// Binds to one queue of an interface.
pub(super) fn bind(fd: BorrowedFd<'_>, interface: u32, queue: u32, binding: Binding<'_>) -> io::Result<()> {
    let (flags, shares) = match binding {
        Binding::Own { zero_copy, several } => {
            let manner = if zero_copy { libc::XDP_ZEROCOPY } else { libc::XDP_COPY };
            let pieces = if several { libc::XDP_USE_SG } else { 0 };
            (libc::XDP_USE_NEED_WAKEUP | manner | pieces, None)
        }
        Binding::Shared(other) => (libc::XDP_SHARED_UMEM, Some(other)),
    };
    let address = libc::sockaddr_xdp {
        sxdp_family: libc::AF_XDP as u16,
        sxdp_flags: flags,
        sxdp_ifindex: interface,
        sxdp_queue_id: queue,
        sxdp_shared_umem_fd: shares.map_or(0, |fd| fd.as_raw_fd() as u32),
    };
    // SAFETY: the pointer and length describe one live sockaddr_xdp, which the kernel only reads.
    let result = unsafe {
        libc::bind(
            fd.as_raw_fd(),
            (&raw const address).cast(),
            size_of::<libc::sockaddr_xdp>() as libc::socklen_t,
        )
    };
    if result < 0 { Err(io::Error::last_os_error()) } else { Ok(()) }
}

/// Whether a bound socket really does without a copy.
pub(super) fn is_zero_copy(fd: BorrowedFd<'_>) -> io::Result<bool> {
    let options: u32 = sys::get_option(fd, libc::SOL_XDP, libc::XDP_OPTIONS)?;
    Ok(options & libc::XDP_OPTIONS_ZEROCOPY != 0)
}

/// Has the driver called for frames by whoever asks the socket for some, in place of interrupts (since 5.11).
pub(super) fn poll_busily(fd: BorrowedFd<'_>) -> io::Result<()> {
    sys::set_option(fd, libc::SOL_SOCKET, libc::SO_PREFER_BUSY_POLL, 1i32)?;
    sys::set_option(fd, libc::SOL_SOCKET, libc::SO_BUSY_POLL, BUSY_POLL_US)?;
    sys::set_option(fd, libc::SOL_SOCKET, libc::SO_BUSY_POLL_BUDGET, BUSY_POLL_FRAMES)
}

/// Lets one call send many frames where the kernel knows how (6.18); elsewhere it sends 32.
pub(super) fn raise_send_budget(fd: BorrowedFd<'_>) {
    let _ = sys::set_option(fd, libc::SOL_XDP, SEND_BUDGET_OPTION, SEND_BUDGET);
}

/// Frames that the socket dropped for lack of room, and for whatever other reason of its own.
pub(super) fn dropped(fd: BorrowedFd<'_>) -> io::Result<u64> {
    let statistics: libc::xdp_statistics = sys::get_option(fd, libc::SOL_XDP, libc::XDP_STATISTICS)?;
    Ok(statistics.rx_dropped + statistics.rx_ring_full)
}

/// Descriptors to send that the kernel did not accept: those frames never left.
pub(super) fn invalid_sends(fd: BorrowedFd<'_>) -> io::Result<u64> {
    let statistics: libc::xdp_statistics = sys::get_option(fd, libc::SOL_XDP, libc::XDP_STATISTICS)?;
    Ok(statistics.tx_invalid_descs)
}

/// Tells the kernel to send what is in the ring.
pub(super) fn kick_sending(fd: BorrowedFd<'_>) -> io::Result<()> {
    // SAFETY: no data and no address: null pointers with length 0, sendto(2).
    let result =
        unsafe { libc::sendto(fd.as_raw_fd(), std::ptr::null(), 0, libc::MSG_DONTWAIT, std::ptr::null(), 0) };
    if result < 0 { Err(io::Error::last_os_error()) } else { Ok(()) }
}

/// Tells the driver that there is room again.
pub(super) fn kick_receiving(fd: BorrowedFd<'_>) {
    // SAFETY: no buffer and no address: null pointers with length 0, recvfrom(2). What it returns says nothing.
    unsafe {
        libc::recvfrom(
            fd.as_raw_fd(),
            std::ptr::null_mut(),
            0,
            libc::MSG_DONTWAIT,
            std::ptr::null_mut(),
            std::ptr::null_mut(),
        );
    }
}

/// Which of the four rings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum RingKind {
    Receive,
    Transmit,
    Fill,
    Completion,
}

/// A ring shared with the kernel: one side puts entries in, the other takes them out. Counters run freely over 2^32.
pub(super) struct Ring<T> {
    // Keeps what the pointers below lead into.
    _mapping: Mapping,
    producer: NonNull<AtomicU32>,
    consumer: NonNull<AtomicU32>,
    flags: NonNull<AtomicU32>,
    entries: NonNull<T>,
    size: u32,
    /// This side's counter, published or not.
    mine: u32,
    /// The other side's, as last read.
    theirs: u32,
    kind: PhantomData<T>,
}

// SAFETY: the pointers lead into the mapping that this value owns; nothing about it belongs to one thread.
unsafe impl<T: Send> Send for Ring<T> {}

impl<T: Copy> Ring<T> {
    /// Makes one of a socket's rings, of `size` entries (a power of two), and maps it. `T` must be what the kernel
    /// keeps in that ring: `xdp_desc` in those of frames, `u64` in those of addresses.
    pub(super) fn new(fd: BorrowedFd<'_>, kind: RingKind, size: u32) -> io::Result<Self> {
        let option = match kind {
            RingKind::Receive => libc::XDP_RX_RING,
            RingKind::Transmit => libc::XDP_TX_RING,
            RingKind::Fill => libc::XDP_UMEM_FILL_RING,
            RingKind::Completion => libc::XDP_UMEM_COMPLETION_RING,
        };
        sys::set_option(fd, libc::SOL_XDP, option, size)?;
        let offsets: libc::xdp_mmap_offsets = sys::get_option(fd, libc::SOL_XDP, libc::XDP_MMAP_OFFSETS)?;
        let (offsets, page) = match kind {
            RingKind::Receive => (offsets.rx, libc::XDP_PGOFF_RX_RING),
            RingKind::Transmit => (offsets.tx, libc::XDP_PGOFF_TX_RING),
            RingKind::Fill => (offsets.fr, libc::XDP_UMEM_PGOFF_FILL_RING as i64),
            RingKind::Completion => (offsets.cr, libc::XDP_UMEM_PGOFF_COMPLETION_RING as i64),
        };
        let octets = offsets.desc as usize + size as usize * size_of::<T>();
        let mapping = Mapping::part_of(fd, octets, page)?;
        let word = |offset: u64| mapping.at(offset as usize).cast::<AtomicU32>();
        Ok(Self {
            producer: word(offsets.producer),
            consumer: word(offsets.consumer),
            flags: word(offsets.flags),
            entries: mapping.at(offsets.desc as usize).cast(),
            _mapping: mapping,
            size,
            mine: 0,
            theirs: 0,
            kind: PhantomData,
        })
    }

    fn word(word: NonNull<AtomicU32>) -> &'static AtomicU32 {
        // SAFETY: an aligned word of the mapping, which lives as long as the ring; no reference made here leaves the
        // call it was made in. The kernel's side is as atomic as ours (af_xdp.rst).
        unsafe { word.as_ref() }
    }

    fn entry(&self, index: u32) -> NonNull<T> {
        // SAFETY: the ring has `size` entries, a power of two, so the masked index is inside it.
        unsafe { self.entries.add((index & (self.size - 1)) as usize) }
    }

    /// As the producer: puts an entry in the next place. There is room as long as every entry stands for a piece of memory
    /// and the ring has as many places as there are pieces.
    pub(super) fn put(&mut self, entry: T) {
        // SAFETY: inside the ring; the kernel does not read the place before it is published.
        unsafe { self.entry(self.mine).write(entry) };
        self.mine = self.mine.wrapping_add(1);
    }

    /// As the producer: lets the kernel see what was put.
    pub(super) fn publish(&self) {
        Self::word(self.producer).store(self.mine, Ordering::Release);
    }

    /// As the producer: what was published and is not yet taken.
    pub(super) fn outstanding(&mut self) -> u32 {
        self.theirs = Self::word(self.consumer).load(Ordering::Acquire);
        self.mine.wrapping_sub(self.theirs)
    }

    /// As the consumer: entries that wait.
    pub(super) fn ready(&mut self) -> u32 {
        let ready = self.theirs.wrapping_sub(self.mine);
        if ready > 0 {
            return ready;
        }
        self.theirs = Self::word(self.producer).load(Ordering::Acquire);
        self.theirs.wrapping_sub(self.mine)
    }

    /// As the consumer: takes the next entry; one must be ready.
    pub(super) fn take(&mut self) -> T {
        // SAFETY: inside the ring; the kernel has published it (acquire in `ready`) and leaves it alone until it is
        // released. `T` is what the kernel keeps in this ring.
        let entry = unsafe { self.entry(self.mine).read() };
        self.mine = self.mine.wrapping_add(1);
        entry
    }

    /// As the consumer: lets the kernel have the places of what was taken.
    pub(super) fn release(&self) {
        Self::word(self.consumer).store(self.mine, Ordering::Release);
    }

    /// Whether the kernel sleeps until it is called.
    pub(super) fn needs_wakeup(&self) -> bool {
        Self::word(self.flags).load(Ordering::Relaxed) & libc::XDP_RING_NEED_WAKEUP != 0
    }
}

/// The memory for frames, and the socket it is registered with. Sockets that share it hold on to it.
pub(super) struct Frames {
    // The socket goes before the memory it pins.
    pub(super) socket: OwnedFd,
    memory: Mapping,
    octets: usize,
}

impl Frames {
    /// Registers `octets` of fresh memory in chunks of `chunk` octets with a fresh socket.
    pub(super) fn new(octets: usize, chunk: usize) -> io::Result<Self> {
        Self::registered(octets, chunk, false)
    }

    /// The same, and every frame to send has [`METADATA_OCTETS`] in front of it.
    pub(super) fn with_metadata(octets: usize, chunk: usize) -> io::Result<Self> {
        Self::registered(octets, chunk, true)
    }

    fn registered(octets: usize, chunk: usize, metadata: bool) -> io::Result<Self> {
        let socket = socket()?;
        let memory = Mapping::private(octets)?;
        register(socket.as_fd(), &memory, octets, chunk, metadata)?;
        Ok(Self { socket, memory, octets })
    }

    /// A part of the memory.
    ///
    /// # Safety
    /// Neither the kernel nor any other reference uses that part while the slice lives: it belongs to a chunk that was
    /// taken from a ring and not yet put into another.
    ///
    /// # Panics
    /// If it is not inside.
    #[allow(clippy::mut_from_ref, reason = "chunks are handed over by the rings, not by borrows")]
    pub(super) unsafe fn part(&self, start: usize, length: usize) -> &mut [u8] {
        assert!(start <= self.octets && length <= self.octets - start, "a frame outside its memory");
        // SAFETY: inside the mapping by the line above; not aliased by the contract.
        unsafe { std::slice::from_raw_parts_mut(self.memory.at(0).add(start).as_ptr(), length) }
    }
}
