//! What is refused before a single test frame leaves: the command line, the host, the port.

use std::net::{IpAddr, Ipv4Addr};

use anyhow::{Result, ensure};
use kitproof_bench::bench::{GENERATOR_PORT, REFLECTOR_PORT};
use kitproof_bench::{Bench, Options};
use kitproof_suite::disguise::{self, Lack};
use kitproof_suite::{Running, reflector_by_packets as reflector};
use rustix::process::{Signal, kill_process};

use crate::hand::Ear;
use crate::spoken::{
    PATIENCE, easy, kitproof, one_line, packet_sockets, passed, pid, refused, start, steady,
};

/// Wrong words on the command line: 2, and what would be right. An interface that is not there: 4, and which are.
pub(crate) fn what_is_asked_for_wrongly_is_said() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let room = &bench.generator;
    let ear = Ear::on(&bench.reflector, REFLECTOR_PORT)?;
    let at = |more: &[&str]| kitproof(room, &easy(more));
    refused(
        &at(&["--frame-size", "1519"])?,
        2,
        &["1519", GENERATOR_PORT, "MTU of 1500", "1518 bytes", "ip link set kp0 mtu 1501"],
    )?;
    refused(&at(&["--frame-size", "9300"])?, 2, &["9300", "9216"])?;
    refused(
        &at(&["--frame-size", "rfc2544,jumbo"])?,
        2,
        &["2048", "MTU of 1500", "ip link set kp0 mtu 2030"],
    )?;
    refused(&at(&["--frame-size", "imix:aai"])?, 2, &["9000", "MTU of 1500", "ip link set kp0 mtu 8982"])?;
    refused(&at(&["--frame-size", "imix:aaa"])?, 2, &["a mix of 64 bytes alone", "--frame-size 64"])?;
    refused(&at(&["--frame-size", "imix:aaafg", "--pairs", "2"])?, 2, &["--pairs 2", "a mix"])?;
    refused(&at(&["--frame-size", "imix:aaafg", "--via", "xdp"])?, 2, &["--via xdp", "packet sockets"])?;
    let searched = ["throughput", GENERATOR_PORT, "--line-rate", "100M", "--frame-size", "imix:aaafg"];
    refused(
        &kitproof(room, &searched)?,
        2,
        &["imix:aaafg", "64,1280,1518", "prove, soak and frame-loss-rate"],
    )?;
    refused(&at(&["--frame-size", "63"])?, 2, &["63", "ipv4", "64"])?;
    refused(&at(&["--frame-size", "64", "--vlan", "5"])?, 2, &["64", "68 bytes", "with one tag"])?;
    refused(&at(&["--frame-size", "64", "--encapsulation", "ipv6"])?, 2, &["64", "84", "ipv6"])?;
    refused(&at(&["--load", "101%"])?, 2, &["101%", "a line of 100M", "100% or less"])?;
    refused(&at(&["--load", "200Mbps"])?, 2, &["200Mbps", "100M"])?;
    refused(&at(&["--load", "1000000fps"])?, 2, &["1000000fps", "100M"])?;
    refused(&at(&["--load", "1fps"])?, 2, &["--duration", "--load"])?;
    refused(&at(&["--duration", "0s"])?, 2, &["--duration"])?;
    refused(&at(&["--vlan", "1", "--vlan", "2", "--vlan", "3"])?, 2, &["--vlan", "two"])?;
    let unknown_speed = kitproof(room, &["prove", GENERATOR_PORT, "--isolated-bench", "--unattended"])?;
    refused(&unknown_speed, 2, &[GENERATOR_PORT, "speed", "--line-rate 1G"])?;
    // What the parser of the command line refuses is said in its words.
    for wrong in [
        ["--load", "fast"],
        ["--frame-size", "0"],
        ["--frame-size", "small"],
        ["--duration", "ten"],
        ["--loss-limit", "2.5"],
    ] {
        let ended = at(&wrong)?;
        ensure!(
            ended.status == 2 && ended.stderr.contains(wrong[0]) && ended.stdout.is_empty(),
            "{ended:#?}"
        );
    }
    let nowhere = kitproof(room, &["prove", "kp9", "--isolated-bench", "--line-rate", "1G"])?;
    refused(&nowhere, 4, &["no interface named kp9", "lo", GENERATOR_PORT, "ip link"])?;
    refused(&kitproof(room, &["preflight", "kp9"])?, 4, &["no interface named kp9"])?;
    let reflector = Running::start(&bench.reflector, "kitproof-reflector", &["kp9"])?.wait(PATIENCE)?;
    one_line(&reflector, "kitproof-reflector", 4, &["no interface named kp9", REFLECTOR_PORT])?;
    let nobody = kitproof(room, &["prove", "udp://nowhere.invalid", "--line-rate", "1G"])?;
    refused(&nobody, 2, &["udp://nowhere.invalid", "no such host", "udp://HOST[:PORT]"])?;
    let mixed = kitproof(room, &["prove", GENERATOR_PORT, "--via", "udp", "--line-rate", "1G"])?;
    refused(&mixed, 2, &["--via udp", "udp://"])?;
    ensure!(ear.heard().is_empty(), "something was sent: {:x?}", ear.heard());
    Ok(())
}

