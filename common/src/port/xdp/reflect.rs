//! The reflector inside the kernel: a program made for one trial that judges each frame, numbers it, turns it round and
//! sends it back before the host has made anything of it.
//!
//! The program holds the trial's frames as constants. What is exactly as it should be (addresses, tags, headers, guard,
//! checksums, fill, by the same rules as [`Checker`](crate::frame::Checker)) goes back with XDP_TX; whatever is not,
//! passes to the host, where user space judges it. So the kernel never decides that a frame is damaged or foreign.
//!
//! What arrived is told by a log: each frame takes the next number by one atomic addition and writes its sequence
//! number into the log's place of that number, in arrival order. User space reads the log at leisure and runs over it the
//! same [`Tracker`](crate::sequence::Tracker) as for frames it sees itself: a bitmap in the kernel would have told which
//! sequences arrived, but not in which order, and would have needed a window of its own. If the log was written over
//! before it was read, that is known and counted.
//!
//! The memory the program shares with user space:
//!
//! | memory | offset | what |
//! | --- | --- | --- |
//! | state | 0 | frames returned so far, which is the next number |
//! | | 8 | when the first arrived, CLOCK_MONOTONIC ns |
//! | | 16 | when the latest was looked at by the clock |
//! | | 24 | its number |
//! | | 32 | frames in the row now under way: at more than twice the trial's rate |
//! | | 40 | the longest such row |
//! | log | 8 × (number mod entries) | number + 1 in the upper half, sequence in the lower |
//! | tables | | contributions to the guard, sums for UDP's checksum, the fill |

mod rehearse;

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

pub use rehearse::Rehearsal;

use pnet_base::MacAddr;

use super::attachment::Attachment;
use super::programs::{self, SEND_BACK};
use crate::frame::guard::{self, FIXED_OCTETS, MOVING_OCTETS};
use crate::frame::layout::{Direction, IPV4_OCTETS, IPV6_OCTETS, Image, Shape};
use crate::frame::{FrameError, FrameSpec, HEADER_OCTETS, Kind, VARIANTS};
use crate::port::OpenError;
use crate::port::bpf::{Alu, Assembled, Assembler, Helper, Label, Memory, Program, Register, Size, When};

use Register::{R0, R1, R2, R3, R4, R5, R6, R7, R8, R9, R10};

/// Offsets in the state.
const NUMBER: usize = 0;
const FIRST: usize = 8;
const LATEST: usize = 16;
const LATEST_NUMBER: usize = 24;
const ROW: usize = 32;
const LONGEST_ROW: usize = 40;
const STATE_OCTETS: usize = 48;

/// The clock is looked at once in so many frames (a power of two): it would cost every frame more than its number does.
const CLOCKED: u64 = 16;

/// Frames of more octets may lie in several buffers, of which the program sees the first: up to the usual MTU, two tags and
/// some, every driver that has XDP keeps a frame in one.
const IN_ONE_BUFFER: usize = 1_536;
/// What of such a frame is looked at in one go: copied to the program's own memory, which ends with the place where the
/// variant's fill begins.
const PIECE_OCTETS: usize = 256;
const OWN_OCTETS: usize = PIECE_OCTETS + 8;

/// Offsets in the test header.
const SEQUENCE: usize = 4;
const DEPARTURE: usize = 8;
const NUMBERED: usize = 12;
const RESIDENCE: usize = 16;
/// The octets of the header that an arriving frame moves: sequence and departure.
const ARRIVING: std::ops::Range<usize> = SEQUENCE..NUMBERED;
/// The octets that are written here: the reflector's number.
const WRITTEN: std::ops::Range<usize> = NUMBERED..RESIDENCE;

/// Entries of the log: this many seconds of frames.
const LOG_SECONDS: f64 = 4.0;
const LOG_LEAST: usize = 1 << 16;
const LOG_MOST: usize = 1 << 24;

