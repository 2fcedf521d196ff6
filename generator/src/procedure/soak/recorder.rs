//! Writes down what a segment tells while it runs, and says when it is to end.

use std::sync::mpsc::Receiver;
use std::time::Duration;

use kitproof_common::link::Counters;
use kitproof_common::port::clock::{monotonic_ns, realtime_ns};

use super::companion::{Companion, Said};
use super::goal::{Goal, Known, Standing};
use super::host::{Looked, Sensors, happened};
use super::light::Light;
use super::totals::Totals;
use crate::engine::Trial;
use crate::engine::told::{self, Told};
use crate::journal::{Event, EventKind, Interval, Lost, Record, RoundTrip, Store, Whose, Writer};
use crate::page::{self, News};
use crate::procedure::runner::Tick;
use crate::procedure::trial::{Moment, Phase};
use crate::verdict::words::frames;

/// News between two ticks; the journal has all.
const NEWS: usize = 200;

/// Nothing home for so long, while frames leave: the segment ends, to find out why.
const SILENT: Duration = Duration::from_secs(10);

/// Why a segment ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Why {
    /// The goal stands so.
    Goal(Standing),
    /// This machine slept: frames that were under way are nobody's.
    Slept,
    /// Nothing comes home any more.
    Silent,
}

/// What does not change within a segment.
pub(super) struct Segment {
    pub(super) number: u32,
    pub(super) goal: Goal,
    pub(super) frame_size: u16,
    pub(super) longest: Duration,
    pub(super) every: Duration,
}

/// See the module.
pub(super) struct Recorder<'a, S> {
    segment: Segment,
    journal: &'a mut Writer<S>,
    totals: &'a mut Totals,
    told: Receiver<Told>,
    companion: Option<Companion>,
    sensors: Sensors,
    looked: Looked,
    next_look_ns: u64,
    start_ns: Option<u64>,
    gained: Vec<(String, u64)>,
    light: Option<&'a Light>,
    /// (when, frames home by then)
    alive: (Duration, u64),
    /// What the live line says.
    line: String,
    news: Vec<News>,
    refused: bool,
    home_at_end: u64,
    why: Option<Why>,
}

impl<'a, S: Store> Recorder<'a, S> {
    pub(super) fn new(
        segment: Segment,
        journal: &'a mut Writer<S>,
        totals: &'a mut Totals,
        told: Receiver<Told>,
        companion: Option<Companion>,
        light: Option<&'a Light>,
    ) -> Self {
        let sensors = Sensors::default();
        Self {
            line: format!("segment {}:", segment.number),
            segment,
            journal,
            totals,
            told,
            companion,
            news: Vec::new(),
            looked: sensors.look(),
            sensors,
            next_look_ns: 0,
            start_ns: None,
            gained: Vec::new(),
            light,
            alive: (Duration::ZERO, 0),
            refused: false,
            home_at_end: 0,
            why: None,
        }
    }

    /// A moment of the trial.
    pub(super) fn tick(&mut self, moment: &Moment<'_>, because: Option<&str>) -> Tick {
        let enough = self.is_enough(moment, because);
        Tick { enough, line: self.line.clone(), news: std::mem::take(&mut self.news) }
    }

    /// Whether it is to stop.
    fn is_enough(&mut self, moment: &Moment<'_>, because: Option<&str>) -> bool {
        if self.start_ns.is_none() {
            self.start_ns = Some(moment.start_ns);
            let segment = crate::journal::Segment {
                segment: self.segment.number,
                at: wall(moment.start_ns),
                because: because.map(str::to_owned),
                tag: moment.trial.frame.session,
                frames_per_s: moment.trial.rate.per_second(),
            };
            self.write(Record::Segment(segment), true);
        }
        self.hear(moment.trial);
        self.look();
        if moment.phase != Phase::Sending || self.why.is_some() {
            return self.why.is_some();
        }
        let home = moment.reading.arrivals;
        if home != self.alive.1 {
            self.alive = (moment.elapsed, home);
        } else if moment.elapsed.saturating_sub(self.alive.0) > SILENT {
            self.why = Some(Why::Silent);
        }
        let standing = self.segment.goal.stands(&self.known(moment.trial));
        if standing != Standing::Going {
            self.why = self.why.or(Some(Why::Goal(standing)));
        }
        self.why.is_some()
    }

