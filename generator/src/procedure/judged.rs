//! A trial with its account and its verdict: the raw outcome turned into what the verdict room judges.

use kitproof_common::control::End;
use kitproof_common::link::{self, CarrierEvent, HostDid, LinkKind, PortDrops};

use super::plan::{Offer, Plan, Target};
use super::round_trips;
use super::session::Far;
use super::trial::Outcome;
use crate::engine::course::Tagged;
use crate::engine::receive::Home;
use crate::engine::run::Departures;
use crate::engine::variation::Varied;
use crate::method::Came;
use crate::method::clock_difference::Climb;
use crate::reference::Reference;
use crate::verdict::{
    Account, Bounds, CarrierLoss, Directions, EndBounds, HomeCounts, LoadFacts, Pauses, Reason,
    ReferenceFacts, TrialFacts, Verdict, WindowFacts, account_together, judge,
};

/// Of a trial of hours one window of 100 ms in so many may be below 90 % of the intended rate: its claim is about frames, and
/// the result says how many windows it were.
const LONG_TRIAL_STALLS: u64 = 1_000;

/// What the trials of a run are judged in the light of.
#[derive(Clone, Copy)]
pub struct Setup<'a> {
    pub plan: &'a Plan,
    pub target: &'a Target,
    pub near: &'a End,
    pub far: &'a End,
    /// Of these ports as they are now.
    pub reference: Option<&'a Reference>,
    /// The run is a reference itself: there is nothing between the ports.
    pub pair_alone: bool,
}

/// A trial and what it proves.
pub struct Judged {
    pub offer: Offer,
    pub outcome: Outcome,
    pub account: Account,
    pub verdict: Verdict,
    /// How its round trip climbed; `None` where that says nothing (bursts, several flows).
    pub climb: Option<Climb>,
}

impl Judged {
    /// Accounts for every frame and judges.
    #[must_use]
    pub fn new(outcome: Outcome, offer: Offer, setup: &Setup<'_>) -> Self {
        let climb = round_trips::climb(&outcome, offer.length, setup);
        let (account, verdict) = appraise(&outcome, &offer, climb.as_ref(), setup);
        Self { offer, outcome, account, verdict, climb }
    }

    /// Accounts and judges anew, because more has become known.
    pub fn again(&mut self, setup: &Setup<'_>) {
        (self.account, self.verdict) = appraise(&self.outcome, &self.offer, self.climb.as_ref(), setup);
    }

    /// The tagged frame of its first flow, if it came home.
    #[must_use]
    pub fn tagged(&self) -> Option<Tagged> {
        self.outcome.flows.first().and_then(|(_, home)| home.course.tagged())
    }

    /// How the delay of its first flow varied, where that was recorded.
    #[must_use]
    pub fn varied(&self) -> Option<&Varied> {
        self.outcome.flows.first().and_then(|(_, home)| home.varied.as_ref())
    }

    /// The 99.9th percentile of the delay less the least, nanoseconds (RFC 5481 sections 6.5 and 11).
    #[must_use]
    pub fn pdv_99_9_ns(&self) -> Option<u64> {
        let trips = &self.outcome.round_trips.histogram;
        (!trips.is_empty()).then(|| trips.value_at_quantile(0.999).saturating_sub(trips.min()))
    }

    /// What a method is told of it.
    #[must_use]
    pub fn came(&self, plan: &Plan) -> Came {
        Came::of(&self.account, &self.verdict, &load_facts(&self.outcome, &self.offer, plan))
    }
}

fn appraise(
    outcome: &Outcome,
    offer: &Offer,
    climb: Option<&Climb>,
    setup: &Setup<'_>,
) -> (Account, Verdict) {
    let Setup { target, near, far, .. } = *setup;
    let home: Vec<HomeCounts> = outcome
        .flows
        .iter()
        .map(|(departures, home)| HomeCounts {
            longest_burst: departures.sent.load.longest_burst,
            sent_dropped: departures.sent.lost,
            ..home.counts.clone()
        })
        .collect();
    let told = outcome.far.as_ref().ok();
    let bounds = bounds(outcome, told, target, near, far);
    let counts = |flow: usize| told.and_then(|far| far.flows.get(flow));
    let flows = home.iter().enumerate().map(|(flow, home)| (home, counts(flow)));
    let account = account_together(flows, &bounds);
    let mut facts = facts(outcome, offer, setup, account.clone(), &bounds);
    facts.more.extend(climb.and_then(|climb| round_trips::climb_told(climb, outcome)));
    let verdict = judge(&facts);
    (account, verdict)
}

