//! A slow and obvious model of the two ways, to hold the accounting against: every frame is followed by name.

use std::collections::{BTreeMap, BTreeSet};

use kitproof_common::control::counts::FarCounts;
use proptest::prelude::*;

use super::{
    Account, Bears, Bounds, HomeCounts, LoadFacts, Outcome, ReferenceFacts, TrialFacts, account,
    account_together, judge,
};

/// What becomes of one copy of a frame on one way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fate {
    Intact,
    Lost,
    /// Damaged where the sequence number can still be read.
    Damaged,
    /// Damaged beyond that.
    Anonymous,
    /// The receiving end's own socket was full.
    Dropped,
    /// Intact, but its sequence is older than the receiver's window.
    Late,
    /// On the return way: intact, but its reflector number is older than the window.
    LateNumber,
}
use Fate::*;

/// One frame the reflector numbered: refused by its port, or the copies the return way made of it.
#[derive(Debug, Clone)]
enum Return {
    Refused,
    Copies(Vec<Fate>),
}

/// One offered sequence: the copies the forward way made of it, each with what follows if it is reflected.
type Journey = Vec<(Fate, Return)>;

/// What truly happened, by sets of sequence numbers.
#[derive(Debug, Default)]
struct Truth {
    not_reached: BTreeSet<usize>,
    reached_not_home: BTreeSet<usize>,
    /// Of those: the ones of which a readable damaged copy arrived.
    damaged_forward: usize,
    damaged_return: usize,
    /// Of the rest: the ones with no copy dropped or anonymously damaged either. They are lost and nothing else.
    plainly_lost_forward: usize,
    plainly_lost_return: usize,
    /// Drops and anonymous damage, all events, and how many missing sequences (besides readable damage) they explain.
    events_forward: usize,
    events_return: usize,
    explained_forward: usize,
    explained_return: usize,
    any_late: bool,
    any_copy: bool,
    damaged_frames: u64,
    drops: [u64; 3],
}

struct Outcomes {
    home: HomeCounts,
    far: FarCounts,
    truth: Truth,
}

