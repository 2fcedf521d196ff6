//! Dark stretches: which frames they swallow, and what the ledger says of each stretch.

use super::{About, Due, Engine, Outlet};
use crate::ledger::{Counts, Direction, Mark, Stretch};
use crate::script::Dark;

const DIRECTIONS: [Direction; 2] = [Direction::Forward, Direction::Return];

/// A dark stretch begins or ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Edge {
    pub direction: Direction,
    /// Its trial's place in the ledger, and the stretch's place in the script.
    pub trial: usize,
    pub index: usize,
    pub begins: bool,
    /// The port at which this direction leaves is to be set down, or up again.
    pub carrier: bool,
    /// When it is due, in nanoseconds of the wire's clock.
    pub due_ns: u64,
}

impl Engine {
    /// Enters the stretches of a trial that begins now, and when each of their edges is due.
    pub(super) fn plan_stretches(&mut self, now: u64) {
        let trial = self.trials.len() - 1;
        for direction in DIRECTIONS {
            let way = &mut self.ways[direction.index()];
            if way.gone.is_some() {
                continue;
            }
            let counts = self.ledger.trials[trial].counts_mut(direction);
            for (index, dark) in way.faults.dark.iter().enumerate() {
                let (from, end) = dark.edges_ns();
                let from_ns = now.saturating_add(from);
                let end_ns = (dark.for_ms != Dark::FOREVER).then(|| now.saturating_add(end));
                let carrier = dark.carrier;
                let until_ns = end_ns.filter(|_| !carrier);
                counts.stretches.push(Stretch { index, carrier, from_ns, until_ns, ..Stretch::default() });
                let edge = Edge { direction, trial, index, begins: true, carrier, due_ns: from_ns };
                let about = About::stranger(direction, now);
                way.events.push(from_ns, about, Due::Edge(edge));
                if let Some(due_ns) = end_ns {
                    way.events.push(due_ns, about, Due::Edge(Edge { begins: false, due_ns, ..edge }));
                }
            }
        }
    }

    /// Before a trial begins: what has gone dark for good in the one before stays so.
    pub(super) fn remember_the_gone(&mut self, now: u64) {
        let Some(trial) = self.ledger.trials.len().checked_sub(1) else { return };
        for direction in DIRECTIONS {
            let way = &mut self.ways[direction.index()];
            let stretches = &self.ledger.trials[trial].counts(direction).stretches;
            let for_good = |stretch: &&Stretch| {
                stretch.from_ns <= now && way.faults.dark[stretch.index].for_ms == Dark::FOREVER
            };
            let gone = stretches.iter().find(for_good).map(|stretch| (trial, stretch.index));
            way.gone = way.gone.or(gone);
        }
    }

    /// A frame of no trial comes: true if it is swallowed.
    pub(super) fn swallow_other(&mut self, direction: Direction, now: u64) -> bool {
        let hit = self.dark_at(direction, now, |dark| !dark.spare_control);
        if let Some((trial, index)) = hit {
            self.stretch(direction, trial, index).swallowed_others += 1;
        }
        hit.is_some()
    }

    /// A test frame comes: true if it is swallowed.
    pub(super) fn swallow_test(&mut self, about: About, now: u64) -> bool {
        let hit = self.dark_at(about.direction, now, |_| true);
        if let Some((trial, index)) = hit {
            let stretch = self.stretch(about.direction, trial, index);
            *if Some(trial) == about.trial {
                &mut stretch.swallowed
            } else {
                &mut stretch.swallowed_others
            } += 1;
            return true;
        }
        let mark = Mark {
            number: about.number,
            stream: about.stream,
            sequence: about.sequence,
            arrived_ns: about.arrived_ns,
        };
        for stretch in &mut self.counts(about).stretches {
            if now < stretch.from_ns {
                stretch.last_before = Some(mark);
            } else if stretch.until_ns.is_some_and(|until| now >= until) {
                stretch.first_after.get_or_insert(mark);
            }
        }
        false
    }

