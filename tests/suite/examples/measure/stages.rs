//! The stages of a frame's way, one by one, over ports in memory: no operating system, no clock, no random number in
//! what is counted, so that the same binary gives the same count every time.
//!
//! | stage | per frame |
//! | --- | --- |
//! | `port` | a visit that only reads the address of the frame; it is part of every other stage but `stamp` and `send` |
//! | `stamp` | `Template::stamp` |
//! | `send` | the generator's whole sending step, 16 frames at a time: pacing, stamping, metering |
//! | `forward` | `Checker::check` of a forward frame, as at the reflector |
//! | `track` | the reflector's tracker |
//! | `turn` | `Turner::turn`, without the check before it |
//! | `reflect` | the reflector's whole step: `Turning::step` |
//! | `check` | `Checker::check` of a homeward frame, alone |
//! | `sequence` | both trackers of the generator |
//! | `latency` | `Latency::record`: the round trip, and its place in the histogram |
//! | `receive` | the generator's whole receive path: `Receiver::step` |
//!
//! The stages over real ports are in [`crate::ports`].

use std::hint::black_box;
use std::io;
use std::sync::atomic::Ordering;

use anyhow::{Result, bail, ensure};
use kitproof::engine::latency::Latency;
use kitproof::engine::progress::Progress;
use kitproof::engine::receive::{BATCH, Receiver};
use kitproof::engine::send::{Sender, Step};
use kitproof::engine::{Trial, pin};
use kitproof_bench::enter;
use kitproof_common::control::TrialSpec;
use kitproof_common::frame::{Checked, Checker, FrameSpec, Template, Turner, VARIANTS};
use kitproof_common::host;
use kitproof_common::line::{FrameRate, LineRate, Load, line_frame_rate};
use kitproof_common::port::clock::Offset;
use kitproof_common::port::{Meta, Receive, Transmit};
use kitproof_common::sequence::{Arrival, Sampling, Tracker};
use kitproof_reflector::turning::Turning;

use crate::meter::Meter;
use crate::prebuilt::{Prebuilt, Sink};
use crate::{bare, ports};

/// Frames before the counted ones. As many as the smallest window, so that what is counted is the steady
/// state, in which every new word of the window retires an old one.
pub(crate) const WARM: usize = 1 << 16;
/// The most frames that can be counted.
pub(crate) const MOST: usize = 1 << 15;
/// When frame 0 is due, monotonic.
pub(crate) const START_NS: u64 = 50_000_000_000;
/// The wall clock stands this far ahead.
pub(crate) const WALL_NS: u64 = 1_700_000_000_000_000_000;
/// Frames that are due at each step of the sender, and the time between two steps: 672 ns a frame, as the smallest
/// frames have on a gigabit line.
const DUE: u64 = 16;
const STEP_NS: u64 = 672 * DUE;
/// Runs of which the best is told.
const RUNS: usize = 7;

/// As many frames are sampled for time stamps as on a full line of this rate: a thousand a second, whatever the frame size.
/// The trial's own rate is that of the smallest window, and would sample every eleventh.
const LINE: LineRate = LineRate(1_000_000_000);
const OFFSET: Offset = Offset { nanoseconds: WALL_NS as i64, at: START_NS };

/// One stage, over frames of one kind.
pub(crate) struct Stage {
    name: String,
    spec: FrameSpec,
    fill_check: bool,
}

impl Stage {
    /// Gets the privilege that a stage over real ports needs.
    pub(crate) fn new(name: &str, spec: FrameSpec, fill_check: bool) -> Result<Self> {
        if name.contains('-') && !name.starts_with("kernel") {
            enter()?;
        }
        Ok(Self { name: name.to_owned(), spec, fill_check })
    }

    /// Nanoseconds a frame, the best of several runs, each over fresh frames.
    pub(crate) fn best(&self) -> Result<f64> {
        let mut best = f64::INFINITY;
        for _ in 0..RUNS {
            best = best.min(self.once(MOST)?);
        }
        Ok(best)
    }

