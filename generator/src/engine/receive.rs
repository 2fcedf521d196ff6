//! The receiving loop: what came home, which numbers it carries, how long it was away.

use std::io;
use std::sync::atomic::Ordering;
use std::time::Duration;

use kitproof_common::frame::{Checked, Checkers, FrameError, Template, TestHeader};
use kitproof_common::port::clock::Offset;
use kitproof_common::port::stamps::StampSource;
use kitproof_common::port::{Meta, Receive};
use kitproof_common::sequence::{Arrival, Damaged, LossPattern, Reordering, Sampling, Tracker};

use super::Trial;
use super::course::Course;
use super::keep::{Event, Keeper};
use super::latency::{Latency, RoundTrips};
use super::progress::Progress;
use super::stamped::{ByStamps, Stamped};
use super::told::{self, Interval, Teller};
use super::variation::{Variation, Varied};
use crate::verdict::HomeCounts;

/// Frames looked at between two glances at the clock and at the shared counters.
pub const BATCH: usize = 64;
/// Loss periods kept one by one; all are counted.
const PERIODS_KEPT: usize = 4_096;
/// Jumps kept between two seconds, where losses are told while the trial runs.
const JUMPS_KEPT: usize = 4_096;

/// The receiver of one trial.
pub struct Receiver<'a, P> {
    port: &'a mut P,
    progress: &'a Progress,
    count: Counting<'a>,
    stamps: StampQueues,
    /// Where a frame says which one it is, octets from its end.
    identity_from_end: usize,
    /// Frames of several sizes have that in several places.
    mixed: bool,
    /// Only where it was asked for.
    keeper: Option<Keeper>,
}

/// Where stamps of samples come from, beside the port itself.
#[derive(Default)]
pub struct StampQueues {
    /// Of their departure.
    pub departures: Option<StampSource>,
    /// Of their arrival.
    pub arrivals: Option<StampSource>,
}

/// Everything a frame can change; apart from the port, so that the port may lend its memory meanwhile.
struct Counting<'a> {
    progress: &'a Progress,
    checker: Checkers,
    /// The generator's own numbers: which frames are home.
    sequences: Tracker,
    /// The reflector's numbers: what it sent, in its order.
    numbers: Tracker,
    latency: Latency,
    /// Only where it was asked for.
    variation: Option<Variation>,
    course: Course,
    sampling: Sampling,
    stamped: Stamped,
    warm_up: u64,
    damaged: Damaged,
    reserved: u64,
    counts: HomeCounts,
    /// Only where it was asked for.
    teller: Option<Box<Teller>>,
}

/// What of the counts changes when something happens.
#[derive(Clone, Copy)]
struct Marks {
    highest: u64,
    missing: u64,
    missing_on_return: u64,
    copies_forward: u64,
    copies_return: u64,
    reordered: u64,
    reordered_return: u64,
    damaged: u64,
    too_late: u64,
}

/// What the receiver measured.
#[derive(Clone, Debug)]
pub struct Home {
    pub counts: HomeCounts,
    pub round_trips: RoundTrips,
    /// The same of sampled frames, by stamps of one clock.
    pub by_stamps: ByStamps,
    /// How they varied from frame to frame, where that was asked for.
    pub varied: Option<Varied>,
    /// How they went over the trial, of the sampled frames.
    pub course: Course,
    /// Of the generator's own numbers, both directions together.
    pub loss: LossPattern,
    /// Of the reflector's numbers: the way home alone.
    pub loss_return: LossPattern,
    pub reordering_return: Reordering,
}

