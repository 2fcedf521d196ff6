//! The demo's power pull: the tap's relays fall when its power goes and lift when it returns, two short gaps in both
//! directions. What was found is held against the wire's own stretches.

use kitproof_bench::Ledger;
use kitproof_bench::ledger::Counts;
use kitproof_bench::script::Script;
use kitproof_common::control::watched::OWN_FLOW;
use serde_json::Value;

use super::{Demo, REST, broken, expect};
use crate::procedure::failure::Failure;
use crate::report::{Ink, Style};

const PULL: [&str; 7] = ["interruption", "--frame-size", "512", "--load", "5%", "--duration", "4s"];

/// Relays of a tap that is proved by nobody; the times are invented.
const RELAYS: &str = r#"{
    "forward": {"dark": [{"from_ms": 1000, "for_ms": 42, "spare_control": true}, {"from_ms": 2600, "for_ms": 9, "spare_control": true}]},
    "return":  {"dark": [{"from_ms": 1000, "for_ms": 42, "spare_control": true}, {"from_ms": 2600, "for_ms": 9, "spare_control": true}]}
}"#;

/// A wire that hands frames on later than this cannot show a gap of a few milliseconds as it is.
const LATE_MS: f64 = 2.0;

/// How late the wire was at most.
fn late_ms(ledger: &Ledger) -> f64 {
    let late = |counts: &Counts| counts.late.max_ns.unwrap_or(0) as f64 / 1e6;
    ledger.trials.first().map_or(0.0, |trial| late(&trial.forward).max(late(&trial.back)))
}

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
    let mut ledger = demo.decided(&PULL, &script, "pull.json", no_color)?.1;
    for _ in 0..4 {
        if late_ms(&ledger) <= LATE_MS {
            break;
        }
        std::thread::sleep(REST);
        println!("This machine was too busy to play the relays to the millisecond. Once more.\n");
        ledger = demo.decided(&PULL, &script, "pull.json", no_color)?.1;
    }
    demo.keep("pull-wire.json", &serde_json::to_vec_pretty(&ledger).map_err(broken)?)?;
    let ways = compare(&demo.read("pull.json")?, &ledger)?;
    println!("{}", ink.paint(Style::Strong, "How long the wire was dark, and what kitproof found"));
    println!("  {:>9}  {:>8}  {:>8}  {:>24}", "direction", "dark", "found", "frames lost");
    for way in &ways {
        for (dark_ms, found_ms) in &way.lengths {
            println!("  {:>9}  {dark_ms:>5.1} ms  {found_ms:>5.1} ms", way.direction);
        }
        let (did, found) = way.frames;
        println!("  {:>9}  {:>8}  {:>8}  {:>24}", way.direction, "", "", format!("did {did}, found {found}"));
    }
    expect(
        ways.iter().all(|way| way.frames.0 == way.frames.1),
        "the wire's ledger and the result must agree",
    )?;
    let late_ms = late_ms(&ledger);
    if late_ms > LATE_MS {
        println!(
            "\nThe wire itself was {late_ms:.1} ms late on this busy machine: lengths are off by that, no frame is."
        );
    } else {
        println!("\n{}", ink.paint(Style::Good, "Both gaps found, in both directions, to the frame."));
    }
    Ok(())
}

/// One direction: what the wire did and what was found.
struct Way {
    direction: &'static str,
    /// Of each outage, in order of time, milliseconds.
    lengths: Vec<(f64, f64)>,
    /// Lost of the frames that show this direction: the generator's forward, the reflector's own on return.
    frames: (u64, u64),
}

fn compare(result: &Value, ledger: &Ledger) -> Result<Vec<Way>, Failure> {
    let lacks = |name: &str| Failure::Incomplete(format!("an outage of the result lacks {name}"));
    let trial = ledger.trials.first().ok_or_else(|| broken("the wire saw no trial"))?;
    let outages = result["outages"].as_array().map(Vec::as_slice).unwrap_or_default();
    let mut ways = Vec::new();
    for (direction, did, stream) in [("forward", &trial.forward, 0), ("return", &trial.back, OWN_FLOW)] {
        let found: Vec<&Value> = outages.iter().filter(|outage| outage["direction"] == direction).collect();
        expect(
            found.len() == did.stretches.len() || late_ms(ledger) > LATE_MS,
            "as many outages as the wire had must be found",
        )?;
        let (mut lengths, mut lost) = (Vec::new(), 0);
        for (outage, stretch) in found.into_iter().zip(&did.stretches) {
            let until = stretch.until_ns.ok_or_else(|| broken("a stretch of the wire has not ended"))?;
            let length = outage["length_ms"]["timestamp"].as_f64().ok_or_else(|| lacks("a length"))?;
            lengths.push(((until - stretch.from_ns) as f64 / 1e6, length));
            lost += outage["frames_lost"].as_u64().ok_or_else(|| lacks("frames_lost"))?;
        }
        // A wire that was late hides a gap, but no frame.
        let totals = result["interruption"].as_array().map(Vec::as_slice).unwrap_or_default();
        let elsewhere = totals.iter().find(|total| total["direction"] == direction);
        lost += elsewhere.and_then(|total| total["frames_lost_elsewhere"].as_u64()).unwrap_or(0);
        let stream = did.stream(stream);
        ways.push(Way { direction, lengths, frames: (stream.seen - stream.passed, lost) });
    }
    Ok(ways)
}
