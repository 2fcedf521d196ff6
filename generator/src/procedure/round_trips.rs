//! What the round trips of judged trials come to: by which clocks, with what uncertainty, and how they went over a trial.

use hdrhistogram::Histogram;
use kitproof_common::line::Percent;

use super::judged::{Judged, Setup};
use super::plan::Length;
use super::trial::Outcome;
use crate::engine::receive::Home;
use crate::method::clock_difference::{self, Climb, Moment, Parts};
use crate::method::latency::{Measured, from_resolution};
use crate::reference::{ByClock, Clock, Look};
use crate::statistics::summary::Summary;
use crate::verdict::Reason;

/// Units of the residence that is taken off every round trip (test header, offset 16).
const RESIDENCE_UNIT_NS: f64 = 64.0;

/// Latency over the trials at one frame size and load, by every clock that all of them have.
///
/// The uncertainty is the standard deviation between trials, not that of their mean: what differs between two trials
/// (where the host's threads ran, what else it did) differs between a reference and a later run as well, and more trials
/// do not make it less. One trial alone shows none; half the distance from its least to its median stands in.
#[must_use]
pub fn by_clock(trials: &[&Judged]) -> Vec<ByClock> {
    let clocks = [Clock::Program, Clock::Kernel, Clock::Nic];
    clocks.into_iter().filter_map(|clock| over_trials(trials, clock)).collect()
}

fn over_trials(trials: &[&Judged], clock: Clock) -> Option<ByClock> {
    let all: Option<Vec<Trips<'_>>> = trials.iter().map(|judged| Trips::of(&judged.outcome, clock)).collect();
    let all = all?;
    let widest = all.iter().map(|trips| trips.resolution_ns).fold(0.0, f64::max);
    let alone = all.first().map_or(0.0, |trips| (trips.median() - trips.minimum()) / 2.0);
    let measured = |figures: Vec<f64>| {
        let spread = Summary::of(&figures)?;
        let between = spread.standard_deviation.unwrap_or(alone);
        Some(Measured { ns: spread.mean, uncertainty_ns: between.hypot(from_resolution(widest)) })
    };
    let minimum = measured(all.iter().map(Trips::minimum).collect())?;
    let median = measured(all.iter().map(Trips::median).collect())?;
    Some(ByClock { clock, minimum, median })
}

/// The round trips of one trial by one clock.
struct Trips<'a> {
    histogram: &'a Histogram<u64>,
    /// Nanoseconds within which a figure lies.
    resolution_ns: f64,
}

impl<'a> Trips<'a> {
    fn of(outcome: &'a Outcome, clock: Clock) -> Option<Self> {
        let (histogram, grain_ns) = match clock {
            Clock::Program => (&outcome.round_trips.histogram, 1),
            Clock::Kernel => {
                outcome.by_stamps.kernel.as_ref().map(|trips| (&trips.histogram, trips.grain_ns))?
            }
            Clock::Nic => outcome.by_stamps.nic.as_ref().map(|trips| (&trips.histogram, trips.grain_ns))?,
        };
        if histogram.is_empty() {
            return None;
        }
        let bucket = histogram.equivalent_range(histogram.value_at_quantile(0.5)).max(grain_ns) as f64;
        // Frames that may have waited in the driver when their departure was stamped.
        let waited = if clock == Clock::Nic {
            0.0
        } else {
            outcome.trial.rate.time_of(u64::from(outcome.trial.ahead)) as f64
        };
        Some(Self { histogram, resolution_ns: bucket.hypot(RESIDENCE_UNIT_NS).hypot(waited) })
    }

    fn minimum(&self) -> f64 {
        self.histogram.min() as f64
    }

    fn median(&self) -> f64 {
        self.histogram.value_at_quantile(0.5) as f64
    }
}

