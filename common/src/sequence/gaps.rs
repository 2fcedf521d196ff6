//! Where arrivals stopped: a bounded recorder for the receive loop.
//!
//! Told of every arrival; constant work, no allocation after [`GapRecorder::new`]. It keeps the frame before and
//! the frame after each pause of at least a threshold, as many as it has room for; of those beyond it keeps the
//! number and the longest.
//!
//! Only a frame with a higher number than any before counts as an arrival. A copy, or one that was held back and
//! comes late, does not end a pause; but one that comes late was not lost in it, and is counted so.

use serde::{Deserialize, Serialize};

use crate::port::clock::Offset;

/// A frame as the receiving end saw it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Arrival {
    pub sequence: u64,
    /// When it left, nanoseconds on the sender's clock.
    pub departure_ns: u64,
    /// When it came, nanoseconds on the receiver's clock.
    pub arrival_ns: u64,
}

/// A pause between two arrivals.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gap {
    /// The last frame before.
    pub before: Arrival,
    /// The first frame after.
    pub after: Arrival,
    /// Numbers between the two that came later, each counted once.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub came_late: u64,
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde asks for a reference")]
fn is_zero(number: &u64) -> bool {
    *number == 0
}

impl Gap {
    /// Nanoseconds between the two arrivals.
    pub fn length_ns(&self) -> u64 {
        self.after.arrival_ns.saturating_sub(self.before.arrival_ns)
    }

    /// Numbers between the two that never came.
    pub fn missing(&self) -> u64 {
        (self.after.sequence - self.before.sequence - 1).saturating_sub(self.came_late)
    }
}

/// What was recorded.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Recorded {
    /// Shorter pauses were not looked at, nanoseconds.
    pub threshold_ns: u64,
    pub first: Option<Arrival>,
    pub last: Option<Arrival>,
    /// In order of time: the first of them, as many as there was room for.
    pub gaps: Vec<Gap>,
    /// Pauses that were not kept for want of room, and the longest of them.
    pub not_kept: u64,
    pub longest_not_kept: Option<Gap>,
}

/// The recorder: see the [module](self).
#[derive(Debug, Clone)]
pub struct GapRecorder {
    recorded: Recorded,
    room: usize,
}

impl GapRecorder {
    /// Keeps up to `room` pauses of at least `threshold_ns`.
    #[must_use]
    pub fn new(threshold_ns: u64, room: usize) -> GapRecorder {
        let recorded = Recorded { threshold_ns, gaps: Vec::with_capacity(room), ..Recorded::default() };
        GapRecorder { recorded, room }
    }

    /// Takes the next arrival, in the order of arriving; `is_new` says that no frame of this number came before.
    #[inline]
    pub fn observe(&mut self, arrival: Arrival, is_new: bool) {
        let Some(before) = self.recorded.last else {
            self.recorded.first = Some(arrival);
            self.recorded.last = Some(arrival);
            return;
        };
        if arrival.sequence <= before.sequence {
            if is_new {
                self.came_late(arrival.sequence);
            }
            return;
        }
        if arrival.arrival_ns.saturating_sub(before.arrival_ns) >= self.recorded.threshold_ns {
            self.keep(Gap { before, after: arrival, came_late: 0 });
        }
        self.recorded.last = Some(arrival);
    }

    /// Of the pauses that were kept; the last one is the likeliest.
    #[cold]
    fn came_late(&mut self, sequence: u64) {
        let mut gaps = self.recorded.gaps.iter_mut().rev();
        let around = |gap: &&mut Gap| (gap.before.sequence..gap.after.sequence).contains(&sequence);
        if let Some(gap) = gaps.find(around) {
            gap.came_late += 1;
        }
    }

    #[cold]
    fn keep(&mut self, gap: Gap) {
        if self.recorded.gaps.len() < self.room {
            self.recorded.gaps.push(gap);
            return;
        }
        self.recorded.not_kept += 1;
        if self.recorded.longest_not_kept.is_none_or(|longest| longest.length_ns() < gap.length_ns()) {
            self.recorded.longest_not_kept = Some(gap);
        }
    }

    #[must_use]
    pub fn finish(self) -> Recorded {
        self.recorded
    }
}

