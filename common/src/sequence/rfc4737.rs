//! Reordering over a whole list of arrivals, word for word after RFC 4737. Slow (quadratic) and plain: the model of what
//! the tracker counts, and complete where the tracker is not (late time, byte offset, gaps, run lengths).

/// One arrival.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Arrived {
    pub sequence: u64,
    /// DstTime, in any unit.
    pub at: u64,
    /// Octets of payload.
    pub octets: u64,
}

/// A packet that came after a larger one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReorderedPacket {
    pub sequence: u64,
    /// i, from 1, copies not counted.
    pub position: usize,
    /// Reordering extent e (section 4.2.3): i − j for the smallest j with s\[j\] > s\[i\].
    pub extent: usize,
    /// DstTime(i) − DstTime(i − e) (section 4.3.3), in the unit of [`Arrived::at`].
    pub late_time: u64,
    /// Octets to be stored until this packet comes (section 4.4.3).
    pub byte_offset: u64,
    /// The largest n for which it is n-reordered (section 5.3): how many arrivals just before it are all larger; 0 if
    /// the one before is smaller.
    pub n: usize,
}

/// An arrival larger than the number expected (section 3.4).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Discontinuity {
    /// The number that arrived, not the one that was missing.
    pub sequence: u64,
    /// j, from 1, copies not counted.
    pub position: usize,
    /// s − NextExp.
    pub size: u64,
    /// Whether a reordered packet belongs to it, which makes it a reordering discontinuity (section 4.5).
    pub reordering: bool,
    /// Gap (section 4.5.4): positions since the reordering discontinuity before; 0 for the first and for any that is none.
    pub gap: usize,
}

/// Reordering-free runs (section 4.6.3).
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct FreeRuns {
    /// x: finished runs, each ended by a reordered packet.
    pub runs: u64,
    /// a: in-order packets, those of the unfinished run included.
    pub packets: u64,
    /// p: all packets, x + a.
    pub total: u64,
    /// q: the sum of squares of the finished runs' lengths.
    pub squares: u128,
    /// The lengths of finished runs in order.
    pub lengths: Vec<u64>,
}

/// All that RFC 4737 says of one list.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Analysis {
    /// L: arrivals without copies.
    pub received: usize,
    /// Copies noted, not analysed (section 3.6).
    pub copies: usize,
    pub reordered: Vec<ReorderedPacket>,
    pub discontinuities: Vec<Discontinuity>,
    pub free_runs: FreeRuns,
}

impl Analysis {
    /// R (section 4.1.3); none if nothing was received.
    pub fn ratio(&self) -> Option<f64> {
        (self.received > 0).then(|| self.reordered.len() as f64 / self.received as f64)
    }

    /// m: packets that are n-reordered.
    pub fn n_reordered(&self, n: usize) -> usize {
        self.reordered.iter().filter(|packet| packet.n >= n).count()
    }

    /// The degree of n-reordering, m / l by Definition 2 (section 5.3).
    pub fn degree(&self, n: usize) -> Option<f64> {
        (self.received > 0).then(|| self.n_reordered(n) as f64 / self.received as f64)
    }
}

/// Sequence numbers in the order of arrival. The first arrival is in order and skips nothing (section 3.6).
pub fn analyse(arrivals: &[u64]) -> Analysis {
    analyse_from(arrivals.first().copied().unwrap_or(0), arrivals)
}

/// As [`analyse`], where it is known that `first_sent` was the first number sent: an arrival that begins higher is a
/// discontinuity.
pub fn analyse_from(first_sent: u64, arrivals: &[u64]) -> Analysis {
    let arrivals: Vec<_> = arrivals.iter().map(|&sequence| Arrived { sequence, at: 0, octets: 0 }).collect();
    analyse_timed(first_sent, &arrivals)
}

/// As [`analyse_from`], with times and sizes.
pub fn analyse_timed(first_sent: u64, arrivals: &[Arrived]) -> Analysis {
    let mut first_copies: Vec<Arrived> = Vec::new();
    for arrived in arrivals {
        if first_copies.iter().all(|earlier| earlier.sequence != arrived.sequence) {
            first_copies.push(*arrived);
        }
    }
    let mut analysis = Analysis {
        received: first_copies.len(),
        copies: arrivals.len() - first_copies.len(),
        ..Analysis::default()
    };

    let mut next_expected = first_sent;
    let mut run = 0;
    for (index, arrived) in first_copies.iter().enumerate() {
        let before = &first_copies[..index];
        let position = index + 1;
        if arrived.sequence >= next_expected {
            if arrived.sequence > next_expected {
                analysis.discontinuities.push(Discontinuity {
                    sequence: arrived.sequence,
                    position,
                    size: arrived.sequence - next_expected,
                    reordering: false,
                    gap: 0,
                });
            }
            next_expected = arrived.sequence + 1;
            run += 1;
            analysis.free_runs.packets += 1;
        } else {
            analysis.free_runs.runs += 1;
            analysis.free_runs.squares += u128::from(run) * u128::from(run);
            analysis.free_runs.lengths.push(run);
            run = 0;
            if let Some(packet) = reordered(position, arrived, before) {
                analysis.reordered.push(packet);
            }
        }
    }
    analysis.free_runs.total = analysis.free_runs.runs + analysis.free_runs.packets;

    for packet in &analysis.reordered {
        let cause = packet.position - packet.extent;
        for discontinuity in &mut analysis.discontinuities {
            discontinuity.reordering |= discontinuity.position == cause;
        }
    }
    let mut previous = None;
    for discontinuity in analysis.discontinuities.iter_mut().filter(|found| found.reordering) {
        discontinuity.gap = previous.map_or(0, |previous| discontinuity.position - previous);
        previous = Some(discontinuity.position);
    }
    analysis
}

/// None only if nothing larger came before, which cannot be below the number expected unless it was never sent.
fn reordered(position: usize, arrived: &Arrived, before: &[Arrived]) -> Option<ReorderedPacket> {
    let larger = |earlier: &&Arrived| earlier.sequence > arrived.sequence;
    let cause = before.iter().position(|earlier| larger(&earlier))?;
    Some(ReorderedPacket {
        sequence: arrived.sequence,
        position,
        extent: position - (cause + 1),
        late_time: arrived.at - before[cause].at,
        byte_offset: before[cause..].iter().filter(larger).map(|earlier| earlier.octets).sum(),
        n: before.iter().rev().take_while(larger).count(),
    })
}
