//! `kitproof plan`: the tests of a bench, from a file.

use std::path::PathBuf;
use std::time::Duration;

use clap::Args;
use sha2::{Digest as _, Sha256};
use tokio::sync::watch;

use super::complain;
use super::options::keep;
use crate::procedure::failure::{Failure, status};
use crate::procedure::result::tool;
use crate::regression::{
    Interrupted, JUNIT, PLAN, Plan as Read, PlanResult, SCHEMA, Settled, TestResult, carry_out, check,
    estimate, junit, lock, set_aside,
};
use crate::report::{Ink, Style};
use crate::state;
use crate::verdict::Outcome;

#[derive(Args, Debug)]
#[command(after_help = super::options::CAUTION)]
pub struct Plan {
    /// The plan (TOML)
    #[arg(value_name = "FILE")]
    pub file: PathBuf,

    /// Check it, and say what would be run and how long it takes
    #[arg(long)]
    pub dry_run: bool,

    /// Where results and logs go: plan.json, junit.xml, and those of each run
    #[arg(long, value_name = "FOLDER", default_value = "kitproof-plan")]
    pub output: PathBuf,
}

impl Plan {
    /// Runs it. The exit status is that of the worst test.
    ///
    /// # Errors
    /// A plan that is wrong, before anything is sent: every mistake with its line.
    pub async fn run(&self, no_color: bool, mut interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        let text = std::fs::read_to_string(&self.file)
            .map_err(|error| Failure::Usage(format!("{}: {error}", self.file.display())))?;
        let plan = match check(&text) {
            Ok(plan) => plan,
            Err(wrong) => {
                let shown = self.file.display();
                let all: Vec<String> = wrong.iter().map(|what| format!("{shown}, {what}")).collect();
                return Err(Failure::Usage(all.join("\nkitproof: ")));
            }
        };
        if self.dry_run {
            dry_run(&plan);
            return Ok(status::PASS);
        }
        let _lock = lock(&plan.interface)?;
        std::fs::create_dir_all(&self.output)
            .map_err(|error| Failure::Usage(format!("{}: {error}", self.output.display())))?;
        let earlier = set_aside(&self.output).map_err(|error| {
            let shown = self.output.display();
            Failure::Usage(format!("{shown}: what an earlier plan left there cannot be moved: {error}"))
        })?;
        if let Some(place) = earlier {
            println!("what the plan before left is in {}", place.display());
        }
        let mut result = PlanResult {
            schema: SCHEMA.to_owned(),
            tool: tool(),
            title: if plan.title.is_empty() { self.file.display().to_string() } else { plan.title.clone() },
            plan: self.file.display().to_string(),
            sha256: Sha256::digest(text.as_bytes()).iter().map(|octet| format!("{octet:02x}")).collect(),
            interface: plan.interface.clone(),
            started: state::now(),
            ..PlanResult::default()
        };
        let (ink, count) = (Ink::stdout(no_color), plan.tests.len());
        let mut written = true;
        let mut ended = None;
        for (index, test) in plan.tests.iter().enumerate() {
            let mut told = TestResult { name: test.name.clone(), ..TestResult::default() };
            if let Some(why) = ended {
                told.why = why;
                result.tests.push(told);
                ended = Some("an earlier test ended the plan".to_owned());
                continue;
            }
            println!("[{}/{count}] {}", index + 1, test.name);
            let mut say = |line: &str| println!("{line}");
            let went =
                carry_out(&plan, test, index + 1, &self.output, &mut interrupt, &mut told, &mut say).await;
            println!("  {}", coloured(&told, ink));
            result.tests.push(told);
            match went {
                Ok(Settled::GoOn) => {}
                Ok(Settled::Stop) => ended = Some("an earlier test ended the plan".to_owned()),
                Err(Interrupted) => {
                    result.interrupted = true;
                    ended = Some("the plan was interrupted".to_owned());
                }
            }
            // After every test: what was measured is never lost.
            written &= self.write(&result);
        }
        result.verdict = Some(worst(&result));
        written &= self.write(&result);
        if let Some(sheet) = &plan.sheet {
            written &= write_sheet(&plan, sheet);
        }
        summary(&result, ink);
        Ok(match result.verdict {
            _ if result.interrupted => status::INTERRUPTED,
            Some(Outcome::Pass) | None if !written => status::UNPROVEN,
            verdict => verdict.map_or(status::UNPROVEN, Outcome::exit_status),
        })
    }

