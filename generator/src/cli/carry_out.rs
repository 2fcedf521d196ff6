//! What every command that sends has in common: tuning, privileges, the live line, the result written, the exit status.

use std::io::IsTerminal;
use std::path::Path;

use kitproof_common::host;
use rustix::thread::CapabilitySet;
use tokio::sync::watch;

use super::complain;
use super::options::{Outputs, Sending};
use super::progress::Progress;
use super::tune;
use crate::evidence::{self, Writing};
use crate::page::{About, Board, Bound, News, Page, Place};
use crate::procedure::failure::{Failure, status};
use crate::procedure::judged::Judged;
use crate::procedure::plan::{Target, Wanted};
use crate::procedure::result;
use crate::procedure::runner::{Finished, Show};
use crate::procedure::trial::Moment;
use crate::state;
use crate::verdict::Outcome;

/// The live line, one line for each trial that is over, and the page, where there is one.
struct Live {
    progress: Progress,
    page: Option<Page>,
    capture: Option<Writing>,
}

impl Show for Live {
    fn say(&mut self, text: &str) {
        self.progress.say(text);
        self.news(News::said(text));
    }

    fn moment(&mut self, position: &str, moment: Moment<'_>) {
        if let Some(page) = &mut self.page {
            page.change(|board| board.moment(position, &moment));
        }
        self.progress.show(position, moment);
    }

    fn judged(&mut self, trial: &Judged) {
        if let Some(page) = &mut self.page {
            page.change(|board| board.judged(trial));
        }
        let account = &trial.account;
        if let Some(capture) = &self.capture {
            capture.trial(format!(
                "{} bytes at {}, tag {}: {}; of {} frames {} were lost on the way there, {} on the way back, {} damaged, {} duplicated, {} reordered",
                trial.outcome.trial.frame_size(),
                trial.outcome.trial.load,
                trial.outcome.trial.frame.session,
                trial.verdict.verdict,
                account.offered_frames,
                account.lost_forward,
                account.lost_return,
                account.corrupted,
                account.duplicates,
                account.reordered,
            ));
        }
        self.progress.say(&format!(
            "{} bytes at {}: {}, {} offered, {} home",
            trial.outcome.trial.frame_size(),
            trial.outcome.trial.load,
            trial.verdict.verdict,
            account.offered_frames,
            account.returned_frames,
        ));
    }

    fn news(&mut self, news: News) {
        if let Some(page) = &mut self.page {
            page.change(|board| board.news(news));
        }
    }
}

/// Where and how a command was started.
pub struct Setting<'a> {
    /// The name of the command, for the result.
    pub command: &'a str,
    pub sending: &'a Sending,
    pub outputs: &'a Outputs,
    pub no_color: bool,
    /// What the command needs beside its ports and its results, on an interface and over UDP.
    pub keeps: Keeps,
}

/// Privileges that are kept while a command runs.
#[derive(Clone, Copy, Debug)]
pub struct Keeps {
    pub on_interface: CapabilitySet,
    pub over_udp: CapabilitySet,
}

impl Keeps {
    /// None.
    pub const NOTHING: Self = Self { on_interface: CapabilitySet::empty(), over_udp: CapabilitySet::empty() };

    fn on(self, target: &Target) -> CapabilitySet {
        match target {
            Target::Interface(_) => self.on_interface,
            Target::Udp(_) => self.over_udp,
        }
    }
}

impl<'a> Setting<'a> {
    /// A command that needs nothing beside its ports and its results.
    #[must_use]
    pub fn new(command: &'a str, sending: &'a Sending, outputs: &'a Outputs, no_color: bool) -> Self {
        Self { command, sending, outputs, no_color, keeps: Keeps::NOTHING }
    }

