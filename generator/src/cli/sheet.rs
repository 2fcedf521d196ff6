//! `kitproof sheet`: the record that goes in the bag.

use std::path::{Path, PathBuf};

use askama::Template as _;
use clap::Args;

use super::kit_next::suggestion;
use super::kit_proven::Proven;
use super::options::{keep, print};
use super::recording::{open, usage};
use crate::elimination::ends::{End, Ends};
use crate::ledger::Ledger;
use crate::procedure::failure::{Failure, status};
use crate::sheet::gather::gather;
use crate::sheet::page::Page;
use crate::state;

#[derive(Args, Debug)]
pub struct Sheet {
    /// The page
    #[arg(value_name = "FILE", default_value = "kit-sheet.html")]
    pub file: PathBuf,

    /// The ledger [default: ~/.local/share/kitproof/ledger.sqlite]
    #[arg(long, value_name = "FILE")]
    pub ledger: Option<PathBuf>,

    /// What stands at its top
    #[arg(long, value_name = "TEXT", default_value = "The bag")]
    pub title: String,

    #[command(flatten)]
    pub proven: Proven,
}

impl Sheet {
    /// Writes the page.
    ///
    /// # Errors
    /// One clear line.
    pub fn run(&self) -> Result<u8, Failure> {
        let ledger = open(self.ledger.as_deref())?;
        if !write(&ledger, &self.file, &self.title, self.proven.stale_after)? {
            return Ok(status::UNPROVEN);
        }
        print(format!("{}\n", self.file.display())).map_err(|error| {
            Failure::Environment(format!("standard output could not be written: {error}"))
        })?;
        Ok(status::PASS)
    }
}

/// Writes the sheet of a ledger's bag; false if it could not be written (it is printed then).
///
/// # Errors
/// The ledger's.
pub fn write(ledger: &Ledger, file: &Path, title: &str, stale_after: i64) -> Result<bool, Failure> {
    let bag = gather(ledger, stale_after).map_err(usage)?;
    let next = if bag.suspects.is_empty() {
        String::new()
    } else {
        suggestion(ledger, Ends([End::Rj45Socket; 2]))?.words().to_owned()
    };
    let next: Vec<String> = next.lines().map(str::to_owned).collect();
    let made = state::now().replacen('T', " ", 1);
    let page = Page { title, made: &made, version: env!("CARGO_PKG_VERSION"), next: &next, bag: &bag };
    let text =
        page.render().map_err(|error| Failure::Incomplete(format!("the page could not be made: {error}")))?;
    Ok(keep(file, text.into_bytes()))
}
