//! The attended flow: when the person is told to pull and to restore the power, and which pulls showed nothing.

use std::io::{BufRead, IsTerminal};
use std::time::Duration;

use crate::method::outages::Outage;

/// Traffic before the first pull.
const LEAD: Duration = Duration::from_secs(5);

/// So many pulls of the power, each followed by its return.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pulls {
    pub count: u32,
    /// How long the piece is without power each time, and with it again before the next.
    pub unpowered: Duration,
    pub powered: Duration,
}

impl Pulls {
    fn cycle(&self) -> Duration {
        self.unpowered.saturating_add(self.powered)
    }

    /// How long the watch takes.
    #[must_use]
    pub fn duration(&self) -> Duration {
        LEAD.saturating_add(self.cycle().saturating_mul(self.count))
    }

    /// What is said when, after the first frame.
    #[must_use]
    pub fn prompts(&self) -> Vec<(Duration, String)> {
        let one = |pull: u32| {
            let at = LEAD.saturating_add(self.cycle().saturating_mul(pull));
            let (number, of) = (pull + 1, self.count);
            let off = format!("pull the power NOW ({number} of {of})");
            let on = format!("restore the power NOW ({number} of {of})");
            [(at, off), (at.saturating_add(self.unpowered), on)]
        };
        (0..self.count).flat_map(one).collect()
    }

    /// The pulls (from 1) at which nothing was seen, neither when the power went nor when it returned: an outage belongs to
    /// the pull that was asked for last before it began.
    #[must_use]
    pub fn unseen<'a>(&self, outages: impl Iterator<Item = &'a Outage>) -> Vec<u32> {
        let mut seen = vec![false; self.count as usize];
        for outage in outages {
            let since = Duration::from_nanos(outage.start_ns).checked_sub(LEAD);
            let pull = since.map(|since| since.as_nanos() / self.cycle().as_nanos().max(1));
            if let Some(seen) = pull.and_then(|pull| seen.get_mut(usize::try_from(pull).ok()?)) {
                *seen = true;
            }
        }
        (1..).zip(seen).filter(|(_, seen)| !seen).map(|(pull, _)| pull).collect()
    }
}

/// Asks for Enter, where somebody can press it; whether the answer was not `skip`. `None` where nobody can be asked.
#[must_use]
pub fn asked(unattended: bool) -> Option<bool> {
    if unattended || !std::io::stdin().is_terminal() || !std::io::stderr().is_terminal() {
        return None;
    }
    let mut answer = String::new();
    let read = std::io::stdin().lock().read_line(&mut answer);
    Some(read.is_ok_and(|octets| octets > 0) && !answer.trim().eq_ignore_ascii_case("skip"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::method::outages::{Direction, Kind};

    const TWO: Pulls =
        Pulls { count: 2, unpowered: Duration::from_secs(10), powered: Duration::from_secs(20) };

    fn outage(start_s: u64) -> Outage {
        Outage {
            direction: Direction::Forward,
            kind: Kind::ShortGap,
            start_ns: start_s * 1_000_000_000,
            by_timestamp_ns: 1,
            by_frame_loss_ns: 1,
            frames_lost: 1,
            uncertain_frames: 0,
            frames_not_offered: 0,
            sender_down: None,
            receiver_down: None,
            may_be_the_pairs: false,
            by_host: false,
        }
    }

    #[test]
    fn each_pull_is_asked_for_and_undone() {
        assert_eq!(TWO.duration(), Duration::from_secs(65));
        let at: Vec<u64> = TWO.prompts().iter().map(|(at, _)| at.as_secs()).collect();
        assert_eq!(at, [5, 15, 35, 45]);
        assert_eq!(TWO.prompts()[2].1, "pull the power NOW (2 of 2)");
    }

    #[test]
    fn a_pull_that_showed_nothing_is_named() {
        assert_eq!(TWO.unseen([outage(6), outage(16)].iter()), [2]);
        assert_eq!(TWO.unseen([outage(6), outage(37)].iter()), Vec::<u32>::new());
        // Too early is nobody's pull.
        assert_eq!(TWO.unseen([outage(1), outage(70)].iter()), [1, 2]);
    }
}
