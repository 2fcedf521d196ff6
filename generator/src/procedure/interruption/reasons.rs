//! What must be said of a watch, and what it bears on: pure, from the outages of each direction and what is known of the
//! pair meanwhile.
//!
//! An outage that the pair itself explains (its own drops, a host that took its link down, a sender that stalled, a clock
//! that was stepped) is never called the kit's.

use super::{Way, ms, name};
use crate::method::outages::{Kind, Outage};
use crate::verdict::Reason;

/// A sender that offers less than this share of what was due has fallen behind.
const DUE: f64 = 0.99;

/// What is known of a watch.
pub(super) struct Facts<'a> {
    /// The longest outage that passes, nanoseconds; without it nothing is judged.
    pub(super) limit_ns: Option<u64>,
    /// Why nothing was heard of the far end, if nothing was.
    pub(super) far_end_unheard: Option<&'a str>,
    /// The wall clock of an end was stepped.
    pub(super) stepped: bool,
    /// Pauses that the far end kept and did not tell.
    pub(super) pauses_untold: u64,
    /// The far end did not tell of every change of carrier.
    pub(super) carrier_untold: bool,
    pub(super) interrupted: bool,
    pub(super) ways: &'a [Way],
}

/// All of them.
pub(super) fn all(facts: &Facts<'_>) -> Vec<Reason> {
    let mut reasons = of_the_far_end(facts);
    if facts.stepped {
        reasons.push(Reason::unproven(
            "clock_stepped",
            "The wall clock of an end was stepped while it watched: lengths by time stamps do not hold.",
            "Stop whatever sets the clock while the test runs.",
        ));
    }
    let mut outages = facts.ways.iter().flat_map(|way| way.found.outages.iter());
    if outages.next().is_none() {
        reasons.push(judging(
            facts,
            "no_outage",
            "No outage was seen in any direction that was watched.".to_owned(),
            "If the power was pulled, the piece passes frames without a gap; if nobody pulled, run it again.",
        ));
    }
    for way in facts.ways {
        of_the_pair(facts, way, &mut reasons);
    }
    if facts.ways.iter().any(|way| way.host_took_link_down) {
        reasons.push(judging(
            facts,
            "host_took_link_down",
            "A host took its own link down while it watched (administrative down, suspend).".to_owned(),
            "Leave both ports alone while the test runs; what was dark then is not the kit's doing.",
        ));
    }
    never_back(facts, &mut reasons);
    too_long(facts, &mut reasons);
    if facts.interrupted {
        reasons.push(Reason::note(
            "ended_early",
            "The watch was ended by hand.",
            "What was seen until then is kept.",
        ));
    }
    reasons
}

/// What keeps a limit from being judged; where there is none, it is only said.
fn judging(facts: &Facts<'_>, code: &str, text: String, advice: &str) -> Reason {
    match facts.limit_ns {
        Some(_) => Reason::unproven(code, text, advice),
        None => Reason::note(code, text, advice),
    }
}

fn of_the_far_end(facts: &Facts<'_>) -> Vec<Reason> {
    let mut reasons = Vec::new();
    if let Some(why) = facts.far_end_unheard {
        reasons.push(Reason::unproven(
            "far_end_not_heard",
            format!(
                "What the reflector saw was not heard ({why}): nothing is known of the forward direction, and on return what \
                 was lost after the last arrival is what the reflector was asked to send."
            ),
            "If the link never came back, that is the result. Otherwise run it again.",
        ));
    }
    if facts.pauses_untold > 0 {
        reasons.push(Reason::unproven(
            "pauses_not_told",
            format!("The reflector saw {} pauses more and could not tell of them.", facts.pauses_untold),
            "The link went again while it was asked: run it again.",
        ));
    }
    if facts.carrier_untold {
        reasons.push(Reason::unproven(
            "carrier_not_told",
            "The reflector's carrier changed more often than it could tell: an outage there may be called by the wrong name.",
            "Watch for a shorter time, with fewer pulls.",
        ));
    }
    reasons
}

