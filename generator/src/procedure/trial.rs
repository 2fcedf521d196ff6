//! One trial, from the learning frames to both ends' counts (RFC 2544, section 23).

use std::time::Duration;

use kitproof_common::control::Went;
use kitproof_common::control::client::AskError;
use kitproof_common::line::Offered;
use kitproof_common::link::{self, CarrierEvent, Counters, LinkFacts, PortDrops};
use tokio::sync::watch;
use tokio::time::Instant;

use super::failure::Failure;
use super::session::{Far, Session};
use crate::engine::Trial;
use crate::engine::latency::RoundTrips;
use crate::engine::progress::Reading;
use crate::engine::receive::Home;
use crate::engine::run::{Departures, Running};
use crate::engine::stamped::ByStamps;

/// How often the counters are looked at.
const TICK: Duration = Duration::from_millis(50);
/// Once every frame is home, a copy may still be under way: this much longer.
const LAST_COPIES: Duration = Duration::from_millis(30);
/// The residual wait starts anew while frames still arrive, but not for ever.
const RESIDUAL_AT_MOST: u32 = 15;
/// How long the counts of the far end are asked for when the link is up, and when it is known to be down.
const COUNTS: Duration = Duration::from_secs(8);
const COUNTS_LINK_DOWN: Duration = Duration::from_secs(3);

/// What one trial came to, before anyone judges it.
pub struct Outcome {
    pub trial: Trial,
    /// How its frames met the wire at this end.
    pub near: Went,
    /// What left and what came home, flow by flow.
    pub flows: Vec<(Departures, Home)>,
    /// What all flows offered together; of a trial whose rate is lowered, before that.
    pub load: Offered,
    /// What was offered at the lower rate.
    pub lowered: Option<Offered>,
    /// The round trips of all flows.
    pub round_trips: RoundTrips,
    /// The same of samples, by stamps of one clock.
    pub by_stamps: ByStamps,
    pub far: Result<Far, String>,
    /// This end's drop counters over the trial; `None` over UDP.
    pub near_drops: Option<PortDrops>,
    pub near_pauses: Option<(Option<u64>, Option<u64>)>,
    /// Carrier changes at this end.
    pub carrier: Vec<CarrierEvent>,
    /// When frame 0 was due, monotonic ns.
    pub start_ns: u64,
    /// Monotonic ns at which the far end was told to get ready.
    pub agreed_ns: u64,
    pub interrupted: bool,
    /// Link facts after the trial, where they can be had.
    pub near_facts: Option<LinkFacts>,
}

/// What is shown while a trial runs.
#[derive(Clone, Copy, Debug)]
pub struct Moment<'a> {
    pub trial: &'a Trial,
    pub reading: Reading,
    /// Since the first frame was due.
    pub elapsed: Duration,
    /// When it was due, monotonic ns.
    pub start_ns: u64,
    pub phase: Phase,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    Sending,
    Residual,
    Counting,
    Settling,
}

