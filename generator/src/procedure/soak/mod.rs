//! A soak: hours or days at one load, every interval and every loss written into a journal as it happens.
//!
//! Frames are numbered without a break as long as nothing ends the segment. What ends one before its time (the reflector
//! was started anew, a USB adapter dropped off, the machine slept, nobody answers any more) is an event; the soak goes on
//! with a new segment as soon as it can. What was under way then is nobody's, and no verdict is made of it.

mod companion;
pub mod goal;
mod host;
mod light;
mod recorder;
pub mod totals;

use std::fs::{File, OpenOptions};
use std::path::{Path, PathBuf};
use std::sync::mpsc::sync_channel;
use std::time::Duration;

use kitproof_common::link;
use rustix::fs::{FlockOperation, flock};
use tokio::sync::watch;
use tokio::time::Instant;

use self::companion::Companion;
use self::goal::{Goal, Known, Standing};
use self::light::Light;
use self::recorder::{Recorder, Why};
use self::totals::Totals;
use super::failure::Failure;
use super::judged::Judged;
use super::plan::{Length, Target, Wanted};
use super::runner::{Finished, Heard, Run, Runner, Show};
use crate::engine::told::{ROOM, Telling};
use crate::journal::{self, Begin, End, Event, EventKind, Record, SCHEMA, SegmentEnd, Whose, Writer};
use crate::page::News;
use crate::report::{Findings, Soak, SoakWay};
use crate::state;
use crate::statistics::stopping::{self, passed_at_the_limit};
use crate::verdict::{Limit, Outcome, Reason};

/// How long nobody may answer before the soak is given up.
const PATIENCE: Duration = Duration::from_secs(15 * 60);
/// Between two looks for a reflector, or a port, that is gone.
const LOOK_AGAIN: Duration = Duration::from_secs(3);
/// Confidence of the bounds that are told where the goal names none.
const CONFIDENCE: f64 = 0.95;

/// What it is asked for beside what every run is.
#[derive(Clone, Debug)]
pub struct Options {
    pub goal: Goal,
    /// Length of an interval, whole seconds.
    pub every: Duration,
    pub journal: PathBuf,
    /// Carry on with a journal that is there.
    pub resume: bool,
    /// The pieces between the ports, in words.
    pub through: Option<String>,
}

/// Runs it to its goal, or as far as it goes.
///
/// # Errors
/// Only before the first frame; after that everything is a result, and stands in the journal.
pub async fn run(
    options: Options,
    wanted: Wanted,
    target: Target,
    interrupt: watch::Receiver<bool>,
    show: &mut dyn Show,
) -> Result<Finished, Failure> {
    let wanted = checked(wanted, &options)?;
    let mut soak = Soaking::open(options, &wanted, &target)?;
    let mut run: Option<Run> = None;
    let mut because = soak.because.take();
    while soak.standing == Standing::Going && !*interrupt.borrow() && soak.ended_early.is_none() {
        let opened = patiently(&wanted, &target, &interrupt, run.is_some(), &mut *show).await;
        let mut runner = match opened {
            Ok(runner) => runner,
            Err(Failure::Interrupted) => break,
            Err(failure) if run.is_none() => return Err(failure),
            Err(failure) => {
                soak.ended_early = Some(failure.to_string());
                break;
            }
        };
        let went = soak.segment(&mut runner, &target, because.take()).await;
        let part = runner.close().await;
        let is_first = run.is_none();
        match &mut run {
            Some(run) => {
                run.trials.extend(part.trials);
                run.interrupted |= part.interrupted;
                (run.near, run.far) = (part.near, part.far);
            }
            None => run = Some(part),
        }
        match went {
            Ok(next) => because = next,
            Err(failure) if is_first && soak.totals.segments == 0 => return Err(failure),
            // A reflector that went between agreement and first frame is looked for again.
            Err(failure @ (Failure::Environment(_) | Failure::Incomplete(_))) => {
                because = Some(failure.to_string())
            }
            Err(failure) => soak.ended_early = Some(failure.to_string()),
        }
    }
    let Some(mut run) = run else { return Err(Failure::Interrupted) };
    run.interrupted = *interrupt.borrow() && soak.standing == Standing::Going;
    Ok(soak.finish(run))
}

