//! Pieces of kit that take time, and pieces that do not let everything through.

use super::*;
use crate::ledger::{Altered, Opaqueness};
use crate::script::{Kind, Strip};

/// Sends frames of `octets` one way, frame n at `arrivals[n]`; when each sequence was due to leave, by an outlet that
/// looks at every event.
fn departures(
    engine: &mut Engine,
    direction: Direction,
    octets: usize,
    arrivals: impl IntoIterator<Item = u64>,
) -> Vec<(u32, u64)> {
    struct Times(Vec<(u32, u64)>);
    impl Outlet for Times {
        fn emit(&mut self, _: Side, _: &[u8], about: About) {
            self.0.push((about.sequence, about.due_ns));
        }
    }
    let mut times = Times(Vec::new());
    for (sequence, at) in arrivals.into_iter().enumerate() {
        let sample = Sample::ipv4().sequence(sequence as u32);
        engine.arrive(direction, &frame(&sample, octets), at, &mut times);
    }
    while let Some(event) = engine.next_event() {
        engine.advance(event, &mut times);
    }
    let counts = engine.ledger().trials[0].counts(direction);
    assert_eq!((counts.unbalanced(), counts.held), (0, 0));
    times.0
}

fn both_ways(faults: Faults) -> Engine {
    Engine::new(Script { forward: faults.clone(), back: faults, ..Script::default() }).unwrap()
}

const WAYS: [Direction; 2] = [Direction::Forward, Direction::Return];

/// A queue worked step by step: the line is asked every nanosecond-exact moment what it holds.
#[test]
fn a_limit_loses_exactly_what_its_queue_cannot_hold() {
    // 1 Gb/s of 64-octet frames, one in 672 ns, into 1,000,000 frames/s with room for 10.
    let faults = Faults { rate: Some(Rate::frames(1_000_000, 10)), ..Faults::default() };
    for direction in WAYS {
        let mut engine = both_ways(faults.clone());
        let left = departures(&mut engine, direction, 64, (0..200).map(|n| n * 672));
        let (mut queue, mut served, mut free) = (Vec::new(), Vec::new(), 0_u64);
        let mut lost = Vec::new();
        for n in 0..200_u64 {
            let now = n * 672;
            // Whoever waits is taken into service as soon as the server is free.
            while !queue.is_empty() && free <= now {
                free += 1000;
                served.push((queue.remove(0), free));
            }
            if queue.is_empty() && free <= now {
                free = now + 1000;
                served.push((n as u32, free));
            } else if queue.len() < 10 {
                queue.push(n as u32);
            } else {
                lost.push(n as u32);
            }
        }
        for waiting in queue {
            free += 1000;
            served.push((waiting, free));
        }
        let counts = engine.ledger().trials[0].counts(direction);
        assert_eq!(counts.queue_full.sequences(), lost);
        assert_eq!(left, served);
        // B frames pass: Q < B(1 - R/L) <= Q + 1 - R/L with Q = 10, L = 1/672 ns, R = 1/1000 ns.
        let burst = u64::from(lost[0]);
        assert!(10 * 1000 < burst * 328 && burst * 328 <= 11 * 1000 - 672, "{burst}");
        assert_eq!(counts.delay.max_ns, left.iter().map(|&(n, at)| at - u64::from(n) * 672).max());
    }
}

#[test]
fn a_token_bucket_passes_its_tokens_at_once() {
    let rate = Some(Rate { tokens: Some(4), ..Rate::frames(1000, 2) });
    let mut engine = both_ways(Faults { rate, ..Faults::default() });
    let left = departures(&mut engine, Direction::Return, 64, [0, 0, 0, 0, 0, 0, 0, 5 * MS]);
    let expected = [(0, 0), (1, 0), (2, 0), (3, 0), (4, MS), (5, 2 * MS), (7, 5 * MS)];
    assert_eq!(left, expected);
    assert_eq!(engine.ledger().trials[0].back.queue_full.sequences(), [6]);
}

