//! Outages of one direction, from the pauses its receiving end recorded, what its sending end offered, and carrier.
//!
//! An outage is a pause in arrivals of at least the recorder's threshold in which frames are missing, or in which an end was
//! without carrier. A pause in which nothing is missing and both links stayed up is none: frames were held up (a stall of the
//! host counts so) or nothing came in to be forwarded.
//!
//! Its length by two methods (RFC 6201 section 1.3), which are shown beside each other with their difference:
//!
//! - timestamp: first arrival after less last arrival before, one clock, no matter what was offered meanwhile;
//! - frame loss: frames lost ÷ rate. A Linux port offers nothing without carrier, so that this falls short by the
//!   frames that were not offered; these are counted from the departures on either side.
//!
//! A copper tap that loses power makes one outage when its relays fall and another when power returns. Nothing is
//! subtracted from either: unlike the box of RFC 6201 section 4.3.1 it forwards without power.

use kitproof_common::line::FrameRate;

use kitproof_common::sequence::gaps::{Arrival, Gap, Recorded};

/// The shortest pause that is called an outage, unless frames are so far apart that it would be fewer than
/// [`INTERVALS`] of them.
pub const SHORTEST_NS: u64 = 1_000_000;
/// Frame intervals that a pause has to have.
pub const INTERVALS: u64 = 10;

/// The threshold for the recorder at a rate: 1 ms or ten frame intervals, whichever is longer.
pub fn threshold_ns(rate: FrameRate) -> u64 {
    SHORTEST_NS.max(rate.time_of(INTERVALS))
}

/// Which way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// Generator to reflector.
    Forward,
    /// Reflector to generator.
    Return,
}

/// An end of the direction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    Sending,
    Receiving,
}

/// A change of carrier at one end, in nanoseconds brought to the clock of the arrivals. In order of time for each
/// end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CarrierChange {
    pub end: End,
    pub at_ns: u64,
    pub up: bool,
    /// How often it was lost since the change before. A loss that was over before it was told comes as one change, up.
    pub losses: u32,
    /// The host did it itself (administrative down, suspend): the kit did not.
    pub by_host: bool,
}

/// So late the kernel may tell of a loss that is over: it tells at most once a second (`linkwatch_do_schedule` in
/// net/core/link_watch.c; from memory).
pub const NEWS_NS: u64 = 1_200_000_000;

/// What the sending end offered: numbers 0 to `frames` - 1. Departures in nanoseconds on its own clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sender {
    pub rate: FrameRate,
    pub frames: u64,
    pub first_departure_ns: u64,
    /// When the last frame should have left; when it did, if nothing was left out.
    pub planned_end_ns: u64,
    /// The most frames on their way between the sender's count and the wire at any moment.
    pub in_flight: u64,
}

/// Everything about one direction.
#[derive(Debug, Clone, Copy)]
pub struct Observed<'a> {
    pub direction: Direction,
    pub recorded: &'a Recorded,
    pub sender: Sender,
    pub carrier: &'a [CarrierChange],
    /// Until when the receiving end listened, nanoseconds on the clock of the arrivals.
    pub watched_until_ns: u64,
    /// The most frames that the pair itself may have dropped in this direction.
    pub by_pair: u64,
}

/// What an outage is like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Frames stopped and came again; both links stayed up.
    ShortGap,
    /// A link went down meanwhile and came up again, which takes its own time.
    Renegotiation,
    /// No frame came any more.
    NeverBack,
}

impl std::fmt::Display for Kind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(match self {
            Kind::ShortGap => "one short gap",
            Kind::Renegotiation => "gap plus renegotiation",
            Kind::NeverBack => "never came back",
        })
    }
}

/// One outage.
#[derive(Debug, Clone, PartialEq)]
pub struct Outage {
    pub direction: Direction,
    pub kind: Kind,
    /// Departure of the last frame before, in nanoseconds after the first departure; 0 where there was none before.
    pub start_ns: u64,
    /// By the timestamp method. At least so long where frames never came back, and on the sender's clock where none
    /// had come before.
    pub by_timestamp_ns: u64,
    /// By the frame-loss method.
    pub by_frame_loss_ns: u64,
    /// Offered and lost.
    pub frames_lost: u64,
    /// Of these, the most that may have been on their way between the sender's count and the wire when carrier
    /// went.
    pub uncertain_frames: u64,
    /// Should have been offered meanwhile and were not.
    pub frames_not_offered: u64,
    /// When and how long each end was without carrier meanwhile; `None` if it was not.
    pub sender_down: Option<Down>,
    pub receiver_down: Option<Down>,
    /// Whether all that is missing may be the pair's own drops.
    pub may_be_the_pairs: bool,
    /// Whether a host took its own link down meanwhile.
    pub by_host: bool,
}

