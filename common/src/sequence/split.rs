//! Which way lost what was lost, known at home alone, while the stream still runs.
//!
//! A frame that comes home carries two numbers: the sender's own, and the one that the far end gave it in order of
//! arrival. A hole in the second is loss on the way back; a hole in the first without one in the second is loss on the way
//! there. [`Split`] holds the two against each other: it is given the loss periods of both numberings once they are final,
//! and the jumps that say which numbers of the one lie beside which of the other.
//!
//! How many were lost on return is exact. Which ones is exact as long as frames keep their order on the way there, however they
//! change it on the way back; where they change it on the way there within a hole, a loss on return may be told at its neighbour.

use std::collections::VecDeque;

use super::Tracker;
use super::jumps::Jump;
use super::loss::{LossPattern, LossPeriod};

/// Loss periods of both numberings that may wait for each other. What finds no room is told without its direction.
const ROOM: usize = 8_192;

/// A loss period of the sender's numbers, and how much of it was lost on the way back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lost {
    /// The first number lost.
    pub first: u64,
    /// How many in a row.
    pub frames: u64,
    /// How many of them the far end had sent back.
    pub on_return: u64,
}

#[derive(Clone, Copy, Debug)]
struct Waiting {
    lost: Lost,
    /// Once all below this of the far end's numbers is final, nothing more is charged to it.
    until: u64,
}

/// See the module. Numbers of the sender are `sequences`, those of the far end `numbers`.
#[derive(Clone, Debug)]
pub struct Split {
    periods: VecDeque<Waiting>,
    /// Jumps of the sequences, each noted with the number of the frame that jumped.
    sequence_jumps: VecDeque<Jump>,
    /// Jumps of the numbers, each noted with the sequence of the frame that jumped.
    number_jumps: VecDeque<Jump>,
    /// Periods of numbers that wait for the sequences around them to be final: (how many, sequence behind them).
    returns: VecDeque<(u64, u64)>,
    /// Numbers lost that no sequence lost was found for.
    unplaced: u64,
}

impl Default for Split {
    fn default() -> Self {
        Self {
            periods: VecDeque::with_capacity(ROOM),
            sequence_jumps: VecDeque::with_capacity(ROOM),
            number_jumps: VecDeque::with_capacity(ROOM),
            returns: VecDeque::with_capacity(ROOM),
            unplaced: 0,
        }
    }
}

impl Split {
    /// Takes from both trackers what has become final since, and shows what is known by it. Allocates nothing.
    pub fn take(&mut self, sequences: &mut Tracker, numbers: &mut Tracker, show: impl FnMut(Lost)) {
        let seen = |tracker: &Tracker| tracker.highest().map_or(0, |highest| highest + 1);
        let (sequences_seen, numbers_seen) = (seen(sequences), seen(numbers));
        while let Some(jump) = sequences.take_jump() {
            if !jump.late {
                push(&mut self.sequence_jumps, jump);
            }
        }
        while let Some(jump) = numbers.take_jump() {
            if jump.late {
                self.filled(jump);
            } else {
                push(&mut self.number_jumps, jump);
            }
        }
        sequences.take_periods(|period| self.sequences_lost(period, numbers_seen));
        numbers.take_periods(|period| {
            self.numbers_lost(period, sequences_seen);
            true
        });
        let (sequences_final, numbers_final) = (sequences.final_below(), numbers.final_below());
        self.settle(sequences_final, numbers_final, show);
        // No period will lie in these any more.
        while self.sequence_jumps.front().is_some_and(|jump| jump.to <= sequences_final) {
            self.sequence_jumps.pop_front();
        }
        while self.number_jumps.front().is_some_and(|jump| jump.to <= numbers_final) {
            self.number_jumps.pop_front();
        }
    }

    /// The same once nothing more arrives; `offered` frames were sent. What is missing behind the last that came home is shown
    /// too, as lost on the way there: at home nobody knows better.
    pub fn finish(&mut self, sequences: &LossPattern, numbers: &LossPattern, show: impl FnMut(Lost)) {
        for period in &sequences.kept {
            self.sequences_lost(*period, u64::MAX);
        }
        for period in &numbers.kept {
            self.numbers_lost(*period, u64::MAX);
        }
        self.settle(u64::MAX, u64::MAX, show);
    }

