//! The measures of a comparison.

use super::alike::{self, KNOWN, Kind};
use super::stretches::{self, FEWEST};
use super::told::{Comparison, Measure, SCHEMA, Standing};
use crate::report::{Ending, RunResult, Throughput, TrialResult};
use crate::statistics::{events, rank};
use crate::verdict::{Outcome, Reason};

/// What makes a verdict.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// By how much a median round trip may grow, as a share of what it was.
    pub latency: f64,
    /// How likely any alarm is where nothing changed, at most.
    pub false_alarm: f64,
}

impl Default for Limits {
    fn default() -> Self {
        Self { latency: 0.10, false_alarm: 0.05 }
    }
}

/// A measure before the others are known.
struct Draft {
    measure: Measure,
    test: Test,
}

/// How a measure is judged.
enum Test {
    /// Median round trips, sample by sample.
    Ranks { before: Vec<f64>, after: Vec<f64> },
    /// Of loss periods: (periods, frames offered).
    Events { before: (u64, u64), after: (u64, u64) },
    /// Where the new one stands among all earlier ones.
    Place { earlier: Vec<f64>, new: f64 },
    /// Nothing is left to chance.
    Known,
}

/// A run held against an earlier one.
#[must_use]
pub fn of_two(before: &RunResult, after: &RunResult, limits: Limits) -> Comparison {
    let mut told = Comparison {
        before: before.started.clone(),
        after: after.started.clone(),
        remarks: alike::remarks(before, after),
        ..begun(limits)
    };
    if let Some(reason) = unlike(before, after) {
        told.reasons.push(reason);
    } else if after.command == "throughput" {
        let drafts = throughputs(&before.findings.throughput, &after.findings.throughput, &mut told.reasons);
        settle(&mut told, drafts, limits);
    } else {
        let mut drafts = Vec::new();
        for kind in shared(before, after, &mut told.reasons) {
            let (one, other) = (alike::of_kind(before, &kind), alike::of_kind(after, &kind));
            drafts.push(latency(&kind, &one, &other));
            drafts.push(loss(&kind, &one, &other));
        }
        settle(&mut told, drafts, limits);
    }
    concluded(told)
}

/// A run held against all earlier ones of its chain; those that are not like it are left out, and counted.
#[must_use]
pub fn against_history(history: &[&RunResult], new: &RunResult, limits: Limits) -> Comparison {
    let mut told = Comparison { after: new.started.clone(), ..begun(limits) };
    let (like, unlike): (Vec<&RunResult>, Vec<&RunResult>) =
        history.iter().partition(|run| alike::differences(run, new).is_empty());
    told.before = match like.as_slice() {
        [] => "no run like it".to_owned(),
        [one] => format!("one run, {}", one.started),
        [first, .., last] => format!("{} runs, {} to {}", like.len(), first.started, last.started),
    };
    if !unlike.is_empty() {
        told.remarks.push(format!(
            "{} runs of the chain are left out: they are not like this one, or of another command",
            unlike.len()
        ));
    }
    if !KNOWN.contains(&new.command.as_str()) {
        told.reasons.push(not_compared(&new.command));
        return concluded(told);
    }
    let mut drafts = Vec::new();
    if new.command == "throughput" {
        for found in &new.findings.throughput {
            let earlier: Vec<&Throughput> = like
                .iter()
                .flat_map(|run| &run.findings.throughput)
                .filter(|one| one.frame_size == found.frame_size && one.frames_per_s.is_some())
                .collect();
            // The lowest that was ever found: whatever it is since then is no regression.
            let lowest = earlier.iter().copied().min_by(|one, other| {
                one.percent_of_line.unwrap_or_default().total_cmp(&other.percent_of_line.unwrap_or_default())
            });
            drafts.push(match lowest {
                Some(lowest) => throughput(lowest, found),
                None => unclear(
                    "throughput",
                    format!("{} bytes", found.frame_size),
                    "no earlier run has found a throughput at this frame size",
                ),
            });
        }
    } else {
        for kind in alike::kinds(new) {
            let of = |run: &RunResult| alike::of_kind(run, &kind).into_iter().cloned().collect::<Vec<_>>();
            let earlier: Vec<Vec<TrialResult>> =
                like.iter().map(|run| of(run)).filter(|trials| !trials.is_empty()).collect();
            let new = of(new);
            drafts.push(place(&kind, &earlier, &new));
            let all: Vec<&TrialResult> = earlier.iter().flatten().collect();
            drafts.push(loss(&kind, &all, &new.iter().collect::<Vec<_>>()));
        }
    }
    settle(&mut told, drafts, limits);
    concluded(told)
}

