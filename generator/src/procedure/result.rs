//! A run as the result that is written and shown.

use kitproof_common::control::{End, Went};
use kitproof_common::link::Duplex;

use super::judged::Judged;
use super::plan::Plan;
use super::prove::Run;
use crate::engine::Trial;
use crate::report::{
    Clocks, Direction, Endpoint, LoadFigures, LoadWindows, LossBound, LossPeriod, OddWindow, Pair, RoundTrip,
    RunResult, SCHEMA, Tool, TrialResult,
};

/// Confidence of every bound that is stated.
const CONFIDENCE: f64 = 0.95;
/// Loss periods and odd windows told one by one.
const TOLD: usize = 100;

/// The result of a run of `command` that began at `started` (RFC 3339).
#[must_use]
pub fn of(run: &Run, command: &str, started: String) -> RunResult {
    RunResult {
        schema: SCHEMA.to_owned(),
        tool: tool(),
        command: command.to_owned(),
        started,
        pair: Pair {
            generator: endpoint(&run.near, run.trials.iter().map(|one| &one.outcome.near)),
            reflector: Some(endpoint(
                &run.far,
                run.trials.iter().filter_map(|one| Some(&one.outcome.far.as_ref().ok()?.went)),
            )),
        },
        trials: run.trials.iter().map(|judged| trial(judged, &run.plan)).collect(),
        ..RunResult::default()
    }
    .judged(run.verdict.clone())
}

fn tool() -> Tool {
    Tool {
        name: "kitproof".to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        commit: option_env!("KITPROOF_COMMIT").map(str::to_owned),
    }
}

/// An end, and how the frames of each trial met the wire there.
fn endpoint<'a>(end: &End, went: impl Iterator<Item = &'a Went> + Clone) -> Endpoint {
    let mut ways: Vec<&str> = went.clone().filter_map(|went| went.via.as_deref()).collect();
    ways.dedup();
    let manner = went.clone().filter_map(|went| went.manner).last();
    let link = end.link.as_ref();
    Endpoint {
        host: end.host.clone(),
        interface: link.map_or_else(|| "udp".to_owned(), |link| link.name.clone()),
        driver: link.and_then(|link| link.driver.clone()),
        speed: link.and_then(|link| link.speed_mbps).map(|mbps| u64::from(mbps) * 1_000_000),
        duplex: link.and_then(|link| link.duplex).map(|duplex| {
            match duplex {
                Duplex::Full => "full",
                Duplex::Half => "half",
            }
            .to_owned()
        }),
        pause: link.and_then(|link| link.pause).map(|pause| {
            match (pause.rx, pause.tx) {
                (true, true) => "both",
                (true, false) => "receive",
                (false, true) => "transmit",
                (false, false) => "off",
            }
            .to_owned()
        }),
        via: if ways.is_empty() { end.via.clone() } else { ways.join(", ") },
        xdp_mode: manner.map(|manner| manner.mode().to_owned()),
        busy_poll: manner.map(|manner| manner.busy_poll),
        instead: went.filter_map(|went| went.instead.clone()).last(),
        tuned: None,
    }
}

fn figures(trial: &Trial, plan: &Plan, frames_per_s: f64) -> LoadFigures {
    let line = trial.line.per_second();
    LoadFigures {
        percent: 100.0 * frames_per_s / line,
        frames_per_s,
        // By the line, so that a full load is the line rate to the last bit.
        bits_per_s: frames_per_s / line * plan.line.0 as f64,
    }
}

fn trial(judged: &Judged, plan: &Plan) -> TrialResult {
    let outcome = &judged.outcome;
    let trial = &outcome.trial;
    let load = &outcome.departures.sent.load;
    TrialResult {
        frame_size: trial.frame.frame_size,
        verdict: Some(judged.verdict.verdict),
        intended_load: figures(trial, plan, trial.rate.per_second()),
        offered_load: load.rate.map(|rate| figures(trial, plan, rate)),
        load_windows: LoadWindows {
            length_s: load.windows.window_s,
            count: load.windows.count,
            below_99_percent: load.windows.below_99_percent,
            above_line: load.windows.above_line,
            lowest_percent: load.windows.lowest_percent,
            highest_percent: load.windows.highest_percent,
            odd: load
                .windows
                .worst
                .iter()
                .take(TOLD)
                .map(|window| OddWindow { start_s: window.start_s, percent: window.percent })
                .collect(),
        },
        duration_s: load.duration_s,
        counts: judged.account.clone(),
        round_trip_ns: round_trip(judged),
        clocks: clocks(judged, plan),
        loss_bound: LossBound::of(&judged.account, trial.frame.frame_size, CONFIDENCE),
        loss_periods: loss_periods(judged),
    }
}

/// Which clocks a round trip comes from, and what is not taken off it.
fn clock(judged: &Judged) -> String {
    let near_via = judged.outcome.near.via.as_deref();
    let arrival =
        if near_via == Some("xdp") { "XDP program's receive stamp" } else { "kernel receive stamp" };
    let far_via = judged.outcome.far.as_ref().ok().and_then(|report| report.went.via.as_deref());
    let residence =
        if far_via == Some("xdp") { "; the kernel reflector's residence is not measured" } else { "" };
    format!("{arrival}, user-space departure stamp{residence}")
}

fn round_trip(judged: &Judged) -> Option<RoundTrip> {
    let trips = &judged.outcome.home.round_trips;
    let histogram = &trips.histogram;
    if histogram.is_empty() {
        return None;
    }
    let at = |quantile| histogram.value_at_quantile(quantile);
    let median = at(0.5);
    Some(RoundTrip {
        min: histogram.min(),
        p50: median,
        p90: at(0.9),
        p99: at(0.99),
        p99_9: at(0.999),
        max: histogram.max(),
        samples: histogram.len(),
        excluded: trips.excluded,
        clock: clock(judged),
        resolution: histogram.equivalent_range(median),
        in_flight_frames: Some(u64::from(judged.outcome.trial.ahead)).filter(|frames| *frames > 0),
    })
}

fn clocks(judged: &Judged, plan: &Plan) -> Option<Clocks> {
    let trial = &judged.outcome.trial;
    let note = kitproof_common::line::tolerance::note(
        trial.rate,
        plan.line,
        trial.frame.frame_size,
        plan.wanted.duration.as_secs_f64(),
    )?;
    let generator = judged.outcome.departures.sent.load.rate;
    let reflector = judged.outcome.far.as_ref().ok().and_then(|far| far.arrival_rate);
    Some(Clocks {
        generator_frames_per_s: generator,
        reflector_frames_per_s: reflector,
        difference_ppm: generator.zip(reflector).map(|(near, far)| (far / near - 1.0) * 1e6),
        surplus_frames_at_worst: note.surplus_frames,
    })
}

/// Loss periods of the forward way as the reflector saw them, by the generator's numbers; of the return way as the
/// generator did, by the reflector's.
fn loss_periods(judged: &Judged) -> Vec<LossPeriod> {
    let forward =
        judged.outcome.far.iter().flat_map(|far| &far.counts.loss_periods).map(|period| LossPeriod {
            direction: Direction::Forward,
            first: period.first,
            length: period.length,
            distance: period.distance,
        });
    let homeward = judged.outcome.home.loss_return.kept.iter().map(|period| LossPeriod {
        direction: Direction::Return,
        first: period.first,
        length: period.length,
        distance: period.distance_from_previous,
    });
    forward.chain(homeward.take(TOLD)).collect()
}
