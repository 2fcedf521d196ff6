//! Interruption: traffic at a stated load while a person pulls the power of a piece; every outage of each direction.
//!
//! Forward is seen by the generator's frames at the reflector. On return the reflector sends numbered frames of its own
//! beside those that it returns, so that each direction is seen while the other is dark; both streams share the return
//! way, and the load is half of it at most. The returned frames are accounted for as in any trial.

pub mod pulls;
mod reasons;

use std::time::Duration;

use kitproof_common::control::watched::{FarWatch, OwnSent};
use kitproof_common::line::{FrameRate, Load};
use kitproof_common::sequence::gaps::{Recorded, unwrapped};
use tokio::sync::watch;

use pulls::Pulls;
use reasons::Facts;

use super::failure::Failure;
use super::judged::Judged;
use super::plan::{Length, Offer, Target, Via, Wanted};
use super::runner::{Finished, Run, Runner, Seen, Show};
use crate::engine;
use crate::method::outages::{
    self, CarrierChange, Direction, End, Kind, Observed, Outages, Sender, outages, threshold_ns,
};
use crate::report::{self, Findings, OutageKind, OutageLength};
use crate::statistics::summary::Summary;
use crate::verdict::{Outcome, Reason};

/// The frame size where none is asked for, bytes including FCS.
const FRAME_SIZE: u16 = 512;
/// Where the driver does not tell how long its transmit ring is: what is common (no source).
const RING: u64 = 256;

/// What the person reads before the traffic starts.
pub const CAUTION: &str = "Pull and restore the power of the piece under test while traffic runs. Pull the lead at its plug, \
                           never open equipment, and let whoever is licensed for it do anything else; local codes and the \
                           site's rules come first.";

/// What is asked for beside what every run is.
#[derive(Clone, Copy, Debug)]
pub struct Options {
    /// The longest outage that passes.
    pub longest_outage: Option<Duration>,
    /// The person is told when to pull; without it, only beforehand.
    pub pulls: Option<Pulls>,
    /// Prove the unpowered path afterwards, also where nobody can be asked; and for how long.
    pub prove_unpowered: bool,
    pub prove_for: Duration,
}

impl Options {
    /// Nothing but the watch.
    pub const WATCH: Options =
        Options { longest_outage: None, pulls: None, prove_unpowered: false, prove_for: Duration::ZERO };
}

/// Watches for the time that was asked for.
///
/// # Errors
/// Only before the traffic starts; after that everything is a result.
pub async fn run(
    options: Options,
    wanted: Wanted,
    target: Target,
    interrupt: watch::Receiver<bool>,
    show: &mut dyn Show,
) -> Result<Finished, Failure> {
    let mut wanted = wanted;
    if let Some(pulls) = &options.pulls {
        wanted.duration = pulls.duration();
    }
    let prompt = match &options.pulls {
        Some(pulls) => {
            format!("you will be told when to pull and to restore the power, {} times", pulls.count)
        }
        None => "pull the power, wait a few seconds, restore it".to_owned(),
    };
    let prompts = options.pulls.as_ref().map(Pulls::prompts).unwrap_or_default();
    let mut runner = open(FRAME_SIZE, wanted, target, interrupt, show).await?;
    let seen = watch_while(&mut runner, &prompt, prompts).await?;
    let proved = prove_unpowered(options, &mut runner).await?;
    let run = runner.close().await;
    let (mut finished, ways) = finished(options, run, &seen);
    let outages = || ways.iter().flat_map(|way| &way.found.outages);
    if let Some(pulls) = &options.pulls {
        finished.reasons.extend(unseen(&pulls.unseen(outages()), pulls.count, options));
    }
    if proved {
        let verdicts = finished.run.trials.iter().skip(1);
        let reasons = verdicts.flat_map(|judged| {
            judged.verdict.reasons.iter().map(|reason| reason.clone().at(judged.outcome.trial.frame_size()))
        });
        finished.reasons.extend(reasons);
    }
    finished.outcome = Outcome::where_judged(&finished.reasons, options.longest_outage.is_some() || proved);
    Ok(finished)
}

/// Pulls at which nothing was seen.
fn unseen(pulls: &[u32], of: u32, options: Options) -> Option<Reason> {
    let numbers: Vec<String> = pulls.iter().map(u32::to_string).collect();
    let text = format!("Nothing was seen at {} of {of} pulls (number {}).", pulls.len(), numbers.join(", "));
    let advice =
        "Either the piece passes frames without a gap, or nobody pulled: run it again if you do not know.";
    (!pulls.is_empty()).then(|| match options.longest_outage {
        Some(_) => Reason::unproven("pulls_unseen", text, advice),
        None => Reason::note("pulls_unseen", text, advice),
    })
}

