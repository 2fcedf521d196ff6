//! What a long trial tells while it runs: every interval, and every loss as soon as it is certain.
//!
//! The receiver does this in the same cold moment, about once a second, in which it takes a sample of the clocks. What it
//! tells goes into a channel of fixed size that is never waited for: what finds no room there is told the next time.

use std::collections::VecDeque;
use std::sync::mpsc::{SyncSender, TrySendError};

use hdrhistogram::Histogram;
use kitproof_common::sequence::split::{Lost, Split};
use kitproof_common::sequence::{LossPattern, Tracker};

use super::latency::histogram;
use crate::verdict::HomeCounts;

/// Where it is told, and how often.
#[derive(Clone, Debug)]
pub struct Telling {
    pub every_ns: u64,
    pub to: SyncSender<Told>,
}

/// Room that a channel for it should have.
pub const ROOM: usize = 16_384;

/// What is told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Told {
    Interval(Interval),
    Lost(Lost),
}

/// An interval that is over. Counts are of the whole trial up to its end.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Interval {
    /// When it began and ended, monotonic ns.
    pub from_ns: u64,
    pub until_ns: u64,
    /// Frames that had left by then.
    pub offered: u64,
    /// Distinct frames home by then.
    pub home: u64,
    /// Missing below the highest that was home by then, both ways and on return. A frame that is only late is among them.
    pub missing: u64,
    pub missing_on_return: u64,
    pub counts: Few,
    /// Round trips of the frames that came home within it; none if there was no frame.
    pub round_trip: Option<Spread>,
    /// The wall clock was stepped within it.
    pub stepped: bool,
    /// Losses that found no room to be told one by one, so far.
    pub untold_periods: u64,
}

/// The other counts of a trial so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Few {
    pub copies_forward: u64,
    pub copies_return: u64,
    pub reordered: u64,
    pub reordered_return: u64,
    pub damaged: u64,
    pub foreign: u64,
}

/// Round trips, nanoseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Spread {
    pub frames: u64,
    pub least: u64,
    pub p50: u64,
    pub p99: u64,
    pub p99_9: u64,
    pub greatest: u64,
}

impl Spread {
    /// `None` of no value.
    #[must_use]
    pub fn of(histogram: &Histogram<u64>) -> Option<Spread> {
        let at = |quantile| histogram.value_at_quantile(quantile);
        (!histogram.is_empty()).then(|| Spread {
            frames: histogram.len(),
            least: histogram.min(),
            p50: at(0.5),
            p99: at(0.99),
            p99_9: at(0.999),
            greatest: histogram.max(),
        })
    }
}

/// The receiver's side of it.
pub struct Teller {
    telling: Telling,
    split: Split,
    /// What found no room in the channel yet.
    waiting: VecDeque<Told>,
    untold: u64,
    pub(super) round_trips: Histogram<u64>,
    begun_ns: u64,
    stepped: bool,
}

/// Losses that wait for room in the channel.
const WAITING: usize = 4_096;

impl Teller {
    #[must_use]
    pub fn new(telling: Telling, start_ns: u64) -> Self {
        Self {
            telling,
            split: Split::default(),
            waiting: VecDeque::with_capacity(WAITING),
            untold: 0,
            round_trips: histogram(),
            begun_ns: start_ns,
            stepped: false,
        }
    }

    /// A second is over; whether it ends an interval.
    pub fn second(
        &mut self,
        now: u64,
        stepped: bool,
        sequences: &mut Tracker,
        numbers: &mut Tracker,
    ) -> bool {
        self.stepped |= stepped;
        let Self { split, waiting, untold, .. } = self;
        split.take(sequences, numbers, |lost| keep(waiting, untold, lost));
        self.flush();
        now.saturating_sub(self.begun_ns) + SLACK_NS >= self.telling.every_ns
    }

    /// Tells of the interval that ends now; `what` has its counts.
    pub fn interval(&mut self, now: u64, what: Interval) {
        let told = Interval {
            from_ns: self.begun_ns,
            until_ns: now,
            round_trip: Spread::of(&self.round_trips),
            stepped: self.stepped,
            untold_periods: self.untold,
            ..what
        };
        self.begun_ns = now;
        self.stepped = false;
        if self.waiting.len() < WAITING {
            self.waiting.push_back(Told::Interval(told));
        }
        self.flush();
    }

    /// Nothing more arrives: what is left is told.
    pub fn finish(&mut self, sequences: &LossPattern, numbers: &LossPattern) {
        let Self { split, waiting, untold, .. } = self;
        split.finish(sequences, numbers, |lost| keep(waiting, untold, lost));
        self.flush();
    }

    fn flush(&mut self) {
        while let Some(told) = self.waiting.front() {
            match self.telling.to.try_send(*told) {
                Ok(()) | Err(TrySendError::Disconnected(_)) => self.waiting.pop_front(),
                Err(TrySendError::Full(_)) => return,
            };
        }
    }
}

/// Seconds are a little longer than a second, never shorter.
const SLACK_NS: u64 = 100_000_000;

fn keep(waiting: &mut VecDeque<Told>, untold: &mut u64, lost: Lost) {
    if waiting.len() < WAITING {
        waiting.push_back(Told::Lost(lost));
    } else {
        *untold += 1;
    }
}

/// The counts that an interval tells, from those of the receiver.
pub(super) fn few(counts: &HomeCounts, sequences: &Tracker, numbers: &Tracker, damaged: u64) -> Few {
    Few {
        copies_forward: counts.copies_forward_home,
        copies_return: counts.copies_return,
        reordered: sequences.reordered(),
        reordered_return: numbers.reordered(),
        damaged,
        foreign: counts.foreign,
    }
}
