use kitproof_common::line::{LineRate, line_frame_rate};
use proptest::prelude::*;

use super::*;
use kitproof_common::sequence::gaps::GapRecorder;

const MS: u64 = 1_000_000;
const SECOND: u64 = 1_000_000_000;
/// The receiver's clock is this far ahead, delay included.
const SHIFT: u64 = 77 * SECOND;

/// An invented direction: frames at a rate, dark times in which what is offered is lost, silent times in which
/// nothing is.
struct Wire {
    rate: FrameRate,
    planned: u64,
    dark: Vec<(u64, u64)>,
    silent: Vec<(u64, u64)>,
}

struct Happened {
    recorded: Recorded,
    sender: Sender,
}

fn within(times: &[(u64, u64)], at: u64) -> bool {
    times.iter().any(|&(from, to)| (from..to).contains(&at))
}

impl Wire {
    fn new(per_second: u64, seconds: u64) -> Wire {
        let rate = FrameRate::from_per_second(per_second).unwrap();
        Wire { rate, planned: per_second * seconds, dark: vec![], silent: vec![] }
    }

    /// Frame by frame.
    fn run(&self) -> Happened {
        let mut recorder = GapRecorder::new(threshold_ns(self.rate), 64);
        let mut sequence = 0;
        for slot in 0..self.planned {
            let at = self.rate.time_of(slot);
            if within(&self.silent, at) {
                continue;
            }
            if !within(&self.dark, at) {
                recorder.observe(Arrival { sequence, departure_ns: at, arrival_ns: at + SHIFT }, true);
            }
            sequence += 1;
        }
        let sender = Sender {
            rate: self.rate,
            frames: sequence,
            first_departure_ns: 0,
            planned_end_ns: self.rate.time_of(self.planned - 1),
            in_flight: 64,
        };
        Happened { recorded: recorder.finish(), sender }
    }
}

fn find(happened: &Happened, carrier: &[CarrierChange], by_pair: u64) -> Outages {
    outages(&Observed {
        direction: Direction::Forward,
        recorded: &happened.recorded,
        sender: happened.sender,
        carrier,
        watched_until_ns: happened.sender.planned_end_ns + SHIFT + 2 * SECOND,
        by_pair,
    })
}

fn change(end: End, at_ns: u64, up: bool) -> CarrierChange {
    CarrierChange { end, at_ns: at_ns + SHIFT, up, losses: u32::from(!up), by_host: false }
}

/// RFC 6201 section 1.3, calculated: 64 bytes at 1 Gb/s, 3 s dark are 4,464,286 frames, and both methods say 3 s.
#[test]
fn three_seconds_by_both_methods() {
    let rate = line_frame_rate(LineRate(SECOND), 64);
    let arrival = |sequence| {
        let at = rate.time_of(sequence);
        Arrival { sequence, departure_ns: at, arrival_ns: at + SHIFT }
    };
    let mut recorder = GapRecorder::new(threshold_ns(rate), 4);
    let after = 1_000 + 1 + 4_464_286;
    [0, 999, 1_000, after, after + 1]
        .into_iter()
        .for_each(|sequence| recorder.observe(arrival(sequence), true));
    let sender = Sender {
        rate,
        frames: after + 2,
        first_departure_ns: 0,
        planned_end_ns: rate.time_of(after + 1),
        in_flight: 0,
    };
    let found = find(&Happened { recorded: recorder.finish(), sender }, &[], 0);
    let [outage] = &found.outages[..] else { panic!("{found:?}") };
    assert_eq!((outage.frames_lost, outage.kind), (4_464_286, Kind::ShortGap));
    assert!(outage.by_frame_loss_ns.abs_diff(3 * SECOND) < 1_000);
    assert_eq!(outage.difference_ns(), 672, "one interval between frames");
    assert_eq!(outage.start_ns, 672_000);
    assert_eq!((outage.frames_not_offered, outage.uncertain_frames), (0, 0));
}

