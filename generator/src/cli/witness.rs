//! `kitproof witness`: what a tap's monitor ports handed over, against what passed.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use clap::Args;
use kitproof_common::host;
use kitproof_common::line::LineRate;
use kitproof_common::link;
use tokio::sync::watch;

use super::complain;
use super::options::{duration, print, read};
use super::progress::Progress;
use crate::procedure::failure::{Failure, status};
use crate::procedure::isolation;
use crate::report::{self, Ink, RunResult};
use crate::state;
use crate::verdict::{Bears, Outcome};
use crate::witness::judge::{Against, heard, judge};
use crate::witness::listen::{Ended, Until, listen};
use crate::witness::probe_back;
use crate::witness::told::WitnessResult;

const CAUTION: &str = "What a monitor port shows is somebody's traffic: listen only where you are allowed to. \
                       --probe-back sends into the monitor port; a tap that leaks puts that into the link, so the link must \
                       carry nothing else (RFC 6815).";

#[derive(Args, Debug)]
#[command(after_help = CAUTION)]
pub struct Witness {
    /// The interfaces that the monitor ports are plugged into
    #[arg(value_name = "INTERFACE", required_unless_present = "heard")]
    pub interfaces: Vec<String>,

    /// The result of the run that went by meanwhile (its --json FILE); read when listening ends
    #[arg(long, value_name = "FILE")]
    pub against: Option<PathBuf>,

    /// Judge what was heard earlier (this command's --json FILE) in place of listening
    #[arg(long, value_name = "FILE", conflicts_with_all = ["interfaces", "probe_back"], requires = "against")]
    pub heard: Option<PathBuf>,

    /// Listen so long at most
    #[arg(long, value_name = "TIME", default_value = "24h", value_parser = duration)]
    pub duration: Duration,

    /// End when no test frame has come for so long; longer than the pause between two trials
    #[arg(long, value_name = "TIME", default_value = "30s", value_parser = duration)]
    pub silence: Duration,

    /// What one monitor port can send, where it is not the speed of the port here
    #[arg(long, value_name = "RATE")]
    pub monitor_rate: Option<LineRate>,

    /// Send frames into the monitor ports: they must not appear in the link
    #[arg(long, requires = "link")]
    pub probe_back: bool,

    /// With --probe-back: a port of the link on this machine, where they would appear; twice for both ends
    #[arg(long, value_name = "INTERFACE")]
    pub link: Vec<String>,

    /// With --probe-back: this link carries nothing else (RFC 6815)
    #[arg(long)]
    pub isolated_bench: bool,

    /// Never ask, never wait for a key
    #[arg(long)]
    pub unattended: bool,

    /// Write the result as JSON to a file, or to standard output (-) in place of the table
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
}

impl Witness {
    /// Listens, or judges what was heard; the exit status says what it was.
    ///
    /// # Errors
    /// One clear line.
    pub async fn run(&self, no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        if let Some(twice) = self
            .interfaces
            .iter()
            .enumerate()
            .find_map(|(at, name)| self.interfaces[..at].contains(name).then_some(name))
        {
            return Err(Failure::Usage(format!("{twice} is named twice: each monitor port once")));
        }
        if self.probe_back {
            return self.probe(no_color, &interrupt).await;
        }
        let (mut result, ended) = match &self.heard {
            Some(path) => (read::<WitnessResult>(path)?, None),
            None => {
                let (result, ended) = self.listen(interrupt.clone()).await?;
                (result, Some(ended))
            }
        };
        let run = match &self.against {
            Some(path) if self.heard.is_some() => Some(read::<RunResult>(path)?),
            // Nothing that was heard is lost for a file that is not there.
            Some(path) => match written(path, &interrupt).await {
                Ok(run) => Some(run),
                Err(failure) => {
                    complain(&format!("{failure}; what was heard is kept, judge it later with --heard"));
                    None
                }
            },
            None => None,
        };
        let monitor_rate = self.monitor_rate.map(|rate| rate.0);
        judge(&mut result, Against { run: run.as_ref(), monitor_rate, ended });
        let kept = self.write(&result, no_color);
        Ok(match result.verdict {
            _ if ended == Some(Ended::Interrupted) && self.against.is_none() => status::INTERRUPTED,
            Some(Outcome::Pass) if !kept => status::UNPROVEN,
            Some(verdict) => verdict.exit_status(),
            None => status::PASS,
        })
    }

