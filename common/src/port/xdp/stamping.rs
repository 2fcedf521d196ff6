//! Stamps of sampled frames by the NIC's own clock (Documentation/networking/xdp-rx-metadata.rst, xsk-tx-metadata.rst).
//!
//! Of an arrival the driver tells the program, which writes it down in a ring of its own: the frames' own way stays as it
//! is. With it goes the time that is in front of the frame, which says that both speak of one arrival. Of a departure the
//! driver writes the stamp in front of the frame when it has done with it.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

use super::programs::{Clock, Sample};
use crate::port::bpf::{RecordRing, kernel_functions};
use crate::port::stamps::{Identity, Stamp};
use crate::port::sys_xdp::{Frames, METADATA_ASKS_STAMP, METADATA_OCTETS, METADATA_STAMP_AT};
use crate::sequence::Sampling;

/// Octets in front of a frame to send: what is asked for and answered, and the frame at the start of a cache line.
pub(super) const LEAD_OCTETS: usize = 64;
const _: () = assert!(METADATA_OCTETS <= LEAD_OCTETS);

/// Room for what was heard of arrivals: four seconds of it, at the most samples there are.
const HEARD_OCTETS: usize = 128 << 10;
/// A record: which frame, when the program saw it, when the NIC did.
pub(super) const RECORD_OCTETS: usize = 24;
/// Stamps of departures that nobody has read; what comes beyond them is lost.
const DEPARTED: usize = 4_096;

/// Which frames are stamped, and by which clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stamping {
    pub sampling: Sampling,
    /// Where a frame says which one it is, octets from its start: sequence number, then departure.
    pub identity_at: usize,
    pub clock: StampClock,
}

/// The clock of both stamps of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StampClock {
    /// The NIC's: of arrivals where its driver tells programs, of departures where frames are sent without a copy.
    Nic,
    /// The host's CLOCK_TAI in its place, by which the kernel stamps a copied frame that asks when the interface has let go
    /// of it: to see all this where no NIC has a clock. How long a frame was away it does not tell, for an interface may let
    /// go of it late.
    Host,
}

impl Stamping {
    /// Whether what is in front of a frame that has left is a stamp by that clock: of a copied frame it is always the
    /// kernel's, of one without a copy the NIC's.
    pub(super) fn tells_departures(self, zero_copy: bool) -> bool {
        zero_copy == (self.clock == StampClock::Nic)
    }

    /// What the program has to know, and what it writes into; `None` where this kernel has no such thing.
    pub(super) fn prepare(self) -> Option<(Sample, Heard)> {
        let clock = match self.clock {
            StampClock::Nic => Clock::Nic(kernel_functions::number(kernel_functions::RECEIVE_STAMP).ok()?),
            StampClock::Host => Clock::Host,
        };
        let ring = RecordRing::new(HEARD_OCTETS).ok()?;
        let sample = Sample { at: self.identity_at, sampling: self.sampling, clock, ring: ring.descriptor() };
        Some((sample, Heard { ring }))
    }
}

/// What the program heard of samples that arrived.
pub struct Heard {
    ring: RecordRing,
}

impl Heard {
    /// Shows every stamp that waits.
    pub(in crate::port) fn read(&mut self, visit: &mut impl FnMut(Identity, Stamp)) {
        self.ring.read(&mut |record| {
            if let Some((identity, stamp)) = told(record) {
                visit(identity, stamp);
            }
        });
    }
}

/// A record, as the program writes it.
fn told(record: &[u8]) -> Option<(Identity, Stamp)> {
    let word = |number: usize| Some(u64::from_ne_bytes(*record.get(8 * number..)?.first_chunk()?));
    Some((word(0)?, Stamp { kernel_ns: word(1)?, nic_ns: word(2)? }))
}

/// Stamps of frames that leave: which slots ask, and who wants to know.
pub(super) struct Departing {
    identity_at: usize,
    /// A bit for each slot that asks with the next submission.
    asking: Slots,
    /// And for each that did and has not come back.
    out: Slots,
    tell: SyncSender<(Identity, Stamp)>,
    /// Until it is fetched.
    told: Option<Receiver<(Identity, Stamp)>>,
}

/// A bit for each of 256 slots.
type Slots = [u64; 4];

fn bit(slot: usize) -> (usize, u64) {
    (slot / 64, 1 << (slot % 64))
}

impl Departing {
    pub(super) fn new(stamping: Stamping) -> Self {
        let (tell, told) = sync_channel(DEPARTED);
        Self {
            identity_at: stamping.identity_at,
            asking: Slots::default(),
            out: Slots::default(),
            tell,
            told: Some(told),
        }
    }

    pub(super) fn fetch(&mut self) -> Option<Receiver<(Identity, Stamp)>> {
        self.told.take()
    }

    /// The frame in `slot`, at `start` of the memory, asks with the next submission.
    pub(super) fn ask(&mut self, slot: usize, start: usize, frames: &Arc<Frames>) {
        // SAFETY: what is in front of the frame belongs to its slot, which is not under way while it is written.
        let metadata = unsafe { frames.part(start - METADATA_OCTETS, METADATA_OCTETS) };
        metadata.fill(0);
        metadata[..8].copy_from_slice(&METADATA_ASKS_STAMP.to_ne_bytes());
        let (word, mask) = bit(slot);
        self.asking[word] |= mask;
    }

