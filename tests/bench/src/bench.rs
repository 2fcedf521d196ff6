//! A whole bench: a room for the generator, one for the reflector, and between them a cable or a wire.

use std::net::UdpSocket;

use anyhow::Context;
use kitproof_common::host;
use kitproof_common::port::xdp::BareProgram;

use crate::ledger::{Direction, Ledger};
use crate::room::Room;
use crate::script::Script;
use crate::veth::{self, Ends};
use crate::wire::{Line, PacketPort, Plug, Side, WireHandle, WirePort};

/// The generator's interface, in its room.
pub const GENERATOR_PORT: &str = "kp0";
/// The reflector's interface, in its room.
pub const REFLECTOR_PORT: &str = "kp1";
/// The witness's interface, in its room.
pub const WITNESS_PORT: &str = "kp2";

/// The wire's own ports, in its room: the generator's side and the reflector's.
const NEAR: &str = "near";
const FAR: &str = "far";

/// How a bench's cables are made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Options {
    /// Interface MTU: the longest untagged frame, FCS included, is 18 octets more.
    pub mtu: u32,
    /// Queues of each direction at each port of the generator and the reflector.
    pub queues: u32,
    /// Puts a program that lets everything pass on both ends of the wire: without one on the peer, a veth loses what is
    /// sent back by XDP_TX.
    pub xdp: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self { mtu: 1500, queues: 1, xdp: false }
    }
}

/// A private bench. Everything on it ends when it is dropped, or when the process does.
#[derive(Debug)]
pub struct Bench {
    // The wire is stopped before the rooms go.
    wire: Option<WireHandle>,
    _programs: Vec<BareProgram>,
    pub generator: Room,
    pub reflector: Room,
    /// Where a witness sits; only with a monitor side.
    pub witness: Option<Room>,
    wire_room: Option<Room>,
    options: Options,
}

impl Bench {
    /// Generator and reflector back to back.
    pub fn direct(options: Options) -> anyhow::Result<Self> {
        let (generator, reflector) = (Room::new("generator")?, Room::new("reflector")?);
        let bench = Self {
            wire: None,
            _programs: Vec::new(),
            generator,
            reflector,
            witness: None,
            wire_room: None,
            options,
        };
        bench.plug_adapter_in()?;
        Ok(bench)
    }

    /// Takes the generator's port away altogether, as a USB adapter that drops off; the cable goes with it. Only back to back.
    pub fn drop_adapter(&self) -> anyhow::Result<()> {
        anyhow::ensure!(self.wire_room.is_none(), "this bench has a wire");
        veth::remove(&self.generator, GENERATOR_PORT)
    }

    /// Puts it back, with another address.
    pub fn plug_adapter_in(&self) -> anyhow::Result<()> {
        let ends = Ends { one: (&self.generator, GENERATOR_PORT), other: (&self.reflector, REFLECTOR_PORT) };
        veth::lay(ends, self.options.mtu, self.options.queues)
    }

    /// Generator and reflector with a software wire between. If the script has a monitor side, there is a room for
    /// a witness too.
    pub fn with_wire(script: Script, options: Options) -> anyhow::Result<Self> {
        Self::made(script, options, false)
    }

    /// The same with the witness's port in the generator's room, as on a machine that does both.
    pub fn with_witness_beside(script: Script, options: Options) -> anyhow::Result<Self> {
        Self::made(script, options, true)
    }

    fn made(script: Script, options: Options, beside: bool) -> anyhow::Result<Self> {
        let (generator, reflector) = (Room::new("generator")?, Room::new("reflector")?);
        let room = Room::new("wire")?;
        let lay = |one, other| veth::lay(Ends { one, other }, options.mtu, options.queues);
        lay((&generator, GENERATOR_PORT), (&room, NEAR))?;
        lay((&reflector, REFLECTOR_PORT), (&room, FAR))?;
        let witness = match script.monitor {
            Some(_) if beside => {
                lay((&generator, WITNESS_PORT), (&room, "monitor"))?;
                None
            }
            Some(_) => {
                let witness = Room::new("witness")?;
                lay((&witness, WITNESS_PORT), (&room, "monitor"))?;
                Some(witness)
            }
            None => None,
        };
        let programs =
            if options.xdp { vec![let_pass(&room, NEAR)?, let_pass(&room, FAR)?] } else { Vec::new() };
        let wire = start_wire(&room, script, options)?;
        Ok(Self {
            wire: Some(wire),
            _programs: programs,
            generator,
            reflector,
            witness,
            wire_room: Some(room),
            options,
        })
    }

    /// Puts another wire in place of the one there is: the same cables, a new script and a new ledger. Returns the
    /// old wire's account. A script with a monitor side needs a bench that was made with one.
    pub fn change_script(&mut self, script: Script) -> anyhow::Result<Ledger> {
        let ledger = self.stop_wire()?;
        let room = self.wire_room.as_ref().context("this bench has no wire")?;
        self.wire = Some(start_wire(room, script, self.options)?);
        Ok(ledger)
    }

    /// Pulls the plug out of the wire at one side (the port there loses its carrier), or puts it back.
    pub fn plug(&self, direction: Direction, plugged: bool) -> anyhow::Result<()> {
        let side = match direction {
            Direction::Forward => FAR,
            Direction::Return => NEAR,
        };
        self.wire_room.as_ref().context("this bench has no wire")?.set_link(side, plugged)
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

fn let_pass(room: &Room, interface: &'static str) -> anyhow::Result<BareProgram> {
    room.run(move || {
        let index = rustix::net::netdevice::name_to_index(UdpSocket::bind("127.0.0.1:0")?, interface)?;
        Ok(BareProgram::pass(interface, index)?)
    })
}

fn start_wire(room: &Room, script: Script, options: Options) -> anyhow::Result<WireHandle> {
    room.run(move || {
        WireHandle::start(move || {
            // What it sends leaves by the queue of its processor: elsewhere it would put frames out of order itself.
            if let Some(last) = host::processors().last().filter(|_| options.queues > 1) {
                host::tie_to(*last);
            }
            let open = |interface: &str| -> anyhow::Result<Box<dyn WirePort>> {
                Ok(Box::new(PacketPort::open(interface, options.mtu)?))
            };
            let monitor = script.monitor.is_some().then(|| open("monitor")).transpose()?;
            let plug: Plug =
                Box::new(|side, up| veth::set_up_here(if side == Side::Near { NEAR } else { FAR }, up));
            Line::with_plug(script, open(NEAR)?, open(FAR)?, monitor, Some(plug))
        })
    })
}
