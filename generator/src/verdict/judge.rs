//! Pass, fail or unproven, in the order the design promises.
//!
//! 1. `fail` when what is missing exceeds the limit even after all that the pair may have dropped (and all that the two
//!    ends' counts disagree about) is subtracted, when carrier was lost through the chain, or when frames were copied or
//!    reordered beyond their limits. Where an end may have changed their order itself, that is unproven.
//! 2. otherwise `unproven` when any reason holds that kept the trial from showing what it set out to show.
//! 3. otherwise `pass`.
//!
//! A reason to be unproven that holds in a failed trial is still listed. The verdict stays `fail`.

use super::{
    account::{Account, Directions},
    limit::{Limit, Limits},
    reason::{Bears, Outcome, Reason},
    words::{capital, frames, grouped, were},
};

/// From this share of line rate on a load counts as full: frames cannot be bunched any closer.
const FULL_LOAD_PERCENT: f64 = 99.9;

/// Everything a trial is judged by.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct TrialFacts {
    /// Bytes including FCS.
    pub frame_size: u16,
    pub account: Account,
    pub limits: Limits,
    pub load: LoadFacts,
    /// Frames the pair may send back to back below full load (`--burst-tolerance`).
    pub burst_tolerance: u64,
    /// Each time a port of the pair lost carrier during the trial.
    pub carrier: Vec<CarrierLoss>,
    /// Flow control, one entry for each end.
    pub pauses: Vec<Pauses>,
    pub reference: ReferenceFacts,
    /// Ports of the pair whose drop counters are unknown, as [`Bounds::unknown`](super::Bounds::unknown) has them.
    pub unknown_counters: Vec<String>,
    /// Why the trial ended before its time, if it did: "interrupted after 3.2 s".
    pub cut_short: Option<String>,
    /// Whether frames of a flow reached an end by two ways, so that their order there may be that end's own doing.
    pub order_unknown: Directions<bool>,
    /// The generator's interface, for the advice.
    pub interface: String,
    /// Reasons found elsewhere (clock tolerance, latency, strangers heard), taken as they are.
    pub more: Vec<Reason>,
}

/// Offered against intended load.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct LoadFacts {
    /// Intended load, frames per second.
    pub intended_fps: f64,
    /// Intended load, percent of line rate.
    pub intended_percent: f64,
    /// Measured from first to last departure, frames per second; `None` when fewer than two frames left.
    pub offered_fps: Option<f64>,
    /// How far offered may be from intended, as a ratio: 200 ppm is 0.0002.
    pub tolerance: f64,
    pub windows: WindowFacts,
    /// Windows below 90 % that leave a long trial what it is; none of a short one.
    pub stalls_allowed: u64,
}

/// The offered rate in windows of 100 ms, against the intended rate.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct WindowFacts {
    /// Whole windows looked at.
    pub count: u64,
    pub below_99_percent: u64,
    /// Of those, the windows below 90 %: a stall, not a ripple.
    pub below_90_percent: u64,
    pub above_line: u64,
    /// Percent of the intended rate; `None` without a whole window.
    pub lowest_percent: Option<f64>,
    pub highest_percent: Option<f64>,
}

/// Carrier lost at a port of the pair.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CarrierLoss {
    /// Which port: "the generator's port eth1".
    pub port: String,
    /// What comes toward that port: "return" at the generator, "forward" at the reflector.
    pub direction: String,
    /// Seconds from the trial's first departure.
    pub at_s: f64,
    /// Seconds until it came back; `None` when it did not.
    pub for_s: Option<f64>,
    /// What the host did to cause it: "administrative down". `None` charges the chain.
    pub host_did: Option<String>,
}

/// Flow control at one end.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Pauses {
    /// "the generator's port eth1".
    pub port: String,
    /// PAUSE frames received and sent during the trial; `None` where they are not counted.
    pub received: Option<u64>,
    pub sent: Option<u64>,
    /// Whether the link may use PAUSE at all.
    pub switched_on: bool,
}

/// Whether the pair has been shown able.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct ReferenceFacts {
    /// Some clean reference exists on these two ports.
    pub on_these_ports: bool,
    /// One exists at this frame size and this load.
    pub at_this_size_and_load: bool,
}

