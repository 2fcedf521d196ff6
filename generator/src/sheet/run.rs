//! One run as the page shows it.

use super::chart::{self, Bar, Curve, Stretch};
use crate::elimination::words::rounded;
use crate::ledger::Recorded;
use crate::report::{ChainPiece, Direction, Endpoint, RunResult, TrialResult, grouped, typed};
use crate::verdict::{Bears, Outcome};

/// Trials and loss periods that are shown one by one.
const SHOWN: usize = 24;
const PERIODS: usize = 200;

/// A run.
pub struct RunBlock {
    pub started: String,
    pub command: String,
    pub verdict: Verdict,
    pub chain: Vec<Link>,
    pub ends: Vec<String>,
    pub trials: Vec<TrialRow>,
    pub more_trials: usize,
    pub latency: String,
    pub rates: String,
    pub losses: String,
    /// How many of the loss periods are drawn, where not all are.
    pub losses_told: String,
    pub outages: Vec<OutageRow>,
    pub reasons: Vec<ReasonRow>,
    pub again: String,
}

/// A verdict as a word, a mark and a class.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Verdict {
    pub word: &'static str,
    pub mark: &'static str,
    pub class: &'static str,
}

/// A piece of a chain as it is drawn.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Link {
    pub label: String,
    pub kind: String,
    pub condition: String,
    /// A cord is drawn as a line, everything else as a box.
    pub class: &'static str,
}

pub struct TrialRow {
    pub size: String,
    pub load: String,
    pub offered: String,
    pub home: String,
    pub lost_forward: String,
    pub lost_return: String,
    pub median: String,
    pub most: String,
    pub bound: String,
    pub verdict: Verdict,
}

pub struct OutageRow {
    pub direction: String,
    pub at: String,
    pub length: String,
    pub frames: String,
}

pub struct ReasonRow {
    pub word: &'static str,
    pub class: &'static str,
    pub text: String,
    pub advice: String,
}

/// A verdict's word, mark and class.
#[must_use]
pub fn verdict(outcome: Option<Outcome>) -> Verdict {
    let (word, mark, class) = match outcome {
        Some(Outcome::Pass) => ("pass", "✔", "good"),
        Some(Outcome::Fail) => ("fail", "✖", "bad"),
        Some(Outcome::Unproven) => ("unproven", "?", "unsure"),
        None => ("complete", "–", "plain"),
    };
    Verdict { word, mark, class }
}

/// The pieces of a chain as they are drawn.
#[must_use]
pub fn links(chain: &[ChainPiece]) -> Vec<Link> {
    let link = |piece: &ChainPiece| {
        let kind = piece.kind.clone().unwrap_or_default();
        let class = match kind.as_str() {
            "patch" => "cord",
            "fibre-patch" => "cord fibre",
            _ => "box",
        };
        let condition = piece.condition.clone().unwrap_or_default();
        Link { label: piece.piece.clone(), kind: kind.replace('-', " "), condition, class }
    };
    chain.iter().map(link).collect()
}

/// A run as the page shows it.
#[must_use]
pub fn block(recorded: &Recorded) -> RunBlock {
    let result = &recorded.result;
    let shown = &result.trials[..result.trials.len().min(SHOWN)];
    RunBlock {
        started: result.started.replacen('T', " ", 1),
        command: result.command.clone(),
        verdict: verdict(result.verdict),
        chain: links(&result.chain),
        ends: ends(result),
        trials: shown.iter().map(row).collect(),
        more_trials: result.trials.len() - shown.len(),
        latency: chart::latency(&shown.iter().filter_map(curve).collect::<Vec<_>>()),
        rates: chart::rates(&shown.iter().filter_map(bar).collect::<Vec<_>>()),
        losses: if result.findings.outages.is_empty() { lost(shown) } else { outages_drawn(result) },
        losses_told: losses_told(shown),
        outages: result
            .findings
            .outages
            .iter()
            .map(|outage| OutageRow {
                direction: outage.direction.clone(),
                at: format!("{:.3} s", outage.start_s),
                length: format!("{:.3} ms", outage.length_ms.timestamp),
                frames: grouped(outage.frames_lost),
            })
            .collect(),
        reasons: result
            .reasons
            .iter()
            .map(|reason| {
                let (word, class) = match reason.bears {
                    Bears::Fail => ("fail", "bad"),
                    Bears::Unproven => ("unproven", "unsure"),
                    Bears::Note => ("note", "plain"),
                };
                let place = reason.frame_size.map_or(String::new(), |size| format!("{size} bytes: "));
                ReasonRow {
                    word,
                    class,
                    text: format!("{place}{}", reason.text),
                    advice: reason.advice.clone(),
                }
            })
            .collect(),
        again: again(result),
    }
}

