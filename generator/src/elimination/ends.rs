//! The ends of pieces, and which of them go together.

use std::fmt;
use std::str::FromStr;

use clap::ValueEnum;
use serde::{Deserialize, Serialize};

/// One end of a piece, or a port.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, ValueEnum)]
pub enum End {
    Rj45Plug,
    Rj45Socket,
    LcPlug,
    LcSocket,
    ScPlug,
    ScSocket,
    SfpModule,
    SfpCage,
}

impl End {
    /// Whether the two can be joined.
    #[must_use]
    pub fn fits(self, other: Self) -> bool {
        self.counterpart() == other
    }

    /// What goes into it, or it into.
    #[must_use]
    pub fn counterpart(self) -> Self {
        match self {
            End::Rj45Plug => End::Rj45Socket,
            End::Rj45Socket => End::Rj45Plug,
            End::LcPlug => End::LcSocket,
            End::LcSocket => End::LcPlug,
            End::ScPlug => End::ScSocket,
            End::ScSocket => End::ScPlug,
            End::SfpModule => End::SfpCage,
            End::SfpCage => End::SfpModule,
        }
    }

    /// Whether light comes out of it.
    #[must_use]
    pub fn is_fibre(self) -> bool {
        matches!(self, End::LcPlug | End::LcSocket | End::ScPlug | End::ScSocket)
    }

    fn word(self) -> &'static str {
        match self {
            End::Rj45Plug => "rj45-plug",
            End::Rj45Socket => "rj45-socket",
            End::LcPlug => "lc-plug",
            End::LcSocket => "lc-socket",
            End::ScPlug => "sc-plug",
            End::ScSocket => "sc-socket",
            End::SfpModule => "sfp-module",
            End::SfpCage => "sfp-cage",
        }
    }
}

impl fmt::Display for End {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl FromStr for End {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        End::value_variants().iter().copied().find(|end| end.word() == text.trim()).ok_or_else(|| {
            let words: Vec<&str> = End::value_variants().iter().map(|end| end.word()).collect();
            format!("\"{text}\" is no end: one of {}", words.join(", "))
        })
    }
}

/// The two ends of a piece: `rj45-socket,sfp-cage`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(into = "String", try_from = "String")]
pub struct Ends(pub [End; 2]);

impl fmt::Display for Ends {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{},{}", self.0[0], self.0[1])
    }
}

impl From<Ends> for String {
    fn from(ends: Ends) -> Self {
        ends.to_string()
    }
}

impl TryFrom<String> for Ends {
    type Error = String;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        text.parse()
    }
}

impl FromStr for Ends {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let (one, other) = text.split_once(',').ok_or_else(|| {
            format!("\"{text}\": two ends with a comma between them, such as rj45-socket,sfp-cage")
        })?;
        Ok(Self([one.parse()?, other.parse()?]))
    }
}

/// What fibre is made for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Glass {
    Multimode,
    SingleMode,
}

impl fmt::Display for Glass {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Glass::Multimode => "multimode",
            Glass::SingleMode => "single-mode",
        })
    }
}

impl Glass {
    /// What the words people use for a medium say of it.
    #[must_use]
    pub fn of(medium: &str) -> Option<Self> {
        let medium = medium.to_lowercase();
        let says = |words: &[&str]| words.iter().any(|word| medium.contains(word));
        // ISO/IEC 11801 calls the kinds of fibre OM1 to OM5 and OS1, OS2.
        match (
            says(&["multi", "mmf", "om1", "om2", "om3", "om4", "om5"]),
            says(&["single", "smf", "os1", "os2"]),
        ) {
            (true, false) => Some(Glass::Multimode),
            (false, true) => Some(Glass::SingleMode),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_end_has_one_that_fits_and_is_read_as_it_is_written() {
        for &end in End::value_variants() {
            assert_eq!(End::value_variants().iter().filter(|other| end.fits(**other)).count(), 1);
            assert!(end.counterpart().fits(end) && end.counterpart() != end);
            assert_eq!(end.to_string().parse(), Ok(end));
        }
        let ends: Ends = "rj45-socket,sfp-cage".parse().unwrap();
        assert_eq!(ends.to_string(), "rj45-socket,sfp-cage");
        assert!("rj45-socket".parse::<Ends>().unwrap_err().contains("two ends"));
        assert!("rj45-socket,usb".parse::<Ends>().unwrap_err().contains("sfp-module"));
    }

    #[test]
    fn glass_by_the_words_people_use() {
        assert_eq!(Glass::of("Multimode OM3"), Some(Glass::Multimode));
        assert_eq!(Glass::of("single-mode"), Some(Glass::SingleMode));
        assert_eq!(Glass::of("copper"), None);
    }
}
