//! Intended load (RFC 2285 section 3.5.1): what is asked for, and the rate it means on a given line.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use super::decimal::{Decimal, cut_prefix, cut_unit, write_fixed};
use super::rate::slot_bits;
use super::{FrameRate, Genome, LineRate, SECOND, line_frame_rate};

/// A percentage in steps of a millionth of a percent, exact.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Percent {
    millionths: u64,
}

const WHOLE: u64 = 100_000_000;

impl Percent {
    /// 100 %.
    pub const FULL: Percent = Percent { millionths: WHOLE };
    /// 99.98 % of nominal, the most that RFC 8239 section 2.2 lets a tester offer, since clocks differ.
    pub const RFC8239: Percent = Percent { millionths: 99_980_000 };

    /// So many millionths of a percent: 99,980,000 is 99.98 %.
    pub const fn from_millionths(millionths: u64) -> Percent {
        Percent { millionths }
    }

    /// In millionths of a percent.
    pub const fn millionths(self) -> u64 {
        self.millionths
    }

    /// The nearest step to `percent`. `None` if it is negative, not finite, or above a million.
    pub fn from_f64(percent: f64) -> Option<Percent> {
        (0.0..=1e6).contains(&percent).then(|| Percent { millionths: (percent * 1e6).round() as u64 })
    }

    /// As a number, 100 for all of it.
    pub fn value(self) -> f64 {
        self.millionths as f64 / 1e6
    }
}

impl fmt::Display for Percent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&(write_fixed(self.millionths, 6) + "%"))
    }
}

/// Intended load. Written and serialised as `99.98%`, `120000fps` or `500Mbps`.
#[derive(Serialize, Deserialize, Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[serde(try_from = "String", into = "String")]
pub enum Load {
    /// Of the line's nominal rate.
    Percent(Percent),
    /// Frames a second.
    FramesPerSecond(u64),
    /// Bits a second on the wire, with 20 octets of preamble, delimiter and gap a frame.
    BitsPerSecond(u64),
}

/// A text that is no load.
#[derive(thiserror::Error, Clone, PartialEq, Eq, Debug)]
#[error(
    "{0:?} is no load: write percent of line rate (100%, 99.98%), frames a second (120000fps), \
     bits a second on the wire (500Mbps), or rfc8239 for 99.98%"
)]
pub struct ParseLoadError(String);

/// A load that this line cannot be offered.
#[derive(thiserror::Error, Clone, Copy, PartialEq, Debug)]
pub enum LoadError {
    /// The load is nothing.
    #[error("a load of {load} offers no frame: ask for more than 0")]
    Zero {
        /// What was asked for.
        load: Load,
    },
    /// The line rate is 0 bit/s.
    #[error("the line rate is 0: say what 100% means with --line-rate, such as --line-rate 1G")]
    NoLine,
    /// The load is so fine a fraction of so odd a line rate that it cannot be kept exactly.
    #[error("a load of {load} on a line of {line} cannot be kept exactly: ask for fewer decimals")]
    TooFine {
        /// What was asked for.
        load: Load,
        /// The line's nominal rate.
        line: LineRate,
    },
    /// The load is more than the line carries.
    #[error(
        "a load of {load} is {asked} at {frame_size} bytes, and a line of {line} carries {carried}: \
         ask for 100% or less"
    )]
    OverLine {
        /// What was asked for.
        load: Load,
        /// The line's nominal rate.
        line: LineRate,
        /// Octets including FCS.
        frame_size: u16,
        /// What was asked for, as a rate.
        asked: FrameRate,
        /// What the line carries.
        carried: FrameRate,
    },
}

impl Load {
    /// All the line carries.
    pub const FULL: Load = Load::Percent(Percent::FULL);

    /// The exact rate this load means on `line` with frames of `frame_size` octets (including FCS).
    ///
    /// # Errors
    /// A load of nothing, a line of nothing, a load above what the line carries, or one too fine to keep exactly.
    pub fn rate(&self, line: LineRate, frame_size: u16) -> Result<FrameRate, LoadError> {
        if line.0 == 0 {
            return Err(LoadError::NoLine);
        }
        if matches!(
            *self,
            Load::Percent(Percent { millionths: 0 }) | Load::FramesPerSecond(0) | Load::BitsPerSecond(0)
        ) {
            return Err(LoadError::Zero { load: *self });
        }
        let slot = u128::from(slot_bits(frame_size)) * u128::from(SECOND);
        let rate = match *self {
            Load::Percent(percent) => FrameRate::reduced(
                u128::from(line.0) * u128::from(percent.millionths),
                slot * u128::from(WHOLE),
            ),
            Load::FramesPerSecond(frames) => FrameRate::from_per_second(frames),
            Load::BitsPerSecond(bits) => FrameRate::reduced(bits.into(), slot),
        };
        let asked = rate.ok_or(LoadError::TooFine { load: *self, line })?;
        let carried = line_frame_rate(line, frame_size);
        if asked > carried {
            return Err(LoadError::OverLine { load: *self, line, frame_size, asked, carried });
        }
        Ok(asked)
    }
}