/// The wide guard, or the narrow.
#[derive(Clone, Copy, PartialEq, Eq)]
enum GuardWidth {
    Two,
    Four,
}

impl GuardWidth {
    const fn size(self) -> Size {
        match self {
            GuardWidth::Two => Size::Two,
            GuardWidth::Four => Size::Four,
        }
    }

    const fn bits(self) -> i32 {
        8 * self.size().octets() as i32
    }

    fn table(self, at: usize) -> Vec<u8> {
        match self {
            GuardWidth::Two => {
                guard::contributions16(at).iter().flat_map(|entry| entry.to_ne_bytes()).collect()
            }
            GuardWidth::Four => {
                guard::contributions32(at).iter().flat_map(|entry| entry.to_ne_bytes()).collect()
            }
        }
    }

    fn base(self, fixed: [u8; FIXED_OCTETS]) -> u32 {
        match self {
            GuardWidth::Two => u32::from(guard::base::<u16>(fixed)),
            GuardWidth::Four => guard::base::<u32>(fixed),
        }
    }
}

/// Everything the program is made of.
struct Blueprint {
    forward: Image,
    homeward: Image,
    width: GuardWidth,
    /// Where the guard stands in the frame.
    guard: usize,
    fill_check: bool,
    frames: u64,
    half_interval_ns: u64,
    log_entries: usize,
    /// Offsets in the tables.
    sums: [usize; 2],
    fill: usize,
    tables: Vec<u8>,
}

impl Blueprint {
    fn new(spec: &FrameSpec, frames: u64, frames_per_s: f64, fill_check: bool) -> Result<Self, FrameError> {
        let forward = Image::new(spec, Direction::Forward, Kind::Test)?;
        let homeward = Image::new(spec, Direction::Homeward, Kind::Test)?;
        let layout = forward.layout;
        let (width, guard) = match layout.shape {
            Shape::Ipv4 => (GuardWidth::Two, layout.network + 4),
            Shape::Ipv6 => (GuardWidth::Two, layout.network + 2),
            Shape::Guarded | Shape::Bare => (GuardWidth::Four, layout.header + HEADER_OCTETS),
        };
        let mut tables: Vec<u8> =
            (FIXED_OCTETS..FIXED_OCTETS + MOVING_OCTETS).flat_map(|at| width.table(at)).collect();
        let mut sums = [0; 2];
        for (at, image) in sums.iter_mut().zip([&forward, &homeward]) {
            *at = tables.len();
            tables.extend(image.udp_sum.iter().flat_map(|sum| sum.to_ne_bytes()));
        }
        tables.resize(tables.len().next_multiple_of(8), 0);
        let fill = tables.len();
        tables.extend(forward.windows.pattern().0);
        Ok(Self {
            width,
            guard,
            fill_check: fill_check && layout.octets > layout.fill,
            frames,
            half_interval_ns: (5e8 / frames_per_s.max(1.0)) as u64,
            // Clamped first: the rate is what a peer says.
            log_entries: ((frames_per_s * LOG_SECONDS) as usize)
                .clamp(LOG_LEAST, LOG_MOST)
                .next_power_of_two(),
            sums,
            fill,
            tables,
            forward,
            homeward,
        })
    }

    /// The table of the header's octet at offset `at`.
    fn table(&self, at: usize) -> usize {
        (at - FIXED_OCTETS) * 256 * self.width.size().octets()
    }

    /// Offsets in front of the moving part of the test header that differ from frame to frame.
    fn moving(&self) -> Vec<usize> {
        let network = self.forward.layout.network;
        let words: &[usize] = match self.forward.layout.shape {
            Shape::Ipv4 => &[4, 10, IPV4_OCTETS + 6],
            Shape::Ipv6 => &[2, IPV6_OCTETS + 6],
            Shape::Guarded | Shape::Bare => &[],
        };
        words.iter().flat_map(|at| [network + at, network + at + 1]).collect()
    }

