//! Frame loss rate (RFC 1242 section 3.6, RFC 2544 section 26.3): from the highest load down, until two loads in a
//! row lose nothing. At each load it is (offered - received) x 100 / offered.
//!
//! A load whose trials all proved nothing stays in the report with bounds on what the kit may have lost, and is no
//! part of the two in a row.

use std::time::Duration;

use kitproof_common::line::{Load, Percent};

use super::estimate::{Estimate, Waits};
use super::letter::{self, Letter};
use super::step::{Came, Finding, Method, Offer, REPEATS, Trial};

/// RFC 2544 section 26.3: steps of 10 % of line rate, or finer.
pub const LARGEST_STEP: Percent = Percent::from_millionths(10_000_000);

const STANDARD: &str = "RFC 2544 section 26.3";

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parameters {
    /// Bytes including FCS.
    pub frame_size: u16,
    /// The first load; the letter asks for 100 %.
    pub start: Percent,
    step: Percent,
    pub duration: Duration,
    /// How often a trial that proved nothing is offered again.
    pub repeats: u32,
}

/// A step of the load that cannot be taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("steps of {0} of line rate: RFC 2544 section 26.3 allows more than 0% and at most 10%")]
pub struct StepError(Percent);

impl Parameters {
    /// From 100 % down in steps of 10 %, trials of 60 s.
    pub fn new(frame_size: u16) -> Parameters {
        Parameters {
            frame_size,
            start: Percent::FULL,
            step: LARGEST_STEP,
            duration: letter::TRIAL,
            repeats: REPEATS,
        }
    }

    /// The same in finer steps.
    ///
    /// # Errors
    /// A step of nothing or above 10 %.
    pub fn with_step(self, step: Percent) -> Result<Parameters, StepError> {
        if step.millionths() == 0 || step > LARGEST_STEP {
            return Err(StepError(step));
        }
        Ok(Parameters { step, ..self })
    }

    /// Loads above nothing.
    fn loads(&self) -> u64 {
        self.start.millionths().div_ceil(self.step.millionths())
    }
}

/// What was lost at one load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    pub load: Percent,
    pub finding: Finding,
    /// Of the last trial at this load.
    pub offered: u64,
    pub received: u64,
    /// Percent of what was offered that is missing; `None` if nothing was offered.
    pub loss_percent: Option<f64>,
    /// Percent that the kit lost at least: what the pair may have lost is taken off.
    pub by_kit_percent: Option<f64>,
    /// Trials at this load.
    pub trials: u64,
}

/// Loss against load.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    pub frame_size: u16,
    /// From the highest load down.
    pub points: Vec<Point>,
    /// Whether it ended as it should: two loads in a row without loss, or no load left.
    pub complete: bool,
}

/// (offered - received) x 100 / offered, percent; `None` if nothing was offered. Never below 0: a copy is no frame
/// more.
pub fn loss_percent(offered: u64, received: u64) -> Option<f64> {
    (offered > 0).then(|| offered.saturating_sub(received) as f64 * 100.0 / offered as f64)
}

/// The descent, a state machine: see the [module](self).
#[derive(Debug, Clone, PartialEq)]
pub struct Descent {
    parameters: Parameters,
    points: Vec<Point>,
    /// Trials at the load now on offer.
    trials_here: u64,
    clean_in_a_row: u32,
}

impl Descent {
    pub fn new(parameters: Parameters) -> Descent {
        Descent { parameters, points: Vec::new(), trials_here: 0, clean_in_a_row: 0 }
    }

    /// The load now on offer.
    fn load(&self) -> Option<Percent> {
        if self.clean_in_a_row >= 2 {
            return None;
        }
        let down = self.parameters.step.millionths().saturating_mul(self.points.len() as u64);
        let millionths = self.parameters.start.millionths().saturating_sub(down);
        (millionths > 0).then(|| Percent::from_millionths(millionths))
    }
}

impl Method for Descent {
    type Report = Report;

    fn next(&self) -> Option<Trial> {
        self.load().map(|load| Trial {
            frame_size: self.parameters.frame_size,
            offer: Offer::Steady { load: Load::Percent(load), duration: self.parameters.duration },
            why: if self.trials_here > 0 { "once more" } else { "descent" },
        })
    }

    fn take(&mut self, came: &Came) {
        let Some(load) = self.load() else { return };
        self.trials_here += 1;
        if came.finding.is_unproven() && self.trials_here <= u64::from(self.parameters.repeats) {
            return;
        }
        let by_pair = came.by_pair.min(came.missing());
        self.points.push(Point {
            load,
            finding: came.finding,
            offered: came.offered,
            received: came.received,
            loss_percent: loss_percent(came.offered, came.received),
            by_kit_percent: loss_percent(came.offered, came.received.saturating_add(by_pair)),
            trials: std::mem::take(&mut self.trials_here),
        });
        // A loss within a limit is a loss all the same.
        let clean = came.finding == Finding::Clean && came.missing() == 0;
        self.clean_in_a_row = if clean { self.clean_in_a_row + 1 } else { 0 };
    }

    fn report(&self) -> Report {
        Report {
            frame_size: self.parameters.frame_size,
            points: self.points.clone(),
            complete: self.next().is_none(),
        }
    }

    /// Likely: the two highest loads lose nothing.
    fn estimate(&self, waits: &Waits) -> Estimate {
        let (loads, duration) = (self.parameters.loads(), self.parameters.duration);
        Estimate::trials(waits, (loads.min(2), duration), (loads, duration))
    }

