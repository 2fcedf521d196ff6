use proptest::prelude::*;

use super::*;
use crate::ledger::Record;
use crate::samples::{Sample, frame};
use crate::script::{Burst, ControlFaults, Delay, Flip, Monitor, Octet, Rate, Schedule};

const MS: u64 = 1_000_000;

fn forward(faults: Faults) -> Script {
    Script { forward: faults, ..Script::default() }
}

fn sequence_of(frame: &[u8]) -> u32 {
    match classify(frame) {
        Class::Test(test) => test.sequence,
        other => panic!("not a test frame: {other:?}"),
    }
}

/// Sends `count` frames forward, `gap` nanoseconds apart, waits a while; the sequences that came out.
fn pass(engine: &mut Engine, count: u32, gap: u64) -> Vec<u32> {
    let mut out = Vec::new();
    for sequence in 0..count {
        let octets = frame(&Sample::ipv4().sequence(sequence), 64);
        engine.arrive(Direction::Forward, &octets, u64::from(sequence) * gap, &mut out);
    }
    engine.advance(u64::from(count) * gap + 10_000 * MS, &mut out);
    assert!(out.iter().all(|&(side, _)| side == Side::Far));
    assert_eq!(engine.ledger().trials[0].forward.unbalanced(), 0);
    assert_eq!(engine.ledger().trials[0].forward.held, 0);
    out.iter().map(|(_, frame)| sequence_of(frame)).collect()
}

fn forward_counts(engine: &Engine) -> &Counts {
    &engine.ledger().trials[0].forward
}

#[test]
fn drops_what_it_says() {
    let drop = Schedule { at: vec![7], every: Some(5), burst: Some(Burst { first: 12, length: 2 }) };
    let mut engine = Engine::new(forward(Faults { drop, ..Faults::default() })).unwrap();
    // Frame n carries sequence n - 1.
    assert_eq!(pass(&mut engine, 16, 1000), [0, 1, 2, 3, 5, 7, 8, 10, 13, 15]);
    let dropped = &forward_counts(&engine).dropped;
    assert_eq!(dropped.frames, [(5, 4), (7, 6), (10, 9), (12, 11), (13, 12), (15, 14)]);
}

/// Two flows of one trial between each other: each meets the faults by its own numbers, and has an account of its own.
#[test]
fn flows_of_a_trial_are_kept_apart() {
    let faults = Faults { drop: Schedule::every(5), swap: Schedule::every(7), ..Faults::default() };
    let mut engine = Engine::new(forward(faults)).unwrap();
    let mut out = Vec::new();
    for (sequence, stream) in (0..10).flat_map(|sequence| [(sequence, 0), (sequence, 1)]) {
        let octets = frame(&Sample::ipv4().stream(stream).sequence(sequence), 64);
        engine.arrive(Direction::Forward, &octets, u64::from(sequence) * 1000, &mut out);
    }
    engine.advance(10_000 * MS, &mut out);
    for stream in 0..2 {
        let of_flow = |frame: &[u8]| matches!(classify(frame), Class::Test(test) if test.stream == stream);
        let came: Vec<u32> =
            out.iter().filter(|(_, frame)| of_flow(frame)).map(|(_, frame)| sequence_of(frame)).collect();
        assert_eq!(came, [0, 1, 2, 3, 5, 7, 6, 8]);
        let did = &engine.ledger().trials[usize::from(stream)];
        assert_eq!((did.session, did.stream, did.forward.distinct), (1, stream, 10));
        assert_eq!(did.forward.dropped.sequences(), [4, 9]);
        assert_eq!(did.forward.swapped.sequences(), [6]);
    }
    assert_eq!(engine.ledger().trials.len(), 2);
}

#[test]
fn duplicates_right_behind() {
    let mut engine =
        Engine::new(forward(Faults { duplicate: Schedule::every(2), ..Faults::default() })).unwrap();
    assert_eq!(pass(&mut engine, 4, 1000), [0, 1, 1, 2, 3, 3]);
    assert_eq!(forward_counts(&engine).duplicated.sequences(), [1, 3]);
    assert_eq!(forward_counts(&engine).passed, 6);
}

