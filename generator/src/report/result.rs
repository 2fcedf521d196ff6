//! The result JSON: what a run was, what it found, what that shows.
//!
//! Frame sizes are bytes including FCS. Rates in bits count what a frame takes on the wire: its size and 20 bytes of
//! preamble, start delimiter and gap. A field that is not known is null, or left out where the schema does not require it.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Added, Findings, ReferenceUsed};
use crate::verdict::{Account, Bears, Directions, Outcome, Reason, confidence};

/// The value of `schema` in every result of this layout. It changes when a field changes its meaning or goes.
pub const SCHEMA: &str = "kitproof-result-1";

/// One run of one command.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RunResult {
    /// The layout of this file: `kitproof-result-1`.
    pub schema: String,
    pub tool: Tool,
    /// The command that ran, such as `prove`.
    pub command: String,
    /// When the run started (RFC 3339).
    pub started: String,
    /// Null where there is no limit to judge by.
    pub verdict: Option<Outcome>,
    pub reasons: Vec<Reason>,
    pub pair: Pair,
    /// The pieces between generator and reflector, in order from the generator.
    pub chain: Vec<ChainPiece>,
    /// The reference of these two ports; left out where there is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<ReferenceUsed>,
    #[serde(flatten)]
    pub findings: Findings,
    pub trials: Vec<TrialResult>,
}

impl RunResult {
    /// What kept this run from a pass, in one line: the verdict, the first reason for it with what to do about it, and
    /// how many more there are. `None` for a pass, or where nothing judges.
    pub fn in_one_line(&self) -> Option<String> {
        let verdict = self.verdict.filter(|verdict| *verdict != Outcome::Pass)?;
        let bears = if verdict == Outcome::Fail { Bears::Fail } else { Bears::Unproven };
        let mut reasons = self.reasons.iter().filter(|reason| reason.bears == bears);
        let Some(first) = reasons.next() else { return Some(verdict.to_string()) };
        let place = first.frame_size.map_or(String::new(), |size| format!(" at {size} bytes"));
        let more = match reasons.count() {
            0 => String::new(),
            1 => " (and 1 more reason)".to_owned(),
            more => format!(" (and {more} more reasons)"),
        };
        Some(format!("{verdict}{place}: {} {}{more}", first.text, first.advice))
    }

    /// The result as a JSON document, ended by a line feed.
    pub fn to_json(&self) -> serde_json::Result<String> {
        serde_json::to_string_pretty(self).map(|text| text + "\n")
    }
}

/// What wrote the result.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Tool {
    pub name: String,
    pub version: String,
    /// The commit it was built from; null when it was not built from a repository.
    pub commit: Option<String>,
}

/// Both ends.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Pair {
    pub generator: Endpoint,
    /// Null when no reflector was found.
    pub reflector: Option<Endpoint>,
}

/// One end and its port.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Endpoint {
    pub host: String,
    pub interface: String,
    pub driver: Option<String>,
    /// The port's speed in bit/s.
    pub speed: Option<u64>,
    /// `full` or `half`.
    pub duplex: Option<String>,
    /// Flow control as it is switched on: `off`, `receive`, `transmit` or `both`.
    pub pause: Option<String>,
    /// Whether speed and duplex are negotiated with what is at the other end of the cable; left out where nobody tells.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub negotiated: Option<bool>,
    /// Whether Energy Efficient Ethernet is in use; left out where nobody tells.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub eee: Option<bool>,
    /// The optical module in the port, as it told of itself before the run; left out where there is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub optics: Option<OpticsTold>,
    /// How frames reach the wire: `packet`, `xdp`, `xdp-user` or `udp`; all of them if it was not the same in every trial.
    pub via: String,
    /// How frames really passed between the driver and AF_XDP sockets: `copy` or `zero-copy`; left out where none were used.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub xdp_mode: Option<String>,
    /// Whether the driver was called for frames in place of interrupts (`--busy-poll`); left out with `xdp_mode`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub busy_poll: Option<bool>,
    /// Why packet sockets were used where no way was asked for by name: what was tried, what refused, and why.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instead: Option<String>,
    /// Settings of the host that were changed for the run (`--tune`) and put back afterwards; left out where this end does
    /// not tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tuned: Option<Vec<TunedSetting>>,
}