/// One pair, one frame size or a mix, intervals of whole seconds. Where the goal is a ratio it is the limit.
///
/// # Errors
/// [`Failure::Usage`]: what a soak cannot do.
pub fn checked(mut wanted: Wanted, options: &Options) -> Result<Wanted, Failure> {
    if wanted.mix.is_none() && wanted.frame_sizes.get_or_insert_with(|| vec![1518]).len() != 1 {
        return Err(Failure::Usage(
            "--frame-size: a soak has one frame size, or a mix such as imix:aaafg".into(),
        ));
    }
    if wanted.pairs != 1 {
        return Err(Failure::Usage("--pairs: a soak has one pair".into()));
    }
    if options.every.is_zero() || options.every.subsec_nanos() != 0 {
        return Err(Failure::Usage("--interval: whole seconds, such as 1s or 10s".into()));
    }
    if let Goal::BitErrors { .. } = options.goal {
        wanted.limits.loss = Limit::Frames(u64::MAX);
    }
    Ok(wanted)
}

/// A runner; where there was one before, a reflector and a port that are gone are waited for.
async fn patiently<'a>(
    wanted: &Wanted,
    target: &Target,
    interrupt: &watch::Receiver<bool>,
    again: bool,
    show: &'a mut dyn Show,
) -> Result<Runner<'a>, Failure> {
    let begun = Instant::now();
    let mut stop = interrupt.clone();
    if again {
        // The first look is one of many, and must not use up the right to speak.
        loop {
            let found = match fresh(target).await {
                Ok(target) => super::session::is_there(&target).await,
                Err(failure) => Err(failure),
            };
            match found {
                Ok(()) => break,
                Err(Failure::Usage(why)) => return Err(Failure::Usage(why)),
                Err(failure) if begun.elapsed() >= PATIENCE => return Err(failure),
                Err(_) => {}
            }
            tokio::select! {
                () = tokio::time::sleep(LOOK_AGAIN) => {}
                _ = stop.wait_for(|stop| *stop) => return Err(Failure::Interrupted),
            }
        }
    }
    Runner::open(wanted.clone(), fresh(target).await?, interrupt.clone(), show).await
}

/// The target as it is now: an adapter that was plugged in again is another interface.
async fn fresh(target: &Target) -> Result<Target, Failure> {
    match target {
        Target::Interface(facts) => Ok(Target::Interface(Box::new(link::facts(&facts.name).await?))),
        Target::Udp(peer) => Ok(Target::Udp(*peer)),
    }
}

/// A soak under way.
struct Soaking {
    options: Options,
    longest: Duration,
    frame_size: u16,
    frames_per_s: f64,
    interface: String,
    journal: Writer<File>,
    totals: Totals,
    /// Begun before the first session, which gives up what it takes.
    light: Option<Light>,
    standing: Standing,
    because: Option<String>,
    ended_early: Option<String>,
    /// What happened between two segments, and was not told yet.
    news: Vec<News>,
}

impl Soaking {
    /// Opens the journal, new or to be carried on.
    fn open(options: Options, wanted: &Wanted, target: &Target) -> Result<Self, Failure> {
        let plan = super::plan::Plan::new(wanted.clone(), target)?;
        let offer = plan.offer(plan.sizes[0]);
        let frames_per_s = super::result::load_figures(wanted.load, &plan, offer.frame_size).frames_per_s;
        let interface = match target {
            Target::Interface(facts) => facts.name.clone(),
            Target::Udp(peer) => format!("udp://{peer}"),
        };
        let sizes = match &wanted.mix {
            Some(mix) => format!("mix {mix}"),
            None => format!("{} bytes", offer.frame_size),
        };
        let what = format!(
            "{sizes} at {} of {}, {:?} with {} tags, until {}, {} s at most",
            wanted.load,
            plan.line,
            wanted.encapsulation,
            wanted.tags.len(),
            options.goal,
            wanted.duration.as_secs_f64()
        );
        let begin = Begin {
            schema: SCHEMA.to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            at: state::now(),
            interface: interface.clone(),
            what,
            frame_size: offer.frame_size,
            frames_per_s,
            through: options.through.clone(),
        };
        let mut soak = Self {
            longest: wanted.duration,
            frame_size: offer.frame_size,
            frames_per_s,
            interface,
            journal: Writer::new(open_file(&options.journal, options.resume)?, 0),
            totals: Totals::default(),
            light: match target {
                Target::Interface(facts) => Some(Light::watch(facts.name.clone())),
                Target::Udp(_) => None,
            },
            standing: Standing::Going,
            because: None,
            ended_early: None,
            news: Vec::new(),
            options,
        };
        if soak.options.resume && soak.options.journal.metadata().is_ok_and(|file| file.len() > 0) {
            soak.carry_on(&begin)?;
        } else {
            soak.note(Record::Begin(begin));
        }
        Ok(soak)
    }

