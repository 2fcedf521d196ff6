//! What a comparison says.

use std::fmt::Write as _;

use serde::{Deserialize, Serialize};

use crate::report::{Ink, Style};
use crate::verdict::{Outcome, Reason};

/// The value of `schema` in every comparison of this layout.
pub const SCHEMA: &str = "kitproof-comparison-1";

/// A run held against another, or against several.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    pub schema: String,
    /// When the runs were started, in words where there are several.
    pub before: String,
    pub after: String,
    /// How likely any difference at all is alarmed at where there is none: at most this.
    pub false_alarm: f64,
    /// By how much a median round trip may grow, as a share of what it was.
    pub latency_limit: f64,
    pub verdict: Option<Outcome>,
    pub reasons: Vec<Reason>,
    /// What is not the same and may be what the question is about.
    pub remarks: Vec<String>,
    pub measures: Vec<Measure>,
}

/// Where a measure stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// Shown to be no worse than the limit allows.
    Within,
    Better,
    Worse,
    /// Too little was measured to say.
    #[default]
    Unclear,
}

/// One thing that was compared.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Measure {
    /// Such as `median round trip`.
    pub what: String,
    /// Of which frames at which load.
    pub of: String,
    pub unit: String,
    pub before: f64,
    pub after: f64,
    /// How much greater the second is, with the interval in which that lies at the comparison's confidence; null where there
    /// is no such figure.
    pub change: Option<f64>,
    pub change_from: Option<f64>,
    pub change_to: Option<f64>,
    /// How likely at least such a difference is where there is none, all measures of this comparison taken into account (Holm,
    /// 1979); null where chance has no part in it.
    pub p: Option<f64>,
    /// How many samples stand behind it, before and after.
    pub samples: [usize; 2],
    pub standing: Standing,
    pub why: String,
}

impl Comparison {
    /// For people.
    #[must_use]
    pub fn table(&self, ink: Ink) -> String {
        let mut text = format!("before  {}\nnow     {}\n", self.before, self.after);
        for remark in &self.remarks {
            let _ = writeln!(text, "note    {remark}");
        }
        for measure in &self.measures {
            let (style, word) = match measure.standing {
                Standing::Within => (Style::Good, "within"),
                Standing::Better => (Style::Good, "better"),
                Standing::Worse => (Style::Bad, "WORSE"),
                Standing::Unclear => (Style::Unsure, "unclear"),
            };
            let word = ink.paint(style, &format!("{word:<7}")).into_owned();
            let _ = write!(text, "\n{word}  {}, {}", measure.what, measure.of);
            let unit = &measure.unit;
            if !unit.is_empty() {
                let (after, before) = (figure(measure.after), figure(measure.before));
                let _ = write!(text, ": {after} {unit}, {before} {unit} before");
            }
            if let (Some(change), Some(from), Some(to)) =
                (measure.change, measure.change_from, measure.change_to)
            {
                let _ = write!(
                    text,
                    "\n         changed by {} ({} to {})",
                    signed(change),
                    signed(from),
                    signed(to)
                );
            }
            // What chance does every other time is nothing to tell of.
            if let Some(p) = measure.p.filter(|p| *p < 0.5) {
                let once_in = (1.0 / p.max(1e-12)).floor();
                let _ = write!(text, "\n         chance alone makes such a difference once in {once_in:.0}");
            }
            let _ = write!(text, "\n         {}", measure.why);
        }
        text.push('\n');
        if let Some(verdict) = self.verdict {
            let style = match verdict {
                Outcome::Pass => Style::Good,
                Outcome::Fail => Style::Bad,
                Outcome::Unproven => Style::Unsure,
            };
            let _ = writeln!(text, "\n{}", ink.paint(style, &verdict.to_string().to_uppercase()));
        }
        for reason in &self.reasons {
            let _ = writeln!(text, "  {} {}", reason.text, reason.advice);
        }
        text
    }
}

/// Four digits, without an exponent.
fn figure(value: f64) -> String {
    if value == 0.0 {
        return "0".to_owned();
    }
    let digits = (3 - value.abs().log10().floor() as i32).clamp(0, 9) as usize;
    format!("{value:.digits$}")
}

fn signed(value: f64) -> String {
    if value > 0.0 { format!("+{}", figure(value)) } else { figure(value) }
}
