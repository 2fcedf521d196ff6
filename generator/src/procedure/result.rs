//! A run as the result that is written and shown.

use hdrhistogram::Histogram;
use kitproof_common::control::{End, Went};
use kitproof_common::line::{Load, line_frame_rate};
use kitproof_common::link::Duplex;
use kitproof_common::link::optics::{Measured, Optics, dbm};

use super::judged::Judged;
use super::latency::{clock_word, figure};
use super::plan::{self, Plan};
use super::round_trips;
use super::runner::{Finished, Run};
use crate::engine::Trial;
use crate::engine::latency::Second;
use crate::method::clock_difference::Climb;
use crate::reference::{self, Record};
use crate::report::{
    Added, ClimbTold, Clocks, DelayVariation, Direction, Endpoint, Floor, Ipdv, LoadFigures, LoadWindows,
    LossBound, LossPeriod, MixTold, MixedSize, OddWindow, OpticsTold, Pair, ReferenceUsed, RoundTrip,
    RoundTripCourse, RunResult, SCHEMA, TaggedFrame, Tool, TrialResult,
};
use crate::verdict::Reason;

/// Confidence of every bound that is stated.
const CONFIDENCE: f64 = 0.95;
/// Loss periods and odd windows told one by one.
const TOLD: usize = 100;

/// The result of a run of `command` that began at `started` (RFC 3339).
#[must_use]
pub fn of(finished: &Finished, command: &str, started: String) -> RunResult {
    let run = &finished.run;
    let pair = Pair {
        generator: endpoint(&run.near, run.trials.iter().map(|one| &one.outcome.near)),
        reflector: Some(endpoint(
            &run.far,
            run.trials.iter().filter_map(|one| Some(&one.outcome.far.as_ref().ok()?.report.went)),
        )),
    };
    RunResult {
        schema: SCHEMA.to_owned(),
        tool: tool(),
        command: command.to_owned(),
        started,
        verdict: finished.outcome,
        reasons: finished.reasons.iter().cloned().chain(of_the_optics(&pair)).collect(),
        pair,
        reference: reference(run),
        findings: finished.findings.clone(),
        trials: run.trials.iter().map(|judged| trial(judged, run)).collect(),
        ..RunResult::default()
    }
}

/// What writes the result.
#[must_use]
pub fn tool() -> Tool {
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
        negotiated: link.and_then(|link| link.autonegotiation),
        eee: link.and_then(|link| link.eee).map(|eee| eee.active),
        optics: link.and_then(|link| link.optics.as_ref()).map(optics),
        via: if ways.is_empty() { end.via.clone() } else { ways.join(", ") },
        xdp_mode: manner.map(|manner| manner.mode().to_owned()),
        busy_poll: manner.map(|manner| manner.busy_poll),
        instead: went.filter_map(|went| went.instead.clone()).last(),
        tuned: None,
    }
}

fn optics(module: &Optics) -> OpticsTold {
    let measured = module.measured;
    let light = |of: fn(Measured) -> i64| measured.and_then(|measured| dbm(of(measured)));
    OpticsTold {
        text: module.to_string(),
        vendor: module.vendor.clone(),
        part: module.part.clone(),
        serial: module.serial.clone(),
        wavelength_nm: module.wavelength,
        temperature_c: measured.map(|measured| measured.temperature as f64 / 1e3),
        bias_ma: measured.map(|measured| measured.bias as f64 / 1e3),
        transmit_dbm: light(|measured| measured.transmit),
        receive_dbm: light(|measured| measured.receive),
        receive_least_dbm: light(|measured| measured.receive_least),
        concerns: module.concerns.iter().map(ToString::to_string).collect(),
    }
}

/// What the modules in the ports give cause to say, before any frame is lost to it.
fn of_the_optics(pair: &Pair) -> Vec<Reason> {
    let ends = [("generator", Some(&pair.generator)), ("reflector", pair.reflector.as_ref())];
    let modules = ends.into_iter().filter_map(|(name, end)| Some((name, end?.optics.as_ref()?)));
    modules
        .filter(|(_, module)| !module.concerns.is_empty())
        .map(|(name, module)| {
            Reason::note(
                "optics",
                format!(
                    "The module at the {name} says of itself: {} ({}).",
                    module.concerns.join(", "),
                    module.text
                ),
                "Inspect and clean the ends of its fibre, and see that wavelength and fibre are right.",
            )
        })
        .collect()
}

