//! The witness's result: for machines, and for people.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::report::{Ink, Row, Style, Tool, aligned, grouped, paragraphs};
use crate::verdict::{Outcome, Reason};

/// The value of `schema` in every result of this layout.
pub const SCHEMA: &str = "kitproof-witness-1";

/// What a witness heard, and what that says.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WitnessResult {
    /// The layout of this file: `kitproof-witness-1`.
    pub schema: String,
    pub tool: Tool,
    /// When it began to listen (RFC 3339).
    pub started: String,
    pub verdict: Option<Outcome>,
    pub reasons: Vec<Reason>,
    pub ports: Vec<Port>,
    /// One entry for each trial, direction and port, in the order they were heard.
    pub copies: Vec<Copy>,
    /// What one port that carries both directions can do; left out where none did or its rate is not known.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub aggregation: Vec<Aggregation>,
    /// Between the two copies of a frame, on its way out and on its way home; null where there were no pairs.
    pub skew_ns: Option<SkewTold>,
    /// Frames that were no test frames.
    pub other_frames: u64,
    /// Test frames of trials beyond those that are watched at once.
    pub unwatched_frames: u64,
}

/// A monitor port.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Port {
    pub host: String,
    pub interface: String,
    pub driver: Option<String>,
    /// Bit/s.
    pub speed: Option<u64>,
    /// Thrown away by our own socket.
    pub socket_dropped: u64,
    /// At most so many frames were dropped at this port, by these counters.
    pub max_drop: u64,
    pub max_drop_places: BTreeMap<String, u64>,
    /// How often carrier came or went while it listened; null where nobody tells.
    #[serde(default)]
    pub carrier_changes: Option<u64>,
    /// Whether the port is known to count what it drops.
    pub counts_drops: bool,
    /// Damaged frames that the NIC did not hand over.
    pub caught_by_nic: BTreeMap<String, u64>,
}

/// The copies of one trial, one way, at one port.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Copy {
    /// The trial's tag, as in the result of the run.
    pub tag: u16,
    /// `forward` or `return`.
    pub direction: String,
    pub interface: String,
    /// Bytes including FCS; null without the result of the run.
    pub frame_size: Option<u16>,
    /// Intended load, percent of line rate; null without the result of the run.
    pub load_percent: Option<f64>,
    /// Distinct frames handed over intact.
    pub handed_over: u64,
    /// Handed over, but not as they were sent.
    pub corrupted: u64,
    /// Whether damage in the fill shows: bare Ethernet frames have no checksum over it.
    pub fill_judged: bool,
    /// Handed over again.
    pub duplicates: u64,
    /// Handed over out of order (RFC 4737 section 3).
    pub reordered: u64,
    /// The highest sequence number and one, summed over the flows: without the result of the run, so many at least passed.
    pub highest: u64,
    /// Seconds from the first copy to the last.
    pub duration_s: f64,
    /// What passed, at least and at most: where the link lost frames, nobody knows on which side of the tap.
    pub passed: Option<Range>,
    /// Not handed over, at least and at most.
    pub missing: Option<Range>,
}

/// From and to, both included.
#[derive(Debug, Clone, std::marker::Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Range {
    pub least: u64,
    pub most: u64,
}

/// Two directions into one port.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Aggregation {
    pub tag: u16,
    pub interface: String,
    pub frame_size: u16,
    /// Intended load of each direction, percent of line rate.
    pub load_percent: f64,
    /// What the monitor port can send, bit/s.
    pub monitor_rate: u64,
    /// Both directions together, bit/s on the wire with preamble and gap.
    pub offered_bits_per_s: f64,
    /// So many frames cannot fit, however good the tap: what both directions carried beyond the port's rate.
    pub lost_by_arithmetic: u64,
    /// Missing beyond that, at least.
    pub lost_beyond: u64,
}

/// Nanoseconds from the copy of a frame on its way out to that on its way home.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SkewTold {
    pub pairs: u64,
    pub min: u64,
    pub p50: u64,
    pub p99: u64,
    pub max: u64,
    /// Pairs in which the copy of the frame on its way home came first.
    pub reversed: u64,
    pub most_reversed: u64,
}

