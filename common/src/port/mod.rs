//! Ports: one opened interface each. Send a batch, receive a batch, and say what the port itself lost.
//!
//! Everything above this room is safe code over three small traits; everything below it is a kernel
//! interface. This is the only room of the workspace that holds `unsafe`, and each use says which rule
//! of the kernel or of the language it relies on.
//!
//! | file | interface |
//! | --- | --- |
//! | [`transmit`] | frame slots and `sendmmsg`, over any socket |
//! | [`packet`] | packet sockets: a mapped TPACKET_V2 ring in |
//! | [`datagram`] | UDP sockets, for routed paths and for users without privileges |
//! | [`memory`] | two queues and an invented clock, for tests |
//! | [`control`] | the small socket that carries the session's control frames |
//! | [`filter`] | classic BPF programs, as data |
//! | [`xdp`] | AF_XDP sockets and programs in the driver, the reflector inside the kernel among them |
//! | [`stamps`] | time stamps that the kernel and the NIC take of sampled frames, leaving and arriving |
//! | [`clock`] | the two clocks of this host and the distance between them |
//!
//! A new way onto the wire is one more file that implements [`Transmit`], [`Receive`] and [`Turn`].

mod bpf;
pub mod clock;
pub mod control;
pub mod datagram;
pub mod filter;
pub mod memory;
pub mod packet;
pub mod stamps;
mod sys;
mod sys_bpf;
pub(crate) mod sys_ethtool;
pub(crate) mod sys_signal;
mod sys_xdp;
pub mod transmit;
pub mod xdp;

use std::io;
use std::time::Duration;

/// What is known of a frame beside its octets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Meta {
    /// When the kernel (or the NIC) received it, by the clock that [`Receive::stamps`] names, nanoseconds; 0 when unknown.
    pub arrived_ns: u64,
}

/// The sending half. The port owns a ring of frame slots whose contents persist between submissions,
/// so that a frame is built once and only patched afterwards: the caller uses slot `n % slots()` for
/// the n-th frame.
pub trait Transmit {
    /// Number of slots; a power of two and a multiple of [`crate::frame::VARIANTS`].
    fn slots(&self) -> usize;

    /// Sets the length of every frame submitted from now on, in octets without the FCS.
    ///
    /// # Errors
    /// When the port cannot hold a frame of that length.
    fn set_octets(&mut self, octets: usize) -> io::Result<()>;

    /// Sets the length of the frame in one slot, which is no more than [`Self::set_octets`] said; it holds until it is set
    /// anew.
    ///
    /// # Errors
    /// A port all of whose frames have one length.
    fn set_slot_octets(&mut self, index: usize, octets: usize) -> io::Result<()> {
        let _ = (index, octets);
        Err(io::Error::new(io::ErrorKind::Unsupported, "this port sends frames of one size only"))
    }

    /// The memory of one slot, as long as [`Self::set_octets`] said.
    fn slot(&mut self, index: usize) -> &mut [u8];

    /// How many slots from `first` on, without wrapping, may be written now: the interface has done with what they held.
    /// 0 when none may.
    fn room(&mut self, first: usize) -> usize {
        self.slots() - first
    }

    /// Hands `count` frames over, starting with slot `first` (no wrap: `first + count <= slots()`).
    /// Returns how many the kernel accepted, from the front; fewer, or none, when it has no room now.
    /// What it did not accept has not been sent and may be submitted again.
    ///
    /// # Errors
    /// When the port is gone for good (interface removed or administratively down).
    fn submit(&mut self, first: usize, count: usize) -> io::Result<usize>;

    /// After the last [`Self::submit`]: sees off what was accepted and may wait inside the port. What cannot leave is
    /// [`Self::lost`].
    ///
    /// # Errors
    /// As [`Self::submit`].
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }

    /// Asks for a time stamp of the departure of the frame in one slot, when it is submitted next. A port that cannot tell
    /// (see [`Self::departures`]) does nothing.
    fn ask_stamp(&mut self, index: usize) {
        let _ = index;
    }

    /// Where the stamps come that were asked for; `None` where none will. It is read by whoever has the time: a stamp that
    /// nobody fetches is lost, the frame is not.
    fn departures(&mut self) -> Option<stamps::StampSource> {
        None
    }

    /// Submissions the kernel turned away so far (each was reported as not accepted, none is a loss;
    /// but the interface's own transmit drop counter sees them too).
    fn turned_away(&self) -> u64;

    /// Frames that were accepted and then thrown away by this host before they reached the wire.
    fn lost(&self) -> u64 {
        0
    }
}

/// Which clock a port's stamps are of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stamps {
    /// CLOCK_REALTIME: the kernel stamped an ordinary socket's frame.
    Realtime,
    /// CLOCK_MONOTONIC: an XDP program did.
    Monotonic,
}

impl Stamps {
    /// That clock, now, nanoseconds.
    #[must_use]
    pub fn now(self) -> u64 {
        match self {
            Stamps::Realtime => clock::realtime_ns(),
            Stamps::Monotonic => clock::monotonic_ns(),
        }
    }

