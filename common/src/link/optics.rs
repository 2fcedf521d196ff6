//! What an optical module says of itself: identity, light, and its own alarm thresholds.
//!
//! SFF-8472 (rev 12.4; tables and examples from memory): page A0h has the identity (as INF-8074), page A2h the thresholds
//! (octets 0 to 39), the calibration (56 to 91) and what is measured (96 to 105). Pure: octets in, quantities out.

use std::fmt;

use serde::{Deserialize, Serialize};

/// Octets of each page that are read.
pub const PAGE_OCTETS: usize = 128;

/// A module in a port. Powers are in nanowatts, so that they travel as whole numbers.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Optics {
    #[serde(rename = "v", default, skip_serializing_if = "String::is_empty")]
    pub vendor: String,
    #[serde(rename = "p", default, skip_serializing_if = "String::is_empty")]
    pub part: String,
    #[serde(rename = "s", default, skip_serializing_if = "String::is_empty")]
    pub serial: String,
    /// Nanometres; none for copper.
    #[serde(rename = "w", default, skip_serializing_if = "Option::is_none")]
    pub wavelength: Option<u16>,
    /// What it measures, where it does.
    #[serde(rename = "m", default, skip_serializing_if = "Option::is_none")]
    pub measured: Option<Measured>,
    /// What is out of its own limits, or near the least light it can do with.
    #[serde(rename = "c", default, skip_serializing_if = "Vec::is_empty")]
    pub concerns: Vec<Concern>,
    /// Why it is not believed; then nothing else is said of it.
    #[serde(rename = "n", default, skip_serializing_if = "Option::is_none")]
    pub nonsense: Option<Nonsense>,
}

/// What a module measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "[i64; 6]", into = "[i64; 6]")]
pub struct Measured {
    /// Thousandths of a degree Celsius.
    pub temperature: i64,
    /// Microamperes through the laser.
    pub bias: i64,
    /// Nanowatts.
    pub transmit: i64,
    pub receive: i64,
    /// Its own alarm thresholds for the light received, nanowatts: the least and the most.
    pub receive_least: i64,
    pub receive_most: i64,
}

impl From<[i64; 6]> for Measured {
    fn from([temperature, bias, transmit, receive, receive_least, receive_most]: [i64; 6]) -> Self {
        Self { temperature, bias, transmit, receive, receive_least, receive_most }
    }
}

impl From<Measured> for [i64; 6] {
    fn from(measured: Measured) -> Self {
        let Measured { temperature, bias, transmit, receive, receive_least, receive_most } = measured;
        [temperature, bias, transmit, receive, receive_least, receive_most]
    }
}

/// A quantity that has thresholds, in the order of the page.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    Temperature,
    Supply,
    Bias,
    Transmit,
    Receive,
}

/// How far out it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Level {
    HighAlarm,
    LowAlarm,
    HighWarning,
    LowWarning,
    /// Within two decibels of the least light (our judgement, not the standard's).
    NearLeast,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Concern(pub Quantity, pub Level);

/// Why a module is not believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Nonsense {
    /// Not an SFP: this identifier (SFF-8024 table 4-1).
    Kind(u8),
    /// The identity does not add up to its own checksum.
    Identity,
    /// What it measures does not.
    Diagnostics,
}

/// Less than this above the least light is near it.
const NEAR_DB: f64 = 2.0;
const SFP: u8 = 0x03;

/// Decibels above a milliwatt; none for no light at all.
#[must_use]
pub fn dbm(nanowatts: i64) -> Option<f64> {
    (nanowatts > 0).then(|| 10.0 * (nanowatts as f64 / 1e6).log10())
}