/// A copper tap loses power and gets it back: a link goes down each time, the sender is silent while it is.
#[test]
fn power_off_and_on_again() {
    let mut wire = Wire::new(100_000, 40);
    wire.dark = vec![(5 * SECOND, 5 * SECOND + 20 * MS), (25 * SECOND, 25 * SECOND + 20 * MS)];
    wire.silent = vec![(5 * SECOND + 20 * MS, 8 * SECOND), (25 * SECOND + 20 * MS, 27 * SECOND)];
    let carrier = [
        change(End::Receiving, 5 * SECOND + 10 * MS, false),
        change(End::Sending, 5 * SECOND + 20 * MS, false),
        change(End::Sending, 8 * SECOND - MS, true),
        change(End::Receiving, 7 * SECOND, true),
        change(End::Sending, 25 * SECOND + 20 * MS, false),
        change(End::Sending, 27 * SECOND - MS, true),
    ];
    let found = find(&wire.run(), &carrier, 0);
    let [off, on] = &found.outages[..] else { panic!("{found:?}") };
    assert_eq!((off.kind, on.kind), (Kind::Renegotiation, Kind::Renegotiation));
    assert_eq!((off.frames_lost, on.frames_lost), (2_000, 2_000));
    assert_eq!((off.by_timestamp_ns, on.by_timestamp_ns), (3 * SECOND + 10_000, 2 * SECOND + 10_000));
    assert_eq!((off.by_frame_loss_ns, on.by_frame_loss_ns), (20 * MS, 20 * MS));
    assert_eq!((off.frames_not_offered, on.frames_not_offered), (298_000, 198_000));
    // 64 in flight, and the receiving end had lost carrier 10 ms, 1,000 frames, earlier.
    assert_eq!((off.uncertain_frames, on.uncertain_frames), (1_064, 64));
    assert_eq!(off.sender_down.unwrap().for_ns, Some(2_979 * MS));
    assert_eq!(off.receiver_down.unwrap().for_ns, Some(1_990 * MS));
    assert_eq!(on.receiver_down, None);
    assert_eq!(off.kind.to_string(), "gap plus renegotiation");
    // Each difference is what was not offered, and one interval.
    let interval = 10_000;
    assert_eq!(off.difference_ns(), 298_000 * interval + interval);
}

#[test]
fn dark_at_the_start_and_at_the_end() {
    let mut wire = Wire::new(10_000, 10);
    wire.dark = vec![(0, 2 * SECOND), (9 * SECOND, 99 * SECOND)];
    let found = find(&wire.run(), &[], 0);
    let [start, end] = &found.outages[..] else { panic!("{found:?}") };
    assert_eq!((start.kind, start.start_ns, start.frames_lost), (Kind::ShortGap, 0, 20_000));
    assert_eq!(start.by_timestamp_ns, 2 * SECOND);
    assert_eq!((end.kind, end.frames_lost), (Kind::NeverBack, 10_000));
    assert_eq!(
        end.by_timestamp_ns, SECOND,
        "from the last frame that came to the last that should have left"
    );

    wire.dark = vec![(0, 99 * SECOND)];
    let found = find(&wire.run(), &[], 0);
    let [all] = &found.outages[..] else { panic!("{found:?}") };
    assert_eq!((all.kind, all.start_ns, all.frames_lost), (Kind::NeverBack, 0, 100_000));
}

#[test]
fn a_link_that_stays_down_leaves_frames_that_were_not_offered() {
    let mut wire = Wire::new(10_000, 10);
    wire.dark = vec![(6 * SECOND, 6 * SECOND + 5 * MS)];
    wire.silent = vec![(6 * SECOND + 5 * MS, 99 * SECOND)];
    let found = find(&wire.run(), &[change(End::Sending, 6 * SECOND + 5 * MS, false)], 0);
    let [outage] = &found.outages[..] else { panic!("{found:?}") };
    assert_eq!((outage.kind, outage.frames_lost), (Kind::NeverBack, 50));
    assert_eq!(outage.frames_not_offered, 39_950);
    assert_eq!(
        outage.sender_down,
        Some(Down { from_ns: SHIFT + 6 * SECOND + 5 * MS, for_ns: None, by_host: false })
    );
}

