//! Latency at every frame size (RFC 2544 section 26.2), of the chain or of the pair alone: the reference.

use std::time::Duration;

use kitproof_common::line::{Load, Percent};
use tokio::sync::watch;

use super::conduct::{announce, conduct, together, waits};
use super::failure::Failure;
use super::judged::Judged;
use super::plan::{Length, Offer, Target, Wanted};
use super::runner::{Finished, Run, Runner, Show, Stop};
use super::{result, round_trips, throughput};
use crate::method::estimate::Estimate;
use crate::method::latency::{Measured, letter};
use crate::method::letter::Letter;
use crate::method::store_and_forward::{AtSize, KindOfBox, Stages, kind_of_box};
use crate::method::throughput::{Found, Search};
use crate::method::{Method, REPEATS};
use crate::reference::added::PASSES;
use crate::reference::{ByClock, Clock, Record, store};
use crate::report::{self, Findings};
use crate::statistics::summary::Summary;
use crate::verdict::{Outcome, Reason};

/// What it is asked for beside what every run is.
#[derive(Clone, Copy, Debug)]
pub struct Options {
    /// Streams at each frame size.
    pub trials: u32,
    /// The load, where it is not to be the throughput that is searched for first.
    pub at: Option<Load>,
    pub search: throughput::Options,
}

/// Between which events a round trip is.
const EVENTS: &str = "first bit out of the generator to last bit in again, less the reflector's residence; the pair's own time is in it";

/// What was measured at one frame size.
struct AtOneSize {
    frame_size: u16,
    /// Where in the run's trials; first those that count.
    counted: Vec<usize>,
    spoiled: Vec<usize>,
}

/// Measures the latency of the chain at every frame size.
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
    one_flow(&wanted)?;
    let mut runner = Runner::open(wanted, target, interrupt, show).await?;
    let sizes = runner.plan.sizes.clone();
    // Whatever cannot be offered is refused before anything is.
    let mut searches = match options.at {
        Some(load) => {
            sizes.iter().try_for_each(|size| runner.plan.can_offer(load, *size))?;
            Vec::new()
        }
        None => sizes
            .iter()
            .map(|size| throughput::search(&runner, options.search, start, *size))
            .collect::<Result<Vec<Search>, Failure>>()?,
    };
    let mut findings = Findings::default();
    let (mut letters, mut reasons, mut measured) = (Vec::new(), Vec::new(), Vec::new());
    let estimate = estimate(&runner, options, &searches);
    announce(&mut runner, estimate);
    let mut stopped = false;
    for (index, size) in sizes.iter().enumerate() {
        let position = runner.position(index);
        let load = match options.at {
            Some(load) => Some(load),
            None => {
                let search = &mut searches[index];
                stopped = conduct(&mut runner, search, &position).await? == Err(Stop);
                letters.push(search.letter(&waits(&runner)).with_sizes(sizes.len()));
                found(&mut runner, search, &mut findings, &mut reasons)
            }
        };
        if stopped {
            break;
        }
        let Some(load) = load else { continue };
        letters.push(conduct_of(&runner, options, sizes.len()));
        let (at, ended) = measure(&mut runner, *size, load, options.trials, &position).await?;
        measured.push(at);
        stopped = ended;
        if stopped {
            break;
        }
    }
    findings.conduct = together(&letters);
    let run = runner.close().await;
    if stopped {
        reasons.push(run.incomplete("It was not run to its end"));
    }
    findings.latency = measured.iter().filter_map(|at| finding(at, &run)).collect();
    reasons.extend(measured.iter().filter_map(|at| spoiled(at, options.trials)));
    reasons.extend(measured.iter().flat_map(|at| climbs(at, &run)));
    findings.kind_of_box = Some(kind(&measured, &run)).map(|kind| box_finding(&kind));
    Ok(Finished::found(run, findings, reasons))
}

