//! Who drives, who returns: what neither end may ever send back, and how discovery is answered.

use std::collections::HashMap;
use std::time::{Duration, Instant};

use anyhow::{Result, ensure};
use kitproof_bench::bench::{GENERATOR_PORT, REFLECTOR_PORT};
use kitproof_bench::{Bench, Options};
use kitproof_common::control::envelope::{
    self, DISCOVERY_OCTETS, Direction, OVERHEAD, PROTOCOL, REQUEST_OCTETS,
};
use kitproof_common::control::{DISCOVERY_GROUP, DataAddress, ETHERTYPE, End, Refusal, Reply, Request};
use kitproof_common::frame::{FrameSpec, MacAddr};
use kitproof_suite::reflector_by_packets as reflector;

use crate::hand::{Ear, Hand, mac, readdressed, say_all};
use crate::spoken::{PATIENCE, numbers, only_trial, start};
use crate::strangers::{SOMEBODY, of_another, returned_frame, test_frame};

/// Test frames to groups, frames that were returned already, frames of no session, of a session that is over: nothing
/// of it comes back. Frame by frame: what comes home is what was offered, once each.
pub(crate) fn nothing_is_returned_that_must_not_be() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let at_reflector = Ear::on(&bench.reflector, REFLECTOR_PORT)?;
    let at_generator = Ear::on(&bench.generator, GENERATOR_PORT)?;
    let near = Hand::on(&bench.generator, GENERATOR_PORT)?;
    let far = Hand::on(&bench.reflector, REFLECTOR_PORT)?;
    let run = start(&bench.generator, &["--duration", "2s"])?;
    let spec = at_reflector.first_test_frame()?;
    std::thread::sleep(Duration::from_millis(200));
    let groups = [
        MacAddr(0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF),
        MacAddr(0x01, 0x00, 0x5E, 0, 0, 1),
        DISCOVERY_GROUP,
        // The reflector's own address with the group bit set.
        MacAddr(
            spec.destination.0 | 1,
            spec.destination.1,
            spec.destination.2,
            spec.destination.3,
            spec.destination.4,
            spec.destination.5,
        ),
    ];
    let mut to_reflector = Vec::new();
    for n in 0..10 {
        // Faultless but for the address: a copy of it coming back would be a second return of this number.
        to_reflector
            .extend(groups.map(|group| test_frame(&spec, n).map(|frame| readdressed(&frame, 0, group))));
        let swapped = readdressed(&returned_frame(&spec, n, n)?, 0, spec.destination);
        to_reflector.push(Ok(readdressed(&swapped, 6, spec.source)));
        to_reflector.push(test_frame(&of_another(&spec), n));
        to_reflector.push(test_frame(&FrameSpec { source: SOMEBODY, ..of_another(&spec) }, n));
        to_reflector.push(test_frame(&FrameSpec { destination: SOMEBODY, ..spec }, n));
    }
    say_all(&near, &to_reflector.into_iter().collect::<Result<Vec<_>>>()?)?;
    // The generator drives: it returns nothing at all.
    let mut to_generator = Vec::new();
    for n in 0..10 {
        let forward = test_frame(&of_another(&spec), n)?;
        to_generator.push(readdressed(&readdressed(&forward, 0, spec.source), 6, spec.destination));
        to_generator.push(returned_frame(&of_another(&spec), n, n)?);
    }
    say_all(&far, &to_generator)?;
    let ended = run.wait(PATIENCE)?;
    let result = ended.json()?;
    let trial = only_trial(&result)?;
    let [offered, reached, returned] =
        numbers(trial, ["offered_frames", "reached_reflector", "returned_frames"])?;
    ensure!((reached, returned) == (offered, offered), "{trial:#}");
    // The session is over: its address is nobody's any more.
    say_all(&near, &(0..10).map(|n| test_frame(&spec, n)).collect::<Result<Vec<_>>>()?)?;
    std::thread::sleep(Duration::from_millis(300));

    let home = once_each(&at_generator, |header| header.returned && header.session == spec.session)?;
    ensure!(home == offered, "{home} frames came home, {offered} were offered");
    let others =
        at_generator.test_frames().into_iter().filter(|(header, _)| header.session != spec.session).count();
    // What the test itself said towards the generator.
    ensure!(others == to_generator.len(), "{others} frames of other sessions came back");
    let gone = at_reflector
        .test_frames()
        .into_iter()
        .filter(|(header, frame)| {
            header.session == spec.session && header.returned && mac(frame, 6) != spec.source
        })
        .count();
    ensure!(gone == 0, "the generator returned {gone} frames");
    Ok(())
}

