//! The pair proves a chain: the real binaries over veth, over the software wire and over UDP.
//!
//! Whatever the wire does on purpose must be in the result, exactly, and in the right direction. Timing decides
//! nothing here: a machine too busy to hold the load says `unproven`, and the run is repeated; a wrong count is not.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, UdpSocket};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail, ensure};
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options};
use kitproof_bench::ledger::Trial as Did;
use kitproof_bench::script::{Faults, Flip, Octet, Schedule, Script};
use kitproof_bench::{Ledger, Room};
use kitproof_suite::{Ended, Folder, Running, number, program, prove, reflector, run, trials, validate};
use rustix::process::{Pid, Signal, kill_process};
use rustix::thread::{CapabilitiesSecureBits, CapabilitySet, CapabilitySets};
use serde_json::Value;

const PASS: i32 = 0;
const FAIL: i32 = 1;
const UNPROVEN: i32 = 3;
const ENVIRONMENT: i32 = 4;
const INTERRUPTED: i32 = 130;

/// Runs of one job before a machine that is busy with something else is a failure of the test.
const TRIES: usize = 3;
/// A load the pair holds on any machine, beside other tests.
const LOAD: &str = "20000fps";
const HELD: [&str; 4] = ["--line-rate", "1G", "--load", LOAD];
const QUICK: [&str; 4] = ["--settle", "100ms", "--residual", "500ms"];

fn main() {
    run(&[
        ("a_veth_carries_1_gbit_s_without_loss", line_rate),
        ("every_loss_copy_and_swap_is_found_in_every_encapsulation", fault_matrix),
        ("every_flipped_bit_is_found_in_every_encapsulation", flip_matrix),
        ("jumbo_frames_lose_what_the_wire_takes", jumbo),
        ("udp_inside_a_room_passes", udp_in_a_room),
        ("udp_passes_without_any_privilege", udp_without_privilege),
        ("preflight_shows_every_point", preflight),
        ("an_interrupted_run_keeps_what_it_measured", interrupted),
        ("an_interrupted_run_that_lost_frames_fails", interrupted_losing),
    ]);
}

/// Both counts of a trial that must be equal, with what they are about.
fn equal(what: &str, found: u64, did: u64) -> Result<()> {
    ensure!(found == did, "{what}: the result says {found}, and it was {did}");
    Ok(())
}

fn verdict(result: &Value) -> &str {
    result["verdict"].as_str().unwrap_or("none")
}

/// The status, the JSON and the schema agree, and the verdict is as `expected`.
fn ended(ended: &Ended, status: i32, expected: &str) -> Result<Value> {
    let result = ended.json()?;
    validate(&result)?;
    ensure!(
        ended.status == status && verdict(&result) == expected,
        "status {} and verdict {} in place of {status} and {expected}: {:#}\n{}",
        ended.status,
        verdict(&result),
        result["reasons"],
        ended.stderr
    );
    Ok(result)
}

/// Repeats `attempt` while it ends `unproven`.
fn decided(mut attempt: impl FnMut() -> Result<Ended>) -> Result<Ended> {
    for _ in 1..TRIES {
        let ended = attempt()?;
        if ended.status != UNPROVEN {
            return Ok(ended);
        }
        eprintln!("unproven, and tried again: {:#}", ended.json()?["reasons"]);
    }
    attempt()
}

fn within_ppm(what: &str, found: f64, expected: f64, ppm: f64) -> Result<()> {
    let off = (found / expected - 1.0) * 1e6;
    ensure!(off.abs() <= ppm, "{what}: {found} is {off:+.1} ppm from {expected}");
    Ok(())
}

