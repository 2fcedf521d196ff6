//! Link loss through the chain: each cord is pulled in turn, and it is seen what each end notices of it.
//!
//! One watched trial for each segment. The end whose own cord is pulled loses its link by nature; whether the other end loses
//! it too is what the chain does about it: a passive path passes the loss on, a media converter may (common practice, no
//! source).

use std::time::Duration;

use tokio::sync::watch;

use super::failure::Failure;
use super::interruption::{self, Way, pulls, watch_while, ways};
use super::judged::Judged;
use super::plan::{Target, Wanted};
use super::runner::{Finished, Run, Runner, Seen, Show};
use crate::method::outages::{CarrierChange, Kind};
use crate::report::{self, Findings};
use crate::verdict::{Outcome, Reason};

/// The frame size where none is asked for, bytes including FCS.
const FRAME_SIZE: u16 = 512;
/// From the first frame to the pull.
const LEAD: Duration = Duration::from_secs(3);

/// What the person reads before the first cord.
pub const CAUTION: &str = "Pull and plug cords only on the isolated bench; never look into a fibre end or a connector, cover what is \
                           open, and clean an end before it goes in again; local codes and the site's rules come first.";

/// What is asked for beside what every run is.
#[derive(Clone, Debug)]
pub struct Options {
    /// The pieces, in order from the generator.
    pub pieces: Vec<String>,
    /// How long a cord is out.
    pub unplugged: Duration,
    /// A cut whose far end keeps its link is a failure.
    pub expect_passed_on: bool,
}

/// One cord, between two neighbours.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Segment {
    from: String,
    to: String,
    /// Whether it ends at the generator's port, at the reflector's.
    own: Ends<bool>,
}

/// Something of either end.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Ends<T> {
    generator: T,
    reflector: T,
}

/// What was seen of one cut; times in nanoseconds after the first frame.
#[derive(Clone, Debug, Default, PartialEq)]
struct Cut {
    /// When frames stopped in any direction.
    stopped_ns: Option<u64>,
    /// Whether they came back in every direction that stopped, and after how long in the one that took longest.
    back_after_ns: Option<u64>,
    never_back: bool,
    /// How each end's link went: when, and for how long if it came back.
    down: Ends<Option<Down>>,
    /// The far end's side was not heard.
    unheard: bool,
    by_host: bool,
}

/// A link that went.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Down {
    at_ns: u64,
    for_ns: Option<u64>,
}

/// Cuts each segment in turn.
///
/// # Errors
/// Only before the first traffic; after that everything is a result.
pub async fn run(
    options: Options,
    wanted: Wanted,
    target: Target,
    interrupt: watch::Receiver<bool>,
    show: &mut dyn Show,
) -> Result<Finished, Failure> {
    let segments = segments(&options.pieces)?;
    let needed = LEAD.saturating_add(options.unplugged.saturating_mul(2));
    if wanted.duration < needed {
        return Err(Failure::Usage(format!(
            "--duration: {} s at least, so that a cord that is out for {} s can come back",
            needed.as_secs_f64(),
            options.unplugged.as_secs_f64()
        )));
    }
    let unattended = wanted.unattended;
    let mut runner = interruption::open(FRAME_SIZE, wanted, target, interrupt, show).await?;
    runner.say(CAUTION);
    let seconds = runner.plan.wanted.duration.as_secs_f64() * segments.len() as f64;
    runner.say(&format!("{} cords, about {seconds:.0} s and the time between them", segments.len()));
    let mut all: Vec<Seen> = Vec::new();
    let mut stopped = None;
    for segment in &segments {
        if runner.interrupted() {
            break;
        }
        match one(&mut runner, segment, &options, unattended).await {
            Ok(Some(seen)) => all.push(seen),
            Ok(None) => break,
            Err(failure) if all.is_empty() => return Err(failure),
            Err(failure) => {
                stopped = Some(failure.to_string());
                break;
            }
        }
    }
    let run = runner.close().await;
    Ok(finished(&options, &segments, run, &all, stopped))
}