#[test]
fn swaps_with_the_next_and_not_with_a_faulty_one() {
    let faults =
        Faults { swap: Schedule::at(&[1, 4, 5, 7, 10]), drop: Schedule::at(&[8]), ..Faults::default() };
    let mut engine = Engine::new(forward(faults)).unwrap();
    // 1 with 2; 4 cannot with 5, which is to be swapped itself; 5 with 6; 7 cannot with 8, which is dropped; 10 is last.
    assert_eq!(pass(&mut engine, 10, 1000), [1, 0, 2, 3, 5, 4, 6, 8, 9]);
    assert_eq!(forward_counts(&engine).swapped.sequences(), [0, 4]);
    assert_eq!(forward_counts(&engine).not_swapped.sequences(), [3, 6, 9]);
}

#[test]
fn a_swap_waits_fifty_milliseconds() {
    let script = forward(Faults { swap: Schedule::at(&[1]), ..Faults::default() });
    let mut engine = Engine::new(script).unwrap();
    let mut out = Vec::new();
    engine.arrive(Direction::Forward, &frame(&Sample::ipv4(), 64), 0, &mut out);
    assert_eq!(engine.next_event(), Some(50 * MS));
    engine.advance(50 * MS - 1, &mut out);
    assert!(out.is_empty());
    assert_eq!(forward_counts(&engine).held, 1);
    engine.advance(50 * MS, &mut out);
    assert_eq!(out.len(), 1);
    assert_eq!(forward_counts(&engine).not_swapped.count, 1);
}

#[test]
fn delays_one_past_the_others() {
    let delay = Some(Delay { when: Schedule::at(&[2]), by_ms: 3 });
    let mut engine = Engine::new(forward(Faults { delay, ..Faults::default() })).unwrap();
    assert_eq!(pass(&mut engine, 7, MS), [0, 2, 3, 1, 4, 5, 6]);
    assert_eq!(forward_counts(&engine).delayed.sequences(), [1]);
}

#[test]
fn flips_and_says_where() {
    let flip = Some(Flip { when: Schedule::every(3), octet: Octet::Fill, mend: true, seed: 1 });
    let mut engine = Engine::new(forward(Faults { flip, ..Faults::default() })).unwrap();
    let mut out = Vec::new();
    let sent: Vec<_> = (0..9).map(|sequence| frame(&Sample::ipv4().sequence(sequence), 128)).collect();
    for octets in &sent {
        engine.arrive(Direction::Forward, octets, 0, &mut out);
    }
    // A 64-byte IPv4 frame has no fill.
    for sequence in 9..12 {
        engine.arrive(Direction::Forward, &frame(&Sample::ipv4().sequence(sequence), 64), 0, &mut out);
    }
    let counts = forward_counts(&engine);
    assert_eq!(counts.flipped.iter().map(|flipped| flipped.number).collect::<Vec<_>>(), [3, 6, 9]);
    assert_eq!(counts.not_flipped.frames, [(12, 11)]);
    for (index, before) in sent.iter().enumerate() {
        let after = &out[index].1;
        match counts.flipped.iter().find(|flipped| flipped.sequence == index as u32) {
            Some(flipped) => {
                let at = usize::from(flipped.octet);
                assert_eq!(before[at] ^ after[at], flipped.mask);
                assert!(flipped.mended);
            }
            None => assert_eq!(before, after),
        }
    }
}

#[test]
fn goes_dark_for_control_too_unless_spared() {
    for spare_control in [false, true] {
        let dark = vec![Dark { from_ms: 2, for_ms: 3, spare_control }];
        let mut engine = Engine::new(forward(Faults { dark, ..Faults::default() })).unwrap();
        let mut control = frame(&Sample::ethernet(), 64);
        control[12..14].copy_from_slice(&crate::classify::ETHERTYPE_CONTROL.to_be_bytes());
        let mut out = Vec::new();
        for ms in 0..8 {
            engine.arrive(
                Direction::Forward,
                &frame(&Sample::ipv4().sequence(ms), 64),
                u64::from(ms) * MS,
                &mut out,
            );
            engine.arrive(Direction::Forward, &control, u64::from(ms) * MS, &mut out);
            engine.arrive(Direction::Return, &control, u64::from(ms) * MS, &mut out);
        }
        assert_eq!(forward_counts(&engine).dark.sequences(), [2, 3, 4]);
        let lost = if spare_control { 0 } else { 3 };
        assert_eq!(engine.ledger().forward.control_dark, lost);
        assert_eq!(engine.ledger().back.control_seen, 8);
        assert_eq!(out.len() as u64, 5 + 8 - lost + 8);
    }
}