/// The load that was asked of a trial.
#[must_use]
pub fn intended(judged: &Judged, plan: &Plan) -> LoadFigures {
    let trial = &judged.outcome.trial;
    figures(trial, plan, trial.rate.per_second())
}

/// A load at a frame size in the three ways it can be said; nothing for one that this line cannot be offered.
#[must_use]
pub fn load_figures(load: Load, plan: &Plan, frame_size: u16) -> LoadFigures {
    let Ok(rate) = load.rate(plan.line, frame_size) else { return LoadFigures::default() };
    let frames_per_s = rate.per_second();
    let line = line_frame_rate(plan.line, frame_size).per_second();
    LoadFigures {
        percent: 100.0 * frames_per_s / line,
        frames_per_s,
        bits_per_s: frames_per_s / line * plan.line.0 as f64,
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

fn reference(run: &Run) -> Option<ReferenceUsed> {
    let reference = run.known.reference.as_ref()?;
    Some(ReferenceUsed {
        taken: reference.taken.clone(),
        changed: run.known.since.changed.clone(),
        unplugged: run.known.since.unplugged,
    })
}

/// What the reference has at the size of a trial, its look, and the nearest load.
#[must_use]
pub fn record_for<'a>(judged: &Judged, run: &'a Run) -> Option<&'a Record> {
    let trial = &judged.outcome.trial;
    let load = intended(judged, &run.plan).percent;
    let look = round_trips::look(&judged.outcome);
    run.known.fresh()?.nearest(trial.frame_size(), &look, run.plan.line.0, load)
}

/// What the chain added to the pair's round trip in these trials of one size and load.
#[must_use]
pub fn added(trials: &[&Judged], run: &Run) -> Option<Added> {
    let last = *trials.last()?;
    let record = record_for(last, run)?;
    let added = reference::added::added(&round_trips::by_clock(trials), &record.latency)?;
    let frame_size = last.outcome.trial.frame_size();
    Some(Added {
        clock: clock_word(added.clock).to_owned(),
        minimum: figure(added.minimum),
        median: figure(added.median),
        minimum_store_and_forward_ns: reference::added::store_and_forward_ns(
            added.minimum.ns,
            frame_size,
            run.plan.line,
        ),
        reference: run.known.fresh().map(|kept| kept.taken.clone()).unwrap_or_default(),
        reference_load_percent: record.load_percent,
    })
}

fn delay_variation(judged: &Judged) -> Option<DelayVariation> {
    let varied = judged.varied()?;
    let at = |thousandths| varied.percentile(thousandths);
    Some(DelayVariation {
        pdv_99_9_ns: judged.pdv_99_9_ns()?,
        ipdv_ns: at(0).zip(at(100)).zip(at(50_000)).zip(at(99_900)).zip(at(100_000)).map(
            |((((least, p0_1), p50), p99_9), greatest)| Ipdv {
                least,
                p0_1,
                p50,
                p99_9,
                greatest,
                samples: varied.samples(),
            },
        ),
        jitter_ns: varied.jitter_ns,
    })
}

fn course(judged: &Judged) -> Vec<Floor> {
    if !judged.offer.variation && climb(judged).is_none() {
        return Vec::new();
    }
    let moments = round_trips::moments(&judged.outcome, judged.offer.length).unwrap_or_default();
    moments
        .into_iter()
        .map(|moment| Floor { at_s: moment.at_s, least_ns: moment.latency.ns, lost: moment.lost })
        .collect()
}

fn climb(judged: &Judged) -> Option<ClimbTold> {
    let climb = judged.climb.as_ref()?;
    round_trips::climb_told(climb, &judged.outcome)?;
    let (kind, excess, apart_ppm, passes, lost_after_s) = match climb {
        Climb::Clocks { excess, apart_ppm, passes, lost_after_s } => {
            ("clocks", excess, Some(*apart_ppm), passes, *lost_after_s)
        }
        Climb::Overload { excess, passes } => ("overload", excess, None, passes, None),
        Climb::TooFewMoments | Climb::Level | Climb::NotStraight { .. } => return None,
    };
    Some(ClimbTold {
        kind: kind.to_owned(),
        excess_ppm: excess.ppm,
        uncertainty_ppm: excess.uncertainty,
        apart_ppm,
        passes_percent: passes.value(),
        lost_after_s,
    })
}

