//! What the two hot loops tell the rest of the program while they run, and what it tells them.

use std::ops::Deref;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use super::latency::Second;

/// A value that begins a cache line of its own (of two, which some processors fetch together).
#[derive(Debug, Default)]
#[repr(align(128))]
pub struct Apart<T>(T);

impl<T> Deref for Apart<T> {
    type Target = T;

    fn deref(&self) -> &T {
        &self.0
    }
}

/// Shared counters of one flow; each is written by one thread only. What one thread writes lies apart from what others
/// do, so that no two write to one cache line.
#[derive(Debug, Default)]
#[repr(C)]
pub struct Progress {
    /// No sequence number at or above this has been handed to the port.
    pub reserved: Apart<AtomicU64>,
    /// Frames the port accepted.
    pub offered: AtomicU64,
    /// The sender is done.
    pub sent: AtomicBool,
    /// The port that it sent by is gone.
    pub failed: AtomicBool,
    /// Distinct sequences home, intact.
    pub returned: Apart<AtomicU64>,
    /// Distinct numbers of the reflector home.
    pub numbers: AtomicU64,
    /// Frames of any kind that reached the receiving port.
    pub arrivals: AtomicU64,
    /// Sequences missing below the highest that came home.
    pub missing: AtomicU64,
    /// Round trips of the last second that is over: frames, median, 99th percentile, greatest, in nanoseconds.
    pub second: [AtomicU64; 4],
    /// Asked to stop sending (Ctrl-C, a dead link).
    pub stop_sending: Apart<AtomicBool>,
    /// Asked to stop receiving.
    pub stop_receiving: AtomicBool,
}

/// A reading of the counters, of one flow or of several together.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Reading {
    pub offered: u64,
    pub returned: u64,
    pub numbers: u64,
    pub arrivals: u64,
    pub missing: u64,
    /// Every sender is done.
    pub sent: bool,
    /// Round trips of the last second that is over; of several flows the worst. It is for the eye: the four figures may be
    /// of two seconds.
    pub second: Option<Second>,
}

impl Reading {
    /// Several flows together: sums.
    #[must_use]
    pub fn together(flows: impl IntoIterator<Item = Reading>) -> Self {
        flows.into_iter().fold(Reading { sent: true, ..Reading::default() }, |sum, flow| Reading {
            offered: sum.offered + flow.offered,
            returned: sum.returned + flow.returned,
            numbers: sum.numbers + flow.numbers,
            arrivals: sum.arrivals + flow.arrivals,
            missing: sum.missing + flow.missing,
            sent: sum.sent && flow.sent,
            second: match (sum.second, flow.second) {
                (Some(one), Some(other)) => Some(one.worse(other)),
                (one, other) => one.or(other),
            },
        })
    }
}

impl Progress {
    #[must_use]
    pub fn read(&self) -> Reading {
        Reading {
            offered: self.offered.load(Ordering::Relaxed),
            returned: self.returned.load(Ordering::Relaxed),
            numbers: self.numbers.load(Ordering::Relaxed),
            arrivals: self.arrivals.load(Ordering::Relaxed),
            missing: self.missing.load(Ordering::Relaxed),
            sent: self.sent.load(Ordering::Acquire),
            second: self.second(),
        }
    }

    fn second(&self) -> Option<Second> {
        let [frames, p50, p99, greatest] =
            std::array::from_fn(|figure| self.second[figure].load(Ordering::Relaxed));
        (frames > 0).then_some(Second { frames, p50, p99, greatest })
    }

    /// Tells of a second that is over.
    pub fn tell_second(&self, told: Second) {
        let figures = [told.frames, told.p50, told.p99, told.greatest];
        for (place, figure) in self.second.iter().zip(figures) {
            place.store(figure, Ordering::Relaxed);
        }
    }

    pub fn stop(&self) {
        self.stop_sending.store(true, Ordering::Relaxed);
    }
}
