//! Interruption: traffic at a stated load while a person pulls the power of a piece; every outage of each direction.
//!
//! Forward is seen by the generator's frames at the reflector. On return the reflector sends numbered frames of its own
//! beside those that it returns, so that each direction is seen while the other is dark; both streams share the return
//! way, and the load is half of it at most. The returned frames are accounted for as in any trial.

use std::time::Duration;

use kitproof_common::control::watched::{FarWatch, OwnSent};
use kitproof_common::line::Load;
use kitproof_common::sequence::gaps::{Recorded, unwrapped};
use tokio::sync::watch;

use super::failure::Failure;
use super::judged::Judged;
use super::plan::{Target, Via, Wanted};
use super::runner::{Finished, Run, Runner, Seen, Show};
use crate::method::outages::{
    self, CarrierChange, Direction, End, Kind, Observed, Outages, Sender, outages, threshold_ns,
};
use crate::report::{self, Findings, OutageKind, OutageLength};
use crate::statistics::summary::Summary;
use crate::verdict::{Bears, Outcome, Reason};

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
    let prompt = "pull the power, wait a few seconds, restore it";
    let (run, seen) = watch_while(prompt, FRAME_SIZE, wanted, target, interrupt, show).await?;
    Ok(finished(options, run, &seen).0)
}

/// Watches one trial, with frames of `frame_size` where none is asked for, while somebody does what the `prompt` says.
///
/// # Errors
/// As [`run`].
pub(super) async fn watch_while(
    prompt: &str,
    frame_size: u16,
    wanted: Wanted,
    target: Target,
    interrupt: watch::Receiver<bool>,
    show: &mut dyn Show,
) -> Result<(Run, Seen), Failure> {
    let wanted = checked(wanted, frame_size, &target)?;
    let mut runner = Runner::open(wanted, target, interrupt, show).await?;
    let size = runner.plan.sizes[0];
    let offer = runner.plan.offer(size);
    let line = runner.plan.line;
    let rate = offer.load.rate(line, size).map_err(|error| Failure::Usage(error.to_string()))?;
    let full = Load::FULL.rate(line, size).map_err(|error| Failure::Usage(error.to_string()))?;
    if rate.per_second() * 2.0 > full.per_second() {
        return Err(Failure::Usage(format!(
            "--load {}: returned frames and the reflector's own share the return way, 50% at most",
            offer.load
        )));
    }
    let seconds = runner.plan.wanted.duration.as_secs_f64();
    if !runner.plan.wanted.unattended {
        runner.say(CAUTION);
    }
    runner.say(&format!(
        "traffic runs for {seconds} s from now on: {prompt}; Ctrl-C ends it and keeps what was seen"
    ));
    let seen = runner.watched(&offer, |trial| threshold_ns(trial.rate)).await?;
    let run = runner.close().await;
    Ok((run, seen))
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
    offered: u64,
    arrived: u64,
    /// What its sender should have offered by the time it ended, where it fell behind with its link up.
    fell_behind_of: Option<u64>,
}

impl Way {
    fn lost_in_outages(&self) -> u64 {
        self.found.outages.iter().map(|outage| outage.frames_lost).sum()
    }

    fn lost_elsewhere(&self) -> u64 {
        self.offered.saturating_sub(self.arrived).saturating_sub(self.lost_in_outages())
    }
}

/// What it came to, and each direction that was seen.
pub(super) fn finished(options: Options, run: Run, seen: &Seen) -> (Finished, Vec<Way>) {
    let mut findings = Findings::default();
    let mut reasons = Vec::new();
    let mut ways = Vec::new();
    if let Some(judged) = run.trials.last() {
        let forward = seen.far.as_ref().ok().map(|far| forward(judged, far, &run));
        let homeward = homeward(judged, seen, &run);
        ways = forward.into_iter().chain([homeward]).collect();
        reasons = reasons_of(options, &run, judged, seen, &ways);
        for way in &ways {
            findings.outages.extend(way.found.outages.iter().map(outage));
            findings.interruption.push(interruption(way));
        }
    }
    let outcome = |bears| reasons.iter().any(|reason: &Reason| reason.bears == bears);
    let outcome = if outcome(Bears::Fail) {
        Some(Outcome::Fail)
    } else if outcome(Bears::Unproven) {
        Some(Outcome::Unproven)
    } else {
        options.longest_outage.map(|_| Outcome::Pass)
    };
    (Finished { run, outcome, reasons, findings }, ways)
}

