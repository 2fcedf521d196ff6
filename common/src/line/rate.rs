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
        let common = gcd(frames, nanoseconds);
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

fn gcd(mut a: u128, mut b: u128) -> u128 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}
