//! The wire with its ports: receives, lets the engine decide, sends.

use std::io;

use rustix::io::Errno;

use super::engine::{About, Edge, Engine, Outlet, Side};
use super::plug::{Plug, PlugThread};
use super::port::{Outbox, TURN, WirePort};
use crate::ledger::{Direction, Ledger};
use crate::script::Script;

/// Frames that may wait for one port; what comes on top is lost by the wire, and the ledger says so.
const WAITING: usize = 1 << 16;
/// How long frames are offered to a port that takes none. A full backlog empties in less; a port that takes none for
/// longer leads nowhere (a veth without carrier says so in the same way), and a dead link does not save frames up for
/// its return. From then on what is not taken at once is lost, until the port takes a frame again.
const PATIENCE_NS: u64 = 20_000_000;

/// A wire between ports.
pub struct Line {
    engine: Engine,
    ports: Vec<Box<dyn WirePort>>,
    out: Out,
    /// Since when each port has taken nothing of what was offered.
    stuck_since: [Option<u64>; 3],
    plug: Option<PlugThread>,
}

/// What the engine hands on in one turn.
struct Out {
    boxes: [Outbox; 3],
    edges: Vec<Edge>,
}

impl Outlet for Out {
    fn emit(&mut self, side: Side, frame: &[u8], about: About) {
        self.boxes[side as usize].push(frame, about);
    }

    fn edge(&mut self, edge: Edge) -> bool {
        self.edges.push(edge);
        true
    }
}

const SIDES: [Side; 3] = [Side::Near, Side::Far, Side::Monitor];

impl Line {
    /// Joins `near` (the generator's side) to `far` (the reflector's). The `monitor` port gets what the script's
    /// `monitor` says; a script and a wire that disagree about having one are refused.
    pub fn new(
        script: Script,
        near: Box<dyn WirePort>,
        far: Box<dyn WirePort>,
        monitor: Option<Box<dyn WirePort>>,
    ) -> anyhow::Result<Self> {
        let carrier =
            [&script.forward, &script.back].iter().any(|way| way.dark.iter().any(|dark| dark.carrier));
        anyhow::ensure!(!carrier, "the script takes a carrier away, and these ports have none");
        Self::with_plug(script, near, far, monitor, None)
    }

    /// As [`Line::new`], where `plug` sets a port down and up for the script's `carrier`.
    pub fn with_plug(
        script: Script,
        near: Box<dyn WirePort>,
        far: Box<dyn WirePort>,
        monitor: Option<Box<dyn WirePort>>,
        plug: Option<Plug>,
    ) -> anyhow::Result<Self> {
        anyhow::ensure!(
            script.monitor.is_some() == monitor.is_some(),
            "the script {} a monitor side and the wire {} a port for it",
            if script.monitor.is_some() { "has" } else { "has not" },
            if monitor.is_some() { "has" } else { "has not" },
        );
        let ports = [near, far].into_iter().chain(monitor).collect();
        Ok(Self {
            engine: Engine::new(script)?,
            ports,
            out: Out { boxes: std::array::from_fn(|_| Outbox::remembering()), edges: Vec::new() },
            stuck_since: [None; 3],
            plug: plug.map(PlugThread::start).transpose()?,
        })
    }

    /// One turn at time `now`, of which nothing takes any time.
    pub fn turn(&mut self, now: u64) -> io::Result<usize> {
        self.turn_by(&|| now)
    }

    /// One turn: everything that waits is received, everything that is due is sent. Returns the number of frames that
    /// moved; 0 means there was nothing to do.
    pub fn turn_by(&mut self, clock: &dyn Fn() -> u64) -> io::Result<usize> {
        while let Some((edge, at)) = self.plug.as_ref().map_or(Ok(None), PlugThread::done)? {
            self.engine.edge_done(edge, at);
        }
        let now = clock();
        let mut moved = 0;
        for (port, direction) in [(0, Direction::Forward), (1, Direction::Return)] {
            let (engine, out) = (&mut self.engine, &mut self.out);
            let mut latest = now;
            let count = link_down_is_nothing(self.ports[port].receive_stamped(&mut |frame, stamp| {
                latest = stamp.unwrap_or(now);
                engine.arrive_alone(direction, frame, latest, out);
            }))?;
            // With frames still waiting at the port, time has come no further than to the last of these.
            let horizon = if count < TURN { now } else { latest.min(now) };
            engine.advance_way(direction, horizon, out);
            moved += count;
        }
        if let Some(monitor) = self.ports.get_mut(2) {
            let (leaks, out) = (self.engine.monitor_leaks(), &mut self.out);
            let strangers = link_down_is_nothing(monitor.receive(&mut |frame| {
                if leaks {
                    for direction in [Direction::Forward, Direction::Return] {
                        out.emit(direction.side(), frame, About::stranger(direction, now));
                    }
                }
            }))?;
            if !leaks {
                self.engine.ledger_mut().lost_by_wire.monitor_received += strangers as u64;
            }
        }
        self.engine.advance_copies(now, &mut self.out);
        self.see_to_edges(clock)?;
        for side in SIDES {
            moved += self.send(side, now, clock)?;
        }
        Ok(moved)
    }

