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
    independent(&all)
}

/// Means of stretches that are long enough; `None` where fewer than [`FEWEST`] are left.
fn independent(values: &[f64]) -> Option<Vec<f64>> {
    let stretch = memory(values);
    let means: Vec<f64> = values
        .chunks_exact(stretch)
        .map(|stretch| stretch.iter().sum::<f64>() / stretch.len() as f64)
        .collect();
    (means.len() >= FEWEST).then_some(means)
}

/// How many values to take together, so that the means know next to nothing of each other.
///
/// From the correlation of each value with the next, and what chance may have taken off it: values whose correlation is r, r²,
/// r³ … count as one in (1 + r) / (1 - r). Three times what that is above 1 is taken, rather too much than too little: a stretch
/// that is too long costs sharpness, one too short makes alarms (`simulation.rs` holds it against the stated rate).
fn memory(values: &[f64]) -> usize {
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    let all: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    let next: f64 = values.windows(2).map(|pair| (pair[0] - mean) * (pair[1] - mean)).sum();
    if all <= 0.0 {
        return 1;
    }
    let r = (next / all + 1.0 / count + 0.5 / count.sqrt()).clamp(0.0, 0.99);
    let one_in = (1.0 + r) / (1.0 - r);
    (1.0 + 3.0 * (one_in - 1.0)).ceil() as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_row_with_a_memory_is_shortened_and_one_without_is_not() {
        // It goes up and down at each step: no two neighbours are alike.
        let restless: Vec<f64> = (0..20).map(|at| f64::from(at % 2)).collect();
        assert_eq!(independent(&restless), Some(restless));
        // Eight high, eight low: nothing is left that could be called independent.
        let slow: Vec<f64> = (0..16).map(|at| if at < 8 { 1.0 } else { 0.0 }).collect();
        assert_eq!(independent(&slow), None);
        assert_eq!(independent(&[3.0; 9]), Some(vec![3.0; 9]));
        assert_eq!(independent(&[1.0, 2.0, 1.0]), None);
        assert_eq!(independent(&[]), None);
    }
}
