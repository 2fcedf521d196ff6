//! Loss patterns over a whole list, word for word after RFC 3357. The plain model of what the tracker counts.

use super::loss::LossPeriod;

/// Loss distances and loss periods of one list of losses.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Analysis {
    /// Loss distance of each loss, in the order of sequence numbers (section 5): its number less that of the loss before;
    /// 0 for the first.
    pub distances: Vec<u64>,
    /// Loss periods with their lengths and inter-loss-period lengths (sections 6.3, 6.4).
    pub periods: Vec<LossPeriod>,
}

impl Analysis {
    /// Losses with a distance of at most `delta`, the first loss not among them: the numerator of
    /// Type-P-One-Way-Loss-Noticeable-Rate (section 6.1).
    pub fn noticeable(&self, delta: u64) -> u64 {
        self.distances.iter().skip(1).filter(|distance| **distance <= delta).count() as u64
    }

    /// The noticeable rate: noticeable losses by all losses; none if nothing was lost.
    pub fn noticeable_rate(&self, delta: u64) -> Option<f64> {
        (!self.distances.is_empty()).then(|| self.noticeable(delta) as f64 / self.distances.len() as f64)
    }
}

/// `lost`: the sequence numbers lost, ascending, each once.
pub fn analyse(lost: &[u64]) -> Analysis {
    assert!(lost.is_sorted_by(|a, b| a < b), "lost sequence numbers ascend, each once");
    let mut analysis = Analysis::default();
    let mut previous: Option<u64> = None;
    for &sequence in lost {
        let distance = previous.map_or(0, |previous| sequence - previous);
        analysis.distances.push(distance);
        match analysis.periods.last_mut() {
            Some(period) if distance == 1 => period.length += 1,
            _ => analysis.periods.push(LossPeriod {
                first: sequence,
                length: 1,
                distance_from_previous: distance,
            }),
        }
        previous = Some(sequence);
    }
    analysis
}

/// Type-P-One-Way-Loss-Distance-Stream (section 5): one pair a packet sent, its distance (0 unless it is lost) and
/// whether it was lost. `lost[i]` tells the fate of the packet sent as number i.
pub fn distance_stream(lost: &[bool]) -> Vec<(u64, bool)> {
    let mut previous: Option<usize> = None;
    lost.iter()
        .enumerate()
        .map(|(sequence, &lost)| {
            if !lost {
                return (0, false);
            }
            let distance = previous.map_or(0, |previous| (sequence - previous) as u64);
            previous = Some(sequence);
            (distance, true)
        })
        .collect()
}

/// Type-P-One-Way-Loss-Period-Stream (section 5): for each packet sent the number of its loss period, from 1; 0 if it
/// was not lost.
pub fn period_stream(lost: &[bool]) -> Vec<u64> {
    let mut periods = 0;
    let mut before = false;
    lost.iter()
        .map(|&lost| {
            periods += u64::from(lost && !before);
            before = lost;
            if lost { periods } else { 0 }
        })
        .collect()
}
