//! A pair that has too little processor blames itself and never the kit; and what the kit did is found all the same.
//!
//! `KITPROOF_RUNS=n` sets how often each of the three is repeated: 30 for the whole proof, fewer unless told.

use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options, REFLECTOR_PORT};
use kitproof_bench::script::{Faults, Schedule, Script};
use kitproof_bench::{Ledger, Room};
use kitproof_suite::{Ended, Folder, Running, number, program, run, trials, validate};
use rustix::thread::{CpuSet, sched_getaffinity, sched_setaffinity};
use serde_json::Value;

const FAIL: i32 = 1;
const UNPROVEN: i32 = 3;

/// Threads that burn the starved core beside the pair, at the pair's own priority.
const BURNERS: usize = 2;
/// Runs over a wire that lost frames itself, because the machine was too busy, are not counted; but not for ever.
const SPOILED_AT_MOST: usize = 5;

fn main() {
    run(&[
        ("a_starved_pair_is_unproven", starved),
        ("a_starved_pair_still_finds_what_the_wire_takes", starved_and_losing),
        ("one_frame_lost_in_a_million_is_never_a_pass", one_in_a_million),
    ]);
}

fn runs(usual: usize) -> usize {
    std::env::var("KITPROOF_RUNS").ok().and_then(|text| text.parse().ok()).unwrap_or(usual)
}

/// The processors this process may use.
fn processors() -> Result<Vec<usize>> {
    let set = sched_getaffinity(None)?;
    Ok((0..CpuSet::MAX_CPU).filter(|cpu| set.is_set(*cpu)).collect())
}

/// Ties the calling thread, and what it starts from now on, to some processors.
fn tie(processors: &[usize]) -> Result<()> {
    let mut set = CpuSet::new();
    processors.iter().for_each(|cpu| set.set(*cpu));
    sched_setaffinity(None, &set).context("a thread cannot be tied to a processor")
}

/// Ties what is started in a room from now on.
fn tie_room(room: &Room, cpu: usize) -> Result<()> {
    room.run(move || tie(&[cpu]))
}

/// Threads that do nothing, as fast as they can, on one processor, until dropped.
struct Burners {
    stop: Arc<AtomicBool>,
    threads: Vec<JoinHandle<()>>,
}

impl Burners {
    fn start(cpu: usize) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let threads = (0..BURNERS)
            .map(|_| {
                let stop = Arc::clone(&stop);
                std::thread::spawn(move || {
                    let tied = tie(&[cpu]).is_ok();
                    // The programs raise their own priority where they may: so does this thread (to Linux a
                    // "process" of setpriority(2) is a thread), or it would have next to nothing.
                    let _ = rustix::process::setpriority_process(None, -20);
                    while tied && !stop.load(Ordering::Relaxed) {
                        std::hint::spin_loop();
                    }
                })
            })
            .collect();
        Self { stop, threads }
    }
}

impl Drop for Burners {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        for thread in self.threads.drain(..) {
            let _ = thread.join();
        }
    }
}

/// A bench with both programs on one processor, and the wire, if there is one, on the others.
struct Rig {
    bench: Bench,
    _reflector: Running,
    state: Folder,
    cpu: usize,
}

impl Rig {
    fn starved(make: impl FnOnce() -> Result<Bench>) -> Result<Self> {
        let all = processors()?;
        let (&cpu, others) = all.split_first().context("there is no processor")?;
        if !others.is_empty() {
            // The wire's thread inherits this.
            tie(others)?;
        }
        let bench = make();
        tie(&all)?;
        let bench = bench?;
        tie_room(&bench.generator, cpu)?;
        tie_room(&bench.reflector, cpu)?;
        Self::new(bench, cpu)
    }

    fn new(bench: Bench, cpu: usize) -> Result<Self> {
        let mut command = Command::new(program("kitproof-reflector")?);
        command
            .args([REFLECTOR_PORT, "--exit-with-parent"])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        let reflector = Running::spawn(&bench.reflector, command)?;
        let rig = Self { bench, _reflector: reflector, state: Folder::new("starved")?, cpu };
        // The link is listened to once, while there is time.
        let first = rig.prove(&["--load", "1000fps", "--frame-size", "64", "--duration", "100ms"])?;
        ensure!([0, FAIL, UNPROVEN].contains(&first.status), "{first:?}");
        Ok(rig)
    }

