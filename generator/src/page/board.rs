//! What stands on the page: the run so far, in a space that does not grow with its hours.

use kitproof_common::port::clock::monotonic_ns;
use serde::Serialize;
use std::collections::VecDeque;

use crate::engine::latency::Second;
use crate::procedure::judged::Judged;
use crate::procedure::trial::{Moment, Phase};
use crate::state;
use crate::verdict::Outcome;

/// Points of the history; when there are more, two by two become one.
const POINTS: usize = 480;
/// Trials and events that are shown, the newest.
const TRIALS: usize = 500;
const EVENTS: usize = 200;
/// Length of a point of the history at first.
const POINT_S: f64 = 1.0;

/// What does not change while a run goes on.
#[derive(Clone, Debug, Default, Serialize)]
pub struct About {
    pub version: String,
    pub command: String,
    /// The interface or the peer.
    pub target: String,
    /// The pieces between the ports, where they were named.
    pub through: Option<String>,
    /// RFC 3339.
    pub started: String,
}

/// Whose doing a piece of news is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Whose {
    /// The link: what is between the ports.
    Link,
    /// The two machines: never the kit.
    Pair,
    /// The run says what it does.
    Run,
}

/// Something that happened.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct News {
    /// RFC 3339.
    pub at: String,
    pub whose: Whose,
    pub text: String,
}

impl News {
    /// Something that the run says, now.
    #[must_use]
    pub fn said(text: &str) -> Self {
        Self { at: state::now(), whose: Whose::Run, text: text.to_owned() }
    }
}

/// The trial that is under way.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub(super) struct Now {
    /// Which it is of how many, or what a long run says of itself.
    pub position: String,
    /// Bytes including FCS.
    pub frame_size: u16,
    pub load: String,
    pub intended_frames_per_s: f64,
    pub elapsed_s: f64,
    pub length_s: f64,
    /// Frames so far.
    pub offered: u64,
    pub home: u64,
    /// Not home though a later frame is: lost, or only late.
    pub missing: u64,
    pub out_per_s: f64,
    pub back_per_s: f64,
    /// Round trips of the last second.
    pub round_trip: Option<Latency>,
}

/// Round trips, nanoseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub(super) struct Latency {
    pub p50: u64,
    pub p99: u64,
    pub greatest: u64,
}

impl Latency {
    fn worse(self, other: Self) -> Self {
        Self {
            p50: self.p50.max(other.p50),
            p99: self.p99.max(other.p99),
            greatest: self.greatest.max(other.greatest),
        }
    }
}

impl From<Second> for Latency {
    fn from(second: Second) -> Self {
        Self { p50: second.p50, p99: second.p99, greatest: second.greatest }
    }
}

/// A trial that is over.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct Over {
    pub frame_size: u16,
    pub load: String,
    pub verdict: Outcome,
    pub offered: u64,
    pub home: u64,
    pub lost_forward: u64,
    pub lost_return: u64,
    pub lost_direction_unknown: u64,
    /// What the pair itself dropped.
    pub dropped_by_pair: u64,
}

/// Sums over the trials that are over.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub(super) struct Sums {
    pub trials: u64,
    pub passed: u64,
    pub failed: u64,
    pub unproven: u64,
    pub offered: u64,
    pub home: u64,
    pub lost_forward: u64,
    pub lost_return: u64,
    pub lost_direction_unknown: u64,
    pub dropped_by_pair: u64,
}

/// A stretch of the run in which frames were sent.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub(super) struct Point {
    /// When it ended, seconds from the beginning of the run, and its length.
    pub at_s: f64,
    pub seconds: f64,
    pub offered: u64,
    pub home: u64,
    /// How many more were missing at its end than at its beginning.
    pub missing: u64,
    pub round_trip: Option<Latency>,
}

impl Point {
    /// Two that follow each other.
    fn with(self, next: Point) -> Point {
        Point {
            at_s: next.at_s,
            seconds: self.seconds + next.seconds,
            offered: self.offered + next.offered,
            home: self.home + next.home,
            missing: self.missing + next.missing,
            round_trip: match (self.round_trip, next.round_trip) {
                (Some(one), Some(other)) => Some(one.worse(other)),
                (one, other) => one.or(other),
            },
        }
    }
}

