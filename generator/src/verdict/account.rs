//! The accounting identity: every offered frame in exactly one place.
//!
//! Losses are distinct sequence numbers. Let a trial offer the sequences 0..N. With the reflector heard,
//!
//! ```text
//! missing forward = offered - reached_distinct                                  the reflector's bitmap
//! missing return  = (reflected - numbers home)                                  gaps in the reflector's numbering,
//!                 - (copies - copies home)                                      less those that carried only a copy,
//!                 - late at the reflector + late at home                        less what its window could not judge
//! ```
//!
//! Why the second line is right: each sequence s that reached the reflector got k(s) >= 1 numbers, and h(s) of them came
//! home. Summed over s, `reflected - numbers home` is the sum of k - h, and `copies - copies home` is the sum of
//! (k - 1) - max(h - 1, 0). Their difference is the sum of 1 - h + max(h - 1, 0), which is 1 where h = 0 and 0 elsewhere.
//!
//! The generator's own bitmap says `offered - returned` for both directions together. That the two agree is checked, and
//! so is every other relation the counts must obey. `unaccounted` is the largest disagreement: zero exactly when
//! all of them hold, and one when one of the counts is off by one, because each count enters each relation at most once.
//!
//! Within a direction, what is missing is given first to damage whose sequence was read, then to drops named by a counter
//! that sees nothing but test frames, then to damage that could not be read, and the rest is lost. A drop or an
//! unreadable damaged frame may have been a copy of a frame that arrived all the same: whatever exceeds what is missing
//! was a copy for certain, and is shown apart (`corrupted_copies`, `surplus_drops`).

use std::collections::BTreeMap;

use kitproof_common::control::counts::FarCounts;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::counts::{Bounds, HomeCounts};

/// One value for each direction: forward is generator to reflector, return is reflector to generator.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Directions<T> {
    pub forward: T,
    #[serde(rename = "return")]
    pub homeward: T,
}

/// The most frames that left back to back.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Bursts {
    /// By the generator.
    pub sent: u64,
    /// By the reflector; null when its counts were not heard.
    pub returned: Option<u64>,
}

/// Where every frame of a trial went. The names are those of the result JSON.
///
/// `offered = returned + corrupted + lost forward + lost return + lost direction unknown + pair drops`, exactly so
/// whenever `unaccounted` is 0.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Account {
    /// Test frames that left the generator.
    pub offered_frames: u64,
    /// Intact arrivals at the reflector, copies among them; null when its counts were not heard.
    pub reached_reflector: Option<u64>,
    /// Distinct sequence numbers among them.
    pub reached_reflector_distinct: Option<u64>,
    /// Frames the reflector numbered to send back.
    pub reflected_frames: Option<u64>,
    /// Distinct sequence numbers that came home intact.
    pub returned_frames: u64,
    /// Never reached the reflector, and no drop of the pair and no damage is known for it.
    pub lost_forward: u64,
    /// Reflected, and no copy came home.
    pub lost_return: u64,
    /// Missing beyond the last number that came home from a reflector that was not heard.
    pub lost_direction_unknown: u64,
    /// Sequence numbers of which only damaged copies arrived.
    pub corrupted: u64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub corrupted_forward: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub corrupted_return: Option<u64>,
    /// Damaged arrivals besides: copies of frames that arrived, or are counted, all the same.
    pub corrupted_copies: u64,
    /// Intact arrivals of a sequence that had arrived already, at the reflector and on the way home. They never cancel a
    /// loss.
    pub duplicates: u64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub duplicates_forward: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub duplicates_return: Option<u64>,
    /// Reordered arrivals (RFC 4737 section 3).
    pub reordered: u64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reordered_forward: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reordered_return: Option<u64>,
    /// Intact arrivals too old for the window to judge: they stay lost.
    pub late_frames: u64,
    /// Frames that were not ours, at both ends.
    pub foreign_frames: u64,
    /// What the pair itself dropped, by place, as counted where nothing but test frames are seen.
    pub pair_drops: BTreeMap<String, u64>,
    /// Drops counted there beyond what is missing: they hit copies.
    pub surplus_drops: u64,
    /// Most of what is lost that the pair may have dropped unseen.
    pub max_pair_drop: Directions<u64>,
    /// Damaged frames a NIC refused to hand over. They are among the lost and never excuse the kit.
    pub caught_by_nic: BTreeMap<String, u64>,
    /// The largest disagreement between counts that must agree.
    pub unaccounted: u64,
    pub longest_burst: Bursts,
}

