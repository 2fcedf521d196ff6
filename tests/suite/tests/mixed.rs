//! A mix of frame sizes within one trial (RFC 6985), against the wire's ledger: which sizes came in which order shows by
//! what a wire takes away.

use anyhow::{Context, Result, ensure};
use kitproof_bench::bench::Options;
use kitproof_bench::script::{Faults, Opaque, Schedule, Script};
use kitproof_suite::rig::{FAIL, PASS, Rig, compare_trial, decided, ended, equal, everything};
use kitproof_suite::{number, run, trials};
use serde_json::Value;

fn main() {
    run(&[
        ("a_mix_is_proved_like_any_size", clean),
        ("frames_have_the_sizes_of_the_genome_in_its_order", order),
        ("every_fault_is_found_in_a_mix", faults),
        ("what_is_too_long_or_cut_is_told_by_its_size", by_size),
    ]);
}

/// 64 three times, 1280 and 1518 (RFC 6985 section 4, table 1): 598 bytes in the mean.
const GENOME: &str = "imix:aaafg";
const MEAN: u16 = (3 * 64 + 1280 + 1518) / 5;

fn arguments(genome: &str, more: &[&str]) -> Vec<String> {
    ["--frame-size", genome, "--duration", "1s"].iter().chain(more).map(|word| (*word).to_owned()).collect()
}

/// How many of `offered` frames have each size of the genome, reckoned here anew.
fn of_each(offered: u64) -> Vec<(u64, u64)> {
    let round = [64, 64, 64, 1280, 1518];
    let count =
        |size: u64| (0..offered).filter(|sequence| round[(sequence % 5) as usize] == size).count() as u64;
    [64, 1280, 1518].map(|size| (size, count(size))).to_vec()
}

fn told(trial: &Value) -> Result<Vec<(u64, u64, u64)>> {
    let sizes = trial["mix"]["sizes"].as_array().context("mix.sizes")?;
    let figures = |size: &Value| {
        Ok((number(size, "frame_size")?, number(size, "offered_frames")?, number(size, "lost_frames")?))
    };
    sizes.iter().map(figures).collect()
}

fn clean() -> Result<()> {
    let mut rig = Rig::new(Options::default())?;
    let mut did = None;
    let found = decided(|| {
        let (ended, ledger) = rig.run(&Script::faithful(), "2%", &arguments(GENOME, &[]))?;
        did = ledger.trials.into_iter().next();
        Ok(ended)
    })?;
    let result = ended(&found, PASS, "pass")?;
    let trial = &trials(&result)?[0];
    compare_trial(trial, &did.context("no trial on the wire")?, MEAN)?;
    // 2 % of 1 Gb/s of rounds of 8 x (5 x 20 + 2,990) bits (calculated): 4,045.3 frames/s.
    let rate = trial["offered_load"]["frames_per_s"].as_f64().context("load")?;
    let expected = 0.02 * 1e9 * 5.0 / (8.0 * (2_990.0 + 100.0));
    ensure!((rate / expected - 1.0).abs() < 2e-3, "{rate} for {expected}");
    ensure!(
        trial["mix"]["genome"] == "IMIX - aaafg" && trial["mix"]["mean_size"] == 598.0,
        "{:#}",
        trial["mix"]
    );
    let offered = number(trial, "offered_frames")?;
    let each = of_each(offered).into_iter().map(|(size, count)| (size, count, 0)).collect::<Vec<_>>();
    ensure!(told(trial)? == each, "{:?} for {each:?}", told(trial)?);
    Ok(())
}

/// The wire takes frames by their number; by the genome's order they have a size. A wire that has no room for more than
/// 1,300 octets shows that they really had it.
fn order() -> Result<()> {
    let mut rig = Rig::new(Options::default())?;
    let mut script = Script::faithful();
    // The wire counts from 1: the 4th of a round has 1280 octets, the 5th 1518.
    script.forward.drop = Schedule::at(&[4, 104, 205, 301, 302, 303, 1_004]);
    let (found, ledger) = rig.run(&script, "2%", &arguments(GENOME, &[]))?;
    let result = ended(&found, FAIL, "fail")?;
    let trial = &trials(&result)?[0];
    compare_trial(trial, &ledger.trials[0], MEAN)?;
    let lost: Vec<(u64, u64)> = told(trial)?.into_iter().map(|(size, _, lost)| (size, lost)).collect();
    ensure!(lost == [(64, 3), (1280, 3), (1518, 1)], "{lost:?}");
    Ok(())
}

fn faults() -> Result<()> {
    let mut rig = Rig::new(Options::default())?;
    for genome in ["imix:bbbfg", "imix:20*bcd,5*gggb", "imix:ABBC:A=90,B=594,C=1517"] {
        let (found, ledger) =
            rig.run(&everything(), "2%", &arguments(genome, &["--encapsulation", "ipv6"]))?;
        let result = ended(&found, FAIL, "fail")?;
        let trial = &trials(&result)?[0];
        let mean = trial["mix"]["mean_size"].as_f64().context("mean_size")? as u16;
        compare_trial(trial, &ledger.trials[0], mean)?;
    }
    Ok(())
}

fn by_size() -> Result<()> {
    let mut rig = Rig::new(Options::default())?;
    let opaque = |opaque| Script {
        forward: Faults { opaque: Some(opaque), ..Faults::default() },
        ..Script::default()
    };
    // 1,518 and more do not fit: each frame of that size is lost, and no other.
    let narrow = opaque(Opaque { drop_over: Some(1_517), ..Opaque::default() });
    let (found, _) = rig.run(&narrow, "1%", &arguments(GENOME, &[]))?;
    let result = ended(&found, FAIL, "fail")?;
    let trial = &trials(&result)?[0];
    let each = of_each(number(trial, "offered_frames")?);
    let expected: Vec<(u64, u64, u64)> =
        each.iter().map(|(size, count)| (*size, *count, if *size == 1518 { *count } else { 0 })).collect();
    ensure!(told(trial)? == expected, "{:?} for {expected:?}", told(trial)?);
    equal("lost_forward", number(trial, "lost_forward")?, each[2].1)?;
    // Cut to a size that the mix has too: damaged, and never taken for that size.
    let cutting = opaque(Opaque { truncate_over: Some(1_280), ..Opaque::default() });
    let (found, _) = rig.run(&cutting, "1%", &arguments(GENOME, &[]))?;
    let result = ended(&found, FAIL, "fail")?;
    let trial = &trials(&result)?[0];
    let each = of_each(number(trial, "offered_frames")?);
    equal("corrupted_forward", number(trial, "corrupted_forward")?, each[2].1)?;
    equal("lost", number(trial, "lost_forward")? + number(trial, "lost_return")?, 0)?;
    Ok(())
}
