//! What the reflector is attached to: an interface, or a UDP address.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use kitproof_common::control::wire::Peer;
use kitproof_common::control::{DataAddress, TrialSpec, random_data_mac};
use kitproof_common::flow;
use kitproof_common::frame::{Encapsulation, MacAddr};
use kitproof_common::link::{self, LinkError, LinkFacts, LinkKind};
use kitproof_common::port::OpenError;
use kitproof_common::port::datagram::Endpoint;
use kitproof_common::port::filter::Filter;
use kitproof_common::port::packet::{PacketReceive, PacketTurn};
use kitproof_common::port::xdp::{self, Attachment, Mode, ReflectError, Reflection, XdpTurn};
use kitproof_common::way;

use crate::worker::{StartError, Worker};

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
    Interface { name: String, index: u32, way: Way },
    Udp { local: IpAddr },
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
            Medium::Interface { name, index, way: Way::Best(attachment) } => {
                if can_send_back(name, *index, attachment).await.is_ok() { "xdp" } else { "xdp-user" }
            }
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

    /// The way the frames of one trial are returned; `None` over UDP.
    ///
    /// # Errors
    /// A way that was asked for by name and does not suit them.
    pub async fn way_for(&self, trial: &TrialSpec) -> Result<Option<Way>, SetUpError> {
        let Medium::Interface { name, index, way } = self else { return Ok(None) };
        let facts = link::facts(name).await.ok();
        let suits = facts.as_ref().map_or(Ok(()), |facts| way::suits(&trial.frame, facts));
        let queues = || facts.as_ref().map_or(Ok(()), |facts| way::has_queues(facts, trial.flows));
        let one_queue = || facts.as_ref().map_or(Ok(()), |facts| keeps_to_its_queue(facts, trial.flows));
        let asked = |error: String| SetUpError::Asked(format!("--via {}: {error}", way.name()));
        Ok(Some(match way {
            Way::Packet => Way::Packet,
            Way::XdpUser(attachment) => {
                suits.and_then(|()| queues()).map_err(asked)?;
                Way::XdpUser(Arc::clone(attachment))
            }
            Way::Xdp(attachment) => {
                suits.and_then(|()| one_queue()).map_err(asked)?;
                can_send_back(name, *index, attachment).await?;
                Way::Xdp(Arc::clone(attachment))
            }
            Way::Best(_) if suits.is_err() => Way::Packet,
            Way::Best(attachment) => {
                let attachment = Arc::clone(attachment);
                if one_queue().is_ok() && can_send_back(name, *index, &attachment).await.is_ok() {
                    Way::Xdp(attachment)
                } else if queues().is_ok() {
                    Way::XdpUser(attachment)
                } else {
                    Way::Packet
                }
            }
        }))
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
    /// those of a flow. Either every flow is returned or none.
    ///
    /// # Errors
    /// A trial that does not fit the session; what the kernel says.
    pub fn start(
        &self,
        data: &DataPort,
        way: Option<&Way>,
        trial: &TrialSpec,
        cpu: impl Fn(u8) -> Option<usize>,
    ) -> Result<Vec<Worker>, SetUpError> {
        trial.frame.check().map_err(|error| SetUpError::Asked(error.to_string()))?;
        let apart = |mac: MacAddr| trial.flows == 1 || flow::is_base(mac);
        if trial.flows == 0 || trial.flows > self.flows() {
            return Err(SetUpError::Asked(format!("a trial may have 1 to {} flows here", self.flows())));
        }
        if let DataPort::Frames { mac, from } = data
            && (trial.frame.source != *from
                || trial.frame.destination != *mac
                || !apart(*mac)
                || !apart(*from))
        {
            return Err(SetUpError::Asked("the trial's addresses are not the session's".into()));
        }
        // Those that were started end with the error that drops them.
        (0..trial.flows).map(|flow| self.start_flow(data, way, &trial.flow(flow), flow, cpu(flow))).collect()
    }

    fn start_flow(
        &self,
        data: &DataPort,
        way: Option<&Way>,
        trial: &TrialSpec,
        flow: u8,
        cpu: Option<usize>,
    ) -> Result<Worker, SetUpError> {
        let spec = &trial.frame;
        match (self, data) {
            (Medium::Interface { name, index, .. }, DataPort::Frames { .. }) => {
                if spec.encapsulation == Encapsulation::Datagram {
                    return Err(SetUpError::Asked("datagrams are tested over UDP only".into()));
                }
                let filter = Filter::addresses(&[spec.destination], &[spec.source]);
                let octets = spec.octets();
                Ok(match way {
                    None | Some(Way::Packet) => {
                        Worker::start(PacketTurn::open(name, *index, octets, &filter)?, trial, cpu)?
                    }
                    Some(Way::XdpUser(attachment)) => {
                        let own = spec.destination;
                        let port =
                            XdpTurn::open(attachment, name, *index, flow.into(), octets, own, &filter)?;
                        Worker::start(port, trial, cpu)?
                    }
                    Some(Way::Xdp(attachment) | Way::Best(attachment)) => {
                        // First who hears what the program lets pass, then the program.
                        let passed = PacketReceive::open(name, *index, octets, &filter)?;
                        let reflection = Reflection::open(
                            attachment,
                            name,
                            spec,
                            trial.frames,
                            trial.frames_per_s,
                            trial.fill_check,
                        )?;
                        Worker::start_in_kernel(reflection, passed, trial)?
                    }
                })
            }
            (Medium::Udp { .. }, DataPort::Datagrams { endpoint, from }) => {
                if spec.encapsulation != Encapsulation::Datagram {
                    return Err(SetUpError::Asked("over UDP only datagrams can be tested".into()));
                }
                Ok(Worker::start(endpoint.turning(*from, spec.octets())?, trial, cpu)?)
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

/// Whether frames that a program returns on this interface get on their way.
///
/// # Errors
/// A veth whose peer has no XDP program loses every one of them (measured on kernel 6.18).
async fn can_send_back(name: &str, index: u32, attachment: &Attachment) -> Result<(), SetUpError> {
    let is_veth = link::facts(name).await.is_ok_and(|facts| facts.kind == LinkKind::Veth);
    if attachment.mode() != Mode::Driver || !is_veth {
        return Ok(());
    }
    match link::xdp_abilities(index).await {
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

    /// The address that the returned frames of a flow come from, where switches must learn it.
    #[must_use]
    pub fn mac(&self, flow: u8) -> Option<MacAddr> {
        match self {
            DataPort::Frames { mac, .. } => Some(flow::address(*mac, flow)),
            DataPort::Datagrams { .. } => None,
        }
    }
}
