//! Ports without a kernel: two queues and an invented clock, for tests that run the whole pair in
//! virtual time.

use std::collections::VecDeque;
use std::io;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use super::{Meta, Receive, Transmit, Turn, Turned};

/// An invented clock: everything that holds it sees the same nanoseconds.
#[derive(Clone, Debug, Default)]
pub struct VirtualClock(Arc<AtomicU64>);

impl VirtualClock {
    /// The current invented time, nanoseconds.
    #[must_use]
    pub fn now(&self) -> u64 {
        self.0.load(Ordering::Relaxed)
    }

    /// Moves time on to `to`; it never goes back.
    pub fn advance_to(&self, to: u64) {
        self.0.fetch_max(to, Ordering::Relaxed);
    }
}

/// A queue of frames from one port to another, of bounded length; what does not fit is dropped and
/// counted, as a receive ring does.
#[derive(Clone)]
pub struct Queue(Arc<Mutex<QueueState>>);

struct QueueState {
    frames: VecDeque<(u64, Vec<u8>)>,
    capacity: usize,
    dropped: u64,
}

impl Queue {
    #[must_use]
    pub fn new(capacity: usize) -> Self {
        Self(Arc::new(Mutex::new(QueueState { frames: VecDeque::new(), capacity, dropped: 0 })))
    }

    fn state(&self) -> MutexGuard<'_, QueueState> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Puts a frame in, stamped with its arrival time; false (and counted) when the queue is full.
    pub fn push(&self, at: u64, frame: Vec<u8>) -> bool {
        let mut state = self.state();
        if state.frames.len() >= state.capacity {
            state.dropped += 1;
            return false;
        }
        state.frames.push_back((at, frame));
        true
    }

    /// Takes the oldest frame out.
    #[must_use]
    pub fn pop(&self) -> Option<(u64, Vec<u8>)> {
        self.state().frames.pop_front()
    }

    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.state().frames.is_empty()
    }

    fn dropped(&self) -> u64 {
        self.state().dropped
    }
}

const SLOTS: usize = 64;

/// The sending half.
pub struct MemoryTransmit {
    clock: VirtualClock,
    out: Queue,
    slots: Vec<Vec<u8>>,
    /// Frames accepted per call at most; fewer than asked for makes a port that is sometimes full.
    pub room: usize,
    turned_away: u64,
}

impl MemoryTransmit {
    #[must_use]
    pub fn new(clock: VirtualClock, out: Queue) -> Self {
        Self { clock, out, slots: vec![Vec::new(); SLOTS], room: SLOTS, turned_away: 0 }
    }
}

impl Transmit for MemoryTransmit {
    fn slots(&self) -> usize {
        SLOTS
    }

    fn set_octets(&mut self, octets: usize) -> io::Result<()> {
        self.slots.iter_mut().for_each(|slot| slot.resize(octets, 0));
        Ok(())
    }

    fn slot(&mut self, index: usize) -> &mut [u8] {
        &mut self.slots[index]
    }

    fn submit(&mut self, first: usize, count: usize) -> io::Result<usize> {
        let accepted = count.min(self.room);
        for slot in &self.slots[first..first + accepted] {
            self.out.push(self.clock.now(), slot.clone());
        }
        self.turned_away += u64::from(accepted < count);
        Ok(accepted)
    }

    fn turned_away(&self) -> u64 {
        self.turned_away
    }
}

/// The receiving half; with a way out, also a reflector's port.
pub struct MemoryReceive {
    clock: VirtualClock,
    inbox: Queue,
    out: Option<Queue>,
    /// Frames to refuse when sending back, to play a port that has no room.
    pub refuse: u64,
}

impl MemoryReceive {
    #[must_use]
    pub fn new(clock: VirtualClock, inbox: Queue) -> Self {
        Self { clock, inbox, out: None, refuse: 0 }
    }

    /// A port that can send back.
    #[must_use]
    pub fn turning(clock: VirtualClock, inbox: Queue, out: Queue) -> Self {
        Self { clock, inbox, out: Some(out), refuse: 0 }
    }
}

impl Receive for MemoryReceive {
    fn receive(&mut self, max: usize, visit: &mut impl FnMut(&mut [u8], Meta)) -> io::Result<usize> {
        let mut count = 0;
        while count < max {
            let Some((arrived_ns, mut frame)) = self.inbox.pop() else { break };
            visit(&mut frame, Meta { arrived_ns });
            count += 1;
        }
        Ok(count)
    }

    fn wait(&mut self, _timeout: Duration) -> io::Result<()> {
        Ok(())
    }

    fn dropped(&mut self) -> io::Result<u64> {
        Ok(self.inbox.dropped())
    }
}

impl Turn for MemoryReceive {
    fn turn(&mut self, max: usize, decide: &mut impl FnMut(&mut [u8], Meta) -> bool) -> io::Result<Turned> {
        let mut turned = Turned::default();
        while turned.received < max {
            let Some((arrived_ns, mut frame)) = self.inbox.pop() else { break };
            turned.received += 1;
            if !decide(&mut frame, Meta { arrived_ns }) {
                continue;
            }
            if let Some(out) = self.out.as_ref().filter(|_| self.refuse == 0) {
                out.push(self.clock.now(), frame);
                turned.returned += 1;
            } else {
                self.refuse = self.refuse.saturating_sub(1);
                turned.refused += 1;
            }
        }
        Ok(turned)
    }

    fn turned_away(&self) -> u64 {
        0
    }
}
