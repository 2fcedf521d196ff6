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
const STEPS: u64 = 64;

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
    fn steps(&self, mut from: Exact, count: u64) -> Exact {
        if count > STEPS {
            return self.leap(from, count);
        }
        for _ in 0..count {
            from = self.step(from);
        }
        from
    }

    #[cold]
    fn leap(&self, from: Exact, count: u64) -> Exact {
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
    /// (burst − 1) / ceiling, and at least the 1 ns to which departures are rounded: how far ahead `full` may lie with one token still in the bucket.
    slack: Exact,
}

impl Pacer {
    /// Frame 0 is due at `start_ns`. `ceiling` is the rate of repayment (see [`FrameRate::repayment`]); a ceiling
    /// below `rate` slows the sender down to it. A `burst` of 0 means 1, which leaves no room at all: every wake-up that
    /// is late is then debt, so a real sender wants at least 2.
    pub fn new(rate: FrameRate, ceiling: FrameRate, burst: u32, start_ns: u64) -> Pacer {
        let refill = Interval::of(ceiling);
        let zero = Exact { whole: 0, part: 0 };
        let grain = Exact { whole: 1, part: 0 };
        Pacer {
            start: start_ns,
            sent: 0,
            due: zero,
            interval: Interval::of(rate),
            full: zero,
            slack: refill.leap(zero, u64::from(burst.max(1)) - 1).max(grain),
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
        self.due = self.interval.steps(self.due, count.into());
        self.full = self.refill.steps(self.full.max(now), count.into());
    }

    /// Lets go of the frames whose time has passed while none could be sent, but for the last of them; how many that is.
    /// The schedule goes on as if they had been sent on time.
    pub fn skip(&mut self, now: u64) -> u64 {
        let elapsed = now.saturating_sub(self.start);
        let Some(late) = elapsed.checked_sub(self.due.whole) else { return 0 };
        let Interval { whole, part, parts } = self.interval;
        // late - part of due < count x interval, in units of 1 / parts ns.
        let late = (u128::from(late) * u128::from(parts)).saturating_sub(u128::from(self.due.part));
        let interval = u128::from(whole) * u128::from(parts) + u128::from(part);
        let passed = u64::try_from(late / interval).unwrap_or(u64::MAX);
        self.due = self.interval.leap(self.due, passed);
        passed
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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::line::{LineRate, SECOND, line_frame_rate};

    /// The two bounds written plainly, with wide products and no state but counts: the schedule by multiplication,
    /// the bucket as a level that fills and is drawn from.
    struct Model {
        rate: FrameRate,
        ceiling: FrameRate,
        burst: u32,
        start: u64,
        sent: u64,
        /// Tokens × nanoseconds of the ceiling.
        level: u128,
        level_at: u64,
    }

    impl Model {
        fn new(rate: FrameRate, ceiling: FrameRate, burst: u32, start: u64) -> Model {
            let mut model = Model { rate, ceiling, burst, start, sent: 0, level: 0, level_at: start };
            model.level = model.capacity();
            model
        }

        /// `burst` tokens, or one and a nanosecond's worth.
        fn capacity(&self) -> u128 {
            let token = u128::from(self.ceiling.nanoseconds());
            (u128::from(self.burst) * token).max(token + u128::from(self.ceiling.frames()))
        }

        fn level(&self, now: u64) -> u128 {
            let filled = u128::from(now - self.level_at) * u128::from(self.ceiling.frames());
            (self.level + filled).min(self.capacity())
        }

        /// Whether the next frame may depart: sent / rate ≤ elapsed, and a whole token is there.
        fn may(&self, now: u64) -> bool {
            let scheduled = u128::from(self.sent) * u128::from(self.rate.nanoseconds())
                <= u128::from(now - self.start) * u128::from(self.rate.frames());
            scheduled && self.level(now) >= u128::from(self.ceiling.nanoseconds())
        }

        fn send(&mut self, now: u64) {
            self.level = self.level(now) - u128::from(self.ceiling.nanoseconds());
            self.level_at = now;
            self.sent += 1;
        }
    }

    fn gigabit(frame_size: u16) -> FrameRate {
        line_frame_rate(LineRate(SECOND), frame_size)
    }

    /// Runs the schedule from `from` until `to`, waking exactly when told. Returns the departures.
    fn run(pacer: &mut Pacer, from: u64, to: u64) -> Vec<u64> {
        let mut departures = Vec::new();
        let mut now = from.max(pacer.next_due());
        while now <= to {
            let count = pacer.due(now, 64);
            assert!(count > 0, "next_due lied: nothing due at {now}");
            pacer.sent(count, now);
            departures.extend(std::iter::repeat_n(now, count as usize));
            assert!(count == 64 || pacer.next_due() > now);
            now = now.max(pacer.next_due());
        }
        departures
    }

    /// A sender that could not send for 1 s goes on where the schedule is, and not faster.
    #[test]
    fn what_is_skipped_is_not_made_up_for() {
        let rate = FrameRate::from_per_second(1_000).unwrap();
        let mut pacer = Pacer::new(rate, rate.times(105, 100).unwrap(), 16, 500);
        let before = run(&mut pacer, 500, 500 + SECOND - 1);
        assert_eq!(before.len(), 1_000);
        let back = 500 + 2 * SECOND + 300_000;
        // Frames 1,000 to 2,000 were due by then; the last of them still goes.
        assert_eq!(pacer.skip(back), 1_000);
        assert_eq!(pacer.due(back, 64), 1);
        pacer.sent(1, back);
        assert_eq!(pacer.next_due(), 500 + 2 * SECOND + 1_000_000);
        assert_eq!(pacer.skip(back), 0, "nothing is late");
        assert_eq!(pacer.skip(0), 0);
        let after = run(&mut pacer, back, 500 + 3 * SECOND - 1);
        assert_eq!(after.len(), 999);
    }

    #[test]
    fn nothing_is_due_before_the_start() {
        let pacer = Pacer::new(gigabit(64), gigabit(64), 32, 1_000);
        assert_eq!(pacer.due(999, 64), 0);
        assert_eq!(pacer.due(0, 64), 0);
        assert_eq!(pacer.next_due(), 1_000);
        assert_eq!(pacer.due(1_000, 64), 1);
        assert_eq!(pacer.due(1_000, 0), 0);
        assert_eq!(pacer.due(1_672, 64), 2);
        assert_eq!(pacer.due(1_671, 64), 1);
    }

    #[test]
    fn a_sender_on_time_departs_at_the_first_nanosecond_not_before_the_due_time() {
        // 3 frames in 1,000 ns: 333 1/3 ns, so frames are due at 0, 333.3, 666.7, 1000, ...
        let rate = FrameRate::new(3, 1_000).unwrap();
        let mut pacer = Pacer::new(rate, rate, 1, 50);
        assert_eq!(run(&mut pacer, 0, 50 + 2_000), [50, 384, 717, 1050, 1384, 1717, 2050]);
        assert_eq!(pacer.total(), 7);
    }

    #[test]
    fn lateness_up_to_the_burst_is_caught_up_at_once() {
        let rate = gigabit(64).times(1, 2).unwrap();
        let mut pacer = Pacer::new(rate, rate.repayment(gigabit(64)), 32, 0);
        run(&mut pacer, 0, 1_344_000);
        let late = 1_344_000 + 31 * 1_344;
        assert_eq!(pacer.late(late), 30 * 1_344);
        assert_eq!(pacer.due(late, 64), 31);
        pacer.sent(31, late);
        assert_eq!(pacer.next_due(), late + 1_344, "on schedule again");
    }

    #[test]
    fn a_larger_debt_is_repaid_at_the_ceiling_and_then_the_schedule_holds_again() {
        let rate = gigabit(64).times(1, 2).unwrap();
        let ceiling = rate.repayment(gigabit(64));
        assert_eq!(ceiling, rate.times(105, 100).unwrap());
        let mut pacer = Pacer::new(rate, ceiling, 32, 0);
        run(&mut pacer, 0, SECOND);
        // Asleep for 1,000 intervals: 32 go at once, then 5 % faster than the rate until the rest is repaid.
        let wake = SECOND + 1_000 * 1_344;
        let departures = run(&mut pacer, wake, 2 * SECOND);
        assert_eq!(departures.iter().filter(|&&at| at == wake).count(), 32);
        assert_eq!(departures[32] - wake, 1_280, "one ceiling interval later");
        let repaid = departures.windows(2).position(|pair| pair[1] - pair[0] >= 1_344).unwrap();
        // (1,000 - 32 owed) / 5 % of progress a frame.
        assert!((20_000..21_000).contains(&repaid), "{repaid}");
        assert_eq!(pacer.total(), rate.frames_in(2 * SECOND) + 1, "no frame was forgotten");
        assert!(pacer.next_due() > 2 * SECOND);
    }

    #[test]
    fn at_the_ceiling_an_old_debt_stays() {
        let rate = gigabit(64);
        let mut pacer = Pacer::new(rate, rate, 32, 0);
        let wake = 1_000 * 672;
        let departures = run(&mut pacer, wake, wake + 100 * 672);
        assert_eq!(departures.len(), 32 + 100);
        assert_eq!(pacer.late(wake + 100 * 672), (1_000 - 32) * 672);
    }

    #[test]
    fn more_than_was_due_may_be_sent() {
        let rate = gigabit(64);
        let mut pacer = Pacer::new(rate, rate, 4, 0);
        pacer.sent(100, 0);
        assert_eq!(pacer.next_due(), 100 * 672);
        pacer.sent(0, u64::MAX);
        assert_eq!(pacer.next_due(), 100 * 672, "nothing sent changes nothing");
        assert_eq!(pacer.due(u64::MAX, 3), 3);
    }

    #[test]
    fn a_leap_is_many_steps() {
        for rate in [gigabit(64), gigabit(1518).times(9998, 10_000).unwrap(), FrameRate::new(7, 3).unwrap()] {
            let interval = Interval::of(rate);
            let mut stepped = Exact { whole: 5, part: 0 };
            for count in 1..=200 {
                stepped = interval.step(stepped);
                assert_eq!(interval.leap(Exact { whole: 5, part: 0 }, count), stepped);
                assert_eq!(interval.steps(Exact { whole: 5, part: 0 }, count), stepped);
            }
        }
        let slow = Interval::of(FrameRate::new(1, (1 << 62) - 1).unwrap());
        assert_eq!(slow.steps(Exact { whole: 0, part: 0 }, u32::MAX.into()).whole, u64::MAX);
        assert_eq!(slow.steps(Exact { whole: 0, part: 0 }, 64).whole, u64::MAX);
    }

    /// 72 hours of 64-octet frames at 10 Gb/s (67.2 ns each), the sender reporting once a second.
    #[test]
    fn no_drift_in_72_hours() {
        let rate = line_frame_rate(LineRate(10 * SECOND), 64);
        let start = 1_234_567;
        let mut pacer = Pacer::new(rate, rate, u32::MAX, start);
        for second in 1..=72 * 3600 {
            let elapsed = second * SECOND;
            let count = rate.frames_in(elapsed) + 1 - pacer.total();
            pacer.sent(count as u32, start + elapsed);
        }
        let frames = 72 * 3600 * 10 * SECOND / 672 + 1;
        assert_eq!(pacer.total(), frames);
        let due = (u128::from(frames) * 672).div_ceil(10) as u64;
        assert_eq!(pacer.next_due(), start + due);
        assert_eq!(pacer.due(start + due - 1, 64), 0);
        assert_eq!(pacer.due(start + due, 64), 1);
    }

    fn rates() -> impl Strategy<Value = (FrameRate, FrameRate)> {
        let odd = (1u64..2_000, 1u64..2_000_000);
        let real = (64u16..2_000, 1u64..=100).prop_map(|(size, percent)| {
            let rate = gigabit(size).times(percent, 100).unwrap();
            (rate.frames(), rate.nanoseconds())
        });
        (prop_oneof![odd, real], 100u64..200).prop_map(|((frames, ns), percent)| {
            let rate = FrameRate::new(frames, ns).unwrap();
            (rate, rate.times(percent, 100).unwrap())
        })
    }

    proptest! {
        /// By multiplication: after skipping, exactly one frame of the schedule is due, unless none was.
        #[test]
        fn skipping_leaves_one_frame_due(
            frames in 1u64..1 << 40, nanoseconds in 1u64..1 << 40, start in 0u64..1 << 40, later in 0u64..1 << 50,
        ) {
            let Some(rate) = FrameRate::new(frames, nanoseconds) else { return Ok(()) };
            let passed = u128::from(later) * u128::from(rate.frames()) / u128::from(rate.nanoseconds());
            // Frames are counted in 64 bits; 600 billion of them a nanosecond for hours are more.
            prop_assume!(passed < 1 << 63);
            let mut pacer = Pacer::new(rate, rate, 2, start);
            let now = start + later;
            let skipped = pacer.skip(now);
            prop_assert_eq!(u128::from(skipped), passed);
            prop_assert_eq!(pacer.due(now, 1), 1);
            let next = u128::from(skipped + 1) * u128::from(rate.nanoseconds());
            pacer.sent(1, now);
            let due = next.div_ceil(u128::from(rate.frames())) + u128::from(start);
            prop_assert!(pacer.next_due() >= u64::try_from(due).unwrap());
        }

        #[test]
        fn pacer_is_the_model(
            (rate, ceiling) in rates(),
            burst in 1u32..40,
            start in 0u64..1 << 40,
            wakes in prop::collection::vec((0u64..3_000, 0u32..50, any::<bool>()), 1..60),
        ) {
            let mut pacer = Pacer::new(rate, ceiling, burst, start);
            let mut model = Model::new(rate, ceiling, burst, start);
            let mut now = start;
            let mut departures = Vec::new();
            for (thousandths, max, all) in wakes {
                // Mostly a fraction of an interval later, sometimes a hundred intervals.
                let intervals = if thousandths % 10 == 0 { 100 } else { 1 };
                now += intervals * rate.time_of(thousandths) / 1_000;
                let count = pacer.due(now, max);
                // Half of the time the port takes only half of them.
                let count = if all { count } else { count / 2 };
                let mut expected = 0;
                while expected < count && model.may(now) {
                    model.send(now);
                    departures.push(now);
                    expected += 1;
                }
                prop_assert_eq!(count, expected, "at {}", now);
                pacer.sent(count, now);
                if all && count < max {
                    prop_assert!(!model.may(now), "more was due at {}", now);
                }
                let next = pacer.next_due();
                prop_assert!(next <= now || !model.may(next - 1));
                prop_assert!(model.may(next.max(now)));
            }
            // The promise itself, over every stretch: burst + t × ceiling, and never ahead of the schedule.
            let room = u128::from(burst - 1) * u128::from(ceiling.nanoseconds());
            let grain = u64::from(room < u128::from(ceiling.frames()));
            for (index, &at) in departures.iter().enumerate() {
                let ahead = u128::from(at - start) * u128::from(rate.frames())
                    < index as u128 * u128::from(rate.nanoseconds());
                prop_assert!(!ahead);
                for (before, &from) in departures[..index].iter().enumerate() {
                    let beyond = ((index - before + 1) as u128).saturating_sub(burst.into());
                    prop_assert!(
                        beyond * u128::from(ceiling.nanoseconds())
                            <= u128::from(at - from + grain) * u128::from(ceiling.frames())
                    );
                }
            }
        }

        /// A sender whose wake-ups are late by less than the burst never falls behind, even at line rate where
        /// nothing can be repaid.
        #[test]
        fn jitter_within_the_burst_is_no_debt(
            size in 64u16..1519,
            burst in 2u32..64,
            lateness in prop::collection::vec(0u64..1_000, 1..300),
        ) {
            let line = gigabit(size);
            let mut pacer = Pacer::new(line, line, burst, 0);
            for thousandths in lateness {
                let now = pacer.next_due() + line.time_of(u64::from(burst) - 1) * thousandths / 1_000;
                let count = pacer.due(now, u32::MAX);
                pacer.sent(count, now);
                prop_assert_eq!(pacer.total(), line.frames_in(now) + 1);
            }
        }

        #[test]
        fn after_any_delay_the_schedule_holds_again(
            size in 64u16..1519,
            percent in 1u64..=95,
            burst in 1u32..64,
            delays in prop::collection::vec((0u64..200, 0u64..100), 1..6),
        ) {
            let line = gigabit(size);
            let rate = line.times(percent, 100).unwrap();
            let mut pacer = Pacer::new(rate, rate.repayment(line), burst, 7);
            let mut now = 7;
            let mut owed = 0;
            for (frames, asleep) in delays {
                let wake = now + rate.time_of(frames);
                run(&mut pacer, now, wake);
                now = wake + rate.time_of(asleep);
                owed += asleep;
            }
            // 21 intervals repay one frame, and one more for rounding.
            let end = now + rate.time_of(21 * owed + 22);
            run(&mut pacer, now, end);
            prop_assert_eq!(pacer.total(), rate.frames_in(end - 7) + 1);
        }
    }
}
