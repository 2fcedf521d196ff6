//! A port in memory: the wire's tests need neither privilege nor a clock.

use std::collections::VecDeque;
use std::io;
use std::sync::{Arc, Mutex, PoisonError};

use super::port::{Outbox, TURN, WirePort};

type Queue = Arc<Mutex<VecDeque<Vec<u8>>>>;

/// One end of a cable in memory. What is sent here is received at the other end, and nowhere else.
#[derive(Clone, Debug)]
pub struct MemoryPort {
    incoming: Queue,
    outgoing: Queue,
    capacity: usize,
    lost: u64,
}

/// A cable in memory. A frame waits at the far end until it is received; with `capacity` frames waiting there, the
/// sending end takes no more.
pub fn memory_cable(capacity: usize) -> (MemoryPort, MemoryPort) {
    let (one, other) = (Queue::default(), Queue::default());
    let end = |incoming: &Queue, outgoing: &Queue| MemoryPort {
        incoming: incoming.clone(),
        outgoing: outgoing.clone(),
        capacity,
        lost: 0,
    };
    (end(&one, &other), end(&other, &one))
}

impl MemoryPort {
    /// Sends one frame; false if the cable is full.
    pub fn put(&mut self, frame: &[u8]) -> bool {
        let mut queue = self.outgoing.lock().unwrap_or_else(PoisonError::into_inner);
        let fits = queue.len() < self.capacity;
        if fits {
            queue.push_back(frame.to_vec());
        }
        fits
    }

    /// Receives one frame, if one waits.
    pub fn take(&mut self) -> Option<Vec<u8>> {
        self.incoming.lock().unwrap_or_else(PoisonError::into_inner).pop_front()
    }

    /// Says that this end lost `frames`, as a kernel's counter would.
    pub fn lose(&mut self, frames: u64) {
        self.lost += frames;
    }
}

impl WirePort for MemoryPort {
    fn receive(&mut self, visit: &mut dyn FnMut(&[u8])) -> io::Result<usize> {
        let mut count = 0;
        while count < TURN {
            let Some(frame) = self.take() else { break };
            visit(&frame);
            count += 1;
        }
        Ok(count)
    }

    fn send(&mut self, outbox: &mut Outbox) -> io::Result<usize> {
        let mut count = 0;
        while let Some(frame) = outbox.front() {
            if !self.put(frame) {
                break;
            }
            outbox.take(1);
            count += 1;
        }
        Ok(count)
    }

    fn lost(&mut self) -> io::Result<u64> {
        Ok(self.lost)
    }
}
