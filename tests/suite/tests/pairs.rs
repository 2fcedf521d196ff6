//! Several send and receive pairs at once: each flow on its own ports and queues, the result one.

use std::time::Duration;

use anyhow::{Context, Result, ensure};
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options, REFLECTOR_PORT};
use kitproof_bench::ledger::{Counts, Trial as Did};
use kitproof_bench::script::{Delay, Faults, Flip, Octet, Schedule, Script};
use kitproof_bench::{Ledger, Room};
use kitproof_common::link;
use kitproof_common::port::xdp::TakenQueue;
use kitproof_suite::rig::{
    ENVIRONMENT, FAIL, HELD, INTERRUPTED, LOAD, PASS, QUICK, Rig, compare_trial, decided, ended, equal,
};
use kitproof_suite::{Check, Folder, Running, number, run, trials};
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;

const EVEN_ENOUGH: [&str; 2] = ["--load-tolerance", "5%"];
const TWO_QUEUES: Options = Options { mtu: 1500, queues: 2, xdp: true };
const ONE_QUEUE: Options = Options { mtu: 1500, queues: 1, xdp: true };

/// Those that need programs in the kernel are left out where an ordinary user may not load any.
const ALWAYS: [Check; 3] = [
    ("two_pairs_by_packet_sockets_find_every_fault", || faults("packet", "packet", Options::default())),
    ("an_interrupted_trial_keeps_every_flow", interrupted),
    ("what_cannot_be_shared_is_refused", refused),
];
const WITH_PROGRAMS: [Check; 4] = [
    ("two_pairs_by_two_queues_find_every_fault", || faults("xdp", "xdp-user", TWO_QUEUES)),
    ("two_pairs_by_the_kernel_reflector_find_every_fault", || faults("packet", "xdp", ONE_QUEUE)),
    ("each_pair_has_a_queue_of_its_own", queues),
    ("a_queue_that_is_taken_sends_every_pair_by_packet_sockets", taken),
];

fn main() {
    let checks = match kitproof_common::port::xdp::permitted().is_ok() {
        true => [&ALWAYS[..], &WITH_PROGRAMS].concat(),
        false => ALWAYS.to_vec(),
    };
    run(&checks)
}

fn args(words: &[&str]) -> Vec<String> {
    words.iter().map(|word| (*word).to_owned()).collect()
}

/// Holds each trial of a run against what the wire did with it, and each loss period against its own flow.
fn compare(result: &Value, ledger: &Ledger, sizes: &[u16], pairs: u8) -> Result<()> {
    let trials = trials(result)?;
    equal("trials", trials.len() as u64, sizes.len() as u64)?;
    equal("trials on the wire", ledger.trials.len() as u64, sizes.len() as u64)?;
    for ((trial, did), size) in trials.iter().zip(&ledger.trials).zip(sizes) {
        equal("pairs", number(trial, "pairs")?, pairs.into())?;
        compare_trial(trial, did, *size).with_context(|| format!("{size} octets: {trial:#}"))?;
        let periods = trial["loss_periods"].as_array().context("loss_periods")?;
        for flow in 0..pairs {
            let told = periods.iter().any(|period| period["flow"] == flow);
            ensure!(told == (losses(did, flow) > 0), "flow {flow}: {periods:?} of {did:?}");
        }
        ensure!(periods.iter().all(|period| period["flow"].as_u64().is_some_and(|flow| flow < pairs.into())));
        // Dealt out as evenly as it goes.
        let offered: Vec<u64> = (0..pairs).map(|flow| did.forward.stream(flow).seen).collect();
        ensure!(
            offered.iter().max().zip(offered.iter().min()).is_some_and(|(most, least)| most - least <= 1)
        );
    }
    Ok(())
}

/// Frames of one flow that the wire took or damaged.
fn losses(did: &Did, flow: u8) -> usize {
    let lost = |counts: &Counts| {
        let damaged = counts.flipped.iter().filter(|flipped| flipped.stream == flow).count();
        counts.dropped.sequences_of(flow).len() + damaged
    };
    lost(&did.forward) + lost(&did.back)
}