/// A verdict and its reasons: those that prove a fail first, then those that leave it unproven, then notes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verdict {
    pub verdict: Outcome,
    pub reasons: Vec<Reason>,
}

impl Verdict {
    fn from_reasons(mut reasons: Vec<Reason>) -> Verdict {
        let verdict = Outcome::of(&reasons);
        if verdict != Outcome::Fail {
            reasons.retain(|reason| reason.code != NO_REFERENCE);
        }
        reasons.sort_by_key(|reason| match reason.bears {
            _ if reason.code == NO_REFERENCE => 0,
            Bears::Fail => 1,
            Bears::Unproven => 2,
            Bears::Note => 3,
        });
        Verdict { verdict, reasons }
    }
}

const NO_REFERENCE: &str = "no_reference";

/// Judges one trial.
pub fn judge(facts: &TrialFacts) -> Verdict {
    let mut reasons = Vec::new();
    // The cause before what follows from it: a link that was down explains what is missing.
    carrier(facts, &mut reasons);
    missing(facts, &mut reasons);
    copied_or_reordered(facts, &mut reasons);
    if reasons.iter().any(|reason| reason.bears == Bears::Fail) && !facts.reference.on_these_ports {
        let interface = if facts.interface.is_empty() { "INTERFACE" } else { &facts.interface };
        reasons.push(Reason::note(
            NO_REFERENCE,
            "The pair itself is not yet shown able: there is no reference on these two ports.",
            format!(
                "Join the two ports with one known-good patch cord and run: kitproof reference {interface}"
            ),
        ));
    }
    pair(facts, &mut reasons);
    load(facts, &mut reasons);
    bench(facts, &mut reasons);
    notes(facts, &mut reasons);
    reasons.extend(facts.more.iter().cloned());
    Verdict::from_reasons(reasons)
}

/// The verdict of a whole run: the worst of its trials, with every reason marked by frame size. A run without a trial is
/// unproven.
pub fn overall<'a>(trials: impl IntoIterator<Item = (u16, &'a Verdict)>) -> Verdict {
    let mut reasons: Vec<Reason> = Vec::new();
    let mut any = false;
    for (frame_size, verdict) in trials {
        any = true;
        for reason in &verdict.reasons {
            if reason.code == NO_REFERENCE {
                if !reasons.iter().any(|earlier| earlier.code == NO_REFERENCE) {
                    reasons.push(reason.clone());
                }
            } else {
                reasons.push(reason.clone().at(frame_size));
            }
        }
    }
    if !any {
        reasons.push(Reason::unproven("no_trial", "No trial was run to its end.", "Run it again."));
    }
    Verdict::from_reasons(reasons)
}

/// Rule 1, loss: what is missing, less all that the pair may have dropped, against the limit.
fn missing(facts: &TrialFacts, reasons: &mut Vec<Reason>) {
    let account = &facts.account;
    let limit = facts.limits.loss;
    // While the host itself had a port down nothing that is lost can be charged to the chain. Damage still can.
    let host_down = facts.carrier.iter().any(|loss| loss.host_did.is_some());
    if let (Some(forward), Some(homeward), Some(reflected)) =
        (account.corrupted_forward, account.corrupted_return, account.reflected_frames)
    {
        for (lost, corrupted, excused, base, code, way) in [
            (
                account.lost_forward,
                forward,
                account.max_pair_drop.forward,
                account.offered_frames,
                "forward",
                FORWARD,
            ),
            (account.lost_return, homeward, account.max_pair_drop.homeward, reflected, "return", RETURN),
        ] {
            let excused = if host_down { lost } else { excused.min(lost) };
            let missing = lost.saturating_add(corrupted);
            // Frames that the two ends' counts disagree about are not proven missing.
            if (missing - excused).saturating_sub(account.unaccounted) > limit.allows(base) {
                let mut text =
                    format!("{} of {} {} missing {way}", frames(missing), grouped(base), were(missing));
                if corrupted > 0 {
                    text += &format!(", {} of them corrupted", grouped(corrupted));
                }
                if excused > 0 {
                    text += &format!("; the pair may have dropped {} of them at most", grouped(excused));
                }
                text += &beyond(limit, base);
                let code = if lost > excused { format!("lost_{code}") } else { format!("corrupted_{code}") };
                reasons.push(Reason::fail(&code, text, CHAIN_ADVICE));
            }
        }
    } else if account.corrupted > limit.allows(account.offered_frames).saturating_mul(2) {
        // The direction of the damage is not known: it is beyond the limit when no split over the two could be within.
        let text = format!(
            "{} arrived corrupted, in a direction that is not known{}",
            frames(account.corrupted),
            beyond(limit, account.offered_frames)
        );
        reasons.push(Reason::fail("corrupted", text, CHAIN_ADVICE));
    }
    let copies = account.corrupted_copies;
    if copies > 0 {
        let bears = if copies > limit.allows(account.offered_frames) { Bears::Unproven } else { Bears::Note };
        reasons.push(Reason::new(
            bears,
            "corrupted_copies",
            format!(
                "{} arrived damaged besides those that are missing: damaged copies, or strangers.",
                frames(copies)
            ),
            "See what copies frames in this chain, and whether anything else is connected to it.",
        ));
    }
}

