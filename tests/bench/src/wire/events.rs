//! Frames that are inside the wire, by the time at which something is due.

use std::cmp::{Ordering, Reverse};
use std::collections::BinaryHeap;

use super::engine::{About, Edge};

/// What is due.
#[derive(Debug)]
pub(super) enum Due {
    /// A delayed frame comes to the line.
    Enter(Vec<u8>),
    /// A frame has travelled and leaves.
    Leave(Vec<u8>),
    /// A frame has waited long enough for the next one to change places with.
    SwapOver,
    /// A dark stretch begins or ends.
    Edge(Edge),
}

#[derive(Debug)]
pub(super) struct Event {
    pub(super) time: u64,
    order: u64,
    pub(super) about: About,
    pub(super) due: Due,
}

impl PartialEq for Event {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Event {}

impl PartialOrd for Event {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Event {
    fn cmp(&self, other: &Self) -> Ordering {
        (self.time, self.order).cmp(&(other.time, other.order))
    }
}

/// Events by time; at the same time, first come first served.
#[derive(Debug, Default)]
pub(super) struct Events {
    heap: BinaryHeap<Reverse<Event>>,
    order: u64,
    spare: Vec<Vec<u8>>,
}

impl Events {
    const SPARE: usize = 4096;

    pub(super) fn len(&self) -> usize {
        self.heap.len()
    }

    /// `about` is the frame it concerns; for an edge, the frame that began the trial.
    pub(super) fn push(&mut self, time: u64, about: About, due: Due) {
        self.order += 1;
        self.heap.push(Reverse(Event { time, order: self.order, about, due }));
    }

    pub(super) fn next_time(&self) -> Option<u64> {
        self.heap.peek().map(|Reverse(event)| event.time)
    }

    /// The next event that is due at `now`.
    pub(super) fn pop(&mut self, now: u64) -> Option<Event> {
        if self.next_time()? > now {
            return None;
        }
        self.heap.pop().map(|Reverse(event)| event)
    }

    /// A copy of `frame`, in a buffer that was used before if there is one.
    pub(super) fn copy(&mut self, frame: &[u8]) -> Vec<u8> {
        let mut buffer = self.spare.pop().unwrap_or_default();
        buffer.clear();
        buffer.extend_from_slice(frame);
        buffer
    }

    /// Takes a buffer back.
    pub(super) fn reuse(&mut self, buffer: Vec<u8>) {
        if self.spare.len() < Self::SPARE {
            self.spare.push(buffer);
        }
    }
}
