//! Keeps the frames around everything that goes wrong, as evidence.
//!
//! The last frames that arrived lie in a ring. When something happens they are taken out of it, with those that follow, and
//! handed to whoever writes them down. Only with this asked for is a frame copied at all; memory is taken only where
//! something happened, and no more than [`Evidence::most`] times in a trial.

use std::sync::mpsc::{SyncSender, TrySendError};
use std::time::Duration;

use kitproof_common::port::Stamps;

/// Frames before an event, and after it.
const BEFORE: usize = 24;
const AFTER: usize = 12;
/// Frames of one piece of evidence, however much happens within it.
const LONGEST: usize = 96;

/// How often, and after what time, it is tried to say the last thing.
const PATIENCE: u32 = 40;
const LOOK_AGAIN: Duration = Duration::from_millis(50);

/// Where evidence goes.
#[derive(Clone, Debug)]
pub struct Evidence {
    pub to: SyncSender<Kept>,
    /// Pieces of it in one trial; later events are only counted.
    pub most: u32,
}

/// A row of frames in the order in which they arrived.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Kept {
    pub frames: Vec<Frame>,
    /// Their octets, one frame behind the other, without FCS.
    pub octets: Vec<u8>,
    /// By which clock their arrival is told.
    pub monotonic: bool,
    /// The trial is over: what there is to say of its end.
    pub end: Option<End>,
}

/// The end of a trial.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct End {
    /// Highest of the generator's numbers home.
    pub highest: u64,
    /// So many sent after it have not come home.
    pub missing: u64,
    /// Events of the trial that found no room.
    pub untold: u64,
}

/// One frame of it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Frame {
    pub arrived_ns: u64,
    pub from: usize,
    pub octets: usize,
    pub event: Option<Event>,
}

/// What became known when a frame arrived. Numbers of frames.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Event {
    /// Highest of the generator's numbers home before it.
    pub highest: u64,
    /// Not home, though this later one is: lost or still under way.
    pub missing_forward: u64,
    pub missing_return: u64,
    pub copies_forward: u64,
    pub copies_return: u64,
    pub reordered_forward: u64,
    pub reordered_return: u64,
    pub damaged: u64,
    pub too_late: u64,
}

impl Event {
    #[must_use]
    pub fn is_none(&self) -> bool {
        Self { highest: 0, ..*self } == Self::default()
    }
}

/// The receiver's side of it.
pub struct Keeper {
    evidence: Evidence,
    stamps: Stamps,
    ring: Box<[(u64, Vec<u8>)]>,
    next: usize,
    /// The row that is being made, and how many frames more it takes.
    open: Option<(Kept, usize)>,
    told: u32,
    untold: u64,
}

impl Keeper {
    /// `octets` is the length of the longest frame.
    #[must_use]
    pub fn new(evidence: Evidence, stamps: Stamps, octets: usize) -> Self {
        let ring = (0..BEFORE).map(|_| (0, Vec::with_capacity(octets))).collect();
        Self { evidence, stamps, ring, next: 0, open: None, told: 0, untold: 0 }
    }

    /// A frame arrived, and this became known with it.
    pub fn arrived(&mut self, frame: &[u8], arrived_ns: u64, event: Event) {
        let event = (!event.is_none()).then_some(event);
        if self.open.is_none() && event.is_some() {
            if self.told < self.evidence.most {
                self.told += 1;
                self.open = Some((self.begin(), AFTER));
            } else {
                self.untold += 1;
            }
        }
        if let Some((kept, left)) = &mut self.open {
            push(kept, frame, arrived_ns, event);
            *left = if event.is_some() { AFTER } else { left.saturating_sub(1) };
            if *left == 0 || kept.frames.len() >= LONGEST {
                self.close();
            }
            return;
        }
        let (at, octets) = &mut self.ring[self.next];
        *at = arrived_ns;
        octets.clear();
        octets.extend_from_slice(frame);
        self.next = (self.next + 1) % BEFORE;
    }

    /// The frames in the ring, the oldest first; it is empty then, so that no frame is told twice.
    fn begin(&mut self) -> Kept {
        let mut kept = Kept { monotonic: self.stamps == Stamps::Monotonic, ..Kept::default() };
        let (newest, oldest) = self.ring.split_at(self.next);
        for (at, octets) in oldest.iter().chain(newest).filter(|(_, octets)| !octets.is_empty()) {
            push(&mut kept, octets, *at, None);
        }
        self.ring.iter_mut().for_each(|(_, octets)| octets.clear());
        kept
    }

    fn close(&mut self) {
        let Some((kept, _)) = self.open.take() else { return };
        let events = kept.frames.iter().filter(|frame| frame.event.is_some()).count() as u64;
        match self.evidence.to.try_send(kept) {
            Ok(()) | Err(TrySendError::Disconnected(_)) => {}
            // Whoever writes is behind: nothing waits for that here.
            Err(TrySendError::Full(_)) => self.untold += events,
        }
    }

    /// Nothing more arrives; how many frames after the highest of the generator's numbers have not come home.
    pub fn finish(mut self, highest: u64, missing_at_end: u64) {
        self.close();
        let end = End { highest, missing: missing_at_end, untold: self.untold };
        if end.missing > 0 || end.untold > 0 {
            let end = Kept { end: Some(end), ..self.begin() };
            self.say_at_last(end);
        }
    }