    /// What stands in front of the moving part of the header and never moves, in pieces of up to four octets.
    fn pieces(&self) -> Vec<(usize, Size)> {
        let moving = self.moving();
        let end = self.forward.layout.header + FIXED_OCTETS;
        let still = |at: usize, octets: usize| {
            at + octets <= end && (at..at + octets).all(|at| !moving.contains(&at))
        };
        let mut pieces = Vec::new();
        let mut at = 0;
        while at < end {
            let size = [Size::Four, Size::Two, Size::One].into_iter().find(|size| still(at, size.octets()));
            match size {
                Some(size) => {
                    pieces.push((at, size));
                    at += size.octets();
                }
                None => at += 1,
            }
        }
        pieces
    }

    fn udp(&self) -> Option<usize> {
        match self.forward.layout.shape {
            Shape::Ipv4 | Shape::Ipv6 => Some(self.forward.layout.header - 2),
            Shape::Guarded | Shape::Bare => None,
        }
    }

    /// The program. The descriptors are those of state, log and tables.
    fn program(&self, state: i32, log: i32, tables: i32) -> Assembled {
        let mut program = Assembler::new();
        let pass = program.label();
        self.find(&mut program, pass);
        self.judge(&mut program, tables, pass);
        self.count(&mut program, state, log);
        self.turn(&mut program);
        program.alu(Alu::Move, R0, SEND_BACK);
        program.exit();
        programs::let_pass(&mut program, pass);
        program.finish()
    }

    /// Whether only the first part of a frame can be counted on to be in reach.
    fn is_long(&self) -> bool {
        self.forward.layout.octets > IN_ONE_BUFFER
    }

    /// `r7` = the frame, if it is as long as it should be. Of a long one all that is in front of the fill is in reach, and
    /// `r6` = the context.
    fn find(&self, program: &mut Assembler, pass: Label) {
        if self.is_long() {
            programs::start(program, R7, self.forward.layout.fill, pass);
            program.alu(Alu::Move, R6, R1);
            program.call(Helper::XdpGetBuffLen);
            program.jump(R0, When::NotEqual, self.forward.layout.octets as i32, pass);
            return;
        }
        programs::start(program, R7, self.forward.layout.octets, pass);
        program.jump(R4, When::Less, R3, pass);
    }

    /// Goes to `pass` unless every octet is right. Afterwards `r8` is the guard, `r9` the tables.
    fn judge(&self, program: &mut Assembler, tables: i32, pass: Label) {
        let layout = self.forward.layout;
        let header = layout.header;
        for (at, size) in self.pieces() {
            program.load(size, R2, R7, at);
            program.jump_low(R2, When::NotEqual, value(&self.forward.head, at, size) as i32, pass);
        }
        // On the way out the reflector's fields are 0.
        program.load(Size::Four, R2, R7, header + NUMBERED);
        program.jump_low(R2, When::NotEqual, 0, pass);
        program.load(Size::Two, R2, R7, header + RESIDENCE);
        program.jump_low(R2, When::NotEqual, 0, pass);
        // A number that was never offered is not of this trial.
        if let Ok(frames) = u32::try_from(self.frames) {
            program.load(Size::Four, R2, R7, header + SEQUENCE);
            program.network_order(R2, 32);
            program.wide(R3, u64::from(frames));
            program.jump(R2, When::NotLess, R3, pass);
        }
        program.map_value(R9, tables, 0, "tables");
        program.wide(R8, u64::from(self.width.base(self.forward.fixed)));
        for at in ARRIVING {
            program.load(Size::One, R2, R7, header + at);
            self.add_to_guard(program, at);
        }
        program.alu(Alu::Move, R4, R8);
        program.network_order(R4, self.width.bits());
        program.load(self.width.size(), R2, R7, self.guard);
        program.jump_low(R2, When::NotEqual, R4, pass);
        if layout.shape == Shape::Ipv4 {
            self.ip_checksum(program, self.forward.ip_sum);
            program.load(Size::Two, R2, R7, layout.network + 10);
            program.jump_low(R2, When::NotEqual, R4, pass);
        }
        if let Some(udp) = self.udp() {
            program.load(Size::Two, R5, R7, udp);
            program.jump_low(R5, When::Equal, 0, pass);
            self.udp_sum(program, self.sums[0]);
            program.alu(Alu::Add, R3, R5);
            fold(program, R3, R2);
            program.jump_low(R3, When::NotEqual, 0xffff, pass);
        }
        if self.fill_check {
            let (_, step) = self.forward.windows.pattern();
            program.load(Size::One, R4, R7, header + SEQUENCE + 3);
            program.alu(Alu::And, R4, VARIANTS as i32 - 1);
            // step × variant, without a multiplication: steps have few bits.
            program.alu(Alu::Move, R5, 0);
            for bit in (0..usize::BITS).filter(|bit| step >> bit & 1 == 1) {
                program.alu(Alu::Move, R2, R4);
                program.alu(Alu::ShiftLeft, R2, bit as i32);
                program.alu(Alu::Add, R5, R2);
            }
            program.alu(Alu::Add, R5, R9);
            if self.is_long() {
                self.compare_by_pieces(program, pass);
            } else {
                self.compare_fill(program, R7, 0, layout.fill..layout.octets, pass);
            }
        }
    }

