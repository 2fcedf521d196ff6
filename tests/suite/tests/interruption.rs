//! Outages that are known to the frame, to be found again: stretches of time in which the wire is dark, forward, on
//! return, or both ways at once.
//!
//! Both lengths are those of RFC 6201 section 1.3: last frame before to first frame after, and frames lost ÷ rate.

use std::time::Duration;

use anyhow::{Context, Result, ensure};
use kitproof_bench::Ledger;
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options, REFLECTOR_PORT};
use kitproof_bench::ledger::Counts;
use kitproof_bench::script::{Dark, Faults, Schedule, Script};
use kitproof_common::control::watched::OWN_FLOW;
use kitproof_suite::rig::{FAIL, INTERRUPTED, PASS, TRIES, UNPROVEN, equal, rest};
use kitproof_suite::{Ended, Folder, Running, number, reflector, run_measuring, trials, validate};
use serde_json::Value;

fn main() {
    run_measuring(&[
        ("outages_forward_are_the_wires", forward_only),
        ("outages_on_return_are_the_wires", return_only),
        ("outages_of_both_directions_are_the_wires", both_ways),
        ("a_limit_on_the_longest_outage_makes_a_verdict", limits),
        ("a_path_that_never_comes_back_is_a_result", never_back),
        ("nobody_pulls", nobody_pulls),
        ("what_was_seen_before_ctrl_c_is_kept", interrupted),
        ("a_link_that_goes_down_is_told_from_a_short_gap", carrier),
        ("what_a_host_does_to_its_own_port_is_not_the_kits", host_took_link_down),
        ("a_reset_is_as_long_as_the_wire_was_dark", resets),
        ("an_outage_shorter_than_the_power_was_off_is_no_reset", no_reset),
        ("each_pull_is_asked_for_and_the_unpowered_path_proved", pulls),
        ("what_cannot_be_watched_is_refused", refused),
    ]);
}

/// Frames a second of each end: ten of their intervals are shorter than the shortest stretch.
const RATE: f64 = 5_000.0;
const INTERVAL_MS: f64 = 1_000.0 / RATE;
const ARGUMENTS: [&str; 8] =
    ["--line-rate", "1G", "--frame-size", "512", "--load", "5000fps", "--isolated-bench", "--unattended"];

fn dark(from_ms: u64, for_ms: u64) -> Dark {
    Dark { from_ms, for_ms, ..Dark::default() }
}

/// 3 ms, 40 ms, 700 ms and 4 s.
fn stretches() -> Vec<Dark> {
    vec![dark(500, 3), dark(900, 40), dark(1_300, 700), dark(2_400, 4_000)]
}

fn darkened(forward: Vec<Dark>, back: Vec<Dark>) -> Script {
    let faults = |dark| Faults { dark, ..Faults::default() };
    Script { forward: faults(forward), back: faults(back), ..Script::default() }
}

/// One watch over a fresh bench with a wire; `during` may do something to it.
fn watch(
    script: &Script,
    arguments: &[&str],
    during: impl FnOnce(&Running) -> Result<()>,
) -> Result<(Ended, Ledger)> {
    watch_bench(script, arguments, |running, _| during(running))
}

/// The same, with the bench itself within reach.
fn watch_bench(
    script: &Script,
    arguments: &[&str],
    during: impl FnOnce(&Running, &Bench) -> Result<()>,
) -> Result<(Ended, Ledger)> {
    let mut bench = Bench::with_wire(script.clone(), Options::default())?;
    let _reflector = reflector(&bench.reflector)?;
    let state = Folder::new("interruption")?;
    let waits = ["--residual", "200ms", "--settle", "50ms", "--json", "-"];
    // The command, where it is another one, is the first argument.
    let (command, arguments) = match arguments {
        ["reset", rest @ ..] => ("reset", rest),
        all => ("interruption", all),
    };
    let all = [&[command, GENERATOR_PORT][..], &ARGUMENTS, &waits, arguments].concat();
    let running = Running::remembering(&bench.generator, state.path(), "kitproof", &all)?;
    during(&running, &bench)?;
    let ended = running.wait(Duration::from_secs(90))?;
    Ok((ended, bench.stop_wire()?))
}

fn seen(script: &Script, arguments: &[&str]) -> Result<(Ended, Value, Ledger)> {
    let (ended, ledger) = watch(script, arguments, |_| Ok(()))?;
    let result = ended.json().with_context(|| ended.stderr.clone())?;
    validate(&result)?;
    Ok((ended, result, ledger))
}