/// A faithful wire passes; one that drops, copies, swaps and flips is found out to the last frame; a frame missing from
/// the end of one flow, where nothing behind it tells of the gap, is missed once, in that flow.
fn faults(generator: &'static str, reflector: &str, options: Options) -> Result<()> {
    let mut rig = Rig::with_ways(options, generator, reflector)?;
    let sizes = [64, 1518];
    let common = args(&["--pairs", "2", "--frame-size", "64,1518", "--duration", "400ms"]);
    // A wake-up that is late by 80 us would miss so short a load by the usual tolerance, and frames are what is counted here.
    let common = [&common[..], &args(&EVEN_ENOUGH)].concat();
    let mut ledger = Ledger::default();
    let clean = decided(|| {
        let (ended, did) = rig.run(&Script::faithful(), LOAD, &common)?;
        ledger = did;
        Ok(ended)
    })?;
    let result = ended(&clean, PASS, "pass")?;
    compare(&result, &ledger, &sizes, 2)?;

    // Neighbours are of different flows: a swap would put neither out of order. A frame that comes late is.
    let late = Delay { when: Schedule::at(&[1503, 2507]), by_ms: 5 };
    let back = Faults {
        drop: Schedule::every(1000),
        duplicate: Schedule::every(991),
        delay: Some(late),
        ..Faults::default()
    };
    let script = Script {
        forward: Faults { drop: Schedule::every(97), ..Faults::default() },
        back,
        ..Script::default()
    };
    let (run, mut did) = rig.run(&script, LOAD, &common)?;
    let result = ended(&run, FAIL, "fail")?;
    ensure!(did.trials.iter().all(|did| did.back.delayed.count > 0 && did.forward.dropped.count > 75));
    for did in &mut did.trials {
        // One reordered arrival each (RFC 4737 section 3), as two that changed places are.
        did.back.swapped.count += did.back.delayed.count;
    }
    compare(&result, &did, &sizes, 2)?;
    let told =
        |code: &str| result["reasons"].as_array().into_iter().flatten().any(|reason| reason["code"] == code);
    // Each flow came in by one way, whichever: its order is known.
    ensure!(told("reordered_return") && !told("order_unknown"), "{:#}", result["reasons"]);

    let flip = |octet, seed| {
        let flip = Flip { when: Schedule::every(53), octet, mend: true, seed };
        Faults { flip: Some(flip), ..Faults::default() }
    };
    let script = Script { forward: flip(Octet::Any, 3), back: flip(Octet::Header, 4), ..Script::default() };
    let short = args(&["--pairs", "2", "--frame-size", "64", "--duration", "400ms"]);
    let (run, did) = rig.run(&script, LOAD, &short)?;
    compare(&ended(&run, FAIL, "fail")?, &did, &[64], 2)?;

    // 10,001 frames, and the wire takes the last to arrive: of flow 0, which has one more, unless flow 1 was late.
    let last = Faults { drop: Schedule::at(&[10_001]), ..Faults::default() };
    let script = Script { forward: last, ..Script::default() };
    let arguments = args(&["--pairs", "2", "--frame-size", "64", "--duration", "500ms"]);
    let (run, did) = rig.run(&script, "20002fps", &arguments)?;
    let result = ended(&run, FAIL, "fail")?;
    let [one] = did.trials.as_slice() else { anyhow::bail!("one size is one trial on the wire") };
    ensure!(losses(one, 0) + losses(one, 1) == 1, "{did:?}");
    let [trial] = trials(&result)? else { anyhow::bail!("one size is one trial") };
    equal("lost_forward", number(trial, "lost_forward")?, 1)?;
    equal("offered_frames", number(trial, "offered_frames")?, 10_001)?;
    equal("unaccounted", number(trial, "unaccounted")?, 0)
}

fn reflector_via(room: &Room, via: &[&str]) -> Result<Running> {
    let arguments = [&[REFLECTOR_PORT, "--exit-with-parent"], via].concat();
    Running::start(room, "kitproof-reflector", &arguments)
}

/// Two queues between the ends: left to themselves they take AF_XDP on both; three pairs go by packet sockets, and by name
/// are refused; and so are frames that would change queues.
fn queues() -> Result<()> {
    let bench = Bench::direct(Options { queues: 2, ..Options::default() })?;
    let reflector = reflector_via(&bench.reflector, &[])?;
    // The link is listened to once.
    let state = Folder::new("pairs")?;
    let prove = |room: &Room, more: &[&str]| {
        let fixed = ["prove", GENERATOR_PORT, "--isolated-bench", "--unattended", "--json", "-"];
        let quick = ["--frame-size", "64,1518", "--duration", "400ms"];
        let all = [&fixed[..], &HELD, &QUICK, &quick, &EVEN_ENOUGH, more].concat();
        Running::remembering(room, state.path(), "kitproof", &all)?.wait(Duration::from_secs(60))
    };
    for (pairs, near, far) in [("2", "xdp", "xdp-user"), ("3", "packet", "packet")] {
        let result = ended(&decided(|| prove(&bench.generator, &["--pairs", pairs]))?, PASS, "pass")?;
        for (end, via) in [("generator", near), ("reflector", far)] {
            ensure!(result["pair"][end]["via"] == via, "{pairs} pairs: {:#}", result["pair"]);
        }
        for trial in trials(&result)? {
            let offered = number(trial, "offered_frames")?;
            equal("returned_frames", number(trial, "returned_frames")?, offered)?;
            equal("reordered", number(trial, "reordered")?, 0)?;
        }
    }
    let by_name = prove(&bench.generator, &["--pairs", "3", "--via", "xdp"])?;
    ensure!(by_name.status == ENVIRONMENT && by_name.stderr.contains("3 pairs need 3"), "{by_name:?}");
    drop(reflector);
    let _reflector = reflector_via(&bench.reflector, &["--via", "xdp"])?;
    let moving = prove(&bench.generator, &["--pairs", "2", "--via", "xdp"])?;
    ensure!(moving.status == ENVIRONMENT && moving.stderr.contains("would change queues"), "{moving:?}");
    Ok(())
}

