//! Which processor each hot thread runs on.

/// Where the two hot threads of a pair go: apart from all others, as far as there are processors; untied where there is
/// one, so that the scheduler may do its best. Senders never rest, so they are kept from each other longest.
#[must_use]
pub fn places(allowed: &[usize], pair: u8) -> (Option<usize>, Option<usize>) {
    if allowed.len() < 2 {
        return (None, None);
    }
    let turn = usize::from(pair) % allowed.len();
    (Some(allowed[allowed.len() - 1 - turn]), Some(allowed[turn]))
}

/// Whether some of the hot threads of `pairs` pairs have to share a processor.
#[must_use]
pub fn is_crowded(allowed: &[usize], pairs: u8) -> bool {
    pairs > 1 && allowed.len() < 2 * usize::from(pairs)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sender_and_receiver_never_share_when_they_need_not() {
        assert_eq!(places(&[2, 3, 5], 0), (Some(5), Some(2)));
        assert_eq!(places(&[4], 0), (None, None));
        assert_eq!(places(&[], 3), (None, None));
        for pairs in 1..=8_u8 {
            let allowed: Vec<usize> = (10..10 + 2 * usize::from(pairs)).collect();
            let mut taken: Vec<usize> = (0..pairs)
                .flat_map(|pair| <[_; 2]>::from(places(&allowed, pair)))
                .map(|place| place.unwrap())
                .collect();
            taken.sort_unstable();
            assert_eq!(taken, allowed);
            assert!(!is_crowded(&allowed, pairs));
        }
    }

    #[test]
    fn senders_are_apart_while_there_is_a_processor_for_each() {
        let senders: Vec<_> = (0..4).map(|pair| places(&[0, 1, 2, 3], pair).0.unwrap()).collect();
        assert_eq!(senders, [3, 2, 1, 0]);
        assert!(is_crowded(&[0, 1], 2) && !is_crowded(&[0], 1));
    }
}