    fn prove(&self, arguments: &[&str]) -> Result<Ended> {
        prove(&self.bench.generator, self.state.path(), arguments)
    }
}

fn prove(room: &Room, state: &Path, arguments: &[&str]) -> Result<Ended> {
    let fixed =
        ["prove", GENERATOR_PORT, "--line-rate", "1G", "--isolated-bench", "--unattended", "--json", "-"];
    let waits = ["--settle", "100ms", "--residual", "500ms"];
    let all: Vec<&str> = fixed.iter().chain(&waits).chain(arguments).copied().collect();
    Running::remembering(room, state, "kitproof", &all)?.wait(Duration::from_secs(120))
}

/// The one trial of a result that keeps the schema.
fn only_trial(ended: &Ended) -> Result<(Value, Value)> {
    let result = ended.json()?;
    validate(&result)?;
    let [trial] = trials(&result)? else { bail!("one trial was asked for: {result:#}") };
    Ok((trial.clone(), result.clone()))
}

fn codes(result: &Value) -> Vec<String> {
    let reasons = result["reasons"].as_array().map(Vec::as_slice).unwrap_or_default();
    reasons.iter().filter_map(|reason| reason["code"].as_str()).map(str::to_owned).collect()
}

/// The smallest frames at 1 Gb/s are 1,488,095 a second (RFC 2544 appendix B), which no part of a processor sends,
/// returns and receives; nor 400,000.
const TOO_MUCH: [&str; 2] = ["100%", "400000fps"];

/// Over a cable that loses nothing: `unproven`, never `fail`, never `pass`.
fn starved() -> Result<()> {
    let rig = Rig::starved(|| Bench::direct(Options::default()))?;
    let _burners = Burners::start(rig.cpu);
    for number in 0..runs(12) {
        let load = TOO_MUCH[number % TOO_MUCH.len()];
        let ended = rig.prove(&["--load", load, "--frame-size", "64", "--duration", "1s"])?;
        let (trial, result) = only_trial(&ended).with_context(|| format!("{ended:?}"))?;
        eprintln!(
            "run {number} at {load}: {}, {} offered, {} home, {:?}",
            result["verdict"],
            trial["offered_frames"],
            trial["returned_frames"],
            codes(&result)
        );
        ensure!(
            ended.status == UNPROVEN && result["verdict"] == "unproven",
            "run {number} at {load}: {result:#}"
        );
    }
    Ok(())
}

/// Over a wire that takes every 97th forward: `fail`, whatever the pair drops besides.
fn starved_and_losing() -> Result<()> {
    let forward = Faults { drop: Schedule::every(97), ..Faults::default() };
    let script = Script { forward, ..Script::default() };
    let mut rig = Rig::starved(|| Bench::with_wire(script.clone(), Options::default()))?;
    let _burners = Burners::start(rig.cpu);
    let (mut spoiled, mut level, mut run) = (0, 0, 0);
    while run < runs(5) {
        // What the wire itself cannot carry on a machine that others share is no test: less then.
        let load =
            [["100%", "150000fps"], ["80000fps", "40000fps"], ["20000fps", "10000fps"]][level][run % 2];
        rig.bench.change_script(script.clone())?;
        let ended = rig.prove(&["--load", load, "--frame-size", "64", "--duration", "1s"])?;
        let ledger = rig.bench.change_script(script.clone())?;
        let Some(took) = taken(&ledger)? else {
            spoiled += 1;
            level = (level + spoiled / SPOILED_AT_MOST).min(3);
            spoiled %= SPOILED_AT_MOST;
            ensure!(level < 3, "the wire itself loses frames on this machine: {:?}", ledger.lost_by_wire);
            continue;
        };
        let (trial, result) = only_trial(&ended).with_context(|| format!("{ended:?}"))?;
        let lost = number(&trial, "lost_forward")?;
        let most = trial["max_pair_drop"]["forward"].as_u64().context("max_pair_drop")?;
        eprintln!(
            "run {run} at {load}: {}, the wire took {took}, {lost} lost forward, {most} perhaps by the pair",
            result["verdict"]
        );
        ensure!(
            ended.status == FAIL && result["verdict"] == "fail" && took > 0,
            "run {run} at {load}, the wire took {took}: {result:#}"
        );
        ensure!(
            (took..=took + most).contains(&lost),
            "run {run} at {load}: the wire took {took}, the result says {lost}, of which {most} may be the pair's: {result:#}"
        );
        run += 1;
    }
    Ok(())
}

