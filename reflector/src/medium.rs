//! What the reflector is attached to: an interface, or a UDP address.

use std::net::{IpAddr, SocketAddr};

use kitproof_common::control::wire::Peer;
use kitproof_common::control::{DataAddress, TrialSpec, random_mac};
use kitproof_common::frame::{Encapsulation, MacAddr};
use kitproof_common::link::{self, LinkError, LinkFacts};
use kitproof_common::port::OpenError;
use kitproof_common::port::datagram::Endpoint;
use kitproof_common::port::filter::Filter;
use kitproof_common::port::packet::PacketTurn;

use crate::worker::{StartError, Worker};

/// Where test frames come in.
#[derive(Clone, Debug)]
pub enum Medium {
    Interface { name: String, index: u32 },
    Udp { local: IpAddr },
}

/// One session's own way in: the address its test frames are sent to.
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
            Medium::Interface { name, .. } => link::facts(name).await.map(Some),
            Medium::Udp { .. } => Ok(None),
        }
    }

    /// The word for how frames come in.
    #[must_use]
    pub fn via(&self) -> &'static str {
        match self {
            Medium::Interface { .. } => "packet",
            Medium::Udp { .. } => "udp",
        }
    }

    /// Gives a new session an address of its own.
    ///
    /// # Errors
    /// A peer on another kind of wire; what the kernel says.
    pub fn data_port(&self, peer: Peer, wanted: DataAddress) -> Result<DataPort, SetUpError> {
        match (self, peer, wanted) {
            (Medium::Interface { .. }, Peer::Mac(_), DataAddress::Mac(from)) => {
                Ok(DataPort::Frames { mac: random_mac(), from })
            }
            (Medium::Udp { local }, Peer::Udp(asker), DataAddress::Port(port)) => Ok(DataPort::Datagrams {
                endpoint: Endpoint::bind(SocketAddr::new(*local, 0))?,
                from: SocketAddr::new(asker.ip(), port),
            }),
            _ => Err(SetUpError::Asked("the generator uses another way onto the wire".into())),
        }
    }

    /// Opens the port of one trial and starts turning its frames on processor `cpu`.
    ///
    /// # Errors
    /// A trial that does not fit the session; what the kernel says.
    pub fn start(
        &self,
        data: &DataPort,
        trial: &TrialSpec,
        cpu: Option<usize>,
    ) -> Result<Worker, SetUpError> {
        let spec = &trial.frame;
        spec.check().map_err(|error| SetUpError::Asked(error.to_string()))?;
        match (self, data) {
            (Medium::Interface { name, index }, DataPort::Frames { mac, from }) => {
                if spec.encapsulation == Encapsulation::Datagram
                    || spec.source != *from
                    || spec.destination != *mac
                {
                    return Err(SetUpError::Asked("the trial's addresses are not the session's".into()));
                }
                let filter = Filter::addresses(&[*mac], &[*from]);
                Ok(Worker::start(PacketTurn::open(name, *index, spec.octets(), &filter)?, trial, cpu)?)
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

    /// The address that returned frames come from, where switches must learn it.
    #[must_use]
    pub fn mac(&self) -> Option<MacAddr> {
        match self {
            DataPort::Frames { mac, .. } => Some(*mac),
            DataPort::Datagrams { .. } => None,
        }
    }
}