/// The generator's frames, seen at the reflector.
fn forward(judged: &Judged, far: &FarWatch, run: &Run) -> Way {
    let outcome = &judged.outcome;
    let trial = &outcome.trial;
    let offered: u64 = outcome.flows.iter().map(|(departures, _)| departures.sent.offered).sum();
    // A sender that was stopped planned no more than it sent.
    let planned = if outcome.interrupted { offered } else { trial.frames };
    let sender = Sender {
        rate: trial.rate,
        frames: offered,
        first_departure_ns: outcome.start_ns,
        planned_end_ns: outcome.start_ns + trial.rate.time_of(planned),
        in_flight: u64::from(trial.burst.max(trial.ahead)) + ring(run),
    };
    let recorded = on_the_senders_clock(&far.recorded, &sender);
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
    let arrived = judged.account.reached_reflector_distinct.unwrap_or(0);
    let fell_behind_of = fell_behind_of(&sender, &carrier);
    Way { direction: Direction::Forward, found, offered, arrived, fell_behind_of }
}

/// The reflector's own frames, seen at the generator.
fn homeward(judged: &Judged, seen: &Seen, run: &Run) -> Way {
    let outcome = &judged.outcome;
    let trial = &outcome.trial;
    let near = &seen.near;
    let own = match &seen.far {
        Ok(far) => far.own.clone(),
        Err(_) => as_asked(judged, &near.recorded),
    };
    let sender = Sender {
        rate: trial.rate,
        frames: own.frames,
        first_departure_ns: own.first_departure_ns,
        // It goes on until it has sent all or is told to stop.
        planned_end_ns: (own.first_departure_ns + trial.rate.time_of(trial.frames)).min(own.stopped_ns),
        in_flight: 2 + ring(run),
    };
    let recorded = on_the_senders_clock(&near.recorded, &sender);
    let agreed_ns = outcome.agreed_ns;
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
    let fell_behind_of = fell_behind_of(&sender, &carrier);
    Way { direction: Direction::Return, found, offered: own.frames, arrived: near.arrived, fell_behind_of }
}

/// How many frames a sender should have offered, if it missed more than one in a hundred and no carrier changed.
fn fell_behind_of(sender: &Sender, carrier: &[CarrierChange]) -> Option<u64> {
    let planned = sender.rate.frames_in(sender.planned_end_ns.saturating_sub(sender.first_departure_ns));
    (carrier.is_empty() && sender.frames < planned - planned / 100).then_some(planned)
}

/// What the reflector was asked to send, where it did not tell what it sent.
fn as_asked(judged: &Judged, recorded: &Recorded) -> OwnSent {
    let trial = &judged.outcome.trial;
    let first = recorded.first.map_or(judged.outcome.start_ns, |first| {
        first.departure_ns.saturating_sub(trial.rate.time_of(first.sequence))
    });
    OwnSent {
        frames: trial.frames,
        first_departure_ns: first,
        stopped_ns: first + trial.rate.time_of(trial.frames),
        failure: None,
    }
}

/// Departures as the frames have them are the low 32 bits of the sender's clock, carried on by the receiver from the first
/// frame it saw: brought to the whole clock.
fn on_the_senders_clock(recorded: &Recorded, sender: &Sender) -> Recorded {
    let mut recorded = recorded.clone();
    let Some(first) = recorded.first else { return recorded };
    let whole =
        unwrapped(sender.first_departure_ns, first.departure_ns as u32, sender.rate.time_of(first.sequence));
    let shift = whole.wrapping_sub(first.departure_ns);
    let gaps = recorded.gaps.iter_mut().chain(&mut recorded.longest_not_kept);
    let ends = gaps.flat_map(|gap| [&mut gap.before, &mut gap.after]);
    for arrival in ends.chain(&mut recorded.first).chain(&mut recorded.last) {
        arrival.departure_ns = arrival.departure_ns.wrapping_add(shift);
    }
    recorded
}

fn ring(run: &Run) -> u64 {
    run.near.link.as_ref().and_then(|link| link.rings).map_or(RING, |rings| rings.tx.into())
}

fn near_changes(judged: &Judged, end: End, on_clock: impl Fn(u64) -> u64) -> Vec<CarrierChange> {
    let changes = judged.outcome.carrier.iter();
    changes.map(|event| CarrierChange { end, at_ns: on_clock(event.at_ns), up: event.up }).collect()
}

