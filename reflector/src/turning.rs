//! What the reflector does to each frame: judge it, number it, turn it round. No I/O, no clock.

use std::io;

use kitproof_common::control::TrialSpec;
use kitproof_common::control::counts::{FarCounts, FarLossPeriod};
use kitproof_common::frame::{Checked, Checkers, FrameError, FrameSpec, TestHeader, Turner, residence_field};
use kitproof_common::port::clock::Offset;
use kitproof_common::port::xdp::Reflected;
use kitproof_common::port::{Meta, Turn};
use kitproof_common::sequence::gaps::{GapWatch, Recorded};
use kitproof_common::sequence::{Arrival, Damaged, Tracker};

/// Frames turned in one call at most.
const BATCH: usize = 64;
/// Loss periods told one by one; as many as an answer holds.
const PERIODS_TOLD: usize = 4;
/// A stamp that lies further ahead than this belongs to a wall clock that was stepped.
const AHEAD_NS: u64 = 1_000_000;

/// One trial at the reflector.
pub struct Turning {
    checker: Checkers,
    turner: Turner,
    sequences: Tracker,
    damaged: Damaged,
    counts: FarCounts,
    frames: u64,
    /// Frames returned since the port was last found empty.
    run: u64,
    first_arrival: u64,
    last_arrival: u64,
    /// The number that was given to the frame that arrived then.
    last_number: u64,
    /// Intact frames that a program in the kernel let pass.
    not_returned: u64,
    /// Where arrivals stopped, in a watched trial.
    gaps: Option<Box<GapWatch>>,
}

impl Turning {
    /// # Errors
    /// A frame that cannot be built.
    pub fn new(trial: &TrialSpec) -> Result<Self, FrameError> {
        let sizes = trial.more_sizes.iter().copied();
        let smallest = sizes.fold(trial.frame.frame_size, u16::min);
        // Four seconds of frames, as at the generator.
        let window = ((trial.frames_per_s * 4.0) as usize).clamp(1 << 16, 1 << 27);
        Ok(Self {
            checker: Checkers::forward(&trial.frame, &trial.more_sizes, trial.fill_check)?,
            // All that is turned stands in front: one for the smallest frame turns every size.
            turner: Turner::new(&FrameSpec { frame_size: smallest, ..trial.frame })?,
            sequences: Tracker::new(window, PERIODS_TOLD),
            damaged: Damaged::default(),
            counts: FarCounts::default(),
            frames: trial.frames,
            run: 0,
            first_arrival: 0,
            last_arrival: 0,
            last_number: 0,
            not_returned: 0,
            gaps: None,
        })
    }

    /// Records where arrivals stop.
    #[must_use]
    pub fn with_gaps(mut self, gaps: Option<GapWatch>) -> Self {
        self.gaps = gaps.map(Box::new);
        self
    }

    /// Where arrivals stopped, and whether the clock was stepped meanwhile; `offset` is the stamps' distance from the
    /// monotonic clock, now.
    pub fn take_gaps(&mut self, offset: Offset) -> Option<(Recorded, bool)> {
        self.gaps.take().map(|gaps| gaps.finish(offset))
    }

    /// Turns one batch round; how many frames had arrived. `now` is by the clock of the port's stamps.
    ///
    /// # Errors
    /// When the port is gone for good.
    #[inline]
    pub fn step<P: Turn>(&mut self, port: &mut P, now: u64) -> io::Result<usize> {
        let turned = port.turn(BATCH, &mut |frame, meta| self.frame(frame, meta, now))?;
        self.counts.refused += turned.refused as u64;
        if turned.received == 0 {
            self.run = 0;
        } else {
            self.run += turned.returned as u64;
            self.counts.longest_burst = self.counts.longest_burst.max(self.run);
        }
        Ok(turned.received)
    }

    /// Takes note of frames that the port had accepted to send back, and that never left it.
    pub fn never_left(&mut self, frames: u64) {
        self.counts.refused += frames;
    }

    /// Judges one frame; true if it goes back.
    #[inline]
    fn frame(&mut self, frame: &mut [u8], meta: Meta, now: u64) -> bool {
        match self.checker.intact_header(frame) {
            Some(header) => self.intact(&header, frame, meta, now),
            None => self.other(frame, meta, now),
        }
    }

    /// A frame that is not an intact one of the first size.
    #[cold]
    #[inline(never)]
    fn other(&mut self, frame: &mut [u8], meta: Meta, now: u64) -> bool {
        match self.checker.check(frame) {
            Checked::Intact(header) => self.intact(&header, frame, meta, now),
            Checked::Damaged(header) => {
                self.damaged(header);
                false
            }
            Checked::Foreign => {
                self.counts.foreign += 1;
                false
            }
        }
    }

