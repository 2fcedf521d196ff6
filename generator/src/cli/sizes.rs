//! Frame sizes by name, by list, or as one mix.

use std::fmt;
use std::str::FromStr;

use kitproof_common::line::{Genome, ParseGenomeError};

use crate::procedure::plan::RFC2544_SIZES;

/// Sizes beyond the standard frame: the examples of RFC 5180 section 5.1.1 for jumbo frames, behind 9018, the frame
/// of an MTU of 9,000 (common practice).
pub const JUMBO_SIZES: [u16; 5] = [2048, 4096, 8192, 9018, 9216];

/// What `--frame-size` may say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FrameSizes {
    /// One trial, or search, for each; bytes including FCS.
    Each(Vec<u16>),
    /// All of them mixed within one trial.
    Mix(Genome),
}

/// A text that names no frame sizes.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ParseSizesError {
    #[error(
        "{0:?} is no frame size: write bytes including FCS (64,512,1518), rfc2544, jumbo, or a mix (imix:aaafg)"
    )]
    Size(String),
    #[error(transparent)]
    Mix(#[from] ParseGenomeError),
}

impl FromStr for FrameSizes {
    type Err = ParseSizesError;

    /// `64,512,1518`, `rfc2544`, `jumbo`, `rfc2544,jumbo`, `imix:aaafg`. In the order written, each size once.
    fn from_str(text: &str) -> Result<FrameSizes, ParseSizesError> {
        let prefix = text.get(..5).filter(|start| start.eq_ignore_ascii_case("imix:"));
        if let Some(prefix) = prefix {
            return Ok(FrameSizes::Mix(text[prefix.len()..].parse()?));
        }
        let mut sizes: Vec<u16> = Vec::new();
        for word in text.split(',').map(str::trim) {
            let named: &[u16] = match word.to_ascii_lowercase().as_str() {
                "rfc2544" => &RFC2544_SIZES,
                "jumbo" => &JUMBO_SIZES,
                number => {
                    let size = number.parse().ok().filter(|size| *size > 0);
                    &[size.ok_or_else(|| ParseSizesError::Size(word.to_owned()))?]
                }
            };
            for size in named {
                if !sizes.contains(size) {
                    sizes.push(*size);
                }
            }
        }
        Ok(FrameSizes::Each(sizes))
    }
}

impl fmt::Display for FrameSizes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            FrameSizes::Each(sizes) => {
                let sizes: Vec<String> = sizes.iter().map(u16::to_string).collect();
                f.pad(&sizes.join(","))
            }
            FrameSizes::Mix(genome) => f.pad(&format!("imix:{genome}")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn each(text: &str) -> Vec<u16> {
        match text.parse() {
            Ok(FrameSizes::Each(sizes)) => sizes,
            other => panic!("{text}: {other:?}"),
        }
    }

    /// RFC 2544 section 9.1 (which has no 768).
    #[test]
    fn sets_have_names() {
        assert_eq!(each("rfc2544"), [64, 128, 256, 512, 1024, 1280, 1518]);
        assert_eq!(each("jumbo"), JUMBO_SIZES);
        assert_eq!(each("RFC2544,jumbo").len(), 12);
        assert_eq!(each("64, 9000,64"), [64, 9000]);
        assert_eq!(each("1522,rfc2544")[..2], [1522, 64]);
    }

    #[test]
    fn a_mix_is_one_trial() {
        let mix: FrameSizes = "imix:aaafg".parse().unwrap();
        assert_eq!(mix, FrameSizes::Mix("aaafg".parse().unwrap()));
        assert_eq!("IMIX:AAB:A=64,B=1020".parse::<FrameSizes>().unwrap().to_string(), "imix:AAB:A=64,B=1020");
        assert!(matches!("imix:".parse::<FrameSizes>(), Err(ParseSizesError::Mix(_))));
        assert_eq!("rfc2544".parse::<FrameSizes>().unwrap().to_string(), "64,128,256,512,1024,1280,1518");
    }

    #[test]
    fn what_is_no_size_is_refused() {
        for text in ["", "64,", "0", "-1", "70000", "small", "aaafg", "64;128", "é"] {
            assert!(matches!(text.parse::<FrameSizes>(), Err(ParseSizesError::Size(_))), "{text}");
        }
    }
}
