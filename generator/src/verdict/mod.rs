//! The verdict on a trial: pure arithmetic over counts that other rooms have taken.
//!
//! | file | idea |
//! | --- | --- |
//! | [`counts`](HomeCounts) | what the generator counted, and what the ports' other counters bound |
//! | [`account`](account()) | every offered frame put in one place, and two independent counts held against each other |
//! | [`Limit`] | how much loss, duplication or reordering is asked for |
//! | [`judge`](judge()) | pass, fail or unproven, in the order the design promises, each reason with what to do about it |
//! | [`confidence`] | what N frames without loss have shown, and how many would show more |

mod account;
pub mod confidence;
mod counts;
mod judge;
mod limit;
mod reason;
pub(crate) mod words;

#[cfg(test)]
mod model;

pub use account::{Account, Bursts, Directions, account, account_together};
pub use counts::{Bounds, EndBounds, HomeCounts};
pub use judge::{
    CarrierLoss, LoadFacts, Pauses, ReferenceFacts, TrialFacts, Verdict, WindowFacts, judge, overall,
};
pub use limit::{Limit, LimitError, Limits};
pub use reason::{Bears, Outcome, Reason};
