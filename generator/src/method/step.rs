//! One trial as the methods see it: what it offers, and what came of it.

use std::fmt;
use std::time::Duration;

use kitproof_common::line::{Load, Percent, WINDOW_NS};

use super::estimate::{Estimate, Waits};
use super::letter::Letter;
use crate::verdict::{Account, Bears, LoadFacts, Outcome, Verdict};

/// How often a trial that proved nothing is done again before the method goes on without it.
pub const REPEATS: u32 = 3;

/// From this share of line rate on frames cannot follow each other any faster, unless a port goes above its line.
const FULL_LOAD_PERCENT: f64 = 99.9;
/// The windows in which the load is looked at.
const WINDOW_S: f64 = WINDOW_NS as f64 / 1e9;

/// What one trial offers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Offer {
    /// One load for a time.
    Steady { load: Load, duration: Duration },
    /// So many frames at the shortest gap, from idle; then silence for at least `listen`.
    Burst { frames: u64, listen: Duration },
    /// A load for a time, and at once a lower one for a time.
    Lowered { first: Percent, first_for: Duration, then: Percent, then_for: Duration },
}

/// A trial to be run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trial {
    /// Bytes including FCS.
    pub frame_size: u16,
    pub offer: Offer,
    /// Why, in two or three words for the progress line.
    pub why: &'static str,
}

/// What a trial showed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Finding {
    /// The load was offered as intended and nothing is missing (or no more than the limit allows).
    Clean,
    /// Frames are missing, more than the pair can have dropped.
    LostInKit,
    /// Frames are missing, and it may all be the pair's own doing.
    LostInPair,
    /// The load was not the intended one: too low, stalled, or in bursts that the kit was not to be shown.
    LoadNotOffered,
    /// The link itself went down: whatever is missing says nothing about the load.
    LinkLost,
    /// Anything else that keeps it from being judged: counts not heard, cut short, flow control.
    NotJudged,
}

impl Finding {
    /// Whether the trial proved nothing about the kit at this load.
    pub fn is_unproven(self) -> bool {
        !matches!(self, Finding::Clean | Finding::LostInKit)
    }
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Finding::Clean => "no frame was lost",
            Finding::LostInKit => "the kit lost frames",
            Finding::LostInPair => "the pair may have lost what is missing",
            Finding::LoadNotOffered => "the load was not offered as intended",
            Finding::LinkLost => "the link went down",
            Finding::NotJudged => "the trial could not be judged",
        })
    }
}

/// What came of a trial: the finding and the figures a method needs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Came {
    pub finding: Finding,
    /// Frames that left the generator.
    pub offered: u64,
    /// Distinct frames that came back whole; never more than `offered`.
    pub received: u64,
    /// Of those that are missing, the most that may be the pair's own doing.
    pub by_pair: u64,
    /// Offered load (RFC 2285 section 3.5.2), frames a second from first to last departure.
    pub offered_fps: Option<f64>,
}

impl Came {
    /// From a trial's account, verdict and load.
    pub fn of(account: &Account, verdict: &Verdict, load: &LoadFacts) -> Came {
        let missing = account.offered_frames.saturating_sub(account.returned_frames);
        let by_pair = account
            .dropped_by_pair()
            .saturating_add(account.max_pair_drop.forward)
            .saturating_add(account.max_pair_drop.homeward)
            .saturating_add(account.unaccounted)
            .min(missing);
        let mut finding = finding(missing, verdict);
        if finding == Finding::LostInKit && (was_too_much(load) || was_repaid(load, missing - by_pair)) {
            finding = Finding::LoadNotOffered;
        }
        Came {
            finding,
            offered: account.offered_frames,
            received: account.offered_frames - missing,
            by_pair,
            offered_fps: load.offered_fps,
        }
    }

    /// Frames that did not come back.
    pub fn missing(&self) -> u64 {
        self.offered.saturating_sub(self.received)
    }
}

