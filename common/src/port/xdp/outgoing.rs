//! The socket that sends, its ring, and what the kernel says it has done with.

use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::time::{Duration, Instant};

use crate::port::sys_xdp::{self, HAS_METADATA, Ring};

/// How often the kernel is asked to go on sending before the port is said to be full.
const KICKS: usize = 16;

pub(super) type Descriptor = libc::xdp_desc;

/// The sending side of a port.
pub(super) struct Outgoing {
    sender: OwnedFd,
    ring: Ring<Descriptor>,
    completion: Ring<u64>,
    /// The NIC takes frames out of the ring by itself: what is in the ring will leave, and has left when it is completed.
    zero_copy: bool,
    /// Frames that the interface threw away.
    lost: u64,
}

/// What asking the kernel to send came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kicked {
    /// All that was in the ring is gone, or will go without our doing.
    Empty,
    /// There is no room now.
    Full,
}

impl Outgoing {
    pub(super) fn new(
        sender: OwnedFd,
        ring: Ring<Descriptor>,
        completion: Ring<u64>,
        zero_copy: bool,
    ) -> Self {
        Self { sender, ring, completion, zero_copy, lost: 0 }
    }

    pub(super) fn is_zero_copy(&self) -> bool {
        self.zero_copy
    }

    pub(super) fn lost(&self) -> u64 {
        self.lost
    }

    /// Pieces that the kernel would not have: their frames never left. None, as long as they are made here.
    pub(super) fn refused(&self) -> u64 {
        sys_xdp::invalid_sends(self.sender.as_fd()).unwrap_or(0)
    }

    /// Puts a piece of a frame into the ring; `more` of the same frame follow.
    #[inline]
    pub(super) fn put(&mut self, address: u64, octets: u32, more: bool) {
        self.put_with(address, octets, if more { libc::XDP_PKT_CONTD } else { 0 });
    }

    /// Puts a whole frame into the ring, with metadata in front of it.
    #[inline]
    pub(super) fn put_asking(&mut self, address: u64, octets: u32) {
        self.put_with(address, octets, HAS_METADATA);
    }

    #[inline]
    fn put_with(&mut self, address: u64, octets: u32, options: u32) {
        self.ring.put(Descriptor { addr: address, len: octets, options });
    }

    pub(super) fn publish(&self) {
        self.ring.publish();
    }

    /// Pieces that the kernel has not taken out of the ring.
    pub(super) fn waiting(&mut self) -> u32 {
        self.ring.outstanding()
    }

    /// Tells the addresses of the pieces that the kernel has done with; whether there were any.
    pub(super) fn completed(&mut self, mut done: impl FnMut(u64)) -> bool {
        let ready = self.completion.ready();
        for _ in 0..ready {
            done(self.completion.take());
        }
        if ready > 0 {
            self.completion.release();
        }
        ready > 0
    }

    /// Asks the kernel to send what is in the ring. Frames that the interface threw away are counted as lost: then nothing
    /// more is tried now.
    pub(super) fn kick(&mut self) -> io::Result<Kicked> {
        if self.zero_copy {
            return self.wake();
        }
        for _ in 0..KICKS {
            match sys_xdp::kick_sending(self.sender.as_fd()) {
                Ok(()) => return Ok(Kicked::Empty),
                Err(error) => match error.raw_os_error() {
                    // The device dropped the frame it was given last: no carrier, or a full queue behind it.
                    Some(libc::EBUSY) => {
                        self.lost += 1;
                        let empty = self.ring.outstanding() == 0;
                        return Ok(if empty { Kicked::Empty } else { Kicked::Full });
                    }
                    Some(libc::EAGAIN | libc::ENOBUFS | libc::EINTR | libc::ENOMEM) => {}
                    _ => return Err(error),
                },
            }
        }
        Ok(Kicked::Full)
    }

    /// Without a copy the driver is only told to look, if it does not look by itself; nothing is dropped by that.
    fn wake(&mut self) -> io::Result<Kicked> {
        if self.ring.needs_wakeup()
            && let Err(error) = sys_xdp::kick_sending(self.sender.as_fd())
            && !matches!(
                error.raw_os_error(),
                Some(libc::EBUSY | libc::EAGAIN | libc::ENOBUFS | libc::EINTR | libc::ENOMEM)
            )
        {
            return Err(error);
        }
        Ok(Kicked::Empty)
    }
}

/// What is to leave a port, asked again and again.
pub(super) trait Leaving {
    /// Does what can be done for it.
    ///
    /// # Errors
    /// When the port is gone for good.
    fn push(&mut self) -> io::Result<()>;

    /// Frames that have not left.
    fn left(&mut self) -> u64;
}

/// Sees off what a port has accepted: until nothing is left, patience is over or the port is gone. How many frames never
/// left, and the error of a port that is gone.
pub(super) fn see_off(port: &mut impl Leaving, patience: Duration) -> (u64, io::Result<()>) {
    let since = Instant::now();
    loop {
        if let Err(error) = port.push() {
            return (port.left(), Err(error));
        }
        let left = port.left();
        if left == 0 || since.elapsed() >= patience {
            return (left, Ok(()));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::pieces::{Cut, Slots};
    use super::*;

    /// A NIC that does with pieces as it likes: at each push it completes what the next entry says.
    struct Invented {
        slots: Slots,
        completes: Vec<io::Result<Vec<u64>>>,
    }

    impl Leaving for Invented {
        fn push(&mut self) -> io::Result<()> {
            let done = if self.completes.is_empty() { Ok(Vec::new()) } else { self.completes.remove(0) };
            done?.into_iter().for_each(|address| self.slots.done(address));
            Ok(())
        }

        fn left(&mut self) -> u64 {
            self.slots.out() as u64
        }
    }

    const LONG: Duration = Duration::from_secs(60);

    fn port(completes: Vec<io::Result<Vec<u64>>>) -> Invented {
        let mut slots = Slots::new(16, Cut::new(9_014, false));
        slots.hold(0, 3);
        slots.hold(1, 3);
        Invented { slots, completes }
    }

    fn address(slot: u64, piece: u64) -> u64 {
        (3 * slot + piece) * 4_096
    }

    #[test]
    fn all_that_was_accepted_is_waited_for_piece_by_piece() {
        let pieces = [(0, 0), (1, 0), (0, 1), (0, 2), (1, 2), (1, 1)];
        let completes = pieces.map(|(slot, piece)| Ok(vec![address(slot, piece)])).into();
        let mut port = port(completes);
        let (left, result) = see_off(&mut port, LONG);
        assert!(left == 0 && result.is_ok() && port.completes.is_empty());
    }

    /// The first frame is done, of the second one piece never: it did not leave.
    #[test]
    fn what_is_never_completed_never_left() {
        let first = (0..3).map(|piece| address(0, piece)).collect();
        let second = vec![address(1, 0), address(1, 2)];
        let mut port = port(vec![Ok(first), Ok(second)]);
        let (left, result) = see_off(&mut port, Duration::from_millis(20));
        assert!(left == 1 && result.is_ok());
    }

    #[test]
    fn a_port_that_is_gone_is_not_waited_for() {
        let first = (0..3).map(|piece| address(0, piece)).collect();
        let gone = Err(io::Error::from_raw_os_error(libc::ENETDOWN));
        let (left, result) = see_off(&mut port(vec![Ok(first), gone]), LONG);
        assert_eq!((left, result.unwrap_err().raw_os_error()), (1, Some(libc::ENETDOWN)));
    }
}