    /// Carries out a procedure, shows and writes its result; the exit status says what it was. `wanted` is what the options
    /// say.
    ///
    /// # Errors
    /// One clear line, before the first trial.
    pub async fn carry_out(
        &self,
        wanted: Wanted,
        interrupt: watch::Receiver<bool>,
        procedure: impl AsyncFnOnce(
            Wanted,
            Target,
            watch::Receiver<bool>,
            &mut dyn Show,
        ) -> Result<Finished, Failure>,
    ) -> Result<u8, Failure> {
        let started = state::now();
        let mut wanted = wanted;
        self.outputs.check()?;
        let mut recording = self.outputs.recording.prepare()?;
        // Before anything is asked or sent: a port that is taken is known at once.
        let bound = self.outputs.page.map(bind).transpose()?;
        let target = self.sending.target().await?;
        let capture = self.outputs.capture.as_deref().map(|path| self.capture(path, &target)).transpose()?;
        wanted.evidence = capture.as_ref().map(Writing::evidence);
        let (target, tuned) = tune::for_a_run(self.sending.tune, &mut wanted, target).await?;
        host::raise_priority();
        self.outputs.give_up_privileges(self.sending.privileges() | self.keeps.on(&target))?;
        let mut live = Live { progress: Progress::default(), page: self.serve(bound, &started)?, capture };
        let finished = procedure(wanted, target, interrupt, &mut live).await;
        live.progress.clear();
        let captured = live.capture.take().is_none_or(|capture| captured(capture, finished.is_ok()));
        let finished = finished?;
        let mut result = result::of(&finished, self.command, started);
        result.pair.generator.tuned = Some(tune::recorded(&tuned));
        // Before anybody is told: what was told is in the ledger, whatever happens next.
        let recorded = recording.as_mut().is_none_or(|recording| recording.record(&mut result));
        let written = self.outputs.write(&result, self.no_color) && recorded && captured;
        if written && !std::io::stdout().is_terminal() {
            // The table is not before anybody's eyes: whoever reads the log is told in one line.
            result.in_one_line().inspect(|line| complain(line));
        }
        tune::end(tuned);
        if let Some(page) = &mut live.page {
            page.end(&result.verdict.map_or("measured".to_owned(), |verdict| verdict.to_string())).await;
        }
        Ok(match result.verdict {
            // What is proven stays proven, however the run ended.
            _ if finished.run.interrupted => status::INTERRUPTED,
            Some(Outcome::Pass) | None if !written => status::UNPROVEN,
            Some(verdict) => verdict.exit_status(),
            None => status::PASS,
        })
    }

    /// The capture file, before anything is sent.
    fn capture(&self, path: &Path, target: &Target) -> Result<Writing, Failure> {
        let shown = path.display();
        let Target::Interface(facts) = target else {
            return Err(Failure::Usage(format!("--capture: {}", evidence::OVER_UDP)));
        };
        let what = format!("frames around what went wrong in kitproof {} on {}", self.command, facts.name);
        evidence::begin(path, &facts.name, &what).map_err(|error| {
            let hint =
                if error.kind() == std::io::ErrorKind::AlreadyExists { "; name a new file" } else { "" };
            Failure::Usage(format!("--capture {shown}: {error}{hint}"))
        })
    }

    /// The page, once there are no privileges left that it could have.
    fn serve(&self, bound: Option<Bound>, started: &str) -> Result<Option<Page>, Failure> {
        let Some(bound) = bound else { return Ok(None) };
        let about = About {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            command: self.command.to_owned(),
            target: self.sending.target.clone(),
            through: self.outputs.recording.through.as_ref().map(ToString::to_string),
            started: started.to_owned(),
        };
        let address = bound.address;
        let open =
            if bound.is_open_to_others() { "; whoever reaches this machine can watch there" } else { "" };
        let page = bound
            .serve(Board::new(about))
            .map_err(|error| Failure::Environment(format!("--page {address}: {error}")))?;
        complain(&format!("watch it at http://{address}/{open}"));
        Ok(Some(page))
    }
}

/// Ends the capture; false if it is not whole. Of a run that did not begin none is left.
fn captured(capture: Writing, ran: bool) -> bool {
    let path = capture.path().to_owned();
    match capture.finish() {
        Ok(0) if !ran => drop(std::fs::remove_file(path)),
        Ok(0) => complain(
            "nothing went wrong that could be captured: the file has its head and what each trial came to",
        ),
        Ok(pieces) => complain(&format!("{pieces} pieces of evidence are in the capture")),
        Err(error) => {
            complain(&format!("the capture is not whole: {error}"));
            return false;
        }
    }
    true
}

fn bind(place: Place) -> Result<Bound, Failure> {
    Bound::new(place).map_err(|error| {
        Failure::Usage(format!("--page {place}: {error}; name another port, or an address of this machine"))
    })
}
