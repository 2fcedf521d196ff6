//! The pair proves a chain: the real binaries over veth, over the software wire and over UDP.
//!
//! Whatever the wire does on purpose must be in the result, exactly, and in the right direction. Timing decides
//! nothing here: a machine too busy to hold the load says `unproven`, and the run is repeated; a wrong count is not.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, UdpSocket};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail, ensure};
use kitproof_bench::Room;
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options};
use kitproof_bench::script::{Faults, Schedule, Script};
use kitproof_suite::rig::{
    ENVIRONMENT, HELD, INTERRUPTED, JUMBO, Length, PASS, QUICK, Rig, TAGGED, compare, decided, ended, equal,
    fault_matrix, flip_matrix, within_ppm,
};
use kitproof_suite::{Ended, Running, number, program, prove, reflector, run, trials};
use rustix::process::{Pid, Signal, kill_process};
use rustix::thread::{CapabilitiesSecureBits, CapabilitySet, CapabilitySets};

fn main() {
    run(&[
        ("a_veth_carries_1_gbit_s_without_loss", line_rate),
        ("every_loss_copy_and_swap_is_found_in_every_encapsulation", || {
            fault_matrix(Rig::new(TAGGED)?, Length::Whole)
        }),
        ("every_flipped_bit_is_found_in_every_encapsulation", || {
            flip_matrix(Rig::new(TAGGED)?, Length::Whole)
        }),
        ("jumbo_frames_lose_what_the_wire_takes", jumbo),
        ("udp_inside_a_room_passes", udp_in_a_room),
        ("udp_passes_without_any_privilege", udp_without_privilege),
        ("preflight_shows_every_point", preflight),
        ("an_interrupted_run_keeps_what_it_measured", interrupted),
        ("an_interrupted_run_that_lost_frames_fails", interrupted_losing),
    ]);
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

/// By AF_XDP sockets at both ends: the ends of the wire have no program, so that nothing can be sent back by XDP_TX.
fn jumbo() -> Result<()> {
    let result = kitproof_suite::rig::jumbo(Rig::new(Options { xdp: false, ..JUMBO })?, &[9216, 64, 9000])?;
    let via = |end: &str| result["pair"][end]["via"].as_str().unwrap_or_default().to_owned();
    let expected =
        if kitproof_common::port::xdp::permitted().is_ok() { ["xdp", "xdp-user"] } else { ["packet"; 2] };
    ensure!([via("generator"), via("reflector")] == expected, "{:#}", result["pair"]);
    Ok(())
}

/// A port nobody has at the moment.
fn free_port(address: IpAddr) -> Result<u16> {
    Ok(UdpSocket::bind(SocketAddr::new(address, 0))?.local_addr()?.port())
}

/// Every datagram goes through the whole stack twice each way, beside whatever else this machine does: few of them.
fn udp_arguments(target: &str) -> Vec<String> {
    let fixed =
        ["prove", target, "--unattended", "--json", "-", "--frame-size", "64,1518", "--duration", "1s"];
    let load = ["--line-rate", "1G", "--load", "1000fps", "--load-tolerance", "50000ppm"];
    fixed.iter().chain(&load).chain(&QUICK).map(|&argument| argument.to_owned()).collect()
}

/// Nothing may be lost over a loopback, and the frames are counted as over any other way.
fn udp_passed(run: &Ended) -> Result<()> {
    let result = ended(run, PASS, "pass")?;
    ensure!(trials(&result)?.len() == 2);
    for trial in trials(&result)? {
        let offered = number(trial, "offered_frames")?;
        ensure!((998..=1_002).contains(&offered), "{offered} offered");
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
const POINTS: [&str; 19] = [
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
    "time stamps",
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
