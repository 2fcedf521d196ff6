//! The main job: every frame size at the intended load, each trial judged.

use kitproof_common::line::tolerance;
use tokio::sync::watch;

use super::conduct::{announce, waits};
use super::failure::Failure;
use super::plan::{Target, Wanted};
use super::runner::{Finished, Run, Runner, Show};
use crate::method::estimate::Estimate;
use crate::verdict::Reason;

/// Runs the whole job. Whatever was measured is in the [`Run`], also when it ended early.
///
/// # Errors
/// Only before the first trial; after that everything is a result.
pub async fn run(
    wanted: Wanted,
    target: Target,
    interrupt: watch::Receiver<bool>,
    show: &mut dyn Show,
) -> Result<Finished, Failure> {
    let mut runner = Runner::open(wanted, target, interrupt, show).await?;
    let sizes = runner.plan.sizes.clone();
    let (trials, each) = (sizes.len() as u64, runner.plan.wanted.duration);
    let waits = waits(&runner);
    announce(&mut runner, Estimate::trials(&waits, (trials, each), (trials, each)));
    for (index, size) in sizes.iter().enumerate() {
        let offer = runner.plan.offer(*size);
        let position = runner.position(index);
        if runner.trial(&offer, &position).await?.is_err() {
            break;
        }
    }
    let run = runner.close().await;
    let mut verdict = run.verdict(sizes.len(), "frame sizes");
    verdict.reasons.extend(clocks_apart(&run));
    Ok(Finished::judged(run, verdict))
}

/// At full load two legal clocks may be so far apart that kit with a clock of its own has to drop frames: said when
/// frames are missing, because then it may be the reason.
fn clocks_apart(run: &Run) -> Option<Reason> {
    let worst = run
        .trials
        .iter()
        .filter(|one| one.account.lost() > 0 && one.outcome.trial.mix.is_none())
        .filter_map(|one| {
            let trial = &one.outcome.trial;
            let note = tolerance::note(trial.rate, run.plan.line, trial.frame.frame_size, trial.seconds())?;
            Some((trial.frame.frame_size, note.surplus_frames))
        })
        .max_by(|(_, one), (_, other)| one.total_cmp(other))?;
    let (size, frames) = worst;
    Some(Reason::note(
        "clock_tolerance",
        format!(
            "At this load two clocks that are 200 ppm apart, as IEEE 802.3 allows, leave up to {frames:.0} frames of \
             {size} bytes in a trial without a way out of kit that has a clock of its own (a converter, a switch; not a \
             tap or a patch)."
        ),
        "Compare with --load rfc8239 (99.98 %), which every legal pair of clocks carries.",
    ))
}
