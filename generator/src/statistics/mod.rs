//! Arithmetic over samples that other rooms have taken: no I/O, no clock, no policy.
//!
//! | file | idea |
//! | --- | --- |
//! | [`summary`] | mean, least, greatest, standard deviation |
//! | [`percentile`] | exact percentiles of samples: no interpolation, a value that was seen |
//! | [`delay_variation`] | PDV and IPDV (RFC 5481), jitter as RFC 4689 has it |
//! | [`jitter`] | interarrival jitter (RFC 3550), in nanoseconds and in the integer form of its appendix |
//! | [`stopping`] | what a confidence is worth to whoever stops as soon as it is reached |
//! | [`rank`] | two rows of samples against each other by their ranks: a test, and the distance |
//! | [`events`] | two counts of rare events against each other, exactly |
//! | [`fit`] | a straight line through points of known uncertainty, and how well the slope is known |

pub mod delay_variation;
pub mod events;
pub mod fit;
pub mod jitter;
pub mod percentile;
pub mod rank;
pub mod stopping;
pub mod summary;