/// Runs the trial. `order_forward` and `order_return` shuffle arrivals: the n-th arrival takes its place by sort key.
fn run(journeys: &[Journey], order_forward: &[u16], order_return: &[u16]) -> Outcomes {
    let mut home = HomeCounts { offered: journeys.len() as u64, ..HomeCounts::default() };
    let mut far = FarCounts::default();
    let mut truth = Truth::default();
    let key = |order: &[u16], i: usize| order.get(i).copied().unwrap_or(0);

    let mut arrivals: Vec<(usize, Fate, &Return)> = Vec::new();
    for (sequence, journey) in journeys.iter().enumerate() {
        truth.any_copy |= journey.len() > 1;
        arrivals.extend(journey.iter().map(|(fate, next)| (sequence, *fate, next)));
    }
    let mut keyed: Vec<_> = arrivals.into_iter().enumerate().collect();
    keyed.sort_by_key(|(i, _)| key(order_forward, *i));

    let mut reached = BTreeSet::new();
    let mut readable = BTreeSet::new();
    let mut soft = BTreeMap::<usize, usize>::new();
    let mut leaving: Vec<(u64, usize, Fate)> = Vec::new();
    for (_, (sequence, fate, next)) in keyed {
        match fate {
            Lost => continue,
            Dropped => {
                far.dropped += 1;
                *soft.entry(sequence).or_default() += 1;
                continue;
            }
            Damaged => {
                far.damaged += 1;
                readable.insert(sequence);
                continue;
            }
            Anonymous => {
                far.damaged += 1;
                far.damaged_anonymous += 1;
                *soft.entry(sequence).or_default() += 1;
                continue;
            }
            Late | LateNumber => {
                far.late += 1;
                truth.any_late = true;
            }
            Intact => {
                if reached.insert(sequence) {
                    far.reached_distinct += 1;
                } else {
                    far.copies += 1;
                }
                far.highest_sequence = far.highest_sequence.max(Some(sequence as u64));
            }
        }
        far.reached += 1;
        let number = far.reflected;
        far.reflected += 1;
        match next {
            Return::Refused => {
                far.refused += 1;
                leaving.push((number, sequence, Lost));
            }
            Return::Copies(fates) => {
                truth.any_copy |= fates.len() > 1;
                leaving.extend(fates.iter().map(|fate| (number, sequence, *fate)));
            }
        }
    }
    far.damaged_distinct = Some(readable.difference(&reached).count() as u64);
    truth.events_forward = soft.values().sum();
    truth.not_reached = (0..journeys.len()).filter(|s| !reached.contains(s)).collect();
    truth.damaged_forward = truth.not_reached.intersection(&readable).count();
    let rest: BTreeSet<_> = truth.not_reached.difference(&readable).copied().collect();
    truth.explained_forward = rest.iter().filter(|s| soft.contains_key(s)).count();
    truth.plainly_lost_forward = rest.len() - truth.explained_forward;
    truth.drops[0] = far.dropped;
    truth.drops[1] = far.refused;

    let mut keyed: Vec<_> = leaving.into_iter().enumerate().collect();
    keyed.sort_by_key(|(i, _)| key(order_return, *i));
    let (mut at_home, mut numbers, mut readable) = (BTreeSet::new(), BTreeSet::new(), Vec::new());
    let mut soft_home = BTreeMap::<usize, usize>::new();
    let mut too_old = BTreeSet::new();
    for (_, (number, sequence, fate)) in keyed {
        // A number that was too old to judge stays so.
        let fate = if matches!(fate, Intact | Late) && too_old.contains(&number) { LateNumber } else { fate };
        match fate {
            Lost => {}
            Dropped => {
                home.received_dropped += 1;
                *soft_home.entry(sequence).or_default() += 1;
            }
            Damaged => readable.push(sequence),
            Anonymous => {
                home.corrupted_anonymous += 1;
                *soft_home.entry(sequence).or_default() += 1;
            }
            LateNumber => {
                home.arrivals += 1;
                home.late_numbers += 1;
                too_old.insert(number);
                truth.any_late = true;
                if !numbers.contains(&number) && at_home.insert(sequence) {
                    home.returned += 1;
                }
            }
            Intact | Late => {
                home.arrivals += 1;
                if !numbers.insert(number) {
                    home.copies_return += 1;
                } else {
                    home.reflector_numbers += 1;
                    if fate == Late {
                        home.late += 1;
                        truth.any_late = true;
                    } else if at_home.insert(sequence) {
                        home.returned += 1;
                    } else {
                        home.copies_forward_home += 1;
                    }
                }
            }
        }
    }
    truth.drops[2] = home.received_dropped;
    let distinct: BTreeSet<_> = readable.iter().copied().filter(|s| !at_home.contains(s)).collect();
    home.corrupted = distinct.len() as u64;
    home.damaged_copies = readable.len() as u64 - home.corrupted;
    home.highest_sequence = at_home.last().map(|s| *s as u64);
    home.highest_reflector_number = numbers.last().copied();
    home.missing_below_highest = numbers.last().map_or(0, |n| n + 1) - numbers.len() as u64;
    truth.damaged_frames = far.damaged + home.corrupted_anonymous + readable.len() as u64;

    truth.reached_not_home = reached.difference(&at_home).copied().collect();
    truth.damaged_return = truth.reached_not_home.intersection(&distinct).count();
    // A refused number is an event of its own: what carried it did not leave.
    let mut refused = BTreeMap::<usize, usize>::new();
    for (sequence, journey) in journeys.iter().enumerate() {
        let count = journey
            .iter()
            .filter(|(fate, next)| {
                matches!(fate, Intact | Late | LateNumber) && matches!(next, Return::Refused)
            })
            .count();
        if count > 0 {
            refused.insert(sequence, count);
        }
    }
    truth.events_return = soft_home.values().sum::<usize>() + refused.values().sum::<usize>();
    let rest: BTreeSet<_> = truth.reached_not_home.difference(&distinct).copied().collect();
    truth.explained_return =
        rest.iter().filter(|s| soft_home.contains_key(s) || refused.contains_key(s)).count();
    truth.plainly_lost_return = rest.len() - truth.explained_return;
    Outcomes { home, far, truth }
}