fn begun(limits: Limits) -> Comparison {
    Comparison {
        schema: SCHEMA.to_owned(),
        false_alarm: limits.false_alarm,
        latency_limit: limits.latency,
        ..Comparison::default()
    }
}

fn not_compared(command: &str) -> Reason {
    Reason::unproven(
        "not_compared",
        format!("What {command} finds is not compared."),
        format!("Compare runs of {}.", KNOWN.join(", ")),
    )
}

fn unlike(before: &RunResult, after: &RunResult) -> Option<Reason> {
    let differences = alike::differences(before, after);
    if !differences.is_empty() {
        let text = format!("The runs are not alike: {}.", differences.join("; "));
        let advice = "Run the same command with the same ports again; only like may be held against like.";
        return Some(Reason::unproven("not_alike", text, advice));
    }
    (!KNOWN.contains(&after.command.as_str())).then(|| not_compared(&after.command))
}

/// The kinds of trials that both have; those that one lacks are a reason.
fn shared(before: &RunResult, after: &RunResult, reasons: &mut Vec<Reason>) -> Vec<Kind> {
    let (one, other) = (alike::kinds(before), alike::kinds(after));
    let lacks = |has: &[Kind], lacks: &[Kind]| {
        let missing: Vec<String> = has.iter().filter(|kind| !lacks.contains(kind)).map(Kind::words).collect();
        missing.join("; ")
    };
    for (missing, when) in [(lacks(&one, &other), "now"), (lacks(&other, &one), "before")] {
        if !missing.is_empty() {
            reasons.push(Reason::unproven(
                "not_in_both",
                format!("Not tested {when}: {missing}."),
                "Run both with the same frame sizes and loads.",
            ));
        }
    }
    one.into_iter().filter(|kind| other.contains(kind)).collect()
}

fn unclear(what: &str, of: String, why: &str) -> Draft {
    let measure = Measure { what: what.to_owned(), of, why: why.to_owned(), ..Measure::default() };
    Draft { measure, test: Test::Known }
}

const LATENCY: &str = "median round trip";

fn latency(kind: &Kind, before: &[&TrialResult], after: &[&TrialResult]) -> Draft {
    let (Some(before), Some(after)) = (stretches::medians(before), stretches::medians(after)) else {
        let why = format!(
            "too little to tell: fewer than {FEWEST} stretches of time that are independent; give both runs longer trials"
        );
        return unclear(LATENCY, kind.words(), &why);
    };
    let measure = Measure {
        what: LATENCY.to_owned(),
        of: kind.words(),
        unit: "ns".to_owned(),
        before: median(&before),
        after: median(&after),
        samples: [before.len(), after.len()],
        ..Measure::default()
    };
    Draft { measure, test: Test::Ranks { before, after } }
}

/// A run's place among earlier ones, by its median round trip.
fn place(kind: &Kind, earlier: &[Vec<TrialResult>], new: &[TrialResult]) -> Draft {
    let of_run = |trials: &Vec<TrialResult>| {
        let all: Option<Vec<f64>> =
            trials.iter().map(|trial| Some(trial.round_trip_ns.as_ref()?.p50 as f64)).collect();
        all.filter(|all| !all.is_empty()).map(|all| median(&all))
    };
    let earlier: Vec<f64> = earlier.iter().filter_map(of_run).collect();
    let Some(new) = of_run(&new.to_vec()) else {
        return unclear(LATENCY, kind.words(), "no round trip was measured");
    };
    if earlier.is_empty() {
        return unclear(LATENCY, kind.words(), "no earlier run has these frames at this load");
    }
    let measure = Measure {
        what: LATENCY.to_owned(),
        of: kind.words(),
        unit: "ns".to_owned(),
        before: median(&earlier),
        after: new,
        change: Some(new - median(&earlier)),
        samples: [earlier.len(), 1],
        ..Measure::default()
    };
    Draft { measure, test: Test::Place { earlier, new } }
}

