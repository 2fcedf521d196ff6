//! The standard procedures as pure state machines and formulas: no I/O, no clock, no runtime.
//!
//! A [`Method`] says what to offer next; whoever drives it runs that trial, judges it and hands the [`Came`] back,
//! until there is nothing more to offer. What the pair itself spoiled is offered again, a bounded number of times,
//! and never counts against the kit.
//!
//! | file | idea |
//! | --- | --- |
//! | `step` | what one trial offers, what came of it, the trait all searches share |
//! | [`letter`] | the letter of the standard, and how far a run falls short of it |
//! | [`estimate`] | how long a procedure will take, before it starts |
//! | [`throughput`] | RFC 2544 section 26.1 |
//! | [`latency`] | which latency a figure is (RFC 1242 section 3.8), and a reference subtracted from it |
//! | [`frame_loss_rate`] | RFC 2544 section 26.3 |
//! | [`back_to_back`] | RFC 2544 section 26.4 as RFC 9004 updates it |
//! | [`system_recovery`] | RFC 2544 section 26.5 |
//! | [`reset`] | RFC 2544 section 26.6 as RFC 6201 updates it |
//! | [`store_and_forward`] | how often the chain stores a whole frame, from latency against frame size |
//! | [`clock_difference`] | a queue that fills because two clocks differ, told from an overload |
//! | [`outages`] | from gaps and carrier to outages: length by two methods, frames lost, what kind |

pub mod back_to_back;
pub mod clock_difference;
pub mod estimate;
pub mod frame_loss_rate;
pub mod latency;
pub mod letter;
pub mod outages;
pub mod reset;
mod step;
pub mod store_and_forward;
pub mod system_recovery;
pub mod throughput;

#[cfg(test)]
mod simulated;

pub use step::{Came, Finding, Method, Offer, REPEATS, Trial};
