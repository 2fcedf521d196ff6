//! Proof by elimination: which piece is to blame. Pure: no database, no clock.
//!
//! A pass clears every piece of its chain as far as its frames reach; a fail says that at least one piece of its chain is
//! bad. What explains all fails given all passes are the minimal hitting sets of the fails.
//!
//! | file | idea |
//! | --- | --- |
//! | [`set`] | a set of the bag's pieces |
//! | [`hitting`] | minimal hitting sets (Reiter 1987) |
//! | [`observation`] | what trials say of the pieces they went through: suspects, and what clears them |
//! | [`posterior`] | how probable each explanation is |
//! | [`ends`] | connectors, and which of them go together |
//! | [`words`] | what is proven, in words |
//! | [`buildable`] | which chains can be built from the pieces at hand |
//! | [`proof`] | what is proven of a piece, and what makes a proof stale |
//! | [`next`] | which of them tells most |

pub mod buildable;
pub mod ends;
pub mod hitting;
pub mod next;
pub mod observation;
pub mod posterior;
pub mod proof;
pub mod set;
#[cfg(test)]
mod simulation;
pub mod words;