/// Proves the path without power at full rate, for a full trial: asked for where somebody can answer, done at once where it
/// was demanded. Whether it was done.
async fn prove_unpowered(options: Options, runner: &mut Runner<'_>) -> Result<bool, Failure> {
    if runner.interrupted() || options.prove_for.is_zero() {
        return Ok(false);
    }
    let unattended = runner.plan.wanted.unattended;
    if !unattended {
        let text = "now the path without power: take the power away, and press Enter to prove it at full rate, or type skip";
        runner.say(text);
    }
    let asked = tokio::task::spawn_blocking(move || pulls::asked(unattended));
    let go = asked.await.ok().flatten().unwrap_or(options.prove_unpowered);
    if !go {
        return Ok(false);
    }
    let offer = Offer {
        load: Load::FULL,
        length: Length::Time(options.prove_for),
        ..runner.plan.offer(runner.plan.sizes[0])
    };
    Ok(runner.trial(&offer, "without power:").await?.is_ok())
}

/// A run that can be watched, with frames of `frame_size` where none is asked for.
///
/// # Errors
/// As [`run`].
pub(super) async fn open<'a>(
    frame_size: u16,
    wanted: Wanted,
    target: Target,
    interrupt: watch::Receiver<bool>,
    show: &'a mut dyn Show,
) -> Result<Runner<'a>, Failure> {
    let wanted = checked(wanted, frame_size, &target)?;
    let runner = Runner::open(wanted, target, interrupt, show).await?;
    let size = runner.plan.sizes[0];
    let (load, line) = (runner.plan.wanted.load, runner.plan.line);
    let rate = load.rate(line, size).map_err(|error| Failure::Usage(error.to_string()))?;
    let full = Load::FULL.rate(line, size).map_err(|error| Failure::Usage(error.to_string()))?;
    if rate.per_second() * 2.0 > full.per_second() {
        return Err(Failure::Usage(format!(
            "--load {load}: returned frames and the reflector's own share the return way, 50% at most"
        )));
    }
    Ok(runner)
}

/// Watches one trial while somebody does what the `prompt` says, and the `prompts` at their times.
///
/// # Errors
/// As [`run`].
pub(super) async fn watch_while(
    runner: &mut Runner<'_>,
    prompt: &str,
    prompts: Vec<(Duration, String)>,
) -> Result<Seen, Failure> {
    let seconds = runner.plan.wanted.duration.as_secs_f64();
    if !runner.plan.wanted.unattended {
        runner.say(CAUTION);
    }
    runner.say(&format!(
        "traffic runs for {seconds} s from now on: {prompt}; Ctrl-C ends it and keeps what was seen"
    ));
    let offer = runner.plan.offer(runner.plan.sizes[0]);
    runner.watched(&offer, prompts, |trial| threshold_ns(trial.rate)).await
}

/// One frame size, one flow, packet sockets.
fn checked(mut wanted: Wanted, frame_size: u16, target: &Target) -> Result<Wanted, Failure> {
    if matches!(target, Target::Udp(_)) {
        return Err(Failure::Usage("an interruption is watched on an interface, not over UDP".into()));
    }
    if wanted.frame_sizes.get_or_insert_with(|| vec![frame_size]).len() != 1 {
        return Err(Failure::Usage("--frame-size: an interruption is watched with one frame size".into()));
    }
    if wanted.pairs != 1 {
        return Err(Failure::Usage("--pairs: an interruption is watched with one pair".into()));
    }
    if wanted.via == Via::Xdp {
        return Err(Failure::Usage("--via xdp: an interruption is watched by packet sockets".into()));
    }
    wanted.via = Via::Packet;
    Ok(wanted)
}

/// One direction, as far as it was seen.
pub(super) struct Way {
    pub(super) direction: Direction,
    pub(super) found: Outages,
    rate: FrameRate,
    /// What its sender offered, and what it should have by the time it ended.
    offered: u64,
    planned: u64,
    /// Distinct and intact; `None` where the far end's counts were not heard.
    arrived: Option<u64>,
    /// Why its sender ended before its time, if it did.
    failure: Option<String>,
    /// A host took its own link down at one end.
    host_took_link_down: bool,
}

impl Way {
    fn lost_in_outages(&self) -> u64 {
        self.found.outages.iter().map(|outage| outage.frames_lost).sum()
    }

    /// Lost, and in no outage; 0 where that is not known.
    fn lost_elsewhere(&self) -> u64 {
        let lost = self.arrived.map_or(0, |arrived| self.offered.saturating_sub(arrived));
        lost.saturating_sub(self.lost_in_outages())
    }
}

