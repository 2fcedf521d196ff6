//! What was offered, measured (RFC 2285 section 3.5.2): the mean rate, and how evenly it was kept.

use serde::{Deserialize, Serialize};

use super::{FrameRate, SECOND};

/// The window in which evenness is judged, in nanoseconds.
pub const WINDOW_NS: u64 = 100_000_000;

/// Measures departures. No allocation after [`new`](Self::new).
///
/// Windows of `window_ns` are counted from the first departure. A window is odd when it holds fewer than 99 % of
/// the frames intended, or more than the line carries, by more than the allowance: where a window is cut is no
/// fault of the sender, which is worth one frame, or as many as the sender hands over at a time.
#[derive(Clone, Debug)]
pub struct OfferedMeter {
    frames: u64,
    first: u64,
    /// Frames that departed at `first`: they mark the beginning of the time measured, and are not counted in it.
    opening: u64,
    last: u64,
    run: u64,
    longest_burst: u64,
    /// Where the open window begins; `u64::MAX` before the first departure.
    window: u64,
    in_window: u64,
    closed: Closed,
    rules: Rules,
}

#[derive(Clone, Copy, Debug)]
struct Rules {
    window_ns: u64,
    /// The longest wait after a departure that a sender on time makes, rounded up.
    interval_ns: u64,
    intended: f64,
    /// Fewer than these are below 90 % and 99 % of what was intended, before the allowance.
    below_90: u64,
    below_99: u64,
    /// More than these are above the line, before the allowance.
    above: u64,
    allowance: u64,
    kept: usize,
}

/// What the closed windows held.
#[derive(Clone, Debug)]
struct Closed {
    count: u64,
    below_99: u64,
    below_90: u64,
    above: u64,
    fewest: u64,
    most: u64,
    worst: Vec<Odd>,
}

#[derive(Clone, Copy, Debug)]
struct Odd {
    start: u64,
    frames: u64,
    /// Frames outside what is right.
    by: u64,
}

impl OfferedMeter {
    /// `rate` is what was intended, `line` what the line carries at that frame size, `window_ns` normally
    /// [`WINDOW_NS`]; at most `windows_kept` odd windows are kept, the worst ones.
    ///
    /// # Panics
    /// If `window_ns` is 0.
    pub fn new(rate: FrameRate, line: FrameRate, window_ns: u64, windows_kept: usize) -> OfferedMeter {
        assert!(window_ns > 0, "a window takes time");
        let share = |hundredths: u128| {
            let frames = u128::from(rate.frames()) * u128::from(window_ns) * hundredths;
            u64::try_from(frames.div_ceil(u128::from(rate.nanoseconds()) * 100)).unwrap_or(u64::MAX)
        };
        OfferedMeter {
            frames: 0,
            first: 0,
            opening: 0,
            last: 0,
            run: 0,
            longest_burst: 0,
            window: u64::MAX,
            in_window: 0,
            closed: Closed {
                count: 0,
                below_99: 0,
                below_90: 0,
                above: 0,
                fewest: u64::MAX,
                most: 0,
                worst: Vec::with_capacity(windows_kept),
            },
            rules: Rules {
                window_ns,
                interval_ns: rate.nanoseconds().div_ceil(rate.frames()),
                intended: rate.per_second() * window_ns as f64 / SECOND as f64,
                below_90: share(90),
                below_99: share(99),
                above: line.frames_in(window_ns),
                allowance: 1,
                kept: windows_kept,
            },
        }
    }

    /// A window may be outside by `frames` (1 unless told) before it counts as odd: as many as are handed to the
    /// driver at a time, or in flight to it.
    #[must_use]
    pub fn with_allowance(mut self, frames: u32) -> OfferedMeter {
        self.rules.allowance = u64::from(frames.max(1));
        self
    }

    /// `count` frames departed at `at` ns. `waited`: the sender idled since the departure before, which ends a burst.
    #[inline]
    pub fn departed(&mut self, count: u32, at: u64, waited: bool) {
        if count == 0 {
            return;
        }
        let count = u64::from(count);
        if at.saturating_sub(self.window) >= self.rules.window_ns || self.frames == self.opening {
            self.turn(count, at);
        }
        self.frames += count;
        self.in_window += count;
        self.last = self.last.max(at);
        self.run = if waited { count } else { self.run + count };
        self.longest_burst = self.longest_burst.max(self.run);
    }

