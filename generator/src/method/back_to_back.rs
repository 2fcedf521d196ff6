//! Back-to-back frames (RFC 1242 section 3.1, RFC 2544 section 26.4 as RFC 9004 updates it): the longest burst at
//! the shortest gap, from idle, of which no frame is lost.
//!
//! One value is the end of a search of its own between nothing and the limit; the benchmark is the mean of many (50
//! by RFC 2544). A burst that proved nothing about the kit is offered again; a search that cannot get past such a
//! burst yields no value, and the report counts it.
//!
//! What a burst shows of the buffer needs the throughput, because the buffer empties while it fills (RFC 9004
//! section 6.4).

use std::time::Duration;

use kitproof_common::line::{FrameRate, LineRate, line_frame_rate};

use super::estimate::{Estimate, Waits};
use super::letter::Letter;
use super::step::{Came, Finding, Method, Offer, REPEATS, Trial};
use crate::statistics::summary::Summary;

/// RFC 2544 section 26.4.
pub const VALUES: u32 = 50;
/// RFC 9004 section 6.2: silence after the buffer has drained, at least.
pub const LISTEN: Duration = Duration::from_secs(2);
/// RFC 9004 section 6.2: the longest burst may be set to so much or more.
pub const LONGEST: Duration = Duration::from_secs(30);

const STANDARD: &str = "RFC 2544 section 26.4 and RFC 9004";

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parameters {
    /// Bytes including FCS.
    pub frame_size: u16,
    pub line: LineRate,
    /// Frames a second at which the kit was shown to lose nothing, same direction and frames.
    throughput: FrameRate,
    /// The longest burst offered.
    pub longest: Duration,
    /// The distance of the bursts offered, in frames, above 0. It is reported.
    pub step: u64,
    /// How many values are measured. It is reported.
    pub values: u32,
    /// Silence after the buffer has drained.
    pub listen: Duration,
    /// How often a burst that proved nothing is offered again.
    pub repeats: u32,
}

/// Why there is nothing to measure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoBurst {
    /// RFC 9004 section 5.
    #[error(
        "no throughput is known at this frame size: run the throughput search first (RFC 9004 section 5)"
    )]
    NoThroughput,
    /// RFC 9004 section 6.1.
    #[error("the throughput is all the line carries: no burst can fill a buffer (RFC 9004 section 6.1)")]
    FullThroughput,
}

impl Parameters {
    /// By the letter: 50 values, bursts of up to 30 s in steps of one frame.
    ///
    /// # Errors
    /// Without a throughput, or with one of all the line carries, there is nothing to measure.
    pub fn new(
        frame_size: u16,
        line: LineRate,
        throughput: Option<FrameRate>,
    ) -> Result<Parameters, NoBurst> {
        let throughput = throughput.ok_or(NoBurst::NoThroughput)?;
        if throughput >= line_frame_rate(line, frame_size) {
            return Err(NoBurst::FullThroughput);
        }
        Ok(Parameters {
            frame_size,
            line,
            throughput,
            longest: LONGEST,
            step: 1,
            values: VALUES,
            listen: LISTEN,
            repeats: REPEATS,
        })
    }

    fn maximum(&self) -> FrameRate {
        line_frame_rate(self.line, self.frame_size)
    }

    /// The longest burst in frames.
    pub fn limit(&self) -> u64 {
        let ns = u64::try_from(self.longest.as_nanos()).unwrap_or(u64::MAX);
        self.maximum().frames_in(ns).max(1)
    }

    fn steps(&self) -> u64 {
        self.limit().div_ceil(self.step.max(1))
    }

    fn frames(&self, step: u64) -> u64 {
        step.saturating_mul(self.step.max(1)).min(self.limit())
    }

    fn bursts_of_a_value(&self) -> u64 {
        u64::from((self.steps() + 1).next_power_of_two().ilog2()) + 1
    }

    /// What a kit that stores the whole surplus of a burst needs to send the rest of it, and the silence after
    /// that.
    fn silence(&self, frames: u64) -> Duration {
        let stored = frames as f64 * (1.0 - self.throughput.per_second() / self.maximum().per_second());
        let drain = Duration::try_from_secs_f64(stored / self.throughput.per_second());
        drain.unwrap_or(Duration::MAX).saturating_add(self.listen)
    }
}

/// What the values come to.
#[derive(Debug, Clone, PartialEq)]
pub enum Found {
    /// The benchmark (mean) with least, greatest and standard deviation, in frames, and what it shows of the
    /// buffer.
    Bursts {
        frames: Summary,
        buffer: Buffer,
    },
    /// A burst of the limit lost nothing: the longest burst is at least so many frames, and the buffer is not
    /// measured (RFC 9004 section 6.2: results near the limit are not valid).
    AtTheLimit {
        frames: u64,
    },
    /// No search came to an end that the kit had set.
    NotProven {
        /// The longest burst of which nothing was lost.
        clean: u64,
    },
    Unfinished,
}

