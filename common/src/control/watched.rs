//! A trial that is watched for outages: what the far end sends of its own, and what it tells afterwards.
//!
//! While one direction is dark nothing is returned, so that returned frames cannot show the other. In such a trial the
//! reflector therefore sends numbered frames of its own, beside those that it returns: asked for by the generator within
//! the session, no faster and no more of them than the generator's own, and never longer.

use serde::{Deserialize, Serialize};

use crate::flow;
use crate::line::FrameRate;
use crate::sequence::gaps::Recorded;

/// The flow whose addresses and stream number the far end's own frames have. Such a trial has no other but the first.
pub const OWN_FLOW: u8 = flow::MOST - 1;
/// Pauses kept at either end.
pub const GAPS_KEPT: usize = 1_024;
/// Pauses told in one answer.
pub const GAPS_TOLD: usize = 2;

/// What is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Watched {
    /// Shorter pauses are not recorded, nanoseconds.
    pub threshold_ns: u64,
    /// Frames of its own that the far end sends at most.
    pub own_frames: u64,
    /// Their rate: so many frames
    pub own_rate_frames: u64,
    /// in so many nanoseconds.
    pub own_rate_ns: u64,
}

impl Watched {
    /// The rate of the far end's own frames; `None` if it is none.
    #[must_use]
    pub fn own_rate(&self) -> Option<FrameRate> {
        FrameRate::new(self.own_rate_frames, self.own_rate_ns)
    }
}

/// What the far end sent of its own; times in nanoseconds of its CLOCK_MONOTONIC.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct OwnSent {
    pub frames: u64,
    pub first_departure_ns: u64,
    /// When it stopped, having sent all of them or having been told to.
    pub stopped_ns: u64,
    /// Why it stopped before, if the port was gone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub failure: Option<String>,
}

/// What the far end saw of the generator's frames, and sent: as much as an answer holds.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct FarWatch {
    /// Its pauses are those from the one that was asked for on, [`GAPS_TOLD`] at most.
    pub recorded: Recorded,
    /// Pauses kept there in all.
    pub gaps: u64,
    pub own: OwnSent,
    /// When the trial was agreed and until when was listened, nanoseconds of the far end's CLOCK_MONOTONIC.
    pub agreed_ns: u64,
    pub until_ns: u64,
    /// The wall clock of the far end was stepped meanwhile: its lengths are worthless.
    pub stepped: bool,
    /// Changes of carrier at the far end in all; its report tells the first few.
    #[serde(default)]
    pub carrier_changes: u64,
}

impl FarWatch {
    /// The page that begins with pause `from`.
    #[must_use]
    pub fn page(&self, from: u64) -> FarWatch {
        let from = usize::try_from(from).unwrap_or(usize::MAX);
        let gaps = self.recorded.gaps.iter().skip(from).take(GAPS_TOLD).copied().collect();
        let recorded = Recorded { gaps, ..self.recorded.clone() };
        FarWatch { recorded, gaps: self.recorded.gaps.len() as u64, ..self.clone() }
    }
}

#[cfg(test)]
mod tests {
    use super::super::envelope::{OVERHEAD, REQUEST_OCTETS};
    use super::super::message::Reply;
    use super::*;
    use crate::sequence::gaps::{Arrival, Gap};

    #[test]
    fn the_pages_together_are_the_whole_and_each_fits_its_answer() {
        let at = |number: u64| Arrival {
            sequence: u64::MAX - number,
            departure_ns: u64::MAX - number,
            arrival_ns: u64::MAX - number,
        };
        let gaps: Vec<Gap> = (0..10)
            .map(|number| Gap { before: at(number), after: at(number + 1), came_late: number })
            .collect();
        let whole = FarWatch {
            recorded: Recorded {
                threshold_ns: u64::MAX,
                first: Some(at(0)),
                last: Some(at(1)),
                gaps: gaps.clone(),
                not_kept: u64::MAX,
                longest_not_kept: Some(gaps[0]),
            },
            gaps: u64::MAX,
            own: OwnSent {
                frames: u64::MAX,
                first_departure_ns: u64::MAX,
                stopped_ns: u64::MAX,
                failure: Some("x".repeat(80)),
            },
            agreed_ns: u64::MAX,
            until_ns: u64::MAX,
            stepped: false,
            carrier_changes: u64::MAX,
        };
        let mut told = Vec::new();
        while told.len() < gaps.len() {
            let page = whole.page(told.len() as u64);
            assert_eq!(page.gaps, 10);
            let octets =
                serde_json::to_vec(&Reply::Watched(Box::new(page.clone()))).unwrap().len() + OVERHEAD;
            assert!(octets <= REQUEST_OCTETS, "{octets}");
            assert!(!page.recorded.gaps.is_empty());
            told.extend(page.recorded.gaps);
        }
        assert_eq!(told, gaps);
        assert!(whole.page(10).recorded.gaps.is_empty());
    }
}