impl Account {
    /// What the right-hand side of the identity adds up to.
    pub fn placed(&self) -> u64 {
        sum([self.returned_frames, self.corrupted, self.lost(), self.dropped_by_pair()])
    }

    /// Sum of the named drops.
    pub fn dropped_by_pair(&self) -> u64 {
        sum(self.pair_drops.values().copied())
    }

    /// Lost in either direction or one that is not known; damage and named drops are not in it.
    pub fn lost(&self) -> u64 {
        sum([self.lost_forward, self.lost_return, self.lost_direction_unknown])
    }

    /// Two flows of a trial together. What is known of one only is not known of both.
    fn plus(mut self, other: Account) -> Account {
        let both = |one: Option<u64>, other: Option<u64>| Some(sum([one?, other?]));
        for (place, drops) in other.pair_drops {
            let all = self.pair_drops.entry(place).or_default();
            *all = all.saturating_add(drops);
        }
        Account {
            offered_frames: sum([self.offered_frames, other.offered_frames]),
            reached_reflector: both(self.reached_reflector, other.reached_reflector),
            reached_reflector_distinct: both(
                self.reached_reflector_distinct,
                other.reached_reflector_distinct,
            ),
            reflected_frames: both(self.reflected_frames, other.reflected_frames),
            returned_frames: sum([self.returned_frames, other.returned_frames]),
            lost_forward: sum([self.lost_forward, other.lost_forward]),
            lost_return: sum([self.lost_return, other.lost_return]),
            lost_direction_unknown: sum([self.lost_direction_unknown, other.lost_direction_unknown]),
            corrupted: sum([self.corrupted, other.corrupted]),
            corrupted_forward: both(self.corrupted_forward, other.corrupted_forward),
            corrupted_return: both(self.corrupted_return, other.corrupted_return),
            corrupted_copies: sum([self.corrupted_copies, other.corrupted_copies]),
            duplicates: sum([self.duplicates, other.duplicates]),
            duplicates_forward: both(self.duplicates_forward, other.duplicates_forward),
            duplicates_return: both(self.duplicates_return, other.duplicates_return),
            reordered: sum([self.reordered, other.reordered]),
            reordered_forward: both(self.reordered_forward, other.reordered_forward),
            reordered_return: both(self.reordered_return, other.reordered_return),
            late_frames: sum([self.late_frames, other.late_frames]),
            foreign_frames: sum([self.foreign_frames, other.foreign_frames]),
            pair_drops: self.pair_drops,
            surplus_drops: sum([self.surplus_drops, other.surplus_drops]),
            max_pair_drop: self.max_pair_drop,
            caught_by_nic: self.caught_by_nic,
            unaccounted: sum([self.unaccounted, other.unaccounted]),
            // What may have stood back to back on the line.
            longest_burst: Bursts {
                sent: sum([self.longest_burst.sent, other.longest_burst.sent]),
                returned: both(self.longest_burst.returned, other.longest_burst.returned),
            },
        }
    }

    /// Whether the reflector's counts were heard.
    pub fn far_heard(&self) -> bool {
        self.reached_reflector.is_some()
    }
}

/// Puts every offered frame of a trial in one place, and bounds by `bounds` what the pair may have dropped of the lost.
///
/// `far` is `None` when the reflector's counts could not be had. Then the gaps in its numbering that are seen at home are
/// return losses, other gaps below the highest sequence home are forward losses, and what is missing beyond that has
/// no known direction.
pub fn account(home: &HomeCounts, far: Option<&FarCounts>, bounds: &Bounds) -> Account {
    account_together([(home, far)], bounds)
}