/// How many sequence numbers of the frames that `are_meant` came; none of them may come twice.
fn once_each(ear: &Ear, are_meant: impl Fn(&kitproof_common::frame::TestHeader) -> bool) -> Result<u64> {
    let mut seen: HashMap<u32, u32> = HashMap::new();
    for (header, _) in ear.test_frames().iter().filter(|(header, _)| are_meant(header)) {
        *seen.entry(header.sequence).or_default() += 1;
    }
    let twice: Vec<&u32> =
        seen.iter().filter(|(_, count)| **count > 1).map(|(sequence, _)| sequence).collect();
    ensure!(twice.is_empty(), "came back more than once: {twice:?}");
    Ok(seen.len() as u64)
}

/// Discovery is answered once a second to each asker, to the asker alone and at no more length than it asked; it is the
/// only question that may be put to everybody.
pub(crate) fn discovery_is_answered_once_a_second() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let hand = Hand::on(&bench.generator, GENERATOR_PORT)?;
    let body = |request: &Request| serde_json::to_vec(request);
    let frame = |to: MacAddr, from: MacAddr, exchange, request: &Request, padded| -> Result<Vec<u8>> {
        let message = envelope::seal(PROTOCOL, Direction::Request, exchange, &body(request)?, padded);
        Ok([&to.octets()[..], &from.octets()[..], &ETHERTYPE.to_be_bytes()[..], &message].concat())
    };
    let discover = Request::Discover { version: "0".into() };
    let (me, you) = (MacAddr(2, 0, 0, 0, 0, 1), MacAddr(2, 0, 0, 0, 0, 2));
    let ask = |from, exchange| frame(DISCOVERY_GROUP, from, exchange, &discover, DISCOVERY_OCTETS);
    // It takes a moment to start.
    let until = Instant::now() + Duration::from_secs(10);
    let starting = MacAddr(2, 0, 0, 0, 0, 3);
    while Instant::now() < until {
        hand.say(&ask(starting, 1)?)?;
        if hand.hear(Duration::from_millis(50)).is_some() {
            break;
        }
    }
    let answers = |from: MacAddr, time: Duration| -> Result<Vec<Vec<u8>>> {
        let (begun, mut answers) = (Instant::now(), Vec::new());
        while begun.elapsed() < time {
            hand.say(&ask(from, 2)?)?;
            answers.extend(hand.hear(Duration::from_millis(40)));
        }
        Ok(answers)
    };
    let first = answers(me, Duration::from_millis(700))?;
    ensure!(first.len() == 1, "{} answers within 0.7 s", first.len());
    ensure!(mac(&first[0], 0) == me && first[0].len() <= 14 + DISCOVERY_OCTETS, "{:x?}", first[0]);
    let opened = envelope::open(&first[0][14..]);
    let here = opened.map(|opened| serde_json::from_slice::<Reply>(opened.body)).transpose()?;
    ensure!(matches!(&here, Some(Reply::Here { interface, .. }) if interface == REFLECTOR_PORT), "{here:?}");
    let second = answers(you, Duration::from_millis(300))?;
    ensure!(second.len() == 1 && mac(&second[0], 0) == you, "another asker: {} answers", second.len());
    std::thread::sleep(Duration::from_secs(1));
    let third = answers(me, Duration::from_millis(300))?;
    ensure!(third.len() == 1, "a second later: {} answers", third.len());

    // A question without padding has no room for an answer.
    hand.say(&frame(DISCOVERY_GROUP, MacAddr(2, 0, 0, 0, 0, 4), 3, &discover, OVERHEAD)?)?;
    ensure!(hand.hear(Duration::from_millis(300)).is_none(), "an answer that is longer than its question");

    // Any other question is for one reflector: put to the group it is not answered, put to it, it is.
    let everything_else = [
        Request::Open {
            asker: 1,
            end: Box::new(End { host: "h".into(), version: "0".into(), via: "packet".into(), link: None }),
            data: DataAddress::Mac(me),
        },
        Request::Learn { session: 1, flow: 0 },
        Request::Finish { session: 1, trial: 1 },
        Request::Close { session: 1 },
    ];
    for request in &everything_else {
        hand.say(&frame(DISCOVERY_GROUP, me, 4, request, REQUEST_OCTETS)?)?;
        let heard = hand.hear(Duration::from_millis(150));
        ensure!(heard.is_none(), "{request:?} put to the group was answered: {heard:x?}");
    }
    let reflector = mac(&first[0], 6);
    hand.say(&frame(reflector, me, 5, &everything_else[1], REQUEST_OCTETS)?)?;
    let answer = hand.hear(Duration::from_secs(2)).unwrap_or_default();
    let opened = answer.get(14..).and_then(envelope::open);
    let refusal = opened.map(|opened| serde_json::from_slice::<Reply>(opened.body)).transpose()?;
    ensure!(matches!(refusal, Some(Reply::Refused { code: Refusal::UnknownSession, .. })), "{refusal:?}");
    Ok(())
}
