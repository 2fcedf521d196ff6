//! A run: the agreement with the reflector, and one judged trial after the other as a procedure asks for them. Nothing
//! that was measured is lost, however it ends.

use std::time::Duration;

use kitproof_common::control::client::AskError;
use kitproof_common::control::watched::{FarWatch, Watched};
use kitproof_common::control::{End, Refusal, random};
use kitproof_common::host;
use kitproof_common::port::OpenError;
use tokio::sync::watch;

use super::failure::Failure;
use super::fitness;
use super::isolation;
use super::judged::{Judged, Setup};
use super::plan::{Offer, Plan, Target, Wanted};
use super::session::Session;
use super::trial::{self, Moment};
use crate::engine;
use crate::engine::told::Telling;
use crate::method::Came;
use crate::page::News;
use crate::reference::{Known, Ports};
use crate::report::Findings;
use crate::verdict::{Bears, Outcome, Reason, Verdict, overall};

/// How long counts that were not heard are asked for once more, at the end.
const SECOND_CHANCE: Duration = Duration::from_secs(3);

/// How long what the far end saw of an outage is asked for where its counts were not heard: copper negotiates for seconds.
const SLOW_LINK: Duration = Duration::from_secs(12);

/// A run, complete or cut short.
pub struct Run {
    pub plan: Plan,
    pub near: End,
    pub far: End,
    pub trials: Vec<Judged>,
    pub interrupted: bool,
    /// Why the run ended before every trial was run, if it did.
    pub ended_early: Option<String>,
    /// What is known of the pair alone.
    pub known: Known,
}

/// What a procedure came to.
pub struct Finished {
    pub run: Run,
    /// `None` where there is no limit to judge by; the reasons are told all the same.
    pub outcome: Option<Outcome>,
    pub reasons: Vec<Reason>,
    pub findings: Findings,
}

impl Finished {
    /// A run that measures and has no limit to judge by; it is `unproven` if a reason says that it shows less than it
    /// should.
    #[must_use]
    pub fn found(run: Run, findings: Findings, reasons: Vec<Reason>) -> Self {
        let spoiled = reasons.iter().any(|reason| reason.bears == Bears::Unproven);
        Self { run, outcome: spoiled.then_some(Outcome::Unproven), reasons, findings }
    }

    /// A run that is judged.
    #[must_use]
    pub fn judged(run: Run, verdict: Verdict) -> Self {
        Self { run, outcome: Some(verdict.verdict), reasons: verdict.reasons, findings: Findings::default() }
    }
}

/// What the caller is told while a run goes on.
pub trait Show {
    /// A line worth keeping.
    fn say(&mut self, text: &str);
    /// A moment of the trial that is `position` in words, such as `[2/7]`.
    fn moment(&mut self, position: &str, moment: Moment<'_>);
    /// A trial is over and judged.
    fn judged(&mut self, trial: &Judged);
    /// Something happened on the link or to the pair, in a long trial: too much of it to stay on a terminal.
    fn news(&mut self, news: News);
}

/// What a long trial is told each time it asks.
#[derive(Clone, Debug, Default)]
pub struct Tick {
    /// It is to stop.
    pub enough: bool,
    /// What stands on the live line.
    pub line: String,
    /// What happened since.
    pub news: Vec<News>,
}

/// What both ends saw of a watched trial.
pub struct Seen {
    pub near: engine::watch::Watched,
    /// Why it was not heard, if it was not.
    pub far: Result<FarWatch, String>,
}

/// What came of asking the far end for counts once more.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Heard {
    Yes,
    /// Nobody answers.
    No,
    /// It answers, and knows nothing of the trial: it was started anew, or heard nothing for too long.
    Forgot,
}

/// Why there is no further trial. What was measured before is in the [`Run`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stop;

/// An agreed session and the trials so far.
pub struct Runner<'a> {
    pub plan: Plan,
    pub trials: Vec<Judged>,
    target: Target,
    session: Session,
    interrupt: watch::Receiver<bool>,
    show: &'a mut dyn Show,
    ended_early: Option<String>,
    /// Why packet sockets are used at this end and at the far end, as it was said last.
    instead: Option<String>,
    far_instead: Option<String>,
    /// Why the NIC's stamps are missing, likewise.
    unstamped: Option<String>,
    known: Known,
    pair_alone: bool,
}

