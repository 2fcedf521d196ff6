//! A round on the wire: sent by one end, listened for by the other. Packet sockets and a plain thread; nothing is in a hurry.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use pnet_base::MacAddr;

use super::{COPIES, PER_SECOND, Probe, Round, Seen, Tally};
use crate::port::filter::Filter;
use crate::port::packet::{self, PacketReceive};
use crate::port::{OpenError, Receive, Transmit};

/// How long a listener waits for a frame before it looks whether it is to end.
const WAIT: Duration = Duration::from_millis(10);
/// How often a frame is offered to a port that has no room, a millisecond apart.
const PATIENCE: u32 = 100;
/// Octets that a frame may gain on its way and still be seen whole.
const SPARE: usize = 16;

/// A thread that looks for the probes of a round. Dropped, it ends.
pub struct Listener {
    stop: Arc<AtomicBool>,
    tally: Arc<Mutex<Tally>>,
    tag: u16,
    thread: Option<JoinHandle<()>>,
}

impl Listener {
    /// Listens on an interface for frames of up to `largest` octets, without FCS; whatever arrives is looked at, the
    /// interface in promiscuous mode.
    ///
    /// # Errors
    /// No permission, no such interface, no thread.
    pub fn start(interface: &str, index: u32, largest: usize, tally: Tally) -> Result<Self, OpenError> {
        let mut port = PacketReceive::open(interface, index, largest + SPARE, &Filter::everything())?;
        let stop = Arc::new(AtomicBool::new(false));
        let tag = tally.round().tag;
        let tally = Arc::new(Mutex::new(tally));
        let (told, shared) = (Arc::clone(&stop), Arc::clone(&tally));
        let thread = std::thread::Builder::new()
            .name("probes".into())
            .spawn(move || listen(&mut port, &shared, &told))
            .map_err(|source| OpenError::at(interface, "starting a thread", source))?;
        Ok(Self { stop, tally, tag, thread: Some(thread) })
    }

    /// Which round it listens for.
    #[must_use]
    pub fn tag(&self) -> u16 {
        self.tag
    }

    /// What came so far, item by item.
    #[must_use]
    pub fn seen(&self) -> Vec<Seen> {
        self.tally.lock().unwrap_or_else(PoisonError::into_inner).seen().to_vec()
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn listen(port: &mut PacketReceive, tally: &Mutex<Tally>, stop: &AtomicBool) {
    while !stop.load(Ordering::Relaxed) {
        let arrived = port.receive(64, &mut |frame, _| {
            tally.lock().unwrap_or_else(PoisonError::into_inner).take(frame);
        });
        match arrived {
            Ok(1..) => {}
            Ok(0) => {
                let _ = port.wait(WAIT);
            }
            // The interface may come back.
            Err(_) => std::thread::sleep(WAIT),
        }
    }
}

/// Sends every copy of every probe of a round, a millisecond apart; how many the port did not take. Takes as many
/// milliseconds as there are frames.
///
/// # Errors
/// A port that cannot be opened.
pub fn send(
    interface: &str,
    index: u32,
    round: &Round,
    source: MacAddr,
    unicast: MacAddr,
) -> Result<u64, OpenError> {
    let largest = round.items.iter().map(|item| usize::from(item.1)).max().unwrap_or(64);
    let mut port = packet::transmit(interface, index, largest)?;
    let mut refused = 0;
    for copy in 0..COPIES {
        for item in 0..round.items.len() {
            let probe = Probe { item: item as u8, copy };
            let sent = round.frame(probe, source, unicast).is_some_and(|frame| submit(&mut port, &frame));
            refused += u64::from(!sent);
            std::thread::sleep(Duration::from_micros(1_000_000 / PER_SECOND));
        }
    }
    Ok(refused)
}

fn submit(port: &mut impl Transmit, frame: &[u8]) -> bool {
    if port.set_slot_octets(0, frame.len()).is_err() {
        return false;
    }
    port.slot(0)[..frame.len()].copy_from_slice(frame);
    for _ in 0..PATIENCE {
        match port.submit(0, 1) {
            Ok(0) => std::thread::sleep(Duration::from_millis(1)),
            Ok(_) => return true,
            Err(_) => return false,
        }
    }
    false
}
