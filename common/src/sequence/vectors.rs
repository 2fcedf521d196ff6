//! Golden vectors: the worked examples of the RFCs, run through the whole-list functions and through the tracker.

use super::rfc4737::{self, Arrived};
use super::*;

/// One example. Numbers and positions as the RFC prints them, from 1.
struct Example {
    source: &'static str,
    arrivals: &'static [u64],
    copies: usize,
    /// (sequence, extent, n)
    reordered: &'static [(u64, usize, usize)],
    /// (sequence, position, size, reordering discontinuity, gap)
    discontinuities: &'static [(u64, usize, u64, bool, usize)],
    /// x, a, p, q
    free: (u64, u64, u64, u128),
}

const EXAMPLES: &[Example] = &[
    Example {
        source: "V1, RFC 4737 section 7.1",
        arrivals: &[1, 2, 3, 5, 6, 7, 8, 4, 9, 10],
        copies: 0,
        reordered: &[(4, 4, 4)],
        discontinuities: &[(5, 4, 1, true, 0)],
        free: (1, 9, 10, 49),
    },
    Example {
        source: "V2, RFC 4737 section 7.2",
        arrivals: &[1, 2, 3, 4, 7, 5, 6, 8, 9, 10],
        copies: 0,
        reordered: &[(5, 1, 1), (6, 2, 0)],
        discontinuities: &[(7, 5, 2, true, 0)],
        free: (2, 8, 10, 25),
    },
    Example {
        source: "V3, RFC 4737 section 7.3",
        arrivals: &[1, 2, 3, 7, 8, 9, 10, 4, 5, 6, 11],
        copies: 0,
        reordered: &[(4, 4, 4), (5, 5, 0), (6, 6, 0)],
        discontinuities: &[(7, 4, 3, true, 0)],
        free: (3, 8, 11, 49),
    },
    Example {
        source: "V4, RFC 4737 section 7.4",
        arrivals: &[1, 2, 3, 6, 7, 4, 5, 8, 9, 10, 12, 13, 11, 14, 15, 16],
        copies: 0,
        reordered: &[(4, 2, 2), (5, 3, 0), (11, 2, 2)],
        discontinuities: &[(6, 4, 2, true, 0), (12, 11, 1, true, 7)],
        free: (3, 13, 16, 50),
    },
    Example {
        source: "V5, RFC 4737 section 5.3",
        arrivals: &[1, 2, 3, 7, 8, 9, 4, 5, 6],
        copies: 0,
        reordered: &[(4, 3, 3), (5, 4, 0), (6, 5, 0)],
        discontinuities: &[(7, 4, 3, true, 0)],
        free: (3, 6, 9, 36),
    },
    Example {
        source: "V6, RFC 4737 appendix A, usage line",
        arrivals: &[1, 2, 3, 7, 8, 4, 5, 6],
        copies: 0,
        reordered: &[(4, 2, 2), (5, 3, 0), (6, 4, 0)],
        discontinuities: &[(7, 4, 3, true, 0)],
        free: (3, 5, 8, 25),
    },
    Example {
        source: "V7, RFC 4737 section 4.3.4: loss does not enlarge the extent",
        arrivals: &[1, 10, 5],
        copies: 0,
        reordered: &[(5, 1, 1)],
        discontinuities: &[(10, 2, 8, true, 0)],
        free: (1, 2, 3, 4),
    },
    Example {
        source: "V8, computed by hand from RFC 4737 section 3.6: copies are noted, not analysed",
        arrivals: &[1, 2, 2, 3, 5, 4, 4],
        copies: 2,
        reordered: &[(4, 1, 1)],
        discontinuities: &[(5, 4, 1, true, 0)],
        free: (1, 4, 5, 16),
    },
];