/// What it came to, and each direction that was seen.
pub(super) fn finished(options: Options, run: Run, seen: &Seen) -> (Finished, Vec<Way>) {
    let mut findings = Findings::default();
    let mut reasons = Vec::new();
    let mut ways = Vec::new();
    // A proof of the unpowered path comes after it.
    if let Some(judged) = run.trials.first() {
        ways = self::ways(judged, seen, &run);
        reasons = reasons::all(&Facts {
            limit_ns: options.longest_outage.map(|limit| limit.as_nanos() as u64),
            far_end_unheard: seen.far.as_ref().err().map(String::as_str),
            stepped: seen.near.stepped || seen.far.as_ref().is_ok_and(|far| far.stepped),
            pauses_untold: seen
                .far
                .as_ref()
                .map_or(0, |far| far.gaps.saturating_sub(far.recorded.gaps.len() as u64)),
            carrier_untold: carrier_untold(judged, seen),
            interrupted: run.interrupted,
            ways: &ways,
        });
        reasons.extend(link_after(&run, judged));
        reasons = reasons.into_iter().map(|reason| reason.at(judged.offer.frame_size)).collect();
        for way in &ways {
            findings.outages.extend(way.found.outages.iter().map(outage));
            findings.interruption.push(interruption(way));
        }
    }
    let outcome = Outcome::where_judged(&reasons, options.longest_outage.is_some());
    (Finished { run, outcome, reasons, findings }, ways)
}

/// Each direction of a watched trial that was seen.
pub(super) fn ways(judged: &Judged, seen: &Seen, run: &Run) -> Vec<Way> {
    let forward = seen.far.as_ref().ok().map(|far| forward(judged, far, run));
    forward.into_iter().chain([homeward(judged, seen, run)]).collect()
}

/// Changes of carrier at the generator and at the reflector during a trial, both on the generator's clock.
pub(super) fn changes(judged: &Judged) -> (Vec<CarrierChange>, Vec<CarrierChange>) {
    let near = near_changes(judged, End::Receiving, |ns| ns);
    (near, far_changes(judged, End::Sending, judged.outcome.agreed_ns))
}

/// The generator's frames, seen at the reflector.
fn forward(judged: &Judged, far: &FarWatch, run: &Run) -> Way {
    let outcome = &judged.outcome;
    let trial = &outcome.trial;
    let offered: u64 = outcome.flows.iter().map(|(departures, _)| departures.sent.offered).sum();
    let stopped_ns = outcome.flows.iter().map(|(departures, _)| departures.stopped_ns).max().unwrap_or(0);
    let failure = outcome.flows.iter().find_map(|(departures, _)| departures.failure.as_ref());
    // One that was stopped, or lost its port, has nothing more to offer; another may end late, never early.
    let nominal_ns = outcome.start_ns + trial.rate.time_of(trial.frames);
    let cut_short = outcome.interrupted || failure.is_some();
    let sender = Sender {
        rate: trial.rate,
        frames: offered,
        first_departure_ns: outcome.start_ns,
        planned_end_ns: if cut_short { stopped_ns } else { nominal_ns.max(outcome.load.last_ns) },
        in_flight: u64::from(trial.burst.max(trial.ahead)) + ring(run),
    };
    let to_sender = |ns: u64| (ns.saturating_sub(far.agreed_ns)).saturating_add(outcome.agreed_ns);
    let recorded = on_the_senders_clock(&far.recorded, &sender, Some(&to_sender));
    // The far end's clock: the moment at which the trial was agreed is known by both.
    let near = near_changes(judged, End::Sending, |ns| {
        (ns.saturating_sub(outcome.agreed_ns)).saturating_add(far.agreed_ns)
    });
    let carrier = together(near, far_changes(judged, End::Receiving, far.agreed_ns));
    let found = outages(&Observed {
        direction: Direction::Forward,
        recorded: &recorded,
        sender,
        carrier: &carrier,
        watched_until_ns: far.until_ns,
        by_pair: judged.account.max_pair_drop.forward,
    });
    let arrived = judged.account.reached_reflector_distinct;
    let failure = failure.map(ToString::to_string);
    way(Direction::Forward, found, &sender, arrived, failure, &carrier)
}

