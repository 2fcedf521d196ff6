//! The wire without ports and without a clock: frames and nanoseconds go in, frames come out.

use super::bottleneck::{Bottleneck, Store};
use super::events::{Due, Events};
use super::flip;
use super::monitor::MonitorState;
use super::opaque::{self, Passage};
use super::plan::Plan;
use super::trial::{Fault, TrialState, Waiting};
use crate::classify::{Class, Test, classify};
use crate::ledger::{Counts, Direction, Flipped, Ledger, Monitored, Reason, Trial};
use crate::script::{Faults, Kind, Of, Script, Window, edges_ns};

mod dark;

pub use dark::Edge;

/// How long a frame waits for the next one to change places with.
const SWAP_WAIT_NS: u64 = 50_000_000;
/// Silence after which a session tag seen again is a new trial, if another trial has begun since.
const SAME_TRIAL_NS: u64 = 1_000_000_000;
/// Most frames held inside the wire.
const HELD: usize = 1 << 18;
/// Foreign frames of which the first octets are kept.
const SAMPLES: usize = 8;

/// A port of the wire, by what is behind it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// The generator's.
    Near,
    /// The reflector's.
    Far,
    /// A witness's.
    Monitor,
}

impl Direction {
    /// The side at which a frame leaves.
    pub fn side(self) -> Side {
        match self {
            Direction::Forward => Side::Far,
            Direction::Return => Side::Near,
        }
    }
}

/// What the ledger needs to know of a frame on its way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct About {
    pub direction: Direction,
    /// Its place in the ledger's list of trials; None if it is no test frame.
    pub trial: Option<usize>,
    /// Its number in its direction and trial, from 1.
    pub number: u64,
    pub stream: u8,
    pub sequence: u32,
    /// When it came, and when it is due to leave, in nanoseconds of the wire's clock.
    pub arrived_ns: u64,
    pub due_ns: u64,
}

impl About {
    /// A frame that belongs to no trial.
    pub fn stranger(direction: Direction, arrived_ns: u64) -> Self {
        Self { direction, trial: None, number: 0, stream: 0, sequence: 0, arrived_ns, due_ns: arrived_ns }
    }
}

/// Where the engine hands frames on.
pub trait Outlet {
    /// A frame leaves the wire at `side`.
    fn emit(&mut self, side: Side, frame: &[u8], about: About);

    /// A dark stretch begins or ends. True if somebody sees to it and reports back ([`Engine::edge_done`]); else it is
    /// taken for done.
    fn edge(&mut self, edge: Edge) -> bool {
        let _ = edge;
        false
    }
}

impl Outlet for Vec<(Side, Vec<u8>)> {
    fn emit(&mut self, side: Side, frame: &[u8], _about: About) {
        self.push((side, frame.to_vec()));
    }
}

/// One direction of the line all frames travel.
#[derive(Debug)]
struct Way {
    faults: Faults,
    stores: Vec<Store>,
    bottleneck: Option<Bottleneck>,
    slow_clock: Option<Bottleneck>,
    latency_ns: u64,
    control_drop: Plan,
    /// The latest moment this direction has come to.
    now: u64,
    events: Events,
    /// The dark stretch (by trial and place) for which the port is without carrier now.
    unplugged: Option<(usize, usize)>,
    /// The dark stretch that never ends, once it has begun.
    gone: Option<(usize, usize)>,
    altered: Vec<u8>,
}

impl Way {
    fn new(faults: &Faults) -> Self {
        Self {
            faults: faults.clone(),
            stores: faults.store.iter().copied().map(Store::new).collect(),
            bottleneck: faults.rate.map(Bottleneck::new),
            slow_clock: faults.slow_clock.map(Bottleneck::slow_clock),
            latency_ns: faults.latency_us.saturating_mul(1000).saturating_add(faults.latency_ns),
            control_drop: faults.control.as_ref().map(|control| Plan::new(&control.drop)).unwrap_or_default(),
            now: 0,
            events: Events::default(),
            unplugged: None,
            gone: None,
            altered: Vec::new(),
        }
    }
}

