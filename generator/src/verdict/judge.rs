//! Pass, fail or unproven, in the order the design promises.
//!
//! 1. `fail` when what is missing exceeds the limit even after all that the pair may have dropped (and all that the two
//!    ends' counts disagree about) is subtracted, when carrier was lost through the chain, or when frames were copied or reordered beyond their limits.
//! 2. otherwise `unproven` when any reason holds that kept the trial from showing what it set out to show.
//! 3. otherwise `pass`.
//!
//! A reason to be unproven that holds in a failed trial is still listed. The verdict stays `fail`.

use super::{
    account::Account,
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
}

/// The offered rate in windows of 100 ms, against the intended rate.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct WindowFacts {
    /// Whole windows looked at.
    pub count: u64,
    pub below_99_percent: u64,
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
        let any = |bears| reasons.iter().any(|reason| reason.bears == bears);
        let verdict = if any(Bears::Fail) {
            Outcome::Fail
        } else if any(Bears::Unproven) {
            Outcome::Unproven
        } else {
            Outcome::Pass
        };
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
    missing(facts, &mut reasons);
    carrier(facts, &mut reasons);
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
                reasons.push(Reason { frame_size: Some(frame_size), ..reason.clone() });
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
                format!("{} was taken down by the host itself ({what}) at {at_s:.3} s {back}.", capital(port)),
                "Keep network managers, suspend and driver changes away from the port, and run again.",
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
    for (count, limit, base, code, what, way) in [
        (copies.0, copy_limit, account.offered_frames, "duplicates_forward", "copied", FORWARD),
        (copies.1, copy_limit, return_base, "duplicates_return", "copied", RETURN),
        (order.0, order_limit, account.offered_frames, "reordered_forward", "reordered", FORWARD),
        (order.1, order_limit, return_base, "reordered_return", "reordered", RETURN),
    ] {
        // As with loss, what the two ends disagree about is not proven.
        if count.saturating_sub(account.unaccounted) > limit.allows(base) {
            let text = format!("{} {} {what} {way}{}", frames(count), were(count), beyond(limit, base));
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
    let LoadFacts { intended_fps, intended_percent, offered_fps, tolerance, ref windows } = facts.load;
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
        if windows.below_90_percent > 0 {
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
mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::verdict::{Bursts, Directions};

    /// A clean trial of a million frames at full load, with a reference.
    fn clean() -> TrialFacts {
        TrialFacts {
            frame_size: 64,
            account: Account {
                offered_frames: 1_000_000,
                reached_reflector: Some(1_000_000),
                reached_reflector_distinct: Some(1_000_000),
                reflected_frames: Some(1_000_000),
                returned_frames: 1_000_000,
                corrupted_forward: Some(0),
                corrupted_return: Some(0),
                duplicates_forward: Some(0),
                duplicates_return: Some(0),
                reordered_forward: Some(0),
                reordered_return: Some(0),
                longest_burst: Bursts { sent: 1, returned: Some(1) },
                ..Account::default()
            },
            load: LoadFacts {
                intended_fps: 1_488_095.2,
                intended_percent: 100.0,
                offered_fps: Some(1_488_095.2),
                tolerance: 200e-6,
                windows: WindowFacts {
                    count: 6,
                    lowest_percent: Some(99.9),
                    highest_percent: Some(100.1),
                    ..WindowFacts::default()
                },
            },
            burst_tolerance: 32,
            reference: ReferenceFacts { on_these_ports: true, at_this_size_and_load: true },
            interface: "eth1".to_owned(),
            ..TrialFacts::default()
        }
    }

    fn lose_forward(facts: &mut TrialFacts, frames: u64) {
        facts.account.lost_forward = frames;
        facts.account.returned_frames -= frames;
    }

    fn lose_return(facts: &mut TrialFacts, frames: u64) {
        facts.account.lost_return = frames;
        facts.account.returned_frames -= frames;
    }

    fn pair_drop(facts: &mut TrialFacts) {
        facts.account.pair_drops = BTreeMap::from([("generator_receive".to_owned(), 5)]);
        facts.account.returned_frames -= 5;
    }

    fn silence(facts: &mut TrialFacts) {
        let account = &mut facts.account;
        account.reached_reflector = None;
        account.reached_reflector_distinct = None;
        account.reflected_frames = None;
        for known in [
            &mut account.corrupted_forward,
            &mut account.corrupted_return,
            &mut account.duplicates_forward,
            &mut account.reordered_forward,
        ] {
            *known = None;
        }
        account.longest_burst.returned = None;
        account.max_pair_drop = Directions { forward: account.lost_forward, homeward: account.lost_return };
    }

    fn chain_carrier() -> CarrierLoss {
        CarrierLoss {
            port: "the generator's port eth1".to_owned(),
            direction: "return".to_owned(),
            at_s: 12.25,
            for_s: Some(2.5),
            host_did: None,
        }
    }

    type Change = fn(&mut TrialFacts);

    /// Each line is one trial: what is changed in a clean one, the verdict, and the reasons in the order they are given.
    #[test]
    fn the_order_of_the_design() {
        use Outcome::{Fail, Pass, Unproven};
        let cases: Vec<(&str, Change, Outcome, &[&str])> = vec![
            ("a clean trial", |_| (), Pass, &[]),
            ("one frame lost forward", |f| lose_forward(f, 1), Fail, &["lost_forward"]),
            ("one frame lost on return", |f| lose_return(f, 1), Fail, &["lost_return"]),
            (
                "both ways",
                |f| {
                    lose_forward(f, 2);
                    lose_return(f, 3);
                },
                Fail,
                &["lost_forward", "lost_return"],
            ),
            (
                "lost, and no reference: that is said first",
                |f| {
                    lose_forward(f, 1);
                    f.reference = ReferenceFacts::default();
                },
                Fail,
                &["no_reference", "lost_forward"],
            ),
            ("no reference is no matter for a pass", |f| f.reference = ReferenceFacts::default(), Pass, &[]),
            (
                "lost, but the pair may have dropped as many",
                |f| {
                    lose_forward(f, 3);
                    f.account.max_pair_drop.forward = 3;
                },
                Unproven,
                &["pair_may_have_dropped"],
            ),
            (
                "lost, and the pair may have dropped some",
                |f| {
                    lose_forward(f, 4);
                    f.account.max_pair_drop.forward = 3;
                },
                Fail,
                &["lost_forward", "pair_may_have_dropped"],
            ),
            (
                "a drop in one direction excuses nothing in the other",
                |f| {
                    lose_return(f, 1);
                    lose_forward(f, 2);
                    f.account.max_pair_drop.forward = 2;
                },
                Fail,
                &["lost_return", "pair_may_have_dropped"],
            ),
            ("the pair dropped, and said so", pair_drop, Unproven, &["pair_dropped"]),
            (
                "the pair dropped and the chain lost",
                |f| {
                    pair_drop(f);
                    lose_forward(f, 1);
                },
                Fail,
                &["lost_forward", "pair_dropped"],
            ),
            ("the pair dropped copies", |f| f.account.surplus_drops = 1, Unproven, &["pair_dropped"]),
            (
                "within a limit in frames",
                |f| {
                    lose_forward(f, 5);
                    f.limits.loss = Limit::Frames(5);
                },
                Pass,
                &[],
            ),
            (
                "beyond a limit in frames",
                |f| {
                    lose_forward(f, 6);
                    f.limits.loss = Limit::Frames(5);
                },
                Fail,
                &["lost_forward"],
            ),
            (
                "the limit is for each direction",
                |f| {
                    lose_forward(f, 5);
                    lose_return(f, 5);
                    f.limits.loss = Limit::Frames(5);
                },
                Pass,
                &[],
            ),
            (
                "a ratio at its edge, forward against offered",
                |f| {
                    lose_forward(f, 1);
                    f.limits.loss = "1e-6".parse().unwrap();
                },
                Pass,
                &[],
            ),
            (
                "a ratio, return against reflected, not offered",
                |f| {
                    lose_return(f, 1);
                    f.account.reflected_frames = Some(999_999);
                    f.limits.loss = "1e-6".parse().unwrap();
                },
                Fail,
                &["lost_return"],
            ),
            (
                "within the limit, but the pair dropped as well",
                |f| {
                    lose_forward(f, 1);
                    pair_drop(f);
                    f.limits.loss = Limit::Frames(5);
                },
                Unproven,
                &["pair_dropped"],
            ),
            (
                "a corrupted frame counts against the limit (RFC 7680)",
                |f| {
                    f.account.corrupted = 1;
                    f.account.corrupted_return = Some(1);
                },
                Fail,
                &["corrupted_return"],
            ),
            (
                "lost and corrupted together go beyond what each alone would not",
                |f| {
                    lose_forward(f, 3);
                    f.account.corrupted = 3;
                    f.account.corrupted_forward = Some(3);
                    f.limits.loss = Limit::Frames(5);
                },
                Fail,
                &["lost_forward"],
            ),
            (
                "what the pair may have dropped never excuses damage",
                |f| {
                    lose_forward(f, 2);
                    f.account.corrupted = 1;
                    f.account.corrupted_forward = Some(1);
                    f.account.max_pair_drop.forward = 2;
                },
                Fail,
                &["corrupted_forward", "pair_may_have_dropped"],
            ),
            (
                "damage a NIC caught is loss, with a note on where",
                |f| {
                    lose_forward(f, 2);
                    f.account.caught_by_nic = BTreeMap::from([("reflector_rx_crc".to_owned(), 2)]);
                },
                Fail,
                &["lost_forward", "caught_by_nic"],
            ),
            ("damaged copies", |f| f.account.corrupted_copies = 1, Unproven, &["corrupted_copies"]),
            (
                "damaged copies within the limit",
                |f| {
                    f.account.corrupted_copies = 1;
                    f.limits.loss = Limit::Frames(1);
                },
                Pass,
                &["corrupted_copies"],
            ),
            (
                "carrier lost through the chain",
                |f| f.carrier = vec![chain_carrier()],
                Fail,
                &["carrier_lost"],
            ),
            (
                "carrier lost, reflector silent, load short: still the chain",
                |f| {
                    f.account.lost_direction_unknown = 900_000;
                    silence(f);
                    f.load.offered_fps = Some(1_000_000.0);
                    f.carrier = vec![CarrierLoss { for_s: None, ..chain_carrier() }];
                },
                Fail,
                &["carrier_lost", "counts_not_heard", "load_missed"],
            ),
            (
                "the host took its own port down, and frames were lost by it",
                |f| {
                    lose_forward(f, 7);
                    let down = Some("administrative down".to_owned());
                    f.carrier = vec![CarrierLoss { host_did: down, ..chain_carrier() }];
                },
                Unproven,
                &["host_took_link_down"],
            ),
            (
                "copied forward",
                |f| {
                    f.account.duplicates = 1;
                    f.account.duplicates_forward = Some(1);
                },
                Fail,
                &["duplicates_forward"],
            ),
            (
                "copied on return, within the limit",
                |f| {
                    f.account.duplicates = 2;
                    f.account.duplicates_return = Some(2);
                    f.limits.duplicates = Limit::Frames(2);
                },
                Pass,
                &[],
            ),
            (
                "reordered on return",
                |f| {
                    f.account.reordered = 1;
                    f.account.reordered_return = Some(1);
                },
                Fail,
                &["reordered_return"],
            ),
            (
                "reordered forward beyond a ratio",
                |f| {
                    f.account.reordered = 11;
                    f.account.reordered_forward = Some(11);
                    f.limits.reordered = "10ppm".parse().unwrap();
                },
                Fail,
                &["reordered_forward"],
            ),
            (
                "copies never cancel a loss",
                |f| {
                    lose_forward(f, 1);
                    f.account.duplicates = 1;
                    f.account.duplicates_return = Some(1);
                    f.limits.duplicates = Limit::Frames(9);
                },
                Fail,
                &["lost_forward"],
            ),
            (
                "300 ppm short",
                |f| f.load.offered_fps = Some(1_488_095.2 * (1.0 - 300e-6)),
                Unproven,
                &["load_missed"],
            ),
            (
                "300 ppm too much",
                |f| f.load.offered_fps = Some(1_488_095.2 * (1.0 + 300e-6)),
                Unproven,
                &["load_missed"],
            ),
            (
                "100 ppm short is tolerated",
                |f| f.load.offered_fps = Some(1_488_095.2 * (1.0 - 100e-6)),
                Pass,
                &[],
            ),
            (
                "a load that is not a number",
                |f| f.load.offered_fps = Some(f64::NAN),
                Unproven,
                &["load_missed"],
            ),
            ("no load at all", |f| f.load.offered_fps = None, Unproven, &["no_load"]),
            (
                "the load fell short and the chain lost",
                |f| {
                    f.load.offered_fps = Some(1_000_000.0);
                    lose_return(f, 1);
                },
                Fail,
                &["lost_return", "load_missed"],
            ),
            (
                "a window below 99 %",
                |f| {
                    f.load.windows.below_99_percent = 1;
                    f.load.windows.lowest_percent = Some(98.0);
                },
                Pass,
                &["load_dipped"],
            ),
            (
                "a window below 90 %",
                |f| {
                    f.load.windows.below_99_percent = 1;
                    f.load.windows.below_90_percent = 1;
                    f.load.windows.lowest_percent = Some(89.9);
                },
                Unproven,
                &["load_stalled"],
            ),
            (
                "a window above line rate",
                |f| {
                    f.load.windows.above_line = 1;
                    f.load.windows.highest_percent = Some(102.0);
                },
                Pass,
                &["load_above_line"],
            ),
            ("bursts at full load are nothing", |f| f.account.longest_burst.sent = 500, Pass, &[]),
            (
                "bursts below full load, nothing lost",
                |f| {
                    f.account.longest_burst.sent = 33;
                    f.load.intended_percent = 50.0;
                },
                Pass,
                &["bursts"],
            ),
            (
                "a burst of just the tolerance",
                |f| {
                    f.account.longest_burst.sent = 32;
                    f.load.intended_percent = 50.0;
                },
                Pass,
                &[],
            ),
            (
                "the reflector's bursts below full load, frames lost within the limit",
                |f| {
                    f.account.longest_burst.returned = Some(33);
                    f.load.intended_percent = 50.0;
                    lose_return(f, 1);
                    f.limits.loss = Limit::Frames(1);
                },
                Unproven,
                &["bursts"],
            ),
            (
                "bursts do not excuse a loss beyond the limit",
                |f| {
                    f.account.longest_burst.sent = 33;
                    f.load.intended_percent = 50.0;
                    lose_return(f, 1);
                },
                Fail,
                &["lost_return", "bursts"],
            ),
            (
                "paused by the far end",
                |f| {
                    f.pauses = vec![Pauses {
                        received: Some(1),
                        sent: Some(0),
                        switched_on: true,
                        ..Pauses::default()
                    }]
                },
                Unproven,
                &["paused"],
            ),
            (
                "pausing the far end",
                |f| {
                    f.pauses = vec![Pauses {
                        received: Some(0),
                        sent: Some(4),
                        switched_on: true,
                        ..Pauses::default()
                    }]
                },
                Unproven,
                &["paused"],
            ),
            (
                "flow control on and not counted",
                |f| f.pauses = vec![Pauses { switched_on: true, ..Pauses::default() }],
                Pass,
                &["pause_possible"],
            ),
            (
                "flow control on, counted, not used",
                |f| {
                    f.pauses = vec![Pauses {
                        received: Some(0),
                        sent: Some(0),
                        switched_on: true,
                        ..Pauses::default()
                    }]
                },
                Pass,
                &[],
            ),
            ("the reflector was not heard", silence, Unproven, &["counts_not_heard"]),
            (
                "not heard: no loss is charged, whatever its direction",
                |f| {
                    lose_forward(f, 10);
                    lose_return(f, 10);
                    f.account.lost_direction_unknown = 1000;
                    silence(f);
                },
                Unproven,
                &["counts_not_heard"],
            ),
            (
                "not heard: damage is charged all the same",
                |f| {
                    f.account.corrupted = 1;
                    silence(f);
                },
                Fail,
                &["corrupted", "counts_not_heard"],
            ),
            (
                "not heard: copies are",
                |f| {
                    f.account.duplicates = 1;
                    silence(f);
                },
                Fail,
                &["duplicates_forward", "counts_not_heard"],
            ),
            ("the books disagree", |f| f.account.unaccounted = 1, Unproven, &["unaccounted"]),
            (
                "one frame lost that the books disagree about",
                |f| {
                    lose_forward(f, 1);
                    f.account.unaccounted = 1;
                },
                Unproven,
                &["unaccounted"],
            ),
            (
                "more lost than the books disagree about",
                |f| {
                    lose_forward(f, 2);
                    f.account.unaccounted = 1;
                },
                Fail,
                &["lost_forward", "unaccounted"],
            ),
            (
                "lost at a port that counts no drops, no reference",
                |f| {
                    lose_forward(f, 1);
                    f.account.max_pair_drop.forward = 1;
                    f.unknown_counters = vec!["reflector receive".to_owned()];
                    f.reference = ReferenceFacts { on_these_ports: true, at_this_size_and_load: false };
                },
                Unproven,
                &["counters_unknown"],
            ),
            (
                "the same with a reference at this size and load",
                |f| {
                    lose_forward(f, 1);
                    f.unknown_counters = vec!["reflector receive".to_owned()];
                },
                Fail,
                &["lost_forward"],
            ),
            (
                "a port that counts no drops, and nothing lost",
                |f| {
                    f.unknown_counters = vec!["reflector receive".to_owned()];
                    f.reference = ReferenceFacts::default();
                },
                Pass,
                &[],
            ),
            (
                "interrupted",
                |f| f.cut_short = Some("interrupted after 3.2 s".to_owned()),
                Unproven,
                &["cut_short"],
            ),
            (
                "interrupted, and already provable",
                |f| {
                    f.cut_short = Some("interrupted after 3.2 s".to_owned());
                    lose_return(f, 1);
                },
                Fail,
                &["lost_return", "cut_short"],
            ),
            (
                "strangers and latecomers are noted",
                |f| {
                    f.account.foreign_frames = 3;
                    f.account.late_frames = 1;
                },
                Pass,
                &["late", "foreign_frames"],
            ),
            (
                "a reason from elsewhere bears what it says",
                |f| f.more = vec![Reason::note("clock", "a", "b"), Reason::unproven("strangers", "c", "d")],
                Unproven,
                &["strangers", "clock"],
            ),
        ];
        for (name, change, expected, codes) in cases {
            let mut facts = clean();
            change(&mut facts);
            let verdict = judge(&facts);
            let found: Vec<&str> = verdict.reasons.iter().map(|reason| reason.code.as_str()).collect();
            assert_eq!((verdict.verdict, found.as_slice()), (expected, codes), "{name}");
            for reason in &verdict.reasons {
                assert!(!reason.text.is_empty() && !reason.advice.is_empty(), "{name}: {reason:?}");
            }
        }
    }

    #[test]
    fn reasons_say_what_was_found_in_plain_words() {
        let mut facts = clean();
        lose_forward(&mut facts, 1_234);
        facts.account.corrupted = 1;
        facts.account.corrupted_forward = Some(1);
        facts.account.max_pair_drop.forward = 234;
        facts.carrier = vec![chain_carrier()];
        facts.reference = ReferenceFacts::default();
        let texts: Vec<String> =
            judge(&facts).reasons.into_iter().map(|r| format!("{} > {}", r.text, r.advice)).collect();
        assert_eq!(
            texts[..3],
            [
                "The pair itself is not yet shown able: there is no reference on these two ports. > Join the two ports with one known-good patch cord and run: kitproof reference eth1",
                "1,235 frames of 1,000,000 were missing forward (generator to reflector), 1 of them corrupted; the pair may have dropped 234 of them at most; the limit is 0. > Take pieces out of the chain one at a time, clean and reseat what stays, and run again to find the piece at fault.",
                "The generator's port eth1 lost carrier at 12.250 s for 2.500 s: the link toward it, return, was down. > Look for a loose plug, a piece that lost power or a speed that does not match, and run again.",
            ]
        );
    }

    #[test]
    fn a_run_is_as_good_as_its_worst_trial() {
        let trial = |change: Change| {
            let mut facts = clean();
            change(&mut facts);
            judge(&facts)
        };
        let pass = trial(|_| ());
        let unproven = trial(pair_drop);
        let fail = trial(|f| {
            f.reference = ReferenceFacts::default();
            lose_return(f, 1);
        });
        assert_eq!(overall([]).verdict, Outcome::Unproven);
        assert_eq!(
            overall([(64, &pass), (1518, &pass)]),
            Verdict { verdict: Outcome::Pass, reasons: Vec::new() }
        );
        let run = overall([(64, &pass), (512, &unproven)]);
        assert_eq!(run.verdict, Outcome::Unproven);
        assert_eq!(run.reasons[0].frame_size, Some(512));
        let run = overall([(64, &unproven), (512, &fail), (1518, &fail)]);
        assert_eq!(run.verdict, Outcome::Fail);
        let found: Vec<_> = run.reasons.iter().map(|r| (r.code.as_str(), r.frame_size)).collect();
        let expected = [
            ("no_reference", None),
            ("lost_return", Some(512)),
            ("lost_return", Some(1518)),
            ("pair_dropped", Some(64)),
        ];
        assert_eq!(found, expected);
    }
}
