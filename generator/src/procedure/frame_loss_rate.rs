//! Frame loss rate at every frame size (RFC 2544 section 26.3).

use kitproof_common::line::Percent;
use tokio::sync::watch;

use super::conduct::at_each_size;
use super::failure::Failure;
use super::plan::{Target, Wanted};
use super::runner::{Finished, Run, Runner, Show};
use super::{judged::Judged, result, throughput};
use crate::method::Method;
use crate::method::frame_loss_rate::{Descent, Parameters, Point, Report};
use crate::report::{Findings, FrameLoss};
use crate::verdict::Reason;

/// Descends from the highest load at every frame size.
///
/// # Errors
/// [`Failure::Usage`] for a step the standard does not allow; else only before the first trial.
pub async fn run(
    step: Percent,
    wanted: Wanted,
    target: Target,
    interrupt: watch::Receiver<bool>,
    show: &mut dyn Show,
) -> Result<Finished, Failure> {
    let start = throughput::start(wanted.load)?;
    let duration = wanted.duration;
    let parameters = |size: u16| {
        let mut parameters = Parameters::new(size);
        parameters.start = start;
        parameters.duration = duration;
        parameters.with_step(step).map_err(|error| Failure::Usage(error.to_string()))
    };
    parameters(64)?;
    let mut runner = Runner::open(wanted, target, interrupt, show).await?;
    let sizes = runner.plan.sizes.clone();
    let descents: Result<Vec<Descent>, _> =
        sizes.iter().map(|size| parameters(*size).map(Descent::new)).collect();
    let mut descents = descents?;
    let conduct = at_each_size(&mut runner, &mut descents, |_, _| {}).await?;
    let run = runner.close().await;
    let reports: Vec<Report> = descents.iter().map(Method::report).collect();
    let points =
        reports.iter().flat_map(|report| report.points.iter().map(|point| (report.frame_size, point)));
    let frame_loss: Vec<FrameLoss> = points.filter_map(|(size, point)| finding(size, point, &run)).collect();
    let unfinished = reports.iter().filter(|report| !report.complete);
    let mut reasons: Vec<Reason> = unfinished
        .map(|report| run.incomplete("The descent was not run to its end").at(report.frame_size))
        .collect();
    reasons.extend(frame_loss.iter().filter(|point| point.spoiled_by_pair).map(spoiled));
    Ok(Finished::found(run, Findings { conduct, frame_loss, ..Findings::default() }, reasons))
}

/// The last trial at a point's size and load is the one that counts.
fn finding(frame_size: u16, point: &Point, run: &Run) -> Option<FrameLoss> {
    let load = kitproof_common::line::Load::Percent(point.load);
    let is_it = |judged: &&Judged| {
        judged.outcome.trial.frame_size() == frame_size && judged.outcome.trial.load == load
    };
    let judged = run.trials.iter().rev().find(is_it)?;
    let account = &judged.account;
    Some(FrameLoss {
        frame_size,
        load: result::intended(judged, &run.plan),
        offered_frames: point.offered,
        returned_frames: point.received,
        forward: account.lost_forward + account.corrupted_forward.unwrap_or(0),
        homeward: account.lost_return + account.corrupted_return.unwrap_or(0),
        loss_percent: point.loss_percent,
        by_kit_percent: point.by_kit_percent,
        clean: !point.finding.is_unproven() && point.offered == point.received,
        spoiled_by_pair: point.finding.is_unproven(),
    })
}

fn spoiled(point: &FrameLoss) -> Reason {
    let text = format!(
        "At {:.2} % of line rate the pair spoiled every trial: what is missing there may be its own doing.",
        point.load.percent
    );
    let advice = "Close other programs, use faster machines, or start below it (--load).";
    Reason::unproven("not_proven", text, advice).at(point.frame_size)
}
