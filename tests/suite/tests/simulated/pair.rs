//! The whole pair in one thread and in virtual time: the generator's engine, the bench's wire, the reflector, and
//! notes of what truly happened, taken by none of the three.

use std::cell::Cell;
use std::io;
use std::rc::Rc;

use kitproof::engine::Trial;
use kitproof::engine::progress::Progress;
use kitproof::engine::receive::{Home, Receiver};
use kitproof::engine::send::{Sender, Sent, Step};
use kitproof_bench::classify::{Class, classify};
use kitproof_bench::ledger::{self, Direction};
use kitproof_bench::script::Script;
use kitproof_bench::wire::{About, Engine, Outlet, Side};
use kitproof_common::control::TrialSpec;
use kitproof_common::control::counts::FarCounts;
use kitproof_common::frame::{Encapsulation, FrameSpec};
use kitproof_common::port::clock::Offset;
use kitproof_common::port::memory::{MemoryReceive, MemoryTransmit, Queue, VirtualClock};
use kitproof_common::port::{Receive, Transmit};
use kitproof_reflector::turning::Turning;

use crate::chance::Chance;
use crate::datagram;
use crate::stranger::{Stranger, What};

/// The wall clock is that far from the monotonic one.
const WALL_NS: u64 = 1_700_000_000_000_000_000;

/// Index of a direction in every array of two here.
pub(crate) const FORWARD: usize = 0;
pub(crate) const HOMEWARD: usize = 1;

/// One trial to be run.
pub(crate) struct Setup {
    pub(crate) trial: Trial,
    pub(crate) script: Script,
    pub(crate) start_ns: u64,
    /// The receiving side of the reflector, then of the generator.
    pub(crate) stations: [Station; 2],
    pub(crate) sending: Sending,
    /// Chance in a thousand, at each look of the reflector, that it refuses to send the next few frames back.
    pub(crate) refuse_permille: u64,
    pub(crate) stranger: Option<Stranger>,
    pub(crate) seed: u64,
}

/// How a receiving port is looked after.
#[derive(Clone, Copy)]
pub(crate) struct Station {
    /// Frames that may wait there.
    pub(crate) capacity: usize,
    /// The longest time between two looks; 0 looks at once, whatever comes.
    pub(crate) rest_ns: u64,
    /// Chance in a thousand that a frame is lost before the port, where only a NIC's counter sees it.
    pub(crate) hidden_permille: u64,
}

impl Station {
    pub(crate) const IDEAL: Station = Station { capacity: usize::MAX, rest_ns: 0, hidden_permille: 0 };
}

/// How the sending side is looked after.
#[derive(Clone, Copy)]
pub(crate) struct Sending {
    /// Frames the port takes at once.
    pub(crate) room: usize,
    /// Time that one submission takes.
    pub(crate) cost_ns: u64,
    /// Chance in a thousand, after each submission, that the sender is stopped for up to `stall_ns`.
    pub(crate) stall_permille: u64,
    pub(crate) stall_ns: u64,
    /// Chance in a thousand that the port then has no room for up to `stall_ns`.
    pub(crate) full_permille: u64,
}

impl Sending {
    pub(crate) const IDEAL: Sending =
        Sending { room: 64, cost_ns: 0, stall_permille: 0, stall_ns: 0, full_permille: 0 };
}

/// A frame that was handed to a port, in the order of arrival there.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Came {
    /// From the wire: its number in its direction, from 1.
    Wire(u64),
    Stranger(What),
}

/// What the header said of a frame that left the reflector.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Returned {
    pub(crate) sequence: u32,
    pub(crate) number: u32,
}

/// Frames that left the generator at one instant.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Departure {
    pub(crate) at: u64,
    pub(crate) frames: u64,
    /// The sender had said that nothing was due, since the departure before.
    pub(crate) waited: bool,
}

/// What came of it: both ends' counts, the wire's ledger, and what was noted on the way.
pub(crate) struct Run {
    /// None if the frames were not the engine's sender's.
    pub(crate) sent: Option<Sent>,
    pub(crate) home: Home,
    pub(crate) far: FarCounts,
    pub(crate) ledger: ledger::Trial,
    /// Sequence numbers by the wire's forward numbers less 1.
    pub(crate) sequences: Vec<u64>,
    /// By the wire's return numbers less 1.
    pub(crate) returns: Vec<Returned>,
    pub(crate) came: [Vec<Came>; 2],
    pub(crate) departures: Vec<Departure>,
    /// Frames that found the port's queue full.
    pub(crate) dropped: [u64; 2],
    /// Frames lost before the port.
    pub(crate) hidden: [u64; 2],
    pub(crate) refused: u64,
    /// Most frames that the reflector returned between two moments at which its port was empty.
    pub(crate) returned_burst: u64,
}

/// A sending port whose room can change while the sender holds it.
struct Gate {
    port: MemoryTransmit,
    room: Rc<Cell<usize>>,
}

impl Transmit for Gate {
    fn slots(&self) -> usize {
        self.port.slots()
    }