fn loss(kind: &Kind, before: &[&TrialResult], after: &[&TrialResult]) -> Draft {
    const WHAT: &str = "loss periods";
    let sum = |trials: &[&TrialResult]| {
        trials.iter().try_fold((0, 0), |(periods, frames), trial| {
            Some((periods + trial.loss_periods_total?, frames + trial.counts.offered_frames))
        })
    };
    let (Some(one), Some(other)) = (sum(before), sum(after)) else {
        return unclear(WHAT, kind.words(), "the reflector's counts were not heard in every trial");
    };
    let a_million = |(periods, frames): (u64, u64)| 1e6 * periods as f64 / (frames as f64).max(1.0);
    let measure = Measure {
        what: WHAT.to_owned(),
        of: kind.words(),
        unit: "in a million frames".to_owned(),
        before: a_million(one),
        after: a_million(other),
        samples: [before.len(), after.len()],
        ..Measure::default()
    };
    Draft { measure, test: Test::Events { before: one, after: other } }
}

fn throughputs(before: &[Throughput], after: &[Throughput], reasons: &mut Vec<Reason>) -> Vec<Draft> {
    let mut drafts = Vec::new();
    for found in after {
        match before.iter().find(|one| one.frame_size == found.frame_size) {
            Some(one) => drafts.push(throughput(one, found)),
            None => reasons.push(Reason::unproven(
                "not_in_both",
                format!("Not tested before: {} bytes.", found.frame_size),
                "Run both with the same frame sizes.",
            )),
        }
    }
    drafts
}

/// A search finds a throughput to within its resolution, and no better.
fn throughput(before: &Throughput, after: &Throughput) -> Draft {
    let of = format!("{} bytes", after.frame_size);
    let settled =
        |found: &Throughput| matches!(found.ending, Ending::Found | Ending::AtTheLimit | Ending::NoneFound);
    if !settled(before) || !settled(after) {
        let why = "one of the two searches did not come to its end, or the pair could not prove it";
        return unclear("throughput", of, why);
    }
    let percent = |found: &Throughput| found.percent_of_line.unwrap_or_default();
    let (one, other) = (percent(before), percent(after));
    let apart = before.resolution + after.resolution;
    let (standing, why) = if other < one - apart - 1e-9 {
        (
            Standing::Worse,
            format!("it fell by more than the two searches can be wrong together ({apart} points)"),
        )
    } else if other > one + apart + 1e-9 {
        (
            Standing::Better,
            format!("it rose by more than the two searches can be wrong together ({apart} points)"),
        )
    } else {
        (
            Standing::Within,
            format!("no more apart than the two searches can be wrong together ({apart} points)"),
        )
    };
    let measure = Measure {
        what: "throughput".to_owned(),
        of,
        unit: "% of line rate".to_owned(),
        before: one,
        after: other,
        change: Some(other - one),
        change_from: Some(other - one - apart),
        change_to: Some(other - one + apart),
        samples: [1, 1],
        standing,
        why,
        ..Measure::default()
    };
    Draft { measure, test: Test::Known }
}

/// Judges all of them together.
fn settle(told: &mut Comparison, mut drafts: Vec<Draft>, limits: Limits) {
    for draft in &mut drafts {
        draft.measure.p = match &draft.test {
            Test::Ranks { before, after } => Some(rank::mann_whitney(before, after)),
            Test::Events { before, after } => Some(events::differ([before.0, after.0], [before.1, after.1])),
            Test::Place { earlier, new } => Some(tail(earlier, *new)),
            Test::Known => None,
        };
    }
    holm(&mut drafts);
    let tests = drafts.iter().filter(|draft| draft.measure.p.is_some()).count().max(1);
    for draft in &mut drafts {
        draft.stand(limits, tests);
    }
    told.measures = drafts.into_iter().map(|draft| draft.measure).collect();
}

/// How likely the last of so many equal runs is this extreme among them, at either end.
fn tail(earlier: &[f64], new: f64) -> f64 {
    let all = earlier.len() as f64 + 1.0;
    let above = earlier.iter().filter(|one| **one >= new).count() as f64 + 1.0;
    let below = earlier.iter().filter(|one| **one <= new).count() as f64 + 1.0;
    (2.0 * above.min(below) / all).min(1.0)
}

