//! Latency against wires that take a known time: a delay, stages that store each frame whole, a clock that is too slow.
//! The same wire with nothing in it is the pair's reference.

use anyhow::{Context, Result, bail, ensure};
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options};
use kitproof_bench::script::{Faults, Script, SlowClock, Stage};
use kitproof_suite::rig::{FAIL, PASS, TRIES, UNPROVEN, rest};
use kitproof_suite::{Ended, Folder, Running, number, reflector_by_packets, run_measuring, trials, validate};
use serde_json::Value;
use std::time::Duration;

fn main() {
    run_measuring(&[
        ("a_known_delay_is_what_the_chain_adds", known_delay),
        ("stages_that_store_are_counted", stages),
        ("two_clocks_apart_are_named", slow_clock),
        ("no_reference_no_subtraction", without_a_reference),
        ("a_pair_that_loses_is_no_reference", a_pair_that_loses),
        ("what_cannot_be_measured_is_refused", refused),
    ]);
}

/// A bench whose wire is changed from run to run, and what the program remembers of it.
struct Kit {
    bench: Bench,
    _reflector: Running,
    state: Folder,
}

impl Kit {
    fn new() -> Result<Self> {
        let bench = Bench::with_wire(Script::faithful(), Options::default())?;
        let reflector = reflector_by_packets(&bench.reflector)?;
        Ok(Self { bench, _reflector: reflector, state: Folder::new("delays")? })
    }

    fn run(
        &mut self,
        script: &Script,
        command: &str,
        arguments: &[&str],
    ) -> Result<(Ended, kitproof_bench::Ledger)> {
        self.bench.change_script(script.clone())?;
        let fixed = ["--isolated-bench", "--unattended", "--json", "-", "--via", "packet"];
        let waits = ["--settle", "50ms", "--residual", "200ms", "--load-tolerance", "5000ppm"];
        let all: Vec<&str> = [command, GENERATOR_PORT]
            .into_iter()
            .chain(fixed)
            .chain(waits)
            .chain(arguments.iter().copied())
            .collect();
        let ended = Running::remembering(&self.bench.generator, self.state.path(), "kitproof", &all)?
            .wait(Duration::from_secs(180))?;
        Ok((ended, self.bench.change_script(Script::faithful())?))
    }

    /// A run that the pair did not spoil, and what the wire did.
    fn decided(
        &mut self,
        script: &Script,
        command: &str,
        arguments: &[&str],
        status: i32,
    ) -> Result<(Value, kitproof_bench::Ledger)> {
        for _ in 0..TRIES {
            let (ended, ledger) = self.run(script, command, arguments)?;
            if ended.status == status && ledger.is_clean() {
                let result = ended.json()?;
                validate(&result)?;
                return Ok((result, ledger));
            }
            ensure!(
                ended.status == UNPROVEN || !ledger.is_clean(),
                "{command}: status {}: {}",
                ended.status,
                ended.stderr
            );
            eprintln!("unproven, and tried again: {}", ended.stderr);
            rest();
        }
        bail!("{command}: the pair was in the way each time")
    }
}

fn float(value: &Value, name: &str) -> Result<f64> {
    value[name].as_f64().with_context(|| format!("{name} in {value:#}"))
}

/// A finding's figure: value and uncertainty, nanoseconds.
fn figure(value: &Value, name: &str) -> Result<(f64, f64)> {
    Ok((float(&value[name], "ns")?, float(&value[name], "uncertainty_ns")?))
}

/// What must be among the reasons.
fn reason<'a>(result: &'a Value, code: &str) -> Result<&'a Value> {
    let reasons = result["reasons"].as_array().context("reasons")?;
    reasons.iter().find(|reason| reason["code"] == code).with_context(|| format!("no {code}: {reasons:#?}"))
}

/// How late the wire was with a frame in the mean, both directions together, nanoseconds: the worst of all trials.
fn lateness_ns(ledger: &kitproof_bench::Ledger) -> f64 {
    let mean = |trial: &kitproof_bench::ledger::Trial| {
        [&trial.forward, &trial.back].map(|counts| counts.late.mean_ns().unwrap_or(0)).iter().sum::<u64>()
            as f64
    };
    ledger.trials.iter().map(mean).fold(0.0, f64::max)
}

fn delaying(forward_us: u64, back_us: u64) -> Script {
    let delay = |us| Faults { latency_us: us, ..Faults::default() };
    Script { forward: delay(forward_us), back: delay(back_us), ..Script::default() }
}

