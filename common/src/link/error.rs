//! What can go wrong when the host is asked about an interface.

use std::io;

use thiserror::Error;

/// A question about an interface that the host did not answer.
#[derive(Debug, Error)]
pub enum LinkError {
    /// The name is not that of an interface in this network namespace.
    #[error(
        "no interface named {name} here; interfaces: {}. Check the name with `ip link`; \
         an interface in another network namespace is not visible from this one",
        if present.is_empty() { "none".to_owned() } else { present.join(", ") }
    )]
    NoSuchInterface {
        /// The name that was asked for.
        name: String,
        /// The names that exist, in the kernel's order.
        present: Vec<String>,
    },
    /// A netlink socket could not be opened.
    #[error(
        "could not open a netlink socket to ask about {about}: {source}. Netlink needs no privilege; \
         a sandbox or a seccomp filter may forbid it"
    )]
    Socket {
        /// What was to be asked.
        about: String,
        /// The system's reason.
        source: io::Error,
    },
    /// The kernel answered with an error.
    #[error("the kernel refused to tell {about}: {reason}")]
    Refused {
        /// What was asked.
        about: String,
        /// The kernel's reason.
        reason: String,
    },
    /// No usable answer came within [`PATIENCE`](super::query::PATIENCE).
    #[error(
        "the kernel gave no usable answer about {about} within {seconds} s; try again, and report it if it stays"
    )]
    NoAnswer {
        /// What was asked.
        about: String,
        /// How long it was waited for.
        seconds: u64,
    },
}
