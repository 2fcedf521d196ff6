//! System recovery at every frame size (RFC 2544 section 26.5): throughput first, then an overload that is halved.

use std::time::Duration;

use kitproof_common::line::{Load, Percent};
use tokio::sync::watch;

use super::conduct::{announce, conduct, offer, together, waits};
use super::failure::Failure;
use super::judged::Judged;
use super::plan::{Plan, Target, Wanted};
use super::runner::{Finished, Runner, Show, Stop};
use super::{result, throughput};
use crate::method::estimate::Estimate;
use crate::method::letter::Letter;
use crate::method::system_recovery::{LossAt, Offered, Parameters, Recovery, recovery};
use crate::method::throughput::{Found, Search};
use crate::method::{Came, Method, REPEATS};
use crate::report::{self, Ending, Findings};
use crate::statistics::summary::Summary;
use crate::verdict::Reason;

/// What it is asked for beside what every run is.
#[derive(Clone, Copy, Debug)]
pub struct Options {
    /// How often it is measured at each frame size ("a number of times").
    pub values: u32,
    /// How long the halved load is watched.
    pub watch_for: Duration,
    /// The throughput, where it is known; it is searched for first if not.
    pub throughput: Option<Load>,
    pub search: throughput::Options,
}

/// Measures how long the kit goes on losing frames after an overload, at every frame size.
///
/// # Errors
/// Only before the first trial; after that everything is a result.
pub async fn run(
    options: Options,
    wanted: Wanted,
    target: Target,
    interrupt: watch::Receiver<bool>,
    show: &mut dyn Show,
) -> Result<Finished, Failure> {
    let start = throughput::start(wanted.load)?;
    if wanted.pairs > 1 {
        return Err(Failure::Usage(format!("--pairs {}: recovery is measured on one pair", wanted.pairs)));
    }
    let mut runner = Runner::open(wanted, target, interrupt, show).await?;
    let sizes = runner.plan.sizes.clone();
    // Whatever cannot be offered is refused before anything is.
    let sources: Result<Vec<Source>, Failure> =
        sizes.iter().map(|size| Source::new(&runner, options, start, *size)).collect();
    let waits = waits(&runner);
    let mut findings = Findings::default();
    let mut letters: Vec<Letter> = Vec::new();
    let mut reasons: Vec<Reason> = Vec::new();
    let mut stopped = false;
    for (index, (size, source)) in sizes.iter().zip(sources?).enumerate() {
        let position = runner.position(index);
        let parameters = Parameters {
            overload_for: runner.plan.wanted.duration,
            watch_for: options.watch_for,
            ..Parameters::new(*size)
        };
        let known = match source {
            Source::Known(load) => Some(load),
            Source::Search(mut search) => {
                stopped = conduct(&mut runner, &mut *search, &position).await? == Err(Stop);
                let report = search.report();
                runner.say(&report.to_string());
                findings.throughput.push(throughput::finding(&report));
                letters.push(search.letter(&waits).with_sizes(sizes.len()));
                match report.found {
                    Found::Throughput(rate) => Some(rate.load),
                    _ => None,
                }
            }
        };
        if stopped {
            break;
        }
        let Some(throughput) = known else {
            reasons.push(
                Reason::unproven(
                    "no_throughput",
                    "No throughput was found, which the overload is reckoned by (RFC 2544 section 26.5).",
                    "Find the throughput first, or say it: --throughput 95%.",
                )
                .at(*size),
            );
            continue;
        };
        let (likely, most) = (u64::from(options.values), u64::from(options.values + REPEATS));
        let time = parameters.overload_for.saturating_add(parameters.watch_for);
        announce(&mut runner, Estimate::trials(&waits, (likely, time), (most, time)));
        letters.push(parameters.letter(&waits).with_sizes(sizes.len()));
        let (measured, ended) = measure(&mut runner, &parameters, options, throughput, &position).await?;
        stopped = ended;
        reasons.extend(measured.reasons(&parameters));
        findings.recovery.push(measured.finding(&parameters, throughput, &runner.plan));
        if stopped {
            break;
        }
    }
    findings.conduct = together(&letters);
    let run = runner.close().await;
    if stopped {
        reasons.push(run.incomplete("It was not run to its end"));
    }
    Ok(Finished::found(run, findings, reasons))
}

/// Where the throughput at one frame size comes from.
enum Source {
    Known(Percent),
    Search(Box<Search>),
}

impl Source {
    fn new(runner: &Runner<'_>, options: Options, start: Percent, frame_size: u16) -> Result<Self, Failure> {
        let Some(load) = options.throughput else {
            let search = throughput::search(runner, options.search, start, frame_size)?;
            return Ok(Source::Search(Box::new(search)));
        };
        let line = runner.plan.line;
        let rate = load.rate(line, frame_size).map_err(|error| Failure::Usage(error.to_string()))?;
        let percent = match load {
            Load::Percent(percent) => Some(percent),
            _ => Percent::from_f64(rate.percent_of(line, frame_size)),
        };
        let percent = percent.filter(|percent| percent.millionths() > 1);
        percent.map(Source::Known).ok_or_else(|| Failure::Usage(format!("--throughput {load} is nothing")))
    }
}

/// What the trials at one frame size came to.
#[derive(Default)]
struct Measured {
    values: Vec<(f64, f64)>,
    not_overloaded: bool,
    never_s: Option<f64>,
    /// Trials that proved nothing, and the longest that the kit may have taken in them.
    spoiled: u32,
    at_most_s: Option<f64>,
}

