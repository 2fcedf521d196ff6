//! The standard procedures against a wire that is a known piece of kit: a limit of R frames a second behind a queue of
//! Q frames, to be found again by searches that know nothing of it.

use anyhow::{Context, Result, bail, ensure};
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options};
use kitproof_bench::script::{Faults, Rate, Script};
use kitproof_suite::rig::{PASS, TRIES, UNPROVEN, equal, rest};
use kitproof_suite::{Ended, number, reflector, run_measuring, trials, validate};
use kitproof_suite::{Folder, Running};
use serde_json::Value;
use std::time::Duration;

fn main() {
    run_measuring(&[
        ("throughput_is_the_wires_limit", throughput),
        ("back_to_back_finds_the_queue", back_to_back),
        ("the_loss_of_every_step_is_the_wires", frame_loss_rate),
        ("a_path_that_loses_at_every_load_ends_soon", loses_always),
        ("a_burst_that_cannot_be_ends_the_search_and_keeps_its_trials", no_burst_passes),
        ("the_last_frame_lost_after_an_overload_is_found", system_recovery),
        ("a_reflector_that_restarts_within_a_search_ends_it_and_loses_nothing", restarted),
        ("what_cannot_be_searched_is_refused", refused),
    ]);
}

/// 100 % of a 100 Mb/s line; the bench holds that on any machine.
const LINE: f64 = 100e6;
const QUEUE: u32 = 40;
/// Frame sizes, and a limit for each in frames a second: 74, 50 and 30 % of what the line carries.
const KIT: [(u16, u64); 3] = [(1518, 6_000), (1024, 6_000), (512, 7_000)];

/// Two of the sizes, or all three with KITPROOF_PROCEDURES=whole.
fn kit() -> &'static [(u16, u64)] {
    let whole = std::env::var_os("KITPROOF_PROCEDURES").is_some_and(|value| value == "whole");
    if whole { &KIT } else { &KIT[..2] }
}

/// What 100 Mb/s carry (RFC 2544 appendix B: 8,127 frames a second of 1,518 octets).
fn carried(frame_size: u16) -> f64 {
    LINE / (8.0 * f64::from(frame_size + 20))
}

fn limited(frames_per_s: u64) -> Script {
    let forward = Faults { rate: Some(Rate::frames(frames_per_s, QUEUE)), ..Faults::default() };
    Script { forward, ..Script::default() }
}

/// One command over a fresh bench with a wire.
fn carry_out(script: &Script, command: &str, arguments: &[&str]) -> Result<(Ended, kitproof_bench::Ledger)> {
    let mut bench = Bench::with_wire(script.clone(), Options::default())?;
    let _reflector = reflector(&bench.reflector)?;
    let state = Folder::new("procedures")?;
    let fixed = ["--isolated-bench", "--unattended", "--json", "-", "--line-rate", "100M"];
    // Half a second is too short for the mean to be within 200 ppm on a machine that does something else as well.
    let waits = ["--settle", "50ms", "--residual", "100ms", "--load-tolerance", "5000ppm"];
    let all: Vec<&str> = [command, GENERATOR_PORT]
        .into_iter()
        .chain(fixed)
        .chain(waits)
        .chain(arguments.iter().copied())
        .collect();
    let ended = Running::remembering(&bench.generator, state.path(), "kitproof", &all)?
        .wait(Duration::from_secs(180))?;
    Ok((ended, bench.stop_wire()?))
}

/// The same, done again while the pair itself was in the way.
fn decided(script: &Script, command: &str, arguments: &[&str]) -> Result<(Value, kitproof_bench::Ledger)> {
    for attempt in 1..=TRIES {
        let (ended, ledger) = carry_out(script, command, arguments)?;
        let result = ended.json()?;
        validate(&result)?;
        if ended.status == PASS && ledger.is_clean() {
            ensure!(result["verdict"].is_null(), "nothing judges a measurement: {:#}", result["verdict"]);
            return Ok((result, ledger));
        }
        let busy = ended.status == UNPROVEN || !ledger.is_clean();
        ensure!(
            busy && attempt < TRIES,
            "status {}: {:#}\n{}",
            ended.status,
            result["reasons"],
            ended.stderr
        );
        eprintln!("unproven, and tried again: {:#}", result["reasons"]);
        rest();
    }
    bail!("the last attempt returns")
}

fn float(value: &Value, name: &str) -> Result<f64> {
    value[name].as_f64().with_context(|| format!("{name} in {value:#}"))
}

