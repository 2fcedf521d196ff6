//! A witness at the monitor side of a wire: what it tells is what the wire's own ledger says of its copies.

use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use kitproof_bench::Ledger;
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options, WITNESS_PORT};
use kitproof_bench::ledger::{Copied, Monitored};
use kitproof_bench::script::{Directions, Faults, Monitor, Rate, Schedule, Script};
use kitproof_suite::rig::{FAIL, PASS, TRIES, UNPROVEN, equal, rest, verdict};
use kitproof_suite::{Folder, Running, number, run, trials};
use serde_json::Value;

fn main() {
    run(&[
        ("a_faithful_copy_passes_with_exact_counts", faithful),
        ("a_copy_that_misses_every_500th_frame_of_one_direction_fails", every_500th),
        ("an_aggregating_port_loses_by_arithmetic", aggregating),
        ("what_the_link_lost_is_not_missing_in_the_copy", losing_link),
        ("frames_sent_into_the_monitor_port_are_found_in_the_link", leaking),
        ("a_monitor_port_that_goes_away_loses_nothing_that_was_heard", gone),
        ("a_witness_that_sees_nothing_and_wrong_files_are_said_in_one_line", nothing),
    ]);
}

/// What every run here begins with.
const PROVE: [&str; 6] = ["prove", GENERATOR_PORT, "--isolated-bench", "--unattended", "--line-rate", "100M"];

fn monitored(monitor: Monitor) -> Script {
    Script { monitor: Some(monitor), ..Script::default() }
}

struct Rig {
    bench: Bench,
    _reflector: Running,
    state: Folder,
}

impl Rig {
    fn new(script: Script) -> Result<Self> {
        let bench = Bench::with_wire(script, Options::default())?;
        let reflector = kitproof_suite::reflector(&bench.reflector)?;
        Ok(Self { bench, _reflector: reflector, state: Folder::new("witness")? })
    }

    /// One run with a witness; what the run says, what the witness says, and what the wire did. A wire or a pair that lost
    /// frames itself, on a machine that was busy, can be held against nothing: once more.
    fn go(&mut self, script: &Script, sizes: &str, load: &str) -> Result<(Value, Value, i32, Ledger)> {
        for _ in 0..TRIES {
            self.bench.change_script(script.clone())?;
            let file = self.state.path().join("run.json");
            let _ = std::fs::remove_file(&file);
            let file = file.to_str().context("a path in UTF-8")?.to_owned();
            let room = self.bench.witness.as_ref().context("a witness's room")?;
            let witness = Running::start(
                room,
                "kitproof",
                &[
                    "witness",
                    WITNESS_PORT,
                    "--silence",
                    "3s",
                    "--duration",
                    "60s",
                    "--monitor-rate",
                    "100M",
                    "--against",
                    &file,
                    "--json",
                    "-",
                ],
            )?;
            // It must hear the first frame: the socket is open once it says that it listens, well within this.
            std::thread::sleep(Duration::from_millis(1500));
            let prove = Running::remembering(
                &self.bench.generator,
                self.state.path(),
                "kitproof",
                &[
                    &PROVE[..],
                    &[
                        "--load-tolerance",
                        "5000ppm",
                        "--settle",
                        "200ms",
                        "--residual",
                        "500ms",
                        "--duration",
                        "1s",
                        "--frame-size",
                        sizes,
                        "--load",
                        load,
                        "--json",
                        &file,
                    ],
                ]
                .concat(),
            )?
            .wait(Duration::from_secs(60))?;
            let heard = witness.wait(Duration::from_secs(60))?;
            let ledger = self.bench.change_script(script.clone())?;
            let told: Value = heard.json().with_context(|| format!("{heard:?}\n{prove:?}"))?;
            validate(&told)?;
            let port = &told["ports"][0];
            let busy = number(port, "max_drop")? > 0 || !ledger.is_clean();
            if busy || prove.status == UNPROVEN {
                eprintln!("busy, and tried again: {port:#} {:?}", ledger.lost_by_wire);
                rest();
                continue;
            }
            let text = std::fs::read_to_string(&file).with_context(|| format!("{prove:?}"))?;
            return Ok((serde_json::from_str(&text)?, told, heard.status, ledger));
        }
        bail!("this machine is too busy")
    }
}

fn validate(told: &Value) -> Result<()> {
    let schema = include_str!("../../../generator/schema/witness.schema.json");
    let schema: Value = serde_json::from_str(schema)?;
    let errors: Vec<String> =
        jsonschema::validator_for(&schema)?.iter_errors(told).map(|error| error.to_string()).collect();
    ensure!(errors.is_empty(), "{errors:?}");
    Ok(())
}

fn monitored_of(ledger: &Ledger, tag: u64) -> Result<&Monitored> {
    let trial = ledger.trials.iter().find(|trial| u64::from(trial.session) == tag);
    trial.and_then(|trial| trial.monitor.as_ref()).context("a trial of that tag on the wire")
}

fn copied(monitored: &Monitored, direction: &str) -> Result<Copied> {
    Ok(match direction {
        "forward" => monitored.forward.clone(),
        "return" => monitored.back.clone(),
        other => bail!("no direction {other}"),
    })
}

