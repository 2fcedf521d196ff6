//! Back-to-back frames at every frame size (RFC 2544 section 26.4, RFC 9004): throughput first, then bursts.

use std::time::Duration;

use kitproof_common::line::{FrameRate, Load, Percent};
use tokio::sync::watch;

use super::conduct::{announce, conduct, together, waits};
use super::failure::Failure;
use super::plan::{Target, Wanted};
use super::runner::{Finished, Runner, Show, Stop};
use super::throughput;
use crate::method::Method;
use crate::method::back_to_back::{Bursts, Found, NoBurst, Parameters, Report};
use crate::method::letter::Letter;
use crate::method::throughput::{Found as Rate, Search};
use crate::report::{self, Ending, Findings};
use crate::verdict::Reason;

/// What this measurement is asked for beside what every run is.
#[derive(Clone, Copy, Debug)]
pub struct Options {
    /// How many values are measured at each frame size.
    pub values: u32,
    /// The longest burst.
    pub longest: Duration,
    /// Silence after the buffer has drained.
    pub listen: Duration,
    /// The throughput, where it is known; it is searched for first if not.
    pub throughput: Option<Load>,
    pub search: throughput::Options,
}

/// Measures the longest burst without loss at every frame size.
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
    let mut runner = Runner::open(wanted, target, interrupt, show).await?;
    let sizes = runner.plan.sizes.clone();
    // Whatever cannot be offered is refused before anything is.
    let sources: Result<Vec<Source>, _> =
        sizes.iter().map(|size| Source::new(&runner, options, start, *size)).collect();
    let waits = waits(&runner);
    let mut findings = Findings::default();
    let mut letters: Vec<Letter> = Vec::new();
    let mut reasons: Vec<Reason> = Vec::new();
    let mut stopped = false;
    for (index, (size, source)) in sizes.iter().zip(sources?).enumerate() {
        let position = runner.position(index);
        let known = match source {
            Source::Known(rate) => Some(rate),
            Source::Search(mut search) => {
                stopped = conduct(&mut runner, &mut *search, &position).await? == Err(Stop);
                let report = search.report();
                runner.say(&report.to_string());
                findings.throughput.push(throughput::finding(&report));
                letters.push(search.letter(&waits).with_sizes(sizes.len()));
                match report.found {
                    Rate::Throughput(rate) => rate.rate,
                    _ => None,
                }
            }
        };
        if stopped {
            break;
        }
        let mut bursts = match parameters(&runner, options, *size, known) {
            Ok(parameters) => Bursts::new(parameters),
            Err(why) => {
                let ending =
                    if why == NoBurst::FullThroughput { Ending::AtTheLimit } else { Ending::Unfinished };
                findings.bursts.push(report::Bursts {
                    frame_size: *size,
                    ending,
                    throughput_frames_per_s: known.map(FrameRate::per_second),
                    ..report::Bursts::default()
                });
                reasons.push(no_burst(why).at(*size));
                continue;
            }
        };
        announce(&mut runner, bursts.estimate(&waits));
        stopped = conduct(&mut runner, &mut bursts, &position).await? == Err(Stop);
        letters.push(bursts.letter(&waits).with_sizes(sizes.len()));
        let report = bursts.report();
        findings.bursts.push(finding(&report, known));
        reasons.extend(reason(&report).map(|reason| reason.at(*size)));
        if stopped {
            break;
        }
    }
    findings.conduct = together(&letters);
    let run = runner.close().await;
    if stopped {
        reasons.push(run.incomplete("It was not run to its end"));
    }
    Ok(Finished::found(run, findings, reasons))
}

/// Where the throughput at one frame size comes from.
enum Source {
    Known(FrameRate),
    Search(Box<Search>),
}

impl Source {
    fn new(runner: &Runner<'_>, options: Options, start: Percent, frame_size: u16) -> Result<Self, Failure> {
        match options.throughput {
            Some(load) => load
                .rate(runner.plan.line, frame_size)
                .map(Source::Known)
                .map_err(|error| Failure::Usage(error.to_string())),
            None => {
                let search = throughput::search(runner, options.search, start, frame_size)?;
                Ok(Source::Search(Box::new(search)))
            }
        }
    }
}

fn parameters(
    runner: &Runner<'_>,
    options: Options,
    frame_size: u16,
    throughput: Option<FrameRate>,
) -> Result<Parameters, NoBurst> {
    let mut parameters = Parameters::new(frame_size, runner.plan.line, throughput)?;
    parameters.longest = options.longest;
    parameters.values = options.values;
    parameters.listen = options.listen;
    Ok(parameters)
}

fn finding(report: &Report, throughput: Option<FrameRate>) -> report::Bursts {
    let values = &report.values;
    let base = report::Bursts {
        frame_size: report.frame_size,
        values: values.len() as u64,
        spoiled_values: report.spoiled_values.into(),
        step: report.step,
        minimum: values.iter().min().copied(),
        maximum: values.iter().max().copied(),
        throughput_frames_per_s: throughput.map(FrameRate::per_second),
        ..report::Bursts::default()
    };
    match &report.found {
        Found::Bursts { frames, buffer } => report::Bursts {
            ending: Ending::Found,
            frames: Some(frames.mean),
            standard_deviation: frames.standard_deviation,
            corrected_buffer_s: Some(buffer.corrected_s),
            corrected_buffer_frames: Some(buffer.corrected_frames),
            ..base
        },
        Found::AtTheLimit { frames } => {
            report::Bursts { ending: Ending::AtTheLimit, frames: Some(*frames as f64), ..base }
        }
        Found::NotProven { clean } => {
            report::Bursts { ending: Ending::NotProven, frames: Some(*clean as f64), ..base }
        }
        Found::Unfinished => base,
    }
}

fn no_burst(why: NoBurst) -> Reason {
    match why {
        NoBurst::FullThroughput => Reason::note(
            "no_burst",
            "The chain carries all the line does: no burst can fill a buffer (RFC 9004 section 6.1).",
            "There is nothing to measure here, and nothing to do.",
        ),
        NoBurst::NoThroughput => Reason::unproven(
            "no_throughput",
            "No throughput was found, which the buffer is reckoned by (RFC 9004 section 5).",
            "Find the throughput first, or say it: --throughput 95%.",
        ),
    }
}

fn reason(report: &Report) -> Option<Reason> {
    match report.found {
        Found::NotProven { .. } => Some(Reason::unproven(
            "not_proven",
            "The pair spoiled every burst that could have shown where the chain's buffer ends.",
            "Close other programs, or use faster machines.",
        )),
        Found::AtTheLimit { frames } => Some(Reason::note(
            "longest_burst_clean",
            format!("A burst of {frames} frames, the longest that was to be tried, lost nothing."),
            "Allow longer ones: --longest.",
        )),
        Found::Bursts { .. } | Found::Unfinished => None,
    }
}