/// The pure wire. Time is an argument, in nanoseconds of any steady clock, and never goes back.
#[derive(Debug)]
pub struct Engine {
    script: Script,
    ways: [Way; 2],
    monitor: Option<MonitorState>,
    /// Copies on their way out of the monitor side.
    copies: Events,
    ledger: Ledger,
    /// Beside `ledger.trials`.
    trials: Vec<TrialState>,
}

impl Engine {
    /// A wire that follows `script`, or says what is impossible in it.
    pub fn new(script: Script) -> anyhow::Result<Self> {
        script.check()?;
        Ok(Self {
            ways: [Way::new(&script.forward), Way::new(&script.back)],
            monitor: script.monitor.as_ref().map(MonitorState::new),
            copies: Events::default(),
            script,
            ledger: Ledger::default(),
            trials: Vec::new(),
        })
    }

    /// What has been done so far.
    pub fn ledger(&self) -> &Ledger {
        &self.ledger
    }

    pub(super) fn monitor_leaks(&self) -> bool {
        self.monitor.as_ref().is_some_and(|monitor| monitor.leaks)
    }

    pub(super) fn ledger_mut(&mut self) -> &mut Ledger {
        &mut self.ledger
    }

    /// When [`Engine::advance`] should be called next, if no frame comes before.
    pub fn next_event(&self) -> Option<u64> {
        let ways = self.ways.iter().map(|way| &way.events);
        ways.chain([&self.copies]).filter_map(Events::next_time).min()
    }

    /// A frame has come to the wire, travelling in `direction`.
    pub fn arrive(&mut self, direction: Direction, frame: &[u8], now: u64, out: &mut dyn Outlet) {
        self.advance(now, out);
        self.arrive_alone(direction, frame, now, out);
    }

    /// As [`Engine::arrive`], but nothing is said about the other direction, which may not have come to `arrived` yet.
    /// A direction that has come further already takes the frame for having arrived then, and the ledger says so.
    pub(super) fn arrive_alone(
        &mut self,
        direction: Direction,
        frame: &[u8],
        arrived: u64,
        out: &mut dyn Outlet,
    ) {
        let now = arrived.max(self.ways[direction.index()].now);
        if now > arrived {
            self.ledger.others_mut(direction).put_later.add(now - arrived);
        }
        self.advance_way(direction, now, out);
        match classify(frame) {
            Class::Test(test) => self.arrive_test(direction, &test, frame, now, out),
            class => self.arrive_other(direction, class, frame, now, out),
        }
    }

    /// Does everything that is due at `now`.
    pub fn advance(&mut self, now: u64, out: &mut dyn Outlet) {
        for direction in [Direction::Forward, Direction::Return] {
            self.advance_way(direction, now, out);
        }
        self.advance_copies(now, out);
    }

    /// Does everything that is due in one direction at `now`.
    pub(super) fn advance_way(&mut self, direction: Direction, now: u64, out: &mut dyn Outlet) {
        let index = direction.index();
        while let Some(event) = self.ways[index].events.pop(now) {
            match event.due {
                Due::Enter(frame) => {
                    self.counts(event.about).held -= 1;
                    self.travel(event.about, &frame, event.time, out);
                    self.ways[index].events.reuse(frame);
                }
                Due::Leave(frame) => {
                    self.counts(event.about).held -= 1;
                    self.leave(event.about, &frame, event.time, out);
                    self.ways[index].events.reuse(frame);
                }
                Due::SwapOver => self.stop_waiting(event.about, event.time, out),
                Due::Edge(edge) => self.come_to_edge(edge, out),
            }
        }
        let way = &mut self.ways[index];
        way.now = way.now.max(now);
    }

    /// Hands over the copies that are due at the monitor side at `now`.
    pub(super) fn advance_copies(&mut self, now: u64, out: &mut dyn Outlet) {
        while let Some(event) = self.copies.pop(now) {
            if let Due::Leave(frame) = event.due {
                self.show(event.about, &frame, event.time, true, out);
                self.copies.reuse(frame);
            }
        }
    }