/// Runs one trial. `interrupt` turns true on Ctrl-C; the trial then ends early with what it has.
///
/// # Errors
/// The far end cannot be reached or refuses before the first frame; no port. Whatever happens later is a result.
pub async fn run(
    session: &mut Session,
    trial: Trial,
    residual: Duration,
    interrupt: &mut watch::Receiver<bool>,
    show: &mut dyn FnMut(Moment<'_>),
) -> Result<Outcome, Failure> {
    let name = session.near.link.as_ref().map(|link| link.name.clone());
    let before = counters(name.as_deref()).await;
    if let Some(watch) = &mut session.watch {
        while watch.try_next().is_some() {}
    }
    session.learn().await?;
    let (ports, near) = session.prepare(&trial).await?;
    session.start(&trial).await?;
    let agreed_ns = kitproof_common::port::clock::monotonic_ns();
    let mut carrier = Vec::new();
    if let Some(watch) = &mut session.watch {
        carrier.extend(std::iter::from_fn(|| watch.try_next()));
        if watch.is_up() {
            // A port that was opened may have taken the link down for a moment: no frame was under way.
            carrier.clear();
        }
    }
    let running = ports.launch(&trial)?;
    let start_ns = running.start_ns;

    let interrupted = send(&running, &trial, interrupt, show).await;
    wait_for_residue(&running, residual, |reading| reading.returned >= reading.offered, show, &trial).await;
    let far = fetch(session, &running, &trial, residual, show).await;

    let flows = match tokio::task::spawn_blocking(move || running.finish()).await {
        Ok(Ok(flows)) => flows,
        Ok(Err(error)) => return Err(Failure::Incomplete(error.to_string())),
        Err(error) => return Err(Failure::Incomplete(format!("a thread was lost: {error}"))),
    };
    let at_first = flows.first().and_then(|(departures, _)| departures.sent.before.clone());
    let loads: Vec<Offered> = flows.iter().map(|(departures, _)| departures.sent.load.clone()).collect();
    // The frames of a flow lie as far apart as so many of the trial.
    let interval_ns = trial.delay_ns(trial.pairs).saturating_add(1);
    let Some(load) = Offered::together(&loads, interval_ns) else {
        return Err(Failure::Incomplete("a trial without a flow".into()));
    };
    if let Some(watch) = &mut session.watch {
        // An interface that is gone is an event, and everything measured is kept.
        let _ = watch.refresh().await;
        carrier.extend(std::iter::from_fn(|| watch.try_next()));
    }
    let after = counters(name.as_deref()).await;
    let gained = before.zip(after).map(|(before, after)| after.since(&before));
    let kind = session.near.link.as_ref().map(|link| &link.kind);
    let near_facts = match &name {
        Some(name) => link::facts(name).await.ok(),
        None => None,
    };
    Ok(Outcome {
        near_drops: gained.as_ref().zip(kind).map(|(gained, kind)| link::bounds(gained, kind)),
        near_pauses: gained.as_ref().map(|gained| (gained.pause_rx, gained.pause_tx)),
        trial,
        near,
        round_trips: RoundTrips::together(flows.iter().map(|(_, home)| &home.round_trips)),
        by_stamps: ByStamps::together(flows.iter().map(|(_, home)| &home.by_stamps)),
        flows,
        lowered: at_first.is_some().then(|| load.clone()),
        load: at_first.unwrap_or(load),
        far,
        carrier,
        start_ns,
        agreed_ns,
        interrupted,
        near_facts,
    })
}

async fn counters(name: Option<&str>) -> Option<Counters> {
    link::counters(name?).await.ok()
}

/// Shows the sending until it is done; true if it was interrupted.
async fn send(
    running: &Running,
    trial: &Trial,
    interrupt: &mut watch::Receiver<bool>,
    show: &mut dyn FnMut(Moment<'_>),
) -> bool {
    let mut interrupted = false;
    while !running.sender_is_done() {
        tokio::select! {
            biased;
            stop = interrupt.wait_for(|stop| *stop), if !interrupted => {
                interrupted = stop.is_ok();
                running.stop();
            }
            () = tokio::time::sleep(TICK) => {}
        }
        if running.has_failed() {
            running.stop();
        }
        show(moment(running, trial, Phase::Sending));
    }
    interrupted
}

fn moment<'a>(running: &Running, trial: &'a Trial, phase: Phase) -> Moment<'a> {
    let now = kitproof_common::port::clock::monotonic_ns();
    Moment {
        trial,
        reading: running.read(),
        elapsed: Duration::from_nanos(now.saturating_sub(running.start_ns)),
        start_ns: running.start_ns,
        phase,
    }
}

/// Waits for frames still under way: until `home` says that all are, or until nothing has arrived for
/// `residual`.
async fn wait_for_residue(
    running: &Running,
    residual: Duration,
    home: impl Fn(Reading) -> bool,
    show: &mut dyn FnMut(Moment<'_>),
    trial: &Trial,
) {
    let begun = Instant::now();
    let mut last_arrival = begun;
    let mut arrivals = running.read().arrivals;
    loop {
        let reading = running.read();
        if home(reading) {
            tokio::time::sleep(LAST_COPIES).await;
            return;
        }
        if reading.arrivals != arrivals {
            arrivals = reading.arrivals;
            last_arrival = Instant::now();
        }
        if last_arrival.elapsed() >= residual || begun.elapsed() >= residual * RESIDUAL_AT_MOST {
            return;
        }
        tokio::time::sleep(Duration::from_millis(5)).await;
        show(moment(running, trial, Phase::Residual));
    }
}

/// The far end's counts, and the frames it returned while emptying its queues.
async fn fetch(
    session: &mut Session,
    running: &Running,
    trial: &Trial,
    residual: Duration,
    show: &mut dyn FnMut(Moment<'_>),
) -> Result<Far, String> {
    show(moment(running, trial, Phase::Counting));
    let patience = match session.watch.as_ref() {
        Some(watch) if !watch.is_up() => COUNTS_LINK_DOWN,
        _ => COUNTS,
    };
    let far =
        session.finish(trial.frame.session, trial.pairs, patience).await.map_err(|error| match error {
            AskError::Silent { .. } => "the reflector did not answer after the trial".to_owned(),
            other => other.to_string(),
        })?;
    let issued = far.flows.iter().map(|counts| counts.reflected).sum::<u64>();
    wait_for_residue(running, residual, |reading| reading.numbers >= issued, show, trial).await;
    Ok(far)
}