impl Optics {
    /// Reads the two pages; the second is empty where it could not be read.
    #[must_use]
    pub fn of(identity: &[u8; PAGE_OCTETS], diagnostics: Option<&[u8; PAGE_OCTETS]>) -> Self {
        let nonsense = |nonsense| Self { nonsense: Some(nonsense), ..Self::default() };
        if identity[0] != SFP {
            return nonsense(Nonsense::Kind(identity[0]));
        }
        if sum(&identity[..63]) != identity[63] || sum(&identity[64..95]) != identity[95] {
            return nonsense(Nonsense::Identity);
        }
        let told = Self {
            vendor: text(&identity[20..36]),
            part: text(&identity[40..56]),
            serial: text(&identity[68..84]),
            // For copper cables these octets are something else (octet 8, bits 2 and 3).
            wavelength: Some(be16(identity, 60)).filter(|nm| identity[8] & 0x0C == 0 && *nm > 0),
            ..Self::default()
        };
        // Octet 92: bit 6 says that there is a second page, bit 5 calibrated inside, bit 4 outside.
        let Some(page) = diagnostics.filter(|_| identity[92] & 0x40 != 0) else { return told };
        if sum(&page[..95]) != page[95] {
            return Self { nonsense: Some(Nonsense::Diagnostics), ..told };
        }
        let calibration = Calibration::of(page, identity[92] & 0x10 != 0);
        let quantities =
            [Quantity::Temperature, Quantity::Supply, Quantity::Bias, Quantity::Transmit, Quantity::Receive];
        let mut concerns = Vec::new();
        let (mut now, mut limits) = ([0_i64; 5], [[0_i64; 4]; 5]);
        for (place, quantity) in quantities.into_iter().enumerate() {
            now[place] = calibration.value(quantity, be16(page, 96 + 2 * place));
            for (level, limit) in limits[place].iter_mut().enumerate() {
                // High alarm, low alarm, high warning, low warning.
                *limit = calibration.value(quantity, be16(page, 8 * place + 2 * level));
            }
            concerns.extend(concern(quantity, now[place], limits[place]));
        }
        let [temperature, _, bias, transmit, receive] = now;
        let [receive_most, receive_least, ..] = limits[4];
        Self {
            measured: Some(Measured { temperature, bias, transmit, receive, receive_least, receive_most }),
            concerns,
            ..told
        }
    }

    /// The light received in decibels above the least it can do with.
    #[must_use]
    pub fn margin_db(&self) -> Option<f64> {
        let measured = self.measured?;
        Some(dbm(measured.receive)? - dbm(measured.receive_least)?)
    }
}

/// The worst that is to be said of a quantity.
fn concern(
    quantity: Quantity,
    now: i64,
    [high_alarm, low_alarm, high_warning, low_warning]: [i64; 4],
) -> Option<Concern> {
    // Thresholds that are all the same say nothing.
    if high_alarm == low_alarm {
        return None;
    }
    let near = || {
        let margin = dbm(now)? - dbm(low_alarm)?;
        (quantity == Quantity::Receive && margin < NEAR_DB).then_some(Level::NearLeast)
    };
    let level = match now {
        now if now > high_alarm => Level::HighAlarm,
        now if now < low_alarm => Level::LowAlarm,
        now if high_warning > low_warning && now > high_warning => Level::HighWarning,
        now if high_warning > low_warning && now < low_warning => Level::LowWarning,
        _ => near()?,
    };
    Some(Concern(quantity, level))
}

/// How raw readings become quantities.
struct Calibration {
    /// Slope (256ths) and offset of each but the light received; inside a module they are one and nothing.
    lines: [(f64, f64); 4],
    /// Of the light received: the constant first, up to the fourth power.
    receive: [f64; 5],
}

impl Calibration {
    fn of(page: &[u8; PAGE_OCTETS], outside: bool) -> Self {
        if !outside {
            return Self { lines: [(1.0, 0.0); 4], receive: [0.0, 1.0, 0.0, 0.0, 0.0] };
        }
        let line = |at: usize| (f64::from(be16(page, at)) / 256.0, f64::from(be16(page, at + 2) as i16));
        let float =
            |at: usize| f64::from(f32::from_be_bytes([page[at], page[at + 1], page[at + 2], page[at + 3]]));
        Self {
            // Temperature and supply stand last on the page, bias and light sent first.
            lines: [line(84), line(88), line(76), line(80)],
            receive: [float(72), float(68), float(64), float(60), float(56)],
        }
    }

