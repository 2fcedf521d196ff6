//! Which processor each hot thread runs on.

use rustix::thread::{CpuSet, sched_getaffinity, sched_setaffinity};

/// The processors this process may use, lowest first.
#[must_use]
pub fn allowed() -> Vec<usize> {
    let Ok(set) = sched_getaffinity(None) else { return Vec::new() };
    (0..CpuSet::MAX_CPU).filter(|cpu| set.is_set(*cpu)).collect()
}

/// Ties the calling thread to one processor; false when the kernel refuses.
pub fn to(cpu: usize) -> bool {
    let mut set = CpuSet::new();
    set.set(cpu);
    sched_setaffinity(None, &set).is_ok()
}

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
