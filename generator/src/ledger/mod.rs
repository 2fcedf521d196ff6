//! The ledger: the pieces in the bag, and every run with the chain it went through. One SQLite file, whole after any crash.
//! Nothing here touches a port.
//!
//! | file | idea |
//! | --- | --- |
//! | `error` | what can be wrong with the file, in one line with what to do |
//! | `store` | the file: opened, migrated, shared by several processes |
//! | `piece` | one thing in the bag |
//! | `chain` | pieces in order, each in its condition, as they were typed |
//! | `fibre` | fibre ends that were not seen clean since they were used |
//! | `inspection` | fibre ends as a person saw them, and pictures |
//! | `proven` | what the recorded passes prove |
//! | `runs` | runs with their whole result |
//! | `lines` | everything as JSON lines, out and in |
//! | `evidence` | what recorded trials say of the pieces |

mod chain;
mod error;
mod evidence;
mod fibre;
mod inspection;
mod lines;
mod piece;
mod proven;
mod runs;
mod store;

pub use chain::{Chain, Through};
pub use error::LedgerError;
pub use fibre::FibreEnds;
pub use inspection::{Cleaning, Inspection, Picture, Zone, Zones};
pub use lines::Imported;
pub use piece::{Kind, Piece, Retired, Side};
pub use runs::Recorded;
pub use store::{Ledger, usual_place};
