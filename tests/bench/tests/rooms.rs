//! The bench on this machine: namespaces, veth, packet sockets, the wire on its thread.
//!
//! A harness of its own, because a user namespace can only be entered before there are threads. Where the machine
//! allows no private network the tests are ignored with the reason printed, or fail if KITPROOF_BENCH is `required`.

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv4Addr, UdpSocket};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::Context;
use etherparse::PacketBuilder;
use kitproof_bench::bench::{GENERATOR_PORT, REFLECTOR_PORT, WITNESS_PORT};
use kitproof_bench::script::{Monitor, Schedule};
use kitproof_bench::wire::{About, Outbox, PacketPort, WirePort};
use kitproof_bench::{Bench, Direction, Options, Privilege, Room, Script, enter};
use libtest_mimic::{Arguments, Failed, Trial};

type Check = fn() -> anyhow::Result<()>;

const CHECKS: &[(&str, Check)] = &[
    ("a_room_is_private_and_quiet", a_room_is_private_and_quiet),
    ("a_child_lives_in_its_room_and_dies_with_its_handle", a_child_lives_in_its_room),
    ("a_veth_passes_frames_of_every_kind", a_veth_passes_frames_of_every_kind),
    ("the_wire_hands_on_every_kind_and_loops_nothing", the_wire_hands_on_every_kind),
    ("the_wire_does_what_its_ledger_says", the_wire_does_what_its_ledger_says),
    ("the_wire_shows_a_witness_what_passed", the_wire_shows_a_witness),
    ("the_wire_carries_jumbo_frames", the_wire_carries_jumbo_frames),
    ("the_wire_survives_a_link_that_goes_down", the_wire_survives_a_dead_link),
    ("kernel_udp_passes_the_wire_with_its_checksum", kernel_udp_passes_the_wire),
    ("kit_on_the_wire_loses_and_delays_what_its_ledger_says", kit_on_the_wire),
    ("opaque_kit_on_the_wire_lets_the_rest_through_bit_for_bit", opaque_kit_on_the_wire),
    ("a_power_pull_on_the_wire_takes_the_carrier_and_gives_it_back", a_power_pull),
    ("what_never_comes_back_comes_back_with_the_next_wire", never_comes_back),
    ("the_wire_carries_100000_frames_a_second_each_way", the_wire_is_fast_enough),
    ("the_wire_carries_20000_frames_a_second_each_way_through_kit", the_wire_is_fast_enough_with_kit),
];

fn main() {
    let privilege = enter();
    let mut arguments = Arguments::from_args();
    // Two cores are few: one bench at a time.
    arguments.test_threads = Some(1);
    let required = std::env::var_os("KITPROOF_BENCH").is_some_and(|value| value == "required");
    match &privilege {
        Ok(Privilege::Root) => eprintln!("the bench is made as root"),
        Ok(Privilege::UserNamespace) => eprintln!("the bench is made in a user namespace"),
        Err(error) => eprintln!("no bench on this machine: {error:#}"),
    }
    let ignored = privilege.is_err() && !required;
    let trials = CHECKS
        .iter()
        .map(|&(name, check)| {
            Trial::test(name, move || check().map_err(|error| Failed::from(format!("{error:#}"))))
                .with_ignored_flag(ignored)
        })
        .collect();
    libtest_mimic::run(&arguments, trials).exit();
}

/// A frame of the test layout: session 7, its third octet saying version 1, kind test.
fn test_frame(sequence: u32, octets: usize) -> Vec<u8> {
    let mut payload = vec![0, 7, 0x12, 0];
    payload.extend(sequence.to_be_bytes());
    payload.resize((octets - 42).max(18), 0xA5);
    let mut frame = Vec::new();
    PacketBuilder::ethernet2([2, 0, 0, 0, 0, 1], [2, 0, 0, 0, 0, 2])
        .ipv4([198, 18, 1, 2], [198, 19, 1, 2], 10)
        .udp(49184, 49185)
        .write(&mut frame, &payload)
        .expect("a vector takes every frame");
    frame
}