async fn one(
    runner: &mut Runner<'_>,
    segment: &Segment,
    options: &Options,
    unattended: bool,
) -> Result<Option<Seen>, Failure> {
    let Segment { from, to, .. } = segment;
    if !unattended {
        runner.say(&format!(
            "next: the cord between {from} and {to}; press Enter when ready, or type skip to end"
        ));
    }
    let asked = tokio::task::spawn_blocking(move || pulls::asked(unattended));
    if asked.await.ok().flatten() == Some(false) {
        return Ok(None);
    }
    let prompts = vec![
        (LEAD, format!("unplug the cord between {from} and {to} NOW")),
        (LEAD.saturating_add(options.unplugged), format!("plug it in again NOW ({from} - {to})")),
    ];
    let what = format!("you will be told when to unplug the cord between {from} and {to}");
    watch_while(runner, &what, prompts).await.map(Some)
}

/// The cords between neighbours, in order from the generator.
fn segments(pieces: &[String]) -> Result<Vec<Segment>, Failure> {
    if pieces.is_empty() || pieces.len() > 16 || pieces.iter().any(|piece| piece.trim().is_empty()) {
        return Err(Failure::Usage("--pieces: 1 to 16 names, such as T-1,C-1,C-2".into()));
    }
    let mut places = vec!["the generator".to_owned()];
    places.extend(pieces.iter().map(|piece| piece.trim().to_owned()));
    places.push("the reflector".to_owned());
    let last = places.len() - 2;
    let cord = |(number, two): (usize, &[String])| Segment {
        from: two[0].clone(),
        to: two[1].clone(),
        own: Ends { generator: number == 0, reflector: number == last },
    };
    Ok(places.windows(2).enumerate().map(cord).collect())
}

/// From a watched trial to what was seen of the cut.
fn cut(judged: &Judged, seen: &Seen, ways: &[Way]) -> Cut {
    let outages = || ways.iter().flat_map(|way| way.found.outages.iter());
    let stopped_ns = outages().map(|outage| outage.start_ns).min();
    let never_back = outages().any(|outage| outage.kind == Kind::NeverBack);
    let (near, far) = interruption::changes(judged);
    let start_ns = judged.outcome.start_ns;
    Cut {
        stopped_ns,
        back_after_ns: outages().map(|outage| outage.by_timestamp_ns).max().filter(|_| !never_back),
        never_back,
        down: Ends { generator: down(&near, start_ns), reflector: down(&far, start_ns) },
        unheard: seen.far.is_err(),
        by_host: near.iter().chain(&far).any(|change| change.by_host),
    }
}

/// The first loss of an end's link, and how long it took to come back.
fn down(changes: &[CarrierChange], start_ns: u64) -> Option<Down> {
    let lost = changes.iter().position(|change| !change.up || change.losses > 0)?;
    let at_ns = changes[lost].at_ns.saturating_sub(start_ns);
    if changes[lost].up {
        // Back before it was told.
        return Some(Down { at_ns, for_ns: Some(0) });
    }
    let back = changes[lost + 1..].iter().find(|change| change.up);
    Some(Down { at_ns, for_ns: back.map(|back| back.at_ns.saturating_sub(start_ns).saturating_sub(at_ns)) })
}

/// Whether the ends that the cord does not end at noticed: `None` where nothing was cut, or the end was not heard.
fn passed_on(segment: &Segment, cut: &Cut) -> Ends<Option<bool>> {
    let anything = cut.stopped_ns.is_some() || cut.down.generator.is_some() || cut.down.reflector.is_some();
    let noticed = |own: bool, down: Option<Down>| (anything && !own).then_some(down.is_some());
    Ends {
        generator: noticed(segment.own.generator, cut.down.generator),
        reflector: noticed(segment.own.reflector, cut.down.reflector).filter(|_| !cut.unheard),
    }
}

fn words(segment: &Segment, cut: &Cut) -> String {
    let passed = passed_on(segment, cut);
    let each = [("the generator", passed.generator), ("the reflector", passed.reflector)];
    let told: Vec<String> = each
        .into_iter()
        .filter_map(|(end, passed)| {
            passed.map(
                |yes| if yes { format!("{end} lost its link too") } else { format!("{end} kept its link") },
            )
        })
        .collect();
    match told.as_slice() {
        [] if cut.unheard => "the reflector was not heard".to_owned(),
        [] => "nothing was seen".to_owned(),
        told => told.join(", "),
    }
}