    /// The first instant, and every departure that is past the open window.
    #[cold]
    fn turn(&mut self, count: u64, at: u64) {
        if self.frames == 0 {
            self.first = at;
            self.window = at;
        }
        if at <= self.first {
            self.opening += count;
            return;
        }
        let rules = self.rules;
        let over = at.saturating_sub(self.window) / rules.window_ns;
        if over == 0 {
            return;
        }
        self.closed.close(&rules, self.window, self.in_window);
        // A stall: every window between was empty.
        self.closed.close_empty(&rules, self.window + rules.window_ns, over - 1);
        self.window += over * rules.window_ns;
        self.in_window = 0;
    }

    /// Frames so far.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// The longest burst so far, in frames.
    pub fn longest_burst(&self) -> u64 {
        self.longest_burst
    }

    /// What was offered. The last window counts if the next frame would have been due at or after its end; a
    /// window only partly used is left out.
    pub fn finish(&self) -> Offered {
        let rules = &self.rules;
        let mut closed = self.closed.clone();
        if self.frames > 0 && (self.last - self.window).saturating_add(rules.interval_ns) >= rules.window_ns {
            closed.close(rules, self.window, self.in_window);
        }
        let duration = self.last - self.first;
        let percent = |frames: u64| 100.0 * frames as f64 / rules.intended;
        closed.worst.sort_by_key(|odd| odd.start);
        let seconds = duration as f64 / SECOND as f64;
        Offered {
            frames: self.frames,
            first_ns: self.first,
            last_ns: self.last,
            duration_s: seconds,
            rate: (duration > 0).then(|| (self.frames - self.opening) as f64 / seconds),
            windows: Windows {
                window_s: rules.window_ns as f64 / SECOND as f64,
                count: closed.count,
                below_99_percent: closed.below_99,
                below_90_percent: closed.below_90,
                above_line: closed.above,
                lowest_percent: (closed.count > 0).then(|| percent(closed.fewest)),
                highest_percent: (closed.count > 0).then(|| percent(closed.most)),
                worst: closed
                    .worst
                    .iter()
                    .map(|odd| OddWindow {
                        start_s: (odd.start - self.first) as f64 / SECOND as f64,
                        percent: percent(odd.frames),
                    })
                    .collect(),
            },
            longest_burst: self.longest_burst,
        }
    }
}

impl Closed {
    fn close(&mut self, rules: &Rules, start: u64, frames: u64) {
        self.count += 1;
        self.fewest = self.fewest.min(frames);
        self.most = self.most.max(frames);
        let allowed = frames.saturating_add(rules.allowance);
        self.below_90 += u64::from(allowed < rules.below_90);
        if allowed < rules.below_99 {
            self.below_99 += 1;
            self.keep(rules, Odd { start, frames, by: rules.below_99 - frames });
        }
        if frames > rules.above.saturating_add(rules.allowance) {
            self.above += 1;
            self.keep(rules, Odd { start, frames, by: frames - rules.above });
        }
    }

    fn close_empty(&mut self, rules: &Rules, start: u64, count: u64) {
        // Each is as bad as the next: what would not be kept needs only counting.
        let listed = count.min(rules.kept as u64 + 1);
        for index in 0..listed {
            self.close(rules, start + index * rules.window_ns, 0);
        }
        let rest = count - listed;
        self.count += rest;
        self.below_99 += if rules.allowance < rules.below_99 { rest } else { 0 };
        self.below_90 += if rules.allowance < rules.below_90 { rest } else { 0 };
    }

    fn keep(&mut self, rules: &Rules, odd: Odd) {
        if self.worst.len() < rules.kept {
            self.worst.push(odd);
        } else if let Some(mildest) = self.worst.iter_mut().min_by_key(|kept| kept.by)
            && mildest.by < odd.by
        {
            *mildest = odd;
        }
    }
}

/// What was offered.
#[derive(Serialize, Deserialize, Clone, PartialEq, Debug)]
pub struct Offered {
    /// Frames that departed.
    pub frames: u64,
    /// First departure, ns of the caller's clock; 0 if there was none.
    pub first_ns: u64,
    /// Last departure, ns.
    pub last_ns: u64,
    /// From first to last departure, seconds.
    pub duration_s: f64,
    /// Mean frames a second over that time. N frames one by one have N − 1 intervals between the first and the
    /// last, so this is (N − 1) / duration; where several departed at the first instant, all of them are the
    /// fence post: they fill a queue whose draining is what the later stamps show. `None` without two instants.
    pub rate: Option<f64>,
    /// How even it was.
    pub windows: Windows,
    /// Most frames sent without the sender waiting between them.
    pub longest_burst: u64,
}

