//! Line rates and frame rates, exact.

use std::cmp::Ordering;
use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use super::decimal::{Decimal, cut_prefix, cut_unit, write_fixed};
use super::{OVERHEAD_OCTETS, SECOND};

/// The nominal bit rate of a line, in bit/s. Never 0 when parsed or deserialised; serialised as a plain number.
#[derive(Serialize, Deserialize, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
#[serde(try_from = "u64", into = "u64")]
pub struct LineRate(pub u64);

/// A text that is no line rate.
#[derive(thiserror::Error, Clone, PartialEq, Eq, Debug)]
#[error("{0:?} is no line rate: write a number and a unit, such as 100M, 1G or 2.5G")]
pub struct ParseLineRateError(String);

impl LineRate {
    /// From megabits a second, as the kernel gives a link's speed. `None` for 0.
    pub fn from_mbps(mbps: u32) -> Option<LineRate> {
        (mbps != 0).then(|| LineRate(u64::from(mbps) * 1_000_000))
    }
}

fn allowed(bits: u64) -> bool {
    (1..LARGEST as u64).contains(&bits)
}

impl TryFrom<u64> for LineRate {
    type Error = ParseLineRateError;

    fn try_from(bits: u64) -> Result<LineRate, ParseLineRateError> {
        if !allowed(bits) { Err(ParseLineRateError(bits.to_string())) } else { Ok(LineRate(bits)) }
    }
}

impl From<LineRate> for u64 {
    fn from(line: LineRate) -> u64 {
        line.0
    }
}

impl FromStr for LineRate {
    type Err = ParseLineRateError;

    /// `1G`, `2.5G`, `100M`, also with `bps`, `bit/s` or `b/s` behind the prefix. A bare number is refused: the
    /// kernel counts in Mb/s and people in bit/s.
    fn from_str(text: &str) -> Result<LineRate, ParseLineRateError> {
        let parse = || {
            let unit = ["bit/s", "b/s", "bps"].iter().find_map(|unit| cut_unit(text, unit));
            let (number, power) = cut_prefix(unit.unwrap_or(text));
            if power == 0 && unit.is_none() {
                return None;
            }
            Decimal::parse(number, false)?.scaled(power).filter(|&bits| allowed(bits))
        };
        parse().map(LineRate).ok_or_else(|| ParseLineRateError(text.to_owned()))
    }
}

impl fmt::Display for LineRate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let bits = self.0;
        let text = match bits {
            // Three decimals at most, so that an odd rate is shown in full instead.
            _ if bits >= SECOND && bits.is_multiple_of(1_000_000) => write_fixed(bits, 9) + "G",
            _ if bits >= 1_000_000 && bits.is_multiple_of(1_000) => write_fixed(bits, 6) + "M",
            _ if bits >= 1_000 && bits.is_multiple_of(1_000) => write_fixed(bits, 3) + "k",
            _ => format!("{bits}bps"),
        };
        f.pad(&text)
    }
}

/// An exact rate: `frames` in every `nanoseconds`, in lowest terms, neither of them 0, both below 2^62.
#[derive(Serialize, Deserialize, Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[serde(try_from = "Fraction")]
pub struct FrameRate {
    frames: u64,
    nanoseconds: u64,
}

#[derive(Deserialize)]
struct Fraction {
    frames: u64,
    nanoseconds: u64,
}

impl TryFrom<Fraction> for FrameRate {
    type Error = &'static str;

    fn try_from(fraction: Fraction) -> Result<FrameRate, &'static str> {
        FrameRate::new(fraction.frames, fraction.nanoseconds)
            .ok_or("a frame rate needs frames and nanoseconds above 0 and below 2^62")
    }
}

/// Numerator and denominator stay below 2^62, so that sums of remainders cannot overflow.
const LARGEST: u128 = 1 << 62;

impl FrameRate {
    /// `frames` in every `nanoseconds`. `None` if either is 0 or, in lowest terms, 2^62 or more.
    pub fn new(frames: u64, nanoseconds: u64) -> Option<FrameRate> {
        FrameRate::reduced(frames.into(), nanoseconds.into())
    }

    /// `frames` in every second. `None` for 0.
    pub fn from_per_second(frames: u64) -> Option<FrameRate> {
        FrameRate::new(frames, SECOND)
    }

    pub(super) fn reduced(frames: u128, nanoseconds: u128) -> Option<FrameRate> {
        if frames == 0 || nanoseconds == 0 {
            return None;
        }
        let common = common_divisor(frames, nanoseconds);
        let (frames, nanoseconds) = (frames / common, nanoseconds / common);
        if frames.max(nanoseconds) >= LARGEST {
            return None;
        }
        Some(FrameRate { frames: frames as u64, nanoseconds: nanoseconds as u64 })
    }

