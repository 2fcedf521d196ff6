//! Running a plan: every test is a process of its own, so that nothing of one is left in the next.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use tokio::sync::watch;

use super::check::{typed, words};
use super::file::{OnFail, Plan, Test};
use super::kept::Kept;
use super::measure;
use super::told::{LimitTold, RunOfTest, TestResult};
use crate::procedure::failure::status;
use crate::verdict::Outcome;

/// How often a test that ended `unproven` is run again: what stood in the way was the pair.
const AGAIN_UNPROVEN: u32 = 4;
/// How often one that failed is run again, where that was asked for.
const AGAIN_FAILED: u32 = 2;
const REST: Duration = Duration::from_secs(2);
const LOOK: Duration = Duration::from_millis(50);

/// The user has asked for an end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Interrupted;

/// What is to happen next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Settled {
    GoOn,
    Stop,
}

/// Runs one test as often as it is to be run. `say` is told a line for each run; results and logs go into `folder`, under
/// names that begin with `number`.
///
/// # Errors
/// `Err(Interrupted)` with what was run until then in `told`.
pub async fn carry_out(
    plan: &Plan,
    test: &Test,
    number: usize,
    folder: &Path,
    interrupt: &mut watch::Receiver<bool>,
    told: &mut TestResult,
    say: &mut dyn FnMut(&str),
) -> Result<Settled, Interrupted> {
    told.name = test.name.clone();
    told.command = typed(plan, test);
    let begun = Instant::now();
    let mut again = (0, 0);
    let mut left = test.repeats;
    while left > 0 {
        let kept = Kept::of(plan, test, folder, number, told.runs.len() + 1);
        let run = one(plan, test, &kept, interrupt).await;
        told.seconds = begun.elapsed().as_secs_f64();
        let verdict = run.verdict;
        if run.status == i32::from(status::INTERRUPTED) || *interrupt.borrow() {
            told.runs.push(run);
            judge(told);
            return Err(Interrupted);
        }
        say(&format!("  run {}: {} ({:.0} s)", told.runs.len() + 1, word(&run), run.seconds));
        let is_wrong = [status::USAGE, status::ENVIRONMENT].map(i32::from).contains(&run.status);
        told.runs.push(run);
        left -= 1;
        match verdict {
            Some(Outcome::Unproven) if !is_wrong && again.0 < AGAIN_UNPROVEN => {
                again.0 += 1;
                left += 1;
                tokio::time::sleep(REST).await;
            }
            Some(Outcome::Fail) if test.on_fail == OnFail::Retest && again.1 < AGAIN_FAILED => {
                again.1 += 1;
                left += 1;
            }
            Some(Outcome::Fail) if test.on_fail == OnFail::Stop => left = 0,
            _ => {}
        }
    }
    judge(told);
    let stops = test.on_fail == OnFail::Stop && told.verdict == Some(Outcome::Fail);
    Ok(if stops { Settled::Stop } else { Settled::GoOn })
}

fn word(run: &RunOfTest) -> String {
    let verdict = run.verdict.map_or_else(|| format!("status {}", run.status), |verdict| verdict.to_string());
    let missed = run.limits.iter().filter(|limit| !limit.met);
    let missed: Vec<String> = missed
        .map(|limit| {
            let value = limit.value.map_or("not found".to_owned(), |value| format!("{value}"));
            format!("{} is {value}, {} wanted", limit.measure, limit.limit)
        })
        .collect();
    if missed.is_empty() { verdict } else { format!("{verdict}: {}", missed.join("; ")) }
}

/// The verdict of all runs: a fail stays one, however often it did not come back; an `unproven` run counts only as one that
/// is still to be made.
fn judge(told: &mut TestResult) {
    let count = |outcome| told.runs.iter().filter(|run| run.verdict == Some(outcome)).count();
    let (failed, passed, unproven) = (count(Outcome::Fail), count(Outcome::Pass), count(Outcome::Unproven));
    let first = |outcome| told.runs.iter().find(|run| run.verdict == Some(outcome));
    (told.verdict, told.why) = if let Some(run) = first(Outcome::Fail) {
        let how_often = if told.runs.len() > 1 {
            format!(", in {failed} of {} runs", told.runs.len())
        } else {
            String::new()
        };
        (Some(Outcome::Fail), format!("{}{how_often}; see {}", word(run), run.result))
    } else if passed > 0 && told.runs.last().is_some_and(|run| run.verdict == Some(Outcome::Pass)) {
        (Some(Outcome::Pass), String::new())
    } else if let Some(run) = first(Outcome::Unproven) {
        (Some(Outcome::Unproven), format!("{}, {unproven} times; see {}", word(run), run.log))
    } else {
        let log = told.runs.last().map_or("", |run| run.log.as_str());
        (Some(Outcome::Unproven), format!("it ended without a verdict; see {log}"))
    };
}

