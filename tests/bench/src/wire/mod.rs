//! The software wire: joins two ports, hands frames on in both directions, and does exactly the wrong that its
//! [`Script`](crate::script::Script) asks for, with its own [`Ledger`](crate::ledger::Ledger) of it.
//!
//! [`Engine`] is pure: frames and time go in, frames come out. [`Line`] joins it to ports; [`WireHandle`] runs a
//! line on a thread of its own.

mod bottleneck;
mod checksum;
mod engine;
mod events;
mod flip;
mod handle;
mod line;
mod memory;
mod monitor;
mod opaque;
mod packet;
mod plan;
mod plug;
mod port;
mod trial;

pub use engine::{About, Edge, Engine, Outlet, Side};
pub use handle::WireHandle;
pub use line::Line;
pub use memory::{MemoryPort, memory_cable};
pub use packet::PacketPort;
pub use plug::Plug;
pub use port::{Outbox, TURN, WirePort};
