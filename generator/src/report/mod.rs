//! Results: the JSON contract, CSV, files, and the table on the terminal. Nothing here touches a port.
//!
//! | file | idea |
//! | --- | --- |
//! | `result` | the types of the result JSON, one for every command |
//! | `findings` | what the standard procedures find |
//! | `schema` | their JSON Schema, as published in `generator/schema/` |
//! | `files` | a result file is whole or not there at all |
//! | `csv` | one line a trial |
//! | `table` | what a person reads at arm's length |
//! | `columns` | figures in columns |
//! | `ink` | colour, where it is wanted |

mod columns;
mod csv;
mod files;
mod findings;
mod ink;
mod result;
mod schema;
mod table;

pub(crate) use columns::{Row, aligned};
pub use csv::csv;
pub use files::{WriteError, write};
pub use findings::{
    Added, Bursts, CarrierDown, Conduct, Ending, Fate, Figure, Findings, FrameLoss, Interruption, KindOfBox,
    LargestFrame, Latency, LinkLoss, Outage, OutageKind, OutageLength, Passage, PortSeen, Recovery,
    ReferenceUsed, Reset, Soak, SoakWay, Throughput,
};
pub use ink::{Ink, Style};
pub use result::{
    ChainPiece, ClimbTold, Clocks, DelayVariation, Direction, Endpoint, Floor, Ipdv, LoadFigures,
    LoadWindows, LossBound, LossPeriod, MixTold, MixedSize, OddWindow, OpticsTold, Pair, RoundTrip,
    RoundTripCourse, RunResult, SCHEMA, TaggedFrame, Tool, TrialResult, TunedSetting, typed,
};
pub use schema::schema_text;
pub(crate) use table::reasons as paragraphs;
pub use table::table;

#[cfg(test)]
pub(crate) use result::sample::passed as sample_run;

/// `1234567` as `1,234,567`.
pub fn grouped(count: u64) -> String {
    crate::verdict::words::grouped(count)
}