/// Measures the pair alone at every frame size, and keeps what it found.
///
/// # Errors
/// As [`run`].
pub async fn reference(
    options: Options,
    wanted: Wanted,
    target: Target,
    interrupt: watch::Receiver<bool>,
    show: &mut dyn Show,
) -> Result<Finished, Failure> {
    let start = throughput::start(wanted.load)?;
    one_flow(&wanted)?;
    let load = wanted.load;
    let mut runner = Runner::open(wanted, target, interrupt, show).await?;
    runner.pair_alone();
    let ports = runner.ports();
    runner.say(
        "the reference: join the two ports with one known-good patch cord, and nothing else between them",
    );
    let sizes = runner.plan.sizes.clone();
    let wait = waits(&runner);
    let (likely, most) = (u64::from(options.trials), u64::from(options.trials + REPEATS));
    let duration = runner.plan.wanted.duration;
    let each = Estimate::trials(&wait, (likely, duration), (most, duration));
    announce(&mut runner, sizes.iter().fold(Estimate::default(), |all, _| all.then(each)));
    let mut findings = Findings::default();
    let (mut reasons, mut measured) = (Vec::new(), Vec::new());
    let mut stopped = false;
    for (index, size) in sizes.iter().enumerate() {
        let position = runner.position(index);
        let (at, ended) = measure(&mut runner, *size, load, options.trials, &position).await?;
        let able = is_clean(&at, options.trials, &runner.trials);
        measured.push(at);
        if ended {
            stopped = true;
            break;
        }
        if able {
            continue;
        }
        // The pair does not hold this load: what it holds is its ceiling. Where no search can be made it stays unknown.
        let Ok(mut search) = throughput::search(&runner, options.search, start, *size) else { continue };
        stopped = conduct(&mut runner, &mut search, &position).await? == Err(Stop);
        let ceiling = found(&mut runner, &search, &mut findings, &mut reasons);
        if let Some(ceiling) = ceiling.filter(|_| !stopped) {
            reasons.push(
                Reason::unproven(
                    "pair_ceiling",
                    format!("The pair itself holds no more than {ceiling} at this size, not {load}."),
                    "Use faster machines, another way onto the wire, or see kitproof preflight; above it nothing is proven of \
                     any kit.",
                )
                .at(*size),
            );
            let (at, ended) = measure(&mut runner, *size, ceiling, options.trials, &position).await?;
            measured.push(at);
            stopped = ended;
        }
        if stopped {
            break;
        }
    }
    let run = runner.close().await;
    if stopped {
        reasons.push(run.incomplete("It was not run to its end"));
    }
    findings.latency = measured.iter().filter_map(|at| finding(at, &run)).collect();
    reasons.extend(measured.iter().filter_map(|at| unable(at, options.trials, &run)));
    let records: Vec<Record> = measured.iter().filter_map(|at| record(at, options.trials, &run)).collect();
    // Nothing that was measured is no reason to touch what there is.
    let kept = (!records.is_empty()).then(|| store::keep(&ports, records));
    match kept {
        None => {}
        Some(Ok(place)) => {
            reasons.push(Reason::note(
                "reference_kept",
                format!("The reference is kept in {place}."),
                "Put the chain in and prove it; take the reference again when cable, speed or driver of a port changes.",
            ));
        }
        Some(Err(why)) => reasons.push(Reason::unproven(
            "reference_not_kept",
            format!("The reference could not be kept: {why}."),
            "Without it later results cannot take the pair off.",
        )),
    }
    let finished = Finished::found(run, findings, reasons);
    Ok(Finished { outcome: finished.outcome.or(Some(Outcome::Pass)), ..finished })
}

fn one_flow(wanted: &Wanted) -> Result<(), Failure> {
    if wanted.pairs > 1 {
        return Err(Failure::Usage(format!("--pairs {}: latency is measured on one pair", wanted.pairs)));
    }
    Ok(())
}

/// The load that a search found, and what it is to be told as.
fn found(
    runner: &mut Runner<'_>,
    search: &Search,
    findings: &mut Findings,
    reasons: &mut Vec<Reason>,
) -> Option<Load> {
    let report = search.report();
    runner.say(&report.to_string());
    findings.throughput.push(throughput::finding(&report));
    let rate: Option<Percent> = match &report.found {
        Found::Throughput(rate) => Some(rate.load),
        Found::NotProven { proven, .. } => proven.as_ref().map(|rate| rate.load),
        Found::None { .. } | Found::Unfinished { .. } => None,
    };
    if rate.is_none() {
        reasons.push(
            Reason::unproven(
                "no_throughput",
                "No throughput was found, at which the latency is to be measured (RFC 2544 section 26.2).",
                "Say a load: --at 10%.",
            )
            .at(report.frame_size),
        );
    }
    rate.map(Load::Percent)
}

/// How long it takes, as far as it is known before a throughput is.
fn estimate(runner: &Runner<'_>, options: Options, searches: &[Search]) -> Estimate {
    let wait = waits(runner);
    let duration = runner.plan.wanted.duration;
    let (likely, most) = (u64::from(options.trials), u64::from(options.trials + REPEATS));
    let streams = Estimate::trials(&wait, (likely, duration), (most, duration));
    let streams = runner.plan.sizes.iter().fold(Estimate::default(), |all, _| all.then(streams));
    searches.iter().fold(streams, |all, search| all.then(search.estimate(&wait)))
}

