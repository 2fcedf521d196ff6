//! The generator's side of the conversation: ask until answered.

use std::io;
use std::time::Duration;

use tokio::time::{Instant, timeout_at};

use super::envelope::{self, DISCOVERY_OCTETS, Direction, PROTOCOL, REQUEST_OCTETS};
use super::wire::{ControlWire, Heard, Peer};
use super::{DISCOVERY_GROUP, Refusal, Reply, Request, random};

/// Why a question stayed without a useful answer.
#[derive(Debug, thiserror::Error)]
pub enum AskError {
    #[error("no answer within {:.1} s", .waited.as_secs_f64())]
    Silent { waited: Duration },
    #[error(
        "the reflector speaks protocol version {theirs}, this generator version {ours}: install the same \
         release of kitproof on both machines"
    )]
    Version { theirs: u8, ours: u8 },
    #[error("{text}")]
    Refused { code: Refusal, text: String },
    #[error("the reflector answered something else than was asked")]
    Confused,
    #[error("the control socket failed: {0}")]
    Io(#[from] io::Error),
}

/// The first wait for an answer; doubled with each repetition.
const FIRST_WAIT: Duration = Duration::from_millis(100);
const LONGEST_WAIT: Duration = Duration::from_secs(1);

/// A conversation with one reflector.
pub struct Client {
    wire: ControlWire,
    peer: Peer,
    exchange: u32,
}

/// One reflector that answered a discovery.
#[derive(Clone, Debug)]
pub struct Found {
    pub peer: Peer,
    pub host: String,
    pub interface: String,
    pub version: String,
}

/// Where they are, in words: "alpha (eth1) and beta (eth0)".
#[must_use]
pub fn places(found: &[Found]) -> String {
    let places: Vec<String> = found.iter().map(|one| format!("{} ({})", one.host, one.interface)).collect();
    places.join(" and ")
}

/// Asks the link who is there, every 200 ms until somebody answers or `patience` is over, and for a moment
/// longer, so that a second reflector is not overlooked.
///
/// # Errors
/// [`AskError::Version`] when only reflectors of another version answered; what the kernel says.
pub async fn discover(wire: &ControlWire, patience: Duration) -> Result<Vec<Found>, AskError> {
    const AGAIN: Duration = Duration::from_millis(200);
    const LINGER: Duration = Duration::from_millis(400);
    let exchange = (random() as u32) | 1;
    let body = encode(&Request::Discover { version: env!("CARGO_PKG_VERSION").to_owned() });
    let question = envelope::seal(PROTOCOL, Direction::Request, exchange, &body, DISCOVERY_OCTETS);
    let mut end = Instant::now() + patience;
    let mut found: Vec<Found> = Vec::new();
    let mut other_version = None;
    let mut buffer = vec![0; 2_048];
    while Instant::now() < end {
        // Again after the first answer too: a second reflector may have missed the question.
        wire.send(Peer::Mac(DISCOVERY_GROUP), &question, None).await?;
        let again = end.min(Instant::now() + AGAIN);
        while let Ok(heard) = timeout_at(again, wire.receive(&mut buffer)).await {
            let Heard { peer, octets, .. } = heard?;
            match reply_in(&buffer[..octets], exchange) {
                Some(Ok(Reply::Here { host, interface, version, .. }))
                    if found.iter().all(|one| one.peer != peer) =>
                {
                    found.push(Found { peer, host, interface, version });
                    end = end.min(Instant::now() + LINGER);
                }
                Some(Err(theirs)) => {
                    other_version = Some(theirs);
                    end = end.min(Instant::now() + LINGER);
                }
                _ => {}
            }
        }
    }
    match other_version {
        Some(theirs) if found.is_empty() => Err(AskError::Version { theirs, ours: PROTOCOL }),
        _ => Ok(found),
    }
}

impl Client {
    #[must_use]
    pub fn new(wire: ControlWire, peer: Peer) -> Self {
        Self { wire, peer, exchange: (random() as u32) | 1 }
    }

    /// Asks, and asks again, until the reflector answers or `patience` is over.
    ///
    /// # Errors
    /// [`AskError`], in its own words.
    pub async fn ask(&mut self, request: &Request, patience: Duration) -> Result<Reply, AskError> {
        // Exchange 0 is for announcements.
        self.exchange = self.exchange.checked_add(1).unwrap_or(1);
        let body = encode(request);
        let question = envelope::seal(PROTOCOL, Direction::Request, self.exchange, &body, REQUEST_OCTETS);
        let begun = Instant::now();
        let end = begun + patience;
        let mut wait = FIRST_WAIT;
        let mut buffer = vec![0; 2_048];
        while Instant::now() < end {
            match self.wire.send(self.peer, &question, None).await {
                Ok(()) => {}
                // The port is down for the moment; the link may come back.
                Err(error) if passing(&error) => {}
                Err(error) => return Err(error.into()),
            }
            let again = end.min(Instant::now() + wait);
            while let Ok(heard) = timeout_at(again, self.wire.receive(&mut buffer)).await {
                let Heard { octets, .. } = match heard {
                    Ok(heard) => heard,
                    Err(error) if passing(&error) => {
                        tokio::time::sleep(FIRST_WAIT).await;
                        continue;
                    }
                    Err(error) => return Err(error.into()),
                };
                match reply_in(&buffer[..octets], self.exchange) {
                    Some(Ok(Reply::Refused { code, text })) => return Err(AskError::Refused { code, text }),
                    Some(Ok(reply)) => return Ok(reply),
                    Some(Err(theirs)) => return Err(AskError::Version { theirs, ours: PROTOCOL }),
                    None => {}
                }
            }
            wait = (wait * 2).min(LONGEST_WAIT);
        }
        Err(AskError::Silent { waited: begun.elapsed() })
    }

    /// Says something from `source`, unanswered, so that switches on the way learn that address.
    ///
    /// # Errors
    /// What the kernel says.
    pub async fn announce(&self, source: pnet_base::MacAddr, session: u64) -> io::Result<()> {
        // Exchange 0 is never asked for: the reflector may answer, nobody waits.
        let body = encode(&Request::Learn { session, flow: 0 });
        let message = envelope::seal(PROTOCOL, Direction::Request, 0, &body, 0);
        self.wire.send(self.peer, &message, Some(source)).await
    }
}

fn encode(request: &Request) -> Vec<u8> {
    serde_json::to_vec(request).unwrap_or_default()
}

/// An error of a port that may go away by itself: link administratively down, no route for the moment.
fn passing(error: &io::Error) -> bool {
    matches!(error.raw_os_error(), Some(libc::ENETDOWN | libc::ENETUNREACH | libc::EHOSTUNREACH))
}

/// The reply to `exchange` in these octets; `Err` is the version of a reflector that speaks another one.
fn reply_in(octets: &[u8], exchange: u32) -> Option<Result<Reply, u8>> {
    let opened = envelope::open(octets)?;
    if opened.direction != Direction::Reply || opened.exchange != exchange {
        return None;
    }
    if opened.version != PROTOCOL {
        return Some(Err(opened.version));
    }
    serde_json::from_slice(opened.body).ok().map(Ok)
}
