//! Why a command ended without a result, and the exit status that says so.

use kitproof_common::control::Refusal;
use kitproof_common::control::client::AskError;
use kitproof_common::link::LinkError;
use kitproof_common::port::OpenError;

/// Exit statuses of the contract.
pub mod status {
    pub const PASS: u8 = 0;
    pub const FAIL: u8 = 1;
    pub const USAGE: u8 = 2;
    pub const UNPROVEN: u8 = 3;
    pub const ENVIRONMENT: u8 = 4;
    pub const INTERRUPTED: u8 = 130;
}

/// One clear line, and the exit status.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// The command line or a file is wrong.
    #[error("{0}")]
    Usage(String),
    /// No such interface, no permission, no peer, not isolated.
    #[error("{0}")]
    Environment(String),
    /// It could not be completed.
    #[error("{0}")]
    Incomplete(String),
    #[error("interrupted")]
    Interrupted,
}

impl Failure {
    #[must_use]
    pub fn status(&self) -> u8 {
        match self {
            Failure::Usage(_) => status::USAGE,
            Failure::Environment(_) => status::ENVIRONMENT,
            Failure::Incomplete(_) => status::UNPROVEN,
            Failure::Interrupted => status::INTERRUPTED,
        }
    }
}

impl From<LinkError> for Failure {
    fn from(error: LinkError) -> Self {
        Failure::Environment(error.to_string())
    }
}

impl From<OpenError> for Failure {
    fn from(error: OpenError) -> Self {
        Failure::Environment(error.to_string())
    }
}

impl From<AskError> for Failure {
    fn from(error: AskError) -> Self {
        match &error {
            AskError::Version { .. } | AskError::Confused | AskError::Io(_) => {
                Failure::Environment(error.to_string())
            }
            AskError::Silent { waited } => Failure::Environment(format!(
                "the reflector does not answer (asked for {:.1} s): see that kitproof-reflector runs at the far end and \
                 that the path to it is up",
                waited.as_secs_f64()
            )),
            AskError::Refused { code: Refusal::UnknownSession | Refusal::UnknownTrial, .. } => {
                Failure::Incomplete(error.to_string())
            }
            AskError::Refused { text, .. } => Failure::Environment(text.clone()),
        }
    }
}