impl WitnessResult {
    /// The result as a JSON document, ended by a line feed.
    ///
    /// # Errors
    /// Never, for results that were made here.
    pub fn to_json(&self) -> serde_json::Result<String> {
        serde_json::to_string_pretty(self).map(|text| text + "\n")
    }

    /// What a person reads.
    #[must_use]
    pub fn table(&self, ink: Ink) -> String {
        let mut out = String::new();
        let (word, style, meaning) = match self.verdict {
            Some(Outcome::Pass) => {
                ("P A S S", Style::Good, "The monitor side handed over every frame, intact and in order.")
            }
            Some(Outcome::Fail) => (
                "F A I L",
                Style::Bad,
                "The monitor side did not hand over every frame. The reasons are below.",
            ),
            Some(Outcome::Unproven) => (
                "U N P R O V E N",
                Style::Unsure,
                "Nothing is proven of the monitor side yet. What to do is below.",
            ),
            None => ("C O M P L E T E", Style::Strong, "What was heard is below."),
        };
        let rule = "=".repeat(100);
        out.push_str(&format!("{rule}\n   {}   {meaning}\n{rule}\n", ink.paint(style, word)));
        let range = |range: Option<Range>| match range {
            None => "?".to_owned(),
            Some(Range { least, most }) if least == most => grouped(most),
            Some(Range { least, most }) => format!("{}-{}", grouped(least), grouped(most)),
        };
        let headings = [
            ("", "port"),
            ("", "direction"),
            ("frame", "bytes"),
            ("load", "%"),
            ("", "passed"),
            ("handed", "over"),
            ("", "missing"),
            ("cor-", "rupted"),
            ("dupli-", "cates"),
            ("re-", "ordered"),
        ];
        let rows: Vec<Row> = self
            .copies
            .iter()
            .map(|copy| Row {
                cells: vec![
                    copy.interface.clone(),
                    copy.direction.clone(),
                    copy.frame_size.map_or("?".to_owned(), |size| size.to_string()),
                    copy.load_percent.map_or("?".to_owned(), |load| format!("{load:.2}")),
                    range(copy.passed),
                    grouped(copy.handed_over),
                    range(copy.missing),
                    grouped(copy.corrupted),
                    grouped(copy.duplicates),
                    grouped(copy.reordered),
                ],
                word: String::new(),
            })
            .collect();
        if !rows.is_empty() {
            aligned(&mut out, &headings, &rows, ink);
        }
        for one in &self.aggregation {
            out.push_str(&format!(
                "\n{}, {} bytes at {:.2} %: both directions are {:.1} Mb/s into {:.1} Mb/s; {} cannot fit, {} missing beyond that.\n",
                one.interface,
                one.frame_size,
                one.load_percent,
                one.offered_bits_per_s / 1e6,
                one.monitor_rate as f64 / 1e6,
                grouped(one.lost_by_arithmetic),
                grouped(one.lost_beyond),
            ));
        }
        if let Some(skew) = &self.skew_ns {
            out.push_str(&format!(
                "\nFrom the copy of a frame on its way out to that on its way home: {:.1} us at least, {:.1} us median, {:.1} us at most, of {} pairs; in {} the answer came before the question.\n",
                skew.min as f64 / 1e3,
                skew.p50 as f64 / 1e3,
                skew.max as f64 / 1e3,
                grouped(skew.pairs),
                grouped(skew.reversed),
            ));
        }
        paragraphs(&mut out, &self.reasons, ink);
        out
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    /// `KITPROOF_WRITE_SCHEMA=1 cargo test -p kitproof schema` writes it anew.
    #[test]
    fn the_published_witness_schema_is_current() {
        let schema = schemars::schema_for!(WitnessResult);
        let text = format!("{:#}\n", schema.to_value());
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("schema/witness.schema.json");
        if std::env::var_os("KITPROOF_WRITE_SCHEMA").is_some() {
            std::fs::write(&path, &text).unwrap();
        }
        let published = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(published == text, "{} is not what the types say", path.display());
    }
}