    fn set_octets(&mut self, octets: usize) -> io::Result<()> {
        self.port.set_octets(octets)
    }

    fn slot(&mut self, index: usize) -> &mut [u8] {
        self.port.slot(index)
    }

    fn submit(&mut self, first: usize, count: usize) -> io::Result<usize> {
        self.port.room = self.room.get();
        self.port.submit(first, count)
    }

    fn turned_away(&self) -> u64 {
        self.port.turned_away()
    }
}

/// From the wire to the two receiving ports.
struct Delivery {
    clock: VirtualClock,
    inboxes: [Queue; 2],
    came: [Vec<Came>; 2],
    dropped: [u64; 2],
    hidden: [u64; 2],
    hidden_permille: [u64; 2],
    datagram: bool,
    chance: Chance,
}

impl Outlet for Delivery {
    fn emit(&mut self, side: Side, frame: &[u8], about: About) {
        assert!(about.trial.is_some(), "the wire takes one of our own frames for a stranger's");
        let way = if side == Side::Far { FORWARD } else { HOMEWARD };
        let frame = if self.datagram {
            let Some(payload) = datagram::unwrap(1 - way, frame) else { return };
            payload
        } else {
            frame.to_vec()
        };
        if self.chance.permille(self.hidden_permille[way]) {
            self.hidden[way] += 1;
        } else {
            self.put(way, frame, Came::Wire(about.number));
        }
    }
}

impl Delivery {
    fn put(&mut self, way: usize, frame: Vec<u8>, came: Came) {
        if self.inboxes[way].push(self.clock.now() + WALL_NS, frame) {
            self.came[way].push(came);
        } else {
            self.dropped[way] += 1;
        }
    }
}

/// Where the test header begins in a frame as a port has it.
pub(crate) fn header_offset(spec: &FrameSpec) -> usize {
    match spec.encapsulation {
        Encapsulation::Ipv4 => 42 + spec.tags.octets(),
        Encapsulation::Ipv6 => 62 + spec.tags.octets(),
        Encapsulation::Ethernet => 14 + spec.tags.octets(),
        Encapsulation::Datagram => 0,
    }
}

fn word(frame: &[u8], at: usize) -> u32 {
    u32::from_be_bytes([frame[at], frame[at + 1], frame[at + 2], frame[at + 3]])
}

/// Runs a trial with the engine's own sender.
pub(crate) fn run(setup: &Setup) -> Run {
    let clock = VirtualClock::default();
    let outbox = Queue::new(usize::MAX);
    let room = Rc::new(Cell::new(setup.sending.room));
    let mut port = Gate { port: MemoryTransmit::new(clock.clone(), outbox.clone()), room: Rc::clone(&room) };
    let progress = Progress::default();
    let mut sender =
        Sender::new(&mut port, &setup.trial, &progress, setup.start_ns).expect("the frames can be built");
    let mut run = drive(setup, &clock, &outbox, &room, &progress, &mut |now| {
        sender.step(now).expect("memory never fails")
    });
    run.sent = Some(sender.finish());
    run
}

