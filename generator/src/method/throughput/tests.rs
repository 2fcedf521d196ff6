use proptest::prelude::*;

use super::super::simulated::{Box, GIGABIT, run, spoiled};
use super::*;

const SIZE: u16 = 512;

fn maximum() -> f64 {
    line_frame_rate(GIGABIT, SIZE).per_second()
}

/// A box that forwards this percentage of the line.
fn forwards(percent: f64) -> Box {
    Box { forwards_fps: maximum() * percent / 100.0, stores: 0.0 }
}

fn load_of(trial: &Trial) -> f64 {
    match trial.offer {
        Offer::Steady { load: Load::Percent(percent), .. } => percent.value(),
        other => panic!("{other:?}"),
    }
}

fn duration_of(trial: &Trial) -> Duration {
    match trial.offer {
        Offer::Steady { duration, .. } => duration,
        other => panic!("{other:?}"),
    }
}

fn search() -> Search {
    Search::new(Parameters::new(SIZE, GIGABIT))
}

#[test]
fn a_patch_cord_takes_two_trials() {
    let mut search = search();
    let log = run(&mut search, 2, |_, trial| forwards(200.0).answers(trial));
    let offered: Vec<_> =
        log.iter().map(|(trial, _)| (load_of(trial), duration_of(trial).as_secs())).collect();
    assert_eq!(offered, [(100.0, 10), (100.0, 60)]);
    let report = search.report();
    let Found::Throughput(rate) = report.found else { panic!("{report:?}") };
    assert_eq!(rate.load, Percent::FULL);
    assert_eq!(rate.rate, Some(report.maximum));
    assert!((rate.bits_per_second - 1e9).abs() < 1e-3);
    // The table of frame rates: 512 bytes at 1 Gb/s, 234,962 frames/s (RFC 5180 appendix A.1, calculated).
    assert_eq!(rate.frames_per_second.floor(), 234_962.0);
}

#[test]
fn what_came_through_leads_there_at_once() {
    let mut search = search();
    let log = run(&mut search, 10, |_, trial| forwards(76.54).answers(trial));
    let loads: Vec<_> = log.iter().map(|(trial, _)| load_of(trial)).collect();
    // Lost at 100 %, guess, the step above, that once more, and the confirmation.
    assert_eq!(loads, [100.0, 76.5, 76.6, 76.6, 76.5]);
    let Found::Throughput(rate) = search.report().found else { panic!() };
    assert_eq!(
        search.report().to_string(),
        "throughput 76.5% of line rate, 179746.241 frames/s at 512 bytes"
    );
    assert_eq!(rate.load.value(), 76.5);
}

#[test]
fn a_path_that_loses_everywhere_ends_soon() {
    for share in [0, 500, 999] {
        let mut search = search();
        let log = run(&mut search, 4, |_, trial| {
            let came = forwards(200.0).answers(trial);
            let received = came.offered * share / 1_000;
            Came { received, finding: Finding::LostInKit, ..came }
        });
        assert!(log.len() <= 4, "{} trials", log.len());
        assert_eq!(search.report().found, Found::None { lowest: RESOLUTION });
    }
}

/// A buffer that a short trial does not fill: 50 ms of line rate at a box of 90 %. Short trials of 0.4 s pass; full
/// ones do not.
#[test]
fn a_failed_confirmation_leads_down_by_full_trials() {
    let box_ = Box { stores: maximum() * 0.05, ..forwards(90.0) };
    let parameters =
        Parameters { step_duration: Duration::from_millis(400), ..Parameters::new(SIZE, GIGABIT) };
    let mut search = Search::new(parameters);
    let log = run(&mut search, 12, |_, trial| box_.answers(trial));
    assert_eq!(load_of(&log[0].0), 100.0);
    assert!(log[1..].iter().all(|(trial, _)| duration_of(trial).as_secs() == 60));
    let Found::Throughput(rate) = search.report().found else { panic!() };
    // In 60 s the buffer is worth 0.083 %: 90.0 % passes and 90.1 % does not.
    assert_eq!(rate.load.to_string(), "90%");
}

