//! Cords that are pulled: a wire that takes the carrier of both ends, of one end, of none.

use std::time::Duration;

use anyhow::{Context, Result, ensure};
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options};
use kitproof_bench::script::{Dark, Faults, Script};
use kitproof_suite::rig::{FAIL, PASS, UNPROVEN};
use kitproof_suite::{Ended, Folder, Running, reflector, run_measuring, validate};
use serde_json::{Value, json};

fn main() {
    run_measuring(&[
        ("what_each_end_notices_is_told_for_each_cord", each_end),
        ("link_loss_that_must_be_passed_on_is_judged", expected),
        ("nobody_pulls", nobody_pulls),
        ("what_cannot_be_watched_is_refused", refused),
    ]);
}

/// Dark for 600 ms, 3.2 s after the first frame of each trial, and without carrier at the port where the direction leaves.
fn dark(carrier: bool) -> Vec<Dark> {
    vec![Dark { from_ms: 3_200, for_ms: 600, carrier, ..Dark::default() }]
}

fn script(forward: Vec<Dark>, back: Vec<Dark>) -> Script {
    let faults = |dark| Faults { dark, ..Faults::default() };
    Script { forward: faults(forward), back: faults(back), ..Script::default() }
}

fn cut(script: Script, arguments: &[&str]) -> Result<Ended> {
    let mut bench = Bench::with_wire(script, Options::default())?;
    let _reflector = reflector(&bench.reflector)?;
    let state = Folder::new("link-loss")?;
    let fixed = ["link-loss", GENERATOR_PORT, "--isolated-bench", "--unattended", "--json", "-"];
    let load = ["--line-rate", "1G", "--load", "5000fps", "--residual", "200ms", "--settle", "50ms"];
    let all = [&fixed[..], &load, &["--duration", "6s", "--unplugged", "1s"], arguments].concat();
    let ended = Running::remembering(&bench.generator, state.path(), "kitproof", &all)?
        .wait(Duration::from_secs(120))?;
    bench.stop_wire()?;
    Ok(ended)
}

fn result(ended: &Ended) -> Result<Value> {
    let result = ended.json().with_context(|| ended.stderr.clone())?;
    validate(&result)?;
    Ok(result)
}

fn has_reason(result: &Value, code: &str) -> bool {
    result["reasons"].as_array().is_some_and(|all| all.iter().any(|reason| reason["code"] == code))
}

fn cords(result: &Value) -> Result<&Vec<Value>> {
    result["link_loss"].as_array().context("link_loss")
}

/// Two pieces, three cords, and a wire that is the same each time: forward it takes the reflector's carrier, so that the
/// generator keeps its link.
fn each_end() -> Result<()> {
    let ended = cut(script(dark(true), Vec::new()), &["--pieces", "T-1,C-1"])?;
    let found = result(&ended)?;
    ensure!(ended.status == PASS && found["verdict"].is_null(), "{}: {:#}", ended.status, found["reasons"]);
    for said in
        ["unplug the cord between the generator and T-1 NOW", "plug it in again NOW (C-1 - the reflector)"]
    {
        ensure!(ended.stderr.contains(said), "{said}: {}", ended.stderr);
    }
    let all = cords(&found)?;
    ensure!(all.len() == 3, "{all:#?}");
    for (cord, passed) in all.iter().zip([
        // Its own end says nothing of the chain.
        (Value::Null, json!(true)),
        (json!(false), json!(true)),
        (json!(false), Value::Null),
    ]) {
        ensure!(
            cord["passed_on_to_generator"] == passed.0 && cord["passed_on_to_reflector"] == passed.1,
            "{cord:#}"
        );
        ensure!(
            cord["generator"]["lost_link"] == false && cord["reflector"]["lost_link"] == true,
            "{cord:#}"
        );
        // Dark from 3.2 s for 600 ms or a little more; a busy wire is late by tens of milliseconds.
        let stopped = cord["frames_stopped_s"].as_f64().context("stopped")?;
        ensure!((3.0..4.0).contains(&stopped), "{cord:#}");
        let back = cord["frames_back_after_ms"].as_f64().context("back")?;
        ensure!((500.0..3_000.0).contains(&back), "{cord:#}");
        ensure!(cord["reflector"]["down_for_ms"].is_number(), "{cord:#}");
    }
    Ok(())
}

fn expected() -> Result<()> {
    let both = script(dark(true), dark(true));
    let ended = cut(both, &["--expect-passed-on"])?;
    let found = result(&ended)?;
    ensure!(ended.status == PASS && found["verdict"] == "pass", "{}: {:#}", ended.status, found["reasons"]);
    ensure!(cords(&found)?.len() == 2, "{found:#}");
    // Frames stop, and no link goes: nothing is passed on.
    let ended = cut(script(dark(false), dark(false)), &["--expect-passed-on"])?;
    let found = result(&ended)?;
    ensure!(
        ended.status == FAIL && has_reason(&found, "not_passed_on"),
        "{}: {:#}",
        ended.status,
        found["reasons"]
    );
    Ok(())
}

fn nobody_pulls() -> Result<()> {
    let ended = cut(Script::faithful(), &[])?;
    let found = result(&ended)?;
    ensure!(ended.status == PASS && has_reason(&found, "no_cut"), "{}: {:#}", ended.status, found["reasons"]);
    let ended = cut(Script::faithful(), &["--expect-passed-on"])?;
    let found = result(&ended)?;
    ensure!(
        ended.status == UNPROVEN && has_reason(&found, "no_cut"),
        "{}: {:#}",
        ended.status,
        found["reasons"]
    );
    Ok(())
}

fn refused() -> Result<()> {
    for (arguments, says) in [
        (&["--pieces", "T-1,,C-1"][..], "--pieces"),
        (&["--pieces", "a,b,c,d,e,f,g,h,i,j,k,l,m,n,o,p,q"][..], "1 to 16"),
        (&["--via", "xdp"][..], "packet sockets"),
    ] {
        let ended = cut(Script::faithful(), arguments)?;
        ensure!(
            ended.status == 2 && ended.stderr.contains(says),
            "{arguments:?}: {} {}",
            ended.status,
            ended.stderr
        );
    }
    Ok(())
}