/// A report with how it was come by.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    pub found: Found,
    pub frame_size: u16,
    /// The values, in frames, in the order of measuring.
    pub values: Vec<u64>,
    /// Searches that ended at a burst the pair spoiled.
    pub spoiled_values: u32,
    /// Distance of the bursts offered, in frames.
    pub step: u64,
    pub trials: u64,
}

/// RFC 9004 section 6.4: what a burst says of the buffer, in seconds and frames.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Buffer {
    /// burst / maximum rate: the time of the burst.
    pub implied_s: f64,
    /// Implied less what the kit forwarded meanwhile: implied - implied x throughput / maximum rate.
    pub corrected_s: f64,
    /// The same in frames, which is what was stored.
    pub corrected_frames: f64,
}

impl Buffer {
    /// From the mean burst in frames, the maximum rate of the line and the measured throughput, both frames a
    /// second.
    pub fn of(burst: f64, maximum_fps: f64, throughput_fps: f64) -> Buffer {
        let implied_s = burst / maximum_fps;
        let corrected_s = (implied_s - implied_s * throughput_fps / maximum_fps).max(0.0);
        Buffer { implied_s, corrected_s, corrected_frames: corrected_s * maximum_fps }
    }

    /// RFC 9004 section 7: the time of the buffer at the rate at which the frames did arrive, where that is known
    /// to be less than the maximum.
    pub fn actual_s(&self, maximum_fps: f64, actual_fps: f64) -> f64 {
        self.corrected_s * maximum_fps / actual_fps
    }
}

/// The searches, a state machine: see the [module](self).
#[derive(Debug, Clone, PartialEq)]
pub struct Bursts {
    parameters: Parameters,
    values: Vec<u64>,
    spoiled: u32,
    /// The highest step that was clean in this search, and the lowest out of reach.
    clean: u64,
    ceiling: u64,
    /// Whether it is the pair that set the ceiling.
    ceiling_is_the_pairs: bool,
    unproven_here: u32,
    longest_clean: u64,
    at_the_limit: bool,
    trials: u64,
}

impl Bursts {
    pub fn new(parameters: Parameters) -> Bursts {
        Bursts {
            parameters,
            values: Vec::new(),
            spoiled: 0,
            clean: 0,
            ceiling: parameters.steps() + 1,
            ceiling_is_the_pairs: false,
            unproven_here: 0,
            longest_clean: 0,
            at_the_limit: false,
            trials: 0,
        }
    }

    /// The most trials it can take.
    pub fn most_trials(&self) -> u64 {
        u64::from(self.parameters.values)
            * self.parameters.bursts_of_a_value()
            * u64::from(self.parameters.repeats + 1)
    }

    fn step(&self) -> Option<u64> {
        let measured = self.values.len() as u64 + u64::from(self.spoiled);
        if self.at_the_limit || measured >= u64::from(self.parameters.values) {
            return None;
        }
        let first = self.ceiling > self.parameters.steps();
        Some(if first { self.parameters.steps() } else { self.clean + (self.ceiling - self.clean) / 2 })
    }

    fn end_of_a_search(&mut self) {
        if self.ceiling > self.parameters.steps() {
            self.at_the_limit = true;
        } else if self.ceiling_is_the_pairs {
            self.spoiled += 1;
        } else {
            self.values.push(self.parameters.frames(self.clean));
        }
        self.clean = 0;
        self.ceiling = self.parameters.steps() + 1;
        self.ceiling_is_the_pairs = false;
    }

    fn found(&self) -> Found {
        if self.at_the_limit {
            return Found::AtTheLimit { frames: self.longest_clean };
        }
        if self.step().is_some() {
            return Found::Unfinished;
        }
        let values: Vec<f64> = self.values.iter().map(|&frames| frames as f64).collect();
        match Summary::of(&values) {
            Some(frames) => Found::Bursts {
                frames,
                buffer: Buffer::of(
                    frames.mean,
                    self.parameters.maximum().per_second(),
                    self.parameters.throughput.per_second(),
                ),
            },
            None => Found::NotProven { clean: self.longest_clean },
        }
    }
}

impl Method for Bursts {
    type Report = Report;

