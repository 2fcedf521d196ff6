//! What a soak has come to, counted from the records of its journal: the same while it runs, and when it is carried on
//! after the machine was started anew.

use std::time::Duration;

use crate::journal::{Record, SegmentEnd};
use crate::verdict::Reason;

use super::goal::{Known, Way};

/// Sums over all segments.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Totals {
    over: Sums,
    /// Of the segment that is under way, as far as it is known.
    current: Option<Current>,
    pub segments: u32,
    pub broken_segments: u32,
    pub intervals: u64,
    /// Loss periods, and the longest of them in frames.
    pub losses: u64,
    pub longest_loss: u64,
    /// Seconds in which a frame was due that was lost.
    pub seconds_with_loss: u64,
    /// Losses too many to be told one by one.
    pub untold_losses: u64,
    /// Lost within segments that the pair broke, where nobody knows what the reflector's port may have dropped itself.
    pub lost_in_broken: u64,
    /// Events that speak of the link, and of the pair.
    pub link_events: u64,
    pub pair_events: u64,
    /// Journal lines that were given up for want of room.
    pub unwritten: u64,
    /// What made a segment that is over fail, or unproven; told once each.
    pub reasons: Vec<Reason>,
    last_second: Option<(u32, u64)>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Sums {
    forward: Way,
    homeward: Way,
    offered: u64,
    seconds: f64,
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Current {
    frames_per_s: f64,
    offered: u64,
    home: u64,
    missing: u64,
    missing_on_return: u64,
    seconds: f64,
    /// Until when something came home.
    alive_s: f64,
    untold: u64,
    /// Certain losses with something home after them.
    lost_forward: u64,
    lost_return: u64,
}

impl Current {
    /// What is known before both ends have told their counts.
    fn sums(&self) -> Sums {
        let homeward = self.missing_on_return.min(self.missing);
        let forward = self.missing - homeward;
        // A damaged frame is missing too; it is counted once.
        let decided = self.home + self.missing;
        Sums {
            forward: Way { frames: decided, errors: forward },
            homeward: Way { frames: decided - forward, errors: homeward },
            offered: self.offered,
            seconds: self.seconds,
        }
    }

    /// What a segment that was broken off has shown: what came home, and what is certain to be lost.
    fn broken(&self) -> Sums {
        let (forward, homeward) = (self.lost_forward, self.lost_return);
        Sums {
            forward: Way { frames: self.home + forward + homeward, errors: forward },
            homeward: Way { frames: self.home + homeward, errors: homeward },
            offered: self.home + forward + homeward,
            seconds: self.alive_s,
        }
    }
}

impl Sums {
    fn plus(self, other: Sums) -> Sums {
        let way = |one: Way, other: Way| Way {
            frames: one.frames + other.frames,
            errors: one.errors + other.errors,
        };
        Sums {
            forward: way(self.forward, other.forward),
            homeward: way(self.homeward, other.homeward),
            offered: self.offered + other.offered,
            seconds: self.seconds + other.seconds,
        }
    }
}

impl Totals {
    /// Of a journal that is carried on. A segment without an end was cut off.
    pub fn of<'a>(records: impl IntoIterator<Item = &'a Record>) -> Totals {
        let mut totals = Totals::default();
        for record in records {
            totals.add(record);
        }
        totals.cut_off();
        totals
    }

    pub fn add(&mut self, record: &Record) {
        match record {
            Record::Segment(segment) => {
                self.cut_off();
                self.segments = self.segments.max(segment.segment);
                self.current = Some(Current { frames_per_s: segment.frames_per_s, ..Current::default() });
            }
            Record::Interval(interval) => {
                self.intervals += 1;
                let Some(current) = &mut self.current else { return };
                if interval.home > current.home {
                    current.alive_s = interval.to_s;
                }
                current.offered = interval.offered;
                current.home = interval.home;
                current.missing = interval.missing;
                current.missing_on_return = interval.missing_on_return;
                current.seconds = interval.to_s;
                self.untold_losses += interval.untold_losses.saturating_sub(current.untold);
                current.untold = interval.untold_losses;
            }
            Record::Lost(lost) => {
                self.losses += 1;
                self.longest_loss = self.longest_loss.max(lost.frames);
                let Some(current) = &mut self.current else { return };
                if !lost.to_the_end {
                    current.lost_forward += lost.forward;
                    current.lost_return += lost.homeward;
                }
                let (first, last) = seconds_of(lost.at_s, lost.frames, current.frames_per_s);
                let begin = match self.last_second {
                    Some((segment, second)) if segment == lost.segment => first.max(second + 1),
                    _ => first,
                };
                self.seconds_with_loss += (last + 1).saturating_sub(begin);
                self.last_second = Some((lost.segment, last.max(begin.saturating_sub(1))));
            }
            Record::Event(event) => match event.whose {
                crate::journal::Whose::Link => self.link_events += 1,
                crate::journal::Whose::Pair => self.pair_events += 1,
            },
            Record::Unwritten(unwritten) => self.unwritten += unwritten.lines,
            Record::SegmentEnd(end) => self.ended(end),
            Record::Begin(_) | Record::End(_) => {}
        }
    }

    fn ended(&mut self, end: &SegmentEnd) {
        let Some(current) = self.current.take() else { return };
        if end.broken {
            self.broken(current);
            return;
        }
        let account = &end.account;
        let corrupted = (account.corrupted_forward, account.corrupted_return);
        let (forward, homeward) =
            (corrupted.0.unwrap_or(account.corrupted), corrupted.1.unwrap_or(account.corrupted));
        self.over = self.over.plus(Sums {
            forward: Way { frames: account.offered_frames, errors: account.lost_forward + forward },
            homeward: Way {
                frames: account.reflected_frames.unwrap_or(account.returned_frames),
                errors: account.lost_return + homeward,
            },
            offered: account.offered_frames,
            seconds: end.seconds,
        });
        for reason in &end.reasons {
            if !self.reasons.iter().any(|told| told.code == reason.code && told.text == reason.text) {
                self.reasons.push(reason.clone());
            }
        }
    }

    fn broken(&mut self, current: Current) {
        self.broken_segments += 1;
        self.lost_in_broken += current.lost_forward + current.lost_return;
        self.over = self.over.plus(current.broken());
    }

    /// A segment that has no end was broken off.
    fn cut_off(&mut self) {
        if let Some(current) = self.current.take() {
            self.broken(current);
        }
    }

    fn sums(&self) -> Sums {
        self.over.plus(self.current.map(|current| current.sums()).unwrap_or_default())
    }

    /// What each direction has shown, as far as it is known.
    #[must_use]
    pub fn ways(&self) -> (Way, Way) {
        let sums = self.sums();
        (sums.forward, sums.homeward)
    }

    /// What is known for a goal: `longest` is the time of the whole soak.
    #[must_use]
    pub fn known(&self, longest: Duration, frame_size: u16, frames_per_s: f64) -> Known {
        let (forward, homeward) = self.ways();
        let current = self.current.unwrap_or_default();
        let time = Duration::try_from_secs_f64(self.seconds()).unwrap_or_default();
        // From the first departure to the last is one frame's time short of the whole: no soak is made of what is left then.
        let left = longest.saturating_sub(time);
        let left = if left.as_secs_f64() * frames_per_s < 2.0 { Duration::ZERO } else { left };
        Known {
            forward,
            homeward,
            certain: (
                self.over.forward.errors + current.lost_forward,
                self.over.homeward.errors + current.lost_return,
            ),
            offered: self.offered(),
            left,
            frame_size,
            frames_per_s,
        }
    }

    #[must_use]
    pub fn offered(&self) -> u64 {
        self.sums().offered
    }

    /// Seconds of load.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        self.sums().seconds
    }
}