#[test]
fn limits_the_rate_with_a_queue() {
    let rate = Some(Rate::frames(1000, 2));
    let mut engine = Engine::new(forward(Faults { rate, ..Faults::default() })).unwrap();
    // Ten at once: one in service, two wait, seven find the queue full.
    assert_eq!(pass(&mut engine, 10, 0), [0, 1, 2]);
    assert_eq!(forward_counts(&engine).queue_full.sequences(), [3, 4, 5, 6, 7, 8, 9]);
    // At the rate itself nothing is lost.
    let mut engine = Engine::new(forward(Faults { rate, ..Faults::default() })).unwrap();
    assert_eq!(pass(&mut engine, 1000, MS).len(), 1000);
}

#[test]
fn takes_its_time_and_pauses_in_order() {
    let faults =
        Faults { latency_us: 1500, pause: vec![Window { from_ms: 2, for_ms: 3 }], ..Faults::default() };
    let mut engine = Engine::new(forward(faults)).unwrap();
    let mut out = Vec::new();
    let mut times = Vec::new();
    for step in 0..100_u64 {
        let now = step * MS / 10;
        if step % 10 == 0 && step < 80 {
            let octets = frame(&Sample::ipv4().sequence(step as u32 / 10), 64);
            engine.arrive(Direction::Forward, &octets, now, &mut out);
        }
        engine.advance(now, &mut out);
        times.extend(out.drain(..).map(|(_, frame)| (sequence_of(&frame), now)));
    }
    let expected = [15, 25, 65, 65, 65, 65, 75, 85].map(|tenths| tenths * MS / 10);
    let expected: Vec<_> = (0..8).zip(expected).collect();
    assert_eq!(times, expected);
    assert_eq!(forward_counts(&engine).paused, 3);
}

#[test]
fn control_frames_pass_untouched_unless_asked_for() {
    let mut script = Script::default();
    script.forward.drop = Schedule::every(1);
    script.back.control = Some(ControlFaults { drop: Schedule::every(2) });
    let mut engine = Engine::new(script).unwrap();
    let mut out = Vec::new();
    let mut control = frame(&Sample::ethernet().tagged(1), 64);
    control[16..18].copy_from_slice(&crate::classify::ETHERTYPE_CONTROL.to_be_bytes());
    for _ in 0..10 {
        engine.arrive(Direction::Forward, &control, 0, &mut out);
        engine.arrive(Direction::Return, &control, 0, &mut out);
        engine.arrive(Direction::Forward, &frame(&Sample::ipv4().learning(), 64), 0, &mut out);
        engine.arrive(Direction::Forward, &[0; 60], 0, &mut out);
    }
    let ledger = engine.ledger();
    assert_eq!((ledger.forward.control_seen, ledger.forward.control_dropped), (10, 0));
    assert_eq!((ledger.back.control_seen, ledger.back.control_dropped), (10, 5));
    assert_eq!((ledger.forward.learning_seen, ledger.forward.foreign_seen), (10, 10));
    assert_eq!(ledger.forward.foreign_samples.len(), SAMPLES);
    assert_eq!(out.len(), 10 + 5 + 10 + 10);
    assert!(ledger.trials.is_empty());
}

#[test]
fn a_session_tag_drawn_twice_is_two_trials() {
    let mut engine = Engine::new(forward(Faults { drop: Schedule::at(&[1]), ..Faults::default() })).unwrap();
    let mut out = Vec::new();
    for (session, ms) in [(5, 0), (6, 10), (5, 20), (6, 30), (5, 2000)] {
        engine.arrive(Direction::Forward, &frame(&Sample::ipv4().session(session), 64), ms * MS, &mut out);
    }
    let trials: Vec<_> =
        engine.ledger().trials.iter().map(|trial| (trial.session, trial.forward.seen)).collect();
    assert_eq!(trials, [(5, 2), (6, 2), (5, 1)]);
    assert_eq!(out.len(), 2, "the first frame of each trial is dropped");
}

