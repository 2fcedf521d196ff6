//! Colour, where it is wanted. Nothing is said by colour alone.

use std::{borrow::Cow, ffi::OsStr, io::IsTerminal};

use crate::verdict::{Bears, Outcome};

/// Whether to colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ink {
    colour: bool,
}

/// How a word stands out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Style {
    Good,
    Bad,
    Unsure,
    Strong,
    Faint,
}

impl Ink {
    pub const PLAIN: Ink = Ink { colour: false };
    pub const COLOUR: Ink = Ink { colour: true };

    /// Colour on a terminal, unless `--no-color` was given, `NO_COLOR` is set to anything (no-color.org) or `TERM` is `dumb`.
    pub fn choose(no_color: bool, terminal: bool, no_color_env: Option<&OsStr>, term: Option<&OsStr>) -> Ink {
        let refused = no_color || no_color_env.is_some_and(|value| !value.is_empty());
        Ink { colour: terminal && !refused && term != Some(OsStr::new("dumb")) }
    }

    /// The choice for standard output.
    pub fn stdout(no_color: bool) -> Ink {
        Ink::here(no_color, std::io::stdout().is_terminal())
    }

    /// The choice for standard error.
    pub fn stderr(no_color: bool) -> Ink {
        Ink::here(no_color, std::io::stderr().is_terminal())
    }

    fn here(no_color: bool, terminal: bool) -> Ink {
        Ink::choose(
            no_color,
            terminal,
            std::env::var_os("NO_COLOR").as_deref(),
            std::env::var_os("TERM").as_deref(),
        )
    }

    pub fn paint(self, style: Style, text: &str) -> Cow<'_, str> {
        if !self.colour {
            return Cow::Borrowed(text);
        }
        let code = match style {
            Style::Good => "1;32",
            Style::Bad => "1;31",
            Style::Unsure => "1;33",
            Style::Strong => "1",
            Style::Faint => "2",
        };
        Cow::Owned(format!("\x1b[{code}m{text}\x1b[0m"))
    }
}

impl From<Outcome> for Style {
    fn from(outcome: Outcome) -> Style {
        match outcome {
            Outcome::Pass => Style::Good,
            Outcome::Fail => Style::Bad,
            Outcome::Unproven => Style::Unsure,
        }
    }
}

impl From<Bears> for Style {
    fn from(bears: Bears) -> Style {
        match bears {
            Bears::Fail => Style::Bad,
            Bears::Unproven => Style::Unsure,
            Bears::Note => Style::Faint,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colour_only_on_a_terminal_that_wants_it() {
        let set = |text: &'static str| Some(OsStr::new(text));
        assert_eq!(Ink::choose(false, true, None, set("xterm")), Ink::COLOUR);
        assert_eq!(Ink::choose(false, true, set(""), None), Ink::COLOUR);
        for plain in [
            Ink::choose(true, true, None, None),
            Ink::choose(false, false, None, None),
            Ink::choose(false, true, set("1"), None),
            Ink::choose(false, true, set("0"), None),
            Ink::choose(false, true, None, set("dumb")),
        ] {
            assert_eq!(plain, Ink::PLAIN);
        }
    }

    #[test]
    fn paint_leaves_the_words_alone() {
        assert_eq!(Ink::PLAIN.paint(Style::Bad, "fail"), "fail");
        assert_eq!(Ink::COLOUR.paint(Style::Bad, "fail"), "\x1b[1;31mfail\x1b[0m");
    }
}