/// `frame` with a tag put in behind the addresses.
fn tagged(frame: &[u8], tpid: u16, tci: u16) -> Vec<u8> {
    [&frame[..12], &tpid.to_be_bytes(), &tci.to_be_bytes(), &frame[12..]].concat()
}

/// Frames of every kind the wire must hand on unchanged.
fn kinds() -> Vec<Vec<u8>> {
    let plain = test_frame(0, 60);
    let long = test_frame(1, 1514);
    let mut control = plain.clone();
    control[12..14].copy_from_slice(&0x88B6_u16.to_be_bytes());
    let mut multicast = control.clone();
    multicast[0] = 3;
    vec![
        tagged(&plain, 0x8100, 0x6005),
        tagged(&tagged(&plain, 0x8100, 7), 0x88A8, 0x0009),
        tagged(&long, 0x8100, 1),
        tagged(&control, 0x8100, 2),
        plain,
        long,
        control,
        multicast,
        [&[0xFF; 12][..], &[0x08, 0x06], &[0; 46]].concat(),
        test_frame(2, 777),
    ]
}

fn open(room: &Room, interface: &'static str, mtu: u32) -> anyhow::Result<PacketPort> {
    room.run(move || PacketPort::open(interface, mtu))
}

fn send_all(port: &mut PacketPort, frames: &[Vec<u8>]) -> anyhow::Result<()> {
    let mut outbox = Outbox::default();
    let about = About::stranger(Direction::Forward, 0);
    frames.iter().for_each(|frame| outbox.push(frame, about));
    let until = Instant::now() + Duration::from_secs(10);
    while !outbox.is_empty() {
        port.send(&mut outbox)?;
        anyhow::ensure!(Instant::now() < until, "{} frames cannot be sent", outbox.len());
    }
    Ok(())
}

/// Receives until `count` frames are there, then listens a little longer for one too many.
fn receive_all(port: &mut PacketPort, count: usize) -> anyhow::Result<Vec<Vec<u8>>> {
    let mut frames = Vec::new();
    let mut until = Instant::now() + Duration::from_secs(10);
    let mut complete = false;
    while Instant::now() < until {
        if port.receive(&mut |frame| frames.push(frame.to_vec()))? == 0 {
            std::thread::sleep(Duration::from_micros(200));
        }
        if frames.len() >= count && !complete {
            complete = true;
            until = Instant::now() + Duration::from_millis(50);
        }
    }
    anyhow::ensure!(port.lost()? == 0, "the receiving port of the test lost frames itself");
    Ok(frames)
}

fn a_room_is_private_and_quiet() -> anyhow::Result<()> {
    let bench = Bench::direct(Options::default())?;
    let devices = bench.generator.run(|| std::fs::read_to_string("/proc/thread-self/net/dev"))?;
    let names: Vec<_> =
        devices.lines().skip(2).filter_map(|line| line.split(':').next()).map(str::trim).collect();
    anyhow::ensure!(names == ["kp0", "lo"] || names == ["lo", "kp0"], "in the room are {names:?}");
    let mut port = open(&bench.reflector, REFLECTOR_PORT, 1500)?;
    std::thread::sleep(Duration::from_millis(1500));
    let strangers = receive_all(&mut port, 0)?;
    anyhow::ensure!(strangers.is_empty(), "the bench talks by itself: {strangers:02x?}");
    Ok(())
}

fn a_child_lives_in_its_room() -> anyhow::Result<()> {
    let bench = Bench::direct(Options::default())?;
    let mut command = Command::new("cat");
    command.arg("/proc/self/net/dev").stdout(Stdio::piped());
    let mut child = bench.reflector.spawn(command)?;
    anyhow::ensure!(child.wait_for(Duration::from_secs(5))?.is_some_and(|status| status.success()));
    let text = std::io::read_to_string(child.stdout.take().context("stdout is piped")?)?;
    anyhow::ensure!(text.contains("kp1") && !text.contains("kp0"), "{text}");

    let mut command = Command::new("sleep");
    command.arg("1000");
    let child = bench.reflector.spawn(command)?;
    let process = format!("/proc/{}", child.id());
    anyhow::ensure!(std::path::Path::new(&process).exists());
    drop(child);
    anyhow::ensure!(!std::path::Path::new(&process).exists(), "a dropped child still lives");
    Ok(())
}