const FORWARD: &str = "forward (generator to reflector)";
const RETURN: &str = "on the return way (reflector to generator)";
const CHAIN_ADVICE: &str = "Take pieces out of the chain one at a time, clean and reseat what stays, and run again to find the piece at fault.";

fn beyond(limit: Limit, base: u64) -> String {
    match limit {
        Limit::Frames(allowed) => format!("; the limit is {}.", grouped(allowed)),
        Limit::Ratio { .. } => format!("; the limit is {limit}, here {}.", grouped(limit.allows(base))),
    }
}

/// Rule 1, carrier.
fn carrier(facts: &TrialFacts, reasons: &mut Vec<Reason>) {
    for loss in &facts.carrier {
        let CarrierLoss { port, direction, at_s, .. } = loss;
        let back = match loss.for_s {
            Some(seconds) => format!("for {seconds:.3} s"),
            None => "and it did not come back".to_owned(),
        };
        match &loss.host_did {
            None => reasons.push(Reason::fail(
                "carrier_lost",
                format!("{} lost carrier at {at_s:.3} s {back}: the link toward it, {direction}, was down.", capital(port)),
                "Look for a loose plug, a piece that lost power or a speed that does not match, and run again.",
            )),
            Some(what) => reasons.push(Reason::unproven(
                "host_took_link_down",
                format!("{} went down at {at_s:.3} s {back}: the host's own doing ({what}), not the chain's.", capital(port)),
                "Keep network managers, suspend and driver changes away from both ports, and run again.",
            )),
        }
    }
}

/// Rule 1, copies and order.
fn copied_or_reordered(facts: &TrialFacts, reasons: &mut Vec<Reason>) {
    let account = &facts.account;
    let return_base = account.reflected_frames.unwrap_or(account.offered_frames);
    let split = |total: u64, forward: Option<u64>, homeward: Option<u64>| {
        let homeward = homeward.unwrap_or(0);
        (forward.unwrap_or(total.saturating_sub(homeward)), homeward)
    };
    let copies = split(account.duplicates, account.duplicates_forward, account.duplicates_return);
    let order = split(account.reordered, account.reordered_forward, account.reordered_return);
    let (copy_limit, order_limit) = (facts.limits.duplicates, facts.limits.reordered);
    let unknown = facts.order_unknown;
    // Where the direction of a reordering is not known either, it may be of both.
    let unknown_forward = unknown.forward || (unknown.homeward && account.reordered_forward.is_none());
    for (count, limit, base, code, what, way, own) in [
        (copies.0, copy_limit, account.offered_frames, "duplicates_forward", "copied", FORWARD, false),
        (copies.1, copy_limit, return_base, "duplicates_return", "copied", RETURN, false),
        (
            order.0,
            order_limit,
            account.offered_frames,
            "reordered_forward",
            "reordered",
            FORWARD,
            unknown_forward,
        ),
        (order.1, order_limit, return_base, "reordered_return", "reordered", RETURN, unknown.homeward),
    ] {
        // As with loss, what the two ends disagree about is not proven.
        if count.saturating_sub(account.unaccounted) > limit.allows(base) {
            let text = format!("{} {} {what} {way}{}", frames(count), were(count), beyond(limit, base));
            if own {
                reasons.push(Reason::unproven(
                    "order_unknown",
                    format!(
                        "{text} But frames of one flow came in there by several queues, and may have changed places on \
                         that host."
                    ),
                    "Steer each flow to one queue (ethtool -N), or use --via packet at both ends, and run again.",
                ));
                continue;
            }
            reasons.push(Reason::fail(
                code,
                text,
                "Look for a loop, a second path or a switch in the chain.",
            ));
        }
    }
}

