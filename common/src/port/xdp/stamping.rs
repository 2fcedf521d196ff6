//! Stamps of sampled frames by the NIC's own clock (Documentation/networking/xdp-rx-metadata.rst, xsk-tx-metadata.rst).
//!
//! Of an arrival the driver tells the program, which writes it down in a ring of its own: the frames' own way stays as it
//! is. With it goes the time that is in front of the frame, which says that both speak of one arrival. Of a departure the
//! driver writes the stamp in front of the frame when it has done with it.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

use super::programs::{Clock, Sample};
use super::socket::SEND_CHUNKS;
use crate::port::bpf::{RecordRing, kernel_functions};
use crate::port::stamps::{Identity, Stamp};
use crate::port::sys_xdp::{METADATA_ASKS_STAMP, METADATA_OCTETS, METADATA_STAMP_AT};
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

    /// What the program has to know, and what it writes into.
    ///
    /// # Errors
    /// In words: this kernel has no such thing.
    pub(super) fn prepare(self) -> Result<(Sample, Heard), String> {
        let clock = match self.clock {
            StampClock::Nic => kernel_functions::number(kernel_functions::RECEIVE_STAMP).map(Clock::Nic),
            StampClock::Host => Ok(Clock::Host),
        };
        let clock = clock.map_err(|error| format!("programs are told no stamps: {error}"))?;
        let ring = RecordRing::new(HEARD_OCTETS)
            .map_err(|error| format!("no ring for stamps (Linux 5.8 or later has it): {error}"))?;
        let sample = Sample { at: self.identity_at, sampling: self.sampling, clock, ring: ring.descriptor() };
        Ok((sample, Heard { ring }))
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
///
/// A driver that sends without a copy looks at what is in front of *every* frame, whatever the descriptor says of it: so a
/// wish is taken back as soon as its frame has left, or has been turned away.
pub(super) struct Departing {
    identity_at: usize,
    /// A bit for each slot that asks with the next submission.
    asking: Bits,
    /// And for each that did and has not come back.
    out: Bits,
    tell: SyncSender<(Identity, Stamp)>,
    /// Until it is fetched.
    told: Option<Receiver<(Identity, Stamp)>>,
}

/// A bit for each slot.
type Bits = [u64; SEND_CHUNKS / 64];

fn bit(slot: usize) -> (usize, u64) {
    (slot / 64, 1 << (slot % 64))
}

impl Departing {
    pub(super) fn new(stamping: Stamping) -> Self {
        let (tell, told) = sync_channel(DEPARTED);
        Self {
            identity_at: stamping.identity_at,
            asking: Bits::default(),
            out: Bits::default(),
            tell,
            told: Some(told),
        }
    }

    pub(super) fn fetch(&mut self) -> Option<Receiver<(Identity, Stamp)>> {
        self.told.take()
    }

    /// The frame in `slot` asks with the next submission, by what is in front of it.
    pub(super) fn ask(&mut self, slot: usize, metadata: &mut [u8]) {
        metadata.fill(0);
        metadata[..8].copy_from_slice(&METADATA_ASKS_STAMP.to_ne_bytes());
        let (word, mask) = bit(slot);
        self.asking[word] |= mask;
    }

    /// A slot goes out; whether it asks.
    #[inline]
    pub(super) fn goes(&mut self, slot: usize) -> bool {
        let (word, mask) = bit(slot);
        let asks = self.asking[word] & mask;
        self.asking[word] &= !mask;
        self.out[word] |= asks;
        asks != 0
    }

    /// A slot that asked and did not go: its wish is to be taken back. `None` when there is none left.
    #[inline]
    pub(super) fn stayed(&mut self) -> Option<usize> {
        let word = self.asking.iter().position(|word| *word != 0)?;
        let lowest = self.asking[word].trailing_zeros();
        self.asking[word] &= self.asking[word] - 1;
        Some(64 * word + lowest as usize)
    }

    /// Whether a slot that the kernel has done with had asked: then it is to be read.
    #[inline]
    pub(super) fn asked(&self, slot: usize) -> bool {
        let (word, mask) = bit(slot);
        self.out.get(word).is_some_and(|word| word & mask != 0)
    }

    /// Reads what is in front of such a frame, and takes its wish back.
    #[cold]
    pub(super) fn done(&mut self, slot: usize, metadata: &mut [u8], frame: &[u8]) {
        let (word, mask) = bit(slot);
        self.out[word] &= !mask;
        if let Some((identity, nic_ns)) = answered(metadata, frame, self.identity_at) {
            // Nobody reads: this stamp is lost.
            let _ = self.tell.try_send((identity, Stamp { kernel_ns: 0, nic_ns }));
        }
        metadata.fill(0);
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

    /// Memory of slots, and a NIC that sends without a copy: it stamps every frame whose metadata asks, whatever else is said
    /// of it, unless it has no time.
    struct Model {
        departing: Departing,
        slots: Vec<([u8; METADATA_OCTETS], [u8; 60])>,
        now: u64,
    }

    impl Model {
        fn write(&mut self, slot: usize, sequence: u32) {
            let frame = &mut self.slots[slot].1;
            frame[42..46].copy_from_slice(&sequence.to_be_bytes());
            frame[46..50].copy_from_slice(&(sequence ^ 7).to_be_bytes());
        }

        fn ask(&mut self, slot: usize) {
            self.departing.ask(slot, &mut self.slots[slot].0);
        }

        fn take_back(&mut self) {
            while let Some(slot) = self.departing.stayed() {
                self.slots[slot].0.fill(0);
            }
        }

        /// The time that it stamped.
        fn send(&mut self, slot: usize, has_time: bool) -> Option<u64> {
            let (metadata, _) = &mut self.slots[slot];
            let asks = metadata[0] & 1 != 0;
            self.now += 10;
            (asks && has_time).then(|| {
                metadata[METADATA_STAMP_AT..][..8].copy_from_slice(&self.now.to_ne_bytes());
                self.now
            })
        }

        fn come_back(&mut self, slot: usize) {
            if self.departing.asked(slot) {
                let (metadata, frame) = &mut self.slots[slot];
                self.departing.done(slot, metadata, frame);
            }
        }
    }

    proptest! {
        /// Frames that ask or not, batches that are turned away, a NIC that has no time for some: what is told is exactly
        /// what the NIC stamped, and it stamps nothing that did not ask with that very submission.
        #[test]
        fn who_asked_and_was_stamped_is_told_of_once(
            batches in prop::collection::vec((1usize..64, any::<u64>(), any::<u64>(), any::<bool>()), 1..40)
        ) {
            let mut departing = Departing::new(STAMPING);
            let told = departing.fetch().unwrap();
            prop_assert!(departing.fetch().is_none());
            let slots = vec![([0; METADATA_OCTETS], [0; 60]); SEND_CHUNKS];
            let mut model = Model { departing, slots, now: 1_000 };
            let (mut next, mut expected) = (0u32, Vec::new());
            for (count, asking, has_time, accepted) in batches {
                let slot = |number: usize| (next as usize + number) % SEND_CHUNKS;
                let asks = |number: usize| asking & (1 << number) != 0;
                for number in 0..count {
                    model.write(slot(number), next + number as u32);
                    if asks(number) {
                        model.ask(slot(number));
                    }
                }
                if accepted {
                    for number in 0..count {
                        prop_assert_eq!(model.departing.goes(slot(number)), asks(number));
                    }
                }
                model.take_back();
                if !accepted {
                    prop_assert!(model.slots.iter().all(|(metadata, _)| *metadata == [0; METADATA_OCTETS]));
                    continue;
                }
                for number in 0..count {
                    let stamped = model.send(slot(number), has_time & (1 << number) != 0);
                    let sequence = next + number as u32;
                    prop_assert!(asks(number) || stamped.is_none(), "{sequence} was stamped and never asked");
                    let identity = u64::from(sequence) << 32 | u64::from(sequence ^ 7);
                    expected.extend(stamped.map(|nic_ns| (identity, Stamp { kernel_ns: 0, nic_ns })));
                }
                for number in 0..count {
                    model.come_back(slot(number));
                    model.come_back(slot(number));
                }
                next += count as u32;
            }
            prop_assert_eq!(told.try_iter().collect::<Vec<_>>(), expected);
            prop_assert!(model.slots.iter().all(|(metadata, _)| *metadata == [0; METADATA_OCTETS]));
        }
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
