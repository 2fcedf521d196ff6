//! Outages, as the result has them and as a person reads them.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::report::columns::{Row, aligned};
use crate::report::ink::{Ink, Style};
use crate::verdict::words::grouped;

/// One outage of one direction.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Outage {
    /// `forward` or `return`.
    pub direction: String,
    pub kind: OutageKind,
    /// Departure of the last frame before it, seconds after this direction's first frame.
    pub start_s: f64,
    /// Offered and lost.
    pub frames_lost: u64,
    /// Of these, the most that may never have been on the wire, because they were on their way there when carrier went.
    pub uncertain_frames: u64,
    /// Should have been offered meanwhile and were not, because the port had no carrier: these are no losses.
    pub frames_not_offered: u64,
    pub length_ms: OutageLength,
    /// How long the sending and the receiving end of this direction were without carrier meanwhile; absent where they
    /// were not.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sender_down: Option<CarrierDown>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub receiver_down: Option<CarrierDown>,
    /// Whether all that is missing may be the pair's own drops.
    pub may_be_the_pairs: bool,
}

/// What an outage is like.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum OutageKind {
    /// Frames stopped and came again; the link stayed up at both ends.
    #[default]
    ShortGap,
    /// The link went down at an end and came up again.
    Renegotiation,
    /// No frame came any more.
    NeverBack,
}

/// The length of an outage by both methods (RFC 6201 section 1.3), milliseconds.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OutageLength {
    /// Last frame before to first frame after; where none came any more, at least so long.
    pub timestamp: f64,
    /// Frames lost, divided by their rate.
    pub frame_loss: f64,
    /// The first less the second: what was not offered, and about one interval between frames.
    pub difference: f64,
}

/// An end without carrier.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CarrierDown {
    /// Milliseconds; null if it did not come back.
    pub for_ms: Option<f64>,
}

/// All outages of one direction.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Interruption {
    /// `forward` or `return`.
    pub direction: String,
    /// Whose frames show it: the generator's forward, the reflector's own on return.
    pub frames_offered: u64,
    /// Distinct and intact.
    pub frames_arrived: u64,
    pub outages: u64,
    pub frames_lost_in_outages: u64,
    /// Lost, and in no outage.
    pub frames_lost_elsewhere: u64,
    /// By the timestamp method, milliseconds; null without outages.
    pub longest_ms: Option<f64>,
    pub shortest_ms: Option<f64>,
    pub mean_ms: Option<f64>,
    /// Of the sample; null for fewer than two.
    pub standard_deviation_ms: Option<f64>,
    /// All outages together.
    pub total_ms: f64,
    /// Shorter pauses were not looked at.
    pub threshold_ms: f64,
    /// Pauses in which nothing was missing.
    pub harmless_pauses: u64,
    /// Pauses for which there was no room; each may be an outage more.
    pub not_kept: u64,
}

/// One reset of the kit, in one direction (RFC 6201).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Reset {
    /// `forward` or `return`.
    pub direction: String,
    /// Seconds by the method that holds; null if the kit never forwarded again.
    pub reset_s: Option<f64>,
    /// `timestamp` or `frame_loss` (RFC 6201 section 1.3).
    pub by: String,
    pub by_timestamp_s: Option<f64>,
    pub by_frame_loss_s: f64,
    pub frames_lost: u64,
    /// The interval between frames.
    pub resolution_s: f64,
    /// Time without power, which has been taken off already (RFC 6201 section 4.3.1).
    pub subtracted_s: f64,
}

pub(super) fn resets(out: &mut String, all: &[Reset], ink: Ink) {
    let headings = [
        ("", "direction"),
        ("reset", "s"),
        ("time stamps", "s"),
        ("frame loss", "s"),
        ("frames", "lost"),
        ("resolution", "us"),
    ];
    let seconds = |value: Option<f64>| value.map_or("-".to_owned(), |value| format!("{value:.6}"));
    let rows: Vec<Row> = all
        .iter()
        .map(|one| Row {
            cells: vec![
                one.direction.clone(),
                seconds(one.reset_s),
                seconds(one.by_timestamp_s),
                format!("{:.6}", one.by_frame_loss_s),
                grouped(one.frames_lost),
                format!("{:.1}", one.resolution_s * 1e6),
            ],
            word: match one.reset_s {
                Some(_) => format!("by {}", one.by.replace('_', " ")),
                None => ink.paint(Style::Bad, "never came back").into_owned(),
            },
        })
        .collect();
    aligned(out, &headings, &rows, ink);
}

pub(super) fn outages(out: &mut String, all: &[Outage], ink: Ink) {
    if all.is_empty() {
        return;
    }
    let headings = [
        ("", "direction"),
        ("began after", "s"),
        ("time stamps", "ms"),
        ("frame loss", "ms"),
        ("frames", "lost"),
        ("of them", "uncertain"),
        ("frames", "not offered"),
    ];
    let rows: Vec<Row> = all
        .iter()
        .map(|one| Row {
            cells: vec![
                one.direction.clone(),
                format!("{:.3}", one.start_s),
                format!("{:.3}", one.length_ms.timestamp),
                format!("{:.3}", one.length_ms.frame_loss),
                grouped(one.frames_lost),
                grouped(one.uncertain_frames),
                grouped(one.frames_not_offered),
            ],
            word: word(one, ink),
        })
        .collect();
    aligned(out, &headings, &rows, ink);
}

fn word(one: &Outage, ink: Ink) -> String {
    let down = |end: &str, down: &Option<CarrierDown>| {
        down.map(|down| match down.for_ms {
            Some(ms) => format!("; no carrier at the {end} for {ms:.1} ms"),
            None => format!("; no carrier at the {end} any more"),
        })
        .unwrap_or_default()
    };
    let (near, far) = if one.direction == "forward" {
        (&one.sender_down, &one.receiver_down)
    } else {
        (&one.receiver_down, &one.sender_down)
    };
    let pair = if one.may_be_the_pairs { "; may be the pair's own drops" } else { "" };
    let (style, kind) = match one.kind {
        OutageKind::ShortGap => (Style::Strong, "one short gap"),
        OutageKind::Renegotiation => (Style::Strong, "gap plus renegotiation"),
        OutageKind::NeverBack => (Style::Bad, "never came back"),
    };
    ink.paint(style, &format!("{kind}{}{}{pair}", down("generator", near), down("reflector", far)))
        .into_owned()
}

pub(super) fn interruption(out: &mut String, all: &[Interruption], ink: Ink) {
    let headings = [
        ("", "direction"),
        ("frames", "offered"),
        ("", "arrived"),
        ("", "outages"),
        ("longest", "ms"),
        ("shortest", "ms"),
        ("together", "ms"),
        ("lost in", "outages"),
        ("lost", "elsewhere"),
    ];
    let ms = |value: Option<f64>| value.map_or("-".to_owned(), |value| format!("{value:.3}"));
    let rows: Vec<Row> = all
        .iter()
        .map(|one| Row {
            cells: vec![
                one.direction.clone(),
                grouped(one.frames_offered),
                grouped(one.frames_arrived),
                one.outages.to_string(),
                ms(one.longest_ms),
                ms(one.shortest_ms),
                format!("{:.3}", one.total_ms),
                grouped(one.frames_lost_in_outages),
                grouped(one.frames_lost_elsewhere),
            ],
            word: String::new(),
        })
        .collect();
    aligned(out, &headings, &rows, ink);
}