/// Of a mix: what it is, and how many frames of each size were offered and lost.
fn mix(judged: &Judged) -> Option<MixTold> {
    let outcome = &judged.outcome;
    let mix = outcome.trial.mix.as_ref()?;
    let (departures, home) = outcome.flows.first()?;
    let lost = (home.loss.not_kept() == 0).then(|| {
        let mut lost = vec![0_u64; mix.sizes.len()];
        for period in &home.loss.kept {
            (period.first..=period.last()).for_each(|sequence| lost[mix.place(sequence)] += 1);
        }
        lost
    });
    let offered = mix.counts(departures.sent.offered);
    let sizes = offered.into_iter().enumerate().map(|(place, (frame_size, offered_frames))| MixedSize {
        frame_size,
        offered_frames,
        lost_frames: lost.as_ref().map(|lost| lost[place]),
    });
    Some(MixTold { genome: mix.genome.report(), mean_size: mix.genome.mean_size(), sizes: sizes.collect() })
}

fn trial(judged: &Judged, run: &Run) -> TrialResult {
    let Run { plan, near, .. } = run;
    let outcome = &judged.outcome;
    let trial = &outcome.trial;
    let load = &outcome.load;
    TrialResult {
        frame_size: trial.frame_size(),
        tag: Some(trial.frame.session),
        encapsulation: Some(plan::look(trial.frame.encapsulation, trial.frame.tags.len())),
        mix: mix(judged),
        pairs: trial.pairs,
        verdict: Some(judged.verdict.verdict),
        intended_load: figures(trial, plan, trial.rate.per_second()),
        offered_load: load.rate.map(|rate| figures(trial, plan, rate)),
        lowered_load: outcome
            .lowered
            .as_ref()
            .and_then(|lowered| lowered.rate)
            .map(|rate| figures(trial, plan, rate)),
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
        round_trip_course: round_trip_course(judged),
        round_trip_stamped_ns: stamped(judged, near),
        added: added(&[judged], run),
        tagged_frame: judged.tagged().map(|tagged| TaggedFrame {
            sequence: tagged.sequence,
            round_trip_ns: tagged.round_trip_ns.into(),
        }),
        delay_variation: delay_variation(judged),
        course: course(judged),
        climb: climb(judged),
        clocks: clocks(judged, plan),
        loss_bound: LossBound::of(&judged.account, trial.frame_size(), CONFIDENCE),
        loss_periods: loss_periods(judged),
        loss_periods_total: loss_periods_total(judged),
    }
}

/// What is not taken off any round trip, to be read after the clock.
fn untaken(judged: &Judged) -> &'static str {
    let far_via = judged.outcome.far.as_ref().ok().and_then(|far| far.report.went.via.as_deref());
    if far_via == Some("xdp") { "; the kernel reflector's residence is not measured" } else { "" }
}

fn round_trip(judged: &Judged) -> Option<RoundTrip> {
    let trips = &judged.outcome.round_trips;
    let near_via = judged.outcome.near.via.as_deref();
    let arrival =
        if near_via == Some("xdp") { "XDP program's receive stamp" } else { "kernel receive stamp" };
    Some(RoundTrip {
        excluded: trips.excluded,
        clock: format!("{arrival}, user-space departure stamp{}", untaken(judged)),
        in_flight_frames: in_flight(judged),
        ..figures_of(&trips.histogram)?
    })
}

/// How the round trips went over the trial, in no more stretches than a page can show.
fn round_trip_course(judged: &Judged) -> Option<RoundTripCourse> {
    const MOST: usize = 300;
    let seconds = &judged.outcome.round_trips.seconds;
    let stretch = seconds.len().div_ceil(MOST).max(1);
    let means = |get: fn(&Second) -> u64| {
        let mean = |some: &[Second]| some.iter().map(get).sum::<u64>() / some.len() as u64;
        seconds.chunks_exact(stretch).map(mean).collect()
    };
    (!seconds.is_empty()).then(|| RoundTripCourse {
        stretch_s: stretch as u64,
        p50_ns: means(|second| second.p50),
        p99_ns: means(|second| second.p99),
    })
}

