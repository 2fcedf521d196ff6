//! Latency, what the chain adds to the pair's own, and what kind of box that makes it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::or_dash;
use crate::report::columns::{Row, aligned};
use crate::report::ink::{Ink, Style};
use crate::report::{LoadFigures, TrialResult};
use crate::verdict::words::grouped;

/// A figure with its standard uncertainty, nanoseconds.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Figure {
    pub ns: f64,
    pub uncertainty_ns: f64,
}

/// The latency at one frame size and load: round trips less the reflector's residence, the pair's own time in them.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Latency {
    /// Bytes including FCS.
    pub frame_size: u16,
    pub load: LoadFigures,
    /// Trials that count, and trials the pair spoiled.
    pub trials: u64,
    pub spoiled_trials: u64,
    /// Frames missing in the trials that count.
    pub frames_lost: u64,
    /// Between which events, in words.
    pub events: String,
    /// By which stamps: `program`, `kernel` or `nic`, the best that all trials have.
    pub clock: String,
    /// Of the tagged frame in the middle of each stream (RFC 2544 section 26.2), by the program's stamp; the mean of all
    /// trials. Null if none came home.
    pub tagged: Option<Figure>,
    /// Of every frame (by the program's stamp) or of samples: mean of the trials' least, of their medians.
    pub minimum: Figure,
    pub median: Figure,
    /// The widest of all trials: delay variation (RFC 5481) of every frame, and interarrival jitter (RFC 3550).
    pub pdv_99_9_ns: Option<u64>,
    pub ipdv_least_ns: Option<i64>,
    pub ipdv_greatest_ns: Option<i64>,
    pub jitter_ns: Option<f64>,
    /// What the chain adds; null without a reference at this size.
    pub added: Option<Added>,
}

/// What the chain adds to the pair's own round trip, both passes together.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Added {
    /// By which stamps, at both times.
    pub clock: String,
    /// Of the least round trip and of the median: first bit in to first bit out (RFC 1242 section 3.8, bit-forwarding
    /// devices), on lines of one speed the same as last bit in to last bit out.
    pub minimum: Figure,
    pub median: Figure,
    /// The least as the latency of a device that stores and forwards (RFC 1242 section 3.8): last bit in to first bit out.
    /// Below 0 for what sends a frame on before it has all of it.
    pub minimum_store_and_forward_ns: f64,
    /// When the reference was taken, and at which load, percent of line rate.
    pub reference: String,
    pub reference_load_percent: f64,
}

/// What latency against frame size says of the chain.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct KindOfBox {
    pub words: String,
    /// Slope of latency against frame size, the reference's subtracted where there is one; null without three sizes.
    pub ns_per_octet: Option<f64>,
    pub ns_per_octet_uncertainty: Option<f64>,
    /// Store-and-forward stages of a round trip as measured; null without a reference.
    pub stages: Option<f64>,
    pub stages_uncertainty: Option<f64>,
    /// The same as a whole number in each direction, where it is one.
    pub stages_per_direction: Option<u32>,
}

/// The reference that the run was held against.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReferenceUsed {
    /// When it was taken (RFC 3339).
    pub taken: String,
    /// What changed since; a reference with such changes is stale and was not used.
    pub changed: Vec<String>,
    /// How often a link was down since: putting the chain in does that. Null where that is not known.
    pub unplugged: Option<u32>,
}

/// `12.345 ± 0.067`, in microseconds.
fn microseconds(figure: Figure) -> String {
    format!("{:.3} ± {:.3}", figure.ns / 1e3, figure.uncertainty_ns / 1e3)
}