/// Every copy the witness tells of is what the wire's ledger says of it.
fn compare(run: &Value, told: &Value, ledger: &Ledger) -> Result<()> {
    let copies = told["copies"].as_array().context("copies")?;
    equal("copies", copies.len() as u64, 2 * trials(run)?.len() as u64)?;
    for copy in copies {
        let did =
            copied(monitored_of(ledger, number(copy, "tag")?)?, copy["direction"].as_str().unwrap_or(""))?;
        let about = || format!("{copy:#} {did:?}");
        ensure!(
            did.shown == did.passed + did.dropped.count + did.queue_full.count && did.held == 0,
            "{}",
            about()
        );
        equal("handed_over", number(copy, "handed_over")?, did.passed).with_context(about)?;
        for name in ["corrupted", "duplicates", "reordered"] {
            equal(name, number(copy, name)?, 0).with_context(about)?;
        }
        let (least, most) = (number(&copy["missing"], "least")?, number(&copy["missing"], "most")?);
        let missing = did.dropped.count + did.queue_full.count;
        ensure!((least..=most).contains(&missing), "{missing} are missing: {}", about());
    }
    Ok(())
}

fn codes(told: &Value) -> Vec<&str> {
    let reasons = told["reasons"].as_array().map(Vec::as_slice).unwrap_or_default();
    reasons.iter().filter(|one| one["bears"] != "note").filter_map(|one| one["code"].as_str()).collect()
}

fn faithful() -> Result<()> {
    let script = monitored(Monitor::default());
    let mut rig = Rig::new(script.clone())?;
    let (run, told, status, ledger) = rig.go(&script, "64,512,1518", "4000fps")?;
    compare(&run, &told, &ledger)?;
    ensure!(status == PASS && verdict(&told) == "pass", "{:#}", told["reasons"]);
    for copy in told["copies"].as_array().context("copies")? {
        equal("most missing", number(&copy["missing"], "most")?, 0)?;
    }
    // Every frame came by twice: its copy on the way home after that on the way out, or on this host's own account.
    let frames: u64 =
        trials(&run)?.iter().map(|trial| number(trial, "offered_frames")).sum::<Result<u64>>()?;
    equal("pairs", number(&told["skew_ns"], "pairs")?, frames)?;
    equal("reversed", number(&told["skew_ns"], "reversed")?, 0)
}

fn every_500th() -> Result<()> {
    let script =
        monitored(Monitor { drop: Schedule::every(500), drop_of: Directions::Return, ..Monitor::default() });
    let mut rig = Rig::new(script.clone())?;
    let (run, told, status, ledger) = rig.go(&script, "512", "4000fps")?;
    compare(&run, &told, &ledger)?;
    ensure!(status == FAIL && codes(&told) == ["copy_missing"], "{:#}", told["reasons"]);
    let [trial] = trials(&run)? else { bail!("one trial") };
    for copy in told["copies"].as_array().context("copies")? {
        let missing = if copy["direction"] == "return" { number(trial, "offered_frames")? / 500 } else { 0 };
        equal("missing at least", number(&copy["missing"], "least")?, missing)?;
        equal("missing at most", number(&copy["missing"], "most")?, missing)?;
    }
    Ok(())
}

/// Both directions into one port of 100 Mb/s, as two of 1 Gb/s go into one of 1 Gb/s: the same arithmetic, a tenth of the
/// frames. 1,518 bytes take 1,538 octets of line (RFC 2544 appendix B).
fn aggregating() -> Result<()> {
    let script = monitored(Monitor { rate: Some(Rate::bits(100_000_000, 64)), ..Monitor::default() });
    let mut rig = Rig::new(script.clone())?;
    for (load, fits) in [("30%", true), ("50%", true), ("60%", false), ("100%", false)] {
        let (run, told, status, ledger) = rig.go(&script, "1518", load)?;
        compare(&run, &told, &ledger).with_context(|| load.to_owned())?;
        let [trial] = trials(&run)? else { bail!("one trial") };
        let [one] = told["aggregation"].as_array().map(Vec::as_slice).unwrap_or_default() else {
            bail!("{load}: {told:#}")
        };
        let both = 2 * number(trial, "offered_frames")?;
        let seconds = trial["duration_s"].as_f64().context("duration_s")?;
        let room = (100e6 * seconds / (8.0 * 1538.0)) as u64 + 1;
        let arithmetic = both.saturating_sub(room);
        equal("lost_by_arithmetic", number(one, "lost_by_arithmetic")?, arithmetic)?;
        let monitor = monitored_of(&ledger, number(trial, "tag")?)?;
        let missing = monitor.forward.queue_full.count + monitor.back.queue_full.count;
        equal("lost_beyond", number(one, "lost_beyond")?, missing.saturating_sub(arithmetic))?;
        ensure!((status == PASS) == (missing == 0), "{load}, {missing} missing: {:#}", told["reasons"]);
        eprintln!("{load}: {both} passed, {missing} missing, {arithmetic} by arithmetic");
        if fits {
            // At half load each way the port is exactly full, and a frame too early finds the other one there.
            ensure!(arithmetic <= 2, "{load}: {one:#}");
        } else {
            ensure!(arithmetic > 0 && status == FAIL, "{load}: {one:#}");
        }
    }
    Ok(())
}

