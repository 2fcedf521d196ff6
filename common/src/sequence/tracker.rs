//! The state machine that both ends run over every intact test frame.

use serde::{Deserialize, Serialize};

use super::extend::extend;
use super::jumps::{Jump, Jumps};
use super::loss::{LossPattern, LossPeriod, LossRuns};
use super::reordering::{OrderMeter, Reordering};
use super::rfc5560::Duplication;
use super::window::{Mark, Window};

/// No trial numbers frames from here on; it keeps arithmetic far from the end of 64 bits.
const NO_LIMIT: u64 = 1 << 63;

/// What an arrival was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Arrival {
    /// The first copy of its number.
    First,
    /// A further copy.
    Copy,
    /// It cannot be judged: older than the window (a first arrival or a copy, nobody knows any more), or at or above the
    /// limit of [`Tracker::accept_below`]. Its number stays lost if it was so. Counted apart.
    Late,
}

/// What became of the sequence numbers 0..offered. `distinct + lost == offered`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    /// Numbers below `offered` that arrived at least once.
    pub distinct: u64,
    /// Arrivals beyond the first of their number.
    pub copies: u64,
    /// Numbers that arrived more than once (RFC 5560 section 5.2).
    pub replicated: u64,
    /// Arrivals older than the window: neither in `distinct` nor in `copies`.
    pub late: u64,
    /// Arrivals with a number that was never offered: first copies at or above `offered`, and all that
    /// [`Tracker::accept_below`] turned away. Not 0 only if numbers were damaged or invented on the way.
    pub beyond: u64,
    /// Numbers below `offered` that did not arrive within the window.
    pub lost: u64,
    /// Reordering of the first copies (RFC 4737), those beyond included.
    pub reordering: Reordering,
    /// How loss was spread (RFC 3357).
    pub loss: LossPattern,
}

impl Summary {
    /// RFC 5560's figures.
    pub fn duplication(&self) -> Duplication {
        let received = self.reordering.received;
        Duplication { received, arrivals: received + self.copies, replicated: self.replicated }
    }
}

/// Follows one stream of sequence numbers that starts at 0.
///
/// It remembers the latest numbers in a window, word by word: a number is judged as long as its word (64 numbers from a
/// multiple of 64 on) is one of the newest span / 64, that is for at least span − 63 numbers. The window is the loss
/// threshold of RFC 7680 and RFC 4737, counted in numbers instead of seconds: what comes back later stays lost.
///
/// Memory: a quarter of an octet for each number of the span, and at most 96 KiB for extents.
#[derive(Clone, Debug)]
pub struct Tracker {
    /// NextExp of RFC 4737: the highest number seen and 1.
    next: u64,
    /// The numbers run_from..next are the latest arrivals, one after the other, all in the newest word of the window. Window
    /// and order meter have not been told of them yet: whoever asks those adds the run, see [`Self::run`].
    run_from: u64,
    window: Window,
    order: OrderMeter,
    runs: LossRuns,
    copies: u64,
    replicated: u64,
    late: u64,
    beyond: u64,
    limit: u64,
    jumps: Jumps,
}

impl Tracker {
    /// A window of `span` numbers (rounded up to a power of two, 64 at the least), keeping the first `periods_kept` loss
    /// periods one by one. Nothing allocates after this, until [`finish`](Self::finish).
    pub fn new(span: usize, periods_kept: usize) -> Self {
        let window = Window::new(span);
        Self {
            next: 0,
            run_from: 0,
            order: OrderMeter::new(window.span()),
            window,
            runs: LossRuns::new(periods_kept),
            copies: 0,
            replicated: 0,
            late: 0,
            beyond: 0,
            limit: NO_LIMIT,
            jumps: Jumps::default(),
        }
    }

    /// Keeps the latest jumps, and who came late, until they are taken, `room` of them at most.
    #[must_use]
    pub fn with_jumps(mut self, room: usize) -> Self {
        self.jumps = Jumps::with_room(room);
        self
    }