    /// Takes up a journal that was begun before.
    fn carry_on(&mut self, begin: &Begin) -> Result<(), Failure> {
        let path = &self.options.journal;
        let before = journal::read(path).map_err(|error| Failure::Usage(error.to_string()))?;
        if before.begin.what != begin.what {
            return Err(Failure::Usage(format!(
                "{} is of another soak: it has {}; this one would have {}. Give the same options, or name another --journal",
                path.display(),
                before.begin.what,
                begin.what
            )));
        }
        self.journal.goes_on_from(before.whole);
        self.totals = Totals::of(&before.records);
        let has_ended = matches!(before.records.last(), Some(Record::End(_)));
        let was_over = matches!(before.records.last(), Some(Record::End(_) | Record::SegmentEnd(_)) | None);
        self.standing = self.options.goal.stands(&self.known());
        if self.standing != Standing::Going {
            let why = if has_ended { "it has ended" } else { "nothing is left of it" };
            return Err(Failure::Usage(format!(
                "{}: {why}; name another --journal to begin a new soak",
                path.display()
            )));
        }
        let text = if was_over {
            "carried on after it was ended".to_owned()
        } else {
            "the program or the machine ended before; its last segment has no counts of the reflector"
                .to_owned()
        };
        self.because = Some(text.clone());
        self.event(if was_over { EventKind::Interrupted } else { EventKind::CutOff }, Whose::Pair, text);
        Ok(())
    }

    fn known(&self) -> Known {
        self.totals.known(self.longest, self.frame_size, self.frames_per_s)
    }

    fn note(&mut self, record: Record) {
        self.totals.add(&record);
        self.news.extend(recorder::news(&record));
        self.journal.append(&record, true);
    }

    fn event(&mut self, kind: EventKind, whose: Whose, text: String) {
        let segment = (self.totals.segments > 0).then_some(self.totals.segments);
        self.note(Record::Event(Event { at: recorder::now(), segment, kind, whose, text }));
    }

    /// Runs one segment; why there is to be another.
    async fn segment(
        &mut self,
        runner: &mut Runner<'_>,
        target: &Target,
        because: Option<String>,
    ) -> Result<Option<String>, Failure> {
        self.tell(runner);
        let known = self.known();
        let mut offer = runner.plan.offer(self.frame_size);
        offer.length = match self.options.goal {
            Goal::Frames(frames) => {
                // One more than is wanted: a length is rounded down to whole frames.
                let wanted = frames.saturating_sub(known.offered).max(1) + 1;
                let time = wanted as f64 / self.frames_per_s;
                Length::Time(Duration::from_secs_f64(time.min(known.left.as_secs_f64())))
            }
            Goal::Time | Goal::BitErrors { .. } => Length::Time(known.left),
        };
        let (to, told) = sync_channel(ROOM);
        let telling = Telling { every_ns: self.options.every.as_nanos() as u64, to };
        let port = (!self.interface.starts_with("udp://")).then(|| self.interface.clone());
        let companion = port.map(|name| Companion::start(name, self.options.every));
        let segment = recorder::Segment {
            number: self.totals.segments + 1,
            goal: self.options.goal,
            frame_size: self.frame_size,
            longest: self.longest,
            every: self.options.every,
        };
        let number = segment.number;
        let mut recorder =
            Recorder::new(segment, &mut self.journal, &mut self.totals, told, companion, self.light.as_ref());
        let mut tick = |moment: &super::trial::Moment<'_>| recorder.tick(moment, because.as_deref());
        let (why, failed, far_is_known) = {
            let judged = runner.long(&offer, telling, &mut tick).await?;
            (recorder.finish(&judged.outcome.trial), port_failed(judged), judged.outcome.far.is_ok())
        };
        let heard = if far_is_known { Heard::Yes } else { self.hear(runner, target).await };
        let broken = match (why, heard, &failed) {
            (_, _, Some(error)) => {
                Some((EventKind::PortFailed, Whose::Pair, format!("the generator's port failed: {error}")))
            }
            (Some(Why::Slept), ..) => Some((
                EventKind::Suspended,
                Whose::Pair,
                "the segment ended because this machine slept".to_owned(),
            )),
            (_, Heard::Forgot, _) => Some((
                EventKind::ReflectorForgot,
                Whose::Pair,
                "the reflector knows nothing of the segment: it was started anew, or heard nothing for too long".to_owned(),
            )),
            (_, Heard::No, _) => Some((
                EventKind::Silent,
                Whose::Link,
                "nothing came home any more, and the reflector does not answer".to_owned(),
            )),
            (_, Heard::Yes, None) => None,
        };
        if let Some((kind, whose, text)) = &broken
            && why != Some(Why::Slept)
        {
            self.event(*kind, *whose, text.clone());
        }
        if runner.interrupted() {
            self.event(EventKind::Interrupted, Whose::Pair, "interrupted by the user".to_owned());
        }
        let Some(judged) = runner.trials.last() else { return Ok(None) };
        self.note(Record::SegmentEnd(Box::new(SegmentEnd {
            segment: number,
            at: recorder::now(),
            verdict: judged.verdict.verdict,
            reasons: judged.verdict.reasons.clone(),
            seconds: judged.outcome.load.duration_s,
            broken: broken.is_some(),
            account: judged.account.clone(),
        })));
        self.tell(runner);
        let mut known = self.known();
        if broken.is_none() && why.is_none() && !runner.interrupted() {
            // All its frames were offered: what is left of the time is a matter of rounding.
            known.left = Duration::ZERO;
        }
        self.standing = self.options.goal.stands(&known);
        if broken.is_none() && why == Some(Why::Goal(Standing::Reached)) && self.standing == Standing::Going {
            return Ok(Some("a loss in its last moments left the goal open".to_owned()));
        }
        Ok(broken.map(|(_, _, text)| text).or_else(|| Some("nothing came home for a while".to_owned())))
    }