    /// How far that clock is from the monotonic one, sampled now.
    #[must_use]
    pub fn offset(self) -> clock::Offset {
        match self {
            Stamps::Realtime => clock::Offset::sample(),
            Stamps::Monotonic => clock::Offset { nanoseconds: 0, at: clock::monotonic_ns() },
        }
    }
}

/// The receiving half.
pub trait Receive {
    /// Shows up to `max` waiting frames to `visit`, each whole, VLAN tags in place, without the FCS.
    /// Returns how many there were; 0 when none waits. Never blocks.
    ///
    /// # Errors
    /// When the port is gone for good.
    fn receive(&mut self, max: usize, visit: &mut impl FnMut(&mut [u8], Meta)) -> io::Result<usize>;

    /// Waits until a frame may be there or the time is over.
    ///
    /// # Errors
    /// When the port is gone for good.
    fn wait(&mut self, timeout: Duration) -> io::Result<()>;

    /// Frames meant for this port that it lost itself, since it was opened. The port is filtered, so
    /// that only test frames of its session can be among them.
    ///
    /// # Errors
    /// When the kernel does not tell.
    fn dropped(&mut self) -> io::Result<u64>;

    /// Test frames that came in by another way than most of them did (a socket in place of a ring), and may have changed
    /// places with others on this host.
    fn strayed(&self) -> u64 {
        0
    }

    /// Which clock [`Meta::arrived_ns`] is of.
    fn stamps(&self) -> Stamps {
        Stamps::Realtime
    }

    /// Where further stamps of samples come that arrive, each with [`Meta::arrived_ns`] of the same arrival as the kernel's;
    /// `None` where none will. Read as [`Transmit::departures`].
    fn arrivals(&mut self) -> Option<stamps::StampSource> {
        None
    }
}

/// What one [`Turn::turn`] did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Turned {
    pub received: usize,
    /// Sent back and accepted by the port.
    pub returned: usize,
    /// To be sent back, but refused by the port until patience ran out: lost inside the pair.
    pub refused: usize,
}

/// Receive, alter in place, send back: the reflector's port.
pub trait Turn: Receive {
    /// Shows up to `max` waiting frames to `decide`, which alters each in place and says whether it
    /// goes back.
    ///
    /// # Errors
    /// When the port is gone for good.
    fn turn(&mut self, max: usize, decide: &mut impl FnMut(&mut [u8], Meta) -> bool) -> io::Result<Turned>;

    /// As [`Transmit::turned_away`], of the sending back.
    fn turned_away(&self) -> u64;

    /// At the end: sees off what was accepted, and tells how many frames of those never left.
    fn unsent(&mut self) -> u64 {
        0
    }
}

/// Whether an error of a send only means "not now": no room, or (UDP) a peer's host that says nobody
/// listens there, which may change.
fn is_full(error: &io::Error) -> bool {
    matches!(
        error.raw_os_error(),
        Some(
            libc::EAGAIN
                | libc::ENOBUFS
                | libc::EINTR
                | libc::ENOMEM
                | libc::ECONNREFUSED
                | libc::EHOSTUNREACH
                | libc::ENETUNREACH
        )
    )
}

/// Why a port could not be opened, and what to do about it.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    #[error(
        "no permission to open {what}: CAP_NET_RAW is missing; run it with sudo, or grant it once with: \
         sudo setcap cap_net_raw,cap_sys_nice+ep $(command -v {program})"
    )]
    Permission { what: String, program: &'static str },
    #[error(
        "no permission for XDP on {what}: CAP_NET_RAW, CAP_NET_ADMIN and CAP_BPF are needed (in the host's own user \
         namespace); run it with sudo, or choose --via packet"
    )]
    XdpPermission { what: String },
    #[error("{what}: {step} failed: {source}")]
    System { what: String, step: &'static str, source: io::Error },
}

impl OpenError {
    pub(crate) fn at(what: &str, step: &'static str, source: io::Error) -> Self {
        match source.raw_os_error() {
            Some(libc::EPERM | libc::EACCES) => OpenError::no_permission(what),
            _ => OpenError::System { what: what.to_owned(), step, source },
        }
    }

    fn at_xdp(what: &str, step: &'static str, source: io::Error) -> Self {
        match source.raw_os_error() {
            Some(libc::EPERM) => OpenError::XdpPermission { what: what.to_owned() },
            _ => OpenError::System { what: what.to_owned(), step, source },
        }
    }

    /// The capability to open `what` is missing.
    #[must_use]
    pub fn no_permission(what: &str) -> Self {
        OpenError::Permission { what: what.to_owned(), program: program() }
    }

    /// True when a capability is missing.
    #[must_use]
    pub fn is_permission(&self) -> bool {
        matches!(self, OpenError::Permission { .. } | OpenError::XdpPermission { .. })
    }
}

/// The name of the running program, for advice.
fn program() -> &'static str {
    static NAME: std::sync::OnceLock<String> = std::sync::OnceLock::new();
    NAME.get_or_init(|| {
        std::env::args_os()
            .next()
            .and_then(|path| Some(std::path::Path::new(&path).file_name()?.to_string_lossy().into_owned()))
            .unwrap_or_else(|| "kitproof".to_owned())
    })
}