/// The run so far.
#[derive(Clone, Debug)]
pub struct Board {
    pub about: About,
    /// Monotonic ns.
    begun_ns: u64,
    phase: &'static str,
    now: Option<Now>,
    pub(super) sums: Sums,
    trials: VecDeque<Over>,
    events: VecDeque<News>,
    history: Vec<Point>,
    point_s: f64,
    /// Where the point that is being made began, and where the second did that the rates are of.
    open: Option<Open>,
    second: Option<Open>,
    /// The newest second of round trips within it.
    heard: Option<Latency>,
    verdict: Option<String>,
}

/// The counts of a trial at some moment.
#[derive(Clone, Copy, Debug)]
struct Open {
    /// Which trial: when it began.
    trial: u64,
    at_s: f64,
    offered: u64,
    home: u64,
    missing: u64,
}

/// What changes all the time.
#[derive(Debug, Serialize)]
pub(super) struct State<'a> {
    schema: &'static str,
    about: &'a About,
    /// RFC 3339.
    at: String,
    elapsed_s: f64,
    phase: &'a str,
    /// Of the whole run, once it is over.
    verdict: Option<&'a str>,
    now: Option<&'a Now>,
    sums: Sums,
    trials: &'a VecDeque<Over>,
    events: &'a VecDeque<News>,
}

impl Board {
    #[must_use]
    pub fn new(about: About) -> Self {
        Self {
            about,
            begun_ns: monotonic_ns(),
            phase: "getting ready",
            now: None,
            sums: Sums::default(),
            trials: VecDeque::new(),
            events: VecDeque::new(),
            history: Vec::with_capacity(POINTS),
            point_s: POINT_S,
            open: None,
            second: None,
            heard: None,
            verdict: None,
        }
    }

    /// A moment of a trial.
    pub fn moment(&mut self, position: &str, moment: &Moment<'_>) {
        // When the counters were read, which may be a while ago on a busy machine.
        let read_ns = moment.start_ns.saturating_add(moment.elapsed.as_nanos() as u64);
        self.moment_at(read_ns.saturating_sub(self.begun_ns) as f64 / 1e9, position, moment);
    }

    fn moment_at(&mut self, at_s: f64, position: &str, moment: &Moment<'_>) {
        let reading = moment.reading;
        self.phase = match moment.phase {
            Phase::Sending => "sending",
            Phase::Residual => "waiting for late frames",
            Phase::Counting => "asking for the reflector's counts",
            Phase::Settling => "settling",
        };
        let before = self.now.take().unwrap_or_default();
        let round_trip = reading.second.map(Latency::from);
        self.heard = round_trip.or(self.heard);
        let trial = moment.trial;
        let mut now = Now {
            position: position.to_owned(),
            frame_size: trial.frame_size(),
            load: trial.load.to_string(),
            intended_frames_per_s: trial.rate.per_second(),
            elapsed_s: moment.elapsed.as_secs_f64(),
            length_s: trial.seconds(),
            offered: reading.offered,
            home: reading.returned,
            missing: reading.missing,
            out_per_s: before.out_per_s,
            back_per_s: before.back_per_s,
            round_trip,
        };
        let here = Open {
            trial: moment.start_ns,
            at_s,
            offered: reading.offered,
            home: reading.returned,
            missing: reading.missing,
        };
        let of_this = |open: &Open| open.trial == moment.start_ns;
        let (open, second) = match self.open.filter(of_this).zip(self.second.filter(of_this)) {
            Some(both) => both,
            None => {
                (now.out_per_s, now.back_per_s, self.heard) = (0.0, 0.0, None);
                // Nothing had left when its first frame was due.
                let at_s = (at_s - moment.elapsed.as_secs_f64()).max(0.0);
                let begun = Open { at_s, offered: 0, home: 0, missing: 0, ..here };
                (self.open, self.second) = (Some(begun), Some(begun));
                (begun, begun)
            }
        };
        let passed = at_s - second.at_s;
        if passed >= POINT_S {
            let rate = |count: u64, before: u64| count.saturating_sub(before) as f64 / passed;
            now.out_per_s = rate(here.offered, second.offered);
            now.back_per_s = rate(here.home, second.home);
            self.second = Some(here);
        }
        let seconds = at_s - open.at_s;
        // What comes after the last frame left belongs to the last point.
        let is_over = moment.phase == Phase::Counting && reading.offered > open.offered;
        // Nothing leaves any more: that is no stretch of the load.
        let sends = moment.phase == Phase::Sending;
        if (sends && seconds >= self.point_s) || (is_over && seconds > 0.0) {
            let point = Point {
                at_s: milliseconds(at_s),
                seconds: milliseconds(seconds),
                offered: here.offered.saturating_sub(open.offered),
                home: here.home.saturating_sub(open.home),
                missing: here.missing.saturating_sub(open.missing),
                round_trip: self.heard.take(),
            };
            self.open = Some(here);
            self.add(point);
        }
        self.now = Some(now);
    }

