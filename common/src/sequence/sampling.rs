//! Which frames are sampled: every so-manieth, told by the sequence number as it stands in the frame, so that whoever
//! sees the frame knows.

/// Samples wanted in a second, at most.
const PER_SECOND: f64 = 1_000.0;

/// The rule of one trial. Sequence numbers that are multiples of an odd stride are taken: odd, so that samples take every
/// place in a batch (a power of two) in turn, and because a multiple of an odd number is told by one multiplication
/// (Granlund and Montgomery 1994, section 9; from memory).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sampling {
    stride: u32,
    /// Of the stride, modulo 2^32.
    inverse: u32,
    /// Multiples of the stride below 2^32, less one.
    limit: u32,
}

impl Sampling {
    /// Every frame is one.
    pub const EVERY_FRAME: Self = Self { stride: 1, inverse: 1, limit: u32::MAX };

    /// About a thousand frames a second, or all where there are fewer.
    #[must_use]
    pub fn of(frames_per_s: f64) -> Self {
        Self::every((frames_per_s / PER_SECOND).ceil() as u32)
    }

    /// Every `stride`-th frame; the next greater number if that is even, every frame if it is 0.
    #[must_use]
    pub fn every(stride: u32) -> Self {
        let stride = stride | 1;
        // Newton's iteration: right to 3 bits at first, to twice as many each time.
        let inverse = (0..4).fold(stride, |inverse, _| {
            inverse.wrapping_mul(2_u32.wrapping_sub(stride.wrapping_mul(inverse)))
        });
        Self { stride, inverse, limit: u32::MAX / stride }
    }

    /// Whether the frame with this sequence number is one.
    #[inline]
    #[must_use]
    pub fn takes(self, sequence: u32) -> bool {
        sequence.wrapping_mul(self.inverse) <= self.limit
    }

    /// The number of a sample among those of its 2^32 sequence numbers.
    #[must_use]
    pub fn number(self, sequence: u32) -> u32 {
        sequence / self.stride
    }

    /// The first sample that is not before `sequence` (extended to 64 bits).
    #[must_use]
    pub fn first_from(self, sequence: u64) -> u64 {
        let above = sequence & !u64::from(u32::MAX);
        let within = (sequence & u64::from(u32::MAX)).next_multiple_of(u64::from(self.stride));
        // Where the number in the frame begins anew the samples do too.
        above + within.min(1 << 32)
    }

    /// The factor and the limit, for whoever has to reckon elsewhere: a sequence number is taken if its product with the
    /// first, modulo 2^32, is not greater than the second.
    #[must_use]
    pub fn factor_and_limit(self) -> (u32, u32) {
        (self.inverse, self.limit)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Against the remainder itself.
        #[test]
        fn multiples_of_an_odd_number_are_taken(stride in any::<u32>(), sequence in any::<u32>(), times in any::<u32>()) {
            let sampling = Sampling::every(stride);
            let odd = stride | 1;
            prop_assert_eq!(sampling.takes(sequence), sequence.is_multiple_of(odd));
            let multiple = odd * (times % (u32::MAX / odd).max(1));
            prop_assert!(sampling.takes(multiple));
        }

        #[test]
        fn the_next_sample_is_the_first_that_is_taken(stride in 1u32..200, start in any::<u64>(), back in 0u64..300) {
            let sampling = Sampling::every(stride);
            // Near the place where the number in the frame begins anew, and anywhere.
            for start in [start >> 8, (start >> 24 << 32).saturating_sub(back)] {
                let next = sampling.first_from(start);
                prop_assert!(sampling.takes(next as u32));
                prop_assert!((start..next).all(|sequence| !sampling.takes(sequence as u32)));
            }
        }
    }

    #[test]
    fn about_a_thousand_a_second() {
        let stride = |rate| Sampling::of(rate).stride;
        assert_eq!((stride(0.1), stride(1_000.0), stride(1_001.0)), (1, 1, 3));
        assert_eq!((stride(81_274.4), stride(1_488_095.2)), (83, 1_489));
    }
}