/// 1 Gb/s over (1,518 + 20) octets is 81,274.4 frames/s (RFC 2544 appendix B): 812,744 in 10 s.
fn line_rate() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _reflector = reflector(&bench.reflector)?;
    let arguments = ["--line-rate", "1G", "--frame-size", "1518", "--duration", "10s"];
    let result = ended(&decided(|| prove(&bench.generator, &arguments))?, PASS, "pass")?;
    let [trial] = trials(&result)? else { bail!("one size is one trial") };
    let offered = number(trial, "offered_frames")?;
    within_ppm("offered_frames", offered as f64, 812_744.0, 100.0)?;
    within_ppm("duration_s", trial["duration_s"].as_f64().context("duration_s")?, 10.0, 100.0)?;
    equal("unaccounted", number(trial, "unaccounted")?, 0)?;
    // Both directions at the load: every frame reached the far end, and every frame came home.
    for name in ["reached_reflector", "reached_reflector_distinct", "reflected_frames", "returned_frames"] {
        equal(name, number(trial, name)?, offered)?;
    }
    let load = &trial["offered_load"];
    within_ppm("offered_load", load["percent"].as_f64().context("percent")?, 100.0, 200.0)?;
    within_ppm("bits_per_s", load["bits_per_s"].as_f64().context("bits_per_s")?, 1e9, 200.0)
}

/// What the frames of a run look like.
struct Look {
    encapsulation: &'static str,
    tags: &'static [&'static str],
    sizes: [u16; 3],
}

/// The three encapsulations, without, with one and with two tags: from the smallest frame each allows (design.md) to
/// the largest standard one, tags on top.
const LOOKS: [Look; 9] = [
    Look { encapsulation: "ipv4", tags: &[], sizes: [64, 597, 1518] },
    Look { encapsulation: "ipv4", tags: &["5"], sizes: [68, 512, 1522] },
    Look { encapsulation: "ipv4", tags: &["6:3", "7:5"], sizes: [72, 256, 1526] },
    Look { encapsulation: "ipv6", tags: &[], sizes: [84, 1024, 1518] },
    Look { encapsulation: "ipv6", tags: &["4094:7"], sizes: [88, 128, 1522] },
    Look { encapsulation: "ipv6", tags: &["1", "1"], sizes: [92, 999, 1526] },
    Look { encapsulation: "ethernet", tags: &[], sizes: [64, 65, 1518] },
    Look { encapsulation: "ethernet", tags: &["5:1"], sizes: [64, 1280, 1522] },
    Look { encapsulation: "ethernet", tags: &["100", "200"], sizes: [64, 512, 1526] },
];

/// A veth takes one tag beyond its MTU and no more, so there is room for the second.
const TAGGED: Options = Options { mtu: 1508, queues: 1 };

impl Look {
    fn arguments(&self) -> Vec<String> {
        let sizes = self.sizes.map(|size| size.to_string()).join(",");
        let mut arguments =
            vec!["--encapsulation".into(), self.encapsulation.into(), "--frame-size".into(), sizes];
        arguments.extend(self.tags.iter().flat_map(|tag| ["--vlan".to_owned(), (*tag).to_owned()]));
        arguments
    }
}

/// A bench whose wire is changed from run to run; the link is listened to once.
struct Rig {
    bench: Bench,
    _reflector: Running,
    state: Folder,
}

impl Rig {
    fn new(options: Options) -> Result<Self> {
        let bench = Bench::with_wire(Script::faithful(), options)?;
        let reflector = reflector(&bench.reflector)?;
        Ok(Self { bench, _reflector: reflector, state: Folder::new("pair")? })
    }

    /// One run over a wire with `script`, and what the wire did. A wire that lost frames itself (the machine was
    /// busy) can be held against nothing: once more.
    fn run(&mut self, script: &Script, load: &str, arguments: &[String]) -> Result<(Ended, Ledger)> {
        let fixed = ["prove", GENERATOR_PORT, "--isolated-bench", "--unattended", "--json", "-"];
        let load = ["--line-rate", "1G", "--load", load];
        let all: Vec<&str> =
            fixed.into_iter().chain(load).chain(QUICK).chain(arguments.iter().map(String::as_str)).collect();
        for _ in 0..TRIES {
            self.bench.change_script(script.clone())?;
            let room = &self.bench.generator;
            let ended = Running::remembering(room, self.state.path(), "kitproof", &all)?
                .wait(Duration::from_secs(60))?;
            let ledger = self.bench.change_script(Script::faithful())?;
            if ledger.is_clean() {
                return Ok((ended, ledger));
            }
            eprintln!("the wire itself lost frames, and it is tried again: {:?}", ledger.lost_by_wire);
        }
        bail!("the wire itself loses frames on this machine")
    }
}

