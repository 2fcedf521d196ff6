//! `kitproof demo`: the main job on a private bench made on this machine.
//!
//! The scenario is invented: the bag for a weekend at a ferry terminal's ticket hall, with a tap, two media
//! converters and patch cords. A software wire plays the chain; first it is faultless, then one converter
//! loses frames on the way back, then the tap loses its power and gets it back. The wire's own ledger says what it did.
//! Last, one bad piece of eleven is found by elimination, and the bag's sheet is written.

mod elimination;
mod power_pull;

use std::cell::Cell;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use clap::Args;
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options, REFLECTOR_PORT};
use kitproof_bench::script::Script;
use kitproof_bench::{Ledger, enter};
use serde_json::Value;

use crate::procedure::failure::{Failure, status};
use crate::report::{Ink, Style};

/// What the bench plays.
const PROVE: [&str; 5] = ["prove", "--frame-size", "512,1518", "--duration", "3s"];
/// A bench without hardware holds this on most machines; the frames and the counting are the same.
const LINE_RATE: &str = "100M";
/// A machine that is busy with something else is asked for less.
const SLOW_LINE_RATE: &str = "10M";
/// How often a run is begun at most, how often of these at [`LINE_RATE`], and the rest between two.
const TRIES: usize = 12;
const TRIES_AT_FULL: usize = 3;
const REST: Duration = Duration::from_secs(2);
/// Longest a run may take.
const PATIENCE: Duration = Duration::from_secs(60);
/// Nothing is remembered of a bench that is gone: a folder that cannot be made.
const NO_STATE: &str = "/proc/kitproof";

const FAULT: &str = r#"{"return": {"drop": {"every": 997, "burst": {"first": 2000, "length": 40}}}}"#;

#[derive(Args, Debug)]
pub struct Demo {
    /// Where the results go: pass.json, fail.json, pull.json, and the wire's own ledger of the last two, wire.json and
    /// pull-wire.json; bag.sqlite and
    /// kit-sheet.html, the bag's ledger and its sheet
    #[arg(long, value_name = "FOLDER", default_value = "kitproof-demo")]
    pub output: PathBuf,

    /// This machine did not hold the first line rate: what follows is played on a slower line at once.
    #[arg(skip)]
    pub slow: Cell<bool>,
}

impl Demo {
    /// Runs the demo. Must be called before the process has threads.
    ///
    /// # Errors
    /// No private bench can be made here, or something did not go as the scenario says.
    pub fn run(&self, no_color: bool) -> Result<u8, Failure> {
        enter().map_err(|error| Failure::Environment(format!("{error:#}")))?;
        std::fs::create_dir_all(&self.output)
            .map_err(|error| Failure::Usage(format!("{}: {error}", self.output.display())))?;
        let ink = Ink::stdout(no_color);
        println!(
            "{}",
            ink.paint(Style::Strong, "The bag for a weekend at the ferry terminal's ticket hall (invented)")
        );
        println!(
            "Everything below happens on this machine, in two private network rooms joined by a software wire.\n\
             A {LINE_RATE} line is played, so that most machines can hold it; your own chain is proved at full rate.\n"
        );
        println!(
            "{}",
            ink.paint(
                Style::Strong,
                "1. Chain: patch P-1, tap T-1, converters C-1 and C-2, patch P-2: all is well"
            )
        );
        let (first, _) = self.decided(&PROVE, &Script::faithful(), "pass.json", no_color)?;
        expect(first == status::PASS, "a faultless wire must pass")?;

        println!(
            "{}",
            ink.paint(Style::Strong, "2. The same chain; now converter C-2 loses frames on the way back")
        );
        let script = Script::from_json(FAULT).map_err(broken)?;
        let (second, ledger) = self.decided(&PROVE, &script, "fail.json", no_color)?;
        expect(second == status::FAIL, "a wire that loses frames must fail")?;
        self.keep("wire.json", &serde_json::to_vec_pretty(&ledger).map_err(broken)?)?;
        let rows = compare(&self.read("fail.json")?, &ledger)?;
        println!("{}", ink.paint(Style::Strong, "What the wire did, and what kitproof found"));
        println!("  {:>6}  {:>22}  {:>22}", "bytes", "lost forward", "lost on return");
        for row in &rows {
            let cell = |(did, found): (u64, u64)| format!("did {did}, found {found}");
            println!("  {:>6}  {:>22}  {:>22}", row.frame_size, cell(row.forward), cell(row.homeward));
        }
        let exact = rows.iter().all(|row| row.forward.0 == row.forward.1 && row.homeward.0 == row.homeward.1);
        expect(exact && !rows.is_empty(), "the wire's ledger and the result must agree")?;
        println!("\n{}\n", ink.paint(Style::Good, "Every frame accounted for, in the right direction."));
        power_pull::scene(self, &ink, no_color)?;
        elimination::scene(self, &ink, no_color)?;
        println!("Results: {}", self.output.display());
        Ok(status::PASS)
    }