/// An optical module (SFF-8472). Powers are averages, in decibels above a milliwatt.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OpticsTold {
    /// All of it in one line.
    pub text: String,
    pub vendor: String,
    pub part: String,
    pub serial: String,
    pub wavelength_nm: Option<u16>,
    /// Null where it measures nothing, or where no light is there.
    pub temperature_c: Option<f64>,
    pub bias_ma: Option<f64>,
    pub transmit_dbm: Option<f64>,
    pub receive_dbm: Option<f64>,
    /// Its own alarm threshold: the least light it can do with.
    pub receive_least_dbm: Option<f64>,
    /// What is out of its own limits or near them, in words.
    pub concerns: Vec<String>,
}

/// A setting that was changed for the run.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct TunedSetting {
    /// Which one, such as `rings of eth1` or `governor of cpu0-3`.
    pub name: String,
    /// Its value before the run and after it.
    pub from: String,
    /// Its value in the run.
    pub to: String,
}

/// One piece of the chain.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ChainPiece {
    /// Its mark, such as `T-1`.
    pub piece: String,
    /// What it is, such as `tap`.
    pub kind: Option<String>,
    /// Its condition in this run, such as `unpowered`.
    pub condition: Option<String>,
}

/// Pieces as they are typed after `--through`: `P-1,T-1=unpowered`.
#[must_use]
pub fn typed<'a>(chain: impl IntoIterator<Item = &'a ChainPiece>) -> String {
    let typed = chain.into_iter().map(|part| match &part.condition {
        Some(condition) => format!("{}={condition}", part.piece),
        None => part.piece.clone(),
    });
    typed.collect::<Vec<_>>().join(",")
}

/// The piece, and its condition in brackets if it has one.
impl fmt::Display for ChainPiece {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.condition {
            Some(condition) => write!(f, "{} ({condition})", self.piece),
            None => f.write_str(&self.piece),
        }
    }
}

/// One trial: one frame size, one load, one stretch of time.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrialResult {
    pub frame_size: u16,
    /// The sizes that were mixed within this trial, whose mean, rounded down, `frame_size` is; left out for one size.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mix: Option<MixTold>,
    /// What its test frames carry, so that a witness knows them again; left out where it was not recorded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tag: Option<u16>,
    /// What the frames looked like: `ipv4`, `ipv6`, `ethernet` or `udp`, with their tags; left out where it was not recorded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub encapsulation: Option<String>,
    /// Send and receive pairs that shared the load, each a flow with sequence numbers of its own. All counts are sums.
    #[serde(default = "one")]
    pub pairs: u8,
    /// Null where there is no limit to judge by.
    pub verdict: Option<Outcome>,
    /// What was asked for.
    pub intended_load: LoadFigures,
    /// What was measured; null when fewer than two frames left.
    pub offered_load: Option<LoadFigures>,
    /// Of a trial whose load was lowered: what was offered from then on. What is said of the offered load elsewhere is of
    /// the time before. Left out for others.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lowered_load: Option<LoadFigures>,
    /// How evenly it was offered.
    pub load_windows: LoadWindows,
    /// Seconds from the first departure to the last.
    pub duration_s: f64,
    /// Where every frame went.
    #[serde(flatten)]
    pub counts: Account,
    /// Of every frame, from its departure as the program stamped it. Null when no round trip was measured.
    pub round_trip_ns: Option<RoundTrip>,
    /// The same over the trial, of its first hour; left out where no whole second was measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub round_trip_course: Option<RoundTripCourse>,
    /// Of sampled frames (about a thousand a second), from stamp to stamp of one clock: one entry for each clock that stamped
    /// them, the best one last. None where neither the kernel nor the NIC stamps what leaves.
    #[serde(default)]
    pub round_trip_stamped_ns: Vec<RoundTrip>,
    /// What the chain added to the pair's own round trip, of every command; left out without a reference at this size.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub added: Option<Added>,
    /// The frame that was picked out in the middle of the stream (RFC 2544 section 26.2); left out where none came home.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tagged_frame: Option<TaggedFrame>,
    /// How the delay varied; left out where that was not recorded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub delay_variation: Option<DelayVariation>,
    /// The least round trip of each stretch of the trial, of sampled frames; left out where latency was not the question
    /// and did not climb.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub course: Vec<Floor>,
    /// How latency climbed over the trial; left out where it did not, or where that says nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub climb: Option<ClimbTold>,
    /// The two ends' clocks, where the load is so near line rate that the difference matters; null below.
    pub clocks: Option<Clocks>,
    pub loss_bound: LossBound,
    /// Loss periods (RFC 3357), the first few of each direction.
    pub loss_periods: Vec<LossPeriod>,
    /// All of them, told one by one or not; null where the reflector's counts were not heard.
    #[serde(default)]
    pub loss_periods_total: Option<u64>,
}