fn a_veth_passes_frames_of_every_kind() -> anyhow::Result<()> {
    let bench = Bench::direct(Options { mtu: 1504, queues: 2, xdp: false })?;
    let mut one = open(&bench.generator, GENERATOR_PORT, 1504)?;
    let mut other = open(&bench.reflector, REFLECTOR_PORT, 1504)?;
    send_all(&mut one, &kinds())?;
    anyhow::ensure!(receive_all(&mut other, kinds().len())? == kinds());
    send_all(&mut other, &kinds())?;
    anyhow::ensure!(receive_all(&mut one, kinds().len())? == kinds());
    Ok(())
}

fn the_wire_hands_on_every_kind() -> anyhow::Result<()> {
    let mut bench = Bench::with_wire(Script::faithful(), Options { mtu: 1504, queues: 1, xdp: false })?;
    let mut near = open(&bench.generator, GENERATOR_PORT, 1504)?;
    let mut far = open(&bench.reflector, REFLECTOR_PORT, 1504)?;
    send_all(&mut near, &kinds())?;
    anyhow::ensure!(receive_all(&mut far, kinds().len())? == kinds(), "forward");
    anyhow::ensure!(receive_all(&mut near, 0)?.is_empty(), "the wire sends frames back");
    send_all(&mut far, &kinds())?;
    anyhow::ensure!(receive_all(&mut near, kinds().len())? == kinds(), "return");
    anyhow::ensure!(receive_all(&mut far, 0)?.is_empty(), "the wire sends frames back");
    let ledger = bench.stop_wire()?;
    anyhow::ensure!(ledger.is_clean());
    anyhow::ensure!(ledger.trials[0].forward.seen == 6 && ledger.trials[0].back.passed == 6, "{ledger:?}");
    anyhow::ensure!(ledger.forward.control_seen == 3 && ledger.forward.foreign_seen == 1, "{ledger:?}");
    Ok(())
}

fn the_wire_does_what_its_ledger_says() -> anyhow::Result<()> {
    let script = Script::from_json(
        r#"{ "forward": { "drop": { "at": [1000], "every": 97, "burst": { "first": 5000, "length": 40 } },
                          "duplicate": { "every": 501 }, "swap": { "every": 303 } },
             "return": { "drop": { "every": 1000 } } }"#,
    )?;
    let bench = Bench::with_wire(script, Options::default())?;
    let mut near = open(&bench.generator, GENERATOR_PORT, 1500)?;
    let mut far = open(&bench.reflector, REFLECTOR_PORT, 1500)?;
    let frames: Vec<_> =
        (0..20_000).map(|sequence| test_frame(sequence, 60 + sequence as usize % 900)).collect();
    send_all(&mut near, &frames)?;
    let before = bench.ledger_so_far()?;
    anyhow::ensure!(before.is_clean());
    // Frame 5010 = 10 x 501 falls into the burst, and no other fault meets another.
    let expected = 20_000 - 1 - 20_000 / 97 - 40 + (20_000 / 501 - 1);
    let received = receive_all(&mut far, expected)?;
    let ledger = bench.ledger_so_far()?;
    anyhow::ensure!(ledger.is_clean());
    let counts = &ledger.trials[0].forward;
    anyhow::ensure!(counts.seen == 20_000 && counts.distinct == 20_000 && counts.unbalanced() == 0);
    anyhow::ensure!(received.len() == expected, "{} came, {expected} were to come", received.len());
    anyhow::ensure!(counts.passed == received.len() as u64, "{} against {}", counts.passed, received.len());
    anyhow::ensure!(counts.swapped.count > 50 && counts.duplicated.count > 30);
    // What came, by sequence, against what the ledger says was taken and copied.
    let mut copies: BTreeMap<u32, i64> = (0..20_000).map(|sequence| (sequence, 1)).collect();
    counts.dropped.sequences().iter().for_each(|sequence| *copies.entry(*sequence).or_default() -= 1);
    counts.duplicated.sequences().iter().for_each(|sequence| *copies.entry(*sequence).or_default() += 1);
    for frame in &received {
        let sequence = u32::from_be_bytes(frame[46..50].try_into()?);
        anyhow::ensure!(*frame == frames[sequence as usize], "frame {sequence} was altered");
        *copies.entry(sequence).or_default() -= 1;
    }
    let wrong: Vec<_> = copies.iter().filter(|(_, count)| **count != 0).collect();
    anyhow::ensure!(wrong.is_empty(), "{wrong:?}");
    Ok(())
}

