//! Dark stretches and the ledger's account of each.

use super::*;
use crate::ledger::{Mark, Stretch};

/// Sees to edges when told to, and keeps what left.
#[derive(Default)]
struct Watcher {
    left: Vec<(Side, About)>,
    edges: Vec<Edge>,
}

impl Outlet for Watcher {
    fn emit(&mut self, side: Side, _: &[u8], about: About) {
        self.left.push((side, about));
    }

    fn edge(&mut self, edge: Edge) -> bool {
        self.edges.push(edge);
        true
    }
}

fn dark(from_ms: u64, for_ms: u64) -> Dark {
    Dark { from_ms, for_ms, ..Dark::default() }
}

fn send(engine: &mut Engine, direction: Direction, sequence: u32, at: u64, out: &mut dyn Outlet) {
    engine.arrive(direction, &frame(&Sample::ipv4().stream(3).sequence(sequence), 64), at, out);
}

#[test]
fn every_stretch_has_its_edges_its_neighbours_and_its_count() {
    for for_ms in [3, 40, 700, 4000] {
        for (forward, back) in [(true, false), (false, true), (true, true)] {
            let faults = |is_dark| Faults {
                dark: if is_dark { vec![dark(2, for_ms), dark(for_ms + 10, 1)] } else { Vec::new() },
                ..Faults::default()
            };
            let mut engine =
                Engine::new(Script { forward: faults(forward), back: faults(back), ..Script::default() })
                    .unwrap();
            let mut out = Vec::new();
            // The clock begins with the first test frame, at 5 ms and 17 ns; one frame a quarter of a millisecond.
            let start = 5 * MS + 17;
            let frames = (for_ms + 20) as u32 * 4;
            for sequence in 0..frames {
                let at = start + u64::from(sequence) * MS / 4;
                send(&mut engine, Direction::Forward, sequence, at, &mut out);
                send(&mut engine, Direction::Return, sequence, at, &mut out);
            }
            let mark = |sequence: u32| Mark {
                number: u64::from(sequence) + 1,
                stream: 3,
                sequence,
                arrived_ns: start + u64::from(sequence) * MS / 4,
            };
            let first = |index, from_ms: u64, for_ms: u64| Stretch {
                index,
                from_ns: start + from_ms * MS,
                until_ns: Some(start + (from_ms + for_ms) * MS),
                last_before: Some(mark(from_ms as u32 * 4 - 1)),
                first_after: Some(mark((from_ms + for_ms) as u32 * 4)),
                swallowed: for_ms * 4,
                ..Stretch::default()
            };
            let expected = [first(0, 2, for_ms), first(1, for_ms + 10, 1)];
            let trial = &engine.ledger().trials[0];
            for (counts, is_dark) in [(&trial.forward, forward), (&trial.back, back)] {
                assert_eq!(counts.stretches, if is_dark { &expected[..] } else { &[] });
                let swallowed = if is_dark { 4 * for_ms + 4 } else { 0 };
                assert_eq!((counts.dark.count, counts.passed), (swallowed, u64::from(frames) - swallowed));
                assert_eq!(counts.unbalanced(), 0);
            }
        }
    }
}

#[test]
fn the_wire_says_how_late_it_was_at_each_edge() {
    let mut engine = Engine::new(forward(Faults { dark: vec![dark(2, 3)], ..Faults::default() })).unwrap();
    let mut out = Watcher::default();
    send(&mut engine, Direction::Forward, 0, 100, &mut out);
    assert_eq!(engine.next_event(), Some(100 + 2 * MS), "the wire wakes at the edge even if no frame comes");
    engine.advance(100 + 2 * MS + 50, &mut out);
    engine.advance(100 + 5 * MS + 9, &mut out);
    let [begin, end] = out.edges[..] else { panic!("{:?}", out.edges) };
    assert_eq!(
        (begin.begins, begin.due_ns, end.begins, end.due_ns),
        (true, 100 + 2 * MS, false, 100 + 5 * MS)
    );
    engine.edge_done(begin, begin.due_ns + 60);
    engine.edge_done(end, end.due_ns + 10);
    let stretch = &forward_counts(&engine).stretches[0];
    assert_eq!((stretch.began_late_ns, stretch.ended_late_ns), (Some(60), Some(10)));
    assert_eq!(stretch.until_ns, Some(100 + 5 * MS), "what is swallowed is decided by arrival alone");
}