#[test]
fn the_monitor_side_sees_what_passed_or_what_came() {
    for (of, shown) in [(Of::Passed, 8), (Of::Arriving, 10)] {
        let monitor = Monitor { of, drop: Schedule::at(&[2]), ..Monitor::default() };
        let mut script = Script { monitor: Some(monitor), ..Script::default() };
        script.forward.drop = Schedule::burst(4, 2);
        let mut engine = Engine::new(script).unwrap();
        let mut out = Vec::new();
        for sequence in 0..10 {
            engine.arrive(Direction::Forward, &frame(&Sample::ipv6().sequence(sequence), 84), 0, &mut out);
        }
        let copied = &engine.ledger().trials[0].monitor.as_ref().unwrap().forward;
        assert_eq!((copied.shown, copied.passed), (shown, shown - 1));
        assert_eq!(copied.dropped.frames, [(2, 1)]);
        assert_eq!(out.iter().filter(|(side, _)| *side == Side::Monitor).count() as u64, shown - 1);
        assert_eq!(out.iter().filter(|(side, _)| *side == Side::Far).count(), 8);
    }
}

#[test]
fn a_monitor_side_may_be_a_bottleneck_for_both_directions() {
    let monitor = Monitor { rate: Some(Rate::bits(1_000_000_000, 1)), ..Monitor::default() };
    let mut engine = Engine::new(Script { monitor: Some(monitor), ..Script::default() }).unwrap();
    let mut out = Vec::new();
    for direction in [Direction::Forward, Direction::Return, Direction::Forward, Direction::Return] {
        engine.arrive(direction, &frame(&Sample::ipv4(), 64), 0, &mut out);
    }
    engine.advance(MS, &mut out);
    let trial = &engine.ledger().trials[0];
    let monitor = trial.monitor.as_ref().unwrap();
    assert_eq!((monitor.forward.passed, monitor.back.passed), (1, 1));
    assert_eq!((monitor.forward.queue_full.count, monitor.back.queue_full.count), (1, 1));
    assert_eq!((trial.forward.passed, trial.back.passed), (2, 2), "the line itself loses nothing");
}

#[test]
fn the_script_of_the_documentation_is_understood_and_nonsense_is_not() {
    let documented: String = include_str!("../../script.rs")
        .lines()
        .filter_map(|line| line.strip_prefix("//! "))
        .skip_while(|line| *line != "```json")
        .skip(1)
        .take_while(|line| *line != "```")
        .collect();
    let script = Script::from_json(&documented).unwrap();
    assert_eq!(script.forward.drop.burst, Some(Burst { first: 5000, length: 40 }));
    assert_eq!(script.back.rate, Some(Rate::frames(50_000, 100)));
    let again = serde_json::to_string(&script).unwrap();
    assert_eq!(Script::from_json(&again).unwrap(), script);
    assert_eq!(Script::from_json("{}").unwrap(), Script::faithful());
    for nonsense in [
        r#"{"forwards": {}}"#,
        r#"{"forward": {"drop": {"at": [0]}}}"#,
        r#"{"forward": {"drop": {"every": 0}}}"#,
        r#"{"forward": {"rate": {"queue": 3}}}"#,
        r#"{"forward": {"rate": {"frames_per_s": 0, "queue": 3}}}"#,
        r#"{"return": {"swap": {"burst": {"first": 0, "length": 3}}}}"#,
    ] {
        assert!(Script::from_json(nonsense).is_err(), "{nonsense}");
    }
}

fn schedules() -> impl Strategy<Value = Schedule> {
    let burst = (1_u64..60, 0_u64..8).prop_map(|(first, length)| Burst { first, length });
    (proptest::collection::vec(1_u64..80, 0..4), proptest::option::of(2_u64..30), proptest::option::of(burst))
        .prop_map(|(at, every, burst)| Schedule { at, every, burst })
}

