//! The generator: drives traffic through a chain of kit and judges what came home.
//!
//! Dependencies run one way: [`procedure`] (policy over trials) → [`engine`] (the hot loops of one trial) →
//! `kitproof-common`. [`verdict`] is pure arithmetic over counts; the command line sits on top.

pub mod cli;
pub mod demo;
pub mod engine;
pub mod procedure;
pub mod report;
pub mod verdict;
