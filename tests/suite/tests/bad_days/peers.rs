//! The other end: absent, of another version, more than one, gone, stopped, restarted, idle.

use std::net::UdpSocket;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use anyhow::{Context, Result, ensure};
use kitproof_bench::bench::{GENERATOR_PORT, REFLECTOR_PORT};
use kitproof_bench::{Bench, Options, Room};
use kitproof_common::control::envelope::{self, DISCOVERY_OCTETS, Direction, PROTOCOL};
use kitproof_common::control::{DISCOVERY_GROUP, ETHERTYPE, Refusal, Reply, UDP_PORT};
use kitproof_common::frame::MacAddr;
use kitproof_suite::{Running, number, reflector_by_packets as reflector, trials};
use rustix::process::{Signal, kill_process};

use crate::hand::{Ear, Hand, mac};
use crate::spoken::{
    PATIENCE, bearing, easy, judged, kitproof, numbers, one_line, only_trial, packet_sockets, passed, pid,
    reason, refused, start, steady, whole,
};

/// A version that no release speaks.
const ANOTHER: u8 = 9;

/// `kitproof prove` over UDP, to a reflector on the same host, with the easy load.
fn udp(room: &Room, more: &[&str]) -> Result<Running> {
    let mut arguments = easy(more);
    arguments[1] = "udp://127.0.0.1";
    Running::start(room, "kitproof", &arguments)
}

/// Nobody answers: on the interface, and at a UDP address.
pub(crate) fn no_peer() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let on_link = start(&bench.generator, &[])?;
    let routed = udp(&bench.generator, &[])?;
    refused(
        &on_link.wait(PATIENCE)?,
        4,
        &["no reflector", GENERATOR_PORT, "start kitproof-reflector", "carrier"],
    )?;
    refused(&routed.wait(PATIENCE)?, 4, &["reflector does not answer", "kitproof-reflector runs"])?;
    let look = kitproof(&bench.generator, &["preflight", GENERATOR_PORT])?;
    ensure!(look.status == 4 && look.stdout.contains("start kitproof-reflector"), "{look:#?}");
    Ok(())
}

/// A reflector of another version, over UDP and on the link: both versions are named, and what to do.
pub(crate) fn a_peer_of_another_version() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let words =
        ["protocol version 9", "this generator version 1", "install the same release", "both machines"];
    let over = Arc::new(AtomicBool::new(false));
    let socket = bench.generator.run(|| UdpSocket::bind(("127.0.0.1", UDP_PORT)))?;
    socket.set_read_timeout(Some(Duration::from_millis(50)))?;
    let hand = Hand::on(&bench.reflector, REFLECTOR_PORT)?;
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut buffer = [0; 2_048];
            while !over.load(Ordering::Relaxed) {
                let Ok((length, from)) = socket.recv_from(&mut buffer) else { continue };
                if let Some(answer) = answer_of_another(&buffer[..length]) {
                    let _ = socket.send_to(&answer, from);
                }
            }
        });
        scope.spawn(|| {
            while !over.load(Ordering::Relaxed) {
                let Some(frame) = hand.hear(Duration::from_millis(50)) else { continue };
                if let Some(answer) = frame.get(14..).and_then(answer_of_another) {
                    let _ = hand.say(&ethernet(mac(&frame, 6), MacAddr(2, 0, 0, 0, 0, 9), &answer));
                }
            }
        });
        let told = (|| {
            refused(&udp(&bench.generator, &[])?.wait(PATIENCE)?, 4, &words)?;
            refused(&start(&bench.generator, &[])?.wait(PATIENCE)?, 4, &words)?;
            let look = kitproof(&bench.generator, &["preflight", GENERATOR_PORT])?;
            ensure!(look.status == 4 && look.stdout.contains("protocol version 9"), "{look:#?}");
            Ok(())
        })();
        over.store(true, Ordering::Relaxed);
        told
    })
}

/// What a reflector of version 9 says to any question.
fn answer_of_another(octets: &[u8]) -> Option<Vec<u8>> {
    let opened = envelope::open(octets).filter(|opened| opened.direction == Direction::Request)?;
    Some(envelope::seal(ANOTHER, Direction::Reply, opened.exchange, b"in words yet to be invented", 0))
}

/// A control frame.
fn ethernet(to: MacAddr, from: MacAddr, message: &[u8]) -> Vec<u8> {
    [&to.octets()[..], &from.octets()[..], &ETHERTYPE.to_be_bytes()[..], message].concat()
}

