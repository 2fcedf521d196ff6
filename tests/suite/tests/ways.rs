//! Every combination of ways onto the wire on the two ends: the fault tests of the packet sockets, unchanged; and what
//! must not be left behind, or be offered where it would lose frames.
//!
//! In a user namespace the kernel refuses programs and maps (bpf(2)), so that an ordinary user skips these.

use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail, ensure};
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options, REFLECTOR_PORT};
use kitproof_bench::{Direction, Room, Script};
use kitproof_common::link::{self, LinkFacts};
use kitproof_common::port::xdp::TakenQueue;
use kitproof_suite::rig::{
    ENVIRONMENT, FAIL, HELD, JUMBO, Length, PASS, QUICK, Rig, TAGGED, decided, ended, equal, fault_matrix,
    flip_matrix,
};
use kitproof_suite::{Check, Running, number, prove, reflector, run_where, trials};
use rustix::process::{Pid, Signal, kill_process};

const WAYS: Options = Options { xdp: true, ..TAGGED };

/// Always: between them they use every port there is.
const ALWAYS: [Check; 10] = [
    ("the_kernel_reflector_carries_what_it_is_offered", carries),
    ("a_veth_whose_peer_has_no_program_is_refused", refused),
    ("jumbo_frames_by_programs_lose_what_the_wire_takes", || jumbo("xdp", "xdp")),
    ("a_queue_that_another_has_sends_the_generator_by_packet_sockets", taken_here),
    ("a_queue_that_another_has_sends_the_reflector_by_packet_sockets", taken_there),
    ("how_sockets_are_used_is_told_and_never_guessed", manner),
    ("a_killed_end_leaves_no_program_attached", killed),
    ("a_lost_carrier_is_charged_to_the_chain", carrier),
    ("xdp_to_xdp_finds_every_fault", || both("xdp", "xdp")),
    ("packet_to_xdp_user_finds_every_fault", || both("packet", "xdp-user")),
];

/// The other combinations.
const WHOLE: [Check; 4] = [
    ("jumbo_frames_by_packet_sockets_lose_what_the_wire_takes", || jumbo("packet", "packet")),
    ("xdp_to_xdp_user_finds_every_fault", || both("xdp", "xdp-user")),
    ("xdp_to_packet_finds_every_fault", || both("xdp", "packet")),
    ("packet_to_xdp_finds_every_fault", || both("packet", "xdp")),
];

/// All combinations at full length take a quarter of an hour: KITPROOF_WAYS=whole.
fn is_whole() -> bool {
    std::env::var_os("KITPROOF_WAYS").is_some_and(|value| value == "whole")
}

fn main() {
    let more = if is_whole() { &WHOLE[..] } else { &[] };
    run_where(
        || kitproof_common::port::xdp::permitted().map_err(|error| format!("bpf(2): {error}")),
        &[&ALWAYS[..], more].concat(),
    );
}

fn both(generator: &'static str, reflector: &'static str) -> Result<()> {
    let length = if is_whole() { Length::Whole } else { Length::Short };
    fault_matrix(Rig::with_ways(WAYS, generator, reflector)?, length)?;
    flip_matrix(Rig::with_ways(WAYS, generator, reflector)?, length)
}

fn reflector_via(room: &Room, via: &str) -> Result<Running> {
    Running::start(room, "kitproof-reflector", &[REFLECTOR_PORT, "--exit-with-parent", "--via", via])
}

/// Every frame there and back by programs in the kernel, in each encapsulation, with the ends' own words for it.
fn carries() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _reflector = reflector_via(&bench.reflector, "xdp")?;
    for encapsulation in ["ipv4", "ipv6", "ethernet"] {
        let arguments = [
            &HELD[..],
            &QUICK,
            &[
                "--via",
                "xdp",
                "--encapsulation",
                encapsulation,
                "--frame-size",
                "84,1518",
                "--duration",
                "1s",
            ],
        ];
        let result = ended(&decided(|| prove(&bench.generator, &arguments.concat()))?, PASS, "pass")?;
        ensure!(result["pair"]["generator"]["via"] == "xdp" && result["pair"]["reflector"]["via"] == "xdp");
        for trial in trials(&result)? {
            let offered = number(trial, "offered_frames")?;
            for name in
                ["reached_reflector", "reached_reflector_distinct", "reflected_frames", "returned_frames"]
            {
                equal(name, number(trial, name)?, offered)?;
            }
            equal("unaccounted", number(trial, "unaccounted")?, 0)?;
        }
    }
    Ok(())
}

fn jumbo(generator: &'static str, reflector: &'static str) -> Result<()> {
    let rig = Rig::with_ways(JUMBO, generator, reflector)?;
    let result = kitproof_suite::rig::jumbo(rig, &[9216, 4096])?;
    let pair = &result["pair"];
    ensure!(pair["generator"]["via"] == generator && pair["reflector"]["via"] == reflector, "{pair:#}");
    Ok(())
}