/// Rule 2, the pair: its drops, its silence, its books.
fn pair(facts: &TrialFacts, reasons: &mut Vec<Reason>) {
    let account = &facts.account;
    let dropped = account.dropped_by_pair().saturating_add(account.surplus_drops);
    if dropped > 0 {
        let places: Vec<String> = account
            .pair_drops
            .iter()
            .map(|(place, n)| format!("{} {}", place.replace('_', " "), grouped(*n)))
            .collect();
        let places = if places.is_empty() { String::new() } else { format!(" ({})", places.join(", ")) };
        reasons.push(Reason::unproven(
            "pair_dropped",
            format!("The pair itself dropped {}{places}.", frames(dropped)),
            SLOW_PAIR_ADVICE,
        ));
    }
    let trusted = facts.reference.at_this_size_and_load;
    let blind = !facts.unknown_counters.is_empty() && !trusted;
    let may_have = account.max_pair_drop.forward.saturating_add(account.max_pair_drop.homeward);
    if !account.far_heard() {
        reasons.push(Reason::unproven(
            "counts_not_heard",
            "The reflector's counts were not heard, so that losses cannot be told apart from the pair's own.",
            "See that the reflector still runs and the link is up; it keeps its counts for an hour. Then run again.",
        ));
    } else if blind && account.lost() > 0 {
        reasons.push(Reason::unproven(
            "counters_unknown",
            format!(
                "{} {} lost, and drops cannot be seen at: {}.",
                frames(account.lost()),
                were(account.lost()),
                facts.unknown_counters.join(", ")
            ),
            "Run kitproof reference at this frame size and load, so that the pair is known to hold it.",
        ));
    } else if may_have > 0 {
        reasons.push(Reason::unproven(
            "pair_may_have_dropped",
            format!(
                "The pair may have dropped {} of the lost: {} forward, {} return at most.",
                grouped(may_have),
                grouped(account.max_pair_drop.forward),
                grouped(account.max_pair_drop.homeward)
            ),
            SLOW_PAIR_ADVICE,
        ));
    }
    if account.unaccounted > 0 {
        reasons.push(Reason::unproven(
            "unaccounted",
            format!("The two ends' counts disagree by {}.", frames(account.unaccounted)),
            "This should not happen: run again, and if it stays, keep the JSON result and report it as a fault of kitproof.",
        ));
    }
}

const SLOW_PAIR_ADVICE: &str = "Close other programs, deepen the port's rings (ethtool -G), or lower --load to what kitproof reference shows the pair holds.";

