//! Which processor each hot thread runs on.

/// Where the two hot threads go: apart, where there are at least two processors; untied otherwise, so that
/// the scheduler may do its best.
#[must_use]
pub fn places(allowed: &[usize]) -> (Option<usize>, Option<usize>) {
    match allowed {
        [first, .., last] => (Some(*last), Some(*first)),
        _ => (None, None),
    }
}

#[cfg(test)]
mod tests {
    use super::places;

    #[test]
    fn sender_and_receiver_never_share_when_they_need_not() {
        assert_eq!(places(&[2, 3, 5]), (Some(5), Some(2)));
        assert_eq!(places(&[4]), (None, None));
        assert_eq!(places(&[]), (None, None));
    }
}