impl<'a, P: Receive> Receiver<'a, P> {
    /// `start_ns` is when frame 0 is due; `offset` the clocks' distance now.
    ///
    /// # Errors
    /// A frame that cannot be built.
    pub fn new(
        port: &'a mut P,
        trial: &Trial,
        progress: &'a Progress,
        start_ns: u64,
        offset: Offset,
    ) -> Result<Self, FrameError> {
        let interval_ns = trial.rate.nanoseconds() as f64 / trial.rate.frames() as f64;
        let jumps = if trial.telling.is_some() { JUMPS_KEPT } else { 0 };
        let count = Counting {
            progress,
            checker: Checkers::homeward(&trial.frame, trial.more_sizes(), trial.fill_check)?,
            sequences: Tracker::new(trial.window(), PERIODS_KEPT).with_jumps(jumps),
            numbers: Tracker::new(trial.window(), PERIODS_KEPT).with_jumps(jumps),
            latency: Latency::new(offset, start_ns, interval_ns, trial.warm_up),
            variation: trial.variation.then(Variation::default),
            course: Course::new(trial.frames),
            sampling: trial.sampling(),
            stamped: Stamped::new(trial.sampling()),
            warm_up: trial.warm_up,
            damaged: Damaged::default(),
            reserved: 0,
            counts: HomeCounts::default(),
            teller: trial.telling.clone().map(|telling| Box::new(Teller::new(telling, start_ns))),
        };
        let identity_from_end = Template::new(&trial.frame)?.sequence_from_end();
        let keeper = trial
            .evidence
            .clone()
            .map(|evidence| Keeper::new(evidence, port.stamps(), usize::from(trial.frame.frame_size)));
        Ok(Self {
            port,
            progress,
            count,
            keeper,
            stamps: StampQueues::default(),
            identity_from_end,
            mixed: trial.mix.is_some(),
        })
    }

    /// Where stamps of samples come from; the kernel's stamp in those of arrivals is by the same clock as the port's own.
    #[must_use]
    pub fn with_stamps(mut self, stamps: StampQueues) -> Self {
        if !self.mixed {
            self.stamps = stamps;
        }
        self
    }

    /// With samples of another rate than the trial's own, for whoever measures what a frame costs.
    #[must_use]
    pub fn with_sampling(mut self, sampling: Sampling) -> Self {
        self.count.sampling = sampling;
        self.count.stamped = Stamped::new(sampling);
        self
    }

    /// Fetches the stamps that have come, in a moment when there is nothing else to do.
    #[cold]
    pub fn collect(&mut self) {
        let Self { count, stamps, identity_from_end, .. } = self;
        let stamped = &mut count.stamped;
        let place = *identity_from_end;
        if let Some(departures) = &mut stamps.departures {
            departures.read(place, &mut |identity, stamp| stamped.departed(identity, stamp));
        }
        if let Some(arrivals) = &mut stamps.arrivals {
            arrivals.read(place, &mut |identity, stamp| stamped.heard(identity, stamp));
        }
    }

    /// Looks at one batch of what arrived; how many frames that was. `sample` gives the clocks' distance
    /// and is called about once a second.
    ///
    /// # Errors
    /// When the port is gone for good.
    #[inline]
    pub fn step(&mut self, now: u64, sample: impl FnOnce() -> Offset) -> io::Result<usize> {
        let Self { port, progress, count, keeper, .. } = self;
        let arrived = match keeper {
            None => port.receive(BATCH, &mut |frame, meta| count.frame(frame, meta))?,
            Some(keeper) => receive_keeping(*port, count, keeper)?,
        };
        if arrived > 0 {
            progress.returned.store(count.sequences.distinct(), Ordering::Relaxed);
            progress.numbers.store(count.numbers.distinct(), Ordering::Relaxed);
            progress.missing.store(count.sequences.lost_so_far(), Ordering::Relaxed);
            progress.arrivals.fetch_add(arrived as u64, Ordering::Relaxed);
        }
        if count.latency.second_is_over(now) {
            self.close_second(sample());
        }
        Ok(arrived)
    }

    #[cold]
    fn close_second(&mut self, sample: Offset) {
        // Stamps of the second that is over are taken, or dropped, with it.
        self.collect();
        let count = &mut self.count;
        let apart = count.teller.as_mut().map(|teller| &mut teller.round_trips);
        let stepped = count.latency.close_second(sample, apart);
        count.stamped.close_second(stepped);
        count.progress.tell_second(count.latency.last_second().unwrap_or_default());
        count.tell_second(sample.at, stepped);
    }

    /// Waits until a frame may be there or the time is over.
    ///
    /// # Errors
    /// When the port is gone for good.
    pub fn wait(&mut self, timeout: Duration) -> io::Result<()> {
        self.port.wait(timeout)
    }