    /// A number came late into a hole: what is missing below it was sent back before it, and lies below its sequence.
    fn filled(&mut self, late: Jump) {
        let at = self.number_jumps.partition_point(|jump| jump.to <= late.from);
        let Some(hole) = self.number_jumps.get_mut(at).filter(|hole| hole.from <= late.from) else { return };
        let below = Jump { from: hole.from, to: late.from, note: late.note, late: false };
        hole.from = late.to;
        if below.from < below.to && self.number_jumps.len() < ROOM {
            self.number_jumps.insert(at, below);
        }
    }

    /// A loss period of the sequences that is final, in their order. `numbers_seen`: one above the highest number seen.
    /// `false` if there is no room for it; it stays where it is.
    fn sequences_lost(&mut self, period: LossPeriod, numbers_seen: u64) -> bool {
        if self.periods.len() == ROOM {
            return false;
        }
        while self.sequence_jumps.front().is_some_and(|jump| jump.to <= period.first) {
            self.sequence_jumps.pop_front();
        }
        let beside = self.sequence_jumps.front().filter(|jump| jump.from <= period.first);
        let until = beside.map_or(numbers_seen, |jump| jump.note);
        let lost = Lost { first: period.first, frames: period.length, on_return: 0 };
        self.periods.push_back(Waiting { lost, until });
        true
    }

    /// A loss period of the numbers that is final, in their order. `sequences_seen`: one above the highest sequence seen.
    fn numbers_lost(&mut self, period: LossPeriod, sequences_seen: u64) {
        while self.number_jumps.front().is_some_and(|jump| jump.to <= period.first) {
            self.number_jumps.pop_front();
        }
        let beside = self.number_jumps.front().filter(|jump| jump.from <= period.first);
        let behind = beside.map_or(sequences_seen, |jump| jump.note);
        if self.returns.len() == ROOM {
            self.unplaced += period.length;
        } else {
            self.returns.push_back((period.length, behind));
        }
    }

    /// Shows every period whose directions are known by now, in order; all below `sequences_final` and `numbers_final` is
    /// final. With `u64::MAX` for both all that is left is shown.
    fn settle(&mut self, sequences_final: u64, numbers_final: u64, mut show: impl FnMut(Lost)) {
        while let Some((frames, behind)) = self.returns.front().copied() {
            if behind > sequences_final {
                break;
            }
            self.returns.pop_front();
            self.charge(frames, behind);
        }
        // What waits may still be charged to a period in front of it.
        let open = self.returns.front().is_some();
        while let Some(waiting) = self.periods.front() {
            if (open || waiting.until > numbers_final) && numbers_final != u64::MAX {
                break;
            }
            show(waiting.lost);
            self.periods.pop_front();
        }
    }

    /// Numbers lost on the way back for which no sequence lost was found: only where there were more holes at once than can
    /// be kept, or frames that changed their order around them.
    #[must_use]
    pub fn unplaced(&self) -> u64 {
        self.unplaced
    }

    /// The nearest lost sequences below `behind` are charged to the way back.
    fn charge(&mut self, mut frames: u64, behind: u64) {
        let before = self.periods.partition_point(|waiting| waiting.lost.first < behind);
        for waiting in self.periods.range_mut(..before).rev() {
            let lost = &mut waiting.lost;
            let taken = frames.min(lost.frames - lost.on_return);
            lost.on_return += taken;
            frames -= taken;
            if frames == 0 {
                return;
            }
        }
        self.unplaced += frames;
    }
}