/// A generator of another version asks the real reflector: it is told both versions, in an envelope that every version
/// can read, at most once a second, and never at more length than it asked.
pub(crate) fn a_generator_of_another_version() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _on_link = reflector(&bench.reflector)?;
    let _over_udp = Running::start(
        &bench.generator,
        "kitproof-reflector",
        &["--listen", "127.0.0.1", "--exit-with-parent"],
    )?;
    let question = |exchange| {
        envelope::seal(ANOTHER, Direction::Request, exchange, b"words yet to be invented", DISCOVERY_OCTETS)
    };
    let told = |octets: &[u8], exchange: u32| -> Result<()> {
        let opened = envelope::open(octets).context("no envelope")?;
        ensure!((opened.version, opened.exchange) == (PROTOCOL, exchange), "{opened:?}");
        let Reply::Refused { code: Refusal::Version, text } = serde_json::from_slice(opened.body)? else {
            anyhow::bail!("another answer: {opened:?}");
        };
        for word in ["protocol version 1", "generator version 9", "install the same release"] {
            ensure!(text.contains(word), "{word:?} is missing in {text}");
        }
        ensure!(octets.len() <= DISCOVERY_OCTETS, "{} octets", octets.len());
        Ok(())
    };

    let socket = bench.generator.run(|| UdpSocket::bind(("127.0.0.1", 0)))?;
    socket.set_read_timeout(Some(Duration::from_millis(200)))?;
    let mut buffer = [0; 2_048];
    let answer = (0..50).find_map(|_| {
        socket.send_to(&question(77), ("127.0.0.1", UDP_PORT)).ok()?;
        socket.recv(&mut buffer).ok()
    });
    told(&buffer[..answer.context("no answer over UDP")?], 77)?;

    let hand = Hand::on(&bench.generator, GENERATOR_PORT)?;
    let me = MacAddr(2, 0, 0, 0, 0, 7);
    let ask = ethernet(DISCOVERY_GROUP, me, &question(78));
    let mut answers = Vec::new();
    for _ in 0..5 {
        hand.say(&ask)?;
        answers.extend(hand.hear(Duration::from_millis(50)));
    }
    ensure!(answers.len() == 1, "{} answers to five questions within a quarter of a second", answers.len());
    ensure!(mac(&answers[0], 0) == me, "the answer goes to the asker alone");
    told(&answers[0][14..], 78)
}

/// Two reflectors on one segment: nobody could tell which of them returned a frame.
pub(crate) fn two_reflectors_are_both_named() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let (_one, two) = (reflector(&bench.reflector)?, reflector(&bench.reflector)?);
    packet_sockets(&two, 2)?;
    let host = rustix::system::uname().nodename().to_string_lossy().into_owned();
    let both = format!("{host} ({REFLECTOR_PORT}) and {host} ({REFLECTOR_PORT})");
    let words = ["2 reflectors", GENERATOR_PORT, &both, "stop all but one"];
    refused(&start(&bench.generator, &[])?.wait(PATIENCE)?, 4, &words)?;
    let look = kitproof(&bench.generator, &["preflight", GENERATOR_PORT])?;
    ensure!(
        look.status == 4 && look.stdout.contains("stop all but one") && look.stdout.contains(&both),
        "{look:#?}"
    );
    Ok(())
}

/// Two generators at the same time: one reflector keeps them apart.
pub(crate) fn two_generators_get_their_own_counts() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let mut offered = Vec::new();
    for _ in 0..3 {
        let one = start(&bench.generator, &["--load", "1500fps"])?;
        let two = start(&bench.generator, &["--load", "1000fps", "--encapsulation", "ipv6"])?;
        let ended = [one.wait(PATIENCE)?, two.wait(PATIENCE)?];
        // Each is exact, however slow the host was: what it could not offer is never made up by the other's frames.
        offered.clear();
        for one in &ended {
            ensure!([0, 3].contains(&one.status), "{one:#?}");
            let result = one.json()?;
            let trial = only_trial(&result)?;
            let [sent, reached, reflected, foreign] = numbers(
                trial,
                ["offered_frames", "reached_reflector", "reflected_frames", "foreign_frames"],
            )?;
            ensure!((reached, reflected, foreign) == (whole(trial)?, sent, 0), "{trial:#}");
            offered.push(sent);
        }
        if ended.iter().all(|one| one.status == 0) {
            break;
        }
    }
    let planned = [1_500, 1_000];
    ensure!(offered.len() == planned.len(), "{offered:?}");
    ensure!(offered.iter().zip(planned).all(|(sent, planned)| (1..=planned).contains(sent)), "{offered:?}");
    Ok(())
}

