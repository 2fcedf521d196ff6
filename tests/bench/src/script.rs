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
//!     "dark": [ { "from_ms": 200, "for_ms": 50 }, { "from_ms": 900, "carrier": true } ],
//!     "opaque": { "mac_control": [1], "groups": [0, 14], "ether_types": [35020], "drop_over": 1518, "strip": "outer" }
//!   },
//!   "return": {
//!     "store": [ { "bits_per_s": 100000000, "preamble": true }, { "bits_per_s": 1000000000 } ],
//!     "rate": { "frames_per_s": 50000, "queue": 100, "tokens": 16 },
//!     "slow_clock": { "bits_per_s": 1000000000, "ppm": 100, "buffer": 64 },
//!     "latency_us": 100, "latency_ns": 250
//!   },
//!   "monitor": { "directions": "both", "drop": { "every": 50 }, "rate": { "bits_per_s": 1000000000, "queue": 64 } }
//! }
//! ```
//!
//! **Numbering.** Every number in a [`Schedule`] counts the test frames of one direction within one trial, from 1,
//! in order of arrival at the wire, whatever their stream; a trial is one session tag. Copies count like any other
//! frame. Learning frames, control frames and strangers are not counted and pass untouched, except through the dark,
//! through `opaque` kit, and where `control` asks for their loss.
//!
//! **Precedence.** At most one fault is committed on a frame. In order: dark, eaten or too long (`opaque`), drop, flip,
//! delay, swap, duplicate. Cutting and stripping (`opaque`) come before the fault, and go along with one.
//! What comes after is not a fault on one frame but the line all of them travel, in order: `store`, `rate`,
//! `slow_clock`, `pause`, `latency_us` and `latency_ns`.
//!
//! **Time.** A frame's time is its arrival as the kernel stamped it, where the port has stamps, not the moment at which
//! the wire's thread looks: queues, dark edges and due times are exact however late the thread is. How late each frame
//! then really left is in the ledger ([`Counts::late`](crate::ledger::Counts::late)).

use std::path::Path;

use anyhow::Context;
use serde::{Deserialize, Serialize};

use crate::ledger::Direction;

mod bottleneck;
mod opaque;

pub use bottleneck::{Rate, SlowClock, Stage};
pub use opaque::{Kind, Opaque, Strip};

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
    /// What is not let through as it came; frames of every kind.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub opaque: Option<Opaque>,
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
    /// Stages that store and forward, one after the other; test frames only.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub store: Vec<Stage>,
    /// A bottleneck with a queue; test frames only. A frame that finds the queue full is lost and recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rate: Option<Rate>,
    /// A clock that is too slow for its line; test frames only.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub slow_clock: Option<SlowClock>,
    /// Stretches in which test frames are held, to be handed on in order at the end.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub pause: Vec<Window>,
    /// Time every test frame takes, in microseconds.
    #[serde(skip_serializing_if = "is_zero")]
    pub latency_us: u64,
    /// The same in nanoseconds; both are added.
    #[serde(skip_serializing_if = "is_zero")]
    pub latency_ns: u64,
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
        let mut down: Vec<_> = self.dark.iter().filter(|dark| dark.carrier).map(Dark::edges_ns).collect();
        down.sort_unstable();
        anyhow::ensure!(
            down.windows(2).all(|pair| pair[0].1 < pair[1].0),
            "`dark`: stretches with `carrier` overlap or touch"
        );
        for dark in &self.dark {
            dark.check().context("`dark`")?;
        }
        if let Some(opaque) = &self.opaque {
            opaque.check().context("`opaque`")?;
        }
        for stage in &self.store {
            stage.check().context("`store`")?;
        }
        if let Some(rate) = &self.rate {
            rate.check().context("`rate`")?;
        }
        if let Some(clock) = &self.slow_clock {
            clock.check().context("`slow_clock`")?;
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

/// Nothing gets through from `from_ms` on, for `for_ms`. The clock is the wire's, from the arrival of the first test
/// frame of the latest trial, in either direction. What is inside the wire when the dark begins still leaves it,
/// except into a port without carrier.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, Default, PartialEq, Eq)]
#[serde(deny_unknown_fields)]
pub struct Dark {
    pub from_ms: u64,
    /// Left out: what has begun never ends, not even with the next trial.
    #[serde(default = "forever", skip_serializing_if = "is_forever")]
    pub for_ms: u64,
    /// True: control frames and strangers still pass. A dark link passes nothing, so the default is false.
    #[serde(default)]
    pub spare_control: bool,
    /// True: the port at which this direction leaves is set down for as long, so that the neighbour there has no
    /// carrier, and what that neighbour sends never comes to the wire. The dark lasts until the port is up again,
    /// which is a little longer; the ledger has the times. One such stretch must end before the next begins.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub carrier: bool,
}

fn forever() -> u64 {
    Dark::FOREVER
}

fn is_forever(for_ms: &u64) -> bool {
    *for_ms == Dark::FOREVER
}

impl Dark {
    /// `for_ms` of a stretch that never ends.
    pub const FOREVER: u64 = u64::MAX;

    /// Its edges on the trial's clock, in nanoseconds: the first moment of it, and the first moment after it.
    pub(crate) fn edges_ns(&self) -> (u64, u64) {
        edges_ns(self.from_ms, self.for_ms)
    }

    fn check(&self) -> anyhow::Result<()> {
        anyhow::ensure!(
            !(self.carrier && self.spare_control),
            "a port without carrier spares no control frames: `carrier` and `spare_control` exclude each other"
        );
        Ok(())
    }
}

pub(crate) fn edges_ns(from_ms: u64, for_ms: u64) -> (u64, u64) {
    let from = from_ms.saturating_mul(1_000_000);
    (from, from.saturating_add(for_ms.saturating_mul(1_000_000)))
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

/// Faults on control frames.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq, Eq)]
#[serde(default, deny_unknown_fields)]
pub struct ControlFaults {
    pub drop: Schedule,
}

/// The third port: a tap's monitor side. It sends, and what comes in there goes nowhere unless it leaks.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq)]
#[serde(default, deny_unknown_fields)]
pub struct Monitor {
    pub directions: Directions,
    /// What is copied: what the wire hands on (after its faults), or what comes to it (before them).
    pub of: Of,
    /// Test frames that are not copied, counted per direction within a trial.
    pub drop: Schedule,
    /// Of which directions such frames are not copied.
    pub drop_of: Directions,
    /// What comes in at the monitor port goes out into the link, both ways.
    pub leaks: bool,
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

impl Directions {
    pub(crate) fn has(self, direction: Direction) -> bool {
        match self {
            Directions::Both => true,
            Directions::Forward => direction == Direction::Forward,
            Directions::Return => direction == Direction::Return,
        }
    }
}

/// Where in the wire a monitor port is attached.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, Default, PartialEq, Eq)]
#[serde(rename_all = "lowercase")]
pub enum Of {
    #[default]
    Passed,
    Arriving,
}
