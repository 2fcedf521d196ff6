//! Figures in columns, right-aligned under two lines of heading.

use std::fmt::Write;

use super::ink::{Ink, Style};

/// One row: its cells, and what stands behind them unaligned (it may hold colour).
pub(crate) struct Row {
    pub(crate) cells: Vec<String>,
    pub(crate) word: String,
}

/// Headings are two lines for each column.
pub(crate) fn aligned(out: &mut String, headings: &[(&str, &str)], rows: &[Row], ink: Ink) {
    let width = |i: usize| {
        let (upper, lower) = headings[i];
        rows.iter()
            .map(|row| row.cells[i].chars().count())
            .chain([upper.len(), lower.len()])
            .max()
            .unwrap_or(0)
    };
    let widths: Vec<usize> = (0..headings.len()).map(width).collect();
    let line = |texts: Vec<&str>| {
        let padded = texts.iter().zip(&widths).map(|(text, width)| format!("{text:>width$}"));
        padded.collect::<Vec<_>>().join("  ")
    };
    out.push('\n');
    for heading in [
        line(headings.iter().map(|heading| heading.0).collect()),
        line(headings.iter().map(|heading| heading.1).collect()),
    ] {
        let _ = writeln!(out, "{}", ink.paint(Style::Faint, heading.trim_end()));
    }
    for row in rows {
        let word = if row.word.is_empty() { String::new() } else { format!("  {}", row.word) };
        let _ = writeln!(out, "{}{word}", line(row.cells.iter().map(String::as_str).collect()));
    }
}