/// A queue of Q takes Q frames more in a trial of T seconds than the limit lets through: R <= found <= R + (Q + 1) / T.
fn throughput() -> Result<()> {
    for &(size, limit) in kit() {
        let text = size.to_string();
        let arguments =
            ["--frame-size", &text, "--duration", "2s", "--search-duration", "500ms", "--resolution", "1%"];
        let (result, _) = decided(&limited(limit), "throughput", &arguments)?;
        let found = &result["throughput"][0];
        ensure!(found["ending"] == "found", "{found:#}");
        let (rate, limit) = (float(found, "frames_per_s")?, limit as f64);
        let step = carried(size) / 100.0;
        let most = limit + f64::from(QUEUE + 1) / 2.0;
        ensure!(
            rate > limit - step && rate <= most,
            "{size} octets: found {rate}, the wire lets {limit} a second through, steps of {step}"
        );
        ensure!((float(found, "maximum_frames_per_s")? - carried(size)).abs() < 1.0);
        ensure!((float(found, "percent_of_line")? - 100.0 * rate / carried(size)).abs() < 1e-6);
        // Nothing shortened is called conformant.
        ensure!(result["conduct"]["by_the_letter"] == false, "{:#}", result["conduct"]);
        let words = result["conduct"]["words"].as_str().context("words")?;
        ensure!(words.contains("shortened: a final trial of 2 s in place of 60 s"), "{words}");
    }
    Ok(())
}

/// The number, from 0, of the first frame that a queue of Q has no place for: frame n comes at n / L, and by then
/// floor(n R / L) + 1 frames have been taken out of the queue to be served (RFC 9004 section 6.4 the other way round;
/// its B (1 - R / L) takes frames for a fluid and is up to L / (L - R) frames more). So many frames pass.
fn first_lost(share: f64) -> f64 {
    let waits = |n: u32| i64::from(n) - (f64::from(n) * share).floor() as i64 - 1;
    f64::from((1..).find(|&n| waits(n) >= i64::from(QUEUE)).unwrap_or(u32::MAX))
}

/// The burst that the queue implies. That holds for a burst without a pause in it: what a busy machine made of it is
/// measured again, and must have been accounted for to the frame all the same.
fn back_to_back() -> Result<()> {
    for &(size, limit) in kit() {
        let mut found = measure_bursts(size, limit)?;
        for _ in 1..2 * TRIES {
            let Err(why) = found else { break };
            eprintln!("{why}; measured again");
            found = measure_bursts(size, limit)?;
        }
        found.map_err(anyhow::Error::msg)?;
    }
    Ok(())
}

/// One measurement: a miscount is an error, and why the queue was not found is told inside.
fn measure_bursts(size: u16, limit: u64) -> Result<Result<(), String>> {
    let (text, known) = (size.to_string(), format!("{limit}fps"));
    let bursts = ["--throughput", &known, "--values", "3", "--longest", "50ms", "--listen", "50ms"];
    let arguments = [&["--frame-size", &text][..], &bursts].concat();
    let (result, ledger) = decided(&limited(limit), "back-to-back", &arguments)?;
    let all = trials(&result)?;
    ensure!(all.len() == ledger.trials.len(), "{} trials, {} on the wire", all.len(), ledger.trials.len());
    let mut passed = Vec::new();
    for (trial, did) in all.iter().zip(&ledger.trials) {
        let (offered, lost) = (number(trial, "offered_frames")?, did.forward.queue_full.count);
        equal("offered_frames", offered, did.forward.seen)?;
        equal("lost_forward", number(trial, "lost_forward")?, lost)?;
        if lost == 0 {
            passed.push(offered);
        }
    }
    let found = &result["bursts"][0];
    if found["ending"] != "found" || found["values"] != 3 {
        return Ok(Err(format!("{size} octets: {found}")));
    }
    // What is reported was offered, and passed.
    let longest = number(found, "maximum")?;
    ensure!(
        passed.contains(&longest) && passed.contains(&number(found, "minimum")?),
        "{passed:?}: {found:#}"
    );
    let share = limit as f64 / carried(size);
    let frames = float(found, "frames")?;
    let buffer = float(found, "corrected_buffer_frames")?;
    ensure!((buffer - frames * (1.0 - share)).abs() < 0.1, "{found:#}");
    ensure!((float(found, "corrected_buffer_s")? - buffer / carried(size)).abs() < 1e-6, "{found:#}");
    let implied = first_lost(share);
    // A sender that is late by the 2 % that a burst may be shows the queue a load of 98 %, never of more than 100 %.
    let slower = first_lost(share / 0.98);
    if frames >= implied - 2.0 && frames <= slower + 2.0 {
        return Ok(Ok(()));
    }
    Ok(Err(format!("{size} octets: bursts of {frames}, a queue of {QUEUE} implies {implied}")))
}