#[test]
fn without_carrier_the_dark_lasts_until_the_port_is_up() {
    let gap = Dark { carrier: true, ..dark(2, 3) };
    let faults = Faults { dark: vec![gap], latency_us: 1000, ..Faults::default() };
    let mut engine = Engine::new(forward(faults)).unwrap();
    let mut out = Watcher::default();
    for sequence in 0..4 {
        send(&mut engine, Direction::Forward, sequence, u64::from(sequence) * MS, &mut out);
    }
    // Frame 1 left at 2 ms, when the port was going down, and was not taken.
    let (side, about) = out.left[1];
    assert_eq!((side, about.sequence, about.due_ns), (Side::Far, 1, 2 * MS));
    engine.refused(side, about);
    engine.edge_done(out.edges[0], 2 * MS + 700);
    send(&mut engine, Direction::Forward, 4, 5 * MS + 100, &mut out);
    let stranger = About::stranger(Direction::Forward, 0);
    engine.refused(Side::Far, stranger);
    engine.edge_done(out.edges[1], 5 * MS + 900);
    send(&mut engine, Direction::Forward, 5, 5 * MS + 900, &mut out);
    engine.advance(10 * MS, &mut out);
    let counts = forward_counts(&engine);
    let mut dark = counts.dark.sequences_of(3);
    dark.sort_unstable();
    assert_eq!(dark, [1, 2, 3, 4]);
    assert_eq!((counts.passed, counts.unbalanced(), counts.refused.count), (2, 0, 0));
    let stretch = &counts.stretches[0];
    assert_eq!((stretch.swallowed, stretch.swallowed_inside, stretch.swallowed_others), (4, 1, 1));
    assert_eq!((stretch.from_ns, stretch.until_ns), (2 * MS, Some(5 * MS + 900)));
    assert_eq!((stretch.began_late_ns, stretch.ended_late_ns), (Some(700), Some(900)));
    assert_eq!(stretch.first_after.unwrap().sequence, 5);
    assert_eq!(engine.ledger().forward.dark_inside, 1);
    assert!(engine.ledger().is_clean(), "nothing here that the script did not ask for");
    engine.refused(Side::Far, stranger);
    assert!(!engine.ledger().is_clean(), "the port is up again");
}

#[test]
fn what_never_comes_back_outlives_its_trial() {
    for carrier in [false, true] {
        let gone = Dark { carrier, ..dark(2, Dark::FOREVER) };
        let faults = Faults { dark: vec![gone], ..Faults::default() };
        let mut engine = Engine::new(forward(faults)).unwrap();
        let mut out = Watcher::default();
        for (session, ms) in [(1, 0), (1, 1), (1, 2), (2, 3), (2, 3000), (1, 9000)] {
            let sample = Sample::ipv4().session(session).sequence(ms as u32);
            engine.arrive(Direction::Forward, &frame(&sample, 64), ms * MS, &mut out);
            engine.arrive(Direction::Return, &frame(&sample, 64), ms * MS, &mut out);
        }
        let ledger = engine.ledger();
        let passed = |direction| ledger.trials.iter().map(move |trial| trial.counts(direction).passed);
        assert_eq!(passed(Direction::Forward).collect::<Vec<_>>(), [2, 0, 0]);
        assert_eq!(passed(Direction::Return).collect::<Vec<_>>(), [3, 2, 1]);
        let stretch = &ledger.trials[0].forward.stretches[0];
        assert_eq!((stretch.until_ns, stretch.swallowed, stretch.swallowed_others), (None, 1, 3));
        assert_eq!((stretch.last_before.unwrap().sequence, stretch.first_after), (1, None));
        assert!(ledger.trials[1].forward.stretches.is_empty());
        let edges: Vec<_> = out.edges.iter().map(|edge| (edge.begins, edge.carrier)).collect();
        assert_eq!(edges, [(true, carrier)]);
    }
}

#[test]
fn a_new_trial_has_stretches_of_its_own() {
    let mut engine = Engine::new(forward(Faults { dark: vec![dark(2, 10)], ..Faults::default() })).unwrap();
    let mut out = Watcher::default();
    for (session, ms) in [(1, 0), (1, 2), (2, 5), (1, 6), (2, 8), (1, 9), (2, 15)] {
        let sample = Sample::ipv4().session(session).sequence(ms as u32);
        engine.arrive(Direction::Forward, &frame(&sample, 64), ms * MS, &mut out);
    }
    engine.advance(100 * MS, &mut out);
    let [one, two] = &engine.ledger().trials[..] else { panic!() };
    assert_eq!((one.forward.dark.sequences(), two.forward.dark.sequences()), (vec![2, 9], vec![8, 15]));
    assert_eq!((one.forward.stretches[0].swallowed, one.forward.stretches[0].swallowed_others), (1, 0));
    assert_eq!((two.forward.stretches[0].swallowed, two.forward.stretches[0].swallowed_others), (2, 1));
    assert_eq!(two.forward.stretches[0].first_after, None, "15 ms is within 5 + 2 and 5 + 12");
}
