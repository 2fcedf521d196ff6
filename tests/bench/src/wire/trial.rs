//! What the wire keeps of a trial while it runs: where each schedule stands, and which sequence numbers it has seen.

use super::engine::About;
use super::plan::Plan;
use crate::ledger::Direction;
use crate::script::{Faults, Script};

/// One trial, both directions.
#[derive(Debug)]
pub(super) struct TrialState {
    pub(super) ways: [WayState; 2],
    /// Arrival of the first and the latest test frame, either direction.
    pub(super) first_ns: u64,
    pub(super) last_ns: u64,
}

impl TrialState {
    pub(super) fn new(script: &Script, now: u64) -> Self {
        let not_shown = |direction| {
            let monitor = script.monitor.as_ref().filter(|monitor| monitor.drop_of.has(direction));
            monitor.map(|monitor| Plan::new(&monitor.drop)).unwrap_or_default()
        };
        let ways = [(&script.forward, Direction::Forward), (&script.back, Direction::Return)]
            .map(|(faults, direction)| WayState::new(faults, not_shown(direction)));
        Self { ways, first_ns: now, last_ns: now }
    }
}

/// One direction of a trial.
#[derive(Debug)]
pub(super) struct WayState {
    drop: Plan,
    flip: Plan,
    delay: Plan,
    swap: Plan,
    duplicate: Plan,
    /// Number of the latest test frame, from 1.
    pub(super) number: u64,
    pub(super) seen: Seen,
    /// A frame that waits for the next one to change places with.
    pub(super) waiting: Option<Waiting>,
    /// Frames shown to the monitor side, and which of them it loses.
    pub(super) shown: u64,
    pub(super) monitor_drop: Plan,
}

#[derive(Debug)]
pub(super) struct Waiting {
    pub(super) about: About,
    pub(super) frame: Vec<u8>,
}

/// The one fault a frame meets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Fault {
    None,
    Drop,
    Flip,
    Delay,
    Swap,
    Duplicate,
}

impl WayState {
    fn new(faults: &Faults, monitor_drop: Plan) -> Self {
        Self {
            drop: Plan::new(&faults.drop),
            flip: faults.flip.as_ref().map(|flip| Plan::new(&flip.when)).unwrap_or_default(),
            delay: faults.delay.as_ref().map(|delay| Plan::new(&delay.when)).unwrap_or_default(),
            swap: Plan::new(&faults.swap),
            duplicate: Plan::new(&faults.duplicate),
            number: 0,
            seen: Seen::default(),
            waiting: None,
            shown: 0,
            monitor_drop,
        }
    }

    /// Numbers the next frame and says which fault meets it. Every schedule is asked, whichever wins.
    #[inline]
    pub(super) fn next(&mut self) -> (u64, Fault) {
        self.number += 1;
        let number = self.number;
        let met = [
            (self.drop.meets(number), Fault::Drop),
            (self.flip.meets(number), Fault::Flip),
            (self.delay.meets(number), Fault::Delay),
            (self.swap.meets(number), Fault::Swap),
            (self.duplicate.meets(number), Fault::Duplicate),
        ];
        let fault = met.iter().find(|(met, _)| *met).map_or(Fault::None, |&(_, fault)| fault);
        (number, fault)
    }
}

/// The sequence numbers of each stream that have come.
#[derive(Debug, Default)]
pub(super) struct Seen {
    streams: Vec<(u8, Numbers)>,
}

impl Seen {
    /// True the first time.
    #[inline]
    pub(super) fn insert(&mut self, stream: u8, sequence: u32) -> bool {
        let known = self.streams.iter().position(|&(known, _)| known == stream);
        let index = known.unwrap_or_else(|| {
            self.streams.push((stream, Numbers::default()));
            self.streams.len() - 1
        });
        self.streams[index].1.insert(sequence)
    }
}

/// A set of sequence numbers: a bitmap in pieces of 65,536.
#[derive(Debug, Default)]
struct Numbers {
    pieces: Vec<Option<Box<[u64; 1024]>>>,
}

impl Numbers {
    /// True the first time.
    #[inline]
    fn insert(&mut self, sequence: u32) -> bool {
        let piece = (sequence >> 16) as usize;
        if piece >= self.pieces.len() {
            self.pieces.resize_with(piece + 1, || None);
        }
        let words = self.pieces[piece].get_or_insert_with(|| Box::new([0; 1024]));
        let word = &mut words[(sequence as usize & 0xFFFF) / 64];
        let bit = 1_u64 << (sequence % 64);
        let first = *word & bit == 0;
        *word |= bit;
        first
    }
}
