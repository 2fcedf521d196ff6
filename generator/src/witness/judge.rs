//! What was handed over, against what passed.
//!
//! What passed the tap one way is known from the result of the run: everything that was offered, less what the link may have
//! lost before the tap. The link's own losses are on one side of the tap or the other, and nobody knows which: so what passed
//! is a range, and it is a number where the link lost nothing.
//!
//! A copy is missing for certain only beyond what the monitor port and its socket may have dropped themselves.

use super::listen::{Ended, Heard, Listened};
use super::tally::{Flow, Way};
use super::told::{Aggregation, Copy, Port, Range, SCHEMA, SkewTold, WitnessResult};
use crate::procedure::result::tool;
use crate::report::{RunResult, TrialResult, grouped};
use crate::verdict::{Bears, Outcome, Reason};

/// Preamble, start delimiter and gap of every frame, octets.
const BESIDE: f64 = 20.0;

/// The witness's result without a verdict: what was heard.
#[must_use]
pub fn heard(listened: &Listened, host: &str, started: String) -> WitnessResult {
    let interface =
        |port: usize| listened.ports.get(port).map_or_else(String::new, |port| port.facts.name.clone());
    let mut copies: Vec<Copy> = Vec::new();
    for flow in &listened.tally.flows {
        let interface = interface(flow.port);
        let direction = direction(flow.way);
        let place = copies.iter().position(|copy| {
            copy.tag == flow.tag && copy.direction == direction && copy.interface == interface
        });
        let place = place.unwrap_or_else(|| {
            let (tag, direction) = (flow.tag, direction.to_owned());
            copies.push(Copy { tag, direction, interface, fill_judged: true, ..Copy::default() });
            copies.len() - 1
        });
        add(&mut copies[place], flow);
    }
    let skew = &listened.tally.skew;
    let pairs = skew.after.len() + skew.before;
    WitnessResult {
        schema: SCHEMA.to_owned(),
        tool: tool(),
        started,
        ports: listened.ports.iter().map(|heard| port(heard, host)).collect(),
        copies,
        skew_ns: (pairs > 0).then(|| SkewTold {
            pairs,
            min: if skew.after.is_empty() { 0 } else { skew.after.min() },
            p50: skew.after.value_at_quantile(0.5),
            p99: skew.after.value_at_quantile(0.99),
            max: skew.after.max(),
            reversed: skew.before,
            most_reversed: skew.most_before_ns,
        }),
        other_frames: listened.tally.others,
        unwatched_frames: listened.tally.unwatched,
        ..WitnessResult::default()
    }
}

fn direction(way: Way) -> &'static str {
    match way {
        Way::Forward => "forward",
        Way::Return => "return",
    }
}

fn port(heard: &Heard, host: &str) -> Port {
    Port {
        host: host.to_owned(),
        interface: heard.facts.name.clone(),
        driver: heard.facts.driver.clone(),
        speed: heard.facts.speed_mbps.map(|mbps| u64::from(mbps) * 1_000_000),
        socket_dropped: heard.socket_dropped,
        max_drop: heard.bound,
        max_drop_places: heard.places.clone(),
        carrier_changes: heard.carrier_changes,
        counts_drops: heard.counts_drops,
        caught_by_nic: heard.caught_by_nic.clone(),
    }
}

fn add(copy: &mut Copy, flow: &Flow) {
    let highest = flow.tracker.highest().map_or(0, |highest| highest + 1);
    let summary = flow.tracker.finish(highest);
    copy.handed_over += summary.distinct;
    copy.corrupted += flow.damaged;
    copy.fill_judged &= flow.fill_is_judged;
    copy.duplicates += summary.copies + summary.late;
    copy.reordered += summary.reordering.reordered;
    copy.highest += highest;
    copy.duration_s = copy.duration_s.max(flow.last_ns.saturating_sub(flow.first_ns) as f64 / 1e9);
}

/// What to hold the copies against.
#[derive(Clone, Copy, Debug)]
pub struct Against<'a> {
    pub run: Option<&'a RunResult>,
    /// What the monitor port can send, bit/s, where it is not the port's own speed.
    pub monitor_rate: Option<u64>,
    pub ended: Option<Ended>,
}

