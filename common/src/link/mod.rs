//! What the host knows of an interface, by netlink and ioctl only.
//!
//! Never `/sys/class/net`: it shows the network namespace that it was mounted in, which need not be the caller's.
//! Every netlink socket is made in the calling thread and thus asks about that thread's network namespace. The
//! `async` functions want a tokio runtime with I/O and time enabled; they start the task that serves their socket
//! themselves and end it before they return. None of them needs privilege.
//!
//! A fact that the host does not tell is `None`: unknown, and never invented. Facts and counters are taken before and
//! after every trial; what a carrier change means is judged with [`carrier`].

pub mod abilities;
pub mod bounds;
mod by_index;
pub mod carrier;
pub mod counters;
mod decode;
pub mod error;
pub mod facts;
pub mod fit;
pub mod host;
pub mod optics;
pub mod query;
mod wireless;

pub use abilities::{XdpAbilities, xdp_abilities};
pub use bounds::{Entry, Meaning, PortDrops, TABLE, Way, bounds, counts_drops, direction};
pub use carrier::{CarrierEvent, CarrierWatch, HostDid};
pub use counters::Counters;
pub use error::LinkError;
pub use facts::{Duplex, Eee, LinkFacts, LinkKind, NicStamps, Offloads, Pause, Queues, Rings, Stamping};
pub use fit::{Point, State, fit, fit_host};
pub use host::{HostFacts, Steal, clocksource, host};
pub use optics::Optics;
pub use query::{counters, default_route_interfaces, facts, list};
