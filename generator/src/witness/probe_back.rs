//! The other way round: what is sent into the monitor port must never appear in the link.

use std::time::{Duration, Instant};

use kitproof_common::control::random;
use kitproof_common::link;
use kitproof_common::port::Receive as _;
use kitproof_common::port::control::ControlPort;
use kitproof_common::port::filter::Filter;
use kitproof_common::port::packet::PacketReceive;
use kitproof_common::probe::{Item, Kind, Probe, Round};
use pnet_base::MacAddr;
use tokio::sync::watch;

use crate::procedure::failure::Failure;
use crate::report::grouped;
use crate::verdict::Reason;

/// Copies of each probe.
const COPIES: u8 = 100;
/// Between two probes: a thousand a second.
const GAP: Duration = Duration::from_millis(1);
/// What comes late still counts.
const LINGER: Duration = Duration::from_millis(500);
/// The kinds that a bridge inside the kit would send on, and those that it would take for itself.
const KINDS: [Kind; 5] = [Kind::Untagged, Kind::Broadcast, Kind::Multicast, Kind::OneTag, Kind::UnknownType];
const SIZES: [u16; 2] = [64, 1518];
const LONGEST: usize = 1518 + 8;

/// What one monitor port let through.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Probed {
    pub monitor: String,
    pub sent: u64,
    /// Probes the port did not take.
    pub refused: u64,
    /// Probes seen at each port of the link.
    pub seen: Vec<(String, u64)>,
}

/// Sends probes into each monitor port, and looks for them at the ports of the link that are on this machine.
///
/// # Errors
/// No such interface, no permission.
pub async fn probe(
    monitors: &[String],
    links: &[String],
    interrupt: &watch::Receiver<bool>,
) -> Result<Vec<Probed>, Failure> {
    let mut probed = Vec::new();
    for monitor in monitors {
        let facts = link::facts(monitor).await?;
        let into = ControlPort::open(monitor, facts.index, &Filter::addresses(&[], &[]))?;
        let mut listening = Vec::new();
        for name in links {
            let facts = link::facts(name).await?;
            listening.push((
                name.clone(),
                PacketReceive::open(name, facts.index, LONGEST, &Filter::everything())?,
            ));
        }
        let source = facts.mac.unwrap_or(MacAddr(0x02, 0x6B, 0x70, 0, 0, 9));
        let round = Round {
            tag: (random() as u16).max(1),
            items: KINDS.iter().flat_map(|kind| SIZES.map(|size| Item(*kind, size))).collect(),
        };
        let interrupt = interrupt.clone();
        let name = monitor.clone();
        let work =
            tokio::task::spawn_blocking(move || one(&name, &into, listening, &round, source, &interrupt));
        let done =
            work.await.map_err(|error| Failure::Incomplete(format!("the probes ended early: {error}")))?;
        probed.push(done?);
    }
    Ok(probed)
}

/// The address probes go to where they go to one: of nobody.
const NOBODY: MacAddr = MacAddr(0x02, 0x6B, 0x70, 0, 0, 8);

fn one(
    monitor: &str,
    into: &ControlPort,
    mut listening: Vec<(String, PacketReceive)>,
    round: &Round,
    source: MacAddr,
    interrupt: &watch::Receiver<bool>,
) -> Result<Probed, Failure> {
    let mut probed = Probed {
        monitor: monitor.to_owned(),
        sent: 0,
        refused: 0,
        seen: listening.iter().map(|(name, _)| (name.clone(), 0)).collect(),
    };
    let mut look = |probed: &mut Probed| -> Result<(), Failure> {
        for ((name, port), (_, seen)) in listening.iter_mut().zip(&mut probed.seen) {
            let mut found = 0;
            port.receive(4096, &mut |frame, _| {
                found += u64::from(round.recognise(frame, source, NOBODY).is_some());
            })
            .map_err(|error| {
                Failure::Incomplete(format!("{name} is gone ({error}): see that it is plugged in"))
            })?;
            *seen += found;
        }
        Ok(())
    };
    let mut due = Instant::now();
    'all: for copy in 0..COPIES {
        for item in 0..round.items.len() as u8 {
            if *interrupt.borrow() {
                break 'all;
            }
            let Some(frame) = round.frame(Probe { item, copy }, source, NOBODY) else { continue };
            match into.send(&frame) {
                Ok(()) => probed.sent += 1,
                Err(_) => probed.refused += 1,
            }
            due += GAP;
            std::thread::sleep(due.saturating_duration_since(Instant::now()));
            look(&mut probed)?;
        }
    }
    let until = Instant::now() + LINGER;
    while Instant::now() < until {
        std::thread::sleep(Duration::from_millis(10));
        look(&mut probed)?;
    }
    Ok(probed)
}

/// What that says.
#[must_use]
pub fn reasons(probed: &[Probed]) -> Vec<Reason> {
    let mut reasons = Vec::new();
    for Probed { monitor, sent, refused, seen } in probed {
        let all: u64 = seen.iter().map(|(_, count)| count).sum();
        let places: Vec<&str> = seen.iter().map(|(name, _)| name.as_str()).collect();
        if all > 0 {
            let where_seen: Vec<String> = seen
                .iter()
                .filter(|(_, count)| *count > 0)
                .map(|(name, count)| format!("{} at {name}", grouped(*count)))
                .collect();
            reasons.push(Reason::fail(
                "monitor_side_leaks",
                format!("Of {} frames sent into {monitor}, {} came out in the link.", grouped(*sent), where_seen.join(", ")),
                "Whoever is plugged into this monitor port can speak into the customer's link: do not use this tap inline.",
            ));
        } else if *sent == 0 {
            reasons.push(Reason::unproven(
                "probes_not_sent",
                format!("{monitor} took none of {} frames: it has no carrier, or is held down.", grouped(*refused)),
                "A monitor port that gives no link to a sender cannot be probed: note that, and see that the cord is in.",
            ));
        } else {
            reasons.push(Reason::note(
                "monitor_side_is_silent",
                format!("Of {} frames sent into {monitor}, none came out at {}.", grouped(*sent), places.join(" or ")),
                "What came out at a port that was not listened to is not known: name both ends of the link with --link, twice.",
            ));
        }
    }
    reasons
}
