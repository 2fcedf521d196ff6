//! The whole pair without a kernel: the generator's engine, the reflector's turning and the bench's wire over ports
//! in memory, in one thread and in virtual time, then the account and the verdict; held against what truly happened.
//!
//! `KITPROOF_SCRIPTS=n` runs another number of random trials, `KITPROOF_SEED=s` begins elsewhere. A failure names the
//! seed that has it again.

#[path = "simulated/chance.rs"]
mod chance;
#[path = "simulated/datagram.rs"]
mod datagram;
#[path = "simulated/model.rs"]
mod model;
#[path = "simulated/pair.rs"]
mod pair;
#[path = "simulated/scripts.rs"]
mod scripts;
#[path = "simulated/stranger.rs"]
mod stranger;
#[path = "simulated/truth.rs"]
mod truth;

use kitproof::verdict::{Limits, Outcome};

use chance::{Named, seeds};
use model::{check_loss, check_reordering, expect};
use pair::{Departure, Run, Setup};
use truth::{appraise, check_books, known_bounds, truth};

/// Random trials: the 10,000, and fewer where the code is not optimised.
const SCRIPTS: u64 = if cfg!(debug_assertions) { 1_000 } else { 10_000 };

/// Most frames that left at one instant. The sender of these trials waits for the next instant, always.
fn sent_burst(departures: &[Departure]) -> u64 {
    departures
        .chunk_by(|one, next| one.at == next.at)
        .map(|chunk| chunk.iter().map(|d| d.frames).sum())
        .max()
        .unwrap_or(0)
}

/// Everything both ends counted, against the frames that were put into their ports.
fn check_counts(run: &Run, setup: &Setup) {
    let expected = expect(run, setup);
    assert_eq!(run.far, expected.far);
    assert_eq!(run.home.counts, expected.home);
    check_loss(&run.home.loss, &expected.arrived[1], run.home.counts.offered);
    let numbers = expected.order[1].iter().copied().collect();
    let issued = run.home.counts.highest_reflector_number.map_or(0, |highest| highest + 1);
    check_loss(&run.home.loss_return, &numbers, issued);
    check_reordering(&run.home.reordering_return, &expected.order[1]);
    let trips = &run.home.round_trips;
    assert_eq!(
        trips.histogram.len() + trips.excluded,
        run.home.counts.returned,
        "every frame home is timed or excluded"
    );
}

/// How often each thing happened, so that a test that never sees it is no test of it.
#[derive(Debug, Default)]
struct Seen {
    frames: u64,
    passed: u64,
    failed: u64,
    ambiguous: u64,
    lost: [u64; 2],
    corrupted: [u64; 2],
    corrupted_copies: u64,
    duplicates: [u64; 2],
    reordered: [u64; 2],
    only_swaps: u64,
}

impl Seen {
    fn add(&mut self, account: &kitproof::verdict::Account, outcome: Outcome) {
        self.frames += account.offered_frames;
        self.passed += u64::from(outcome == Outcome::Pass);
        self.failed += u64::from(outcome == Outcome::Fail);
        self.corrupted_copies += account.corrupted_copies;
        let count = |way: [Option<u64>; 2]| way.map(Option::unwrap_or_default);
        let lost = [account.lost_forward, account.lost_return];
        for (sums, counts) in [
            (&mut self.lost, lost),
            (&mut self.corrupted, count([account.corrupted_forward, account.corrupted_return])),
            (&mut self.duplicates, count([account.duplicates_forward, account.duplicates_return])),
            (&mut self.reordered, count([account.reordered_forward, account.reordered_return])),
        ] {
            sums[0] += counts[0];
            sums[1] += counts[1];
        }
    }
}

/// Issue 1, "Shown by": the account equals the wire's ledger by sequence exactly, over 10,000 random fault scripts.
#[test]
fn every_figure_equals_the_wires_ledger() {
    let mut seen = Seen::default();
    let seeds = seeds(1, SCRIPTS);
    let many = seeds.end - seeds.start >= 1_000;
    for seed in seeds {
        let _named = Named { what: "every_figure_equals_the_wires_ledger", seed };
        let setup = scripts::setup(seed, None, true);
        let run = pair::run(&setup);
        check_counts(&run, &setup);

        let truth = truth(&run, &setup, sent_burst(&run.departures));
        let (account, verdict) = appraise(&run, &setup, Some(&run.far), &known_bounds(), Limits::default());
        assert_eq!(account, truth.account);
        check_books(&account, &verdict);
        let expected = if truth.bad { Outcome::Fail } else { Outcome::Pass };
        assert_eq!(verdict.verdict, expected, "{:#?}", verdict.reasons);

        let (forward, back) = (&setup.script.forward, &setup.script.back);
        for (faults, ledger, reordered) in [
            (forward, &run.ledger.forward, account.reordered_forward),
            (back, &run.ledger.back, account.reordered_return),
        ] {
            if faults.delay.is_none() {
                // Only swaps change the order; one of the two may be lost again behind it, or be a stranger to the order.
                assert!(reordered <= Some(ledger.swapped.count));
            }
            let only_swaps =
                kitproof_bench::script::Faults { swap: faults.swap.clone(), ..Default::default() };
            if *faults == only_swaps && !faults.swap.is_never() {
                assert_eq!(reordered, Some(ledger.swapped.count));
                seen.only_swaps += 1;
            }
        }

        // The same trial when the reflector is not heard: nothing is lost from the books, and nothing passes.
        let (unheard, verdict) = appraise(&run, &setup, None, &known_bounds(), Limits::default());
        check_books(&unheard, &verdict);
        assert_ne!(verdict.verdict, Outcome::Pass);
        assert_eq!(
            unheard.lost() + unheard.corrupted,
            account.lost() + account.corrupted,
            "what is missing is missing"
        );

        seen.add(&account, if truth.bad { Outcome::Fail } else { Outcome::Pass });
        seen.ambiguous += u64::from(truth.ambiguous);
    }
    println!("{seen:?}");
    if many {
        let all = [seen.lost, seen.corrupted, seen.duplicates, seen.reordered].concat();
        assert!(all.iter().all(|count| *count > 1_000), "{seen:?}");
        assert!(seen.passed > 50 && seen.failed > 500 && seen.corrupted_copies > 100 && seen.only_swaps > 50);
    }
}