fn of<'a>(result: &'a Value, direction: &str) -> Vec<&'a Value> {
    let all = result["outages"].as_array().map(Vec::as_slice).unwrap_or_default();
    all.iter().filter(|outage| outage["direction"] == direction).collect()
}

fn total<'a>(result: &'a Value, direction: &str) -> Result<&'a Value> {
    let all = result["interruption"].as_array().context("interruption")?;
    all.iter().find(|one| one["direction"] == direction).with_context(|| format!("{direction}: {all:#?}"))
}

fn float(value: &Value, name: &str) -> Result<f64> {
    value[name].as_f64().with_context(|| format!("{name} in {value:#}"))
}

fn has_reason(result: &Value, code: &str) -> bool {
    result["reasons"].as_array().is_some_and(|all| all.iter().any(|reason| reason["code"] == code))
}

/// How late the wire was at most, milliseconds: its frames came home so much closer together, or further apart.
fn late_ms(did: &Counts) -> f64 {
    did.late.max_ns.unwrap_or(0) as f64 / 1e6
}

/// A wire that was later than this hides its shortest stretch.
const LATE_MS: f64 = 0.8;

/// Holds the outages of one direction against the wire's stretches: as many, the frames to the frame, both lengths. Of a wire
/// that was late those stretches may be missing that it was late enough to hide; every frame is accounted for all the same.
fn compare(result: &Value, direction: &str, did: &Counts, stream: u8) -> Result<()> {
    let found = of(result, direction);
    let (late_ms, threshold_ms) = (late_ms(did), float(total(result, direction)?, "threshold_ms")?);
    let mut left = found.iter();
    let mut lost = 0;
    for stretch in &did.stretches {
        // Its own clock: the last frame before was due at so many intervals; the stretches lie further apart than this.
        let start_s = stretch.last_before.context("a frame before")?.sequence as f64 / RATE;
        let begins = |outage: &Value| outage["start_s"].as_f64().is_some_and(|s| (s - start_s).abs() < 0.15);
        let Some(outage) = left.clone().next().filter(|outage| begins(outage)) else {
            let ms = stretch.until_ns.context("an end")?.saturating_sub(stretch.from_ns) as f64 / 1e6;
            ensure!(
                late_ms > LATE_MS && ms < late_ms + threshold_ms,
                "{direction}: {found:#?}, the wire had {stretch:#?} and was {late_ms} ms late"
            );
            continue;
        };
        left.next();
        let (before, after) = stretch.last_before.zip(stretch.first_after).context("frames around it")?;
        let frames = number(outage, "frames_lost")?;
        lost += frames;
        if stream == 0 {
            equal("frames_lost", frames, stretch.swallowed)?;
        }
        // What came to the wire last before and first after; of the two streams of a direction one may be an interval off.
        let apart_ms = (after.arrived_ns - before.arrived_ns) as f64 / 1e6;
        let timestamp = float(&outage["length_ms"], "timestamp")?;
        ensure!(
            (timestamp - apart_ms).abs() <= 2.0 * INTERVAL_MS + late_ms,
            "{direction}: {timestamp} ms found, {apart_ms} ms on the wire, which was {late_ms} ms late: {outage:#}"
        );
        let frame_loss = float(&outage["length_ms"], "frame_loss")?;
        ensure!((frame_loss - frames as f64 * INTERVAL_MS).abs() < 1e-3, "{outage:#}");
        let difference = float(&outage["length_ms"], "difference")?;
        ensure!((difference - (timestamp - frame_loss)).abs() < 1e-3, "{outage:#}");
        ensure!(outage["kind"] == "short_gap" && outage["uncertain_frames"] == 0, "{outage:#}");
    }
    ensure!(left.next().is_none(), "{direction}: {found:#?}, the wire had {:#?}", did.stretches);
    let stream = did.stream(stream);
    let total = total(result, direction)?;
    equal("frames_offered", number(total, "frames_offered")?, stream.seen)?;
    equal("frames_arrived", number(total, "frames_arrived")?, stream.passed)?;
    let elsewhere = number(total, "frames_lost_elsewhere")?;
    equal("lost in all", lost + elsewhere, stream.seen - stream.passed)?;
    ensure!(elsewhere == 0 || late_ms > LATE_MS, "{elsewhere} frames lost elsewhere: {result:#}");
    Ok(())
}

