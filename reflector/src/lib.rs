//! The reflector: returns every test frame of a session it has agreed to, and keeps its own counts.
//!
//! [`turning`] is what happens to a frame (pure), [`worker`] the thread it happens on, [`service`] the
//! sessions, [`isolation`] the listening before the first one, [`medium`] what it is all attached to.

pub mod isolation;
pub mod medium;
pub mod own;
pub mod probes;
pub mod service;
pub mod turning;
pub mod worker;
