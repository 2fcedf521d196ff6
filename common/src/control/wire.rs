//! Control messages on the two kinds of socket: Ethernet frames, or UDP datagrams.

use std::io;
use std::net::SocketAddr;

use pnet_base::MacAddr;
use tokio::io::unix::AsyncFd;
use tokio::net::UdpSocket;

use super::{DISCOVERY_GROUP, ETHERTYPE};
use crate::port::OpenError;
use crate::port::control::ControlPort;
use crate::port::filter::Filter;

/// Who is at the other end.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Peer {
    Mac(MacAddr),
    Udp(SocketAddr),
}

/// A message that came in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Heard {
    pub peer: Peer,
    /// Its length in the buffer.
    pub octets: usize,
    /// It was sent to a group of stations, not to this one alone.
    pub to_group: bool,
}

/// A socket for control messages.
pub enum ControlWire {
    Frames { port: AsyncFd<ControlPort>, mac: MacAddr },
    Datagrams(UdpSocket),
}

const HEADER: usize = 14;
/// The shortest frame without its FCS (IEEE 802.3).
const SHORTEST: usize = 60;

impl ControlWire {
    /// Opens the Ethernet kind on an interface, under an address of its own. With `discoverable` it hears
    /// the discovery group too.
    ///
    /// # Errors
    /// As [`ControlPort::open`]. Must be called inside a tokio runtime.
    pub fn frames(interface: &str, index: u32, mac: MacAddr, discoverable: bool) -> Result<Self, OpenError> {
        let group = [mac, DISCOVERY_GROUP];
        let heard = if discoverable { &group[..] } else { &group[..1] };
        let port = ControlPort::open_watched(interface, index, &Filter::addresses(heard, &[]))?;
        Ok(ControlWire::Frames { port, mac })
    }

    /// Sends one message to `peer`, from `source` instead of the wire's own address if given (Ethernet
    /// kind only): that is how an end makes switches learn where its test frames come from.
    ///
    /// # Errors
    /// What the kernel says. A full socket is no error: the message is lost, and will be repeated.
    pub async fn send(&self, peer: Peer, message: &[u8], source: Option<MacAddr>) -> io::Result<()> {
        match (self, peer) {
            (ControlWire::Frames { port, mac }, Peer::Mac(to)) => {
                let from = source.unwrap_or(*mac);
                let mut frame =
                    [&to.octets()[..], &from.octets()[..], &ETHERTYPE.to_be_bytes()[..], message].concat();
                // A NIC does so anyway, one that only is played may not; behind a message there may be zeros.
                frame.resize(frame.len().max(SHORTEST), 0);
                match port.get_ref().send(&frame) {
                    Err(error) if error.kind() == io::ErrorKind::WouldBlock => Ok(()),
                    other => other,
                }
            }
            (ControlWire::Datagrams(socket), Peer::Udp(to)) => {
                match socket.send_to(message, to).await {
                    // Nobody listens there, yet: silence says the same.
                    Err(error) if error.kind() == io::ErrorKind::ConnectionRefused => Ok(()),
                    other => other.map(drop),
                }
            }
            _ => Err(io::Error::other("the peer is on another kind of wire")),
        }
    }

    /// Receives the next message: its octets go into `buffer`.
    ///
    /// # Errors
    /// What the kernel says.
    pub async fn receive(&self, buffer: &mut [u8]) -> io::Result<Heard> {
        match self {
            ControlWire::Frames { port, .. } => loop {
                let mut ready = port.readable().await?;
                let Ok(length) = ready.try_io(|port| port.get_ref().receive(buffer)) else { continue };
                let length = length?;
                if length < HEADER || buffer[12..14] != ETHERTYPE.to_be_bytes() {
                    continue;
                }
                let to_group = buffer[0] & 1 == 1;
                let mut from = [0; 6];
                from.copy_from_slice(&buffer[6..12]);
                buffer.copy_within(HEADER..length, 0);
                return Ok(Heard { peer: Peer::Mac(MacAddr::from(from)), octets: length - HEADER, to_group });
            },
            ControlWire::Datagrams(socket) => loop {
                match socket.recv_from(buffer).await {
                    Ok((octets, from)) => {
                        return Ok(Heard { peer: Peer::Udp(from), octets, to_group: false });
                    }
                    Err(error) if error.kind() == io::ErrorKind::ConnectionRefused => {}
                    Err(error) => return Err(error),
                }
            },
        }
    }
}