    fn see_to_edges(&mut self, clock: &dyn Fn() -> u64) -> io::Result<()> {
        for edge in self.out.edges.drain(..) {
            match self.plug.as_ref().filter(|_| edge.carrier) {
                Some(plug) => plug.order(edge)?,
                None => self.engine.edge_done(edge, clock()),
            }
        }
        Ok(())
    }

    fn send(&mut self, side: Side, now: u64, clock: &dyn Fn() -> u64) -> io::Result<usize> {
        let outbox = &mut self.out.boxes[side as usize];
        let Some(port) = self.ports.get_mut(side as usize) else { return Ok(0) };
        let mut moved = 0;
        while !outbox.is_empty() {
            match port.send(outbox) {
                Ok(0) => break,
                Ok(count) => {
                    moved += count;
                    let at = clock();
                    outbox.drain_taken().for_each(|about| self.engine.left(side, about, at));
                }
                Err(error) => {
                    // A frame too long for the port, or a port that is down: what cannot be sent is lost here.
                    let lost = match Errno::from_io_error(&error) {
                        Some(Errno::MSGSIZE) => 1,
                        Some(Errno::NETDOWN | Errno::NXIO | Errno::NODEV) => outbox.len(),
                        _ => return Err(error),
                    };
                    for about in (0..lost).map_while(|_| outbox.give_up_front()) {
                        self.engine.refused(side, about);
                    }
                }
            }
        }
        let since = &mut self.stuck_since[side as usize];
        if moved > 0 {
            *since = None;
        } else if !outbox.is_empty() && now - *since.get_or_insert(now) >= PATIENCE_NS {
            while let Some(about) = outbox.give_up_front() {
                self.engine.refused(side, about);
            }
        }
        while outbox.len() > WAITING {
            if let Some(about) = outbox.give_up_last() {
                self.engine.refused(side, about);
            }
        }
        Ok(moved)
    }

    /// When [`Line::turn`] should be called again even if no frame comes; None if nothing is under way.
    pub fn next_event(&self) -> Option<u64> {
        self.engine.next_event()
    }

    /// True if frames wait for a port that did not take them.
    pub fn is_stuck(&self) -> bool {
        self.out.boxes.iter().any(|outbox| !outbox.is_empty())
    }

    /// Gives up what still waits for a port, so that the last account says so, and sets up the ports that are down.
    pub fn close(&mut self) {
        self.plug = None;
        for side in SIDES {
            while let Some(about) = self.out.boxes[side as usize].give_up_front() {
                self.engine.refused(side, about);
            }
        }
    }

    /// The account up to now, with the ports' own losses.
    pub fn ledger(&mut self) -> io::Result<Ledger> {
        let lost = (self.ports[0].lost()?, self.ports[1].lost()?);
        let ledger = self.engine.ledger_mut();
        (ledger.lost_by_wire.received_near, ledger.lost_by_wire.received_far) = lost;
        Ok(ledger.clone())
    }
}