    /// Numbers at or above `limit` (rounded up to a multiple of 64) are turned away and counted as beyond. With the most a
    /// trial may offer as the limit, one absurd number cannot push the window past everything that is still to come.
    pub fn accept_below(&mut self, limit: u64) {
        self.limit = limit.min(NO_LIMIT).next_multiple_of(64);
    }

    /// As new, with the same window and limit; allocates nothing.
    pub fn reset(&mut self) {
        self.next = 0;
        self.run_from = 0;
        self.window.reset();
        self.order.reset();
        self.runs.reset();
        self.jumps.reset();
        self.copies = 0;
        self.replicated = 0;
        self.late = 0;
        self.beyond = 0;
    }

    /// The sequence number that `low` on the wire stands for: the nearest to the highest seen, see [`extend`].
    #[inline]
    pub fn extend(&self, low: u32) -> u64 {
        // In order, nearly always: one more than the highest is the nearest there is.
        if low == self.next as u32 {
            return self.next;
        }
        extend(low, self.next.saturating_sub(1))
    }

    /// Takes note of one arrival.
    #[inline]
    pub fn arrive(&mut self, sequence: u64) -> Arrival {
        self.arrive_noting(sequence, 0)
    }

    /// The same; if the number is a jump, or late, `note` is kept with it.
    #[inline]
    pub fn arrive_noting(&mut self, sequence: u64, note: u64) -> Arrival {
        // The path of nearly every frame: the number expected, in the newest word of the window. It lengthens the run.
        if sequence == self.next && sequence & 63 != 0 {
            self.next = following(sequence);
            return Arrival::First;
        }
        self.arrive_otherwise(sequence, note)
    }

    /// [`extend`](Self::extend) and [`arrive`](Self::arrive) in one, for those who need not know the number: cheaper, in
    /// order.
    #[inline]
    pub fn arrive_low(&mut self, low: u32) -> Arrival {
        self.arrive_low_noting(low, 0)
    }

    /// The same; if the number is a jump, or late, `note` is kept with it.
    #[inline]
    pub fn arrive_low_noting(&mut self, low: u32, note: u64) -> Arrival {
        if low == self.next as u32 && low & 63 != 0 {
            self.next = following(self.next);
            return Arrival::First;
        }
        self.arrive_otherwise(self.extend(low), note)
    }

    /// How many numbers the run has.
    #[inline]
    fn run(&self) -> u64 {
        self.next - self.run_from
    }

    /// The run as bits of the newest word: at most 63 of them, because the number that begins a word is never in a run.
    fn run_bits(&self) -> u64 {
        ((1 << self.run()) - 1) << (self.run_from & 63)
    }

    /// Tells window and order meter of the run.
    fn settle_run(&mut self) {
        self.window.mark_run(self.run_bits());
        self.order.run(self.run_from, self.next);
        self.run_from = self.next;
    }

    #[inline(never)]
    fn arrive_otherwise(&mut self, sequence: u64, note: u64) -> Arrival {
        self.settle_run();
        if sequence >= self.next {
            if sequence >= self.limit {
                self.beyond += 1;
                return Arrival::Late;
            }
            self.window.cover(sequence, &mut self.runs);
            self.window.mark_new(sequence);
            if sequence > self.next {
                self.order.discontinuity(self.next, sequence);
                self.jumps.push(Jump { from: self.next, to: sequence, note, late: false });
            }
            self.next = sequence + 1;
            self.run_from = self.next;
            self.order.in_order(sequence);
            return Arrival::First;
        }
        if self.window.has_left(sequence) {
            self.late += 1;
            return Arrival::Late;
        }
        match self.window.mark(sequence) {
            Mark::New => {
                self.order.out_of_order(sequence);
                self.jumps.push(Jump { from: sequence, to: sequence + 1, note, late: true });
                Arrival::First
            }
            Mark::Copy { again } => {
                self.copies += 1;
                self.replicated += u64::from(!again);
                Arrival::Copy
            }
        }
    }

