//! What a run knows of the pair alone.

use kitproof_common::control::End;

use super::ports::Since;
use super::{Ports, Reference, store};

/// The reference of a run's ports, and what became of them since it was taken.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Known {
    pub reference: Option<Reference>,
    pub since: Since,
    /// Why it is not known whether there is one.
    pub trouble: Option<String>,
}

impl Known {
    /// Looks it up.
    #[must_use]
    pub fn of(near: &End, far: &End) -> Self {
        let ports = Ports::of(near, far);
        match store::load(&ports) {
            Ok(reference) => {
                let since = reference.as_ref().map(|kept| kept.ports.since(&ports)).unwrap_or_default();
                Self { reference, since, trouble: None }
            }
            Err(trouble) => Self { trouble: Some(trouble), ..Self::default() },
        }
    }

    /// The reference, if it still holds: one that is older than the last change of speed, driver or firmware is only told.
    #[must_use]
    pub fn fresh(&self) -> Option<&Reference> {
        self.reference.as_ref().filter(|_| !self.is_stale())
    }

    #[must_use]
    pub fn is_stale(&self) -> bool {
        !self.since.changed.is_empty()
    }

    /// What must be said of it before a run, in one line.
    #[must_use]
    pub fn told(&self) -> Option<String> {
        if let Some(trouble) = &self.trouble {
            return Some(format!("there may be a reference, but {trouble}"));
        }
        let taken = &self.reference.as_ref()?.taken;
        self.is_stale().then(|| {
            format!("the reference of {taken} is stale and not used: {}", self.since.changed.join("; "))
        })
    }
}