    /// The counts, once nothing more is expected. `offered` is how many frames left.
    ///
    /// # Errors
    /// When the port does not tell what it dropped.
    pub fn finish(mut self, offered: u64, sample: Offset) -> io::Result<Home> {
        self.close_second(sample);
        let (received_dropped, strayed) = (self.port.dropped()?, self.port.strayed());
        if let Some(keeper) = self.keeper.take() {
            let highest = self.count.sequences.highest();
            keeper.finish(
                highest.unwrap_or_default(),
                offered.saturating_sub(highest.map_or(0, |highest| highest + 1)),
            );
        }
        let mut home = self.count.finish(offered, received_dropped, sample);
        home.counts.strayed = strayed;
        Ok(home)
    }
}

/// The same as without evidence, and every frame is kept for a while.
#[cold]
#[inline(never)]
fn receive_keeping<P: Receive>(
    port: &mut P,
    count: &mut Counting<'_>,
    keeper: &mut Keeper,
) -> io::Result<usize> {
    port.receive(BATCH, &mut |frame, meta| {
        let before = count.marks();
        count.frame(frame, meta);
        keeper.arrived(frame, meta.arrived_ns, count.marks().since(&before));
    })
}

impl Marks {
    /// What happened between two.
    fn since(&self, before: &Marks) -> Event {
        let rise = |get: fn(&Marks) -> u64| get(self).saturating_sub(get(before));
        let (missing, missing_return) = (rise(|marks| marks.missing), rise(|marks| marks.missing_on_return));
        let (reordered, reordered_return) =
            (rise(|marks| marks.reordered), rise(|marks| marks.reordered_return));
        Event {
            highest: before.highest,
            missing_forward: missing.saturating_sub(missing_return),
            missing_return,
            copies_forward: rise(|marks| marks.copies_forward),
            copies_return: rise(|marks| marks.copies_return),
            reordered_forward: reordered.saturating_sub(reordered_return),
            reordered_return,
            damaged: rise(|marks| marks.damaged),
            too_late: rise(|marks| marks.too_late),
        }
    }
}

