//! The tracker against slow, obvious models, and at its edges.

use std::collections::{BTreeMap, BTreeSet};

use proptest::prelude::*;

use super::*;

const SPANS: [usize; 4] = [64, 128, 256, 1024];

/// Every arrival so far, and nothing clever.
struct Model {
    words: u64,
    /// Arrivals that were not late, in order.
    judged: Vec<u64>,
    copies_of: BTreeMap<u64, u64>,
    highest: Option<u64>,
    late: u64,
}

impl Model {
    fn new(span: usize) -> Self {
        Self { words: span as u64 / 64, judged: vec![], copies_of: BTreeMap::new(), highest: None, late: 0 }
    }

    fn arrive(&mut self, sequence: u64) -> Arrival {
        if self.highest.is_some_and(|highest| sequence / 64 + self.words <= highest / 64) {
            self.late += 1;
            return Arrival::Late;
        }
        self.highest = self.highest.max(Some(sequence));
        self.judged.push(sequence);
        let copies = self.copies_of.entry(sequence).or_default();
        *copies += 1;
        if *copies == 1 { Arrival::First } else { Arrival::Copy }
    }

    /// Whether a number has arrived and is not too old to tell.
    fn contains(&self, sequence: u64) -> bool {
        let late = self.highest.is_some_and(|highest| sequence / 64 + self.words <= highest / 64);
        !late && self.copies_of.contains_key(&sequence)
    }

    /// Loss periods of 0..offered: the gaps between the numbers that arrived.
    fn periods(&self, offered: u64) -> Vec<LossPeriod> {
        let mut periods: Vec<LossPeriod> = vec![];
        let mut expected = 0;
        for arrived in self.copies_of.keys().copied().filter(|s| *s < offered).chain([offered]) {
            if arrived > expected {
                let distance_from_previous = periods.last().map_or(0, |before| expected - before.last());
                periods.push(LossPeriod {
                    first: expected,
                    length: arrived - expected,
                    distance_from_previous,
                });
            }
            expected = arrived + 1;
        }
        periods
    }
}

/// What happens to one frame: the delays, in frames, of each copy that arrives.
fn fate() -> impl Strategy<Value = Vec<u64>> {
    let delay = prop_oneof![20 => Just(0u64), 4 => 1..20u64, 2 => 20..200u64, 1 => 200..2500u64];
    prop_oneof![
        20 => Just(vec![0]),
        6 => delay.clone().prop_map(|delay| vec![delay]),
        3 => Just(vec![]),
        2 => prop::collection::vec(delay, 2..4),
    ]
}

/// Numbers in the order of arrival: a stream from `start` on with loss, copies, delay and outages.
fn arrivals(start: u64) -> impl Strategy<Value = Vec<u64>> {
    let outage = (0..1500usize, prop_oneof![1..70usize, 60..70usize, 120..140usize, 200..1300usize]);
    (prop::collection::vec(fate(), 1..1500), prop::collection::vec(outage, 0..4)).prop_map(
        move |(fates, outages)| {
            let dark = |i: usize| outages.iter().any(|(from, length)| (*from..from + length).contains(&i));
            let mut arrivals: Vec<(u64, u64)> = fates
                .iter()
                .enumerate()
                .filter(|(i, _)| !dark(*i))
                .flat_map(|(i, delays)| delays.iter().map(move |delay| (i as u64 + delay, start + i as u64)))
                .collect();
            arrivals.sort_by_key(|(at, _)| *at);
            arrivals.into_iter().map(|(_, sequence)| sequence).collect()
        },
    )
}

fn start() -> impl Strategy<Value = u64> {
    prop_oneof![
        3 => Just(0u64),
        2 => 1..200u64,
        1 => 900..1100u64,
        1 => (1u64 << 31) - 700..(1 << 31),
        2 => (1u64 << 32) - 1000..(1 << 32),
    ]
}

fn scenario() -> impl Strategy<Value = (usize, Vec<u64>)> {
    // A stream whose first 2^32 numbers are all lost cannot be told from one that begins (see `extend`).
    let arrivals = start().prop_flat_map(arrivals).prop_filter("begins within 32 bits", |arrivals| {
        arrivals.first().is_none_or(|first| u32::try_from(*first).is_ok())
    });
    (prop::sample::select(&SPANS), arrivals)
}