/// Every step's loss is what the wire took, trial by trial.
fn frame_loss_rate() -> Result<()> {
    let mut script = limited(6_000);
    script.back.drop = kitproof_bench::script::Schedule::every(1_000);
    let arguments = ["--frame-size", "1518", "--duration", "500ms", "--step", "10%"];
    let (result, ledger) = decided(&script, "frame-loss-rate", &arguments)?;
    let all = trials(&result)?;
    ensure!(all.len() == ledger.trials.len(), "{} trials, {} on the wire", all.len(), ledger.trials.len());
    for (trial, did) in all.iter().zip(&ledger.trials) {
        equal("offered_frames", number(trial, "offered_frames")?, did.forward.seen)?;
        equal("lost_forward", number(trial, "lost_forward")?, did.forward.queue_full.count)?;
        equal("lost_return", number(trial, "lost_return")?, did.back.dropped.count)?;
    }
    // 100, 90, 80 % are above the limit and 70, 60 % below it; the return way loses every 1,000th of all of them, so that it
    // goes on until a trial of half a second has less than 1,000 frames: 20 and 10 %.
    let steps = result["frame_loss"].as_array().context("frame_loss")?;
    let loads: Vec<f64> =
        steps.iter().map(|step| step["load"]["percent"].as_f64().unwrap_or(0.0).round()).collect();
    ensure!(loads == [100.0, 90.0, 80.0, 70.0, 60.0, 50.0, 40.0, 30.0, 20.0, 10.0], "{loads:?}");
    for step in steps {
        let (offered, home) = (number(step, "offered_frames")?, number(step, "returned_frames")?);
        equal("missing", offered - home, number(step, "forward")? + number(step, "return")?)?;
        let percent = (offered - home) as f64 * 100.0 / offered as f64;
        ensure!((float(step, "loss_percent")? - percent).abs() < 1e-9, "{step:#}");
        ensure!(step["clean"] == (offered == home), "{step:#}");
    }
    ensure!(steps[0]["forward"].as_u64() > Some(500) && steps[3]["forward"] == 0, "{steps:#?}");
    Ok(())
}

/// A wire that takes every 50th frame has no throughput, and it does not take all night to say so.
fn loses_always() -> Result<()> {
    let mut script = Script::faithful();
    script.forward.drop = kitproof_bench::script::Schedule::every(50);
    let arguments =
        ["--frame-size", "1518", "--duration", "500ms", "--search-duration", "500ms", "--resolution", "5%"];
    let (result, _) = decided(&script, "throughput", &arguments)?;
    let found = &result["throughput"][0];
    ensure!(found["ending"] == "none_found" && found["frames_per_s"].is_null(), "{found:#}");
    ensure!(number(found, "trials")? <= 12, "{found:#}");
    Ok(())
}

/// A wire that takes every other frame lets no burst of two through, and one frame makes no rate: what was measured until
/// then is in the result.
fn no_burst_passes() -> Result<()> {
    let mut script = Script::faithful();
    script.forward.drop = kitproof_bench::script::Schedule::every(2);
    let short = ["--values", "1", "--longest", "2ms", "--listen", "50ms", "--throughput", "4000fps"];
    let (ended, ledger) =
        carry_out(&script, "back-to-back", &[&["--frame-size", "1518"][..], &short].concat())?;
    let result = ended.json()?;
    validate(&result)?;
    ensure!(ended.status == UNPROVEN, "status {}: {}", ended.status, ended.stderr);
    let all = trials(&result)?;
    ensure!(!all.is_empty() && all.len() == ledger.trials.len(), "{} trials", all.len());
    for (trial, did) in all.iter().zip(&ledger.trials) {
        equal("lost_forward", number(trial, "lost_forward")?, did.forward.dropped.count)?;
    }
    let reasons = result["reasons"].as_array().context("reasons")?;
    ensure!(reasons.iter().any(|reason| reason["code"] == "incomplete"), "{reasons:#?}");
    Ok(())
}

