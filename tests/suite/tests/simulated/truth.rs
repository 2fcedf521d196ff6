//! What the account of a trial must be, from the wire's own ledger by sequence number, and the verdict that follows.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use kitproof::verdict::{
    Account, Bounds, Bursts, Limits, LoadFacts, Outcome, TrialFacts, Verdict, WindowFacts, account, judge,
};
use kitproof_bench::ledger::Counts;
use kitproof_common::control::counts::FarCounts;
use kitproof_common::frame::Encapsulation;

use crate::model::{Harm, expect, harm, returned};
use crate::pair::{Run, Setup};

/// What the wire did to one direction, by the wire's frame numbers.
struct Deeds {
    /// How often a frame was handed on, where that is not once.
    handed_on: BTreeMap<u64, u64>,
    /// Handed on with a wrong bit that somebody looks at, and whether the sequence can still be read.
    hurt: BTreeMap<u64, Harm>,
}

impl Deeds {
    fn of(counts: &Counts, setup: &Setup) -> Self {
        assert_eq!(counts.unbalanced(), 0, "the wire's ledger closes");
        assert_eq!(counts.held, 0, "nothing is left in the wire");
        let mut handed_on = BTreeMap::new();
        for (number, _) in &counts.duplicated.frames {
            *handed_on.entry(*number).or_insert(1) += 1;
        }
        let taken = [&counts.dropped, &counts.dark, &counts.eaten, &counts.too_long];
        for record in taken.into_iter().chain([&counts.queue_full, &counts.clock_full]) {
            for (number, _) in &record.frames {
                // Of two copies a full queue may take one, or both.
                *handed_on.entry(*number).or_insert(1) -= 1;
            }
        }
        let mut hurt = BTreeMap::new();
        for flip in &counts.flipped {
            if handed_on.get(&flip.number) == Some(&0) {
                // A full queue behind the fault has taken it.
            } else if setup.trial.frame.encapsulation == Encapsulation::Datagram && !flip.mended {
                // The receiving host's kernel throws it away.
                handed_on.insert(flip.number, 0);
            } else if harm(setup, flip) != Harm::None {
                hurt.insert(flip.number, harm(setup, flip));
            }
        }
        Self { handed_on, hurt }
    }

    /// How often a frame arrived whole.
    fn whole(&self, number: u64) -> u64 {
        if self.hurt.contains_key(&number) { 0 } else { self.handed_on.get(&number).copied().unwrap_or(1) }
    }

    fn gone(&self) -> u64 {
        self.handed_on.values().filter(|count| **count == 0).count() as u64
    }

    fn copies(&self) -> u64 {
        self.handed_on.values().map(|count| count.saturating_sub(1)).sum()
    }
}

/// Figures of the ledger that the account must repeat.
pub(crate) struct Truth {
    pub(crate) account: Account,
    /// Something was lost, copied, reordered or hurt.
    pub(crate) bad: bool,
    /// A frame that came home damaged and unreadable was a copy of one that is home or counted, while others are
    /// missing: the generator cannot know which of the two it was.
    pub(crate) ambiguous: bool,
}