    /// Nanoseconds a frame of one run over `frames` frames, after a warm-up.
    pub(crate) fn once(&self, frames: usize) -> Result<f64> {
        ensure!(frames > 0 && frames <= MOST, "1 to {MOST} frames, not {frames}");
        ensure!(frames.is_multiple_of(BATCH), "a multiple of {BATCH} frames, not {frames}");
        if let (Some(place), _) = pin::places(&host::processors(), 0, 1) {
            host::tie_to(place);
        }
        let mut meter = Meter::default();
        if let Some(nanoseconds) = ports::stage(&self.name, &self.spec, self.fill_check, frames, &mut meter)?
        {
            return Ok(nanoseconds);
        }
        let done = self.over_memory(frames, &mut meter)?;
        let all = (WARM + frames) as u64;
        ensure!(done == all, "{done} of {all} frames went the way that was to be measured");
        Ok(meter.nanoseconds as f64 / frames as f64)
    }

    /// How many frames did what they should.
    fn over_memory(&self, frames: usize, meter: &mut Meter) -> Result<u64> {
        let (spec, fill_check) = (&self.spec, self.fill_check);
        let trial = trial(spec, fill_check);
        match self.name.as_str() {
            "stamp" => return stamp(spec, frames, meter),
            "send" => return send(&trial, frames, meter),
            _ => {}
        }
        let homeward = !matches!(self.name.as_str(), "forward" | "track" | "turn" | "reflect");
        let mut port = Prebuilt::new(spec, &trial, homeward);
        let port = &mut port;
        let done = match self.name.as_str() {
            "port" => each(port, frames, meter, |frame, meta| {
                black_box((frame.as_ptr(), meta.arrived_ns));
            }),
            "forward" => check(port, &Checker::forward(spec, fill_check)?, frames, meter),
            "check" => check(port, &Checker::homeward(spec, fill_check)?, frames, meter),
            "track" => {
                let mut tracker = Tracker::new(WARM, 4);
                let mut low = 0_u32;
                each(port, frames, meter, |_, _| {
                    let sequence = tracker.extend(black_box(low));
                    low = low.wrapping_add(u32::from(tracker.arrive(sequence) == Arrival::First));
                })?;
                Ok(tracker.distinct())
            }
            "turn" => {
                let turner = Turner::new(spec)?;
                let mut number = 0_u32;
                each(port, frames, meter, |frame, _| {
                    turner.turn(frame, number, 5);
                    number = number.wrapping_add(1);
                })
            }
            "reflect" => reflect(port, spec, fill_check, frames, meter),
            "sequence" => {
                let (mut sequences, mut numbers) = (Tracker::new(WARM, 4), Tracker::new(WARM, 4));
                let mut low = 0_u32;
                each(port, frames, meter, |_, _| {
                    let sequence = sequences.extend(black_box(low));
                    if numbers.arrive_low(black_box(low)) == Arrival::First {
                        low = low.wrapping_add(u32::from(sequences.arrive(sequence) == Arrival::First));
                    }
                })?;
                Ok(sequences.distinct().min(numbers.distinct()))
            }
            "latency" => {
                let interval_ns = trial.rate.nanoseconds() as f64 / trial.rate.frames() as f64;
                let mut latency = Latency::new(OFFSET, START_NS, interval_ns, 0);
                let stamps = std::mem::take(&mut port.stamps);
                let mut sequence = 0;
                each(port, frames, meter, |_, meta| {
                    let stamp = stamps[sequence];
                    latency.record(sequence as u64, stamp.departure, stamp.residence, meta.arrived_ns);
                    sequence += 1;
                })?;
                Ok(latency.finish(OFFSET).histogram.len())
            }
            "receive" => receive(port, &trial, frames, meter),
            other => bail!("no stage is called {other:?}"),
        };
        Ok(done?)
    }
}

/// A trial slow enough for the smallest window.
fn trial(spec: &FrameSpec, fill_check: bool) -> Trial {
    let rate = FrameRate::from_per_second(10_000).expect("a rate");
    let trial = Trial {
        frame: *spec,
        load: Load::FramesPerSecond(10_000),
        rate,
        line: rate,
        ceiling: rate,
        burst: 8,
        ahead: 0,
        frames: 1 << 40,
        give_up_ns: u64::MAX,
        warm_up: 0,
        fill_check,
        variation: false,
        lowered: None,
        mix: None,
        pairs: 1,
        telling: None,
        evidence: None,
    };
    assert_eq!(trial.window(), WARM);
    trial
}

/// Shows every frame, a batch at a time, the last `frames` of them counted.
fn each(
    port: &mut Prebuilt,
    frames: usize,
    meter: &mut Meter,
    mut visit: impl FnMut(&mut [u8], Meta),
) -> io::Result<u64> {
    let mut some = |count: usize| -> io::Result<u64> {
        let mut seen = 0;
        for _ in 0..count / BATCH {
            seen += port.receive(BATCH, &mut visit)? as u64;
        }
        Ok(seen)
    };
    Ok(some(WARM)? + meter.measure(|| some(frames))?)
}

