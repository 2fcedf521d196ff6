//! Policy over trials: whom to talk to, what to offer, what to make of it.
//!
//! [`session`] is the agreement with the reflector, [`trial`] one trial from learning frames to counts,
//! [`plan`] what the options mean on this interface, [`runner`] a whole run, and each procedure a policy over it:
//! [`prove`] is the main job.

pub mod back_to_back;
pub mod conduct;
pub mod failure;
pub mod fitness;
pub mod frame_loss_rate;
pub mod interruption;
pub mod isolation;
pub mod judged;
pub mod latency;
pub mod link_loss;
pub mod plan;
pub mod preflight;
pub mod prove;
pub mod reset;
pub mod result;
pub mod round_trips;
pub mod runner;
pub mod session;
pub mod soak;
pub mod system_recovery;
pub mod throughput;
pub mod transparency;
pub mod trial;
