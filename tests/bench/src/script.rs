//! What a software wire is told to do wrong, written down beforehand.
//!
//! A script is JSON with two directions and, where there is one, a monitor side:
//!
//! ```json
//! {
//!   "forward": {
//!     "drop": { "at": [1000], "every": 97, "burst": { "first": 5000, "length": 40 } },
//!     "flip": { "when": { "every": 1001 }, "octet": "fill", "mend": true, "seed": 7 },
//!     "delay": { "when": { "at": [10] }, "by_ms": 5 },
//!     "swap": { "every": 300 },
//!     "duplicate": { "every": 500 },
//!     "dark": [ { "from_ms": 200, "for_ms": 50 } ]
//!   },
//!   "return": { "rate": { "frames_per_s": 50000, "queue": 100 }, "latency_us": 100 },
//!   "monitor": { "directions": "both", "drop": { "every": 50 }, "rate": { "bits_per_s": 1000000000, "queue": 64 } }
//! }
//! ```
//!
//! **Numbering.** Every number in a [`Schedule`] counts the test frames of one direction within one trial, from 1,
//! in order of arrival at the wire; a trial is one session tag. Copies count like any other frame. Learning frames,
//! control frames and strangers are not counted and pass untouched, except through the dark and where `control`
//! asks for their loss.
//!
//! **Precedence.** At most one fault is committed on a frame. In order: dark, drop, flip, delay, swap, duplicate.
//! What comes after (`rate`, `pause`, `latency_us`) is not a fault on one frame but the line all of them travel.

use std::path::Path;

use anyhow::Context;
use serde::{Deserialize, Serialize};

/// What the wire does to each direction, and what its monitor side hands over.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq)]
#[serde(default, deny_unknown_fields)]
pub struct Script {
    /// From the near port (the generator's) to the far port (the reflector's).
    pub forward: Faults,
    /// From the far port to the near port.
    #[serde(rename = "return")]
    pub back: Faults,
    /// What a third port gets, where the wire has one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub monitor: Option<Monitor>,
}

impl Script {
    /// A wire that does nothing wrong.
    pub fn faithful() -> Self {
        Self::default()
    }

    /// Reads a script from its JSON text and checks it.
    pub fn from_json(text: &str) -> anyhow::Result<Self> {
        let script: Self = serde_json::from_str(text).context("the wire's script is not understood")?;
        script.check()?;
        Ok(script)
    }

    /// Reads a script from a file of JSON.
    pub fn from_file(path: &Path) -> anyhow::Result<Self> {
        let text = std::fs::read_to_string(path)
            .with_context(|| format!("the wire's script {} cannot be read", path.display()))?;
        Self::from_json(&text).with_context(|| format!("in {}", path.display()))
    }

    /// Refuses a script that says something impossible (frame 0, every 0th, a rate of nothing).
    pub fn check(&self) -> anyhow::Result<()> {
        self.forward.check().context("in the script's `forward`")?;
        self.back.check().context("in the script's `return`")?;
        if let Some(monitor) = &self.monitor {
            monitor.drop.check().context("in the script's `monitor.drop`")?;
            if let Some(rate) = &monitor.rate {
                rate.check().context("in the script's `monitor.rate`")?;
            }
        }
        Ok(())
    }
}

/// The faults of one direction; see the module's text for numbering and precedence.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq)]
#[serde(default, deny_unknown_fields)]
pub struct Faults {
    /// Stretches in which nothing at all gets through, control frames included.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub dark: Vec<Dark>,
    /// Frames that vanish.
    #[serde(skip_serializing_if = "Schedule::is_never")]
    pub drop: Schedule,
    /// Frames that arrive with one bit changed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub flip: Option<Flip>,
    /// Frames that take longer than the others.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub delay: Option<Delay>,
    /// Frames that change places with the next test frame. If no next one has come within 50 ms, or a fault of its
    /// own meets it, the frame goes on alone and is recorded as not swapped.
    #[serde(skip_serializing_if = "Schedule::is_never")]
    pub swap: Schedule,
    /// Frames that arrive twice, one copy right behind the other.
    #[serde(skip_serializing_if = "Schedule::is_never")]
    pub duplicate: Schedule,
    /// A bottleneck with a queue; test frames only. A frame that finds the queue full is lost and recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rate: Option<Rate>,
    /// Stretches in which test frames are held, to be handed on in order at the end.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub pause: Vec<Window>,
    /// Time every test frame takes, in microseconds.
    #[serde(skip_serializing_if = "is_zero")]
    pub latency_us: u64,
    /// Faults on control frames, counted from the wire's start (they belong to no trial).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub control: Option<ControlFaults>,
}

