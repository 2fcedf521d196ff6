//! Mixes of frame sizes, written as RFC 6985 has them: a genome, one letter for each frame.
//!
//! | a | b | c | d | e | f | g | h | i | j | z |
//! | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |
//! | 64 | 128 | 256 | 512 | 1024 | 1280 | 1518 | 2112 | 9000 | 16000 | the MTU, which has to be stated |
//!
//! Upper-case letters have the sizes that a table gives them (section 5); a genome with one of them is a custom
//! one. Parts may be repeated (section 6.1): `20*abcd,5*ggga`, also written with `x` or `×`. Sizes are octets
//! including FCS. No mix is the standard one, and what was measured with one says nothing about another (section
//! 3): the genome is part of every result.

use std::collections::BTreeMap;
use std::fmt;
use std::str::FromStr;

use super::{FrameRate, LineRate, OVERHEAD_OCTETS, SECOND};

/// RFC 6985 section 4, table 1.
const SIZES: [(char, u16); 10] = [
    ('a', 64),
    ('b', 128),
    ('c', 256),
    ('d', 512),
    ('e', 1024),
    ('f', 1280),
    ('g', 1518),
    ('h', 2112),
    ('i', 9000),
    ('j', 16000),
];
/// The letter for the MTU.
const MTU: char = 'z';
/// Longer sequences than this are refused: they would be kept in memory frame by frame.
const LONGEST: u64 = 1_000_000;

/// A sequence of frame sizes, repeated for as long as a trial lasts.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Genome {
    /// How often, and which letters; never empty, never nothing.
    parts: Vec<(u32, String)>,
    /// Sizes of the letters that have no fixed one.
    table: BTreeMap<char, u16>,
}

/// A text that is no genome.
#[derive(thiserror::Error, Clone, PartialEq, Eq, Debug)]
pub enum ParseGenomeError {
    /// Nothing, or a part of nothing.
    #[error(
        "{0:?} is no mix: write a letter for each frame, such as aaafg (RFC 6985: a 64 bytes, b 128, … g 1518)"
    )]
    Empty(String),
    /// A letter without a meaning.
    #[error(
        "{letter:?} stands for no frame size: a to j and z do, and upper-case letters with a size behind the mix \
         (AAAGG:A=64,G=1020)"
    )]
    Letter {
        /// The letter.
        letter: char,
    },
    /// A letter whose size must be stated.
    #[error("{letter} needs a size behind the mix, such as {letter}=1020")]
    NoSize {
        /// The letter.
        letter: char,
    },
    /// A size given to a letter that has one, or that does not occur, or that is no size.
    #[error(
        "{0:?} gives no size: write an upper-case letter of the mix (or z) and bytes including FCS, such as A=64, \
         each once"
    )]
    Size(String),
    /// A number of repeats that is none.
    #[error("{0:?} is no number of repeats: write it as 20*abcd")]
    Repeats(String),
    /// Too many frames.
    #[error("a mix of {0} frames is too long: 1,000,000 at most")]
    TooLong(u64),
}

impl Genome {
    /// The size of a letter of this genome.
    fn size(&self, letter: char) -> u16 {
        let fixed = SIZES.iter().find(|(known, _)| *known == letter).map(|(_, size)| *size);
        // The parser lets no other letter through.
        fixed.or_else(|| self.table.get(&letter).copied()).unwrap_or(0)
    }

