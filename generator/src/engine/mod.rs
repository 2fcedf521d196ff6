//! One trial on the wire: the hot loops, and the threads that run them.
//!
//! The loops are small machines that are stepped with the time as an argument, so that tests run them over
//! in-memory ports in virtual time and [`run`] runs the very same code on pinned threads. Nothing in here
//! allocates, formats, locks or judges while frames fly.

pub mod latency;
pub mod pin;
pub mod progress;
pub mod receive;
pub mod run;
pub mod send;
pub mod stamped;

use kitproof_common::frame::FrameSpec;
use kitproof_common::line::{FrameRate, Load};
use kitproof_common::sequence::Sampling;

/// Everything the engine needs to know of one trial.
#[derive(Clone, Debug)]
pub struct Trial {
    /// The frames as they leave the generator; `frame.session` is the trial's own tag.
    pub frame: FrameSpec,
    /// What was asked for.
    pub load: Load,
    /// What that means at this frame size.
    pub rate: FrameRate,
    /// What the line carries at this frame size.
    pub line: FrameRate,
    /// The fastest that a late sender may catch up.
    pub ceiling: FrameRate,
    /// Frames that may depart at once to make up for a small delay.
    pub burst: u32,
    /// Frames handed over ahead of time, so that the NIC is never idle: it paces, not the software.
    pub ahead: u32,
    /// Frames to offer.
    pub frames: u64,
    /// Nanoseconds from the first departure after which a sender that could not keep up stops.
    pub give_up_ns: u64,
    /// Frames at the beginning whose latency is not recorded (they are counted like all others).
    pub warm_up: u64,
    pub fill_check: bool,
}

impl Trial {
    /// How long it takes to offer all of it, in seconds.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        self.frames as f64 / self.rate.per_second()
    }

    /// Which frames ask for stamps of their departure.
    #[must_use]
    pub fn sampling(&self) -> Sampling {
        Sampling::of(self.rate.per_second())
    }

    /// Sequence numbers that may be under way at once, for the depth of the bitmaps: four seconds of
    /// frames, which is more than the residual wait and less than the departure stamp is unambiguous.
    #[must_use]
    pub fn window(&self) -> usize {
        let four_seconds = self.rate.per_second() * 4.0;
        (four_seconds as usize).clamp(1 << 16, 1 << 27)
    }
}