/// Runs a trial whose departures are `step`'s: frames that it pushes to `outbox`, with what the sender would have told
/// in `progress`.
pub(crate) fn drive(
    setup: &Setup,
    clock: &VirtualClock,
    outbox: &Queue,
    room: &Cell<usize>,
    progress: &Progress,
    step: &mut dyn FnMut(u64) -> Step,
) -> Run {
    let trial = &setup.trial;
    let datagram = trial.frame.encapsulation == Encapsulation::Datagram;
    let header = header_offset(&trial.frame);
    let mut chance = Chance::new(setup.seed);
    let sample = |now: u64| Offset { nanoseconds: WALL_NS as i64, at: now };
    clock.advance_to(setup.start_ns - 1_000_000);

    let [far_in, home_in] = setup.stations.map(|station| Queue::new(station.capacity));
    let far_out = Queue::new(usize::MAX);
    let mut home_port = MemoryReceive::new(clock.clone(), home_in.clone());
    let mut far_port = MemoryReceive::turning(clock.clone(), far_in.clone(), far_out.clone());
    let mut receiver = Receiver::new(&mut home_port, trial, progress, setup.start_ns, sample(clock.now()))
        .expect("the frames can be built");
    let mut turning = Turning::new(&TrialSpec {
        frame: trial.frame,
        frames: trial.frames,
        frames_per_s: trial.rate.per_second(),
        fill_check: trial.fill_check,
        flows: 1,
        more_sizes: Vec::new(),
        watched: None,
    })
    .expect("the frames can be built");
    let mut wire = Engine::new(setup.script.clone()).expect("the script is possible");
    let mut delivery = Delivery {
        clock: clock.clone(),
        inboxes: [far_in.clone(), home_in.clone()],
        came: [Vec::new(), Vec::new()],
        dropped: [0; 2],
        hidden: [0; 2],
        hidden_permille: setup.stations.map(|station| station.hidden_permille),
        datagram,
        chance: Chance::new(chance.next()),
    };
    let mut stranger = setup.stranger.clone();

    let mut sequences: Vec<u64> = Vec::new();
    let mut returns = Vec::new();
    let mut departures: Vec<Departure> = Vec::new();
    let (mut done, mut waited, mut sender_free, mut full_until) = (false, true, 0, 0);
    let mut looks = [0; 2];
    let (mut refusals, mut returned_burst) = (0, 0);
    loop {
        let now = clock.now();
        if !done && now >= sender_free {
            room.set(if now < full_until { 0 } else { setup.sending.room });
            sender_free = loop {
                match step(now) {
                    Step::Sent(frames) => {
                        departures.push(Departure { at: now, frames: u64::from(frames), waited });
                        waited = false;
                        if chance.permille(setup.sending.stall_permille) {
                            break now + chance.between(1, setup.sending.stall_ns);
                        }
                        if chance.permille(setup.sending.full_permille) {
                            full_until = now + chance.between(1, setup.sending.stall_ns);
                            break now + 1;
                        }
                        if setup.sending.cost_ns > 0 {
                            break now + setup.sending.cost_ns;
                        }
                    }
                    Step::Idle { until } => {
                        waited = true;
                        assert!(until > now, "idle until {until} at {now}");
                        break until;
                    }
                    Step::Full => break full_until.max(now + 1),
                    Step::Done => {
                        done = true;
                        break u64::MAX;
                    }
                }
            };
            while let Some((_, frame)) = outbox.pop() {
                let low = word(&frame, header + 4);
                let last = sequences.last().copied().unwrap_or(0);
                let round = last & !0xFFFF_FFFF | u64::from(low);
                sequences.push(if round < last { round + (1 << 32) } else { round });
                if let Some(stranger) = &mut stranger {
                    stranger.overhear(FORWARD, &frame, header);
                }
                let frame = if datagram { datagram::wrap(0, &frame) } else { frame };
                wire.arrive(Direction::Forward, &frame, now, &mut delivery);
            }
        }
        wire.advance(now, &mut delivery);
        if let Some(stranger) = &mut stranger {
            stranger.meddle(trial, &mut |way, frame, what| delivery.put(way, frame, Came::Stranger(what)));
        }
        if now >= looks[FORWARD] && !far_in.is_empty() {
            if chance.permille(setup.refuse_permille) {
                let more = chance.between(1, 8);
                far_port.refuse += more;
                refusals += more;
            }
            while turning.step(&mut far_port, now + WALL_NS).expect("memory never fails") > 0 {}
            looks[FORWARD] = now + chance.between(0, setup.stations[FORWARD].rest_ns);
        }
        let mut burst = 0;
        while let Some((_, frame)) = far_out.pop() {
            burst += 1;
            returns.push(Returned { sequence: word(&frame, header + 4), number: word(&frame, header + 12) });
            if let Some(stranger) = &mut stranger {
                stranger.overhear(HOMEWARD, &frame, header);
            }
            let frame = if datagram { datagram::wrap(1, &frame) } else { frame };
            if returns.len() == 1 {
                let Class::Test(test) = classify(&frame) else {
                    panic!("the wire cannot read the pair's frames")
                };
                let expected = header + if datagram { datagram::HEADERS } else { 0 };
                assert_eq!((test.header, test.returned, test.session), (expected, true, trial.frame.session));
            }
            wire.arrive(Direction::Return, &frame, now, &mut delivery);
        }
        returned_burst = returned_burst.max(burst);
        wire.advance(now, &mut delivery);
        if now >= looks[HOMEWARD] && !home_in.is_empty() {
            while receiver.step(now, || sample(now)).expect("memory never fails") > 0 {}
            looks[HOMEWARD] = now + chance.between(0, setup.stations[HOMEWARD].rest_ns);
        }

        let mut next = if done { u64::MAX } else { sender_free };
        next = next.min(wire.next_event().unwrap_or(u64::MAX));
        for (queue, look) in [(&far_in, looks[FORWARD]), (&home_in, looks[HOMEWARD])] {
            if !queue.is_empty() {
                next = next.min(look);
            }
        }
        if next == u64::MAX {
            break;
        }
        clock.advance_to(next.max(now + 1));
    }

    let now = clock.now();
    let offered = progress.offered.load(std::sync::atomic::Ordering::Relaxed);
    let home = receiver.finish(offered, sample(now)).expect("memory never fails");
    let far = turning.counts(far_port.dropped().expect("memory never fails"), 0);
    let ledger = wire.ledger();
    assert!(ledger.is_clean(), "the wire itself lost something: {:?}", ledger.lost_by_wire);
    assert!(ledger.trials.len() <= 1, "one trial is one trial");
    Run {
        sent: None,
        home,
        far,
        ledger: ledger.trials.first().cloned().unwrap_or_default(),
        sequences,
        returns,
        came: delivery.came,
        departures,
        dropped: delivery.dropped,
        hidden: delivery.hidden,
        refused: refusals - far_port.refuse,
        returned_burst,
    }
}