    fn add(&mut self, point: Point) {
        self.history.push(point);
        if self.history.len() >= POINTS {
            self.history = self
                .history
                .chunks(2)
                .map(|pair| match pair {
                    [one, other] => one.with(*other),
                    alone => alone[0],
                })
                .collect();
            self.point_s *= 2.0;
        }
    }

    /// A trial is over and judged.
    pub fn judged(&mut self, judged: &Judged) {
        let account = &judged.account;
        self.over(Over {
            frame_size: judged.outcome.trial.frame_size(),
            load: judged.outcome.trial.load.to_string(),
            verdict: judged.verdict.verdict,
            offered: account.offered_frames,
            home: account.returned_frames,
            lost_forward: account.lost_forward,
            lost_return: account.lost_return,
            lost_direction_unknown: account.lost_direction_unknown,
            dropped_by_pair: account.dropped_by_pair(),
        });
    }

    fn over(&mut self, over: Over) {
        let sums = &mut self.sums;
        sums.trials += 1;
        match over.verdict {
            Outcome::Pass => sums.passed += 1,
            Outcome::Fail => sums.failed += 1,
            Outcome::Unproven => sums.unproven += 1,
        }
        sums.offered += over.offered;
        sums.home += over.home;
        sums.lost_forward += over.lost_forward;
        sums.lost_return += over.lost_return;
        sums.lost_direction_unknown += over.lost_direction_unknown;
        sums.dropped_by_pair += over.dropped_by_pair;
        keep(&mut self.trials, over, TRIALS);
        (self.now, self.open, self.second, self.phase) = (None, None, None, "between two trials");
    }

    /// Something happened.
    pub fn news(&mut self, news: News) {
        keep(&mut self.events, news, EVENTS);
    }

    /// The run is over; what it came to, in a word.
    pub fn ended(&mut self, verdict: &str) {
        (self.now, self.phase) = (None, "over");
        self.verdict = Some(verdict.to_owned());
    }

    pub(super) fn now(&self) -> Option<&Now> {
        self.now.as_ref()
    }

    pub(super) fn state(&self) -> State<'_> {
        State {
            schema: "kitproof live 1",
            about: &self.about,
            at: state::now(),
            elapsed_s: monotonic_ns().saturating_sub(self.begun_ns) as f64 / 1e9,
            phase: self.phase,
            verdict: self.verdict.as_deref(),
            now: self.now(),
            sums: self.sums,
            trials: &self.trials,
            events: &self.events,
        }
    }

    pub(super) fn history(&self) -> &[Point] {
        &self.history
    }
}

/// No finer than that, so that it is short where it is written.
fn milliseconds(seconds: f64) -> f64 {
    (1e3 * seconds).round() / 1e3
}

fn keep<T>(all: &mut VecDeque<T>, one: T, most: usize) {
    if all.len() == most {
        all.pop_front();
    }
    all.push_back(one);
}

#[cfg(test)]
pub(super) mod tests {
    use std::time::Duration;

    use kitproof_common::line::FrameRate;
    use proptest::prelude::*;

    use super::*;
    use crate::engine::Trial;
    use crate::engine::progress::Reading;