fn check_summary(tracker: &Tracker, model: &Model, offered: u64) -> Result<(), TestCaseError> {
    const KEPT: usize = 20;
    let summary = tracker.finish(offered);
    let distinct = model.copies_of.keys().filter(|s| **s < offered).count() as u64;
    prop_assert_eq!(summary.distinct, distinct);
    prop_assert_eq!(summary.lost, offered - distinct);
    prop_assert_eq!(summary.beyond, model.copies_of.len() as u64 - distinct);
    prop_assert_eq!(summary.late, model.late);
    prop_assert_eq!(summary.duplication(), duplication(&model.judged));

    let periods = model.periods(offered);
    let loss = &summary.loss;
    prop_assert_eq!(loss.periods, periods.len() as u64);
    prop_assert_eq!(loss.lost, summary.lost);
    prop_assert_eq!(loss.longest, periods.iter().map(|p| p.length).max().unwrap_or(0));
    prop_assert_eq!(&loss.kept, &periods[..periods.len().min(KEPT)]);
    prop_assert_eq!(loss.not_kept(), periods.len().saturating_sub(KEPT) as u64);
    let between = || periods.iter().skip(1).map(|p| p.distance_from_previous);
    prop_assert_eq!(loss.nearest, between().min());
    prop_assert_eq!(loss.farthest, between().max());
    let far = between().any(|distance| distance > NEAR_DISTANCE);
    for delta in [0, 1, 2, 3, 7, 31, 32, 33, 5000] {
        let within: u64 = if delta == 0 { 0 } else { periods.iter().map(|p| p.length - 1).sum() };
        let expected = within + between().filter(|distance| *distance <= delta).count() as u64;
        match loss.noticeable(delta) {
            Some(found) => prop_assert_eq!(found, expected, "delta {}", delta),
            None => prop_assert!(delta > NEAR_DISTANCE && far, "delta {}", delta),
        }
    }

    let expected = rfc4737::analyse_from(0, &model.judged);
    let found = &summary.reordering;
    prop_assert_eq!(found.received, expected.received as u64);
    prop_assert_eq!(summary.copies, expected.copies as u64);
    prop_assert_eq!(found.reordered, expected.reordered.len() as u64);
    prop_assert_eq!(found.discontinuities, expected.discontinuities.len() as u64);
    let reordering = expected.discontinuities.iter().filter(|d| d.reordering).count();
    prop_assert_eq!(found.reordering_discontinuities, reordering as u64);
    let largest = expected.discontinuities.iter().map(|d| d.size).max();
    prop_assert_eq!(found.largest_discontinuity, largest.unwrap_or(0));
    prop_assert_eq!(found.extent_unknown, 0, "within a window of this size every extent is known");
    let extent = expected.reordered.iter().map(|p| p.extent).max();
    prop_assert_eq!(found.maximum_extent, extent.unwrap_or(0) as u64);
    for n in 1..=DEGREES {
        prop_assert_eq!(found.degree(n), expected.degree(n), "n = {}", n);
    }
    prop_assert_eq!(found.free_runs, expected.free_runs.runs);
    prop_assert_eq!(found.free_run_frames, expected.free_runs.packets);
    prop_assert_eq!(found.free_run_squares, expected.free_runs.squares as f64);
    prop_assert_eq!(found.ratio(), expected.ratio());
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Each arrival is judged as the model judges it, all the figures agree at the end, and the 32 bits of the wire are
    /// enough to know each number.
    #[test]
    fn tracker_equals_the_model((span, arrivals) in scenario(), tail in 0..300u64) {
        let mut tracker = Tracker::new(span, 20);
        let mut by_low = tracker.clone();
        let mut model = Model::new(span);
        for &sequence in &arrivals {
            prop_assert_eq!(tracker.extend(sequence as u32), sequence);
            let by_low = by_low.arrive_low(sequence as u32);
            let judged = model.arrive(sequence);
            prop_assert_eq!(tracker.arrive(sequence), judged, "arrival of {}", sequence);
            prop_assert_eq!(by_low, judged, "arrival of {} by its low bits", sequence);
            prop_assert_eq!(tracker.highest(), model.highest);
            prop_assert_eq!(tracker.distinct(), model.copies_of.len() as u64);
            prop_assert_eq!(tracker.lost_so_far(), model.highest.map_or(0, |h| h + 1) - tracker.distinct());
            prop_assert_eq!(tracker.late(), model.late);
            for near in [0, 1, 2, 63, 64, 65, span as u64] {
                for number in [sequence.saturating_sub(near), sequence + near] {
                    prop_assert_eq!(tracker.contains(number), model.contains(number), "{} after {}", number, sequence);
                }
            }
        }
        let every_number = model.highest.map_or(0, |highest| highest + 1);
        check_summary(&tracker, &model, every_number + tail)?;
        prop_assert_eq!(by_low.finish(every_number + tail), tracker.finish(every_number + tail));
        prop_assert_eq!(tracker.finish(every_number), tracker.finish(every_number), "asking changes nothing");
    }

    /// What was never offered is beyond, wherever in the window the stream ends.
    #[test]
    fn beyond_is_told_from_offered((span, arrivals) in scenario(), back in 0..2000u64) {
        let mut tracker = Tracker::new(span, 20);
        let mut model = Model::new(span);
        for &sequence in &arrivals {
            tracker.arrive(sequence);
            model.arrive(sequence);
        }
        let every_number = model.highest.map_or(0, |highest| highest + 1);
        // Only what is still in the window can be told exactly.
        let back = back % (span as u64 - 63);
        check_summary(&tracker, &model, every_number.saturating_sub(back))?;
    }

    /// The loss pattern is RFC 3357's, taken over the list of losses itself.
    #[test]
    fn loss_pattern_equals_rfc3357(received in prop::collection::btree_set(0..2000u64, 0..1900), span in prop::sample::select(&SPANS)) {
        let mut tracker = Tracker::new(span, 5000);
        for &sequence in &received {
            tracker.arrive(sequence);
        }
        let lost: Vec<u64> = (0..2000).filter(|sequence| !received.contains(sequence)).collect();
        let expected = rfc3357::analyse(&lost);
        let loss = tracker.finish(2000).loss;
        prop_assert_eq!(&loss.kept, &expected.periods);
        prop_assert_eq!(loss.lost, lost.len() as u64);
        for delta in 0..=NEAR_DISTANCE {
            prop_assert_eq!(loss.noticeable(delta), Some(expected.noticeable(delta)));
        }
    }

    /// A tracker that was reset is a new one.
    #[test]
    fn reset_is_new((span, first) in scenario(), (_, second) in scenario()) {
        let mut used = Tracker::new(span, 20);
        first.iter().for_each(|sequence| { used.arrive(*sequence); });
        used.reset();
        let mut new = Tracker::new(span, 20);
        for &sequence in &second {
            prop_assert_eq!(used.arrive(sequence), new.arrive(sequence));
        }
        let offered = new.highest().map_or(5, |highest| highest + 5);
        prop_assert_eq!(used.finish(offered), new.finish(offered));
    }

    /// No number can make it panic or break its sums.
    #[test]
    fn any_numbers_at_all(numbers in prop::collection::vec(any::<u64>(), 0..60), offered in any::<u64>()) {
        let mut tracker = Tracker::new(128, 3);
        for &number in &numbers {
            tracker.arrive(number);
        }
        let summary = tracker.finish(offered);
        prop_assert_eq!(summary.distinct + summary.lost, offered);
        let turned_away = tracker.beyond();
        let all = tracker.distinct() + summary.copies + summary.late + turned_away;
        prop_assert_eq!(all, numbers.len() as u64);
    }
}

