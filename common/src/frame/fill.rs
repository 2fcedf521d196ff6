//! What stands behind the test header.

use super::VARIANTS;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;
use thiserror::Error;

/// The pattern behind the test header.
#[derive(Serialize, Deserialize, Clone, Copy, PartialEq, Eq, Hash, Debug, Default)]
#[serde(rename_all = "lowercase")]
pub enum Fill {
    /// All bits off. RFC 2544 C.2.4.4 advises against it and against [`Fill::Ones`]; both are for provoking.
    Zeros,
    /// All bits on.
    Ones,
    /// 55 AA 55 AA ..., or AA 55 ... in odd variants.
    Alternating,
    /// 00 01 02 ... as in RFC 2544 C.2.6.4, starting at the variant's number.
    Ramp,
    /// Pseudorandom (RFC 4814 section 3): PRBS-31, x^31 + x^28 + 1 (ITU-T O.150, from memory), started by the
    /// fill seed.
    #[default]
    Prbs,
}

impl Fill {
    /// Every pattern, in the order of the documentation.
    pub const ALL: [Self; 5] = [Self::Zeros, Self::Ones, Self::Alternating, Self::Ramp, Self::Prbs];

    const fn name(self) -> &'static str {
        match self {
            Self::Zeros => "zeros",
            Self::Ones => "ones",
            Self::Alternating => "alternating",
            Self::Ramp => "ramp",
            Self::Prbs => "prbs",
        }
    }

    /// Octets between the start of one variant's window and the next.
    const fn step(self) -> usize {
        match self {
            Self::Prbs => 97,
            _ => 1,
        }
    }
}

impl fmt::Display for Fill {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.pad(self.name())
    }
}

/// Text that names no pattern.
#[derive(Error, Clone, PartialEq, Eq, Debug)]
#[error("no fill is called {0:?}: choose zeros, ones, alternating, ramp or prbs")]
pub struct FillError(String);

impl FromStr for Fill {
    type Err = FillError;

    fn from_str(text: &str) -> Result<Self, FillError> {
        Self::ALL.into_iter().find(|fill| fill.name() == text).ok_or_else(|| FillError(text.to_owned()))
    }
}

/// One stretch of pattern; each variant's fill is a window of it. The windows overlap, so that all of them
/// together stay in the nearest cache.
#[derive(Clone, Debug)]
pub(crate) struct Windows {
    pattern: Box<[u8]>,
    step: usize,
    length: usize,
}

impl Windows {
    /// Windows of `length` octets for every variant.
    pub(crate) fn new(fill: Fill, seed: u32, length: usize) -> Self {
        let step = fill.step();
        let octets = step * (VARIANTS - 1) + length;
        let pattern = match fill {
            Fill::Zeros => vec![0x00; octets],
            Fill::Ones => vec![0xff; octets],
            Fill::Alternating => (0..octets).map(|at| if at % 2 == 0 { 0x55 } else { 0xaa }).collect(),
            Fill::Ramp => (0..octets).map(|at| at as u8).collect(),
            Fill::Prbs => Prbs31::new(seed).take(octets).collect(),
        };
        Self { pattern: pattern.into_boxed_slice(), step, length }
    }

    /// All the windows lie in, and how far each begins behind the one before.
    pub(crate) fn pattern(&self) -> (&[u8], usize) {
        (&self.pattern, self.step)
    }

    /// The fill of a variant.
    #[inline]
    pub(crate) fn get(&self, variant: usize) -> &[u8] {
        let start = variant % VARIANTS * self.step;
        &self.pattern[start..start + self.length]
    }
}

/// Octets of PRBS-31, most significant bit first.
struct Prbs31(u32);

impl Prbs31 {
    /// Starts the register at a state mixed from the seed, so that a small seed is not followed by a long run
    /// of zeros. The state is never 0, which would stay 0 for ever.
    fn new(seed: u32) -> Self {
        let mixed = seed.wrapping_mul(0x9e37_79b9) ^ 0x5bd1_e995;
        let mixed = (mixed ^ mixed >> 15).wrapping_mul(0x85eb_ca6b);
        let state = (mixed ^ mixed >> 13) & 0x7fff_ffff;
        Self(if state == 0 { 0x7fff_ffff } else { state })
    }
}

impl Iterator for Prbs31 {
    type Item = u8;

    fn next(&mut self) -> Option<u8> {
        let mut octet = 0;
        for _ in 0..8 {
            let bit = (self.0 >> 30 ^ self.0 >> 27) & 1;
            self.0 = self.0 << 1 & 0x7fff_ffff | bit;
            octet = octet << 1 | bit as u8;
        }
        Some(octet)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn names_come_back() {
        for fill in Fill::ALL {
            assert_eq!(fill.to_string().parse(), Ok(fill));
            assert_eq!(serde_json::to_string(&fill).unwrap(), format!("\"{fill}\""));
        }
        assert!("random".parse::<Fill>().unwrap_err().to_string().contains("prbs"));
    }

    #[test]
    fn plain_patterns() {
        let fill = |fill, variant| Windows::new(fill, 1, 4).get(variant).to_vec();
        assert_eq!(fill(Fill::Zeros, 3), [0; 4]);
        assert_eq!(fill(Fill::Ones, 3), [0xff; 4]);
        assert_eq!(fill(Fill::Alternating, 0), [0x55, 0xaa, 0x55, 0xaa]);
        assert_eq!(fill(Fill::Alternating, 3), [0xaa, 0x55, 0xaa, 0x55]);
        // RFC 2544 C.2.6.4: incrementing octets from 00.
        assert_eq!(fill(Fill::Ramp, 0), [0, 1, 2, 3]);
        assert_eq!(fill(Fill::Ramp, 15), [15, 16, 17, 18]);
    }

    #[test]
    fn variants_differ() {
        for fill in [Fill::Ramp, Fill::Prbs] {
            for seed in [0, 1, u32::MAX] {
                let windows = Windows::new(fill, seed, 16);
                let distinct: HashSet<&[u8]> = (0..VARIANTS).map(|variant| windows.get(variant)).collect();
                assert_eq!(distinct.len(), VARIANTS);
            }
        }
    }

    /// Every bit is the exclusive or of the bits 31 and 28 before it, and ones and zeros balance.
    #[test]
    fn prbs_follows_its_polynomial() {
        for seed in [0, 1, 0x1234_5678, u32::MAX] {
            let octets: Vec<u8> = Prbs31::new(seed).take(4096).collect();
            let bit = |at: usize| octets[at / 8] >> (7 - at % 8) & 1;
            for at in 31..8 * octets.len() {
                assert_eq!(bit(at), bit(at - 31) ^ bit(at - 28));
            }
            let ones: u32 = octets.iter().map(|octet| octet.count_ones()).sum();
            assert!((15_800..16_968).contains(&ones), "seed {seed}: {ones} ones in 32,768 bits");
        }
    }

    #[test]
    fn seeds_differ() {
        let start = |seed| Prbs31::new(seed).take(8).collect::<Vec<_>>();
        let distinct: HashSet<Vec<u8>> = (0..1000).map(start).collect();
        assert_eq!(distinct.len(), 1000);
    }
}