/// An end without carrier.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Down {
    /// Nanoseconds on the clock of the arrivals.
    pub from_ns: u64,
    /// `None` if carrier did not come back; 0 if it was back before anybody was told.
    pub for_ns: Option<u64>,
    /// The host did it itself.
    pub by_host: bool,
}

impl Outage {
    /// Timestamp less frame loss, in nanoseconds: what was not offered, and the interval between two frames.
    pub fn difference_ns(&self) -> i64 {
        let size = i64::try_from(self.by_timestamp_ns.abs_diff(self.by_frame_loss_ns)).unwrap_or(i64::MAX);
        if self.by_timestamp_ns < self.by_frame_loss_ns { -size } else { size }
    }
}

/// The outages of one direction, in order of time, and the pauses that are none.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Outages {
    pub outages: Vec<Outage>,
    /// Pauses in which nothing is missing.
    pub harmless_pauses: u64,
    /// Pauses that the recorder had no room for: so many outages more at most, and not longer than this.
    pub not_kept: u64,
    pub longest_not_kept_ns: Option<u64>,
    /// What counts as a pause, nanoseconds.
    pub threshold_ns: u64,
}

/// Finds the outages.
pub fn outages(observed: &Observed<'_>) -> Outages {
    let recorded = observed.recorded;
    let mut found = Outages {
        not_kept: recorded.not_kept,
        longest_not_kept_ns: recorded.longest_not_kept.map(|gap| gap.length_ns()),
        threshold_ns: recorded.threshold_ns,
        ..Outages::default()
    };
    let mut pauses: Vec<Pause> = Vec::with_capacity(recorded.gaps.len() + 2);
    pauses.extend(at_the_start(observed));
    pauses.extend(recorded.gaps.iter().map(|gap| between(observed, gap)));
    pauses.extend(at_the_end(observed));
    for pause in pauses {
        if pause.lost == 0 && !went_down(observed, &pause) {
            found.harmless_pauses += 1;
            continue;
        }
        found.outages.push(outage(observed, &pause));
    }
    found
}

/// A pause, whichever of its ends are known.
#[derive(Debug, Clone, Copy)]
struct Pause {
    /// On the clock of the arrivals; 0 and the end of listening where no frame came before or after.
    from_ns: u64,
    to_ns: u64,
    start_ns: u64,
    length_ns: u64,
    lost: u64,
    not_offered: u64,
    came_back: bool,
}

/// Frames that should have left within `ns` less those that did. The schedule is known to a frame or two.
fn not_offered(rate: FrameRate, ns: u64, offered: u64) -> u64 {
    let missing = rate.frames_in(ns).saturating_sub(offered);
    if missing > 1 { missing } else { 0 }
}

fn between(observed: &Observed<'_>, gap: &Gap) -> Pause {
    let sender = &observed.sender;
    let departures = gap.after.departure_ns.saturating_sub(gap.before.departure_ns);
    Pause {
        from_ns: gap.before.arrival_ns,
        to_ns: gap.after.arrival_ns,
        start_ns: gap.before.departure_ns.saturating_sub(sender.first_departure_ns),
        length_ns: gap.length_ns(),
        lost: gap.missing(),
        not_offered: not_offered(sender.rate, departures, gap.missing() + 1),
        came_back: true,
    }
}

/// The pause before the first arrival, by the sender's clock: there is no arrival to count from.
fn at_the_start(observed: &Observed<'_>) -> Option<Pause> {
    let (sender, first) = (&observed.sender, observed.recorded.first?);
    let length_ns = first.departure_ns.saturating_sub(sender.first_departure_ns);
    (length_ns >= observed.recorded.threshold_ns).then(|| Pause {
        from_ns: first.arrival_ns.saturating_sub(length_ns),
        to_ns: first.arrival_ns,
        start_ns: 0,
        length_ns,
        lost: first.sequence,
        not_offered: not_offered(sender.rate, length_ns, first.sequence),
        came_back: true,
    })
}

