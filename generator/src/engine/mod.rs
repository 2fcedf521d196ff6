//! One trial on the wire: the hot loops, and the threads that run them.
//!
//! The loops are small machines that are stepped with the time as an argument, so that tests run them over
//! in-memory ports in virtual time and [`run`] runs the very same code on pinned threads. Nothing in here
//! allocates, formats, locks or judges while frames fly.

pub mod course;
pub mod keep;
pub mod latency;
pub mod mix;
pub mod pin;
pub mod progress;
pub mod receive;
pub mod run;
pub mod send;
pub mod stamped;
pub mod told;
pub mod variation;
pub mod watch;

use kitproof_common::flow;
use kitproof_common::frame::FrameSpec;
use kitproof_common::line::{FrameRate, Load};
use kitproof_common::sequence::Sampling;

use keep::Evidence;
use mix::Mix;
use told::Telling;

/// Everything the engine needs to know of one trial, or of one flow of it.
#[derive(Clone, Debug)]
pub struct Trial {
    /// The frames as they leave the generator; `frame.session` is the trial's own tag.
    pub frame: FrameSpec,
    /// What was asked for.
    pub load: Load,
    /// What that means at this frame size.
    pub rate: FrameRate,
    /// What the line carries at this frame size.
    pub line: FrameRate,
    /// The fastest that a late sender may catch up.
    pub ceiling: FrameRate,
    /// Frames that may depart at once to make up for a small delay.
    pub burst: u32,
    /// Frames handed over ahead of time, so that the NIC is never idle: it paces, not the software.
    pub ahead: u32,
    /// Frames to offer.
    pub frames: u64,
    /// Several sizes in one trial, of which `frame` has the largest; only of a trial of one flow.
    pub mix: Option<Mix>,
    /// The rate is lowered within the trial; only of a trial of one flow.
    pub lowered: Option<Lowered>,
    /// Nanoseconds from the first departure after which a sender that could not keep up stops.
    pub give_up_ns: u64,
    /// Frames at the beginning whose latency is not recorded (they are counted like all others).
    pub warm_up: u64,
    pub fill_check: bool,
    /// Whether it is recorded how the delay varies from frame to frame.
    pub variation: bool,
    /// Flows that share the trial out among them, each with threads and ports of its own.
    pub pairs: u8,
    /// What it tells while it runs; only of a trial of one flow.
    pub telling: Option<Telling>,
    /// Where the frames around whatever goes wrong are kept.
    pub evidence: Option<Evidence>,
}

/// A lower rate from some frame on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lowered {
    /// Number of the first frame at it, above 0.
    pub from: u64,
    pub rate: FrameRate,
    pub ceiling: FrameRate,
    /// Frames that may depart at once to make up for a small delay.
    pub burst: u32,
}

impl Trial {
    /// When a frame is due, in nanoseconds after the trial's start.
    #[must_use]
    pub fn due_ns(&self, frame: u64) -> u64 {
        match &self.lowered {
            Some(lowered) if frame > lowered.from => {
                self.rate.time_of(lowered.from).saturating_add(lowered.rate.time_of(frame - lowered.from))
            }
            _ => self.rate.time_of(frame),
        }
    }