fn finding(missing: u64, verdict: &Verdict) -> Finding {
    let says = |bears, codes: &[&str]| {
        verdict
            .reasons
            .iter()
            .any(|reason| reason.bears == bears && codes.iter().any(|code| reason.code.starts_with(code)))
    };
    let unproven = |codes: &[&str]| says(Bears::Unproven, codes);
    if says(Bears::Fail, &["carrier_lost"]) || unproven(&["host_took_link_down"]) {
        return Finding::LinkLost;
    }
    if unproven(&["bursts"]) {
        // The kit was shown bursts that this load does not have.
        return Finding::LoadNotOffered;
    }
    if says(Bears::Fail, &["lost_", "corrupted"]) {
        return Finding::LostInKit;
    }
    // Flow control lowers the load without a word (RFC 2285 section 3.5.4).
    let load_missed = unproven(&["load_missed", "load_stalled", "no_load", "paused"]);
    let any = verdict.reasons.iter().any(|reason| reason.bears == Bears::Unproven)
        || verdict.verdict == Outcome::Unproven;
    match (missing, load_missed, any) {
        (_, _, false) => Finding::Clean,
        (1.., ..) => Finding::LostInPair,
        (0, true, _) => Finding::LoadNotOffered,
        (0, false, _) => Finding::NotJudged,
    }
}

/// More was offered than intended: a loss then says nothing of the intended load.
fn was_too_much(load: &LoadFacts) -> bool {
    load.offered_fps.is_some_and(|offered| offered > load.intended_fps * (1.0 + load.tolerance))
}

/// A sender that was held up repays faster than the intended load. What is lost may come of that, unless it is more
/// than was held back.
fn was_repaid(load: &LoadFacts, lost: u64) -> bool {
    let windows = &load.windows;
    let cannot_be_faster = load.intended_percent >= FULL_LOAD_PERCENT && windows.above_line == 0;
    if windows.below_99_percent == 0 || cannot_be_faster {
        return false;
    }
    let in_a_window = load.intended_fps * WINDOW_S;
    let lacking = 1.0 - windows.lowest_percent.unwrap_or(0.0) / 100.0;
    lost as f64 <= windows.below_99_percent as f64 * in_a_window * lacking
}

/// A procedure of more than one trial.
pub trait Method {
    /// What it comes to.
    type Report;

    /// The next trial; `None` when there is nothing more to offer. The same until [`take`](Self::take) is called.
    fn next(&self) -> Option<Trial>;

    /// What came of the trial that [`next`](Self::next) asked for. Nothing happens if there was none.
    fn take(&mut self, came: &Came);

    /// What is known so far: the result, or, before the end, what an interruption leaves of it.
    fn report(&self) -> Self::Report;

    /// How long all of it takes.
    fn estimate(&self, waits: &Waits) -> Estimate;

    /// Whether all of it is by the letter of its standard.
    fn letter(&self, waits: &Waits) -> Letter;
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::verdict::{Bounds, HomeCounts, Reason, TrialFacts, WindowFacts, account, judge};
    use kitproof_common::control::counts::FarCounts;

    /// A trial of 1,000 frames of which `lost` went missing forward and the reflector's socket named `dropped`.
    fn facts(lost: u64, dropped: u64) -> TrialFacts {
        let home = HomeCounts {
            offered: 1_000,
            returned: 1_000 - lost,
            arrivals: 1_000 - lost,
            reflector_numbers: 1_000 - lost,
            highest_sequence: Some(999),
            highest_reflector_number: Some(999 - lost),
            ..HomeCounts::default()
        };
        let far = FarCounts {
            reached: 1_000 - lost,
            reached_distinct: 1_000 - lost,
            reflected: 1_000 - lost,
            dropped,
            highest_sequence: Some(999),
            ..FarCounts::default()
        };
        let bounds = Bounds { forward_known: true, homeward_known: true, ..Bounds::default() };
        TrialFacts {
            frame_size: 64,
            account: account(&home, Some(&far), &bounds),
            load: LoadFacts {
                intended_fps: 100.0,
                intended_percent: 50.0,
                offered_fps: Some(100.0),
                tolerance: 2e-4,
                stalls_allowed: 0,
                windows: WindowFacts::default(),
            },
            burst_tolerance: 32,
            ..TrialFacts::default()
        }
    }