impl<'a> Runner<'a> {
    /// Everything before the first trial: the interface is looked at, the bench acknowledged, strangers listened for, the
    /// reflector found and agreed with.
    ///
    /// # Errors
    /// [`Failure::Usage`] and [`Failure::Environment`], in one clear line; [`Failure::Interrupted`].
    pub async fn open(
        wanted: Wanted,
        target: Target,
        mut interrupt: watch::Receiver<bool>,
        show: &'a mut dyn Show,
    ) -> Result<Self, Failure> {
        let mut listened = true;
        if let Target::Interface(facts) = &target {
            fitness::fit(facts, wanted.allow_default_route, show).await?;
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
                let known =
                    isolation::acknowledge(facts, plan.wanted.isolated_bench, plan.wanted.unattended)?;
                listened = known == isolation::Known::Remembered;
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
        let session = tokio::select! {
            session = Session::open(&target, &plan, listened) => session?,
            _ = interrupt.wait_for(|stop| *stop) => return Err(Failure::Interrupted),
        };
        if let Target::Interface(facts) = &target {
            isolation::remember(facts);
        }
        let mut instead = None;
        new_reason("packet sockets are used", &session.instead, &mut instead, show);
        if let Some(far) = &session.far.link {
            fitness::warn(&kitproof_common::link::fit(far, false), "at the far end: ", show);
        }
        let known = Known::of(&session.near, &session.far);
        if let Some(told) = known.told() {
            show.say(&format!("note: {told}"));
        }
        Ok(Self {
            known,
            pair_alone: false,
            plan,
            trials: Vec::new(),
            target,
            session,
            interrupt,
            show,
            ended_early: None,
            instead,
            far_instead: None,
            unstamped: None,
        })
    }

    /// Runs one more trial, after the pause that there must be between two, and judges it. `position` says in words
    /// which it is.
    ///
    /// # Errors
    /// `Ok(Err(Stop))`: interrupted, the far end is not there any more, or what is to be offered cannot be; the procedure
    /// ends with what it has.
    /// `Err`: the same before the first trial has brought anything.
    pub async fn trial(&mut self, offer: &Offer, position: &str) -> Result<Result<Came, Stop>, Failure> {
        if !self.trials.is_empty() {
            settle(&mut self.session, self.plan.wanted.settle, &mut self.interrupt).await;
        }
        if self.interrupted() {
            return Ok(Err(Stop));
        }
        let outcome = self.offer(offer, position).await;
        new_reason("packet sockets are used", &self.session.instead, &mut self.instead, self.show);
        new_reason("no stamps of the NIC's", &self.session.unstamped, &mut self.unstamped, self.show);
        let outcome = match outcome {
            Ok(outcome) => outcome,
            Err(failure) if self.trials.is_empty() => return Err(failure),
            Err(failure) => {
                self.ended_early = Some(failure.to_string());
                return Ok(Err(Stop));
            }
        };
        let judged = Judged::new(outcome, *offer, &self.setup());
        self.show.judged(&judged);
        if let Ok(far) = &judged.outcome.far {
            let why = &far.report.went.instead;
            new_reason("at the far end packet sockets are used", why, &mut self.far_instead, self.show);
        }
        let came = judged.came(&self.plan);
        self.trials.push(judged);
        Ok(Ok(came))
    }

    /// Runs a trial that is watched for outages at both ends; it is among the trials then, and what was seen of it is
    /// handed back. Each of the `prompts` is said when so much time has passed since the first frame was due.
    ///
    /// # Errors
    /// The far end cannot be reached or refuses before the first frame; no port. Whatever happens later is a result.
    pub async fn watched(
        &mut self,
        offer: &Offer,
        prompts: Vec<(Duration, String)>,
        threshold_ns: impl FnOnce(&engine::Trial) -> u64,
    ) -> Result<Seen, Failure> {
        let (source, destination) = self.session.addresses();
        let trial = self.plan.trial(offer, fresh_tag(&self.trials), source, destination)?;
        let watched = Watched {
            threshold_ns: threshold_ns(&trial),
            own_frames: trial.frames,
            own_rate_frames: trial.rate.frames(),
            own_rate_ns: trial.rate.nanoseconds(),
        };
        let watcher = self.session.watcher(&trial, watched.threshold_ns)?;
        self.session.watch(Some(watched));
        let show = &mut *self.show;
        let mut prompts = prompts.into_iter().peekable();
        let mut on_moment = |moment: Moment<'_>| {
            while let Some((_, text)) = prompts.next_if(|(at, _)| *at <= moment.elapsed) {
                show.say(&text);
            }
            show.moment("", moment);
        };
        let outcome =
            trial::run(&mut self.session, trial, offer.residual, &mut self.interrupt, &mut on_moment).await;
        self.session.watch(None);
        let outcome = match outcome {
            Ok(outcome) => outcome,
            Err(failure) => {
                let _ = watcher.finish();
                return Err(failure);
            }
        };
        let tag = outcome.trial.frame.session;
        // A link that has just come back may take its time.
        let patience = if outcome.far.is_ok() { SECOND_CHANCE } else { SLOW_LINK };
        let far = self.session.far_watch(tag, patience).await.map_err(|error| error.to_string());
        let near = watcher.finish().map_err(|error| {
            Failure::Incomplete(format!("the far end's frames were not watched: {error}"))
        })?;
        let judged = Judged::new(outcome, *offer, &self.setup());
        // Its losses are what was asked for: no verdict on it.
        let account = &judged.account;
        self.show.say(&format!(
            "{} bytes at {}: {} offered, {} home",
            offer.frame_size, offer.load, account.offered_frames, account.returned_frames
        ));
        self.trials.push(judged);
        Ok(Seen { near, far })
    }

