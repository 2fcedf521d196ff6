//! Whether this link has been listened to lately, and what was heard.

use std::cell::RefCell;
use std::rc::Rc;
use std::time::{Duration, Instant};

use kitproof_common::control::listen::{self, LISTEN};
use kitproof_common::frame::MacAddr;

/// How long a quiet link is believed to stay isolated.
const REMEMBERED: Duration = Duration::from_secs(12 * 3600);
/// A link that was down for this long may be another one now.
const REPLUGGED: Duration = Duration::from_secs(10);

/// What is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Finding {
    /// Still listening, for that much longer.
    Listening(Duration),
    /// Nobody was heard.
    Quiet,
    /// Somebody was heard (or listening failed): no session.
    Heard(String),
}

/// The state of one link.
#[derive(Debug, Default)]
pub struct Isolation {
    state: Rc<RefCell<State>>,
    down_since: Option<Instant>,
}

#[derive(Debug, Default)]
enum State {
    #[default]
    Unknown,
    Listening(Instant),
    Quiet(Instant),
    Heard(String),
}

impl Isolation {
    /// Takes note of the carrier.
    pub fn carrier(&mut self, up: bool) {
        match (up, self.down_since) {
            (false, None) => self.down_since = Some(Instant::now()),
            (true, Some(since)) => {
                if since.elapsed() >= REPLUGGED {
                    self.state.replace(State::Unknown);
                }
                self.down_since = None;
            }
            _ => {}
        }
    }

    /// What is known now; starts to listen when nothing is. `friends` are the two ends' own addresses. Must
    /// be called inside a `LocalSet`.
    pub fn look(&mut self, interface: &str, index: u32, friends: Vec<MacAddr>) -> Finding {
        let now = Instant::now();
        let mut state = self.state.borrow_mut();
        match &*state {
            State::Quiet(since) if now.duration_since(*since) < REMEMBERED => return Finding::Quiet,
            State::Listening(since) => {
                return Finding::Listening(LISTEN.saturating_sub(now.duration_since(*since)));
            }
            State::Heard(text) => {
                // Told once; the next asker makes it listen again.
                let text = text.clone();
                *state = State::Unknown;
                return Finding::Heard(text);
            }
            State::Unknown | State::Quiet(_) => {}
        }
        *state = State::Listening(now);
        let (shared, interface) = (Rc::clone(&self.state), interface.to_owned());
        tokio::task::spawn_local(async move {
            let heard = listen::for_strangers(&interface, index, &friends, LISTEN).await;
            shared.replace(match heard {
                Ok(None) => State::Quiet(Instant::now()),
                Ok(Some(stranger)) => State::Heard(format!(
                    "the reflector heard {stranger} on {interface}: this link is not an isolated bench; unplug \
                     whatever else is on it"
                )),
                Err(error) => State::Heard(error.to_string()),
            });
        });
        Finding::Listening(LISTEN)
    }
}