    fn tell(&mut self, runner: &mut Runner<'_>) {
        for news in self.news.drain(..) {
            runner.news(news);
        }
    }

    /// Asks for the counts of a segment whose end was not heard, until they are had, or are known to be gone.
    async fn hear(&mut self, runner: &mut Runner<'_>, target: &Target) -> Heard {
        let begun = Instant::now();
        runner.say("nobody answers at the far end; it is asked again until it does");
        loop {
            match runner.hear_again().await {
                Heard::No if begun.elapsed() < PATIENCE && !runner.interrupted() => {}
                heard => return heard,
            }
            // One that was started anew has another address, and knows nothing of the segment.
            if let Ok(target) = fresh(target).await
                && super::session::is_there(&target).await.is_ok()
            {
                return match runner.hear_again().await {
                    Heard::No => Heard::Forgot,
                    heard => heard,
                };
            }
            tokio::time::sleep(LOOK_AGAIN).await;
        }
    }

    /// What it came to.
    fn finish(mut self, run: Run) -> Finished {
        let (forward, homeward) = self.totals.ways();
        let mut reasons: Vec<Reason> =
            self.totals.reasons.iter().map(|reason| reason.clone().at(self.frame_size)).collect();
        reasons.extend(self.of_the_goal());
        reasons.extend(self.of_the_looks());
        if self.totals.lost_in_broken > 0 {
            reasons.push(Reason::unproven(
                "lost_in_broken_segment",
                format!(
                    "{} frames were lost within segments that were broken off: what the reflector's port dropped of them \
                     nobody knows.",
                    self.totals.lost_in_broken
                ),
                "See the journal for when it was, and prove the chain again.",
            ));
        }
        if self.totals.broken_segments > 0 {
            reasons.push(Reason::note(
                "segments_broken_off",
                format!(
                    "{} of {} segments were broken off by the pair; of those only what came home counts.",
                    self.totals.broken_segments, self.totals.segments
                ),
                "The journal says why and when.",
            ));
        }
        if self.totals.unwritten > 0 {
            reasons.push(Reason::unproven(
                "journal_incomplete",
                format!(
                    "{} lines of the journal could not be written: the disk was full for too long.",
                    self.totals.unwritten
                ),
                "Make room, or name another --journal.",
            ));
        }
        let verdict = Outcome::of(&reasons);
        self.note(Record::End(End { at: recorder::now(), verdict, reasons: reasons.clone() }));
        if let Some(why) = self.journal.refused() {
            let text = format!("The journal is not whole: {why}.");
            reasons.push(Reason::note("journal_incomplete", text, "Make room, and keep the result."));
        }
        let confidence = match self.options.goal {
            Goal::BitErrors { confidence, .. } => confidence,
            Goal::Time | Goal::Frames(_) => CONFIDENCE,
        };
        let way = |name: &str, way: goal::Way| SoakWay {
            direction: name.to_owned(),
            frames: way.frames,
            errors: way.errors,
            bit_error_bound: way.bound(self.frame_size, confidence),
            passed_at_the_limit: match self.options.goal {
                Goal::BitErrors { confidence, .. } => passed_at_the_limit(way.errors, confidence),
                Goal::Time | Goal::Frames(_) => None,
            },
        };
        let totals = &self.totals;
        let findings = Findings {
            soak: Some(Soak {
                journal: self.options.journal.display().to_string(),
                goal: self.options.goal.to_string(),
                reached: self.standing == Standing::Reached,
                confidence,
                seconds: totals.seconds(),
                segments: totals.segments,
                broken_segments: totals.broken_segments,
                intervals: totals.intervals,
                frames_offered: totals.offered(),
                ways: vec![way("forward", forward), way("return", homeward)],
                losses: totals.losses,
                longest_loss_frames: totals.longest_loss,
                seconds_with_loss: totals.seconds_with_loss,
                untold_losses: totals.untold_losses,
                link_events: totals.link_events,
                pair_events: totals.pair_events,
            }),
            ..Findings::default()
        };
        Finished { run, outcome: Some(verdict), reasons, findings }
    }

