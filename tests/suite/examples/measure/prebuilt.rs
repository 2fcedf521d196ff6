//! Ports in memory that do as little as a port can: frames built beforehand, and a place where frames vanish.

use std::io;
use std::time::Duration;

use kitproof::engine::Trial;
use kitproof_common::frame::{FrameSpec, Template, Turner, VARIANTS};
use kitproof_common::port::{Meta, Receive, Transmit, Turn, Turned};

use crate::stages::{MOST, START_NS, WALL_NS, WARM};

/// What the stages want to know of a frame without looking into it.
#[derive(Clone, Copy)]
pub(crate) struct Stamp {
    pub(crate) departure: u32,
    pub(crate) residence: u16,
}

/// Frames in one piece of memory, far more than the nearest caches hold, and when each arrived.
pub(crate) struct Prebuilt {
    octets: Vec<u8>,
    size: usize,
    arrived_ns: Vec<u64>,
    pub(crate) stamps: Vec<Stamp>,
    next: usize,
}

impl Prebuilt {
    /// Frames on the way out, or turned round and on the way home. Always equally many.
    pub(crate) fn new(spec: &FrameSpec, trial: &Trial, homeward: bool) -> Self {
        let template = Template::new(spec).expect("a valid specification");
        let turner = Turner::new(spec).expect("a valid specification");
        let (size, count) = (template.octets(), WARM + MOST);
        let mut octets = vec![0; size * count];
        let mut arrived_ns = Vec::with_capacity(count);
        let mut stamps = Vec::with_capacity(count);
        for (sequence, frame) in octets.chunks_exact_mut(size).enumerate() {
            let departure = START_NS + trial.rate.time_of(sequence as u64);
            // Scattered without a random number: the histogram's counts spread over many cache lines.
            let way_ns = 20_000 + (sequence as u64).wrapping_mul(2_654_435_761) % 30_000;
            let residence = (sequence % 200) as u16;
            template.write(sequence % VARIANTS, frame);
            template.stamp(sequence % VARIANTS, frame, sequence as u32, departure as u32);
            if homeward {
                turner.turn(frame, sequence as u32, residence);
            }
            arrived_ns.push(WALL_NS + departure + way_ns + 64 * u64::from(residence));
            stamps.push(Stamp { departure: departure as u32, residence });
        }
        Self { octets, size, arrived_ns, stamps, next: 0 }
    }
}

impl Receive for Prebuilt {
    #[inline]
    fn receive(&mut self, max: usize, visit: &mut impl FnMut(&mut [u8], Meta)) -> io::Result<usize> {
        let count = max.min(self.arrived_ns.len() - self.next);
        let frames = self.octets[self.next * self.size..][..count * self.size].chunks_exact_mut(self.size);
        for (frame, &arrived_ns) in frames.zip(&self.arrived_ns[self.next..]) {
            visit(frame, Meta { arrived_ns });
        }
        self.next += count;
        Ok(count)
    }

    fn wait(&mut self, _timeout: Duration) -> io::Result<()> {
        Ok(())
    }

    fn dropped(&mut self) -> io::Result<u64> {
        Ok(0)
    }
}

impl Turn for Prebuilt {
    #[inline]
    fn turn(&mut self, max: usize, decide: &mut impl FnMut(&mut [u8], Meta) -> bool) -> io::Result<Turned> {
        let mut returned = 0;
        let received = self.receive(max, &mut |frame, meta| returned += usize::from(decide(frame, meta)))?;
        Ok(Turned { received, returned, refused: 0 })
    }

    fn turned_away(&self) -> u64 {
        0
    }
}

/// Takes every frame and does nothing with it.
pub(crate) struct Sink {
    octets: usize,
    memory: Vec<u8>,
}

impl Sink {
    pub(crate) const SLOTS: usize = 64;

    pub(crate) fn new() -> Self {
        Self { octets: 0, memory: Vec::new() }
    }
}

impl Transmit for Sink {
    fn slots(&self) -> usize {
        Self::SLOTS
    }

    fn set_octets(&mut self, octets: usize) -> io::Result<()> {
        self.octets = octets;
        self.memory = vec![0; octets * Self::SLOTS];
        Ok(())
    }

    fn slot(&mut self, index: usize) -> &mut [u8] {
        &mut self.memory[index * self.octets..][..self.octets]
    }

    fn submit(&mut self, _first: usize, count: usize) -> io::Result<usize> {
        Ok(count)
    }

    fn turned_away(&self) -> u64 {
        0
    }
}