fn finished(
    options: &Options,
    segments: &[Segment],
    run: Run,
    all: &[Seen],
    stopped: Option<String>,
) -> Finished {
    let mut reasons = Vec::new();
    let mut findings = Findings::default();
    for ((segment, seen), judged) in segments.iter().zip(all).zip(&run.trials) {
        let cut = cut(judged, seen, &ways(judged, seen, &run));
        findings.link_loss.push(finding(segment, &cut, judged, &run));
        reasons.extend(of_one(options, segment, &cut));
        reasons.extend(interruption::link_after(&run, judged));
    }
    if all.len() < segments.len() {
        let why = stopped.unwrap_or_else(|| "it was ended by hand".to_owned());
        reasons.push(Reason::unproven(
            "incomplete",
            format!("Only {} of {} cords were pulled: {why}.", all.len(), segments.len()),
            "Run it again to the end.",
        ));
    }
    let outcome = Outcome::where_judged(&reasons, options.expect_passed_on);
    Finished { run, outcome, reasons, findings }
}

fn of_one(options: &Options, segment: &Segment, cut: &Cut) -> Vec<Reason> {
    let cord = format!("the cord between {} and {}", segment.from, segment.to);
    let judging = |code: &str, text: String, advice: &str| {
        if options.expect_passed_on {
            Reason::unproven(code, text, advice)
        } else {
            Reason::note(code, text, advice)
        }
    };
    let mut reasons = Vec::new();
    if cut.by_host {
        let text =
            format!("While {cord} was out a host took its own link down: what was seen may be its doing.");
        reasons.push(judging("host_took_link_down", text, "Leave both ports alone, and run it again."));
        return reasons;
    }
    if cut.unheard {
        let text = format!("What the reflector saw while {cord} was out was not heard.");
        reasons.push(judging(
            "far_end_not_heard",
            text,
            "Plug the cord in again sooner, or watch longer (--duration).",
        ));
    }
    let passed = passed_on(segment, cut);
    let ends = [passed.generator, passed.reflector];
    if ends.iter().all(Option::is_none) && !cut.unheard {
        let text = format!("Nothing was seen of {cord}: neither did frames stop nor did a link go.");
        reasons.push(judging("no_cut", text, "Pull it, and run it again."));
    }
    if options.expect_passed_on && ends.contains(&Some(false)) {
        reasons.push(Reason::fail(
            "not_passed_on",
            format!("With {cord} out, {}.", words(segment, cut)),
            "Whatever watches the link there does not notice: a media converter may have a switch for it.",
        ));
    }
    if cut.never_back {
        reasons.push(judging(
            "never_came_back",
            format!("Frames did not come back after {cord} was pulled."),
            "Plug it in again, look at both ends' links, and watch longer (--duration).",
        ));
    }
    reasons
}