/// The first and the last second in which frames of a loss were due.
fn seconds_of(at_s: f64, frames: u64, frames_per_s: f64) -> (u64, u64) {
    let last = if frames_per_s > 0.0 { at_s + (frames.max(1) - 1) as f64 / frames_per_s } else { at_s };
    (at_s as u64, last as u64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::{Interval, Lost, Segment};
    use crate::verdict::{Account, Outcome};

    fn segment(segment: u32) -> Record {
        Record::Segment(Segment { segment, frames_per_s: 100.0, ..Segment::default() })
    }

    fn interval(to_s: f64, home: u64, missing: u64, on_return: u64) -> Record {
        let (offered, missing_on_return) = (home + missing + 5, on_return);
        Record::Interval(Interval {
            segment: 1,
            to_s,
            offered,
            home,
            missing,
            missing_on_return,
            ..Interval::default()
        })
    }

    fn lost(at_s: f64, frames: u64, homeward: u64) -> Record {
        Record::Lost(Lost {
            segment: 1,
            at_s,
            frames,
            forward: frames - homeward,
            homeward,
            ..Lost::default()
        })
    }

    fn end(broken: bool, account: Account) -> Record {
        let (verdict, reasons) = (Outcome::Pass, Vec::new());
        Record::SegmentEnd(Box::new(SegmentEnd {
            segment: 1,
            at: String::new(),
            verdict,
            reasons,
            seconds: 9.5,
            broken,
            account,
        }))
    }

    #[test]
    fn the_counts_of_both_ends_take_the_place_of_what_was_known_before() {
        let mut records = vec![segment(1), interval(9.0, 880, 20, 5)];
        let so_far = |records: &[Record]| {
            let mut totals = Totals::default();
            records.iter().for_each(|record| totals.add(record));
            totals
        };
        let totals = so_far(&records);
        assert_eq!(totals.ways(), (Way { frames: 900, errors: 15 }, Way { frames: 885, errors: 5 }));
        assert_eq!((totals.offered(), totals.seconds()), (905, 9.0));
        records.push(end(
            false,
            Account {
                offered_frames: 950,
                returned_frames: 928,
                reflected_frames: Some(934),
                lost_forward: 16,
                lost_return: 6,
                corrupted_forward: Some(0),
                corrupted_return: Some(0),
                ..Account::default()
            },
        ));
        let totals = so_far(&records);
        assert_eq!(totals.ways(), (Way { frames: 950, errors: 16 }, Way { frames: 934, errors: 6 }));
        assert_eq!((totals.offered(), totals.seconds(), totals.broken_segments), (950, 9.5, 0));
    }

    /// Of a segment that was broken off, and of one that has no end at all, only what came home and what is certain counts.
    #[test]
    fn a_broken_segment_shows_what_came_home_and_no_more() {
        let records = [segment(1), lost(3.0, 4, 1), interval(9.0, 880, 20, 5)];
        let broken = Totals::of(records.iter().chain([&end(true, Account::default())]));
        let cut = Totals::of(&records);
        for totals in [broken, cut] {
            assert_eq!(totals.ways(), (Way { frames: 884, errors: 3 }, Way { frames: 881, errors: 1 }));
            assert_eq!((totals.broken_segments, totals.lost_in_broken, totals.seconds()), (1, 4, 9.0));
        }
    }

    #[test]
    fn a_second_with_a_loss_counts_once() {
        // 100 frames a second: seconds 3; 3 again; 7 to 9; 9 and 10.
        let records = [segment(1), lost(3.1, 2, 0), lost(3.9, 1, 1), lost(7.5, 200, 0), lost(9.9, 20, 0)];
        let totals = Totals::of(&records);
        assert_eq!((totals.losses, totals.longest_loss, totals.seconds_with_loss), (4, 200, 5));
        let again = Totals::of(records.iter().chain([&segment(2), &lost(3.1, 1, 0)]));
        assert_eq!(again.segments, 2);
    }
}
