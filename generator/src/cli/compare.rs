//! `kitproof compare`.

use std::path::{Path, PathBuf};

use clap::Args;

use super::options::{keep, print, read};
use super::recording::{open, usage};
use crate::comparison::{Comparison, Limits, against_history, of_two};
use crate::procedure::failure::{Failure, status};
use crate::report::{Ink, RunResult};

#[derive(Args, Debug)]
pub struct Compare {
    /// Results as --json wrote them: the earlier one and the new one; with --history the new one alone
    #[arg(value_name = "RESULT", num_args = 1..=2, required = true)]
    pub results: Vec<PathBuf>,

    /// Hold it against every run of the same chain in the ledger
    #[arg(long)]
    pub history: bool,

    /// The ledger of --history [default: ~/.local/share/kitproof/ledger.sqlite]
    #[arg(long, value_name = "FILE", requires = "history")]
    pub ledger: Option<PathBuf>,

    /// By how much a median round trip may grow
    #[arg(long, value_name = "PERCENT", default_value = "10%", value_parser = share)]
    pub latency_limit: f64,

    /// How likely an alarm may be where nothing changed, all measures together
    #[arg(long, value_name = "PERCENT", default_value = "5%", value_parser = chance)]
    pub false_alarm: f64,

    /// Write the comparison as JSON to a file, or to standard output (-) in place of the table
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
}

impl Compare {
    /// Compares, and says what came of it; the exit status says what it was.
    ///
    /// # Errors
    /// A file that is no result, a ledger that is not to be had.
    pub fn run(&self, no_color: bool) -> Result<u8, Failure> {
        let limits = Limits { latency: self.latency_limit, false_alarm: self.false_alarm };
        let told = match (self.results.as_slice(), self.history) {
            ([before, after], false) => of_two(&read(before)?, &read(after)?, limits),
            ([new], true) => self.with_history(&read(new)?, limits)?,
            ([_], false) => {
                return Err(Failure::Usage(
                    "compare: one result is no comparison; name the earlier one first, or say --history"
                        .into(),
                ));
            }
            _ => return Err(Failure::Usage("compare --history: name the new result alone".into())),
        };
        let written = self.write(&told, no_color);
        Ok(match told.verdict {
            Some(verdict) if written || verdict.exit_status() != status::PASS => verdict.exit_status(),
            _ => status::UNPROVEN,
        })
    }

    fn with_history(&self, new: &RunResult, limits: Limits) -> Result<Comparison, Failure> {
        if new.chain.is_empty() {
            return Err(Failure::Usage(
                "compare --history: the result names no chain; run it with --through, or name an earlier result".into(),
            ));
        }
        let (runs, _) = open(self.ledger.as_deref())?.runs().map_err(usage)?;
        let history: Vec<&RunResult> = runs
            .iter()
            .map(|recorded| &recorded.result)
            .filter(|run| run.chain == new.chain && run.command == new.command && *run != new)
            .filter(|run| is_earlier(&run.started, &new.started))
            .collect();
        Ok(against_history(&history, new, limits))
    }

    fn write(&self, told: &Comparison, no_color: bool) -> bool {
        let json = serde_json::to_string_pretty(told).unwrap_or_default() + "\n";
        match self.json.as_deref() {
            Some(path) if path == Path::new("-") => print(json).is_ok(),
            path => {
                let shown = print(told.table(Ink::stdout(no_color))).is_ok();
                path.is_none_or(|path| keep(path, json.into_bytes())) && shown
            }
        }
    }
}

/// Times that cannot be read are as they were recorded: earlier.
fn is_earlier(one: &str, other: &str) -> bool {
    let read = |text: &str| text.parse::<jiff::Timestamp>().ok();
    read(one).zip(read(other)).is_none_or(|(one, other)| one < other)
}

fn percent(text: &str) -> Option<f64> {
    Some(text.trim_end_matches('%').trim().parse::<f64>().ok()? / 100.0)
}

fn share(text: &str) -> Result<f64, String> {
    percent(text)
        .filter(|share| (0.0..=100.0).contains(share))
        .ok_or_else(|| "percent, such as 10%".to_owned())
}

fn chance(text: &str) -> Result<f64, String> {
    percent(text)
        .filter(|chance| (1e-6..=0.5).contains(chance))
        .ok_or_else(|| "percent, from 0.0001 to 50, such as 5%".to_owned())
}
