//! The order of the design, case by case.

use std::collections::BTreeMap;

use super::*;
use crate::verdict::Bursts;

/// A clean trial of a million frames at full load, with a reference.
fn clean() -> TrialFacts {
    TrialFacts {
        frame_size: 64,
        account: Account {
            offered_frames: 1_000_000,
            reached_reflector: Some(1_000_000),
            reached_reflector_distinct: Some(1_000_000),
            reflected_frames: Some(1_000_000),
            returned_frames: 1_000_000,
            corrupted_forward: Some(0),
            corrupted_return: Some(0),
            duplicates_forward: Some(0),
            duplicates_return: Some(0),
            reordered_forward: Some(0),
            reordered_return: Some(0),
            longest_burst: Bursts { sent: 1, returned: Some(1) },
            ..Account::default()
        },
        load: LoadFacts {
            intended_fps: 1_488_095.2,
            intended_percent: 100.0,
            offered_fps: Some(1_488_095.2),
            tolerance: 200e-6,
            windows: WindowFacts {
                count: 6,
                lowest_percent: Some(99.9),
                highest_percent: Some(100.1),
                ..WindowFacts::default()
            },
            stalls_allowed: 0,
        },
        burst_tolerance: 32,
        reference: ReferenceFacts { on_these_ports: true, at_this_size_and_load: true },
        interface: "eth1".to_owned(),
        ..TrialFacts::default()
    }
}

fn lose_forward(facts: &mut TrialFacts, frames: u64) {
    facts.account.lost_forward = frames;
    facts.account.returned_frames -= frames;
}

fn lose_return(facts: &mut TrialFacts, frames: u64) {
    facts.account.lost_return = frames;
    facts.account.returned_frames -= frames;
}

fn pair_drop(facts: &mut TrialFacts) {
    facts.account.pair_drops = BTreeMap::from([("generator_receive".to_owned(), 5)]);
    facts.account.returned_frames -= 5;
}

fn silence(facts: &mut TrialFacts) {
    let account = &mut facts.account;
    account.reached_reflector = None;
    account.reached_reflector_distinct = None;
    account.reflected_frames = None;
    for known in [
        &mut account.corrupted_forward,
        &mut account.corrupted_return,
        &mut account.duplicates_forward,
        &mut account.reordered_forward,
    ] {
        *known = None;
    }
    account.longest_burst.returned = None;
    account.max_pair_drop = Directions { forward: account.lost_forward, homeward: account.lost_return };
}

fn chain_carrier() -> CarrierLoss {
    CarrierLoss {
        port: "the generator's port eth1".to_owned(),
        direction: "return".to_owned(),
        at_s: 12.25,
        for_s: Some(2.5),
        host_did: None,
    }
}

type Change = fn(&mut TrialFacts);

