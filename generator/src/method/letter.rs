//! The letter of a standard, and how far a run falls short of it. Nothing that was shortened is called conformant.

use std::fmt;
use std::time::Duration;

use super::estimate::Waits;

/// RFC 2544 section 24: a trial lasts at least so long.
pub const TRIAL: Duration = Duration::from_secs(60);
/// RFC 2544 section 23, step e: at least so long between trials.
pub const SETTLE: Duration = Duration::from_secs(5);
/// RFC 2544 section 23, step d: frames under way are waited for.
pub const RESIDUAL: Duration = Duration::from_secs(2);
/// RFC 2544 section 9: at least so many frame sizes.
pub const SIZES: usize = 5;

/// Which standard a procedure follows, and what of it was left out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Letter {
    /// "RFC 2544 section 26.1".
    pub standard: &'static str,
    /// What was made shorter or fewer: "trials of 2 s in place of 60 s".
    pub shortened: Vec<String>,
    /// What else is not as written.
    pub departs: Vec<String>,
}

impl Letter {
    pub fn of(standard: &'static str) -> Letter {
        Letter { standard, shortened: Vec::new(), departs: Vec::new() }
    }

    /// Whether it is all by the letter.
    pub fn is_met(&self) -> bool {
        self.shortened.is_empty() && self.departs.is_empty()
    }

    /// Notes that `what` took `time` where at least `least` is asked for.
    #[must_use]
    pub fn at_least(mut self, what: &str, time: Duration, least: Duration) -> Letter {
        if time < least {
            self.shortened.push(format!("{what} {} in place of {}", seconds(time), seconds(least)));
        }
        self
    }

    /// Notes that there were `count` of `what`, a plural, where at least `least` are asked for.
    #[must_use]
    pub fn at_least_count(mut self, count: u64, least: u64, what: &str) -> Letter {
        if count < least {
            // "1 value", "3 values".
            let what = if count == 1 { what.strip_suffix('s').unwrap_or(what) } else { what };
            self.shortened.push(format!("{count} {what} in place of {least}"));
        }
        self
    }

    /// Notes something that is not as written, where `it_is`.
    #[must_use]
    pub fn departs_if(mut self, it_is: bool, what: &str) -> Letter {
        if it_is {
            self.departs.push(what.to_owned());
        }
        self
    }

    /// The waits of RFC 2544 section 23.
    #[must_use]
    pub fn with_waits(self, waits: &Waits) -> Letter {
        self.at_least("waits after a trial of", waits.residual, RESIDUAL).at_least(
            "pauses between trials of",
            waits.settle,
            SETTLE,
        )
    }

    /// The number of frame sizes of RFC 2544 section 9, for a whole run.
    #[must_use]
    pub fn with_sizes(self, sizes: usize) -> Letter {
        self.at_least_count(sizes as u64, SIZES as u64, "frame sizes")
    }
}

impl fmt::Display for Letter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.standard)?;
        if !self.shortened.is_empty() {
            write!(f, ", shortened: {}", self.shortened.join("; "))?;
        }
        if !self.departs.is_empty() {
            write!(f, ", not by its letter: {}", self.departs.join("; "))?;
        }
        Ok(())
    }
}

/// `2 s`, `0.5 s`.
fn seconds(time: Duration) -> String {
    format!("{} s", time.as_secs_f64())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shortened_run_says_so() {
        let letter = Letter::of("RFC 2544 section 26.1");
        assert_eq!(letter.to_string(), "RFC 2544 section 26.1");
        assert!(letter.is_met());
        let short = letter.clone().at_least("trials of", Duration::from_secs(2), TRIAL);
        assert_eq!(short.to_string(), "RFC 2544 section 26.1, shortened: trials of 2 s in place of 60 s");
        assert!(!short.is_met());
        let waits = Waits { residual: Duration::from_millis(500), ..Waits::default() };
        let more = short.with_waits(&waits).with_sizes(1).departs_if(true, "frames of one mix");
        assert_eq!(
            more.to_string(),
            "RFC 2544 section 26.1, shortened: trials of 2 s in place of 60 s; waits after a trial of 0.5 s in place of \
             2 s; 1 frame size in place of 5, not by its letter: frames of one mix"
        );
        let full = letter.at_least("trials of", TRIAL, TRIAL).with_waits(&Waits::default()).with_sizes(7);
        assert!(full.is_met());
    }
}
