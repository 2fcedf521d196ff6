//! A mapped ring beside batched calls: processor time per frame of the receiving thread, at one rate, in turn.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use anyhow::{Result, anyhow};
use kitproof_bench::enter;
use kitproof_common::frame::{Encapsulation, FrameSpec};
use kitproof_common::host;
use kitproof_common::port::clock::monotonic_ns;
use kitproof_common::port::transmit::SocketTransmit;
use kitproof_common::port::{Receive, Transmit};

use crate::ends::Ends;
use crate::rates::Offer;
use crate::{bare, milliseconds_at, number_at, plain};

const ROUNDS: usize = 3;

pub(crate) fn compare(arguments: &[&str]) -> Result<()> {
    let spec = plain(Encapsulation::Ipv4, number_at(arguments, 0, 64)? as u16);
    let offer = Offer {
        rate: number_at(arguments, 1, 100_000)?,
        milliseconds: milliseconds_at(arguments, 2, 1_000)?,
    };
    enter()?;
    host::raise_priority();
    let ends = Ends::new()?;
    println!("{} bytes at {}/s: processor time of the receiving thread", spec.frame_size, offer.rate);
    for round in 1..=ROUNDS {
        let ring = cost(ends.far_sender(&spec)?, ends.near_ring(&spec)?, &spec, offer)?;
        let calls = cost(ends.far_sender(&spec)?, ends.near_calls(&spec)?, &spec, offer)?;
        println!(
            "round {round}: ring {:.0} ns a frame, {} lost; calls {:.0} ns a frame, {} lost",
            ring.0, ring.1, calls.0, calls.1
        );
    }
    Ok(())
}

/// Frames as the far end sends them of itself.
pub(crate) fn homeward(spec: &FrameSpec) -> FrameSpec {
    FrameSpec { source: spec.destination, destination: spec.source, ..*spec }
}

/// Processor time per frame of one receiver, and what it lost. The frames come straight from the far end's port.
fn cost<R: Receive + Send + 'static>(
    mut transmit: SocketTransmit,
    mut receive: R,
    spec: &FrameSpec,
    offer: Offer,
) -> Result<(f64, u64)> {
    let stop = Arc::new(AtomicBool::new(false));
    let receiving = {
        let stop = Arc::clone(&stop);
        std::thread::spawn(move || -> std::io::Result<(u64, u64)> {
            let mut count = 0;
            loop {
                let arrived = receive.receive(64, &mut |_, _| {})?;
                count += arrived as u64;
                if arrived == 0 {
                    if stop.load(Ordering::Relaxed) {
                        let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
                        return Ok((count, time.tv_sec as u64 * 1_000_000_000 + time.tv_nsec as u64));
                    }
                    std::thread::sleep(Duration::from_micros(200));
                }
            }
        })
    };
    bare::fill(&mut transmit, &homeward(spec))?;
    let (start, frames) = (monotonic_ns(), offer.frames());
    let mut sent = 0;
    while sent < frames {
        let due = (monotonic_ns().saturating_sub(start) * offer.rate / 1_000_000_000).min(frames);
        let count = due.saturating_sub(sent).min(transmit.slots() as u64);
        if count > 0 {
            sent += transmit.submit(0, count as usize)? as u64;
        }
    }
    std::thread::sleep(Duration::from_millis(50));
    stop.store(true, Ordering::Relaxed);
    let (count, time) = receiving.join().map_err(|_| anyhow!("the receiver was lost"))??;
    Ok((time as f64 / count.max(1) as f64, sent - count.min(sent)))
}