#[test]
fn a_pair_that_is_too_slow_is_named_as_the_limit() {
    // The pair offers 700 Mb/s at most; the kit would carry everything.
    let mut search = search();
    let most = search.most_trials();
    run(&mut search, most, |_, trial| {
        let came = forwards(200.0).answers(trial);
        if load_of(trial) <= 70.0 {
            return came;
        }
        Came { offered_fps: Some(maximum() * 0.7), ..spoiled(came, Finding::LoadNotOffered) }
    });
    let Found::NotProven { proven: Some(rate), fails_at, offered_fps, kit_loses_at, why } =
        search.report().found
    else {
        panic!()
    };
    assert_eq!((rate.load.value(), fails_at.value(), kit_loses_at), (70.0, 70.1, None));
    assert_eq!((offered_fps, why), (Some(maximum() * 0.7), Finding::LoadNotOffered));
    assert_eq!(
        search.report().to_string(),
        "throughput not proven at 512 bytes: 70% of line rate is proven, and at 70.1% the load was not offered as intended"
    );
}

#[test]
fn a_pair_that_never_works_proves_nothing() {
    let mut search = search();
    let most = search.most_trials();
    run(&mut search, most, |_, trial| spoiled(forwards(200.0).answers(trial), Finding::NotJudged));
    let report = search.report();
    assert!(matches!(report.found, Found::NotProven { proven: None, kit_loses_at: None, .. }));
    assert_eq!(report.trials, report.unproven_trials);
}

#[test]
fn a_limit_of_the_pair_below_the_kits_names_both() {
    let mut search = search();
    let most = search.most_trials();
    run(&mut search, most, |_, trial| {
        let came = forwards(80.0).answers(trial);
        let pair_is_slow = (50.05..79.0).contains(&load_of(trial));
        if pair_is_slow { spoiled(came, Finding::LostInPair) } else { came }
    });
    // 80 % passed at the guess, so that the search never came below it.
    assert!(matches!(search.report().found, Found::Throughput(rate) if rate.load.value() == 80.0));
    let mut search = Search::new(Parameters::new(SIZE, GIGABIT));
    run(&mut search, most, |_, trial| {
        let came = Came { received: 0, ..forwards(80.0).answers(trial) };
        let pair_is_slow = (50.05..80.05).contains(&load_of(trial));
        if pair_is_slow {
            spoiled(came, Finding::LostInPair)
        } else {
            Came { received: came.offered.min(1), ..came }
        }
    });
    let Found::NotProven { proven: Some(rate), fails_at, kit_loses_at, .. } = search.report().found else {
        panic!()
    };
    assert_eq!((rate.load.value(), fails_at.value()), (50.0, 50.1));
    assert_eq!(kit_loses_at, Some(Percent::FULL));
}

#[test]
fn the_last_step_is_the_starting_load_itself() {
    let parameters = Parameters { start: Percent::RFC8239, ..Parameters::new(SIZE, GIGABIT) };
    assert_eq!(parameters.steps(), 1_000);
    assert_eq!(parameters.load(1_000), Percent::RFC8239);
    assert_eq!(parameters.load(999).value(), 99.9);
    let mut search = Search::new(parameters);
    run(&mut search, 2, |_, trial| forwards(100.0).answers(trial));
    assert!(matches!(search.report().found, Found::Throughput(rate) if rate.load == Percent::RFC8239));
    let letter = search.letter(&Waits::default());
    assert!(letter.to_string().ends_with("loads above 99.98% were not offered"), "{letter}");
}