    /// How long it takes to offer all of it, in seconds.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        match &self.lowered {
            Some(lowered) => {
                let (first, then) = (lowered.from as f64, self.frames.saturating_sub(lowered.from) as f64);
                first / self.rate.per_second() + then / lowered.rate.per_second()
            }
            None => self.frames as f64 / self.rate.per_second(),
        }
    }

    /// The size of its frames in bytes including FCS; of a mix the mean, rounded down.
    #[must_use]
    pub fn frame_size(&self) -> u16 {
        self.mix.as_ref().map_or(self.frame.frame_size, Mix::mean_size)
    }

    /// The sizes beside that of `frame`.
    #[must_use]
    pub fn more_sizes(&self) -> &[u16] {
        self.mix.as_ref().and_then(|mix| mix.sizes.split_last()).map_or(&[], |(_, smaller)| smaller)
    }

    /// Its load in percent of line rate.
    #[must_use]
    pub fn percent_of_line(&self) -> f64 {
        100.0 * self.rate.per_second() / self.line.per_second()
    }

    /// Which frames ask for stamps of their departure.
    #[must_use]
    pub fn sampling(&self) -> Sampling {
        Sampling::of(self.rate.per_second())
    }

    /// One flow of the trial: a trial of its own, at an exact share of the rate. It begins [`Self::delay_ns`] after the
    /// first, so that the flows together keep the schedule of the whole. `None` if that rate cannot be said exactly.
    #[must_use]
    pub fn flow(&self, flow: u8) -> Option<Trial> {
        if self.pairs == 1 {
            return Some(self.clone());
        }
        let pairs = u32::from(self.pairs);
        let share = |rate: FrameRate| rate.times(1, u64::from(self.pairs));
        // Two frames at least, or every late wake-up is debt (see `Pacer`).
        let burst = if self.ahead > 0 { self.burst.div_ceil(pairs) } else { (self.burst / pairs).max(2) };
        Some(Trial {
            frame: flow::frame(&self.frame, flow),
            load: self.load,
            rate: share(self.rate)?,
            line: share(self.line)?,
            ceiling: share(self.ceiling)?,
            burst,
            ahead: self.ahead.div_ceil(pairs),
            frames: flow::share(self.frames, self.pairs, flow),
            // A trial that is lowered has one flow.
            lowered: None,
            mix: self.mix.clone(),
            give_up_ns: self.give_up_ns,
            warm_up: self.warm_up.div_ceil(u64::from(self.pairs)),
            fill_check: self.fill_check,
            variation: self.variation,
            pairs: 1,
            telling: None,
            evidence: self.evidence.clone(),
        })
    }

    /// When a flow's first frame is due, in nanoseconds after the trial's.
    #[must_use]
    pub fn delay_ns(&self, flow: u8) -> u64 {
        self.rate.time_of(u64::from(flow))
    }

    /// Sequence numbers that may be under way at once, for the depth of the bitmaps: four seconds of
    /// frames, which is more than the residual wait and less than the departure stamp is unambiguous.
    #[must_use]
    pub fn window(&self) -> usize {
        let four_seconds = self.rate.per_second() * 4.0;
        // What is told while the trial runs is certain once it has left the window: not minutes later.
        let least = if self.telling.is_some() { 1 << 10 } else { 1 << 16 };
        (four_seconds as usize).clamp(least, 1 << 27)
    }
}

#[cfg(test)]
mod tests {
    use kitproof_common::frame::{Encapsulation, Fill, MacAddr, Tags};
    use proptest::prelude::*;

    use super::*;

    fn trial(rate: FrameRate, frames: u64, pairs: u8) -> Trial {
        Trial {
            frame: FrameSpec {
                encapsulation: Encapsulation::Ipv4,
                tags: Tags::none(),
                dscp: 0,
                frame_size: 64,
                source: MacAddr::new(2, 0, 0, 0, 0, 0x10),
                destination: MacAddr::new(2, 0, 0, 0, 0, 0x20),
                session: 1,
                stream: 0,
                fill: Fill::Prbs,
                fill_seed: 1,
            },
            load: Load::FULL,
            rate,
            line: rate,
            ceiling: rate.times(21, 20).unwrap(),
            burst: 16,
            ahead: 0,
            frames,
            lowered: None,
            mix: None,
            give_up_ns: 1,
            warm_up: frames / 10,
            fill_check: true,
            variation: false,
            pairs,
            telling: None,
            evidence: None,
        }
    }

    proptest! {
        /// Frame k of the whole is due when frame k / N of flow k mod N is, to the nanosecond that starts are rounded to;
        /// the flows have every frame of the whole, and exactly its rate.
        #[test]
        fn the_flows_keep_the_schedule_of_the_whole(
            frames in 16_u64..5_000,
            interval in 50_u64..5_000_000,
            parts in 1_u64..1_000,
            pairs in 1_u8..=8,
        ) {
            let rate = FrameRate::new(parts, interval * parts + parts / 2).unwrap();
            let whole = trial(rate, frames, pairs);
            let flows: Vec<Trial> = (0..pairs).map(|flow| whole.flow(flow).unwrap()).collect();
            prop_assert_eq!(flows.iter().map(|flow| flow.frames).sum::<u64>(), frames);
            for flow in &flows {
                prop_assert_eq!(flow.rate.times(pairs.into(), 1), Some(rate));
            }
            for frame in 0..frames {
                let flow = (frame % u64::from(pairs)) as u8;
                let due = whole.delay_ns(flow) + flows[usize::from(flow)].rate.time_of(frame / u64::from(pairs));
                prop_assert!(due.abs_diff(rate.time_of(frame)) <= 1, "frame {} at {}", frame, due);
            }
        }
    }

    #[test]
    fn a_single_flow_is_the_trial_itself() {
        let rate = FrameRate::from_per_second(1_000).unwrap();
        let (whole, alone) = (trial(rate, 100, 1), trial(rate, 100, 1).flow(0).unwrap());
        assert_eq!(format!("{whole:?}"), format!("{alone:?}"));
        let third = trial(rate, 100, 3).flow(2).unwrap();
        assert_eq!((third.frames, third.frame.stream, third.burst), (33, 2, 5));
        assert_ne!(third.frame.source, whole.frame.source);
    }
}
