//! Drives a method: runs the trials it asks for, hands back what came of them, and keeps count of how it was conducted.

use std::time::Duration;

use kitproof_common::line::Load;

use super::failure::Failure;
use super::plan::{Length, Offer};
use super::runner::{Runner, Stop};
use crate::method::estimate::{Estimate, Waits};
use crate::method::letter::Letter;
use crate::method::{self, Method};
use crate::report::Conduct;

/// Runs a method to its end, or until the run ends. `position` says which it is of how many, such as `[2/7]`.
///
/// # Errors
/// `Ok(Err(Stop))` as [`Runner::trial`]; what the method knows by then stays in it.
pub async fn conduct<M: Method>(
    runner: &mut Runner<'_>,
    method: &mut M,
    position: &str,
) -> Result<Result<(), Stop>, Failure> {
    while let Some(trial) = method.next() {
        let offer = offer(runner, &trial);
        let came = runner.trial(&offer, &format!("{position} {}:", trial.why)).await?;
        match came {
            Ok(came) => method.take(&came),
            Err(stop) => return Ok(Err(stop)),
        }
    }
    Ok(Ok(()))
}

/// Runs one method after the other, one for each frame size of the run, and says beforehand how long all of it will take;
/// how it was conducted. `over` is told when one has ended, whether by itself or with the run.
///
/// # Errors
/// As [`Runner::trial`], before the first trial has brought anything.
pub async fn at_each_size<M: Method>(
    runner: &mut Runner<'_>,
    methods: &mut [M],
    mut over: impl FnMut(&mut Runner<'_>, &M),
) -> Result<Option<Conduct>, Failure> {
    let waits = waits(runner);
    announce(runner, methods.iter().fold(Estimate::default(), |all, one| all.then(one.estimate(&waits))));
    for (index, method) in methods.iter_mut().enumerate() {
        let position = runner.position(index);
        let went = conduct(runner, method, &position).await?;
        over(runner, method);
        if went == Err(Stop) {
            break;
        }
    }
    let sizes = methods.len();
    let letters: Vec<_> = methods.iter().map(|method| method.letter(&waits).with_sizes(sizes)).collect();
    Ok(together(&letters))
}

/// A method's trial as a run offers it.
#[must_use]
pub fn offer(runner: &Runner<'_>, trial: &method::Trial) -> Offer {
    let residual = runner.plan.wanted.residual;
    let offer = Offer {
        frame_size: trial.frame_size,
        load: Load::FULL,
        length: Length::Time(Duration::ZERO),
        residual,
        variation: false,
        then: None,
    };
    match trial.offer {
        method::Offer::Steady { load, duration } => Offer { load, length: Length::Time(duration), ..offer },
        method::Offer::Burst { frames, listen } => {
            Offer { length: Length::Frames(frames), residual: residual.max(listen), ..offer }
        }
        method::Offer::Lowered { first, first_for, then, then_for } => Offer {
            load: Load::Percent(first),
            length: Length::Time(first_for),
            then: Some((Load::Percent(then), then_for)),
            ..offer
        },
    }
}

/// The times around every trial of a run.
#[must_use]
pub fn waits(runner: &Runner<'_>) -> Waits {
    let wanted = &runner.plan.wanted;
    Waits { residual: wanted.residual, settle: wanted.settle, ..Waits::default() }
}

/// The letters of several methods of one run in one: all of them by the letter, or the first that is not.
#[must_use]
pub fn together(letters: &[Letter]) -> Option<Conduct> {
    let letter = letters.iter().find(|letter| !letter.is_met()).or(letters.first())?;
    Some(Conduct { words: letter.to_string(), by_the_letter: letter.is_met() })
}

/// Says how long it will take, before it starts.
pub fn announce(runner: &mut Runner<'_>, estimate: Estimate) {
    if estimate.likely > Duration::ZERO {
        runner.say(&format!("this takes {estimate}"));
    }
}
