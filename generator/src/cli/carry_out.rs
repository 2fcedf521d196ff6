//! What every command that sends has in common: tuning, privileges, the live line, the result written, the exit status.

use std::io::IsTerminal;

use kitproof_common::host;
use tokio::sync::watch;

use super::complain;
use super::options::{Outputs, Sending};
use super::progress::Progress;
use super::tune;
use crate::procedure::failure::{Failure, status};
use crate::procedure::judged::Judged;
use crate::procedure::plan::{Target, Wanted};
use crate::procedure::result;
use crate::procedure::runner::{Finished, Show};
use crate::procedure::trial::Moment;
use crate::state;
use crate::verdict::Outcome;

/// The live line, and one line for each trial that is over.
struct Live {
    progress: Progress,
}

impl Show for Live {
    fn say(&mut self, text: &str) {
        self.progress.say(text);
    }

    fn moment(&mut self, position: &str, moment: Moment<'_>) {
        self.progress.show(position, moment);
    }

    fn judged(&mut self, trial: &Judged) {
        let account = &trial.account;
        self.progress.say(&format!(
            "{} bytes at {}: {}, {} offered, {} home",
            trial.outcome.trial.frame_size(),
            trial.outcome.trial.load,
            trial.verdict.verdict,
            account.offered_frames,
            account.returned_frames,
        ));
    }
}

/// Where and how a command was started.
pub struct Setting<'a> {
    /// The name of the command, for the result.
    pub command: &'a str,
    pub sending: &'a Sending,
    pub outputs: &'a Outputs,
    pub no_color: bool,
}

impl Setting<'_> {
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
        let target = self.sending.target().await?;
        let (target, tuned) = tune::for_a_run(self.sending.tune, &mut wanted, target).await?;
        host::raise_priority();
        self.outputs.give_up_privileges(self.sending.privileges())?;
        let mut live = Live { progress: Progress::new(false) };
        let finished = procedure(wanted, target, interrupt, &mut live).await;
        live.progress.clear();
        let finished = finished?;
        let mut result = result::of(&finished, self.command, started);
        result.pair.generator.tuned = Some(tune::recorded(&tuned));
        // Before anybody is told: what was told is in the ledger, whatever happens next.
        let recorded = recording.as_mut().is_none_or(|recording| recording.record(&mut result));
        let written = self.outputs.write(&result, self.no_color) && recorded;
        if written && !std::io::stdout().is_terminal() {
            // The table is not before anybody's eyes: whoever reads the log is told in one line.
            result.in_one_line().inspect(|line| complain(line));
        }
        tune::end(tuned);
        Ok(match result.verdict {
            // What is proven stays proven, however the run ended.
            _ if finished.run.interrupted => status::INTERRUPTED,
            Some(Outcome::Pass) | None if !written => status::UNPROVEN,
            Some(verdict) => verdict.exit_status(),
            None => status::PASS,
        })
    }
}