    /// Runs a long trial that tells what it sees as it goes. `tick` is asked all the time, and stops it by saying yes; what it
    /// says in words stands on the live line. The trial is among the trials then.
    ///
    /// # Errors
    /// The far end cannot be reached or refuses before the first frame; no port. Whatever happens later is a result.
    pub async fn long(
        &mut self,
        offer: &Offer,
        telling: Telling,
        tick: &mut dyn FnMut(&Moment<'_>) -> Tick,
    ) -> Result<&mut Judged, Failure> {
        let (source, destination) = self.session.addresses();
        let mut trial = self.plan.trial(offer, fresh_tag(&self.trials), source, destination)?;
        trial.telling = Some(telling);
        let (stop, mut stopped) = watch::channel(false);
        let (user, show) = (self.interrupt.clone(), &mut *self.show);
        let mut on_moment = |moment: Moment<'_>| {
            let told = tick(&moment);
            for news in told.news {
                show.news(news);
            }
            show.moment(&told.line, moment);
            if told.enough || *user.borrow() {
                // It is only heard while frames are sent; later there is nothing to stop.
                let _ = stop.send(true);
            }
        };
        let mut outcome =
            trial::run(&mut self.session, trial, offer.residual, &mut stopped, &mut on_moment).await?;
        outcome.interrupted = self.interrupted();
        let judged = Judged::new(outcome, *offer, &self.setup());
        self.show.judged(&judged);
        self.trials.push(judged);
        self.trials.last_mut().ok_or_else(|| Failure::Incomplete("no trial".into()))
    }

    /// Asks once more for the far end's counts of the last trial, where they were not heard.
    pub async fn hear_again(&mut self) -> Heard {
        let Some(mut judged) = self.trials.pop() else { return Heard::Forgot };
        let heard = match &judged.outcome.far {
            Ok(_) => Heard::Yes,
            Err(_) => match ask_again(&mut judged, &mut self.session).await {
                Ok(()) => {
                    judged.again(&self.setup());
                    Heard::Yes
                }
                Err(AskError::Refused { code: Refusal::UnknownSession | Refusal::UnknownTrial, .. }) => {
                    Heard::Forgot
                }
                Err(_) => Heard::No,
            },
        };
        self.trials.push(judged);
        heard
    }

    async fn offer(&mut self, offer: &Offer, position: &str) -> Result<trial::Outcome, Failure> {
        let (source, destination) = self.session.addresses();
        let trial = self.plan.trial(offer, fresh_tag(&self.trials), source, destination)?;
        let show = &mut *self.show;
        let mut on_moment = |moment: Moment<'_>| show.moment(position, moment);
        trial::run(&mut self.session, trial, offer.residual, &mut self.interrupt, &mut on_moment).await
    }