/// Holds every trial of a run against the wire's ledger.
fn compare(result: &Value, ledger: &Ledger, sizes: &[u16]) -> Result<()> {
    ensure!(ledger.forward.foreign_seen + ledger.back.foreign_seen == 0, "strangers on the wire: {ledger:?}");
    let trials = trials(result)?;
    ensure!(
        trials.len() == sizes.len() && ledger.trials.len() == sizes.len(),
        "{} trials in the result, {} on the wire",
        trials.len(),
        ledger.trials.len()
    );
    for ((trial, did), size) in trials.iter().zip(&ledger.trials).zip(sizes) {
        compare_trial(trial, did, *size).with_context(|| format!("{size} octets: {trial:#}"))?;
    }
    Ok(())
}

fn compare_trial(trial: &Value, did: &Did, size: u16) -> Result<()> {
    let found = |name: &str| number(trial, name);
    ensure!(
        did.forward.unbalanced() == 0 && did.back.unbalanced() == 0 && did.forward.held + did.back.held == 0
    );
    equal("frame_size", found("frame_size")?, size.into())?;
    equal("offered_frames", found("offered_frames")?, did.forward.seen)?;
    equal("lost_forward", found("lost_forward")?, did.forward.dropped.count)?;
    equal("lost_return", found("lost_return")?, did.back.dropped.count)?;
    equal("lost_direction_unknown", found("lost_direction_unknown")?, 0)?;
    equal("duplicates_forward", found("duplicates_forward")?, did.forward.duplicated.count)?;
    equal("duplicates_return", found("duplicates_return")?, did.back.duplicated.count)?;
    equal("duplicates", found("duplicates")?, did.forward.duplicated.count + did.back.duplicated.count)?;
    // Two that changed places are one reordered arrival (RFC 4737 section 3).
    equal("reordered_forward", found("reordered_forward")?, did.forward.swapped.count)?;
    equal("reordered_return", found("reordered_return")?, did.back.swapped.count)?;
    equal("reordered", found("reordered")?, did.forward.swapped.count + did.back.swapped.count)?;
    equal("corrupted_forward", found("corrupted_forward")?, did.forward.flipped.len() as u64)?;
    equal("corrupted_return", found("corrupted_return")?, did.back.flipped.len() as u64)?;
    equal(
        "corrupted",
        found("corrupted")? + found("corrupted_copies")?,
        (did.forward.flipped.len() + did.back.flipped.len()) as u64,
    )?;
    equal("reached_reflector", found("reached_reflector")?, did.back.seen)?;
    equal("foreign_frames", found("foreign_frames")?, 0)?;
    equal("unaccounted", found("unaccounted")?, 0)?;
    let drops = trial["pair_drops"].as_object().context("pair_drops")?;
    ensure!(drops.is_empty(), "the pair dropped frames at a load it must hold: {drops:?}");
    let missing = found("lost_forward")? + found("lost_return")? + found("corrupted")?;
    equal("returned_frames", found("returned_frames")?, did.forward.seen - missing)?;
    loss_periods(trial, did)
}

/// Where the losses are listed one by one they are the very frames the wire took, by number.
fn loss_periods(trial: &Value, did: &Did) -> Result<()> {
    let periods = trial["loss_periods"].as_array().context("loss_periods")?;
    for period in periods.iter().filter(|period| period["direction"] == "forward") {
        let first = number(period, "first")? as u32;
        for sequence in first..first + number(period, "length")? as u32 {
            let taken = did.forward.dropped.frames.iter().any(|&(_, s)| s == sequence)
                || did.forward.flipped.iter().any(|flipped| flipped.sequence == sequence);
            ensure!(taken, "sequence {sequence} is told as lost forward, and the wire did not touch it");
        }
    }
    Ok(())
}

/// "Drops every 97th frame forward, every 1,000th on return, duplicates every 991st and swaps every 5,000th on return,
/// all at once": issue 2. Where two meet on one frame the wire commits the first of drop, swap, duplicate and its
/// ledger says which; the swap gets an offset of its own too, since every 5,000th is a 1,000th and dropped.
fn everything() -> Script {
    let forward = Faults { drop: Schedule::every(97), ..Faults::default() };
    let swap = Schedule { at: vec![2503, 7506, 12_509, 17_512], every: Some(5000), burst: None };
    let back =
        Faults { drop: Schedule::every(1000), duplicate: Schedule::every(991), swap, ..Faults::default() };
    Script { forward, back, ..Script::default() }
}

