//! What both ends must have counted, from the frames that were put into their ports, one by one and in order.
//!
//! Slow and plain, and of the code under test it uses nothing but the model of RFC 4737.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use kitproof::verdict::HomeCounts;
use kitproof_bench::ledger::Flipped;
use kitproof_common::control::counts::{FarCounts, FarLossPeriod};
use kitproof_common::frame::Encapsulation;
use kitproof_common::sequence::{LossPattern, Reordering, rfc4737};

use crate::datagram;
use crate::pair::{Came, FORWARD, HOMEWARD, Run, Setup, header_offset};
use crate::stranger::What;

/// Arrivals up to which the word-for-word analysis is used, whose time grows with their square.
const ANALYSED: usize = 8_000;

/// What is expected of both ends.
pub(crate) struct Expected {
    pub(crate) far: FarCounts,
    pub(crate) home: HomeCounts,
    /// First copies in order of arrival: generator's numbers at the reflector, reflector's numbers at home.
    pub(crate) order: [Vec<u64>; 2],
    /// Sequences that arrived intact, and were young enough to be judged.
    pub(crate) arrived: [BTreeSet<u64>; 2],
}

/// What a flip by the wire comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Harm {
    /// Nobody looks at that octet: the fill, unchecked.
    None,
    Readable,
    Unreadable,
}

/// Where a changed bit of a frame hurts what.
pub(crate) fn harm(setup: &Setup, flip: &Flipped) -> Harm {
    let spec = &setup.trial.frame;
    let datagram = spec.encapsulation == Encapsulation::Datagram;
    let at = usize::from(flip.octet) - if datagram { datagram::HEADERS } else { 0 };
    let header = header_offset(spec);
    let network = 14 + spec.tags.octets();
    let (guard, fill) = match spec.encapsulation {
        // The identification; the low half of the flow label; the CRC-32 behind the header.
        Encapsulation::Ipv4 => (network + 4..network + 6, header + 18),
        Encapsulation::Ipv6 => (network + 2..network + 4, header + 18),
        Encapsulation::Ethernet => (header + 18..header + 22, header + 22),
        Encapsulation::Datagram if spec.octets() < 22 => (0..spec.octets(), header + 18),
        Encapsulation::Datagram => (18..22, 22),
    };
    let summed = matches!(spec.encapsulation, Encapsulation::Ipv4 | Encapsulation::Ipv6);
    if (header..header + 18).contains(&at) || guard.contains(&at) {
        Harm::Unreadable
    } else if at >= fill && !setup.trial.fill_check && !(summed && flip.mended) {
        // A mended checksum is not the one that belongs to the fill, which shows without a look at the fill.
        Harm::None
    } else {
        Harm::Readable
    }
}

/// The window of a tracker by its definition: a number is judged as long as its word of 64 is one of the newest.
struct Book {
    words: u64,
    highest: Option<u64>,
    copies: HashMap<u64, u64>,
}

#[derive(PartialEq)]
enum Entry {
    First,
    Copy,
    Late,
}

impl Book {
    fn new(span: usize) -> Self {
        Self { words: span.next_power_of_two() as u64 / 64, highest: None, copies: HashMap::new() }
    }

    fn is_late(&self, number: u64) -> bool {
        self.highest.is_some_and(|highest| number / 64 < (highest / 64 + 1).saturating_sub(self.words))
    }

    fn arrive(&mut self, number: u64) -> Entry {
        if self.is_late(number) {
            return Entry::Late;
        }
        self.highest = self.highest.max(Some(number));
        let copies = self.copies.entry(number).or_default();
        *copies += 1;
        if *copies == 1 { Entry::First } else { Entry::Copy }
    }

    fn contains(&self, number: u64) -> bool {
        !self.is_late(number) && self.copies.contains_key(&number)
    }
}