/// Without CAP_NET_RAW: 4, the capability and how to grant it, before anybody is asked anything.
pub(crate) fn without_permission() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let words = ["no permission", "CAP_NET_RAW", "sudo", "setcap"];
    // Not even acknowledged: permission comes first.
    let arguments = ["prove", GENERATOR_PORT, "--unattended", "--line-rate", "100M"];
    let ended = disguise::start(&bench.generator, Lack::NetRaw, "kitproof", &arguments)?.wait(PATIENCE)?;
    refused(&ended, 4, &[&words[..], &[GENERATOR_PORT, "command -v kitproof)"]].concat())?;
    let far = disguise::start(&bench.reflector, Lack::NetRaw, "kitproof-reflector", &[REFLECTOR_PORT])?;
    let far = far.wait(PATIENCE)?;
    one_line(
        &far,
        "kitproof-reflector",
        4,
        &[&words[..], &[REFLECTOR_PORT, "command -v kitproof-reflector)"]].concat(),
    )?;
    // Preflight needs none: it says that it cannot look for the reflector, and goes on.
    let look = disguise::start(&bench.generator, Lack::NetRaw, "kitproof", &["preflight", GENERATOR_PORT])?;
    let look = look.wait(PATIENCE)?;
    ensure!(look.status == 0 && look.stdout.contains("CAP_NET_RAW"), "{look:#?}");
    Ok(())
}

/// Nobody there to say that the link is isolated: 4, and the option that says it.
pub(crate) fn nobody_acknowledged_the_bench() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _far = reflector(&bench.reflector)?;
    for arguments in [
        &["prove", GENERATOR_PORT, "--line-rate", "100M"][..],
        &["prove", GENERATOR_PORT, "--line-rate", "100M", "--unattended"],
    ] {
        refused(
            &kitproof(&bench.generator, arguments)?,
            4,
            &[GENERATOR_PORT, "isolated bench", "--isolated-bench"],
        )?;
    }
    let routed = kitproof(&bench.generator, &["prove", "udp://192.0.2.7", "--line-rate", "100M"])?;
    refused(&routed, 4, &["routed path", "--isolated-bench"])
}

