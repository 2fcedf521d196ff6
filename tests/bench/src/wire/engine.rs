//! The wire without ports and without a clock: frames and nanoseconds go in, frames come out.

use super::events::{Due, Events};
use super::flip;
use super::monitor::MonitorState;
use super::plan::{Bottleneck, Plan};
use super::trial::{Fault, TrialState, Waiting};
use crate::classify::{Class, Test, classify};
use crate::ledger::{Counts, Direction, Flipped, Ledger, Monitored, Trial};
use crate::script::{Dark, Faults, Of, Script, Window};

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
    pub sequence: u32,
}

/// Where the engine hands frames on.
pub trait Outlet {
    /// A frame leaves the wire at `side`.
    fn emit(&mut self, side: Side, frame: &[u8], about: About);
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
    bottleneck: Option<Bottleneck>,
    latency_ns: u64,
    control_drop: Plan,
}

impl Way {
    fn new(faults: &Faults) -> Self {
        Self {
            faults: faults.clone(),
            bottleneck: faults.rate.map(Bottleneck::new),
            latency_ns: faults.latency_us.saturating_mul(1000),
            control_drop: faults.control.as_ref().map(|control| Plan::new(&control.drop)).unwrap_or_default(),
        }
    }
}

/// The pure wire. Time is an argument, in nanoseconds of any steady clock, and never goes back.
#[derive(Debug)]
pub struct Engine {
    script: Script,
    ways: [Way; 2],
    monitor: Option<MonitorState>,
    ledger: Ledger,
    /// Beside `ledger.trials`.
    trials: Vec<TrialState>,
    events: Events,
}

impl Engine {
    /// A wire that follows `script`, or says what is impossible in it.
    pub fn new(script: Script) -> anyhow::Result<Self> {
        script.check()?;
        Ok(Self {
            ways: [Way::new(&script.forward), Way::new(&script.back)],
            monitor: script.monitor.as_ref().map(MonitorState::new),
            script,
            ledger: Ledger::default(),
            trials: Vec::new(),
            events: Events::default(),
        })
    }

    /// What has been done so far.
    pub fn ledger(&self) -> &Ledger {
        &self.ledger
    }

    pub(super) fn ledger_mut(&mut self) -> &mut Ledger {
        &mut self.ledger
    }

    /// When [`Engine::advance`] should be called next, if no frame comes before.
    pub fn next_event(&self) -> Option<u64> {
        self.events.next_time()
    }

    /// A frame has come to the wire, travelling in `direction`.
    pub fn arrive(&mut self, direction: Direction, frame: &[u8], now: u64, out: &mut dyn Outlet) {
        self.advance(now, out);
        match classify(frame) {
            Class::Test(test) => self.arrive_test(direction, &test, frame, now, out),
            class => self.arrive_other(direction, class, frame, now, out),
        }
    }

    /// Does everything that is due at `now`.
    pub fn advance(&mut self, now: u64, out: &mut dyn Outlet) {
        while let Some(event) = self.events.pop(now) {
            match event.due {
                Due::Enter(frame) => {
                    self.counts(event.about).held -= 1;
                    self.travel(event.about, &frame, event.time, out);
                    self.events.reuse(frame);
                }
                Due::Leave(Side::Monitor, frame) => {
                    self.show(event.about, &frame, true, out);
                    self.events.reuse(frame);
                }
                Due::Leave(_, frame) => {
                    self.counts(event.about).held -= 1;
                    self.leave(event.about, &frame, event.time, out);
                    self.events.reuse(frame);
                }
                Due::SwapOver => self.stop_waiting(event.about, event.time, out),
            }
        }
    }