/// What was put into the port of one direction, in order, each frame by what it truly was. `returned` are the sequences
/// by reflector number.
pub(crate) fn arrivals(run: &Run, setup: &Setup, way: usize, returned: &[u64]) -> Vec<What> {
    let flips = [&run.ledger.forward.flipped, &run.ledger.back.flipped][way];
    let flips: BTreeMap<u64, Harm> = flips.iter().map(|flip| (flip.number, harm(setup, flip))).collect();
    let of = |wire_number: u64| {
        let index = wire_number as usize - 1;
        let (sequence, number) = if way == FORWARD {
            (run.sequences[index], 0)
        } else {
            let frame = run.returns[index];
            let sequence = returned[frame.number as usize];
            assert_eq!(sequence as u32, frame.sequence, "the reflector's {}th frame", frame.number);
            (sequence, u64::from(frame.number))
        };
        match flips.get(&wire_number) {
            None | Some(Harm::None) => What::Intact { sequence, number },
            Some(Harm::Readable) => What::Damaged(Some(sequence)),
            Some(Harm::Unreadable) => What::Damaged(None),
        }
    };
    run.came[way]
        .iter()
        .map(|came| match *came {
            Came::Wire(number) => of(number),
            Came::Stranger(what) => what,
        })
        .collect()
}

/// The sequences that the reflector returned, by its number.
pub(crate) fn returned(run: &Run, setup: &Setup) -> Vec<u64> {
    let intact = |what: &What| match what {
        What::Intact { sequence, .. } => Some(*sequence),
        _ => None,
    };
    arrivals(run, setup, FORWARD, &[]).iter().filter_map(intact).collect()
}

pub(crate) fn expect(run: &Run, setup: &Setup) -> Expected {
    let returned = returned(run, setup);
    let (far, far_order, reached) = expect_far(run, setup);
    let (home, home_order, at_home) = expect_home(run, setup, &returned);
    Expected { far, home, order: [far_order, home_order], arrived: [reached, at_home] }
}

fn expect_far(run: &Run, setup: &Setup) -> (FarCounts, Vec<u64>, BTreeSet<u64>) {
    let mut far = FarCounts { refused: run.refused, dropped: run.dropped[FORWARD], ..FarCounts::default() };
    let mut book = Book::new(setup.trial.window());
    let (mut order, mut hurt) = (Vec::new(), HashSet::new());
    for what in arrivals(run, setup, FORWARD, &[]) {
        match what {
            What::Foreign | What::Beyond => far.foreign += 1,
            What::Damaged(sequence) => {
                far.damaged += 1;
                far.damaged_anonymous += u64::from(sequence.is_none());
                hurt.extend(sequence);
            }
            What::Intact { sequence, .. } => {
                far.reached += 1;
                match book.arrive(sequence) {
                    Entry::First => order.push(sequence),
                    Entry::Copy => far.copies += 1,
                    Entry::Late => far.late += 1,
                }
            }
        }
    }
    let reached: BTreeSet<u64> = order.iter().copied().collect();
    far.reached_distinct = reached.len() as u64;
    far.reflected = far.reached;
    far.damaged_distinct = Some(hurt.iter().filter(|sequence| !reached.contains(*sequence)).count() as u64);
    far.reordered = reordered(&order);
    far.highest_sequence = reached.last().copied();
    let periods = periods(&reached, far.highest_sequence.map_or(0, |highest| highest + 1));
    far.loss_periods_total = periods.len() as u64;
    far.longest_loss_period = periods.iter().map(|period| period.length).max().unwrap_or(0);
    far.loss_periods = periods.into_iter().take(4).collect();
    far.longest_burst = run.returned_burst;
    (far, order, reached)
}

