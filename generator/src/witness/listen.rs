//! The monitor ports: opened, listened to, and what they themselves lost.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use kitproof_common::link::{self, LinkFacts};
use kitproof_common::port::Receive as _;
use kitproof_common::port::filter::Filter;
use kitproof_common::port::packet::PacketReceive;
use tokio::sync::watch;

use super::tally::Tally;
use crate::procedure::failure::Failure;

/// Frames taken from one port before the next has its turn.
const TURN: usize = 256;
/// How long a port is waited for before the others are looked at again. Each holds a tenth of a second of frames.
const NAP: Duration = Duration::from_millis(2);
/// What waits at the end is taken for so long at most.
const DRAIN: Duration = Duration::from_secs(1);
/// The longest frame (without FCS) on any of these ports: jumbo with two tags.
const LONGEST: usize = 9216 + 8;

/// One port and what it lost itself.
#[derive(Clone, Debug)]
pub struct Heard {
    pub facts: LinkFacts,
    /// Thrown away by the socket: nobody fetched them in time.
    pub socket_dropped: u64,
    /// Most that socket and port may have dropped, and the port's by which counters.
    pub bound: u64,
    pub places: BTreeMap<String, u64>,
    /// How often carrier came or went meanwhile; `None` for a port that is gone.
    pub carrier_changes: Option<u64>,
    /// Whether the port is known to count what it drops.
    pub counts_drops: bool,
    /// Damaged frames that the NIC did not hand over.
    pub caught_by_nic: BTreeMap<String, u64>,
}

/// Until when.
#[derive(Clone, Copy, Debug)]
pub struct Until {
    /// At the most.
    pub most: Duration,
    /// After so much silence, once a test frame has come.
    pub silence: Duration,
}

/// How a listener ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ended {
    Silence,
    TimeIsUp,
    Interrupted,
    /// A port went away; what was heard until then is kept.
    PortGone,
}

/// What was heard.
pub struct Listened {
    pub tally: Tally,
    pub ports: Vec<Heard>,
    pub ended: Ended,
}

/// Listens at `names`; `show` is told the number of test frames about once a second.
///
/// # Errors
/// No such interface, no permission.
pub async fn listen(
    names: &[String],
    until: Until,
    mut interrupt: watch::Receiver<bool>,
    mut show: impl FnMut(u64),
) -> Result<Listened, Failure> {
    let (mut before, mut ports) = (Vec::new(), Vec::new());
    for name in names {
        let facts = link::facts(name).await?;
        if !facts.admin_up {
            return Err(Failure::Environment(format!("{name} is down: ip link set {name} up")));
        }
        ports.push(PacketReceive::open(name, facts.index, LONGEST, &Filter::everything())?);
        before.push((facts, link::counters(name).await?));
    }
    let stop = Arc::new(AtomicBool::new(false));
    let count = Arc::new(AtomicU64::new(0));
    let thread = std::thread::spawn({
        let (stop, count) = (Arc::clone(&stop), Arc::clone(&count));
        move || hear(ports, until, &stop, &count)
    });
    let mut interrupted = *interrupt.borrow();
    while !thread.is_finished() && !interrupted {
        tokio::select! {
            _ = interrupt.changed() => interrupted = *interrupt.borrow(),
            () = tokio::time::sleep(Duration::from_millis(200)) => {}
        }
        show(count.load(Ordering::Relaxed));
    }
    stop.store(true, Ordering::Relaxed);
    let (tally, dropped, ended) = thread
        .join()
        .map_err(|_| Failure::Incomplete("the listening thread panicked: please report it".to_owned()))?;
    let (mut heard, mut vanished) = (Vec::new(), false);
    for ((facts, earlier), socket_dropped) in before.into_iter().zip(dropped) {
        // A port that is gone by now counts nothing any more.
        let later = link::counters(&facts.name).await.ok();
        vanished |= later.is_none();
        let gained = later.map(|later| later.since(&earlier));
        let carrier_changes = gained.as_ref().and_then(|gained| gained.carrier_changes);
        let drops = gained.map(|gained| link::bounds::bounds(&gained, &facts.kind)).unwrap_or_default();
        heard.push(Heard {
            facts,
            socket_dropped,
            // Two places, one behind the other: no frame is dropped at both.
            bound: drops.receive_bound.saturating_add(socket_dropped),
            places: drops.places,
            carrier_changes,
            counts_drops: drops.receive_known,
            caught_by_nic: drops.caught_by_nic,
        });
    }
    let ended = match ended {
        _ if vanished => Ended::PortGone,
        _ if interrupted => Ended::Interrupted,
        ended => ended,
    };
    Ok(Listened { tally, ports: heard, ended })
}

/// The listening thread: round and round over the ports.
fn hear(
    mut ports: Vec<PacketReceive>,
    until: Until,
    stop: &AtomicBool,
    count: &AtomicU64,
) -> (Tally, Vec<u64>, Ended) {
    let mut tally = Tally::default();
    let (begun, mut tests) = (Instant::now(), 0_u64);
    let (mut last, mut since, mut gone) = (None::<Instant>, None, false);
    let ended = loop {
        let mut moved = 0;
        for (number, port) in ports.iter_mut().enumerate() {
            let got = port.receive(TURN, &mut |frame, meta| {
                tests += u64::from(tally.take(number, frame, meta.arrived_ns));
            });
            match got {
                Ok(count) => moved += count,
                Err(_) => gone = true,
            }
        }
        if tests > count.load(Ordering::Relaxed) {
            count.store(tests, Ordering::Relaxed);
            last = Some(Instant::now());
        }
        // Other traffic must not keep it from ending, nor the end from taking what waits.
        let over = if gone {
            Some(Ended::PortGone)
        } else if stop.load(Ordering::Relaxed) {
            Some(Ended::Interrupted)
        } else if last.is_some_and(|last| last.elapsed() >= until.silence) {
            Some(Ended::Silence)
        } else if begun.elapsed() >= until.most {
            Some(Ended::TimeIsUp)
        } else {
            None
        };
        match over {
            Some(ended) if moved == 0 || since.get_or_insert_with(Instant::now).elapsed() >= DRAIN => {
                break ended;
            }
            Some(_) => {}
            None if moved == 0 => {
                if let Some(port) = ports.first_mut() {
                    gone = port.wait(NAP).is_err();
                }
            }
            None => {}
        }
    };
    // A port that is gone does not tell any more; its counters are not known then either.
    let dropped = ports.iter_mut().map(|port| port.dropped().unwrap_or(0)).collect();
    (tally, dropped, ended)
}
