//! Which kinds of frames passed, as the result has it and as a person reads it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::report::columns::{Row, aligned};
use crate::report::ink::{Ink, Style};

/// One kind of frame at one size.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Passage {
    /// Such as `PAUSE`, or `frames with one VLAN tag`.
    pub kind: String,
    /// Bytes including FCS.
    pub frame_size: u16,
    pub forward: Fate,
    #[serde(rename = "return")]
    pub homeward: Fate,
}

/// What became of it in one direction.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Fate {
    /// Some copies arrived, all of them as they were sent.
    pub passed: bool,
    /// Copies that arrived unchanged, and changed; of three.
    pub unchanged: u8,
    pub changed: u8,
    /// Arrivals beyond one of each copy.
    pub again: u8,
    /// How it was changed, such as `cut to 1600 bytes`; null where it was not.
    pub change: Option<String>,
    /// Whether the pair alone delivers it; null without a reference.
    pub pair_delivers: Option<bool>,
}

/// The largest untagged frame that passes unchanged, bytes including FCS; null where none does.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LargestFrame {
    pub forward: Option<u16>,
    #[serde(rename = "return")]
    pub homeward: Option<u16>,
}

/// One row for each kind.
pub(super) fn transparency(out: &mut String, all: &[Passage], largest: Option<LargestFrame>, ink: Ink) {
    let headings = [("", "kind of frame"), ("sizes", "bytes"), ("", "forward"), ("", "return")];
    let rows: Vec<Row> = all
        .chunk_by(|one, other| one.kind == other.kind)
        .map(|sizes| {
            let passed = sizes.iter().all(|one| one.forward.passed && one.homeward.passed);
            let span = match sizes {
                [one] => one.frame_size.to_string(),
                [first, .., last] => format!("{}-{}", first.frame_size, last.frame_size),
                [] => String::new(),
            };
            Row {
                cells: vec![
                    sizes[0].kind.clone(),
                    span,
                    fate(sizes, |one| &one.forward),
                    fate(sizes, |one| &one.homeward),
                ],
                word: if passed { String::new() } else { ink.paint(Style::Unsure, "<-").into_owned() },
            }
        })
        .collect();
    aligned(out, &headings, &rows, ink);
    if let Some(largest) = largest {
        let size = |size: Option<u16>| size.map_or("none".to_owned(), |size| format!("{size} bytes"));
        out.push_str(&format!(
            "The largest untagged frame that passes: {} forward, {} on return.\n",
            size(largest.forward),
            size(largest.homeward)
        ));
    }
}

fn fate(sizes: &[Passage], way: fn(&Passage) -> &Fate) -> String {
    let passed = sizes.iter().filter(|one| way(one).passed).count();
    let mut changes: Vec<&str> = sizes.iter().filter_map(|one| way(one).change.as_deref()).collect();
    changes.sort_unstable();
    changes.dedup();
    match (passed, changes.as_slice()) {
        (all, []) if all == sizes.len() => "passes".to_owned(),
        (0, []) => "does not arrive".to_owned(),
        (some, []) => format!("{some} of {} sizes", sizes.len()),
        (0, [change]) => (*change).to_owned(),
        (some, _) => format!("{some} of {} sizes, others changed", sizes.len()),
    }
}