    /// A frame that was handed on has left its port at `at`, or a little before.
    pub fn left(&mut self, side: Side, about: About, at: u64) {
        let late = at.saturating_sub(about.due_ns);
        match about.trial {
            None if side == Side::Monitor => {}
            None => self.ledger.others_mut(about.direction).late.add(late),
            Some(trial) if side == Side::Monitor => {
                let monitored = self.ledger.trials[trial].monitor.get_or_insert_default();
                monitored.copied_mut(about.direction).late.add(late);
            }
            Some(_) => self.counts(about).late.add(late),
        }
    }

    /// A frame that was handed on could not be sent: the wire itself has lost it, unless the script has taken the
    /// carrier from its port.
    pub fn refused(&mut self, side: Side, about: About) {
        if side != Side::Monitor && self.is_unplugged(about) {
            self.lose_inside(about);
            return;
        }
        let Some(trial) = about.trial else {
            self.ledger.lost_by_wire.refused_others += 1;
            return;
        };
        if side == Side::Monitor {
            let monitored = self.ledger.trials[trial].monitor.get_or_insert_default();
            let copied = monitored.copied_mut(about.direction);
            copied.passed -= 1;
            copied.refused.add(about.number, about.stream, about.sequence);
        } else {
            let counts = self.counts(about);
            counts.passed -= 1;
            counts.stream_mut(about.stream).passed -= 1;
            counts.refused.add(about.number, about.stream, about.sequence);
        }
    }

    fn arrive_other(
        &mut self,
        direction: Direction,
        class: Class,
        frame: &[u8],
        now: u64,
        out: &mut dyn Outlet,
    ) {
        let about = About::stranger(direction, now);
        let dark = self.swallow_other(direction, now);
        let way = &mut self.ways[direction.index()];
        let others = self.ledger.others_mut(direction);
        let mut lost = match class {
            Class::Control => {
                others.control_seen += 1;
                let dropped = way.control_drop.meets(others.control_seen);
                others.control_dark += u64::from(dark);
                others.control_dropped += u64::from(dropped && !dark);
                dropped || dark
            }
            Class::Learning => {
                others.learning_seen += 1;
                others.learning_dark += u64::from(dark);
                dark
            }
            _ => {
                others.foreign_seen += 1;
                others.foreign_dark += u64::from(dark);
                if others.foreign_samples.len() < SAMPLES {
                    let octets = frame.iter().take(48).map(|octet| format!("{octet:02x}"));
                    others.foreign_samples.push(octets.collect());
                }
                dark
            }
        };
        self.monitor_other(about, frame, Of::Arriving, out);
        let mut altered = std::mem::take(&mut self.ways[direction.index()].altered);
        let passage = if lost { Passage::Whole } else { self.judge(direction, class, frame, &mut altered) };
        lost |= matches!(passage, Passage::Taken(_));
        if !lost {
            let frame = if passage == Passage::Whole { frame } else { &altered };
            out.emit(direction.side(), frame, about);
            self.monitor_other(about, frame, Of::Passed, out);
        }
        self.ways[direction.index()].altered = altered;
    }

    /// What kit that does not let everything through makes of a frame, counted by kind.
    #[inline]
    fn judge(&mut self, direction: Direction, class: Class, frame: &[u8], altered: &mut Vec<u8>) -> Passage {
        let Some(opaque) = &self.ways[direction.index()].faults.opaque else { return Passage::Whole };
        let kinds = &mut self.ledger.others_mut(direction).opaque;
        let (kind, account) = match class {
            Class::Test(_) => (Kind::Test, &mut kinds.test),
            Class::Learning => (Kind::Learning, &mut kinds.learning),
            Class::Control => (Kind::Control, &mut kinds.control),
            Class::Foreign => (Kind::Foreign, &mut kinds.foreign),
        };
        if !opaque.kinds.is_empty() && !opaque.kinds.contains(&kind) {
            return Passage::Whole;
        }
        altered.clear();
        let passage = opaque::judge(opaque, frame, altered);
        match passage {
            Passage::Whole => {}
            Passage::Taken(reason) => account.take(reason),
            Passage::Altered { truncated, stripped } => {
                account.truncated += u64::from(truncated);
                account.stripped += u64::from(stripped);
            }
        }
        passage
    }

