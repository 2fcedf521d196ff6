//! Policy over trials: whom to talk to, what to offer, what to make of it.
//!
//! [`session`] is the agreement with the reflector, [`trial`] one trial from learning frames to counts,
//! [`plan`] what the options mean on this interface, [`prove`] the main job.

pub mod failure;
pub mod isolation;
pub mod judged;
pub mod plan;
pub mod preflight;
pub mod prove;
pub mod result;
pub mod session;
pub mod trial;
