//! The stages that are a port's, over real ports of every kind: a veth between two namespaces, UDP over loopback.
//!
//! | stage | per frame |
//! | --- | --- |
//! | `submit-packet`, `submit-xdp`, `submit-udp` | 64 frames handed to the kernel at a time; nobody takes them at the far end (UDP: emptied unmeasured) |
//! | `return-packet`, `return-xdp`, `return-udp` | the reflector's port without the reflector: received and sent back untouched |
//! | `receive-packet`, `receive-xdp`, `receive-udp`, `receive-calls` | a visit that reads the frame's first octet; `calls` is a packet socket without a ring |
//! | `kernel`, `kernel-bare` | the reflector inside the kernel, and a program that only swaps addresses: nanoseconds as the kernel itself tells them |
//!
//! What is received or returned was sent by a thread on another processor, so that frames come out of its cache, as those
//! of a network card do at best. Callgrind sees user space only: it counts nothing of the system calls.

use std::hint::black_box;
use std::time::{Duration, Instant};

use anyhow::{Result, bail, ensure};
use kitproof::engine::pin;
use kitproof_common::frame::FrameSpec;
use kitproof_common::host;
use kitproof_common::port::transmit::SocketTransmit;
use kitproof_common::port::xdp::Rehearsal;
use kitproof_common::port::{Receive, Transmit, Turn};

use crate::bare;
use crate::ends::Ends;
use crate::meter::Meter;
use crate::receiving::homeward;

const BATCH: usize = 64;
/// Frames that wait at a time in a ring, and in a UDP socket, whose buffer the system limits.
const IN_RING: usize = 4_096;
const IN_SOCKET: usize = 64;
/// Until then what was sent has arrived.
const PATIENCE: Duration = Duration::from_secs(1);
/// Runs of a program in the kernel.
const REPEAT: u32 = 1_000_000;

/// Nanoseconds a frame, if the stage is one of these.
pub(crate) fn stage(
    name: &str,
    spec: &FrameSpec,
    fill_check: bool,
    frames: usize,
    meter: &mut Meter,
) -> Result<Option<f64>> {
    match name {
        "kernel" => return Ok(Some(Rehearsal::new(spec, fill_check)?.reflector(REPEAT)?)),
        "kernel-bare" => return Ok(Some(Rehearsal::new(spec, fill_check)?.bounce(REPEAT)?)),
        _ => {}
    }
    let Some((what, kind)) = name.split_once('-') else { return Ok(None) };
    let ends = Ends::new()?;
    let far = homeward(spec);
    match (what, kind) {
        ("submit", "packet") => submit(&mut ends.near_sender(spec)?, spec, frames, meter, || Ok(()))?,
        ("submit", "xdp") => submit(&mut ends.near_xdp(spec)?.0, spec, frames, meter, || Ok(()))?,
        ("submit", "udp") => {
            let (mut transmit, _, mut turn) = ends.udp(spec)?;
            submit(&mut transmit, spec, frames, meter, || empty(&mut turn))?;
        }
        ("return", "packet") => {
            let (sender, turn) = (ends.near_sender(spec)?, ends.far_packet(spec)?);
            returned(sender, turn, spec, frames, IN_RING, meter, || Ok(()))?;
        }
        ("return", "xdp") => {
            let (sender, turn) = (ends.near_sender(spec)?, ends.far_xdp(spec)?);
            returned(sender, turn, spec, frames, IN_RING, meter, || Ok(()))?;
        }
        ("return", "udp") => {
            let (transmit, mut receive, turn) = ends.udp(spec)?;
            returned(transmit, turn, spec, frames, IN_SOCKET, meter, || empty(&mut receive))?;
        }
        ("receive", "packet") => {
            received(ends.far_sender(spec)?, ends.near_ring(spec)?, &far, frames, IN_RING, meter)?;
        }
        ("receive", "xdp") => {
            received(ends.far_sender(spec)?, ends.near_xdp(spec)?.1, &far, frames, IN_RING, meter)?;
        }
        ("receive", "calls") => {
            received(ends.far_sender(spec)?, ends.near_calls(spec)?, &far, frames, IN_SOCKET, meter)?;
        }
        ("receive", "udp") => {
            let (transmit, _receive, turn) = ends.udp(spec)?;
            received(transmit, turn, spec, frames, IN_SOCKET, meter)?;
        }
        _ => bail!("no stage is called {name:?}"),
    }
    Ok(Some(meter.nanoseconds as f64 / frames as f64))
}