    fn write(&self, result: &PlanResult) -> bool {
        let json = serde_json::to_vec_pretty(result).unwrap_or_default();
        let mut written = keep(&self.output.join(PLAN), json);
        match junit(result) {
            Ok(text) => written &= keep(&self.output.join(JUNIT), text.into_bytes()),
            Err(error) => {
                complain(&format!("the result cannot be written as JUnit XML: {error}"));
                written = false;
            }
        }
        written
    }
}

/// A test that was left out proves nothing.
fn worst(result: &PlanResult) -> Outcome {
    let any = |outcome| result.tests.iter().any(|test| test.verdict == outcome);
    if any(Some(Outcome::Fail)) {
        Outcome::Fail
    } else if any(Some(Outcome::Unproven)) || any(None) {
        Outcome::Unproven
    } else {
        Outcome::Pass
    }
}

fn coloured(told: &TestResult, ink: Ink) -> String {
    let (style, word) = match told.verdict {
        Some(Outcome::Pass) => (Style::Good, "pass"),
        Some(Outcome::Fail) => (Style::Bad, "FAIL"),
        Some(Outcome::Unproven) => (Style::Unsure, "UNPROVEN"),
        None => (Style::Faint, "not run"),
    };
    let why = if told.why.is_empty() { String::new() } else { format!(": {}", told.why) };
    format!("{}{why}", ink.paint(style, word))
}

fn summary(result: &PlanResult, ink: Ink) {
    println!();
    for test in &result.tests {
        println!("{:>7.0} s  {}  {}", test.seconds, test.name, coloured(test, ink));
    }
    let count = |verdict| result.tests.iter().filter(|test| test.verdict == verdict).count();
    println!(
        "\n{}: {} passed, {} failed, {} unproven, {} not run",
        result.title,
        count(Some(Outcome::Pass)),
        count(Some(Outcome::Fail)),
        count(Some(Outcome::Unproven)),
        count(None)
    );
}

fn dry_run(plan: &Read) {
    let mut total = Duration::ZERO;
    let mut open = false;
    for (index, test) in plan.tests.iter().enumerate() {
        let takes = estimate(plan, test);
        total += takes.unwrap_or_default();
        open |= takes.is_none();
        let takes = takes.map_or("nobody knows how long".to_owned(), |time| format!("{} s", time.as_secs()));
        let repeats = if test.repeats > 1 { format!(", {} times", test.repeats) } else { String::new() };
        println!("{:>3}. {} ({takes}{repeats})", index + 1, test.name);
        println!("     $ {}", crate::regression::typed(plan, test));
        for limit in &test.limits {
            println!("     {} {}", limit.measure, limit.bound);
        }
    }
    let more = if open { ", and those of which nobody knows how long they take" } else { "" };
    println!("\nabout {} min{more}; what the pair spoils is run again", total.as_secs().div_ceil(60));
}

/// The bag's sheet, by the program itself.
fn write_sheet(plan: &Read, sheet: &str) -> bool {
    let mut arguments = vec!["sheet".to_owned(), sheet.to_owned()];
    arguments.extend(plan.ledger.iter().map(|ledger| format!("--ledger={ledger}")));
    let ended = std::env::current_exe()
        .and_then(|own| std::process::Command::new(own).args(arguments).status())
        .is_ok_and(|status| status.success());
    if !ended {
        complain(&format!("{sheet} could not be written"));
    }
    ended
}