fn the_wire_shows_a_witness() -> anyhow::Result<()> {
    let mut script = Script { monitor: Some(Monitor::default()), ..Script::default() };
    script.forward.drop = Schedule::every(10);
    let mut bench = Bench::with_wire(script, Options::default())?;
    let mut near = open(&bench.generator, GENERATOR_PORT, 1500)?;
    let mut far = open(&bench.reflector, REFLECTOR_PORT, 1500)?;
    let room = bench.witness.as_ref().context("a script with a monitor side has a witness")?;
    let mut witness = open(room, WITNESS_PORT, 1500)?;
    let frames: Vec<_> = (0..1000).map(|sequence| test_frame(sequence, 124)).collect();
    send_all(&mut near, &frames)?;
    let passed = receive_all(&mut far, 900)?;
    anyhow::ensure!(passed.len() == 900);
    anyhow::ensure!(receive_all(&mut witness, 900)? == passed);
    send_all(&mut witness, &frames[..3])?;
    anyhow::ensure!(receive_all(&mut near, 0)?.is_empty(), "what a witness sends goes nowhere");
    let ledger = bench.stop_wire()?;
    anyhow::ensure!(ledger.lost_by_wire.monitor_received == 3);
    anyhow::ensure!(ledger.trials[0].monitor.as_ref().is_some_and(|monitor| monitor.forward.passed == 900));
    Ok(())
}

fn the_wire_carries_jumbo_frames() -> anyhow::Result<()> {
    let options = Options { mtu: 9216, queues: 1, xdp: false };
    let mut bench = Bench::with_wire(Script::faithful(), options)?;
    let mut near = open(&bench.generator, GENERATOR_PORT, 9216)?;
    let mut far = open(&bench.reflector, REFLECTOR_PORT, 9216)?;
    let frames: Vec<_> = (0..200).map(|sequence| tagged(&test_frame(sequence, 9212), 0x8100, 3)).collect();
    send_all(&mut near, &frames)?;
    anyhow::ensure!(receive_all(&mut far, 200)? == frames);
    anyhow::ensure!(bench.stop_wire()?.is_clean());
    Ok(())
}

fn the_wire_survives_a_dead_link() -> anyhow::Result<()> {
    let mut bench = Bench::with_wire(Script::faithful(), Options::default())?;
    let mut near = open(&bench.generator, GENERATOR_PORT, 1500)?;
    bench.reflector.set_link(REFLECTOR_PORT, false)?;
    let frames: Vec<_> = (0..100).map(|sequence| test_frame(sequence, 60)).collect();
    send_all(&mut near, &frames)?;
    std::thread::sleep(Duration::from_millis(100));
    bench.reflector.set_link(REFLECTOR_PORT, true)?;
    std::thread::sleep(Duration::from_millis(100));
    let mut far = open(&bench.reflector, REFLECTOR_PORT, 1500)?;
    send_all(&mut near, &frames)?;
    anyhow::ensure!(receive_all(&mut far, 100)? == frames, "the second hundred, and nothing saved up");
    let ledger = bench.stop_wire()?;
    let counts = &ledger.trials[0].forward;
    anyhow::ensure!(counts.seen == 200 && counts.unbalanced() == 0, "{counts:?}");
    anyhow::ensure!(counts.passed == 100 && counts.refused.count == 100, "{counts:?}");
    anyhow::ensure!(!ledger.is_clean());
    Ok(())
}