    fn arrive_test(
        &mut self,
        direction: Direction,
        test: &Test,
        frame: &[u8],
        now: u64,
        out: &mut dyn Outlet,
    ) {
        let trial = self.trial(test.session, direction, now, out);
        let state = &mut self.trials[trial];
        state.last_ns = now;
        let way = &mut state.ways[direction.index()];
        let (number, fault) = way.next();
        let first_time = way.seen.insert(test.stream, test.sequence);
        let waiting = way.waiting.take();

        let counts = self.ledger.trials[trial].counts_mut(direction);
        counts.seen += 1;
        counts.distinct += u64::from(first_time);
        counts.returned += u64::from(test.returned);
        counts.first_ns.get_or_insert(now);
        counts.last_ns = Some(now);
        let stream = counts.stream_mut(test.stream);
        stream.seen += 1;
        stream.distinct += u64::from(first_time);

        let about = About {
            direction,
            trial: Some(trial),
            number,
            stream: test.stream,
            sequence: test.sequence,
            arrived_ns: now,
            due_ns: now,
        };
        self.monitor_test(about, frame, Of::Arriving, now, out);
        let dark = self.swallow_test(about, now);
        let mut altered = std::mem::take(&mut self.ways[direction.index()].altered);
        let passage = if dark {
            Passage::Whole
        } else {
            self.judge(direction, Class::Test(*test), frame, &mut altered)
        };
        let taken = matches!(passage, Passage::Taken(_));

        let mut behind = None;
        if let Some(waiting) = waiting {
            let ahead = waiting.about;
            let counts = self.counts(ahead);
            counts.held -= 1;
            if fault == Fault::None && !dark && !taken {
                counts.swapped.add(ahead.number, ahead.stream, ahead.sequence);
                behind = Some((ahead, waiting.frame));
            } else {
                counts.not_swapped.add(ahead.number, ahead.stream, ahead.sequence);
                self.travel(ahead, &waiting.frame, now, out);
                self.ways[direction.index()].events.reuse(waiting.frame);
            }
        }
        match passage {
            _ if dark => self.counts(about).dark.add(number, test.stream, test.sequence),
            Passage::Whole => self.go_on(about, Some(test), fault, frame, now, out),
            Passage::Taken(reason) => {
                let counts = self.counts(about);
                let record = if reason == Reason::TooLong { &mut counts.too_long } else { &mut counts.eaten };
                record.add(number, test.stream, test.sequence);
            }
            Passage::Altered { truncated, stripped } => {
                let counts = self.counts(about);
                counts.stripped += u64::from(stripped);
                if truncated {
                    counts.truncated.add(number, test.stream, test.sequence);
                }
                let test = match classify(&altered) {
                    Class::Test(test) => Some(test),
                    _ => None,
                };
                self.go_on(about, test.as_ref(), fault, &altered, now, out);
            }
        }
        self.ways[direction.index()].altered = altered;
        if let Some((ahead, frame)) = behind {
            self.travel(ahead, &frame, now, out);
            self.ways[direction.index()].events.reuse(frame);
        }
    }

    /// Commits the fault. `test` is None if the frame was cut and is no whole test frame any more.
    fn go_on(
        &mut self,
        about: About,
        test: Option<&Test>,
        mut fault: Fault,
        frame: &[u8],
        now: u64,
        out: &mut dyn Outlet,
    ) {
        let (number, stream, sequence) = (about.number, about.stream, about.sequence);
        if matches!(fault, Fault::Delay | Fault::Swap) && self.is_full() {
            // Nothing more can be held: the frame goes on untouched, which the ledger shows by not naming it.
            fault = Fault::None;
        }
        match fault {
            Fault::None => self.travel(about, frame, now, out),
            Fault::Drop => self.counts(about).dropped.add(number, stream, sequence),
            Fault::Flip => self.travel_flipped(about, test, frame, now, out),
            Fault::Delay => {
                let way = &mut self.ways[about.direction.index()];
                let by_ms = way.faults.delay.as_ref().map_or(0, |delay| delay.by_ms);
                let held = way.events.copy(frame);
                let time = now.saturating_add(by_ms.saturating_mul(1_000_000));
                way.events.push(time, about, Due::Enter(held));
                let counts = self.counts(about);
                counts.held += 1;
                counts.delayed.add(number, stream, sequence);
            }
            Fault::Swap => {
                let events = &mut self.ways[about.direction.index()].events;
                let waiting = Waiting { about, frame: events.copy(frame) };
                events.push(now.saturating_add(SWAP_WAIT_NS), about, Due::SwapOver);
                self.counts(about).held += 1;
                let trial = about.trial.expect("only test frames meet a fault");
                self.trials[trial].ways[about.direction.index()].waiting = Some(waiting);
            }
            Fault::Duplicate => {
                self.counts(about).duplicated.add(number, stream, sequence);
                self.travel(about, frame, now, out);
                self.travel(about, frame, now, out);
            }
        }
    }