fn finding(segment: &Segment, cut: &Cut, judged: &Judged, run: &Run) -> report::LinkLoss {
    let ms = |ns: u64| ns as f64 / 1e6;
    let port = |down: Option<Down>, before: Option<u32>, after: Option<u32>| report::PortSeen {
        lost_link: down.is_some(),
        after_frames_stopped_ms: down
            .zip(cut.stopped_ns)
            .map(|(down, stopped)| (down.at_ns as f64 - stopped as f64) / 1e6),
        down_for_ms: down.and_then(|down| down.for_ns).map(ms),
        speed_before_mbps: before,
        speed_after_mbps: after,
    };
    let speed = |end: &kitproof_common::control::End| end.link.as_ref().and_then(|link| link.speed_mbps);
    let near_after = judged.outcome.near_facts.as_ref().and_then(|link| link.speed_mbps);
    let far_before = speed(&run.far);
    let far_after = judged.outcome.far.as_ref().ok().and_then(|far| far.report.speed_now.or(far_before));
    let passed = passed_on(segment, cut);
    report::LinkLoss {
        from: segment.from.clone(),
        to: segment.to.clone(),
        words: words(segment, cut),
        frames_stopped_s: cut.stopped_ns.map(|ns| ns as f64 / 1e9),
        frames_back_after_ms: cut.back_after_ns.map(ms),
        generator: port(cut.down.generator, speed(&run.near), near_after),
        reflector: port(cut.down.reflector, far_before, far_after),
        passed_on_to_generator: passed.generator,
        passed_on_to_reflector: passed.reflector,
        resolution_ms: ms(crate::method::outages::NEWS_NS),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::method::outages::End;
    use crate::verdict::Bears;

    fn pieces(names: &[&str]) -> Vec<String> {
        names.iter().map(|name| (*name).to_owned()).collect()
    }

    fn change(at_ms: u64, up: bool, losses: u32) -> CarrierChange {
        CarrierChange { end: End::Receiving, at_ns: 1_000_000 * (1_000 + at_ms), up, losses, by_host: false }
    }

    #[test]
    fn there_is_one_cord_more_than_pieces() {
        let all = segments(&pieces(&["T-1", " C-1"])).unwrap();
        let names: Vec<(&str, &str)> = all.iter().map(|one| (one.from.as_str(), one.to.as_str())).collect();
        assert_eq!(names, [("the generator", "T-1"), ("T-1", "C-1"), ("C-1", "the reflector")]);
        let own: Vec<(bool, bool)> = all.iter().map(|one| (one.own.generator, one.own.reflector)).collect();
        assert_eq!(own, [(true, false), (false, false), (false, true)]);
        for wrong in [&[][..], &["T-1", ""], &["x"; 17]] {
            assert!(segments(&pieces(wrong)).is_err());
        }
    }

    #[test]
    fn the_first_loss_of_a_link_is_found() {
        let start_ns = 1_000_000_000;
        let told = |changes: &[CarrierChange]| down(changes, start_ns);
        assert_eq!(told(&[]), None);
        assert_eq!(told(&[change(5, true, 0)]), None, "it came up, and had not been lost");
        let lost = [change(3_000, false, 1), change(9_000, true, 0), change(12_000, false, 1)];
        assert_eq!(told(&lost), Some(Down { at_ns: 3_000_000_000, for_ns: Some(6_000_000_000) }));
        assert_eq!(told(&lost[..1]), Some(Down { at_ns: 3_000_000_000, for_ns: None }));
        assert_eq!(told(&[change(3_000, true, 1)]), Some(Down { at_ns: 3_000_000_000, for_ns: Some(0) }));
    }

    #[test]
    fn the_ends_whose_cord_it_is_not_say_whether_it_was_passed_on() {
        let all = segments(&pieces(&["T-1", "C-1"])).unwrap();
        let down = Some(Down { at_ns: 1, for_ns: Some(1) });
        let cut = |generator, reflector| Cut {
            stopped_ns: Some(1),
            down: Ends { generator, reflector },
            ..Cut::default()
        };
        let told = |segment: usize, cut: &Cut| {
            let passed = passed_on(&all[segment], cut);
            (passed.generator, passed.reflector)
        };
        assert_eq!(told(0, &cut(down, None)), (None, Some(false)));
        assert_eq!(told(0, &cut(down, down)), (None, Some(true)));
        assert_eq!(told(1, &cut(None, down)), (Some(false), Some(true)));
        assert_eq!(told(2, &cut(None, down)), (Some(false), None));
        assert_eq!(told(1, &Cut::default()), (None, None), "nobody pulled");
        assert_eq!(told(1, &Cut { unheard: true, ..cut(down, None) }), (Some(true), None));
        assert_eq!(
            words(&all[1], &cut(None, down)),
            "the generator kept its link, the reflector lost its link too"
        );
    }

    #[test]
    fn only_what_is_expected_fails() {
        let segment = &segments(&pieces(&["C-1"])).unwrap()[0];
        let told = |expect_passed_on: bool, cut: &Cut| {
            let options = Options { pieces: vec![], unplugged: Duration::ZERO, expect_passed_on };
            let all = of_one(&options, segment, cut);
            all.into_iter().map(|reason| (reason.bears, reason.code)).collect::<Vec<_>>()
        };
        let kept = Cut { stopped_ns: Some(1), ..Cut::default() };
        assert_eq!(told(false, &kept), []);
        assert_eq!(told(true, &kept), [(Bears::Fail, "not_passed_on".to_owned())]);
        assert_eq!(told(false, &Cut::default()), [(Bears::Note, "no_cut".to_owned())]);
        assert_eq!(told(true, &Cut::default()), [(Bears::Unproven, "no_cut".to_owned())]);
        // A host that took its own link down explains anything.
        let host = Cut { by_host: true, ..kept };
        assert_eq!(told(true, &host), [(Bears::Unproven, "host_took_link_down".to_owned())]);
    }
}