fn kernel_udp_passes_the_wire() -> anyhow::Result<()> {
    let bench = Bench::with_wire(Script::faithful(), Options::default())?;
    let (one, other) = (Ipv4Addr::new(198, 18, 1, 2), Ipv4Addr::new(198, 18, 1, 3));
    bench.generator.add_address(GENERATOR_PORT, IpAddr::V4(one), 24)?;
    bench.reflector.add_address(REFLECTOR_PORT, IpAddr::V4(other), 24)?;
    let far = bench.reflector.run(move || UdpSocket::bind((other, 5000)))?;
    far.set_read_timeout(Some(Duration::from_secs(5)))?;
    let near = bench.generator.run(move || UdpSocket::bind((one, 5000)))?;
    let mut buffer = [0; 2000];
    for length in [1, 17, 1000, 1472] {
        near.send_to(&vec![0x5A; length], (other, 5000))?;
        let (received, from) = far.recv_from(&mut buffer).context("nothing came through")?;
        anyhow::ensure!(received == length && from.ip() == IpAddr::V4(one));
    }
    let ledger = bench.ledger_so_far()?;
    anyhow::ensure!(ledger.is_clean() && ledger.trials.is_empty() && ledger.forward.foreign_seen >= 5);
    Ok(())
}

/// CPU time of this process's thread `wire`, in seconds.
fn wire_cpu_seconds() -> Option<f64> {
    for task in std::fs::read_dir("/proc/self/task").ok()? {
        let path = task.ok()?.path();
        if std::fs::read_to_string(path.join("comm")).ok()?.trim() == "wire" {
            let text = std::fs::read_to_string(path.join("schedstat")).ok()?;
            return text.split(' ').next()?.parse::<f64>().ok().map(|nanoseconds| nanoseconds / 1e9);
        }
    }
    None
}

/// Who is missing among `0..count`, and whether those that came are in order.
fn missing(received: &[Vec<u8>], count: u32) -> anyhow::Result<Vec<u32>> {
    let came = received.iter().map(|frame| Ok(u32::from_be_bytes(frame[46..50].try_into()?)));
    let came = came.collect::<anyhow::Result<Vec<_>>>()?;
    anyhow::ensure!(came.is_sorted(), "out of order");
    Ok((0..count).filter(|sequence| came.binary_search(sequence).is_err()).collect())
}

fn kit_on_the_wire() -> anyhow::Result<()> {
    let script = Script::from_json(
        r#"{ "forward": { "store": [ { "bits_per_s": 100000000 }, { "bits_per_s": 1000000000, "preamble": true } ],
                          "rate": { "frames_per_s": 20000, "queue": 50 }, "latency_ns": 1234567 },
             "return": { "slow_clock": { "bits_per_s": 50000000, "ppm": 100000, "buffer": 80 } } }"#,
    )?;
    let mut bench = Bench::with_wire(script, Options::default())?;
    let mut near = open(&bench.generator, GENERATOR_PORT, 1500)?;
    let mut far = open(&bench.reflector, REFLECTOR_PORT, 1500)?;
    let frames: Vec<_> = (0..3000).map(|sequence| test_frame(sequence, 200)).collect();
    send_all(&mut near, &frames)?;
    let there = receive_all(&mut far, 3000)?;
    send_all(&mut far, &frames)?;
    let back = receive_all(&mut near, 3000)?;
    let ledger = bench.stop_wire()?;
    anyhow::ensure!(ledger.is_clean(), "{:?}", ledger.lost_by_wire);
    for (received, direction) in [(&there, Direction::Forward), (&back, Direction::Return)] {
        let counts = ledger.trials[0].counts(direction);
        anyhow::ensure!(counts.seen == 3000 && counts.unbalanced() == 0 && counts.held == 0, "{counts:?}");
        let lost = if direction == Direction::Forward { &counts.queue_full } else { &counts.clock_full };
        anyhow::ensure!(
            missing(received, 3000)? == lost.sequences(),
            "{direction:?}: others than the ledger's"
        );
        anyhow::ensure!(lost.count > 100, "a burst does not fit the queue: {}", lost.count);
        anyhow::ensure!(counts.late.count == counts.passed && counts.delay.count == counts.passed);
        let others = ledger.others(direction);
        eprintln!(
            "{direction:?}: {} lost, delay {:?} to {:?} ns, late {:?} to {:?}, mean {:?} ns, {} put later by up to {:?}",
            lost.count,
            counts.delay.min_ns,
            counts.delay.max_ns,
            counts.late.min_ns,
            counts.late.max_ns,
            counts.late.mean_ns(),
            others.put_later.count,
            others.put_later.max_ns,
        );
    }
    // The first frame finds the line empty: 204 octets at 100 Mb/s, 212 at 1 Gb/s, one service, the latency.
    let least = 16_320 + 1_696 + 50_000 + 1_234_567;
    anyhow::ensure!(ledger.trials[0].forward.delay.min_ns == Some(least));
    // 224 octets at 50 Mb/s less a tenth.
    anyhow::ensure!(ledger.trials[0].back.delay.min_ns == Some(39_823));
    Ok(())
}