    /// The stretch that swallows at `now` what `meets` says it does, by trial and place.
    #[inline]
    fn dark_at(
        &self,
        direction: Direction,
        now: u64,
        meets: impl Fn(&Dark) -> bool,
    ) -> Option<(usize, usize)> {
        let way = &self.ways[direction.index()];
        if way.faults.dark.is_empty() {
            return None;
        }
        if let Some((_, index)) = way.gone {
            return way.gone.filter(|_| meets(&way.faults.dark[index]));
        }
        let trial = self.ledger.trials.len().checked_sub(1)?;
        let stretches = &self.ledger.trials[trial].counts(direction).stretches;
        let hit = stretches.iter().find(|stretch| {
            stretch.from_ns <= now
                && stretch.until_ns.is_none_or(|until| now < until)
                && meets(&way.faults.dark[stretch.index])
        });
        hit.map(|stretch| (trial, stretch.index))
    }

    /// An edge is due. Those of a trial that is no longer the latest mean nothing, except that a port is set up again
    /// and that what is gone for good is so.
    pub(super) fn come_to_edge(&mut self, edge: Edge, out: &mut dyn Outlet) {
        let this = (edge.trial, edge.index);
        let is_latest = edge.trial + 1 == self.trials.len();
        let way = &mut self.ways[edge.direction.index()];
        if edge.begins {
            let is_other_gone = way.gone.is_some_and(|gone| gone != this);
            if is_other_gone || !(is_latest || way.gone == Some(this)) {
                return;
            }
            if way.faults.dark[edge.index].for_ms == Dark::FOREVER {
                way.gone = Some(this);
            }
            if edge.carrier {
                way.unplugged = Some(this);
            }
            out.edge(edge);
        } else if edge.carrier {
            if way.unplugged == Some(this) && !out.edge(edge) {
                self.plug_in(edge, edge.due_ns);
            }
        } else if is_latest && way.gone.is_none() {
            out.edge(edge);
        }
    }

    /// An edge that was handed to the [`Outlet`] was seen to at `at`.
    pub fn edge_done(&mut self, edge: Edge, at: u64) {
        let late = Some(at.saturating_sub(edge.due_ns));
        let stretch = self.stretch(edge.direction, edge.trial, edge.index);
        *if edge.begins { &mut stretch.began_late_ns } else { &mut stretch.ended_late_ns } = late;
        if edge.carrier && !edge.begins {
            // What has come by now was swallowed.
            let until = at.max(self.ways[edge.direction.index()].now.saturating_add(1));
            self.plug_in(edge, until);
        }
    }

    fn plug_in(&mut self, edge: Edge, until: u64) {
        self.stretch(edge.direction, edge.trial, edge.index).until_ns = Some(until);
        self.ways[edge.direction.index()].unplugged = None;
    }

    /// Whether the script has taken the carrier from the port at which this frame leaves.
    pub(super) fn is_unplugged(&self, about: About) -> bool {
        self.ways[about.direction.index()].unplugged.is_some()
    }

    /// A frame that was inside the wire has found its port without carrier.
    pub(super) fn lose_inside(&mut self, about: About) {
        let Some((trial, index)) = self.ways[about.direction.index()].unplugged else { return };
        let own = about.trial == Some(trial);
        let stretch = self.stretch(about.direction, trial, index);
        if own {
            stretch.swallowed += 1;
            stretch.swallowed_inside += 1;
        } else {
            stretch.swallowed_others += 1;
        }
        if about.trial.is_some() {
            let counts = self.counts(about);
            counts.passed -= 1;
            counts.stream_mut(about.stream).passed -= 1;
            counts.dark.add(about.number, about.stream, about.sequence);
        } else {
            self.ledger.others_mut(about.direction).dark_inside += 1;
        }
    }

    fn stretch(&mut self, direction: Direction, trial: usize, index: usize) -> &mut Stretch {
        let counts: &mut Counts = self.ledger.trials[trial].counts_mut(direction);
        &mut counts.stretches[index]
    }
}