/// Judges what was heard.
pub fn judge(result: &mut WitnessResult, against: Against<'_>) {
    result.reasons.clear();
    result.aggregation.clear();
    if result.copies.is_empty() {
        result.reasons.push(Reason::unproven(
            "nothing_seen",
            format!("Not one test frame was seen at the monitor side; {} other frames were.", grouped(result.other_frames)),
            "See that the cord is in the monitor port and the tap has power, that its monitor side is not set to off or to one \
             port only, and that a run was under way meanwhile.",
        ));
    } else if let Some(run) = against.run {
        hold_against(result, run, against.monitor_rate);
    } else {
        result.reasons.push(Reason::unproven(
            "nothing_to_compare_with",
            "What passed is not known, only what was handed over.",
            "Write the run's result with --json FILE, and name that file here with --against FILE; or later, with --heard.",
        ));
    }
    let changed = |port: &&Port| port.carrier_changes.is_some_and(|changes| changes > 0);
    for port in result.ports.iter().filter(changed) {
        result.reasons.push(Reason::unproven(
            "monitor_port_lost_carrier",
            format!(
                "{}: its link came or went {} times while it listened; what passed meanwhile was not heard.",
                port.interface,
                grouped(port.carrier_changes.unwrap_or(0))
            ),
            "See to the cord between monitor port and witness, and listen to a run again.",
        ));
    }
    if against.ended == Some(Ended::PortGone) {
        result.reasons.push(Reason::unproven(
            "monitor_port_gone",
            "A monitor port was taken down or went away while it was listened to; what was heard until then is here.",
            "See that it is plugged in and up, and listen to a run again.",
        ));
    }
    if result.unwatched_frames > 0 {
        result.reasons.push(Reason::unproven(
            "too_many_trials",
            format!(
                "{} test frames were of more trials than are watched at once.",
                grouped(result.unwatched_frames)
            ),
            "Listen to fewer trials at a time.",
        ));
    }
    if result.copies.iter().any(|copy| !copy.fill_judged) {
        result.reasons.push(Reason::note(
            "fill_not_judged",
            "Bare Ethernet frames have no checksum over what fills them: damage there does not show in a copy.",
            "Run with --encapsulation ipv4 to have every octet judged.",
        ));
    }
    let bears = |bears: Bears| result.reasons.iter().any(|reason| reason.bears == bears);
    result.verdict = Some(match (bears(Bears::Fail), bears(Bears::Unproven)) {
        (true, _) => Outcome::Fail,
        (false, true) => Outcome::Unproven,
        (false, false) => Outcome::Pass,
    });
}

/// What passed the tap one way.
fn passed(trial: &TrialResult, direction: &str) -> Range {
    let counts = &trial.counts;
    match direction {
        "forward" => {
            Range { least: counts.reached_reflector_distinct.unwrap_or(0), most: counts.offered_frames }
        }
        _ => Range {
            least: counts.returned_frames,
            // What was reflected twice is one frame more that passed, and one number.
            most: counts
                .reached_reflector_distinct
                .or(counts.reflected_frames)
                .unwrap_or(counts.offered_frames),
        },
    }
}