/// Another socket has the second of two queues, at either end: both pairs go by packet sockets there, those that had their
/// queue already too; not a frame is missing, the program is gone, and the result says what refused.
fn taken() -> Result<()> {
    for (refused_at, via) in [("generator", &[][..]), ("reflector", &["--via", "packet"])] {
        let bench = Bench::direct(Options { queues: 2, ..Options::default() })?;
        let (room, port) = match refused_at {
            "generator" => (&bench.generator, GENERATOR_PORT),
            _ => (&bench.reflector, REFLECTOR_PORT),
        };
        let facts = move || -> Result<_> {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
            Ok(runtime.block_on(link::facts(port))?)
        };
        let _reflector = reflector_via(&bench.reflector, &[])?;
        let _taken = room.run(move || -> Result<_> { Ok(TakenQueue::of(port, facts()?.index, 1)?) })?;
        let fixed =
            ["prove", GENERATOR_PORT, "--isolated-bench", "--unattended", "--json", "-", "--pairs", "2"];
        let easy =
            ["--line-rate", "1G", "--load", "2000fps", "--frame-size", "64,1518", "--duration", "400ms"];
        let arguments = [&fixed[..], &easy, &QUICK, via].concat();
        let run = decided(|| {
            Running::start(&bench.generator, "kitproof", &arguments)?.wait(Duration::from_secs(60))
        })?;
        let result = ended(&run, PASS, "pass")?;
        let end = &result["pair"][refused_at];
        let instead = end["instead"].as_str().unwrap_or_default();
        ensure!(end["via"] == "packet" && instead.contains("another one has the queue"), "{end:#}");
        for trial in trials(&result)? {
            let offered = number(trial, "offered_frames")?;
            equal("offered_frames", offered, 800)?;
            equal("returned_frames", number(trial, "returned_frames")?, offered)?;
            equal("unaccounted", number(trial, "unaccounted")?, 0)?;
        }
        ensure!(room.run(facts)?.xdp_attached == Some(false), "the program is still there");
    }
    Ok(())
}

/// Ctrl-C in the middle: every thread ends, and what every flow sent and lost until then is told.
fn interrupted() -> Result<()> {
    let drop = Faults { drop: Schedule::at(&[100]), ..Faults::default() };
    let script = Script { forward: drop, ..Script::default() };
    let mut bench = Bench::with_wire(script, Options::default())?;
    let _reflector = reflector_via(&bench.reflector, &["--via", "packet"])?;
    let fixed = ["prove", GENERATOR_PORT, "--isolated-bench", "--unattended", "--json", "-"];
    let more = ["--via", "packet", "--pairs", "3", "--frame-size", "64", "--duration", "60s"];
    let generator =
        Running::start(&bench.generator, "kitproof", &[&fixed[..], &HELD, &QUICK, &more].concat())?;
    let begun = std::time::Instant::now();
    let flowing = |did: &Did| did.back.streams.iter().filter(|stream| stream.seen > 1_000).count();
    while bench.ledger_so_far()?.trials.first().map_or(0, flowing) < 3 {
        ensure!(begun.elapsed() < Duration::from_secs(20), "no test frames on the wire");
        std::thread::sleep(Duration::from_millis(20));
    }
    kill_process(Pid::from_raw(generator.id() as i32).context("no process")?, Signal::INT)?;
    let result = ended(&generator.wait(Duration::from_secs(30))?, INTERRUPTED, "fail")?;
    let did = bench.stop_wire()?;
    let [trial] = trials(&result)? else { anyhow::bail!("one size is one trial") };
    let [did] = did.trials.as_slice() else { anyhow::bail!("one size is one trial on the wire") };
    equal("flows", did.forward.streams.len() as u64, 3)?;
    equal("lost_forward", number(trial, "lost_forward")?, 1)?;
    equal("offered_frames", number(trial, "offered_frames")?, did.forward.seen)?;
    equal("returned_frames", number(trial, "returned_frames")?, did.back.passed)?;
    equal("unaccounted", number(trial, "unaccounted")?, 0)
}

/// UDP has one pair; a load of too few frames has not two for each; nobody has none.
fn refused() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let usage = |arguments: &[&str], words: &str| -> Result<()> {
        let ended = Running::start(&bench.generator, "kitproof", arguments)?.wait(Duration::from_secs(20))?;
        ensure!(ended.status == 2 && ended.stderr.contains(words), "{arguments:?}: {ended:?}");
        Ok(())
    };
    let udp = ["prove", "udp://127.0.0.1", "--line-rate", "1G", "--pairs", "2", "--unattended"];
    usage(&udp, "over UDP there is one pair")?;
    let few = ["--line-rate", "1G", "--load", "7fps", "--duration", "1s", "--pairs", "4"];
    usage(&[&["prove", GENERATOR_PORT, "--unattended"], &few[..]].concat(), "for each of 4 pairs")?;
    for wrong in ["0", "9"] {
        usage(&["prove", GENERATOR_PORT, "--pairs", wrong], "1..=8")?;
    }
    Ok(())
}