fn ends(result: &RunResult) -> Vec<String> {
    let told = |name: &str, end: &Endpoint| {
        let speed = end.speed.map(|speed| format!("{} Mb/s", speed / 1_000_000));
        let duplex = end.duplex.as_ref().map(|duplex| format!("{duplex} duplex"));
        let negotiated = end.negotiated.map(|on| if on { "negotiated" } else { "forced" }.to_owned());
        let pause = end.pause.as_ref().map(|pause| format!("PAUSE {pause}"));
        let facts =
            [end.driver.clone(), speed, duplex, negotiated, pause, Some(format!("frames by {}", end.via))];
        let facts: Vec<String> = facts.into_iter().flatten().collect();
        format!("{name}: {} at {} ({})", end.interface, end.host, facts.join(", "))
    };
    let near = ("generator", &result.pair.generator);
    let far = result.pair.reflector.as_ref().map(|end| ("reflector", end));
    let ends = std::iter::once(near).chain(far);
    ends.flat_map(|(name, end)| {
        let module = end.optics.as_ref().map(|module| {
            let concerns: String = module.concerns.iter().map(|concern| format!("; {concern}")).collect();
            format!("{name}'s module: {}{concerns}", module.text)
        });
        std::iter::once(told(name, end)).chain(module)
    })
    .collect()
}

/// The size of a trial's frames, in words.
fn size(trial: &TrialResult) -> String {
    trial
        .mix
        .as_ref()
        .map_or_else(|| trial.frame_size.to_string(), |mix| format!("~{} mix", mix.mean_size.round()))
}

fn row(trial: &TrialResult) -> TrialRow {
    let counts = &trial.counts;
    let time = |of: fn(&crate::report::RoundTrip) -> u64| {
        trial.round_trip_ns.as_ref().map_or_else(|| "–".to_owned(), |told| chart::time(of(told) as f64))
    };
    let bounds = [trial.loss_bound.forward, trial.loss_bound.homeward];
    let bound = bounds
        .into_iter()
        .flatten()
        .fold(None, |most: Option<f64>, one| Some(most.map_or(one, |most| most.max(one))));
    TrialRow {
        size: size(trial),
        load: format!("{} %", rounded(trial.intended_load.percent)),
        offered: grouped(counts.offered_frames),
        home: grouped(counts.returned_frames),
        lost_forward: grouped(counts.lost_forward),
        lost_return: grouped(counts.lost_return),
        median: time(|told| told.p50),
        most: time(|told| told.max),
        bound: bound.map_or_else(|| "–".to_owned(), |bound| format!("{bound:.1e}")),
        verdict: verdict(trial.verdict),
    }
}

fn curve(trial: &TrialResult) -> Option<Curve> {
    let told = trial.round_trip_ns.as_ref()?;
    Some(Curve {
        name: format!("{} bytes", size(trial)),
        nanoseconds: [told.min, told.p50, told.p90, told.p99, told.p99_9, told.max],
    })
}

fn bar(trial: &TrialResult) -> Option<Bar> {
    let intended = trial.intended_load;
    let offered = trial.offered_load?.frames_per_s;
    if intended.percent <= 0.0 || trial.counts.offered_frames == 0 {
        return None;
    }
    let home = trial.counts.returned_frames as f64 / trial.counts.offered_frames as f64;
    Some(Bar {
        name: format!("{} bytes", size(trial)),
        theoretical: intended.frames_per_s * 100.0 / intended.percent,
        offered,
        home: offered * home,
    })
}

/// Loss periods by their place among the frames offered, which is when they were lost.
fn lost(trials: &[TrialResult]) -> String {
    let (mut lanes, mut stretches) = (Vec::new(), Vec::new());
    let mut longest: f64 = 0.0;
    for trial in trials.iter().filter(|trial| !trial.loss_periods.is_empty()) {
        let per_frame = trial.duration_s / trial.counts.offered_frames.max(1) as f64;
        for (direction, name) in [(Direction::Forward, "forward"), (Direction::Return, "return")] {
            let periods: Vec<_> = trial
                .loss_periods
                .iter()
                .filter(|period| period.direction == direction)
                .take(PERIODS)
                .collect();
            if periods.is_empty() {
                continue;
            }
            lanes.push(format!("{} bytes, {name}", size(trial)));
            longest = longest.max(trial.duration_s);
            stretches.extend(periods.into_iter().map(|period| Stretch {
                lane: lanes.len() - 1,
                from: period.first as f64 * per_frame,
                until: (period.first + period.length) as f64 * per_frame,
                title: format!("{} frames from number {}", grouped(period.length), grouped(period.first)),
            }));
        }
    }
    chart::losses(&lanes, &stretches, longest)
}

