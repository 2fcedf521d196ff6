//! The link under test: carrier that goes, a host that takes it, darkness, control frames lost.

use std::time::Duration;

use anyhow::{Context, Result, ensure};
use kitproof_bench::bench::{GENERATOR_PORT, REFLECTOR_PORT};
use kitproof_bench::{Bench, Direction, Options, Script};
use kitproof_suite::{Ended, reflector_by_packets as reflector};
use serde_json::Value;

use crate::hand::Ear;
use crate::spoken::{PATIENCE, bearing, judged, numbers, only_trial, passed, reason, start, steady, whole};

const LONG: [&str; 2] = ["--duration", "2s"];

/// Runs a trial of two seconds and does something to the bench 0.4 s after its start.
fn disturbed(bench: &Bench, disturb: impl FnOnce() -> Result<()>) -> Result<Ended> {
    let ear = Ear::on(&bench.reflector, REFLECTOR_PORT)?;
    let run = start(&bench.generator, &LONG)?;
    ear.first_test_frame()?;
    std::thread::sleep(Duration::from_millis(400));
    disturb()?;
    run.wait(PATIENCE)
}

fn for_a_moment(change: impl Fn(bool) -> Result<()>) -> Result<()> {
    change(false)?;
    std::thread::sleep(Duration::from_millis(300));
    change(true)
}

/// Every offered frame is in one place.
fn accounted(trial: &Value) -> Result<()> {
    let [offered, returned, forward, homeward, unknown, unaccounted] = numbers(
        trial,
        [
            "offered_frames",
            "returned_frames",
            "lost_forward",
            "lost_return",
            "lost_direction_unknown",
            "unaccounted",
        ],
    )?;
    let dropped: u64 =
        trial["pair_drops"].as_object().into_iter().flatten().filter_map(|(_, n)| n.as_u64()).sum();
    ensure!(unaccounted == 0 && offered == returned + forward + homeward + unknown + dropped, "{trial:#}");
    ensure!(returned > 0, "nothing came home: {trial:#}");
    Ok(())
}

/// The time in a reason's "at 0.401 s".
fn told_at(text: &str) -> Result<f64> {
    let after = text.split_once(" at ").with_context(|| format!("no time in {text}"))?.1;
    Ok(after.split_whitespace().next().unwrap_or("").parse()?)
}

/// Charged to the chain: fail, with port, direction and time.
fn charged(ended: &Ended, port: &str, direction: &str) -> Result<Value> {
    let result = judged(ended, 1, &["fail at 256 bytes"])?;
    let text = reason(&result, "carrier_lost")?;
    for word in [port, "lost carrier at", direction, "loose plug"] {
        ensure!(text.contains(word), "{word:?} is missing in {text}");
    }
    let at = told_at(&text)?;
    ensure!((0.2..3.0).contains(&at), "{at} s: {text}");
    accounted(only_trial(&result)?)?;
    Ok(result)
}

/// The host's own doing: unproven, and said whose.
fn excused(ended: &Ended, port: &str) -> Result<()> {
    let words = ["unproven at 256 bytes", "went down at", "the host's own doing", "administrative down"];
    let result = judged(ended, 3, &words)?;
    ensure!(reason(&result, "host_took_link_down")?.contains("network managers"), "{result:#}");
    let named = result["reasons"].as_array().into_iter().flatten().any(|reason| {
        reason["code"] == "host_took_link_down"
            && reason["text"]
                .as_str()
                .is_some_and(|text| text.contains(port) && text.contains("(administrative down)"))
    });
    ensure!(named, "{port} is not named: {result:#}");
    ensure!(!bearing(&result).contains(&"carrier_lost".to_owned()), "the chain is charged: {result:#}");
    accounted(only_trial(&result)?)
}

