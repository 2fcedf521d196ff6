//! Reset (RFC 2544 section 26.6 as RFC 6201 updates it): how long the kit forwards nothing after a reset.
//!
//! Two methods, and which of them holds (RFC 6201 section 1.3): frames lost ÷ offered rate, if the tester goes on
//! offering while its link is down; the time from the last frame before to the first after, if it offers only while
//! the link is up. A Linux port does not send without carrier: where the link went down, only the timestamps hold.

use std::time::Duration;

use kitproof_common::line::{FrameRate, LineRate, line_frame_rate};

use super::letter::Letter;

/// RFC 6201 section 4: traffic runs at least so long before the reset.
pub const BEFORE: Duration = Duration::from_secs(15);
/// RFC 6201 section 4.3.1: the power is off at least so long, and so much is then subtracted, because a box without
/// power is not resetting. (RFC 2544 section 26.6 had 10 s.) A fail-safe tap forwards without power: nothing is
/// subtracted there, its two outages are told apart by [`outages`](super::outages).
pub const POWER_OFF: Duration = Duration::from_secs(15);

const STANDARD: &str = "RFC 2544 section 26.6 and RFC 6201";

/// Which reset (RFC 6201 section 4).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A component or the whole box, by hand (section 4.1).
    Hardware,
    /// Of a process or of the operating system (section 4.2).
    Software,
    /// The power was taken away for so long (section 4.3).
    Power { off_for: Duration },
}

/// What was seen of one reset.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    pub kind: Kind,
    /// Frames offered and lost.
    pub lost: u64,
    pub rate: FrameRate,
    /// Arrival of the last frame before, and of the first after; nanoseconds on the clock of the receiving end.
    pub last_before_ns: Option<u64>,
    pub first_after_ns: Option<u64>,
    /// Whether frames were offered all the time, also while a link was down.
    pub offered_throughout: bool,
}

/// How a reset time was come by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    FrameLoss,
    Timestamp,
}

/// Reset times in seconds, power-off time subtracted where the kit is dead without power.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ResetTime {
    /// The one that holds; `None` if neither can be had.
    pub seconds: Option<f64>,
    pub by: By,
    pub by_frame_loss_s: f64,
    pub by_timestamp_s: Option<f64>,
    /// The interval between frames: how finely either is known.
    pub resolution_s: f64,
}

/// Frames lost ÷ offered rate, seconds.
pub fn frame_loss_method(lost: u64, rate: FrameRate) -> f64 {
    lost as f64 / rate.per_second()
}

/// B - A in seconds; `None` if no frame came after, or after is before.
pub fn timestamp_method(last_before_ns: u64, first_after_ns: u64) -> Option<f64> {
    Some(first_after_ns.checked_sub(last_before_ns)? as f64 / 1e9)
}

/// Both methods, and which of them holds.
pub fn reset_time(seen: &Seen) -> ResetTime {
    let dead_s = match seen.kind {
        Kind::Power { off_for } => off_for.as_secs_f64(),
        Kind::Hardware | Kind::Software => 0.0,
    };
    let less = |seconds: f64| (seconds - dead_s).max(0.0);
    let by_frame_loss_s = less(frame_loss_method(seen.lost, seen.rate));
    let by_timestamp_s = seen
        .last_before_ns
        .zip(seen.first_after_ns)
        .and_then(|(before, after)| timestamp_method(before, after))
        .map(less);
    // A kit that never came back has lost frames until the end of the trial and no time of its own.
    let came_back = seen.first_after_ns.is_some();
    let by = if seen.offered_throughout && by_timestamp_s.is_none() { By::FrameLoss } else { By::Timestamp };
    ResetTime {
        seconds: match by {
            By::FrameLoss => came_back.then_some(by_frame_loss_s),
            By::Timestamp => by_timestamp_s,
        },
        by,
        by_frame_loss_s,
        by_timestamp_s,
        resolution_s: 1.0 / seen.rate.per_second(),
    }
}