fn conduct_of(runner: &Runner<'_>, options: Options, sizes: usize) -> Letter {
    let at_throughput = options.at.is_none();
    letter(runner.plan.wanted.duration, options.trials, at_throughput)
        .with_waits(&waits(runner))
        .with_sizes(sizes)
}

/// Runs the streams at one frame size; those the pair spoils are repeated, a few times in all. Whether the run ended.
///
/// # Errors
/// As [`Runner::trial`].
async fn measure(
    runner: &mut Runner<'_>,
    frame_size: u16,
    load: Load,
    trials: u32,
    position: &str,
) -> Result<(AtOneSize, bool), Failure> {
    let wanted = &runner.plan.wanted;
    let offer = Offer {
        frame_size,
        load,
        length: Length::Time(wanted.duration),
        residual: wanted.residual,
        variation: true,
        then: None,
    };
    let mut at = AtOneSize { frame_size, counted: Vec::new(), spoiled: Vec::new() };
    while at.counted.len() < trials as usize && at.spoiled.len() <= REPEATS as usize {
        let stream = format!("{position} stream {} of {trials}:", at.counted.len() + 1);
        match runner.trial(&offer, &stream).await? {
            Ok(came) if came.finding.is_unproven() => at.spoiled.push(runner.trials.len() - 1),
            Ok(_) => at.counted.push(runner.trials.len() - 1),
            Err(Stop) => return Ok((at, true)),
        }
    }
    Ok((at, false))
}

impl AtOneSize {
    /// The trials that count; where there are none, those that were spoiled say something all the same.
    fn trials<'a>(&self, run: &'a Run) -> Vec<&'a Judged> {
        let places = if self.counted.is_empty() { &self.spoiled } else { &self.counted };
        places.iter().filter_map(|place| run.trials.get(*place)).collect()
    }
}

fn lost(at: &AtOneSize, trials: &[Judged]) -> u64 {
    at.counted.iter().filter_map(|place| trials.get(*place)).map(|judged| judged.account.lost()).sum()
}

/// Frames that were lost, and frames that were damaged, in the trials that count.
fn spoilt(at: &AtOneSize, trials: &[Judged]) -> (u64, u64) {
    let counted = at.counted.iter().filter_map(|place| trials.get(*place));
    (lost(at, trials), counted.map(|judged| judged.account.corrupted).sum())
}

/// The pair alone held the load in every trial, and harmed no frame.
fn is_clean(at: &AtOneSize, wanted: u32, trials: &[Judged]) -> bool {
    at.counted.len() == wanted as usize && spoilt(at, trials) == (0, 0)
}

fn finding(at: &AtOneSize, run: &Run) -> Option<report::Latency> {
    let trials = at.trials(run);
    let last = *trials.last()?;
    let clocks = round_trips::by_clock(&trials);
    let best = clocks.last()?;
    let tagged: Vec<f64> =
        trials.iter().filter_map(|one| one.tagged()).map(|tagged| tagged.round_trip_ns.into()).collect();
    let varied = || trials.iter().filter_map(|one| one.varied());
    let pdv = trials.iter().filter_map(|one| one.pdv_99_9_ns());
    let jitter = varied().filter_map(|varied| varied.jitter_ns);
    Some(report::Latency {
        frame_size: at.frame_size,
        load: result::intended(last, &run.plan),
        trials: at.counted.len() as u64,
        spoiled_trials: at.spoiled.len() as u64,
        frames_lost: lost(at, &run.trials),
        events: EVENTS.to_owned(),
        clock: clock_word(best.clock).to_owned(),
        tagged: Summary::of(&tagged).map(|summary| report::Figure {
            ns: summary.mean,
            uncertainty_ns: summary.standard_deviation.unwrap_or(0.0),
        }),
        minimum: figure(best.minimum),
        median: figure(best.median),
        pdv_99_9_ns: pdv.max(),
        ipdv_least_ns: varied().filter_map(|varied| varied.percentile(0)).min(),
        ipdv_greatest_ns: varied().filter_map(|varied| varied.percentile(100_000)).max(),
        jitter_ns: jitter.max_by(f64::total_cmp),
        added: result::added(&trials, run),
    })
}

/// How a clock is called in a result.
#[must_use]
pub fn clock_word(clock: Clock) -> &'static str {
    match clock {
        Clock::Program => "program",
        Clock::Kernel => "kernel",
        Clock::Nic => "nic",
    }
}

