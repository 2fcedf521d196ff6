//! "This link carries nothing else": asked once, remembered for a while (RFC 6815).

use std::io::{BufRead, IsTerminal, Write};
use std::path::PathBuf;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use kitproof_common::link::LinkFacts;
use serde::{Deserialize, Serialize};

use super::failure::Failure;
use crate::state;

/// How long an acknowledgement holds on a link that stays up.
const HOLDS: Duration = Duration::from_secs(12 * 3600);

const QUESTION: &str = "\
Line-rate traffic takes a live network down. Is this an isolated bench: a link that carries nothing but this
test, and that no bridge, router or other machine is on (RFC 6815)?";

/// One acknowledgement, as kept on disk.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Acknowledged {
    interface: String,
    mac: Option<String>,
    boot: String,
    /// Carrier losses so far: one more, and how long it was is not known, so the question is asked again.
    carrier_downs: Option<u32>,
    at: u64,
}

/// What is known of a link before the first frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Known {
    /// Acknowledged and listened to less than twelve hours ago, and up since.
    Remembered,
    /// Acknowledged just now (or by `--isolated-bench`): both ends have yet to listen.
    New,
}

/// Asks, unless it was acknowledged on the command line or lately on this link.
///
/// # Errors
/// [`Failure::Environment`] when there is nobody to ask, or the answer is no.
pub fn acknowledge(facts: &LinkFacts, said_so: bool, unattended: bool) -> Result<Known, Failure> {
    if remembered(facts) {
        return Ok(Known::Remembered);
    }
    if said_so {
        return Ok(Known::New);
    }
    if unattended || !std::io::stdin().is_terminal() || !std::io::stderr().is_terminal() {
        return Err(Failure::Environment(format!(
            "nobody has said that {} is on an isolated bench: if this link carries nothing else (RFC 6815), say \
             --isolated-bench",
            facts.name
        )));
    }
    eprint!("{QUESTION}\nType yes to go on: ");
    let _ = std::io::stderr().flush();
    let mut answer = String::new();
    let _ = std::io::stdin().lock().read_line(&mut answer);
    if answer.trim().eq_ignore_ascii_case("yes") {
        Ok(Known::New)
    } else {
        Err(Failure::Environment("nothing was sent".into()))
    }
}

/// Remembers that this link was acknowledged and listened to. A state that cannot be written only means that
/// the question is asked again.
pub fn remember(facts: &LinkFacts) {
    let Some((path, now)) = state_file().zip(now()) else { return };
    let mut all = read(&path);
    all.retain(|one| one.interface != facts.name && now.saturating_sub(one.at) < HOLDS.as_secs());
    all.push(entry(facts, now));
    let Ok(text) = serde_json::to_vec_pretty(&all) else { return };
    let _ = state::replace(&path, &text);
}

fn remembered(facts: &LinkFacts) -> bool {
    let Some((path, now)) = state_file().zip(now()) else { return false };
    read(&path).iter().any(|one| holds(one, &entry(facts, now)))
}

/// Whether an earlier acknowledgement still speaks of the link as it is now.
fn holds(earlier: &Acknowledged, now: &Acknowledged) -> bool {
    let age = now.at.checked_sub(earlier.at);
    Acknowledged { at: now.at, ..earlier.clone() } == *now
        && now.carrier_downs.is_some()
        && age.is_some_and(|age| age < HOLDS.as_secs())
}

fn entry(facts: &LinkFacts, at: u64) -> Acknowledged {
    Acknowledged {
        interface: facts.name.clone(),
        mac: facts.mac.map(|mac| mac.to_string()),
        boot: std::fs::read_to_string("/proc/sys/kernel/random/boot_id")
            .unwrap_or_default()
            .trim()
            .to_owned(),
        carrier_downs: facts.carrier_down_count,
        at,
    }
}

fn read(path: &PathBuf) -> Vec<Acknowledged> {
    std::fs::read(path).ok().and_then(|text| serde_json::from_slice(&text).ok()).unwrap_or_default()
}

fn now() -> Option<u64> {
    SystemTime::now().duration_since(UNIX_EPOCH).ok().map(|since| since.as_secs())
}

fn state_file() -> Option<PathBuf> {
    state::file("isolated.json")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn acknowledged(at: u64) -> Acknowledged {
        Acknowledged {
            interface: "eth1".into(),
            mac: Some("02:00:00:00:00:01".into()),
            boot: "b".into(),
            carrier_downs: Some(3),
            at,
        }
    }

    #[test]
    fn it_holds_for_twelve_hours_on_a_link_that_stays_up() {
        let earlier = acknowledged(1_000);
        assert!(holds(&earlier, &acknowledged(1_000 + 12 * 3600 - 1)));
        assert!(!holds(&earlier, &acknowledged(1_000 + 12 * 3600)));
        assert!(!holds(&earlier, &acknowledged(999)), "a clock that was set back");
        let replugged = Acknowledged { carrier_downs: Some(4), ..acknowledged(1_001) };
        assert!(!holds(&earlier, &replugged));
        let rebooted = Acknowledged { boot: "c".into(), ..acknowledged(1_001) };
        assert!(!holds(&earlier, &rebooted));
        let silent = Acknowledged { carrier_downs: None, ..acknowledged(1_001) };
        assert!(!holds(&silent, &silent.clone()), "a port that does not count carrier losses");
    }
}