#[test]
fn nothing_arrived() {
    let tracker = Tracker::new(64, 4);
    assert_eq!(tracker.highest(), None);
    assert_eq!(tracker.lost_so_far(), 0);
    let summary = tracker.finish(1_000_000);
    assert_eq!((summary.distinct, summary.lost, summary.beyond), (0, 1_000_000, 0));
    let all = LossPeriod { first: 0, length: 1_000_000, distance_from_previous: 0 };
    assert_eq!(summary.loss.kept, [all]);
    assert_eq!(summary.reordering.ratio(), None);
    assert_eq!(tracker.finish(0), Summary::default());
}

#[test]
fn a_hole_filled_within_the_window_is_no_loss_and_a_copy_never_fills_one() {
    let mut tracker = Tracker::new(128, 4);
    for sequence in [0, 1, 3, 4] {
        assert_eq!(tracker.arrive(sequence), Arrival::First);
    }
    assert_eq!(tracker.arrive(3), Arrival::Copy);
    assert_eq!((tracker.lost_so_far(), tracker.finish(5).lost), (1, 1));
    assert_eq!(tracker.arrive(2), Arrival::First);
    assert_eq!((tracker.lost_so_far(), tracker.finish(5).lost), (0, 0));
    assert_eq!(tracker.arrive(2), Arrival::Copy);
    let summary = tracker.finish(5);
    assert_eq!((summary.distinct, summary.copies, summary.replicated), (5, 2, 2));
}

/// The last number that can be judged, and the first that cannot.
#[test]
fn the_edge_of_the_window() {
    for (highest, judged, late) in
        [(127, 0, None), (128, 64, Some(63)), (191, 64, Some(63)), (192, 128, Some(127))]
    {
        let mut tracker = Tracker::new(128, 4);
        tracker.arrive(highest);
        assert_eq!(tracker.arrive(judged), Arrival::First, "highest {highest}");
        if let Some(late) = late {
            assert_eq!(tracker.arrive(late), Arrival::Late, "highest {highest}");
            assert_eq!(tracker.arrive(late), Arrival::Late, "whether a copy or not");
        }
        let summary = tracker.finish(highest + 1);
        assert_eq!(summary.lost, highest - 1);
        assert_eq!(summary.late, if late.is_some() { 2 } else { 0 });
        assert_eq!(summary.reordering.reordered, 1, "late arrivals are not judged");
    }
}