/// As it stands in the result.
#[must_use]
pub fn figure(measured: Measured) -> report::Figure {
    report::Figure { ns: measured.ns, uncertainty_ns: measured.uncertainty_ns }
}

/// The least round trip of each size, for a slope: by the program's stamps, which every way onto the wire has.
fn least(clocks: &[ByClock], frame_size: u16) -> Option<AtSize> {
    let program = clocks.iter().find(|by| by.clock == Clock::Program)?;
    Some(AtSize { frame_size, latency: program.minimum })
}

fn kind(measured: &[AtOneSize], run: &Run) -> KindOfBox {
    let chain: Vec<AtSize> = measured
        .iter()
        .filter_map(|at| least(&round_trips::by_clock(&at.trials(run)), at.frame_size))
        .collect();
    let alone = |at: &AtOneSize| {
        let last = *at.trials(run).last()?;
        let record = result::record_for(last, run)?;
        least(&record.latency, at.frame_size)
    };
    let pair: Vec<AtSize> = measured.iter().filter_map(alone).collect();
    let pair = run.known.fresh().map(|_| pair.as_slice());
    kind_of_box(&chain, pair, run.plan.line, PASSES)
}

fn box_finding(kind: &KindOfBox) -> report::KindOfBox {
    let (stages, stages_uncertainty) = match kind.stages {
        Stages::Counted { measured, uncertainty, .. } | Stages::Unclear { measured, uncertainty } => {
            (Some(measured), Some(uncertainty))
        }
        Stages::NoReference | Stages::TooFewSizes => (None, None),
    };
    report::KindOfBox {
        words: kind.to_string(),
        ns_per_octet: kind.slope.map(|slope| slope.ns_per_octet),
        ns_per_octet_uncertainty: kind.slope.map(|slope| slope.uncertainty),
        stages,
        stages_uncertainty,
        stages_per_direction: kind.stages_per_direction(),
    }
}

fn spoiled(at: &AtOneSize, trials: u32) -> Option<Reason> {
    (at.counted.len() < trials as usize).then(|| {
        Reason::unproven(
            "not_proven",
            format!(
                "Only {} of {trials} streams were offered as intended: the pair spoiled {}.",
                at.counted.len(),
                at.spoiled.len()
            ),
            "Close other programs, use faster machines, or lower the load (--at).",
        )
        .at(at.frame_size)
    })
}

/// What a reference that does not speak for its load must say.
fn unable(at: &AtOneSize, trials: u32, run: &Run) -> Option<Reason> {
    let text = match spoilt(at, &run.trials) {
        (0, 0) => return spoiled(at, trials),
        (lost, 0) => format!("{lost} frames were lost between the two ports alone."),
        (0, damaged) => format!("{damaged} frames were damaged between the two ports alone."),
        (lost, damaged) => {
            format!("{lost} frames were lost and {damaged} damaged between the two ports alone.")
        }
    };
    Some(
        Reason::unproven(
            "pair_loses",
            text,
            "Clean or change the patch cord, and look at both ports: a pair that loses or damages frames proves nothing of any \
             kit.",
        )
        .at(at.frame_size),
    )
}

/// What is said of the clocks in the trials at one size, once.
fn climbs(at: &AtOneSize, run: &Run) -> Option<Reason> {
    let mut told = at
        .trials(run)
        .into_iter()
        .filter_map(|judged| round_trips::climb_told(judged.climb.as_ref()?, &judged.outcome));
    told.next_back().map(|reason| reason.at(at.frame_size))
}

fn record(at: &AtOneSize, trials: u32, run: &Run) -> Option<Record> {
    // What was cut short takes no older record's place.
    if at.counted.len() < trials as usize && at.spoiled.len() <= REPEATS as usize {
        return None;
    }
    let counted = at.trials(run);
    let last = *counted.last()?;
    let load = result::intended(last, &run.plan);
    let slopes: Vec<_> =
        counted.iter().filter_map(|judged| round_trips::slope(judged.climb.as_ref()?)).collect();
    // Only where every trial climbed.
    let climb = (slopes.len() == counted.len()).then(|| slopes.last().copied()).flatten();
    Some(Record {
        frame_size: at.frame_size,
        look: round_trips::look(&last.outcome),
        load_percent: load.percent,
        line_bits_per_s: run.plan.line.0,
        clean: is_clean(at, trials, &run.trials),
        trials: counted.len() as u32,
        latency: round_trips::by_clock(&counted),
        climb,
    })
}

/// The shortest streams that are worth a figure.
pub const SHORTEST: Duration = Duration::from_millis(200);
