//! The small programs: let everything pass, find the trial a frame belongs to, hand a session's frames to a socket.

use pnet_base::MacAddr;

use super::stamping::RECORD_OCTETS;
use crate::port::bpf::{
    Alu, Assembled, Assembler, Helper, Label, Map, Register, Size, When, kernel_functions,
};
use crate::sequence::Sampling;

use Register::{R0, R1, R2, R3, R4, R5, R6, R7, R8, R10};

/// What a program says of a frame (linux/bpf.h, `enum xdp_action`).
pub(super) const PASS: i32 = 2;
pub(super) const SEND_BACK: i32 = 3;

/// Offsets in `struct xdp_md`.
const DATA: usize = 0;
const DATA_END: usize = 4;
const DATA_META: usize = 8;
const QUEUE: usize = 16;

/// Flows at once on one interface: as many as the last octet of an address tells apart.
pub(super) const SLOTS: u32 = 256;
/// Octets of the stamp in front of a frame.
pub(super) const STAMP_OCTETS: usize = 8;

/// The slot of a flow: the last octet of the address its frames are sent to.
#[must_use]
pub fn slot(address: MacAddr) -> u32 {
    u32::from(address.5) % SLOTS
}

/// Addresses and EtherType: no program looks at a frame that has not so much.
const HEADER_OCTETS: usize = 14;

/// `frame` = where the frame starts, `r3` = where its linear part ends, `r4` = `octets` behind the start, which is not
/// beyond that end: shorter frames go to `pass`. `r1` is still the context.
pub(super) fn start(program: &mut Assembler, frame: Register, octets: usize, pass: Label) {
    program.load(Size::Four, frame, R1, DATA);
    program.load(Size::Four, R3, R1, DATA_END);
    program.alu(Alu::Move, R4, frame);
    program.alu(Alu::Add, R4, octets as i32);
    program.jump(R4, When::Greater, R3, pass);
}

/// The end of every program: what was sent to `pass` goes to the host.
pub(super) fn let_pass(program: &mut Assembler, pass: Label) {
    program.place(pass);
    program.alu(Alu::Move, R0, PASS);
    program.exit();
}

/// Lets everything pass. On a veth it makes the peer able to send by XDP_TX.
pub(super) fn pass() -> Assembled {
    let mut program = Assembler::new();
    let pass = program.label();
    let_pass(&mut program, pass);
    program.finish()
}

/// Sends every frame back whose destination is a locally administered address, source and destination swapped, and
/// judges nothing: the least that a reflector can do.
pub(super) fn bounce() -> Assembled {
    let mut program = Assembler::new();
    let pass = program.label();
    start(&mut program, R2, HEADER_OCTETS, pass);
    program.load(Size::One, R4, R2, 0);
    program.alu(Alu::And, R4, 3);
    program.jump(R4, When::NotEqual, 2, pass);
    program.load(Size::Four, R4, R2, 0);
    program.load(Size::Two, R5, R2, 4);
    program.load(Size::Four, R6, R2, 6);
    program.load(Size::Two, R7, R2, 10);
    program.store(Size::Four, R2, 0, R6);
    program.store(Size::Two, R2, 4, R7);
    program.store(Size::Four, R2, 6, R4);
    program.store(Size::Two, R2, 10, R5);
    program.alu(Alu::Move, R0, SEND_BACK);
    program.exit();
    let_pass(&mut program, pass);
    program.finish()
}

/// Sends every frame back as it is.
pub(super) fn send_back() -> Assembled {
    let mut program = Assembler::new();
    program.alu(Alu::Move, R0, SEND_BACK);
    program.exit();
    program.finish()
}

/// Writes `head`, a multiple of four octets, over the beginning of the frame and goes on to the first of `programs`: a
/// frame can so be turned again and again, to be measured.
pub(super) fn restore(head: &[u8], programs: &Map) -> Assembled {
    let mut program = Assembler::new();
    let aborted = program.label();
    program.load(Size::Four, R2, R1, DATA);
    program.load(Size::Four, R3, R1, DATA_END);
    program.alu(Alu::Move, R4, R2);
    program.alu(Alu::Add, R4, head.len() as i32);
    program.jump(R4, When::Greater, R3, aborted);
    for (place, octets) in head.as_chunks::<4>().0.iter().enumerate() {
        program.store_constant(Size::Four, R2, 4 * place, u32::from_ne_bytes(*octets));
    }
    program.map(R2, programs.descriptor(), "programs");
    program.alu(Alu::Move, R3, 0);
    program.call(Helper::TailCall);
    program.place(aborted);
    program.alu(Alu::Move, R0, 0);
    program.exit();
    program.finish()
}

/// Goes on to the program in the slot that the last octet of the destination address names. With none there the frame
/// passes to the host.
pub(super) fn dispatch(programs: &Map) -> Assembled {
    let mut program = Assembler::new();
    let pass = program.label();
    start(&mut program, R2, HEADER_OCTETS, pass);
    program.load(Size::One, R3, R2, 5);
    program.alu(Alu::And, R3, SLOTS as i32 - 1);
    program.map(R2, programs.descriptor(), "programs");
    program.call(Helper::TailCall);
    let_pass(&mut program, pass);
    program.finish()
}

/// Which arrivals a program writes down beside their way, and where.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sample {
    /// Where a frame says which one it is, octets from its start.
    pub(super) at: usize,
    pub(super) sampling: Sampling,
    pub(super) clock: Clock,
    /// The ring's descriptor.
    pub(super) ring: i32,
}

/// Whose stamp of an arrival is written down.
#[derive(Clone, Copy, Debug)]
pub(super) enum Clock {
    /// The NIC's, by the function of the kernel with this number. The program must be bound to the interface, in the driver.
    Nic(u32),
    /// The host's, CLOCK_TAI.
    Host,
}