/// Rule 2, the load: what was offered against what was intended.
fn load(facts: &TrialFacts, reasons: &mut Vec<Reason>) {
    let LoadFacts { intended_fps, intended_percent, offered_fps, tolerance, ref windows, stalls_allowed } =
        facts.load;
    match offered_fps {
        Some(offered) if intended_fps > 0.0 => {
            let off = (offered - intended_fps) / intended_fps;
            // Negated, so that a rate that is not a number is no pass.
            let within = off.abs() <= tolerance;
            if !within {
                reasons.push(Reason::unproven(
                    "load_missed",
                    format!(
                        "The offered load was {offered:.1} frames/s, {:+.1} ppm from the {intended_fps:.1} intended (tolerance {:.1} ppm).",
                        off * 1e6,
                        tolerance * 1e6
                    ),
                    SLOW_PAIR_ADVICE,
                ));
            }
        }
        _ => reasons.push(Reason::unproven(
            "no_load",
            format!(
                "Only {} left the generator: there is no load to speak of.",
                frames(facts.account.offered_frames)
            ),
            "Choose a longer --duration or a higher --load.",
        )),
    }
    if let Some(lowest) = windows.lowest_percent {
        if windows.below_90_percent > stalls_allowed {
            reasons.push(Reason::unproven(
                "load_stalled",
                format!("For 100 ms or more the generator offered only {lowest:.1} % of the intended rate."),
                SLOW_PAIR_ADVICE,
            ));
        } else if windows.below_99_percent > 0 {
            reasons.push(Reason::note(
                "load_dipped",
                format!(
                    "{} of {} windows of 100 ms were below 99 % of the intended rate, the lowest {lowest:.2} %.",
                    grouped(windows.below_99_percent),
                    grouped(windows.count)
                ),
                "Give the generator a quieter machine if the load has to be even.",
            ));
        }
    }
    if windows.above_line > 0 {
        reasons.push(Reason::note(
            "load_above_line",
            format!(
                "{} of {} windows of 100 ms were above line rate, the highest {:.2} % of the intended rate.",
                grouped(windows.above_line),
                grouped(windows.count),
                windows.highest_percent.unwrap_or(f64::NAN)
            ),
            "Check --line-rate: a port cannot send faster than its line, so that frames were waiting in the driver.",
        ));
    }
    let bursts = facts.account.longest_burst;
    let longest = bursts.sent.max(bursts.returned.unwrap_or(0));
    let below_full_load = intended_percent < FULL_LOAD_PERCENT;
    if longest > facts.burst_tolerance && below_full_load {
        let text = format!(
            "The pair sent {} back to back ({} by the generator, {} by the reflector), more than the {} tolerated below full load",
            frames(longest),
            grouped(bursts.sent),
            bursts.returned.map_or("unknown".to_owned(), grouped),
            grouped(facts.burst_tolerance)
        );
        let advice =
            "Give both ends a quieter machine, or say with --burst-tolerance what the chain must take.";
        reasons.push(if facts.account.lost() > 0 {
            Reason::unproven("bursts", format!("{text}, and frames were lost."), advice)
        } else {
            Reason::note("bursts", format!("{text}; none was lost by it."), advice)
        });
    }
}

/// Rule 2, the bench: flow control, a trial cut short.
fn bench(facts: &TrialFacts, reasons: &mut Vec<Reason>) {
    for Pauses { port, received, sent, switched_on } in &facts.pauses {
        let (received_frames, sent_frames) = (received.unwrap_or(0), sent.unwrap_or(0));
        let advice = "Switch flow control off at both ends: ethtool -A INTERFACE autoneg off rx off tx off";
        if received_frames > 0 || sent_frames > 0 {
            reasons.push(Reason::unproven(
                "paused",
                format!(
                    "Flow control at {port}: {} PAUSE frames received, {} sent.",
                    grouped(received_frames),
                    grouped(sent_frames)
                ),
                advice,
            ));
        } else if *switched_on && received.is_none() {
            reasons.push(Reason::note(
                "pause_possible",
                format!("Flow control is on at {port}, and PAUSE frames are not counted there."),
                advice,
            ));
        }
    }
    if let Some(why) = &facts.cut_short {
        reasons.push(Reason::unproven(
            "cut_short",
            format!("The trial did not run to its end: {why}."),
            "Run it again to its end.",
        ));
    }
}

/// Worth knowing.
fn notes(facts: &TrialFacts, reasons: &mut Vec<Reason>) {
    let account = &facts.account;
    for (place, count) in account.caught_by_nic.iter().filter(|(_, n)| **n > 0) {
        reasons.push(Reason::note(
            "caught_by_nic",
            format!(
                "{}: {} arrived damaged and {} refused by the NIC.",
                place.replace('_', " "),
                frames(*count),
                were(*count)
            ),
            "Damage done on the way: clean connectors, check the cable and the fibre's light levels.",
        ));
    }
    if account.late_frames > 0 {
        reasons.push(Reason::note(
            "late",
            format!("{} came so late that they count as lost.", frames(account.late_frames)),
            "Something in the chain holds frames back for longer than any queue should.",
        ));
    }
    if account.foreign_frames > 0 {
        reasons.push(Reason::note(
            "foreign_frames",
            format!("{} on the link were not ours.", frames(account.foreign_frames)),
            "See what else is connected: the bench should carry nothing but test frames.",
        ));
    }
}

#[cfg(test)]
mod tests;