#[test]
fn a_known_delay_is_known_to_the_nanosecond_and_lateness_beside_it() {
    let faults = Faults { latency_us: 3, latency_ns: 141, ..Faults::default() };
    for direction in WAYS {
        let mut engine = both_ways(faults.clone());
        let left = departures(&mut engine, direction, 64, (0..50).map(|n| n * 777));
        assert_eq!(left, (0..50).map(|n| (n as u32, n * 777 + 3141)).collect::<Vec<_>>());
        let counts = engine.ledger().trials[0].counts(direction);
        assert_eq!((counts.delay.min_ns, counts.delay.max_ns), (Some(3141), Some(3141)));
        assert_eq!(counts.late.count, 0, "nobody has watched");
        for (sequence, due_ns) in left {
            let about = About { trial: Some(0), sequence, due_ns, ..About::stranger(direction, 0) };
            engine.left(direction.side(), about, due_ns + u64::from(sequence));
        }
        let late = &engine.ledger().trials[0].counts(direction).late;
        assert_eq!((late.count, late.min_ns, late.max_ns, late.mean_ns()), (50, Some(0), Some(49), Some(24)));
        assert_eq!(late.histogram, [1, 1, 2, 4, 8, 16, 18]);
    }
}

#[test]
fn stores_forward_after_a_serialisation_time_each() {
    let stage = |bits_per_s, preamble| Stage { bits_per_s, preamble };
    // 512 octets: 40,960 ns at 100 Mb/s; 520 octets with preamble: 4,160 ns at 1 Gb/s.
    let one = Faults { store: vec![stage(100_000_000, false)], ..Faults::default() };
    let two =
        Faults { store: vec![stage(100_000_000, false), stage(1_000_000_000, true)], ..Faults::default() };
    for direction in WAYS {
        let left = departures(&mut both_ways(one.clone()), direction, 512, [0, 0, 40_960, 200_000]);
        assert_eq!(left, [(0, 40_960), (1, 81_920), (2, 122_880), (3, 240_960)]);
        let left = departures(&mut both_ways(two.clone()), direction, 512, [0, 0, 40_960, 200_000]);
        assert_eq!(left, [(0, 45_120), (1, 86_080), (2, 127_040), (3, 245_120)]);
    }
    // From the faster stage to the slower one frames wait in between.
    let turned =
        Faults { store: vec![stage(1_000_000_000, true), stage(100_000_000, false)], ..Faults::default() };
    let left = departures(&mut both_ways(turned), Direction::Forward, 512, [0, 0, 0]);
    assert_eq!(left, [(0, 45_120), (1, 86_080), (2, 127_040)]);
}

/// Arrivals in step with a 1 Gb/s line, a piece that is 1,000 ppm slow with a buffer of 5: each frame waits 672/999 ns
/// longer than the one before, until one finds five waiting.
#[test]
fn a_slow_clock_falls_behind_and_then_loses() {
    let slow_clock = Some(SlowClock { bits_per_s: 1_000_000_000, ppm: 1000, buffer: 5 });
    for direction in WAYS {
        let mut engine = both_ways(Faults { slow_clock, ..Faults::default() });
        let left = departures(&mut engine, direction, 64, (0..8000).map(|n| n * 672));
        let counts = engine.ledger().trials[0].counts(direction);
        let first_lost = u64::from(counts.clock_full.sequences()[0]);
        // The server begins with frame n at n * 672000/999; full where n - ceil((n * 672 + 1) * 999/672000) >= 5.
        let begun = |n: u64| (n * 672 * 999) / 672_000 + 1;
        assert_eq!(Some(first_lost), (0..8000).find(|&n| n - begun(n).min(n) >= 5));
        assert!((5_000..6_100).contains(&first_lost), "{first_lost}: 5 to 6 frames at 1 in 1,000");
        for &(sequence, due) in &left[..first_lost as usize] {
            let n = u64::from(sequence);
            assert_eq!(due, ((n + 1) * 672_000).div_ceil(999));
        }
        // From then on one frame in a thousand is one too many.
        assert_eq!(counts.clock_full.count, (8000 - first_lost).div_ceil(1000));
        assert_eq!(counts.queue_full.count, 0);
    }
    let right = Some(SlowClock { bits_per_s: 1_000_000_000, ppm: 0, buffer: 0 });
    let mut engine = both_ways(Faults { slow_clock: right, ..Faults::default() });
    assert_eq!(departures(&mut engine, Direction::Forward, 64, (0..1000).map(|n| n * 672)).len(), 1000);
}