#[test]
fn span_is_rounded_up() {
    for (asked, given) in [(0, 64), (1, 64), (64, 64), (65, 128), (1000, 1024), (65536, 65536)] {
        assert_eq!(Tracker::new(asked, 0).span(), given);
    }
}

/// Loss of everything for a long while costs no more than the window (this would never end otherwise), and one loss
/// period spans it all.
#[test]
fn a_jump_beyond_any_window() {
    let far = 1 << 62;
    let mut tracker = Tracker::new(1024, 4);
    for sequence in [0, 1, far, far + 2] {
        assert_eq!(tracker.arrive(sequence), Arrival::First);
    }
    let summary = tracker.finish(far + 3);
    assert_eq!((summary.distinct, summary.lost), (4, far - 1));
    let expected = [
        LossPeriod { first: 2, length: far - 2, distance_from_previous: 0 },
        LossPeriod { first: far + 1, length: 1, distance_from_previous: 2 },
    ];
    assert_eq!(summary.loss.kept, expected);
    assert_eq!(summary.reordering.largest_discontinuity, far - 2);
}

/// Periods that end or begin on words, cross them, and cross the whole ring.
#[test]
fn periods_across_words_and_the_ring() {
    let lost = [(0, 64), (64 + 1, 62), (190, 4), (256, 64), (400, 300), (1000, 24)];
    let dark: BTreeSet<u64> = lost.iter().flat_map(|(first, length)| *first..first + length).collect();
    for span in [64, 128, 1024] {
        let mut tracker = Tracker::new(span, 10);
        for sequence in (0..1024).filter(|sequence| !dark.contains(sequence)) {
            tracker.arrive(sequence);
        }
        let loss = tracker.finish(1024).loss;
        let found: Vec<_> = loss.kept.iter().map(|p| (p.first, p.length)).collect();
        assert_eq!(found, lost, "span {span}");
    }
}

/// One absurd number, with a limit: turned away, and the stream goes on. Without: judged as it says, and later numbers are
/// late.
#[test]
fn an_absurd_number() {
    let mut tracker = Tracker::new(64, 4);
    tracker.accept_below(1000);
    for sequence in [0, 1, 5_000_000, 2, 3] {
        tracker.arrive(sequence);
    }
    let summary = tracker.finish(4);
    assert_eq!((summary.distinct, summary.lost, summary.beyond, summary.late), (4, 0, 1, 0));
    // The limit is rounded up to a multiple of 64.
    assert_eq!(tracker.arrive(1023), Arrival::First);
    assert_eq!(tracker.arrive(1024), Arrival::Late);
    assert_eq!(tracker.beyond(), 2);

    let mut tracker = Tracker::new(64, 4);
    for sequence in [0, 1, 5_000_000, 2, 3] {
        tracker.arrive(sequence);
    }
    let summary = tracker.finish(4);
    assert_eq!((summary.distinct, summary.lost, summary.beyond, summary.late), (2, 2, 1, 2));
    assert_eq!(summary.loss.kept, [LossPeriod { first: 2, length: 2, distance_from_previous: 0 }]);
}

/// More discontinuities than are remembered: the oldest cause is forgotten and said to be, the others are known.
#[test]
fn a_forgotten_extent_is_counted() {
    let mut tracker = Tracker::new(65536, 0);
    // Odd numbers lost: arrivals 0, 2, 4 … each from 2 on is a discontinuity, 4,097 of them.
    for arrival in 0..=4097 {
        tracker.arrive(2 * arrival);
    }
    assert_eq!(tracker.arrive(1), Arrival::First);
    let found = tracker.finish(8195).reordering;
    assert_eq!((found.reordered, found.extent_unknown, found.maximum_extent), (1, 1, 0));
    assert_eq!(tracker.arrive(3), Arrival::First);
    let found = tracker.finish(8195).reordering;
    // Number 4 was the third arrival; 3 is the 4,100th.
    assert_eq!((found.reordered, found.extent_unknown, found.maximum_extent), (2, 1, 4097));
    assert_eq!(found.discontinuities, 4097);
}

/// The far end sends its summary as JSON.
#[test]
fn summary_survives_json() {
    let mut tracker = Tracker::new(128, 3);
    for sequence in [0, 2, 1, 7, 7, 9, 400, 12] {
        tracker.arrive(sequence);
    }
    let summary = tracker.finish(401);
    assert!(summary.late > 0 && summary.copies > 0 && summary.reordering.reordered > 0);
    let text = serde_json::to_string(&summary).expect("a summary is plain data");
    assert_eq!(serde_json::from_str::<Summary>(&text).expect("as written"), summary);
}