/// The pair's wire takes a millisecond each way, so that both runs wait for the same clock; the chain adds D.
fn known_delay() -> Result<()> {
    const ADDED_NS: f64 = 2_500_000.0;
    let sizes = ["--line-rate", "100M", "--frame-size", "64,512,1518", "--trials", "3", "--duration", "1s"];
    let mut kit = Kit::new()?;
    let (_, alone) =
        kit.decided(&delaying(1_000, 1_000), "reference", &[&sizes[..], &["--load", "10%"]].concat(), PASS)?;
    let (result, with) =
        kit.decided(&delaying(3_000, 1_500), "latency", &[&sizes[..], &["--at", "10%"]].concat(), PASS)?;
    let all = result["latency"].as_array().context("latency")?;
    ensure!(all.len() == 3, "{all:#?}");
    let (late_alone, late_with) = (lateness_ns(&alone), lateness_ns(&with));
    for found in all {
        for which in ["minimum", "median"] {
            let (added, uncertainty) = figure(&found["added"], which)?;
            let (least, most) =
                (ADDED_NS - 3.0 * uncertainty - late_alone, ADDED_NS + 3.0 * uncertainty + late_with);
            eprintln!("{which} {added} ± {uncertainty}, the wire late by {late_alone} and {late_with}");
            ensure!(
                (least..=most).contains(&added),
                "{which}: {added} ± {uncertainty} for {ADDED_NS}, the wire late by {late_alone} and {late_with}: {found:#}"
            );
        }
        // The same as the latency of a box that stores and forwards: two serialisations less (RFC 1242 section 3.8).
        let size = float(found, "frame_size")?;
        let (minimum, _) = figure(&found["added"], "minimum")?;
        let stored = float(&found["added"], "minimum_store_and_forward_ns")?;
        ensure!((minimum - stored - 2.0 * size * 80.0).abs() < 1e-3, "{found:#}");
        // The round trip holds the pair's own time.
        let (whole, _) = figure(found, "minimum")?;
        ensure!(whole >= 4_500_000.0, "{found:#}");
        // The tagged frame is of the stream, and no faster than the fastest.
        let (tagged, _) = figure(found, "tagged")?;
        ensure!(tagged >= 4_500_000.0, "{found:#}");
    }
    ensure!(result["kind_of_box"]["stages_per_direction"] == 0, "{:#}", result["kind_of_box"]);
    ensure!(result["reference"]["changed"] == serde_json::json!([]), "{:#}", result["reference"]);
    // Nothing shortened is called conformant.
    ensure!(result["conduct"]["by_the_letter"] == false, "{:#}", result["conduct"]);
    let words = result["conduct"]["words"].as_str().context("words")?;
    ensure!(
        words.contains("streams of 1 s in place of 120 s") && words.contains("not the throughput"),
        "{words}"
    );
    for trial in trials(&result)? {
        // In the middle, or the next sample after it whose round trip says something.
        let tagged = number(&trial["tagged_frame"], "sequence")?;
        let offered = number(trial, "offered_frames")?;
        ensure!((offered / 2..offered).contains(&tagged), "{tagged} of {offered}");
        // Every frame but the first has a predecessor, less those of the warm-up (a twentieth of a second, a tenth of the
        // trial at most); a round trip that was left out within the trial parts two pairs and leaves one frame out.
        let trips = &trial["round_trip_ns"];
        let varied = number(&trial["delay_variation"]["ipdv_ns"], "samples")?;
        let warm_up =
            (float(&trial["intended_load"], "frames_per_s")? * 0.05).min(offered as f64 / 10.0) as u64;
        let left_out = number(trips, "excluded")?.saturating_sub(warm_up);
        let pairs = number(trips, "samples")? - 1;
        ensure!(
            varied <= pairs && pairs - varied <= left_out,
            "{varied} of {pairs}, {left_out} left out: {trial:#}"
        );
    }
    // Other commands say what the chain added as well.
    let (proved, _) = kit.decided(
        &delaying(3_000, 1_500),
        "prove",
        &["--line-rate", "100M", "--frame-size", "512", "--load", "10%", "--duration", "1s"],
        PASS,
    )?;
    let (added, _) = figure(&trials(&proved)?[0]["added"], "minimum")?;
    ensure!((added - ADDED_NS).abs() < 250_000.0, "{added}");
    Ok(())
}