fn far_changes(judged: &Judged, end: End, agreed_ns: u64) -> Vec<CarrierChange> {
    let told = judged.outcome.far.as_ref().map(|far| far.report.carrier.as_slice()).unwrap_or_default();
    let at = |at_s: f64| agreed_ns.saturating_add((at_s * 1e9) as u64);
    told.iter().map(|event| CarrierChange { end, at_ns: at(event.at_s), up: event.up }).collect()
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
        frames_arrived: way.arrived,
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

/// What must be said, and what it bears on.
fn reasons_of(options: Options, run: &Run, judged: &Judged, seen: &Seen, ways: &[Way]) -> Vec<Reason> {
    let mut reasons = Vec::new();
    if let Err(why) = &seen.far {
        reasons.push(Reason::unproven(
            "far_end_not_heard",
            format!(
                "What the reflector saw was not heard ({why}): nothing is known of the forward direction, and on return what \
                 was lost after the last arrival is what the reflector was asked to send."
            ),
            "If the link never came back, that is the result. Otherwise run it again.",
        ));
    }
    if seen.near.stepped || seen.far.as_ref().is_ok_and(|far| far.stepped) {
        reasons.push(Reason::unproven(
            "clock_stepped",
            "The wall clock of an end was stepped while it watched: lengths by time stamps do not hold.",
            "Stop whatever sets the clock while the test runs.",
        ));
    }
    let all = || ways.iter().flat_map(|way| way.found.outages.iter());
    if all().next().is_none() {
        let (text, advice) = (
            "No outage was seen in any direction that was watched.",
            "If the power was pulled, the piece passes frames without a gap; if nobody pulled, run it again.",
        );
        reasons.push(if options.longest_outage.is_some() {
            Reason::unproven("no_outage", text, advice)
        } else {
            Reason::note("no_outage", text, advice)
        });
    }
    for way in ways {
        let direction = name(way.direction);
        if way.found.not_kept > 0 {
            let longest = ms(way.found.longest_not_kept_ns.unwrap_or(0));
            reasons.push(Reason::unproven(
                "too_many_pauses",
                format!(
                    "{} pauses more on {direction} were not kept, the longest of {longest:.3} ms.",
                    way.found.not_kept
                ),
                "Watch for a shorter time: a path that flickers all the time is broken, whatever its power.",
            ));
        }
        if let Some(planned) = way.fell_behind_of {
            reasons.push(Reason::note(
                "sender_fell_behind",
                format!(
                    "The sender on {direction} offered {} frames where {planned} were due: lengths by lost frames fall short, \
                     and the frames called not offered are in part its own.",
                    way.offered
                ),
                "Use a lower --load or a quieter machine; the lengths by time stamps hold.",
            ));
        }
        if way.lost_elsewhere() > 0 {
            reasons.push(Reason::note(
                "lost_outside_outages",
                format!("{} frames were lost on {direction} outside the outages.", way.lost_elsewhere()),
                "They have nothing to do with the power: prove the chain (kitproof prove).",
            ));
        }
    }
    let never = all().filter(|outage| outage.kind == Kind::NeverBack).count();
    let limit = options.longest_outage.map(|limit| limit.as_nanos() as u64);
    if never > 0 {
        let text = "Frames never came back before the watch ended.";
        let advice =
            "Restore the power and look at the link at both ends; watch longer if it is slow to come back.";
        reasons.push(match limit {
            Some(_) => Reason::fail("never_came_back", text, advice),
            None => Reason::note("never_came_back", text, advice),
        });
    }
    if let Some(limit) = limit {
        for outage in all().filter(|outage| outage.by_timestamp_ns > limit) {
            let text = format!(
                "An outage of {:.3} ms on {}; the limit is {:.3} ms.",
                ms(outage.by_timestamp_ns),
                name(outage.direction),
                ms(limit)
            );
            let advice = "The piece is too slow for this link when its power goes or returns.";
            reasons.push(if outage.may_be_the_pairs {
                Reason::unproven(
                    "outage_may_be_the_pairs",
                    text,
                    "The pair itself may have dropped these frames: run it again.",
                )
            } else {
                Reason::fail("outage_too_long", text, advice)
            });
        }
    }
    reasons.extend(link_after(run, judged));
    if run.interrupted {
        reasons.push(Reason::note(
            "ended_early",
            "The watch was ended by hand.",
            "What was seen until then is kept.",
        ));
    }
    reasons.into_iter().map(|reason| reason.at(judged.offer.frame_size)).collect()
}

/// A link that came back at another speed or duplex.
fn link_after(run: &Run, judged: &Judged) -> Vec<Reason> {
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