/// Another program's AF_XDP socket has the queue.
fn take(room: &Room, interface: &'static str) -> Result<TakenQueue> {
    let index = facts(room, interface)?.index;
    room.run(move || Ok(TakenQueue::of(interface, index, 0)?))
}

/// Two trials at a load that a busy machine holds too: here it is the way that counts.
const EASY: [&str; 14] = [
    "--line-rate",
    "1G",
    "--load",
    "2000fps",
    "--load-tolerance",
    "10%",
    "--settle",
    "100ms",
    "--residual",
    "500ms",
    "--frame-size",
    "64,512",
    "--duration",
    "500ms",
];

/// The result of a run that passed although AF_XDP was refused at one end, which says so once, and why.
fn by_packets(bench: &Bench, arguments: &[&str], refused_at: &str) -> Result<serde_json::Value> {
    let run = decided(|| prove(&bench.generator, &[&EASY[..], arguments].concat()))?;
    let result = ended(&run, PASS, "pass")?;
    let end = &result["pair"][refused_at];
    let instead = end["instead"].as_str().unwrap_or_default();
    ensure!(
        end["via"] == "packet"
            && end.get("xdp_mode").is_none()
            && instead.contains("was tried and refused")
            && instead.contains("another one has the queue"),
        "{end:#}"
    );
    ensure!(run.stderr.matches("was tried and refused").count() == 1, "{}", run.stderr);
    for trial in trials(&result)? {
        equal("returned_frames", number(trial, "returned_frames")?, number(trial, "offered_frames")?)?;
    }
    Ok(result)
}

/// The far end cannot rely on the program here any more, and does not.
fn taken_here() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _reflector = reflector(&bench.reflector)?;
    let taken = take(&bench.generator, GENERATOR_PORT)?;
    let result = by_packets(&bench, &[], "generator")?;
    ensure!(result["pair"]["reflector"]["via"] == "xdp-user", "{:#}", result["pair"]);
    ensure!(!is_attached(&bench.generator, GENERATOR_PORT)?);
    let named = prove(&bench.generator, &[&EASY[..], &["--via", "xdp"]].concat())?;
    ensure!(
        named.status == ENVIRONMENT && named.stderr.contains("another one has the queue"),
        "by name it is an error: {named:?}"
    );
    drop(taken);
    Ok(())
}

/// The reflector goes on by packet sockets, its program gone.
fn taken_there() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let chooses = reflector(&bench.reflector)?;
    let taken = take(&bench.reflector, REFLECTOR_PORT)?;
    until("a program at the reflector", || is_attached(&bench.reflector, REFLECTOR_PORT))?;
    by_packets(&bench, &["--via", "packet"], "reflector")?;
    ensure!(!is_attached(&bench.reflector, REFLECTOR_PORT)?, "the program is still there");
    drop(chooses);
    let _named = reflector_via(&bench.reflector, "xdp-user")?;
    let ended = prove(&bench.generator, &[&EASY[..], &["--via", "packet"]].concat())?;
    ensure!(
        ended.status == ENVIRONMENT && ended.stderr.contains("another one has the queue"),
        "by name it is an error: {ended:?}"
    );
    drop(taken);
    Ok(())
}

/// Copy and busy polling run and are told; zero copy is refused where the driver has none; what is not about AF_XDP sockets
/// is refused before anything is touched.
fn manner() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let room = &bench.generator;
    let one = |arguments: &[&str]| prove(room, &[&EASY[..], arguments].concat());
    for (arguments, status, says) in [
        (
            &["--via", "xdp", "--xdp-mode", "zero-copy"][..],
            ENVIRONMENT,
            "(veth) has no zero copy; choose copy",
        ),
        (&["--busy-poll"], 2, "it needs --via xdp"),
        (&["--via", "packet", "--xdp-mode", "copy"], 2, "it needs --via xdp"),
    ] {
        let ended = one(arguments)?;
        ensure!(ended.status == status && ended.stderr.contains(says), "{arguments:?}: {ended:?}");
        let lines = ended.stderr.lines().filter(|line| line.starts_with("kitproof: "));
        ensure!(lines.count() == 1, "{arguments:?}: {ended:?}");
    }
    for (arguments, says) in [
        (&["--via", "xdp-user", "--xdp-mode", "zero-copy"][..], "(veth) has no zero copy; choose copy"),
        (&["--via", "xdp", "--busy-poll"], "it needs --via xdp-user"),
    ] {
        let all = [&[REFLECTOR_PORT, "--exit-with-parent"], arguments].concat();
        let ended =
            Running::start(&bench.reflector, "kitproof-reflector", &all)?.wait(Duration::from_secs(10))?;
        ensure!(ended.status == ENVIRONMENT && ended.stderr.contains(says), "{arguments:?}: {ended:?}");
        ensure!(ended.stderr.trim().lines().count() == 1, "{arguments:?}: {ended:?}");
    }
    let arguments = [REFLECTOR_PORT, "--exit-with-parent", "--via", "xdp-user", "--busy-poll"];
    let _reflector = Running::start(&bench.reflector, "kitproof-reflector", &arguments)?;
    let run = decided(|| one(&["--via", "xdp", "--xdp-mode", "copy", "--busy-poll"]))?;
    let result = ended(&run, PASS, "pass")?;
    for end in ["generator", "reflector"] {
        let end = &result["pair"][end];
        ensure!(end["xdp_mode"] == "copy" && end["busy_poll"] == true, "{end:#}");
    }
    Ok(())
}