fn hold_against(result: &mut WitnessResult, run: &RunResult, monitor_rate: Option<u64>) {
    let mut reasons = Vec::new();
    let trials: Vec<&TrialResult> = run.trials.iter().filter(|trial| trial.tag.is_some()).collect();
    let mut strange = 0_u64;
    for copy in &mut result.copies {
        let Some(trial) = trials.iter().find(|trial| trial.tag == Some(copy.tag)) else {
            strange += 1;
            continue;
        };
        let passed = passed(trial, &copy.direction);
        copy.frame_size = Some(trial.frame_size);
        copy.load_percent = Some(trial.intended_load.percent);
        copy.passed = Some(passed);
        let came = copy.handed_over.saturating_add(copy.corrupted);
        copy.missing = Some(Range {
            least: passed.least.saturating_sub(came),
            most: passed.most.saturating_sub(copy.handed_over),
        });
        if copy.handed_over > passed.most {
            reasons.push(
                Reason::unproven(
                    "more_than_passed",
                    format!(
                        "{}, {}: {} were handed over and only {} can have passed.",
                        copy.interface,
                        copy.direction,
                        grouped(copy.handed_over),
                        grouped(passed.most)
                    ),
                    "The result is not of this run: name the right file with --against.",
                )
                .at(trial.frame_size),
            );
        }
    }
    if strange > 0 {
        reasons.push(Reason::note(
            "other_runs",
            format!("{strange} of the copies are of trials that are not in the result."),
            "Another run went by meanwhile, or trials were repeated.",
        ));
    }
    let known: Vec<&Copy> = result.copies.iter().filter(|copy| copy.passed.is_some()).collect();
    if known.is_empty() {
        reasons.push(Reason::unproven(
            "another_run",
            "None of the trials in the result was seen at the monitor side.",
            "Name the result of the run that went by while the witness listened.",
        ));
    }
    for way in ["forward", "return"] {
        whole_direction(&known, &trials, way, &mut reasons);
    }
    for port in &result.ports {
        judge_port(port, &known, &mut reasons);
        highest_load(port, &known, &mut reasons);
    }
    faults(&known, &trials, &mut reasons);
    let aggregation: Vec<Aggregation> =
        result.ports.iter().flat_map(|port| aggregated(port, &known, &trials, monitor_rate)).collect();
    for one in aggregation.iter().filter(|one| one.lost_by_arithmetic > 0) {
        reasons.push(
            Reason::note(
                "monitor_port_too_slow",
                format!(
                    "{}: both directions at {:.2} % are {:.1} Mb/s, and the monitor port sends {:.1} Mb/s: {} cannot fit.",
                    one.interface,
                    one.load_percent,
                    one.offered_bits_per_s / 1e6,
                    one.monitor_rate as f64 / 1e6,
                    grouped(one.lost_by_arithmetic)
                ),
                format!(
                    "This port carries both directions whole up to {:.1} % of load each way: use two monitor ports, or a faster one.",
                    one.load_percent * one.monitor_rate as f64 / one.offered_bits_per_s
                ),
            )
            .at(one.frame_size),
        );
    }
    result.aggregation = aggregation;
    result.reasons.extend(reasons);
}

/// A direction of which nothing at all was seen.
fn whole_direction(known: &[&Copy], trials: &[&TrialResult], way: &str, reasons: &mut Vec<Reason>) {
    let unseen: Vec<&&TrialResult> = trials
        .iter()
        .filter(|trial| passed(trial, way).least > 0)
        .filter(|trial| !known.iter().any(|copy| Some(copy.tag) == trial.tag && copy.direction == way))
        .collect();
    if known.is_empty() || unseen.is_empty() {
        return;
    }
    if unseen.len() == trials.len() {
        reasons.push(Reason::unproven(
            "direction_not_seen",
            format!("Nothing of the {way} direction was seen at these ports."),
            "Many taps hand each direction to a port of its own: name both monitor ports, kitproof witness eth2 eth3.",
        ));
    } else {
        reasons.push(Reason::unproven(
            "trial_not_seen",
            format!("{} of {} trials were not seen in the {way} direction.", unseen.len(), trials.len()),
            "Begin to listen before the run does, and end after it: a longer --silence.",
        ));
    }
}

