//! System recovery, as the result has it and as a person reads it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Ending, or_dash};
use crate::report::LoadFigures;
use crate::report::columns::{Row, aligned};
use crate::report::ink::{Ink, Style};

/// How long the kit went on losing frames after an overload, at one frame size.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Recovery {
    /// Bytes including FCS.
    pub frame_size: u16,
    /// `at_the_limit`: the overload lost nothing. `none_found`: frames were lost to the end.
    pub ending: Ending,
    /// What the overload was reckoned by, the overload (110 % of it, or the line), and half of that.
    pub throughput: LoadFigures,
    pub overload: LoadFigures,
    pub then: LoadFigures,
    /// Seconds from the first frame at the lower load to the departure of the last frame lost; the mean of all values, 0 if
    /// none was lost from then on.
    pub recovery_s: Option<f64>,
    pub minimum_s: Option<f64>,
    pub maximum_s: Option<f64>,
    pub standard_deviation_s: Option<f64>,
    /// The time between two frames at the lower load.
    pub resolution_s: Option<f64>,
    /// Of trials that proved nothing: it was no longer than this.
    pub at_most_s: Option<f64>,
    pub values: u64,
    pub spoiled_values: u64,
}

pub(super) fn recovery(out: &mut String, all: &[Recovery], ink: Ink) {
    let headings = [
        ("frame", "bytes"),
        ("throughput", "%"),
        ("overload", "%"),
        ("then", "%"),
        ("recovery", "ms"),
        ("", "least"),
        ("", "most"),
        ("standard", "deviation"),
        ("resolution", "ms"),
        ("", "values"),
    ];
    let ms = |seconds: Option<f64>| or_dash(seconds, |seconds| format!("{:.3}", seconds * 1e3));
    let rows: Vec<Row> = all
        .iter()
        .map(|one| Row {
            cells: vec![
                one.frame_size.to_string(),
                format!("{:.2}", one.throughput.percent),
                format!("{:.2}", one.overload.percent),
                format!("{:.2}", one.then.percent),
                ms(one.recovery_s),
                ms(one.minimum_s),
                ms(one.maximum_s),
                ms(one.standard_deviation_s),
                ms(one.resolution_s),
                one.values.to_string(),
            ],
            word: match one.ending {
                Ending::Found => String::new(),
                Ending::AtTheLimit => ink.paint(Style::Good, "no overload: nothing lost").into_owned(),
                Ending::NoneFound => ink.paint(Style::Bad, "lost to the end").into_owned(),
                Ending::NotProven => ink.paint(Style::Unsure, "not proven").into_owned(),
                Ending::Unfinished => ink.paint(Style::Unsure, "not finished").into_owned(),
            },
        })
        .collect();
    aligned(out, &headings, &rows, ink);
}
