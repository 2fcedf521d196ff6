//! Random trials over random wires.

use kitproof::engine::Trial;
use kitproof_bench::script::{Burst, Dark, Delay, Faults, Flip, Octet, Rate, Schedule, Script, Window};
use kitproof_common::frame::{Encapsulation, Fill, FrameSpec, MacAddr, Tag, Tags};
use kitproof_common::line::{LineRate, Load, Percent, line_frame_rate};

use crate::chance::Chance;
use crate::pair::{Sending, Setup, Station};

const LINES: [u64; 5] = [10_000_000, 100_000_000, 1_000_000_000, 2_500_000_000, 10_000_000_000];

/// What kinds of fault a script may commit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Style {
    Nothing,
    OnlySwaps,
    /// One kind in one direction.
    One,
    /// Each kind or not, in each direction or not.
    Some,
    /// Every kind in both directions.
    All,
}

impl Style {
    pub(crate) fn draw(chance: &mut Chance) -> Self {
        match chance.between(0, 99) {
            0..5 => Style::Nothing,
            5..11 => Style::OnlySwaps,
            11..25 => Style::One,
            25..80 => Style::Some,
            _ => Style::All,
        }
    }
}

fn mac(chance: &mut Chance) -> MacAddr {
    let octets = chance.next().to_be_bytes();
    MacAddr(octets[0] & 0xFC | 2, octets[1], octets[2], octets[3], octets[4], octets[5])
}

fn tag(chance: &mut Chance) -> Tag {
    Tag {
        tpid: chance.pick(&[0x8100, 0x88A8]),
        vid: chance.between(0, 4094) as u16,
        pcp: chance.between(0, 7) as u8,
        dei: chance.percent(50),
    }
}

/// Frames of any shape, mostly small.
pub(crate) fn frame(chance: &mut Chance, datagrams: bool) -> FrameSpec {
    use Encapsulation::{Datagram, Ethernet, Ipv4, Ipv6};
    let encapsulation = match chance.between(0, if datagrams { 9 } else { 7 }) {
        0..4 => Ipv4,
        4..6 => Ipv6,
        6..8 => Ethernet,
        _ => Datagram,
    };
    let tags = match chance.between(0, 3) {
        _ if encapsulation == Datagram => Tags::none(),
        0 | 1 => Tags::none(),
        2 => Tags::single(tag(chance)),
        _ => Tags::double(tag(chance), tag(chance)),
    };
    let least = u64::from(FrameSpec::minimum_size(encapsulation, &tags));
    let frame_size = match chance.between(0, 99) {
        0..30 => least,
        30..65 => chance.between(least, least + 64),
        65..90 => chance.between(least, 600),
        90..97 => chance.between(least, 1522),
        _ => chance.between(1522, 9216),
    } as u16;
    let (source, destination) = (mac(chance), mac(chance));
    assert_ne!(source, destination);
    FrameSpec {
        encapsulation,
        tags,
        dscp: chance.between(0, 63) as u8,
        frame_size,
        source,
        destination,
        session: chance.between(1, 0xFFFF) as u16,
        stream: chance.between(0, 255) as u8,
        fill: chance.pick(&Fill::ALL),
        fill_seed: chance.next() as u32,
    }
}

/// A trial of `frames` frames at any load, paced as the plan paces.
pub(crate) fn trial(chance: &mut Chance, frame: FrameSpec, frames: u64) -> Trial {
    let size = frame.frame_size;
    let line = LineRate(chance.pick(&LINES));
    let shortest = 1 << chance.between(8, 16);
    let duration_us = chance.between(shortest, 1 << 17);
    let slow = Load::FramesPerSecond((frames * 1_000_000 / duration_us).max(1));
    let wanted = match chance.between(0, 3) {
        0 => Load::FULL,
        1 => Load::Percent(Percent::from_millionths(chance.between(30_000_000, 100_000_000))),
        _ => slow,
    };
    let load = if wanted.rate(line, size).is_ok() { wanted } else { Load::FULL };
    paced(chance, frame, frames, line, load)
}

/// The same at a given load.
pub(crate) fn paced(chance: &mut Chance, frame: FrameSpec, frames: u64, line: LineRate, load: Load) -> Trial {
    let size = frame.frame_size;
    let rate = load.rate(line, size).expect("no more than the line carries");
    let carried = line_frame_rate(line, size);
    let (ceiling, burst, ahead) = match chance.between(0, 2) {
        0 => (rate.times(105, 100).expect("a rate"), 16, 0),
        1 if rate == carried => {
            let ahead = chance.between(1, (frames / 4).max(1)) as u32;
            (rate.times(105, 100).expect("a rate"), ahead, ahead)
        }
        _ => (rate.repayment(carried), 16, 0),
    };
    Trial {
        frame,
        load,
        rate,
        line: carried,
        ceiling,
        burst,
        ahead,
        frames,
        give_up_ns: u64::MAX / 4,
        warm_up: chance.between(0, frames / 10),
        fill_check: true,
        variation: false,
        lowered: None,
        mix: None,
        pairs: 1,
        telling: None,
        evidence: None,
    }
}

fn schedule(chance: &mut Chance, frames: u64, dense: u64) -> Schedule {
    let mut schedule = Schedule::default();
    let kinds = chance.between(1, 7);
    if kinds & 1 != 0 {
        schedule.at = (0..chance.between(1, 6)).map(|_| chance.between(1, frames)).collect();
    }
    if kinds & 2 != 0 {
        schedule.every = Some(chance.between(dense, 4 * dense + 200));
    }
    if kinds & 4 != 0 {
        let length = chance.between(1, (frames / 8).max(2));
        schedule.burst = Some(Burst { first: chance.between(1, frames), length });
    }
    schedule
}

