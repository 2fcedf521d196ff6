//! Batched sending over any socket: the frame slots, and `sendmmsg`.

use std::io;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::time::{Duration, Instant};

use super::stamps::{Request, StampQueue, StampSource};
use super::sys::{self, Messages};
use super::{Transmit, is_full};

/// Frames handed to the kernel in one call at most.
pub(super) const BATCH: usize = 64;
/// How long a reflector keeps offering a frame to a port that has no room.
const PATIENCE: Duration = Duration::from_millis(100);

/// The sending half of a socket port, packet or UDP.
pub struct SocketTransmit {
    fd: OwnedFd,
    memory: Box<[u8]>,
    stride: usize,
    octets: usize,
    messages: Messages,
    turned_away: u64,
    /// The control message of a frame that asks for a stamp; `None` on a socket that gives none.
    request: Option<Box<Request>>,
    /// A bit for each slot that asks.
    asking: u64,
}

/// A bit for each slot.
const _: () = assert!(BATCH <= 64);

impl SocketTransmit {
    /// Takes over a bound (or connected) socket.
    pub(super) fn new(fd: OwnedFd, largest: usize) -> Self {
        let stride = largest.next_multiple_of(64);
        let mut port = Self {
            fd,
            memory: vec![0; stride * BATCH].into_boxed_slice(),
            stride,
            octets: 0,
            messages: Messages::new(BATCH),
            turned_away: 0,
            request: None,
            asking: 0,
        };
        port.aim(largest);
        port
    }

    /// Lets frames ask for a stamp of their departure.
    pub(super) fn with_stamps(mut self) -> Self {
        self.request = Some(Box::default());
        self
    }

    /// What was asked for holds for one submission.
    #[cold]
    fn stop_asking(&mut self) {
        while self.asking != 0 {
            let index = self.asking.trailing_zeros() as usize;
            self.messages.control(index, std::ptr::null_mut(), 0);
            self.asking &= self.asking - 1;
        }
    }

    fn aim(&mut self, octets: usize) {
        self.octets = octets;
        for (index, slot) in self.memory.chunks_exact_mut(self.stride).enumerate() {
            self.messages.point(index, slot.as_mut_ptr(), octets);
        }
    }
}

impl Transmit for SocketTransmit {
    fn slots(&self) -> usize {
        BATCH
    }

    fn set_octets(&mut self, octets: usize) -> io::Result<()> {
        if octets > self.stride {
            return Err(io::Error::new(
                io::ErrorKind::InvalidInput,
                "the frame is longer than the port was opened for",
            ));
        }
        self.aim(octets);
        Ok(())
    }

    fn set_slot_octets(&mut self, index: usize, octets: usize) -> io::Result<()> {
        if octets > self.octets {
            return Err(io::Error::new(io::ErrorKind::InvalidInput, "the frame is longer than its slot"));
        }
        let slot = &mut self.memory[index * self.stride..][..octets];
        self.messages.point(index, slot.as_mut_ptr(), octets);
        Ok(())
    }

    fn slot(&mut self, index: usize) -> &mut [u8] {
        &mut self.memory[index * self.stride..][..self.octets]
    }

    fn submit(&mut self, first: usize, count: usize) -> io::Result<usize> {
        // SAFETY: every vector points into `self.memory`, every control pointer at `self.request`; both are live and the
        // kernel only reads them.
        let sent = unsafe { self.messages.send(self.fd.as_fd(), first, count) };
        if self.asking != 0 {
            self.stop_asking();
        }
        match sent {
            Ok(sent) => {
                self.turned_away += u64::from(sent < count);
                Ok(sent)
            }
            Err(error) if is_full(&error) => {
                self.turned_away += 1;
                Ok(0)
            }
            Err(error) => Err(error),
        }
    }

    fn ask_stamp(&mut self, index: usize) {
        if let Some(request) = &mut self.request {
            let (start, length) = request.octets();
            self.messages.control(index, start, length);
            self.asking |= 1 << index;
        }
    }

    fn departures(&mut self) -> Option<StampSource> {
        self.request.as_ref()?;
        StampQueue::of_departures(self.fd.as_fd(), self.stride).ok().map(StampSource::Socket)
    }

    fn turned_away(&self) -> u64 {
        self.turned_away
    }
}

/// Sends the first `count` messages, retrying for a while when the port has no room; how many went.
/// What a port that failed for good did not take is not counted as gone.
///
/// # Safety
/// The vectors of those messages point at live memory.
pub(super) unsafe fn send_back(
    fd: BorrowedFd<'_>,
    messages: &mut Messages,
    count: usize,
    turned_away: &mut u64,
) -> usize {
    let mut done = 0;
    let mut since: Option<Instant> = None;
    while done < count {
        // SAFETY: by the contract above.
        match unsafe { messages.send(fd, done, count - done) } {
            Ok(0) => break,
            Ok(sent) => {
                done += sent;
                *turned_away += u64::from(done < count);
                since = None;
            }
            Err(error) if is_full(&error) => {
                *turned_away += 1;
                if since.get_or_insert_with(Instant::now).elapsed() > PATIENCE
                    || sys::poll(fd, libc::POLLOUT, Duration::from_micros(100)).is_err()
                {
                    break;
                }
            }
            Err(_) => break,
        }
    }
    done
}