    /// The sizes of one round, in order; octets including FCS.
    pub fn sizes(&self) -> impl Iterator<Item = u16> + '_ {
        self.parts
            .iter()
            .flat_map(|(times, letters)| (0..*times).flat_map(|_| letters.chars()))
            .map(|letter| self.size(letter))
    }

    /// Frames in one round.
    pub fn frames(&self) -> u64 {
        self.parts.iter().map(|(times, letters)| u64::from(*times) * letters.len() as u64).sum()
    }

    /// Octets of one round, FCS included, preamble and gap not.
    pub fn octets(&self) -> u64 {
        self.sizes().map(u64::from).sum()
    }

    /// The mean frame size, octets.
    pub fn mean_size(&self) -> f64 {
        self.octets() as f64 / self.frames() as f64
    }

    /// How many frames of each size there are in a round, smallest first: the proportions of RFC 6985 section 6.2.
    pub fn proportions(&self) -> Vec<(u16, u64)> {
        let mut counts = BTreeMap::new();
        for size in self.sizes() {
            *counts.entry(size).or_insert(0) += 1;
        }
        counts.into_iter().collect()
    }

    /// Bits of line time of one round, with 20 octets of preamble, delimiter and gap a frame.
    pub fn slot_bits(&self) -> u64 {
        8 * (self.octets() + OVERHEAD_OCTETS * self.frames())
    }

    /// The mean frame rate at which a line is full of this mix. `None` if it cannot be kept exactly.
    pub fn line_frame_rate(&self, line: LineRate) -> Option<FrameRate> {
        FrameRate::reduced(
            u128::from(line.0) * u128::from(self.frames()),
            u128::from(self.slot_bits()) * u128::from(SECOND),
        )
    }

    /// Whether any letter has a size of its own.
    pub fn is_custom(&self) -> bool {
        self.table.keys().any(char::is_ascii_uppercase)
    }

    /// Whether the notation of RFC 6985 sections 4 and 5 is meant for it: fewer than 100 frames. Longer ones are
    /// told by repeats or proportions (section 6).
    pub fn is_short(&self) -> bool {
        self.frames() < 100
    }
}

impl FromStr for Genome {
    type Err = ParseGenomeError;

    /// `aaafg`, `20*abcd,5*ggga`, `AAAGG:A=64,G=1020`, `aaz:z=1500`; `IMIX - ` or `CUSTOM IMIX - ` may stand before
    /// it, and `×` or `x` for `*`.
    fn from_str(text: &str) -> Result<Genome, ParseGenomeError> {
        let empty = || ParseGenomeError::Empty(text.to_owned());
        let bare = text.trim();
        let named = ["CUSTOM IMIX -", "IMIX -"].iter().find_map(|name| bare.strip_prefix(name));
        let bare = named.unwrap_or(bare);
        let (letters, table) = bare.split_once(':').unwrap_or((bare, ""));
        let mut genome = Genome { parts: Vec::new(), table: BTreeMap::new() };
        for part in letters.split(',') {
            genome.parts.push(read_part(part.trim(), &empty)?);
        }
        let longest = genome.parts.iter().map(|(times, letters)| u64::from(*times) * letters.len() as u64);
        let frames = longest.fold(0, u64::saturating_add);
        if frames > LONGEST {
            return Err(ParseGenomeError::TooLong(frames));
        }
        let used = |letter: char| genome.parts.iter().any(|(_, letters)| letters.contains(letter));
        let mut sizes = BTreeMap::new();
        for entry in table.split(',').map(str::trim).filter(|entry| !entry.is_empty()) {
            let (letter, size) = read_size(entry).ok_or_else(|| ParseGenomeError::Size(entry.to_owned()))?;
            if !used(letter) || sizes.insert(letter, size).is_some() {
                return Err(ParseGenomeError::Size(entry.to_owned()));
            }
        }
        genome.table = sizes;
        for letter in genome.parts.iter().flat_map(|(_, letters)| letters.chars()) {
            let open = letter.is_ascii_uppercase() || letter == MTU;
            if !open && SIZES.iter().all(|(known, _)| *known != letter) {
                return Err(ParseGenomeError::Letter { letter });
            }
            if open && !genome.table.contains_key(&letter) {
                return Err(ParseGenomeError::NoSize { letter });
            }
        }
        Ok(genome)
    }
}

/// `abcd` or `20*abcd`. A number before the letters is always repeats: no letter is a digit.
fn read_part(part: &str, empty: &dyn Fn() -> ParseGenomeError) -> Result<(u32, String), ParseGenomeError> {
    let digits = part.find(|letter: char| !letter.is_ascii_digit()).unwrap_or(part.len());
    let (count, rest) = part.split_at(digits);
    let letters = if count.is_empty() {
        rest
    } else {
        let rest = rest.trim_start();
        let letters = ['*', '×', 'x'].iter().find_map(|sign| rest.strip_prefix(*sign));
        letters.ok_or_else(|| ParseGenomeError::Repeats(part.to_owned()))?.trim_start()
    };
    if letters.is_empty() {
        return Err(empty());
    }
    if let Some(letter) = letters.chars().find(|letter| !letter.is_ascii_alphabetic()) {
        return Err(ParseGenomeError::Letter { letter });
    }
    let times = match count {
        "" => 1,
        count => count
            .parse()
            .ok()
            .filter(|times| *times > 0)
            .ok_or_else(|| ParseGenomeError::Repeats(part.to_owned()))?,
    };
    Ok((times, letters.to_owned()))
}