/// Upper bounds of what the two ports may have dropped unseen.
fn bounds(outcome: &Outcome, told: Option<&Far>, target: &Target, near: &End, far: &End) -> Bounds {
    let mut near_drops = match target {
        Target::Interface(_) => outcome.near_drops.clone().unwrap_or_default(),
        Target::Udp(peer) => udp_drops(peer.ip().is_loopback()),
    };
    let report = told.map(|far| &far.report);
    let mut far_drops = match (report, target) {
        (None, _) => PortDrops::default(),
        (Some(report), Target::Interface(_)) => report.drops.clone().unwrap_or_default(),
        (Some(_), Target::Udp(peer)) => udp_drops(peer.ip().is_loopback()),
    };
    // What an AF_XDP socket had no room for is named by its own counter; a veth counts the same frames once more.
    if is_xdp_on_veth(near, outcome.near.via.as_ref()) {
        near_drops.receive_bound =
            near_drops.receive_bound.saturating_sub(sum(outcome, |_, home| home.counts.received_dropped));
    }
    if let Some(told) = told
        && is_xdp_on_veth(far, told.report.went.via.as_ref())
    {
        let dropped = told.flows.iter().map(|counts| counts.dropped).fold(0, u64::saturating_add);
        far_drops.receive_bound = far_drops.receive_bound.saturating_sub(dropped);
    }
    let one_veth =
        near.link.as_ref().zip(far.link.as_ref()).is_some_and(|(near, far)| near.is_veth_peer_of(far));
    let far_turned_away = report.map_or(0, |report| report.turned_away);
    let mut bounds =
        Bounds::from_ends(&end_bounds(&near_drops), report.map(|_| end_bounds(&far_drops)).as_ref());
    // One event may be counted at both ends, and what was turned away was sent later: no plain sum.
    let turned_away = sum(outcome, |departures, _| departures.sent.turned_away);
    bounds.forward = link::direction(&near_drops, &far_drops, turned_away, one_veth);
    bounds.homeward = link::direction(&far_drops, &near_drops, far_turned_away, one_veth);
    bounds
}

/// A count of all flows together.
fn sum(outcome: &Outcome, count: impl Fn(&Departures, &Home) -> u64) -> u64 {
    outcome.flows.iter().map(|(departures, home)| count(departures, home)).sum()
}

/// Whether frames reach this end by an AF_XDP socket on a veth.
fn is_xdp_on_veth(end: &End, via: Option<&String>) -> bool {
    let veth = end.link.as_ref().is_some_and(|link| link.kind == LinkKind::Veth);
    veth && via.is_some_and(|via| via.starts_with("xdp"))
}

fn end_bounds(drops: &PortDrops) -> EndBounds {
    EndBounds {
        receive: drops.receive_bound,
        receive_known: drops.receive_known,
        transmit: drops.transmit_bound,
        transmit_known: drops.transmit_known,
        caught: drops.caught_by_nic.clone(),
    }
}

/// UDP sockets count what they drop themselves. Between two ends of one host nothing else can; beyond that the
/// interfaces are not known.
fn udp_drops(loopback: bool) -> PortDrops {
    PortDrops { receive_known: loopback, transmit_known: loopback, ..PortDrops::default() }
}

fn facts(
    outcome: &Outcome,
    offer: &Offer,
    setup: &Setup<'_>,
    account: Account,
    bounds: &Bounds,
) -> TrialFacts {
    let Setup { plan, near, far, .. } = *setup;
    TrialFacts {
        frame_size: outcome.trial.frame_size(),
        account,
        limits: plan.wanted.limits,
        load: load_facts(outcome, offer, plan),
        burst_tolerance: u64::from(plan.wanted.burst_tolerance),
        carrier: carrier_losses(outcome, near, far),
        pauses: pauses(outcome, near, far),
        reference: reference(outcome, setup),
        unknown_counters: bounds.unknown.clone(),
        cut_short: cut_short(outcome),
        order_unknown: order_unknown(outcome),
        interface: near.link.as_ref().map_or_else(|| "udp".into(), |link| link.name.clone()),
        more: more(outcome, near),
    }
}