fn ethernet(head: &[u8], octets: usize) -> Vec<u8> {
    let mut frame = vec![0x01, 0x80, 0xC2, 0, 0, 1, 2, 0, 0, 0, 0, 1];
    frame.extend_from_slice(head);
    frame.resize(octets - 4, 0);
    frame
}

#[test]
fn opaque_kit_is_opaque_to_every_kind_of_frame() {
    let opaque = Opaque {
        kinds: Vec::new(),
        mac_control: vec![1],
        groups: vec![1],
        ether_types: vec![crate::classify::ETHERTYPE_CONTROL],
        drop_over: Some(1000),
        truncate_over: Some(300),
        strip: Some(Strip::Outer),
    };
    let mut engine = Engine::new(forward(Faults { opaque: Some(opaque), ..Faults::default() })).unwrap();
    let mut out = Vec::new();
    let test = |sequence| Sample::ipv4().sequence(sequence);
    let mut control = frame(&Sample::ethernet(), 64);
    control[12..14].copy_from_slice(&crate::classify::ETHERTYPE_CONTROL.to_be_bytes());
    let (cut, tagged) = (frame(&test(2), 301), frame(&test(3).tagged(1), 300));
    let frames = [
        frame(&test(0), 300),
        frame(&test(1), 1001),
        cut.clone(),
        tagged.clone(),
        frame(&Sample::ipv4().learning().tagged(2), 200),
        control,
        ethernet(&[0x88, 0x08, 0, 1], 64),
        ethernet(&[0x88, 0x08, 1, 1], 64),
    ];
    for octets in &frames {
        engine.arrive(Direction::Forward, octets, 0, &mut out);
        engine.arrive(Direction::Return, octets, 0, &mut out);
    }
    let back: Vec<_> = out.iter().filter(|(side, _)| *side == Side::Near).map(|(_, frame)| frame).collect();
    assert_eq!(back, frames.iter().collect::<Vec<_>>(), "the other way is clear");
    let there: Vec<_> =
        out.iter().filter(|(side, _)| *side == Side::Far).map(|(_, frame)| &frame[..]).collect();
    let untagged = |frame: &[u8]| [&frame[..12], &frame[16..]].concat();
    assert_eq!(there, [&frames[0][..], &cut[..296], &untagged(&tagged), &untagged(&frames[4])]);
    let counts = forward_counts(&engine);
    assert_eq!((counts.too_long.sequences(), counts.truncated.sequences()), (vec![1], vec![2]));
    assert_eq!((counts.stripped, counts.eaten.count, counts.unbalanced()), (1, 0, 0));
    let kinds = engine.ledger().forward.opaque;
    let none = Altered::default();
    assert_eq!(kinds.test, Altered { dropped_too_long: 1, truncated: 1, stripped: 1, ..none });
    assert_eq!(kinds.learning, Altered { stripped: 1, ..none });
    assert_eq!(kinds.control, Altered { eaten_ether_type: 1, ..none });
    assert_eq!(kinds.foreign, Altered { eaten_mac_control: 1, eaten_group: 1, ..none });
    assert_eq!(engine.ledger().back.opaque, Opaqueness::default());
    assert!(engine.ledger().is_clean());
}

#[test]
fn opaque_kit_may_be_so_to_some_kinds_only() {
    let opaque = Opaque { kinds: vec![Kind::Test, Kind::Foreign], drop_over: Some(100), ..Opaque::default() };
    let mut engine = Engine::new(forward(Faults { opaque: Some(opaque), ..Faults::default() })).unwrap();
    let mut out = Vec::new();
    let mut control = frame(&Sample::ethernet(), 200);
    control[12..14].copy_from_slice(&crate::classify::ETHERTYPE_CONTROL.to_be_bytes());
    let learning = frame(&Sample::ipv4().learning(), 200);
    for octets in [&frame(&Sample::ipv4(), 200), &ethernet(&[0x88, 0xCC], 200), &control, &learning] {
        engine.arrive(Direction::Forward, octets, 0, &mut out);
    }
    assert_eq!(out, [(Side::Far, control), (Side::Far, learning)]);
    let kinds = engine.ledger().forward.opaque;
    let one = Altered { dropped_too_long: 1, ..Altered::default() };
    assert_eq!(kinds, Opaqueness { test: one, foreign: one, ..Opaqueness::default() });
}