/// The reflector is gone in the middle: what came home is kept, the rest has no direction, nothing is proven.
pub(crate) fn a_reflector_killed_in_a_trial() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let far = reflector(&bench.reflector)?;
    let ear = Ear::on(&bench.reflector, REFLECTOR_PORT)?;
    let run = start(&bench.generator, &[])?;
    ear.first_test_frame()?;
    std::thread::sleep(Duration::from_millis(300));
    kill_process(pid(&far), Signal::KILL)?;
    let ended = run.wait(PATIENCE)?;
    let result =
        judged(&ended, 3, &["unproven at 256 bytes", "reflector's counts were not heard", "still runs"])?;
    let trial = only_trial(&result)?;
    let [offered, returned, unknown, unaccounted] =
        numbers(trial, ["offered_frames", "returned_frames", "lost_direction_unknown", "unaccounted"])?;
    ensure!(returned > 0 && unknown > 0 && offered == returned + unknown && unaccounted == 0, "{trial:#}");
    ensure!(trial["reached_reflector"].is_null(), "{trial:#}");
    reason(&result, "counts_not_heard")?;
    Ok(())
}

/// The reflector is gone between two trials: the first trial is kept, and the run is not complete.
pub(crate) fn a_reflector_killed_between_trials() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let far = reflector(&bench.reflector)?;
    let ear = Ear::on(&bench.generator, GENERATOR_PORT)?;
    let run = start(&bench.generator, &["--frame-size", "256,512", "--duration", "500ms", "--settle", "2s"])?;
    ear.first_test_frame()?;
    // 0.5 s of trial, then two seconds of settling.
    std::thread::sleep(Duration::from_millis(1_500));
    kill_process(pid(&far), Signal::KILL)?;
    let ended = run.wait(PATIENCE)?;
    let words =
        ["unproven", "Only 1 of 2 frame sizes", "does not answer", "kitproof-reflector runs", "again"];
    let result = judged(&ended, 3, &words)?;
    ensure!(bearing(&result).contains(&"incomplete".to_owned()), "{result:#}");
    let trial = only_trial(&result)?;
    ensure!(
        number(trial, "frame_size")? == 256 && number(trial, "reached_reflector")? == whole(trial)?,
        "{trial:#}"
    );
    Ok(())
}

/// Over UDP a restarted reflector has the same address as before, and says that it knows no such session.
pub(crate) fn a_reflector_restarted_over_udp() -> Result<()> {
    let room = Room::new("loopback")?;
    let listening =
        || Running::start(&room, "kitproof-reflector", &["--listen", "127.0.0.1", "--exit-with-parent"]);
    let far = listening()?;
    let run = udp(&room, &["--frame-size", "256,512", "--duration", "500ms", "--settle", "2s"])?;
    std::thread::sleep(Duration::from_millis(1_500));
    kill_process(pid(&far), Signal::KILL)?;
    far.wait(PATIENCE)?;
    let far = listening()?;
    let words = ["unproven", "Only 1 of 2 frame sizes", "knows no such session", "restarted", "Run it again"];
    let result = judged(&run.wait(PATIENCE)?, 3, &words)?;
    whole(only_trial(&result)?)?;

    // In the middle of a trial: what was home is kept.
    let run = udp(&room, &["--duration", "2s"])?;
    std::thread::sleep(Duration::from_millis(1_000));
    kill_process(pid(&far), Signal::KILL)?;
    far.wait(PATIENCE)?;
    let _far = listening()?;
    let result = judged(&run.wait(PATIENCE)?, 3, &["unproven", "counts were not heard"])?;
    ensure!(reason(&result, "reflector_silent")?.contains("knows no such session"), "{result:#}");
    let trial = only_trial(&result)?;
    let [offered, returned, unknown] =
        numbers(trial, ["offered_frames", "returned_frames", "lost_direction_unknown"])?;
    ensure!(returned > 0 && unknown > 0 && offered == returned + unknown, "{trial:#}");
    Ok(())
}