    /// The numerator: so many frames in every [`nanoseconds`](Self::nanoseconds).
    pub fn frames(self) -> u64 {
        self.frames
    }

    /// The denominator.
    pub fn nanoseconds(self) -> u64 {
        self.nanoseconds
    }

    /// Frames a second, for people. Arithmetic on counts uses the exact functions.
    pub fn per_second(self) -> f64 {
        self.frames as f64 * SECOND as f64 / self.nanoseconds as f64
    }

    /// Whole frame intervals in `ns`, rounded down: the number of frames of a trial that long. Saturates.
    pub fn frames_in(self, ns: u64) -> u64 {
        let frames = u128::from(ns) * u128::from(self.frames) / u128::from(self.nanoseconds);
        u64::try_from(frames).unwrap_or(u64::MAX)
    }

    /// When frame `index` departs, in nanoseconds after frame 0, rounded down. Saturates.
    pub fn time_of(self, index: u64) -> u64 {
        let ns = u128::from(index) * u128::from(self.nanoseconds) / u128::from(self.frames);
        u64::try_from(ns).unwrap_or(u64::MAX)
    }

    /// This rate as percent of what `line` carries at `frame_size` octets (including FCS).
    pub fn percent_of(self, line: LineRate, frame_size: u16) -> f64 {
        100.0 * self.bits_per_second(frame_size) / line.0 as f64
    }

    /// Bits a second on the wire at `frame_size` octets (including FCS), with [`OVERHEAD_OCTETS`] a frame.
    pub fn bits_per_second(self, frame_size: u16) -> f64 {
        self.per_second() * slot_bits(frame_size) as f64
    }

    /// `numerator` / `denominator` times this rate. `None` where [`new`](Self::new) is.
    pub fn times(self, numerator: u64, denominator: u64) -> Option<FrameRate> {
        FrameRate::reduced(
            u128::from(self.frames) * u128::from(numerator),
            u128::from(self.nanoseconds) * u128::from(denominator),
        )
    }

    /// The rate at which a late sender at this rate repays: 1.05 times as fast, but never above `line_rate`.
    pub fn repayment(self, line_rate: FrameRate) -> FrameRate {
        self.times(21, 20).map_or(self, |faster| faster.min(line_rate)).max(self)
    }
}

impl Ord for FrameRate {
    fn cmp(&self, other: &FrameRate) -> Ordering {
        let left = u128::from(self.frames) * u128::from(other.nanoseconds);
        let right = u128::from(other.frames) * u128::from(self.nanoseconds);
        left.cmp(&right)
    }
}

impl PartialOrd for FrameRate {
    fn partial_cmp(&self, other: &FrameRate) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl fmt::Display for FrameRate {
    /// Frames a second, to a thousandth where not whole.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = format!("{:.3}", self.per_second());
        f.pad(text.trim_end_matches('0').trim_end_matches('.'))?;
        f.write_str(" frames/s")
    }
}

/// Bits of line time that one frame of `frame_size` octets takes, with its preamble and gap.
pub(super) fn slot_bits(frame_size: u16) -> u64 {
    8 * (u64::from(frame_size) + OVERHEAD_OCTETS)
}

/// The most frames of `frame_size` octets (including FCS) that `line` carries:
/// line / (8 × (frame size + 20)), RFC 5180 Appendix A.1, kept exact.
///
/// # Panics
/// If `line` is 0 bit/s or not below 2^62 bit/s, which no parser lets through.
pub fn line_frame_rate(line: LineRate, frame_size: u16) -> FrameRate {
    let nanoseconds = u128::from(slot_bits(frame_size)) * u128::from(SECOND);
    FrameRate::reduced(line.0.into(), nanoseconds).expect("a line rate above 0 and below 2^62 bit/s")
}

