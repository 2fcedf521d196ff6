//! The words of a verdict: its outcome, and its reasons with what to do about each.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The three verdicts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Outcome {
    /// Proven to be within its limits.
    Pass,
    /// Proven to be beyond them.
    Fail,
    /// Neither: the pair or the bench stood in the way.
    Unproven,
}

impl Outcome {
    /// What reasons come to: a fail that is proven stays one, and what is left unproven passes nothing.
    #[must_use]
    pub fn of(reasons: &[Reason]) -> Self {
        let any = |bears| reasons.iter().any(|reason| reason.bears == bears);
        if any(Bears::Fail) {
            Outcome::Fail
        } else if any(Bears::Unproven) {
            Outcome::Unproven
        } else {
            Outcome::Pass
        }
    }

    /// The same of what may only measure: where nothing is judged there is no pass, while a reason still says fail or unproven.
    #[must_use]
    pub fn where_judged(reasons: &[Reason], is_judged: bool) -> Option<Self> {
        let outcome = Self::of(reasons);
        (is_judged || outcome != Outcome::Pass).then_some(outcome)
    }

    /// The exit status of the contract.
    pub fn exit_status(self) -> u8 {
        match self {
            Outcome::Pass => 0,
            Outcome::Fail => 1,
            Outcome::Unproven => 3,
        }
    }
}

impl fmt::Display for Outcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Outcome::Pass => "pass",
            Outcome::Fail => "fail",
            Outcome::Unproven => "unproven",
        })
    }
}

/// What a reason does to the verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Bears {
    /// It proves the chain at fault.
    Fail,
    /// It keeps the trial from proving anything, unless something else proves a fail.
    Unproven,
    /// It is worth knowing and changes nothing.
    Note,
}

/// One reason: what was found, and what to do about it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Reason {
    /// A fixed short name for machines, such as `lost_forward`.
    pub code: String,
    pub bears: Bears,
    /// What was found, one plain sentence with its numbers.
    pub text: String,
    /// What to do about it.
    pub advice: String,
    /// The frame size of the trial it belongs to, in bytes including FCS; null for the whole run.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub frame_size: Option<u16>,
}

impl Reason {
    pub fn new(bears: Bears, code: &str, text: impl Into<String>, advice: impl Into<String>) -> Reason {
        Reason { code: code.to_owned(), bears, text: text.into(), advice: advice.into(), frame_size: None }
    }

    pub fn fail(code: &str, text: impl Into<String>, advice: impl Into<String>) -> Reason {
        Reason::new(Bears::Fail, code, text, advice)
    }

    pub fn unproven(code: &str, text: impl Into<String>, advice: impl Into<String>) -> Reason {
        Reason::new(Bears::Unproven, code, text, advice)
    }

    /// The same, of a trial or a search with frames of this size.
    #[must_use]
    pub fn at(self, frame_size: u16) -> Reason {
        Reason { frame_size: Some(frame_size), ..self }
    }

    pub fn note(code: &str, text: impl Into<String>, advice: impl Into<String>) -> Reason {
        Reason::new(Bears::Note, code, text, advice)
    }
}