/// How finely a reset can be timed on a line: the interval between frames at full load, seconds. RFC 6201 asks for
/// the smallest frame for this reason.
pub fn finest_resolution_s(line: LineRate, frame_size: u16) -> f64 {
    1.0 / line_frame_rate(line, frame_size).per_second()
}

/// Whether a reset was by the letter: traffic before it, power off, throughput rate and the smallest frame.
pub fn letter(kind: Kind, before: Duration, frame_size: u16, smallest: u16) -> Letter {
    let letter = Letter::of(STANDARD).at_least("traffic before the reset of", before, BEFORE).departs_if(
        frame_size != smallest,
        &format!("frames of {frame_size} bytes in place of the smallest, {smallest}"),
    );
    match kind {
        Kind::Power { off_for } => letter.at_least("power off for", off_for, POWER_OFF),
        Kind::Hardware | Kind::Software => letter,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GIGABIT: LineRate = LineRate(1_000_000_000);

    fn seen(lost: u64) -> Seen {
        Seen {
            kind: Kind::Hardware,
            lost,
            rate: line_frame_rate(GIGABIT, 64),
            last_before_ns: Some(20_000_000_000),
            first_after_ns: Some(23_000_000_672),
            offered_throughout: true,
        }
    }

    /// Calculated by RFC 6201 section 1.3: 64 bytes at 1 Gb/s, 4,464,286 frames lost are 3 s; 0.672 us a frame,
    /// 12.304 us at 1518 bytes.
    #[test]
    fn both_methods_by_their_formulas() {
        assert!((frame_loss_method(4_464_286, line_frame_rate(GIGABIT, 64)) - 3.0).abs() < 5e-7);
        assert_eq!(timestamp_method(1_000_000_000, 4_000_000_000), Some(3.0));
        assert_eq!(timestamp_method(2, 1), None);
        assert!((finest_resolution_s(GIGABIT, 64) - 0.672e-6).abs() < 1e-15);
        assert!((finest_resolution_s(GIGABIT, 1518) - 12.304e-6).abs() < 1e-15);
        let reset = reset_time(&seen(4_464_286));
        assert!((reset.by_frame_loss_s - reset.by_timestamp_s.unwrap()).abs() < 2.0 * reset.resolution_s);
    }

    #[test]
    fn a_sender_that_was_silent_is_measured_by_timestamps() {
        // The link was down most of the time, so that hardly a frame was offered to be lost.
        let silent = Seen { offered_throughout: false, ..seen(1_000) };
        let reset = reset_time(&silent);
        assert_eq!((reset.by, reset.seconds), (By::Timestamp, Some(3.000_000_672)));
        assert!(reset.by_frame_loss_s < 0.001);
        let no_stamps = Seen { last_before_ns: None, ..seen(4_464_286) };
        assert_eq!(reset_time(&no_stamps).by, By::FrameLoss);
        let never = Seen { first_after_ns: None, ..seen(4_464_286) };
        assert_eq!(reset_time(&never).seconds, None);
    }

    /// RFC 6201 section 4.3.1: the 15 s without power are no part of the reset.
    #[test]
    fn time_without_power_is_subtracted() {
        let power = Seen {
            kind: Kind::Power { off_for: POWER_OFF },
            first_after_ns: Some(55_000_000_000),
            ..seen(0)
        };
        assert_eq!(reset_time(&power).seconds, Some(20.0));
    }

    #[test]
    fn the_letter() {
        assert!(letter(Kind::Hardware, BEFORE, 64, 64).is_met());
        let short = Kind::Power { off_for: Duration::from_secs(10) };
        assert_eq!(
            letter(short, Duration::from_secs(3), 512, 64).to_string(),
            "RFC 2544 section 26.6 and RFC 6201, shortened: traffic before the reset of 3 s in place of 15 s; power off for \
             10 s in place of 15 s, not by its letter: frames of 512 bytes in place of the smallest, 64"
        );
    }
}