/// What the reference says of this trial. A pair that is measured alone is not told to be measured alone first.
fn reference(outcome: &Outcome, setup: &Setup<'_>) -> ReferenceFacts {
    if setup.pair_alone {
        return ReferenceFacts { on_these_ports: true, at_this_size_and_load: false };
    }
    let trial = &outcome.trial;
    let (frame_size, line) = (trial.frame_size(), setup.plan.line);
    let load_percent = trial.percent_of_line();
    setup.reference.map_or_else(ReferenceFacts::default, |reference| {
        reference.speaks_for(frame_size, &round_trips::look(outcome), line.0, load_percent)
    })
}

fn load_facts(outcome: &Outcome, offer: &Offer, plan: &Plan) -> LoadFacts {
    let trial = &outcome.trial;
    let load = &outcome.load;
    LoadFacts {
        intended_fps: trial.rate.per_second(),
        intended_percent: trial.percent_of_line(),
        offered_fps: load.rate,
        tolerance: offer.tolerance(&plan.wanted),
        windows: WindowFacts {
            count: load.windows.count,
            below_99_percent: load.windows.below_99_percent,
            below_90_percent: load.windows.below_90_percent,
            above_line: load.windows.above_line,
            lowest_percent: load.windows.lowest_percent,
            highest_percent: load.windows.highest_percent,
        },
        stalls_allowed: if trial.telling.is_some() { load.windows.count / LONG_TRIAL_STALLS } else { 0 },
    }
}

fn cut_short(outcome: &Outcome) -> Option<String> {
    let after = outcome.load.duration_s;
    if outcome.interrupted {
        return Some(format!("interrupted after {after:.1} s"));
    }
    let failure = outcome.flows.iter().find_map(|(departures, _)| departures.failure.as_ref())?;
    Some(format!("the sending port failed after {after:.1} s ({failure})"))
}

/// Where frames of a flow came in by two ways, their order is not told by the order in which they were looked at. The
/// reflector gives its numbers in that order too, so that nothing it may have mixed up shows on the way home.
fn order_unknown(outcome: &Outcome) -> Directions<bool> {
    Directions {
        forward: outcome.far.as_ref().is_ok_and(|far| far.flows.iter().any(|counts| counts.strayed > 0)),
        homeward: outcome.flows.iter().any(|(_, home)| home.counts.strayed > 0),
    }
}

fn port(end: &End, whose: &str) -> String {
    match &end.link {
        Some(link) => format!("the {whose}'s port {}", link.name),
        None => format!("the {whose}'s port"),
    }
}

fn host_did(host: HostDid) -> String {
    match host {
        HostDid::AdminDown => "administrative down",
        HostDid::Removed => "the interface was removed",
        HostDid::Reconfigured => "the interface was reconfigured",
        HostDid::Suspended => "the machine was suspended",
    }
    .to_owned()
}

/// Each loss of carrier, at either end, with how long it lasted as far as that was seen.
fn carrier_losses(outcome: &Outcome, near: &End, far: &End) -> Vec<CarrierLoss> {
    let seconds = |ns: u64| (ns as f64 - outcome.start_ns as f64) / 1e9;
    let near_changes = outcome.carrier.iter().map(|event: &CarrierEvent| Change {
        at_s: seconds(event.at_ns),
        up: event.up,
        losses: event.losses,
        host: event.host,
    });
    let mut losses = outages(near_changes, &port(near, "generator"), "return");
    if let Ok(far_end) = &outcome.far {
        let offset = seconds(outcome.agreed_ns);
        let far_changes = far_end.report.carrier.iter().map(|change| Change {
            at_s: change.at_s + offset,
            up: change.up,
            losses: change.losses,
            host: change.host,
        });
        let mut far_losses = outages(far_changes, &port(far, "reflector"), "forward");
        excuse(&mut losses, &far_losses);
        excuse(&mut far_losses, &losses);
        losses.extend(far_losses);
    }
    losses
}