/// Frames a wire that lost none itself took forward; None if it lost some.
fn taken(ledger: &Ledger) -> Result<Option<u64>> {
    if !ledger.is_clean() {
        return Ok(None);
    }
    let [did] = ledger.trials.as_slice() else { bail!("one trial was to pass the wire: {ledger:?}") };
    Ok(Some(did.forward.dropped.count + did.back.dropped.count))
}

const MILLION: u64 = 1_000_000;
/// Frames per second that the pair and the wire hold together on two processors; the next where a machine cannot carry the
/// one before it.
const HELD: [u64; 3] = [80_000, 40_000, 20_000];

/// One frame of a million, at a load the pair holds: `fail`, or `unproven` with a drop named; never `pass`.
fn one_in_a_million() -> Result<()> {
    let place = |run: u64| 1 + (run * 377_777 + 499_999) % MILLION;
    let mut rig = Rig::new(Bench::with_wire(Script::faithful(), Options::default())?, 0)?;
    let mut spoiled = 0;
    let mut run = 0;
    while run < runs(6) as u64 {
        // Either way, anywhere, the very first and the very last frame too.
        let at = match run {
            0 => MILLION,
            1 => 1,
            _ => place(run),
        };
        let one = Faults { drop: Schedule::at(&[at]), ..Faults::default() };
        let backward = run % 2 == 1;
        let script = match backward {
            false => Script { forward: one, ..Script::default() },
            true => Script { back: one, ..Script::default() },
        };
        rig.bench.change_script(script)?;
        let held = HELD[spoiled.min(HELD.len() - 1)];
        let (load, duration) = (format!("{held}fps"), format!("{}ms", 1000 * MILLION / held));
        let ended = rig.prove(&["--load", &load, "--frame-size", "64", "--duration", &duration])?;
        let ledger = rig.bench.change_script(Script::faithful())?;
        let Some(took) = taken(&ledger)? else {
            spoiled += 1;
            ensure!(
                spoiled <= SPOILED_AT_MOST,
                "the wire itself loses frames on this machine: {:?}",
                ledger.lost_by_wire
            );
            continue;
        };
        let (trial, result) = only_trial(&ended).with_context(|| format!("{ended:?}"))?;
        let codes = codes(&result);
        eprintln!(
            "run {run}, frame {at} {}: {}, {codes:?}",
            if backward { "back" } else { "forward" },
            result["verdict"]
        );
        let dropped = trial["pair_drops"].as_object().is_some_and(|drops| !drops.is_empty())
            || codes.iter().any(|code| code == "pair_may_have_dropped");
        match ended.status {
            FAIL if took == 1 => {
                let lost = (number(&trial, "lost_forward")?, number(&trial, "lost_return")?);
                let most = &trial["max_pair_drop"];
                let most = (most["forward"].as_u64().unwrap_or(0), most["return"].as_u64().unwrap_or(0));
                let by_wire = if backward { (0, 1) } else { (1, 0) };
                ensure!(
                    (by_wire.0..=by_wire.0 + most.0).contains(&lost.0)
                        && (by_wire.1..=by_wire.1 + most.1).contains(&lost.1),
                    "run {run}: {result:#}"
                );
            }
            UNPROVEN if dropped => {}
            // A sender that gave up before the frame's turn came: the wire took nothing, and the load was missed.
            UNPROVEN if took == 0 && number(&trial, "offered_frames")? < MILLION => {}
            _ => bail!("run {run}, frame {at}, the wire took {took}: {result:#}"),
        }
        run += 1;
    }
    Ok(())
}
