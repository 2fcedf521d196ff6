//! The reference: what the pair does with no kit between its ports, measured once and kept, so that every later result
//! can tell the chain's share from the pair's.
//!
//! [`ports`] says which two ports a reference is of and whether they are still what they were, [`record`] what was
//! measured, [`store`] where it is kept, [`known`] what a run knows of it, [`added`] what is left when it is taken off.

pub mod added;
pub mod known;
pub mod ports;
pub mod record;
pub mod store;

pub use known::Known;
pub use ports::Ports;
pub use record::{ByClock, Clock, Delivered, Look, Record, Reference};
