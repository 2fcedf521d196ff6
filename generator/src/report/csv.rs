//! One line a trial, for spreadsheets (RFC 4180 quoting, line feeds).

use serde_json::Value;

use super::RunResult;

/// Columns, by their place in a trial of the result JSON.
const COLUMNS: &[&str] = &[
    "frame_size",
    "verdict",
    "intended_load.percent",
    "intended_load.frames_per_s",
    "intended_load.bits_per_s",
    "offered_load.percent",
    "offered_load.frames_per_s",
    "offered_load.bits_per_s",
    "duration_s",
    "offered_frames",
    "reached_reflector",
    "reached_reflector_distinct",
    "reflected_frames",
    "returned_frames",
    "lost_forward",
    "lost_return",
    "lost_direction_unknown",
    "corrupted",
    "corrupted_forward",
    "corrupted_return",
    "corrupted_copies",
    "duplicates",
    "duplicates_forward",
    "duplicates_return",
    "reordered",
    "reordered_forward",
    "reordered_return",
    "late_frames",
    "foreign_frames",
    "pair_drops",
    "surplus_drops",
    "max_pair_drop.forward",
    "max_pair_drop.return",
    "caught_by_nic",
    "unaccounted",
    "longest_burst.sent",
    "longest_burst.returned",
    "round_trip_ns.min",
    "round_trip_ns.p50",
    "round_trip_ns.p90",
    "round_trip_ns.p99",
    "round_trip_ns.p99_9",
    "round_trip_ns.max",
    "round_trip_ns.samples",
    "round_trip_ns.excluded",
    "tagged_frame.round_trip_ns",
    "delay_variation.pdv_99_9_ns",
    "delay_variation.ipdv_ns.least",
    "delay_variation.ipdv_ns.greatest",
    "delay_variation.jitter_ns",
    "added.clock",
    "added.minimum.ns",
    "added.minimum.uncertainty_ns",
    "added.median.ns",
    "added.median.uncertainty_ns",
    "climb.excess_ppm",
    "loss_bound.confidence",
    "loss_bound.forward",
    "loss_bound.return",
    "loss_periods",
];

/// The trials of a run as CSV with a header line. Places with their counts stand as `place=n place=n`, loss periods as
/// `direction first+length`. What is not known is empty.
pub fn csv(result: &RunResult) -> serde_json::Result<String> {
    let mut text = COLUMNS.join(",") + "\n";
    for trial in &result.trials {
        let trial = serde_json::to_value(trial)?;
        let row: Vec<String> = COLUMNS
            .iter()
            .map(|column| quoted(&cell(trial.pointer(&format!("/{}", column.replace('.', "/"))))))
            .collect();
        text += &row.join(",");
        text.push('\n');
    }
    Ok(text)
}

fn cell(value: Option<&Value>) -> String {
    match value {
        None | Some(Value::Null) => String::new(),
        Some(Value::String(text)) => text.clone(),
        Some(Value::Object(places)) => {
            places.iter().map(|(place, n)| format!("{place}={n}")).collect::<Vec<_>>().join(" ")
        }
        Some(Value::Array(periods)) => {
            let period = |p: &Value| format!("{} {}+{}", cell(p.get("direction")), p["first"], p["length"]);
            periods.iter().map(period).collect::<Vec<_>>().join("; ")
        }
        Some(other) => other.to_string(),
    }
}

fn quoted(cell: &str) -> String {
    if cell.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", cell.replace('"', "\"\""))
    } else {
        cell.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::result::sample;

    #[test]
    fn one_line_a_trial_under_the_names_of_the_json() {
        let text = csv(&sample::failed()).unwrap();
        let rows: Vec<Vec<&str>> = text.lines().map(|line| line.split(',').collect()).collect();
        assert_eq!(rows.len(), 3);
        assert!(rows.iter().all(|row| row.len() == COLUMNS.len()));
        let at = |row: usize, column: &str| rows[row][COLUMNS.iter().position(|c| *c == column).unwrap()];
        assert_eq!(at(1, "frame_size"), "64");
        assert_eq!(at(1, "verdict"), "pass");
        assert_eq!(at(1, "offered_frames"), "14880952");
        assert_eq!(at(1, "pair_drops"), "");
        assert_eq!(at(2, "verdict"), "fail");
        assert_eq!(at(2, "lost_forward"), "10");
        assert_eq!(at(2, "pair_drops"), "reflector_receive=1");
        assert_eq!(at(2, "longest_burst.returned"), "2");
        assert_eq!(at(2, "loss_periods"), "forward 40+10");
    }

    /// A column that names nothing would be empty for ever.
    #[test]
    fn every_column_names_a_field() {
        let trial = serde_json::to_value(&sample::failed().trials[1]).unwrap();
        for column in COLUMNS {
            assert!(trial.pointer(&format!("/{}", column.replace('.', "/"))).is_some(), "{column}");
        }
        let unheard = csv(&sample::unheard()).unwrap();
        assert!(unheard.lines().nth(1).unwrap().contains(",1000,,,,600,0,0,400,"), "{unheard}");
    }

    #[test]
    fn cells_are_quoted_where_they_must_be() {
        assert_eq!(quoted("plain text"), "plain text");
        assert_eq!(quoted("a,b"), "\"a,b\"");
        assert_eq!(quoted("say \"x\""), "\"say \"\"x\"\"\"");
    }
}
