//! Which kinds of frames a wire passes, against wires that are known to keep back, cut or alter some.

use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use kitproof_bench::Ledger;
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options};
use kitproof_bench::script::{Faults, Kind, Opaque, Script, Strip};
use kitproof_suite::rig::{FAIL, PASS, TRIES, UNPROVEN, rest};
use kitproof_suite::{Ended, Folder, Running, reflector, run, validate};
use serde_json::Value;

fn main() {
    run(&[
        ("a_patch_passes_every_kind_at_every_size", everything),
        ("what_the_wire_does_is_named_and_nothing_else", three_faults),
        ("each_direction_by_itself", one_way),
        ("what_the_pair_does_not_deliver_is_nobodys", by_the_pair),
        ("a_switch_may_keep_back_what_bridges_keep_back", switch),
        ("what_cannot_be_sent_is_refused", refused),
    ]);
}

/// Room for jumbo frames.
const JUMBO: Options = Options { mtu: 9_000, queues: 1, xdp: false };

struct Kit {
    bench: Bench,
    _reflector: Running,
    state: Folder,
}

impl Kit {
    fn new(options: Options) -> Result<Self> {
        let bench = Bench::with_wire(Script::faithful(), options)?;
        let reflector = reflector(&bench.reflector)?;
        Ok(Self { bench, _reflector: reflector, state: Folder::new("transparent")? })
    }

    fn run(&mut self, script: &Script, arguments: &[&str]) -> Result<(Ended, Ledger)> {
        self.bench.change_script(script.clone())?;
        let fixed = ["transparency", GENERATOR_PORT, "--isolated-bench", "--unattended", "--json", "-"];
        let all = [&fixed[..], arguments].concat();
        let ended = Running::remembering(&self.bench.generator, self.state.path(), "kitproof", &all)?
            .wait(Duration::from_secs(120))?;
        Ok((ended, self.bench.change_script(Script::faithful())?))
    }

    /// A run over a wire that lost nothing by itself.
    fn found(&mut self, script: &Script, arguments: &[&str], status: i32) -> Result<Value> {
        for _ in 0..TRIES {
            let (ended, ledger) = self.run(script, arguments)?;
            if !ledger.is_clean() {
                eprintln!("the wire itself lost frames, and it is tried again: {:?}", ledger.lost_by_wire);
                rest();
                continue;
            }
            let result = ended.json().with_context(|| ended.stderr.clone())?;
            validate(&result)?;
            ensure!(ended.status == status, "status {}: {:#}", ended.status, result["reasons"]);
            return Ok(result);
        }
        bail!("the wire itself loses frames on this machine")
    }
}

fn opaque(forward: Option<Opaque>, back: Option<Opaque>) -> Script {
    let faults = |opaque| Faults { opaque, ..Faults::default() };
    Script { forward: faults(forward), back: faults(back), ..Script::default() }
}

/// Code and text of each reason, in order.
fn reasons(result: &Value) -> Vec<(&str, &str)> {
    let all = result["reasons"].as_array().map(Vec::as_slice).unwrap_or_default();
    all.iter()
        .map(|reason| (reason["code"].as_str().unwrap_or(""), reason["text"].as_str().unwrap_or("")))
        .collect()
}

fn passages(result: &Value) -> Result<&Vec<Value>> {
    result["transparency"].as_array().context("transparency")
}

/// Nothing eats PAUSE on a veth before it is seen, and 9,018 bytes fit an MTU of 9,000.
fn everything() -> Result<()> {
    let mut kit = Kit::new(JUMBO)?;
    let result = kit.found(&Script::faithful(), &[], PASS)?;
    ensure!(result["verdict"] == "pass" && reasons(&result).is_empty(), "{:#}", result["reasons"]);
    let all = passages(&result)?;
    let kinds: std::collections::HashSet<&str> = all.iter().filter_map(|one| one["kind"].as_str()).collect();
    ensure!(kinds.len() == 27, "{kinds:?}");
    for one in all {
        for way in ["forward", "return"] {
            ensure!(
                one[way]["passed"] == true && one[way]["unchanged"] == 3 && one[way]["again"] == 0,
                "{one:#}"
            );
        }
    }
    let has = |kind: &str, size: u64| all.iter().any(|one| one["kind"] == kind && one["frame_size"] == size);
    ensure!(has("PAUSE", 64) && has("broadcast", 9_018) && has("frames with one VLAN tag", 9_022));
    ensure!(has("frames with two VLAN tags", 1_526) && has("untagged frames", 64));
    ensure!(result["largest_frame"]["forward"] == 9_018 && result["largest_frame"]["return"] == 9_018);
    Ok(())
}

