//! Several frame sizes within one trial, in the order that a genome (RFC 6985) gives them.

use kitproof_common::frame::{FrameError, FrameSpec, Template, VARIANTS};
use kitproof_common::line::Genome;

/// Sizes that one mix may have: what is looked up for each frame stays short.
pub const MOST_SIZES: usize = 16;

/// The order of sizes, over and over.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mix {
    pub genome: Genome,
    /// Distinct sizes in bytes including FCS, the smallest first.
    pub sizes: Vec<u16>,
    /// Which of them each frame of a round has.
    order: Vec<u8>,
}

impl Mix {
    /// `None` for a genome of more than [`MOST_SIZES`] sizes.
    #[must_use]
    pub fn new(genome: Genome) -> Option<Self> {
        let sizes: Vec<u16> = genome.proportions().into_iter().map(|(size, _)| size).collect();
        if sizes.len() > MOST_SIZES {
            return None;
        }
        let place = |size: u16| sizes.iter().position(|other| *other == size).unwrap_or(0) as u8;
        let order = genome.sizes().map(place).collect();
        Some(Self { genome, sizes, order })
    }

    /// The place among the sizes of the frame with this sequence number.
    #[inline]
    #[must_use]
    pub fn place(&self, sequence: u64) -> usize {
        usize::from(self.order[(sequence % self.order.len() as u64) as usize])
    }

    /// How many of the first `frames` frames have each size.
    #[must_use]
    pub fn counts(&self, frames: u64) -> Vec<(u16, u64)> {
        let round = self.order.len() as u64;
        let rest = &self.order[..(frames % round) as usize];
        let count = |place: u8, of: &[u8]| of.iter().filter(|other| **other == place).count() as u64;
        let each = (0_u8..).zip(&self.sizes);
        each.map(|(place, size)| (*size, frames / round * count(place, &self.order) + count(place, rest)))
            .collect()
    }

    /// The mean size, rounded down.
    #[must_use]
    pub fn mean_size(&self) -> u16 {
        self.genome.mean_size() as u16
    }
}

/// The frames of a mix, ready to be written.
pub(super) struct MixedFrames {
    mix: Mix,
    templates: Vec<Template>,
    /// Which size was last written to each slot.
    written: Vec<Option<u8>>,
}

impl MixedFrames {
    /// For a port of so many slots.
    pub(super) fn new(mix: &Mix, spec: &FrameSpec, slots: usize) -> Result<Self, FrameError> {
        let template = |size: &u16| Template::new(&FrameSpec { frame_size: *size, ..*spec });
        let templates = mix.sizes.iter().map(template).collect::<Result<_, _>>()?;
        Ok(Self { mix: mix.clone(), templates, written: vec![None; slots] })
    }

    /// Octets of the frame with this sequence number, without FCS.
    pub(super) fn octets(&self, sequence: u64) -> usize {
        self.templates[self.mix.place(sequence)].octets()
    }

    /// Writes that frame into a slot, which holds another size now or had this one before.
    pub(super) fn stamp(&mut self, index: usize, slot: &mut [u8], sequence: u64, departure: u32) {
        let place = self.mix.place(sequence);
        let template = &self.templates[place];
        let variant = index % VARIANTS;
        if self.written[index] != Some(place as u8) {
            template.write(variant, slot);
            self.written[index] = Some(place as u8);
        }
        template.stamp(variant, slot, sequence as u32, departure);
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Against the genome written out.
        #[test]
        fn frames_have_the_sizes_of_the_genome_in_its_order(text in "[a-g]{1,20}", repeats in 1_u32..5, frames in 0_u64..300) {
            let genome: Genome = format!("{repeats}*{text},ag").parse().unwrap();
            let mix = Mix::new(genome.clone()).unwrap();
            let round: Vec<u16> = genome.sizes().collect();
            let expected: Vec<u16> = round.iter().copied().cycle().take(frames as usize).collect();
            for (sequence, size) in (0..).zip(&expected) {
                prop_assert_eq!(mix.sizes[mix.place(sequence)], *size);
            }
            for (size, count) in mix.counts(frames) {
                prop_assert_eq!(count, expected.iter().filter(|other| **other == size).count() as u64);
            }
        }
    }

    #[test]
    fn a_mix_of_too_many_sizes_is_none() {
        let letters: String = ('A'..='Q').collect();
        let sizes: Vec<String> =
            ('A'..='Q').zip(64..).map(|(letter, size)| format!("{letter}={size}")).collect();
        assert_eq!(Mix::new(format!("{letters}:{}", sizes.join(",")).parse().unwrap()), None);
    }
}
