//! The monitor side of a tap: what it handed over of what passed.
//!
//! A witness only listens. It knows nothing of the pair: what passed is told by the result of the run, afterwards.
//!
//! | file | idea |
//! | --- | --- |
//! | [`tally`] | frames as they come, counted by trial, direction and port; no port, no clock |
//! | [`listen`] | the ports, and until when |
//! | [`judge`] | what was handed over, against what passed |
//! | [`told`] | the result, for machines and for people |
//! | [`probe_back`] | frames sent into the monitor side must never appear in the link |

pub mod judge;
pub mod listen;
pub mod probe_back;
pub mod tally;
pub mod told;
