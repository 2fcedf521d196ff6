//! Reordering in the sense of RFC 4737, measured as frames arrive.

use serde::{Deserialize, Serialize};

/// n-reordering is measured for n from 1 to this.
pub const DEGREES: usize = 16;

/// Sequence discontinuities remembered, to find the one that skipped a frame that comes later.
const DISCONTINUITIES_KEPT: usize = 4096;

/// Reordering of the first copies that arrived (RFC 4737).
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Reordering {
    /// First copies that arrived and could be judged: L of section 4.1.3.
    pub received: u64,
    /// Of these, reordered ones: smaller than the next expected number (section 3.3).
    pub reordered: u64,
    /// Arrivals that were larger than the next expected number (section 3.4). Loss makes them as well as reordering. The
    /// first number expected is 0.
    pub discontinuities: u64,
    /// Discontinuities to which at least one reordered frame belongs (sections 4.2.3, 4.5).
    pub reordering_discontinuities: u64,
    /// The most numbers skipped by one discontinuity.
    pub largest_discontinuity: u64,
    /// The largest reordering extent, in arrivals (section 4.2.3); 0 if nothing was reordered.
    pub maximum_extent: u64,
    /// Reordered frames whose discontinuity was no longer remembered: they are in `reordered`, but not in
    /// `maximum_extent` nor `reordering_discontinuities`.
    pub extent_unknown: u64,
    /// Entry n − 1: frames that are n-reordered (section 5.3, Definition 2: all of the n arrivals before are larger), for
    /// n from 1 to [`DEGREES`]; trailing zeros are left off.
    pub n_reordered: Vec<u64>,
    /// x: runs ended by a reordered frame (section 4.6.3).
    pub free_runs: u64,
    /// a: in-order frames in runs, the last, unfinished one included.
    pub free_run_frames: u64,
    /// q: the sum of the squares of the lengths of finished runs. A float, because a night at line rate exceeds 64 bits.
    pub free_run_squares: f64,
}

impl Reordering {
    /// R = reordered / received (section 4.1.3); none if nothing was received.
    pub fn ratio(&self) -> Option<f64> {
        (self.received > 0).then(|| self.reordered as f64 / self.received as f64)
    }

    /// The degree of n-reordering, m / l by Definition 2 (section 5.3); none if nothing was received or n is not in
    /// 1..=[`DEGREES`]. (The program in the RFC's appendix A divides by l − n and prints other figures.)
    pub fn degree(&self, n: usize) -> Option<f64> {
        if self.received == 0 || !(1..=DEGREES).contains(&n) {
            return None;
        }
        Some(self.n_reordered.get(n - 1).copied().unwrap_or(0) as f64 / self.received as f64)
    }

    /// The mean length of a reordering-free run, a / x (section 4.6.3); none if nothing was reordered.
    pub fn mean_free_run(&self) -> Option<f64> {
        (self.free_runs > 0).then(|| self.free_run_frames as f64 / self.free_runs as f64)
    }

    /// How much run lengths vary, (q / a) / (a / x) (section 4.6.3); none if nothing was reordered or no run has a frame.
    pub fn free_run_variability(&self) -> Option<f64> {
        let mean = self.mean_free_run().filter(|mean| *mean > 0.0)?;
        Some(self.free_run_squares / self.free_run_frames as f64 / mean)
    }
}

/// A jump ahead: numbers from `skipped_from` on were passed over by the arrival at `position`.
#[derive(Clone, Copy, Debug, Default)]
struct Discontinuity {
    skipped_from: u64,
    position: u64,
    reordering: bool,
}

/// Told every first copy, in order or not. Positions are 1 for the first arrival, as i and j in the RFC.
#[derive(Clone, Debug)]
pub(crate) struct OrderMeter {
    received: u64,
    /// The last arrivals: position p is in slot p % DEGREES.
    recent: [u64; DEGREES],
    reordered: u64,
    last_reordered: u64,
    discontinuities: u64,
    reordering_discontinuities: u64,
    largest_discontinuity: u64,
    maximum_extent: u64,
    extent_unknown: u64,
    /// Entry n − 1: frames n-reordered, but not (n + 1)-reordered.
    degrees: [u64; DEGREES],
    squares: u128,
    /// Discontinuity d (from 0) is in slot d % length.
    kept: Box<[Discontinuity]>,
}

impl OrderMeter {
    /// For a window of `span` numbers.
    pub(crate) fn new(span: usize) -> Self {
        // A discontinuity takes at least two numbers, one skipped and one arrived: no more than half the span are of use.
        let kept = (span / 2).next_power_of_two().min(DISCONTINUITIES_KEPT);
        Self::over(vec![Discontinuity::default(); kept].into_boxed_slice())
    }