/// What the pair itself left out, or lost.
fn of_the_pair(facts: &Facts<'_>, way: &Way, reasons: &mut Vec<Reason>) {
    let direction = name(way.direction);
    if way.found.not_kept > 0 {
        let longest = ms(way.found.longest_not_kept_ns.unwrap_or(0));
        reasons.push(Reason::unproven(
            "too_many_pauses",
            format!(
                "{} pauses more on {direction} were not kept, the longest of {longest:.3} ms.",
                way.found.not_kept
            ),
            "Watch for a shorter time: a path that flickers all the time is broken, whatever its power.",
        ));
    }
    if way.offered == 0 {
        reasons.push(Reason::unproven(
            "nothing_offered",
            format!("No frame was offered on {direction}: nothing was watched there."),
            "Look at the sending port, and run it again.",
        ));
    }
    if let Some(why) = &way.failure {
        reasons.push(Reason::unproven(
            "sender_failed",
            format!(
                "The sender on {direction} lost its port ({why}): from then on nothing was watched there."
            ),
            "Look at the sending port, and run it again.",
        ));
    }
    // Without carrier nothing can be offered, which is no weakness of the sender.
    let without_carrier: u64 = way
        .found
        .outages
        .iter()
        .filter(|outage| outage.sender_down.is_some())
        .map(|outage| outage.frames_not_offered)
        .sum();
    let due = way.planned.saturating_sub(without_carrier);
    if (way.offered as f64) < due as f64 * DUE {
        reasons.push(judging(
            facts,
            "sender_fell_behind",
            format!(
                "The sender on {direction} offered {} frames where {due} were due: lengths by lost frames fall short, and the \
                 frames called not offered are in part its own.",
                way.offered
            ),
            "Use a lower --load or a quieter machine; the lengths by time stamps hold.",
        ));
    }
    let missing = way.arrived.map_or(u64::MAX, |arrived| way.offered.saturating_sub(arrived));
    if way.lost_in_outages() > missing {
        reasons.push(judging(
            facts,
            "losses_disagree",
            format!(
                "{} frames seem lost in outages on {direction}, and only {missing} are missing in all: some came later.",
                way.lost_in_outages()
            ),
            "The chain holds frames back for longer than was looked for; the lengths by time stamps hold.",
        ));
    } else if way.lost_elsewhere() > 0 {
        reasons.push(Reason::note(
            "lost_outside_outages",
            format!("{} frames were lost on {direction} outside the outages.", way.lost_elsewhere()),
            "They have nothing to do with the power: prove the chain (kitproof prove).",
        ));
    }
}

/// What of the pair's own explains an outage, if something does: a code and words.
fn excuse(facts: &Facts<'_>, way: &Way, outage: &Outage) -> Option<(&'static str, &'static str)> {
    if facts.stepped {
        return Some(("outage_by_a_stepped_clock", "A clock was stepped meanwhile"));
    }
    if outage.may_be_the_pairs {
        return Some(("outage_may_be_the_pairs", "The pair itself may have dropped these frames"));
    }
    if outage.by_host {
        return Some(("outage_by_the_host", "A host took its own link down meanwhile"));
    }
    if outage.kind == Kind::NeverBack && way.failure.is_some() {
        return Some(("outage_of_the_sender", "The sender lost its port meanwhile"));
    }
    // Nothing was offered for so long that what is left would pass.
    let stalled_ns = way.rate.time_of(outage.frames_not_offered);
    let left_ns = outage.by_timestamp_ns.saturating_sub(stalled_ns);
    let passes = facts.limit_ns.is_some_and(|limit| left_ns <= limit);
    (outage.sender_down.is_none() && outage.frames_not_offered > 0 && passes)
        .then_some(("outage_while_the_sender_stalled", "The sender itself offered nothing for most of it"))
}

fn never_back(facts: &Facts<'_>, reasons: &mut Vec<Reason>) {
    let never = || {
        facts.ways.iter().flat_map(|way| {
            let never = way.found.outages.iter().filter(|outage| outage.kind == Kind::NeverBack);
            never.map(move |outage| (way, outage))
        })
    };
    let text = "Frames never came back before the watch ended.";
    let advice =
        "Restore the power and look at the link at both ends; watch longer if it is slow to come back.";
    if never().next().is_none() {
        return;
    }
    let excused = never().all(|(way, outage)| excuse(facts, way, outage).is_some());
    reasons.push(match (facts.limit_ns, excused) {
        (None, _) => Reason::note("never_came_back", text, advice),
        (Some(_), true) => Reason::unproven("never_came_back", text, advice),
        (Some(_), false) => Reason::fail("never_came_back", text, advice),
    });
}

