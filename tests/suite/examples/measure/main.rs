//! What a frame costs, and how many go through: the measurements behind `scripts/cost` and `scripts/bench`.
//!
//! | arguments | what |
//! | --- | --- |
//! | `stage STAGE ENCAPSULATION TAGS SIZE check\|free FRAMES` | one stage once, for callgrind to count; prints nanoseconds a frame |
//! | `stage-time STAGE ENCAPSULATION TAGS SIZE check\|free` | the same several times: the best |
//! | `rates [packet\|xdp-user\|xdp\|udp] [SIZE [TOP [SECONDS]]]` | zero-loss rate of the pair beside a bare loop |
//! | `rates all [SECONDS [SIZE]]` | the same of every kind of port, in turn |
//! | `rates hold [SECONDS]` | 1 Gb/s of 512 and 256 bytes for a minute each, by the bare loop and by the pair |
//! | `rates offered [SECONDS]` | how true the offered load is to the intended one, up to the ceiling |
//! | `rates parts [SIZE [SECONDS]]` | as fast as it goes: which part of the pair costs what beside the bare loop |
//! | `receive [SIZE [RATE [SECONDS]]]` | processor time of a mapped ring beside that of batched calls |
//!
//! The stages are in [`stages`] (no operating system) and [`ports`] (ports over a veth).

mod bare;
mod ends;
mod meter;
mod ports;
mod prebuilt;
mod rates;
mod receiving;
mod stages;

use std::str::FromStr;

use anyhow::{Context, Result, bail};
use kitproof_common::frame::{Encapsulation, Fill, FrameSpec, MacAddr, Tag, Tags};

use crate::stages::Stage;

fn main() -> Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
    match arguments[..] {
        ["stage", stage, encapsulation, tags, size, fill, frames] => {
            let stage = Stage::new(stage, spec(encapsulation, tags, size)?, checked(fill)?)?;
            println!("{:.2}", stage.once(number(frames)? as usize)?);
            Ok(())
        }
        ["stage-time", stage, encapsulation, tags, size, fill] => {
            let stage = Stage::new(stage, spec(encapsulation, tags, size)?, checked(fill)?)?;
            println!("{:.1}", stage.best()?);
            Ok(())
        }
        ["rates", "all", ref rest @ ..] => rates::all(rest),
        ["rates", "hold", ref rest @ ..] => rates::hold(rest),
        ["rates", "offered", ref rest @ ..] => rates::offered(rest),
        ["rates", "parts", ref rest @ ..] => rates::parts(rest),
        ["rates", ref rest @ ..] => rates::one(rest),
        ["receive", ref rest @ ..] => receiving::compare(rest),
        _ => {
            bail!("wanted: stage, stage-time, rates or receive; see the head of tests/suite/examples/measure")
        }
    }
}

fn spec(encapsulation: &str, tags: &str, frame_size: &str) -> Result<FrameSpec> {
    let tags = match tags {
        "0" => Tags::none(),
        "1" => Tags::single(Tag::customer(100)),
        "2" => Tags::double(Tag::service(7), Tag::customer(100)),
        other => bail!("tags are 0, 1 or 2, not {other:?}"),
    };
    let spec =
        FrameSpec { tags, ..plain(Encapsulation::from_str(encapsulation)?, number(frame_size)? as u16) };
    spec.check()?;
    Ok(spec)
}

/// Frames without tags, between two addresses that mean nothing outside the bench.
fn plain(encapsulation: Encapsulation, frame_size: u16) -> FrameSpec {
    FrameSpec {
        encapsulation,
        tags: Tags::none(),
        dscp: 0,
        frame_size,
        source: MacAddr(0x06, 0x91, 0x07, 0x33, 0x5a, 0xfe),
        destination: MacAddr(0x02, 0x4b, 0x50, 0, 0, 1),
        session: 0xa55a,
        stream: 1,
        fill: Fill::Prbs,
        fill_seed: 1,
    }
}

fn checked(fill: &str) -> Result<bool> {
    match fill {
        "check" => Ok(true),
        "free" => Ok(false),
        other => bail!("the fill is checked (check) or not (free), not {other:?}"),
    }
}

fn number(text: &str) -> Result<u64> {
    text.parse().with_context(|| format!("not a whole number: {text:?}"))
}

/// The number at a place, if there is one.
fn number_at(arguments: &[&str], place: usize, otherwise: u64) -> Result<u64> {
    arguments.get(place).map_or(Ok(otherwise), |text| number(text))
}

/// Milliseconds of a time that is given in seconds.
fn milliseconds_at(arguments: &[&str], place: usize, otherwise: u64) -> Result<u64> {
    let Some(text) = arguments.get(place) else { return Ok(otherwise) };
    let seconds: f64 = text.parse().with_context(|| format!("not a time in seconds: {text:?}"))?;
    anyhow::ensure!((0.05..=60.0).contains(&seconds), "a trial takes 0.05 to 60 s, not {text}");
    Ok((seconds * 1e3) as u64)
}