fn opaque_kit_on_the_wire() -> anyhow::Result<()> {
    let script = Script::from_json(
        r#"{ "forward": { "opaque": { "mac_control": [1], "groups": [2, 14], "drop_over": 1500, "strip": "priority" } },
             "return": { "opaque": { "ether_types": [34824], "truncate_over": 700 } } }"#,
    )?;
    let mut bench = Bench::with_wire(script, Options { mtu: 1504, queues: 1, xdp: false })?;
    let mut near = open(&bench.generator, GENERATOR_PORT, 1504)?;
    let mut far = open(&bench.reflector, REFLECTOR_PORT, 1504)?;
    let group = |last: u8, head: &[u8]| -> Vec<u8> {
        let mut frame = [&[1, 0x80, 0xC2, 0, 0, last, 2, 0, 0, 0, 0, 1], head].concat();
        frame.resize(60, 0);
        frame
    };
    let pause = group(1, &[0x88, 0x08, 0, 1]);
    let lldp = group(14, &[0x88, 0xCC]);
    let spanning = group(0, &[0, 38, 0x42, 0x42, 3]);
    let priority = tagged(&test_frame(5, 100), 0x8100, 0xE000);
    let vlan = tagged(&test_frame(6, 100), 0x8100, 0x0005);
    let longest = test_frame(7, 1496);
    let too_long = test_frame(8, 1497);
    let frames: Vec<_> =
        [&pause, &lldp, &spanning, &priority, &vlan, &longest, &too_long].map(Vec::clone).to_vec();
    send_all(&mut near, &frames)?;
    let there = [spanning.clone(), test_frame(5, 100), vlan.clone(), longest.clone()];
    anyhow::ensure!(receive_all(&mut far, there.len())? == there, "forward");
    send_all(&mut far, &frames)?;
    let back = [lldp, spanning, priority, vlan, longest[..696].to_vec(), too_long[..696].to_vec()];
    anyhow::ensure!(receive_all(&mut near, back.len())? == back, "return");
    let ledger = bench.stop_wire()?;
    anyhow::ensure!(ledger.is_clean());
    let (forward, back) = (ledger.forward.opaque, ledger.back.opaque);
    anyhow::ensure!(
        (forward.foreign.eaten_mac_control, forward.foreign.eaten_group) == (1, 1),
        "{forward:?}"
    );
    anyhow::ensure!((forward.test.stripped, forward.test.dropped_too_long) == (1, 1), "{forward:?}");
    anyhow::ensure!((back.foreign.eaten_ether_type, back.test.truncated) == (1, 2), "{back:?}");
    anyhow::ensure!(ledger.trials[0].forward.too_long.sequences() == [8]);
    anyhow::ensure!(ledger.trials[0].back.truncated.sequences() == [7, 8]);
    Ok(())
}

