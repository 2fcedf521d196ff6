//! The two ends of a bench: every kind of port, opened on a veth between two network namespaces (UDP: on the loopback
//! of one).

use std::net::SocketAddr;
use std::sync::Arc;

use anyhow::{Context, Result};
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options, REFLECTOR_PORT};
use kitproof_common::control::TrialSpec;
use kitproof_common::frame::FrameSpec;
use kitproof_common::link;
use kitproof_common::port::datagram::{DatagramReceive, DatagramTurn, Endpoint};
use kitproof_common::port::filter::Filter;
use kitproof_common::port::packet::{self, PacketReceive, PacketTurn};
use kitproof_common::port::transmit::SocketTransmit;
use kitproof_common::port::xdp::{
    self, Attachment, BareProgram, Reflection, XdpReceive, XdpTransmit, XdpTurn,
};

pub(crate) struct Ends {
    bench: Bench,
}

impl Ends {
    pub(crate) fn new() -> Result<Self> {
        Ok(Self { bench: Bench::direct(Options::default())? })
    }

    /// What the generator has open with packet sockets.
    pub(crate) fn near_packet(&self, spec: &FrameSpec) -> Result<(SocketTransmit, PacketReceive)> {
        Ok((self.near_sender(spec)?, self.near_ring(spec)?))
    }

    pub(crate) fn near_sender(&self, spec: &FrameSpec) -> Result<SocketTransmit> {
        let octets = spec.octets();
        self.near(move |index| Ok(packet::transmit(GENERATOR_PORT, index, octets)?))
    }

    pub(crate) fn near_ring(&self, spec: &FrameSpec) -> Result<PacketReceive> {
        let (filter, octets) = (homeward(spec), spec.octets());
        self.near(move |index| Ok(PacketReceive::open(GENERATOR_PORT, index, octets, &filter)?))
    }

    pub(crate) fn near_calls(&self, spec: &FrameSpec) -> Result<DatagramReceive> {
        let (filter, octets) = (homeward(spec), spec.octets());
        self.near(move |index| Ok(packet::receive_by_calls(GENERATOR_PORT, index, octets, &filter)?))
    }

    /// The near end's AF_XDP port, its program and all.
    pub(crate) fn near_xdp(&self, spec: &FrameSpec) -> Result<(XdpTransmit, XdpReceive)> {
        let (filter, octets, own) = (homeward(spec), spec.octets(), spec.source);
        self.near(move |index| {
            let attachment = Arc::new(Attachment::open(GENERATOR_PORT, index)?);
            Ok(xdp::open(&attachment, 0, octets, own, &filter, None)?)
        })
    }

    /// A sender at the far end, whose frames the near filter accepts (by their source address).
    pub(crate) fn far_sender(&self, spec: &FrameSpec) -> Result<SocketTransmit> {
        let octets = spec.octets();
        self.far(move |index| Ok(packet::transmit(REFLECTOR_PORT, index, octets)?))
    }

    pub(crate) fn far_packet(&self, spec: &FrameSpec) -> Result<PacketTurn> {
        let (filter, octets) = (forward(spec), spec.octets());
        self.far(move |index| Ok(PacketTurn::open(REFLECTOR_PORT, index, octets, &filter)?))
    }

    /// The far end's AF_XDP port in user space.
    pub(crate) fn far_xdp(&self, spec: &FrameSpec) -> Result<XdpTurn> {
        let (filter, octets, own) = (forward(spec), spec.octets(), spec.destination);
        self.far(move |index| {
            let attachment = Arc::new(Attachment::open(REFLECTOR_PORT, index)?);
            Ok(XdpTurn::open(&attachment, 0, octets, own, &filter)?)
        })
    }

    /// The far end inside the kernel, and who hears what its program lets pass.
    pub(crate) fn far_kernel(&self, trial: &TrialSpec) -> Result<(Reflection, PacketReceive)> {
        let (filter, octets, trial) = (forward(&trial.frame), trial.frame.octets(), trial.clone());
        self.far(move |index| {
            let attachment = Arc::new(Attachment::open(REFLECTOR_PORT, index)?);
            let passed = PacketReceive::open(REFLECTOR_PORT, index, octets, &filter)?;
            let (frames, rate) = (trial.frames, trial.frames_per_s);
            Ok((Reflection::open(&attachment, REFLECTOR_PORT, &trial.frame, frames, rate, true)?, passed))
        })
    }

    /// A program at the far end that judges nothing.
    pub(crate) fn far_bounce(&self) -> Result<BareProgram> {
        self.far(|index| Ok(BareProgram::bounce(REFLECTOR_PORT, index)?))
    }

    /// Both ends by UDP.
    pub(crate) fn udp(&self, spec: &FrameSpec) -> Result<(SocketTransmit, DatagramReceive, DatagramTurn)> {
        let octets = spec.octets();
        self.bench.generator.run(move || -> Result<_> {
            let loopback = |port| SocketAddr::from(([127, 0, 0, 1], port));
            let (near, far) = (Endpoint::bind(loopback(0))?, Endpoint::bind(loopback(0))?);
            let (transmit, receive) = near.split(loopback(far.port()?), octets)?;
            Ok((transmit, receive, far.turning(loopback(near.port()?), octets)?))
        })
    }

    fn near<T: Send + 'static>(&self, open: impl FnOnce(u32) -> Result<T> + Send + 'static) -> Result<T> {
        self.bench.generator.run(move || open(index_of(GENERATOR_PORT)?))
    }

    fn far<T: Send + 'static>(&self, open: impl FnOnce(u32) -> Result<T> + Send + 'static) -> Result<T> {
        self.bench.reflector.run(move || open(index_of(REFLECTOR_PORT)?))
    }
}

/// What the reflector hears.
fn forward(spec: &FrameSpec) -> Filter {
    Filter::addresses(&[spec.destination], &[spec.source])
}

/// What the generator hears.
fn homeward(spec: &FrameSpec) -> Filter {
    Filter::addresses(&[spec.source], &[spec.destination])
}

fn index_of(interface: &str) -> Result<u32> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    Ok(runtime.block_on(link::facts(interface)).with_context(|| interface.to_owned())?.index)
}
