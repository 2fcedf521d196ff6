//! Minimal hitting sets: the smallest sets of pieces that have at least one piece in common with every conflict.
//!
//! R. Reiter, A Theory of Diagnosis from First Principles, Artificial Intelligence 32 (1987), pp. 57–95: the diagnoses of
//! a system are the minimal hitting sets of its conflict sets (theorem 4.4). Computed one conflict at a time: every set so
//! far that misses it is extended by each of its pieces, and what is no longer minimal is dropped (Berge's product).

use super::set::Set;

/// More pieces than this are never blamed together: a bag in which four are bad is told so.
pub const MOST_TOGETHER: usize = 4;

/// All minimal hitting sets of at most `largest` pieces, the smallest first. The only hitting set of no conflicts is the
/// empty one; a conflict without pieces cannot be hit, and there is none then.
#[must_use]
pub fn minimal(conflicts: &[Set], largest: usize) -> Vec<Set> {
    let mut found = vec![Set::default()];
    for conflict in conflicts {
        let (hit, missed): (Vec<Set>, Vec<Set>) =
            found.into_iter().partition(|set| !set.intersection(*conflict).is_empty());
        let extended = missed.iter().flat_map(|set| conflict.iter().map(|piece| set.with(piece)));
        let extended: Vec<Set> = extended
            .filter(|set| set.len() <= largest && !hit.iter().any(|smaller| smaller.is_subset_of(*set)))
            .collect();
        found = hit;
        found.extend(extended);
        found.sort_unstable_by_key(|set| (set.len(), *set));
        found.dedup();
    }
    found
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn set(pieces: &[usize]) -> Set {
        pieces.iter().copied().collect()
    }

    fn sorted(mut sets: Vec<Set>) -> Vec<Set> {
        sets.sort_unstable();
        sets
    }

    /// Reiter (1987), the full adder (examples 2.2 and 4.5, from memory): the conflict sets {X1, X2} and {X1, A2, O1} have the
    /// diagnoses {X1}, {X2, A2} and {X2, O1}.
    #[test]
    fn the_full_adder() {
        let [x1, x2, _a1, a2, o1] = [0, 1, 2, 3, 4];
        let diagnoses = minimal(&[set(&[x1, x2]), set(&[x1, a2, o1])], 5);
        assert_eq!(diagnoses, [set(&[x1]), set(&[x2, a2]), set(&[x2, o1])]);
    }

    /// Reiter (1987), the tree of figure 5 (from memory; the answer by brute force below as well).
    #[test]
    fn the_tree_of_seven_sets() {
        let sets: [&[usize]; 7] =
            [&[2, 4, 5], &[1, 2, 3], &[1, 3, 5], &[2, 4, 6], &[2, 4], &[2, 3, 5], &[1, 6]];
        let conflicts: Vec<Set> = sets.iter().map(|pieces| set(pieces)).collect();
        let expected = [
            set(&[1, 2]),
            set(&[2, 3, 6]),
            set(&[2, 5, 6]),
            set(&[1, 3, 4]),
            set(&[1, 4, 5]),
            set(&[3, 4, 6]),
        ];
        assert_eq!(sorted(minimal(&conflicts, 7)), sorted(expected.to_vec()));
    }

    #[test]
    fn nothing_to_explain_and_nothing_that_could() {
        assert_eq!(minimal(&[], 4), [Set::default()]);
        assert_eq!(minimal(&[set(&[1]), Set::default()], 4), []);
    }

    fn by_brute_force(conflicts: &[Set], pieces: usize) -> Vec<Set> {
        let all =
            (0..1_u32 << pieces).map(|bits| (0..pieces).filter(|piece| bits >> piece & 1 == 1).collect());
        let hits: Vec<Set> = all
            .filter(|set: &Set| conflicts.iter().all(|conflict| !conflict.intersection(*set).is_empty()))
            .collect();
        hits.iter()
            .filter(|set| !hits.iter().any(|other| other != *set && other.is_subset_of(**set)))
            .copied()
            .collect()
    }

    proptest! {
        #[test]
        fn as_by_brute_force(conflicts in prop::collection::vec(prop::collection::vec(0_usize..8, 0..5), 0..6)) {
            let conflicts: Vec<Set> = conflicts.iter().map(|pieces| set(pieces)).collect();
            prop_assert_eq!(sorted(minimal(&conflicts, 8)), sorted(by_brute_force(&conflicts, 8)));
        }
    }
}
