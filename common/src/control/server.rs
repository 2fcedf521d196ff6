//! The reflector's side of the conversation: who asked what, and the rules of answering.

use std::collections::HashMap;
use std::io;
use std::time::{Duration, Instant};

use pnet_base::MacAddr;

use super::envelope::{self, Direction, OVERHEAD, PROTOCOL};
use super::wire::{ControlWire, Heard, Peer};
use super::{Refusal, Reply, Request};

/// A request that is to be answered.
#[derive(Debug)]
pub struct Asked {
    pub peer: Peer,
    pub exchange: u32,
    /// Length of the question; the answer is never longer.
    pub octets: usize,
    pub request: Request,
}

/// How many askers are remembered for repeated questions and for the pace of discovery.
const REMEMBERED: usize = 256;

/// Listens for requests, and repeats the last answer to a repeated question.
pub struct Server {
    wire: ControlWire,
    buffer: Vec<u8>,
    answers: HashMap<Peer, (u32, Vec<u8>)>,
    discovered: HashMap<Peer, Instant>,
}

impl Server {
    #[must_use]
    pub fn new(wire: ControlWire) -> Self {
        Self { wire, buffer: vec![0; 2_048], answers: HashMap::new(), discovered: HashMap::new() }
    }

    /// The next request that needs an answer of the caller's. Damaged and foreign messages are passed over;
    /// a request of another version is answered here; a repeated one gets its answer repeated. A second
    /// discovery (or question of another version) by the same asker within a second is not answered at all, nor is
    /// anything but a discovery that was sent to a group.
    ///
    /// # Errors
    /// What the kernel says.
    pub async fn next(&mut self) -> io::Result<Asked> {
        loop {
            let Heard { peer, octets, to_group } = match self.wire.receive(&mut self.buffer).await {
                Ok(heard) => heard,
                // The link is administratively down for the moment.
                Err(error) if error.raw_os_error() == Some(libc::ENETDOWN) => {
                    tokio::time::sleep(Duration::from_millis(100)).await;
                    continue;
                }
                Err(error) => return Err(error),
            };
            let Some(opened) = envelope::open(&self.buffer[..octets]) else { continue };
            if opened.direction != Direction::Request {
                continue;
            }
            let (exchange, version) = (opened.exchange, opened.version);
            if exchange == 0 {
                // An announcement, for the switches on the way only.
                continue;
            }
            if version != PROTOCOL {
                // It may be a discovery of that version, so it is answered at the pace of one.
                if !self.may_answer_discovery(peer) {
                    continue;
                }
                let text = format!(
                    "this reflector speaks protocol version {PROTOCOL}, the generator version {version}: install \
                     the same release of kitproof on both machines"
                );
                let reply = Reply::Refused { code: Refusal::Version, text };
                let asked =
                    Asked { peer, exchange, octets, request: Request::Discover { version: String::new() } };
                self.answer(&asked, &reply, None).await?;
                continue;
            }
            let Ok(request) = serde_json::from_slice::<Request>(opened.body) else { continue };
            if let Request::Discover { .. } = request {
                if !self.may_answer_discovery(peer) {
                    continue;
                }
            } else if to_group {
                // Discovery is the one question that may be put to everybody.
                continue;
            } else if let Some((last, answer)) = self.answers.get(&peer)
                && *last == exchange
            {
                let answer = answer.clone();
                self.send(peer, &answer, None).await?;
                continue;
            }
            return Ok(Asked { peer, exchange, octets, request });
        }
    }

    fn may_answer_discovery(&mut self, peer: Peer) -> bool {
        let now = Instant::now();
        if self.discovered.len() >= REMEMBERED {
            self.discovered.retain(|_, at| now.duration_since(*at) < Duration::from_secs(1));
        }
        match self.discovered.get(&peer) {
            Some(at) if now.duration_since(*at) < Duration::from_secs(1) => false,
            _ if self.discovered.len() >= REMEMBERED => false,
            _ => {
                self.discovered.insert(peer, now);
                true
            }
        }
    }

    /// Answers; `source` as in [`ControlWire::send`]. A reply that would be longer than its question is
    /// not sent: nobody can make this end send more than it got.
    ///
    /// # Errors
    /// What the kernel says.
    pub async fn answer(&mut self, asked: &Asked, reply: &Reply, source: Option<MacAddr>) -> io::Result<()> {
        let body = serde_json::to_vec(reply).unwrap_or_default();
        if OVERHEAD + body.len() > asked.octets {
            return Ok(());
        }
        let message = envelope::seal(PROTOCOL, Direction::Reply, asked.exchange, &body, 0);
        // "Still listening" is no final answer: the same question gets a fresh look.
        if !matches!(reply, Reply::Listening { .. } | Reply::Here { .. }) {
            if self.answers.len() >= REMEMBERED {
                self.answers.clear();
            }
            self.answers.insert(asked.peer, (asked.exchange, message.clone()));
        }
        self.send(asked.peer, &message, source).await
    }

    async fn send(&mut self, peer: Peer, message: &[u8], source: Option<MacAddr>) -> io::Result<()> {
        match self.wire.send(peer, message, source).await {
            // A link that is down for the moment loses the answer; the question will come again.
            Err(error) if matches!(error.raw_os_error(), Some(libc::ENETDOWN | libc::EHOSTUNREACH)) => Ok(()),
            other => other,
        }
    }
}