impl Counting<'_> {
    fn marks(&self) -> Marks {
        Marks {
            highest: self.sequences.highest().unwrap_or_default(),
            missing: self.sequences.lost_so_far(),
            missing_on_return: self.numbers.lost_so_far(),
            copies_forward: self.counts.copies_forward_home,
            copies_return: self.counts.copies_return,
            reordered: self.sequences.reordered(),
            reordered_return: self.numbers.reordered(),
            damaged: self.damaged.distinct() + self.damaged.anonymous() + self.damaged.copies(),
            too_late: self.counts.late + self.counts.late_numbers,
        }
    }

    #[inline]
    fn frame(&mut self, frame: &[u8], meta: Meta) {
        match self.checker.intact_header(frame) {
            Some(header) => self.intact(&header, meta),
            None => self.other(frame, meta),
        }
    }

    /// A frame that is not an intact one of the first size.
    #[cold]
    #[inline(never)]
    fn other(&mut self, frame: &[u8], meta: Meta) {
        match self.checker.check(frame) {
            Checked::Intact(header) => self.intact(&header, meta),
            Checked::Damaged(header) => self.damaged(header),
            Checked::Foreign => self.counts.foreign += 1,
        }
    }

    /// In the two places it is needed: a call would have every frame's header written to memory.
    #[inline(always)]
    fn intact(&mut self, header: &TestHeader, meta: Meta) {
        let sequence = self.sequences.extend(header.sequence);
        if sequence >= self.reserved && self.was_never_sent(sequence) {
            self.counts.beyond += 1;
            return;
        }
        // One more for each frame: 64 bits never wrap.
        self.counts.arrivals = self.counts.arrivals.wrapping_add(1);
        match self.numbers.arrive_low_noting(header.reflector_sequence, sequence) {
            Arrival::First => match self.sequences.arrive_noting(sequence, self.numbers.highest_so_far()) {
                Arrival::First => {
                    self.damaged.intact_arrived(sequence);
                    let (departure, residence) = (header.departure, header.residence);
                    let round_trip = self.latency.record(sequence, departure, residence, meta.arrived_ns);
                    if self.variation.is_some() {
                        self.vary(sequence, round_trip);
                    }
                    if self.sampling.takes(header.sequence) {
                        self.sample_arrived(sequence, departure, residence, meta.arrived_ns, round_trip);
                    }
                }
                Arrival::Copy => self.counts.copies_forward_home += 1,
                Arrival::Late => self.counts.late += 1,
            },
            Arrival::Copy => {
                self.counts.copies_return += 1;
                if !self.sequences.contains(sequence) {
                    // One of the reflector's numbers on two different frames: marked, so that the accounting
                    // finds the contradiction.
                    self.sequences.arrive(sequence);
                }
            }
            Arrival::Late => self.counts.late_numbers += 1,
        }
    }

    /// Looks at what the sender has handed over by now: a frame that is home left before.
    #[inline(never)]
    fn was_never_sent(&mut self, sequence: u64) -> bool {
        self.reserved = self.progress.reserved.load(Ordering::Acquire);
        sequence >= self.reserved
    }

    /// Plain values: a reference would have every frame's header written to memory.
    #[cold]
    #[inline(never)]
    fn sample_arrived(
        &mut self,
        sequence: u64,
        departure: u32,
        residence: u16,
        arrived_ns: u64,
        round_trip: Option<u32>,
    ) {
        if let Some(round_trip) = round_trip {
            self.course.sample(sequence, round_trip);
        }
        if sequence < self.warm_up {
            self.stamped.exclude();
        } else {
            // The low half of the number is the one in the frame.
            let identity = sequence << 32 | u64::from(departure);
            self.stamped.arrived(identity, residence, arrived_ns, round_trip);
        }
    }

    /// Only where it was asked for.
    #[cold]
    #[inline(never)]
    fn vary(&mut self, sequence: u64, round_trip: Option<u32>) {
        if let (Some(variation), Some(round_trip)) = (&mut self.variation, round_trip) {
            variation.record(sequence, round_trip);
        }
    }

    #[cold]
    fn damaged(&mut self, header: Option<TestHeader>) {
        let Some(header) = header else { return self.damaged.arrived_anonymous() };
        let sequence = self.sequences.extend(header.sequence);
        if self.was_never_sent(sequence) {
            self.counts.beyond += 1;
        } else {
            self.damaged.arrived(sequence, self.sequences.contains(sequence));
        }
    }

    /// A second is over: what has become certain is told, and the interval that ends with it.
    fn tell_second(&mut self, now: u64, stepped: bool) {
        let Some(teller) = &mut self.teller else { return };
        if teller.second(now, stepped, &mut self.sequences, &mut self.numbers) {
            self.tell_interval(now);
        }
    }

    fn tell_interval(&mut self, now: u64) {
        let interval = Interval {
            offered: self.progress.offered.load(Ordering::Relaxed),
            home: self.sequences.distinct(),
            missing: self.sequences.lost_so_far(),
            missing_on_return: self.numbers.lost_so_far(),
            counts: told::few(
                &self.counts,
                &self.sequences,
                &self.numbers,
                self.damaged.distinct() + self.damaged.anonymous(),
            ),
            ..Interval::default()
        };
        let Some(teller) = &mut self.teller else { return };
        teller.interval(now, interval);
        self.latency.add(&teller.round_trips);
        teller.round_trips.reset();
    }

    fn finish(mut self, offered: u64, received_dropped: u64, sample: Offset) -> Home {
        self.tell_interval(sample.at);
        let issued = self.numbers.highest().map_or(0, |highest| highest + 1);
        let sequences = self.sequences.finish(offered);
        let numbers = self.numbers.finish(issued);
        if let Some(mut teller) = self.teller {
            teller.finish(&sequences.loss, &numbers.loss);
        }
        self.counts.offered = offered;
        self.counts.returned = sequences.distinct;
        self.counts.reflector_numbers = numbers.distinct;
        self.counts.corrupted = self.damaged.distinct();
        self.counts.corrupted_anonymous = self.damaged.anonymous();
        self.counts.damaged_copies = self.damaged.copies();
        self.counts.reordered_return = numbers.reordering.reordered;
        self.counts.reordered_by_sequence = sequences.reordering.reordered;
        self.counts.highest_sequence = self.sequences.highest();
        self.counts.highest_reflector_number = self.numbers.highest();
        self.counts.missing_below_highest = numbers.lost;
        self.counts.received_dropped = received_dropped;
        Home {
            counts: self.counts,
            round_trips: self.latency.finish(sample),
            by_stamps: self.stamped.finish(false),
            varied: self.variation.map(Variation::finish),
            course: self.course,
            loss: sequences.loss,
            loss_return: numbers.loss,
            reordering_return: numbers.reordering,
        }
    }
}
