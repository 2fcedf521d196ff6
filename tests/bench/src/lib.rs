//! The bench without hardware: private namespaces, veth pairs and a software wire that commits exact faults.
//!
//! | room | promise |
//! | --- | --- |
//! | [`mod@enter`] | the privilege to build a bench, with or without root |
//! | [`room`] | a private network namespace that has no name and dies with the process |
//! | [`veth`] | a virtual cable between two rooms |
//! | [`mod@bench`] | generator and reflector rooms, with a wire and a monitor side where wanted |
//! | [`script`] | what the wire is told to do wrong |
//! | [`wire`] | the wire: a pure engine, its ports, its thread |
//! | [`ledger`] | exactly what the wire did |
//! | [`chance`] | chance that is the same on every run of a seed |
//! | [`classify`] | what kind of frame is this, read independently of the code under test |

pub mod bench;
pub mod chance;
pub mod classify;
pub mod enter;
pub mod ledger;
pub mod room;
pub mod script;
pub mod veth;
pub mod wire;

#[cfg(test)]
mod samples;

pub use bench::{Bench, Options};
pub use enter::{Privilege, enter};
pub use ledger::{Direction, Ledger};
pub use room::{Room, RoomChild};
pub use script::Script;