    /// Goes to `pass` unless the octets `range` of the frame are the fill. `r5` = where the variant's fill begins; the frame's
    /// octet `origin` is at `base`.
    fn compare_fill(
        &self,
        program: &mut Assembler,
        base: Register,
        origin: usize,
        range: std::ops::Range<usize>,
        pass: Label,
    ) {
        let mut at = range.start;
        while at < range.end {
            let size = [Size::Eight, Size::Four, Size::Two, Size::One]
                .into_iter()
                .find(|size| at + size.octets() <= range.end)
                .unwrap_or(Size::One);
            program.load(size, R2, base, at - origin);
            program.load(size, R3, R5, self.fill + at - self.forward.layout.fill);
            program.jump(R2, When::NotEqual, R3, pass);
            at += size.octets();
        }
    }

    /// The same for a long frame, wherever its octets are.
    fn compare_by_pieces(&self, program: &mut Assembler, pass: Label) {
        let layout = self.forward.layout;
        program.alu(Alu::Move, R3, R10);
        program.alu(Alu::Add, R3, -8);
        program.store(Size::Eight, R3, 0, R5);
        for start in (layout.fill..layout.octets).step_by(PIECE_OCTETS) {
            let end = layout.octets.min(start + PIECE_OCTETS);
            program.alu(Alu::Move, R1, R6);
            program.alu(Alu::Move, R2, start as i32);
            program.alu(Alu::Move, R3, R10);
            program.alu(Alu::Add, R3, -(OWN_OCTETS as i32));
            program.alu(Alu::Move, R4, (end - start) as i32);
            program.call(Helper::XdpLoadBytes);
            program.jump(R0, When::NotEqual, 0, pass);
            program.alu(Alu::Move, R4, R10);
            program.alu(Alu::Add, R4, -(OWN_OCTETS as i32));
            program.load(Size::Eight, R5, R4, PIECE_OCTETS);
            self.compare_fill(program, R4, start, start..end, pass);
        }
    }

    /// `r8 ^=` what the octet in `r2` adds as the header's octet at offset `at`.
    fn add_to_guard(&self, program: &mut Assembler, at: usize) {
        program.alu(Alu::ShiftLeft, R2, if self.width == GuardWidth::Two { 1 } else { 2 });
        program.alu(Alu::Add, R2, R9);
        program.load(self.width.size(), R2, R2, self.table(at));
        program.alu(Alu::Xor, R8, R2);
    }