    fn value(&self, quantity: Quantity, raw: u16) -> i64 {
        let line = |(slope, offset): (f64, f64), raw: f64| slope * raw + offset;
        let (value, unit) = match quantity {
            // 1/256 of a degree, signed.
            Quantity::Temperature => (line(self.lines[0], f64::from(raw as i16)), 1000.0 / 256.0),
            // 100 microvolts.
            Quantity::Supply => (line(self.lines[1], f64::from(raw)), 100.0),
            // 2 microamperes.
            Quantity::Bias => (line(self.lines[2], f64::from(raw)), 2.0),
            // A tenth of a microwatt.
            Quantity::Transmit => (line(self.lines[3], f64::from(raw)), 100.0),
            Quantity::Receive => {
                let raw = f64::from(raw);
                (self.receive.iter().rev().fold(0.0, |sum, factor| sum * raw + factor), 100.0)
            }
        };
        (value * unit).round() as i64
    }
}

fn sum(octets: &[u8]) -> u8 {
    octets.iter().fold(0, |sum: u8, octet| sum.wrapping_add(*octet))
}

fn be16(page: &[u8; PAGE_OCTETS], at: usize) -> u16 {
    u16::from_be_bytes([page[at], page[at + 1]])
}

/// ASCII, filled with spaces on the right; what is not printable is left out.
fn text(octets: &[u8]) -> String {
    let printable = octets.iter().filter(|octet| (0x20..0x7F).contains(*octet));
    printable.map(|octet| char::from(*octet)).collect::<String>().trim().to_owned()
}

/// In one line: what it is, and its light.
impl fmt::Display for Optics {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(nonsense) = self.nonsense {
            return match nonsense {
                Nonsense::Kind(kind) => {
                    write!(f, "a module of kind {kind:02x}h, which this version cannot read")
                }
                Nonsense::Identity => f.write_str("a module whose identity does not add up to its checksum"),
                Nonsense::Diagnostics => {
                    write!(
                        f,
                        "{} {}, whose measurements do not add up to their checksum",
                        self.vendor, self.part
                    )
                }
            };
        }
        write!(f, "{} {} serial {}", self.vendor, self.part, self.serial)?;
        if let Some(wavelength) = self.wavelength {
            write!(f, ", {wavelength} nm")?;
        }
        if let Some(measured) = self.measured {
            let light = |nanowatts| {
                dbm(nanowatts).map_or_else(|| "no light".to_owned(), |dbm| format!("{dbm:.1} dBm"))
            };
            write!(
                f,
                ", {:.1} °C, laser {:.1} mA, sends {}, receives {} (at least {} by its own alarm)",
                measured.temperature as f64 / 1e3,
                measured.bias as f64 / 1e3,
                light(measured.transmit),
                light(measured.receive),
                light(measured.receive_least)
            )?;
        }
        Ok(())
    }
}

impl fmt::Display for Concern {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let quantity = match self.0 {
            Quantity::Temperature => "temperature",
            Quantity::Supply => "supply voltage",
            Quantity::Bias => "laser current",
            Quantity::Transmit => "light sent",
            Quantity::Receive => "light received",
        };
        let level = match self.1 {
            Level::HighAlarm => "above its alarm threshold",
            Level::LowAlarm => "below its alarm threshold",
            Level::HighWarning => "above its warning threshold",
            Level::LowWarning => "below its warning threshold",
            Level::NearLeast => "within 2 dB of its alarm threshold",
        };
        write!(f, "{quantity} {level}")
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use proptest::prelude::*;

    use super::*;

    /// A module as makers fill it in; the names are invented.
    fn identity(diagnostics: u8) -> [u8; PAGE_OCTETS] {
        let mut page = [0; PAGE_OCTETS];
        page[0] = SFP;
        let mut put = |at: usize, room: usize, text: &str| {
            page[at..at + room].fill(b' ');
            page[at..at + text.len()].copy_from_slice(text.as_bytes());
        };
        put(20, 16, "FOGHORN OPTICS");
        put(40, 16, "FH-1000SX");
        put(68, 16, "INV-1008");
        page[60..62].copy_from_slice(&850_u16.to_be_bytes());
        page[92] = diagnostics;
        page[63] = sum(&page[..63]);
        page[95] = sum(&page[64..95]);
        page
    }

