//! How the round trip went over the trial: the least of each stretch of sampled frames, and the one tagged frame.
//!
//! A queue that fills shows as a floor that rises; single late samples, which a busy host makes, leave the floor as it
//! is. Stretches are counted in sequence numbers, so that a lost frame belongs to the stretch in which it was sent.

/// Stretches a trial is divided into, at most.
pub const STRETCHES: u64 = 60;

/// One stretch: the samples of it that came home.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// Sequence number of its first frame.
    pub first: u64,
    /// How many frames it is of (the last one may be shorter).
    pub frames: u64,
    pub samples: u64,
    /// Nanoseconds; of no meaning without samples.
    pub least_ns: u32,
    /// Sum of all round trips in it.
    pub sum_ns: u64,
}

/// A frame picked out beforehand (RFC 2544 section 26.2: one with an identifying tag, in the middle of the stream).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tagged {
    pub sequence: u64,
    pub round_trip_ns: u32,
}

/// Records the course of one flow's trial.
#[derive(Clone, Debug)]
pub struct Course {
    stretches: Vec<Stretch>,
    each: u64,
    /// The first sample from here on is the tagged frame: the first frame of the second half.
    half: u64,
    tagged: Option<Tagged>,
}

impl Course {
    /// Of a trial of so many frames.
    #[must_use]
    pub fn new(frames: u64) -> Self {
        let each = frames.div_ceil(STRETCHES).max(1);
        let stretches = (0..frames.div_ceil(each))
            .map(|stretch| Stretch {
                first: stretch * each,
                frames: each.min(frames - stretch * each),
                samples: 0,
                least_ns: u32::MAX,
                sum_ns: 0,
            })
            .collect();
        Self { stretches, each, half: frames / 2, tagged: None }
    }

    /// Records a sampled frame that is home.
    pub fn sample(&mut self, sequence: u64, round_trip_ns: u32) {
        let Some(stretch) = self.stretches.get_mut((sequence / self.each) as usize) else { return };
        stretch.samples += 1;
        stretch.least_ns = stretch.least_ns.min(round_trip_ns);
        stretch.sum_ns += u64::from(round_trip_ns);
        // If the frame that was meant is lost, the next sample stands in for it.
        if sequence >= self.half && self.tagged.is_none_or(|tagged| sequence < tagged.sequence) {
            self.tagged = Some(Tagged { sequence, round_trip_ns });
        }
    }

    /// The stretches, in order, those without samples among them.
    #[must_use]
    pub fn stretches(&self) -> &[Stretch] {
        &self.stretches
    }

    #[must_use]
    pub fn tagged(&self) -> Option<Tagged> {
        self.tagged
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Every frame of the trial is in exactly one stretch, and the floor of each is the least of its samples.
        #[test]
        fn stretches_cover_the_trial(
            frames in 1_u64..5_000,
            trips in prop::collection::vec((0_u64..5_000, any::<u32>()), 0..200),
        ) {
            let mut course = Course::new(frames);
            let in_trial: Vec<(u64, u32)> = trips.into_iter().filter(|(sequence, _)| *sequence < frames).collect();
            in_trial.iter().for_each(|(sequence, ns)| course.sample(*sequence, *ns));
            prop_assert!(course.stretches().len() as u64 <= STRETCHES);
            prop_assert_eq!(course.stretches().iter().map(|stretch| stretch.frames).sum::<u64>(), frames);
            for stretch in course.stretches() {
                let inside: Vec<u32> = in_trial
                    .iter()
                    .filter(|(sequence, _)| (stretch.first..stretch.first + stretch.frames).contains(sequence))
                    .map(|(_, ns)| *ns)
                    .collect();
                prop_assert_eq!(stretch.samples, inside.len() as u64);
                prop_assert_eq!(stretch.least_ns, inside.iter().copied().min().unwrap_or(u32::MAX));
                prop_assert_eq!(stretch.sum_ns, inside.iter().map(|ns| u64::from(*ns)).sum::<u64>());
            }
            let tagged = in_trial.iter().map(|(sequence, _)| *sequence).filter(|sequence| *sequence >= frames / 2).min();
            prop_assert_eq!(course.tagged().map(|tagged| tagged.sequence), tagged);
        }
    }
}