    fn next(&self) -> Option<Trial> {
        self.step().map(|step| {
            let frames = self.parameters.frames(step);
            Trial {
                frame_size: self.parameters.frame_size,
                offer: Offer::Burst { frames, listen: self.parameters.silence(frames) },
                why: if self.unproven_here > 0 { "once more" } else { "burst" },
            }
        })
    }

    fn take(&mut self, came: &Came) {
        let Some(step) = self.step() else { return };
        self.trials += 1;
        match came.finding {
            Finding::Clean => {
                self.clean = step;
                self.longest_clean = self.longest_clean.max(self.parameters.frames(step));
            }
            Finding::LostInKit => (self.ceiling, self.ceiling_is_the_pairs) = (step, false),
            _ if self.unproven_here < self.parameters.repeats => {
                self.unproven_here += 1;
                return;
            }
            _ => (self.ceiling, self.ceiling_is_the_pairs) = (step, true),
        }
        self.unproven_here = 0;
        if self.ceiling <= self.clean + 1 {
            self.end_of_a_search();
        }
    }

    fn report(&self) -> Report {
        Report {
            found: self.found(),
            frame_size: self.parameters.frame_size,
            values: self.values.clone(),
            spoiled_values: self.spoiled,
            step: self.parameters.step.max(1),
            trials: self.trials,
        }
    }

    /// Likely: every search halves its way down, and its bursts together take no longer than two of the longest.
    fn estimate(&self, waits: &Waits) -> Estimate {
        let parameters = &self.parameters;
        let longest = parameters.longest.saturating_add(parameters.silence(parameters.limit()));
        let bursts = u64::from(parameters.values) * parameters.bursts_of_a_value();
        let mean = longest.saturating_sub(parameters.listen).mul_f64(2.0)
            / u32::try_from(parameters.bursts_of_a_value()).unwrap_or(u32::MAX);
        Estimate::trials(waits, (bursts, mean.saturating_add(parameters.listen)), (bursts, longest))
    }