/// Makes of each p what it is among all of them (Holm, 1979).
fn holm(drafts: &mut [Draft]) {
    let mut order: Vec<usize> = (0..drafts.len()).filter(|at| drafts[*at].measure.p.is_some()).collect();
    let p = |drafts: &[Draft], at: usize| drafts[at].measure.p.unwrap_or(1.0);
    order.sort_by(|one, other| p(drafts, *one).total_cmp(&p(drafts, *other)));
    let mut least: f64 = 0.0;
    for (place, at) in order.iter().enumerate() {
        let adjusted = ((order.len() - place) as f64 * p(drafts, *at)).min(1.0);
        least = least.max(adjusted);
        drafts[*at].measure.p = Some(least);
    }
}

impl Draft {
    fn stand(&mut self, limits: Limits, tests: usize) {
        let measure = &mut self.measure;
        let differs = measure.p.is_some_and(|p| p <= limits.false_alarm);
        let allowed = limits.latency * measure.before;
        let percent = 100.0 * limits.latency;
        let (standing, why) = match &self.test {
            Test::Known => return,
            Test::Ranks { before, after } => {
                let confidence = 1.0 - limits.false_alarm / tests as f64;
                let Some(shift) = rank::shift(before, after, confidence) else { return };
                measure.change = Some(shift.estimate);
                (measure.change_from, measure.change_to) = (Some(shift.low), Some(shift.high));
                if differs && shift.estimate > allowed {
                    (Standing::Worse, format!("it grew by more than {percent} %"))
                } else if shift.enough && shift.high <= allowed {
                    if differs && shift.estimate < 0.0 {
                        (Standing::Better, "it fell".to_owned())
                    } else {
                        (Standing::Within, format!("it grew by less than {percent} %, if at all"))
                    }
                } else {
                    (
                        Standing::Unclear,
                        format!("it may have grown by more than {percent} %: longer runs would tell"),
                    )
                }
            }
            Test::Place { earlier, new } => {
                // The smallest p that so many earlier runs can give, twice the tail, with all measures taken into account.
                let needed = (2.0 * tests as f64 / limits.false_alarm).ceil() as usize - 1;
                let grown = new - measure.before;
                if differs && grown > allowed {
                    (
                        Standing::Worse,
                        format!(
                            "it is more than {percent} % above the middle of {} earlier runs",
                            earlier.len()
                        ),
                    )
                } else if grown <= allowed {
                    (
                        Standing::Within,
                        format!(
                            "no more than {percent} % above the middle of {} earlier runs",
                            earlier.len()
                        ),
                    )
                } else if earlier.len() < needed {
                    let why = format!(
                        "more than {percent} % above the middle of {} earlier runs; {needed} of them are needed to tell that from chance",
                        earlier.len()
                    );
                    (Standing::Unclear, why)
                } else {
                    (Standing::Within, "earlier runs had it as high as that".to_owned())
                }
            }
            Test::Events { before, after } => {
                let counts =
                    format!("{} in {} frames now, {} in {} before", after.0, after.1, before.0, before.1);
                if differs && measure.after > measure.before {
                    (Standing::Worse, format!("frames are lost more often: {counts}"))
                } else if differs {
                    (Standing::Better, format!("frames are lost less often: {counts}"))
                } else if 2 * after.1 < before.1 {
                    (
                        Standing::Unclear,
                        format!("too few frames now to hold against what was sent before: {counts}"),
                    )
                } else {
                    (Standing::Within, format!("no more than chance explains: {counts}"))
                }
            }
        };
        (measure.standing, measure.why) = (standing, why);
    }
}