pub(super) fn latency(out: &mut String, all: &[Latency], ink: Ink) {
    let headings = [
        ("frame", "bytes"),
        ("load", "%"),
        ("tagged", "us"),
        ("least", "us"),
        ("median", "us"),
        ("PDV 99.9", "us"),
        ("IPDV from", "us"),
        ("to", "us"),
        ("jitter", "us"),
        ("chain adds", "us, least"),
        ("chain adds", "us, median"),
        ("", "trials"),
    ];
    let us = |ns: f64| format!("{:.3}", ns / 1e3);
    let rows: Vec<Row> = all
        .iter()
        .map(|one| Row {
            cells: vec![
                one.frame_size.to_string(),
                format!("{:.2}", one.load.percent),
                or_dash(one.tagged, |tagged| us(tagged.ns)),
                us(one.minimum.ns),
                us(one.median.ns),
                or_dash(one.pdv_99_9_ns, |ns| us(ns as f64)),
                or_dash(one.ipdv_least_ns, |ns| us(ns as f64)),
                or_dash(one.ipdv_greatest_ns, |ns| us(ns as f64)),
                or_dash(one.jitter_ns, us),
                or_dash(one.added.as_ref(), |added| microseconds(added.minimum)),
                or_dash(one.added.as_ref(), |added| microseconds(added.median)),
                one.trials.to_string(),
            ],
            word: if one.frames_lost > 0 {
                ink.paint(Style::Bad, &format!("{} frames lost", grouped(one.frames_lost))).into_owned()
            } else if one.trials == 0 {
                ink.paint(Style::Unsure, "not measured").into_owned()
            } else {
                String::new()
            },
        })
        .collect();
    aligned(out, &headings, &rows, ink);
    out.push_str("Round trips less the reflector's residence. What the chain adds is of both passes, first bit in to first bit out;\n");
    out.push_str("as last bit in to first bit out (a box that stores and forwards, RFC 1242) it is two serialisations less.\n");
}

pub(super) fn kind_of_box(out: &mut String, kind: &KindOfBox, ink: Ink) {
    out.push_str(&format!("{} {}\n", ink.paint(Style::Strong, "The chain:"), kind.words));
}

/// What the chain added to each trial of a run that measures no latency by itself.
pub(in crate::report) fn added(out: &mut String, trials: &[TrialResult], ink: Ink) {
    let rows: Vec<Row> = trials
        .iter()
        .filter_map(|trial| Some((trial, trial.added.as_ref()?)))
        .map(|(trial, added)| Row {
            cells: vec![
                trial.frame_size.to_string(),
                microseconds(added.minimum),
                microseconds(added.median),
                format!("{:.2}", added.reference_load_percent),
            ],
            word: String::new(),
        })
        .collect();
    if !rows.is_empty() {
        let headings = [
            ("frame", "bytes"),
            ("chain adds", "us, least"),
            ("chain adds", "us, median"),
            ("reference at", "%"),
        ];
        aligned(out, &headings, &rows, ink);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_chain_adds_has_its_uncertainty() {
        let added = Added {
            clock: "nic".to_owned(),
            minimum: Figure { ns: 24_290.0, uncertainty_ns: 12.0 },
            median: Figure { ns: 24_301.5, uncertainty_ns: 15.0 },
            minimum_store_and_forward_ns: 2.0,
            reference: "2026-11-27T12:00:00+01:00".to_owned(),
            reference_load_percent: 100.0,
        };
        let one = Latency {
            frame_size: 1518,
            load: LoadFigures { percent: 100.0, ..LoadFigures::default() },
            trials: 20,
            tagged: Some(Figure { ns: 60_100.0, uncertainty_ns: 40.0 }),
            minimum: Figure { ns: 60_000.0, uncertainty_ns: 10.0 },
            median: Figure { ns: 60_050.0, uncertainty_ns: 11.0 },
            pdv_99_9_ns: Some(950),
            ipdv_least_ns: Some(-900),
            ipdv_greatest_ns: Some(910),
            jitter_ns: Some(33.25),
            added: Some(added),
            ..Latency::default()
        };
        let lossy = Latency { frame_size: 64, frames_lost: 1_234, added: None, tagged: None, ..one.clone() };
        let mut out = String::new();
        latency(&mut out, &[one, lossy], Ink::PLAIN);
        let rows: Vec<&str> = out.lines().skip(3).take(2).collect();
        assert_eq!(
            rows,
            [
                " 1518  100.00  60.100  60.000  60.050     0.950     -0.900  0.910   0.033  24.290 ± 0.012  24.302 ± 0.015      20",
                "   64  100.00       -  60.000  60.050     0.950     -0.900  0.910   0.033               -               -      20  1,234 frames lost",
            ]
        );
    }
}