/// What is missing at one port, held against what it may have dropped itself.
fn judge_port(port: &Port, known: &[&Copy], reasons: &mut Vec<Reason>) {
    let here: Vec<&&Copy> = known.iter().filter(|copy| copy.interface == port.interface).collect();
    let sum = |of: fn(&Copy) -> u64| here.iter().map(|copy| of(copy)).fold(0_u64, u64::saturating_add);
    let least = sum(|copy| copy.missing.map_or(0, |range| range.least));
    let most = sum(|copy| copy.missing.map_or(0, |range| range.most));
    let corrupted = sum(|copy| copy.corrupted);
    let text = |count: u64| {
        let parts: Vec<String> = here
            .iter()
            .filter(|copy| copy.missing.is_some_and(|range| range.most > 0))
            .take(6)
            .map(|copy| {
                let Range { least, most } = copy.missing.unwrap_or_default();
                let missing = if least == most {
                    grouped(most)
                } else {
                    format!("{} to {}", grouped(least), grouped(most))
                };
                format!(
                    "{missing} of {} {} at {} bytes",
                    grouped(copy.passed.unwrap_or_default().most),
                    copy.direction,
                    copy.frame_size.unwrap_or(0)
                )
            })
            .collect();
        format!("{}: {} frames were not handed over ({}).", port.interface, grouped(count), parts.join("; "))
    };
    if least > port.max_drop && port.counts_drops {
        reasons.push(Reason::fail(
            "copy_missing",
            text(least),
            "The tap does not hand over everything: see whether its monitor port is set to aggregate, filter or slice, and \
             whether its speed is enough; then measure again.",
        ));
    } else if least > 0 {
        let why = if port.counts_drops {
            format!("The port itself may have dropped {}.", grouped(port.max_drop))
        } else {
            "The port does not count what it drops.".to_owned()
        };
        reasons.push(Reason::unproven(
            "witness_may_have_dropped",
            format!("{} {why}", text(least)),
            "Listen with a quieter machine, at a lower load, or with a port that counts its drops.",
        ));
    } else if most > 0 && corrupted < most {
        reasons.push(Reason::unproven(
            "lost_in_the_link_or_the_copy",
            format!("{} The link lost frames too, on one side of the tap or the other.", text(most)),
            "Find what the link loses first (kitproof prove), then measure the copy.",
        ));
    }
    if port.max_drop > 0 && most == 0 {
        reasons.push(Reason::note(
            "witness_dropped_others",
            format!(
                "{}: up to {} frames were dropped here, none of them of the test.",
                port.interface,
                grouped(port.max_drop)
            ),
            "Nothing is missing; see what else is on this port.",
        ));
    }
}

/// Damage, duplicates and disorder of the copies, beyond the link's own.
fn faults(known: &[&Copy], trials: &[&TrialResult], reasons: &mut Vec<Reason>) {
    for copy in known {
        let Some(trial) = trials.iter().find(|trial| trial.tag == Some(copy.tag)) else { continue };
        let counts = &trial.counts;
        let cases = [
            (
                "copy_corrupted",
                "were damaged in the copy",
                copy.corrupted,
                counts.corrupted + counts.corrupted_copies,
            ),
            ("copy_duplicated", "were handed over more than once", copy.duplicates, counts.duplicates),
            ("copy_reordered", "were handed over out of order", copy.reordered, counts.reordered),
        ];
        for (code, what, count, in_the_link) in cases {
            if count == 0 {
                continue;
            }
            let text = format!("{}, {}: {} {what}", copy.interface, copy.direction, grouped(count));
            reasons.push(
                if in_the_link > 0 {
                    Reason::unproven(
                        code,
                        format!("{text}; in the link there were {} such.", grouped(in_the_link)),
                        "Find what the link does first (kitproof prove), then measure the copy.",
                    )
                } else {
                    Reason::fail(
                        code,
                        format!("{text}, none in the link."),
                        "See what stands between tap and witness: cord, aggregation, the port.",
                    )
                }
                .at(trial.frame_size),
            );
        }
    }
}

/// The highest load at which a port's copy was whole.
fn highest_load(port: &Port, known: &[&Copy], reasons: &mut Vec<Reason>) {
    let here: Vec<(f64, bool)> = known
        .iter()
        .filter(|copy| copy.interface == port.interface)
        .filter_map(|copy| Some((copy.load_percent?, copy.missing?.most == 0)))
        .collect();
    let least_missing =
        here.iter().filter(|(_, whole)| !whole).map(|one| one.0).fold(f64::INFINITY, f64::min);
    let whole = here.iter().filter(|(load, whole)| *whole && *load < least_missing).map(|one| one.0);
    let highest = whole.fold(f64::NEG_INFINITY, f64::max);
    if highest.is_finite() {
        reasons.push(Reason::note(
            "highest_whole_copy",
            format!("{}: the highest load with a complete copy was {highest:.2} % each way.", port.interface),
            "Of the loads that were tried.",
        ));
    }
}