/// Each line is one trial: what is changed in a clean one, the verdict, and the reasons in the order they are given.
#[test]
fn the_order_of_the_design() {
    use Outcome::{Fail, Pass, Unproven};
    let cases: Vec<(&str, Change, Outcome, &[&str])> = vec![
        ("a clean trial", |_| (), Pass, &[]),
        ("one frame lost forward", |f| lose_forward(f, 1), Fail, &["lost_forward"]),
        ("one frame lost on return", |f| lose_return(f, 1), Fail, &["lost_return"]),
        (
            "both ways",
            |f| {
                lose_forward(f, 2);
                lose_return(f, 3);
            },
            Fail,
            &["lost_forward", "lost_return"],
        ),
        (
            "lost, and no reference: that is said first",
            |f| {
                lose_forward(f, 1);
                f.reference = ReferenceFacts::default();
            },
            Fail,
            &["no_reference", "lost_forward"],
        ),
        ("no reference is no matter for a pass", |f| f.reference = ReferenceFacts::default(), Pass, &[]),
        (
            "lost, but the pair may have dropped as many",
            |f| {
                lose_forward(f, 3);
                f.account.max_pair_drop.forward = 3;
            },
            Unproven,
            &["pair_may_have_dropped"],
        ),
        (
            "lost, and the pair may have dropped some",
            |f| {
                lose_forward(f, 4);
                f.account.max_pair_drop.forward = 3;
            },
            Fail,
            &["lost_forward", "pair_may_have_dropped"],
        ),
        (
            "a drop in one direction excuses nothing in the other",
            |f| {
                lose_return(f, 1);
                lose_forward(f, 2);
                f.account.max_pair_drop.forward = 2;
            },
            Fail,
            &["lost_return", "pair_may_have_dropped"],
        ),
        ("the pair dropped, and said so", pair_drop, Unproven, &["pair_dropped"]),
        (
            "the pair dropped and the chain lost",
            |f| {
                pair_drop(f);
                lose_forward(f, 1);
            },
            Fail,
            &["lost_forward", "pair_dropped"],
        ),
        ("the pair dropped copies", |f| f.account.surplus_drops = 1, Unproven, &["pair_dropped"]),
        (
            "within a limit in frames",
            |f| {
                lose_forward(f, 5);
                f.limits.loss = Limit::Frames(5);
            },
            Pass,
            &[],
        ),
        (
            "beyond a limit in frames",
            |f| {
                lose_forward(f, 6);
                f.limits.loss = Limit::Frames(5);
            },
            Fail,
            &["lost_forward"],
        ),
        (
            "the limit is for each direction",
            |f| {
                lose_forward(f, 5);
                lose_return(f, 5);
                f.limits.loss = Limit::Frames(5);
            },
            Pass,
            &[],
        ),
        (
            "a ratio at its edge, forward against offered",
            |f| {
                lose_forward(f, 1);
                f.limits.loss = "1e-6".parse().unwrap();
            },
            Pass,
            &[],
        ),
        (
            "a ratio, return against reflected, not offered",
            |f| {
                lose_return(f, 1);
                f.account.reflected_frames = Some(999_999);
                f.limits.loss = "1e-6".parse().unwrap();
            },
            Fail,
            &["lost_return"],
        ),
        (
            "within the limit, but the pair dropped as well",
            |f| {
                lose_forward(f, 1);
                pair_drop(f);
                f.limits.loss = Limit::Frames(5);
            },
            Unproven,
            &["pair_dropped"],
        ),
        (
            "a corrupted frame counts against the limit (RFC 7680)",
            |f| {
                f.account.corrupted = 1;
                f.account.corrupted_return = Some(1);
            },
            Fail,
            &["corrupted_return"],
        ),
        (
            "lost and corrupted together go beyond what each alone would not",
            |f| {
                lose_forward(f, 3);
                f.account.corrupted = 3;
                f.account.corrupted_forward = Some(3);
                f.limits.loss = Limit::Frames(5);
            },
            Fail,
            &["lost_forward"],
        ),
        (
            "what the pair may have dropped never excuses damage",
            |f| {
                lose_forward(f, 2);
                f.account.corrupted = 1;
                f.account.corrupted_forward = Some(1);
                f.account.max_pair_drop.forward = 2;
            },
            Fail,
            &["corrupted_forward", "pair_may_have_dropped"],
        ),
        (
            "damage a NIC caught is loss, with a note on where",
            |f| {
                lose_forward(f, 2);
                f.account.caught_by_nic = BTreeMap::from([("reflector_rx_crc".to_owned(), 2)]);
            },
            Fail,
            &["lost_forward", "caught_by_nic"],
        ),
        ("damaged copies", |f| f.account.corrupted_copies = 1, Unproven, &["corrupted_copies"]),
        (
            "damaged copies within the limit",
            |f| {
                f.account.corrupted_copies = 1;
                f.limits.loss = Limit::Frames(1);
            },
            Pass,
            &["corrupted_copies"],
        ),
        ("carrier lost through the chain", |f| f.carrier = vec![chain_carrier()], Fail, &["carrier_lost"]),
        (
            "carrier lost, reflector silent, load short: still the chain",
            |f| {
                f.account.lost_direction_unknown = 900_000;
                silence(f);
                f.load.offered_fps = Some(1_000_000.0);
                f.carrier = vec![CarrierLoss { for_s: None, ..chain_carrier() }];
            },
            Fail,
            &["carrier_lost", "counts_not_heard", "load_missed"],
        ),
        (
            "the host took its own port down, and frames were lost by it",
            |f| {
                lose_forward(f, 7);
                let down = Some("administrative down".to_owned());
                f.carrier = vec![CarrierLoss { host_did: down, ..chain_carrier() }];
            },
            Unproven,
            &["host_took_link_down"],
        ),
        (
            "copied forward",
            |f| {
                f.account.duplicates = 1;
                f.account.duplicates_forward = Some(1);
            },
            Fail,
            &["duplicates_forward"],
        ),
        (
            "copied on return, within the limit",
            |f| {
                f.account.duplicates = 2;
                f.account.duplicates_return = Some(2);
                f.limits.duplicates = Limit::Frames(2);
            },
            Pass,
            &[],
        ),
        (
            "reordered on return",
            |f| {
                f.account.reordered = 1;
                f.account.reordered_return = Some(1);
            },
            Fail,
            &["reordered_return"],
        ),
        (
            "reordered forward beyond a ratio",
            |f| {
                f.account.reordered = 11;
                f.account.reordered_forward = Some(11);
                f.limits.reordered = "10ppm".parse().unwrap();
            },
            Fail,
            &["reordered_forward"],
        ),
        (
            "copies never cancel a loss",
            |f| {
                lose_forward(f, 1);
                f.account.duplicates = 1;
                f.account.duplicates_return = Some(1);
                f.limits.duplicates = Limit::Frames(9);
            },
            Fail,
            &["lost_forward"],
        ),
        (
            "300 ppm short",
            |f| f.load.offered_fps = Some(1_488_095.2 * (1.0 - 300e-6)),
            Unproven,
            &["load_missed"],
        ),
        (
            "300 ppm too much",
            |f| f.load.offered_fps = Some(1_488_095.2 * (1.0 + 300e-6)),
            Unproven,
            &["load_missed"],
        ),
        (
            "100 ppm short is tolerated",
            |f| f.load.offered_fps = Some(1_488_095.2 * (1.0 - 100e-6)),
            Pass,
            &[],
        ),
        ("a load that is not a number", |f| f.load.offered_fps = Some(f64::NAN), Unproven, &["load_missed"]),
        ("no load at all", |f| f.load.offered_fps = None, Unproven, &["no_load"]),
        (
            "the load fell short and the chain lost",
            |f| {
                f.load.offered_fps = Some(1_000_000.0);
                lose_return(f, 1);
            },
            Fail,
            &["lost_return", "load_missed"],
        ),
        (
            "a window below 99 %",
            |f| {
                f.load.windows.below_99_percent = 1;
                f.load.windows.lowest_percent = Some(98.0);
            },
            Pass,
            &["load_dipped"],
        ),
        (
            "a window below 90 %",
            |f| {
                f.load.windows.below_99_percent = 1;
                f.load.windows.below_90_percent = 1;
                f.load.windows.lowest_percent = Some(89.9);
            },
            Unproven,
            &["load_stalled"],
        ),
        (
            "a window above line rate",
            |f| {
                f.load.windows.above_line = 1;
                f.load.windows.highest_percent = Some(102.0);
            },
            Pass,
            &["load_above_line"],
        ),
        ("bursts at full load are nothing", |f| f.account.longest_burst.sent = 500, Pass, &[]),
        (
            "bursts below full load, nothing lost",
            |f| {
                f.account.longest_burst.sent = 33;
                f.load.intended_percent = 50.0;
            },
            Pass,
            &["bursts"],
        ),
        (
            "a burst of just the tolerance",
            |f| {
                f.account.longest_burst.sent = 32;
                f.load.intended_percent = 50.0;
            },
            Pass,
            &[],
        ),
        (
            "the reflector's bursts below full load, frames lost within the limit",
            |f| {
                f.account.longest_burst.returned = Some(33);
                f.load.intended_percent = 50.0;
                lose_return(f, 1);
                f.limits.loss = Limit::Frames(1);
            },
            Unproven,
            &["bursts"],
        ),
        (
            "bursts do not excuse a loss beyond the limit",
            |f| {
                f.account.longest_burst.sent = 33;
                f.load.intended_percent = 50.0;
                lose_return(f, 1);
            },
            Fail,
            &["lost_return", "bursts"],
        ),
        (
            "paused by the far end",
            |f| {
                f.pauses =
                    vec![Pauses { received: Some(1), sent: Some(0), switched_on: true, ..Pauses::default() }]
            },
            Unproven,
            &["paused"],
        ),
        (
            "pausing the far end",
            |f| {
                f.pauses =
                    vec![Pauses { received: Some(0), sent: Some(4), switched_on: true, ..Pauses::default() }]
            },
            Unproven,
            &["paused"],
        ),
        (
            "flow control on and not counted",
            |f| f.pauses = vec![Pauses { switched_on: true, ..Pauses::default() }],
            Pass,
            &["pause_possible"],
        ),
        (
            "flow control on, counted, not used",
            |f| {
                f.pauses =
                    vec![Pauses { received: Some(0), sent: Some(0), switched_on: true, ..Pauses::default() }]
            },
            Pass,
            &[],
        ),
        ("the reflector was not heard", silence, Unproven, &["counts_not_heard"]),
        (
            "not heard: no loss is charged, whatever its direction",
            |f| {
                lose_forward(f, 10);
                lose_return(f, 10);
                f.account.lost_direction_unknown = 1000;
                silence(f);
            },
            Unproven,
            &["counts_not_heard"],
        ),
        (
            "not heard: damage is charged all the same",
            |f| {
                f.account.corrupted = 1;
                silence(f);
            },
            Fail,
            &["corrupted", "counts_not_heard"],
        ),
        (
            "not heard: copies are",
            |f| {
                f.account.duplicates = 1;
                silence(f);
            },
            Fail,
            &["duplicates_forward", "counts_not_heard"],
        ),
        ("the books disagree", |f| f.account.unaccounted = 1, Unproven, &["unaccounted"]),
        (
            "one frame lost that the books disagree about",
            |f| {
                lose_forward(f, 1);
                f.account.unaccounted = 1;
            },
            Unproven,
            &["unaccounted"],
        ),
        (
            "more lost than the books disagree about",
            |f| {
                lose_forward(f, 2);
                f.account.unaccounted = 1;
            },
            Fail,
            &["lost_forward", "unaccounted"],
        ),
        (
            "lost at a port that counts no drops, no reference",
            |f| {
                lose_forward(f, 1);
                f.account.max_pair_drop.forward = 1;
                f.unknown_counters = vec!["reflector receive".to_owned()];
                f.reference = ReferenceFacts { on_these_ports: true, at_this_size_and_load: false };
            },
            Unproven,
            &["counters_unknown"],
        ),
        (
            "the same with a reference at this size and load",
            |f| {
                lose_forward(f, 1);
                f.unknown_counters = vec!["reflector receive".to_owned()];
            },
            Fail,
            &["lost_forward"],
        ),
        (
            "a port that counts no drops, and nothing lost",
            |f| {
                f.unknown_counters = vec!["reflector receive".to_owned()];
                f.reference = ReferenceFacts::default();
            },
            Pass,
            &[],
        ),
        (
            "interrupted",
            |f| f.cut_short = Some("interrupted after 3.2 s".to_owned()),
            Unproven,
            &["cut_short"],
        ),
        (
            "interrupted, and already provable",
            |f| {
                f.cut_short = Some("interrupted after 3.2 s".to_owned());
                lose_return(f, 1);
            },
            Fail,
            &["lost_return", "cut_short"],
        ),
        (
            "strangers and latecomers are noted",
            |f| {
                f.account.foreign_frames = 3;
                f.account.late_frames = 1;
            },
            Pass,
            &["late", "foreign_frames"],
        ),
        (
            "a reason from elsewhere bears what it says",
            |f| f.more = vec![Reason::note("clock", "a", "b"), Reason::unproven("strangers", "c", "d")],
            Unproven,
            &["strangers", "clock"],
        ),
    ];
    for (name, change, expected, codes) in cases {
        let mut facts = clean();
        change(&mut facts);
        let verdict = judge(&facts);
        let found: Vec<&str> = verdict.reasons.iter().map(|reason| reason.code.as_str()).collect();
        assert_eq!((verdict.verdict, found.as_slice()), (expected, codes), "{name}");
        for reason in &verdict.reasons {
            assert!(!reason.text.is_empty() && !reason.advice.is_empty(), "{name}: {reason:?}");
        }
    }
}

