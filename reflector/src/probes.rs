//! The reflector's part in a round of probes: it listens for one, tells what came, and sends one of its own. Only for an
//! agreed session, a bounded number of frames, and no faster than a thousand a second.

use kitproof_common::control::{Refusal, Reply};
use kitproof_common::frame::MacAddr;
use kitproof_common::probe::exchange::{self, Listener};
use kitproof_common::probe::{Round, SEEN_TOLD, Seen, Tally};

/// The probes of one session.
#[derive(Default)]
pub struct Probes {
    listener: Option<Listener>,
    /// The round that was sent last, and how many of its frames the port did not take: asked for again, it is not sent again.
    sent: Option<(u16, u64)>,
}

/// Where the probes of a session go: the interface, and the addresses of both ends.
pub struct Place<'a> {
    pub interface: &'a str,
    pub index: u32,
    /// This end's, and the generator's.
    pub own: MacAddr,
    pub peer: MacAddr,
}

fn unable(text: String) -> Reply {
    Reply::Refused { code: Refusal::Unable, text: format!("the reflector cannot: {text}") }
}

impl Probes {
    /// Begins to listen for a round of the generator's.
    pub fn listen(&mut self, place: &Place<'_>, round: &Round) -> Reply {
        if let Err(text) = round.check() {
            return unable(text);
        }
        if self.listener.as_ref().is_some_and(|listener| listener.tag() == round.tag) {
            return Reply::ProbeListening;
        }
        self.listener = None;
        let tally = Tally::new(round.clone(), place.peer, place.own);
        match Listener::start(place.interface, place.index, largest(round), tally) {
            Ok(listener) => {
                self.listener = Some(listener);
                Reply::ProbeListening
            }
            Err(error) => unable(error.to_string()),
        }
    }

    /// What came of the round that was listened for, from one item on.
    #[must_use]
    pub fn seen(&self, tag: u16, from: u8) -> Reply {
        match self.listener.as_ref().filter(|listener| listener.tag() == tag) {
            Some(listener) => {
                let seen: Vec<Seen> = listener.seen().into_iter().skip(from.into()).take(SEEN_TOLD).collect();
                Reply::ProbeSeen { seen }
            }
            None => unable(format!("round {tag} was not listened for")),
        }
    }

    /// Sends a round of this end's own.
    pub async fn send(&mut self, place: &Place<'_>, round: &Round) -> Reply {
        if let Err(text) = round.check() {
            return unable(text);
        }
        if let Some((tag, refused)) = self.sent
            && tag == round.tag
        {
            return Reply::ProbeSent { refused };
        }
        // What is listened for comes from the other end; nothing more is expected of it.
        self.listener = None;
        let (interface, index) = (place.interface.to_owned(), place.index);
        let (own, peer, sent) = (place.own, place.peer, round.clone());
        let sending =
            tokio::task::spawn_blocking(move || exchange::send(&interface, index, &sent, own, peer));
        match sending.await {
            Ok(Ok(refused)) => {
                self.sent = Some((round.tag, refused));
                Reply::ProbeSent { refused }
            }
            Ok(Err(error)) => unable(error.to_string()),
            Err(error) => unable(format!("a thread was lost: {error}")),
        }
    }
}

fn largest(round: &Round) -> usize {
    round.items.iter().map(|item| usize::from(item.1)).max().unwrap_or(64)
}