/// The reflector's own frames, seen at the generator.
fn homeward(judged: &Judged, seen: &Seen, run: &Run) -> Way {
    let outcome = &judged.outcome;
    let trial = &outcome.trial;
    let near = &seen.near;
    let own = match &seen.far {
        Ok(far) => far.own.clone(),
        Err(_) => as_asked(judged, near),
    };
    let sender = Sender {
        rate: trial.rate,
        frames: own.frames,
        first_departure_ns: own.first_departure_ns,
        // It goes on until it has sent all or is told to stop.
        planned_end_ns: own.stopped_ns,
        in_flight: 2 + ring(run),
    };
    let agreed_ns = outcome.agreed_ns;
    let far_agreed_ns = seen.far.as_ref().ok().map(|far| far.agreed_ns);
    let to_sender =
        far_agreed_ns.map(|far_ns| move |ns: u64| ns.saturating_sub(agreed_ns).saturating_add(far_ns));
    let to_sender = to_sender.as_ref().map(|to_sender| to_sender as &dyn Fn(u64) -> u64);
    let recorded = on_the_senders_clock(&near.recorded, &sender, to_sender);
    let carrier =
        together(far_changes(judged, End::Sending, agreed_ns), near_changes(judged, End::Receiving, |ns| ns));
    let found = outages(&Observed {
        direction: Direction::Return,
        recorded: &recorded,
        sender,
        carrier: &carrier,
        watched_until_ns: near.until_ns,
        by_pair: judged.account.max_pair_drop.homeward.saturating_add(near.dropped),
    });
    way(Direction::Return, found, &sender, Some(near.arrived), own.failure, &carrier)
}

fn way(
    direction: Direction,
    found: Outages,
    sender: &Sender,
    arrived: Option<u64>,
    failure: Option<String>,
    carrier: &[CarrierChange],
) -> Way {
    let time_ns = sender.planned_end_ns.saturating_sub(sender.first_departure_ns);
    Way {
        direction,
        found,
        rate: sender.rate,
        offered: sender.frames,
        planned: sender.rate.frames_in(time_ns),
        arrived,
        failure,
        host_took_link_down: carrier.iter().any(|change| change.by_host),
    }
}

/// What the reflector was asked to send, where it did not tell what it sent.
fn as_asked(judged: &Judged, near: &engine::watch::Watched) -> OwnSent {
    let outcome = &judged.outcome;
    let rate = outcome.trial.rate;
    let first = near
        .recorded
        .first
        .map_or(outcome.start_ns, |first| first.departure_ns.saturating_sub(rate.time_of(first.sequence)));
    // Nobody looked for them longer than that; departures are on their own clock, so the time is counted from the first.
    let first_seen = near.recorded.first.map_or(outcome.start_ns, |first| first.arrival_ns);
    let last = first + near.until_ns.saturating_sub(first_seen);
    let stopped_ns = last.min(first + rate.time_of(outcome.trial.frames));
    OwnSent {
        frames: rate.frames_in(stopped_ns - first).min(outcome.trial.frames),
        first_departure_ns: first,
        stopped_ns,
        failure: None,
    }
}

/// Departures as the frames have them are the low 32 bits of the sender's clock, carried on by the receiver from the first
/// frame it saw: brought to the whole clock. `to_sender` brings the receiver's clock to the sender's, where the moment is
/// known that both call the agreement on the trial; a number alone says little of a frame's time if the sender could not
/// offer for a while.
fn on_the_senders_clock(
    recorded: &Recorded,
    sender: &Sender,
    to_sender: Option<&dyn Fn(u64) -> u64>,
) -> Recorded {
    let mut recorded = recorded.clone();
    let Some(first) = recorded.first else { return recorded };
    let low = first.departure_ns as u32;
    let whole = match to_sender {
        Some(to_sender) => unwrapped(to_sender(first.arrival_ns), low, 0),
        None => unwrapped(sender.first_departure_ns, low, sender.rate.time_of(first.sequence)),
    };
    let shift = whole.wrapping_sub(first.departure_ns);
    let gaps = recorded.gaps.iter_mut().chain(&mut recorded.longest_not_kept);
    let ends = gaps.flat_map(|gap| [&mut gap.before, &mut gap.after]);
    for arrival in ends.chain(&mut recorded.first).chain(&mut recorded.last) {
        arrival.departure_ns = arrival.departure_ns.wrapping_add(shift);
    }
    recorded
}

/// Whether an end had more changes of carrier than were told.
fn carrier_untold(judged: &Judged, seen: &Seen) -> bool {
    let told = judged.outcome.far.as_ref().map_or(0, |far| far.report.carrier.len() as u64);
    seen.far.as_ref().is_ok_and(|far| far.carrier_changes > told)
}

fn ring(run: &Run) -> u64 {
    run.near.link.as_ref().and_then(|link| link.rings).map_or(RING, |rings| rings.tx.into())
}