    fn letter(&self, waits: &Waits) -> Letter {
        Letter::of(STANDARD)
            .at_least("trials of", self.parameters.duration, letter::TRIAL)
            .departs_if(
                self.parameters.start != Percent::FULL,
                &format!("the first load was {} in place of 100%", self.parameters.start),
            )
            .with_waits(waits)
    }
}

#[cfg(test)]
mod tests {
    use kitproof_common::line::line_frame_rate;
    use proptest::prelude::*;

    use super::super::simulated::{Box, GIGABIT, run, spoiled};
    use super::*;

    fn forwards(percent: f64) -> Box {
        Box { forwards_fps: line_frame_rate(GIGABIT, 1518).per_second() * percent / 100.0, stores: 0.0 }
    }

    fn loads(report: &Report) -> Vec<f64> {
        report.points.iter().map(|point| point.load.value()).collect()
    }

    /// RFC 2544 section 26.3: 100 %, 90 %, 80 %, until two successive trials lose nothing.
    #[test]
    fn down_to_two_clean_loads() {
        let mut descent = Descent::new(Parameters::new(1518));
        run(&mut descent, 10, |_, trial| forwards(75.0).answers(trial));
        let report = descent.report();
        assert!(report.complete);
        assert_eq!(loads(&report), [100.0, 90.0, 80.0, 70.0, 60.0]);
        let lost: Vec<_> = report.points.iter().map(|point| point.loss_percent.unwrap()).collect();
        for (found, expected) in lost.iter().zip([25.0, 100.0 * 15.0 / 90.0, 6.25, 0.0, 0.0]) {
            assert!((found - expected).abs() < 1e-4, "{found} {expected}");
        }
        assert!(report.points.iter().all(|point| point.by_kit_percent == point.loss_percent));
    }

    #[test]
    fn a_path_that_always_loses_ends_above_nothing() {
        let mut descent = Descent::new(Parameters::new(1518));
        run(&mut descent, 10, |_, trial| Came {
            finding: Finding::LostInKit,
            received: 0,
            ..forwards(100.0).answers(trial)
        });
        let report = descent.report();
        assert_eq!(loads(&report), [100.0, 90.0, 80.0, 70.0, 60.0, 50.0, 40.0, 30.0, 20.0, 10.0]);
        assert!(report.points.iter().all(|point| point.loss_percent == Some(100.0)));
    }

    #[test]
    fn what_the_pair_lost_is_offered_again_and_never_the_kits() {
        let mut descent = Descent::new(Parameters::new(1518));
        // The second load is spoiled for good.
        let log = run(&mut descent, 20, |_, trial| {
            let came = forwards(200.0).answers(trial);
            let Offer::Steady { load, .. } = trial.offer else { panic!() };
            if load.to_string() == "90%" { spoiled(came, Finding::LostInPair) } else { came }
        });
        assert_eq!(log.len(), 1 + 1 + REPEATS as usize + 2);
        let report = descent.report();
        assert_eq!(loads(&report), [100.0, 90.0, 80.0, 70.0], "90 % is no part of a row");
        assert_eq!((report.points[1].finding, report.points[1].trials), (Finding::LostInPair, 4));
        assert!(report.points[1].loss_percent > Some(0.0));
        assert_eq!(report.points[1].by_kit_percent, Some(0.0));
    }

    #[test]
    fn steps_are_at_most_ten_percent() {
        let fine = Parameters::new(64).with_step(Percent::from_millionths(2_500_000)).unwrap();
        let mut descent = Descent::new(fine);
        run(&mut descent, 40, |_, trial| forwards(94.0).answers(trial));
        assert_eq!(loads(&descent.report())[..3], [100.0, 97.5, 95.0]);
        for bad in [0, 10_000_001] {
            assert!(Parameters::new(64).with_step(Percent::from_millionths(bad)).is_err());
        }
        let error = Parameters::new(64).with_step(Percent::from_millionths(20_000_000)).unwrap_err();
        assert_eq!(
            error.to_string(),
            "steps of 20% of line rate: RFC 2544 section 26.3 allows more than 0% and at most 10%"
        );
    }

    #[test]
    fn the_formula() {
        assert_eq!(loss_percent(0, 0), None);
        assert_eq!(loss_percent(200, 150), Some(25.0));
        assert_eq!(loss_percent(200, 201), Some(0.0));
        let short = Descent::new(Parameters { duration: Duration::from_secs(1), ..Parameters::new(64) });
        assert_eq!(
            short.letter(&Waits::default()).to_string(),
            "RFC 2544 section 26.3, shortened: trials of 1 s in place of 60 s"
        );
        assert_eq!(short.estimate(&Waits::default()).most_trials, 10);
    }

    proptest! {
        #[test]
        fn it_always_ends(answers in prop::collection::vec(0..4usize, 60), millionths in 1_500_000u64..10_000_000) {
            let step = Percent::from_millionths(millionths);
            let mut descent = Descent::new(Parameters::new(64).with_step(step).unwrap());
            let most = descent.parameters.loads() * 4;
            let findings = [Finding::Clean, Finding::LostInKit, Finding::LoadNotOffered, Finding::LinkLost];
            run(&mut descent, most, |number, trial| {
                let came = forwards(100.0).answers(trial);
                let finding = findings[answers[number as usize % answers.len()]];
                let received = came.offered - u64::from(finding == Finding::LostInKit);
                Came { finding, received, ..came }
            });
            let report = descent.report();
            prop_assert!(report.complete);
            for point in &report.points {
                prop_assert_eq!(point.finding == Finding::LostInKit, point.by_kit_percent > Some(0.0));
            }
        }
    }
}