    /// Thresholds as data sheets have them, and what is measured now.
    fn page(now: [u16; 5]) -> [u8; PAGE_OCTETS] {
        let mut page = [0; PAGE_OCTETS];
        let limits: [[u16; 4]; 5] = [
            [0x5A00, 0xF600, 0x5500, 0xFB00],
            [36_000, 30_000, 35_000, 31_000],
            [10_000, 500, 9_000, 1_000],
            [6_310, 790, 5_012, 1_000],
            // -17 dBm is 20 microwatts.
            [10_000, 200, 7_943, 251],
        ];
        for (place, levels) in limits.iter().enumerate() {
            for (level, limit) in levels.iter().enumerate() {
                let at = 8 * place + 2 * level;
                page[at..at + 2].copy_from_slice(&limit.to_be_bytes());
            }
        }
        for (place, raw) in now.iter().enumerate() {
            page[96 + 2 * place..98 + 2 * place].copy_from_slice(&raw.to_be_bytes());
        }
        page[95] = sum(&page[..95]);
        page
    }

    const INSIDE: u8 = 0x60;
    const OUTSIDE: u8 = 0x50;
    /// 25 °C, 3.3 V, 6 mA, 0.25 mW, 0.1 mW.
    const USUAL: [u16; 5] = [0x1900, 33_000, 3_000, 2_500, 1_000];

    #[test]
    fn a_module_is_read() {
        let told = Optics::of(&identity(INSIDE), Some(&page(USUAL)));
        assert_eq!(
            (told.vendor.as_str(), told.part.as_str(), told.serial.as_str()),
            ("FOGHORN OPTICS", "FH-1000SX", "INV-1008")
        );
        let measured = told.measured.unwrap();
        assert_eq!((measured.temperature, measured.bias), (25_000, 6_000));
        // A tenth of a milliwatt is -10 dBm.
        assert!((dbm(measured.receive).unwrap() + 10.0).abs() < 1e-9);
        assert!((told.margin_db().unwrap() - 6.99).abs() < 0.01);
        assert_eq!(told.concerns, []);
        assert_eq!(
            told.to_string(),
            "FOGHORN OPTICS FH-1000SX serial INV-1008, 850 nm, 25.0 °C, laser 6.0 mA, sends -6.0 dBm, receives -10.0 dBm \
             (at least -17.0 dBm by its own alarm)"
        );
        assert_eq!(
            Optics::of(&identity(0), Some(&page(USUAL))).measured,
            None,
            "it says that it measures nothing"
        );
    }

    /// SFF-8472, the table of temperatures in two's complement (from memory): +127.996, +125, +25, +1.004, +1, +0.996, +0.004, 0,
    /// -0.004, -1, -25, -40 and -127.996 degrees.
    #[test]
    fn temperatures_of_the_standard() {
        let calibration = Calibration::of(&[0; PAGE_OCTETS], false);
        for (raw, thousandths) in [
            (0x7FFF, 127_996),
            (0x7D00, 125_000),
            (0x1900, 25_000),
            (0x0101, 1_004),
            (0x0100, 1_000),
            (0x00FF, 996),
            (0x0001, 4),
            (0x0000, 0),
            (0xFFFF, -4),
            (0xFF00, -1_000),
            (0xE700, -25_000),
            (0xD800, -40_000),
            (0x8001, -127_996),
        ] {
            assert_eq!(calibration.value(Quantity::Temperature, raw), thousandths, "{raw:04x}");
        }
    }