/// The same for a trial of several flows, each with numbers of its own: each is accounted for by itself, the accounts are
/// added, and what is about the ports, which see all flows, is applied to the sum. What two ends disagree about in one
/// flow never makes up for what they disagree about in another.
pub fn account_together<'a>(
    flows: impl IntoIterator<Item = (&'a HomeCounts, Option<&'a FarCounts>)>,
    bounds: &Bounds,
) -> Account {
    let sum = flows.into_iter().map(|(home, far)| place(home, far)).reduce(Account::plus);
    let mut account = sum.unwrap_or_default();
    let heard = account.far_heard();
    let most = |bound: u64, known: bool, lost: u64| if known && heard { bound.min(lost) } else { lost };
    account.max_pair_drop = Directions {
        forward: most(bounds.forward, bounds.forward_known, account.lost_forward),
        homeward: most(bounds.homeward, bounds.homeward_known, account.lost_return),
    };
    account.caught_by_nic = bounds.caught_by_nic.clone();
    account
}

/// Puts every offered frame of one flow in one place.
fn place(home: &HomeCounts, far: Option<&FarCounts>) -> Account {
    let mut account = match far {
        Some(far) => heard(home, far),
        None => unheard(home),
    };
    account.pair_drops.retain(|_, n| *n > 0);
    account.offered_frames = home.offered;
    account.returned_frames = home.returned;
    account.foreign_frames = sum([home.foreign, far.map_or(0, |far| far.foreign)]);
    account.late_frames = sum([home.late, home.late_numbers, far.map_or(0, |far| far.late)]);
    account.longest_burst = Bursts { sent: home.longest_burst, returned: far.map(|far| far.longest_burst) };
    // Whatever was clamped above, the published figures themselves must add up.
    account.unaccounted = account.unaccounted.max(account.placed().abs_diff(home.offered));
    account
}

fn heard(home: &HomeCounts, far: &FarCounts) -> Account {
    let mut checks = Checks::default();
    let mut forward_missing = wide(home.offered) - wide(far.reached_distinct);
    let mut return_missing = (wide(far.reflected) - wide(home.reflector_numbers))
        - (wide(far.copies) - wide(home.copies_forward_home))
        - wide(far.late)
        + wide(home.late);
    checks.own(home);
    // Both sides of the identity. A number too old to judge is missing from the numbering, yet its sequence may be home.
    let by_bitmap = wide(home.offered) - wide(home.returned);
    checks.within(forward_missing + return_missing - by_bitmap, 0, wide(home.late_numbers));
    checks.equal(far.reached, wide(far.reached_distinct) + wide(far.copies) + wide(far.late));
    checks.equal(far.reflected, wide(far.reached));
    checks.at_most(far.reached_distinct, wide(home.offered));
    checks.at_most(home.returned, wide(far.reached_distinct) + wide(far.late));
    checks.at_most(home.copies_forward_home, wide(far.copies) + wide(far.late));
    checks.at_most(home.reflector_numbers, wide(far.reflected) - wide(far.refused));
    checks.at_most(home.highest_reflector_number.map_or(0, |n| n.saturating_add(1)), wide(far.reflected));
    checks.at_most(far.damaged_distinct.unwrap_or(0), forward_missing);
    checks.at_most(far.damaged_distinct.unwrap_or(0), wide(far.damaged) - wide(far.damaged_anonymous));
    checks.flag(far.highest_sequence.is_some_and(|highest| highest >= home.offered));

    let too_old = (forward_missing + return_missing - by_bitmap).clamp(0, wide(home.late_numbers));
    return_missing -= too_old;
    // A sequence the reflector could not judge, and which came home as new, was not missing forward after all.
    let came_home = (-return_missing).clamp(0, wide(far.late));
    forward_missing -= came_home;
    return_missing += came_home;

    let mut forward = Missing::new(forward_missing);
    let mut corrupted_forward = forward.take(far.damaged_distinct.unwrap_or(0));
    let generator_transmit = forward.take(home.sent_dropped);
    let reflector_receive = forward.take(far.dropped);
    corrupted_forward += forward.take(match far.damaged_distinct {
        Some(_) => far.damaged_anonymous,
        None => far.damaged,
    });

    let mut homeward = Missing::new(return_missing);
    let mut corrupted_return = homeward.take(home.corrupted);
    let reflector_transmit = homeward.take(far.refused);
    let generator_receive = homeward.take(home.received_dropped);
    corrupted_return += homeward.take(home.corrupted_anonymous);

    let damaged = sum([far.damaged, home.corrupted, home.corrupted_anonymous, home.damaged_copies]);
    let corrupted = sum([corrupted_forward, corrupted_return]);
    let dropped = sum([home.sent_dropped, far.dropped, far.refused, home.received_dropped]);
    Account {
        reached_reflector: Some(far.reached),
        reached_reflector_distinct: Some(far.reached_distinct),
        reflected_frames: Some(far.reflected),
        lost_forward: forward.rest(),
        lost_return: homeward.rest(),
        corrupted,
        corrupted_forward: Some(corrupted_forward),
        corrupted_return: Some(corrupted_return),
        corrupted_copies: damaged.saturating_sub(corrupted),
        duplicates: sum([far.copies, home.copies_return]),
        duplicates_forward: Some(far.copies),
        duplicates_return: Some(home.copies_return),
        reordered: sum([far.reordered, home.reordered_return]),
        reordered_forward: Some(far.reordered),
        reordered_return: Some(home.reordered_return),
        pair_drops: BTreeMap::from([
            ("generator_transmit".to_owned(), generator_transmit),
            ("generator_receive".to_owned(), generator_receive),
            ("reflector_receive".to_owned(), reflector_receive),
            ("reflector_transmit".to_owned(), reflector_transmit),
        ]),
        surplus_drops: dropped.saturating_sub(sum([
            generator_transmit,
            generator_receive,
            reflector_receive,
            reflector_transmit,
        ])),
        unaccounted: checks.worst,
        ..Account::default()
    }
}

