//! Damaged arrivals: each sequence number of which no intact copy arrived counts once.

use std::collections::HashSet;

/// Sequence numbers remembered at most; damaged arrivals beyond are counted as anonymous.
const KEPT: usize = 65_536;

/// What became of damaged frames, by sequence number where it could be read. Allocates only when made.
#[derive(Clone, Debug)]
pub struct Damaged {
    sequences: HashSet<u64>,
    anonymous: u64,
    copies: u64,
}

impl Default for Damaged {
    fn default() -> Self {
        Self { sequences: HashSet::with_capacity(KEPT), anonymous: 0, copies: 0 }
    }
}

impl Damaged {
    /// A damaged arrival whose number could be read; `intact_is_here` if an undamaged copy has arrived already.
    pub fn arrived(&mut self, sequence: u64, intact_is_here: bool) {
        if intact_is_here || self.sequences.contains(&sequence) {
            self.copies += 1;
        } else if self.sequences.len() < KEPT {
            self.sequences.insert(sequence);
        } else {
            self.anonymous += 1;
        }
    }

    /// A damaged arrival whose number could not be read.
    pub fn arrived_anonymous(&mut self) {
        self.anonymous += 1;
    }

    /// An intact arrival: a damaged one of the same number was a copy, then.
    #[inline]
    pub fn intact_arrived(&mut self, sequence: u64) {
        if !self.sequences.is_empty() && self.sequences.remove(&sequence) {
            self.copies += 1;
        }
    }

    /// Numbers of which only damaged copies arrived.
    #[must_use]
    pub fn distinct(&self) -> u64 {
        self.sequences.len() as u64
    }

    /// Arrivals whose number is not known.
    #[must_use]
    pub fn anonymous(&self) -> u64 {
        self.anonymous
    }

    /// Arrivals beside those: their number is counted already, here or as intact.
    #[must_use]
    pub fn copies(&self) -> u64 {
        self.copies
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Against the definition: a number counts if it arrived damaged and never intact.
        #[test]
        fn counts_what_only_arrived_damaged(arrivals in prop::collection::vec((0u64..20, any::<bool>()), 0..60)) {
            let mut damaged = Damaged::default();
            let mut intact = HashSet::new();
            for (sequence, whole) in &arrivals {
                if *whole {
                    intact.insert(*sequence);
                    damaged.intact_arrived(*sequence);
                } else {
                    damaged.arrived(*sequence, intact.contains(sequence));
                }
            }
            let hurt: HashSet<u64> = arrivals.iter().filter(|(_, whole)| !whole).map(|(s, _)| *s).collect();
            let all = arrivals.iter().filter(|(_, whole)| !whole).count() as u64;
            prop_assert_eq!(damaged.distinct(), hurt.difference(&intact).count() as u64);
            prop_assert_eq!(damaged.distinct() + damaged.copies(), all);
        }
    }
}