    /// `r4` = the header checksum that belongs to the guard in `r4`, both as they stand in the frame.
    fn ip_checksum(&self, program: &mut Assembler, sum: u16) {
        program.alu(Alu::Add, R4, i32::from(sum));
        fold_half(program, R4, R2);
        fold_half(program, R4, R2);
        program.alu(Alu::Xor, R4, 0xffff);
    }

    /// `r3` = the sum of everything under UDP's checksum but the reflector's number; not folded.
    fn udp_sum(&self, program: &mut Assembler, sums: usize) {
        let header = self.forward.layout.header;
        program.load(Size::One, R3, R7, header + SEQUENCE + 3);
        program.alu(Alu::And, R3, VARIANTS as i32 - 1);
        program.alu(Alu::ShiftLeft, R3, 1);
        program.alu(Alu::Add, R3, R9);
        program.load(Size::Two, R3, R3, sums);
        for at in [SEQUENCE, DEPARTURE] {
            program.load(Size::Four, R2, R7, header + at);
            program.alu(Alu::Add, R3, R2);
        }
    }

    /// `r6` = the frame's number. Log and state are written.
    fn count(&self, program: &mut Assembler, state: i32, log: i32) {
        let header = self.forward.layout.header;
        program.alu(Alu::Move, R6, 1);
        program.map_value(R2, state, 0, "state");
        program.fetch_add(R2, NUMBER, R6);
        program.alu(Alu::Move, R3, R6);
        program.alu(Alu::And, R3, self.log_entries as i32 - 1);
        program.alu(Alu::ShiftLeft, R3, 3);
        program.map_value(R2, log, 0, "log");
        program.alu(Alu::Add, R2, R3);
        program.alu(Alu::Move, R4, R6);
        program.alu(Alu::Add, R4, 1);
        program.alu(Alu::ShiftLeft, R4, 32);
        program.load(Size::Four, R5, R7, header + SEQUENCE);
        program.network_order(R5, 32);
        program.alu(Alu::Or, R4, R5);
        program.store(Size::Eight, R2, 0, R4);

        let (later, grows, known) = (program.label(), program.label(), program.label());
        program.alu(Alu::Move, R2, R6);
        program.alu(Alu::And, R2, CLOCKED as i32 - 1);
        program.jump(R2, When::NotEqual, 0, known);
        program.call(Helper::KtimeGetNs);
        program.map_value(R2, state, 0, "state");
        program.load(Size::Eight, R3, R2, LATEST);
        program.store(Size::Eight, R2, LATEST, R0);
        program.store(Size::Eight, R2, LATEST_NUMBER, R6);
        // Not "if the number is 0": the verifier would then know it on one path, and distrust what is looked up with it.
        program.load(Size::Eight, R4, R2, FIRST);
        program.jump(R4, When::NotEqual, 0, later);
        program.store(Size::Eight, R2, FIRST, R0);
        program.place(later);
        program.load(Size::Eight, R4, R2, ROW);
        program.alu(Alu::Subtract, R0, R3);
        program.wide(R5, self.half_interval_ns * CLOCKED);
        program.jump(R0, When::Less, R5, grows);
        program.alu(Alu::Move, R4, -(CLOCKED as i32));
        program.place(grows);
        program.alu(Alu::Add, R4, CLOCKED as i32);
        program.store(Size::Eight, R2, ROW, R4);
        program.load(Size::Eight, R3, R2, LONGEST_ROW);
        program.jump(R3, When::NotLess, R4, known);
        program.store(Size::Eight, R2, LONGEST_ROW, R4);
        program.place(known);
    }