/// By the kernel's stamps, by the NIC's.
fn stamped(judged: &Judged, near: &End) -> Vec<RoundTrip> {
    let found = &judged.outcome.by_stamps;
    let clock = near.link.as_ref().and_then(|link| link.stamping?.clock);
    let clock = clock.map_or(String::new(), |number| format!(" (PHC {number})"));
    let untaken = untaken(judged);
    let kernel = format!("kernel transmit stamp, kernel receive stamp{untaken}");
    let nic = format!("NIC transmit stamp, NIC receive stamp{clock}{untaken}");
    // A frame waits in the driver after the kernel has stamped it, and before the NIC does.
    [(&found.kernel, kernel, in_flight(judged)), (&found.nic, nic, None)]
        .into_iter()
        .filter_map(|(trips, clock, in_flight_frames)| {
            let trips = trips.as_ref()?;
            let figures = figures_of(&trips.histogram)?;
            Some(RoundTrip {
                excluded: trips.excluded,
                clock,
                resolution: figures.resolution.max(trips.grain_ns),
                asked: Some(judged.outcome.flows.iter().map(|(departures, _)| departures.sent.asked).sum()),
                in_flight_frames,
                ..figures
            })
        })
        .collect()
}

fn in_flight(judged: &Judged) -> Option<u64> {
    Some(u64::from(judged.outcome.trial.ahead)).filter(|frames| *frames > 0)
}

/// What a histogram says; `None` of an empty one.
fn figures_of(histogram: &Histogram<u64>) -> Option<RoundTrip> {
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
        resolution: histogram.equivalent_range(median),
        ..RoundTrip::default()
    })
}

fn clocks(judged: &Judged, plan: &Plan) -> Option<Clocks> {
    let trial = &judged.outcome.trial;
    if trial.mix.is_some() {
        // Its surplus is reckoned for one size.
        return None;
    }
    let note = kitproof_common::line::tolerance::note(
        trial.rate,
        plan.line,
        trial.frame.frame_size,
        trial.seconds(),
    )?;
    let generator = judged.outcome.load.rate;
    let reflector = judged.outcome.far.as_ref().ok().and_then(|far| far.report.arrival_rate);
    Some(Clocks {
        generator_frames_per_s: generator,
        reflector_frames_per_s: reflector,
        difference_ppm: generator.zip(reflector).map(|(near, far)| (far / near - 1.0) * 1e6),
        surplus_frames_at_worst: note.surplus_frames,
    })
}

fn loss_periods_total(judged: &Judged) -> Option<u64> {
    let far = judged.outcome.far.as_ref().ok()?;
    let forward = far.flows.iter().map(|counts| counts.loss_periods_total);
    let homeward = judged.outcome.flows.iter().map(|(_, home)| home.loss_return.periods);
    Some(forward.chain(homeward).fold(0, u64::saturating_add))
}

/// Loss periods of the forward way as the reflector saw them, by the generator's numbers; of the return way as the
/// generator did, by the reflector's. Each flow has numbers of its own.
fn loss_periods(judged: &Judged) -> Vec<LossPeriod> {
    let outcome = &judged.outcome;
    let several = outcome.flows.len() > 1;
    let named = |flow: u8| several.then_some(flow);
    let forward = outcome.far.iter().flat_map(|far| (0..).zip(&far.flows)).flat_map(move |(flow, counts)| {
        counts.loss_periods.iter().map(move |period| LossPeriod {
            direction: Direction::Forward,
            flow: named(flow),
            first: period.first,
            length: period.length,
            distance: period.distance,
        })
    });
    // As many of each flow, so that none is hidden behind another.
    let each = TOLD.div_ceil(outcome.flows.len().max(1));
    let homeward = (0..).zip(&outcome.flows).flat_map(move |(flow, (_, home))| {
        home.loss_return.kept.iter().take(each).map(move |period| LossPeriod {
            direction: Direction::Return,
            flow: named(flow),
            first: period.first,
            length: period.length,
            distance: period.distance_from_previous,
        })
    });
    forward.chain(homeward).collect()
}