    /// Runs until it is decided, [`TRIES`] times at most: a machine that is busy with something else cannot offer the
    /// load, and kitproof says so instead of guessing.
    fn decided(
        &self,
        command: &[&str],
        script: &Script,
        json: &str,
        no_color: bool,
    ) -> Result<(u8, Ledger), Failure> {
        // A slower line would make the gaps of a power pull too coarse to be seen.
        let may_be_slow = command.first() == Some(&"prove");
        let mut done = 0;
        loop {
            let line_rate = if may_be_slow && self.slow.get() { SLOW_LINE_RATE } else { LINE_RATE };
            let result = self.play(command, line_rate, script, json, no_color)?;
            done += 1;
            if result.0 != status::UNPROVEN || done == TRIES {
                return Ok(result);
            }
            std::thread::sleep(REST);
            let slower = may_be_slow && done >= TRIES_AT_FULL && !self.slow.replace(true);
            let how =
                if slower { format!(", from now on on a {SLOW_LINE_RATE} line") } else { String::new() };
            println!("This machine was too busy to offer the load evenly. Once more{how}.\n");
        }
    }

    /// One run of the real binaries over the wire: the exit status, and what the wire says it did.
    fn play(
        &self,
        command: &[&str],
        line_rate: &str,
        script: &Script,
        json: &str,
        no_color: bool,
    ) -> Result<(u8, Ledger), Failure> {
        let mut bench = Bench::with_wire(script.clone(), Options::default()).map_err(broken)?;
        let mut reflector = Command::new(beside("kitproof-reflector")?);
        reflector.args([REFLECTOR_PORT, "--exit-with-parent", "--quiet"]).stdin(Stdio::null());
        let _reflector = bench.reflector.spawn(reflector).map_err(broken)?;
        let (name, options) = command.split_first().ok_or_else(|| broken("no command to play"))?;
        let shared = ["--line-rate", line_rate, "--settle", "500ms", "--isolated-bench", "--unattended"];
        let arguments: Vec<&str> =
            [*name, GENERATOR_PORT].into_iter().chain(options.iter().copied()).chain(shared).collect();
        println!("$ kitproof {}\n", arguments.join(" "));
        let _ = std::io::stdout().flush();
        let mut generator = Command::new(beside("kitproof")?);
        generator
            .args(&arguments)
            .arg("--json")
            .arg(self.output.join(json))
            .args(no_color.then_some("--no-color"))
            .env("XDG_STATE_HOME", NO_STATE)
            .stdin(Stdio::null());
        let mut generator = bench.generator.spawn(generator).map_err(broken)?;
        let ended = generator.wait_for(PATIENCE).map_err(broken)?;
        let code = ended.and_then(|status| status.code()).and_then(|code| u8::try_from(code).ok());
        let code =
            code.ok_or_else(|| Failure::Incomplete(format!("kitproof {name} did not end by itself")))?;
        println!();
        let ledger = bench.stop_wire().map_err(broken)?;
        Ok((code, ledger))
    }

    fn keep(&self, name: &str, octets: &[u8]) -> Result<(), Failure> {
        let path = self.output.join(name);
        std::fs::write(&path, octets)
            .map_err(|error| Failure::Incomplete(format!("{}: {error}", path.display())))
    }

    fn read(&self, name: &str) -> Result<Value, Failure> {
        let path = self.output.join(name);
        let failed = |error: String| Failure::Incomplete(format!("{}: {error}", path.display()));
        let text = std::fs::read(&path).map_err(|error| failed(error.to_string()))?;
        serde_json::from_slice(&text).map_err(|error| failed(error.to_string()))
    }
}

/// One trial: (what the wire did, what was found) in each direction.
struct Row {
    frame_size: u64,
    forward: (u64, u64),
    homeward: (u64, u64),
}

/// Holds a result against the wire's ledger, trial by trial, in order.
fn compare(result: &Value, ledger: &Ledger) -> Result<Vec<Row>, Failure> {
    let trials = result["trials"].as_array().map(Vec::as_slice).unwrap_or_default();
    expect(trials.len() == ledger.trials.len(), "the wire must have seen every trial")?;
    let number = |trial: &Value, name: &str| {
        trial[name].as_u64().ok_or_else(|| Failure::Incomplete(format!("the result lacks {name}")))
    };
    trials
        .iter()
        .zip(&ledger.trials)
        .map(|(found, did)| {
            Ok(Row {
                frame_size: number(found, "frame_size")?,
                forward: (did.forward.dropped.count, number(found, "lost_forward")?),
                homeward: (did.back.dropped.count, number(found, "lost_return")?),
            })
        })
        .collect()
}

/// A program that was built with this one.
fn beside(name: &str) -> Result<PathBuf, Failure> {
    let own = std::env::current_exe()
        .map_err(|error| Failure::Environment(format!("this program's own path is not known: {error}")))?;
    let path = own.parent().unwrap_or(Path::new(".")).join(name);
    if path.exists() {
        Ok(path)
    } else {
        Err(Failure::Environment(format!("{} is not there: build or install both programs", path.display())))
    }
}

fn broken(error: impl std::fmt::Display) -> Failure {
    Failure::Environment(format!("the bench failed: {error:#}"))
}

fn expect(held: bool, what: &str) -> Result<(), Failure> {
    if held { Ok(()) } else { Err(Failure::Incomplete(format!("the demo did not go as it should: {what}"))) }
}