fn unheard(home: &HomeCounts) -> Account {
    let mut checks = Checks::default();
    checks.own(home);
    // Sequences below the highest that came home, and the tail above it.
    let seen_to = home.highest_sequence.map_or(0, |n| n.saturating_add(1)).min(home.offered);
    let below = seen_to.saturating_sub(home.returned);
    let tail = home.offered.saturating_sub(seen_to.max(home.returned));
    // A gap in the numbering that carried a copy cannot be told from one that carried a first arrival.
    let mut homeward = Missing::new(wide(home.missing_below_highest.min(below)));
    let mut forward = Missing::new(wide(below) - wide(homeward.rest()));
    let mut unknown = Missing::new(wide(tail));
    // What this host threw away before it left was never numbered.
    let below_highest = forward.take(home.sent_dropped);
    let generator_transmit = below_highest + unknown.take(home.sent_dropped - below_highest);
    // What arrived damaged, or was dropped here, had been numbered: a gap, or in the tail, before anything else.
    let mut take = |count: u64| {
        let gap = homeward.take(count);
        let beyond = unknown.take(count - gap);
        gap + beyond + forward.take(count - gap - beyond)
    };
    let corrupted = take(home.corrupted);
    let generator_receive = take(home.received_dropped);
    let corrupted = sum([corrupted, take(home.corrupted_anonymous)]);
    Account {
        lost_forward: forward.rest(),
        lost_return: homeward.rest(),
        lost_direction_unknown: unknown.rest(),
        corrupted,
        corrupted_copies: sum([home.corrupted, home.corrupted_anonymous, home.damaged_copies])
            .saturating_sub(corrupted),
        duplicates: sum([home.copies_forward_home, home.copies_return]),
        duplicates_return: Some(home.copies_return),
        reordered: home.reordered_by_sequence.max(home.reordered_return),
        reordered_return: Some(home.reordered_return),
        pair_drops: BTreeMap::from([
            ("generator_transmit".to_owned(), generator_transmit),
            ("generator_receive".to_owned(), generator_receive),
        ]),
        surplus_drops: (home.sent_dropped - generator_transmit) + (home.received_dropped - generator_receive),
        unaccounted: checks.worst,
        ..Account::default()
    }
}

/// The far counts come from a wire: a sum of absurd ones must not end the trial.
fn sum(counts: impl IntoIterator<Item = u64>) -> u64 {
    counts.into_iter().fold(0, u64::saturating_add)
}

fn wide(count: u64) -> i128 {
    i128::from(count)
}

/// What is missing in one direction, handed out until nothing is left.
struct Missing(u64);

impl Missing {
    fn new(count: i128) -> Missing {
        Missing(u64::try_from(count.max(0)).unwrap_or(u64::MAX))
    }

    fn take(&mut self, wanted: u64) -> u64 {
        let taken = wanted.min(self.0);
        self.0 -= taken;
        taken
    }

    fn rest(&self) -> u64 {
        self.0
    }
}

/// The relations between counts, and by how much the worst of them fails.
#[derive(Default)]
struct Checks {
    worst: u64,
}