    /// Calibrated outside: slopes are 256ths (0100h is one, 0180h one and a half), offsets have the unit of the reading, and the
    /// light received is a polynomial of the fourth power whose factors are IEEE 754 numbers, the highest first.
    #[test]
    fn calibrated_outside() {
        let mut raw = page([0x1000, 20_000, 2_000, 2_000, 100]);
        let mut put = |at: usize, octets: &[u8]| raw[at..at + octets.len()].copy_from_slice(octets);
        for (place, factor) in [0.0_f32, 0.0, 0.25, 2.0, 10.0].into_iter().enumerate() {
            put(56 + 4 * place, &factor.to_be_bytes());
        }
        put(76, &[0x01, 0x80, 0x00, 0x0A]); // bias: one and a half, ten more
        put(80, &[0x00, 0x80, 0xFF, 0xF6]); // light sent: a half, ten less
        put(84, &[0x01, 0x00, 0x01, 0x00]); // temperature: one, a degree more
        put(88, &[0x02, 0x00, 0x00, 0x00]); // supply: twice
        raw[95] = sum(&raw[..95]);
        let measured = Optics::of(&identity(OUTSIDE), Some(&raw)).measured.unwrap();
        assert_eq!(measured.temperature, 17_000);
        assert_eq!(measured.bias, (3_000 + 10) * 2);
        assert_eq!(measured.transmit, (1_000 - 10) * 100);
        // 10 + 2 * 100 + 0.25 * 100^2 tenths of a microwatt.
        assert_eq!(measured.receive, 2_710 * 100);
    }

    #[test]
    fn little_light_is_a_concern_before_any_frame_is_lost() {
        for (receive, level) in [
            (150, Some(Level::LowAlarm)),
            (220, Some(Level::LowWarning)),
            (300, Some(Level::NearLeast)),
            (330, None),
            (9_000, Some(Level::HighWarning)),
            (12_000, Some(Level::HighAlarm)),
            (0, Some(Level::LowAlarm)),
        ] {
            let told =
                Optics::of(&identity(INSIDE), Some(&page([USUAL[0], USUAL[1], USUAL[2], USUAL[3], receive])));
            let expected: Vec<Concern> =
                level.map(|level| Concern(Quantity::Receive, level)).into_iter().collect();
            assert_eq!(told.concerns, expected, "{receive}");
        }
    }

    #[test]
    fn nonsense_is_said() {
        let mut other = identity(INSIDE);
        other[0] = 0x18;
        assert_eq!(Optics::of(&other, None).nonsense, Some(Nonsense::Kind(0x18)));
        let mut spoilt = identity(INSIDE);
        spoilt[45] ^= 1;
        assert_eq!(Optics::of(&spoilt, None).nonsense, Some(Nonsense::Identity));
        let mut spoilt = page(USUAL);
        spoilt[3] ^= 1;
        let told = Optics::of(&identity(INSIDE), Some(&spoilt));
        assert_eq!((told.nonsense, told.measured), (Some(Nonsense::Diagnostics), None));
        assert_eq!(
            Optics::of(&[0xFF; PAGE_OCTETS], Some(&[0xFF; PAGE_OCTETS])).nonsense,
            Some(Nonsense::Kind(0xFF))
        );
    }

    /// The longest there can be, for what has to fit a message.
    pub(crate) fn longest() -> Optics {
        Optics {
            vendor: "M".repeat(16),
            part: "M".repeat(16),
            serial: "M".repeat(16),
            wavelength: Some(u16::MAX),
            measured: Some(Measured::from([-127_996, 131_070, 6_553_500, 6_553_500, 6_553_500, 6_553_500])),
            concerns: vec![
                Concern(Quantity::Temperature, Level::HighWarning),
                Concern(Quantity::Receive, Level::NearLeast),
            ],
            nonsense: None,
        }
    }

    proptest! {
        /// Whatever octets a module answers, they are read or refused, and go over the wire and back.
        #[test]
        fn nothing_is_too_strange(octets in prop::collection::vec(any::<u8>(), 2 * PAGE_OCTETS), sfp: bool) {
            let mut first: [u8; PAGE_OCTETS] = octets[..PAGE_OCTETS].try_into().unwrap();
            let mut second: [u8; PAGE_OCTETS] = octets[PAGE_OCTETS..].try_into().unwrap();
            if sfp {
                first[0] = SFP;
                first[63] = sum(&first[..63]);
                first[95] = sum(&first[64..95]);
                second[95] = sum(&second[..95]);
            }
            let told = Optics::of(&first, Some(&second));
            let text = serde_json::to_string(&told).unwrap();
            prop_assert_eq!(serde_json::from_str::<Optics>(&text).unwrap(), told);
        }
    }
}
