//! Throughput at every frame size (RFC 2544 section 26.1).

use std::time::Duration;

use kitproof_common::line::{Load, Percent};
use tokio::sync::watch;

use super::conduct::at_each_size;
use super::failure::Failure;
use super::plan::{Target, Wanted};
use super::runner::{Finished, Run, Runner, Show};
use crate::method::Method;
use crate::method::throughput::{Found, Parameters, Report, Search};
use crate::report::{Ending, Findings, Throughput};
use crate::verdict::Reason;

/// What a search is asked for beside what every run is.
#[derive(Clone, Copy, Debug)]
pub struct Options {
    pub resolution: Percent,
    /// Of the trials of the search; the one that confirms takes what was wanted of every trial.
    pub search_duration: Duration,
}

/// Finds the throughput at every frame size.
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
    let start = start(wanted.load)?;
    let mut runner = Runner::open(wanted, target, interrupt, show).await?;
    let sizes = runner.plan.sizes.clone();
    let searches: Result<Vec<Search>, _> =
        sizes.iter().map(|size| search(&runner, options, start, *size)).collect();
    let mut searches = searches?;
    let say = |runner: &mut Runner<'_>, search: &Search| runner.say(&search.report().to_string());
    let conduct = at_each_size(&mut runner, &mut searches, say).await?;
    let run = runner.close().await;
    let reports: Vec<Report> = searches.iter().map(Method::report).collect();
    let throughput = reports.iter().map(finding).collect();
    let reasons = reports.iter().flat_map(|report| reasons(report, &run)).collect();
    Ok(Finished::found(run, Findings { conduct, throughput, ..Findings::default() }, reasons))
}

/// The highest load that is offered, which must be a share of the line.
///
/// # Errors
/// [`Failure::Usage`] if it is not.
pub fn start(load: Load) -> Result<Percent, Failure> {
    match load {
        Load::Percent(percent) => Ok(percent),
        other => Err(Failure::Usage(format!(
            "--load {other}: a search starts at a share of line rate, such as 100%"
        ))),
    }
}

/// The search at one frame size.
///
/// # Errors
/// [`Failure::Usage`]: a load of it that cannot be offered.
pub fn search(
    runner: &Runner<'_>,
    options: Options,
    start: Percent,
    frame_size: u16,
) -> Result<Search, Failure> {
    let wanted = &runner.plan.wanted;
    let parameters = Parameters {
        start,
        resolution: options.resolution,
        step_duration: options.search_duration.min(wanted.duration),
        full_duration: wanted.duration,
        ..Parameters::new(frame_size, runner.plan.line)
    };
    parameters.check().map_err(|error| Failure::Usage(error.to_string()))?;
    Ok(Search::new(parameters))
}

/// As it stands in the result.
#[must_use]
pub fn finding(report: &Report) -> Throughput {
    let (ending, rate) = match &report.found {
        Found::Throughput(rate) => (Ending::Found, Some(rate)),
        Found::None { .. } => (Ending::NoneFound, None),
        Found::NotProven { proven, .. } => (Ending::NotProven, proven.as_ref()),
        Found::Unfinished { proven } => (Ending::Unfinished, proven.as_ref()),
    };
    let (not_proven_at_percent, kit_loses_at_percent) = match &report.found {
        Found::NotProven { fails_at, kit_loses_at, .. } => {
            (Some(fails_at.value()), kit_loses_at.map(Percent::value))
        }
        _ => (None, None),
    };
    Throughput {
        frame_size: report.frame_size,
        ending,
        frames_per_s: rate.map(|rate| rate.frames_per_second),
        bits_per_s: rate.map(|rate| rate.bits_per_second),
        percent_of_line: rate.map(|rate| rate.load.value()),
        maximum_frames_per_s: report.maximum.per_second(),
        resolution: report.resolution.value(),
        not_proven_at_percent,
        kit_loses_at_percent,
        trials: report.trials,
        unproven_trials: report.unproven_trials,
    }
}

/// What must be said about it.
#[must_use]
pub fn reasons(report: &Report, run: &Run) -> Vec<Reason> {
    let mut reasons = Vec::new();
    match &report.found {
        Found::Throughput(_) => {}
        Found::None { lowest } => reasons.push(Reason::note(
            "loses_at_every_load",
            format!("The chain loses frames at {lowest} of line rate and at every higher load that was tried."),
            "Take pieces out of the chain one at a time: a piece that loses at every load is broken or dirty.",
        )),
        Found::NotProven { fails_at, why, kit_loses_at, .. } => {
            let below = kit_loses_at
                .map_or(String::new(), |load| format!(" The chain loses frames at {load}, so it lies below that."));
            reasons.push(Reason::unproven(
                "not_proven",
                format!(
                    "At {fails_at} of line rate no trial proved anything, as often as it was tried: {why}. The chain's \
                     throughput is not shown beyond that.{below}"
                ),
                "Close other programs, use faster machines, or start below it (--load).",
            ));
        }
        Found::Unfinished { .. } => reasons.push(run.incomplete("The search was not run to its end")),
    }
    if !report.contradictions.is_empty() {
        let loads: Vec<String> = report.contradictions.iter().map(ToString::to_string).collect();
        reasons.push(Reason::note(
            "loss_comes_and_goes",
            format!("At {} one trial lost frames and another did not.", loads.join(", ")),
            "Loss there does not depend on the load alone: look for a loose or dirty contact, or run a soak.",
        ));
    }
    reasons.into_iter().map(|reason| reason.at(report.frame_size)).collect()
}
