//! What each end noticed of a cord that was pulled, as the result has it and as a person reads it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::or_dash;
use crate::report::columns::{Row, aligned};
use crate::report::ink::Ink;

/// One cord that was pulled and plugged in again.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LinkLoss {
    /// Its neighbours.
    pub from: String,
    pub to: String,
    /// What was seen, in words.
    pub words: String,
    /// When frames stopped in any direction, seconds after the first; null if none did.
    pub frames_stopped_s: Option<f64>,
    /// How long until they came again in every direction; null if they did not stop, or did not come back.
    pub frames_back_after_ms: Option<f64>,
    pub generator: PortSeen,
    pub reflector: PortSeen,
    /// Whether an end that the cord does not end at lost its link too; null for the end that it ends at, where nothing was cut,
    /// and where the reflector was not heard.
    pub passed_on_to_generator: Option<bool>,
    pub passed_on_to_reflector: Option<bool>,
    /// The kernel may tell of a link's loss so late, milliseconds.
    pub resolution_ms: f64,
}

/// A port, while the cord was out.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PortSeen {
    pub lost_link: bool,
    /// Milliseconds from when frames stopped to when the loss was told; below 0 if it was told first.
    pub after_frames_stopped_ms: Option<f64>,
    /// Null if it did not come back, or was not lost.
    pub down_for_ms: Option<f64>,
    /// Mb/s; null where the port does not tell.
    pub speed_before_mbps: Option<u32>,
    pub speed_after_mbps: Option<u32>,
}

pub(super) fn link_loss(out: &mut String, all: &[LinkLoss], ink: Ink) {
    let headings = [
        ("cord", "from"),
        ("", "to"),
        ("frames stop", "at s"),
        ("back after", "ms"),
        ("generator's", "link lost, ms"),
        ("for", "ms"),
        ("reflector's", "link lost, ms"),
        ("for", "ms"),
    ];
    let ms = |value: Option<f64>| or_dash(value, |value| format!("{value:.0}"));
    let lost = |port: &PortSeen| match (port.lost_link, port.after_frames_stopped_ms) {
        (false, _) => "kept".to_owned(),
        (true, after) => or_dash(after, |after| format!("{after:+.0}")),
    };
    let rows: Vec<Row> = all
        .iter()
        .map(|one| Row {
            cells: vec![
                one.from.clone(),
                one.to.clone(),
                or_dash(one.frames_stopped_s, |at| format!("{at:.3}")),
                ms(one.frames_back_after_ms),
                lost(&one.generator),
                ms(one.generator.down_for_ms),
                lost(&one.reflector),
                ms(one.reflector.down_for_ms),
            ],
            word: one.words.clone(),
        })
        .collect();
    aligned(out, &headings, &rows, ink);
}