    /// What the confidence is worth after it was looked at more than once.
    fn of_the_looks(&self) -> Option<Reason> {
        let Goal::BitErrors { ratio, confidence } = self.options.goal else { return None };
        let (forward, homeward) = self.totals.ways();
        let errors = forward.errors.max(homeward.errors);
        if errors == 0 || self.standing != Standing::Reached {
            return None;
        }
        let chance = passed_at_the_limit(errors.min(stopping::MOST), confidence)?;
        let more = if errors > stopping::MOST { "more than " } else { "" };
        // Without the dust of arithmetic: 5, 0.1, 2.5.
        let one = ((1.0 - confidence) * 1e8).round() / 1e6;
        Some(Reason::note(
            "repeated_looks",
            format!(
                "A soak that ends as soon as its goal is shown looks again after every error: with {errors} of them up to {more}{:.1} % of \
                 links at {ratio:e} itself would pass, where one look lets {one} % through.",
                chance * 100.0
            ),
            "To be surer, soak again for a time fixed beforehand, or ask for more --confidence.",
        ))
    }

    /// Whether the goal was reached, as a reason.
    fn of_the_goal(&self) -> Option<Reason> {
        let goal = self.options.goal;
        match self.standing {
            Standing::Reached => None,
            Standing::Refuted => Some(Reason::fail(
                "bit_errors",
                format!("At the stated confidence the link does not have {goal}."),
                "The journal says when frames were lost; take pieces out one at a time, and soak again.",
            )),
            Standing::TooLate => Some(Reason::unproven(
                "goal_not_reached",
                format!("{goal} cannot be shown in the time there was."),
                "Give it more time (--duration).",
            )),
            Standing::Going => {
                let why = self.ended_early.as_deref().unwrap_or("it was interrupted");
                Some(Reason::unproven(
                    "incomplete",
                    format!("The soak ended before {goal} was reached: {why}."),
                    "Carry on with the same options and --resume.",
                ))
            }
        }
    }
}

/// The error of a port that ended the trial.
fn port_failed(judged: &Judged) -> Option<String> {
    judged
        .outcome
        .flows
        .iter()
        .find_map(|(departures, _)| departures.failure.as_ref())
        .map(ToString::to_string)
}

/// A journal that nobody else writes.
fn open_file(path: &Path, resume: bool) -> Result<File, Failure> {
    let usage = |error: std::io::Error| {
        let hint = if error.kind() == std::io::ErrorKind::AlreadyExists {
            ": carry on with it by --resume, or name another --journal"
        } else {
            ""
        };
        Failure::Usage(format!("{}: {error}{hint}", path.display()))
    };
    let mut how = OpenOptions::new();
    how.read(true).write(true);
    if resume {
        how.create(true).truncate(false);
    } else {
        how.create_new(true);
    }
    let file = how.open(path).map_err(usage)?;
    flock(&file, FlockOperation::NonBlockingLockExclusive).map_err(|_| {
        Failure::Usage(format!(
            "{}: another soak writes this journal; name another --journal",
            path.display()
        ))
    })?;
    Ok(file)
}