/// Once and twice in each direction, and not at all: told apart, and so is one direction alone. 1,518 octets at 10 Mb/s take
/// 1,214.4 us to pass (calculated: 8 x 1518 / 10^7 s), which is how far the round trips over two such wires are apart for
/// every stage.
fn stages() -> Result<()> {
    for _ in 0..TRIES {
        match stages_once()? {
            Ok(()) => return Ok(()),
            Err(why) => eprintln!("{why}, and measured again"),
        }
    }
    bail!("the machine is too busy for a slope")
}

/// Why a slope was known too badly to count by, inside.
fn stages_once() -> Result<Result<(), String>> {
    const SERIALISATION_NS: f64 = 1_214_400.0;
    let slow = [
        "--line-rate",
        "10M",
        "--frame-size",
        "64,256,512,1024,1518",
        "--trials",
        "2",
        "--duration",
        "500ms",
    ];
    let mut kit = Kit::new()?;
    let (_, alone) =
        kit.decided(&Script::faithful(), "reference", &[&slow[..], &["--load", "10%"]].concat(), PASS)?;
    let late_alone = lateness_ns(&alone);
    let stage = Stage { bits_per_s: 10_000_000, preamble: false };
    let storing = |stages: usize| Faults { store: vec![stage; stages], ..Faults::default() };
    for (forward, back) in [(0, 0), (1, 1), (2, 2), (1, 0)] {
        let script = Script { forward: storing(forward), back: storing(back), ..Script::default() };
        let (result, with) =
            kit.decided(&script, "latency", &[&slow[..], &["--at", "10%"]].concat(), PASS)?;
        let kind = &result["kind_of_box"];
        let (measured, uncertainty) = (float(kind, "stages")?, float(kind, "stages_uncertainty")?);
        if uncertainty > 0.1 {
            return Ok(Err(format!("{measured} ± {uncertainty} stages")));
        }
        let told = if forward == back { serde_json::json!(forward) } else { Value::Null };
        ensure!(
            kind["stages_per_direction"] == told && (measured - (forward + back) as f64).abs() < 0.3,
            "{forward} forward, {back} on return: {kind:#}"
        );
        let all = result["latency"].as_array().context("latency")?;
        let largest = all.iter().find(|found| found["frame_size"] == 1518).context("1518")?;
        let (added, uncertainty) = figure(&largest["added"], "minimum")?;
        let expected = (forward + back) as f64 * SERIALISATION_NS;
        // The faithful wire hands a frame on when it looks, which is late by as much as its ledger says.
        let late = late_alone.max(lateness_ns(&with));
        ensure!(
            (added - expected).abs() <= 3.0 * uncertainty + late,
            "{forward} forward, {back} on return: {added} ± {uncertainty} for {expected}, the wire late by {late}"
        );
    }
    Ok(Ok(()))
}

/// 150 ppm slow at full load, with a buffer of 40 frames: named before anything is lost, with the right figure. A busy
/// machine sends in lumps, and then the figure is worth less and says so; it is measured again.
fn slow_clock() -> Result<()> {
    const PPM: f64 = 150.0;
    let clock = SlowClock { bits_per_s: 100_000_000, ppm: PPM as u32, buffer: 40 };
    let script =
        Script { forward: Faults { slow_clock: Some(clock), ..Faults::default() }, ..Script::default() };
    let arguments = ["--line-rate", "100M", "--frame-size", "1518", "--duration", "12s"];
    let mut kit = Kit::new()?;
    for _ in 0..2 * TRIES {
        let (ended, ledger) = kit.run(&script, "prove", &arguments)?;
        let result = ended.json()?;
        validate(&result)?;
        let climb = &trials(&result)?[0]["climb"];
        if climb.is_null() || !ledger.is_clean() {
            eprintln!("no climb seen, and tried again: {}", ended.stderr);
            rest();
            continue;
        }
        let (ppm, uncertainty) = (float(climb, "excess_ppm")?, float(climb, "uncertainty_ppm")?);
        ensure!((ppm - PPM).abs() <= (4.0 * uncertainty).max(10.0), "{climb:#}");
        if (ppm - PPM).abs() > 10.0 || uncertainty > 15.0 {
            eprintln!("{ppm} ± {uncertainty} ppm, and tried again");
            continue;
        }
        ensure!(climb["kind"] == "clocks", "{climb:#}");
        let passes = float(climb, "passes_percent")?;
        ensure!(passes < 100.0 - 0.0140 && passes > 100.0 - 0.0200, "{climb:#}");
        let text = reason(&result, "clock_difference")?["text"].as_str().context("text")?;
        ensure!(text.contains("not a faulty piece"), "{text}");
        return Ok(());
    }
    bail!("the machine is too busy for a rate that is even to 10 ppm")
}