    /// A trial of 1,518 bytes at 1,000 frames a second.
    fn trial() -> Trial {
        let rate = FrameRate::new(1_000, 1_000_000_000).unwrap();
        crate::engine::send::tests::trial(rate, rate, 1, 0, 4_000)
    }

    /// A board on which a trial with so many frames has gone on for so many seconds, with some lost.
    pub(in super::super) fn board(seconds: u64, per_second: u64, lost: u64) -> Board {
        let mut board = Board::new(About { command: "prove".to_owned(), ..About::default() });
        let trial = trial();
        for tenth in 0..=10 * seconds {
            let offered = per_second * tenth / 10;
            let reading = Reading {
                offered,
                returned: offered - lost.min(offered),
                missing: lost.min(offered),
                second: Some(Second {
                    frames: per_second,
                    p50: 10_000 + tenth,
                    p99: 20_000,
                    greatest: 30_000,
                }),
                ..Reading::default()
            };
            let elapsed = Duration::from_millis(100 * tenth);
            let moment = Moment { trial: &trial, reading, elapsed, start_ns: 7, phase: Phase::Sending };
            board.moment_at(elapsed.as_secs_f64(), "[1/1]", &moment);
        }
        board
    }

    proptest! {
        /// However long it goes on the history has room, covers all of it, and loses no frame and no peak.
        #[test]
        fn the_history_keeps_every_frame_and_every_peak(seconds in 1..4_000u64, per_second in 1..5_000u64) {
            let lost = per_second / 2;
            let board = board(seconds, per_second, lost);
            let history = board.history();
            prop_assert!(history.len() < POINTS);
            let covered: f64 = history.iter().map(|point| point.seconds).sum();
            // The last point may still be open.
            prop_assert!((covered - seconds as f64).abs() <= board.point_s + 1e-6, "{} of {}", covered, seconds);
            let offered: u64 = history.iter().map(|point| point.offered).sum();
            let home: u64 = history.iter().map(|point| point.home).sum();
            let missing: u64 = history.iter().map(|point| point.missing).sum();
            let end = history.last().map_or(0.0, |point| point.at_s);
            prop_assert_eq!(offered, per_second * (end * 10.0).round() as u64 / 10);
            prop_assert_eq!((missing, home), (lost.min(offered), offered - lost.min(offered)));
            let peak = history.iter().filter_map(|point| point.round_trip).map(|trips| trips.p50).max();
            prop_assert_eq!(peak, Some(10_000 + (end * 10.0).round() as u64));
        }
    }

    #[test]
    fn a_trial_that_is_over_is_counted_and_the_next_begins_at_nothing() {
        let mut board = board(3, 1_000, 5);
        assert_eq!(board.now().map(|now| (now.out_per_s.round(), now.missing)), Some((1_000.0, 5)));
        board.over(Over {
            frame_size: 1518,
            load: "100 %".to_owned(),
            verdict: Outcome::Fail,
            offered: 3_000,
            home: 2_995,
            lost_forward: 3,
            lost_return: 2,
            lost_direction_unknown: 0,
            dropped_by_pair: 0,
        });
        assert!(board.now().is_none());
        assert_eq!((board.sums.failed, board.sums.lost_forward, board.sums.lost_return), (1, 3, 2));
        let trial = trial();
        let moment = Moment {
            trial: &trial,
            reading: Reading::default(),
            elapsed: Duration::ZERO,
            start_ns: 8,
            phase: Phase::Sending,
        };
        board.moment_at(9.0, "[2/2]", &moment);
        assert_eq!(board.now().map(|now| (now.out_per_s, now.offered)), Some((0.0, 0)));
        assert_eq!(board.history().len(), 3, "the pause is no point");
    }

    #[test]
    fn only_the_newest_events_are_kept() {
        let mut board = Board::new(About::default());
        for number in 0..EVENTS + 10 {
            board.news(News { at: String::new(), whose: Whose::Pair, text: number.to_string() });
        }
        assert_eq!(board.events.len(), EVENTS);
        assert_eq!(board.events.back().map(|news| news.text.as_str()), Some("209"));
    }
}
