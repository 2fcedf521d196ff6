//! Tuning the host for a run: what would help, setting it, and putting it back whatever happens.
//!
//! | file | what it holds |
//! | --- | --- |
//! | [`setting`] | what can be set, and to what |
//! | [`machine`] | where settings are read and set: this host, or an invented one |
//! | [`mod@propose`] | what would help, from what the host tells: pure |
//! | [`note`] | the file that has every old value before anything is changed |
//! | [`restore`] | putting back by the note alone |
//! | [`guardian`] | the small process that outlives the run and does so |
//! | [`tuned`] | a run's own side: note, guardian, set; put back at the end |
//! | [`mod@process`] | which process, boot and namespaces a note speaks of |
//!
//! A run that ends in any way, `kill -9` included, closes a pipe; its guardian then puts back. If the guardian was killed
//! too, or the machine's power was cut before, the next start of either program finds the note of two processes that are
//! no more and puts back itself. A setting that somebody else has set since is left alone.
//!
//! Two runs on one machine may both tune: the second finds what the first has set as it should be. When the first ends
//! it puts that back, and the second goes on without.

pub mod guardian;
pub mod machine;
pub mod note;
pub mod process;
pub mod propose;
pub mod restore;
pub mod setting;
pub mod tuned;

use std::time::{Duration, Instant};

pub use machine::{Machine, ThisHost};
pub use propose::{Proposal, TuneFacts, points, propose};
pub use setting::{Changed, Setting, Value};
pub use tuned::{TuneError, Tuned, clean_up};

use crate::link::{self, LinkError, LinkFacts};

/// How long a link may take to agree anew after its port was set.
const LINK_UP: Duration = Duration::from_secs(15);
const GLANCE: Duration = Duration::from_millis(100);

/// The facts of a port that was set, when its carrier is back: most drivers take the link down for a new ring. A carrier
/// that stays away is in the facts.
///
/// # Errors
/// As [`link::facts()`].
pub async fn carrier_back(interface: &str) -> Result<LinkFacts, LinkError> {
    carrier_within(interface, LINK_UP).await
}

/// The same, for so long.
///
/// # Errors
/// As [`link::facts()`].
pub async fn carrier_within(interface: &str, patience: Duration) -> Result<LinkFacts, LinkError> {
    let until = Instant::now() + patience;
    loop {
        let facts = link::facts(interface).await?;
        if facts.carrier == Some(true) || Instant::now() > until {
            return Ok(facts);
        }
        tokio::time::sleep(GLANCE).await;
    }
}
