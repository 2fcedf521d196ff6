//! What the procedures found, as a person reads it.

use std::fmt::Write;

use super::{Bursts, Ending, Findings, FrameLoss, Throughput};
use super::{latency, link_loss, outages, recovery, soak, transparency};
use crate::report::columns::{Row, aligned};
use crate::report::ink::{Ink, Style};
use crate::verdict::words::grouped;

/// Every finding there is in a table of its own; empty if there is none.
pub(in crate::report) fn tables(findings: &Findings, ink: Ink) -> String {
    let mut out = String::new();
    if let Some(conduct) = &findings.conduct {
        let style = if conduct.by_the_letter { Style::Strong } else { Style::Unsure };
        let _ = writeln!(out, "\n{}", ink.paint(style, &conduct.words));
    }
    if let Some(one) = &findings.soak {
        soak::soak(&mut out, one, ink);
    }
    if !findings.throughput.is_empty() {
        throughput(&mut out, &findings.throughput, ink);
    }
    if !findings.latency.is_empty() {
        latency::latency(&mut out, &findings.latency, ink);
    }
    if let Some(kind) = &findings.kind_of_box {
        latency::kind_of_box(&mut out, kind, ink);
    }
    if !findings.frame_loss.is_empty() {
        frame_loss(&mut out, &findings.frame_loss, ink);
    }
    if !findings.bursts.is_empty() {
        bursts(&mut out, &findings.bursts, ink);
    }
    if !findings.recovery.is_empty() {
        recovery::recovery(&mut out, &findings.recovery, ink);
    }
    if !findings.transparency.is_empty() {
        transparency::transparency(&mut out, &findings.transparency, findings.largest_frame, ink);
    }
    if !findings.link_loss.is_empty() {
        link_loss::link_loss(&mut out, &findings.link_loss, ink);
    }
    if !findings.resets.is_empty() {
        outages::resets(&mut out, &findings.resets, ink);
    }
    if !findings.interruption.is_empty() {
        outages::outages(&mut out, &findings.outages, ink);
        outages::interruption(&mut out, &findings.interruption, ink);
    }
    out
}

pub(super) fn or_dash<T>(value: Option<T>, show: impl Fn(T) -> String) -> String {
    value.map_or("-".to_owned(), show)
}

fn throughput(out: &mut String, all: &[Throughput], ink: Ink) {
    let headings = [
        ("frame", "bytes"),
        ("throughput", "frames/s"),
        ("", "Mbit/s"),
        ("of line", "%"),
        ("line carries", "frames/s"),
        ("resolution", "%"),
        ("", "trials"),
        ("of them", "repeated"),
    ];
    let rows: Vec<Row> = all
        .iter()
        .map(|one| Row {
            cells: vec![
                one.frame_size.to_string(),
                or_dash(one.frames_per_s, |rate| grouped(rate.floor() as u64)),
                or_dash(one.bits_per_s, |rate| format!("{:.3}", rate / 1e6)),
                or_dash(one.percent_of_line, |percent| format!("{percent:.2}")),
                grouped(one.maximum_frames_per_s.floor() as u64),
                format!("{}", one.resolution),
                one.trials.to_string(),
                one.unproven_trials.to_string(),
            ],
            word: word(one.ending, ink),
        })
        .collect();
    aligned(out, &headings, &rows, ink);
}

fn frame_loss(out: &mut String, all: &[FrameLoss], ink: Ink) {
    let headings = [
        ("frame", "bytes"),
        ("load", "%"),
        ("", "frames/s"),
        ("", "offered"),
        ("", "home"),
        ("missing", "forward"),
        ("missing", "return"),
        ("loss", "%"),
        ("by the kit", "%"),
    ];
    let percent = |value: Option<f64>| or_dash(value, |value| format!("{value:.4}"));
    let rows: Vec<Row> = all
        .iter()
        .map(|one| Row {
            cells: vec![
                one.frame_size.to_string(),
                format!("{:.2}", one.load.percent),
                grouped(one.load.frames_per_s.floor() as u64),
                grouped(one.offered_frames),
                grouped(one.returned_frames),
                grouped(one.forward),
                grouped(one.homeward),
                percent(one.loss_percent),
                percent(one.by_kit_percent),
            ],
            word: if one.spoiled_by_pair {
                ink.paint(Style::Unsure, "spoiled by the pair").into_owned()
            } else {
                String::new()
            },
        })
        .collect();
    aligned(out, &headings, &rows, ink);
}

fn bursts(out: &mut String, all: &[Bursts], ink: Ink) {
    let headings = [
        ("frame", "bytes"),
        ("burst", "frames"),
        ("", "least"),
        ("", "most"),
        ("standard", "deviation"),
        ("", "values"),
        ("buffer", "frames"),
        ("buffer", "us"),
    ];
    let rows: Vec<Row> = all
        .iter()
        .map(|one| Row {
            cells: vec![
                one.frame_size.to_string(),
                or_dash(one.frames, |frames| format!("{frames:.1}")),
                or_dash(one.minimum, grouped),
                or_dash(one.maximum, grouped),
                or_dash(one.standard_deviation, |deviation| format!("{deviation:.1}")),
                one.values.to_string(),
                or_dash(one.corrected_buffer_frames, |frames| format!("{frames:.1}")),
                or_dash(one.corrected_buffer_s, |time| format!("{:.1}", time * 1e6)),
            ],
            word: word(one.ending, ink),
        })
        .collect();
    aligned(out, &headings, &rows, ink);
}

fn word(ending: Ending, ink: Ink) -> String {
    let (style, words) = match ending {
        Ending::Found => return String::new(),
        Ending::NoneFound => (Style::Bad, "loses at every load"),
        Ending::AtTheLimit => (Style::Good, "no limit met"),
        Ending::NotProven => (Style::Unsure, "not proven beyond"),
        Ending::Unfinished => (Style::Unsure, "not finished"),
    };
    ink.paint(style, words).into_owned()
}