/// The wire loses frames before its monitor side: they never passed there, and the witness cannot know.
fn losing_link() -> Result<()> {
    let forward = Faults { drop: Schedule::every(100), ..Faults::default() };
    let script = Script { forward, ..monitored(Monitor::default()) };
    let mut rig = Rig::new(script.clone())?;
    let (run, told, status, ledger) = rig.go(&script, "512", "4000fps")?;
    compare(&run, &told, &ledger)?;
    ensure!(status == UNPROVEN && codes(&told) == ["lost_in_the_link_or_the_copy"], "{:#}", told["reasons"]);
    Ok(())
}

fn leaking() -> Result<()> {
    for leaks in [false, true] {
        let script = monitored(Monitor { leaks, ..Monitor::default() });
        let mut bench = Bench::with_witness_beside(script, Options::default())?;
        let probe = [
            "witness",
            WITNESS_PORT,
            "--probe-back",
            "--link",
            GENERATOR_PORT,
            "--unattended",
            "--json",
            "-",
        ];
        let refused = Running::start(&bench.generator, "kitproof", &probe)?.wait(Duration::from_secs(20))?;
        ensure!(refused.status == 4 && refused.stderr.contains("--isolated-bench"), "{refused:?}");
        let all: Vec<&str> = probe.into_iter().chain(["--isolated-bench"]).collect();
        let ended = Running::start(&bench.generator, "kitproof", &all)?.wait(Duration::from_secs(30))?;
        let told = ended.json()?;
        validate(&told)?;
        let _ = bench.stop_wire()?;
        if leaks {
            ensure!(ended.status == FAIL && codes(&told) == ["monitor_side_leaks"], "{told:#}");
            let text = told["reasons"][0]["text"].as_str().unwrap_or_default();
            ensure!(text.contains("Of 1,000 frames") && text.contains("1,000 at kp0"), "{text}");
        } else {
            ensure!(ended.status == PASS && codes(&told).is_empty(), "{told:#}");
        }
    }
    Ok(())
}

fn nothing() -> Result<()> {
    let script = monitored(Monitor::default());
    let rig = Rig::new(script)?;
    let room = rig.bench.witness.as_ref().context("a witness's room")?;
    let go = |arguments: &[&str]| -> Result<_> {
        let all: Vec<&str> = [&["witness"][..], arguments].concat();
        Running::start(room, "kitproof", &all)?.wait(Duration::from_secs(20))
    };
    let silent = go(&[WITNESS_PORT, "--duration", "500ms", "--json", "-"])?;
    let told = silent.json()?;
    ensure!(silent.status == UNPROVEN && codes(&told) == ["nothing_seen"], "{told:#}");
    let strange = rig.state.path().join("notes.json");
    std::fs::write(&strange, "[]")?;
    let strange = strange.to_str().context("a path in UTF-8")?;
    for (arguments, status, says) in [
        (&["kp9"][..], 4, "kp9"),
        (&[WITNESS_PORT, WITNESS_PORT][..], 2, "named twice"),
        (&["--heard", strange, "--against", strange][..], 2, "is no result of kitproof"),
        (&[WITNESS_PORT, "--probe-back"][..], 2, "--link"),
    ] {
        let said = go(arguments)?;
        ensure!(said.status == status && said.stderr.contains(says), "{arguments:?}: {said:?}");
    }
    Ok(())
}

/// Its port is set down while it listens: what it heard until then is told, and proves nothing.
fn gone() -> Result<()> {
    let script = monitored(Monitor::default());
    let rig = Rig::new(script)?;
    let room = rig.bench.witness.as_ref().context("a witness's room")?;
    let witness =
        Running::start(room, "kitproof", &["witness", WITNESS_PORT, "--silence", "4s", "--json", "-"])?;
    std::thread::sleep(Duration::from_millis(1500));
    let prove = Running::remembering(
        &rig.bench.generator,
        rig.state.path(),
        "kitproof",
        &[
            &PROVE[..],
            &[
                "--load",
                "2000fps",
                "--frame-size",
                "64",
                "--duration",
                "500ms",
                "--load-tolerance",
                "50000ppm",
            ],
        ]
        .concat(),
    )?
    .wait(Duration::from_secs(60))?;
    ensure!([PASS, UNPROVEN].contains(&prove.status), "{prove:?}");
    room.set_link(WITNESS_PORT, false)?;
    let ended = witness.wait(Duration::from_secs(30))?;
    let told = ended.json().with_context(|| format!("{ended:?}"))?;
    validate(&told)?;
    let copies = told["copies"].as_array().context("copies")?;
    ensure!(copies.len() == 2 && number(&copies[0], "handed_over")? > 0, "{told:#}");
    ensure!(ended.status == UNPROVEN && codes(&told).contains(&"monitor_port_lost_carrier"), "{told:#}");
    Ok(())
}
