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
    /// Where the open window ends; `u64::MAX` before the first departure.
    window_end: u64,
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
            window_end: u64::MAX,
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
        if at >= self.window_end || self.frames == self.opening {
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
            self.window_end = at.saturating_add(self.rules.window_ns);
        }
        if at <= self.first {
            self.opening += count;
            return;
        }
        if at < self.window_end {
            return;
        }
        let rules = self.rules;
        self.closed.close(&rules, self.window_end - rules.window_ns, self.in_window);
        // A stall: every window it covers was empty.
        let empty = (at - self.window_end) / rules.window_ns;
        self.closed.close_empty(&rules, self.window_end, empty);
        self.window_end = self.window_end.saturating_add((empty + 1).saturating_mul(rules.window_ns));
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
        if self.frames > 0 && self.last.saturating_add(rules.interval_ns) >= self.window_end {
            closed.close(rules, self.window_end - rules.window_ns, self.in_window);
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