    /// Nothing follows: whoever writes is given some time.
    fn say_at_last(&self, mut kept: Kept) {
        for _ in 0..PATIENCE {
            match self.evidence.to.try_send(kept) {
                Ok(()) | Err(TrySendError::Disconnected(_)) => return,
                Err(TrySendError::Full(back)) => kept = back,
            }
            std::thread::sleep(LOOK_AGAIN);
        }
    }
}

fn push(kept: &mut Kept, frame: &[u8], arrived_ns: u64, event: Option<Event>) {
    kept.frames.push(Frame { arrived_ns, from: kept.octets.len(), octets: frame.len(), event });
    kept.octets.extend_from_slice(frame);
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc::{Receiver, sync_channel};

    use proptest::prelude::*;

    use super::*;

    fn keeper(most: u32, room: usize) -> (Keeper, Receiver<Kept>) {
        let (to, from) = sync_channel(room);
        (Keeper::new(Evidence { to, most }, Stamps::Realtime, 64), from)
    }

    fn lost(frames: u64) -> Event {
        Event { missing_forward: frames, ..Event::default() }
    }

    /// Frames are told apart by their first octets and their length.
    fn frame(number: u64) -> Vec<u8> {
        let mut frame = number.to_be_bytes().to_vec();
        frame.resize(8 + number as usize % 50, 0xA5);
        frame
    }

    fn numbers(kept: &Kept) -> Vec<u64> {
        let number = |octets: &[u8]| u64::from_be_bytes(*octets.first_chunk().unwrap());
        kept.frames.iter().map(|one| number(&kept.octets[one.from..one.from + one.octets])).collect()
    }

    proptest! {
        /// Every event is in what is kept, once, with the frames before and after it in their order; nothing else is.
        #[test]
        fn every_event_is_kept_with_its_neighbours(
            events in prop::collection::btree_set(0..600_u64, 0..20),
            end in 0..3_u64,
        ) {
            let (mut keeper, kept) = keeper(1_000, 1_000);
            for number in 0..600 {
                let event = if events.contains(&number) { lost(number + 1) } else { Event::default() };
                keeper.arrived(&frame(number), 1_000 * number, event);
            }
            keeper.finish(599, end);
            let all: Vec<Kept> = kept.try_iter().collect();
            let told: Vec<u64> = all.iter().flat_map(numbers).collect();
            prop_assert!(told.windows(2).all(|pair| pair[1] > pair[0]), "each once, in order");
            let mut seen = Vec::new();
            for one in &all {
                let numbers = numbers(one);
                prop_assert!(numbers.windows(2).all(|pair| pair[1] == pair[0] + 1));
                for (frame, number) in one.frames.iter().zip(&numbers) {
                    prop_assert_eq!(frame.arrived_ns, 1_000 * number);
                    prop_assert_eq!(&one.octets[frame.from..frame.from + frame.octets], super::tests::frame(*number));
                    if frame.event.is_some_and(|event| event.missing_forward > 0) {
                        prop_assert_eq!(frame.event.unwrap().missing_forward, number + 1);
                        seen.push(*number);
                        let around = number.saturating_sub(BEFORE as u64)..=(number + AFTER as u64).min(599);
                        prop_assert!(around.into_iter().all(|one| told.binary_search(&one).is_ok()));
                    }
                }
            }
            prop_assert_eq!(seen, events.iter().copied().collect::<Vec<_>>());
            let at_end: Vec<_> = all.iter().filter_map(|one| one.end).collect();
            let expected = End { highest: 599, missing: end, untold: 0 };
            prop_assert_eq!(at_end, if end > 0 { vec![expected] } else { Vec::new() });
        }
    }

    #[test]
    fn what_finds_no_room_is_counted() {
        let (mut keeper, kept) = keeper(2, 1);
        for number in 0..500 {
            keeper.arrived(&frame(number), number, lost(u64::from(number % 100 == 50)));
        }
        // Two were begun and one found room; three more were over the limit.
        assert_eq!(keeper.untold, 4);
        // That is said at the end, as soon as there is room.
        let end = std::thread::spawn(move || keeper.finish(499, 0));
        let all: Vec<Kept> = kept.iter().collect();
        end.join().unwrap();
        assert_eq!(
            all.iter().map(|one| one.end).collect::<Vec<_>>(),
            [None, Some(End { highest: 499, missing: 0, untold: 4 })]
        );
    }

    #[test]
    fn a_row_of_events_is_one_piece_with_an_end() {
        let (mut keeper, kept) = keeper(100, 100);
        for number in 0..1_100 {
            keeper.arrived(&frame(number), number, lost(1));
        }
        keeper.finish(1_099, 0);
        let all: Vec<Kept> = kept.try_iter().collect();
        assert!(all.iter().all(|one| one.frames.len() <= LONGEST));
        let events = all.iter().flat_map(|one| &one.frames).filter(|frame| frame.event.is_some()).count();
        assert_eq!(events, 1_100);
    }
}