    fn known(&self, trial: &Trial) -> Known {
        // The time is the trial's own to keep: it has no more frames than that.
        self.totals.known(self.segment.longest, self.segment.frame_size, trial.rate.per_second())
    }

    /// Writes down what the receiver has told since.
    fn hear(&mut self, trial: &Trial) {
        let heard: Vec<Said> =
            self.companion.iter().flat_map(|companion| companion.heard().collect::<Vec<_>>()).collect();
        for said in heard {
            match said {
                Said::Carrier(event) => {
                    let by_host = event.host.is_some();
                    let kind = if event.up { EventKind::CarrierBack } else { EventKind::CarrierLost };
                    let whose = if by_host { Whose::Pair } else { Whose::Link };
                    let losses =
                        if event.losses > 1 { format!(" ({} times)", event.losses) } else { String::new() };
                    let text = match (event.up, by_host) {
                        (true, _) => format!("carrier is back at the generator's port{losses}"),
                        (false, false) => format!("the generator's port lost its carrier{losses}"),
                        (false, true) => format!("this host took the generator's port down{losses}"),
                    };
                    self.event(kind, whose, wall(event.at_ns), text);
                }
                Said::Gained(counters) => self.gained = risen(&counters),
            }
        }
        while let Ok(told) = self.told.try_recv() {
            match told {
                Told::Interval(interval) => self.interval(&interval, trial),
                Told::Lost(lost) => {
                    let at_ns = trial.due_ns(lost.first);
                    let record = Lost {
                        segment: self.segment.number,
                        at: wall(self.start_ns.unwrap_or_default() + at_ns),
                        at_s: at_ns as f64 / 1e9,
                        first: lost.first,
                        frames: lost.frames,
                        forward: lost.frames - lost.on_return,
                        homeward: lost.on_return,
                        to_the_end: lost.first >= self.home_at_end && self.home_at_end > 0,
                    };
                    self.write(Record::Lost(record), true);
                }
            }
        }
    }

    fn interval(&mut self, interval: &told::Interval, trial: &Trial) {
        let start_ns = self.start_ns.unwrap_or_default();
        let seconds = |ns: u64| ns.saturating_sub(start_ns) as f64 / 1e9;
        let counts = interval.counts;
        let record = Interval {
            segment: self.segment.number,
            from_s: seconds(interval.from_ns),
            to_s: seconds(interval.until_ns),
            offered: interval.offered,
            home: interval.home,
            missing: interval.missing,
            missing_on_return: interval.missing_on_return,
            duplicates_forward: counts.copies_forward,
            duplicates_return: counts.copies_return,
            reordered: counts.reordered,
            reordered_return: counts.reordered_return,
            corrupted: counts.damaged,
            untold_losses: interval.untold_periods,
            round_trip_ns: interval.round_trip.map(|spread| RoundTrip {
                least: spread.least,
                p50: spread.p50,
                p99: spread.p99,
                p99_9: spread.p99_9,
                greatest: spread.greatest,
            }),
            counters: std::mem::take(&mut self.gained),
            temperature_c: self.looked.temperature_c,
            receive_dbm: self.light.and_then(Light::latest),
        };
        self.home_at_end = interval.home + interval.missing;
        self.write(Record::Interval(record), false);
        self.line = self.describe(interval, trial);
    }

    /// The live line.
    fn describe(&self, interval: &told::Interval, trial: &Trial) -> String {
        let known = self.known(trial);
        let (forward, homeward) = (known.forward.errors, known.homeward.errors);
        let p99 = interval
            .round_trip
            .map_or(String::new(), |spread| format!(", p99 {:.1} us", spread.p99 as f64 / 1e3));
        let goal = match self.segment.goal {
            Goal::BitErrors { confidence, .. } => {
                let bound = |way: super::goal::Way| way.bound(self.segment.frame_size, confidence);
                match bound(known.forward).zip(bound(known.homeward)) {
                    Some((forward, homeward)) => format!(", bit errors below {:.1e}", forward.max(homeward)),
                    None => String::new(),
                }
            }
            Goal::Time | Goal::Frames(_) => String::new(),
        };
        let left = self.segment.goal.to_go(&known).as_secs();
        format!(
            "lost {forward} forward, {homeward} on return{p99}{goal}, {:02}:{:02}:{:02} to go;",
            left / 3_600,
            left / 60 % 60,
            left % 60
        )
    }

