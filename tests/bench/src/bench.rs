//! A whole bench: a room for the generator, one for the reflector, and between them a cable or a wire.

use anyhow::Context;

use crate::ledger::Ledger;
use crate::room::Room;
use crate::script::Script;
use crate::veth::{self, Ends};
use crate::wire::{Line, PacketPort, WireHandle, WirePort};

/// The generator's interface, in its room.
pub const GENERATOR_PORT: &str = "kp0";
/// The reflector's interface, in its room.
pub const REFLECTOR_PORT: &str = "kp1";
/// The witness's interface, in its room.
pub const WITNESS_PORT: &str = "kp2";

/// How a bench's cables are made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Options {
    /// Interface MTU: the longest untagged frame, FCS included, is 18 octets more.
    pub mtu: u32,
    /// Queues of each direction at each port of the generator and the reflector.
    pub queues: u32,
}

impl Default for Options {
    fn default() -> Self {
        Self { mtu: 1500, queues: 1 }
    }
}

/// A private bench. Everything on it ends when it is dropped, or when the process does.
#[derive(Debug)]
pub struct Bench {
    // The wire is stopped before the rooms go.
    wire: Option<WireHandle>,
    pub generator: Room,
    pub reflector: Room,
    /// Where a witness sits; only with a monitor side.
    pub witness: Option<Room>,
    _wire_room: Option<Room>,
}

impl Bench {
    /// Generator and reflector back to back.
    pub fn direct(options: Options) -> anyhow::Result<Self> {
        let (generator, reflector) = (Room::new("generator")?, Room::new("reflector")?);
        let ends = Ends { one: (&generator, GENERATOR_PORT), other: (&reflector, REFLECTOR_PORT) };
        veth::lay(ends, options.mtu, options.queues)?;
        Ok(Self { wire: None, generator, reflector, witness: None, _wire_room: None })
    }

    /// Generator and reflector with a software wire between. If the script has a monitor side, there is a room for
    /// a witness too.
    pub fn with_wire(script: Script, options: Options) -> anyhow::Result<Self> {
        let (generator, reflector) = (Room::new("generator")?, Room::new("reflector")?);
        let room = Room::new("wire")?;
        let lay = |one, other| veth::lay(Ends { one, other }, options.mtu, options.queues);
        lay((&generator, GENERATOR_PORT), (&room, "near"))?;
        lay((&reflector, REFLECTOR_PORT), (&room, "far"))?;
        let witness = match script.monitor {
            Some(_) => {
                let witness = Room::new("witness")?;
                lay((&witness, WITNESS_PORT), (&room, "monitor"))?;
                Some(witness)
            }
            None => None,
        };
        let wire = room.run(move || {
            WireHandle::start(move || {
                let open = |interface: &str| -> anyhow::Result<Box<dyn WirePort>> {
                    Ok(Box::new(PacketPort::open(interface, options.mtu)?))
                };
                let monitor = script.monitor.is_some().then(|| open("monitor")).transpose()?;
                Line::new(script, open("near")?, open("far")?, monitor)
            })
        })?;
        Ok(Self { wire: Some(wire), generator, reflector, witness, _wire_room: Some(room) })
    }

    /// The wire's account up to now.
    pub fn ledger_so_far(&self) -> anyhow::Result<Ledger> {
        self.wire.as_ref().context("this bench has no wire")?.ledger_so_far()
    }

    /// Stops the wire, after which nothing passes any more; its account.
    pub fn stop_wire(&mut self) -> anyhow::Result<Ledger> {
        self.wire.take().context("this bench has no wire, or it was stopped before")?.stop()
    }
}