fn one() -> u8 {
    1
}

/// A load in the three ways it can be said.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LoadFigures {
    /// Percent of line rate.
    pub percent: f64,
    pub frames_per_s: f64,
    /// On the wire, with 20 bytes of preamble, start delimiter and gap for each frame.
    pub bits_per_s: f64,
}

/// The offered load in whole windows from the first departure on. With several pairs these are the windows of every flow,
/// held against its share: all of them together are uneven only where some flow is.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LoadWindows {
    /// Length of a window in seconds.
    pub length_s: f64,
    pub count: u64,
    /// Windows with less than 99 % of the intended rate.
    pub below_99_percent: u64,
    /// Windows above line rate.
    pub above_line: u64,
    /// Percent of the intended rate; null without a whole window.
    pub lowest_percent: Option<f64>,
    pub highest_percent: Option<f64>,
    /// The windows below or above, the worst ones if there are many.
    pub odd: Vec<OddWindow>,
}

/// One window below 99 % of the intended rate or above line rate.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OddWindow {
    /// Seconds from the first departure.
    pub start_s: f64,
    /// Percent of the intended rate.
    pub percent: f64,
}

/// Two clocks may be 200 ppm apart (100 ppm each, IEEE 802.3), so that more may be offered than a piece of kit with a
/// clock of its own can carry on.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Clocks {
    /// Rate of departures by the generator's clock.
    pub generator_frames_per_s: Option<f64>,
    /// Rate of arrivals by the reflector's clock.
    pub reflector_frames_per_s: Option<f64>,
    /// How much faster the reflector's figure is, in parts per million.
    pub difference_ppm: Option<f64>,
    /// Frames of this trial that a legal piece of kit may have no way to send on, with the clocks as far apart as they
    /// may be. A load of 99.98 % (RFC 8239 section 2.2) has none.
    pub surplus_frames_at_worst: f64,
}

/// Round trips less the reflector's residence, in nanoseconds.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct RoundTrip {
    pub min: u64,
    pub p50: u64,
    pub p90: u64,
    pub p99: u64,
    pub p99_9: u64,
    pub max: u64,
    pub samples: u64,
    /// Round trips left out: not unambiguous, a saturated residence, a stepped clock, the warm-up.
    pub excluded: u64,
    /// Where the time stamps come from, such as `kernel receive stamp, user-space departure stamp`, or
    /// `NIC transmit stamp, NIC receive stamp (PHC 0)`.
    pub clock: String,
    /// Nanoseconds between neighbouring values of the histogram at its median, or of the clock if that is coarser: of sampled
    /// frames, the greatest number that divides the differences of all stamps.
    pub resolution: u64,
    /// Of sampled frames: how many asked for a stamp of their departure. What is neither in `samples` nor in `excluded` was
    /// lost, or its stamp was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asked: Option<u64>,
    /// Frames that may have waited in the driver when their departure was stamped: the uncertainty of each figure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub in_flight_frames: Option<u64>,
}

