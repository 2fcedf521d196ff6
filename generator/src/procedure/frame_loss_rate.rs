//! Frame loss rate at every frame size (RFC 2544 section 26.3).

use kitproof_common::line::Percent;
use tokio::sync::watch;

use super::conduct::{announce, conduct, together, waits};
use super::failure::Failure;
use super::plan::{Target, Wanted};
use super::runner::{Finished, Run, Runner, Show, Stop};
use super::{judged::Judged, result, throughput};
use crate::method::Method;
use crate::method::estimate::Estimate;
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
    let mut descents = Vec::new();
    for size in &sizes {
        descents.push(Descent::new(parameters(*size)?));
    }
    let waits = waits(&runner);
    let nothing = Estimate::default();
    let estimate = descents.iter().fold(nothing, |all, descent| all.then(descent.estimate(&waits)));
    announce(&mut runner, estimate);
    for (index, descent) in descents.iter_mut().enumerate() {
        let position = format!("[{}/{}]", index + 1, sizes.len());
        if conduct(&mut runner, descent, &position).await? == Err(Stop) {
            break;
        }
    }
    let run = runner.close().await;
    let letters: Vec<_> =
        descents.iter().map(|descent| descent.letter(&waits).with_sizes(sizes.len())).collect();
    let reports: Vec<Report> = descents.iter().map(Method::report).collect();
    let points =
        reports.iter().flat_map(|report| report.points.iter().map(|point| (report.frame_size, point)));
    let findings = Findings {
        conduct: together(&letters),
        frame_loss: points.filter_map(|(size, point)| finding(size, point, &run)).collect(),
        ..Findings::default()
    };
    let reasons = reports.iter().filter(|report| !report.complete).map(|report| incomplete(report, &run));
    let mut reasons: Vec<Reason> = reasons.collect();
    reasons.extend(findings.frame_loss.iter().filter(|point| point.spoiled_by_pair).map(spoiled));
    Ok(Finished::found(run, findings, reasons))
}

/// The last trial at a point's size and load is the one that counts.
fn finding(frame_size: u16, point: &Point, run: &Run) -> Option<FrameLoss> {
    let load = kitproof_common::line::Load::Percent(point.load);
    let is_it = |judged: &&Judged| {
        judged.outcome.trial.frame.frame_size == frame_size && judged.outcome.trial.load == load
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

fn incomplete(report: &Report, run: &Run) -> Reason {
    let reason = Reason::unproven(
        "incomplete",
        format!("The descent was not run to its end: {}.", run.why_early()),
        "Run it again to the end.",
    );
    Reason { frame_size: Some(report.frame_size), ..reason }
}

fn spoiled(point: &FrameLoss) -> Reason {
    let reason = Reason::unproven(
        "not_proven",
        format!(
            "At {:.2} % of line rate the pair spoiled every trial: what is missing there may be its own doing.",
            point.load.percent
        ),
        "Close other programs, use faster machines, or start below it (--load).",
    );
    Reason { frame_size: Some(point.frame_size), ..reason }
}