/// A port that is down receives nothing; that is a fact of the test, not an error of the wire.
fn link_down_is_nothing(result: io::Result<usize>) -> io::Result<usize> {
    match result {
        Err(error) if Errno::from_io_error(&error) == Some(Errno::NETDOWN) => Ok(0),
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples::{Sample, frame};
    use crate::script::{Dark, Faults, Monitor, Rate, Schedule};
    use crate::wire::{MemoryPort, memory_cable};

    #[test]
    fn hands_on_both_ways_in_memory() {
        let (mut generator, near) = memory_cable(1000);
        let (mut reflector, far) = memory_cable(1000);
        let (mut witness, tap) = memory_cable(1000);
        let mut script = Script { monitor: Some(Monitor::default()), ..Script::default() };
        script.forward.drop = Schedule::at(&[3]);
        let mut line = Line::new(script, Box::new(near), Box::new(far), Some(Box::new(tap))).unwrap();
        for sequence in 0..5 {
            generator.put(&frame(&Sample::ipv4().tagged(1).sequence(sequence), 90));
        }
        assert_eq!(line.turn(1).unwrap(), 5 + 4 + 4, "five in, four out, four shown");
        let mut home = 0;
        while let Some(frame) = reflector.take() {
            assert_eq!(frame[12..14], [0x81, 0], "its tag is still there");
            reflector.put(&frame);
            home += 1;
        }
        assert_eq!(home, 4);
        line.turn(2).unwrap();
        assert_eq!(std::iter::from_fn(|| generator.take()).count(), 4);
        assert_eq!(std::iter::from_fn(|| witness.take()).count(), 8);
        let ledger = line.ledger().unwrap();
        assert!(ledger.is_clean());
        assert_eq!(ledger.trials[0].forward.dropped.sequences(), [2]);
        assert_eq!(ledger.trials[0].back.seen, 4);
    }

    #[test]
    fn says_what_a_full_port_and_a_losing_port_lost() {
        let (mut generator, mut near) = memory_cable(1 << 20);
        let (_reflector, far) = memory_cable(10);
        near.lose(3);
        let mut line = Line::new(Script::faithful(), Box::new(near), Box::new(far), None).unwrap();
        let frames = WAITING as u32 + 20;
        for sequence in 0..frames {
            generator.put(&frame(&Sample::ipv4().sequence(sequence), 64));
        }
        while line.turn(1).unwrap() > 0 {}
        assert!(line.is_stuck());
        let ledger = line.ledger().unwrap();
        assert!(!ledger.is_clean());
        assert_eq!(ledger.lost_by_wire.received_near, 3);
        let forward = &ledger.trials[0].forward;
        assert_eq!(forward.seen, u64::from(frames));
        assert_eq!(forward.refused.count, 10, "10 at the far end, 65,536 waiting, 10 too many");
        assert_eq!(forward.unbalanced(), 0);
    }

    #[test]
    fn a_dead_link_saves_nothing_up() {
        let (mut generator, near) = memory_cable(1000);
        let (mut reflector, far) = memory_cable(1);
        let mut line = Line::new(Script::faithful(), Box::new(near), Box::new(far), None).unwrap();
        let mut send = |line: &mut Line, sequence, at| {
            generator.put(&frame(&Sample::ipv4().sequence(sequence), 64));
            line.turn(at).unwrap();
            let ledger = line.ledger().unwrap();
            (ledger.trials[0].forward.passed, ledger.trials[0].forward.refused.sequences())
        };
        assert_eq!(send(&mut line, 0, 0), (1, vec![]));
        assert_eq!(send(&mut line, 1, 1), (2, vec![]), "the port is full, which may pass");
        assert_eq!(send(&mut line, 2, PATIENCE_NS), (3, vec![]));
        assert_eq!(send(&mut line, 3, PATIENCE_NS + 1), (1, vec![1, 2, 3]), "it has lasted too long");
        assert_eq!(send(&mut line, 4, PATIENCE_NS + 2), (1, vec![1, 2, 3, 4]), "dead from now on");
        assert!(reflector.take().is_some());
        assert_eq!(send(&mut line, 5, PATIENCE_NS + 3), (2, vec![1, 2, 3, 4]), "alive again");
        assert_eq!(send(&mut line, 6, PATIENCE_NS + 4), (3, vec![1, 2, 3, 4]), "and given time again");
    }

    /// A port whose frames came at the times in `stamps`, one after the other.
    struct Stamped(MemoryPort, std::collections::VecDeque<u64>);

    impl WirePort for Stamped {
        fn receive(&mut self, visit: &mut dyn FnMut(&[u8])) -> io::Result<usize> {
            self.0.receive(visit)
        }

        fn receive_stamped(&mut self, visit: &mut dyn FnMut(&[u8], Option<u64>)) -> io::Result<usize> {
            let stamps = &mut self.1;
            self.0.receive(&mut |frame| visit(frame, stamps.pop_front()))
        }

        fn send(&mut self, outbox: &mut Outbox) -> io::Result<usize> {
            self.0.send(outbox)
        }

        fn lost(&mut self) -> io::Result<u64> {
            self.0.lost()
        }
    }

    /// The wire's thread looks 30 ms late, at frames that came one a microsecond: what is lost is what would have been
    /// lost had it looked in time, and the lateness is in the ledger.
    #[test]
    fn decides_by_the_stamps_however_late_it_looks() {
        const MS: u64 = 1_000_000;
        let script = Script {
            forward: Faults {
                rate: Some(Rate::frames(500_000, 20)),
                dark: vec![Dark { from_ms: 2, for_ms: 1, ..Dark::default() }],
                ..Faults::default()
            },
            ..Script::default()
        };
        let stamps: Vec<u64> = (0..4000).map(|n| MS + n * 1000).collect();
        let outcome = |looks: &[u64]| {
            let (mut generator, near) = memory_cable(1 << 20);
            let (_reflector, far) = memory_cable(1 << 20);
            let near = Stamped(near, stamps.iter().copied().collect());
            let mut line = Line::new(script.clone(), Box::new(near), Box::new(far), None).unwrap();
            let mut sent = 0;
            for &look in looks {
                while sent < stamps.len() && stamps[sent] <= look {
                    generator.put(&frame(&Sample::ipv4().sequence(sent as u32), 64));
                    sent += 1;
                }
                while line.turn(look).unwrap() > 0 {}
            }
            line.ledger().unwrap()
        };
        let often: Vec<u64> = (0..50_000).map(|n| MS + n * 500).collect();
        let (in_time, late) = (outcome(&often), outcome(&[31 * MS, 40 * MS]));
        let (one, other) = (&in_time.trials[0].forward, &late.trials[0].forward);
        assert_eq!(one.unbalanced(), 0);
        assert!(one.queue_full.count > 1000 && one.dark.count == 1000, "{one:?}");
        assert_eq!((&one.queue_full, &one.dark, &one.delay), (&other.queue_full, &other.dark, &other.delay));
        assert_eq!(one.stretches[0].last_before, other.stretches[0].last_before);
        assert_eq!(one.stretches[0].first_after, other.stretches[0].first_after);
        assert_eq!((one.late.max_ns, one.stretches[0].began_late_ns), (Some(0), Some(0)));
        assert_eq!(other.late.count, other.passed);
        // The first frame was due 2 us after it came.
        assert_eq!(other.late.max_ns, Some(30 * MS - 2000));
        assert_eq!(other.stretches[0].began_late_ns, Some(28 * MS));
        assert_eq!((in_time.forward.put_later.count, late.forward.put_later.count), (0, 0));
    }

    #[test]
    fn a_stamp_the_wire_has_passed_is_put_later_and_said() {
        let (mut generator, near) = memory_cable(10);
        let (_reflector, far) = memory_cable(10);
        let near = Stamped(near, [900].into());
        let mut line = Line::new(Script::faithful(), Box::new(near), Box::new(far), None).unwrap();
        line.turn(1000).unwrap();
        generator.put(&frame(&Sample::ipv4(), 64));
        line.turn(1500).unwrap();
        let ledger = line.ledger().unwrap();
        assert_eq!((ledger.forward.put_later.count, ledger.forward.put_later.max_ns), (1, Some(100)));
        assert_eq!(ledger.trials[0].forward.first_ns, Some(1000));
        assert_eq!(ledger.trials[0].forward.late.max_ns, Some(500));
    }

    #[test]
    fn carrier_is_taken_by_the_plug_and_given_back_at_the_end() {
        let gone = Dark { from_ms: 1, for_ms: Dark::FOREVER, carrier: true, spare_control: false };
        let script = Script { back: Faults { dark: vec![gone], ..Faults::default() }, ..Script::default() };
        let ports = || (Box::new(memory_cable(10).1), Box::new(memory_cable(10).1));
        let (near, far) = ports();
        assert!(Line::new(script.clone(), near, far, None).is_err(), "memory has no carrier");

        let (pulled, pulls) = std::sync::mpsc::channel();
        let plug: Plug = Box::new(move |side, up| Ok(pulled.send((side, up))?));
        let (mut generator, near) = memory_cable(10);
        let (_, far) = ports();
        let mut line = Line::with_plug(script, Box::new(near), far, None, Some(plug)).unwrap();
        generator.put(&frame(&Sample::ipv4(), 64));
        line.turn(5).unwrap();
        assert!(pulls.try_recv().is_err());
        line.turn(1_000_005).unwrap();
        assert_eq!(pulls.recv().unwrap(), (Side::Near, false));
        while line.ledger().unwrap().trials[0].back.stretches[0].began_late_ns.is_none() {
            line.turn(1_000_006).unwrap();
        }
        line.close();
        assert_eq!(pulls.recv().unwrap(), (Side::Near, true));
    }
}