/// One run; `kept` says where what came of it is.
async fn one(plan: &Plan, test: &Test, kept: &Kept, interrupt: &mut watch::Receiver<bool>) -> RunOfTest {
    let begun = Instant::now();
    let shown = |path: &PathBuf| path.display().to_string();
    let mut run = RunOfTest {
        status: i32::from(status::ENVIRONMENT),
        result: shown(&kept.result),
        log: shown(&kept.log),
        ..RunOfTest::default()
    };
    match start(&words(plan, test, Some(kept)), &kept.log) {
        Ok(mut child) => run.status = wait(&mut child, interrupt).await,
        Err(error) => {
            let _ = std::fs::write(&kept.log, format!("it could not be started: {error}\n"));
        }
    }
    run.seconds = begun.elapsed().as_secs_f64();
    // A run that could not begin has neither.
    let there = |path: &Option<PathBuf>| path.as_ref().filter(|path| path.exists()).map(shown);
    (run.capture, run.journal) = (there(&kept.capture), there(&kept.journal));
    let found: Option<Value> =
        std::fs::read(&kept.result).ok().and_then(|octets| serde_json::from_slice(&octets).ok());
    let null = Value::Null;
    let found = found.as_ref().unwrap_or(&null);
    for limit in &test.limits {
        let value = measure::named(&limit.measure).and_then(|measure| measure.value(found));
        run.limits.push(LimitTold {
            measure: limit.measure.clone(),
            limit: limit.bound.to_string(),
            value,
            met: value.is_some_and(|value| limit.bound.is_met(value)),
        });
    }
    run.verdict = verdict(run.status, &run.limits);
    run
}

/// What a status and its limits come to. A limit that is missed by a run that proves nothing proves nothing either.
fn verdict(ended: i32, limits: &[LimitTold]) -> Option<Outcome> {
    let missed = limits.iter().any(|limit| limit.value.is_some() && !limit.met);
    let unknown = limits.iter().any(|limit| limit.value.is_none());
    match u8::try_from(ended) {
        Ok(status::FAIL) => Some(Outcome::Fail),
        Ok(status::PASS) if missed => Some(Outcome::Fail),
        Ok(status::PASS) if unknown => Some(Outcome::Unproven),
        Ok(status::PASS) => Some(Outcome::Pass),
        Ok(status::UNPROVEN | status::ENVIRONMENT | status::USAGE) => Some(Outcome::Unproven),
        _ => None,
    }
}

fn start(words: &[String], log: &Path) -> std::io::Result<Child> {
    let log = File::create(log)?;
    let (_, arguments) = words.split_first().ok_or(std::io::ErrorKind::InvalidInput)?;
    Command::new(std::env::current_exe()?)
        .args(arguments)
        .arg("--no-color")
        .stdin(Stdio::null())
        .stdout(log.try_clone()?)
        .stderr(log)
        .spawn()
}

/// Waits for its end; a Ctrl-C is passed on, and it ends with what it has.
async fn wait(child: &mut Child, interrupt: &mut watch::Receiver<bool>) -> i32 {
    let mut passed_on = false;
    loop {
        match child.try_wait() {
            // A signal has no code.
            Ok(Some(ended)) => return ended.code().unwrap_or(-1),
            Ok(None) => {}
            Err(_) => return -1,
        }
        tokio::select! {
            () = tokio::time::sleep(LOOK) => {}
            _ = interrupt.wait_for(|stop| *stop), if !passed_on => {
                passed_on = true;
                if let Some(pid) = Pid::from_raw(child.id() as i32) {
                    let _ = kill_process(pid, Signal::INT);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn runs(verdicts: &[Outcome]) -> TestResult {
        let runs =
            verdicts.iter().map(|verdict| RunOfTest { verdict: Some(*verdict), ..RunOfTest::default() });
        TestResult { runs: runs.collect(), ..TestResult::default() }
    }

    #[test]
    fn a_fail_stays_one_and_what_the_pair_spoiled_is_made_up_for() {
        use Outcome::{Fail, Pass, Unproven};
        for (verdicts, expected) in [
            (&[Pass][..], Pass),
            (&[Unproven, Pass], Pass),
            (&[Pass, Unproven], Unproven),
            (&[Fail, Pass, Pass], Fail),
            (&[Pass, Fail], Fail),
            (&[Unproven, Unproven], Unproven),
            (&[], Unproven),
        ] {
            let mut told = runs(verdicts);
            judge(&mut told);
            assert_eq!(told.verdict, Some(expected), "{verdicts:?}");
            assert_eq!(told.why.is_empty(), expected == Pass);
        }
    }

    #[test]
    fn a_limit_fails_what_passed_and_a_missing_figure_proves_nothing() {
        let limit = |value, met| LimitTold { value, met, ..LimitTold::default() };
        let (good, bad, none) = (limit(Some(1.0), true), limit(Some(9.0), false), limit(None, false));
        assert_eq!(verdict(0, &[]), Some(Outcome::Pass));
        assert_eq!(verdict(0, std::slice::from_ref(&good)), Some(Outcome::Pass));
        assert_eq!(verdict(0, &[good.clone(), bad.clone()]), Some(Outcome::Fail));
        assert_eq!(verdict(0, &[good.clone(), none]), Some(Outcome::Unproven));
        assert_eq!(verdict(3, &[bad]), Some(Outcome::Unproven));
        assert_eq!(verdict(1, &[good]), Some(Outcome::Fail));
        assert_eq!((verdict(130, &[]), verdict(-1, &[])), (None, None));
    }
}