/// Without a reference nothing is subtracted and no stage is counted; one of other ports, or of another line, is none.
fn without_a_reference() -> Result<()> {
    let quick = ["--frame-size", "64,512,1518", "--trials", "1", "--duration", "500ms", "--at", "10%"];
    let mut kit = Kit::new()?;
    let of = |line: &'static str| [&["--line-rate", line][..], &quick].concat();
    let (result, _) = kit.decided(&Script::faithful(), "latency", &of("100M"), PASS)?;
    ensure!(result["reference"].is_null(), "{:#}", result["reference"]);
    let words = result["kind_of_box"]["words"].as_str().context("words")?;
    ensure!(words.contains("without a reference"), "{words}");
    let reference = [
        "--line-rate",
        "10M",
        "--load",
        "10%",
        "--frame-size",
        "512",
        "--trials",
        "1",
        "--duration",
        "500ms",
    ];
    kit.decided(&Script::faithful(), "reference", &reference, PASS)?;
    let (result, _) = kit.decided(&Script::faithful(), "latency", &of("100M"), PASS)?;
    ensure!(result["reference"]["taken"].is_string(), "{:#}", result["reference"]);
    for found in result["latency"].as_array().context("latency")? {
        ensure!(found["added"].is_null(), "a line of 10 Mb/s is not one of 100: {found:#}");
    }
    Ok(())
}

/// What is lost with nothing between the ports is the pair's own; its reference speaks for no load. A chain that loses is
/// then still told to take the pair first, and after a clean reference no more.
fn a_pair_that_loses() -> Result<()> {
    let mut kit = Kit::new()?;
    let quick = ["--line-rate", "100M", "--load", "10%", "--frame-size", "512", "--duration", "500ms"];
    let reference =
        [&quick[..], &["--trials", "1", "--search-duration", "500ms", "--resolution", "2%"]].concat();
    let mut lossy = Script::faithful();
    lossy.forward.drop = kitproof_bench::script::Schedule::every(50);
    let (ended, ledger) = kit.run(&lossy, "reference", &reference)?;
    let result = ended.json()?;
    validate(&result)?;
    ensure!(ended.status == UNPROVEN, "status {}: {}", ended.status, ended.stderr);
    let text = reason(&result, "pair_loses")?["text"].as_str().context("text")?;
    let lost = ledger.trials[0].forward.dropped.count;
    ensure!(text.starts_with(&format!("{lost} frames were lost")), "{lost}: {text}");
    let mut harmful = Script::faithful();
    let when = kitproof_bench::script::Schedule::every(50);
    harmful.back.flip = Some(kitproof_bench::script::Flip {
        when,
        octet: kitproof_bench::script::Octet::Fill,
        mend: true,
        seed: 1,
    });
    let (ended, ledger) = kit.run(&harmful, "reference", &reference)?;
    let result = ended.json()?;
    ensure!(ended.status == UNPROVEN, "status {}: {}", ended.status, ended.stderr);
    let text = reason(&result, "pair_loses")?["text"].as_str().context("text")?;
    let damaged = ledger.trials[0].back.flipped.len();
    ensure!(text.starts_with(&format!("{damaged} frames were damaged")), "{damaged}: {text}");
    let (failed, _) = kit.decided(&lossy, "prove", &quick, FAIL)?;
    reason(&failed, "no_reference")?;
    kit.decided(&Script::faithful(), "reference", &reference, PASS)?;
    let (failed, _) = kit.decided(&lossy, "prove", &quick, FAIL)?;
    ensure!(reason(&failed, "no_reference").is_err(), "{:#}", failed["reasons"]);
    Ok(())
}

fn refused() -> Result<()> {
    let mut kit = Kit::new()?;
    for (command, arguments, says) in [
        ("latency", &["--line-rate", "100M", "--pairs", "2"][..], "--pairs 2"),
        ("latency", &["--line-rate", "100M", "--at", "200%"], "200%"),
        ("latency", &["--line-rate", "100M", "--duration", "10ms"], "at least 200 ms"),
        ("latency", &["--line-rate", "100M", "--trials", "0"], "0"),
        ("reference", &["--line-rate", "100M", "--load", "500fps"], "share of line rate"),
    ] {
        let (ended, _) = kit.run(&Script::faithful(), command, arguments)?;
        ensure!(ended.status == 2, "{command} {arguments:?}: {} {}", ended.status, ended.stderr);
        ensure!(ended.stderr.contains(says), "{command} {arguments:?}: {}", ended.stderr);
    }
    Ok(())
}