/// Both directions of one watch, and the account of the frames that were returned.
fn all_of_it(script: &Script) -> Result<()> {
    let mut seen_so_far = seen(script, &["--duration", "7s"])?;
    for _ in 1..TRIES {
        let did = seen_so_far.2.trials.first().context("a trial")?;
        let late_ms = late_ms(&did.forward).max(late_ms(&did.back));
        if late_ms <= LATE_MS {
            break;
        }
        eprintln!("the wire was {late_ms} ms late; watched again");
        rest();
        seen_so_far = seen(script, &["--duration", "7s"])?;
    }
    let (ended, result, ledger) = seen_so_far;
    ensure!(ended.status == PASS && result["verdict"].is_null(), "{}: {:#}", ended.status, result["reasons"]);
    let did = ledger.trials.first().context("a trial")?;
    compare(&result, "forward", &did.forward, 0)?;
    compare(&result, "return", &did.back, OWN_FLOW)?;
    let trial = &trials(&result)?[0];
    let returned = did.back.stream(0);
    equal("lost_forward", number(trial, "lost_forward")?, did.forward.dark.count)?;
    equal("lost_return", number(trial, "lost_return")?, returned.seen - returned.passed)?;
    equal("unaccounted", number(trial, "unaccounted")?, 0)
}

fn forward_only() -> Result<()> {
    all_of_it(&darkened(stretches(), Vec::new()))
}

fn return_only() -> Result<()> {
    all_of_it(&darkened(Vec::new(), stretches()))
}

fn both_ways() -> Result<()> {
    all_of_it(&darkened(stretches(), stretches()))
}

fn limits() -> Result<()> {
    let script = darkened(vec![dark(500, 40)], vec![dark(500, 40)]);
    for (limit, status, verdict) in [("1s", PASS, "pass"), ("20ms", FAIL, "fail")] {
        let (ended, result, _) = seen(&script, &["--duration", "2s", "--longest-outage", limit])?;
        ensure!(ended.status == status && result["verdict"] == verdict, "{limit}: {:#}", result["reasons"]);
        ensure!(has_reason(&result, "outage_too_long") == (status == FAIL), "{:#}", result["reasons"]);
    }
    Ok(())
}