#[test]
fn a_link_that_was_down_when_it_began() {
    let mut wire = Wire::new(10_000, 10);
    wire.silent = vec![(0, 2 * SECOND)];
    let up = [change(End::Receiving, 2 * SECOND - MS, true)];
    let mut happened = wire.run();
    happened.sender.first_departure_ns = 0;
    let found = find(&happened, &up, 0);
    let [outage] = &found.outages[..] else { panic!("{found:?}") };
    assert_eq!((outage.kind, outage.frames_not_offered), (Kind::Renegotiation, 20_000));
}

#[test]
fn pauses_without_loss_are_no_outages() {
    // The sender was silent for a while, and nobody lost carrier: a stall of its host, or nothing came in to be
    // returned.
    let mut wire = Wire::new(10_000, 10);
    wire.silent = vec![(3 * SECOND, 4 * SECOND)];
    let found = find(&wire.run(), &[], 0);
    assert_eq!((found.outages.len(), found.harmless_pauses), (0, 1));
    // Frames held up for 20 ms, all of them there.
    let rate = wire.rate;
    let mut recorder = GapRecorder::new(threshold_ns(rate), 4);
    for sequence in 0..1_000 {
        let at = rate.time_of(sequence);
        let held = if (500..700).contains(&sequence) { rate.time_of(700) } else { at };
        recorder.observe(Arrival { sequence, departure_ns: at, arrival_ns: held + SHIFT }, true);
    }
    let sender = Sender {
        rate,
        frames: 1_000,
        first_departure_ns: 0,
        planned_end_ns: rate.time_of(999),
        in_flight: 0,
    };
    let found = find(&Happened { recorded: recorder.finish(), sender }, &[], 0);
    assert_eq!((found.outages.len(), found.harmless_pauses), (0, 1));
    // Without carrier it is an outage even though no frame was lost: none could be offered.
    let down = [change(End::Sending, 3 * SECOND, false), change(End::Sending, 4 * SECOND - MS, true)];
    let found = find(&wire.run(), &down, 0);
    assert_eq!((found.outages.len(), found.outages[0].frames_not_offered), (1, 10_000));
    assert_eq!(found.outages[0].by_frame_loss_ns, 0);
}

#[test]
fn drops_of_the_pair_are_named() {
    let mut wire = Wire::new(10_000, 10);
    wire.dark = vec![(3 * SECOND, 3 * SECOND + 10 * MS), (5 * SECOND, 6 * SECOND)];
    let found = find(&wire.run(), &[], 100);
    assert_eq!(found.outages.iter().map(|outage| outage.may_be_the_pairs).collect::<Vec<_>>(), [true, false]);
}

#[test]
fn the_shortest_outage_depends_on_the_rate() {
    assert_eq!(threshold_ns(FrameRate::from_per_second(1_000_000).unwrap()), MS);
    assert_eq!(threshold_ns(FrameRate::from_per_second(1_000).unwrap()), 10 * MS);
}

