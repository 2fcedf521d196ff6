//! Loss periods and distances in the sense of RFC 3357, fed by words of 64 outcomes.

use serde::{Deserialize, Serialize};

/// Inter-loss-period lengths up to this are counted exactly, one by one; longer ones together.
pub const NEAR_DISTANCE: u64 = 32;

/// One unbroken row of lost sequence numbers (RFC 3357 section 4: a loss period begins with a lost packet whose
/// predecessor was not lost).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LossPeriod {
    /// The first sequence number lost.
    pub first: u64,
    /// How many in a row, 1 or more.
    pub length: u64,
    /// Inter-loss-period length (RFC 3357 section 6.4): first lost here less last lost of the period before; 0 for
    /// the first period.
    pub distance_from_previous: u64,
}

impl LossPeriod {
    /// The last sequence number lost.
    pub fn last(&self) -> u64 {
        self.first + self.length - 1
    }
}

/// How loss was spread over the stream (RFC 3357).
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LossPattern {
    /// Loss periods, all of them.
    pub periods: u64,
    /// Sequence numbers lost, all of them.
    pub lost: u64,
    /// The length of the longest loss period.
    pub longest: u64,
    /// The shortest inter-loss-period length; none with fewer than two periods. Equal to `farthest` when loss is strictly
    /// periodic, which points at a cause with a clock or a counter.
    pub nearest: Option<u64>,
    /// The longest inter-loss-period length; none with fewer than two periods.
    pub farthest: Option<u64>,
    /// Entry i: periods whose inter-loss-period length is i + 2 (2 is the least there can be). Lengths above
    /// [`NEAR_DISTANCE`] are not in here. Trailing zeros are left off.
    pub near: Vec<u64>,
    /// The first periods, as many as the tracker was told to keep.
    pub kept: Vec<LossPeriod>,
    /// The last period of all, kept or not.
    pub last: Option<LossPeriod>,
}

impl LossPattern {
    /// Losses with a loss distance of at most `delta` (RFC 3357 section 6.1: "noticeable"). The first loss of all has
    /// distance 0 by definition and is not noticeable; the RFC's own example counts it so (3 of 5, section 6.5).
    ///
    /// None if `delta` is above [`NEAR_DISTANCE`] and periods as far apart as that were seen: they were not counted singly.
    pub fn noticeable(&self, delta: u64) -> Option<u64> {
        if delta == 0 || self.lost == 0 {
            return Some(0);
        }
        let within_periods = self.lost - self.periods;
        if self.farthest.is_none_or(|farthest| farthest <= delta) {
            return Some(within_periods + self.periods - 1);
        }
        if delta > NEAR_DISTANCE {
            return None;
        }
        let between: u64 = (2u64..=delta).zip(&self.near).map(|(_, count)| count).sum();
        Some(within_periods + between)
    }

    /// Periods that were counted but not kept singly.
    pub fn not_kept(&self) -> u64 {
        self.periods - self.kept.len() as u64
    }
}

/// Follows whether numbers, taken in order, were received or lost. Told only of changes: the cost of a row of a million
/// losses is that of one.
#[derive(Clone, Debug)]
pub(crate) struct LossRuns {
    /// Where the period now open began.
    open: Option<u64>,
    previous_last: u64,
    periods: u64,
    lost: u64,
    longest: u64,
    nearest: u64,
    farthest: u64,
    near: [u64; NEAR_DISTANCE as usize - 1],
    kept: Vec<LossPeriod>,
    keep: usize,
    last: Option<LossPeriod>,
}

impl LossRuns {
    pub(crate) fn new(keep: usize) -> Self {
        Self {
            open: None,
            previous_last: 0,
            periods: 0,
            lost: 0,
            longest: 0,
            nearest: u64::MAX,
            farthest: 0,
            near: [0; NEAR_DISTANCE as usize - 1],
            kept: Vec::with_capacity(keep),
            keep,
            last: None,
        }
    }

    /// As new, keeping what was allocated.
    pub(crate) fn reset(&mut self) {
        let mut kept = std::mem::take(&mut self.kept);
        kept.clear();
        *self = Self { kept, keep: self.keep, ..Self::new(0) };
    }

    /// `first` and what follows it were received, until [`lost_from`](Self::lost_from) says otherwise.
    #[inline]
    pub(crate) fn received_from(&mut self, first: u64) {
        if let Some(begin) = self.open.take() {
            self.record(begin, first - begin);
        }
    }

    /// `first` and what follows it were lost, until [`received_from`](Self::received_from) says otherwise.
    #[inline]
    pub(crate) fn lost_from(&mut self, first: u64) {
        if self.open.is_none() {
            self.open = Some(first);
        }
    }

    /// The outcome of `count` numbers (1..=64) from `first` on: bit i of `seen` is set if number first + i was received. Bits
    /// from `count` on do not matter.
    #[inline]
    pub(crate) fn word(&mut self, first: u64, seen: u64, count: u32) {
        if seen == u64::MAX {
            self.received_from(first);
        } else if seen == 0 {
            self.lost_from(first);
        } else {
            self.mixed_word(first, seen, count);
        }
    }

    fn mixed_word(&mut self, first: u64, seen: u64, count: u32) {
        let mut at = 0;
        while at < count {
            let rest = seen >> at;
            if rest & 1 == 1 {
                self.received_from(first + u64::from(at));
                at += rest.trailing_ones();
            } else {
                self.lost_from(first + u64::from(at));
                at += rest.trailing_zeros();
            }
        }
    }

    /// Hands over the periods kept so far, in order, as long as `takes` says yes; there is room for as many more then.
    pub(crate) fn take_kept(&mut self, mut takes: impl FnMut(LossPeriod) -> bool) {
        let taken = self.kept.iter().take_while(|period| takes(**period)).count();
        self.kept.drain(..taken);
    }

    /// Where the period now open began.
    pub(crate) fn open_from(&self) -> Option<u64> {
        self.open
    }

    /// Ends the stream: numbers from `end` on do not exist.
    pub(crate) fn close(mut self, end: u64) -> LossPattern {
        if let Some(begin) = self.open.take().filter(|begin| *begin < end) {
            self.record(begin, end - begin);
        }
        let between = self.periods > 1;
        let near_used = self.near.iter().rposition(|count| *count > 0).map_or(0, |last| last + 1);
        LossPattern {
            periods: self.periods,
            lost: self.lost,
            longest: self.longest,
            nearest: between.then_some(self.nearest),
            farthest: between.then_some(self.farthest),
            near: self.near[..near_used].to_vec(),
            kept: self.kept,
            last: self.last,
        }
    }

    fn record(&mut self, first: u64, length: u64) {
        let mut distance = 0;
        if self.periods > 0 {
            distance = first - self.previous_last;
            self.nearest = self.nearest.min(distance);
            self.farthest = self.farthest.max(distance);
            if distance <= NEAR_DISTANCE {
                self.near[distance as usize - 2] += 1;
            }
        }
        self.previous_last = first + (length - 1);
        self.periods += 1;
        self.lost += length;
        self.longest = self.longest.max(length);
        let period = LossPeriod { first, length, distance_from_previous: distance };
        if self.kept.len() < self.keep {
            self.kept.push(period);
        }
        self.last = Some(period);
    }
}