    fn letter(&self, waits: &Waits) -> Letter {
        Letter::of(STANDARD)
            .at_least("silences of", self.parameters.listen, LISTEN)
            .at_least_count(u64::from(self.parameters.values), u64::from(VALUES), "values")
            .departs_if(
                self.spoiled > 0,
                &format!("{} of {} values were spoiled by the pair", self.spoiled, self.parameters.values),
            )
            .with_waits(waits)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::simulated::{Box, GIGABIT, run, spoiled};
    use super::*;

    const FPS: u64 = 1_200_000;

    fn parameters() -> Parameters {
        let throughput = FrameRate::from_per_second(FPS);
        let parameters = Parameters::new(64, GIGABIT, throughput).unwrap();
        Parameters { longest: Duration::from_secs(2), values: 3, ..parameters }
    }

    fn stores(frames: f64) -> Box {
        Box { forwards_fps: FPS as f64, stores: frames }
    }

    /// Calculated by RFC 9004 section 6.4 and section 7: 1 Gb/s, 64 bytes, burst of 5,000, throughput 1,200,000
    /// frames/s.
    #[test]
    fn the_corrected_buffer_time() {
        let maximum = line_frame_rate(GIGABIT, 64).per_second();
        let buffer = Buffer::of(5_000.0, maximum, 1_200_000.0);
        assert!((buffer.implied_s - 3.36e-3).abs() < 1e-12);
        assert!((buffer.corrected_s - 0.650_496e-3).abs() < 1e-12);
        assert!((buffer.corrected_frames - 968.0).abs() < 1e-6);
        assert!((buffer.actual_s(maximum, 1_000_000.0) - 0.968e-3).abs() < 1e-12);
        assert_eq!(Buffer::of(5_000.0, maximum, maximum).corrected_s, 0.0);
    }

    /// RFC 9004 table 1 (illustrative): mean 26,000, least 25,500, greatest 27,000; three values that have those.
    #[test]
    fn values_are_summed_up() {
        let mut bursts = Bursts::new(parameters());
        let values = [25_500u64, 25_500, 27_000];
        let mut search = 0;
        while let Some(trial) = bursts.next() {
            let Offer::Burst { frames, .. } = trial.offer else { panic!() };
            let received = frames.min(values[search]);
            let finding = if received < frames { Finding::LostInKit } else { Finding::Clean };
            bursts.take(&Came { finding, offered: frames, received, by_pair: 0, offered_fps: None });
            search = bursts.report().values.len();
        }
        let report = bursts.report();
        assert_eq!(report.values, values);
        let Found::Bursts { frames, .. } = report.found else { panic!("{report:?}") };
        assert_eq!((frames.mean, frames.minimum, frames.maximum), (26_000.0, 25_500.0, 27_000.0));
        assert_eq!(report.step, 1);
    }

    /// A buffer of 968 frames at 1,200,000 frames/s takes a burst of 5,000 at 1 Gb/s, and the correction leads back
    /// to it.
    #[test]
    fn the_buffer_of_a_simulated_box_is_found() {
        let mut bursts = Bursts::new(parameters());
        let most = bursts.most_trials();
        run(&mut bursts, most, |_, trial| stores(968.5).answers(trial));
        let Found::Bursts { frames, buffer } = bursts.report().found else { panic!() };
        assert!((frames.mean - 5_000.0).abs() <= 4.0, "{frames:?}");
        assert!((buffer.corrected_frames - 968.0).abs() < 1.5, "{buffer:?}");
        assert_eq!(frames.standard_deviation, Some(0.0));
    }

    #[test]
    fn silences_outlast_the_draining() {
        let bursts = Bursts::new(parameters());
        let Some(Trial { offer: Offer::Burst { frames, listen }, .. }) = bursts.next() else { panic!() };
        // 2 s at line rate is 2,976,190 frames; 576,190 of them are still to come at 1,200,000/s.
        assert_eq!(frames, 2_976_190);
        assert!((listen.as_secs_f64() - 2.0 - 576_190.0 / 1.2e6).abs() < 1e-5, "{listen:?}");
    }

    #[test]
    fn what_there_is_nothing_to_measure_of() {
        assert_eq!(Parameters::new(64, GIGABIT, None), Err(NoBurst::NoThroughput));
        let full = line_frame_rate(GIGABIT, 64);
        assert_eq!(Parameters::new(64, GIGABIT, Some(full)), Err(NoBurst::FullThroughput));
        let mut bursts = Bursts::new(parameters());
        run(&mut bursts, 1, |_, trial| stores(1e9).answers(trial));
        assert_eq!(bursts.report().found, Found::AtTheLimit { frames: parameters().limit() });
    }

    #[test]
    fn a_kit_that_stores_nothing_has_bursts_of_nothing() {
        let mut bursts = Bursts::new(Parameters { step: 100, ..parameters() });
        let most = bursts.most_trials();
        run(&mut bursts, most, |_, trial| Came {
            finding: Finding::LostInKit,
            received: 0,
            ..stores(0.0).answers(trial)
        });
        assert_eq!(bursts.report().values, [0, 0, 0]);
    }

    #[test]
    fn fewer_values_are_not_the_letter() {
        let bursts = Bursts::new(parameters());
        assert_eq!(
            bursts.letter(&Waits::default()).to_string(),
            "RFC 2544 section 26.4 and RFC 9004, shortened: 3 values in place of 50"
        );
        assert!(Bursts::new(Parameters { values: 50, ..parameters() }).letter(&Waits::default()).is_met());
        assert_eq!(bursts.estimate(&Waits::default()).likely_trials, 3 * 23);
    }

    proptest! {
        /// A pair that spoils bursts, never more than are repeated, changes no value; one that spoils some length
        /// for good yields no value that the kit did not set.
        #[test]
        fn spoiled_bursts_are_never_the_kits(
            buffer in 0.5..20_000.0f64,
            step in 1u64..3_000,
            spoils in prop::collection::vec(any::<bool>(), 0..300),
            for_good in prop::option::of(1u64..100_000),
        ) {
            let parameters = Parameters { step, ..parameters() };
            let mut bursts = Bursts::new(parameters);
            let most = bursts.most_trials();
            let mut row = 0;
            let log = run(&mut bursts, most, |number, trial| {
                let came = stores(buffer).answers(trial);
                let Offer::Burst { frames, .. } = trial.offer else { panic!() };
                let noise = spoils.get(number as usize).copied().unwrap_or(false) && row < REPEATS;
                if for_good.is_some_and(|from| frames >= from) || noise {
                    row += 1;
                    return spoiled(came, Finding::LostInPair);
                }
                row = 0;
                came
            });
            let report = bursts.report();
            prop_assert_eq!(report.trials, log.len() as u64);
            prop_assert_eq!(report.values.len() as u32 + report.spoiled_values, parameters.values);
            let passes = |frames: u64| {
                let offer = Offer::Burst { frames, listen: LISTEN };
                stores(buffer).answers(&Trial { frame_size: 64, offer, why: "" }).finding == Finding::Clean
            };
            for &value in &report.values {
                prop_assert!(value == 0 || passes(value), "{} lost frames", value);
                prop_assert!(!passes((value + step).min(parameters.limit())), "{} can be bettered", value);
            }
            if for_good.is_none() {
                prop_assert_eq!(report.spoiled_values, 0);
            }
        }
    }
}