proptest! {
    /// Dark times at random: each is found with exactly its frames, and nothing else is.
    #[test]
    fn every_dark_time_is_found(
        lengths in prop::collection::vec((50u64..400, 30u64..500, any::<bool>(), any::<bool>()), 1..8),
        per_second in prop::sample::select(vec![2_000u64, 7_919, 50_000]),
    ) {
        let mut wire = Wire::new(per_second, 8);
        let (mut at, mut carrier, mut truth) = (0, Vec::new(), Vec::new());
        for (bright_ms, dark_ms, link_falls, silent) in lengths {
            let from = at + bright_ms * MS;
            let to = from + dark_ms * MS;
            // With the link down the sender falls silent half-way.
            let half = from + dark_ms * MS / 2;
            let silent = silent && link_falls;
            wire.dark.push((from, if silent { half } else { to }));
            if silent {
                wire.silent.push((half, to));
            }
            if link_falls {
                carrier.push(change(End::Sending, half, false));
                carrier.push(change(End::Sending, to - MS, true));
            }
            truth.push((from, to, if silent { half } else { to }, link_falls));
            at = to;
        }
        let happened = wire.run();
        let found = find(&happened, &carrier, 0);
        prop_assert_eq!(found.outages.len(), truth.len());
        let slots = |from: u64, to: u64| (0..wire.planned).filter(|slot| (from..to).contains(&wire.rate.time_of(*slot))).count() as u64;
        let interval = SECOND / per_second;
        for (outage, (from, to, lost_to, link_falls)) in found.outages.iter().zip(truth) {
            prop_assert_eq!(outage.frames_lost, slots(from, lost_to));
            prop_assert!(outage.frames_not_offered.abs_diff(slots(lost_to, to)) <= 1, "{:?}", outage);
            prop_assert!(outage.by_timestamp_ns.abs_diff(to - from) <= 2 * interval);
            prop_assert_eq!(outage.kind == Kind::Renegotiation, link_falls);
            prop_assert!(outage.uncertain_frames <= outage.frames_lost);
            let explained = (outage.frames_not_offered * interval) as i64;
            prop_assert!((outage.difference_ns() - explained).abs() <= 3 * interval as i64 + outage.frames_lost as i64);
        }
    }
}

/// The kernel tells of a loss that was over as one change, up, and as much as a second late. What is not in its reach is
/// not explained by it, and no pause is called down for seconds because of it.
#[test]
fn a_loss_that_was_over_before_it_was_told() {
    let told = |at_ns: u64| CarrierChange { losses: 1, ..change(End::Receiving, at_ns, true) };
    let mut wire = Wire::new(10_000, 12);
    wire.dark = vec![(2 * SECOND, 2 * SECOND + 20 * MS), (10 * SECOND, 10 * SECOND + 50 * MS)];
    let found = find(&wire.run(), &[told(10 * SECOND + 900 * MS)], 0);
    let [early, late] = &found.outages[..] else { panic!("{found:?}") };
    assert_eq!((early.kind, early.receiver_down), (Kind::ShortGap, None));
    assert_eq!(late.kind, Kind::Renegotiation);
    assert_eq!(late.receiver_down.unwrap().for_ns, Some(0));
    // Also as the first and only thing that is told of an end.
    let found = find(&wire.run(), &[told(3 * SECOND)], 0);
    let kinds: Vec<Kind> = found.outages.iter().map(|outage| outage.kind).collect();
    assert_eq!(kinds, [Kind::Renegotiation, Kind::ShortGap]);
}

/// A port that keeps its ring while it has no carrier sends those frames afterwards: nothing is missing, and the link was
/// gone all the same.
#[test]
fn carrier_that_went_is_an_outage_though_nothing_is_missing() {
    let mut wire = Wire::new(10_000, 5);
    wire.silent = vec![(2 * SECOND, 3 * SECOND)];
    let mut happened = wire.run();
    // Left when the link was back, numbered and stamped as if it had never gone.
    for gap in &mut happened.recorded.gaps {
        gap.after.departure_ns = gap.before.departure_ns + happened.sender.rate.time_of(1);
    }
    let carrier = [change(End::Sending, 2 * SECOND, false), change(End::Sending, 3 * SECOND - MS, true)];
    let found = find(&happened, &carrier, 0);
    let [outage] = &found.outages[..] else { panic!("{found:?}") };
    assert_eq!((outage.kind, outage.frames_lost, outage.frames_not_offered), (Kind::Renegotiation, 0, 0));
    assert!(outage.by_timestamp_ns > 990 * MS && !outage.by_host);
    let by_host = carrier.map(|change| CarrierChange { by_host: true, ..change });
    assert!(find(&happened, &by_host, 0).outages[0].by_host);
    // Without any change of carrier it is a pause in which nothing came in.
    let found = find(&happened, &[], 0);
    assert_eq!((found.outages.len(), found.harmless_pauses), (0, 1));
}
