//! The main job: every frame size at the intended load, each trial judged, none of it lost.

use std::time::Duration;

use kitproof_common::control::{End, random};
use kitproof_common::host;
use kitproof_common::line::tolerance;
use kitproof_common::link::{self, LinkFacts, State};
use kitproof_common::port::OpenError;
use tokio::sync::watch;

use super::failure::Failure;
use super::isolation::{self, Known};
use super::judged::Judged;
use super::plan::{Plan, Target, Wanted};
use super::session::Session;
use super::trial::{self, Moment};
use crate::verdict::{Outcome, Reason, Verdict, overall};

/// How long counts that were not heard are asked for once more, at the end.
const SECOND_CHANCE: Duration = Duration::from_secs(3);

/// A run, complete or cut short.
pub struct Run {
    pub plan: Plan,
    pub near: End,
    pub far: End,
    pub trials: Vec<Judged>,
    pub verdict: Verdict,
    pub interrupted: bool,
    /// Why the run ended before every size was tested, if it did.
    pub ended_early: Option<String>,
}

/// What the caller is told while a run goes on.
pub trait Show {
    /// A line worth keeping.
    fn say(&mut self, text: &str);
    /// A moment of trial `number` of `of`.
    fn moment(&mut self, number: usize, of: usize, moment: Moment<'_>);
    /// A trial is over and judged.
    fn judged(&mut self, trial: &Judged);
}

/// Looks at the interface; refuses the unfit. The warnings are told.
///
/// # Errors
/// [`Failure::Environment`], with what to do about it.
pub async fn fit(facts: &LinkFacts, allow_default_route: bool, show: &mut dyn Show) -> Result<(), Failure> {
    warn(&able(facts, allow_default_route).await?, "", show);
    // What the host lacks to judge well; a missing privilege is told when it is missed.
    warn(&link::fit_host(&link::host()), "", show);
    Ok(())
}

/// The points of an interface that can be used; refuses the unfit.
///
/// # Errors
/// As [`fit`].
pub async fn able(facts: &LinkFacts, allow_default_route: bool) -> Result<Vec<link::Point>, Failure> {
    let routes = link::default_route_interfaces().await.unwrap_or_default();
    let carries_route = routes.contains(&facts.index) && !allow_default_route;
    let points = link::fit(facts, carries_route);
    let refused: Vec<String> =
        points.iter().filter(|point| point.state == State::Refuse).map(link::Point::in_one_line).collect();
    if !refused.is_empty() {
        return Err(Failure::Environment(format!("{} cannot be used: {}", facts.name, refused.join("; "))));
    }
    Ok(points)
}

/// Tells the points that may spoil the judgement.
fn warn(points: &[link::Point], whose: &str, show: &mut dyn Show) {
    for point in points.iter().filter(|point| point.state == State::Warn) {
        show.say(&format!("note: {whose}{}", point.in_one_line()));
    }
}

/// Runs the whole job. Whatever was measured is in the [`Run`], also when it ended early.
///
/// # Errors
/// Only before the first trial; after that everything is a result.
pub async fn run(
    wanted: Wanted,
    target: Target,
    mut interrupt: watch::Receiver<bool>,
    show: &mut dyn Show,
) -> Result<Run, Failure> {
    let mut listened = true;
    if let Target::Interface(facts) = &target {
        fit(facts, wanted.allow_default_route, show).await?;
    }
    let plan = Plan::new(wanted, &target)?;
    for note in &plan.notes {
        show.say(&format!("note: {note}"));
    }
    match &target {
        Target::Interface(facts) => {
            // Before anybody is asked anything.
            if !host::may_open_packet_sockets() {
                return Err(OpenError::no_permission(&facts.name).into());
            }
            let known = isolation::acknowledge(facts, plan.wanted.isolated_bench, plan.wanted.unattended)?;
            listened = known == Known::Remembered;
            if !listened {
                show.say("listening for strangers on the link, at both ends, for three seconds");
            }
        }
        Target::Udp(peer) => {
            if !peer.ip().is_loopback() && !plan.wanted.isolated_bench {
                return Err(Failure::Environment(
                    "over a routed path nobody can listen for strangers: if the whole path carries nothing \
                     else (RFC 6815), say --isolated-bench"
                        .into(),
                ));
            }
        }
    }
    let mut session = tokio::select! {
        session = Session::open(&target, &plan, listened) => session?,
        _ = interrupt.wait_for(|stop| *stop) => return Err(Failure::Interrupted),
    };
    if let Target::Interface(facts) = &target {
        isolation::remember(facts);
    }
    let (mut instead, mut far_instead) = (None, None);
    new_reason("packet sockets", &session.instead, &mut instead, show);
    if let Some(far) = &session.far.link {
        warn(&link::fit(far, false), "at the far end: ", show);
    }
    let mut trials = Vec::new();
    let mut ended_early = None;
    let sizes = plan.sizes.clone();
    let (source, destination) = session.addresses();
    for (index, size) in sizes.iter().enumerate() {
        let tag = fresh_tag(&trials);
        let trial = plan.trial(*size, tag, source, destination)?;
        let mut on_moment = |moment: Moment<'_>| show.moment(index + 1, sizes.len(), moment);
        let outcome =
            trial::run(&mut session, trial, plan.wanted.residual, &mut interrupt, &mut on_moment).await;
        new_reason("packet sockets", &session.instead, &mut instead, show);
        let outcome = match outcome {
            Ok(outcome) => outcome,
            Err(failure) if trials.is_empty() => return Err(failure),
            Err(failure) => {
                ended_early = Some(failure.to_string());
                break;
            }
        };
        let judged = Judged::new(outcome, &plan, &target, &session.near, &session.far);
        show.judged(&judged);
        if let Ok(far) = &judged.outcome.far {
            new_reason("at the far end packet sockets", &far.went.instead, &mut far_instead, show);
        }
        trials.push(judged);
        if *interrupt.borrow() {
            break;
        }
        if index + 1 < sizes.len() {
            settle(&mut session, plan.wanted.settle, &mut interrupt).await;
        }
    }
    for judged in &mut trials {
        ask_again(judged, &mut session, &plan, &target).await;
    }
    let (near, far) = (session.near.clone(), session.far.clone());
    session.close().await;
    let interrupted = *interrupt.borrow();
    let mut verdict = whole(&trials, interrupted, ended_early.as_deref(), sizes.len());
    verdict.reasons.extend(clocks_apart(&trials, &plan));
    Ok(Run { plan, near, far, trials, verdict, interrupted, ended_early })
}

/// Says why packet sockets are used, if that was not said before.
fn new_reason(what: &str, why: &Option<String>, said: &mut Option<String>, show: &mut dyn Show) {
    if let Some(why) = why.as_ref().filter(|why| said.as_ref() != Some(why)) {
        show.say(&format!("note: {what} are used: {why}"));
        *said = Some(why.clone());
    }
}

/// At full load two legal clocks may be so far apart that kit with a clock of its own has to drop frames: said when
/// frames are missing, because then it may be the reason.
fn clocks_apart(trials: &[Judged], plan: &Plan) -> Option<Reason> {
    let seconds = plan.wanted.duration.as_secs_f64();
    let worst = trials
        .iter()
        .filter(|one| one.account.lost() > 0)
        .filter_map(|one| {
            let size = one.outcome.trial.frame.frame_size;
            let note = tolerance::note(one.outcome.trial.rate, plan.line, size, seconds)?;
            Some((size, note.surplus_frames))
        })
        .max_by(|(_, one), (_, other)| one.total_cmp(other))?;
    let (size, frames) = worst;
    Some(Reason::note(
        "clock_tolerance",
        format!(
            "At this load two clocks that are 200 ppm apart, as IEEE 802.3 allows, leave up to {frames:.0} frames of \
             {size} bytes in a trial without a way out of kit that has a clock of its own (a converter, a switch; not a \
             tap or a patch)."
        ),
        "Compare with --load rfc8239 (99.98 %), which every legal pair of clocks carries.",
    ))
}

/// The counts of a trial whose end was not heard, asked for once more: the link may be back.
async fn ask_again(judged: &mut Judged, session: &mut Session, plan: &Plan, target: &Target) {
    if judged.outcome.far.is_ok() {
        return;
    }
    let Ok(report) = session.counts(judged.outcome.trial.frame.session, SECOND_CHANCE).await else { return };
    judged.outcome.far = Ok(report);
    judged.again(plan, target, &session.near, &session.far);
}

/// The run's verdict: the worst of its trials; a run that is not complete proves nothing by what it left out.
fn whole(trials: &[Judged], interrupted: bool, ended_early: Option<&str>, planned: usize) -> Verdict {
    let mut verdict = overall(trials.iter().map(|one| (one.outcome.trial.frame.frame_size, &one.verdict)));
    if trials.len() < planned {
        let why = match ended_early {
            Some(why) => why.to_owned(),
            None if interrupted => "it was interrupted".to_owned(),
            None => "it ended early".to_owned(),
        };
        verdict.reasons.push(Reason::unproven(
            "incomplete",
            format!("Only {} of {planned} frame sizes were tested: {why}.", trials.len()),
            "Run it again to the end.",
        ));
        if verdict.verdict == Outcome::Pass {
            verdict.verdict = Outcome::Unproven;
        }
    }
    verdict
}

/// Waits between two trials, and lets a reflector that would take a long silence for the end hear from us meanwhile.
async fn settle(session: &mut Session, time: Duration, interrupt: &mut watch::Receiver<bool>) {
    let piece = (session.idle / 3).max(Duration::from_millis(100));
    let mut left = time;
    while !left.is_zero() {
        let now = left.min(piece);
        tokio::select! {
            () = tokio::time::sleep(now) => {}
            _ = interrupt.wait_for(|stop| *stop) => return,
        }
        left -= now;
        if !left.is_zero() {
            // Unanswered it changes nothing: the next trial's start will say what is wrong.
            let _ = session.learn().await;
        }
    }
}

/// A tag that no earlier trial of this run has, so that its late frames are strangers.
fn fresh_tag(trials: &[Judged]) -> u16 {
    loop {
        let tag = random() as u16;
        if tag != 0 && trials.iter().all(|one| one.outcome.trial.frame.session != tag) {
            return tag;
        }
    }
}
