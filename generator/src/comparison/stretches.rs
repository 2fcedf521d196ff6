//! A second is like the second before it: a processor that is warm stays warm for a while. Counted as so many independent
//! samples, seconds would show differences that are none. So neighbours are taken together until what is left has no memory.

use crate::report::TrialResult;

/// Fewer samples than this say nothing.
pub(super) const FEWEST: usize = 4;
/// Trials by themselves are samples where there are so many.
const TRIALS: usize = 5;

/// Median round trips in nanoseconds, each of a stretch of time that has nothing to do with the next one. `None` where there
/// are too few.
pub(super) fn medians(trials: &[&TrialResult]) -> Option<Vec<f64>> {
    if trials.len() >= TRIALS {
        return trials.iter().map(|trial| Some(trial.round_trip_ns.as_ref()?.p50 as f64)).collect();
    }
    let mut all = Vec::new();
    for trial in trials {
        let seconds = &trial.round_trip_course.as_ref()?.p50_ns;
        // The first second has the pair's own beginning in it.
        all.extend(seconds.iter().skip(1).map(|ns| *ns as f64));
    }
    independent(all)
}

/// Means of stretches that are long enough; `None` where fewer than [`FEWEST`] are left.
pub(super) fn independent(mut values: Vec<f64>) -> Option<Vec<f64>> {
    let mut remembers = false;
    while values.len() >= FEWEST && has_memory(&values) {
        values = by_twos(&values);
        remembers = true;
    }
    // What is left of a memory is too little to be seen, and not nothing.
    let values = if remembers { by_twos(&values) } else { values };
    (values.len() >= FEWEST).then_some(values)
}

fn by_twos(values: &[f64]) -> Vec<f64> {
    values.chunks_exact(2).map(|pair| f64::midpoint(pair[0], pair[1])).collect()
}

/// Whether neighbours are alike: the correlation of each with the next is more than what chance alone makes of it in one row
/// of six. Too strict rather than too lax: a stretch that is too long costs sharpness, one too short makes alarms.
fn has_memory(values: &[f64]) -> bool {
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    let all: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    let next: f64 = values.windows(2).map(|pair| (pair[0] - mean) * (pair[1] - mean)).sum();
    all > 0.0 && next / all > 1.0 / count.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_row_with_a_memory_is_shortened_and_one_without_is_not() {
        // It goes up and down at each step: no two neighbours are alike.
        let restless: Vec<f64> = (0..20).map(|at| f64::from(at % 2)).collect();
        assert_eq!(independent(restless.clone()), Some(restless));
        // Eight high, eight low: nothing is left that could be called independent.
        let slow: Vec<f64> = (0..16).map(|at| if at < 8 { 1.0 } else { 0.0 }).collect();
        assert!(independent(slow).is_none_or(|left| left.len() < 16));
        assert_eq!(independent(vec![3.0; 9]), Some(vec![3.0; 9]));
        assert_eq!(independent(vec![1.0, 2.0, 1.0]), None);
    }
}
