//! A small share of something, exact.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use super::decimal::{Decimal, cut_unit, write_fixed};

/// A ratio from 0 to about 18 million in steps of 10^-12: a loss limit, a tolerance.
///
/// Written and serialised as `200ppm`, `5%` or `1e-9`.
#[derive(Serialize, Deserialize, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
#[serde(try_from = "String", into = "String")]
pub struct Ratio {
    parts: u64,
}

/// A ratio that says how far a measured value may lie from an intended one.
pub type Tolerance = Ratio;

/// A text that is no ratio.
#[derive(thiserror::Error, Clone, PartialEq, Eq, Debug)]
#[error(
    "{0:?} is no ratio: write parts per million (200ppm), percent (0.02%) or a number (1e-6), not finer than 1e-12"
)]
pub struct ParseRatioError(String);

const ONE: u64 = 1_000_000_000_000;

impl Ratio {
    /// Nothing.
    pub const ZERO: Ratio = Ratio { parts: 0 };

    /// So many parts in a million.
    pub const fn from_ppm(ppm: u32) -> Ratio {
        Ratio { parts: ppm as u64 * 1_000_000 }
    }

    /// As a number: 200 ppm is 0.0002.
    pub fn value(self) -> f64 {
        self.parts as f64 / ONE as f64
    }

    /// In parts per million.
    pub fn ppm(self) -> f64 {
        self.parts as f64 / 1e6
    }

    /// This share of `count`, rounded down, exact. Saturates.
    pub fn of(self, count: u64) -> u64 {
        u64::try_from(u128::from(count) * u128::from(self.parts) / u128::from(ONE)).unwrap_or(u64::MAX)
    }

    /// Whether `part` of `whole` is no more than this ratio, exact: `part` ≤ ratio × `whole`.
    pub fn covers(self, part: u64, whole: u64) -> bool {
        u128::from(part) * u128::from(ONE) <= u128::from(whole) * u128::from(self.parts)
    }

    /// Whether `measured` lies within this tolerance of `intended`, on either side.
    pub fn within(self, intended: f64, measured: f64) -> bool {
        // A part in 10^12 for the rounding of the division that made `measured`; false for NaN.
        (measured - intended).abs() <= intended.abs() * (self.value() + 1e-12)
    }
}

impl FromStr for Ratio {
    type Err = ParseRatioError;

    /// `200ppm`, `0.02%`, `1e-6`, `0.001`. Exact, or refused.
    fn from_str(text: &str) -> Result<Ratio, ParseRatioError> {
        let parse = || {
            let (number, power) = if let Some(number) = cut_unit(text, "ppm") {
                (number, 6)
            } else if let Some(number) = cut_unit(text, "%") {
                (number, 10)
            } else {
                (text, 12)
            };
            Decimal::parse(number, true)?.scaled(power)
        };
        parse().map(|parts| Ratio { parts }).ok_or_else(|| ParseRatioError(text.to_owned()))
    }
}

impl TryFrom<String> for Ratio {
    type Error = ParseRatioError;

    fn try_from(text: String) -> Result<Ratio, ParseRatioError> {
        text.parse()
    }
}

impl From<Ratio> for String {
    fn from(ratio: Ratio) -> String {
        ratio.to_string()
    }
}

impl fmt::Display for Ratio {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = match self.parts {
            0 => "0".to_owned(),
            parts if parts >= ONE / 100 => write_fixed(parts, 10) + "%",
            parts if parts >= ONE / 100_000_000 => write_fixed(parts, 6) + "ppm",
            mut parts => {
                let mut power = 12;
                while parts.is_multiple_of(10) {
                    parts /= 10;
                    power -= 1;
                }
                format!("{parts}e-{power}")
            }
        };
        f.pad(&text)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn ratio(text: &str) -> Ratio {
        text.parse().unwrap()
    }

    #[test]
    fn three_ways_to_write_one_ratio() {
        assert_eq!(ratio("200ppm"), ratio("0.02%"));
        assert_eq!(ratio("200ppm"), ratio("2e-4"));
        assert_eq!(ratio("200 ppm".replace(' ', "").as_str()), Ratio::from_ppm(200));
        assert_eq!(ratio("1e-6"), Ratio::from_ppm(1));
        assert_eq!(ratio("0"), Ratio::ZERO);
        assert!((ratio("0.5ppm").value() - 5e-7).abs() < 1e-18);
        for bad in ["", "ppm", "%", "-1ppm", "200 ppm", "1e-13", "200pp", "many", "1e30"] {
            assert!(bad.parse::<Ratio>().is_err(), "{bad}");
        }
    }

    #[test]
    fn display_picks_the_readable_unit() {
        for text in
            ["0", "200ppm", "0.5ppm", "0.01ppm", "1e-9", "25e-10", "1e-12", "5%", "1%", "9999.5ppm", "100%"]
        {
            assert_eq!(ratio(text).to_string(), text);
        }
    }

    #[test]
    fn shares_and_limits_are_exact() {
        let millionth = ratio("1e-6");
        assert_eq!(millionth.of(999_999), 0);
        assert_eq!(millionth.of(1_000_000), 1);
        assert!(millionth.covers(1, 1_000_000));
        assert!(!millionth.covers(1, 999_999));
        assert!(!millionth.covers(2, 1_999_999));
        assert!(Ratio::ZERO.covers(0, 0) && !Ratio::ZERO.covers(1, u64::MAX));
        assert_eq!(ratio("1000%").of(u64::MAX), u64::MAX);
    }

    #[test]
    fn a_tolerance_has_two_sides() {
        let tolerance: Tolerance = ratio("200ppm");
        assert!(tolerance.within(1_000_000.0, 1_000_200.0));
        assert!(tolerance.within(1_000_000.0, 999_800.0));
        assert!(!tolerance.within(1_000_000.0, 1_000_200.1));
        assert!(!tolerance.within(1_000_000.0, 999_799.9));
        assert!(!tolerance.within(1_000_000.0, f64::NAN));
    }

    proptest! {
        #[test]
        fn written_form_reads_back(parts: u64) {
            let ratio = Ratio { parts };
            prop_assert_eq!(ratio.to_string().parse(), Ok(ratio));
            let json = serde_json::to_string(&ratio).unwrap();
            prop_assert_eq!(serde_json::from_str::<Ratio>(&json).unwrap(), ratio);
        }
    }
}