/// A wire that loses a known frame after the load was halved, one that only loses in the overload, and one that is never
/// overloaded.
fn system_recovery() -> Result<()> {
    const SIZE: &str = "1518";
    // 66 % of 8,127.44 frames/s for a second, and then 33 %.
    let (overload, then) = (carried(1518) * 0.66, carried(1518) * 0.33);
    let first_lower = overload.floor() as u64;
    let arguments = [
        "--frame-size",
        SIZE,
        "--throughput",
        "60%",
        "--duration",
        "1s",
        "--watch-for",
        "1s",
        "--values",
        "1",
    ];
    for (after, recovered) in [(Some(268), 268.0 / then), (None, 0.0)] {
        let mut script = Script::faithful();
        // The wire counts from 1.
        let lost: Vec<u64> = (3_000..3_005).chain(after.map(|after| first_lower + after + 1)).collect();
        script.forward.drop = kitproof_bench::script::Schedule::at(&lost);
        let (result, ledger) = decided(&script, "system-recovery", &arguments)?;
        let found = &result["recovery"][0];
        ensure!(found["ending"] == "found" && found["values"] == 1, "{found:#}");
        let (recovery, resolution) = (float(found, "recovery_s")?, float(found, "resolution_s")?);
        // What left and when is the generator's own; the second load was measured with everything else.
        ensure!(
            (resolution - 1.0 / then).abs() < 1e-6 && (recovery - recovered).abs() <= resolution,
            "{found:#}"
        );
        ensure!((float(&found["overload"], "frames_per_s")? - overload).abs() < 0.01, "{found:#}");
        let trial = trials(&result)?.last().context("no trial")?;
        let did = &ledger.trials.last().context("no trial")?.forward;
        equal("lost_forward", number(trial, "lost_forward")?, lost.len() as u64)?;
        equal("dropped", did.dropped.count, lost.len() as u64)?;
        equal("offered_frames", number(trial, "offered_frames")?, first_lower + then.floor() as u64)?;
        ensure!((float(&trial["lowered_load"], "frames_per_s")? / then - 1.0).abs() < 0.005, "{trial:#}");
    }
    // A limit and a queue: what is lost is lost in the overload, all but what the full queue still meets.
    let (result, ledger) = decided(&limited(5_000), "system-recovery", &arguments)?;
    let found = &result["recovery"][0];
    ensure!(found["ending"] == "found" && float(found, "recovery_s")? < 0.05, "{found:#}");
    let lost = ledger.trials.last().context("no trial")?.forward.queue_full.count;
    equal("lost", number(trials(&result)?.last().context("no trial")?, "lost_forward")?, lost)?;
    let (result, _) = decided(&Script::faithful(), "system-recovery", &arguments)?;
    ensure!(result["recovery"][0]["ending"] == "at_the_limit", "{:#}", result["recovery"]);
    Ok(())
}

/// The reflector is started anew while a search runs: it knows no such session, and what was measured is in the result.
fn restarted() -> Result<()> {
    let bench = Bench::with_wire(limited(6_000), Options::default())?;
    let first = reflector(&bench.reflector)?;
    let state = Folder::new("restarted")?;
    let fixed = ["throughput", GENERATOR_PORT, "--isolated-bench", "--unattended", "--json", "-"];
    let search =
        ["--line-rate", "100M", "--frame-size", "1518", "--duration", "60s", "--search-duration", "500ms"];
    let waits = ["--settle", "50ms", "--residual", "100ms", "--load-tolerance", "5000ppm"];
    let all = [&fixed[..], &search, &waits].concat();
    let running = Running::remembering(&bench.generator, state.path(), "kitproof", &all)?;
    // Three seconds of listening, and a few steps.
    std::thread::sleep(Duration::from_secs(6));
    drop(first);
    let _second = reflector(&bench.reflector)?;
    let ended = running.wait(Duration::from_secs(120))?;
    let result = ended.json().with_context(|| ended.stderr.clone())?;
    validate(&result)?;
    ensure!(ended.status == UNPROVEN, "{}: {:#}", ended.status, result["reasons"]);
    let reasons = result["reasons"].as_array().context("reasons")?;
    ensure!(reasons.iter().any(|reason| reason["code"] == "incomplete"), "{reasons:#?}");
    ensure!(result["throughput"][0]["ending"] == "unfinished", "{:#}", result["throughput"]);
    ensure!(!trials(&result)?.is_empty(), "{result:#}");
    Ok(())
}

fn refused() -> Result<()> {
    for (command, arguments, says) in [
        ("throughput", ["--load", "500fps"], "share of line rate"),
        ("throughput", ["--resolution", "0%"], "share of line rate"),
        ("frame-loss-rate", ["--step", "20%"], "at most 10%"),
        ("back-to-back", ["--values", "0"], "0"),
        ("back-to-back", ["--longest", "0s"], "--longest"),
        ("system-recovery", ["--watch-for", "0s"], "--watch-for"),
        ("system-recovery", ["--throughput", "120%"], "120%"),
    ] {
        let (ended, _) = carry_out(&Script::faithful(), command, &arguments)?;
        ensure!(ended.status == 2, "{command} {arguments:?}: {} {}", ended.status, ended.stderr);
        ensure!(ended.stderr.contains(says), "{command} {arguments:?}: {}", ended.stderr);
    }
    Ok(())
}