    fn over(kept: Box<[Discontinuity]>) -> Self {
        Self {
            received: 0,
            recent: [0; DEGREES],
            reordered: 0,
            last_reordered: 0,
            discontinuities: 0,
            reordering_discontinuities: 0,
            largest_discontinuity: 0,
            maximum_extent: 0,
            extent_unknown: 0,
            degrees: [0; DEGREES],
            squares: 0,
            kept,
        }
    }

    /// As new, keeping what was allocated.
    pub(crate) fn reset(&mut self) {
        *self = Self::over(std::mem::take(&mut self.kept));
    }

    #[inline]
    pub(crate) fn received(&self) -> u64 {
        self.received
    }

    #[inline]
    pub(crate) fn reordered(&self) -> u64 {
        self.reordered
    }

    /// A first copy in order: `sequence` is the number expected, or larger.
    #[inline]
    pub(crate) fn in_order(&mut self, sequence: u64) {
        self.received += 1;
        self.recent[self.received as usize % DEGREES] = sequence;
    }

    /// First copies in order, the numbers `from..next` one after the other.
    pub(crate) fn run(&mut self, from: u64, next: u64) {
        let count = next - from;
        self.received += count;
        if count >= DEGREES as u64 {
            // All of the ring: slot by slot, each with the number that lies as far back as the slot does.
            let (received, last) = (self.received, next - 1);
            for (slot, recent) in self.recent.iter_mut().enumerate() {
                let back = received.wrapping_sub(slot as u64) % DEGREES as u64;
                *recent = last.wrapping_sub(back);
            }
        } else {
            for back in 0..count {
                self.recent[(self.received - back) as usize % DEGREES] = next - 1 - back;
            }
        }
    }

    /// Before [`in_order`](Self::in_order): the next arrival skips the numbers from `expected` up to it.
    pub(crate) fn discontinuity(&mut self, expected: u64, sequence: u64) {
        let slot = self.slot(self.discontinuities);
        self.kept[slot] =
            Discontinuity { skipped_from: expected, position: self.received + 1, reordering: false };
        self.discontinuities += 1;
        self.largest_discontinuity = self.largest_discontinuity.max(sequence - expected);
    }

    /// A first copy smaller than the number expected.
    pub(crate) fn out_of_order(&mut self, sequence: u64) {
        let run = self.received - self.last_reordered;
        self.squares += u128::from(run) * u128::from(run);
        self.received += 1;
        self.last_reordered = self.received;
        self.reordered += 1;

        let degree = self.degree_of(sequence);
        // At least 0: the arrival just before may have been a reordered, smaller one.
        if degree > 0 {
            self.degrees[degree - 1] += 1;
        }
        self.recent[self.received as usize % DEGREES] = sequence;

        match self.skipped_by(sequence) {
            Some(slot) => {
                let found = &mut self.kept[slot];
                self.maximum_extent = self.maximum_extent.max(self.received - found.position);
                if !found.reordering {
                    found.reordering = true;
                    self.reordering_discontinuities += 1;
                }
            }
            None => self.extent_unknown += 1,
        }
    }

    /// How many of the arrivals just before position `received` are larger, without a break, up to [`DEGREES`].
    fn degree_of(&self, sequence: u64) -> usize {
        let before = (self.received - 1).min(DEGREES as u64);
        (1..=before)
            .take_while(|back| self.recent[(self.received - back) as usize % DEGREES] > sequence)
            .count()
    }

    /// The slot of the discontinuity that skipped `sequence`: the latest that begins at or below it. A hole has been skipped
    /// exactly once, and whatever skipped later begins above it.
    fn skipped_by(&self, sequence: u64) -> Option<usize> {
        let oldest = self.discontinuities.saturating_sub(self.kept.len() as u64);
        let (mut low, mut high) = (oldest, self.discontinuities);
        while low < high {
            let middle = low + (high - low) / 2;
            if self.kept[self.slot(middle)].skipped_from <= sequence {
                low = middle + 1;
            } else {
                high = middle;
            }
        }
        (low > oldest).then(|| self.slot(low - 1))
    }

    #[inline]
    fn slot(&self, discontinuity: u64) -> usize {
        discontinuity as usize & (self.kept.len() - 1)
    }

    /// What was measured, with a run of `run` more first copies in order.
    pub(crate) fn summary(&self, run: u64) -> Reordering {
        let received = self.received + run;
        let mut n_reordered: Vec<u64> = self
            .degrees
            .iter()
            .rev()
            .scan(0, |sum, count| {
                *sum += count;
                Some(*sum)
            })
            .skip_while(|sum| *sum == 0)
            .collect();
        n_reordered.reverse();
        Reordering {
            received,
            reordered: self.reordered,
            discontinuities: self.discontinuities,
            reordering_discontinuities: self.reordering_discontinuities,
            largest_discontinuity: self.largest_discontinuity,
            maximum_extent: self.maximum_extent,
            extent_unknown: self.extent_unknown,
            n_reordered,
            free_runs: self.reordered,
            free_run_frames: received - self.reordered,
            free_run_squares: self.squares as f64,
        }
    }
}
