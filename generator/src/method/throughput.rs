//! Throughput (RFC 1242 section 3.17, RFC 2544 section 26.1): the highest load at which none of the offered frames
//! is lost.
//!
//! Loads are steps of the resolution, the highest being the load the search starts at. A search that narrows a
//! bracket trusts each answer for good, so each answer is made worth it:
//!
//! - a trial that proves nothing about the kit is offered again, up to [`REPEATS`] times; if it still proves
//!   nothing, that load is the *pair's* limit and never the kit's;
//! - the load just above the result must lose frames twice. If the second trial there loses none, the first was an
//!   accident: the search goes on above, at most [`SECOND_LOOKS`] times;
//! - the result is confirmed by a trial of full length. If that one loses, the search goes on below it with trials
//!   of full length only, because what a short trial passes (a buffer that has not filled) proved nothing.
//!
//! The share of frames that came through is a good guess at where to look next; it only ever chooses a load to try.

use std::fmt;
use std::time::Duration;

use kitproof_common::line::{FrameRate, LineRate, Load, Percent, line_frame_rate};

use super::estimate::{Estimate, Waits};
use super::letter::{self, Letter};
use super::step::{Came, Finding, Method, Offer, REPEATS, Trial};

/// 0.1 %.
pub const RESOLUTION: Percent = Percent::from_millionths(100_000);
/// How often the search believes that a loss was an accident.
pub const SECOND_LOOKS: u32 = 2;

const STANDARD: &str = "RFC 2544 section 26.1";

/// What a search is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parameters {
    /// Bytes including FCS.
    pub frame_size: u16,
    pub line: LineRate,
    /// The highest load offered, above 0 and at most 100 %.
    pub start: Percent,
    /// The distance of the loads offered, above 0. The lowest load offered is one such step.
    pub resolution: Percent,
    /// Of the trials of the search.
    pub step_duration: Duration,
    /// Of the trial that confirms the result.
    pub full_duration: Duration,
    /// How often a trial that proved nothing is offered again.
    pub repeats: u32,
}

impl Parameters {
    /// From 100 % down to 0.1 % in trials of ten seconds, confirmed by one of 60.
    pub fn new(frame_size: u16, line: LineRate) -> Parameters {
        Parameters {
            frame_size,
            line,
            start: Percent::FULL,
            resolution: RESOLUTION,
            step_duration: Duration::from_secs(10),
            full_duration: letter::TRIAL,
            repeats: REPEATS,
        }
    }

    /// Loads there are, at least one. A resolution of nothing counts as its finest.
    fn steps(&self) -> u64 {
        self.start.millionths().div_ceil(self.resolution.millionths().max(1)).max(1)
    }

    /// The load of step 1 to [`steps`](Self::steps).
    fn load(&self, step: u64) -> Percent {
        let millionths = step.saturating_mul(self.resolution.millionths().max(1));
        Percent::from_millionths(millionths.min(self.start.millionths()))
    }

    /// Halvings that narrow all the steps to one.
    fn halvings(&self) -> u64 {
        u64::from((self.steps() + 1).next_power_of_two().ilog2())
    }
}

/// A load at which the kit lost nothing in a trial of full length.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rate {
    pub load: Percent,
    /// Exact; `None` where the load is too fine to keep exactly on this line.
    pub rate: Option<FrameRate>,
    /// Frames a second.
    pub frames_per_second: f64,
    /// Bits a second on the wire, with preamble, delimiter and gap.
    pub bits_per_second: f64,
}

impl Rate {
    fn new(parameters: &Parameters, load: Percent) -> Rate {
        let rate = Load::Percent(load).rate(parameters.line, parameters.frame_size).ok();
        let bits = parameters.line.0 as f64 * load.value() / 100.0;
        let full = line_frame_rate(parameters.line, parameters.frame_size).per_second();
        Rate { load, rate, frames_per_second: full * load.value() / 100.0, bits_per_second: bits }
    }
}