fn is_zero(number: &u64) -> bool {
    *number == 0
}

impl Faults {
    fn check(&self) -> anyhow::Result<()> {
        self.drop.check().context("`drop`")?;
        self.swap.check().context("`swap`")?;
        self.duplicate.check().context("`duplicate`")?;
        if let Some(flip) = &self.flip {
            flip.when.check().context("`flip.when`")?;
        }
        if let Some(delay) = &self.delay {
            delay.when.check().context("`delay.when`")?;
        }
        if let Some(rate) = &self.rate {
            rate.check().context("`rate`")?;
        }
        if let Some(control) = &self.control {
            control.drop.check().context("`control.drop`")?;
        }
        Ok(())
    }
}

/// Which frames a fault meets: the union of what is written. Nothing written means none.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq, Eq)]
#[serde(default, deny_unknown_fields)]
pub struct Schedule {
    /// These frames, each once; order does not matter.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub at: Vec<u64>,
    /// Frames n, 2n, 3n, …
    #[serde(skip_serializing_if = "Option::is_none")]
    pub every: Option<u64>,
    /// A run of frames without a gap.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub burst: Option<Burst>,
}

/// `length` frames from number `first` on.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, PartialEq, Eq)]
#[serde(deny_unknown_fields)]
pub struct Burst {
    pub first: u64,
    pub length: u64,
}

impl Schedule {
    /// These frames and no others.
    pub fn at(frames: &[u64]) -> Self {
        Self { at: frames.to_vec(), ..Self::default() }
    }

    /// Every `n`th frame.
    pub fn every(n: u64) -> Self {
        Self { every: Some(n), ..Self::default() }
    }

    /// `length` frames from number `first` on.
    pub fn burst(first: u64, length: u64) -> Self {
        Self { burst: Some(Burst { first, length }), ..Self::default() }
    }

    /// True if no frame is ever met.
    pub fn is_never(&self) -> bool {
        self.at.is_empty() && self.every.is_none() && self.burst.is_none_or(|burst| burst.length == 0)
    }

    /// Whether frame `n` (from 1) is met. The obvious way; the engine uses a sorted copy.
    pub fn meets(&self, n: u64) -> bool {
        self.at.contains(&n)
            || self.every.is_some_and(|every| n.is_multiple_of(every))
            || self.burst.is_some_and(|burst| n >= burst.first && n - burst.first < burst.length)
    }

    fn check(&self) -> anyhow::Result<()> {
        anyhow::ensure!(!self.at.contains(&0), "frames are counted from 1: there is no frame 0 in `at`");
        anyhow::ensure!(self.every != Some(0), "`every` 0 means nothing; 1 is every frame");
        anyhow::ensure!(
            self.burst.is_none_or(|burst| burst.first > 0),
            "frames are counted from 1: `burst.first` 0 means nothing"
        );
        Ok(())
    }
}

/// Nothing gets through from `from_ms` on, for `for_ms`. The clock is the wire's, from the first test frame of the
/// latest trial, in either direction.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, PartialEq, Eq)]
#[serde(deny_unknown_fields)]
pub struct Dark {
    pub from_ms: u64,
    pub for_ms: u64,
    /// True: control frames and strangers still pass. A dark link passes nothing, so the default is false.
    #[serde(default)]
    pub spare_control: bool,
}