fn check(port: &mut Prebuilt, checker: &Checker, frames: usize, meter: &mut Meter) -> io::Result<u64> {
    let (mut intact, mut sequences) = (0, 0_u64);
    each(port, frames, meter, |frame, _| {
        if let Checked::Intact(header) = checker.check(frame) {
            intact += 1;
            sequences = sequences.wrapping_add(u64::from(header.sequence));
        }
    })?;
    black_box(sequences);
    Ok(intact)
}

/// The whole path. Every frame must have come home, and every round trip must have been recorded: else
/// something cheaper was measured.
fn receive(port: &mut Prebuilt, trial: &Trial, frames: usize, meter: &mut Meter) -> io::Result<u64> {
    let progress = Progress::default();
    progress.reserved.store(trial.frames, Ordering::Release);
    let total = (WARM + frames) as u64;
    let mut receiver = Receiver::new(port, trial, &progress, START_NS, OFFSET)
        .map_err(io::Error::other)?
        .with_sampling(Sampling::of(line_frame_rate(LINE, trial.frame.frame_size).per_second()));
    let mut some = |count: usize| -> io::Result<()> {
        for _ in 0..count / BATCH {
            receiver.step(START_NS, || OFFSET)?;
        }
        Ok(())
    };
    some(WARM)?;
    meter.measure(|| some(frames))?;
    let home = receiver.finish(total, OFFSET)?;
    assert_eq!(home.counts.returned, total, "every frame came home");
    assert_eq!(home.round_trips.histogram.len(), total, "every round trip was recorded");
    Ok(home.counts.arrivals)
}

fn reflect(
    port: &mut Prebuilt,
    spec: &FrameSpec,
    fill_check: bool,
    frames: usize,
    meter: &mut Meter,
) -> io::Result<u64> {
    let trial = TrialSpec {
        frame: *spec,
        frames: 1 << 40,
        frames_per_s: 10_000.0,
        fill_check,
        flows: 1,
        more_sizes: Vec::new(),
        watched: None,
    };
    let mut turning = Turning::new(&trial).map_err(io::Error::other)?;
    let mut some = |count: usize| -> io::Result<()> {
        for _ in 0..count / BATCH {
            // The residence may be anything but unknown.
            turning.step(port, WALL_NS + START_NS + 20_000_000_000)?;
        }
        Ok(())
    };
    some(WARM)?;
    meter.measure(|| some(frames))?;
    Ok(turning.counts(0, 0).reached_distinct)
}

/// Over and over the same few slots, as the sender does.
fn stamp(spec: &FrameSpec, frames: usize, meter: &mut Meter) -> Result<u64> {
    let template = Template::new(spec)?;
    let mut sink = Sink::new();
    bare::fill(&mut sink, spec)?;
    let mut sequence = 0_u32;
    let mut some = |count: usize| {
        for _ in 0..count {
            let slot = sink.slot(sequence as usize % Sink::SLOTS);
            template.stamp(sequence as usize % VARIANTS, slot, sequence, black_box(sequence));
            sequence = sequence.wrapping_add(1);
        }
    };
    some(WARM);
    meter.measure(|| some(frames));
    Ok(u64::from(sequence))
}

/// The whole sending step at the rate of the smallest frames on a gigabit line.
fn send(trial: &Trial, frames: usize, meter: &mut Meter) -> Result<u64> {
    let rate = FrameRate::new(DUE, STEP_NS).expect("a rate");
    let trial = Trial { rate, line: rate, ceiling: rate, burst: 64, ..trial.clone() };
    let progress = Progress::default();
    let mut sink = Sink::new();
    let mut sender = Sender::new(&mut sink, &trial, &progress, START_NS)?;
    // The first of them is due at the start, the last of the first step then.
    let (mut now, mut sent) = (START_NS + STEP_NS - STEP_NS / DUE, 0);
    let mut some = |count: usize| -> Result<()> {
        for _ in 0..count as u64 / DUE {
            let Step::Sent(count) = sender.step(now)? else { bail!("nothing was sent") };
            now += STEP_NS;
            sent += u64::from(count);
        }
        Ok(())
    };
    some(WARM)?;
    meter.measure(|| some(frames))?;
    Ok(sent)
}
