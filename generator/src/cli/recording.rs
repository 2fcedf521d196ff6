//! A run that goes into the ledger: its chain is looked up and shown before, its result recorded before it is told.

use std::path::{Path, PathBuf};

use clap::Args;

use super::complain;
use crate::ledger::{Chain, Ledger, LedgerError, Through, usual_place};
use crate::procedure::failure::Failure;
use crate::report::RunResult;

const FIBRE: &str = "caution: treat every fibre end as lit; never look into a fibre or a port (IEC 60825). Inspect and clean \
                     both ends before they are joined.";

/// Where the run is recorded, and what it goes through.
#[derive(Args, Debug, Clone, Default)]
pub struct Recording {
    /// The pieces between the ports, in order from the generator, each with its condition if it has one: P-1,T-1=unpowered
    #[arg(long, value_name = "PIECE,…")]
    pub through: Option<Through>,

    /// Record the run in this ledger [default with --through: ~/.local/share/kitproof/ledger.sqlite]
    #[arg(long, value_name = "FILE")]
    pub ledger: Option<PathBuf>,
}

/// A run about to be recorded.
pub struct Prepared {
    ledger: Ledger,
    chain: Option<Chain>,
}

/// A ledger that is to be had before anything is sent.
///
/// # Errors
/// See [`LedgerError`].
pub fn open(named: Option<&Path>) -> Result<Ledger, Failure> {
    let path = named.map_or_else(usual_place, |path| Ok(path.to_owned())).map_err(usage)?;
    Ledger::open(&path).map_err(usage)
}

/// A ledger that is not as it should be is a wrong file.
pub fn usage(error: LedgerError) -> Failure {
    Failure::Usage(error.to_string())
}

impl Recording {
    /// Whether there is anything to record.
    #[must_use]
    pub fn is_wanted(&self) -> bool {
        self.through.is_some() || self.ledger.is_some()
    }

    /// Opens the ledger and looks up the chain; `None` where the run is not to be recorded. Draws the chain, so that a
    /// person can hold it against the bench.
    ///
    /// # Errors
    /// A piece that is not in the bag; as [`open`].
    pub fn prepare(&self) -> Result<Option<Prepared>, Failure> {
        if !self.is_wanted() {
            return Ok(None);
        }
        let ledger = open(self.ledger.as_deref())?;
        let chain = self.through.as_ref().map(|through| ledger.chain(through).map_err(usage)).transpose()?;
        if let Some(chain) = &chain {
            complain(&format!("the chain, to be held against the bench: {chain}"));
            if chain.has_fibre() {
                complain(FIBRE);
                let ends = ledger.fibre_ends().map_err(usage)?;
                for piece in chain.pieces() {
                    for side in ends.not_clean(piece) {
                        complain(&format!(
                            "fibre end {side} of {} was not seen clean since its last use: look at it, clean it, and record it with kitproof kit inspect {} --side {side} …",
                            piece.label, piece.label
                        ));
                    }
                }
            }
        }
        Ok(Some(Prepared { ledger, chain }))
    }
}

impl Prepared {
    /// Puts the chain into the result, and the result into the ledger; false if it could not be recorded.
    pub fn record(&mut self, result: &mut RunResult) -> bool {
        result.chain = self.chain.as_ref().map(Chain::told).unwrap_or_default();
        match self.ledger.record(result) {
            Ok(()) => true,
            Err(error) => {
                complain(&format!("the run is not in the ledger: {error}"));
                false
            }
        }
    }
}
