//! A plan: tests of one bench written down in a file, checked whole before anything is sent, run one after the other as the
//! commands they are, and told as JSON and JUnit XML.

mod carry_out;
mod check;
mod file;
mod kept;
mod lock;
pub mod measure;
mod told;

pub use carry_out::{Interrupted, Settled, carry_out};
pub use check::{check, estimate, typed};
pub use file::{Bound, Limit, OnFail, Plan, Test};
pub use kept::{JUNIT, PLAN, set_aside};
pub use lock::lock;
pub use told::{PlanResult, SCHEMA, TestResult, junit};