/// Eats PAUSE, cuts above 1,600 bytes, takes one tag off.
fn three_faults() -> Result<()> {
    let mut kit = Kit::new(JUMBO)?;
    let reference = kit.found(&Script::faithful(), &["--reference"], PASS)?;
    ensure!(reference["verdict"].is_null(), "{:#}", reference["reasons"]);
    let wire = Opaque {
        mac_control: vec![1],
        truncate_over: Some(1_600),
        strip: Some(Strip::Outer),
        ..Opaque::default()
    };
    let result = kit.found(&opaque(Some(wire.clone()), Some(wire)), &[], FAIL)?;
    let tagged = "frames with one VLAN tag, frames with two VLAN tags, priority-tagged frames";
    let stripped = format!("The outer VLAN tag is taken off ({tagged}), forward and on return.");
    let expected = [
        ("cut", "Frames above 1,600 bytes arrive cut to 1,600 bytes, forward and on return."),
        ("eaten", "No PAUSE arrives, forward and on return."),
        ("tag_stripped", stripped.as_str()),
    ];
    ensure!(reasons(&result) == expected, "{:#}", result["reasons"]);
    // Every size of every kind that the wire lets alone passed, and no other.
    for one in passages(&result)? {
        let kind = one["kind"].as_str().context("kind")?;
        let size = one["frame_size"].as_u64().context("size")?;
        let untouched = kind != "PAUSE" && !kind.contains("tag") && size <= 1_600
            || kind == "untagged frames" && size <= 1_600;
        for way in ["forward", "return"] {
            ensure!(one[way]["passed"] == untouched, "{one:#}");
            ensure!(one[way]["pair_delivers"] == true, "{one:#}");
        }
    }
    ensure!(
        result["largest_frame"]["forward"] == 1_600 && result["largest_frame"]["return"] == 1_600,
        "{result:#}"
    );
    Ok(())
}

/// LLDP and one group address on return, what is over 1,234 bytes forward.
fn one_way() -> Result<()> {
    let mut kit = Kit::new(Options::default())?;
    kit.found(&Script::faithful(), &["--reference"], PASS)?;
    // Requests are longer than that, and have to get through.
    let kinds = vec![Kind::Foreign];
    let forward = Opaque { kinds, drop_over: Some(1_234), ..Opaque::default() };
    let back = Opaque { ether_types: vec![0x88CC], groups: vec![7], ..Opaque::default() };
    let result = kit.found(&opaque(Some(forward), Some(back)), &["--expect", "patch"], FAIL)?;
    let codes: Vec<&str> = reasons(&result).into_iter().map(|(code, _)| code).collect();
    ensure!(codes == ["eaten", "eaten", "too_long"], "{:#}", result["reasons"]);
    let texts: Vec<&str> = reasons(&result).into_iter().map(|(_, text)| text).collect();
    let expected = [
        "No LLDP arrives, on return.",
        "No group address 01-80-C2-00-00-07 arrives, on return.",
        "Frames above 1,234 bytes do not arrive, forward.",
    ];
    ensure!(texts == expected, "{texts:?}");
    ensure!(result["largest_frame"]["forward"] == 1_234 && result["largest_frame"]["return"] == 1_518);
    Ok(())
}

/// The wire eats PAUSE with and without the chain: a pair that cannot show it. Without a reference nobody is charged.
fn by_the_pair() -> Result<()> {
    let mut kit = Kit::new(Options::default())?;
    let eats = Opaque { mac_control: vec![1], ..Opaque::default() };
    let script = opaque(Some(eats.clone()), Some(eats));
    let result = kit.found(&script, &[], UNPROVEN)?;
    ensure!(
        reasons(&result).iter().all(|(code, _)| *code == "eaten_without_reference"),
        "{:#}",
        result["reasons"]
    );
    let reference = kit.found(&script, &["--reference"], PASS)?;
    ensure!(
        reasons(&reference).iter().any(|(code, _)| *code == "pair_does_not_deliver"),
        "{:#}",
        reference["reasons"]
    );
    let result = kit.found(&script, &[], UNPROVEN)?;
    ensure!(
        reasons(&result).len() == 1 && reasons(&result)[0].0 == "eaten_by_the_pair",
        "{:#}",
        result["reasons"]
    );
    Ok(())
}

fn switch() -> Result<()> {
    let mut kit = Kit::new(Options::default())?;
    kit.found(&Script::faithful(), &["--reference"], PASS)?;
    let bridge = Opaque { groups: (0..16).collect(), ..Opaque::default() };
    let script = opaque(Some(bridge.clone()), Some(bridge));
    let result = kit.found(&script, &["--expect", "switch"], PASS)?;
    // The sixteen addresses, and PAUSE, LLDP, EAPOL and OAM, which go to some of them.
    ensure!(reasons(&result).len() == 20, "{:#}", result["reasons"]);
    ensure!(reasons(&result).iter().all(|(code, _)| *code == "may_be_kept_back"), "{:#}", result["reasons"]);
    let result = kit.found(&script, &["--expect", "tap"], FAIL)?;
    ensure!(reasons(&result).iter().all(|(code, _)| *code == "eaten"), "{:#}", result["reasons"]);
    Ok(())
}

fn refused() -> Result<()> {
    let mut kit = Kit::new(Options::default())?;
    for (arguments, says) in [
        (&["--via", "xdp"][..], "packet sockets"),
        (&["--expect", "wall"][..], "--expect"),
        (&["--frame-size", "imix:aaafg"][..], "imix:aaafg"),
    ] {
        let (ended, _) = kit.run(&Script::faithful(), arguments)?;
        ensure!(
            ended.status == 2 && ended.stderr.contains(says),
            "{arguments:?}: {} {}",
            ended.status,
            ended.stderr
        );
    }
    Ok(())
}
