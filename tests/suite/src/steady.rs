//! A trial for whoever drives the engine itself, without a session.

use anyhow::{Context, Result};
use kitproof::engine::Trial;
use kitproof_common::frame::FrameSpec;
use kitproof_common::line::{FrameRate, Load};

/// A trial of one flow at so many frames a second, as the engine takes it: no warm-up, every octet checked.
///
/// # Errors
/// A rate of nothing.
pub fn steady(frame: FrameSpec, per_second: u64, frames: u64, give_up_ns: u64) -> Result<Trial> {
    let rate = FrameRate::from_per_second(per_second).context("a rate of nothing")?;
    Ok(Trial {
        frame,
        load: Load::FramesPerSecond(per_second),
        rate,
        line: rate,
        ceiling: rate.times(105, 100).unwrap_or(rate),
        burst: 16,
        ahead: 0,
        frames,
        give_up_ns,
        warm_up: 0,
        fill_check: true,
        variation: false,
        lowered: None,
        mix: None,
        pairs: 1,
        telling: None,
        evidence: None,
    })
}
