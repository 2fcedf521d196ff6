//! Limits on loss, duplication and reordering: a count of frames, or a share of them.

use std::{fmt, str::FromStr};

use thiserror::Error;

/// How many frames may be lost (or copied, or reordered) in one direction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Limit {
    /// So many frames.
    Frames(u64),
    /// `parts` of every `per` frames, exactly: `1e-6` is 1 of 1,000,000.
    Ratio { parts: u64, per: u64 },
}

impl Default for Limit {
    fn default() -> Limit {
        Limit::Frames(0)
    }
}

impl Limit {
    /// The most frames the limit allows out of `base`.
    pub fn allows(self, base: u64) -> u64 {
        match self {
            Limit::Frames(frames) => frames,
            Limit::Ratio { parts, per } => {
                let frames = u128::from(base) * u128::from(parts) / u128::from(per.max(1));
                u64::try_from(frames).unwrap_or(u64::MAX)
            }
        }
    }

    pub fn is_zero(self) -> bool {
        matches!(self, Limit::Frames(0) | Limit::Ratio { parts: 0, .. })
    }
}

/// What a trial is judged by. Everything defaults to zero.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Limits {
    /// Lost and corrupted frames: forward against offered, return against reflected.
    pub loss: Limit,
    pub duplicates: Limit,
    pub reordered: Limit,
}

#[derive(Debug, Error, PartialEq, Eq)]
#[error(
    "a limit is a count of frames such as 0 or 12, or a ratio such as 1e-6, 0.01% or 200ppm; {0:?} is neither"
)]
pub struct LimitError(String);

impl FromStr for Limit {
    type Err = LimitError;

    /// A whole number is frames. Anything with a decimal point, an exponent, `%` or `ppm` is a ratio, from 0 to 1.
    fn from_str(text: &str) -> Result<Limit, LimitError> {
        let refuse = || LimitError(text.to_owned());
        let trimmed = text.trim();
        if !trimmed.is_empty() && trimmed.bytes().all(|b| b.is_ascii_digit() || b == b',') {
            return trimmed.replace(',', "").parse().map(Limit::Frames).map_err(|_| refuse());
        }
        let (number, scale) = if let Some(number) = trimmed.strip_suffix('%') {
            (number, 2)
        } else if let Some(number) = trimmed.strip_suffix("ppm") {
            (number, 6)
        } else {
            (trimmed, 0)
        };
        let (mantissa, exponent) = match number.trim().split_once(['e', 'E']) {
            Some((mantissa, exponent)) => (mantissa, exponent.parse::<i32>().map_err(|_| refuse())?),
            None => (number.trim(), 0),
        };
        let (whole, fraction) = mantissa.split_once('.').unwrap_or((mantissa, ""));
        let digits = format!("{whole}{fraction}");
        if digits.is_empty() || !digits.bytes().all(|b| b.is_ascii_digit()) {
            return Err(refuse());
        }
        let mut parts: u64 = digits.parse().map_err(|_| refuse())?;
        let fraction = i32::try_from(fraction.len()).map_err(|_| refuse())?;
        // The value is parts / 10^places.
        let mut places =
            fraction.checked_add(scale).and_then(|p| p.checked_sub(exponent)).ok_or_else(refuse)?;
        while places > 0 && parts.is_multiple_of(10) && parts > 0 {
            parts /= 10;
            places -= 1;
        }
        if parts == 0 {
            return Ok(Limit::Ratio { parts: 0, per: 1 });
        }
        let power = |n: i32| u32::try_from(n).ok().and_then(|n| 10u64.checked_pow(n)).ok_or_else(refuse);
        let (parts, per) = if places >= 0 {
            (parts, power(places)?)
        } else {
            (parts.checked_mul(power(-places)?).ok_or_else(refuse)?, 1)
        };
        if parts > per { Err(refuse()) } else { Ok(Limit::Ratio { parts, per }) }
    }
}

impl fmt::Display for Limit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Limit::Frames(1) => write!(f, "1 frame"),
            Limit::Frames(frames) => write!(f, "{} frames", super::words::grouped(*frames)),
            Limit::Ratio { parts, per } => write!(f, "{:e} of the frames", *parts as f64 / *per as f64),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limit_is_read_as_it_is_written() {
        for (text, limit) in [
            ("0", Limit::Frames(0)),
            ("12", Limit::Frames(12)),
            ("1,000", Limit::Frames(1000)),
            ("1e-6", Limit::Ratio { parts: 1, per: 1_000_000 }),
            ("2.5E-3", Limit::Ratio { parts: 25, per: 10_000 }),
            ("0.01%", Limit::Ratio { parts: 1, per: 10_000 }),
            ("200ppm", Limit::Ratio { parts: 2, per: 10_000 }),
            (".5", Limit::Ratio { parts: 5, per: 10 }),
            ("100%", Limit::Ratio { parts: 1, per: 1 }),
            ("0.0", Limit::Ratio { parts: 0, per: 1 }),
            ("1e0", Limit::Ratio { parts: 1, per: 1 }),
        ] {
            assert_eq!(text.parse(), Ok(limit), "{text}");
        }
    }

    #[test]
    fn what_is_no_limit_is_refused() {
        for text in [
            "", " ", "-1", "1.5", "101%", "1e", "e-6", "1e-40", "1e999", ".", "%", "ppm", "1 frame", "1e2",
            "∞",
        ] {
            assert_eq!(text.parse::<Limit>(), Err(LimitError(text.to_owned())), "{text}");
        }
    }

    #[test]
    fn a_ratio_is_exact_at_its_edge() {
        let limit: Limit = "1e-6".parse().unwrap();
        assert_eq!(limit.allows(999_999), 0);
        assert_eq!(limit.allows(1_000_000), 1);
        assert_eq!(limit.allows(u64::MAX), u64::MAX / 1_000_000);
        // 0.1 has no exact binary form; 3 x 0.1 is 0.30000000000000004 in floating point.
        assert_eq!("0.1".parse::<Limit>().unwrap().allows(30), 3);
        assert_eq!(Limit::Frames(7).allows(0), 7);
    }
}