/// XDP_TX into a veth whose peer has no program loses every frame (measured): the reflector says so and refuses.
fn refused() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _reflector = reflector_via(&bench.reflector, "xdp")?;
    let arguments =
        [&HELD[..], &QUICK, &["--via", "packet", "--frame-size", "64", "--duration", "1s"]].concat();
    let ended = prove(&bench.generator, &arguments)?;
    ensure!(
        ended.status == ENVIRONMENT
            && ended.stderr.contains("its peer has no XDP program")
            && ended.stderr.contains("--via xdp-user"),
        "{ended:?}"
    );
    Ok(())
}

/// Whether some XDP program sits on an interface of a room.
fn is_attached(room: &Room, interface: &'static str) -> Result<bool> {
    facts(room, interface)?.xdp_attached.context("the kernel does not tell whether there is a program")
}

fn facts(room: &Room, interface: &'static str) -> Result<LinkFacts> {
    room.run(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        Ok(runtime.block_on(link::facts(interface))?)
    })
}

fn until(what: &str, mut holds: impl FnMut() -> Result<bool>) -> Result<()> {
    let begun = Instant::now();
    while !holds()? {
        ensure!(begun.elapsed() < Duration::from_secs(20), "{what}: not within 20 s");
        std::thread::sleep(Duration::from_millis(20));
    }
    Ok(())
}

/// A plug pulled for a moment on either side: the chain fails, and every frame is in one place, those among them that the
/// port without a carrier threw away.
fn carrier() -> Result<()> {
    for side in [Direction::Return, Direction::Forward] {
        let bench = Bench::with_wire(Script::faithful(), WAYS)?;
        let _reflector = reflector_via(&bench.reflector, "xdp")?;
        let arguments = [
            &["prove", GENERATOR_PORT, "--isolated-bench", "--unattended", "--json", "-"][..],
            &HELD,
            &QUICK,
            &["--via", "xdp", "--frame-size", "256", "--duration", "3s"],
        ];
        let generator = Running::start(&bench.generator, "kitproof", &arguments.concat())?;
        until("test frames on the wire", || {
            Ok(bench.ledger_so_far()?.trials.first().is_some_and(|did| did.back.seen > 1_000))
        })?;
        bench.plug(side, false)?;
        std::thread::sleep(Duration::from_millis(300));
        bench.plug(side, true)?;
        let ended = generator.wait(Duration::from_secs(60))?;
        let result = ended.json()?;
        let codes: Vec<&str> = result["reasons"]
            .as_array()
            .into_iter()
            .flatten()
            .filter_map(|reason| reason["code"].as_str())
            .collect();
        ensure!(ended.status == FAIL && codes.contains(&"carrier_lost"), "{side:?}: {result:#}");
        let [trial] = trials(&result)? else { bail!("one size is one trial") };
        let dropped: u64 =
            trial["pair_drops"].as_object().into_iter().flatten().filter_map(|(_, n)| n.as_u64()).sum();
        let mut placed = dropped;
        for name in ["returned_frames", "lost_forward", "lost_return", "lost_direction_unknown"] {
            placed += number(trial, name)?;
        }
        equal("frames in one place", placed, number(trial, "offered_frames")?)?;
        equal("unaccounted", number(trial, "unaccounted")?, 0)?;
        ensure!(number(trial, "returned_frames")? > 0, "{side:?}: {trial:#}");
    }
    Ok(())
}

/// kill -9 of either end in the middle of a trial: the kernel takes the programs away by itself.
fn killed() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let reflector = reflector_via(&bench.reflector, "xdp")?;
    let arguments = [
        &["prove", GENERATOR_PORT, "--isolated-bench", "--unattended", "--json", "-"][..],
        &HELD,
        &["--via", "xdp", "--frame-size", "64", "--duration", "60s"],
    ];
    let generator = Running::start(&bench.generator, "kitproof", &arguments.concat())?;
    until("a program at the generator", || is_attached(&bench.generator, GENERATOR_PORT))?;
    ensure!(is_attached(&bench.reflector, REFLECTOR_PORT)?, "no program at the reflector");
    std::thread::sleep(Duration::from_secs(5));
    for (end, room, port) in
        [(generator, &bench.generator, GENERATOR_PORT), (reflector, &bench.reflector, REFLECTOR_PORT)]
    {
        let pid = Pid::from_raw(end.id() as i32).context("no process")?;
        kill_process(pid, Signal::KILL)?;
        let _ = end.wait(Duration::from_secs(10))?;
        until("the program is gone", || Ok(!is_attached(room, port)?))?;
    }
    Ok(())
}