/// The port that carries the default route is refused at both ends, unless it is meant.
pub(crate) fn the_default_route_is_refused() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    for (room, port, last) in [(&bench.generator, GENERATOR_PORT, 1), (&bench.reflector, REFLECTOR_PORT, 2)] {
        room.add_address(port, IpAddr::V4(Ipv4Addr::new(192, 0, 2, last)), 24)?;
        room.add_default_route(port)?;
    }
    let words = ["cannot be used", "reaches its network through", "another port", "--allow-default-route"];
    let ended = start(&bench.generator, &[])?.wait(PATIENCE)?;
    refused(&ended, 4, &[&words[..], &[GENERATOR_PORT]].concat())?;
    let far = Running::start(&bench.reflector, "kitproof-reflector", &[REFLECTOR_PORT])?.wait(PATIENCE)?;
    one_line(&far, "kitproof-reflector", 4, &[&words[..], &[REFLECTOR_PORT]].concat())?;
    let look = kitproof(&bench.generator, &["preflight", GENERATOR_PORT])?;
    ensure!(look.status == 4 && look.stdout.contains("REFUSED  default route"), "{look:#?}");

    let arguments = [REFLECTOR_PORT, "--exit-with-parent", "--allow-default-route"];
    let _far = Running::start(&bench.reflector, "kitproof-reflector", &arguments)?;
    passed(&steady(|| start(&bench.generator, &["--allow-default-route"])?.wait(PATIENCE))?)?;
    Ok(())
}

/// A port that belongs to a bridge, and the bridge itself: refused at both ends.
pub(crate) fn a_member_of_a_bridge_is_refused() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    bench.generator.bridge("br0", GENERATOR_PORT)?;
    bench.reflector.bridge("br1", REFLECTOR_PORT)?;
    let member = ["cannot be used", "belongs to the bridge", "nomaster"];
    refused(&start(&bench.generator, &[])?.wait(PATIENCE)?, 4, &[&member[..], &[GENERATOR_PORT]].concat())?;
    let bridge = kitproof(&bench.generator, &["prove", "br0", "--isolated-bench", "--line-rate", "1G"])?;
    refused(&bridge, 4, &["br0", "a bridge, not a port", "belongs to nothing"])?;
    for (port, words) in [(REFLECTOR_PORT, &member[..]), ("br1", &["a bridge, not a port"][..])] {
        let far = Running::start(&bench.reflector, "kitproof-reflector", &[port])?.wait(PATIENCE)?;
        one_line(&far, "kitproof-reflector", 4, &[words, &[port]].concat())?;
    }
    Ok(())
}

/// A port that was set down, one without carrier, and one whose MTU does not hold the pair's own messages.
pub(crate) fn a_port_that_is_down_or_too_small() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    bench.generator.set_link(GENERATOR_PORT, false)?;
    let ended = start(&bench.generator, &[])?.wait(PATIENCE)?;
    refused(&ended, 4, &["administratively down", "ip link set kp0 up"])?;
    bench.reflector.set_link(REFLECTOR_PORT, false)?;
    let far = Running::start(&bench.reflector, "kitproof-reflector", &[REFLECTOR_PORT])?.wait(PATIENCE)?;
    one_line(&far, "kitproof-reflector", 4, &["administratively down", "ip link set kp1 up"])?;

    // Up, but without carrier: the generator has nothing to look for; the reflector waits for the other end.
    bench.reflector.set_link(REFLECTOR_PORT, true)?;
    let far = reflector(&bench.reflector)?;
    packet_sockets(&far, 1)?;
    bench.generator.set_link(GENERATOR_PORT, true)?;
    passed(&steady(|| start(&bench.generator, &[])?.wait(PATIENCE))?)?;
    bench.reflector.set_link(REFLECTOR_PORT, false)?;
    let ended = start(&bench.generator, &[])?.wait(PATIENCE)?;
    refused(&ended, 4, &["carrier: none", "both ends of the cable"])?;
    kill_process(pid(&far), Signal::INT)?;
    let far = far.wait(PATIENCE)?;
    ensure!(far.status == 0 && far.stderr.contains("no carrier yet"), "{far:#?}");

    let small = Bench::direct(Options { mtu: 1_400, ..Options::default() })?;
    let ended = start(&small.generator, &[])?.wait(PATIENCE)?;
    refused(&ended, 4, &["MTU", "1400", "ip link set kp0 mtu 1500"])
}