/// The far end's counts cannot be heard any more: what this end saw is the result.
fn never_back() -> Result<()> {
    let forever = Dark { from_ms: 500, ..serde_json::from_str(r#"{"from_ms": 500}"#)? };
    let (ended, result, _) = seen(&darkened(vec![forever], vec![forever]), &["--duration", "2s"])?;
    ensure!(ended.status == UNPROVEN, "{}: {:#}", ended.status, result["reasons"]);
    ensure!(has_reason(&result, "far_end_not_heard") && has_reason(&result, "never_came_back"));
    let found = of(&result, "return");
    ensure!(found.len() == 1 && found[0]["kind"] == "never_back", "{found:#?}");
    // One way only, and the control frames get through: the frames are known, and a limit makes it a failure.
    let forever = Dark { spare_control: true, ..forever };
    let arguments = ["--duration", "2s", "--longest-outage", "1s"];
    let (ended, result, ledger) = seen(&darkened(vec![forever], Vec::new()), &arguments)?;
    ensure!(ended.status == FAIL && has_reason(&result, "never_came_back"), "{:#}", result["reasons"]);
    let found = of(&result, "forward");
    ensure!(found.len() == 1 && found[0]["kind"] == "never_back", "{found:#?}");
    equal("frames_lost", number(found[0], "frames_lost")?, ledger.trials[0].forward.dark.count)?;
    ensure!(of(&result, "return").is_empty(), "{:#}", result["outages"]);
    Ok(())
}

fn nobody_pulls() -> Result<()> {
    let (ended, result, _) = seen(&Script::faithful(), &["--duration", "1s"])?;
    ensure!(ended.status == PASS && result["verdict"].is_null(), "{:#}", result["reasons"]);
    ensure!(has_reason(&result, "no_outage") && result["outages"].is_null(), "{result:#}");
    let (ended, result, _) = seen(&Script::faithful(), &["--duration", "1s", "--longest-outage", "1s"])?;
    // Nothing was shown of the outages: no pass.
    ensure!(ended.status == UNPROVEN && has_reason(&result, "no_outage"), "{:#}", result["reasons"]);
    Ok(())
}

fn interrupted() -> Result<()> {
    let script = darkened(vec![dark(100, 40)], vec![dark(100, 40)]);
    let (ended, ledger) = watch(&script, &["--duration", "60s"], |running| {
        std::thread::sleep(Duration::from_secs(7));
        let process = rustix::process::Pid::from_raw(running.id() as i32).context("a process")?;
        Ok(rustix::process::kill_process(process, rustix::process::Signal::INT)?)
    })?;
    let result = ended.json()?;
    validate(&result)?;
    ensure!(ended.status == INTERRUPTED, "{}: {}", ended.status, ended.stderr);
    let did = ledger.trials.first().context("a trial")?;
    compare(&result, "forward", &did.forward, 0)?;
    compare(&result, "return", &did.back, OWN_FLOW)
}

/// Carrier goes at the reflector's port: what it cannot offer meanwhile is no loss.
fn carrier() -> Result<()> {
    let down = Dark { carrier: true, ..dark(500, 300) };
    let (_, result, ledger) = seen(&darkened(vec![down], Vec::new()), &["--duration", "3s"])?;
    let (forward, back) = (of(&result, "forward"), of(&result, "return"));
    ensure!(forward.len() == 1 && back.len() == 1, "{:#}", result["outages"]);
    ensure!(
        forward[0]["kind"] == "renegotiation" && back[0]["kind"] == "renegotiation",
        "{:#}",
        result["outages"]
    );
    ensure!(
        !forward[0]["receiver_down"].is_null() && !back[0]["sender_down"].is_null(),
        "{:#}",
        result["outages"]
    );
    equal("frames_lost", number(forward[0], "frames_lost")?, ledger.trials[0].forward.dark.count)?;
    // 300 ms of 5,000 frames a second, and a little: most of them never left the port, and the rest are in doubt.
    let (lost, not_offered) = (number(back[0], "frames_lost")?, number(back[0], "frames_not_offered")?);
    ensure!(lost + not_offered >= 1_400, "{:#}", back[0]);
    ensure!(number(back[0], "uncertain_frames")? <= lost, "{:#}", back[0]);
    Ok(())
}

/// Either host takes its own port down for a while: dark for longer than the limit, and no failure of the kit.
fn host_took_link_down() -> Result<()> {
    let arguments = ["--duration", "12s", "--longest-outage", "100ms"];
    for far in [false, true] {
        let (ended, _) = watch_bench(&Script::faithful(), &arguments, |_, bench| {
            // The link is listened to for three seconds before the traffic starts.
            std::thread::sleep(Duration::from_secs(7));
            let (room, port) =
                if far { (&bench.reflector, REFLECTOR_PORT) } else { (&bench.generator, GENERATOR_PORT) };
            room.set_link(port, false)?;
            std::thread::sleep(Duration::from_secs(1));
            room.set_link(port, true)
        })?;
        let result = ended.json().with_context(|| ended.stderr.clone())?;
        validate(&result)?;
        ensure!(ended.status == UNPROVEN, "far {far}: {}: {:#}", ended.status, result["reasons"]);
        let named = has_reason(&result, "host_took_link_down") || has_reason(&result, "sender_failed");
        ensure!(named, "far {far}: {:#}", result["reasons"]);
    }
    Ok(())
}

/// Frames lost ÷ rate and B - A (RFC 6201 section 1.3), and the time without power taken off (section 4.3.1).
fn resets() -> Result<()> {
    let script = darkened(vec![dark(500, 700)], vec![dark(500, 700)]);
    for (more, off) in [(&[][..], 0.0), (&["--kind", "power", "--power-off", "500ms"], 0.5)] {
        let (ended, result, ledger) = seen(&script, &[&["reset", "--duration", "2s"][..], more].concat())?;
        ensure!(ended.status == PASS && result["verdict"].is_null(), "{:#}", result["reasons"]);
        compare(&result, "forward", &ledger.trials[0].forward, 0)?;
        let all = result["resets"].as_array().context("resets")?;
        ensure!(all.len() == 2, "{all:#?}");
        for reset in all {
            let direction = reset["direction"].as_str().context("direction")?;
            let outage = of(&result, direction)[0];
            let length = float(&outage["length_ms"], "timestamp")? / 1e3;
            ensure!(
                (float(reset, "reset_s")? - (length - off)).abs() < 1e-9 && reset["by"] == "timestamp",
                "{reset:#}"
            );
            let lost = number(outage, "frames_lost")? as f64;
            ensure!(
                (float(reset, "by_frame_loss_s")? - (lost / RATE - off).max(0.0)).abs() < 1e-9,
                "{reset:#}"
            );
        }
        // Nothing shortened is called conformant.
        ensure!(result["conduct"]["by_the_letter"] == false, "{:#}", result["conduct"]);
        let words = result["conduct"]["words"].as_str().context("words")?;
        ensure!(
            words.contains("traffic before the reset") && words.contains("in place of the throughput"),
            "{words}"
        );
    }
    Ok(())
}

/// 700 ms dark, and the power was off for longer than that: no reset by power, and nothing is taken off.
fn no_reset() -> Result<()> {
    let script = darkened(vec![dark(500, 700)], vec![dark(500, 700)]);
    let arguments = ["reset", "--duration", "2s", "--kind", "power", "--power-off", "900ms"];
    let (ended, result, _) = seen(&script, &arguments)?;
    ensure!(ended.status == UNPROVEN, "{}: {:#}", ended.status, result["reasons"]);
    ensure!(has_reason(&result, "shorter_than_the_power_was_off"), "{:#}", result["reasons"]);
    ensure!(result["resets"].is_null() && of(&result, "forward").len() == 1, "{result:#}");
    Ok(())
}

/// Two pulls are asked for, 5 s and 8 s after the first frame; the wire is dark for a moment twice after the first and not at
/// all after the second. Then the path is proved at full rate: a wire that loses a frame there fails.
fn pulls() -> Result<()> {
    for (longest, lossy) in [("1s", false), ("1s", true)] {
        let mut script =
            darkened(vec![dark(5_500, 60), dark(6_500, 60)], vec![dark(5_500, 60), dark(6_500, 60)]);
        if lossy {
            // Of the watch no frame has so high a number.
            script.forward.drop = Schedule::at(&[12_000]);
        }
        let mut bench = Bench::with_wire(script, Options::default())?;
        let _reflector = reflector(&bench.reflector)?;
        let state = Folder::new("pulls")?;
        let fixed = ["interruption", GENERATOR_PORT, "--isolated-bench", "--unattended", "--json", "-"];
        let load = ["--line-rate", "100M", "--frame-size", "1518", "--load", "10%", "--residual", "200ms"];
        let pulls = ["--pulls", "2", "--unpowered", "1s", "--powered", "2s", "--longest-outage", longest];
        let proof =
            ["--prove-unpowered", "--prove-for", "2s", "--load-tolerance", "5000ppm", "--settle", "100ms"];
        let all = [&fixed[..], &load, &pulls, &proof].concat();
        let ended = Running::remembering(&bench.generator, state.path(), "kitproof", &all)?
            .wait(Duration::from_secs(90))?;
        let ledger = bench.stop_wire()?;
        let result = ended.json().with_context(|| ended.stderr.clone())?;
        validate(&result)?;
        for said in
            ["pull the power NOW (1 of 2)", "restore the power NOW (1 of 2)", "pull the power NOW (2 of 2)"]
        {
            ensure!(ended.stderr.contains(said), "{said}: {}", ended.stderr);
        }
        ensure!(has_reason(&result, "pulls_unseen"), "{:#}", result["reasons"]);
        let proved = trials(&result)?;
        ensure!(
            proved.len() == 2 && proved[1]["intended_load"]["percent"] == 100.0,
            "{:#}",
            result["trials"]
        );
        equal("offered_frames", number(&proved[1], "offered_frames")?, ledger.trials[1].forward.seen)?;
        equal("lost_forward", number(&proved[1], "lost_forward")?, ledger.trials[1].forward.dropped.count)?;
        let status = if lossy { FAIL } else { UNPROVEN };
        ensure!(ended.status == status, "lossy {lossy}: {}: {:#}", ended.status, result["reasons"]);
        ensure!(has_reason(&result, "lost_forward") == lossy, "{:#}", result["reasons"]);
    }
    Ok(())
}

fn refused() -> Result<()> {
    for (arguments, says) in [
        (&["--pairs", "2"][..], "one pair"),
        (&["--via", "xdp"][..], "packet sockets"),
        (&["--longest-outage", "soon"][..], "--longest-outage"),
        (&["reset", "--power-off", "5s"][..], "--kind power"),
        (&["--pulls", "0"][..], "--pulls"),
        (&["--pulls", "2", "--powered", "0s"][..], "--powered"),
    ] {
        let (ended, _) = watch(&Script::faithful(), arguments, |_| Ok(()))?;
        ensure!(
            ended.status == 2 && ended.stderr.contains(says),
            "{arguments:?}: {} {}",
            ended.status,
            ended.stderr
        );
    }
    Ok(())
}