/// A reflector whose host stops it for a while, in the middle and at the end of a trial: the ring holds the frames, and
/// every one of them is returned.
pub(crate) fn a_reflector_stopped_for_a_moment() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let far = reflector(&bench.reflector)?;
    for stop_at in [300, 800] {
        let run = || {
            let ear = Ear::on(&bench.reflector, REFLECTOR_PORT)?;
            let run = start(&bench.generator, &["--residual", "2s"])?;
            ear.first_test_frame()?;
            std::thread::sleep(Duration::from_millis(stop_at));
            kill_process(pid(&far), Signal::STOP)?;
            std::thread::sleep(Duration::from_millis(500));
            kill_process(pid(&far), Signal::CONT)?;
            run.wait(PATIENCE)
        };
        let ended = steady(run)?;
        let result = passed(&ended)?;
        let trial = only_trial(&result)?;
        ensure!(number(trial, "reached_reflector")? == whole(trial)?, "{trial:#}");
        // It is not kept quiet that the frames came back in a heap.
        ensure!(trial["longest_burst"]["returned"].as_u64() > Some(32), "{trial:#}");
        reason(&result, "bursts")?;
    }
    Ok(())
}

/// A session that nothing was heard of for too long is over: a later trial does not begin, what was measured is kept. A
/// long settling time alone is no silence: the generator is heard meanwhile.
pub(crate) fn a_session_that_was_idle_for_too_long() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let arguments = [REFLECTOR_PORT, "--exit-with-parent", "--via", "packet", "--idle", "1"];
    let far = Running::start(&bench.reflector, "kitproof-reflector", &arguments)?;
    let two = ["--frame-size", "256,512", "--duration", "500ms", "--settle", "3s"];
    let patient = steady(|| start(&bench.generator, &two)?.wait(PATIENCE))?;
    ensure!(trials(&passed(&patient)?)?.len() == 2, "{patient:#?}");

    let ear = Ear::on(&bench.reflector, REFLECTOR_PORT)?;
    let run = start(&bench.generator, &two)?;
    ear.first_test_frame()?;
    std::thread::sleep(Duration::from_millis(1_500));
    // Between the two trials the generator's host stops it for longer than the reflector waits.
    kill_process(pid(&run), Signal::STOP)?;
    std::thread::sleep(Duration::from_millis(3_500));
    kill_process(pid(&run), Signal::CONT)?;
    let ended = run.wait(PATIENCE)?;
    let result = judged(&ended, 3, &["unproven"])?;
    let incomplete = reason(&result, "incomplete")?;
    for words in ["1 of 2 frame sizes", "knows no such session", "--idle"] {
        ensure!(incomplete.contains(words), "{incomplete}");
    }
    let trial = only_trial(&result)?;
    ensure!(number(trial, "reached_reflector")? == whole(trial)?, "{trial:#}");
    kill_process(pid(&far), Signal::TERM)?;
    let far = far.wait(PATIENCE)?;
    ensure!(far.status == 0 && far.stderr.contains("expired: nothing was heard of it"), "{far:#?}");
    Ok(())
}

/// Ctrl-C, a polite kill and a closed terminal: 130, with the partial trial in the result. While still looking for the
/// reflector: one line.
pub(crate) fn interrupted_with_what_was_measured() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let early = start(&bench.generator, &[])?;
    std::thread::sleep(Duration::from_millis(700));
    kill_process(pid(&early), Signal::INT)?;
    refused(&early.wait(PATIENCE)?, 130, &["interrupted"])?;

    let _far = reflector(&bench.reflector)?;
    for signal in [Signal::INT, Signal::TERM, Signal::HUP] {
        let ear = Ear::on(&bench.reflector, REFLECTOR_PORT)?;
        let run = start(&bench.generator, &["--frame-size", "256,512", "--duration", "5s"])?;
        ear.first_test_frame()?;
        std::thread::sleep(Duration::from_millis(300));
        kill_process(pid(&run), signal)?;
        let ended = run.wait(PATIENCE)?;
        one_line(&ended, "kitproof", 130, &["unproven", "interrupted after 0."])?;
        let result = ended.json()?;
        let trial = only_trial(&result)?;
        let sent = whole(trial)?;
        ensure!(number(trial, "reached_reflector")? == sent && sent < 5 * 2_000, "{trial:#}");
        ensure!(
            trials(&result)?.len() == 1 && reason(&result, "incomplete")?.contains("1 of 2"),
            "{result:#}"
        );
    }
    Ok(())
}