#[test]
fn reasons_say_what_was_found_in_plain_words() {
    let mut facts = clean();
    lose_forward(&mut facts, 1_234);
    facts.account.corrupted = 1;
    facts.account.corrupted_forward = Some(1);
    facts.account.max_pair_drop.forward = 234;
    facts.carrier = vec![chain_carrier()];
    facts.reference = ReferenceFacts::default();
    let texts: Vec<String> =
        judge(&facts).reasons.into_iter().map(|r| format!("{} > {}", r.text, r.advice)).collect();
    assert_eq!(
        texts[..3],
        [
            "The pair itself is not yet shown able: there is no reference on these two ports. > Join the two ports with one known-good patch cord and run: kitproof reference eth1",
            "The generator's port eth1 lost carrier at 12.250 s for 2.500 s: the link toward it, return, was down. > Look for a loose plug, a piece that lost power or a speed that does not match, and run again.",
            "1,235 frames of 1,000,000 were missing forward (generator to reflector), 1 of them corrupted; the pair may have dropped 234 of them at most; the limit is 0. > Take pieces out of the chain one at a time, clean and reseat what stays, and run again to find the piece at fault.",
        ]
    );
}

#[test]
fn a_run_is_as_good_as_its_worst_trial() {
    let trial = |change: Change| {
        let mut facts = clean();
        change(&mut facts);
        judge(&facts)
    };
    let pass = trial(|_| ());
    let unproven = trial(pair_drop);
    let fail = trial(|f| {
        f.reference = ReferenceFacts::default();
        lose_return(f, 1);
    });
    assert_eq!(overall([]).verdict, Outcome::Unproven);
    assert_eq!(
        overall([(64, &pass), (1518, &pass)]),
        Verdict { verdict: Outcome::Pass, reasons: Vec::new() }
    );
    let run = overall([(64, &pass), (512, &unproven)]);
    assert_eq!(run.verdict, Outcome::Unproven);
    assert_eq!(run.reasons[0].frame_size, Some(512));
    let run = overall([(64, &unproven), (512, &fail), (1518, &fail)]);
    assert_eq!(run.verdict, Outcome::Fail);
    let found: Vec<_> = run.reasons.iter().map(|r| (r.code.as_str(), r.frame_size)).collect();
    let expected = [
        ("no_reference", None),
        ("lost_return", Some(512)),
        ("lost_return", Some(1518)),
        ("pair_dropped", Some(64)),
    ];
    assert_eq!(found, expected);
}

/// What an end may have put out of order itself is never charged to the chain, and a copy or a loss beside it still is.
#[test]
fn an_order_that_is_not_known_proves_nothing() {
    let mut facts = clean();
    facts.account.reordered = 3;
    facts.account.reordered_return = Some(3);
    assert_eq!(judge(&facts).verdict, Outcome::Fail);
    facts.order_unknown.homeward = true;
    let verdict = judge(&facts);
    assert_eq!(verdict.verdict, Outcome::Unproven);
    assert!(verdict.reasons.iter().any(|reason| reason.code == "order_unknown"), "{verdict:?}");
    // The other direction is judged as ever.
    facts.account.reordered_forward = Some(1);
    assert_eq!(judge(&facts).verdict, Outcome::Fail);
    facts.order_unknown.forward = true;
    assert_eq!(judge(&facts).verdict, Outcome::Unproven);
    lose_forward(&mut facts, 1);
    assert_eq!(judge(&facts).verdict, Outcome::Fail);
    // In order it is in order, by whatever ways.
    let straight = TrialFacts { order_unknown: facts.order_unknown, ..clean() };
    assert_eq!(judge(&straight).verdict, Outcome::Pass);
}
