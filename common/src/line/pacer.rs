//! Which frames may depart now.

use super::FrameRate;

/// An instant or a stretch of time: `whole` ns and `part` / (frames of the rate it is stepped by) ns.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
struct Exact {
    whole: u64,
    part: u64,
}

/// The interval of a rate, split so that stepping needs no division.
#[derive(Clone, Copy, Debug)]
struct Interval {
    whole: u64,
    part: u64,
    parts: u64,
}

/// Up to here stepping one by one is cheaper than the wide division.
const STEPS: u32 = 64;

impl Interval {
    fn of(rate: FrameRate) -> Interval {
        let (frames, nanoseconds) = (rate.frames(), rate.nanoseconds());
        Interval { whole: nanoseconds / frames, part: nanoseconds % frames, parts: frames }
    }

    #[inline]
    fn step(&self, from: Exact) -> Exact {
        // Both below 2^62 (FrameRate), so the sum cannot overflow.
        let part = from.part + self.part;
        let carry = part >= self.parts;
        Exact {
            whole: from.whole.saturating_add(self.whole + u64::from(carry)),
            part: if carry { part - self.parts } else { part },
        }
    }

    #[inline]
    fn steps(&self, mut from: Exact, count: u32) -> Exact {
        if count > STEPS {
            return self.leap(from, count);
        }
        for _ in 0..count {
            from = self.step(from);
        }
        from
    }

    #[cold]
    fn leap(&self, from: Exact, count: u32) -> Exact {
        let parts = u128::from(self.part) * u128::from(count) + u128::from(from.part);
        let carry = parts / u128::from(self.parts);
        let whole = u128::from(from.whole) + u128::from(self.whole) * u128::from(count) + carry;
        Exact {
            whole: u64::try_from(whole).unwrap_or(u64::MAX),
            part: (parts % u128::from(self.parts)) as u64,
        }
    }
}

/// The pacing schedule: frame *i* is due at exactly start + *i* / rate, and a late sender repays its debt gently.
///
/// Two bounds hold at once. The *schedule*: no frame departs before its due time. The *bucket*: it holds `burst`
/// tokens, fills at `ceiling`, and a departure takes one, so that no stretch of time *t* sees more than
/// `burst` + *t* × `ceiling` departures. A sender that is late by up to `burst` frames thus catches up at once; what
/// it owes beyond is repaid at `ceiling`, and once repaid frame *i* departs on its due time again: there is no
/// drift. With `ceiling` = `rate` the older debt is never repaid.
///
/// Times are nanoseconds of the caller's monotonic clock. No division, no allocation.
#[derive(Clone, Debug)]
pub struct Pacer {
    start: u64,
    sent: u64,
    /// Due time of the next frame, after `start`.
    due: Exact,
    interval: Interval,
    /// When the bucket will be full again, after `start` (the generic cell rate algorithm's "theoretical arrival
    /// time"): it holds `burst` − (full − now) × ceiling tokens.
    full: Exact,
    refill: Interval,
    /// (burst − 1) / ceiling: how far ahead `full` may lie with one token still in the bucket.
    slack: Exact,
}

impl Pacer {
    /// Frame 0 is due at `start_ns`. `ceiling` is the rate of repayment (see [`FrameRate::repayment`]); a ceiling
    /// below `rate` slows the sender down to it. A `burst` of 0 means 1.
    pub fn new(rate: FrameRate, ceiling: FrameRate, burst: u32, start_ns: u64) -> Pacer {
        let refill = Interval::of(ceiling);
        let zero = Exact { whole: 0, part: 0 };
        Pacer {
            start: start_ns,
            sent: 0,
            due: zero,
            interval: Interval::of(rate),
            full: zero,
            slack: refill.leap(zero, burst.max(1) - 1),
            refill,
        }
    }

    /// How many frames may depart at `now`, at most `max`. Changes nothing; tell [`sent`](Self::sent) what departed.
    #[inline]
    pub fn due(&self, now: u64, max: u32) -> u32 {
        let Some(elapsed) = now.checked_sub(self.start) else { return 0 };
        let now = Exact { whole: elapsed, part: 0 };
        let horizon = Exact { whole: elapsed.saturating_add(self.slack.whole), part: self.slack.part };
        let mut due = self.due;
        let mut full = self.full.max(now);
        let mut count = 0;
        while count < max && due <= now && full <= horizon {
            count += 1;
            due = self.interval.step(due);
            full = self.refill.step(full);
        }
        count
    }

    /// `count` frames departed at `now`. More than were due is allowed (the NIC may pace instead): the schedule
    /// goes on from there.
    #[inline]
    pub fn sent(&mut self, count: u32, now: u64) {
        if count == 0 {
            return;
        }
        let now = Exact { whole: now.saturating_sub(self.start), part: 0 };
        self.sent += u64::from(count);
        self.due = self.interval.steps(self.due, count);
        self.full = self.refill.steps(self.full.max(now), count);
    }

    /// The first nanosecond at which [`due`](Self::due) is not 0, by the same clock. `u64::MAX` if never.
    #[inline]
    pub fn next_due(&self) -> u64 {
        let scheduled = self.due.whole.saturating_add(u64::from(self.due.part > 0));
        let filled = self.full.whole.saturating_add(u64::from(self.full.part > self.slack.part));
        self.start.saturating_add(scheduled.max(filled.saturating_sub(self.slack.whole)))
    }

    /// Frames sent so far.
    #[inline]
    pub fn total(&self) -> u64 {
        self.sent
    }

    /// How late the next frame is at `now`, in nanoseconds: 0 when it is not due yet.
    #[inline]
    pub fn late(&self, now: u64) -> u64 {
        now.saturating_sub(self.start).saturating_sub(self.due.whole)
    }
}