fn too_long(facts: &Facts<'_>, reasons: &mut Vec<Reason>) {
    let Some(limit) = facts.limit_ns else { return };
    for way in facts.ways {
        for outage in way.found.outages.iter().filter(|outage| outage.by_timestamp_ns > limit) {
            let text = format!(
                "An outage of {:.3} ms on {}; the limit is {:.3} ms.",
                ms(outage.by_timestamp_ns),
                name(way.direction),
                ms(limit)
            );
            reasons.push(match excuse(facts, way, outage) {
                Some((code, why)) => Reason::unproven(
                    code,
                    format!("{text} {why}."),
                    "It may be none of the kit: run it again.",
                ),
                None => Reason::fail(
                    "outage_too_long",
                    text,
                    "The piece is too slow for this link when its power goes or returns.",
                ),
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use kitproof_common::line::FrameRate;

    use super::*;
    use crate::method::outages::{Direction, Down, Outages};
    use crate::verdict::Bears;

    const MS: u64 = 1_000_000;

    fn outage(ms: u64) -> Outage {
        Outage {
            direction: Direction::Forward,
            kind: Kind::ShortGap,
            start_ns: 0,
            by_timestamp_ns: ms * MS,
            by_frame_loss_ns: ms * MS,
            frames_lost: 10 * ms,
            uncertain_frames: 0,
            frames_not_offered: 0,
            sender_down: None,
            receiver_down: None,
            may_be_the_pairs: false,
            by_host: false,
        }
    }

    /// 10,000 frames a second for a minute; all arrived but what the outages took.
    fn way(direction: Direction, outages: Vec<Outage>) -> Way {
        let lost: u64 = outages.iter().map(|outage| outage.frames_lost).sum();
        Way {
            direction,
            found: Outages { outages, ..Outages::default() },
            rate: FrameRate::from_per_second(10_000).unwrap(),
            offered: 600_000,
            planned: 600_000,
            arrived: Some(600_000 - lost),
            failure: None,
            host_took_link_down: false,
        }
    }

    /// The reasons that keep a pass away, under a limit of 50 ms; an outage of 40 ms was seen on return unless it is told
    /// otherwise.
    fn told(change: impl FnOnce(&mut Facts<'_>, &mut [Way; 2])) -> Vec<(Bears, String)> {
        let mut ways = [way(Direction::Forward, vec![]), way(Direction::Return, vec![outage(40)])];
        let mut facts = Facts {
            limit_ns: Some(50 * MS),
            far_end_unheard: None,
            stepped: false,
            pauses_untold: 0,
            carrier_untold: false,
            interrupted: false,
            ways: &[],
        };
        change(&mut facts, &mut ways);
        let facts = Facts { ways: &ways, ..facts };
        let reasons = all(&facts).into_iter().filter(|reason| reason.bears != Bears::Note);
        reasons.map(|reason| (reason.bears, reason.code)).collect()
    }

    fn unproven(code: &str) -> (Bears, String) {
        (Bears::Unproven, code.to_owned())
    }

    #[test]
    fn what_was_not_offered_is_no_pass() {
        assert_eq!(told(|_, _| {}), []);
        assert_eq!(
            told(|_, ways| {
                ways[1] = Way {
                    offered: 0,
                    arrived: Some(0),
                    failure: Some("gone".into()),
                    ..way(Direction::Return, vec![])
                };
                ways[0].found.outages.push(outage(40));
                ways[0].arrived = Some(599_600);
            }),
            [unproven("nothing_offered"), unproven("sender_failed"), unproven("sender_fell_behind")]
        );
        // Half the rate for the whole minute, with a flap of carrier in it that excuses 3,000 frames of the half.
        assert_eq!(
            told(|_, ways| {
                let flap = Outage {
                    sender_down: Some(Down { from_ns: 0, for_ns: Some(300 * MS), by_host: false }),
                    frames_not_offered: 3_000,
                    ..outage(30)
                };
                ways[0] =
                    Way { offered: 300_000, arrived: Some(299_700), ..way(Direction::Forward, vec![flap]) };
            }),
            [unproven("sender_fell_behind")]
        );
        // A link that was down for most of the watch is not the sender's weakness.
        assert_eq!(
            told(|_, ways| {
                let down = Outage {
                    sender_down: Some(Down { from_ns: 0, for_ns: Some(40 * MS), by_host: false }),
                    frames_not_offered: 400,
                    frames_lost: 1,
                    ..outage(40)
                };
                ways[0] =
                    Way { offered: 599_600, arrived: Some(599_599), ..way(Direction::Forward, vec![down]) };
            }),
            []
        );
    }

    #[test]
    fn the_pairs_own_doing_fails_no_kit() {
        let long = |change: fn(&mut Outage)| {
            move |_: &mut Facts<'_>, ways: &mut [Way; 2]| {
                let mut one = outage(300);
                change(&mut one);
                ways[1] = way(Direction::Return, vec![one]);
            }
        };
        assert_eq!(told(long(|_| {})), [(Bears::Fail, "outage_too_long".to_owned())]);
        assert_eq!(told(long(|one| one.may_be_the_pairs = true)), [unproven("outage_may_be_the_pairs")]);
        assert_eq!(told(long(|one| one.by_host = true)), [unproven("outage_by_the_host")]);
        // 260 ms of it nothing was offered: 40 ms are left, and pass.
        let stalled = |one: &mut Outage| (one.frames_not_offered, one.frames_lost) = (2_600, 1);
        assert_eq!(told(long(stalled)), [unproven("outage_while_the_sender_stalled")]);
        let still_long = |one: &mut Outage| (one.frames_not_offered, one.frames_lost) = (2_400, 1);
        assert_eq!(told(long(still_long)), [(Bears::Fail, "outage_too_long".to_owned())]);
        // A link that was down is the kit's, however little was offered.
        let down = |one: &mut Outage| {
            one.frames_not_offered = 2_900;
            one.sender_down = Some(Down { from_ns: 0, for_ns: Some(290 * MS), by_host: false });
        };
        assert_eq!(told(long(down)), [(Bears::Fail, "outage_too_long".to_owned())]);
        assert_eq!(
            told(|facts, ways| {
                facts.stepped = true;
                ways[1] = way(Direction::Return, vec![outage(10_040)]);
            }),
            [unproven("clock_stepped"), unproven("outage_by_a_stepped_clock")]
        );
        assert_eq!(told(|_, ways| ways[0].host_took_link_down = true), [unproven("host_took_link_down")]);
    }

    #[test]
    fn what_never_came_back_fails_unless_the_pair_explains_it() {
        let never = |change: fn(&mut Way)| {
            move |_: &mut Facts<'_>, ways: &mut [Way; 2]| {
                ways[1] = way(Direction::Return, vec![Outage { kind: Kind::NeverBack, ..outage(40) }]);
                change(&mut ways[1]);
            }
        };
        assert_eq!(told(never(|_| {})), [(Bears::Fail, "never_came_back".to_owned())]);
        assert_eq!(
            told(never(|way| way.found.outages[0].may_be_the_pairs = true)),
            [unproven("never_came_back")]
        );
        assert_eq!(
            told(never(|way| way.failure = Some("gone".to_owned()))),
            [unproven("sender_failed"), unproven("never_came_back")]
        );
    }

    #[test]
    fn what_was_not_heard_or_not_told_is_no_pass() {
        assert_eq!(told(|facts, _| facts.far_end_unheard = Some("silent")), [unproven("far_end_not_heard")]);
        assert_eq!(told(|facts, _| facts.pauses_untold = 3), [unproven("pauses_not_told")]);
        assert_eq!(told(|facts, _| facts.carrier_untold = true), [unproven("carrier_not_told")]);
        assert_eq!(told(|_, ways| ways[0].found.not_kept = 1), [unproven("too_many_pauses")]);
        assert_eq!(told(|_, ways| ways[1] = way(Direction::Return, vec![])), [unproven("no_outage")]);
        // 400 frames of the outage came after all.
        assert_eq!(told(|_, ways| ways[1].arrived = Some(600_000)), [unproven("losses_disagree")]);
    }

    #[test]
    fn without_a_limit_nothing_fails() {
        let found = told(|facts, ways| {
            facts.limit_ns = None;
            ways[1] = way(Direction::Return, vec![Outage { kind: Kind::NeverBack, ..outage(900) }]);
            ways[0].offered = 500_000;
            ways[0].arrived = Some(500_000);
        });
        assert_eq!(found, []);
    }
}