    /// A frame that was handed on could not be sent: the wire itself has lost it.
    pub fn refused(&mut self, side: Side, about: About) {
        let Some(trial) = about.trial else {
            self.ledger.lost_by_wire.refused_others += 1;
            return;
        };
        if side == Side::Monitor {
            let monitored = self.ledger.trials[trial].monitor.get_or_insert_default();
            let copied = monitored.copied_mut(about.direction);
            copied.passed -= 1;
            copied.refused.add(about.number, about.sequence);
        } else {
            let counts = self.counts(about);
            counts.passed -= 1;
            counts.refused.add(about.number, about.sequence);
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
        let about = About { direction, trial: None, number: 0, sequence: 0 };
        let dark = self.dark(direction, now).is_some_and(|dark| !dark.spare_control);
        let way = &mut self.ways[direction.index()];
        let others = self.ledger.others_mut(direction);
        let lost = match class {
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
        if !lost {
            out.emit(direction.side(), frame, about);
            self.monitor_other(about, frame, Of::Passed, out);
        }
    }

    fn arrive_test(
        &mut self,
        direction: Direction,
        test: &Test,
        frame: &[u8],
        now: u64,
        out: &mut dyn Outlet,
    ) {
        let trial = self.trial((test.session, test.stream), now);
        let state = &mut self.trials[trial];
        state.last_ns = now;
        let way = &mut state.ways[direction.index()];
        let (number, mut fault) = way.next();
        let first_time = way.seen.insert(test.sequence);
        let waiting = way.waiting.take();

        let counts = self.ledger.trials[trial].counts_mut(direction);
        counts.seen += 1;
        counts.distinct += u64::from(first_time);
        counts.returned += u64::from(test.returned);
        counts.first_ns.get_or_insert(now);
        counts.last_ns = Some(now);

        let about = About { direction, trial: Some(trial), number, sequence: test.sequence };
        self.monitor_test(about, frame, Of::Arriving, now, out);
        let dark = self.dark(direction, now).is_some();

        let mut behind = None;
        if let Some(waiting) = waiting {
            let ahead = About { number: waiting.number, sequence: waiting.sequence, ..about };
            let counts = self.counts(ahead);
            counts.held -= 1;
            if fault == Fault::None && !dark {
                counts.swapped.add(ahead.number, ahead.sequence);
                behind = Some((ahead, waiting.frame));
            } else {
                counts.not_swapped.add(ahead.number, ahead.sequence);
                self.travel(ahead, &waiting.frame, now, out);
                self.events.reuse(waiting.frame);
            }
        }
        if dark {
            self.counts(about).dark.add(number, test.sequence);
            return;
        }
        if matches!(fault, Fault::Delay | Fault::Swap) && self.is_full() {
            // Nothing more can be held: the frame goes on untouched, which the ledger shows by not naming it.
            fault = Fault::None;
        }
        match fault {
            Fault::None => self.travel(about, frame, now, out),
            Fault::Drop => self.counts(about).dropped.add(number, test.sequence),
            Fault::Flip => self.travel_flipped(about, test, frame, now, out),
            Fault::Delay => {
                let by_ms = self.ways[direction.index()].faults.delay.as_ref().map_or(0, |delay| delay.by_ms);
                let held = self.events.copy(frame);
                self.events.push(
                    now.saturating_add(by_ms.saturating_mul(1_000_000)),
                    about,
                    Due::Enter(held),
                );
                let counts = self.counts(about);
                counts.held += 1;
                counts.delayed.add(number, test.sequence);
            }
            Fault::Swap => {
                let frame = self.events.copy(frame);
                let waiting = Waiting { number, sequence: test.sequence, frame };
                self.trials[trial].ways[direction.index()].waiting = Some(waiting);
                self.counts(about).held += 1;
                self.events.push(now.saturating_add(SWAP_WAIT_NS), about, Due::SwapOver);
            }
            Fault::Duplicate => {
                self.counts(about).duplicated.add(number, test.sequence);
                self.travel(about, frame, now, out);
                self.travel(about, frame, now, out);
            }
        }
        if let Some((ahead, frame)) = behind {
            self.travel(ahead, &frame, now, out);
            self.events.reuse(frame);
        }
    }

    fn travel_flipped(&mut self, about: About, test: &Test, frame: &[u8], now: u64, out: &mut dyn Outlet) {
        let mut changed = self.events.copy(frame);
        let way = &self.ways[about.direction.index()];
        let change =
            way.faults.flip.as_ref().and_then(|flip| flip::commit(flip, about.number, test, &mut changed));
        let counts = self.counts(about);
        match change {
            Some(change) => counts.flipped.push(Flipped {
                number: about.number,
                sequence: about.sequence,
                octet: change.octet,
                mask: change.mask,
                mended: change.mended,
            }),
            None => counts.not_flipped.add(about.number, about.sequence),
        }
        self.travel(about, &changed, now, out);
        self.events.reuse(changed);
    }

    /// Along the line: through the bottleneck, past the pauses, for as long as it takes.
    fn travel(&mut self, about: About, frame: &[u8], now: u64, out: &mut dyn Outlet) {
        let started = about.trial.map(|_| self.trials[self.trials.len() - 1].first_ns);
        let full = self.is_full();
        let way = &mut self.ways[about.direction.index()];
        let mut time = now;
        if let Some(bottleneck) = &mut way.bottleneck {
            match bottleneck.admit(now, frame.len()) {
                Some(left) => time = left,
                None => {
                    self.counts(about).queue_full.add(about.number, about.sequence);
                    return;
                }
            }
        }
        let pause = started.and_then(|started| pause_end(&way.faults.pause, started, time));
        time = pause.unwrap_or(time).saturating_add(way.latency_ns);
        if pause.is_some() {
            self.counts(about).paused += 1;
        }
        if time <= now {
            self.leave(about, frame, now, out);
        } else if full {
            self.counts(about).overflow.add(about.number, about.sequence);
        } else {
            self.counts(about).held += 1;
            let held = self.events.copy(frame);
            self.events.push(time, about, Due::Leave(about.direction.side(), held));
        }
    }

    fn leave(&mut self, about: About, frame: &[u8], now: u64, out: &mut dyn Outlet) {
        self.counts(about).passed += 1;
        out.emit(about.direction.side(), frame, about);
        self.monitor_test(about, frame, Of::Passed, now, out);
    }

    fn stop_waiting(&mut self, about: About, now: u64, out: &mut dyn Outlet) {
        let Some(trial) = about.trial else { return };
        let slot = &mut self.trials[trial].ways[about.direction.index()].waiting;
        if let Some(waiting) = slot.take_if(|waiting| waiting.number == about.number) {
            let counts = self.counts(about);
            counts.held -= 1;
            counts.not_swapped.add(about.number, about.sequence);
            self.travel(about, &waiting.frame, now, out);
            self.events.reuse(waiting.frame);
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
            copied.dropped.add(way.shown, about.sequence);
            return;
        }
        match monitor.admit(now, frame.len()) {
            None => copied.queue_full.add(way.shown, about.sequence),
            Some(time) if time <= now => self.show(about, frame, false, out),
            Some(time) => {
                copied.held += 1;
                let held = self.events.copy(frame);
                self.events.push(time, about, Due::Leave(Side::Monitor, held));
            }
        }
    }

    fn show(&mut self, about: About, frame: &[u8], was_held: bool, out: &mut dyn Outlet) {
        let Some(trial) = about.trial else { return };
        let copied = self.ledger.trials[trial].monitor.get_or_insert_default().copied_mut(about.direction);
        copied.held -= u64::from(was_held);
        copied.passed += 1;
        out.emit(Side::Monitor, frame, about);
    }

    fn is_full(&self) -> bool {
        self.events.len() >= HELD
    }

    /// The counts a test frame belongs to.
    fn counts(&mut self, about: About) -> &mut Counts {
        let trial = about.trial.expect("only test frames are counted in a trial");
        self.ledger.trials[trial].counts_mut(about.direction)
    }

    /// The trial of a session tag and stream; begins one if there is none.
    fn trial(&mut self, flow: (u16, u8), now: u64) -> usize {
        let of = |trial: &Trial| (trial.session, trial.stream);
        if let Some(last) = self.ledger.trials.last()
            && of(last) == flow
        {
            return self.trials.len() - 1;
        }
        let recent = |index: &usize| now.saturating_sub(self.trials[*index].last_ns) < SAME_TRIAL_NS;
        let known = self.ledger.trials.iter().rposition(|trial| of(trial) == flow).filter(recent);
        known.unwrap_or_else(|| {
            let monitor = self.monitor.is_some().then(Monitored::default);
            let (session, stream) = flow;
            self.ledger.trials.push(Trial { session, stream, monitor, ..Trial::default() });
            self.trials.push(TrialState::new(&self.script, now));
            self.trials.len() - 1
        })
    }

    /// The dark stretch that `now` falls into.
    #[inline]
    fn dark(&self, direction: Direction, now: u64) -> Option<Dark> {
        let dark = &self.ways[direction.index()].faults.dark;
        if dark.is_empty() {
            return None;
        }
        let since = now.saturating_sub(self.trials.last()?.first_ns);
        dark.iter().find(|dark| within(dark.from_ms, dark.for_ms, since).is_some()).copied()
    }
}

/// The end of the stretch, in nanoseconds of the trial, if `since` falls into it.
fn within(from_ms: u64, for_ms: u64, since: u64) -> Option<u64> {
    let from = from_ms.saturating_mul(1_000_000);
    let end = from.saturating_add(for_ms.saturating_mul(1_000_000));
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
