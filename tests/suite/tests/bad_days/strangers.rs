//! Frames of others: before the first trial, where they mean that this is no isolated bench, and during one.

use std::time::Duration;

use anyhow::{Context, Result, ensure};
use kitproof_bench::bench::{GENERATOR_PORT, REFLECTOR_PORT};
use kitproof_bench::{Bench, Options};
use kitproof_common::frame::{FrameSpec, MacAddr, Template, Turner, VARIANTS};
use kitproof_suite::{Ended, number, reflector_by_packets as reflector};

use crate::hand::{Ear, Hand, readdressed, say_all};
use crate::spoken::{
    PATIENCE, bearing, judged, numbers, only_trial, passed, reason, refused, start, steady, whole,
};

/// An address that is neither end's.
pub(crate) const SOMEBODY: MacAddr = MacAddr(0x02, 0x5A, 0, 0, 0, 0x99);

/// What a production network says: the word for it, and the frame. Addresses and EtherTypes: IEEE 802.1D, IEEE
/// 802.1AB, RFC 826; DHCP: RFC 2131.
fn others() -> Vec<(&'static str, Vec<u8>)> {
    let everyone = MacAddr(0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF);
    let frame = |to: MacAddr, rest: &[u8]| {
        let mut frame = [&to.octets()[..], &SOMEBODY.octets()[..], rest].concat();
        frame.resize(frame.len().max(60), 0);
        frame
    };
    let mut dhcp = vec![0x08, 0x00, 0x45, 0, 0, 44, 0, 0, 0, 0, 64, 17, 0, 0];
    dhcp.extend_from_slice(&[0, 0, 0, 0, 255, 255, 255, 255]);
    dhcp.extend_from_slice(&[0, 68, 0, 67, 0, 24, 0, 0]);
    vec![
        ("ARP", frame(everyone, &[0x08, 0x06, 0, 1, 8, 0, 6, 4, 0, 1])),
        ("LLDP", frame(MacAddr(1, 0x80, 0xC2, 0, 0, 0x0E), &[0x88, 0xCC, 2, 7, 4])),
        ("spanning tree", frame(MacAddr(1, 0x80, 0xC2, 0, 0, 0), &[0, 38, 0x42, 0x42, 3, 0, 0])),
        ("DHCP", frame(everyone, &dhcp)),
    ]
}

/// Runs `kitproof prove` while somebody says the same thing again and again.
fn run_beside(bench: &Bench, hand: &Hand, frame: &[u8]) -> Result<Ended> {
    let over = std::sync::atomic::AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while !over.load(std::sync::atomic::Ordering::Relaxed) {
                let _ = hand.say(frame);
                std::thread::sleep(Duration::from_millis(100));
            }
        });
        let ended = start(&bench.generator, &[]).and_then(|run| run.wait(PATIENCE));
        over.store(true, std::sync::atomic::Ordering::Relaxed);
        ended
    })
}

/// Each kind, on the generator's side: 4, with kind and address; no test frame leaves.
pub(crate) fn heard_by_the_generator() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let ear = Ear::on(&bench.reflector, REFLECTOR_PORT)?;
    let hand = Hand::on(&bench.reflector, REFLECTOR_PORT)?;
    for (kind, frame) in others() {
        let ended = run_beside(&bench, &hand, &frame)?;
        let address = SOMEBODY.to_string();
        refused(&ended, 4, &[kind, &address, GENERATOR_PORT, "not an isolated bench", "unplug"])?;
    }
    ensure!(ear.test_frames().is_empty(), "test frames left");
    Ok(())
}

/// On the reflector's side, which says no; and says it again to whoever asks again, because it listens anew.
pub(crate) fn heard_by_the_reflector() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let ear = Ear::on(&bench.reflector, REFLECTOR_PORT)?;
    let hand = Hand::on(&bench.generator, GENERATOR_PORT)?;
    for (kind, frame) in others().into_iter().skip(2) {
        let ended = run_beside(&bench, &hand, &frame)?;
        let address = SOMEBODY.to_string();
        let words =
            ["the reflector heard", kind, &address, REFLECTOR_PORT, "not an isolated bench", "unplug"];
        refused(&ended, 4, &words)?;
    }
    ensure!(ear.test_frames().is_empty(), "test frames left");
    Ok(())
}

/// A trial of two seconds with frames said on both sides in its middle: `forward` arrives at the reflector, `homeward`
/// at the generator.
fn run_with(
    bench: &Bench,
    forward: impl Fn(&FrameSpec) -> Result<Vec<Vec<u8>>>,
    homeward: impl Fn(&FrameSpec) -> Result<Vec<Vec<u8>>>,
) -> Result<(Ended, u64)> {
    let ear = Ear::on(&bench.reflector, REFLECTOR_PORT)?;
    let near = Hand::on(&bench.generator, GENERATOR_PORT)?;
    let far = Hand::on(&bench.reflector, REFLECTOR_PORT)?;
    let run = start(&bench.generator, &["--duration", "2s"])?;
    let spec = ear.first_test_frame()?;
    std::thread::sleep(Duration::from_millis(200));
    let (forward, homeward) = (forward(&spec)?, homeward(&spec)?);
    say_all(&near, &forward)?;
    say_all(&far, &homeward)?;
    Ok((run.wait(PATIENCE)?, (forward.len() + homeward.len()) as u64))
}

