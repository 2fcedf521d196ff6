//! Days of traffic in virtual time: the engine's own sender and receiver, the reflector's turner between them, and what was
//! lost known by rule.

use std::cell::RefCell;
use std::io;
use std::rc::Rc;
use std::sync::mpsc::sync_channel;
use std::time::Duration;

use kitproof::engine::progress::Progress;
use kitproof::engine::receive::Receiver;
use kitproof::engine::send::{Sender, Step};
use kitproof::engine::told::{ROOM, Telling, Told};
use kitproof::engine::{Lowered, Trial};
use kitproof_common::frame::{Encapsulation, Fill, FrameSpec, MacAddr, Tags, Turner};
use kitproof_common::line::{FrameRate, Load};
use kitproof_common::port::clock::Offset;
use kitproof_common::port::{Meta, Receive, Transmit};

const SLOTS: usize = 64;
/// The wall clock is that far from the monotonic one.
const WALL_NS: u64 = 1_700_000_000_000_000_000;
/// Frames that leave at once, except at the end.
const LUMP: u64 = 30;
/// How long a frame is away.
const AWAY_NS: u64 = 20_000;
const SECOND: u64 = 1_000_000_000;

/// Which way a frame is lost, if it is. Rows of three, one of each direction in the middle, and single ones.
pub(crate) fn fate(sequence: u64) -> Option<bool> {
    match (sequence % 1_000_003, sequence % 999_983) {
        (17 | 19, _) => Some(false),
        (18, _) | (_, 5) => Some(true),
        _ => None,
    }
}

/// Frames that came home and were not looked at yet, end to end.
#[derive(Default)]
struct Home {
    octets: Vec<u8>,
    frames: usize,
}

/// The way out; what is sent comes home at once, unless it is lost.
struct Out {
    slots: Vec<u8>,
    octets: usize,
    turner: Turner,
    home: Rc<RefCell<Home>>,
    next: u64,
    number: u32,
    lost: [u64; 2],
}

impl Transmit for Out {
    fn slots(&self) -> usize {
        SLOTS
    }

    fn set_octets(&mut self, octets: usize) -> io::Result<()> {
        self.octets = octets;
        self.slots = vec![0; SLOTS * octets];
        Ok(())
    }

    fn slot(&mut self, index: usize) -> &mut [u8] {
        &mut self.slots[index * self.octets..(index + 1) * self.octets]
    }

    fn submit(&mut self, first: usize, count: usize) -> io::Result<usize> {
        let mut home = self.home.borrow_mut();
        for index in first..first + count {
            let fate = fate(self.next);
            self.next += 1;
            if fate == Some(false) {
                self.lost[0] += 1;
                continue;
            }
            let number = self.number;
            self.number = number.wrapping_add(1);
            if fate == Some(true) {
                self.lost[1] += 1;
                continue;
            }
            let frame = &self.slots[index * self.octets..(index + 1) * self.octets];
            let at = home.octets.len();
            home.octets.extend_from_slice(frame);
            self.turner.turn(&mut home.octets[at..], number, 1);
            home.frames += 1;
        }
        Ok(count)
    }

    fn turned_away(&self) -> u64 {
        0
    }
}

struct In {
    home: Rc<RefCell<Home>>,
    octets: usize,
    now: Rc<std::cell::Cell<u64>>,
}

impl Receive for In {
    fn receive(&mut self, max: usize, visit: &mut impl FnMut(&mut [u8], Meta)) -> io::Result<usize> {
        let mut home = self.home.borrow_mut();
        assert!(home.frames <= max, "looked at after every step of the sender");
        let arrived_ns = self.now.get() + AWAY_NS + WALL_NS;
        for frame in home.octets.chunks_exact_mut(self.octets) {
            visit(frame, Meta { arrived_ns });
        }
        let count = home.frames;
        home.frames = 0;
        home.octets.clear();
        Ok(count)
    }

    fn wait(&mut self, _timeout: Duration) -> io::Result<()> {
        Ok(())
    }

    fn dropped(&mut self) -> io::Result<u64> {
        Ok(0)
    }
}

