//! What the reflector is attached to: an interface, or a UDP address.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use kitproof_common::control::wire::Peer;
use kitproof_common::control::{DataAddress, TrialSpec, Went, random_data_mac};
use kitproof_common::flow;
use kitproof_common::frame::{Encapsulation, FrameSpec, MacAddr};
use kitproof_common::link::{self, LinkError, LinkFacts, LinkKind};
use kitproof_common::port::OpenError;
use kitproof_common::port::datagram::Endpoint;
use kitproof_common::port::filter::Filter;
use kitproof_common::port::packet::{self, PacketReceive, PacketTurn};
use kitproof_common::port::xdp::{self, Attachment, Manner, Mode, ReflectError, Reflection, XdpTurn};
use kitproof_common::{tune, way};

use crate::own::{self, Own};
use crate::worker::{StartError, Worker};

/// Other sizes that a trial may mix with its largest.
const MOST_SIZES: usize = 15;

/// How the frames of an interface are returned.
#[derive(Clone)]
pub enum Way {
    /// In user space, by packet sockets.
    Packet,
    /// In user space, by AF_XDP sockets.
    XdpUser(Arc<Attachment>),
    /// By a program inside the kernel.
    Xdp(Arc<Attachment>),
    /// By the first of the above, from the last, that suits the trial.
    Best(Arc<Attachment>),
}

impl Way {
    /// The word for it in options and results.
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self {
            Way::Packet => "packet",
            Way::XdpUser(_) => "xdp-user",
            Way::Xdp(_) => "xdp",
            Way::Best(_) => "the best way that suits each trial",
        }
    }
}

/// Where test frames come in.
#[derive(Clone)]
pub enum Medium {
    Interface {
        name: String,
        index: u32,
        way: Way,
        /// Why it is packet sockets, where nothing was asked for by name.
        instead: Option<String>,
    },
    Udp {
        local: IpAddr,
    },
}

/// One session's own way in: the address its test frames are sent to, from which those of its flows follow.
pub enum DataPort {
    Frames { mac: MacAddr, from: MacAddr },
    Datagrams { endpoint: Endpoint, from: SocketAddr },
}

