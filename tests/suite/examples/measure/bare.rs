//! The bare loop: a constant frame out, two addresses swapped at the far end, a count at home. No header, no sequence,
//! no checks, no histogram.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use anyhow::{Result, anyhow};
use kitproof::engine::pin;
use kitproof_common::frame::{Encapsulation, FrameSpec, Template};
use kitproof_common::host;
use kitproof_common::port::clock::monotonic_ns;
use kitproof_common::port::{Receive, Transmit, Turn};

use crate::rates::{Held, Offer, at_the_end};

const BATCH: usize = 64;
/// From the threads' start to the first departure.
const LEAD_NS: u64 = 20_000_000;

/// Offers constant frames to ports of any kind. Without `turn` somebody else returns them.
pub(crate) fn offer<T, R, U>(
    mut transmit: T,
    receive: R,
    turn: Option<U>,
    spec: &FrameSpec,
    offer: Offer,
) -> Result<Held>
where
    T: Transmit + Send + 'static,
    R: Receive + Send + 'static,
    U: Turn + Send + 'static,
{
    fill(&mut transmit, spec)?;
    let stop = Arc::new(AtomicBool::new(false));
    let home = Arc::new(AtomicU64::new(0));
    let addressed = spec.encapsulation != Encapsulation::Datagram;
    let returning = turn.map(|turn| {
        let stop = Arc::clone(&stop);
        std::thread::spawn(move || returning(turn, addressed, &stop))
    });
    let receiving = {
        let (stop, home) = (Arc::clone(&stop), Arc::clone(&home));
        std::thread::spawn(move || receiving(receive, &stop, &home))
    };
    let start = monotonic_ns() + LEAD_NS;
    let sending = std::thread::spawn(move || sending(transmit, offer, start));
    let inside = at_the_end(start, offer, || home.load(Ordering::Relaxed));
    let sent = sending.join().map_err(|_| anyhow!("the sender was lost"))??;
    let mut last = u64::MAX;
    while home.load(Ordering::Relaxed) != last {
        last = home.load(Ordering::Relaxed);
        std::thread::sleep(Duration::from_millis(50));
    }
    stop.store(true, Ordering::Relaxed);
    for thread in returning.into_iter().chain([receiving]) {
        thread.join().map_err(|_| anyhow!("a thread was lost"))??;
    }
    Ok(Held { offered: sent, home: last, inside, rate: None })
}

/// The same frame in every slot.
pub(crate) fn fill(transmit: &mut impl Transmit, spec: &FrameSpec) -> Result<()> {
    let template = Template::new(spec)?;
    transmit.set_octets(template.octets())?;
    for index in 0..transmit.slots() {
        template.write(0, transmit.slot(index));
    }
    Ok(())
}

fn returning(mut turn: impl Turn, addressed: bool, stop: &AtomicBool) -> io::Result<()> {
    if let Some(first) = host::processors().first() {
        host::tie_to(*first);
    }
    while !stop.load(Ordering::Relaxed) {
        let turned = turn.turn(BATCH, &mut |frame, _| {
            if addressed {
                let (destination, source) = frame[..12].split_at_mut(6);
                destination.swap_with_slice(source);
            }
            true
        })?;
        if turned.received == 0 {
            turn.wait(Duration::from_millis(20))?;
        }
    }
    Ok(())
}

fn receiving(mut receive: impl Receive, stop: &AtomicBool, home: &AtomicU64) -> io::Result<()> {
    if let (_, Some(place)) = pin::places(&host::processors(), 0, 1) {
        host::tie_to(place);
    }
    let mut count = 0;
    while !stop.load(Ordering::Relaxed) {
        let arrived = receive.receive(BATCH, &mut |_, _| {})?;
        count += arrived as u64;
        home.store(count, Ordering::Relaxed);
        if arrived == 0 {
            std::thread::sleep(Duration::from_micros(200));
        }
    }
    Ok(())
}

/// How many frames left.
fn sending(mut transmit: impl Transmit, offer: Offer, start: u64) -> io::Result<u64> {
    if let (Some(place), _) = pin::places(&host::processors(), 0, 1) {
        host::tie_to(place);
    }
    let (mut sent, frames, deadline) = (0, offer.frames(), start + offer.give_up_ns());
    while sent < frames {
        let now = monotonic_ns();
        if now >= deadline {
            break;
        }
        // At most a minute: no overflow below 300 million frames/s.
        let due = (now.saturating_sub(start) * offer.rate / 1_000_000_000).min(frames);
        let first = sent as usize % transmit.slots();
        let room = transmit.room(first).min(transmit.slots() - first) as u64;
        let count = due.saturating_sub(sent).min(BATCH as u64).min(room);
        if count > 0 {
            sent += transmit.submit(first, count as usize)? as u64;
        } else {
            std::hint::spin_loop();
        }
    }
    transmit.flush()?;
    Ok(sent)
}