    async fn listen(&self, interrupt: watch::Receiver<bool>) -> Result<(WitnessResult, Ended), Failure> {
        let started = state::now();
        host::raise_priority();
        complain(&format!(
            "listening at {}; begin the run now. It ends {} s after the last test frame, or with Ctrl-C",
            self.interfaces.join(" and "),
            self.silence.as_secs_f64()
        ));
        let mut progress = Progress::default();
        let mut last = (Instant::now(), 0);
        let listened = listen(
            &self.interfaces,
            Until { most: self.duration, silence: self.silence },
            interrupt,
            |count| {
                let seconds = last.0.elapsed().as_secs_f64();
                if seconds >= 1.0 {
                    let rate = count.saturating_sub(last.1) as f64 / seconds;
                    progress.line(&format!("{} test frames heard, {rate:.0}/s", report::grouped(count)));
                    last = (Instant::now(), count);
                }
            },
        )
        .await;
        progress.clear();
        let listened = listened?;
        Ok((heard(&listened, &host::name(), started), listened.ended))
    }

    async fn probe(&self, no_color: bool, interrupt: &watch::Receiver<bool>) -> Result<u8, Failure> {
        let default_routes = link::default_route_interfaces().await?;
        for name in self.interfaces.iter().chain(&self.link) {
            let facts = link::facts(name).await?;
            if default_routes.contains(&facts.index) {
                return Err(Failure::Environment(format!(
                    "{name} carries the default route: a bench port carries nothing else"
                )));
            }
        }
        for name in &self.interfaces {
            isolation::acknowledge(&link::facts(name).await?, self.isolated_bench, self.unattended)?;
        }
        let probed = probe_back::probe(&self.interfaces, &self.link, interrupt).await?;
        let reasons = probe_back::reasons(&probed);
        let bears = |bears: Bears| reasons.iter().any(|reason| reason.bears == bears);
        let verdict = match (bears(Bears::Fail), bears(Bears::Unproven) || *interrupt.borrow()) {
            (true, _) => Outcome::Fail,
            (false, true) => Outcome::Unproven,
            (false, false) => Outcome::Pass,
        };
        let result = WitnessResult {
            schema: crate::witness::told::SCHEMA.to_owned(),
            tool: crate::procedure::result::tool(),
            started: state::now(),
            verdict: Some(verdict),
            reasons,
            ..WitnessResult::default()
        };
        let kept = self.write(&result, no_color);
        Ok(if kept || verdict != Outcome::Pass { verdict.exit_status() } else { status::UNPROVEN })
    }

    fn write(&self, result: &WitnessResult, no_color: bool) -> bool {
        let json = result.to_json().unwrap_or_default();
        let on_stdout = self.json.as_deref() == Some(Path::new("-"));
        let shown = if on_stdout { json.clone() } else { result.table(Ink::stdout(no_color)) };
        let mut kept = true;
        if let Err(error) = print(&shown) {
            complain(&format!("the result could not be written to standard output: {error}"));
            kept = false;
        }
        if let Some(path) = self.json.as_deref().filter(|_| !on_stdout) {
            kept &= super::options::keep(path, json.into_bytes());
        }
        kept
    }
}

/// How long a file is waited for that the run writes at its end.
const PATIENCE: Duration = Duration::from_secs(10);

/// The result of the run, which ends about when the witness does.
async fn written(path: &Path, interrupt: &watch::Receiver<bool>) -> Result<RunResult, Failure> {
    let until = Instant::now() + PATIENCE;
    loop {
        match read(path) {
            Err(failure) if Instant::now() >= until || *interrupt.borrow() => return Err(failure),
            Err(_) => tokio::time::sleep(Duration::from_millis(200)).await,
            read => return read,
        }
    }
}