/// Round trips stretch by stretch, in nanoseconds. A second in which the wall clock was stepped is left out.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct RoundTripCourse {
    /// Seconds that each figure is of. Where that is more than one, the figure is the mean of theirs.
    pub stretch_s: u64,
    /// Medians; of several flows the greatest.
    pub p50_ns: Vec<u64>,
    pub p99_ns: Vec<u64>,
}

/// A mix of frame sizes (RFC 6985). What was measured with it says nothing of another.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MixTold {
    /// As RFC 6985 writes it: `IMIX - aaafg`.
    pub genome: String,
    /// Bytes including FCS.
    pub mean_size: f64,
    /// The smallest first.
    pub sizes: Vec<MixedSize>,
}

/// One size of a mix.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct MixedSize {
    /// Bytes including FCS.
    pub frame_size: u16,
    pub offered_frames: u64,
    /// Missing at home, whichever way they were lost; null where losses were too many to keep apart.
    pub lost_frames: Option<u64>,
}

/// One frame of a trial.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct TaggedFrame {
    pub sequence: u64,
    pub round_trip_ns: u64,
}

/// How the delay varied from frame to frame.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DelayVariation {
    /// The 99.9th percentile of the delay less the least (RFC 5481 sections 6.5 and 11).
    pub pdv_99_9_ns: u64,
    /// From each frame to the next in the order sent (RFC 5481 section 4.1); null for fewer than two frames.
    pub ipdv_ns: Option<Ipdv>,
    /// At the end of the trial (RFC 3550 section 6.4.1).
    pub jitter_ns: Option<f64>,
}

/// Differences of delay, nanoseconds.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Ipdv {
    pub least: i64,
    pub p0_1: i64,
    pub p50: i64,
    pub p99_9: i64,
    pub greatest: i64,
    pub samples: u64,
}

/// A stretch of a trial.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Floor {
    /// The middle of it, seconds after the first frame was due.
    pub at_s: f64,
    pub least_ns: f64,
    /// Frames of it that were lost.
    pub lost: u64,
}

/// A latency that climbed.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClimbTold {
    /// `clocks`: no faster than two legal clocks explain (200 ppm apart); `overload`: faster.
    pub kind: String,
    /// How much faster frames came than they could go, parts per million, the pair's own climb subtracted.
    pub excess_ppm: f64,
    pub uncertainty_ppm: f64,
    /// How far the clocks are apart at least; null for an overload.
    pub apart_ppm: Option<f64>,
    /// The load that would pass, percent of line rate.
    pub passes_percent: f64,
    /// Seconds until frames were lost; null where none were.
    pub lost_after_s: Option<f64>,
}

/// What the trial has shown: upper limits at a confidence, each direction on its own.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LossBound {
    /// One-sided, such as 0.95.
    pub confidence: f64,
    /// The frame loss ratio is below this; null when the direction has no count of its own.
    pub forward: Option<f64>,
    #[serde(rename = "return")]
    pub homeward: Option<f64>,
    /// The bit error ratio is below this, counting error events and frame bits.
    pub bit_error: Directions<Option<f64>>,
}

impl LossBound {
    /// What an account shows of frames of this size. Frames that the pair is known to have dropped show nothing and are
    /// left out. Lost and corrupted frames count against the chain, whatever else may excuse them.
    pub fn of(account: &Account, frame_size: u16, confidence: f64) -> LossBound {
        let [forward, homeward] = tried(account);
        let loss = |(frames, losses)| confidence::loss_bound(frames, losses, confidence);
        let bits = |(frames, losses)| confidence::bit_error_bound(frames, losses, frame_size, confidence);
        LossBound {
            confidence,
            forward: forward.and_then(loss),
            homeward: homeward.and_then(loss),
            bit_error: Directions { forward: forward.and_then(bits), homeward: homeward.and_then(bits) },
        }
    }
}