fn push(jumps: &mut VecDeque<Jump>, jump: Jump) {
    if jumps.len() < ROOM {
        jumps.push_back(jump);
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::Arrival;
    use super::*;

    /// What happens to one frame.
    #[derive(Clone, Copy, Debug, PartialEq, Eq)]
    enum Fate {
        Home,
        LostForward,
        LostOnReturn,
        /// Comes home so many frames late; it is not lost.
        Late(u8),
    }

    fn fates() -> impl Strategy<Value = Vec<Fate>> {
        let row = prop_oneof![
            20 => (1..400_usize).prop_map(|n| vec![Fate::Home; n]),
            3 => (1..40_usize).prop_map(|n| vec![Fate::LostForward; n]),
            3 => (1..40_usize).prop_map(|n| vec![Fate::LostOnReturn; n]),
            1 => (1..300_usize).prop_map(|n| vec![Fate::LostForward; n]),
            1 => (1..300_usize).prop_map(|n| vec![Fate::LostOnReturn; n]),
            2 => prop::collection::vec(
                prop_oneof![Just(Fate::Home), Just(Fate::LostForward), Just(Fate::LostOnReturn)], 1..20),
            2 => (1..30_u8).prop_map(|late| vec![Fate::Late(late)]),
        ];
        prop::collection::vec(row, 1..60).prop_map(|rows| rows.concat())
    }

    /// Runs both trackers and the split as a receiver does; looks after every `look` arrivals.
    fn told(fates: &[Fate], look: usize) -> (Vec<Lost>, u64) {
        let mut sequences = Tracker::new(256, 1_024).with_jumps(1_024);
        let mut numbers = Tracker::new(256, 1_024).with_jumps(1_024);
        let (mut split, mut shown) = (Split::default(), Vec::new());
        // In order of arrival at home: (time, sequence, number).
        let mut arrivals = Vec::new();
        let mut next_number = 0;
        for (sequence, fate) in fates.iter().enumerate() {
            if *fate == Fate::LostForward {
                continue;
            }
            let number = next_number;
            next_number += 1;
            match fate {
                Fate::Home => arrivals.push((2 * sequence, sequence as u64, number)),
                Fate::Late(by) => {
                    arrivals.push((2 * (sequence + usize::from(*by)) + 1, sequence as u64, number));
                }
                Fate::LostForward | Fate::LostOnReturn => {}
            }
        }
        arrivals.sort_unstable();
        for (count, (_, sequence, number)) in arrivals.into_iter().enumerate() {
            assert_eq!(numbers.arrive_noting(number, sequence), Arrival::First);
            assert_eq!(sequences.arrive_noting(sequence, number), Arrival::First);
            if count % look == 0 {
                split.take(&mut sequences, &mut numbers, |lost| shown.push(lost));
            }
        }
        split.take(&mut sequences, &mut numbers, |lost| shown.push(lost));
        let seen = sequences.highest().map_or(0, |highest| highest + 1);
        let numbers_seen = numbers.highest().map_or(0, |highest| highest + 1);
        split.finish(&sequences.finish(seen).loss, &numbers.finish(numbers_seen).loss, |lost| {
            shown.push(lost)
        });
        (shown, split.unplaced())
    }

    proptest! {
        /// Every frame lost before the last that came home is told, with its direction, once and in order.
        #[test]
        fn every_loss_is_told_with_its_direction(fates in fates(), look in 1..300_usize) {
            let (shown, unplaced) = told(&fates, look);
            let is_home = |fate: &Fate| matches!(fate, Fate::Home | Fate::Late(_));
            let end = fates.iter().rposition(is_home).map_or(0, |last| last + 1);
            let is_lost = |fate: &Fate| !is_home(fate);
            let mut expected = Vec::new();
            let mut at = 0;
            while at < end {
                let row = fates[at..end].iter().take_while(|fate| is_lost(fate)).count();
                if row > 0 {
                    let lost = &fates[at..at + row];
                    let on_return = lost.iter().filter(|fate| **fate == Fate::LostOnReturn).count() as u64;
                    expected.push(Lost { first: at as u64, frames: row as u64, on_return });
                }
                at += row.max(1);
            }
            // What the far end returned last, and what it had numbered behind the last that came home, nobody at home knows.
            prop_assert_eq!(unplaced, 0);
            prop_assert_eq!(shown, expected);
        }
    }

    /// A frame that comes late into a hole of the numbers says which losses are below it.
    #[test]
    fn a_late_frame_parts_its_hole() {
        let mut fates = vec![Fate::LostOnReturn, Fate::Late(2), Fate::LostForward];
        fates.extend([Fate::Home; 300]);
        for look in [1, 2, 100] {
            let (shown, unplaced) = told(&fates, look);
            let first = Lost { first: 0, frames: 1, on_return: 1 };
            assert_eq!((shown, unplaced), (vec![first, Lost { first: 2, frames: 1, on_return: 0 }], 0));
        }
    }

    #[test]
    fn a_hole_of_both_directions_is_one_period_with_both() {
        let mut fates = vec![Fate::Home; 10];
        fates.extend([Fate::LostForward, Fate::LostOnReturn, Fate::LostForward]);
        fates.extend([Fate::Home; 200]);
        let (shown, unplaced) = told(&fates, 7);
        assert_eq!((shown, unplaced), (vec![Lost { first: 10, frames: 3, on_return: 1 }], 0));
    }
}