    /// Looks at the machine, once in an interval.
    fn look(&mut self) {
        let now = monotonic_ns();
        if now < self.next_look_ns {
            return;
        }
        self.next_look_ns = now + self.segment.every.as_nanos() as u64;
        let looked = self.sensors.look();
        for (kind, text) in happened(&self.looked, &looked) {
            if kind == EventKind::Suspended {
                self.why = Some(Why::Slept);
            }
            self.event(kind, Whose::Pair, wall(now), text);
        }
        // What could not be read this once is no news, and neither is it forgotten.
        self.looked = Looked {
            throttled: looked.throttled.or(self.looked.throttled),
            on_battery: looked.on_battery.or(self.looked.on_battery),
            ..looked
        };
        match (self.journal.flush(), self.refused) {
            (false, false) => self.refused = true,
            (true, true) => {
                self.refused = false;
                let text =
                    "the journal could not be written for a while; what was kept in memory stands above"
                        .to_owned();
                self.event(EventKind::JournalBack, Whose::Pair, wall(now), text);
            }
            _ => {}
        }
    }

    fn event(&mut self, kind: EventKind, whose: Whose, at: String, text: String) {
        let segment = Some(self.segment.number);
        self.write(Record::Event(Event { at, segment, kind, whose, text }), true);
    }

    fn write(&mut self, record: Record, important: bool) {
        self.totals.add(&record);
        if self.news.len() < NEWS {
            self.news.extend(news(&record));
        }
        self.journal.append(&record, important);
    }

    /// The trial is over: writes down the rest; why it was to end, if it did not end by itself.
    pub(super) fn finish(mut self, trial: &Trial) -> Option<Why> {
        self.hear(trial);
        self.why
    }
}

/// What a record is to whoever watches, if it is anything.
pub(super) fn news(record: &Record) -> Option<News> {
    match record {
        Record::Lost(lost) => {
            let ways = match (lost.forward, lost.homeward) {
                (_, 0) => "forward".to_owned(),
                (0, _) => "on return".to_owned(),
                (forward, homeward) => format!("{forward} forward, {homeward} on return"),
            };
            let (frames, first) = (frames(lost.frames), lost.first);
            let text = if lost.to_the_end {
                format!("{frames} from {first} on did not come home")
            } else {
                format!("{frames} lost {ways}, from {first} on")
            };
            Some(News { at: lost.at.clone(), whose: page::Whose::Link, text })
        }
        Record::Event(event) => {
            let whose = match event.whose {
                Whose::Link => page::Whose::Link,
                Whose::Pair => page::Whose::Pair,
            };
            Some(News { at: event.at.clone(), whose, text: event.text.clone() })
        }
        _ => None,
    }
}

/// Counters that may speak of frames this port dropped, and have risen.
fn risen(gained: &Counters) -> Vec<(String, u64)> {
    const TRAFFIC: [&str; 5] = ["rx_frames", "tx_frames", "rx_octets", "tx_octets", "softnet_squeezed"];
    let all = gained.iter().filter(|(name, _)| !TRAFFIC.contains(name));
    all.filter_map(|(name, gain)| Some((name.to_owned(), gain.filter(|gain| *gain > 0)?))).collect()
}

/// The present moment, as it is written down.
pub(super) fn now() -> String {
    wall(monotonic_ns())
}

/// A moment of the monotonic clock as it is written down (RFC 3339, microseconds).
pub(super) fn wall(ns: u64) -> String {
    let behind = i128::from(monotonic_ns()) - i128::from(ns);
    let wall = i128::from(realtime_ns()) - behind;
    let stamp = jiff::Timestamp::from_nanosecond(wall).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    stamp.to_zoned(jiff::tz::TimeZone::system()).strftime("%Y-%m-%dT%H:%M:%S%.6f%:z").to_string()
}