impl Offered {
    /// Several flows together, each measured at its share of the load, whose frames are `interval_ns` apart (rounded up).
    ///
    /// The rate is the sum of theirs. A flow that ended more than an interval before the last one counts as if it had gone on
    /// until then without a frame. The windows are those of every flow, held against its share: what all of
    /// them offered together is uneven only where some flow is. The longest burst is the sum of theirs: what may have stood
    /// back to back on the line.
    #[must_use]
    pub fn together(flows: &[Offered], interval_ns: u64) -> Option<Offered> {
        let [first, ..] = flows else { return None };
        if flows.len() == 1 {
            return Some(first.clone());
        }
        let sent = || flows.iter().filter(|flow| flow.frames > 0);
        let first_ns = sent().map(|flow| flow.first_ns).min().unwrap_or(0);
        let last_ns = sent().map(|flow| flow.last_ns).max().unwrap_or(0);
        let rate = |flow: &Offered| {
            let whole = (last_ns - flow.first_ns) as f64 / SECOND as f64;
            let ended = last_ns - flow.last_ns > interval_ns;
            let rate = flow.rate?;
            Some(if ended { rate * flow.duration_s / whole } else { rate })
        };
        let rates: Vec<f64> = sent().filter_map(rate).collect();
        let sum = |count: fn(&Windows) -> u64| flows.iter().map(|flow| count(&flow.windows)).sum();
        let all = |percent: fn(&Windows) -> Option<f64>| {
            flows.iter().filter_map(move |flow| percent(&flow.windows))
        };
        let mut worst: Vec<OddWindow> = sent()
            .flat_map(|flow| {
                let later = (flow.first_ns - first_ns) as f64 / SECOND as f64;
                flow.windows.worst.iter().map(move |odd| OddWindow { start_s: odd.start_s + later, ..*odd })
            })
            .collect();
        worst.sort_by(|one, other| one.start_s.total_cmp(&other.start_s));
        Some(Offered {
            frames: flows.iter().map(|flow| flow.frames).sum(),
            first_ns,
            last_ns,
            duration_s: (last_ns - first_ns) as f64 / SECOND as f64,
            rate: (!rates.is_empty()).then(|| rates.iter().sum()),
            windows: Windows {
                window_s: first.windows.window_s,
                count: sum(|windows| windows.count),
                below_99_percent: sum(|windows| windows.below_99_percent),
                below_90_percent: sum(|windows| windows.below_90_percent),
                above_line: sum(|windows| windows.above_line),
                lowest_percent: all(|windows| windows.lowest_percent).min_by(f64::total_cmp),
                highest_percent: all(|windows| windows.highest_percent).max_by(f64::total_cmp),
                worst,
            },
            longest_burst: flows.iter().map(|flow| flow.longest_burst).sum(),
        })
    }
}

/// How evenly the frames departed, window by window.
#[derive(Serialize, Deserialize, Clone, PartialEq, Debug)]
pub struct Windows {
    /// Length of a window, seconds.
    pub window_s: f64,
    /// Whole windows.
    pub count: u64,
    /// Windows with fewer than 99 % of the frames intended, allowance given.
    pub below_99_percent: u64,
    /// Windows with fewer than 90 %, allowance given.
    pub below_90_percent: u64,
    /// Windows with more than the line carries, allowance given.
    pub above_line: u64,
    /// Frames of the emptiest window in percent of what was intended, no allowance given: where windows hold few
    /// frames this says more about the cut than about the sender. `None` without a whole window.
    pub lowest_percent: Option<f64>,
    /// The same for the fullest window.
    pub highest_percent: Option<f64>,
    /// The odd windows kept, in order of time.
    pub worst: Vec<OddWindow>,
}

/// A window below 99 % of the intended rate or above line rate.
#[derive(Serialize, Deserialize, Clone, Copy, PartialEq, Debug)]
pub struct OddWindow {
    /// Seconds after the first departure.
    pub start_s: f64,
    /// Frames in percent of what was intended.
    pub percent: f64,
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::line::{LineRate, line_frame_rate};

    fn gigabit() -> FrameRate {
        line_frame_rate(LineRate(SECOND), 64)
    }

    fn meter(rate: FrameRate) -> OfferedMeter {
        OfferedMeter::new(rate, gigabit(), WINDOW_NS, 8)
    }

