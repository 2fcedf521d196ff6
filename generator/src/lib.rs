//! The generator: drives traffic through a chain of kit and judges what came home.
//!
//! Dependencies run one way: [`procedure`] (policy over trials) → [`engine`] (the hot loops of one trial) →
//! `kitproof-common`. [`method`], [`verdict`] and [`statistics`] are pure: what to offer next, what the counts prove, what
//! samples come to. The command line sits on top.

pub mod cli;
pub mod comparison;
pub mod demo;
pub mod elimination;
pub mod engine;
pub mod evidence;
pub mod journal;
pub mod ledger;
pub mod method;
pub mod page;
pub mod procedure;
pub mod reference;
pub mod regression;
pub mod report;
pub mod sheet;
pub mod state;
pub mod statistics;
pub mod verdict;
pub mod witness;