/// The pause after the last arrival, if frames were to come for longer than the threshold.
fn at_the_end(observed: &Observed<'_>) -> Option<Pause> {
    let sender = &observed.sender;
    let nothing = Arrival { sequence: 0, departure_ns: sender.first_departure_ns, arrival_ns: 0 };
    let (last, seen) = match observed.recorded.last {
        Some(last) => (last, last.sequence + 1),
        None => (nothing, 0),
    };
    let to_come_ns = sender.planned_end_ns.saturating_sub(last.departure_ns);
    if to_come_ns < observed.recorded.threshold_ns {
        return None;
    }
    let lost = sender.frames.saturating_sub(seen);
    Some(Pause {
        from_ns: last.arrival_ns,
        to_ns: observed.watched_until_ns,
        start_ns: last.departure_ns.saturating_sub(sender.first_departure_ns),
        length_ns: to_come_ns,
        lost,
        not_offered: not_offered(sender.rate, to_come_ns, lost),
        came_back: false,
    })
}

/// The first time an end was without carrier within a pause. Its times were brought from another clock, and carrier
/// is noticed late: the threshold is allowed for on either side.
fn down(observed: &Observed<'_>, pause: &Pause, end: End) -> Option<Down> {
    let slack = observed.recorded.threshold_ns;
    let (from, to) = (pause.from_ns.saturating_sub(slack), pause.to_ns.saturating_add(slack));
    // Since when, and whether the host did it.
    let mut down_at = None;
    let mut before: Option<u64> = None;
    for change in observed.carrier.iter().filter(|change| change.end == end) {
        let by_host = change.by_host;
        // Coming up without having gone down: it was down when watching began.
        if change.up && change.losses == 0 && before.is_none() {
            down_at = Some((from, by_host));
        }
        let earliest = change.at_ns.saturating_sub(NEWS_NS).max(before.unwrap_or(0));
        before = Some(change.at_ns);
        match (change.up, down_at) {
            (false, None) if change.at_ns <= to => down_at = Some((change.at_ns, by_host)),
            (true, Some((at, by_host))) if change.at_ns >= from => {
                return (at <= to).then(|| Down {
                    from_ns: at,
                    for_ns: Some(change.at_ns.saturating_sub(at)),
                    by_host,
                });
            }
            (true, Some(_)) => down_at = None,
            // Lost and back before it was told: somewhere in between.
            (true, None) if change.losses > 0 && earliest <= to && change.at_ns >= from => {
                return Some(Down { from_ns: earliest.max(from), for_ns: Some(0), by_host });
            }
            _ => {}
        }
    }
    down_at.map(|(at, by_host)| Down { from_ns: at, for_ns: None, by_host })
}

fn went_down(observed: &Observed<'_>, pause: &Pause) -> bool {
    [End::Sending, End::Receiving].into_iter().any(|end| down(observed, pause, end).is_some())
}

fn outage(observed: &Observed<'_>, pause: &Pause) -> Outage {
    let sender_down = down(observed, pause, End::Sending);
    let receiver_down = down(observed, pause, End::Receiving);
    let kind = match (pause.came_back, sender_down.or(receiver_down)) {
        (false, _) => Kind::NeverBack,
        (true, Some(_)) => Kind::Renegotiation,
        (true, None) => Kind::ShortGap,
    };
    Outage {
        direction: observed.direction,
        kind,
        start_ns: pause.start_ns,
        by_timestamp_ns: pause.length_ns,
        by_frame_loss_ns: observed.sender.rate.time_of(pause.lost),
        frames_lost: pause.lost,
        uncertain_frames: uncertain(observed, pause, sender_down, receiver_down),
        frames_not_offered: pause.not_offered,
        sender_down,
        receiver_down,
        may_be_the_pairs: pause.lost > 0 && observed.by_pair >= pause.lost,
        by_host: [sender_down, receiver_down].into_iter().flatten().any(|down| down.by_host),
    }
}

/// Frames that were counted as offered and may never have been on the wire: those in flight when the sender's
/// carrier went, and those it took in between the first sign of it and its own.
fn uncertain(observed: &Observed<'_>, pause: &Pause, sender: Option<Down>, receiver: Option<Down>) -> u64 {
    let Some(own) = sender else { return 0 };
    let first = receiver.map_or(own.from_ns, |other| other.from_ns.min(own.from_ns));
    let late = observed.sender.rate.frames_in(own.from_ns - first);
    observed.sender.in_flight.saturating_add(late).min(pause.lost)
}

#[cfg(test)]
mod tests;