    #[test]
    fn n_frames_have_n_minus_1_intervals() {
        let rate = FrameRate::from_per_second(1_000).unwrap();
        let mut meter = meter(rate);
        for index in 0..10_000 {
            meter.departed(1, 5_000 + rate.time_of(index), true);
        }
        let offered = meter.finish();
        assert_eq!((offered.frames, offered.first_ns, offered.last_ns), (10_000, 5_000, 9_999_005_000));
        assert_eq!(offered.duration_s, 9.999);
        assert_eq!(offered.rate, Some(1_000.0));
        assert_eq!(offered.longest_burst, 1);
        let windows = &offered.windows;
        // The last window is whole: the frame after the last would open the next one.
        assert_eq!((windows.count, windows.below_99_percent, windows.above_line), (100, 0, 0));
        assert_eq!((windows.lowest_percent, windows.highest_percent), (Some(100.0), Some(100.0)));
        assert!(windows.worst.is_empty());
    }

    /// Frames of one schedule dealt out to flows, each with a meter, against one meter that sees them all.
    fn dealt(rate: FrameRate, flows: u64, departs: impl Fn(u64) -> Option<u64>, frames: u64) -> [Offered; 2] {
        let share = rate.times(1, flows).unwrap();
        let line = gigabit().times(1, flows).unwrap();
        let mut meters: Vec<_> = (0..flows).map(|_| OfferedMeter::new(share, line, WINDOW_NS, 8)).collect();
        let mut whole = meter(rate);
        for index in 0..frames {
            let Some(at) = departs(index) else { continue };
            meters[(index % flows) as usize].departed(1, at, true);
            whole.departed(1, at, true);
        }
        let parts: Vec<_> = meters.iter().map(OfferedMeter::finish).collect();
        [Offered::together(&parts, share.time_of(1) + 1).unwrap(), whole.finish()]
    }

    #[test]
    fn flows_together_offer_what_one_would() {
        let rate = FrameRate::from_per_second(30_000).unwrap();
        for (flows, frames) in [(1, 9_000), (2, 9_001), (3, 9_000), (8, 30_007)] {
            let [sum, whole] = dealt(rate, flows, |index| Some(77 + rate.time_of(index)), frames);
            assert_eq!(
                (sum.frames, sum.first_ns, sum.last_ns),
                (whole.frames, whole.first_ns, whole.last_ns)
            );
            assert_eq!(sum.duration_s, whole.duration_s);
            let off = sum.rate.unwrap() / whole.rate.unwrap() - 1.0;
            assert!(off.abs() < 1e-6, "{flows} flows: {off}");
            assert_eq!((sum.windows.below_99_percent, sum.windows.above_line), (0, 0));
            assert_eq!(sum.longest_burst, flows);
        }
    }

    /// One flow of four ends half way: the load is seven eighths of what it should be, and not all of it.
    #[test]
    fn a_flow_that_ended_early_is_missed() {
        let rate = FrameRate::from_per_second(40_000).unwrap();
        let alive = |index: u64| (index % 4 != 1 || index < 20_000).then(|| rate.time_of(index));
        let [sum, whole] = dealt(rate, 4, alive, 40_000);
        let expected = 40_000.0 * 7.0 / 8.0;
        for found in [sum.rate.unwrap(), whole.rate.unwrap()] {
            assert!((found / expected - 1.0).abs() < 200e-6, "{found}");
        }
        // And one that never began.
        let [sum, _] = dealt(rate, 4, |index| (index % 4 != 1).then(|| rate.time_of(index)), 40_000);
        assert!((sum.rate.unwrap() / 30_000.0 - 1.0).abs() < 1e-6, "{sum:?}");
    }

    /// What is odd in all of them together is odd in one of them.
    #[test]
    fn a_stall_of_one_flow_is_told() {
        let rate = FrameRate::from_per_second(40_000).unwrap();
        let stalls =
            |index: u64| (index % 4 != 1 || !(12_000..16_000).contains(&index)).then(|| rate.time_of(index));
        let [sum, whole] = dealt(rate, 4, stalls, 40_000);
        assert_eq!((whole.windows.below_99_percent, sum.windows.below_99_percent), (1, 1));
        assert_eq!((sum.windows.count, whole.windows.count), (40, 10));
        assert_eq!(sum.windows.lowest_percent.map(f64::round), Some(0.0));
        assert!((sum.windows.worst[0].start_s - 0.3).abs() < 1e-3);
    }