impl Load {
    /// The exact rate this load means on `line` with frames of a mix of sizes.
    ///
    /// # Errors
    /// As [`Self::rate`]; the size in a message is the mean of the mix.
    pub fn rate_of_mix(&self, line: LineRate, mix: &Genome) -> Result<FrameRate, LoadError> {
        if line.0 == 0 {
            return Err(LoadError::NoLine);
        }
        let too_fine = LoadError::TooFine { load: *self, line };
        let carried = mix.line_frame_rate(line).ok_or(too_fine)?;
        let asked = match *self {
            Load::Percent(percent) if percent.millionths > 0 => carried.times(percent.millionths, WHOLE),
            Load::FramesPerSecond(frames) if frames > 0 => FrameRate::from_per_second(frames),
            Load::BitsPerSecond(bits) if bits > 0 => carried.times(bits, line.0),
            _ => return Err(LoadError::Zero { load: *self }),
        };
        let asked = asked.ok_or(too_fine)?;
        if asked > carried {
            let frame_size = mix.mean_size() as u16;
            return Err(LoadError::OverLine { load: *self, line, frame_size, asked, carried });
        }
        Ok(asked)
    }
}

impl FromStr for Load {
    type Err = ParseLoadError;

    /// `100%`, `99.98%`, `120000fps`, `1.2Mfps`, `500Mbps`, `500Mb/s`, `rfc8239`. Exact, or refused.
    fn from_str(text: &str) -> Result<Load, ParseLoadError> {
        let counted = |text: &str| {
            let (number, power) = cut_prefix(text);
            Decimal::parse(number, false)?.scaled(power)
        };
        let parse = || {
            if text.eq_ignore_ascii_case("rfc8239") {
                Some(Load::Percent(Percent::RFC8239))
            } else if let Some(number) = cut_unit(text, "%") {
                let millionths = Decimal::parse(number, false)?.scaled(6)?;
                Some(Load::Percent(Percent { millionths }))
            } else if let Some(number) = cut_unit(text, "fps") {
                counted(number).map(Load::FramesPerSecond)
            } else {
                let number = ["bit/s", "b/s", "bps"].iter().find_map(|unit| cut_unit(text, unit))?;
                counted(number).map(Load::BitsPerSecond)
            }
        };
        parse().ok_or_else(|| ParseLoadError(text.to_owned()))
    }
}

impl TryFrom<String> for Load {
    type Error = ParseLoadError;

    fn try_from(text: String) -> Result<Load, ParseLoadError> {
        text.parse()
    }
}

impl From<Load> for String {
    fn from(load: Load) -> String {
        load.to_string()
    }
}

impl fmt::Display for Load {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = match *self {
            Load::Percent(percent) => percent.to_string(),
            Load::FramesPerSecond(frames) => format!("{frames}fps"),
            Load::BitsPerSecond(bits) => match bits {
                _ if bits >= SECOND && bits.is_multiple_of(1_000_000) => write_fixed(bits, 9) + "Gbps",
                _ if bits >= 1_000_000 && bits.is_multiple_of(1_000) => write_fixed(bits, 6) + "Mbps",
                _ => format!("{bits}bps"),
            },
        };
        f.pad(&text)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const GIGABIT: LineRate = LineRate(SECOND);

    fn load(text: &str) -> Load {
        text.parse().unwrap()
    }

