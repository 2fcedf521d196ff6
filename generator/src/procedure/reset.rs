//! Reset (RFC 2544 section 26.6, RFC 6201): how long the kit forwards nothing after a reset, by a watched trial.

use kitproof_common::frame::FrameSpec;
use std::time::Duration;
use tokio::sync::watch;

use super::failure::Failure;
use super::interruption::{self, Way, name, watch_while};
use super::plan::{Target, Wanted};
use super::runner::{Finished, Show};
use crate::method::outages;
use crate::method::reset::{By, Kind, Seen, letter, reset_time};
use crate::report::{Conduct, Reset};
use crate::verdict::{Outcome, Reason};

/// Watches while somebody resets the kit, and says how long it took.
///
/// # Errors
/// Only before the traffic starts; after that everything is a result.
pub async fn run(
    kind: Kind,
    wanted: Wanted,
    target: Target,
    interrupt: watch::Receiver<bool>,
    show: &mut dyn Show,
) -> Result<Finished, Failure> {
    let smallest = FrameSpec::minimum_size(wanted.encapsulation, &wanted.tags);
    let prompt = match kind {
        Kind::Hardware | Kind::Software => {
            "after 15 s of it reset the kit and wait until it forwards again".to_owned()
        }
        Kind::Power { off_for } => format!(
            "after 15 s of it take the power away for {} s, and wait until the kit forwards again",
            off_for.as_secs_f64()
        ),
    };
    let mut runner = interruption::open(smallest, wanted, target, interrupt, show).await?;
    let seen = watch_while(&mut runner, &prompt, Vec::new()).await?;
    let run = runner.close().await;
    let (mut finished, ways) = interruption::finished(interruption::Options::WATCH, run, &seen);
    let Some(judged) = finished.run.trials.last() else { return Ok(finished) };
    let rate = judged.outcome.trial.rate;
    finished.findings.resets = ways.iter().flat_map(|way| resets(kind, way, rate)).collect();
    if let Some(reason) = shorter_than_the_power_was_off(kind, &ways) {
        finished.reasons.push(reason.at(judged.offer.frame_size));
        finished.outcome = finished.outcome.or(Some(Outcome::Unproven));
    }
    // What ran before the first reset, in any direction.
    let before = ways.iter().flat_map(|way| &way.found.outages).map(|outage| outage.start_ns).min();
    let letter = letter(kind, Duration::from_nanos(before.unwrap_or(0)), judged.offer.frame_size, smallest)
        .departs_if(true, &format!("a load of {} in place of the throughput", judged.offer.load));
    finished.findings.conduct = Some(Conduct { words: letter.to_string(), by_the_letter: letter.is_met() });
    Ok(finished)
}

/// A box is dark at least as long as it had no power; what is shorter was no power reset, and nothing is taken off it.
fn is_reset(kind: Kind, outage: &outages::Outage) -> bool {
    match kind {
        Kind::Power { off_for } => u128::from(outage.by_timestamp_ns) >= off_for.as_nanos(),
        Kind::Hardware | Kind::Software => true,
    }
}

/// Outages that a reset by power does not explain.
fn shorter_than_the_power_was_off(kind: Kind, ways: &[Way]) -> Option<Reason> {
    let Kind::Power { off_for } = kind else { return None };
    let all = || ways.iter().flat_map(|way| &way.found.outages);
    let shorter = all().filter(|outage| !is_reset(kind, outage)).count();
    (shorter > 0).then(|| {
        Reason::unproven(
            "shorter_than_the_power_was_off",
            format!(
                "{shorter} of {} outages were shorter than the {} s for which the power was off: they are no resets.",
                all().count(),
                off_for.as_secs_f64()
            ),
            "See that the right lead was pulled, that no second supply feeds the box, and say --power-off as it was.",
        )
    })
}

fn resets(kind: Kind, way: &Way, rate: kitproof_common::line::FrameRate) -> impl Iterator<Item = Reset> + '_ {
    way.found.outages.iter().filter(move |outage| is_reset(kind, outage)).map(move |outage| {
        let came_back = outage.kind != outages::Kind::NeverBack;
        let time = reset_time(&Seen {
            kind,
            lost: outage.frames_lost,
            rate,
            last_before_ns: Some(0),
            first_after_ns: came_back.then_some(outage.by_timestamp_ns),
            offered_throughout: outage.frames_not_offered == 0,
        });
        Reset {
            direction: name(way.direction).to_owned(),
            reset_s: time.seconds,
            by: match time.by {
                By::FrameLoss => "frame_loss",
                By::Timestamp => "timestamp",
            }
            .to_owned(),
            by_timestamp_s: time.by_timestamp_s,
            by_frame_loss_s: time.by_frame_loss_s,
            frames_lost: outage.frames_lost,
            resolution_s: time.resolution_s,
            subtracted_s: match kind {
                Kind::Power { off_for } => off_for.as_secs_f64(),
                Kind::Hardware | Kind::Software => 0.0,
            },
        }
    })
}