/// Frames that each direction was tried with, and how many of them it lost or damaged.
pub(super) fn tried(account: &Account) -> [Option<(u64, u64)>; 2] {
    let drops = |place: &str| account.pair_drops.get(place).copied().unwrap_or(0);
    let forward = account.corrupted_forward.zip(account.reached_reflector_distinct).map(|(corrupted, _)| {
        let frames = account.offered_frames.saturating_sub(drops("reflector_receive"));
        (frames, account.lost_forward.saturating_add(corrupted))
    });
    let homeward =
        account.corrupted_return.zip(account.reached_reflector_distinct).map(|(corrupted, reached)| {
            let dropped = drops("reflector_transmit").saturating_add(drops("generator_receive"));
            (reached.saturating_sub(dropped), account.lost_return.saturating_add(corrupted))
        });
    [forward, homeward]
}

/// One loss period (RFC 3357 section 4.2).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LossPeriod {
    pub direction: Direction,
    /// Which flow's numbers, from 0; left out where there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flow: Option<u8>,
    /// First sequence number lost: the generator's forward, the reflector's on the return way.
    pub first: u64,
    /// How many in a row.
    pub length: u64,
    /// From the last loss before it to `first`; 0 for the first period.
    pub distance: u64,
}

/// Which way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Direction {
    /// Generator to reflector.
    Forward,
    /// Reflector to generator.
    Return,
}

#[cfg(test)]
pub(crate) mod sample {
    //! A run to show: one clean trial and one with a little of everything.

    use kitproof_common::control::counts::FarCounts;

    use super::*;
    use crate::report::Figure;
    use crate::verdict::{
        Bounds, HomeCounts, LoadFacts, ReferenceFacts, TrialFacts, Verdict, account, judge, overall,
    };

    fn load(percent: f64, size: u16) -> LoadFigures {
        let bits_per_s = percent * 1e7;
        LoadFigures { percent, frames_per_s: bits_per_s / (f64::from(size + 20) * 8.0), bits_per_s }
    }

