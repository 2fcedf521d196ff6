//! Which processor each hot thread runs on.

/// Where the two hot threads of a pair go, of so many: apart from all others where there are processors enough; untied
/// where there is one, so that the scheduler may do its best. Between the two, senders share with senders and receivers
/// with receivers: a sender with nothing due lets the next one have the processor at once, a receiver with a full ring
/// keeps it for milliseconds.
#[must_use]
pub fn places(allowed: &[usize], pair: u8, pairs: u8) -> (Option<usize>, Option<usize>) {
    if allowed.len() < 2 {
        return (None, None);
    }
    let last = allowed.len() - 1;
    let half = if is_crowded(allowed, pairs) { allowed.len() / 2 } else { allowed.len() };
    let pair = usize::from(pair);
    let sender = pair % if half == allowed.len() { half } else { allowed.len() - half };
    (Some(allowed[last - sender]), Some(allowed[pair % half]))
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
        assert_eq!(places(&[2, 3, 5], 0, 1), (Some(5), Some(2)));
        assert_eq!(places(&[4], 0, 1), (None, None));
        assert_eq!(places(&[], 3, 4), (None, None));
        for pairs in 1..=8_u8 {
            let allowed: Vec<usize> = (10..10 + 2 * usize::from(pairs)).collect();
            let mut taken: Vec<usize> = (0..pairs)
                .flat_map(|pair| <[_; 2]>::from(places(&allowed, pair, pairs)))
                .map(|place| place.unwrap())
                .collect();
            taken.sort_unstable();
            assert_eq!(taken, allowed);
            assert!(!is_crowded(&allowed, pairs));
        }
    }

    #[test]
    fn where_places_are_few_like_shares_with_like() {
        let places = |allowed: &[usize], pairs: u8| -> (Vec<usize>, Vec<usize>) {
            (0..pairs)
                .map(|pair| places(allowed, pair, pairs))
                .map(|(sender, receiver)| (sender.unwrap(), receiver.unwrap()))
                .unzip()
        };
        assert_eq!(places(&[0, 1], 2), (vec![1, 1], vec![0, 0]));
        assert_eq!(places(&[0, 1, 2], 3), (vec![2, 1, 2], vec![0, 0, 0]));
        assert_eq!(places(&[0, 1, 2, 3], 3), (vec![3, 2, 3], vec![0, 1, 0]));
        assert!(is_crowded(&[0, 1], 2) && !is_crowded(&[0], 1));
    }
}