/// A recorder at a receiving port: told what a frame says and when it was stamped, it keeps both on clocks that do not
/// wrap within hours. Arrivals are brought to CLOCK_MONOTONIC of this host by the offset at the start.
#[derive(Debug, Clone)]
pub struct GapWatch {
    recorder: GapRecorder,
    offset: Offset,
    latest: Option<(u64, u64)>,
}

impl GapWatch {
    /// As [`GapRecorder::new`]; `offset` is the stamps' distance from the monotonic clock, now.
    #[must_use]
    pub fn new(threshold_ns: u64, room: usize, offset: Offset) -> GapWatch {
        GapWatch { recorder: GapRecorder::new(threshold_ns, room), offset, latest: None }
    }

    /// Takes the next arrival: its number and whether it is the first of it, the low 32 bits of its departure, its stamp.
    #[inline]
    pub fn saw(&mut self, sequence: u64, is_new: bool, departure: u32, stamped_ns: u64) {
        let arrival_ns = self.offset.to_monotonic(stamped_ns);
        let departure_ns = match self.latest {
            None => u64::from(departure),
            Some((before_ns, at_ns)) => unwrapped(before_ns, departure, arrival_ns.saturating_sub(at_ns)),
        };
        self.latest = Some((departure_ns, arrival_ns));
        self.recorder.observe(Arrival { sequence, departure_ns, arrival_ns }, is_new);
    }

    /// What was recorded, and whether the clock of the stamps was stepped meanwhile, which makes its lengths worthless.
    #[must_use]
    pub fn finish(self, offset: Offset) -> (Recorded, bool) {
        let stepped = offset.stepped_since(self.offset);
        (self.recorder.finish(), stepped)
    }
}