    fn trial(size: u16, seconds: f64, home: &HomeCounts, far: Option<&FarCounts>) -> (TrialResult, Verdict) {
        let bounds = Bounds { forward_known: true, homeward_known: true, ..Bounds::default() };
        let counts = account(home, far, &bounds);
        let figures = load(100.0, size);
        let verdict = judge(&TrialFacts {
            frame_size: size,
            account: counts.clone(),
            load: LoadFacts {
                intended_fps: figures.frames_per_s,
                intended_percent: 100.0,
                offered_fps: Some(figures.frames_per_s),
                tolerance: 200e-6,
                ..LoadFacts::default()
            },
            burst_tolerance: 32,
            reference: ReferenceFacts { on_these_ports: true, at_this_size_and_load: true },
            interface: "eth1".to_owned(),
            ..TrialFacts::default()
        });
        let trial = TrialResult {
            tag: Some(0x5A01),
            encapsulation: Some("ipv4".to_owned()),
            frame_size: size,
            mix: None,
            pairs: 1,
            verdict: Some(verdict.verdict),
            intended_load: figures,
            offered_load: Some(figures),
            lowered_load: None,
            duration_s: seconds,
            load_windows: LoadWindows::default(),
            added: Some(Added {
                clock: "program".to_owned(),
                minimum: Figure { ns: 1_200.0, uncertainty_ns: 85.0 },
                median: Figure { ns: 1_250.5, uncertainty_ns: 90.0 },
                minimum_store_and_forward_ns: -23_088.0,
                reference: "2026-11-27T12:00:00+01:00".to_owned(),
                reference_load_percent: 100.0,
            }),
            tagged_frame: Some(TaggedFrame { sequence: home.offered / 2, round_trip_ns: 12_400 }),
            delay_variation: Some(DelayVariation {
                pdv_99_9_ns: 21_900,
                ipdv_ns: Some(Ipdv {
                    least: -118_000,
                    p0_1: -9_000,
                    p50: 0,
                    p99_9: 9_100,
                    greatest: 119_000,
                    samples: home.returned.saturating_sub(1),
                }),
                jitter_ns: Some(310.25),
            }),
            course: vec![Floor { at_s: 0.5, least_ns: 9_100.0, lost: 0 }],
            climb: Some(ClimbTold {
                kind: "clocks".to_owned(),
                excess_ppm: 41.5,
                uncertainty_ppm: 0.5,
                apart_ppm: Some(41.5),
                passes_percent: 99.995_75,
                lost_after_s: None,
            }),
            clocks: None,
            loss_bound: LossBound::of(&counts, size, 0.95),
            counts,
            round_trip_course: Some(RoundTripCourse {
                stretch_s: 1,
                p50_ns: vec![12_345, 12_340],
                p99_ns: vec![20_050, 20_010],
            }),
            round_trip_ns: Some(RoundTrip {
                min: 9_100,
                p50: 12_345,
                p90: 13_000,
                p99: 20_050,
                p99_9: 31_000,
                max: 131_072,
                samples: home.returned,
                excluded: 0,
                clock: "kernel receive, user send".to_owned(),
                resolution: 8,
                asked: None,
                in_flight_frames: None,
            }),
            round_trip_stamped_ns: vec![RoundTrip {
                min: 9_000,
                p50: 12_001,
                p90: 12_800,
                p99: 19_000,
                p99_9: 30_016,
                max: 31_024,
                samples: home.returned / 83,
                excluded: 0,
                clock: "kernel transmit stamp, kernel receive stamp".to_owned(),
                resolution: 8,
                asked: Some(home.offered / 83),
                in_flight_frames: None,
            }],
            loss_periods: Vec::new(),
            loss_periods_total: Some(0),
        };
        (trial, verdict)
    }

    fn run(trials: Vec<(TrialResult, Verdict)>) -> RunResult {
        let verdict = overall(trials.iter().map(|(trial, verdict)| (trial.frame_size, verdict)));
        let end = |interface: &str| Endpoint {
            negotiated: Some(true),
            eee: Some(false),
            optics: None,
            host: "laptop".to_owned(),
            interface: interface.to_owned(),
            driver: Some("igc".to_owned()),
            speed: Some(1_000_000_000),
            duplex: Some("full".to_owned()),
            pause: Some("off".to_owned()),
            via: "packet".to_owned(),
            xdp_mode: None,
            busy_poll: None,
            instead: None,
            tuned: (interface == "eth1").then(|| {
                vec![TunedSetting {
                    name: "governor of cpu0-3".to_owned(),
                    from: "powersave".to_owned(),
                    to: "performance".to_owned(),
                }]
            }),
        };
        RunResult {
            schema: SCHEMA.to_owned(),
            tool: Tool { name: "kitproof".to_owned(), version: "0.1.0".to_owned(), commit: None },
            command: "prove".to_owned(),
            started: "2026-11-25T10:00:00Z".to_owned(),
            pair: Pair { generator: end("eth1"), reflector: Some(end("eth2")) },
            chain: vec![ChainPiece {
                piece: "T-1".to_owned(),
                kind: Some("tap".to_owned()),
                condition: None,
            }],
            trials: trials.into_iter().map(|(trial, _)| trial).collect(),
            verdict: Some(verdict.verdict),
            reasons: verdict.reasons,
            ..RunResult::default()
        }
    }

    fn clean(size: u16, frames: u64, seconds: f64) -> (TrialResult, Verdict) {
        let home = HomeCounts {
            offered: frames,
            returned: frames,
            arrivals: frames,
            reflector_numbers: frames,
            highest_sequence: Some(frames - 1),
            highest_reflector_number: Some(frames - 1),
            longest_burst: 1,
            ..HomeCounts::default()
        };
        let far = FarCounts {
            reached: frames,
            reached_distinct: frames,
            reflected: frames,
            longest_burst: 1,
            highest_sequence: Some(frames - 1),
            ..FarCounts::default()
        };
        trial(size, seconds, &home, Some(&far))
    }