/// The verdict of all measures and reasons.
fn concluded(mut told: Comparison) -> Comparison {
    for measure in &told.measures {
        let text = format!("{}, {}: {}.", measure.what, measure.of, measure.why);
        match measure.standing {
            Standing::Worse => told.reasons.push(Reason::fail(
                "worse",
                text,
                "Run it once more to be sure; then take out what was changed since, one thing at a time.",
            )),
            Standing::Unclear => {
                told.reasons.push(Reason::unproven(
                    "unclear",
                    text,
                    "More of both kinds of run, or longer ones.",
                ));
            }
            Standing::Within | Standing::Better => {}
        }
    }
    if told.measures.is_empty() && told.reasons.is_empty() {
        let text = "There is nothing to compare.".to_owned();
        told.reasons.push(Reason::unproven("nothing", text, "Name two results that have trials."));
    }
    told.verdict = Some(Outcome::of(&told.reasons));
    told
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let half = sorted.len() / 2;
    match sorted.len() {
        0 => 0.0,
        odd if odd % 2 == 1 => sorted[half],
        _ => f64::midpoint(sorted[half - 1], sorted[half]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample_run;

    fn standings(told: &Comparison) -> Vec<Standing> {
        told.measures.iter().map(|measure| measure.standing).collect()
    }

    fn searched(percent: f64, ending: Ending) -> RunResult {
        let found = Throughput {
            frame_size: 64,
            ending,
            percent_of_line: Some(percent),
            frames_per_s: Some(percent),
            resolution: 0.1,
            ..Throughput::default()
        };
        let mut run = RunResult { command: "throughput".to_owned(), ..RunResult::default() };
        run.findings.throughput.push(found);
        run
    }

    #[test]
    fn a_throughput_is_held_against_both_resolutions() {
        for (before, after, expected, verdict) in [
            (99.0, 98.9, Standing::Within, Outcome::Pass),
            (99.0, 98.8, Standing::Within, Outcome::Pass),
            (99.0, 98.7, Standing::Worse, Outcome::Fail),
            (98.0, 99.0, Standing::Better, Outcome::Pass),
        ] {
            let told =
                of_two(&searched(before, Ending::Found), &searched(after, Ending::Found), Limits::default());
            assert_eq!((standings(&told), told.verdict), (vec![expected], Some(verdict)), "{before} {after}");
        }
        let told =
            of_two(&searched(99.0, Ending::Found), &searched(99.0, Ending::NotProven), Limits::default());
        assert_eq!(told.verdict, Some(Outcome::Unproven));
    }

    #[test]
    fn unlike_runs_are_not_compared_and_it_is_said_why() {
        let before = sample_run();
        let mut after = before.clone();
        after.pair.generator.speed = Some(100_000_000);
        after.pair.generator.via = "xdp".to_owned();
        let told = of_two(&before, &after, Limits::default());
        assert_eq!((told.verdict, told.measures.len()), (Some(Outcome::Unproven), 0));
        let text = &told.reasons[0].text;
        assert!(text.contains("speed of the generator") && text.contains("way onto the wire"), "{text}");
        let mut other = before.clone();
        other.trials.truncate(1);
        other.trials[0].frame_size += 1;
        let told = of_two(&before, &other, Limits::default());
        assert!(told.reasons.iter().filter(|reason| reason.code == "not_in_both").count() == 2);
        let empty = RunResult { command: "prove".to_owned(), ..RunResult::default() };
        assert_eq!(of_two(&empty, &empty, Limits::default()).verdict, Some(Outcome::Unproven));
        let strange = RunResult { command: "interruption".to_owned(), ..RunResult::default() };
        assert_eq!(of_two(&strange, &strange, Limits::default()).reasons[0].code, "not_compared");
    }

    /// Holm's own way: the smallest p times all, the next times all but one, never less than the one before.
    #[test]
    fn every_p_is_told_as_one_of_several() {
        let draft = |p| Draft { measure: Measure { p, ..Measure::default() }, test: Test::Known };
        let mut drafts =
            [draft(Some(0.01)), draft(None), draft(Some(0.04)), draft(Some(0.03)), draft(Some(0.9))];
        holm(&mut drafts);
        let found: Vec<_> = drafts.iter().map(|draft| draft.measure.p).collect();
        let near = |found: Option<f64>, expected: f64| (found.unwrap() - expected).abs() < 1e-12;
        assert!(near(found[0], 0.04) && near(found[3], 0.09) && near(found[2], 0.09) && near(found[4], 0.9));
        assert_eq!(found[1], None);
    }

    #[test]
    fn a_place_among_earlier_runs_is_an_exact_tail() {
        let earlier: Vec<f64> = (0..39).map(f64::from).collect();
        assert_eq!(tail(&earlier, 100.0), 2.0 / 40.0);
        assert_eq!(tail(&earlier, -1.0), 2.0 / 40.0);
        assert_eq!(tail(&earlier, 19.0), 1.0);
        assert_eq!(tail(&[], 1.0), 1.0);
    }
}