    fn travel_flipped(
        &mut self,
        about: About,
        test: Option<&Test>,
        frame: &[u8],
        now: u64,
        out: &mut dyn Outlet,
    ) {
        let way = &mut self.ways[about.direction.index()];
        let mut changed = way.events.copy(frame);
        let flip = way.faults.flip.as_ref().zip(test);
        let change = flip.and_then(|(flip, test)| flip::commit(flip, about.number, test, &mut changed));
        let counts = self.counts(about);
        match change {
            Some(change) => counts.flipped.push(Flipped {
                number: about.number,
                stream: about.stream,
                sequence: about.sequence,
                octet: change.octet,
                mask: change.mask,
                mended: change.mended,
            }),
            None => counts.not_flipped.add(about.number, about.stream, about.sequence),
        }
        self.travel(about, &changed, now, out);
        self.ways[about.direction.index()].events.reuse(changed);
    }

    /// Along the line: through the stores and bottlenecks, past the pauses, for as long as it takes.
    fn travel(&mut self, about: About, frame: &[u8], now: u64, out: &mut dyn Outlet) {
        let started = about.trial.map(|_| self.trials[self.trials.len() - 1].first_ns);
        let full = self.is_full();
        let way = &mut self.ways[about.direction.index()];
        let mut time = now;
        for store in &mut way.stores {
            time = store.forward(time, frame.len());
        }
        if let Some(bottleneck) = &mut way.bottleneck {
            match bottleneck.admit(time, frame.len()) {
                Some(left) => time = left,
                None => {
                    self.counts(about).queue_full.add(about.number, about.stream, about.sequence);
                    return;
                }
            }
        }
        if let Some(clock) = &mut way.slow_clock {
            match clock.admit(time, frame.len()) {
                Some(left) => time = left,
                None => {
                    self.counts(about).clock_full.add(about.number, about.stream, about.sequence);
                    return;
                }
            }
        }
        let pause = started.and_then(|started| pause_end(&way.faults.pause, started, time));
        time = pause.unwrap_or(time).saturating_add(way.latency_ns);
        if time <= now {
            self.leave(about, frame, now, out);
        } else if full {
            self.counts(about).overflow.add(about.number, about.stream, about.sequence);
            return;
        } else {
            let held = way.events.copy(frame);
            way.events.push(time, about, Due::Leave(held));
            self.counts(about).held += 1;
        }
        if pause.is_some() {
            self.counts(about).paused += 1;
        }
    }

    fn leave(&mut self, about: About, frame: &[u8], due: u64, out: &mut dyn Outlet) {
        let about = About { due_ns: due, ..about };
        let counts = self.counts(about);
        counts.passed += 1;
        counts.stream_mut(about.stream).passed += 1;
        counts.delay.add(due.saturating_sub(about.arrived_ns));
        out.emit(about.direction.side(), frame, about);
        self.monitor_test(about, frame, Of::Passed, due, out);
    }