/// For a pair that drops nothing itself and a link without strangers.
pub(crate) fn truth(run: &Run, setup: &Setup, sent_burst: u64) -> Truth {
    let (forward, back) = (&run.ledger.forward, &run.ledger.back);
    let (out, home) = (Deeds::of(forward, setup), Deeds::of(back, setup));
    let returned = returned(run, setup);

    // Forward: each sequence crosses once, so that a frame gone or hurt is a sequence lost or corrupted.
    assert_eq!(forward.seen, setup.trial.frames);
    let mut numbers_of: HashMap<u64, u64> = HashMap::new();
    for (index, sequence) in run.sequences.iter().enumerate() {
        let whole = out.whole(index as u64 + 1);
        if whole > 0 {
            numbers_of.insert(*sequence, whole);
        }
    }
    let reached: u64 = numbers_of.values().sum();
    assert_eq!(
        (reached, reached),
        (returned.len() as u64, back.seen),
        "all that reached comes back to the wire"
    );

    // Return: a sequence is missing if none of its numbers arrives whole.
    let sequence_of = |wire_number: u64| returned[run.returns[wire_number as usize - 1].number as usize];
    let at_home: BTreeSet<u64> =
        (1..=back.seen).filter(|number| home.whole(*number) > 0).map(sequence_of).collect();
    let mut hurt: HashMap<u64, (u64, u64)> = HashMap::new();
    for (wire_number, harm) in &home.hurt {
        let (readable, unreadable) = hurt.entry(sequence_of(*wire_number)).or_default();
        *(if *harm == Harm::Readable { readable } else { unreadable }) += 1;
    }
    let missing: BTreeSet<u64> = numbers_of.keys().copied().filter(|s| !at_home.contains(s)).collect();
    let read =
        missing.iter().filter(|s| hurt.get(s).is_some_and(|(readable, _)| *readable > 0)).count() as u64;
    let strictly = missing.iter().filter(|s| hurt.contains_key(s)).count() as u64;
    let unreadable: u64 = hurt.values().map(|(_, unreadable)| unreadable).sum();
    // Unreadable damage is taken for the missing first; what exceeds them was a copy for certain.
    let corrupted_return = read + unreadable.min(missing.len() as u64 - read);
    let ambiguous = corrupted_return != strictly;
    assert!(corrupted_return >= strictly);

    let (lost_forward, corrupted_forward) = (out.gone(), out.hurt.len() as u64);
    let lost_return = missing.len() as u64 - corrupted_return;
    let corrupted = corrupted_forward + corrupted_return;
    let expected = expect(run, setup);
    let (reordered_forward, reordered_return) = (expected.far.reordered, expected.home.reordered_return);
    let account = Account {
        offered_frames: setup.trial.frames,
        reached_reflector: Some(reached),
        reached_reflector_distinct: Some(numbers_of.len() as u64),
        reflected_frames: Some(reached),
        returned_frames: at_home.len() as u64,
        lost_forward,
        lost_return,
        corrupted,
        corrupted_forward: Some(corrupted_forward),
        corrupted_return: Some(corrupted_return),
        corrupted_copies: (out.hurt.len() + home.hurt.len()) as u64 - corrupted,
        duplicates: out.copies() + home.copies(),
        duplicates_forward: Some(out.copies()),
        duplicates_return: Some(home.copies()),
        reordered: reordered_forward + reordered_return,
        reordered_forward: Some(reordered_forward),
        reordered_return: Some(reordered_return),
        longest_burst: Bursts { sent: sent_burst, returned: Some(run.returned_burst) },
        ..Account::default()
    };
    let bad = lost_forward + lost_return + corrupted + account.duplicates + account.reordered > 0;
    Truth { account, bad, ambiguous }
}

/// No drop beside the named ones, and every port known to count them.
pub(crate) fn known_bounds() -> Bounds {
    Bounds { forward_known: true, homeward_known: true, ..Bounds::default() }
}

/// The account and the verdict, as the procedure puts them together.
pub(crate) fn appraise(
    run: &Run,
    setup: &Setup,
    far: Option<&FarCounts>,
    bounds: &Bounds,
    limits: Limits,
) -> (Account, Verdict) {
    let trial = &setup.trial;
    let mut home = run.home.counts.clone();
    let mut load = LoadFacts {
        intended_fps: trial.rate.per_second(),
        intended_percent: 100.0 * trial.rate.per_second() / trial.line.per_second(),
        offered_fps: Some(trial.rate.per_second()),
        tolerance: 0.0002,
        windows: WindowFacts::default(),
        stalls_allowed: 0,
    };
    if let Some(sent) = &run.sent {
        home.longest_burst = sent.load.longest_burst;
        load.offered_fps = sent.load.rate;
        let windows = &sent.load.windows;
        load.windows = WindowFacts {
            count: windows.count,
            below_99_percent: windows.below_99_percent,
            below_90_percent: windows.below_90_percent,
            above_line: windows.above_line,
            lowest_percent: windows.lowest_percent,
            highest_percent: windows.highest_percent,
        };
    }
    let account = account(&home, far, bounds);
    let verdict = judge(&TrialFacts {
        frame_size: trial.frame.frame_size,
        account: account.clone(),
        limits,
        load,
        burst_tolerance: 32,
        unknown_counters: bounds.unknown.clone(),
        ..TrialFacts::default()
    });
    (account, verdict)
}

/// Whatever happened, these hold.
pub(crate) fn check_books(account: &Account, verdict: &Verdict) {
    assert_eq!(account.placed(), account.offered_frames, "the identity");
    assert_eq!(account.unaccounted, 0, "{account:#?}");
    if verdict.verdict == Outcome::Pass {
        assert_eq!(account.returned_frames, account.offered_frames);
    }
}