fn expect_home(run: &Run, setup: &Setup, returned: &[u64]) -> (HomeCounts, Vec<u64>, BTreeSet<u64>) {
    let mut home = HomeCounts {
        offered: run.home.counts.offered,
        received_dropped: run.dropped[HOMEWARD],
        ..HomeCounts::default()
    };
    let (mut sequences, mut numbers) = (Book::new(setup.trial.window()), Book::new(setup.trial.window()));
    let (mut order, mut firsts, mut damaged) = (Vec::new(), Vec::new(), Vec::new());
    for what in arrivals(run, setup, HOMEWARD, returned) {
        match what {
            What::Foreign => home.foreign += 1,
            What::Beyond => home.beyond += 1,
            What::Damaged(None) => home.corrupted_anonymous += 1,
            What::Damaged(Some(sequence)) => damaged.push(sequence),
            What::Intact { sequence, number } => {
                home.arrivals += 1;
                match numbers.arrive(number) {
                    Entry::First => {
                        order.push(number);
                        match sequences.arrive(sequence) {
                            Entry::First => firsts.push(sequence),
                            Entry::Copy => home.copies_forward_home += 1,
                            Entry::Late => home.late += 1,
                        }
                    }
                    Entry::Copy => {
                        home.copies_return += 1;
                        let known = sequences.contains(sequence) || sequences.is_late(sequence);
                        assert!(known, "a number stands for one frame");
                    }
                    Entry::Late => home.late_numbers += 1,
                }
            }
        }
    }
    let at_home: BTreeSet<u64> = firsts.iter().copied().collect();
    let numbers: BTreeSet<u64> = order.iter().copied().collect();
    home.returned = at_home.len() as u64;
    home.reflector_numbers = numbers.len() as u64;
    let hurt: HashSet<u64> = damaged.iter().copied().filter(|sequence| !at_home.contains(sequence)).collect();
    home.corrupted = hurt.len() as u64;
    home.damaged_copies = damaged.len() as u64 - home.corrupted;
    home.reordered_return = reordered(&order);
    home.reordered_by_sequence = reordered(&firsts);
    home.highest_sequence = at_home.last().copied();
    home.highest_reflector_number = numbers.last().copied();
    home.missing_below_highest = numbers.last().map_or(0, |highest| highest + 1 - home.reflector_numbers);
    (home, order, at_home)
}

/// RFC 4737 section 3.3: first copies that arrive after a larger number.
fn reordered(order: &[u64]) -> u64 {
    let mut next = 0;
    let mut count = 0;
    for &number in order {
        count += u64::from(number < next);
        next = next.max(number + 1);
    }
    if order.len() <= ANALYSED {
        assert_eq!(rfc4737::analyse_from(0, order).reordered.len(), count as usize);
    }
    count
}

/// RFC 3357 section 4: rows of numbers below `end` that did not arrive.
pub(crate) fn periods(arrived: &BTreeSet<u64>, end: u64) -> Vec<FarLossPeriod> {
    let mut periods: Vec<FarLossPeriod> = Vec::new();
    let mut expected = 0;
    for number in arrived.iter().copied().chain([end]) {
        if number > expected {
            let distance =
                periods.last().map_or(0, |previous| expected - (previous.first + previous.length - 1));
            periods.push(FarLossPeriod { first: expected, length: number - expected, distance });
        }
        expected = number + 1;
    }
    periods
}

/// Holds a tracker's loss pattern against the plain one.
pub(crate) fn check_loss(found: &LossPattern, arrived: &BTreeSet<u64>, end: u64) {
    let periods = periods(arrived, end);
    let kept: Vec<_> = found
        .kept
        .iter()
        .map(|period| FarLossPeriod {
            first: period.first,
            length: period.length,
            distance: period.distance_from_previous,
        })
        .collect();
    assert_eq!(found.periods, periods.len() as u64);
    assert_eq!(found.lost, periods.iter().map(|period| period.length).sum::<u64>());
    assert_eq!(found.longest, periods.iter().map(|period| period.length).max().unwrap_or(0));
    assert_eq!(kept, periods[..periods.len().min(4096)]);
}

/// Holds a tracker's reordering against RFC 4737 word for word.
pub(crate) fn check_reordering(found: &Reordering, order: &[u64]) {
    if order.len() > ANALYSED {
        return;
    }
    let analysis = rfc4737::analyse_from(0, order);
    let reordered = &analysis.reordered;
    assert_eq!(found.received, analysis.received as u64);
    assert_eq!(found.reordered, reordered.len() as u64);
    assert_eq!(found.maximum_extent, reordered.iter().map(|packet| packet.extent as u64).max().unwrap_or(0));
    assert_eq!(found.discontinuities, analysis.discontinuities.len() as u64);
    let reordering = analysis.discontinuities.iter().filter(|found| found.reordering).count();
    assert_eq!(found.reordering_discontinuities, reordering as u64);
    assert_eq!(found.extent_unknown, 0);
    for n in 1..=16 {
        let of_degree = found.n_reordered.get(n - 1).copied().unwrap_or(0);
        assert_eq!(of_degree, analysis.n_reordered(n) as u64, "{n}-reordered");
    }
    assert_eq!(
        (found.free_runs, found.free_run_frames),
        (analysis.free_runs.runs, analysis.free_runs.packets)
    );
}