/// The whole of a number of which the `low` 32 bits are known: the one nearest to `before + about`. That is right as long
/// as `about` is, to 2 s.
#[must_use]
pub fn unwrapped(before: u64, low: u32, about: u64) -> u64 {
    const HALF: u64 = 1 << 31;
    let guess = before.saturating_add(about);
    let from = guess.saturating_sub(HALF);
    from.saturating_add(u64::from(low.wrapping_sub(from as u32)))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn at(sequence: u64, arrival_ns: u64) -> Arrival {
        Arrival { sequence, departure_ns: sequence * 10, arrival_ns }
    }

    fn record(threshold_ns: u64, room: usize, arrivals: &[Arrival]) -> Recorded {
        let mut recorder = GapRecorder::new(threshold_ns, room);
        let mut seen = std::collections::HashSet::new();
        arrivals.iter().for_each(|arrival| recorder.observe(*arrival, seen.insert(arrival.sequence)));
        recorder.finish()
    }

    /// Held back and not lost: 3 and 4 came after the pause, 4 twice; 2 never did.
    #[test]
    fn what_came_late_was_not_lost() {
        let arrivals = [at(1, 100), at(5, 300), at(3, 310), at(4, 320), at(4, 330), at(6, 340), at(0, 350)];
        let recorded = record(100, 4, &arrivals);
        let [gap] = recorded.gaps.as_slice() else { panic!("{:?}", recorded.gaps) };
        assert_eq!((gap.came_late, gap.missing(), gap.length_ns()), (2, 1, 200));
    }

    #[test]
    fn a_pause_is_kept_with_the_frames_around_it() {
        let arrivals = [at(0, 100), at(1, 110), at(5, 160), at(6, 209)];
        let recorded = record(50, 4, &arrivals);
        assert_eq!(recorded.gaps, [Gap { before: arrivals[1], after: arrivals[2], came_late: 0 }]);
        assert_eq!((recorded.gaps[0].missing(), recorded.gaps[0].length_ns()), (3, 50));
        assert_eq!((recorded.first, recorded.last), (Some(arrivals[0]), Some(arrivals[3])));
        assert_eq!(record(50, 4, &[]), Recorded { threshold_ns: 50, ..Recorded::default() });
    }

    #[test]
    fn a_copy_or_a_straggler_does_not_end_a_pause() {
        let arrivals = [at(7, 100), at(7, 140), at(3, 180), at(9, 200)];
        let recorded = record(100, 4, &arrivals);
        assert_eq!(recorded.gaps, [Gap { before: arrivals[0], after: arrivals[3], came_late: 0 }]);
    }

    #[test]
    fn beyond_its_room_it_counts() {
        let arrivals: Vec<_> =
            [0, 100, 300, 600, 800, 900].into_iter().enumerate().map(|(i, ns)| at(i as u64, ns)).collect();
        let recorded = record(100, 2, &arrivals);
        assert_eq!(recorded.gaps.len(), 2);
        assert_eq!(recorded.not_kept, 3);
        assert_eq!(recorded.longest_not_kept.unwrap().length_ns(), 300);
        assert_eq!(record(100, 0, &arrivals).not_kept, 5);
    }

    proptest! {
        /// Against the obvious way: all arrivals kept, all pairs looked at.
        #[test]
        fn as_the_obvious_way(
            steps in prop::collection::vec((-2i64..4, 0u64..300), 0..200), room in 0usize..8, threshold in 1u64..250,
        ) {
            let (mut sequence, mut ns) = (10i64, 0);
            let arrivals: Vec<_> = steps.iter().map(|&(by, pause)| {
                sequence = (sequence + by).max(0);
                ns += pause;
                at(sequence as u64, ns)
            }).collect();
            let recorded = record(threshold, room, &arrivals);

            let mut fresh: Vec<Arrival> = Vec::new();
            let all = arrivals.clone();
            for arrival in arrivals {
                if fresh.iter().all(|earlier| earlier.sequence < arrival.sequence) {
                    fresh.push(arrival);
                }
            }
            let gaps: Vec<_> = fresh
                .windows(2)
                .map(|pair| {
                    let (before, after) = (pair[0], pair[1]);
                    let late: std::collections::HashSet<u64> = all
                        .iter()
                        .map(|arrival| arrival.sequence)
                        .filter(|sequence| (before.sequence + 1..after.sequence).contains(sequence))
                        .filter(|sequence| all.iter().position(|one| one.sequence == *sequence).unwrap()
                            > all.iter().position(|one| *one == after).unwrap())
                        .collect();
                    Gap { before, after, came_late: late.len() as u64 }
                })
                .filter(|gap| gap.after.arrival_ns - gap.before.arrival_ns >= threshold)
                .collect();
            let kept = gaps.len().min(room);
            prop_assert_eq!(&recorded.gaps, &gaps[..kept]);
            for gap in &recorded.gaps {
                prop_assert!(gap.came_late < gap.after.sequence - gap.before.sequence);
            }
            prop_assert_eq!(recorded.not_kept, (gaps.len() - kept) as u64);
            prop_assert_eq!(
                recorded.longest_not_kept.map(|gap| gap.length_ns()),
                gaps[kept..].iter().map(Gap::length_ns).max()
            );
            prop_assert_eq!((recorded.first, recorded.last), (fresh.first().copied(), fresh.last().copied()));
        }
    }

    #[test]
    fn departures_do_not_wrap_however_long_the_pause() {
        let offset = Offset { nanoseconds: 1_000, at: 0 };
        let mut watch = GapWatch::new(1_000_001, 8, offset);
        // Frames every millisecond, stamped 70 us after they left; a pause of 20 s, more than four times what 32 bits hold.
        let left = |number: u64| 4_294_000_000 + number * 1_000_000;
        for number in (0..10).chain(20_010..20_012) {
            watch.saw(number, true, left(number) as u32, left(number) + 70_000 + 1_000);
        }
        let (recorded, stepped) = watch.finish(Offset { nanoseconds: 1_000, at: 20_000_000_000 });
        assert!(!stepped);
        let gap = recorded.gaps.iter().find(|gap| gap.missing() > 0).unwrap();
        assert_eq!((gap.before.sequence, gap.after.sequence, gap.missing()), (9, 20_010, 20_000));
        assert_eq!(gap.after.departure_ns - gap.before.departure_ns, 20_001_000_000);
        assert_eq!(gap.length_ns(), 20_001_000_000);
    }

    proptest! {
        #[test]
        fn the_nearest_whole_number_is_found(before in 0u64..1 << 40, real in 0u64..1 << 36, off in -1_900_000_000i64..1_900_000_000) {
            let about = real.saturating_add_signed(off);
            prop_assert_eq!(unwrapped(before, (before + real) as u32, about), before + real);
        }
    }
}