/// A test frame as the generator of `spec` would build it.
pub(crate) fn test_frame(spec: &FrameSpec, sequence: u32) -> Result<Vec<u8>> {
    let template = Template::new(spec)?;
    let mut frame = vec![0; template.octets()];
    let variant = sequence as usize % VARIANTS;
    template.write(variant, &mut frame);
    template.stamp(variant, &mut frame, sequence, 1);
    Ok(frame)
}

/// The same as the reflector would return it.
pub(crate) fn returned_frame(spec: &FrameSpec, sequence: u32, number: u32) -> Result<Vec<u8>> {
    let mut frame = test_frame(spec, sequence)?;
    Turner::new(spec)?.turn(&mut frame, number, 1);
    Ok(frame)
}

/// The session tag of somebody else.
pub(crate) fn of_another(spec: &FrameSpec) -> FrameSpec {
    FrameSpec { session: spec.session ^ 0x5555, ..*spec }
}

/// Frames with other addresses are not even heard: the verdict is as if they had not been.
pub(crate) fn what_does_not_reach_the_filter() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let run = || {
        let strange = |spec: &FrameSpec| {
            let mut frames: Vec<Vec<u8>> = others().into_iter().map(|(_, frame)| frame).collect();
            let elsewhere =
                FrameSpec { source: SOMEBODY, destination: MacAddr(2, 0x5A, 0, 0, 0, 0x98), ..*spec };
            frames.push(test_frame(&elsewhere, 5)?);
            frames.push(returned_frame(&elsewhere, 5, 5)?);
            frames.push(test_frame(&elsewhere, 5)?[..30].to_vec());
            frames.push(vec![0xA5; 14]);
            frames.push(vec![0; 1_514]);
            Ok(frames)
        };
        Ok(run_with(&bench, strange, strange)?.0)
    };
    let result = passed(&steady(run)?)?;
    let trial = only_trial(&result)?;
    ensure!(number(trial, "reached_reflector")? == whole(trial)?, "{trial:#}");
    ensure!(number(trial, "foreign_frames")? == 0, "{trial:#}");
    Ok(())
}

/// Well-formed frames of another session, the wrong direction, or numbers that were never to be sent: counted as
/// foreign at the end that heard them, exactly, and nothing else changes.
pub(crate) fn frames_that_are_not_ours() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let mut said = 0;
    let run = || {
        let to_reflector = |spec: &FrameSpec| {
            let mut frames = Vec::new();
            for n in 0..7 {
                frames.push(test_frame(&of_another(spec), n)?);
                let returned = returned_frame(spec, n, n)?;
                let swapped = readdressed(&readdressed(&returned, 0, spec.destination), 6, spec.source);
                frames.push(swapped);
                // Of 4,000 frames none has such a number.
                frames.push(test_frame(spec, 1_000_000 + n)?);
            }
            Ok(frames)
        };
        let to_generator = |spec: &FrameSpec| {
            let mut frames = Vec::new();
            for n in 0..5 {
                frames.push(returned_frame(&of_another(spec), n, n)?);
                let forward = test_frame(spec, n)?;
                frames.push(readdressed(&readdressed(&forward, 0, spec.source), 6, spec.destination));
            }
            Ok(frames)
        };
        let (ended, count) = run_with(&bench, to_reflector, to_generator)?;
        said = count;
        Ok(ended)
    };
    let result = passed(&steady(run)?)?;
    let trial = only_trial(&result)?;
    ensure!(number(trial, "reached_reflector")? == whole(trial)?, "{trial:#}");
    ensure!(number(trial, "foreign_frames")? == said && said == 31, "{said} said: {trial:#}");
    ensure!(reason(&result, "foreign_frames")?.contains("31 frames"), "{result:#}");
    Ok(())
}

/// Truncated frames and broken headers with the pair's own addresses: damage, counted apart, never a loss, never
/// returned. That something damages or forges frames keeps the trial from a pass, and is no proof against the chain.
pub(crate) fn broken_frames() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let broken = |frame: Vec<u8>| {
        let mut frames: Vec<Vec<u8>> =
            [14, 15, 33, 42, 59, 60, 251].map(|octets| frame[..octets].to_vec()).into();
        // EtherType, IPv4 version, total length, identification, protocol, port, each octet of the test header.
        for at in [12, 14, 17, 18, 23, 35].into_iter().chain(42..60) {
            let mut one = frame.clone();
            one[at] ^= 0x10;
            frames.push(one);
        }
        frames
    };
    let run = || {
        run_with(
            &bench,
            |spec| Ok(broken(test_frame(spec, 3)?)),
            |spec| Ok(broken(returned_frame(spec, 3, 3)?)),
        )
    };
    // What the host does wrong is one more reason to be unproven, and no less exact.
    let (ended, said) = run()?;
    let result = judged(&ended, 3, &["unproven at 256 bytes"])?;
    ensure!(bearing(&result).contains(&"corrupted_copies".to_owned()), "{result:#}");
    let trial = only_trial(&result)?;
    let counts = numbers(
        trial,
        ["corrupted_copies", "corrupted", "lost_forward", "lost_return", "unaccounted", "foreign_frames"],
    )?;
    ensure!(counts == [said, 0, 0, 0, 0, 0], "{said} said: {trial:#}");
    let sent = number(trial, "offered_frames")?;
    ensure!(
        numbers(trial, ["reached_reflector", "reflected_frames", "returned_frames"])? == [sent; 3],
        "{trial:#}"
    );
    result["reasons"].as_array().context("no reasons").map(drop)
}
