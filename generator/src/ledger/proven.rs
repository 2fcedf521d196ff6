//! What the recorded passes prove of each piece.

use jiff::Timestamp;

use super::{Ledger, LedgerError, Piece};
use crate::elimination::observation::{Conflict, Observation, weigh};
use crate::elimination::proof::{Freshness, Proof, proofs};
use crate::report::ChainPiece;
use crate::verdict::confidence::CONFIDENCE;

impl Ledger {
    /// Every proof, and the elements they speak of by their numbers. A proof older than `days` is stale.
    ///
    /// # Errors
    /// As [`Ledger::open`].
    pub fn proven(&self, days: i64) -> Result<(Vec<ChainPiece>, Vec<Proof>), LedgerError> {
        let (elements, observations) = self.evidence()?;
        let (conflicts, _) = weigh(&observations, CONFIDENCE);
        let proofs = self.proofs(&elements, &observations, &conflicts, days)?;
        Ok((elements, proofs))
    }

    /// The same of evidence that was weighed already.
    ///
    /// # Errors
    /// As [`Ledger::open`].
    pub fn proofs(
        &self,
        elements: &[ChainPiece],
        observations: &[Observation],
        conflicts: &[Conflict],
        days: i64,
    ) -> Result<Vec<Proof>, LedgerError> {
        let pieces = self.pieces()?;
        let ends = self.fibre_ends()?;
        let piece = |element: usize| -> Option<&Piece> {
            pieces.iter().find(|piece| piece.label == elements[element].piece)
        };
        let touched =
            |element: usize, since: i64| piece(element).is_some_and(|piece| ends.touched_since(piece, since));
        let freshness = Freshness { now: Timestamp::now().as_second(), days, touched: &touched };
        Ok(proofs(observations, conflicts, &freshness))
    }
}
