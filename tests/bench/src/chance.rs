//! Chance that is the same on every run of a seed: SplitMix64 (Steele, Lea and Flood, 2014), small, fast, and good enough to
//! draw scripts from.

/// Numbers drawn one after the other.
#[derive(Clone, Debug)]
pub struct Chance(u64);

impl Chance {
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next number.
    #[expect(clippy::should_implement_trait, reason = "it never ends, so that there is nothing to unwrap")]
    pub fn next(&mut self) -> u64 {
        let mixed = mix(self.0);
        self.0 = self.0.wrapping_add(STEP);
        mixed
    }

    /// From 0 to below `limit`.
    pub fn below(&mut self, limit: u64) -> u64 {
        self.next() % limit
    }

    /// From `least` to `most`, both included.
    pub fn between(&mut self, least: u64, most: u64) -> u64 {
        least + self.below(most - least + 1)
    }

    /// True `percent` times in a hundred.
    pub fn percent(&mut self, percent: u64) -> bool {
        self.permille(percent * 10)
    }

    /// True `permille` times in a thousand.
    pub fn permille(&mut self, permille: u64) -> bool {
        permille > 0 && self.below(1_000) < permille
    }

    pub fn pick<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[self.below(choices.len() as u64) as usize]
    }
}

const STEP: u64 = 0x9E37_79B9_7F4A_7C15;

/// A fixed mixing of 64 bits: the number that a seed gives first.
#[must_use]
pub(crate) fn mix(number: u64) -> u64 {
    let mut z = number.wrapping_add(STEP);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first numbers of seed 1234567 (test vector of the Rosetta Code page "Pseudo-random numbers/Splitmix64", from
    /// memory).
    #[test]
    fn the_numbers_are_the_published_ones() {
        let mut chance = Chance::new(1_234_567);
        let found = [chance.next(), chance.next(), chance.next()];
        assert_eq!(found, [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423]);
    }
}
