//! Line-rate arithmetic, the pacing schedule and the measure of what was offered.
//!
//! Rates are kept as exact fractions (frames per nanoseconds): a rate rounded down to whole frames a second is
//! wrong by up to one frame in every second of a trial. Time is always an argument, in nanoseconds of whatever
//! clock the caller keeps; nothing here touches the operating system.
//!
//! | file | idea |
//! | --- | --- |
//! | `rate` | [`LineRate`], [`FrameRate`], [`line_frame_rate`] |
//! | `load` | [`Load`]: what a person asks for, and the rate it means on a given line |
//! | `genome` | [`Genome`]: a mix of frame sizes (RFC 6985) |
//! | `ratio` | [`Ratio`]: a small exact share, such as 200 ppm |
//! | `pacer` | [`Pacer`]: which frames may depart now |
//! | `offered` | [`OfferedMeter`]: what did depart, and how evenly |
//! | [`tolerance`] | what clocks that differ by some ppm do to a load near line rate |

mod decimal;
mod genome;
mod load;
mod offered;
mod pacer;
mod rate;
mod ratio;
pub mod tolerance;
#[cfg(test)]
mod vectors;

pub use genome::{Genome, ParseGenomeError};
pub use load::{Load, LoadError, ParseLoadError, Percent};
pub use offered::{OddWindow, Offered, OfferedMeter, WINDOW_NS, Windows};
pub use pacer::Pacer;
pub use rate::{FrameRate, LineRate, ParseLineRateError, common_divisor, line_frame_rate};
pub use ratio::{ParseRatioError, Ratio, Tolerance};

/// Octets of line time that each frame takes beside itself: preamble and start delimiter 8, shortest gap 12
/// (RFC 2544 Appendix B, RFC 5180 Appendix A.1).
pub const OVERHEAD_OCTETS: u64 = 20;

/// Nanoseconds in a second.
pub(crate) const SECOND: u64 = 1_000_000_000;