#[test]
fn rfc4737_examples_over_the_list() {
    for example in EXAMPLES {
        let analysis = rfc4737::analyse(example.arrivals);
        let source = example.source;
        assert_eq!(analysis.copies, example.copies, "{source}");
        assert_eq!(analysis.received, example.arrivals.len() - example.copies, "{source}");
        let reordered: Vec<_> = analysis.reordered.iter().map(|p| (p.sequence, p.extent, p.n)).collect();
        assert_eq!(reordered, example.reordered, "{source}");
        let discontinuities: Vec<_> = analysis
            .discontinuities
            .iter()
            .map(|d| (d.sequence, d.position, d.size, d.reordering, d.gap))
            .collect();
        assert_eq!(discontinuities, example.discontinuities, "{source}");
        let free = &analysis.free_runs;
        assert_eq!((free.runs, free.packets, free.total, free.squares), example.free, "{source}");
    }
}

#[test]
fn rfc4737_examples_by_the_tracker() {
    for example in EXAMPLES {
        let source = example.source;
        let mut tracker = Tracker::new(64, 16);
        for sequence in example.arrivals {
            // The tracker's numbers begin at 0, the RFC's at 1.
            tracker.arrive(sequence - 1);
        }
        let offered = example.arrivals.iter().copied().max().unwrap_or(0);
        let summary = tracker.finish(offered);
        let found = &summary.reordering;
        assert_eq!(summary.copies, example.copies as u64, "{source}");
        assert_eq!(found.received, (example.arrivals.len() - example.copies) as u64, "{source}");
        assert_eq!(summary.lost, offered - found.received, "{source}");
        assert_eq!(found.reordered, example.reordered.len() as u64, "{source}");
        let maximum_extent = example.reordered.iter().map(|(_, extent, _)| *extent as u64).max();
        assert_eq!(Some(found.maximum_extent), maximum_extent, "{source}");
        assert_eq!(found.extent_unknown, 0, "{source}");
        assert_eq!(found.discontinuities, example.discontinuities.len() as u64, "{source}");
        assert_eq!(found.reordering_discontinuities, example.discontinuities.len() as u64, "{source}");
        let largest = example.discontinuities.iter().map(|(_, _, size, _, _)| *size).max();
        assert_eq!(Some(found.largest_discontinuity), largest, "{source}");
        let (x, a, _, q) = example.free;
        assert_eq!((found.free_runs, found.free_run_frames), (x, a), "{source}");
        assert_eq!(found.free_run_squares, q as f64, "{source}");
        for n in 1..=DEGREES {
            let expected = example.reordered.iter().filter(|(_, _, degree)| *degree >= n).count();
            let degree = expected as f64 / found.received as f64;
            assert_eq!(found.degree(n), Some(degree), "{source}, n = {n}");
        }
    }
}

fn assert_close(found: Option<f64>, expected: f64) {
    let found = found.expect("defined");
    assert!((found - expected).abs() < 1e-6, "{found} is not {expected}");
}

/// RFC 4737 section 5.3, Definition 2 (m / l). The program in appendix A would print 11.1111 % for V1, n = 1.
#[test]
fn degrees_of_n_reordering_by_definition_2() {
    let v1 = rfc4737::analyse(EXAMPLES[0].arrivals);
    for n in 1..=4 {
        assert_close(v1.degree(n), 0.1);
    }
    assert_close(v1.degree(5), 0.0);
    assert_close(rfc4737::analyse(EXAMPLES[2].arrivals).degree(1), 0.090909090909);
    let v4 = rfc4737::analyse(EXAMPLES[3].arrivals);
    assert_close(v4.degree(1), 0.125);
    assert_close(v4.degree(2), 0.125);
    assert_close(v4.degree(3), 0.0);
    assert_close(v1.ratio(), 0.1);
    assert_eq!(v4.free_runs.lengths, [5, 0, 5]);
}