    fn came(facts: &TrialFacts) -> Came {
        Came::of(&facts.account, &judge(facts), &facts.load)
    }

    #[test]
    fn the_judge_decides_what_counts_against_the_kit() {
        let clean = came(&facts(0, 0));
        assert_eq!((clean.finding, clean.missing(), clean.by_pair), (Finding::Clean, 0, 0));
        let lost = came(&facts(7, 0));
        assert_eq!((lost.finding, lost.missing(), lost.by_pair), (Finding::LostInKit, 7, 0));
        let own = came(&facts(7, 7));
        assert_eq!((own.finding, own.missing(), own.by_pair), (Finding::LostInPair, 7, 7));
        let mixed = came(&facts(7, 3));
        assert_eq!((mixed.finding, mixed.by_pair), (Finding::LostInKit, 3));
    }

    #[test]
    fn what_the_pair_or_the_link_spoiled_is_unproven() {
        let mut slow = facts(0, 0);
        slow.load.offered_fps = Some(90.0);
        assert_eq!(came(&slow).finding, Finding::LoadNotOffered);
        let mut bursty = facts(7, 0);
        bursty.account.longest_burst.sent = 400;
        assert_eq!(came(&bursty).finding, Finding::LoadNotOffered);
        let mut paused = facts(0, 0);
        paused.pauses.push(crate::verdict::Pauses { received: Some(3), ..Default::default() });
        assert_eq!(came(&paused).finding, Finding::LoadNotOffered);
        let mut cut = facts(0, 0);
        cut.cut_short = Some("interrupted".into());
        assert_eq!(came(&cut).finding, Finding::NotJudged);
        let mut down = facts(7, 0);
        down.carrier.push(crate::verdict::CarrierLoss::default());
        assert_eq!(came(&down).finding, Finding::LinkLost);
        let mut copied = facts(0, 0);
        copied.more.push(Reason::fail("duplicates_forward", "", ""));
        assert_eq!(came(&copied).finding, Finding::Clean, "a copy is no loss");
    }

    #[test]
    fn a_loss_at_another_load_than_intended_is_not_the_kits() {
        let mut faster = facts(7, 0);
        faster.load.offered_fps = Some(101.0);
        assert_eq!(came(&faster).finding, Finding::LoadNotOffered);
        let mut slower = facts(7, 0);
        slower.load.offered_fps = Some(99.0);
        assert_eq!(came(&slower).finding, Finding::LostInKit, "even less than intended was too much");

        // Windows of 1,000 frames; one of them lacked a tenth, which was repaid above the intended load.
        let mut stalled = facts(7, 0);
        stalled.load.intended_fps = 10_000.0;
        stalled.load.offered_fps = Some(10_000.0);
        stalled.load.windows = WindowFacts {
            count: 100,
            below_99_percent: 1,
            lowest_percent: Some(90.0),
            highest_percent: Some(105.0),
            ..WindowFacts::default()
        };
        assert_eq!(came(&stalled).finding, Finding::LoadNotOffered);
        let mut more = TrialFacts { account: facts(101, 0).account, ..stalled.clone() };
        assert_eq!(came(&more).finding, Finding::LostInKit, "more is lost than was repaid");
        more.account = facts(7, 0).account;
        more.load.intended_percent = 100.0;
        assert_eq!(came(&more).finding, Finding::LostInKit, "at full load nothing can be repaid faster");
        more.load.windows.above_line = 1;
        assert_eq!(came(&more).finding, Finding::LoadNotOffered);
    }
}