/// Soaks for `hours` at `rate` frames a second, with intervals of so many seconds, and holds everything told against the
/// rule.
pub(crate) fn soak(hours: u64, rate: u64, every: u64) {
    let frames = hours * 3_600 * rate;
    let rate = FrameRate::from_per_second(rate).expect("a rate");
    let (to, told) = sync_channel(ROOM);
    let trial = Trial {
        frame: FrameSpec {
            encapsulation: Encapsulation::Ipv4,
            tags: Tags::none(),
            dscp: 0,
            frame_size: 64,
            source: MacAddr::new(2, 0, 0, 0, 0, 0x10),
            destination: MacAddr::new(2, 0, 0, 0, 0, 0x20),
            session: 7,
            stream: 0,
            fill: Fill::Zeros,
            fill_seed: 7,
        },
        load: Load::FULL,
        rate,
        line: rate,
        ceiling: rate.times(21, 20).expect("a rate"),
        burst: SLOTS as u32,
        ahead: 0,
        frames,
        mix: None,
        lowered: None::<Lowered>,
        give_up_ns: u64::MAX / 4,
        warm_up: 0,
        fill_check: false,
        variation: false,
        pairs: 1,
        telling: Some(Telling { every_ns: every * SECOND, to }),
        evidence: None,
    };
    let start_ns = 5 * SECOND;
    let home = Rc::new(RefCell::new(Home::default()));
    let clock = Rc::new(std::cell::Cell::new(start_ns));
    let turner = Turner::new(&trial.frame).expect("a frame");
    let octets = trial.frame.octets();
    let mut out =
        Out { slots: Vec::new(), octets, turner, home: Rc::clone(&home), next: 0, number: 0, lost: [0; 2] };
    let mut back = In { home, octets, now: Rc::clone(&clock) };
    let progress = Progress::default();
    let mut sender = Sender::new(&mut out, &trial, &progress, start_ns).expect("frames");
    let sample = |at| Offset { nanoseconds: WALL_NS as i64, at };
    let mut receiver =
        Receiver::new(&mut back, &trial, &progress, start_ns, sample(start_ns)).expect("frames");

    let end_ns = start_ns + rate.time_of(frames.saturating_sub(100 * LUMP));
    let mut heard = Heard::default();
    let mut now = start_ns;
    loop {
        clock.set(now);
        let step = sender.step(now).expect("memory never fails");
        receiver.step(now, || sample(now)).expect("memory never fails");
        match step {
            Step::Sent(_) => {}
            // The machine is looked after so often only that many frames are due at once; at the end, frame by frame.
            Step::Idle { until } if until < end_ns => now = until + rate.time_of(LUMP),
            Step::Idle { until } => now = until,
            Step::Full => unreachable!("there is always room"),
            Step::Done => break,
        }
        told.try_iter().for_each(|told| heard.take(told, &trial));
    }
    let sent = sender.finish();
    let home = receiver.finish(sent.offered, sample(now)).expect("memory never fails");
    told.try_iter().for_each(|told| heard.take(told, &trial));
    assert!(heard.told_below > 0, "nothing was told");

    // Not a frame, nor a nanosecond, off after days.
    assert_eq!((sent.offered, out.next), (frames, frames));
    let late_ns = sent.load.last_ns - (start_ns + rate.time_of(frames - 1));
    assert!(late_ns <= 1, "{late_ns} ns of drift; one is rounding");
    let counts = &home.counts;
    let [forward, returned] = out.lost;
    assert_eq!(counts.returned, frames - forward - returned);
    assert_eq!(counts.reflector_numbers, frames - forward - returned);
    assert_eq!(counts.highest_reflector_number, Some(frames - forward - 1));
    assert_eq!(counts.highest_sequence, Some(frames - 1));
    assert_eq!((counts.beyond, counts.late, counts.foreign), (0, 0, 0));
    assert_eq!((heard.forward, heard.returned), (forward, returned));
    // Each second is a little longer than one, by what leaves at once.
    let intervals = hours * 3_600 / every;
    assert!(
        (intervals * 85 / 100..=intervals + intervals / 100).contains(&heard.intervals.0),
        "{}",
        heard.intervals.0
    );
    assert_eq!(heard.intervals.1, counts.returned);
    let trips = &home.round_trips;
    assert_eq!(trips.histogram.len() + trips.excluded, counts.returned);
    assert_eq!((trips.excluded, trips.clock_steps), (0, 0));
    println!("{frames} frames, {forward} lost forward, {returned} on return, each told");
}

/// What was told, held against the rule as it comes.
#[derive(Default)]
struct Heard {
    forward: u64,
    returned: u64,
    /// Sequences below this have been told of.
    told_below: u64,
    /// How many, and frames home by the last.
    intervals: (u64, u64),
}

impl Heard {
    fn take(&mut self, told: Told, trial: &Trial) {
        match told {
            Told::Interval(interval) => {
                assert!(interval.offered <= trial.frames && interval.home >= self.intervals.1);
                // The last is cut short, and whole seconds are told from the start on.
                let whole = interval.until_ns - interval.from_ns >= SECOND - SECOND / 10;
                self.intervals = (self.intervals.0 + u64::from(whole), interval.home);
                assert_eq!(interval.untold_periods, 0);
            }
            Told::Lost(lost) => {
                assert!(lost.first >= self.told_below, "in order: {lost:?}");
                let row = lost.first..lost.first + lost.frames;
                let on_return = row.clone().filter(|sequence| fate(*sequence) == Some(true)).count() as u64;
                assert!(row.clone().all(|sequence| fate(sequence).is_some()), "{lost:?} was not lost");
                assert_eq!(lost.on_return, on_return, "{lost:?}");
                self.told_below = row.end;
                self.forward += lost.frames - on_return;
                self.returned += on_return;
            }
        }
    }
}
