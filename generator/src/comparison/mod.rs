//! A run held against an earlier one, or against all that went through the same chain: only like with like, and only what the
//! figures can carry.
//!
//! | file | idea |
//! | --- | --- |
//! | `alike` | what must be the same before anything may be compared |
//! | `stretches` | neighbouring seconds are not independent: stretches that are |
//! | `judge` | the measures, each with its test, its limit and its standing |
//! | `told` | the result, as JSON and as a table |

mod alike;
mod judge;
#[cfg(test)]
mod simulation;
mod stretches;
mod told;

pub use judge::{Limits, against_history, of_two};
pub use told::{Comparison, Measure, SCHEMA, Standing};