    /// The frame as it goes home.
    fn turn(&self, program: &mut Assembler) {
        let layout = self.forward.layout;
        let header = layout.header;
        for (at, size) in self.pieces() {
            let home = value(&self.homeward.head, at, size);
            if home != value(&self.forward.head, at, size) {
                program.store_constant(size, R7, at, home);
            }
        }
        program.alu(Alu::Move, R2, R6);
        program.network_order(R2, 32);
        program.store(Size::Four, R7, header + NUMBERED, R2);
        let turned = self.width.base(self.forward.fixed) ^ self.width.base(self.homeward.fixed);
        program.wide(R2, u64::from(turned));
        program.alu(Alu::Xor, R8, R2);
        for (at, shift) in WRITTEN.zip([24, 16, 8, 0]) {
            program.alu(Alu::Move, R2, R6);
            program.alu(Alu::ShiftRight, R2, shift);
            program.alu(Alu::And, R2, 0xff);
            self.add_to_guard(program, at);
        }
        program.alu(Alu::Move, R4, R8);
        program.network_order(R4, self.width.bits());
        program.store(self.width.size(), R7, self.guard, R4);
        if layout.shape == Shape::Ipv4 {
            self.ip_checksum(program, self.homeward.ip_sum);
            program.store(Size::Two, R7, layout.network + 10, R4);
        }
        if let Some(udp) = self.udp() {
            self.udp_sum(program, self.sums[1]);
            program.load(Size::Four, R2, R7, header + NUMBERED);
            program.alu(Alu::Add, R3, R2);
            fold(program, R3, R2);
            program.alu(Alu::Xor, R3, 0xffff);
            // 0 would mean "none" (RFC 768).
            let right = program.label();
            program.jump_low(R3, When::NotEqual, 0, right);
            program.alu(Alu::Move, R3, 0xffff);
            program.place(right);
            program.store(Size::Two, R7, udp, R3);
        }
    }
}

/// Octets of `head` as a load sees them.
fn value(head: &[u8], at: usize, size: Size) -> u32 {
    let octets = &head[at..at + size.octets()];
    match *octets {
        [a] => u32::from(a),
        [a, b] => u32::from(u16::from_ne_bytes([a, b])),
        [a, b, c, d] => u32::from_ne_bytes([a, b, c, d]),
        _ => unreachable!("pieces have 1, 2 or 4 octets"),
    }
}

/// One end-around carry of a one's complement sum of 16 bits.
fn fold_half(program: &mut Assembler, sum: Register, spare: Register) {
    program.alu(Alu::Move, spare, sum);
    program.alu(Alu::ShiftRight, spare, 16);
    program.alu(Alu::And, sum, 0xffff);
    program.alu(Alu::Add, sum, spare);
}

/// A sum of less than 2^36 folded to 16 bits.
fn fold(program: &mut Assembler, sum: Register, spare: Register) {
    program.alu(Alu::Move, spare, sum);
    program.alu(Alu::ShiftRight, spare, 32);
    program.low_half(sum);
    program.alu(Alu::Add, sum, spare);
    for _ in 0..3 {
        fold_half(program, sum, spare);
    }
}

/// What the kernel knows of its own: totals.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Reflected {
    /// Frames sent back, which is the next number.
    pub frames: u64,
    /// When the first arrived, CLOCK_MONOTONIC ns; 0 before it.
    pub first_ns: u64,
    /// When the frame `latest` arrived.
    pub latest_ns: u64,
    /// The number of the latest frame that the clock was looked at for.
    pub latest: u64,
    /// Most frames in a row at more than twice the trial's rate, to within 16; 1 if there were frames and no such row.
    pub longest_row: u64,
}

/// One trial that the kernel returns. Dropped, it returns no more.
pub struct Reflection {
    attachment: Arc<Attachment>,
    address: MacAddr,
    state: Memory,
    log: Memory,
    _tables: Memory,
    _program: Program,
    entries: u64,
    /// The next number to be read from the log.
    next: u64,
}

/// What reading the log came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Told {
    /// Sequence numbers that were told.
    pub read: u64,
    /// Arrivals that had been written over before they were read.
    pub overrun: u64,
}