    #[test]
    fn without_two_instants_there_is_no_rate() {
        let mut meter = meter(gigabit());
        let none = meter.finish();
        assert_eq!((none.frames, none.rate, none.windows.count), (0, None, 0));
        assert_eq!(none.windows.lowest_percent, None);
        meter.departed(0, 99, true);
        assert_eq!(meter.finish(), none, "a departure of nothing is none");
        meter.departed(1, 1_000, true);
        meter.departed(3, 1_000, false);
        let one = meter.finish();
        assert_eq!((one.frames, one.duration_s, one.rate, one.longest_burst), (4, 0.0, None, 4));
    }

    #[test]
    fn a_queue_filled_at_the_start_is_the_fence_post() {
        // 512 slots filled at once, then 32 as each 32 frames have left: the line runs at exactly its rate.
        let mut meter = meter(gigabit()).with_allowance(512);
        meter.departed(512, 0, true);
        for batch in 1..=10_000 {
            meter.departed(32, batch * 32 * 672, false);
        }
        let offered = meter.finish();
        let rate = offered.rate.unwrap();
        assert!((rate / gigabit().per_second() - 1.0).abs() < 1e-12, "{rate}");
        assert_eq!(offered.longest_burst, 512 + 320_000);
        assert_eq!(offered.windows.above_line, 0);
    }