#[test]
fn what_is_shortened_says_so() {
    let mut parameters = Parameters::new(SIZE, GIGABIT);
    assert!(Search::new(parameters).letter(&Waits::default()).is_met());
    parameters.full_duration = Duration::from_secs(2);
    parameters.step_duration = Duration::from_secs(1);
    assert_eq!(
        Search::new(parameters).letter(&Waits::default()).to_string(),
        "RFC 2544 section 26.1, shortened: a final trial of 2 s in place of 60 s"
    );
    let estimate = Search::new(parameters).estimate(&Waits::default());
    assert_eq!((estimate.likely_trials, estimate.likely), (2, Duration::from_millis(13_660)));
}

#[test]
fn an_interrupted_search_tells_what_was_confirmed() {
    let mut search = search();
    assert_eq!(search.report().found, Found::Unfinished { proven: None });
    search.take(&forwards(200.0).answers(&search.next().unwrap()));
    assert_eq!(search.report().found, Found::Unfinished { proven: None }, "a short trial confirms nothing");
    search.take(&forwards(200.0).answers(&search.next().unwrap()));
    assert_eq!(search.next(), None);
    search.take(&Came {
        finding: Finding::LostInKit,
        offered: 9,
        received: 0,
        by_pair: 0,
        offered_fps: None,
    });
    assert!(matches!(search.report().found, Found::Throughput(_)), "nothing was asked for");
}

/// What the pair does to one trial after another.
fn noise(most_in_a_row: usize) -> impl Strategy<Value = Vec<Option<Finding>>> {
    let spoils = prop::sample::select(vec![
        Finding::LostInPair,
        Finding::LoadNotOffered,
        Finding::LinkLost,
        Finding::NotJudged,
    ]);
    prop::collection::vec(prop::option::weighted(0.4, spoils), 0..120).prop_map(move |mut script| {
        let mut row = 0;
        for entry in &mut script {
            row = if entry.is_some() { row + 1 } else { 0 };
            if row > most_in_a_row {
                (*entry, row) = (None, 0);
            }
        }
        script
    })
}