impl Checks {
    fn within(&mut self, value: i128, low: i128, high: i128) {
        let outside = (low - value).max(value - high).max(0);
        self.worst = self.worst.max(u64::try_from(outside).unwrap_or(u64::MAX));
    }

    fn equal(&mut self, count: u64, expected: i128) {
        self.within(wide(count), expected, expected);
    }

    fn at_most(&mut self, count: u64, most: i128) {
        self.within(wide(count), 0, most.max(0));
    }

    /// A relation that is broken or not, without a size.
    fn flag(&mut self, broken: bool) {
        self.worst = self.worst.max(u64::from(broken));
    }

    /// The generator's own books.
    fn own(&mut self, home: &HomeCounts) {
        let slack = wide(home.late_numbers);
        let by_sequence = wide(home.returned) + wide(home.copies_forward_home) + wide(home.late);
        self.within(by_sequence - wide(home.reflector_numbers), 0, slack);
        self.equal(
            home.arrivals,
            wide(home.reflector_numbers) + wide(home.copies_return) + wide(home.late_numbers),
        );
        self.at_most(home.returned, wide(home.offered));
        self.at_most(home.corrupted, wide(home.offered) - wide(home.returned));
        let numbered_to = wide(home.highest_reflector_number.map_or(0, |n| n.saturating_add(1)));
        self.equal(home.missing_below_highest, numbered_to - wide(home.reflector_numbers));
        self.at_most(home.highest_sequence.map_or(0, |n| n.saturating_add(1)), wide(home.offered));
        self.flag(home.beyond > 0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::verdict::EndBounds;

    /// Ten offered, in order; 2 lost forward, 3 lost on return, 5 home.
    fn ten() -> (HomeCounts, FarCounts) {
        let home = HomeCounts {
            offered: 10,
            returned: 5,
            arrivals: 5,
            reflector_numbers: 5,
            highest_sequence: Some(6),
            highest_reflector_number: Some(5),
            missing_below_highest: 1,
            ..HomeCounts::default()
        };
        let far = FarCounts {
            reached: 8,
            reached_distinct: 8,
            reflected: 8,
            highest_sequence: Some(8),
            ..FarCounts::default()
        };
        (home, far)
    }

    fn known(forward: u64, homeward: u64) -> Bounds {
        Bounds { forward, homeward, forward_known: true, homeward_known: true, ..Bounds::default() }
    }

    #[test]
    fn what_the_pair_may_have_dropped_is_never_more_than_what_is_lost() {
        let (home, far) = ten();
        let most = |bounds: &Bounds, far| account(&home, far, bounds).max_pair_drop;
        assert_eq!(most(&known(1, 2), Some(&far)), Directions { forward: 1, homeward: 2 });
        assert_eq!(most(&known(100, 100), Some(&far)), Directions { forward: 2, homeward: 3 });
        // A port that counts nothing may have dropped all of it, unless a reference speaks for it.
        let blind = Bounds { forward_known: false, ..known(1, 1) };
        assert_eq!(most(&blind, Some(&far)), Directions { forward: 2, homeward: 1 });
        assert_eq!(most(&blind.trusting_reference(), Some(&far)), Directions { forward: 1, homeward: 1 });
        // A reflector that is not heard says nothing of its ports either: 1 gap in its numbers, 1 other below the last.
        assert_eq!(most(&known(0, 0), None), Directions { forward: 1, homeward: 1 });
    }

    #[test]
    fn named_drops_and_damage_are_no_part_of_what_the_pair_may_have_dropped() {
        let (home, mut far) = ten();
        far.dropped = 1;
        far.damaged = 1;
        let account = account(&home, Some(&far), &known(5, 0));
        assert_eq!((account.lost_forward, account.corrupted_forward), (0, Some(1)));
        assert_eq!(account.pair_drops, BTreeMap::from([("reflector_receive".to_owned(), 1)]));
        assert_eq!((account.max_pair_drop.forward, account.unaccounted), (0, 0));
    }

    /// The reflector is silent. Of what is missing 1 is a gap in its numbers, 1 more is below the last frame home, 3 are
    /// beyond it. Three damaged frames came home: the gap, and two of the tail, for each had a number.
    #[test]
    fn damage_from_a_silent_reflector_is_taken_from_the_gap_and_then_the_tail() {
        let (mut home, _) = ten();
        home.corrupted = 3;
        let found = account(&home, None, &known(0, 0));
        assert_eq!((found.corrupted, found.corrupted_forward), (3, None));
        assert_eq!((found.lost_forward, found.lost_return, found.lost_direction_unknown), (1, 0, 1));
        home.corrupted = 0;
        home.received_dropped = 4;
        let found = account(&home, None, &known(0, 0));
        assert_eq!(found.dropped_by_pair(), 4);
        assert_eq!((found.lost_forward, found.lost_return, found.lost_direction_unknown), (1, 0, 0));
        assert_eq!((found.unaccounted, found.placed()), (0, 10));
    }

    #[test]
    fn a_trial_of_which_nothing_came_home_has_no_direction() {
        let home = HomeCounts { offered: 10, ..HomeCounts::default() };
        let found = account(&home, None, &known(0, 0));
        assert_eq!((found.lost_forward, found.lost_return, found.lost_direction_unknown), (0, 0, 10));
        let far = FarCounts { reached: 4, reached_distinct: 4, reflected: 4, ..FarCounts::default() };
        let found = account(&home, Some(&far), &known(0, 0));
        assert_eq!((found.lost_forward, found.lost_return, found.unaccounted), (6, 4, 0));
    }

    /// A number that came too late to be judged blurs the numbering by one. It must not hide that the reflector issued
    /// another number than frames reached it.
    #[test]
    fn a_late_number_hides_no_other_disagreement() {
        let (mut home, far) = ten();
        home.arrivals += 1;
        home.late_numbers = 1;
        assert_eq!(account(&home, Some(&far), &known(0, 0)).unaccounted, 0);
        for reflected in [7, 9] {
            let far = FarCounts { reflected, ..far.clone() };
            assert_eq!(account(&home, Some(&far), &known(0, 0)).unaccounted, 1, "{reflected}");
        }
    }

    #[test]
    fn numbers_that_cannot_be_are_unaccounted() {
        let (home, far) = ten();
        let unaccounted =
            |home: &HomeCounts, far: &FarCounts| account(home, Some(far), &known(0, 0)).unaccounted;
        assert_eq!(unaccounted(&home, &far), 0);
        // A sequence that was never offered, at either end, however far beyond.
        assert_eq!(unaccounted(&HomeCounts { beyond: 7, ..home.clone() }, &far), 1);
        assert_eq!(
            unaccounted(&home, &FarCounts { highest_sequence: Some(4_000_000_000), ..far.clone() }),
            1
        );
        // A number home that was never issued; a copy home that the reflector never saw; damage of what arrived.
        assert_eq!(unaccounted(&HomeCounts { arrivals: 6, ..home.clone() }, &far), 1);
        let strange =
            HomeCounts { highest_reflector_number: Some(9), missing_below_highest: 5, ..home.clone() };
        assert_eq!(unaccounted(&strange, &far), 2);
        let damaged = FarCounts { damaged: 3, damaged_distinct: Some(3), ..far.clone() };
        assert_eq!(unaccounted(&home, &damaged), 1);
    }

    #[test]
    fn bounds_go_to_the_direction_their_port_serves() {
        let caught = BTreeMap::from([("rx_crc".to_owned(), 4), ("rx_length".to_owned(), 0)]);
        let near = EndBounds {
            receive: 1,
            receive_known: true,
            transmit: 10,
            transmit_known: true,
            caught: BTreeMap::new(),
        };
        let far =
            EndBounds { receive: 100, receive_known: true, transmit: 1000, transmit_known: false, caught };
        let bounds = Bounds::from_ends(&near, Some(&far));
        assert_eq!((bounds.forward, bounds.homeward), (110, 1001));
        assert_eq!((bounds.forward_known, bounds.homeward_known), (true, false));
        assert_eq!(bounds.unknown, ["reflector transmit"]);
        assert_eq!(bounds.caught_by_nic, BTreeMap::from([("reflector_rx_crc".to_owned(), 4)]));
        let alone = Bounds::from_ends(&near, None);
        assert_eq!((alone.forward_known, alone.homeward_known), (false, false));
        // That the reflector was not heard is a reason of its own, not a port that counts nothing.
        assert!(alone.unknown.is_empty());
    }
}
