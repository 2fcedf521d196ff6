//! What the standard procedures find, each its own array in the result beside the trials it was found by.

mod latency;
mod link_loss;
mod outages;
mod recovery;
mod soak;
mod table;
mod transparency;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::LoadFigures;
pub(super) use latency::added;
pub use latency::{Added, Figure, KindOfBox, Latency, ReferenceUsed};
pub use link_loss::{LinkLoss, PortSeen};
pub use outages::{CarrierDown, Interruption, Outage, OutageKind, OutageLength, Reset};
pub use recovery::Recovery;
pub use soak::{Soak, SoakWay};
use table::or_dash;
pub(super) use table::tables;
pub use transparency::{Fate, LargestFrame, Passage};

/// Empty arrays are left out.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Findings {
    /// The standard that was followed, and in its own words what was made shorter: nothing shortened is conformant.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub conduct: Option<Conduct>,
    /// RFC 2544 section 26.1, one for each frame size.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub throughput: Vec<Throughput>,
    /// RFC 2544 section 26.2, one for each frame size and load.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub latency: Vec<Latency>,
    /// What latency against frame size says of the chain.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kind_of_box: Option<KindOfBox>,
    /// RFC 2544 section 26.3, one for each frame size and load, from the highest load down.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub frame_loss: Vec<FrameLoss>,
    /// RFC 2544 section 26.4 and RFC 9004, one for each frame size.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub bursts: Vec<Bursts>,
    /// RFC 2544 section 26.5, one for each frame size.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub recovery: Vec<Recovery>,
    /// Cords that were pulled in turn, from the generator on.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub link_loss: Vec<LinkLoss>,
    /// Which kinds of frames passed, one for each kind and size.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub transparency: Vec<Passage>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub largest_frame: Option<LargestFrame>,
    /// Outages, direction by direction and in order of time.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub outages: Vec<Outage>,
    /// What they come to, one for each direction that was seen.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub interruption: Vec<Interruption>,
    /// A soak: what hours of traffic have shown.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub soak: Option<Soak>,
    /// RFC 2544 section 26.6 and RFC 6201, one for each reset and direction.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub resets: Vec<Reset>,
}

impl Findings {
    /// Whether nothing but trials was run.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Findings::default()
    }
}

/// How a procedure was carried out.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Conduct {
    /// Such as `RFC 2544 section 26.1, shortened: trials of 2 s in place of 60 s`.
    pub words: String,
    /// Whether it is by the letter of the standard.
    pub by_the_letter: bool,
}

/// What a search or a measurement ended with.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Ending {
    /// The kit's own limit was found.
    Found,
    /// The kit loses frames at every load, or at every burst, that was tried.
    NoneFound,
    /// The highest load, or the longest burst, loses nothing.
    AtTheLimit,
    /// Trials there proved nothing, as often as they were tried: the kit's limit is there or beyond.
    NotProven,
    /// It was not run to its end.
    #[default]
    Unfinished,
}

/// The throughput at one frame size.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Throughput {
    /// Bytes including FCS.
    pub frame_size: u16,
    pub ending: Ending,
    /// The highest load without loss, confirmed by a trial of full length; null when there is none.
    pub frames_per_s: Option<f64>,
    /// The same on the wire, with 20 bytes of preamble, start delimiter and gap for each frame.
    pub bits_per_s: Option<f64>,
    pub percent_of_line: Option<f64>,
    /// What the line carries at this frame size.
    pub maximum_frames_per_s: f64,
    /// Distance of the loads that were tried, percent of line rate.
    pub resolution: f64,
    /// Where it could not be proven: the lowest load whose trials proved nothing, percent of line rate.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub not_proven_at_percent: Option<f64>,
    /// Where it could not be proven: the lowest load at which the kit lost frames, percent of line rate.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kit_loses_at_percent: Option<f64>,
    pub trials: u64,
    /// Trials that were repeated because the pair had spoiled them.
    pub unproven_trials: u64,
}

/// The frame loss rate at one frame size and load.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FrameLoss {
    /// Bytes including FCS.
    pub frame_size: u16,
    pub load: LoadFigures,
    pub offered_frames: u64,
    pub returned_frames: u64,
    /// Lost or damaged on the way there and on the way back, as the trial's account has it.
    pub forward: u64,
    #[serde(rename = "return")]
    pub homeward: u64,
    /// (offered - returned) x 100 / offered.
    pub loss_percent: Option<f64>,
    /// The same with everything taken off that the pair may have dropped itself.
    pub by_kit_percent: Option<f64>,
    /// Whether the load was offered and nothing is missing.
    pub clean: bool,
    /// Whether the pair spoiled every trial at this load, so that nothing is shown.
    pub spoiled_by_pair: bool,
}

/// The longest burst without loss at one frame size.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Bursts {
    /// Bytes including FCS.
    pub frame_size: u16,
    pub ending: Ending,
    /// Mean of the values, in frames; where the longest burst lost nothing, that burst.
    pub frames: Option<f64>,
    pub minimum: Option<u64>,
    pub maximum: Option<u64>,
    pub standard_deviation: Option<f64>,
    /// How many values were measured, and how many the pair spoiled.
    pub values: u64,
    pub spoiled_values: u64,
    /// Distance of the bursts that were tried, in frames.
    pub step: u64,
    /// Frames a second at which nothing is lost: what the buffer drains at.
    pub throughput_frames_per_s: Option<f64>,
    /// Seconds of buffer: the burst's time less what was sent on meanwhile (RFC 9004 section 6.4).
    pub corrected_buffer_s: Option<f64>,
    /// The same in frames.
    pub corrected_buffer_frames: Option<f64>,
}