/// What the frames of a trial looked like.
#[must_use]
pub fn look(outcome: &Outcome) -> Look {
    let frame = &outcome.trial.frame;
    Look {
        encapsulation: frame.encapsulation.to_string(),
        tags: frame.tags.len(),
        mix: outcome.trial.mix.as_ref().map(|mix| mix.genome.to_string()),
        near_via: outcome.near.via.clone(),
        far_via: outcome.far.as_ref().ok().and_then(|far| far.report.went.via.clone()),
    }
}

/// How the least round trip went over a trial of one flow at one load, all of it. `None` for others.
#[must_use]
pub fn moments(outcome: &Outcome, length: Length) -> Option<Vec<Moment>> {
    let [(_, home)] = outcome.flows.as_slice() else { return None };
    if !matches!(length, Length::Time(_)) || outcome.lowered.is_some() {
        return None;
    }
    let resolution = from_resolution(RESIDENCE_UNIT_NS);
    let stretches = home.course.stretches().iter().filter(|stretch| stretch.samples > 0);
    let moments = stretches.map(|stretch| Moment {
        at_s: outcome.trial.rate.time_of(stretch.first + stretch.frames / 2) as f64 / 1e9,
        latency: Measured { ns: stretch.least_ns.into(), uncertainty_ns: resolution },
        lost: lost(home, stretch.first, stretch.first + stretch.frames),
    });
    Some(moments.collect())
}

/// How many of the generator's numbers from `first` to before `end` were lost. Of a trial with more loss periods than
/// are kept the later ones are not told; where loss began is.
fn lost(home: &Home, first: u64, end: u64) -> u64 {
    let within =
        |first_lost: u64, length: u64| (first_lost + length).min(end).saturating_sub(first_lost.max(first));
    home.loss.kept.iter().map(|period| within(period.first, period.length)).sum()
}

/// How the round trip climbed in a trial, and what that says of clocks.
#[must_use]
pub fn climb(outcome: &Outcome, length: Length, setup: &Setup<'_>) -> Option<Climb> {
    let moments = moments(outcome, length)?;
    let percent = outcome.trial.percent_of_line();
    let load = Percent::from_f64(percent.min(100.0))?;
    Some(clock_difference::climb(&moments, load, own_climb(outcome, percent, setup)))
}

/// The pair's own climb at this size and load.
fn own_climb(outcome: &Outcome, percent: f64, setup: &Setup<'_>) -> Option<Parts> {
    let frame_size = outcome.trial.frame_size();
    let record = setup.reference?.nearest(frame_size, &look(outcome), setup.plan.line.0, percent)?;
    record.climb.filter(|_| crate::reference::record::same_load(record.load_percent, percent))
}

/// The climb as a slope, whatever it is taken for.
#[must_use]
pub fn slope(climb: &Climb) -> Option<Parts> {
    match climb {
        Climb::TooFewMoments | Climb::Level | Climb::NotStraight { .. } => None,
        Climb::Clocks { excess, .. } | Climb::Overload { excess, .. } => Some(*excess),
    }
}

/// What must be said of a climb: one that came to less than the time between two frames is none.
#[must_use]
pub fn climb_told(climb: &Climb, outcome: &Outcome) -> Option<Reason> {
    let excess = slope(climb)?;
    let climbed_ns = excess.ppm * 1e3 * outcome.load.duration_s;
    if climbed_ns < outcome.trial.rate.time_of(1) as f64 {
        return None;
    }
    Some(match climb {
        Climb::Clocks { .. } => Reason::note(
            "clock_difference",
            format!("Two clocks apart, not a faulty piece: {climb}."),
            "A piece with a clock of its own (a converter, a switch) must drop what its slower side cannot send; a tap or a \
             patch has none. Compare at the load that would pass.",
        ),
        _ => Reason::note(
            "overload",
            format!("A queue filled: {climb}."),
            "The chain forwards less than it was offered, or the pair does: see what kitproof throughput finds.",
        ),
    })
}