/// What the search found.
#[derive(Debug, Clone, PartialEq)]
pub enum Found {
    /// The kit's throughput, within one resolution: confirmed here, lost one step above (or it is the highest
    /// load).
    Throughput(Rate),
    /// Frames are lost in the kit at the lowest load too: no throughput at or above `lowest`.
    None { lowest: Percent },
    /// It cannot be proven: as often as `fails_at` was tried, the pair could not offer it, or lost frames itself,
    /// or the trial could not be judged. Where the pair is the limit, this is the pair's limit.
    NotProven {
        /// The highest load that was proven; none if trials failed at every load.
        proven: Option<Rate>,
        fails_at: Percent,
        /// What became of the last trial there.
        why: Finding,
        /// The most frames a second the pair offered in the trials at that load.
        offered_fps: Option<f64>,
        /// The lowest load at which the kit lost frames, if it did: the throughput lies below.
        kit_loses_at: Option<Percent>,
    },
    /// The search was not run to its end.
    Unfinished {
        /// The highest load that was confirmed so far.
        proven: Option<Rate>,
    },
}

/// A search's result with how it was come by.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    pub found: Found,
    pub frame_size: u16,
    /// The most the line carries at this frame size (RFC 2544 section 26.1 asks for it).
    pub maximum: FrameRate,
    pub resolution: Percent,
    pub trials: u64,
    /// Of those, the trials that proved nothing.
    pub unproven_trials: u64,
    /// Loads at which the kit lost frames in one trial and none in another of the same length: loss there does not
    /// depend on the load alone.
    pub contradictions: Vec<Percent>,
}

impl fmt::Display for Report {
    /// "throughput 76.5% of line rate, 179746.241 frames/s at 512 bytes".
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let size = self.frame_size;
        let proven = |rate: &Option<Rate>| match rate {
            Some(rate) => format!("{} of line rate is proven", rate.load),
            None => "nothing is proven".to_owned(),
        };
        match &self.found {
            Found::Throughput(rate) => {
                let fps = rate.frames_per_second;
                write!(f, "throughput {} of line rate, {fps:.3} frames/s at {size} bytes", rate.load)
            }
            Found::None { lowest } => {
                write!(f, "no throughput at or above {lowest} of line rate at {size} bytes")
            }
            Found::NotProven { proven: rate, fails_at, why, kit_loses_at, .. } => {
                let proven = proven(rate);
                write!(f, "throughput not proven at {size} bytes: {proven}, and at {fails_at} {why}")?;
                kit_loses_at.map_or(Ok(()), |load| write!(f, "; the kit loses frames at {load}"))
            }
            Found::Unfinished { proven: rate } => {
                write!(f, "search not finished at {size} bytes: {}", proven(rate))
            }
        }
    }
}

/// Why a step is out of reach.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Limit {
    /// The kit lost frames; `settled` if that needs no second look.
    Kit { settled: bool },
    /// Every trial proved nothing: why the last did not, and the most frames a second that were offered in them.
    Pair { why: Finding, offered_fps: Option<f64> },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Purpose {
    Narrow,
    SecondLook,
    Confirm,
}

/// The search, a state machine: see the [module](self).
#[derive(Debug, Clone, PartialEq)]
pub struct Search {
    parameters: Parameters,
    /// The highest step that was clean in a trial that still counts; 0 is none.
    clean: u64,
    /// Steps out of reach, each lower than the one before, all above `clean`.
    limits: Vec<(u64, Limit)>,
    /// The highest step confirmed by a trial of full length; 0 is none.
    confirmed: u64,
    /// Trials are of full length from now on.
    full_length: bool,
    purpose: Purpose,
    /// The step now on offer; 0 when the search is over.
    step: u64,
    /// Trials at this step that proved nothing.
    unproven_here: u32,
    pair_offered_fps: Option<f64>,
    /// Where the share that came through points to, until it is tried.
    guess: Option<u64>,
    /// One guess for trials of each length: after it the bracket is halved.
    guess_is_made: bool,
    guessed: u64,
    /// `clean` was reached by a guess: the next step up is then the likely end.
    climb: bool,
    lowest_tried: bool,
    losses: u32,
    descent: u64,
    second_looks: u32,
    trials: u64,
    unproven_trials: u64,
    contradictions: Vec<Percent>,
}

impl Search {
    pub fn new(parameters: Parameters) -> Search {
        Search {
            parameters,
            clean: 0,
            limits: Vec::new(),
            confirmed: 0,
            full_length: parameters.step_duration >= parameters.full_duration,
            purpose: Purpose::Narrow,
            step: parameters.steps(),
            unproven_here: 0,
            pair_offered_fps: None,
            guess: None,
            guess_is_made: false,
            guessed: 0,
            climb: false,
            lowest_tried: false,
            losses: 0,
            descent: 1,
            second_looks: 0,
            trials: 0,
            unproven_trials: 0,
            contradictions: Vec::new(),
        }
    }