fn a_power_pull() -> anyhow::Result<()> {
    let script = Script::from_json(
        r#"{ "forward": { "dark": [ { "from_ms": 30, "for_ms": 40, "carrier": true },
                                    { "from_ms": 400, "for_ms": 3 } ] },
             "return": { "dark": [ { "from_ms": 30, "for_ms": 40 } ] } }"#,
    )?;
    let mut bench = Bench::with_wire(script, Options::default())?;
    let mut near = open(&bench.generator, GENERATOR_PORT, 1500)?;
    let mut far = open(&bench.reflector, REFLECTOR_PORT, 1500)?;
    let (mut sent, mut there, mut had_no_carrier) = (0, Vec::new(), false);
    let started = Instant::now();
    while started.elapsed() < Duration::from_millis(600) {
        send_all(&mut near, &[test_frame(sent, 100)])?;
        sent += 1;
        far.receive(&mut |frame| there.push(frame.to_vec()))?;
        had_no_carrier |= !bench.reflector.has_carrier(REFLECTOR_PORT)?;
        std::thread::sleep(Duration::from_micros(200));
    }
    there.extend(receive_all(&mut far, 0)?);
    anyhow::ensure!(had_no_carrier && bench.reflector.has_carrier(REFLECTOR_PORT)?);
    let ledger = bench.stop_wire()?;
    anyhow::ensure!(ledger.is_clean(), "{:?}", ledger.lost_by_wire);
    let counts = &ledger.trials[0].forward;
    anyhow::ensure!(counts.seen == u64::from(sent) && counts.unbalanced() == 0, "{sent} of {counts:?}");
    let mut dark = counts.dark.sequences();
    dark.sort_unstable();
    anyhow::ensure!(missing(&there, sent)? == dark, "others than the ledger's are missing");
    let first = counts.first_ns.context("frames came")?;
    let [pull, flicker] = &counts.stretches[..] else { anyhow::bail!("{:?}", counts.stretches) };
    anyhow::ensure!(pull.from_ns == first + 30_000_000 && flicker.from_ns == first + 400_000_000);
    anyhow::ensure!(flicker.until_ns == Some(first + 403_000_000));
    anyhow::ensure!(pull.until_ns.is_some_and(|until| until >= first + 70_000_000), "{pull:?}");
    anyhow::ensure!(dark.len() as u64 == pull.swallowed + flicker.swallowed);
    for stretch in [pull, flicker] {
        let (before, after) =
            stretch.last_before.zip(stretch.first_after).context("frames before and after")?;
        anyhow::ensure!(before.arrived_ns < stretch.from_ns && Some(after.arrived_ns) >= stretch.until_ns);
        anyhow::ensure!(
            u64::from(after.sequence - before.sequence - 1) == stretch.swallowed - stretch.swallowed_inside
        );
        anyhow::ensure!(!dark.contains(&after.sequence) && before.sequence + 1 >= dark[0]);
        let late = stretch.began_late_ns.zip(stretch.ended_late_ns).context("the wire watches its edges")?;
        eprintln!(
            "{} swallowed, {} of them inside, late at the edges {late:?} ns",
            stretch.swallowed, stretch.swallowed_inside
        );
    }
    Ok(())
}