    fn stop_waiting(&mut self, about: About, now: u64, out: &mut dyn Outlet) {
        let Some(trial) = about.trial else { return };
        let slot = &mut self.trials[trial].ways[about.direction.index()].waiting;
        if let Some(waiting) = slot.take_if(|waiting| waiting.about.number == about.number) {
            let counts = self.counts(about);
            counts.held -= 1;
            counts.not_swapped.add(about.number, about.stream, about.sequence);
            self.travel(about, &waiting.frame, now, out);
            self.ways[about.direction.index()].events.reuse(waiting.frame);
        }
    }

    fn monitor_other(&mut self, about: About, frame: &[u8], of: Of, out: &mut dyn Outlet) {
        if self.monitor.as_ref().is_some_and(|monitor| monitor.shows(about.direction, of)) {
            out.emit(Side::Monitor, frame, about);
        }
    }

    fn monitor_test(&mut self, about: About, frame: &[u8], of: Of, now: u64, out: &mut dyn Outlet) {
        let Some(monitor) = self.monitor.as_mut().filter(|monitor| monitor.shows(about.direction, of)) else {
            return;
        };
        let Some(trial) = about.trial else { return };
        let way = &mut self.trials[trial].ways[about.direction.index()];
        way.shown += 1;
        let copied = self.ledger.trials[trial].monitor.get_or_insert_default().copied_mut(about.direction);
        copied.shown += 1;
        if way.monitor_drop.meets(way.shown) {
            copied.dropped.add(way.shown, about.stream, about.sequence);
            return;
        }
        match monitor.admit(now, frame.len()) {
            None => copied.queue_full.add(way.shown, about.stream, about.sequence),
            Some(time) if time <= now => self.show(about, frame, now, false, out),
            Some(time) => {
                copied.held += 1;
                let held = self.copies.copy(frame);
                self.copies.push(time, about, Due::Leave(held));
            }
        }
    }

    fn show(&mut self, about: About, frame: &[u8], due: u64, was_held: bool, out: &mut dyn Outlet) {
        let Some(trial) = about.trial else { return };
        let copied = self.ledger.trials[trial].monitor.get_or_insert_default().copied_mut(about.direction);
        copied.held -= u64::from(was_held);
        copied.passed += 1;
        out.emit(Side::Monitor, frame, About { due_ns: due, ..about });
    }

    fn is_full(&self) -> bool {
        self.ways.iter().map(|way| way.events.len()).sum::<usize>() + self.copies.len() >= HELD
    }

    /// The counts a test frame belongs to.
    fn counts(&mut self, about: About) -> &mut Counts {
        let trial = about.trial.expect("only test frames are counted in a trial");
        self.ledger.trials[trial].counts_mut(about.direction)
    }

    /// The trial of a session tag; begins one if there is none.
    fn trial(&mut self, session: u16, direction: Direction, now: u64, out: &mut dyn Outlet) -> usize {
        if let Some(last) = self.ledger.trials.last()
            && last.session == session
        {
            return self.trials.len() - 1;
        }
        let recent = |index: &usize| now.saturating_sub(self.trials[*index].last_ns) < SAME_TRIAL_NS;
        let known = self.ledger.trials.iter().rposition(|trial| trial.session == session).filter(recent);
        known.unwrap_or_else(|| {
            let monitor = self.monitor.is_some().then(Monitored::default);
            self.remember_the_gone(now);
            self.ledger.trials.push(Trial { session, monitor, ..Trial::default() });
            self.trials.push(TrialState::new(&self.script, now));
            self.plan_stretches(now);
            // A stretch may begin with the very first frame.
            self.advance_way(direction, now, out);
            self.trials.len() - 1
        })
    }
}

/// The end of the stretch, in nanoseconds of the trial, if `since` falls into it.
fn within(from_ms: u64, for_ms: u64, since: u64) -> Option<u64> {
    let (from, end) = edges_ns(from_ms, for_ms);
    (since >= from && since < end).then_some(end)
}

/// When a frame that would leave at `time` may do so, if a pause holds it back.
fn pause_end(pauses: &[Window], started: u64, time: u64) -> Option<u64> {
    let since = time.saturating_sub(started);
    let ends = pauses.iter().filter_map(|pause| within(pause.from_ms, pause.for_ms, since));
    ends.max().map(|end| started.saturating_add(end))
}

#[cfg(test)]
mod tests;
