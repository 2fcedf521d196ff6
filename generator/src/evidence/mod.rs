//! Evidence: the frames around every loss, duplicate, reordering and damage, in a capture file that any dissector reads.
//!
//! | file | idea |
//! | --- | --- |
//! | `pcapng` | the blocks of the file format |
//! | `writer` | a thread that writes down what receivers keep, and what each trial came to |

mod pcapng;
mod writer;

pub use writer::{Writing, begin};

/// Why a routed path has none.
pub const OVER_UDP: &str = "over UDP frames arrive without their headers; name an interface";