fn fault_matrix() -> Result<()> {
    let mut rig = Rig::new(TAGGED)?;
    for look in &LOOKS {
        let mut arguments = look.arguments();
        arguments.extend(["--duration".into(), "1s".into()]);
        let (run, ledger) = rig.run(&everything(), LOAD, &arguments)?;
        let result = ended(&run, FAIL, "fail")?;
        compare(&result, &ledger, &look.sizes)
            .with_context(|| format!("{} with tags {:?}", look.encapsulation, look.tags))?;
        for did in &ledger.trials {
            ensure!(
                did.forward.dropped.count > 190
                    && did.back.dropped.count > 15
                    && did.back.duplicated.count > 15
                    && did.back.swapped.count > 2,
                "the wire was to do more than this: {did:?}"
            );
        }
    }
    Ok(())
}

/// Flips of every kind each way, the two directions never of the same kind.
fn flip_matrix() -> Result<()> {
    let kinds: Vec<(Octet, bool)> = [Octet::Header, Octet::Fill, Octet::Any]
        .into_iter()
        .flat_map(|octet| [(octet, false), (octet, true)])
        .collect();
    let mut rig = Rig::new(TAGGED)?;
    let mut flips = 0;
    for (index, look) in LOOKS.iter().enumerate() {
        // Three looks of an encapsulation, twice: every kind once in each direction.
        for second in 0..2 {
            let kind = 2 * (index % 3) + second;
            let flip = |(octet, mend): (Octet, bool), every: u64| Faults {
                flip: Some(Flip { when: Schedule::every(every), octet, mend, seed: index as u64 }),
                ..Faults::default()
            };
            let script = Script {
                forward: flip(kinds[kind], 53),
                back: flip(kinds[(kind + 3) % kinds.len()], 59),
                ..Script::default()
            };
            let mut arguments = look.arguments();
            arguments.extend(["--duration".into(), "500ms".into()]);
            let (run, ledger) = rig.run(&script, LOAD, &arguments)?;
            let about = || format!("{} with tags {:?}: {script:?}", look.encapsulation, look.tags);
            let result = ended(&run, FAIL, "fail").with_context(about)?;
            compare(&result, &ledger, &look.sizes).with_context(about)?;
            let done: usize =
                ledger.trials.iter().map(|did| did.forward.flipped.len() + did.back.flipped.len()).sum();
            ensure!(done > 300, "{}: only {done} flips", about());
            flips += done;
        }
    }
    eprintln!("{flips} flipped bits, every one found");
    Ok(())
}

/// The largest frame there is, and the largest step between two sizes of one run.
fn jumbo() -> Result<()> {
    let mut rig = Rig::new(Options { mtu: 9216, queues: 1 })?;
    let mut script = everything();
    script.forward.flip = Some(Flip { when: Schedule::every(101), octet: Octet::Any, mend: true, seed: 1 });
    let arguments = ["--frame-size", "9216,64,9000", "--duration", "1s"].map(str::to_owned);
    let (run, ledger) = rig.run(&script, "6000fps", &arguments)?;
    compare(&ended(&run, FAIL, "fail")?, &ledger, &[9216, 64, 9000])
}

/// A port nobody has at the moment.
fn free_port(address: IpAddr) -> Result<u16> {
    Ok(UdpSocket::bind(SocketAddr::new(address, 0))?.local_addr()?.port())
}

fn udp_arguments(target: &str) -> Vec<String> {
    let fixed =
        ["prove", target, "--unattended", "--json", "-", "--frame-size", "64,1518", "--duration", "1s"];
    fixed.iter().chain(&HELD).chain(&QUICK).map(|&argument| argument.to_owned()).collect()
}