/// RFC 4737 section 4.6.4: 36 packets, three reordered.
#[test]
fn free_run_variability() {
    // (q / a) / (a / x): the RFC's two samples, evenly and unevenly spread.
    let even = Reordering {
        received: 36,
        reordered: 3,
        free_runs: 3,
        free_run_frames: 33,
        free_run_squares: 363.0,
        ..Reordering::default()
    };
    assert_close(even.mean_free_run(), 11.0);
    assert_close(even.free_run_variability(), 1.0);
    let uneven = Reordering { free_run_squares: 963.0, ..even };
    assert!((uneven.free_run_variability().unwrap() - 2.65).abs() < 0.005);

    // Runs of 1, 1 and 31 in-order packets, through the tracker.
    let mut tracker = Tracker::new(64, 0);
    let mut arrivals = vec![1, 0, 3, 2];
    arrivals.extend(5..36);
    arrivals.push(4);
    for sequence in arrivals {
        assert_eq!(tracker.arrive(sequence), Arrival::First);
    }
    let found = tracker.finish(36).reordering;
    assert_eq!((found.free_runs, found.free_run_frames, found.free_run_squares), (3, 33, 963.0));
    assert!((found.free_run_variability().unwrap() - 2.65).abs() < 0.005);
}

/// The timing of RFC 4737 section 7, tables 1 to 3: sent every 20 ms, 68 ms on the way, 100 octets of payload.
fn timed(arrivals: &[u64], exceptions: &[(u64, u64)]) -> Vec<Arrived> {
    let usual = |sequence: u64| 68 + 20 * (sequence - 1);
    arrivals
        .iter()
        .map(|&sequence| {
            let exception = exceptions.iter().find(|(number, _)| *number == sequence);
            Arrived { sequence, at: exception.map_or(usual(sequence), |(_, at)| *at), octets: 100 }
        })
        .collect()
}

#[test]
fn late_time_and_byte_offset() {
    let figures = |arrivals: &[Arrived]| -> Vec<(u64, u64)> {
        let analysis = rfc4737::analyse_timed(1, arrivals);
        analysis.reordered.iter().map(|p| (p.late_time, p.byte_offset)).collect()
    };
    // Table 1: packet 5 arrives at 148, packet 4 at 210.
    assert_eq!(figures(&timed(EXAMPLES[0].arrivals, &[(4, 210)])), [(62, 400)]);
    // Table 2: 7 at 188, 5 at 189, 6 at 190.
    assert_eq!(figures(&timed(EXAMPLES[1].arrivals, &[(5, 189), (6, 190)])), [(1, 100), (2, 100)]);
    // Table 3: 7 at 188; 4, 5, 6 at 250, 252, 256.
    let table3 = timed(EXAMPLES[2].arrivals, &[(4, 250), (5, 252), (6, 256)]);
    assert_eq!(figures(&table3), [(62, 400), (64, 400), (68, 400)]);
}

fn period(first: u64, length: u64, distance_from_previous: u64) -> LossPeriod {
    LossPeriod { first, length, distance_from_previous }
}