    /// The most trials that any kit and any pair can make this search take.
    pub fn most_trials(&self) -> u64 {
        let (short, full) = self.most_steps();
        (short + full) * u64::from(self.parameters.repeats + 1)
    }

    /// The most steps with trials of the search's length, and then with trials of full length.
    fn most_steps(&self) -> (u64, u64) {
        let halvings = self.parameters.halvings();
        // The highest load; then, each time the search begins anew, guess, climb, lowest, halvings and second look.
        let search = 1 + u64::from(SECOND_LOOKS + 1) * (halvings + 4);
        // The confirmation, and if it fails guess, climb, descent and halvings.
        (search, 1 + 2 + 2 * (halvings + 1))
    }

    fn duration(&self) -> Duration {
        if self.full_length || self.purpose == Purpose::Confirm {
            self.parameters.full_duration.max(self.parameters.step_duration)
        } else {
            self.parameters.step_duration
        }
    }

    /// The lowest step out of reach.
    fn ceiling(&self) -> u64 {
        self.limits.last().map_or(self.parameters.steps() + 1, |(step, _)| *step)
    }

    fn was_clean(&mut self) {
        if self.duration() >= self.parameters.full_duration {
            self.confirmed = self.confirmed.max(self.step);
        }
        if self.purpose == Purpose::SecondLook {
            self.contradictions.push(self.parameters.load(self.step));
            self.second_looks += 1;
            self.limits.pop();
        }
        self.climb = self.guessed == self.step;
        self.clean = self.clean.max(self.step);
    }

    fn lost(&mut self, came: &Came) {
        self.losses += 1;
        if !self.guess_is_made && came.offered > 0 {
            let through = u128::from(self.step) * u128::from(came.received) / u128::from(came.offered);
            self.guess = Some((through as u64).clamp(1, self.step.saturating_sub(1).max(1)));
            self.guess_is_made = true;
        }
        match self.purpose {
            Purpose::Narrow => {
                // Once only trials of full length count, one that loses is the last word.
                let settled = self.confirmation_failed();
                self.limits.push((self.step, Limit::Kit { settled }));
            }
            Purpose::SecondLook => self.settle(),
            Purpose::Confirm => self.fall_back(Limit::Kit { settled: true }),
        }
    }

    /// Whether a trial of full length has lost where shorter ones did not.
    fn confirmation_failed(&self) -> bool {
        self.full_length && self.parameters.step_duration < self.parameters.full_duration
    }

    fn settle(&mut self) {
        if let Some((_, limit)) = self.limits.last_mut() {
            *limit = Limit::Kit { settled: true };
        }
    }

    /// The step that short trials passed did not stand a full one: what they showed below it counts no more.
    fn fall_back(&mut self, limit: Limit) {
        self.limits.push((self.step, limit));
        self.full_length = true;
        self.clean = self.confirmed.min(self.step - 1);
        self.climb = false;
        self.descent = 1;
    }

    fn gave_up(&mut self, why: Finding) {
        let limit = Limit::Pair { why, offered_fps: self.pair_offered_fps };
        match self.purpose {
            Purpose::Narrow => self.limits.push((self.step, limit)),
            // The first loss stands.
            Purpose::SecondLook => self.settle(),
            Purpose::Confirm => self.fall_back(limit),
        }
    }

    /// Chooses the next step and what it is for; step 0 when there is none.
    fn choose(&mut self) {
        let ceiling = self.ceiling();
        self.unproven_here = 0;
        self.purpose = Purpose::Narrow;
        if ceiling > self.clean + 1 {
            self.step = self.between(ceiling);
            return;
        }
        let doubtful = matches!(self.limits.last(), Some((_, Limit::Kit { settled: false })));
        if doubtful && self.second_looks < SECOND_LOOKS {
            self.purpose = Purpose::SecondLook;
            self.step = ceiling;
        } else if self.clean > 0 && self.confirmed < self.clean {
            self.purpose = Purpose::Confirm;
            // The share that comes through a trial of full length is a new guess.
            self.guess_is_made = false;
            self.step = self.clean;
        } else {
            self.step = 0;
        }
    }

