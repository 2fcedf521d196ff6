//! What a soak came to.

use std::fmt::Write;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::report::columns::{Row, aligned};
use crate::report::ink::{Ink, Style};
use crate::verdict::words::grouped;

/// Hours or days of traffic; second by second it stands in the journal.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Soak {
    /// The file.
    pub journal: String,
    /// In words.
    pub goal: String,
    pub reached: bool,
    /// Of the bounds below.
    pub confidence: f64,
    /// Of load, over all segments.
    pub seconds: f64,
    /// Frames are numbered without a break within a segment; of those that the pair broke off only what came home counts.
    pub segments: u32,
    pub broken_segments: u32,
    pub intervals: u64,
    pub frames_offered: u64,
    /// Forward, then return.
    pub ways: Vec<SoakWay>,
    /// Loss periods (RFC 3357), and the longest.
    pub losses: u64,
    pub longest_loss_frames: u64,
    /// Seconds in which a frame was due that was lost.
    pub seconds_with_loss: u64,
    /// Loss periods too many to be told one by one.
    pub untold_losses: u64,
    /// Events of the link (carrier, silence), and of the two machines.
    pub link_events: u64,
    pub pair_events: u64,
}

/// One direction of a soak.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SoakWay {
    pub direction: String,
    /// Frames of which it is known what became of them.
    pub frames: u64,
    /// How many were lost or damaged.
    pub errors: u64,
    /// The bit error ratio is below this, at the stated confidence.
    pub bit_error_bound: Option<f64>,
    /// How likely, at most, a link exactly at the goal's ratio is passed by a soak that ends as soon as it can, with up to so many
    /// errors: where there are errors it is more than one look at the stated confidence allows. Null without such a goal, and for
    /// more than 300 errors.
    pub passed_at_the_limit: Option<f64>,
}

pub(super) fn soak(out: &mut String, soak: &Soak, ink: Ink) {
    let seconds = soak.seconds.round() as u64;
    let time = format!("{}:{:02}:{:02}", seconds / 3_600, seconds / 60 % 60, seconds % 60);
    let head = format!(
        "Soak of {time} (h:m:s) in {} segment(s), {} frames; goal: {}",
        soak.segments,
        grouped(soak.frames_offered),
        soak.goal
    );
    let _ = writeln!(out, "\n{}", ink.paint(Style::Strong, &head));
    let below = format!("below, at {} %", soak.confidence * 100.0);
    let headings =
        [("", "direction"), ("", "frames"), ("lost or", "damaged"), ("bit errors", below.as_str())];
    let rows: Vec<Row> = soak
        .ways
        .iter()
        .map(|way| Row {
            cells: vec![
                way.direction.clone(),
                grouped(way.frames),
                grouped(way.errors),
                super::or_dash(way.bit_error_bound, |bound| format!("{bound:.1e}")),
            ],
            word: if way.errors == 0 {
                ink.paint(Style::Good, "clean")
            } else {
                ink.paint(Style::Bad, "lost")
            }
            .into_owned(),
        })
        .collect();
    aligned(out, &headings, &rows, ink);
    if soak.losses > 0 {
        let _ = writeln!(
            out,
            "{} loss periods in {} seconds, the longest of {} frames",
            grouped(soak.losses + soak.untold_losses),
            grouped(soak.seconds_with_loss),
            grouped(soak.longest_loss_frames)
        );
    }
    if soak.link_events + soak.pair_events > 0 {
        let _ = writeln!(
            out,
            "{} events of the link, {} of the two machines",
            soak.link_events, soak.pair_events
        );
    }
    let _ = writeln!(out, "second by second: {}", soak.journal);
}