/// Takes what waits.
fn empty(port: &mut impl Receive) -> Result<()> {
    while port.receive(BATCH, &mut |_, _| {})? > 0 {}
    Ok(())
}

fn submit(
    transmit: &mut impl Transmit,
    spec: &FrameSpec,
    frames: usize,
    meter: &mut Meter,
    mut after: impl FnMut() -> Result<()>,
) -> Result<()> {
    bare::fill(transmit, spec)?;
    let mut some = |count: usize, meter: &mut Meter| -> Result<()> {
        let mut sent = 0;
        while sent < count {
            sent += meter.measure(|| {
                let first = sent % transmit.slots();
                let room = transmit.room(first).min(transmit.slots() - first);
                transmit.submit(first, room.min(BATCH).min(count - sent))
            })?;
            after()?;
        }
        Ok(())
    };
    some(frames.min(IN_RING), &mut Meter::default())?;
    some(frames, meter)
}

/// Sends some frames from another processor, all of the same octets.
fn fill_from_elsewhere(transmit: &mut SocketTransmit, count: usize) -> Result<()> {
    std::thread::scope(|scope| {
        let sending = scope.spawn(|| -> Result<()> {
            if let (_, Some(place)) = pin::places(&host::processors(), 0, 1) {
                host::tie_to(place);
            }
            let mut sent = 0;
            while sent < count {
                sent += transmit.submit(0, BATCH.min(count - sent))?;
            }
            Ok(())
        });
        sending.join().map_err(|_| anyhow::anyhow!("the sender was lost"))?
    })
}

fn received(
    mut transmit: SocketTransmit,
    mut receive: impl Receive,
    spec: &FrameSpec,
    frames: usize,
    at_a_time: usize,
    meter: &mut Meter,
) -> Result<()> {
    bare::fill(&mut transmit, spec)?;
    in_rounds(frames, at_a_time, meter, |count, meter| {
        fill_from_elsewhere(&mut transmit, count)?;
        all_of(count, || {
            Ok(meter.measure(|| {
                receive.receive(BATCH, &mut |frame, meta| {
                    black_box((frame[0], meta.arrived_ns));
                })
            })?)
        })
    })
}

fn returned(
    mut transmit: SocketTransmit,
    mut turn: impl Turn,
    spec: &FrameSpec,
    frames: usize,
    at_a_time: usize,
    meter: &mut Meter,
    mut after: impl FnMut() -> Result<()>,
) -> Result<()> {
    bare::fill(&mut transmit, spec)?;
    in_rounds(frames, at_a_time, meter, |count, meter| {
        fill_from_elsewhere(&mut transmit, count)?;
        all_of(count, || {
            let turned = meter.measure(|| {
                turn.turn(BATCH, &mut |frame, meta| {
                    black_box((frame[0], meta.arrived_ns));
                    true
                })
            })?;
            ensure!(turned.refused == 0, "{} frames were refused", turned.refused);
            Ok(turned.received)
        })?;
        after()
    })
}

/// Rounds of so many frames, one of them for nothing.
fn in_rounds(
    frames: usize,
    at_a_time: usize,
    meter: &mut Meter,
    mut round: impl FnMut(usize, &mut Meter) -> Result<()>,
) -> Result<()> {
    round(at_a_time, &mut Meter::default())?;
    let mut done = 0;
    while done < frames {
        let count = at_a_time.min(frames - done);
        round(count, meter)?;
        done += count;
    }
    Ok(())
}

/// Until so many have come.
fn all_of(count: usize, mut step: impl FnMut() -> Result<usize>) -> Result<()> {
    let (mut seen, since) = (0, Instant::now());
    while seen < count {
        seen += step()?;
        ensure!(since.elapsed() < PATIENCE, "{} of {count} frames never came", count - seen.min(count));
    }
    Ok(())
}