/// A stretch of a trial, on the same clock as [`Dark`].
#[derive(Serialize, Deserialize, Clone, Copy, Debug, PartialEq, Eq)]
#[serde(deny_unknown_fields)]
pub struct Window {
    pub from_ms: u64,
    pub for_ms: u64,
}

/// One bit of one octet changed.
#[derive(Serialize, Deserialize, Clone, Debug, PartialEq, Eq)]
#[serde(deny_unknown_fields)]
pub struct Flip {
    pub when: Schedule,
    /// Where; the bit (and the octet, where there is a choice) follows from `seed` and the frame's number.
    #[serde(default)]
    pub octet: Octet,
    /// Recompute the IPv4 header checksum and the UDP checksum afterwards, as a piece with a store and a bad memory
    /// would. A checksum is never itself the octet changed then. A bare test frame has none to mend.
    #[serde(default)]
    pub mend: bool,
    #[serde(default)]
    pub seed: u64,
}

/// Where a bit is flipped.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, Default, PartialEq, Eq)]
#[serde(rename_all = "lowercase")]
pub enum Octet {
    /// In the 18 octets of the test header.
    #[default]
    Header,
    /// Behind the test header. A frame without such octets is handed on and recorded as not flipped.
    Fill,
    /// Anywhere in the frame, the MAC addresses included.
    Any,
    /// At this offset from the frame's first octet.
    Offset(u16),
}

/// Some frames take `by_ms` longer.
#[derive(Serialize, Deserialize, Clone, Debug, PartialEq, Eq)]
#[serde(deny_unknown_fields)]
pub struct Delay {
    pub when: Schedule,
    pub by_ms: u64,
}

/// A bottleneck: `frames_per_s`, or `bits_per_s` on the wire (frame, FCS and 20 octets of preamble, SFD and gap), or
/// the slower of the two; and a queue in frames before it.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, PartialEq, Eq)]
#[serde(deny_unknown_fields)]
pub struct Rate {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frames_per_s: Option<u64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bits_per_s: Option<u64>,
    /// Frames that may wait; one more is in service.
    pub queue: u32,
}

impl Rate {
    /// So many frames a second, with a queue of so many.
    pub fn frames(frames_per_s: u64, queue: u32) -> Self {
        Self { frames_per_s: Some(frames_per_s), bits_per_s: None, queue }
    }

    /// So many bits a second on the wire, with a queue of so many frames.
    pub fn bits(bits_per_s: u64, queue: u32) -> Self {
        Self { frames_per_s: None, bits_per_s: Some(bits_per_s), queue }
    }

    fn check(&self) -> anyhow::Result<()> {
        anyhow::ensure!(
            self.frames_per_s.is_some() || self.bits_per_s.is_some(),
            "a rate needs `frames_per_s` or `bits_per_s`"
        );
        anyhow::ensure!(
            self.frames_per_s != Some(0) && self.bits_per_s != Some(0),
            "a rate of 0 passes nothing; write a dark stretch instead"
        );
        Ok(())
    }
}

/// Faults on control frames.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq, Eq)]
#[serde(default, deny_unknown_fields)]
pub struct ControlFaults {
    pub drop: Schedule,
}

/// The third port: a tap's monitor side. It sends and never receives.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq)]
#[serde(default, deny_unknown_fields)]
pub struct Monitor {
    pub directions: Directions,
    /// What is copied: what the wire hands on (after its faults), or what comes to it (before them).
    pub of: Of,
    /// Test frames that are not copied, counted per direction within a trial.
    pub drop: Schedule,
    /// The monitor port's own bottleneck, shared by both directions.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rate: Option<Rate>,
}

/// Which directions a monitor port shows.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, Default, PartialEq, Eq)]
#[serde(rename_all = "lowercase")]
pub enum Directions {
    #[default]
    Both,
    Forward,
    Return,
}

/// Where in the wire a monitor port is attached.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, Default, PartialEq, Eq)]
#[serde(rename_all = "lowercase")]
pub enum Of {
    #[default]
    Passed,
    Arriving,
}