/// The greatest number that divides both; the other one if one is 0.
pub fn common_divisor(mut a: u128, mut b: u128) -> u128 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn line_rates_read_and_write() {
        for (text, bits) in [
            ("1G", SECOND),
            ("2.5G", 2_500_000_000),
            ("100M", 100_000_000),
            ("10g", 10 * SECOND),
            ("1000M", SECOND),
            ("1Gbps", SECOND),
            ("2.5Gb/s", 2_500_000_000),
            ("10Mbit/s", 10_000_000),
            ("999999937bps", 999_999_937),
            ("64k", 64_000),
            ("0.1G", 100_000_000),
            ("1T", 1000 * SECOND),
        ] {
            assert_eq!(text.parse(), Ok(LineRate(bits)), "{text}");
        }
        for bad in
            ["", "G", "1", "1000", "0G", "-1G", "1 G", "1X", "1.0000000001G", "1e9bps", "99999999999T", "GG"]
        {
            assert!(bad.parse::<LineRate>().is_err(), "{bad}");
        }
        assert_eq!(LineRate(2_500_000_000).to_string(), "2.5G");
        assert_eq!(LineRate(100_000_000).to_string(), "100M");
        assert_eq!(LineRate(999_999_937).to_string(), "999999937bps");
        assert_eq!(LineRate::from_mbps(2500), Some(LineRate(2_500_000_000)));
        assert_eq!(LineRate::from_mbps(0), None);
        assert_eq!(
            "fast".parse::<LineRate>().unwrap_err().to_string(),
            "\"fast\" is no line rate: write a number and a unit, such as 100M, 1G or 2.5G"
        );
    }

    #[test]
    fn serialised_forms() {
        let rate = line_frame_rate(LineRate(SECOND), 64);
        let text = serde_json::to_string(&rate).unwrap();
        assert_eq!(text, r#"{"frames":1,"nanoseconds":672}"#);
        assert_eq!(serde_json::from_str::<FrameRate>(&text).unwrap(), rate);
        let twice: FrameRate = serde_json::from_str(r#"{"frames":2,"nanoseconds":1344}"#).unwrap();
        assert_eq!(twice, rate, "reduced on the way in");
        for bad in [r#"{"frames":0,"nanoseconds":1}"#, r#"{"frames":1,"nanoseconds":0}"#] {
            assert!(serde_json::from_str::<FrameRate>(bad).is_err());
        }
        assert_eq!(serde_json::to_string(&LineRate(SECOND)).unwrap(), "1000000000");
        assert_eq!(serde_json::from_str::<LineRate>("1000000000").unwrap(), LineRate(SECOND));
        assert!(serde_json::from_str::<LineRate>("0").is_err());
    }

    #[test]
    fn edges_of_a_frame_rate() {
        assert_eq!(FrameRate::new(0, 1), None);
        assert_eq!(FrameRate::new(1, 0), None);
        assert_eq!(FrameRate::new(1, 1 << 62), None);
        assert!(FrameRate::new(1 << 63, 1 << 63).is_some(), "one a nanosecond");
        let dense = FrameRate::new((1 << 62) - 1, 1).unwrap();
        assert_eq!(dense.frames_in(u64::MAX), u64::MAX);
        let sparse = FrameRate::new(1, (1 << 62) - 1).unwrap();
        assert_eq!(sparse.time_of(u64::MAX), u64::MAX);
        assert_eq!(dense.times(2, 1), None);
        assert_eq!(FrameRate::from_per_second(120_000).unwrap().to_string(), "120000 frames/s");
        assert_eq!(line_frame_rate(LineRate(SECOND), 64).to_string(), "1488095.238 frames/s");
    }

    /// design.md: a debt is repaid at no more than 1.05 times the intended rate, never above line rate.
    #[test]
    fn repayment_is_five_percent_faster_up_to_the_line() {
        let line = line_frame_rate(LineRate(SECOND), 64);
        let half = line.times(1, 2).unwrap();
        assert_eq!(half.repayment(line), line.times(105, 200).unwrap());
        assert_eq!(line.times(99, 100).unwrap().repayment(line), line);
        assert_eq!(line.repayment(line), line);
    }

    proptest! {
        #[test]
        fn fractions_are_exact(frames in 1u64..1 << 40, ns in 1u64..1 << 40, span in 0u64..1 << 48, index in 0u64..1 << 48) {
            let rate = FrameRate::new(frames, ns).unwrap();
            prop_assert_eq!(
                u128::from(rate.frames()) * u128::from(ns),
                u128::from(rate.nanoseconds()) * u128::from(frames)
            );
            let count = u128::from(span) * u128::from(frames) / u128::from(ns);
            prop_assert_eq!(u128::from(rate.frames_in(span)), count.min(u64::MAX.into()));
            let at = u128::from(index) * u128::from(ns) / u128::from(frames);
            prop_assert_eq!(u128::from(rate.time_of(index)), at.min(u64::MAX.into()));
        }

        #[test]
        fn order_is_the_order_of_the_quotients(a in 1u64..1000, b in 1u64..1000, c in 1u64..1000, d in 1u64..1000) {
            let order = FrameRate::new(a, b).unwrap().cmp(&FrameRate::new(c, d).unwrap());
            prop_assert_eq!(order, (a * d).cmp(&(c * b)));
        }

        #[test]
        fn a_line_rate_reads_back(bits in 1u64..1 << 62) {
            let line = LineRate(bits);
            prop_assert_eq!(line.to_string().parse(), Ok(line));
        }
    }
}