    /// What became of the numbers 0..offered, taking what is in the window for final. Changes nothing: more may arrive and it
    /// may be asked again. Allocates.
    ///
    /// Exact as long as no number beyond `offered` has left the window, which takes two of them, a window apart;
    /// [`accept_below`](Self::accept_below) rules that out.
    pub fn finish(&self, offered: u64) -> Summary {
        let run = self.run_bits();
        let beyond = self.window.seen_from(offered, run);
        let distinct = (self.distinct() - beyond).min(offered);
        let mut runs = self.runs.clone();
        self.window.settle(offered, run, &mut runs);
        Summary {
            distinct,
            copies: self.copies,
            replicated: self.replicated,
            late: self.late,
            beyond: beyond + self.beyond,
            lost: offered - distinct,
            reordering: self.order.summary(self.run()),
            loss: runs.close(offered),
        }
    }

    /// The oldest jump, or late arrival, that was kept, once.
    pub fn take_jump(&mut self) -> Option<Jump> {
        self.jumps.pop()
    }

    /// Hands over the loss periods that are final and were kept, in order, as long as `takes` says yes; there is room for as
    /// many more then. [`finish`](Self::finish) keeps only those that were not taken; its sums are of all.
    pub fn take_periods(&mut self, takes: impl FnMut(LossPeriod) -> bool) {
        self.runs.take_kept(takes);
    }

    /// Every loss period that ends below this is final and has been kept, if there was room. A period at the very edge may
    /// still grow.
    #[must_use]
    pub fn final_below(&self) -> u64 {
        let begins = self.window.begins();
        self.runs.open_from().map_or(begins, |open| open.min(begins))
    }

    /// Numbers that arrived at least once.
    #[inline]
    pub fn distinct(&self) -> u64 {
        self.order.received() + self.run()
    }

    /// Arrivals beyond the first of their number.
    #[inline]
    pub fn copies(&self) -> u64 {
        self.copies
    }

    /// Numbers that arrived more than once.
    #[inline]
    pub fn replicated(&self) -> u64 {
        self.replicated
    }

    /// Arrivals older than the window.
    #[inline]
    pub fn late(&self) -> u64 {
        self.late
    }

    /// Arrivals turned away by the limit of [`accept_below`](Self::accept_below).
    #[inline]
    pub fn beyond(&self) -> u64 {
        self.beyond
    }

    /// First copies that arrived after a larger number.
    #[inline]
    pub fn reordered(&self) -> u64 {
        self.order.reordered()
    }

    /// Whether a number is older than the window, so that its arrival could not be judged.
    #[inline]
    pub fn is_late(&self, sequence: u64) -> bool {
        self.window.has_left(sequence)
    }

    /// Whether a number has arrived; false for one that the window no longer covers.
    #[inline]
    pub fn contains(&self, sequence: u64) -> bool {
        sequence < self.next
            && (sequence >= self.run_from
                || !self.window.has_left(sequence) && self.window.contains(sequence))
    }

    /// The highest number seen; none before the first arrival.
    #[inline]
    pub fn highest(&self) -> Option<u64> {
        self.next.checked_sub(1)
    }

    /// The same; 0 before the first arrival.
    #[inline]
    pub fn highest_so_far(&self) -> u64 {
        self.next.saturating_sub(1)
    }

    /// Numbers below the highest seen that have not arrived. It shrinks again when a hole in the window is filled.
    #[inline]
    pub fn lost_so_far(&self) -> u64 {
        self.run_from - self.order.received()
    }

    /// The numbers the window has room for.
    pub fn span(&self) -> usize {
        self.window.span()
    }
}

/// The number after one that was accepted: below the limit, so that it never wraps.
#[inline(always)]
const fn following(sequence: u64) -> u64 {
    sequence.wrapping_add(1)
}