/// `A=64`.
fn read_size(entry: &str) -> Option<(char, u16)> {
    let (letter, size) = entry.split_once('=')?;
    let mut letters = letter.trim().chars();
    let letter = letters.next().filter(|letter| letter.is_ascii_uppercase() || *letter == MTU)?;
    let size = size.trim().parse().ok().filter(|size| *size > 0)?;
    letters.next().is_none().then_some((letter, size))
}

impl fmt::Display for Genome {
    /// As it is read: `20*abcd,5*ggga`, `AAAGG:A=64,G=1020`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let parts: Vec<String> = self
            .parts
            .iter()
            .map(|(times, letters)| match times {
                1 => letters.clone(),
                times => format!("{times}*{letters}"),
            })
            .collect();
        let sizes: Vec<String> = self.table.iter().map(|(letter, size)| format!("{letter}={size}")).collect();
        let colon = if sizes.is_empty() { "" } else { ":" };
        f.pad(&format!("{}{colon}{}", parts.join(","), sizes.join(",")))
    }
}

impl Genome {
    /// As RFC 6985 writes it in a report: `IMIX - aaafg`, `CUSTOM IMIX - AAAGG, A=64, G=1020`, `20 × abcd, 5 ×
    /// ggga`.
    pub fn report(&self) -> String {
        let name = if self.is_custom() { "CUSTOM IMIX" } else { "IMIX" };
        let parts: Vec<String> = self
            .parts
            .iter()
            .map(|(times, letters)| match times {
                1 => letters.clone(),
                times => format!("{times} × {letters}"),
            })
            .collect();
        let sizes: String = self.table.iter().map(|(letter, size)| format!(", {letter}={size}")).collect();
        format!("{name} - {}{sizes}", parts.join(", "))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const GIGABIT: LineRate = LineRate(SECOND);

    fn genome(text: &str) -> Genome {
        text.parse().unwrap_or_else(|error| panic!("{text}: {error}"))
    }

    fn sizes(text: &str) -> Vec<u16> {
        genome(text).sizes().collect()
    }

    /// RFC 6985 section 4: `IMIX - aaafg`; section 5: `CUSTOM IMIX - AAAGG` with A=64 and G=1020.
    #[test]
    fn the_examples_of_rfc6985() {
        assert_eq!(sizes("aaafg"), [64, 64, 64, 1280, 1518]);
        assert_eq!(sizes("IMIX - aaafg"), [64, 64, 64, 1280, 1518]);
        assert_eq!(genome("aaafg").report(), "IMIX - aaafg");
        let custom = genome("AAAGG:A=64,G=1020");
        assert_eq!(custom.sizes().collect::<Vec<_>>(), [64, 64, 64, 1020, 1020]);
        assert_eq!(custom.report(), "CUSTOM IMIX - AAAGG, A=64, G=1020");
        assert_eq!(sizes("abcdefghij"), [64, 128, 256, 512, 1024, 1280, 1518, 2112, 9000, 16000]);
        assert_eq!(sizes("az:z=1500"), [64, 1500]);
    }

    /// RFC 6985 section 6.1: `20 × abcd, 5 × ggga, 10 × dcba`; sums and rates calculated.
    #[test]
    fn repeated_parts() {
        let long = genome("20 × abcd, 5 × ggga, 10 × dcba");
        assert_eq!(long, genome("20*abcd,5xggga,10*dcba"));
        assert_eq!((long.frames(), long.octets(), long.is_short()), (140, 51_890, false));
        assert!((long.mean_size() - 370.642857).abs() < 1e-6);
        assert_eq!(long.sizes().take(5).collect::<Vec<_>>(), [64, 128, 256, 512, 64]);
        assert_eq!(long.to_string(), "20*abcd,5*ggga,10*dcba");
        assert_eq!(long.report(), "IMIX - 20 × abcd, 5 × ggga, 10 × dcba");
        assert_eq!(long.proportions(), [(64, 35), (128, 30), (256, 30), (512, 30), (1518, 15)]);
    }

    /// Calculated: line / (8 x (mean size + 20)), at 1 Gb/s.
    #[test]
    fn rates_follow_from_the_mean_slot() {
        for (text, mean, rate) in [
            ("aaafg", 598.0, 202_265.37),
            ("abcdefg", 683.142857, 177_773.26),
            ("abcd", 240.0, 480_769.23),
            ("ggga", 1154.5, 106_428.27),
        ] {
            let genome = genome(text);
            assert!((genome.mean_size() - mean).abs() < 1e-6, "{text}");
            let found = genome.line_frame_rate(GIGABIT).unwrap().per_second();
            assert!((found - rate).abs() < 0.005, "{text} {found}");
        }
        assert_eq!(genome("aaafg").octets(), 2_990);
        assert_eq!(genome("aaafg").slot_bits(), 24_720);
        // One size is no mix, and has the rate it always had.
        assert_eq!(genome("e").line_frame_rate(GIGABIT), Some(super::super::line_frame_rate(GIGABIT, 1024)));
    }

    #[test]
    fn what_is_no_genome_is_refused() {
        let error = |text: &str| text.parse::<Genome>().unwrap_err();
        for text in ["", "  ", "aa,,b", ",", "IMIX - ", "20*", ":A=64"] {
            assert!(matches!(error(text), ParseGenomeError::Empty(_)), "{text:?} {:?}", error(text));
        }
        assert_eq!(error("aak"), ParseGenomeError::Letter { letter: 'k' });
        assert_eq!(error("aä"), ParseGenomeError::Letter { letter: 'ä' });
        assert_eq!(error("a b"), ParseGenomeError::Letter { letter: ' ' });
        assert_eq!(error("aaz"), ParseGenomeError::NoSize { letter: 'z' });
        assert_eq!(error("AAB:A=64"), ParseGenomeError::NoSize { letter: 'B' });
        for text in [
            "a:a=65",
            "A:A=64,A=65",
            "A:A=64,B=65",
            "A:A=0",
            "A:A=70000",
            "A:A",
            "A:AA=64",
            "a:A=64",
            "A:A=64=5",
        ] {
            assert!(matches!(error(text), ParseGenomeError::Size(_)), "{text}");
        }
        for text in ["0*a", "20a", "99999999999*a"] {
            assert!(matches!(error(text), ParseGenomeError::Repeats(_)), "{text}");
        }
        assert_eq!(error("500000*abc"), ParseGenomeError::TooLong(1_500_000));
        assert!(error("4294967295*aaaa,4294967295*aaaa").to_string().contains("too long"));
    }

    proptest! {
        #[test]
        fn written_form_reads_back(
            parts in prop::collection::vec((1u32..40, "[a-jA-Cz]{1,12}"), 1..6), sizes in prop::collection::vec(1u16.., 4),
        ) {
            let letters: String = parts.iter().map(|(times, part)| format!("{times}*{part},")).collect();
            let table: Vec<String> = "ABCz"
                .chars()
                .zip(&sizes)
                .filter(|(letter, _)| parts.iter().any(|(_, part)| part.contains(*letter)))
                .map(|(letter, size)| format!("{letter}={size}"))
                .collect();
            let text = format!("{}:{}", letters.trim_end_matches(','), table.join(","));
            let genome: Genome = text.parse().unwrap();
            prop_assert_eq!(genome.to_string().parse::<Genome>().unwrap(), genome.clone());
            prop_assert_eq!(genome.report().is_empty(), false);
            prop_assert_eq!(genome.sizes().count() as u64, genome.frames());
            let counted: u64 = genome.proportions().iter().map(|(size, count)| u64::from(*size) * count).sum();
            prop_assert_eq!(counted, genome.octets());
        }

        #[test]
        fn arbitrary_text_never_panics(text: String) {
            let _ = text.parse::<Genome>();
        }
    }
}