/// For every trial of which one port carried both directions: what cannot fit.
fn aggregated(port: &Port, known: &[&Copy], trials: &[&TrialResult], rate: Option<u64>) -> Vec<Aggregation> {
    let Some(rate) = rate.or(port.speed).filter(|rate| *rate > 0) else { return Vec::new() };
    trials
        .iter()
        .filter_map(|trial| {
            let of = |way: &str| {
                known.iter().find(|copy| {
                    Some(copy.tag) == trial.tag && copy.direction == way && copy.interface == port.interface
                })
            };
            let (forward, back) = (of("forward")?, of("return")?);
            let size = trial.mix.as_ref().map_or(f64::from(trial.frame_size), |mix| mix.mean_size);
            let bits = 8.0 * (size + BESIDE);
            let both = forward.passed?.most + back.passed?.most;
            if trial.duration_s <= 0.0 {
                return None;
            }
            let fits = (rate as f64 * trial.duration_s / bits).floor() as u64;
            let missing = forward.missing?.least + back.missing?.least;
            let lost_by_arithmetic = both.saturating_sub(fits.saturating_add(1));
            Some(Aggregation {
                tag: forward.tag,
                interface: port.interface.clone(),
                frame_size: trial.frame_size,
                load_percent: trial.intended_load.percent,
                monitor_rate: rate,
                offered_bits_per_s: both as f64 * bits / trial.duration_s,
                lost_by_arithmetic,
                lost_beyond: missing.saturating_sub(lost_by_arithmetic),
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::LoadFigures;
    use crate::verdict::Account;

    const N: u64 = 10_000;

    fn run(lost_forward: u64) -> RunResult {
        let reached = N - lost_forward;
        let counts = Account {
            offered_frames: N,
            reached_reflector: Some(reached),
            reached_reflector_distinct: Some(reached),
            reflected_frames: Some(reached),
            returned_frames: reached,
            lost_forward,
            ..Account::default()
        };
        let trial = TrialResult {
            tag: Some(7),
            frame_size: 1518,
            duration_s: 1.0,
            intended_load: LoadFigures { percent: 100.0, ..LoadFigures::default() },
            counts,
            ..TrialResult::default()
        };
        RunResult { trials: vec![trial], ..RunResult::default() }
    }

    fn copy(direction: &str, handed_over: u64) -> Copy {
        Copy {
            tag: 7,
            direction: direction.to_owned(),
            interface: "mon".to_owned(),
            handed_over,
            fill_judged: true,
            ..Copy::default()
        }
    }

    fn judged(copies: &[Copy], run: Option<&RunResult>, max_drop: u64) -> WitnessResult {
        let port = Port { interface: "mon".to_owned(), max_drop, counts_drops: true, ..Port::default() };
        let mut result =
            WitnessResult { ports: vec![port], copies: copies.to_vec(), ..WitnessResult::default() };
        judge(&mut result, Against { run, monitor_rate: Some(100_000_000), ended: None });
        result
    }

    fn codes(result: &WitnessResult) -> Vec<&str> {
        let bearing = result.reasons.iter().filter(|reason| reason.bears != Bears::Note);
        bearing.map(|reason| reason.code.as_str()).collect()
    }

    #[test]
    fn a_whole_copy_passes_and_one_frame_less_fails() {
        let whole = judged(&[copy("forward", N), copy("return", N)], Some(&run(0)), 0);
        assert_eq!((whole.verdict, codes(&whole)), (Some(Outcome::Pass), vec![]));
        let less = judged(&[copy("forward", N), copy("return", N - 1)], Some(&run(0)), 0);
        assert_eq!((less.verdict, codes(&less)), (Some(Outcome::Fail), vec!["copy_missing"]));
        assert_eq!(less.copies[1].missing, Some(Range { least: 1, most: 1 }));
    }

    #[test]
    fn what_the_witness_may_have_dropped_is_not_blamed_on_the_tap() {
        let copies = [copy("forward", N - 5), copy("return", N)];
        assert_eq!(judged(&copies, Some(&run(0)), 5).verdict, Some(Outcome::Unproven));
        assert_eq!(judged(&copies, Some(&run(0)), 4).verdict, Some(Outcome::Fail));
    }

    #[test]
    fn a_port_that_does_not_count_what_it_drops_proves_no_loss() {
        let copies = [copy("forward", N - 5), copy("return", N)];
        for max_drop in [0, 1] {
            let port = Port { interface: "mon".to_owned(), max_drop, counts_drops: false, ..Port::default() };
            let mut result =
                WitnessResult { ports: vec![port], copies: copies.to_vec(), ..WitnessResult::default() };
            judge(&mut result, Against { run: Some(&run(0)), monitor_rate: None, ended: None });
            assert_eq!(codes(&result), ["witness_may_have_dropped"]);
        }
    }

    #[test]
    fn what_the_link_lost_may_have_been_lost_before_the_tap_or_behind_it() {
        // Three were lost in the link: with the copies of the others all is well, or three copies are missing.
        let copies = [copy("forward", N - 3), copy("return", N - 3)];
        let result = judged(&copies, Some(&run(3)), 0);
        assert_eq!(result.copies[0].missing, Some(Range { least: 0, most: 3 }));
        assert_eq!(codes(&result), ["lost_in_the_link_or_the_copy"]);
        // The copies of all: they were lost behind the tap.
        assert_eq!(
            judged(&[copy("forward", N), copy("return", N - 3)], Some(&run(3)), 0).verdict,
            Some(Outcome::Pass)
        );
        assert_eq!(
            judged(&[copy("forward", N - 4), copy("return", N - 3)], Some(&run(3)), 0).verdict,
            Some(Outcome::Fail)
        );
    }

    #[test]
    fn a_direction_that_was_not_seen_and_a_run_that_is_another() {
        assert_eq!(codes(&judged(&[copy("forward", N)], Some(&run(0)), 0)), ["direction_not_seen"]);
        let other = [Copy { tag: 8, ..copy("forward", N) }];
        assert_eq!(codes(&judged(&other, Some(&run(0)), 0)), ["another_run"]);
        assert_eq!(codes(&judged(&[copy("forward", N)], None, 0)), ["nothing_to_compare_with"]);
        assert_eq!(codes(&judged(&[], Some(&run(0)), 0)), ["nothing_seen"]);
    }

    /// 1,518 bytes take 12,304 bits: 100 Mb/s carry 8,127 of them a second (RFC 2544 appendix B), and two times 10,000 are
    /// 11,872 more than fit, give or take the one that is under way.
    #[test]
    fn what_cannot_fit_is_told_from_what_is_missing_beyond() {
        let half = [copy("forward", 4_064), copy("return", 4_063)];
        let result = judged(&half, Some(&run(0)), 0);
        let [one] = result.aggregation.as_slice() else { panic!("{result:?}") };
        assert_eq!((one.lost_by_arithmetic, one.lost_beyond), (11_872, 1));
        assert_eq!(result.verdict, Some(Outcome::Fail));
    }

    #[test]
    fn faults_of_the_copy_are_told_from_those_of_the_link() {
        let twice = [Copy { duplicates: 2, ..copy("forward", N) }, copy("return", N)];
        assert_eq!(codes(&judged(&twice, Some(&run(0)), 0)), ["copy_duplicated"]);
        let mut also = run(0);
        also.trials[0].counts.duplicates = 1;
        let result = judged(&twice, Some(&also), 0);
        assert_eq!((codes(&result), result.verdict), (vec!["copy_duplicated"], Some(Outcome::Unproven)));
        let damaged = [Copy { corrupted: 1, ..copy("forward", N - 1) }, copy("return", N)];
        assert_eq!(codes(&judged(&damaged, Some(&run(0)), 0)), ["copy_corrupted"]);
    }
}