fn known() -> Bounds {
    Bounds { forward_known: true, homeward_known: true, ..Bounds::default() }
}

/// Everything that must hold of an account whatever the chain and the pair did.
fn check(Outcomes { home, far, truth }: &Outcomes) -> Account {
    let account = account(home, Some(far), &known());
    assert_eq!(account.unaccounted, 0, "{home:?} {far:?}");
    assert_eq!(account.placed(), home.offered, "{account:?}");
    if truth.any_late {
        return account;
    }
    let drops = |place: &str| account.pair_drops.get(place).copied().unwrap_or(0);
    let forward = account.lost_forward + account.corrupted_forward.unwrap() + drops("reflector_receive");
    let homeward = account.lost_return
        + account.corrupted_return.unwrap()
        + drops("reflector_transmit")
        + drops("generator_receive");
    // What is missing in each direction is exact, whatever else happened.
    assert_eq!(forward, truth.not_reached.len() as u64);
    assert_eq!(homeward, truth.reached_not_home.len() as u64);
    // So is damage that could be read.
    assert_eq!(far.damaged_distinct, Some(truth.damaged_forward as u64));
    assert_eq!(home.corrupted, truth.damaged_return as u64);
    assert!(account.corrupted_forward.unwrap() >= truth.damaged_forward as u64);
    assert!(account.corrupted_return.unwrap() >= truth.damaged_return as u64);
    // No damaged frame and no drop is left out.
    assert_eq!(account.corrupted + account.corrupted_copies, truth.damaged_frames);
    assert_eq!(account.dropped_by_pair() + account.surplus_drops, truth.drops.iter().sum::<u64>());
    // Lost is never more than what is truly lost, and short of it by no more than the events that hit copies.
    for (lost, truly, events, explained) in [
        (account.lost_forward, truth.plainly_lost_forward, truth.events_forward, truth.explained_forward),
        (account.lost_return, truth.plainly_lost_return, truth.events_return, truth.explained_return),
    ] {
        assert!(lost <= truly as u64, "{account:?} {truth:?}");
        assert!(truly as u64 - lost <= (events - explained) as u64, "{account:?} {truth:?}");
    }
    if !truth.any_copy {
        assert_eq!(account.corrupted_copies + account.surplus_drops + account.duplicates, 0);
        assert_eq!(
            [drops("reflector_receive"), drops("reflector_transmit"), drops("generator_receive")],
            truth.drops
        );
    }
    account
}

/// The four counts that say how many frames passed the reflector, and its late ones: each altered by one either way.
fn altered(far: &FarCounts) -> Vec<(&'static str, FarCounts)> {
    type Count = fn(&mut FarCounts) -> &mut u64;
    let counts: [(&str, Count); 5] = [
        ("reached", |far| &mut far.reached),
        ("reached_distinct", |far| &mut far.reached_distinct),
        ("copies", |far| &mut far.copies),
        ("reflected", |far| &mut far.reflected),
        ("late", |far| &mut far.late),
    ];
    let mut all = Vec::new();
    for (name, count) in counts {
        let mut more = far.clone();
        *count(&mut more) += 1;
        all.push((name, more));
        let mut less = far.clone();
        if let Some(fewer) = count(&mut less).checked_sub(1) {
            *count(&mut less) = fewer;
            all.push((name, less));
        }
    }
    all
}

fn facts(account: Account) -> TrialFacts {
    TrialFacts {
        frame_size: 64,
        account,
        load: LoadFacts {
            intended_fps: 1000.0,
            intended_percent: 100.0,
            offered_fps: Some(1000.0),
            tolerance: 200e-6,
            ..LoadFacts::default()
        },
        burst_tolerance: 32,
        reference: ReferenceFacts { on_these_ports: true, at_this_size_and_load: true },
        ..TrialFacts::default()
    }
}