/// Why the kernel cannot return a trial.
#[derive(Debug, thiserror::Error)]
pub enum ReflectError {
    #[error(transparent)]
    Frame(#[from] FrameError),
    #[error(transparent)]
    Open(#[from] OpenError),
}

impl Reflection {
    /// Makes the trial's program, loads it and puts it into its session's slot.
    ///
    /// # Errors
    /// A frame that cannot be built, no permission, no memory, or what the verifier says.
    pub fn open(
        attachment: &Arc<Attachment>,
        interface: &str,
        spec: &FrameSpec,
        frames: u64,
        frames_per_s: f64,
        fill_check: bool,
    ) -> Result<Self, ReflectError> {
        let at = |step| move |source| OpenError::at_xdp(interface, step, source);
        let blueprint = Blueprint::new(spec, frames, frames_per_s, fill_check)?;
        let state = Memory::new(STATE_OCTETS).map_err(at("making the reflector's state"))?;
        let log = Memory::new(8 * blueprint.log_entries).map_err(at("making the reflector's log"))?;
        let tables = Memory::holding(&blueprint.tables).map_err(at("making the reflector's tables"))?;
        let program = blueprint.program(state.descriptor(), log.descriptor(), tables.descriptor());
        let program = Program::load(&program).map_err(at("loading the reflector's XDP program"))?;
        attachment
            .install(spec.destination, &program, None)
            .map_err(at("installing the reflector's XDP program"))?;
        Ok(Self {
            attachment: Arc::clone(attachment),
            address: spec.destination,
            entries: blueprint.log_entries as u64,
            state,
            log,
            _tables: tables,
            _program: program,
            next: 0,
        })
    }

    fn word(memory: &Memory, offset: usize) -> &AtomicU64 {
        assert!(offset.is_multiple_of(8) && offset + 8 <= memory.octets());
        // SAFETY: an aligned word inside the mapping, which the borrow keeps alive; the program writes it by single
        // stores of 64 bits and atomic additions, and here it is only read.
        unsafe { AtomicU64::from_ptr(memory.start().add(offset).cast().as_ptr()) }
    }

    /// The totals up to now.
    #[must_use]
    pub fn so_far(&self) -> Reflected {
        let word = |offset| Self::word(&self.state, offset).load(Ordering::Acquire);
        let frames = word(NUMBER);
        Reflected {
            frames,
            first_ns: word(FIRST),
            latest_ns: word(LATEST),
            latest: word(LATEST_NUMBER),
            longest_row: word(LONGEST_ROW).max(frames.min(1)),
        }
    }

    /// Tells the sequence numbers of at most `max` arrivals that were not told before, in arrival order.
    pub fn arrivals(&mut self, max: u64, mut tell: impl FnMut(u32)) -> Told {
        let written = Self::word(&self.state, NUMBER).load(Ordering::Acquire);
        let mut told = Told::default();
        // A place that is being written over now may not be read any more.
        let oldest = written.saturating_sub(self.entries - self.entries / 16);
        if self.next < oldest {
            told.overrun = oldest - self.next;
            self.next = oldest;
        }
        while self.next < written && told.read < max {
            let place = (self.next % self.entries) as usize * 8;
            let entry = Self::word(&self.log, place).load(Ordering::Acquire);
            let expected = self.next.wrapping_add(1) as u32;
            let found = (entry >> 32) as u32;
            if found != expected {
                if found.wrapping_sub(expected) < u32::MAX / 2 && entry != 0 {
                    // Newer than it should be: written over while it was read.
                    told.overrun += 1;
                    self.next += 1;
                    continue;
                }
                // Numbered, but not yet written, by another processor.
                break;
            }
            tell(entry as u32);
            told.read += 1;
            self.next += 1;
        }
        told
    }

    /// Returns no more from now on; what was returned may still be read.
    pub fn stop(&self) {
        self.attachment.remove(self.address);
    }
}

impl Drop for Reflection {
    fn drop(&mut self) {
        self.stop();
    }
}

#[cfg(test)]
mod tests;
