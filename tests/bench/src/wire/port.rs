//! What the wire asks of a port.

use std::collections::VecDeque;
use std::io;

use super::engine::About;

/// Frames received in one turn at most, so that both directions are served in time.
pub const TURN: usize = 256;

/// One end of the wire: a packet socket, or memory.
pub trait WirePort {
    /// Shows `visit` every frame that is waiting, tags in place, up to [`TURN`]; returns how many, and fewer means that
    /// none waits any more. A port never shows what the wire itself sent through it.
    fn receive(&mut self, visit: &mut dyn FnMut(&[u8])) -> io::Result<usize>;

    /// The same with each frame's arrival in nanoseconds of CLOCK_MONOTONIC, where the port knows it.
    fn receive_stamped(&mut self, visit: &mut dyn FnMut(&[u8], Option<u64>)) -> io::Result<usize> {
        self.receive(&mut |frame| visit(frame, None))
    }

    /// Sends frames from the front of `outbox` and removes what was taken; returns how many. 0 means the port cannot
    /// take any now; the frames stay and are offered again.
    fn send(&mut self, outbox: &mut Outbox) -> io::Result<usize>;

    /// Frames this port dropped before they could be received, since it was opened.
    fn lost(&mut self) -> io::Result<u64>;
}

/// Frames on their way to one port, in order, with their buffers reused.
#[derive(Debug, Default)]
pub struct Outbox {
    frames: VecDeque<(Vec<u8>, About)>,
    spare: Vec<Vec<u8>>,
    /// What the port has taken and nobody has asked for, if it is kept.
    taken: Vec<About>,
    keeps_taken: bool,
}

impl Outbox {
    /// Room for this many buffers is kept for reuse.
    const SPARE: usize = 4096;

    /// An outbox that remembers what was taken from it, for [`Outbox::drain_taken`].
    pub(super) fn remembering() -> Self {
        Self { keeps_taken: true, ..Self::default() }
    }

    /// What the port has taken since the last time.
    pub(super) fn drain_taken(&mut self) -> impl Iterator<Item = About> {
        self.taken.drain(..)
    }

    /// Frames waiting.
    pub fn len(&self) -> usize {
        self.frames.len()
    }

    /// True if nothing waits.
    pub fn is_empty(&self) -> bool {
        self.frames.is_empty()
    }

    /// Puts a copy of `frame` at the end.
    pub fn push(&mut self, frame: &[u8], about: About) {
        let mut buffer = self.spare.pop().unwrap_or_default();
        buffer.clear();
        buffer.extend_from_slice(frame);
        self.frames.push_back((buffer, about));
    }

    /// The waiting frames from the front on.
    pub fn iter(&self) -> impl Iterator<Item = &[u8]> {
        self.frames.iter().map(|(frame, _)| frame.as_slice())
    }

    /// The frame at the front.
    pub fn front(&self) -> Option<&[u8]> {
        self.frames.front().map(|(frame, _)| frame.as_slice())
    }

    /// Removes `count` frames from the front: the port has taken them.
    pub fn take(&mut self, count: usize) {
        for _ in 0..count {
            if let Some((frame, about)) = self.frames.pop_front() {
                self.keep(frame);
                if self.keeps_taken {
                    self.taken.push(about);
                }
            }
        }
    }

    /// Removes the frame at the front, for which there is no room at the port.
    pub(super) fn give_up_front(&mut self) -> Option<About> {
        let (frame, about) = self.frames.pop_front()?;
        self.keep(frame);
        Some(about)
    }

    /// Removes the frame at the end.
    pub(super) fn give_up_last(&mut self) -> Option<About> {
        let (frame, about) = self.frames.pop_back()?;
        self.keep(frame);
        Some(about)
    }

    fn keep(&mut self, frame: Vec<u8>) {
        if self.spare.len() < Self::SPARE {
            self.spare.push(frame);
        }
    }
}