    #[test]
    fn loads_read() {
        assert_eq!(load("100%"), Load::FULL);
        assert_eq!(load("99.98%"), Load::Percent(Percent::RFC8239));
        assert_eq!(load("RFC8239"), Load::Percent(Percent::RFC8239));
        assert_eq!(load("120000fps"), Load::FramesPerSecond(120_000));
        assert_eq!(load("1.2Mfps"), Load::FramesPerSecond(1_200_000));
        assert_eq!(load("500Mbps"), Load::BitsPerSecond(500_000_000));
        assert_eq!(load("2.5Gb/s"), Load::BitsPerSecond(2_500_000_000));
        assert_eq!(load("64kbit/s"), Load::BitsPerSecond(64_000));
        for bad in ["", "100", "%", "fps", "-5%", "5 %", "0.5fps", "1.23456789%", "99,98%", "500MB/s%", "rfc"]
        {
            assert!(bad.parse::<Load>().is_err(), "{bad}");
        }
        let text = "all".parse::<Load>().unwrap_err().to_string();
        assert!(text.starts_with("\"all\" is no load: write percent of line rate (100%"), "{text}");
    }

    #[test]
    fn a_load_becomes_an_exact_rate() {
        let rate = |text| load(text).rate(GIGABIT, 1518).unwrap();
        assert_eq!(rate("100%"), line_frame_rate(GIGABIT, 1518));
        assert_eq!(rate("50%"), FrameRate::new(1, 24_608).unwrap());
        assert_eq!(rate("50%"), rate("500Mbps"));
        assert_eq!(rate("1Gbps"), rate("100%"));
        assert_eq!(rate("81274fps"), FrameRate::new(81_274, SECOND).unwrap());
        // 99.98 % is 4,999 frames in 5,000 slots of 12,304 ns.
        assert_eq!(rate("99.98%"), FrameRate::new(4_999, 5_000 * 12_304).unwrap());
    }

    #[test]
    fn what_cannot_be_offered_is_refused() {
        for nothing in ["0%", "0fps", "0bps"] {
            assert_eq!(load(nothing).rate(GIGABIT, 64), Err(LoadError::Zero { load: load(nothing) }));
        }
        assert_eq!(Load::FULL.rate(LineRate(0), 64), Err(LoadError::NoLine));
        for over in ["100.000001%", "110%", "1488096fps", "1000000001bps", "1000%"] {
            let error = load(over).rate(GIGABIT, 64).unwrap_err();
            assert!(matches!(error, LoadError::OverLine { .. }), "{over}");
        }
        assert!(load("1488095fps").rate(GIGABIT, 64).is_ok());
        assert_eq!(
            load("120000fps").rate(GIGABIT, 1518).unwrap_err().to_string(),
            "a load of 120000fps is 120000 frames/s at 1518 bytes, and a line of 1G carries 81274.382 frames/s: \
             ask for 100% or less"
        );
        let odd = LineRate(999_999_937);
        assert!(Load::FULL.rate(odd, 1518).is_ok());
        assert!(matches!(load("33.333333%").rate(odd, 9216), Err(LoadError::TooFine { .. })));
    }

    /// Every line from 10M to 400G keeps every percentage exactly, at every size a frame can have.
    #[test]
    fn no_real_line_is_too_odd() {
        for mbps in [10, 100, 1_000, 2_500, 5_000, 10_000, 25_000, 40_000, 100_000, 200_000, 400_000] {
            let line = LineRate::from_mbps(mbps).unwrap();
            for frame_size in (64..=9216).step_by(17) {
                for millionths in [1, 33_333_333, 99_999_999, 99_980_000, 100_000_000] {
                    let percent = Percent::from_millionths(millionths);
                    let rate = Load::Percent(percent).rate(line, frame_size).unwrap();
                    assert!((rate.percent_of(line, frame_size) / percent.value() - 1.0).abs() < 1e-12);
                }
            }
        }
    }

    #[test]
    fn percent_from_a_number() {
        assert_eq!(Percent::from_f64(99.98), Some(Percent::RFC8239));
        assert_eq!(Percent::from_f64(-0.1), None);
        assert_eq!(Percent::from_f64(f64::NAN), None);
        assert_eq!(Percent::FULL.value(), 100.0);
    }

    proptest! {
        #[test]
        fn written_form_reads_back(number: u64, kind in 0..3) {
            let load = match kind {
                0 => Load::Percent(Percent::from_millionths(number)),
                1 => Load::FramesPerSecond(number),
                _ => Load::BitsPerSecond(number),
            };
            prop_assert_eq!(load.to_string().parse(), Ok(load));
            let json = serde_json::to_string(&load).unwrap();
            prop_assert_eq!(serde_json::from_str::<Load>(&json).unwrap(), load);
        }

        #[test]
        fn arbitrary_text_never_panics(text: String) {
            let _ = (text.parse::<Load>(), text.parse::<LineRate>(), text.parse::<crate::line::Ratio>());
        }
    }
}