#[test]
fn test_frames_may_be_eaten_and_altered_ones_still_meet_their_fault() {
    let opaque = Opaque { ether_types: vec![0x86DD], strip: Some(Strip::Priority), ..Opaque::default() };
    let flip = Some(Flip { when: Schedule::at(&[2]), octet: Octet::Fill, mend: true, seed: 1 });
    let drop = Schedule::at(&[3]);
    let faults = Faults { opaque: Some(opaque), flip, drop, ..Faults::default() };
    let mut engine = Engine::new(forward(faults)).unwrap();
    let mut priority = frame(&Sample::ipv4().tagged(1).sequence(1), 200);
    priority[14..16].copy_from_slice(&[0xE0, 0]);
    let mut out = Vec::new();
    for octets in [frame(&Sample::ipv6(), 100), priority.clone(), priority.clone(), priority.clone()] {
        engine.arrive(Direction::Forward, &octets, 0, &mut out);
    }
    let counts = forward_counts(&engine);
    assert_eq!(counts.eaten.frames, [(1, 0)]);
    assert_eq!((counts.flipped[0].number, counts.dropped.frames.as_slice()), (2, &[(3, 1)][..]));
    assert_eq!((counts.stripped, counts.passed), (3, 2));
    let stripped = [&priority[..12], &priority[16..]].concat();
    assert_eq!(out[1].1, stripped);
    let different: Vec<_> = (0..stripped.len()).filter(|&index| out[0].1[index] != stripped[index]).collect();
    assert!(
        different.contains(&usize::from(counts.flipped[0].octet)),
        "its offset is that in the frame that left"
    );
}

#[test]
fn streams_have_sequence_numbers_of_their_own() {
    let flip = Some(Flip { when: Schedule::at(&[7]), octet: Octet::Header, mend: true, seed: 1 });
    let drop = Schedule::at(&[2, 3, 6]);
    let mut engine = Engine::new(forward(Faults { drop, flip, ..Faults::default() })).unwrap();
    let mut out = Vec::new();
    for (stream, sequence) in [(0, 0), (0, 1), (5, 0), (5, 1), (0, 2), (7, 0), (5, 2), (5, 2)] {
        let sample = Sample::ipv4().stream(stream).sequence(sequence);
        engine.arrive(Direction::Forward, &frame(&sample, 64), 0, &mut out);
    }
    let counts = forward_counts(&engine);
    assert_eq!((counts.seen, counts.distinct, counts.passed), (8, 7, 5));
    assert_eq!(counts.dropped.flows().collect::<Vec<_>>(), [(0, 1), (5, 0), (7, 0)]);
    assert_eq!(counts.dropped.frames, [(2, 1), (3, 0), (6, 0)]);
    assert_eq!((counts.dropped.sequences(), counts.dropped.sequences_of(7)), (vec![1], vec![0]));
    assert_eq!((counts.flipped[0].stream, counts.flipped[0].sequence), (5, 2));
    let of = |stream| {
        let of = counts.stream(stream);
        (of.seen, of.distinct, of.passed)
    };
    assert_eq!([of(0), of(5), of(7), of(1)], [(3, 3, 2), (4, 3, 3), (1, 1, 0), (0, 0, 0)]);
    let json = serde_json::to_value(engine.ledger()).unwrap();
    assert_eq!(json["trials"][0]["forward"]["dropped"]["streams"], serde_json::json!([0, 5, 7]));
    assert!(
        json["trials"][0]["forward"]["dark"].get("streams").is_none(),
        "one stream alone is written as ever"
    );
    assert_eq!(serde_json::from_value::<Ledger>(json).unwrap(), *engine.ledger());
}