/// Why a trial or a session could not be set up.
#[derive(Debug, thiserror::Error)]
pub enum SetUpError {
    #[error(transparent)]
    Open(#[from] OpenError),
    #[error(transparent)]
    Start(#[from] StartError),
    #[error(transparent)]
    Reflect(#[from] ReflectError),
    #[error("{0}")]
    Asked(String),
    #[error("the address of the data socket is not known: {0}")]
    Address(#[from] std::io::Error),
}

impl Medium {
    /// What is known of the interface now; `None` over UDP.
    ///
    /// # Errors
    /// As [`link::facts()`].
    pub async fn facts(&self) -> Result<Option<LinkFacts>, LinkError> {
        match self {
            Medium::Interface { name, way, .. } => {
                let mut facts = link::facts(name).await?;
                // The program there is this one's own, and no finding.
                if !matches!(way, Way::Packet) {
                    facts.xdp_attached = facts.xdp_attached.map(|_| false);
                }
                Ok(Some(facts))
            }
            Medium::Udp { .. } => Ok(None),
        }
    }

    /// The word for how frames are returned, as far as it is known before a trial.
    pub async fn via(&self) -> &'static str {
        match self {
            Medium::Interface { name, way: Way::Best(attachment), .. } => match link::facts(name).await {
                Ok(facts) if can_send_back(&facts, attachment).await.is_ok() => "xdp",
                _ => "xdp-user",
            },
            Medium::Interface { way, .. } => way.name(),
            Medium::Udp { .. } => "udp",
        }
    }

    /// Flows that one trial may have.
    #[must_use]
    pub fn flows(&self) -> u8 {
        match self {
            Medium::Interface { .. } => flow::MOST,
            Medium::Udp { .. } => 1,
        }
    }

    /// Gives a new session an address of its own; `taken` are those of the sessions there are.
    ///
    /// # Errors
    /// A peer on another kind of wire; what the kernel says.
    pub fn data_port(
        &self,
        peer: Peer,
        wanted: DataAddress,
        taken: &[MacAddr],
    ) -> Result<DataPort, SetUpError> {
        match (self, peer, wanted) {
            (Medium::Interface { .. }, Peer::Mac(_), DataAddress::Mac(from)) => {
                // The flows of two sessions are apart if their first ones are.
                let is_free = |mac: &MacAddr| taken.iter().all(|other| xdp::slot(*other) != xdp::slot(*mac));
                let mac = std::iter::repeat_with(random_data_mac).take(10_000).find(is_free);
                let mac =
                    mac.ok_or_else(|| SetUpError::Asked("every place for a session is taken".into()))?;
                Ok(DataPort::Frames { mac, from })
            }
            (Medium::Udp { local }, Peer::Udp(asker), DataAddress::Port(port)) => Ok(DataPort::Datagrams {
                endpoint: Endpoint::bind(SocketAddr::new(*local, 0))?,
                from: SocketAddr::new(asker.ip(), port),
            }),
            _ => Err(SetUpError::Asked("the generator uses another way onto the wire".into())),
        }
    }

    /// Opens the ports of one trial, one for each flow, and starts turning their frames; `cpu` says on which processor
    /// those of a flow. `facts` are those of the interface now. Either every flow is returned, and all in one way, or none.
    /// Where the way was left to us and AF_XDP refuses, it is packet sockets from now on.
    ///
    /// # Errors
    /// A trial that does not fit the session; a way that was asked for by name and does not suit; what the kernel says.
    pub async fn start(
        &mut self,
        data: &DataPort,
        facts: Option<&LinkFacts>,
        trial: &TrialSpec,
        cpu: impl Fn(u8) -> Option<usize>,
    ) -> Result<(Vec<Worker>, Went, Option<Own>), SetUpError> {
        let spec = &trial.frame;
        spec.check().map_err(|error| SetUpError::Asked(error.to_string()))?;
        // The ports are opened for the size that is told first.
        if trial.more_sizes.len() > MOST_SIZES || trial.more_sizes.iter().any(|size| *size >= spec.frame_size)
        {
            return Err(SetUpError::Asked(format!(
                "a trial may mix up to {MOST_SIZES} smaller sizes with its largest"
            )));
        }
        for frame_size in &trial.more_sizes {
            let other = FrameSpec { frame_size: *frame_size, ..*spec };
            other.check().map_err(|error| SetUpError::Asked(error.to_string()))?;
        }
        let apart = |mac: MacAddr| trial.flows == 1 || flow::is_base(mac);
        if trial.flows == 0 || trial.flows > self.flows() {
            return Err(SetUpError::Asked(format!("a trial may have 1 to {} flows here", self.flows())));
        }
        match (self, data) {
            (Medium::Interface { name, index, way, instead }, DataPort::Frames { mac, from }) => {
                if spec.encapsulation == Encapsulation::Datagram {
                    return Err(SetUpError::Asked("datagrams are tested over UDP only".into()));
                }
                if spec.source != *from || spec.destination != *mac || !apart(*mac) || !apart(*from) {
                    return Err(SetUpError::Asked("the trial's addresses are not the session's".into()));
                }
                let own_rate = match &trial.watched {
                    Some(watched) => Some(own::allowed(trial, watched).map_err(SetUpError::Asked)?),
                    None => None,
                };
                let (chosen, why) = match own_rate {
                    // The program in the kernel keeps no record of pauses, and has no frames of its own.
                    Some(_) => (Way::Packet, None),
                    // It judges one size.
                    None if !trial.more_sizes.is_empty() => (Way::Packet, None),
                    None => choose(way, facts, trial.flows).await?,
                };
                let opened = open_all(name, *index, &chosen, trial, &cpu).await;
                let by_itself = matches!(way, Way::Best(_));
                let (workers, manner, chosen) = match opened {
                    Err(error @ (SetUpError::Open(_) | SetUpError::Reflect(ReflectError::Open(_))))
                        if by_itself && !matches!(chosen, Way::Packet) =>
                    {
                        *instead = Some(way::refused(chosen.name(), &error));
                        // The program goes with the last that holds it, and may take the link along for a moment.
                        *way = Way::Packet;
                        drop(chosen);
                        let _ = tune::carrier_back(name).await;
                        let (workers, manner) = open_all(name, *index, &Way::Packet, trial, &cpu).await?;
                        (workers, manner, Way::Packet)
                    }
                    Err(error) => return Err(error),
                    Ok((workers, manner)) => (workers, manner, chosen),
                };
                if manner.is_some_and(|manner| manner.zero_copy) {
                    // Some drivers take their link down to bind a socket.
                    let _ = tune::carrier_back(name).await;
                }
                let instead = instead.clone().or(why);
                let frames = trial.watched.map_or(0, |watched| watched.own_frames);
                let send = |rate| -> Result<Own, SetUpError> {
                    Ok(Own::start(packet::transmit(name, *index, spec.octets())?, trial, frames, rate)?)
                };
                let own = match own_rate.map(send).transpose() {
                    Ok(own) => own,
                    Err(error) => {
                        end_all(workers).await;
                        return Err(error);
                    }
                };
                Ok((workers, Went { via: Some(chosen.name().to_owned()), manner, instead }, own))
            }
            (Medium::Udp { .. }, DataPort::Datagrams { endpoint, from }) => {
                if spec.encapsulation != Encapsulation::Datagram {
                    return Err(SetUpError::Asked("over UDP only datagrams can be tested".into()));
                }
                if trial.watched.is_some() {
                    return Err(SetUpError::Asked(
                        "an interruption is watched on an interface, not over UDP".into(),
                    ));
                }
                let worker = Worker::start(endpoint.turning(*from, spec.octets())?, trial, cpu(0))?;
                Ok((vec![worker], Went::default(), None))
            }
            _ => Err(SetUpError::Asked("the session is on another kind of wire".into())),
        }
    }
}

/// Whether the frames of each of `flows` flows that a program returns here stay on one queue.
///
/// # Errors
/// Returned frames leave a veth by the queue of the processor that handles them, whichever they came in by: what is
/// handled now here and now there overtakes itself.
fn keeps_to_its_queue(facts: &LinkFacts, flows: u8) -> Result<(), String> {
    let queues = facts.queues.map_or(1, |queues| queues.tx);
    if flows == 1 || facts.kind != LinkKind::Veth || queues == 1 {
        return Ok(());
    }
    Err(format!(
        "{} is a veth with {queues} queues, and frames of several flows returned by XDP_TX would change queues: start \
         kitproof-reflector with --via xdp-user or packet",
        facts.name
    ))
}

/// The way for the next trial, of so many flows: as it was asked for by name, or else the best that suits, and why that is
/// packet sockets.
async fn choose(
    way: &Way,
    facts: Option<&LinkFacts>,
    flows: u8,
) -> Result<(Way, Option<String>), SetUpError> {
    let suits = facts.map_or(Ok(()), way::suits);
    let queues = || facts.map_or(Ok(()), |facts| way::has_queues(facts, flows));
    let one_queue = || facts.map_or(Ok(()), |facts| keeps_to_its_queue(facts, flows));
    let asked = |error: String| SetUpError::Asked(format!("--via {}: {error}", way.name()));
    let sends_back = async |attachment| match facts {
        Some(facts) => can_send_back(facts, attachment).await,
        None => Ok(()),
    };
    Ok(match way {
        Way::Packet => (Way::Packet, None),
        Way::XdpUser(_) => {
            suits.and_then(|()| queues()).map_err(asked)?;
            (way.clone(), None)
        }
        Way::Xdp(attachment) => {
            suits.and_then(|()| one_queue()).map_err(asked)?;
            sends_back(attachment).await?;
            (way.clone(), None)
        }
        Way::Best(attachment) => match suits {
            Err(why) => (Way::Packet, Some(why)),
            Ok(()) if one_queue().is_ok() && sends_back(attachment).await.is_ok() => {
                (Way::Xdp(Arc::clone(attachment)), None)
            }
            Ok(()) => match queues() {
                Ok(()) => (Way::XdpUser(Arc::clone(attachment)), None),
                Err(why) => (Way::Packet, Some(why)),
            },
        },
    })
}

/// Opens the port of every flow and starts turning its frames; how the AF_XDP sockets work, if there are any.
async fn open_all(
    name: &str,
    index: u32,
    way: &Way,
    trial: &TrialSpec,
    cpu: &impl Fn(u8) -> Option<usize>,
) -> Result<(Vec<Worker>, Option<Manner>), SetUpError> {
    let (mut workers, mut manner) = (Vec::new(), None);
    for flow in 0..trial.flows {
        match open(name, index, way, &trial.flow(flow), flow, cpu(flow)) {
            Ok((worker, its)) => {
                workers.push(worker);
                manner = manner.or(its);
            }
            Err(error) => {
                // Their ports are closed, and their programs gone, before another way is tried.
                end_all(workers).await;
                return Err(error);
            }
        }
    }
    Ok((workers, manner))
}

/// All are asked to end before any is waited for.
async fn end_all(workers: Vec<Worker>) {
    let ending: Vec<_> = workers.into_iter().map(Worker::finish).collect();
    for one in ending {
        let _ = one.await;
    }
}

/// Opens the port of flow `flow`, whose own trial this is.
fn open(
    name: &str,
    index: u32,
    way: &Way,
    trial: &TrialSpec,
    flow: u8,
    cpu: Option<usize>,
) -> Result<(Worker, Option<Manner>), SetUpError> {
    let spec = &trial.frame;
    let (own, octets) = (spec.destination, spec.octets());
    let filter = Filter::addresses(&[own], &[spec.source]);
    Ok(match way {
        Way::Packet => (Worker::start(PacketTurn::open(name, index, octets, &filter)?, trial, cpu)?, None),
        Way::XdpUser(attachment) => {
            let port = XdpTurn::open(attachment, flow.into(), octets, own, &filter)?;
            let manner = port.manner();
            (Worker::start(port, trial, cpu)?, Some(manner))
        }
        Way::Xdp(attachment) | Way::Best(attachment) => {
            // First who hears what the program lets pass, then the program.
            let passed = PacketReceive::open(name, index, octets, &filter)?;
            let (frames, rate) = (trial.frames, trial.frames_per_s);
            let reflection = Reflection::open(attachment, name, spec, frames, rate, trial.fill_check)?;
            (Worker::start_in_kernel(reflection, passed, trial)?, None)
        }
    })
}

/// Whether frames that a program returns on this interface get on their way.
///
/// # Errors
/// A veth whose peer has no XDP program loses every one of them (measured on kernel 6.18).
async fn can_send_back(facts: &LinkFacts, attachment: &Attachment) -> Result<(), SetUpError> {
    if attachment.mode() != Mode::Driver || facts.kind != LinkKind::Veth {
        return Ok(());
    }
    let name = &facts.name;
    match link::xdp_abilities(facts.index).await {
        Some(abilities) if abilities.sends => Ok(()),
        Some(_) => Err(SetUpError::Asked(format!(
            "{name} is a veth and its peer has no XDP program, so that every frame returned by XDP_TX would be lost: \
             start kitproof-reflector with --via xdp-user or packet, or kitproof with --via xdp"
        ))),
        None => Err(SetUpError::Asked(format!(
            "{name} is a veth and this kernel does not tell whether its peer can take frames returned by XDP_TX: \
             start kitproof-reflector with --via xdp-user or packet"
        ))),
    }
}

impl DataPort {
    /// What the generator sends to.
    ///
    /// # Errors
    /// What the kernel says.
    pub fn address(&self) -> Result<DataAddress, SetUpError> {
        Ok(match self {
            DataPort::Frames { mac, .. } => DataAddress::Mac(*mac),
            DataPort::Datagrams { endpoint, .. } => DataAddress::Port(endpoint.port()?),
        })
    }

    /// This end's address for test frames and the generator's, on an interface.
    #[must_use]
    pub fn addresses(&self) -> Option<(MacAddr, MacAddr)> {
        match self {
            DataPort::Frames { mac, from } => Some((*mac, *from)),
            DataPort::Datagrams { .. } => None,
        }
    }

    /// The address that the returned frames of a flow come from, where switches must learn it.
    #[must_use]
    pub fn mac(&self, flow: u8) -> Option<MacAddr> {
        match self {
            DataPort::Frames { mac, .. } => Some(flow::address(*mac, flow)),
            DataPort::Datagrams { .. } => None,
        }
    }
}
