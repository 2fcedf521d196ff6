//! The demo's power pull: the tap's relays fall when its power goes and lift when it returns, two short gaps in both
//! directions. What was found is held against the wire's own stretches.

use kitproof_bench::Ledger;
use kitproof_bench::ledger::Stretch;
use kitproof_bench::script::Script;
use serde_json::Value;

use super::{Demo, broken, expect};
use crate::procedure::failure::Failure;
use crate::report::{Ink, Style};

const PULL: [&str; 7] = ["interruption", "--frame-size", "512", "--load", "5%", "--duration", "4s"];

/// Relays of a tap that is proved by nobody; the times are invented.
const RELAYS: &str = r#"{
    "forward": {"dark": [{"from_ms": 1000, "for_ms": 42, "spare_control": true}, {"from_ms": 2600, "for_ms": 9, "spare_control": true}]},
    "return":  {"dark": [{"from_ms": 1000, "for_ms": 42, "spare_control": true}, {"from_ms": 2600, "for_ms": 9, "spare_control": true}]}
}"#;

/// The third scene.
pub(super) fn scene(demo: &Demo, ink: &Ink, no_color: bool) -> Result<(), Failure> {
    println!(
        "{}",
        ink.paint(
            Style::Strong,
            "3. Somebody pulls the power lead of tap T-1, and puts it back (its relays are played)"
        )
    );
    let script = Script::from_json(RELAYS).map_err(broken)?;
    let (_, ledger) = demo.decided(&PULL, &script, "pull.json", no_color)?;
    demo.keep("pull-wire.json", &serde_json::to_vec_pretty(&ledger).map_err(broken)?)?;
    let rows = compare(&demo.read("pull.json")?, &ledger)?;
    println!("{}", ink.paint(Style::Strong, "How long the wire was dark, and what kitproof found"));
    println!("  {:>9}  {:>7}  {:>10}  {:>24}", "direction", "dark", "found", "frames lost");
    for row in &rows {
        println!(
            "  {:>9}  {:>4.1} ms  {:>7.1} ms  {:>24}",
            row.direction,
            row.dark_ms,
            row.found_ms,
            format!("did {}, found {}", row.frames.0, row.frames.1)
        );
    }
    expect(rows.len() == 4, "two outages in each direction must be found")?;
    expect(
        rows.iter().all(|row| row.frames.0 == row.frames.1),
        "the wire's ledger and the result must agree",
    )?;
    println!("\n{}", ink.paint(Style::Good, "Both gaps found, in both directions, to the frame."));
    Ok(())
}

/// One outage: what the wire did and what was found.
struct Row {
    direction: &'static str,
    dark_ms: f64,
    found_ms: f64,
    frames: (u64, u64),
}

/// Outage by outage, in order of time; an outage that has no partner is not in the list.
fn compare(result: &Value, ledger: &Ledger) -> Result<Vec<Row>, Failure> {
    let trial = ledger.trials.first().ok_or_else(|| broken("the wire saw no trial"))?;
    let outages = result["outages"].as_array().map(Vec::as_slice).unwrap_or_default();
    let mut rows = Vec::new();
    for (direction, did) in [("forward", &trial.forward), ("return", &trial.back)] {
        let found: Vec<&Value> = outages.iter().filter(|outage| outage["direction"] == direction).collect();
        expect(found.len() == did.stretches.len(), "as many outages as the wire had must be found")?;
        for (outage, stretch) in found.into_iter().zip(&did.stretches) {
            rows.push(row(direction, outage, stretch)?);
        }
    }
    Ok(rows)
}

fn row(direction: &'static str, outage: &Value, stretch: &Stretch) -> Result<Row, Failure> {
    let lacks = |name: &str| Failure::Incomplete(format!("an outage of the result lacks {name}"));
    let until = stretch.until_ns.ok_or_else(|| broken("a stretch of the wire has not ended"))?;
    Ok(Row {
        direction,
        dark_ms: (until - stretch.from_ns) as f64 / 1e6,
        found_ms: outage["length_ms"]["timestamp"].as_f64().ok_or_else(|| lacks("a length"))?,
        frames: (stretch.swallowed, outage["frames_lost"].as_u64().ok_or_else(|| lacks("frames_lost"))?),
    })
}
