//! What became of a numbered stream: loss, copies, reordering, loss periods. Pure state machines, no clock, no I/O.
//!
//! Frames of a trial are numbered 0, 1, 2 … in the order of departure. [`Tracker`] is told each number that arrives and
//! judges it once: a first arrival, a copy, or one that comes too late to be judged. It allocates only when it is made
//! and costs a few instructions a frame while frames arrive in order. [`Tracker::finish`] says what is missing.
//!
//! | module | published source | figures |
//! | --- | --- | --- |
//! | [`rfc4737`] | RFC 4737 | reordered, discontinuities, extent, late time, byte offset, gap, free runs, n-reordering |
//! | [`rfc3357`] | RFC 3357 | loss distance, loss period, noticeable rate, inter-loss-period length |
//! | [`rfc5560`] | RFC 5560 | duplication fraction, replicated packet rate |
//! | [`Sampling`] | | which frames are sampled for time stamps of their departure |
//!
//! The functions in those modules go over a whole list of arrivals, word for word as the definitions are written. They
//! are slow and plain: the model that the tracker is tested against, and good enough for small analyses.
//!
//! Rules that hold everywhere here: a copy is counted apart and never makes up for a loss; only the first copy counts
//! for reordering (RFC 4737 section 3.6); loss alone never makes a later frame reordered (section 6); a hole that is
//! filled while the window still covers it is no loss.

mod damaged;
mod extend;
pub mod gaps;
mod jumps;
mod loss;
#[cfg(test)]
mod properties;
mod reordering;
pub mod rfc3357;
pub mod rfc4737;
pub mod rfc5560;
mod sampling;
pub mod split;
mod tracker;
#[cfg(test)]
mod vectors;
mod window;

pub use damaged::Damaged;
pub use extend::extend;
pub use jumps::Jump;
pub use loss::{LossPattern, LossPeriod, NEAR_DISTANCE};
pub use reordering::{DEGREES, Reordering};
pub use rfc5560::{Duplication, duplication};
pub use sampling::Sampling;
pub use tracker::{Arrival, Summary, Tracker};