    fn setup(&self) -> Setup<'_> {
        Setup {
            plan: &self.plan,
            target: &self.target,
            near: &self.session.near,
            far: &self.session.far,
            reference: self.known.fresh(),
            pair_alone: self.pair_alone,
        }
    }

    /// From now on there is nothing between the ports: the run is a reference itself, and none is taken off it.
    pub fn pair_alone(&mut self) {
        self.pair_alone = true;
        self.known = Known::default();
    }

    /// What is known of the pair alone.
    #[must_use]
    pub fn known(&self) -> &Known {
        &self.known
    }

    /// The MTUs of both ends, where they are known.
    #[must_use]
    pub fn mtus(&self) -> (Option<u32>, Option<u32>) {
        let mtu = |end: &End| end.link.as_ref().map(|link| link.mtu);
        (mtu(&self.session.near), mtu(&self.session.far))
    }

    /// The session, for what is no trial.
    pub fn session(&mut self) -> &mut Session {
        &mut self.session
    }

    /// The ports of the session.
    #[must_use]
    pub fn ports(&self) -> Ports {
        Ports::of(&self.session.near, &self.session.far)
    }

    /// Which of the frame sizes it is, such as `[2/7]`; `index` counts from 0.
    #[must_use]
    pub fn position(&self, index: usize) -> String {
        format!("[{}/{}]", index + 1, self.plan.sizes.len())
    }

    /// Tells of something that happened.
    pub fn news(&mut self, news: News) {
        self.show.news(news);
    }

    /// Says a line worth keeping.
    pub fn say(&mut self, text: &str) {
        self.show.say(text);
    }

    #[must_use]
    pub fn interrupted(&self) -> bool {
        *self.interrupt.borrow()
    }

    /// Says goodbye to the reflector, after asking once more for counts that were not heard.
    pub async fn close(mut self) -> Run {
        let mut trials = std::mem::take(&mut self.trials);
        for judged in trials.iter_mut().filter(|judged| judged.outcome.far.is_err()) {
            if ask_again(judged, &mut self.session).await.is_ok() {
                judged.again(&self.setup());
            }
        }
        let interrupted = self.interrupted();
        let (near, far) = (self.session.near.clone(), self.session.far.clone());
        self.session.close().await;
        Run {
            plan: self.plan,
            near,
            far,
            trials,
            interrupted,
            ended_early: self.ended_early,
            known: self.known,
        }
    }
}

impl Run {
    /// The worst of the trials' verdicts. A run with fewer trials than were `planned` (`what` they are, in the plural)
    /// proves nothing by what it left out.
    #[must_use]
    pub fn verdict(&self, planned: usize, what: &str) -> Verdict {
        let mut verdict =
            overall(self.trials.iter().map(|one| (one.outcome.trial.frame_size(), &one.verdict)));
        if self.trials.len() < planned {
            let only = format!("Only {} of {planned} {what} were tested", self.trials.len());
            verdict.reasons.push(self.incomplete(&only));
            if verdict.verdict == Outcome::Pass {
                verdict.verdict = Outcome::Unproven;
            }
        }
        verdict
    }

    /// Something was not run to its end; `what`, in words to which the cause is added.
    #[must_use]
    pub fn incomplete(&self, what: &str) -> Reason {
        let why = match &self.ended_early {
            Some(why) => why.as_str(),
            None if self.interrupted => "it was interrupted",
            None => "it ended early",
        };
        Reason::unproven("incomplete", format!("{what}: {why}."), "Run it again to the end.")
    }
}

/// Says why packet sockets are used, if that was not said before.
fn new_reason(what: &str, why: &Option<String>, said: &mut Option<String>, show: &mut dyn Show) {
    if let Some(why) = why.as_ref().filter(|why| said.as_ref() != Some(why)) {
        show.say(&format!("note: {what}: {why}"));
        *said = Some(why.clone());
    }
}

/// The counts of a trial whose end was not heard, asked for once more: the link may be back.
async fn ask_again(judged: &mut Judged, session: &mut Session) -> Result<(), AskError> {
    let trial = &judged.outcome.trial;
    judged.outcome.far = Ok(session.counts(trial.frame.session, trial.pairs, SECOND_CHANCE).await?);
    Ok(())
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