const KINDS: u64 = 9;

/// Faults of one direction: bit k of `kinds` asks for the kth kind. The bottleneck and the pause are no faults on a frame.
fn faults(chance: &mut Chance, trial: &Trial, kinds: u64) -> Faults {
    let frames = trial.frames;
    let asked = |kind: u64| kinds & (1 << kind) != 0;
    let duration_ms = trial.rate.time_of(frames) / 1_000_000;
    let dense = if kinds.count_ones() > 4 { 11 } else { 2 };
    let mut faults = Faults::default();
    if asked(0) {
        faults.drop = schedule(chance, frames, dense);
    }
    if asked(1) {
        faults.duplicate = schedule(chance, frames, dense);
    }
    if asked(2) {
        faults.swap = schedule(chance, frames, dense);
    }
    if asked(3) {
        faults.flip = Some(flip(chance, trial, dense));
    }
    if asked(4) {
        let by_ms = chance.between(1, (duration_ms / 2).clamp(1, 30));
        faults.delay = Some(Delay { when: schedule(chance, frames, dense), by_ms });
    }
    if asked(5) {
        for _ in 0..chance.between(1, 2) {
            faults.dark.push(Dark {
                from_ms: chance.between(0, duration_ms + 1),
                for_ms: chance.between(1, (duration_ms / 4).max(1)),
                spare_control: chance.percent(50),
                ..Dark::default()
            });
        }
    }
    if asked(6) {
        faults.latency_us = chance.between(1, 3_000);
    }
    if asked(7) {
        // From half of what comes to twice as much.
        let per_s = trial.rate.per_second() * chance.between(50, 200) as f64 / 100.0;
        faults.rate = Some(Rate::frames((per_s as u64).max(1), chance.between(1, 200) as u32));
    }
    if asked(8) {
        let from_ms = chance.between(0, duration_ms + 1);
        faults.pause.push(Window { from_ms, for_ms: chance.between(1, (duration_ms / 4).max(1)) });
    }
    faults
}

fn flip(chance: &mut Chance, trial: &Trial, dense: u64) -> Flip {
    let datagram = trial.frame.encapsulation == Encapsulation::Datagram;
    let when = schedule(chance, trial.frames, dense);
    let octet = match chance.between(0, 3) {
        0 => Octet::Header,
        1 => Octet::Fill,
        // Of a datagram's headers the host's kernel judges, not the pair.
        _ if datagram => chance.pick(&[Octet::Header, Octet::Fill]),
        _ => Octet::Any,
    };
    // The smallest datagrams have no guard but UDP's own checksum.
    let guarded = !datagram || trial.frame.octets() >= 22;
    Flip { when, octet, mend: guarded && chance.percent(50), seed: chance.next() }
}

/// A random script for a trial.
pub(crate) fn script(chance: &mut Chance, trial: &Trial, style: Style) -> Script {
    let mut kinds = || {
        // The last three once in a while.
        let line = (6..KINDS).filter(|_| chance.percent(15)).fold(0, |sum, kind| sum | 1 << kind);
        match style {
            Style::Nothing => 0,
            Style::OnlySwaps => chance.pick(&[0, 4, 4, 4]),
            Style::One => line & (1 << 6),
            Style::Some => (0..6).filter(|_| chance.percent(35)).fold(line, |sum, kind| sum | 1 << kind),
            Style::All => line | 0b11_1111,
        }
    };
    let mut both = [kinds(), kinds()];
    if style == Style::One {
        both[chance.between(0, 1) as usize] |= 1 << chance.between(0, KINDS - 1);
    }
    Script { forward: faults(chance, trial, both[0]), back: faults(chance, trial, both[1]), monitor: None }
}

/// How many frames a trial of that size may have without costing too much.
pub(crate) fn frames(chance: &mut Chance, frame_size: u16) -> u64 {
    match chance.between(0, 9) {
        _ if frame_size > 2_000 => chance.between(100, 300),
        0..6 => chance.between(200, 600),
        6..9 => chance.between(600, 1_500),
        _ => chance.between(1_500, 3_000),
    }
}

/// A pair that drops nothing, looks that are late now and then, and a random script.
pub(crate) fn setup(seed: u64, style: Option<Style>, datagrams: bool) -> Setup {
    let mut chance = Chance::new(seed);
    let frame = frame(&mut chance, datagrams);
    let frames = frames(&mut chance, frame.frame_size);
    let mut trial = trial(&mut chance, frame, frames);
    let style = style.unwrap_or_else(|| Style::draw(&mut chance));
    let script = script(&mut chance, &trial, style);
    trial.fill_check = chance.percent(90);
    let interval = trial.rate.time_of(64);
    let station = |chance: &mut Chance| Station {
        rest_ns: if chance.percent(50) { 0 } else { chance.between(1, interval.max(1)) },
        ..Station::IDEAL
    };
    Setup {
        stations: [station(&mut chance), station(&mut chance)],
        sending: Sending { room: chance.between(1, 64) as usize, ..Sending::IDEAL },
        start_ns: chance.between(2_000_000_000, 20_000_000_000),
        refuse_permille: 0,
        stranger: None,
        seed: chance.next(),
        trial,
        script,
    }
}