/// The plug on the generator's side is pulled and put back within the trial.
pub(crate) fn the_generators_carrier_goes_and_comes() -> Result<()> {
    let bench = Bench::with_wire(Script::faithful(), Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let ended = disturbed(&bench, || for_a_moment(|plugged| bench.plug(Direction::Return, plugged)))?;
    let result = charged(&ended, "generator's port kp0", "return")?;
    ensure!(!reason(&result, "carrier_lost")?.contains("did not come back"), "{result:#}");
    Ok(())
}

/// The same on the reflector's side, which tells of it once it is heard again.
pub(crate) fn the_reflectors_carrier_goes_and_comes() -> Result<()> {
    let bench = Bench::with_wire(Script::faithful(), Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let ended = disturbed(&bench, || for_a_moment(|plugged| bench.plug(Direction::Forward, plugged)))?;
    charged(&ended, "reflector's port kp1", "forward").map(drop)
}

/// It does not come back: fail all the same, with what was measured until then.
pub(crate) fn a_carrier_that_stays_away() -> Result<()> {
    let bench = Bench::with_wire(Script::faithful(), Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let ended = disturbed(&bench, || bench.plug(Direction::Return, false))?;
    let result = charged(&ended, "generator's port kp0", "return")?;
    ensure!(reason(&result, "carrier_lost")?.contains("did not come back"), "{result:#}");
    ensure!(bearing(&result).contains(&"counts_not_heard".to_owned()), "{result:#}");
    Ok(())
}

/// The generator's own port is set down: the host did it, though the other end sees its carrier go too.
pub(crate) fn the_generators_host_takes_its_port_down() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let ended = disturbed(&bench, || for_a_moment(|up| bench.generator.set_link(GENERATOR_PORT, up)))?;
    excused(&ended, "generator's port kp0")
}

/// The reflector's own port is set down: the generator's carrier goes with it, and that is not the chain's doing.
pub(crate) fn the_reflectors_host_takes_its_port_down() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let ended = disturbed(&bench, || for_a_moment(|up| bench.reflector.set_link(REFLECTOR_PORT, up)))?;
    excused(&ended, "reflector's port kp1")
}

/// Dark around the end of a trial: the counts are asked for until the link is back, and every loss has its direction.
pub(crate) fn a_link_that_is_dead_at_the_end() -> Result<()> {
    let dark = r#"{ "dark": [ { "from_ms": 600, "for_ms": 2400 } ] }"#;
    let script = Script::from_json(&format!(r#"{{ "forward": {dark}, "return": {dark} }}"#))?;
    let mut bench = Bench::with_wire(script, Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let ended = start(&bench.generator, &[])?.wait(PATIENCE)?;
    let result =
        judged(&ended, 1, &["fail at 256 bytes", "missing forward", "Take pieces out of the chain"])?;
    let trial = only_trial(&result)?;
    accounted(trial)?;
    let ledger = bench.stop_wire()?;
    ensure!(ledger.is_clean(), "{ledger:?}");
    let wire = ledger.last().context("no trial in the ledger")?;
    let lost = numbers(trial, ["lost_forward", "lost_return"])?;
    ensure!(lost == [wire.forward.dark.count, wire.back.dark.count], "{lost:?}: {:?}", ledger.last());
    ensure!(lost[0] > 0, "nothing was dark: {trial:#}");
    Ok(())
}

/// Every second control frame is lost, both ways: the run completes, with exact counts.
pub(crate) fn control_frames_are_lost() -> Result<()> {
    let lossy = r#"{ "control": { "drop": { "every": 2 } } }"#;
    let script = Script::from_json(&format!(r#"{{ "forward": {lossy}, "return": {lossy} }}"#))?;
    let mut bench = Bench::with_wire(script, Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let ended = steady(|| start(&bench.generator, &["--frame-size", "128,256"])?.wait(PATIENCE))?;
    let result = passed(&ended)?;
    let trials = kitproof_suite::trials(&result)?;
    ensure!(trials.len() == 2, "{result:#}");
    for trial in trials {
        let sent = whole(trial)?;
        ensure!(numbers(trial, ["reached_reflector", "reflected_frames"])? == [sent, sent], "{trial:#}");
    }
    let ledger = bench.stop_wire()?;
    let lost = |direction| ledger.others(direction).control_dropped;
    ensure!(lost(Direction::Forward) > 3 && lost(Direction::Return) > 3, "{ledger:?}");
    Ok(())
}