/// How many loss periods are known one by one, where there were more.
fn losses_told(trials: &[TrialResult]) -> String {
    let told: usize = trials.iter().map(|trial| trial.loss_periods.len()).sum();
    let all: u64 = trials.iter().filter_map(|trial| trial.loss_periods_total).sum();
    if all <= told as u64 {
        return String::new();
    }
    format!("the first of each direction, {} of {} losses in a row", grouped(told as u64), grouped(all))
}

fn outages_drawn(result: &RunResult) -> String {
    let lanes = ["forward", "return"].map(str::to_owned);
    let outages = &result.findings.outages;
    let end = |outage: &crate::report::Outage| outage.start_s + outage.length_ms.timestamp / 1e3;
    let watched = result.trials.iter().map(|trial| trial.duration_s).fold(0.0, f64::max);
    let stretches: Vec<Stretch> = outages
        .iter()
        .take(PERIODS)
        .map(|outage| Stretch {
            lane: usize::from(outage.direction == "return"),
            from: outage.start_s,
            until: end(outage),
            title: format!("{:.3} ms, {} frames", outage.length_ms.timestamp, grouped(outage.frames_lost)),
        })
        .collect();
    chart::losses(&lanes, &stretches, outages.iter().map(end).fold(watched, f64::max))
}

/// The command that repeats a run.
fn again(result: &RunResult) -> String {
    let mut line = format!("kitproof {} {}", result.command, result.pair.generator.interface);
    if !result.chain.is_empty() {
        line.push_str(&format!(" --through {}", typed(&result.chain)));
    }
    if result.command != "prove" {
        return line;
    }
    let Some(first) = result.trials.first() else { return line };
    let mut sizes: Vec<String> = result
        .trials
        .iter()
        .filter(|trial| trial.mix.is_none())
        .map(|trial| trial.frame_size.to_string())
        .collect();
    sizes.dedup();
    if !sizes.is_empty() {
        line.push_str(&format!(" --frame-size {}", sizes.join(",")));
    }
    line.push_str(&format!(" --load {}%", rounded(first.intended_load.percent)));
    if result.pair.generator.speed.is_none() && first.intended_load.percent > 0.0 {
        let line_rate = first.intended_load.bits_per_s * 100.0 / first.intended_load.percent;
        line.push_str(&format!(" --line-rate {}M", (line_rate / 1e6).round()));
    }
    line.push_str(&format!(" --duration {}s", rounded((first.duration_s * 10.0).round() / 10.0)));
    line
}

#[cfg(test)]
mod tests {
    use super::*;

    fn recorded() -> Recorded {
        Recorded { mark: "1".to_owned(), result: crate::report::sample_run() }
    }

    #[test]
    fn a_run_can_be_repeated_from_its_line() {
        let block = block(&recorded());
        assert!(
            block.again.starts_with("kitproof prove eth1 --through T-1 --frame-size "),
            "{}",
            block.again
        );
        assert!(block.again.contains(" --load 100% --duration "), "{}", block.again);
        assert!(!block.latency.is_empty() && !block.rates.is_empty());
        assert_eq!(block.trials.len(), recorded().result.trials.len());
    }

    /// The place of a loss is its time: the middle frame of two seconds was lost after one.
    #[test]
    fn losses_are_drawn_when_they_happened() {
        let mut result = crate::report::sample_run();
        let trial = &mut result.trials[0];
        trial.counts.offered_frames = 1_000;
        trial.duration_s = 2.0;
        trial.loss_periods = vec![crate::report::LossPeriod {
            direction: Direction::Forward,
            flow: None,
            first: 500,
            length: 100,
            distance: 0,
        }];
        let drawn = lost(&result.trials[..1]);
        // From 150 on there are 476 for two seconds: 388 is the middle, and a tenth is 47.6.
        assert!(drawn.contains(r#"class="lost" x="388.0" y="6.0" width="47.6""#), "{drawn}");
    }
}
