//! How the AF_XDP sockets of an interface are used.

use serde::{Deserialize, Serialize};

/// What is asked for, or what really runs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Manner {
    /// The NIC reads and writes the frames where the process has them; without it the kernel copies each once.
    pub zero_copy: bool,
    /// The process calls the driver for frames, in place of interrupts.
    pub busy_poll: bool,
}

impl Manner {
    /// The word for how frames pass between driver and process.
    #[must_use]
    pub fn mode(self) -> &'static str {
        if self.zero_copy { "zero-copy" } else { "copy" }
    }
}