    #[test]
    fn a_slow_window_is_told_apart_from_where_it_was_cut() {
        let rate = FrameRate::from_per_second(10_000).unwrap();
        for (missing, below_99, below_90) in
            [(1, 0, 0), (11, 0, 0), (12, 1, 0), (101, 1, 0), (102, 1, 1), (1000, 1, 1)]
        {
            let mut meter = meter(rate);
            for index in 0..5_000 {
                // The third window lacks its last frames.
                if !(3_000 - missing..3_000).contains(&index) {
                    meter.departed(1, rate.time_of(index), true);
                }
            }
            let windows = meter.finish().windows;
            assert_eq!(windows.count, 5);
            assert_eq!(
                (windows.below_99_percent, windows.below_90_percent),
                (below_99, below_90),
                "{missing}"
            );
            let percent = (1_000 - missing) as f64 / 10.0;
            assert!((windows.lowest_percent.unwrap() - percent).abs() < 1e-9);
            if below_99 == 1 {
                assert_eq!(windows.worst.len(), 1);
                assert!((windows.worst[0].start_s - 0.2).abs() < 1e-12);
                assert!((windows.worst[0].percent - percent).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn a_window_above_the_line_is_seen_beyond_the_allowance() {
        // The line carries 148,809.5 frames in 100 ms.
        for (extra, above) in [(0, 0), (1, 0), (2, 1)] {
            let mut meter = meter(gigabit());
            meter.departed(148_809 + extra, 0, true);
            meter.departed(1, WINDOW_NS, true);
            assert_eq!(meter.finish().windows.above_line, above, "{extra}");
            assert_eq!(meter.finish().windows.worst.len() as u64, above);
        }
    }

    #[test]
    fn a_stall_empties_every_window_it_covers() {
        let rate = FrameRate::from_per_second(1_000).unwrap();
        let mut meter = meter(rate);
        meter.departed(1, 0, true);
        // A year: counted at once, only the worst kept.
        meter.departed(1, 365 * 86_400 * SECOND, true);
        let windows = meter.finish().windows;
        assert_eq!(windows.count, 365 * 86_400 * 10);
        assert_eq!(windows.below_99_percent, windows.count);
        assert_eq!(windows.below_90_percent, windows.count);
        assert_eq!(windows.worst.len(), 8);
        assert_eq!(windows.lowest_percent, Some(0.0));
    }

    #[test]
    fn waiting_ends_a_burst() {
        let mut meter = meter(gigabit());
        for (count, waited) in [(1, true), (4, false), (2, false), (3, true), (3, false), (1, true)] {
            meter.departed(count, meter.frames() * 672, waited);
        }
        assert_eq!(meter.longest_burst(), 7);
    }

    #[test]
    fn the_end_of_time_does_not_panic() {
        let mut meter = meter(gigabit());
        meter.departed(1, u64::MAX - 5, true);
        meter.departed(1, u64::MAX, true);
        meter.departed(1, u64::MAX, true);
        assert_eq!(meter.finish().frames, 3);
        let mut meter = self::meter(FrameRate::new(1, 1 << 61).unwrap());
        meter.departed(1, 0, true);
        meter.departed(1, u64::MAX, true);
        meter.departed(1, 5, true);
        let offered = meter.finish();
        assert_eq!(offered.last_ns, u64::MAX, "a clock that steps back does not shorten the trial");
        assert_eq!(offered.windows.count, u64::MAX / WINDOW_NS + 1);
    }

    proptest! {
        /// Against counting each window anew from the list of departures.
        #[test]
        fn meter_is_the_model(
            per_second in 20u64..2_000,
            steps in prop::collection::vec((0u64..400, 1u32..9, any::<bool>()), 1..150),
            start in 0u64..1 << 50,
            kept in 0usize..5,
            allowance in 1u32..4,
        ) {
            let rate = FrameRate::from_per_second(per_second).unwrap();
            let line = rate.times(3, 2).unwrap();
            let mut meter = OfferedMeter::new(rate, line, WINDOW_NS, kept).with_allowance(allowance);
            let mut departures = Vec::new();
            let mut at = start;
            for (hundredths, count, waited) in steps {
                // Up to four intervals; one in forty is a stall of a hundred times that.
                let stall = if hundredths % 40 == 7 { 100 } else { 1 };
                at += stall * rate.time_of(hundredths) / 100;
                meter.departed(count, at, waited);
                departures.push((count, at, waited));
            }
            let offered = meter.finish();
            let first = departures[0].1;
            let frames: u64 = departures.iter().map(|d| u64::from(d.0)).sum();
            prop_assert_eq!(offered.frames, frames);
            prop_assert_eq!((offered.first_ns, offered.last_ns), (first, at));

            let opening: u64 = departures.iter().filter(|d| d.1 == first).map(|d| u64::from(d.0)).sum();
            match offered.rate {
                Some(mean) => {
                    let expected = (frames - opening) as f64 * 1e9 / (at - first) as f64;
                    prop_assert!((mean - expected).abs() <= expected * 1e-12);
                }
                None => prop_assert_eq!(at, first),
            }

            let mut longest = 0u64;
            let mut run = 0u64;
            for &(count, _, waited) in &departures {
                run = if waited { 0 } else { run } + u64::from(count);
                longest = longest.max(run);
            }
            prop_assert_eq!(offered.longest_burst, longest);

            // Whole windows: those that end no later than the frame after the last would be due.
            let whole = (at + SECOND.div_ceil(per_second) - first) / WINDOW_NS;
            // If the gap is longer than a window, only the one after the last departure can be vouched for.
            let whole = whole.min((at - first) / WINDOW_NS + 1);
            let counts: Vec<u64> = (0..whole)
                .map(|index| {
                    let from = first + index * WINDOW_NS;
                    let within = departures.iter().filter(|d| (from..from + WINDOW_NS).contains(&d.1));
                    within.map(|d| u64::from(d.0)).sum()
                })
                .collect();
            let windows = &offered.windows;
            prop_assert_eq!(windows.count, whole);
            let allowance = f64::from(allowance);
            let intended = per_second as f64 / 10.0;
            let carried = per_second as f64 * 1.5 / 10.0;
            let below = |share: f64| {
                counts.iter().filter(|&&n| (n as f64 + allowance) < intended * share - 1e-9).count() as u64
            };
            let above = counts.iter().filter(|&&n| n as f64 - allowance > carried + 1e-9).count() as u64;
            prop_assert_eq!(windows.below_99_percent, below(0.99));
            prop_assert_eq!(windows.below_90_percent, below(0.90));
            prop_assert_eq!(windows.above_line, above);
            let percent = |n: &u64| 100.0 * *n as f64 / intended;
            let close = |a: Option<f64>, b: Option<f64>| match (a, b) {
                (Some(a), Some(b)) => (a - b).abs() < 1e-9,
                (a, b) => a == b,
            };
            prop_assert!(close(windows.lowest_percent, counts.iter().min().map(percent)));
            prop_assert!(close(windows.highest_percent, counts.iter().max().map(percent)));
            let odd = windows.below_99_percent + windows.above_line;
            prop_assert_eq!(windows.worst.len() as u64, odd.min(kept as u64));
            prop_assert!(windows.worst.is_sorted_by(|a, b| a.start_s < b.start_s));
            if windows.below_99_percent > 0 && windows.above_line == 0 && kept > 0 {
                let emptiest = windows.worst.iter().map(|odd| odd.percent).fold(f64::MAX, f64::min);
                prop_assert!((emptiest - windows.lowest_percent.unwrap()).abs() < 1e-9);
            }
        }
    }
}
