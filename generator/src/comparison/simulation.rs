//! Is an alarm no more often false than is said? A thousand pairs of equal runs, with seconds that remember the one before
//! them; and changed ones, which must be found.

use statrs::distribution::{Binomial, DiscreteCDF};

use super::judge::{Limits, against_history, of_two};
use super::told::Standing;
use crate::report::{RoundTrip, RoundTripCourse, RunResult, TrialResult};
use crate::verdict::Outcome;

/// Chance (splitmix64), and a normal variable of it (the sum of twelve uniform ones less six).
struct Chance(u64);

impl Chance {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((mixed ^ (mixed >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// A run of trials of 60 s each at as many sizes, whose median round trip is about `middle` ns, with losses at random.
fn run(chance: &mut Chance, middle: f64, memory: f64, loss_periods: f64) -> RunResult {
    let trial = |frame_size: u16, chance: &mut Chance| {
        let mut state = chance.normal();
        let p50_ns: Vec<u64> = (0..61)
            .map(|_| {
                state = memory * state + (1.0 - memory * memory).sqrt() * chance.normal();
                (middle * (1.0 + 0.02 * state)) as u64
            })
            .collect();
        let middle = p50_ns[30];
        let events = (0..1_000).filter(|_| chance.uniform() < loss_periods / 1_000.0).count() as u64;
        let mut trial = TrialResult {
            frame_size,
            pairs: 1,
            round_trip_ns: Some(RoundTrip { p50: middle, ..RoundTrip::default() }),
            round_trip_course: Some(RoundTripCourse { stretch_s: 1, p99_ns: p50_ns.clone(), p50_ns }),
            loss_periods_total: Some(events),
            ..TrialResult::default()
        };
        trial.intended_load.percent = 100.0;
        trial.counts.offered_frames = 1_000_000;
        trial
    };
    let trials = [64, 512, 1518].map(|size| trial(size, chance)).to_vec();
    RunResult { command: "prove".to_owned(), trials, ..RunResult::default() }
}

/// At most as many false alarms as the stated rate lets 1,000 pairs have, at 99.9 %.
fn allowed(rate: f64) -> u64 {
    Binomial::new(rate, 1_000).unwrap().inverse_cdf(0.999)
}

/// Any difference at all that is called one, better or worse, at no limit but chance.
fn alarms(memory: f64, loss_periods: f64) -> u64 {
    let mut chance = Chance(11);
    let limits = Limits { latency: 0.0, false_alarm: 0.05 };
    let alarmed = (0..1_000).filter(|_| {
        let (before, after) = (
            run(&mut chance, 20_000.0, memory, loss_periods),
            run(&mut chance, 20_000.0, memory, loss_periods),
        );
        let told = of_two(&before, &after, limits);
        told.measures.iter().any(|measure| measure.p.is_some_and(|p| p <= limits.false_alarm))
    });
    alarmed.count() as u64
}

#[test]
fn a_thousand_pairs_of_equal_runs_alarm_no_more_often_than_stated() {
    for (memory, loss_periods) in [(0.0, 0.0), (0.0, 4.0), (0.5, 4.0), (0.8, 4.0)] {
        let (found, most) = (alarms(memory, loss_periods), allowed(0.05));
        assert!(found <= most, "memory {memory}: {found} of 1,000, and {most} may be");
    }
}

#[test]
fn the_history_alarms_no_more_often_than_stated() {
    let mut chance = Chance(12);
    let limits = Limits { latency: 0.0, false_alarm: 0.05 };
    let mut alarmed = 0;
    for _ in 0..1_000 {
        // What a machine does differently from one run to the next moves all of a run.
        let all: Vec<RunResult> = (0..250)
            .map(|_| {
                let middle = 20_000.0 * (1.0 + 0.2 * chance.uniform());
                let mut run = RunResult { command: "prove".to_owned(), ..RunResult::default() };
                let mut trial = TrialResult {
                    frame_size: 64,
                    round_trip_ns: Some(RoundTrip { p50: middle as u64, ..RoundTrip::default() }),
                    loss_periods_total: Some(u64::from(chance.uniform() < 0.3)),
                    ..TrialResult::default()
                };
                trial.counts.offered_frames = 1_000_000;
                run.trials.push(trial);
                run
            })
            .collect();
        let history: Vec<&RunResult> = all[1..].iter().collect();
        let told = against_history(&history, &all[0], limits);
        alarmed += u64::from(told.measures.iter().any(|measure| measure.standing == Standing::Worse));
    }
    assert!(alarmed <= allowed(0.05), "{alarmed} of 1,000");
}

/// 15 % more latency, and losses six times as often, are found in nearly every pair; half the limit in hardly any.
#[test]
fn what_changed_is_found() {
    let mut chance = Chance(13);
    let mut found = [0; 3];
    for _ in 0..200 {
        let before = run(&mut chance, 20_000.0, 0.5, 4.0);
        let slower = run(&mut chance, 23_000.0, 0.5, 4.0);
        let lossy = run(&mut chance, 20_000.0, 0.5, 24.0);
        let a_little = run(&mut chance, 21_000.0, 0.5, 4.0);
        for (index, after) in [slower, lossy, a_little].iter().enumerate() {
            let told = of_two(&before, after, Limits::default());
            found[index] += u32::from(told.verdict == Some(Outcome::Fail));
        }
    }
    assert!(found[0] >= 190 && found[1] >= 190 && found[2] <= 20, "{found:?} of 200");
}

/// Runs that are equal are shown to be, where enough was measured.
#[test]
fn equal_runs_pass() {
    let mut chance = Chance(14);
    let passed = (0..100)
        .filter(|_| {
            let (before, after) =
                (run(&mut chance, 20_000.0, 0.3, 0.0), run(&mut chance, 20_000.0, 0.3, 0.0));
            of_two(&before, &after, Limits::default()).verdict == Some(Outcome::Pass)
        })
        .count();
    assert!(passed >= 90, "{passed} of 100");
}