proptest! {
    /// For any script and any arrivals: the account closes, every record is what an obvious reading of the script
    /// expects, and what came out is what went in, less what was taken, plus the copies.
    #[test]
    fn the_account_always_closes(
        drop in schedules(), flip in schedules(), delay in schedules(), swap in schedules(), duplicate in schedules(),
        rate in proptest::option::of((1000_u64..200_000, 0_u32..20)),
        dark in proptest::option::of((0_u64..3, 1_u64..3)),
        pause in proptest::option::of((0_u64..3, 1_u64..3)),
        latency_us in 0_u64..500,
        gaps in proptest::collection::vec(0_u64..200_000, 1..150),
    ) {
        let faults = Faults {
            drop, swap, duplicate, latency_us,
            flip: Some(Flip { when: flip, octet: Octet::Fill, mend: true, seed: 3 }),
            delay: Some(Delay { when: delay, by_ms: 1 }),
            rate: rate.map(|(rate, queue)| Rate::frames(rate, queue)),
            dark: dark.map(|(from_ms, for_ms)| Dark { from_ms, for_ms, spare_control: false }).into_iter().collect(),
            pause: pause.map(|(from_ms, for_ms)| Window { from_ms, for_ms }).into_iter().collect(),
            control: None,
        };
        let mut engine = Engine::new(forward(faults.clone())).unwrap();
        let mut out = Vec::new();
        let (mut now, mut first) = (0, None);
        let mut expected_dark = Record::default();
        let mut expected_dropped = Record::default();
        let mut expected_flipped = 0;
        let mut expected_delayed = 0;
        let mut expected_swaps = 0;
        let mut expected_duplicated = 0;
        for (index, gap) in gaps.iter().enumerate() {
            now += gap;
            let (number, sequence) = (index as u64 + 1, index as u32);
            let since = now - *first.get_or_insert(now);
            let is_dark = faults.dark.iter().any(|dark| {
                since >= dark.from_ms * MS && since < (dark.from_ms + dark.for_ms) * MS
            });
            let meets = |schedule: &Schedule| schedule.meets(number);
            if is_dark {
                expected_dark.add(number, sequence);
            } else if meets(&faults.drop) {
                expected_dropped.add(number, sequence);
            } else if meets(&faults.flip.as_ref().unwrap().when) {
                expected_flipped += 1;
            } else if meets(&faults.delay.as_ref().unwrap().when) {
                expected_delayed += 1;
            } else if meets(&faults.swap) {
                expected_swaps += 1;
            } else if meets(&faults.duplicate) {
                expected_duplicated += 1;
            }
            engine.arrive(Direction::Forward, &frame(&Sample::ipv4().sequence(sequence), 80), now, &mut out);
            prop_assert_eq!(forward_counts(&engine).unbalanced(), 0);
        }
        while let Some(event) = engine.next_event() {
            engine.advance(event, &mut out);
        }
        let counts = forward_counts(&engine);
        prop_assert_eq!(counts.unbalanced(), 0);
        prop_assert_eq!(counts.held, 0);
        prop_assert_eq!(counts.seen, gaps.len() as u64);
        prop_assert_eq!(counts.distinct, gaps.len() as u64);
        prop_assert_eq!(counts.passed, out.len() as u64);
        prop_assert_eq!(&counts.dark, &expected_dark);
        prop_assert_eq!(&counts.dropped, &expected_dropped);
        prop_assert_eq!(counts.flipped.len(), expected_flipped);
        prop_assert_eq!(counts.delayed.count, expected_delayed);
        prop_assert_eq!(counts.swapped.count + counts.not_swapped.count, expected_swaps);
        prop_assert_eq!(counts.duplicated.count, expected_duplicated);

        // The multiset of sequence numbers.
        let mut came_out: Vec<_> = out.iter().map(|(_, frame)| sequence_of(frame)).collect();
        let mut balance: Vec<_> = (0..gaps.len() as u32).chain(counts.duplicated.sequences()).collect();
        for taken in [&counts.dark, &counts.dropped, &counts.queue_full] {
            for sequence in taken.sequences() {
                let at = balance.iter().position(|&other| other == sequence);
                balance.swap_remove(at.expect("taken frames came in"));
            }
        }
        came_out.sort_unstable();
        balance.sort_unstable();
        prop_assert_eq!(came_out, balance);
        // Without faults that reorder, order is kept.
        if counts.delayed.count == 0 && counts.swapped.count == 0 {
            let order: Vec<_> = out.iter().map(|(_, frame)| sequence_of(frame)).collect();
            prop_assert!(order.is_sorted());
        }
    }
}