fn check_alterations(outcomes: &Outcomes) {
    for (name, far) in altered(&outcomes.far) {
        let account = account(&outcomes.home, Some(&far), &known());
        assert_eq!(account.unaccounted, 1, "{name} altered: {far:?} from {:?}", outcomes.far);
        let verdict = judge(&facts(account));
        assert_ne!(verdict.verdict, Outcome::Pass, "{name}");
        assert!(verdict.reasons.iter().any(|r| r.code == "unaccounted" && r.bears == Bears::Unproven));
    }
}

const FATES: [Fate; 5] = [Intact, Lost, Damaged, Anonymous, Dropped];

/// Every journey a frame can make with at most two copies on each way.
fn every_journey() -> Vec<Journey> {
    let mut returns = vec![Return::Refused];
    let mut pairs = Vec::new();
    for (i, a) in FATES.into_iter().enumerate() {
        returns.push(Return::Copies(vec![a]));
        pairs.extend(FATES[i..].iter().map(|b| vec![a, *b]));
    }
    returns.extend(pairs.iter().cloned().map(Return::Copies));
    let follow = |fate: Fate| match fate {
        Intact => returns.clone(),
        _ => vec![Return::Refused],
    };
    let mut all = Vec::new();
    for fate in FATES {
        all.extend(follow(fate).into_iter().map(|next| vec![(fate, next)]));
    }
    for pair in pairs {
        for first in follow(pair[0]) {
            all.extend(
                follow(pair[1]).into_iter().map(|second| vec![(pair[0], first.clone()), (pair[1], second)]),
            );
        }
    }
    all
}

#[test]
fn every_pair_of_journeys_balances() {
    let all = every_journey();
    assert_eq!(all.len(), 4 + 21 + 10 + 4 * 21 + 21 * 21);
    for first in &all {
        for second in &all {
            let journeys = [first.clone(), second.clone()];
            check(&run(&journeys, &[], &[]));
        }
    }
}

#[test]
fn every_altered_count_is_seen_in_every_journey() {
    let clean = vec![(Intact, Return::Copies(vec![Intact]))];
    for journey in every_journey() {
        check_alterations(&run(&[clean.clone(), journey.clone()], &[], &[]));
        check_alterations(&run(&[journey, clean.clone()], &[], &[]));
    }
}

#[test]
fn altering_a_clean_trial_leaves_it_unproven() {
    let clean = vec![(Intact, Return::Copies(vec![Intact]))];
    let outcomes = run(&vec![clean; 5], &[], &[]);
    assert_eq!(judge(&facts(check(&outcomes))).verdict, Outcome::Pass);
    for (name, far) in altered(&outcomes.far) {
        let account = account(&outcomes.home, Some(&far), &known());
        let verdict = judge(&facts(account.clone()));
        assert_eq!(account.unaccounted, 1, "{name}");
        // Never a fail: the frame that is wrong in the books is not proven lost or copied.
        assert_eq!(verdict.verdict, Outcome::Unproven, "{name}: {verdict:?}");
    }
    // A refused number that came home is seen as well.
    let far = FarCounts { refused: 1, ..outcomes.far.clone() };
    assert_eq!(account(&outcomes.home, Some(&far), &known()).unaccounted, 1);
}

fn fate(kinds: &'static [Fate]) -> impl Strategy<Value = Fate> + Clone {
    prop_oneof![4 => Just(Intact), 1 => prop::sample::select(kinds)]
}

fn journeys(kinds: &'static [Fate], copies: usize) -> impl Strategy<Value = Vec<Journey>> {
    let back = prop_oneof![
        1 => Just(Return::Refused),
        9 => prop::collection::vec(fate(kinds), 1..=copies).prop_map(Return::Copies),
    ];
    prop::collection::vec(prop::collection::vec((fate(kinds), back), 1..=copies), 0..40)
}

const WITH_LATE: &[Fate] = &[Lost, Damaged, Anonymous, Dropped, Late, LateNumber];