    /// In the two places it is needed: a call would have every frame's header written to memory.
    #[inline(always)]
    fn intact(&mut self, header: &TestHeader, frame: &mut [u8], meta: Meta, now: u64) -> bool {
        let sequence = self.sequences.extend(header.sequence);
        if sequence >= self.frames {
            self.counts.foreign += 1;
            return false;
        }
        self.counts.reached += 1;
        let arrival = self.sequences.arrive(sequence);
        match arrival {
            Arrival::First => self.damaged.intact_arrived(sequence),
            Arrival::Copy => self.counts.copies += 1,
            Arrival::Late => self.counts.late += 1,
        }
        if self.first_arrival == 0 {
            self.first_arrival = meta.arrived_ns;
        }
        if let Some(gaps) = &mut self.gaps {
            gaps.saw(sequence, arrival == Arrival::First, header.departure, meta.arrived_ns);
        }
        self.last_arrival = meta.arrived_ns;
        self.last_number = self.counts.reflected;
        let number = self.counts.reflected as u32;
        self.counts.reflected += 1;
        self.turner.turn(frame, number, residence(meta.arrived_ns, now));
        true
    }

    /// Takes note of a frame that the kernel returned itself.
    #[inline]
    pub fn returned_by_kernel(&mut self, low: u32) {
        let sequence = self.sequences.extend(low);
        self.counts.reached += 1;
        self.counts.reflected += 1;
        match self.sequences.arrive(sequence) {
            Arrival::First => self.damaged.intact_arrived(sequence),
            Arrival::Copy => self.counts.copies += 1,
            Arrival::Late => self.counts.late += 1,
        }
    }

    /// Takes note of frames that the kernel returned, and whose numbers were written over before they were read: nobody
    /// knows whether they were new, copies or out of order, so that they are in none of those counts, and the generator
    /// finds them unaccounted for.
    pub fn overrun(&mut self, frames: u64) {
        self.counts.reached += frames;
        self.counts.reflected += frames;
    }

    /// Judges a frame that the program in the kernel let pass. An intact one it should have returned itself: the pair
    /// dropped it.
    pub fn passed_up(&mut self, frame: &[u8]) {
        match self.checker.check(frame) {
            Checked::Intact(header) if u64::from(header.sequence) < self.frames => self.not_returned += 1,
            Checked::Damaged(header) => self.damaged(header),
            Checked::Intact(_) | Checked::Foreign => self.counts.foreign += 1,
        }
    }

    /// Takes over the totals of the program in the kernel.
    pub fn kernel_said(&mut self, totals: &Reflected) {
        self.first_arrival = totals.first_ns;
        self.last_arrival = totals.latest_ns;
        self.last_number = totals.latest;
        self.counts.longest_burst = totals.longest_row;
    }

    #[cold]
    fn damaged(&mut self, header: Option<TestHeader>) {
        self.counts.damaged += 1;
        let Some(header) = header else { return self.damaged.arrived_anonymous() };
        let sequence = self.sequences.extend(header.sequence);
        if sequence >= self.frames {
            self.damaged.arrived_anonymous();
        } else {
            self.damaged.arrived(sequence, self.sequences.contains(sequence));
        }
    }

    /// The counts so far; `dropped` is what the port lost itself, `strayed` what came into it by another way than most.
    #[must_use]
    pub fn counts(&self, dropped: u64, strayed: u64) -> FarCounts {
        let highest = self.sequences.highest();
        let summary = self.sequences.finish(highest.map_or(0, |highest| highest + 1));
        FarCounts {
            reached_distinct: summary.distinct,
            damaged_distinct: Some(self.damaged.distinct()),
            damaged_anonymous: self.damaged.anonymous(),
            dropped: dropped + self.not_returned,
            strayed,
            reordered: summary.reordering.reordered,
            highest_sequence: highest,
            loss_periods_total: summary.loss.periods,
            longest_loss_period: summary.loss.longest,
            loss_periods: summary
                .loss
                .kept
                .iter()
                .map(|period| FarLossPeriod {
                    first: period.first,
                    length: period.length,
                    distance: period.distance_from_previous,
                })
                .collect(),
            ..self.counts.clone()
        }
    }

    /// Mean rate of the intact arrivals by this host's clock, frames/s.
    #[must_use]
    pub fn arrival_rate(&self) -> Option<f64> {
        let span = self.last_arrival.checked_sub(self.first_arrival).filter(|span| *span > 0)?;
        Some(self.last_number as f64 / (span as f64 / 1e9))
    }
}

/// The residence field: from the kernel's stamp to now. Saturated where it says nothing.
#[inline]
fn residence(arrived: u64, now: u64) -> u16 {
    if arrived == 0 || arrived > now + AHEAD_NS {
        return u16::MAX;
    }
    residence_field(now.saturating_sub(arrived))
}