fn near_changes(judged: &Judged, end: End, on_clock: impl Fn(u64) -> u64) -> Vec<CarrierChange> {
    let changes = judged.outcome.carrier.iter();
    changes
        .map(|event| CarrierChange {
            end,
            at_ns: on_clock(event.at_ns),
            up: event.up,
            losses: event.losses,
            by_host: event.host.is_some(),
        })
        .collect()
}

fn far_changes(judged: &Judged, end: End, agreed_ns: u64) -> Vec<CarrierChange> {
    let told = judged.outcome.far.as_ref().map(|far| far.report.carrier.as_slice()).unwrap_or_default();
    let at = |at_s: f64| agreed_ns.saturating_add((at_s * 1e9) as u64);
    told.iter()
        .map(|event| CarrierChange {
            end,
            at_ns: at(event.at_s),
            up: event.up,
            losses: event.losses,
            by_host: event.host.is_some(),
        })
        .collect()
}

fn together(mut one: Vec<CarrierChange>, other: Vec<CarrierChange>) -> Vec<CarrierChange> {
    one.extend(other);
    one
}

pub(super) fn name(direction: Direction) -> &'static str {
    match direction {
        Direction::Forward => "forward",
        Direction::Return => "return",
    }
}

fn ms(ns: u64) -> f64 {
    ns as f64 / 1e6
}

fn outage(outage: &outages::Outage) -> report::Outage {
    let down = |down: &outages::Down| report::CarrierDown { for_ms: down.for_ns.map(ms) };
    report::Outage {
        direction: name(outage.direction).to_owned(),
        kind: match outage.kind {
            Kind::ShortGap => OutageKind::ShortGap,
            Kind::Renegotiation => OutageKind::Renegotiation,
            Kind::NeverBack => OutageKind::NeverBack,
        },
        start_s: outage.start_ns as f64 / 1e9,
        frames_lost: outage.frames_lost,
        uncertain_frames: outage.uncertain_frames,
        frames_not_offered: outage.frames_not_offered,
        length_ms: OutageLength {
            timestamp: ms(outage.by_timestamp_ns),
            frame_loss: ms(outage.by_frame_loss_ns),
            difference: outage.difference_ns() as f64 / 1e6,
        },
        sender_down: outage.sender_down.as_ref().map(down),
        receiver_down: outage.receiver_down.as_ref().map(down),
        may_be_the_pairs: outage.may_be_the_pairs,
    }
}

fn interruption(way: &Way) -> report::Interruption {
    let lengths: Vec<f64> = way.found.outages.iter().map(|outage| ms(outage.by_timestamp_ns)).collect();
    let spread = Summary::of(&lengths);
    report::Interruption {
        direction: name(way.direction).to_owned(),
        frames_offered: way.offered,
        frames_arrived: way.arrived.unwrap_or(0),
        outages: lengths.len() as u64,
        frames_lost_in_outages: way.lost_in_outages(),
        frames_lost_elsewhere: way.lost_elsewhere(),
        longest_ms: spread.map(|spread| spread.maximum),
        shortest_ms: spread.map(|spread| spread.minimum),
        mean_ms: spread.map(|spread| spread.mean),
        standard_deviation_ms: spread.and_then(|spread| spread.standard_deviation),
        // The sum of nothing is a negative zero.
        total_ms: lengths.iter().sum::<f64>() + 0.0,
        threshold_ms: ms(way.found.threshold_ns),
        harmless_pauses: way.found.harmless_pauses,
        not_kept: way.found.not_kept,
    }
}

/// A link that came back at another speed or duplex.
pub(super) fn link_after(run: &Run, judged: &Judged) -> Vec<Reason> {
    let mut reasons = Vec::new();
    let mut differs = |end: &str, what: String| {
        reasons.push(Reason::fail(
            "link_came_back_other",
            format!("The {end}'s link came back {what}."),
            "What was proved before the pull no longer holds: look at cable and negotiation, and prove the chain again.",
        ));
    };
    if let (Some(before), Some(after)) = (&run.near.link, &judged.outcome.near_facts) {
        if let (Some(was), Some(is)) = (before.speed_mbps, after.speed_mbps)
            && was != is
        {
            differs("generator", format!("at {is} Mb/s in place of {was} Mb/s"));
        }
        if let (Some(was), Some(is)) = (before.duplex, after.duplex)
            && was != is
        {
            differs("generator", format!("with {is:?} duplex in place of {was:?}").to_lowercase());
        }
    }
    if let Ok(far) = &judged.outcome.far
        && let Some(is) = far.report.speed_now
    {
        differs("reflector", format!("at {is} Mb/s"));
    }
    reasons
}