    pub(crate) fn passed() -> RunResult {
        run(vec![clean(64, 14_880_952, 10.0), clean(1518, 812_744, 10.0)])
    }

    pub(in crate::report) fn failed() -> RunResult {
        // Of 1,000: 10 lost and 2 damaged forward, 1 dropped by the reflector's socket, 5 copied forward; 987 reflected
        // as 992 numbers, 3 of them lost and 1 damaged on return, 2 copied there, 4 reordered.
        let home = HomeCounts {
            offered: 1000,
            returned: 983,
            arrivals: 990,
            reflector_numbers: 988,
            copies_forward_home: 5,
            copies_return: 2,
            corrupted: 1,
            reordered_return: 4,
            highest_sequence: Some(999),
            highest_reflector_number: Some(991),
            missing_below_highest: 4,
            longest_burst: 2,
            ..HomeCounts::default()
        };
        let far = FarCounts {
            reached: 992,
            reached_distinct: 987,
            copies: 5,
            damaged: 2,
            damaged_distinct: Some(2),
            reflected: 992,
            dropped: 1,
            longest_burst: 2,
            highest_sequence: Some(999),
            ..FarCounts::default()
        };
        let mut failed = trial(1518, 0.0123, &home, Some(&far));
        failed.0.loss_periods = vec![LossPeriod {
            direction: Direction::Forward,
            flow: None,
            first: 40,
            length: 10,
            distance: 0,
        }];
        failed.0.loss_periods_total = Some(1);
        run(vec![clean(64, 14_880_952, 10.0), failed])
    }

    pub(in crate::report) fn unheard() -> RunResult {
        let home = HomeCounts {
            offered: 1000,
            returned: 600,
            arrivals: 600,
            reflector_numbers: 600,
            highest_sequence: Some(599),
            highest_reflector_number: Some(599),
            longest_burst: 1,
            ..HomeCounts::default()
        };
        let (mut trial, verdict) = trial(64, 0.001, &home, None);
        trial.round_trip_ns = None;
        trial.round_trip_stamped_ns.clear();
        (trial.added, trial.tagged_frame, trial.delay_variation, trial.climb) = (None, None, None, None);
        trial.course.clear();
        trial.loss_periods_total = None;
        run(vec![(trial, verdict)])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_samples_add_up() {
        let failed = &sample::failed().trials[1];
        assert_eq!(failed.counts.unaccounted, 0, "{failed:?}");
        assert_eq!((failed.counts.lost_forward, failed.counts.lost_return), (10, 3));
        assert_eq!(failed.counts.corrupted, 3);
        let unheard = &sample::unheard().trials[0];
        assert_eq!((unheard.counts.unaccounted, unheard.counts.lost_direction_unknown), (0, 400));
    }

    #[test]
    fn a_result_read_back_is_the_same() {
        for result in [sample::passed(), sample::failed(), sample::unheard()] {
            let text = result.to_json().unwrap();
            assert_eq!(serde_json::from_str::<RunResult>(&text).unwrap(), result);
        }
    }

    /// The bound is about frames that were put to the test: not those that the pair dropped.
    #[test]
    fn each_direction_is_bounded_by_its_own_frames() {
        let failed = &sample::failed().trials[1];
        assert_eq!(tried(&failed.counts), [Some((999, 12)), Some((987, 4))]);
        let bound = failed.loss_bound;
        assert_eq!(bound.forward, confidence::loss_bound(999, 12, 0.95));
        assert_eq!(bound.homeward, confidence::loss_bound(987, 4, 0.95));
        assert!(bound.forward.unwrap() > 12.0 / 999.0);
        let unheard = LossBound::of(&sample::unheard().trials[0].counts, 64, 0.95);
        assert_eq!((unheard.forward, unheard.homeward), (None, None));
    }
}