/// L1: RFC 3357, example in sections 5 and 6.5: of packets 1..10, 2, 5, 7, 9 and 10 are lost.
#[test]
fn rfc3357_example() {
    let lost = [2, 5, 7, 9, 10];
    let analysis = rfc3357::analyse(&lost);
    assert_eq!(analysis.distances, [0, 3, 2, 2, 1]);
    assert_eq!(analysis.noticeable(2), 3);
    assert_close(analysis.noticeable_rate(2), 0.6);
    assert_eq!(analysis.periods, [period(2, 1, 0), period(5, 1, 3), period(7, 1, 2), period(9, 2, 2)]);

    let outcomes: Vec<_> = (1..=10).map(|number| lost.contains(&number)).collect();
    let distances: Vec<_> =
        rfc3357::distance_stream(&outcomes).iter().map(|(distance, lost)| (*distance, *lost as u8)).collect();
    assert_eq!(distances, [(0, 0), (0, 1), (0, 0), (0, 0), (3, 1), (0, 0), (2, 1), (0, 0), (2, 1), (1, 1)]);
    assert_eq!(rfc3357::period_stream(&outcomes), [0, 1, 0, 0, 2, 0, 3, 0, 4, 4]);

    let mut tracker = Tracker::new(64, 16);
    for number in (1..=10).filter(|number| !lost.contains(number)) {
        tracker.arrive(number - 1);
    }
    let summary = tracker.finish(10);
    assert_eq!((summary.distinct, summary.lost), (5, 5));
    let loss = summary.loss;
    assert_eq!((loss.periods, loss.lost, loss.longest), (4, 5, 2));
    assert_eq!((loss.nearest, loss.farthest), (Some(2), Some(3)));
    assert_eq!(loss.near, [2, 1]);
    assert_eq!(loss.noticeable(2), Some(3));
    assert_eq!(loss.kept, [period(1, 1, 0), period(4, 1, 3), period(6, 1, 2), period(8, 2, 2)]);
}

/// L2: the pattern of RFC 3357 section 4, figures computed by hand.
#[test]
fn rfc3357_pattern() {
    let outcomes: Vec<bool> = "rrrxrrxxxrxrrxxx".chars().map(|outcome| outcome == 'x').collect();
    let lost: Vec<u64> = (0..16).filter(|i| outcomes[*i as usize]).collect();
    assert_eq!(lost, [3, 6, 7, 8, 10, 13, 14, 15]);
    let analysis = rfc3357::analyse(&lost);
    assert_eq!(analysis.distances, [0, 3, 1, 1, 2, 3, 1, 1]);
    let periods = [period(3, 1, 0), period(6, 3, 3), period(10, 1, 2), period(13, 3, 3)];
    assert_eq!(analysis.periods, periods);

    let mut tracker = Tracker::new(64, 16);
    (0..16).filter(|i| !outcomes[*i as usize]).for_each(|sequence| {
        tracker.arrive(sequence);
    });
    let loss = tracker.finish(16).loss;
    assert_eq!(loss.kept, periods);
    for (delta, noticeable) in [(0, 0), (1, 4), (2, 5), (3, 7), (4, 7)] {
        assert_eq!(analysis.noticeable(delta), noticeable, "delta {delta}");
        assert_eq!(loss.noticeable(delta), Some(noticeable), "delta {delta}");
    }
}

/// RFC 3357 section 4: 20 lost, then 50 lost, is a loss distance of 30.
#[test]
fn rfc3357_distance() {
    assert_eq!(rfc3357::analyse(&[20, 50]).distances, [0, 30]);
}

/// RFC 5560's worked cases: packets 1..4 sent.
#[test]
fn rfc5560_cases() {
    let cases: [(&[u64], f64, f64); 5] = [
        (&[1, 2, 3, 4], 0.0, 0.0),
        (&[1, 2, 3, 4, 4, 3, 2, 1], 1.0, 1.0),
        (&[1, 2, 3, 4, 1, 2, 3, 4, 1, 2, 3, 4], 2.0, 1.0),
        (&[1, 1, 1, 2, 3, 3, 3, 4], 1.0, 0.5),
        // The order of arrival does not matter.
        (&[3, 1, 4, 1, 3, 2, 1, 3], 1.0, 0.5),
    ];
    for (arrivals, fraction, replicated_rate) in cases {
        let mut tracker = Tracker::new(64, 0);
        for sequence in arrivals {
            tracker.arrive(sequence - 1);
        }
        for figures in [duplication(arrivals), tracker.finish(4).duplication()] {
            assert_close(figures.fraction(), fraction);
            assert_close(figures.replicated_rate(), replicated_rate);
        }
    }
    assert_eq!(duplication(&[]).fraction(), None, "nothing received: undefined");
    assert_eq!(Tracker::new(64, 0).finish(4).duplication().replicated_rate(), None);
}