/// Nothing may be lost over a loopback, and the frames are counted as over any other way.
fn udp_passed(run: &Ended) -> Result<()> {
    let result = ended(run, PASS, "pass")?;
    ensure!(trials(&result)?.len() == 2);
    for trial in trials(&result)? {
        let offered = number(trial, "offered_frames")?;
        ensure!((19_990..=20_010).contains(&offered), "{offered} offered");
        equal("returned_frames", number(trial, "returned_frames")?, offered)?;
        equal("reached_reflector", number(trial, "reached_reflector")?, offered)?;
        equal("unaccounted", number(trial, "unaccounted")?, 0)?;
    }
    Ok(())
}

fn udp_in_a_room() -> Result<()> {
    let room = Room::new("udp")?;
    // A room has no IPv6; its loopback gets ::1 with it.
    room.run(|| std::fs::write("/proc/sys/net/ipv6/conf/lo/disable_ipv6", "0"))
        .context("IPv6 cannot be switched on in the room's loopback")?;
    for address in [IpAddr::V4(Ipv4Addr::LOCALHOST), IpAddr::V6(Ipv6Addr::LOCALHOST)] {
        let port = room.run(move || free_port(address))?;
        let address = SocketAddr::new(address, port);
        let listen = address.to_string();
        let _reflector =
            Running::start(&room, "kitproof-reflector", &["--listen", &listen, "--exit-with-parent"])?;
        let arguments = udp_arguments(&format!("udp://{address}"));
        let run = decided(|| Running::start(&room, "kitproof", &arguments)?.wait(Duration::from_secs(60)))?;
        udp_passed(&run).with_context(|| format!("over {address}"))?;
    }
    Ok(())
}

/// Starts a program in the namespace of this process, from a thread that has given up every capability and the way
/// root gets them back at exec (capabilities(7): SECBIT_NOROOT). An ordinary user's thread had none in this
/// namespace to begin with.
fn unprivileged(name: &str, arguments: &[String]) -> Result<Child> {
    let mut command = Command::new(program(name)?);
    command
        .args(arguments)
        .env("XDG_STATE_HOME", "/proc/kitproof")
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    let start = move || -> Result<Child> {
        rustix::thread::set_no_new_privs(true)?;
        rustix::thread::set_capabilities_secure_bits(
            CapabilitiesSecureBits::NO_ROOT | CapabilitiesSecureBits::NO_ROOT_LOCKED,
        )
        .context("root's way back to its privileges cannot be closed")?;
        let none = CapabilitySet::empty();
        rustix::thread::set_capabilities(
            None,
            CapabilitySets { effective: none, permitted: none, inheritable: none },
        )?;
        Ok(command.spawn()?)
    };
    std::thread::spawn(start).join().map_err(|_| anyhow::anyhow!("the thread panicked"))?
}

/// Killed and waited for when dropped.
struct Killed(Child);

impl Drop for Killed {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn udp_without_privilege() -> Result<()> {
    let address =
        SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), free_port(IpAddr::V4(Ipv4Addr::LOCALHOST))?);
    let listen = ["--listen".to_owned(), address.to_string(), "--quiet".to_owned()];
    let reflector = Killed(unprivileged("kitproof-reflector", &listen)?);
    let status = std::fs::read_to_string(format!("/proc/{}/status", reflector.0.id()))?;
    let effective = status.lines().find_map(|line| line.strip_prefix("CapEff:")).map(str::trim);
    ensure!(effective == Some("0000000000000000"), "it has privileges: {effective:?}");
    let arguments = udp_arguments(&format!("udp://{address}"));
    let run = decided(|| {
        let output = unprivileged("kitproof", &arguments)?.wait_with_output()?;
        Ok(Ended {
            status: output.status.code().unwrap_or(-1),
            stdout: String::from_utf8_lossy(&output.stdout).into_owned(),
            stderr: String::from_utf8_lossy(&output.stderr).into_owned(),
        })
    })?;
    udp_passed(&run)
}