/// Writes down of a sample which one it is, the time in `r7`, and the clock's stamp of its arrival. Of any other frame, one
/// too short to be a sample, one without a stamp, and where the ring has no room: nothing. The context is in `r6`, and `r8`
/// is lost.
fn write_down(program: &mut Assembler, sample: Sample) {
    /// `BPF_RB_NO_WAKEUP` of linux/bpf.h: nobody waits for records.
    const WAKE_NOBODY: i32 = 1;
    const IDENTITY: usize = 0;
    const SEEN: usize = 8;
    const STAMP: usize = 16;
    let on = program.label();
    let (factor, limit) = sample.sampling.factor_and_limit();
    // It may lie in a part of the frame that the program does not see.
    program.alu(Alu::Move, R1, R6);
    start(program, R2, sample.at + size_of::<u64>(), on);
    program.load(Size::Four, R8, R2, sample.at);
    program.network_order(R8, 32);
    program.alu(Alu::Move, R4, R8);
    program.alu(Alu::Multiply, R4, factor as i32);
    program.jump_low(R4, When::Greater, limit as i32, on);
    program.load(Size::Four, R4, R2, sample.at + size_of::<u32>());
    program.network_order(R4, 32);
    program.alu(Alu::ShiftLeft, R8, 32);
    program.alu(Alu::Or, R8, R4);
    program.alu(Alu::Move, R2, R10);
    program.alu(Alu::Add, R2, -(RECORD_OCTETS as i32));
    program.store(Size::Eight, R2, IDENTITY, R8);
    program.store(Size::Eight, R2, SEEN, R7);
    program.store_constant(Size::Eight, R2, STAMP, 0);
    match sample.clock {
        Clock::Nic(function) => {
            program.alu(Alu::Move, R1, R6);
            program.alu(Alu::Add, R2, STAMP as i32);
            program.call_kernel(function, kernel_functions::RECEIVE_STAMP);
            program.jump_low(R0, When::NotEqual, 0, on);
        }
        Clock::Host => program.call(Helper::KtimeGetTaiNs),
    }
    program.alu(Alu::Move, R2, R10);
    program.alu(Alu::Add, R2, -(RECORD_OCTETS as i32));
    match sample.clock {
        Clock::Nic(_) => {
            program.load(Size::Eight, R0, R2, STAMP);
            program.jump(R0, When::Equal, 0, on);
        }
        Clock::Host => program.store(Size::Eight, R2, STAMP, R0),
    }
    program.map(R1, sample.ring, "ring");
    program.alu(Alu::Move, R3, RECORD_OCTETS as i32);
    program.alu(Alu::Move, R4, WAKE_NOBODY);
    program.call(Helper::RingOutput);
    program.place(on);
}

/// Hands what is sent to `own` to the socket of the queue it came in by, with the time (CLOCK_MONOTONIC) in front of it.
/// Everything else, and everything where there is no socket or no room for the time, passes to the host. Of a `sample` that
/// time and a stamp are written down as well. `sockets` is the descriptor of the table of sockets.
pub(super) fn steer(own: MacAddr, sockets: i32, sample: Option<Sample>) -> Assembled {
    let octets = own.octets();
    let head = u32::from_ne_bytes([octets[0], octets[1], octets[2], octets[3]]);
    let tail = u16::from_ne_bytes([octets[4], octets[5]]);
    let mut program = Assembler::new();
    let pass = program.label();
    program.alu(Alu::Move, R6, R1);
    start(&mut program, R2, HEADER_OCTETS, pass);
    program.load(Size::Four, R4, R2, 0);
    program.jump_low(R4, When::NotEqual, head as i32, pass);
    program.load(Size::Two, R4, R2, 4);
    program.jump_low(R4, When::NotEqual, i32::from(tail), pass);
    program.call(Helper::KtimeGetNs);
    program.alu(Alu::Move, R7, R0);
    if let Some(sample) = sample {
        // Before anything is put in front of the frame: some drivers keep the stamp there.
        write_down(&mut program, sample);
    }
    program.alu(Alu::Move, R1, R6);
    program.alu(Alu::Move, R2, -(STAMP_OCTETS as i32));
    program.call(Helper::XdpAdjustMeta);
    program.jump(R0, When::NotEqual, 0, pass);
    program.load(Size::Four, R2, R6, DATA_META);
    program.load(Size::Four, R3, R6, DATA);
    program.alu(Alu::Move, R4, R2);
    program.alu(Alu::Add, R4, STAMP_OCTETS as i32);
    program.jump(R4, When::Greater, R3, pass);
    program.store(Size::Eight, R2, 0, R7);
    program.load(Size::Four, R2, R6, QUEUE);
    program.map(R1, sockets, "sockets");
    program.alu(Alu::Move, R3, PASS);
    program.call(Helper::RedirectMap);
    program.exit();
    let_pass(&mut program, pass);
    program.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the program that stamps is, in the words of its listing. By hand: `KITPROOF_WRITE_LISTING=1 cargo test --release
    /// -p kitproof-common --lib listing`.
    #[test]
    fn the_listing_of_the_steering_program_is_the_one_in_the_tree() {
        let own = MacAddr::new(2, 1, 2, 3, 4, 5);
        let sample = Sample { at: 42, sampling: Sampling::every(7), clock: Clock::Nic(4_711), ring: 9 };
        let listing = steer(own, 5, Some(sample)).to_string();
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/src/port/xdp/steer.listing");
        if std::env::var_os("KITPROOF_WRITE_LISTING").is_some() {
            std::fs::write(path, &listing).unwrap();
        }
        assert_eq!(std::fs::read_to_string(path).unwrap_or_default(), listing);
    }
}