fn never_comes_back() -> anyhow::Result<()> {
    let script = Script::from_json(r#"{ "forward": { "dark": [ { "from_ms": 0, "carrier": true } ] } }"#)?;
    let mut bench = Bench::with_wire(script, Options::default())?;
    let mut near = open(&bench.generator, GENERATOR_PORT, 1500)?;
    let mut far = open(&bench.reflector, REFLECTOR_PORT, 1500)?;
    let frames: Vec<_> = (0..100).map(|sequence| test_frame(sequence, 60)).collect();
    let wait_for = |carrier| -> anyhow::Result<()> {
        let until = Instant::now() + Duration::from_secs(5);
        while bench.reflector.has_carrier(REFLECTOR_PORT)? != carrier {
            anyhow::ensure!(Instant::now() < until, "the carrier does not become {carrier}");
            std::thread::sleep(Duration::from_millis(1));
        }
        Ok(())
    };
    send_all(&mut near, &frames)?;
    wait_for(false)?;
    send_all(&mut near, &frames)?;
    anyhow::ensure!(receive_all(&mut far, 0)?.is_empty());
    let ledger = bench.change_script(Script::faithful())?;
    let counts = &ledger.trials[0].forward;
    anyhow::ensure!(ledger.is_clean() && counts.dark.count == 200 && counts.stretches[0].until_ns.is_none());
    anyhow::ensure!(bench.reflector.has_carrier(REFLECTOR_PORT)?, "the wire puts back what it took");
    send_all(&mut near, &frames)?;
    anyhow::ensure!(receive_all(&mut far, 100)? == frames);
    anyhow::ensure!(bench.stop_wire()?.is_clean());
    Ok(())
}

fn the_wire_is_fast_enough() -> anyhow::Result<()> {
    carries(Script::faithful(), 100_000)
}

/// Every piece of kit at once, none of it in the way.
fn the_wire_is_fast_enough_with_kit() -> anyhow::Result<()> {
    let way = r#"{ "opaque": { "mac_control": [1], "groups": [0], "ether_types": [35020], "drop_over": 1518,
                               "strip": "outer" },
                   "dark": [ { "from_ms": 60000, "for_ms": 5 } ], "store": [ { "bits_per_s": 10000000000 } ],
                   "rate": { "frames_per_s": 200000, "queue": 100000 }, "latency_us": 500,
                   "slow_clock": { "bits_per_s": 1000000000, "ppm": 100, "buffer": 100000 } }"#;
    carries(Script::from_json(&format!(r#"{{ "forward": {way}, "return": {way} }}"#))?, 20_000)
}

fn carries(script: Script, rate: u32) -> anyhow::Result<()> {
    const SECONDS: f64 = 1.0;
    let mut bench = Bench::with_wire(script, Options::default())?;
    let mut near = open(&bench.generator, GENERATOR_PORT, 1500)?;
    let mut far = open(&bench.reflector, REFLECTOR_PORT, 1500)?;
    let count = (f64::from(rate) * SECONDS) as u32;
    let before = wire_cpu_seconds();
    let started = Instant::now();
    // One thread plays both ends: it sends what is due each way and counts what comes.
    let (mut outbox, mut sent, mut came) = (Outbox::default(), 0, [0_u32; 2]);
    let about = About::stranger(Direction::Forward, 0);
    let mut frame = test_frame(0, 60);
    let stop = Duration::from_secs_f64(SECONDS * 10.0);
    while came != [count; 2] && started.elapsed() < stop {
        let due = ((started.elapsed().as_secs_f64() * f64::from(rate)) as u32).min(count);
        let burst = (due - sent).min(64);
        for _ in 0..burst {
            frame[46..50].copy_from_slice(&sent.to_be_bytes());
            outbox.push(&frame, about);
            sent += 1;
        }
        let waiting: Vec<_> = outbox.iter().map(<[u8]>::to_vec).collect();
        outbox.take(waiting.len());
        send_all(&mut near, &waiting)?;
        send_all(&mut far, &waiting)?;
        near.receive(&mut |_| came[0] += 1)?;
        far.receive(&mut |_| came[1] += 1)?;
        std::thread::sleep(Duration::from_micros(100));
    }
    let took = started.elapsed().as_secs_f64();
    let spent = wire_cpu_seconds().zip(before).map(|(after, before)| after - before);
    let ledger = bench.stop_wire()?;
    anyhow::ensure!(ledger.is_clean(), "{:?}", ledger.lost_by_wire);
    anyhow::ensure!(came == [count; 2], "{came:?} of {count} came");
    anyhow::ensure!(ledger.trials[0].forward.distinct == u64::from(count));
    eprintln!(
        "{count} frames each way in {took:.2} s, the wire took {:.2} s of CPU ({:.0} ns a frame), {:?} ns late at most",
        spent.unwrap_or(0.0),
        spent.unwrap_or(0.0) * 1e9 / f64::from(2 * count),
        ledger.trials[0].forward.late.max_ns.max(ledger.trials[0].back.late.max_ns),
    );
    Ok(())
}