proptest! {
    /// The true throughput is found within the resolution and never exceeded, whatever the pair spoils on the way.
    #[test]
    fn noise_of_the_pair_changes_nothing(
        percent in 0.01..130.0f64,
        stores in 0.0..5_000.0f64,
        resolution in prop::sample::select(vec![20_000u64, 100_000, 250_000, 1_000_000, 7_000_000]),
        equal_length: bool,
        script in noise(REPEATS as usize),
    ) {
        let box_ = Box { stores, ..forwards(percent) };
        let mut parameters = Parameters::new(SIZE, GIGABIT);
        parameters.resolution = Percent::from_millionths(resolution);
        if equal_length {
            parameters.step_duration = parameters.full_duration;
        }
        let mut search = Search::new(parameters);
        let most = search.most_trials();
        let log = run(&mut search, most, |number, trial| {
            let came = box_.answers(trial);
            match script.get(number as usize).copied().flatten() {
                Some(finding) => spoiled(came, finding),
                None => came,
            }
        });
        let report = search.report();
        prop_assert_eq!(report.trials, log.len() as u64);
        prop_assert_eq!(report.unproven_trials, log.iter().filter(|(_, came)| came.finding.is_unproven()).count() as u64);
        prop_assert!(report.contradictions.is_empty());
        // What the buffer holds adds to the load that 60 s can carry.
        let full = parameters.full_duration.as_secs_f64();
        let passes = |load: Percent| {
            let offer = Offer::Steady { load: Load::Percent(load), duration: Duration::from_secs_f64(full) };
            box_.answers(&Trial { frame_size: SIZE, offer, why: "" }).finding == Finding::Clean
        };
        match report.found {
            Found::Throughput(rate) => {
                prop_assert!(passes(rate.load));
                let above = rate.load.millionths() + resolution;
                prop_assert!(rate.load == Percent::FULL || !passes(Percent::from_millionths(above.min(100_000_000))));
                let (last, came) = log.iter().rev().find(|(trial, _)| load_of(trial) == rate.load.value()).unwrap();
                prop_assert!(duration_of(last) >= parameters.full_duration && came.finding == Finding::Clean);
            }
            Found::None { lowest } => prop_assert!(!passes(lowest)),
            other => prop_assert!(false, "{:?}", other),
        }
    }

    /// Whatever anybody answers, the search ends in time, never charges the kit with a load at which it never lost,
    /// and reports only what a full trial confirmed last.
    #[test]
    fn any_answers_end_it_and_nothing_is_made_up(
        answers in prop::collection::vec((0..6usize, 0.0..1.0f64), 400),
        resolution in prop::sample::select(vec![100_000u64, 1_000_000, 30_000_000]),
        equal_length: bool,
    ) {
        let findings = [
            Finding::Clean, Finding::LostInKit, Finding::LostInPair, Finding::LoadNotOffered, Finding::LinkLost,
            Finding::NotJudged,
        ];
        let mut parameters = Parameters::new(SIZE, GIGABIT);
        parameters.resolution = Percent::from_millionths(resolution);
        if equal_length {
            parameters.step_duration = parameters.full_duration;
        }
        let mut search = Search::new(parameters);
        let most = search.most_trials();
        let log = run(&mut search, most, |number, trial| {
            let (finding, share) = answers[number as usize % answers.len()];
            let came = forwards(200.0).answers(trial);
            let received = if findings[finding] == Finding::Clean { came.offered } else { (came.offered as f64 * share) as u64 };
            Came { finding: findings[finding], received, ..came }
        });
        let at = |load: Percent, finding: Finding| {
            log.iter().any(|(trial, came)| load_of(trial) == load.value() && came.finding == finding)
        };
        let confirmed = |rate: &Rate| {
            let full = |trial: &Trial| duration_of(trial) >= parameters.full_duration;
            log.iter().any(|(trial, came)| {
                load_of(trial) == rate.load.value() && full(trial) && came.finding == Finding::Clean
            })
        };
        match search.report().found {
            Found::Throughput(rate) => {
                prop_assert!(confirmed(&rate));
                let above = Percent::from_millionths((rate.load.millionths() + resolution).min(100_000_000));
                prop_assert!(rate.load == Percent::FULL || at(above, Finding::LostInKit));
            }
            Found::None { lowest } => prop_assert!(at(lowest, Finding::LostInKit)),
            Found::NotProven { proven, fails_at, kit_loses_at, .. } => {
                prop_assert!(proven.as_ref().is_none_or(confirmed));
                prop_assert!(kit_loses_at.is_none_or(|load| at(load, Finding::LostInKit)));
                let spoiled = log.iter().filter(|(trial, came)| {
                    load_of(trial) == fails_at.value() && came.finding.is_unproven()
                });
                prop_assert!(spoiled.count() > parameters.repeats as usize);
            }
            other => prop_assert!(false, "{:?}", other),
        }
    }

    /// Accidents of the kit in short trials (one frame lost at a load it carries) do not lower the result, as long
    /// as they are no more than the second looks there are.
    #[test]
    fn accidents_are_found_out(
        percent in 30.0..120.0f64,
        accidents in prop::collection::btree_set(0u64..12, 0..=SECOND_LOOKS as usize),
    ) {
        let mut search = search();
        let most = search.most_trials();
        let log = run(&mut search, most, |number, trial| {
            let came = forwards(percent).answers(trial);
            let short = duration_of(trial).as_secs() < 60 && trial.why != "second look";
            if accidents.contains(&number) && short && came.finding == Finding::Clean {
                Came { finding: Finding::LostInKit, received: came.offered - 1, ..came }
            } else {
                came
            }
        });
        let Found::Throughput(rate) = search.report().found else { panic!("{log:?}") };
        let truth = percent.min(100.0);
        prop_assert!(rate.load.value() <= truth + 1e-4 && rate.load.value() > truth - 0.1 - 1e-4, "{} {log:?}", rate.load);
    }
}