/// The two ends may tell of one outage this far apart (seconds): the kernel tells of a change up to a second late.
const SAME_OUTAGE_S: f64 = 1.5;

/// A port that one host takes down takes the carrier of the other end with it: that is not the chain's doing either.
fn excuse(losses: &mut [CarrierLoss], by: &[CarrierLoss]) {
    for loss in losses.iter_mut().filter(|loss| loss.host_did.is_none()) {
        let cause = by.iter().find(|other| {
            other.host_did.as_ref().is_some_and(|did| !did.ends_with(ELSEWHERE))
                && (other.at_s - loss.at_s).abs() <= SAME_OUTAGE_S
        });
        if let Some(CarrierLoss { host_did: Some(did), .. }) = cause {
            loss.host_did = Some(format!("{did}{ELSEWHERE}"));
        }
    }
}

const ELSEWHERE: &str = " at the other end";

struct Change {
    at_s: f64,
    up: bool,
    losses: u32,
    host: Option<HostDid>,
}

fn outages(changes: impl Iterator<Item = Change>, port: &str, direction: &str) -> Vec<CarrierLoss> {
    let mut outages: Vec<CarrierLoss> = Vec::new();
    for change in changes {
        if change.losses > 0 {
            outages.push(CarrierLoss {
                port: port.to_owned(),
                direction: direction.to_owned(),
                at_s: change.at_s,
                // Over before it was told: how long it was is not known, but it was short.
                for_s: change.up.then_some(0.0),
                host_did: change.host.map(host_did),
            });
        } else if change.up
            && let Some(last) = outages.last_mut()
            && last.for_s.is_none()
        {
            last.for_s = Some(change.at_s - last.at_s);
        }
    }
    outages
}

fn pauses(outcome: &Outcome, near: &End, far: &End) -> Vec<Pauses> {
    let on =
        |end: &End| end.link.as_ref().and_then(|link| link.pause).is_some_and(|pause| pause.rx || pause.tx);
    let mut all = Vec::new();
    if let Some((received, sent)) = outcome.near_pauses {
        all.push(Pauses { port: port(near, "generator"), received, sent, switched_on: on(near) });
    }
    if let Ok(far_end) = &outcome.far {
        all.push(Pauses {
            port: port(far, "reflector"),
            received: far_end.report.pause_received,
            sent: far_end.report.pause_sent,
            switched_on: on(far),
        });
    }
    all
}

/// What else must be said: a link that changed its speed, a wall clock that was stepped, counts not heard.
fn more(outcome: &Outcome, near: &End) -> Vec<Reason> {
    let mut reasons = Vec::new();
    let before = near.link.as_ref().and_then(|link| link.speed_mbps);
    let after = outcome.near_facts.as_ref().and_then(|link| link.speed_mbps);
    if let (Some(before), Some(after)) = (before, after)
        && before != after
    {
        reasons.push(Reason::unproven(
            "speed_changed",
            format!("The link went from {before} to {after} Mb/s during the trial."),
            "Find out which piece made the ports renegotiate, and run again at the new speed.",
        ));
    }
    if let Ok(far_end) = &outcome.far
        && let Some(speed) = far_end.report.speed_now
    {
        reasons.push(Reason::unproven(
            "speed_changed",
            format!("The reflector's link is now at {speed} Mb/s, not what the session began with."),
            "Find out which piece made the ports renegotiate, and run again at the new speed.",
        ));
    }
    if let Err(why) = &outcome.far {
        reasons.push(Reason::note(
            "reflector_silent",
            format!("The reflector's counts could not be had: {why}."),
            "See that the reflector still runs and that the link is up.",
        ));
    }
    if outcome.round_trips.clock_steps > 0 {
        reasons.push(Reason::note(
            "clock_stepped",
            format!(
                "The wall clock of this machine was stepped {} time(s); the latency of those seconds is left out, \
                 the counts are not touched.",
                outcome.round_trips.clock_steps
            ),
            "Keep time services from stepping the clock during a test.",
        ));
    }
    reasons
}
