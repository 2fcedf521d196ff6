//! Mean, least, greatest and standard deviation of a handful of samples.

/// What a row of samples comes to, in the unit of the samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summary {
    pub samples: u64,
    pub mean: f64,
    pub minimum: f64,
    pub maximum: f64,
    /// Of the sample (divisor n - 1): the samples stand for all the repeats that might have been made. `None` for
    /// one.
    pub standard_deviation: Option<f64>,
}

impl Summary {
    /// `None` without samples.
    pub fn of(samples: &[f64]) -> Option<Summary> {
        let count = samples.len() as f64;
        let first = *samples.first()?;
        // About the first sample, so that large values that hardly differ keep their digits.
        let mean = first + samples.iter().map(|sample| sample - first).sum::<f64>() / count;
        let squares: f64 = samples.iter().map(|sample| (sample - mean) * (sample - mean)).sum();
        Some(Summary {
            samples: samples.len() as u64,
            mean,
            minimum: samples.iter().copied().fold(f64::INFINITY, f64::min),
            maximum: samples.iter().copied().fold(f64::NEG_INFINITY, f64::max),
            standard_deviation: (samples.len() > 1).then(|| (squares / (count - 1.0)).sqrt()),
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use statrs::statistics::Statistics;

    use super::*;

    #[test]
    fn edges() {
        assert_eq!(Summary::of(&[]), None);
        let one = Summary::of(&[7.0]).unwrap();
        assert_eq!((one.mean, one.minimum, one.maximum, one.standard_deviation), (7.0, 7.0, 7.0, None));
        // 2 4 4 4 5 5 7 9: mean 5, sum of squares 32 (textbook example).
        let eight = Summary::of(&[2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0]).unwrap();
        assert_eq!(eight.mean, 5.0);
        assert!((eight.standard_deviation.unwrap() - (32.0f64 / 7.0).sqrt()).abs() < 1e-12);
    }

    proptest! {
        /// An independent library finds the same.
        #[test]
        fn statrs_agrees(samples in prop::collection::vec(-1e9..1e9f64, 2..60)) {
            let ours = Summary::of(&samples).unwrap();
            let scale = samples.iter().fold(1.0, |most: f64, sample| most.max(sample.abs()));
            prop_assert!((ours.mean - samples.iter().mean()).abs() < 1e-9 * scale);
            prop_assert!((ours.standard_deviation.unwrap() - samples.iter().std_dev()).abs() < 1e-9 * scale);
            prop_assert_eq!(ours.minimum, Statistics::min(samples.iter()));
            prop_assert_eq!(ours.maximum, Statistics::max(samples.iter()));
        }
    }
}