/// Repeats it; a trial that proves nothing is done again, a few times in all. Whether the run ended.
async fn measure(
    runner: &mut Runner<'_>,
    parameters: &Parameters,
    options: Options,
    throughput: Percent,
    position: &str,
) -> Result<(Measured, bool), Failure> {
    let trial = parameters.trial(throughput);
    let offer = offer(runner, &trial);
    let mut measured = Measured::default();
    while measured.values.len() < options.values as usize && measured.spoiled <= REPEATS {
        let number = measured.values.len() + 1;
        let which = format!("{position} {} {number} of {}:", trial.why, options.values);
        let came = match runner.trial(&offer, &which).await? {
            Ok(came) => came,
            Err(Stop) => return Ok((measured, true)),
        };
        let Some(judged) = runner.trials.last() else { break };
        match appraise(judged, &came, &runner.plan) {
            Recovery::After { seconds, uncertainty_s } => {
                runner.say(&format!("frames were last lost {seconds:.6} s after the overload"));
                measured.values.push((seconds, uncertainty_s));
            }
            Recovery::Never { watched_s } => {
                measured.never_s = Some(watched_s);
                break;
            }
            Recovery::NotOverloaded => {
                measured.not_overloaded = true;
                break;
            }
            Recovery::Unproven { at_most_s } => {
                measured.spoiled += 1;
                measured.at_most_s = at_most_s.or(measured.at_most_s);
            }
        }
    }
    Ok((measured, false))
}

/// What one trial shows.
fn appraise(judged: &Judged, came: &Came, plan: &Plan) -> Recovery {
    const NOTHING: Recovery = Recovery::Unproven { at_most_s: None };
    let outcome = &judged.outcome;
    let (Some(lowered), Some(load), [(_, home)]) =
        (outcome.trial.lowered, &outcome.lowered, outcome.flows.as_slice())
    else {
        return NOTHING;
    };
    // Both loads were offered as intended, and the link was there.
    let tolerance = judged.offer.tolerance(&plan.wanted);
    let kept = |rate: Option<f64>, intended: f64| {
        rate.is_some_and(|rate| (rate / intended - 1.0).abs() <= tolerance)
    };
    if !kept(outcome.load.rate, outcome.trial.rate.per_second())
        || !kept(load.rate, lowered.rate.per_second())
        || !outcome.carrier.is_empty()
        || outcome.far.as_ref().is_ok_and(|far| !far.report.carrier.is_empty())
    {
        return NOTHING;
    }
    let departed = |frame: u64| match frame.checked_sub(lowered.from) {
        Some(after) => load.first_ns + lowered.rate.time_of(after),
        None => outcome.load.first_ns + outcome.trial.rate.time_of(frame),
    };
    let last = home.loss.last.map(|period| LossAt {
        first_ns: departed(period.first),
        last_ns: departed(period.last()),
        frames: period.length,
    });
    let offered = Offered {
        lowered_ns: load.first_ns,
        end_ns: load.last_ns,
        then: lowered.rate,
        by_pair: came.by_pair,
        all_known: !outcome.interrupted && outcome.far.is_ok(),
    };
    recovery(&offered, home.loss.lost, last.as_ref())
}

impl Measured {
    fn ending(&self) -> Ending {
        if self.not_overloaded {
            Ending::AtTheLimit
        } else if self.never_s.is_some() {
            Ending::NoneFound
        } else if self.spoiled > REPEATS {
            Ending::NotProven
        } else if self.values.is_empty() {
            Ending::Unfinished
        } else {
            Ending::Found
        }
    }

    fn finding(&self, parameters: &Parameters, throughput: Percent, plan: &Plan) -> report::Recovery {
        let seconds: Vec<f64> = self.values.iter().map(|(seconds, _)| *seconds).collect();
        let summary = Summary::of(&seconds);
        let overload = crate::method::system_recovery::overload(throughput);
        let figures = |load: Percent| result::load_figures(Load::Percent(load), plan, parameters.frame_size);
        report::Recovery {
            frame_size: parameters.frame_size,
            ending: self.ending(),
            throughput: figures(throughput),
            overload: figures(overload),
            then: figures(Percent::from_millionths(overload.millionths() / 2)),
            recovery_s: summary.map(|summary| summary.mean),
            minimum_s: summary.map(|summary| summary.minimum),
            maximum_s: summary.map(|summary| summary.maximum),
            standard_deviation_s: summary.and_then(|summary| summary.standard_deviation),
            resolution_s: self.values.iter().map(|(_, resolution)| *resolution).reduce(f64::max),
            at_most_s: self.at_most_s.filter(|_| self.spoiled > 0),
            values: self.values.len() as u64,
            spoiled_values: self.spoiled.into(),
        }
    }

    fn reasons(&self, parameters: &Parameters) -> Vec<Reason> {
        let mut reasons = Vec::new();
        if self.not_overloaded {
            reasons.push(Reason::note(
                "not_overloaded",
                "The overload lost no frame: there is nothing to recover from.",
                "The line carries no more than the chain does; there is nothing to do.",
            ));
        }
        if let Some(watched) = self.never_s {
            reasons.push(Reason::note(
                "never_recovered",
                format!("Frames were still lost {watched:.3} s after the overload, when the trial ended."),
                "Watch longer (--watch-for); a chain that loses at half its load is broken: prove it.",
            ));
        }
        if self.spoiled > REPEATS {
            reasons.push(Reason::unproven(
                "not_proven",
                format!(
                    "{} trials proved nothing: a load was missed, or the pair may have lost the last frames.",
                    self.spoiled
                ),
                "Close other programs, use faster machines, or state a lower --throughput.",
            ));
        }
        reasons.into_iter().map(|reason| reason.at(parameters.frame_size)).collect()
    }
}