fn preflight() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let look = || {
        Running::start(&bench.generator, "kitproof", &["preflight", GENERATOR_PORT])?
            .wait(Duration::from_secs(20))
    };
    let alone = look()?;
    ensure!(alone.status == ENVIRONMENT, "without a reflector: {alone:?}");
    ensure!(
        alone.stdout.lines().any(|line| line.starts_with("REFUSED") && line.contains("reflector")),
        "{}",
        alone.stdout
    );
    let _reflector = reflector(&bench.reflector)?;
    let both = look()?;
    ensure!(both.status == PASS, "with a reflector: {both:?}");
    for point in POINTS {
        let shown = both.stdout.lines().filter(|line| {
            let mut words = line.split("  ").map(str::trim).filter(|word| !word.is_empty());
            let state = words.next().unwrap_or_default();
            STATES.contains(&state) && words.next() == Some(point)
        });
        ensure!(shown.count() == 1, "no line, or not one, for {point}:\n{}", both.stdout);
    }
    let wrong = Running::start(&bench.generator, "kitproof", &["preflight", "eth9"])?
        .wait(Duration::from_secs(20))?;
    ensure!(
        wrong.status == ENVIRONMENT && wrong.stderr.contains("eth9") && wrong.stderr.contains(GENERATOR_PORT),
        "{wrong:?}"
    );
    // The port's own link down is refused, and the reflector cannot answer.
    bench.generator.set_link(GENERATOR_PORT, false)?;
    let down = look()?;
    ensure!(down.status == ENVIRONMENT && down.stdout.contains("REFUSED"), "{down:?}");
    Ok(())
}

const STATES: [&str; 5] = ["good", "note", "unknown", "warning", "REFUSED"];
/// What preflight looks at: the interface, the host, the peer.
const POINTS: [&str; 18] = [
    "interface",
    "kind",
    "state",
    "carrier",
    "default route",
    "speed",
    "rings",
    "MTU",
    "driver",
    "drop counters",
    "clock",
    "processors",
    "hypervisor",
    "receive buffers",
    "backlog",
    "softnet",
    "privilege",
    "reflector",
];

fn interrupted() -> Result<()> {
    interrupt_in_the_middle(Script::faithful(), "unproven")
}

fn interrupted_losing() -> Result<()> {
    let forward = Faults { drop: Schedule::every(97), ..Faults::default() };
    interrupt_in_the_middle(Script { forward, ..Script::default() }, "fail")
}

/// Ctrl-C once the wire has seen 10,000 frames of a trial of a million.
fn interrupt_in_the_middle(script: Script, expected: &str) -> Result<()> {
    let mut bench = Bench::with_wire(script, Options::default())?;
    let _reflector = reflector(&bench.reflector)?;
    let fixed = ["prove", GENERATOR_PORT, "--isolated-bench", "--unattended", "--json", "-"];
    let more = ["--frame-size", "128,1518", "--duration", "50s"];
    let arguments: Vec<&str> = fixed.into_iter().chain(HELD).chain(QUICK).chain(more).collect();
    let running = Running::start(&bench.generator, "kitproof", &arguments)?;
    let begun = Instant::now();
    while bench.ledger_so_far()?.last().is_none_or(|did| did.forward.seen < 10_000) {
        ensure!(begun.elapsed() < Duration::from_secs(30), "the trial never began");
        std::thread::sleep(Duration::from_millis(20));
    }
    let pid = i32::try_from(running.id()).ok().and_then(Pid::from_raw).context("a process id")?;
    kill_process(pid, Signal::INT)?;
    let run = running.wait(Duration::from_secs(20))?;
    let result = ended(&run, INTERRUPTED, expected)?;
    let ledger = bench.stop_wire()?;
    ensure!(ledger.is_clean(), "{:?}", ledger.lost_by_wire);
    // One partial trial of the two, and its account closes all the same.
    let [trial] = trials(&result)? else { bail!("{} trials", trials(&result)?.len()) };
    let offered = number(trial, "offered_frames")?;
    ensure!((10_000..900_000).contains(&offered), "{offered} offered");
    compare(&result, &ledger, &[128])?;
    let codes: Vec<&str> = result["reasons"]
        .as_array()
        .into_iter()
        .flatten()
        .filter_map(|reason| reason["code"].as_str())
        .collect();
    ensure!(codes.contains(&"cut_short") && codes.contains(&"incomplete"), "{codes:?}");
    ensure!((expected == "fail") == codes.contains(&"lost_forward"), "{codes:?}");
    Ok(())
}
