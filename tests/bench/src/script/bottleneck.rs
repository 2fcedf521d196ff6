//! Pieces of kit that need time for a frame: limits with a queue, stores, clocks that are too slow.

use serde::{Deserialize, Serialize};

/// Rates above this are refused, so that all arithmetic stays exact.
const FASTEST: u64 = 1_000_000_000_000;

/// A bottleneck: `frames_per_s`, or `bits_per_s` on the wire (frame, FCS and 20 octets of preamble, SFD and gap), or
/// the slower of the two; and a queue in frames before it.
///
/// Without `tokens` it serves one frame at a time, and a frame leaves when it has been served: even a lonely frame
/// takes 1/R. With `tokens` it is a token bucket: so many tokens at most, one more every 1/R, and a frame leaves as
/// soon as there is one for it: a lonely frame takes no time.
///
/// **Arithmetic.** Times are exact fractions of a nanosecond without drift; a frame leaves at the first whole
/// nanosecond that is not early. Of a burst from idle at L frames/s the frame with index n (from 0) is lost first
/// where `n − ⌊n·R/L⌋ ≥ Q + T`, T being `tokens`, or 1 without. So a burst of B frames that just passes says
/// `Q + T − 1 < B·(1 − R/L) ≤ Q + T − R/L`: without tokens, or with one, Q is B·(1 − R/L) without its fraction, and
/// one less where it is whole.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, Default, PartialEq, Eq)]
#[serde(deny_unknown_fields)]
pub struct Rate {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frames_per_s: Option<u64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bits_per_s: Option<u64>,
    /// Frames that may wait. Without `tokens` one more is in service.
    pub queue: u32,
    /// The depth of the bucket in frames; only with `frames_per_s` alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tokens: Option<u32>,
}

impl Rate {
    /// So many frames a second, with a queue of so many.
    pub fn frames(frames_per_s: u64, queue: u32) -> Self {
        Self { frames_per_s: Some(frames_per_s), queue, ..Self::default() }
    }

    /// So many bits a second on the wire, with a queue of so many frames.
    pub fn bits(bits_per_s: u64, queue: u32) -> Self {
        Self { bits_per_s: Some(bits_per_s), queue, ..Self::default() }
    }

    pub(super) fn check(&self) -> anyhow::Result<()> {
        anyhow::ensure!(
            self.frames_per_s.is_some() || self.bits_per_s.is_some(),
            "a rate needs `frames_per_s` or `bits_per_s`"
        );
        anyhow::ensure!(
            self.frames_per_s != Some(0) && self.bits_per_s != Some(0),
            "a rate of 0 passes nothing; write a dark stretch instead"
        );
        for rate in [self.frames_per_s, self.bits_per_s].into_iter().flatten() {
            check_speed(rate)?;
        }
        anyhow::ensure!(
            self.tokens.is_none() || self.bits_per_s.is_none(),
            "`tokens` are frames: they go with `frames_per_s` alone"
        );
        anyhow::ensure!(
            self.tokens != Some(0),
            "a bucket without room for one of its `tokens` passes nothing"
        );
        Ok(())
    }
}

/// A stage that takes a frame in whole before it hands it on: the frame leaves one serialisation time after the
/// stage has begun with it, which is when it has come and the one before has left. Its store is as large as it must be.
///
/// Serialisation time is 8 × (octets, FCS included, and 8 more with `preamble`) ÷ `bits_per_s`.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, PartialEq, Eq)]
#[serde(deny_unknown_fields)]
pub struct Stage {
    pub bits_per_s: u64,
    /// Preamble and SFD, 8 octets, count as well.
    #[serde(default)]
    pub preamble: bool,
}

impl Stage {
    pub(super) fn check(&self) -> anyhow::Result<()> {
        anyhow::ensure!(self.bits_per_s > 0, "a stage at 0 bits/s never hands anything on");
        check_speed(self.bits_per_s)
    }
}

/// A piece whose clock is `ppm` too slow: it takes frames at line rate and hands them on at
/// `bits_per_s` × (1 − `ppm` × 10⁻⁶), counted as on a line: frame, FCS and 20 octets. What it cannot hand on
/// collects in `buffer`; a frame that finds it full is lost.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, PartialEq, Eq)]
#[serde(deny_unknown_fields)]
pub struct SlowClock {
    pub bits_per_s: u64,
    /// Parts in a million, below 1,000,000. 0 is a clock that is right.
    pub ppm: u32,
    /// Frames that may wait; one more is on its way out.
    pub buffer: u32,
}

impl SlowClock {
    pub(super) fn check(&self) -> anyhow::Result<()> {
        anyhow::ensure!(self.bits_per_s > 0, "a line at 0 bits/s passes nothing");
        anyhow::ensure!(self.ppm < 1_000_000, "a clock that is 1,000,000 ppm slow stands still");
        check_speed(self.bits_per_s)
    }
}

fn check_speed(rate: u64) -> anyhow::Result<()> {
    anyhow::ensure!(rate <= FASTEST, "a rate of {rate} a second is more than the wire can count ({FASTEST})");
    Ok(())
}