    /// A slot goes out; whether it asks.
    pub(super) fn goes(&mut self, slot: usize) -> bool {
        let (word, mask) = bit(slot);
        let asks = self.asking[word] & mask != 0;
        self.out[word] |= self.asking[word] & mask;
        asks
    }

    /// What was asked for holds for one submission.
    pub(super) fn submitted(&mut self) {
        self.asking = Slots::default();
    }

    /// The kernel has done with a slot; its frame is `octets` long.
    pub(super) fn done(&mut self, slot: usize, start: usize, octets: usize, frames: &Arc<Frames>) {
        let (word, mask) = bit(slot);
        if self.out[word] & mask == 0 {
            return;
        }
        self.out[word] &= !mask;
        // SAFETY: the slot was given back and is not written anew before this call is over.
        let all = unsafe { frames.part(start - METADATA_OCTETS, METADATA_OCTETS + octets) };
        let (metadata, frame) = all.split_at(METADATA_OCTETS);
        if let Some((identity, nic_ns)) = answered(metadata, frame, self.identity_at) {
            // Nobody reads: this stamp is lost.
            let _ = self.tell.try_send((identity, Stamp { kernel_ns: 0, nic_ns }));
        }
    }
}

/// Which frame left, and when; `None` of one that nobody stamped.
fn answered(metadata: &[u8], frame: &[u8], identity_at: usize) -> Option<(Identity, u64)> {
    let stamp = u64::from_ne_bytes(*metadata.get(METADATA_STAMP_AT..)?.first_chunk()?);
    let identity = u64::from_be_bytes(*frame.get(identity_at..)?.first_chunk()?);
    (stamp != 0).then_some((identity, stamp))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const STAMPING: Stamping =
        Stamping { sampling: Sampling::EVERY_FRAME, identity_at: 42, clock: StampClock::Host };

    /// Slots that asked, and only they, are told of, once, when they come back.
    #[test]
    fn who_asked_is_told_of_once() {
        // Without permission to register memory there is nothing to see here.
        let Ok(frames) = Frames::with_metadata(256 * 2_048, 2_048) else { return };
        let frames = Arc::new(frames);
        let mut departing = Departing::new(STAMPING);
        let told = departing.fetch().unwrap();
        assert!(departing.fetch().is_none());
        let start = |slot: usize| slot * 2_048 + LEAD_OCTETS;
        let write = |slot: usize, sequence: u32| {
            // SAFETY: nobody else has the memory.
            let frame = unsafe { frames.part(start(slot), 60) };
            frame[42..46].copy_from_slice(&sequence.to_be_bytes());
            frame[46..50].copy_from_slice(&7u32.to_be_bytes());
        };
        // As a driver does when it has sent the frame.
        let stamp = |slot: usize, stamp: u64| {
            // SAFETY: nobody else has the memory.
            unsafe { frames.part(start(slot) - METADATA_OCTETS + METADATA_STAMP_AT, 8) }
                .copy_from_slice(&stamp.to_ne_bytes());
        };
        for slot in 0..256 {
            write(slot, slot as u32);
        }
        departing.ask(3, start(3), &frames);
        departing.ask(255, start(255), &frames);
        departing.ask(64, start(64), &frames);
        assert_eq!((0..64).filter(|slot| departing.goes(*slot)).collect::<Vec<_>>(), [3]);
        // Turned away: whoever goes next asks anew.
        departing.submitted();
        assert_eq!((64..256).filter(|slot| departing.goes(*slot)).count(), 0);
        departing.ask(200, start(200), &frames);
        departing.ask(201, start(201), &frames);
        assert!(departing.goes(200) && departing.goes(201));
        departing.submitted();
        for slot in 0..256 {
            if slot != 201 {
                stamp(slot, 1_000 + slot as u64);
            }
            departing.done(slot, start(slot), 60, &frames);
            departing.done(slot, start(slot), 60, &frames);
        }
        let expected: Vec<(Identity, Stamp)> =
            [3u64, 200].map(|slot| (slot << 32 | 7, Stamp { kernel_ns: 0, nic_ns: 1_000 + slot })).into();
        // Of 201 the driver said nothing.
        assert_eq!(told.try_iter().collect::<Vec<_>>(), expected);
    }

    /// A copied frame is stamped by the kernel: never taken for the NIC's.
    #[test]
    fn a_copy_is_never_stamped_by_the_nic() {
        let nic = Stamping { clock: StampClock::Nic, ..STAMPING };
        assert!(nic.tells_departures(true) && !nic.tells_departures(false));
        assert!(STAMPING.tells_departures(false) && !STAMPING.tells_departures(true));
    }

    proptest! {
        /// Whatever a driver or a program left there, reading it does no harm.
        #[test]
        fn what_is_too_short_says_nothing(
            record in prop::collection::vec(any::<u8>(), 0..40),
            metadata in prop::collection::vec(any::<u8>(), 0..30),
            frame in prop::collection::vec(any::<u8>(), 0..80),
        ) {
            prop_assert_eq!(told(&record).is_some(), record.len() >= RECORD_OCTETS);
            let whole = metadata.len() >= 16 && frame.len() >= 50;
            let stamped = whole && metadata[8..16] != [0; 8];
            prop_assert_eq!(answered(&metadata, &frame, 42).is_some(), stamped);
        }
    }
}