    /// A step above `clean` and below `ceiling`.
    fn between(&mut self, ceiling: u64) -> u64 {
        if std::mem::take(&mut self.climb) {
            return self.clean + 1;
        }
        if let Some(guess) = self.guess.take().filter(|guess| (self.clean + 1..ceiling).contains(guess)) {
            self.guessed = guess;
            return guess;
        }
        if self.clean == 0 && self.confirmation_failed() {
            // The throughput is likely just below what short trials passed.
            let step = ceiling.saturating_sub(self.descent).max(1);
            self.descent = self.descent.saturating_mul(2);
            return step;
        }
        if self.clean == 0 && self.losses > 1 && !self.lowest_tried {
            self.lowest_tried = true;
            return 1;
        }
        self.clean + (ceiling - self.clean) / 2
    }

    fn found(&self) -> Found {
        let rate = |step: u64| (step > 0).then(|| Rate::new(&self.parameters, self.parameters.load(step)));
        if self.step > 0 {
            return Found::Unfinished { proven: rate(self.confirmed) };
        }
        let kit_loses_at = || {
            let kit = |limit: &&(u64, Limit)| matches!(limit.1, Limit::Kit { .. });
            self.limits.iter().rev().find(kit).map(|(step, _)| self.parameters.load(*step))
        };
        match (rate(self.clean), self.limits.last()) {
            (proven, Some((step, Limit::Pair { why, offered_fps }))) => Found::NotProven {
                proven,
                fails_at: self.parameters.load(*step),
                why: *why,
                offered_fps: *offered_fps,
                kit_loses_at: kit_loses_at(),
            },
            (Some(rate), _) => Found::Throughput(rate),
            (None, _) => Found::None { lowest: self.parameters.load(1) },
        }
    }
}

impl Method for Search {
    type Report = Report;

    fn next(&self) -> Option<Trial> {
        if self.step == 0 {
            return None;
        }
        Some(Trial {
            frame_size: self.parameters.frame_size,
            offer: Offer::Steady {
                load: Load::Percent(self.parameters.load(self.step)),
                duration: self.duration(),
            },
            why: match self.purpose {
                _ if self.unproven_here > 0 => "once more",
                Purpose::Narrow => "search",
                Purpose::SecondLook => "second look",
                Purpose::Confirm => "confirmation",
            },
        })
    }

    fn take(&mut self, came: &Came) {
        if self.step == 0 {
            return;
        }
        self.trials += 1;
        match came.finding {
            Finding::Clean => self.was_clean(),
            Finding::LostInKit => self.lost(came),
            why => {
                self.unproven_trials += 1;
                if self.unproven_here == 0 {
                    self.pair_offered_fps = None;
                }
                self.unproven_here += 1;
                let most = self.pair_offered_fps.unwrap_or(0.0).max(came.offered_fps.unwrap_or(0.0));
                self.pair_offered_fps = (most > 0.0).then_some(most);
                if self.unproven_here <= self.parameters.repeats {
                    return;
                }
                self.gave_up(why);
            }
        }
        self.choose();
    }

    fn report(&self) -> Report {
        Report {
            found: self.found(),
            frame_size: self.parameters.frame_size,
            maximum: line_frame_rate(self.parameters.line, self.parameters.frame_size),
            resolution: self.parameters.resolution,
            trials: self.trials,
            unproven_trials: self.unproven_trials,
            contradictions: self.contradictions.clone(),
        }
    }

    /// Likely: the kit carries the highest load.
    fn estimate(&self, waits: &Waits) -> Estimate {
        let full = self.parameters.full_duration.max(self.parameters.step_duration);
        let short = self.parameters.step_duration;
        let (search, confirmation) = self.most_steps();
        if short == full {
            return Estimate::trials(waits, (1, full), (search, full));
        }
        Estimate::trials(waits, (1, short), (search, short)).then(Estimate::trials(
            waits,
            (1, full),
            (confirmation, full),
        ))
    }

    fn letter(&self, waits: &Waits) -> Letter {
        Letter::of(STANDARD)
            .at_least(
                "a final trial of",
                self.parameters.full_duration.max(self.parameters.step_duration),
                letter::TRIAL,
            )
            .departs_if(
                self.parameters.start < Percent::FULL,
                &format!("loads above {} were not offered", self.parameters.start),
            )
            .with_waits(waits)
    }
}

#[cfg(test)]
mod tests;