proptest! {
    #[test]
    fn any_trial_balances_in_any_order(
        journeys in journeys(&[Lost, Damaged, Anonymous, Dropped], 3),
        forward in prop::collection::vec(any::<u16>(), 120),
        homeward in prop::collection::vec(any::<u16>(), 360),
    ) {
        let outcomes = run(&journeys, &forward, &homeward);
        check(&outcomes);
        check_alterations(&outcomes);
    }

    /// Without copies every frame is attributed exactly.
    #[test]
    fn without_copies_every_place_is_exact(
        journeys in journeys(&[Lost, Damaged, Anonymous, Dropped], 1),
        forward in prop::collection::vec(any::<u16>(), 40),
        homeward in prop::collection::vec(any::<u16>(), 40),
    ) {
        let count = |wanted: Fate| journeys.iter().filter(|j| j[0].0 == wanted).count() as u64;
        let back = |wanted: Fate| {
            let fits = |j: &&Journey| j[0].0 == Intact && matches!(&j[0].1, Return::Copies(c) if c[0] == wanted);
            journeys.iter().filter(fits).count() as u64
        };
        let refused = journeys.iter().filter(|j| j[0].0 == Intact && matches!(j[0].1, Return::Refused)).count();
        let account = check(&run(&journeys, &forward, &homeward));
        prop_assert_eq!(account.lost_forward, count(Lost));
        prop_assert_eq!(account.corrupted_forward, Some(count(Damaged) + count(Anonymous)));
        prop_assert_eq!(account.lost_return, back(Lost));
        prop_assert_eq!(account.corrupted_return, Some(back(Damaged) + back(Anonymous)));
        prop_assert_eq!(account.returned_frames, back(Intact));
        let places = [("reflector_receive", count(Dropped)), ("reflector_transmit", refused as u64), ("generator_receive", back(Dropped))];
        let places: BTreeMap<_, _> = places.into_iter().filter(|(_, n)| *n > 0).map(|(p, n)| (p.to_owned(), n)).collect();
        prop_assert_eq!(account.pair_drops, places);
        prop_assert_eq!(account.lost_direction_unknown, 0);
    }

    /// The same frames with the same fates, dealt out to several flows: the same account, whichever flow each is in.
    #[test]
    fn flows_together_are_accounted_for_as_one(
        journeys in journeys(&[Lost, Damaged, Anonymous, Dropped], 1),
        flows in 1_usize..=8,
        bound in 0_u64..5,
    ) {
        let bounds = Bounds { forward: bound, homeward: bound / 2, ..known() };
        let whole = run(&journeys, &[], &[]);
        let parts: Vec<Outcomes> = (0..flows)
            .map(|flow| journeys.iter().skip(flow).step_by(flows).cloned().collect::<Vec<_>>())
            .map(|part| run(&part, &[], &[]))
            .collect();
        let sum = account_together(parts.iter().map(|part| (&part.home, Some(&part.far))), &bounds);
        prop_assert_eq!(sum, account(&whole.home, Some(&whole.far), &bounds));
        // What is wrong in the books of one flow is wrong in the sum.
        for part in 0..flows {
            let worse = FarCounts { reached: parts[part].far.reached + 1, ..parts[part].far.clone() };
            let all = parts.iter().enumerate();
            let books = all.map(|(i, one)| (&one.home, Some(if i == part { &worse } else { &one.far })));
            prop_assert_eq!(account_together(books, &bounds).unaccounted, 1);
        }
    }

    /// One flow whose counts were not heard leaves the whole trial unheard, and loses no frame.
    #[test]
    fn one_silent_flow_is_a_silent_reflector(
        journeys in journeys(&[Lost, Damaged, Dropped], 1),
        others in journeys(&[Lost, Damaged, Dropped], 1),
    ) {
        let (one, other) = (run(&journeys, &[], &[]), run(&others, &[], &[]));
        let sum = account_together([(&one.home, Some(&one.far)), (&other.home, None)], &known());
        prop_assert_eq!((sum.reached_reflector, sum.corrupted_forward), (None, None));
        prop_assert_eq!((sum.placed(), sum.unaccounted), (one.home.offered + other.home.offered, 0));
        prop_assert_ne!(judge(&facts(sum)).verdict, Outcome::Pass);
    }

    /// A reflector that keeps no record of which sequence was damaged: the same, as long as nothing is copied.
    #[test]
    fn damage_without_its_sequence_is_attributed_too(journeys in journeys(&[Lost, Damaged, Anonymous, Dropped], 1)) {
        let outcomes = run(&journeys, &[], &[]);
        let expected = check(&outcomes);
        let plain = FarCounts { damaged_distinct: None, damaged_anonymous: 0, ..outcomes.far.clone() };
        prop_assert_eq!(account(&outcomes.home, Some(&plain), &known()), expected);
    }

    /// Arrivals too old to be judged put no frame in two places.
    #[test]
    fn late_arrivals_balance(
        journeys in journeys(WITH_LATE, 3),
        forward in prop::collection::vec(any::<u16>(), 120),
        homeward in prop::collection::vec(any::<u16>(), 360),
    ) {
        check(&run(&journeys, &forward, &homeward));
    }

    /// With the reflector silent, what is said of a direction is right as long as nothing was copied or out of order.
    #[test]
    fn a_silent_reflector_leaves_only_the_tail_open(journeys in journeys(&[Lost, Damaged, Dropped], 1)) {
        let outcomes = run(&journeys, &[], &[]);
        let heard = check(&outcomes);
        let silent = account(&outcomes.home, None, &known());
        prop_assert_eq!(silent.unaccounted, 0);
        prop_assert_eq!(silent.placed(), outcomes.home.offered);
        prop_assert_eq!(silent.reached_reflector, None);
        let forward = |a: &Account| {
            a.lost_forward + a.corrupted_forward.unwrap_or(0) + a.pair_drops.get("reflector_receive").copied().unwrap_or(0)
        };
        prop_assert!(silent.lost_forward <= forward(&heard));
        prop_assert!(silent.lost_return <= heard.lost_return + heard.pair_drops.values().sum::<u64>());
        let last = outcomes.home.highest_sequence.map_or(0, |n| n + 1);
        prop_assert!(silent.lost_direction_unknown <= outcomes.home.offered - last);
        // Without damage and drops at home, exactly: up to the last frame home each loss has its direction.
        if outcomes.home.corrupted == 0 && outcomes.home.received_dropped == 0 {
            let upto = |j: &[Journey]| check(&run(j, &[], &[]));
            let whole = upto(&journeys[..last as usize]);
            prop_assert_eq!(silent.lost_forward, forward(&whole));
            let missing_return = whole.lost_return + whole.pair_drops.get("reflector_transmit").copied().unwrap_or(0);
            prop_assert_eq!(silent.lost_return, missing_return);
            prop_assert_eq!(silent.lost_direction_unknown, outcomes.home.offered - last);
        }
    }

    /// Whatever a peer sends as its counts, the accounting ends and never calls it clean unless it adds up.
    #[test]
    fn hostile_counts_do_no_harm(values in prop::collection::vec(prop_oneof![any::<u64>(), 0..20u64, Just(u64::MAX)], 30)) {
        let v = |i: usize| values[i];
        let home = HomeCounts {
            offered: v(0), returned: v(1), arrivals: v(2), reflector_numbers: v(3), copies_forward_home: v(4),
            copies_return: v(5), corrupted: v(6), corrupted_anonymous: v(7), damaged_copies: v(8), late: v(9),
            late_numbers: v(10), highest_sequence: Some(v(11)), highest_reflector_number: Some(v(12)),
            missing_below_highest: v(13), received_dropped: v(14), foreign: v(15), reordered_return: v(16),
            ..HomeCounts::default()
        };
        let far = FarCounts {
            reached: v(17), reached_distinct: v(18), copies: v(19), damaged: v(20), damaged_distinct: Some(v(21)),
            damaged_anonymous: v(22), reflected: v(23), refused: v(24), dropped: v(25), late: v(26), foreign: v(27),
            reordered: v(28), highest_sequence: Some(v(29)), ..FarCounts::default()
        };
        for far in [Some(&far), None] {
            let account = account(&home, far, &known());
            prop_assert!(account.unaccounted > 0 || account.placed() == home.offered);
            judge(&facts(account));
        }
    }
}
