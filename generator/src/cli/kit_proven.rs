//! `kitproof kit proven`: what the passes prove of each piece, and which proofs are stale.

use std::io::Write;

use clap::Args;

use super::recording::usage;
use crate::elimination::proof::Proof;
use crate::elimination::words::{conditions, day, rounded, stale};
use crate::ledger::Ledger;
use crate::procedure::failure::Failure;
use crate::report::grouped;
use crate::verdict::confidence::CONFIDENCE;

#[derive(Args, Debug, Clone)]
pub struct Proven {
    /// A proof older than this many days is stale
    #[arg(long, value_name = "DAYS", default_value_t = 365, value_parser = clap::value_parser!(i64).range(0..=36_500))]
    pub stale_after: i64,
}

impl Proven {
    /// Says what is proven.
    ///
    /// # Errors
    /// The ledger's.
    pub fn say(&self, ledger: &Ledger, out: &mut impl Write) -> Result<(), Failure> {
        let (elements, proofs) = ledger.proven(self.stale_after).map_err(usage)?;
        if proofs.is_empty() {
            let _ = writeln!(out, "Nothing is proven yet: kitproof prove INTERFACE --through P-1,T-1,P-2");
        }
        let mut last = None;
        for proof in &proofs {
            if last != Some(proof.element) {
                let _ = writeln!(out, "{}", elements[proof.element]);
                last = Some(proof.element);
            }
            let _ = writeln!(out, "  {}", line(proof));
        }
        Ok(())
    }
}

/// A proof in one line.
fn line(proof: &Proof) -> String {
    let bound = proof.bound(CONFIDENCE).map_or_else(|| "unknown".to_owned(), |bound| format!("{bound:.1e}"));
    let mut line = format!(
        "{}, {} % load: {} frames in {} passes, {} lost; loss ratio below {bound} at {} %; last {}",
        conditions(&proof.regime),
        rounded(proof.load_percent),
        grouped(proof.frames),
        proof.passes,
        grouped(proof.lost),
        CONFIDENCE * 100.0,
        day(proof.last)
    );
    if !proof.stale.is_empty() {
        let why: Vec<String> = proof.stale.iter().map(stale).collect();
        line.push_str(&format!("; STALE: {}", why.join(", ")));
    }
    line
}
