//! Classic BPF programs that decide what a socket hears, as data (bpf(4), linux/filter.h).
//!
//! The kernel may keep the outer VLAN tag beside the frame, so a filter must not look behind the
//! addresses. These do not: test and control frames are told apart by their addresses alone. What samples are taken of is
//! found from the end of the frame, where a tag moves nothing.

use pnet_base::MacAddr;

use crate::sequence::Sampling;

const LOAD_WORD: u16 = (libc::BPF_LD | libc::BPF_W | libc::BPF_ABS) as u16;
const LOAD_HALF: u16 = (libc::BPF_LD | libc::BPF_H | libc::BPF_ABS) as u16;
const JUMP_EQUAL: u16 = (libc::BPF_JMP | libc::BPF_JEQ | libc::BPF_K) as u16;
const LOAD_LENGTH: u16 = (libc::BPF_LD | libc::BPF_W | libc::BPF_LEN) as u16;
const SUBTRACT: u16 = (libc::BPF_ALU | libc::BPF_SUB | libc::BPF_K) as u16;
const TO_INDEX: u16 = (libc::BPF_MISC | libc::BPF_TAX) as u16;
const LOAD_INDEXED: u16 = (libc::BPF_LD | libc::BPF_W | libc::BPF_IND) as u16;
const MULTIPLY: u16 = (libc::BPF_ALU | libc::BPF_MUL | libc::BPF_K) as u16;
const JUMP_GREATER: u16 = (libc::BPF_JMP | libc::BPF_JGT | libc::BPF_K) as u16;
const RETURN: u16 = (libc::BPF_RET | libc::BPF_K) as u16;
const WHOLE: u32 = 0x4_0000;

/// A filter program, ready for the kernel.
pub struct Filter(Vec<libc::sock_filter>);

impl Filter {
    /// Accepts a frame whose destination is one of `destinations`, or whose source is one of `sources`;
    /// nothing else.
    #[must_use]
    pub fn addresses(destinations: &[MacAddr], sources: &[MacAddr]) -> Self {
        let mut program = Vec::new();
        let tests = destinations.iter().map(|mac| (0, mac)).chain(sources.iter().map(|mac| (6, mac)));
        for (offset, mac) in tests {
            let octets = mac.octets();
            let high = u32::from_be_bytes([octets[0], octets[1], octets[2], octets[3]]);
            let low = u32::from(u16::from_be_bytes([octets[4], octets[5]]));
            program.push(instruction(LOAD_WORD, 0, 0, offset));
            program.push(instruction(JUMP_EQUAL, 0, 3, high));
            program.push(instruction(LOAD_HALF, 0, 0, offset + 4));
            program.push(instruction(JUMP_EQUAL, 0, 1, low));
            program.push(instruction(RETURN, 0, 0, WHOLE));
        }
        program.push(instruction(RETURN, 0, 0, 0));
        Self(program)
    }

    /// Of what [`Self::addresses`] accepts for `destination`, the samples: the sequence number stands `from_end` octets before
    /// the end of the frame.
    #[must_use]
    pub fn sampled(destination: MacAddr, sampling: Sampling, from_end: usize) -> Self {
        let Self(mut program) = Self::addresses(&[destination], &[]);
        // In place of the two that return: on to what follows, and to the last instruction of all.
        let (factor, limit) = sampling.factor_and_limit();
        let last = program.len() - 2;
        program.truncate(last);
        program.extend([
            instruction(LOAD_LENGTH, 0, 0, 0),
            instruction(SUBTRACT, 0, 0, from_end as u32),
            instruction(TO_INDEX, 0, 0, 0),
            instruction(LOAD_INDEXED, 0, 0, 0),
            instruction(MULTIPLY, 0, 0, factor),
            instruction(JUMP_GREATER, 1, 0, limit),
            instruction(RETURN, 0, 0, WHOLE),
            instruction(RETURN, 0, 0, 0),
        ]);
        let refuse = program.len() - 1;
        for (at, step) in program.iter_mut().enumerate().filter(|(_, step)| step.code == JUMP_EQUAL) {
            step.jf = (refuse - at - 1) as u8;
        }
        Self(program)
    }

    /// Accepts everything.
    #[must_use]
    pub fn everything() -> Self {
        Self(vec![instruction(RETURN, 0, 0, WHOLE)])
    }

    pub(super) fn program(&self) -> &[libc::sock_filter] {
        &self.0
    }
}

fn instruction(code: u16, jt: u8, jf: u8, k: u32) -> libc::sock_filter {
    libc::sock_filter { code, jt, jf, k }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A slow, obvious interpreter of the instructions used here.
    fn run(filter: &Filter, frame: &[u8]) -> bool {
        let (mut at, mut accumulator, mut index) = (0, 0u32, 0u32);
        loop {
            let step = filter.0[at];
            at += 1;
            let k = step.k as usize;
            match step.code {
                LOAD_WORD => accumulator = u32::from_be_bytes(frame[k..k + 4].try_into().unwrap()),
                LOAD_HALF => accumulator = u32::from(u16::from_be_bytes(frame[k..k + 2].try_into().unwrap())),
                JUMP_EQUAL => at += usize::from(if accumulator == step.k { step.jt } else { step.jf }),
                LOAD_LENGTH => accumulator = frame.len() as u32,
                SUBTRACT => accumulator = accumulator.wrapping_sub(step.k),
                TO_INDEX => index = accumulator,
                LOAD_INDEXED => {
                    // Outside the frame the program ends, and nothing is accepted.
                    let Some(word) = frame.get(index as usize..).and_then(|rest| rest.first_chunk()) else {
                        return false;
                    };
                    accumulator = u32::from_be_bytes(*word);
                }
                MULTIPLY => accumulator = accumulator.wrapping_mul(step.k),
                JUMP_GREATER => at += usize::from(if accumulator > step.k { step.jt } else { step.jf }),
                RETURN => return step.k > 0,
                other => panic!("unknown instruction {other:#x}"),
            }
        }
    }

    #[test]
    fn hears_its_own_addresses_and_nothing_else() {
        let (mine, group, peer) = (
            MacAddr::new(2, 1, 2, 3, 4, 5),
            MacAddr::new(3, 0x6b, 0x70, 0, 0, 1),
            MacAddr::new(2, 9, 9, 9, 9, 9),
        );
        let filter = Filter::addresses(&[mine, group], &[peer]);
        let frame = |to: MacAddr, from: MacAddr| [to.octets(), from.octets()].concat();
        let stranger = MacAddr::new(2, 1, 2, 3, 4, 6);
        assert!(run(&filter, &frame(mine, stranger)));
        assert!(run(&filter, &frame(group, stranger)));
        assert!(run(&filter, &frame(stranger, peer)));
        assert!(!run(&filter, &frame(stranger, stranger)));
        assert!(!run(&filter, &frame(peer, mine)));
        assert!(run(&Filter::everything(), &frame(stranger, stranger)));
        assert!(!run(&Filter::addresses(&[], &[]), &frame(mine, peer)));
    }

    #[test]
    fn samples_are_heard_with_and_without_the_tag() {
        let (mine, other) = (MacAddr::new(2, 1, 2, 3, 4, 5), MacAddr::new(2, 1, 2, 3, 4, 6));
        let sampling = Sampling::every(7);
        let filter = Filter::sampled(mine, sampling, 9);
        for sequence in (0..100).chain(u32::MAX - 50..=u32::MAX) {
            for tag in [&[][..], &[0x81, 0, 0, 5]] {
                let frame = |to: MacAddr| {
                    [&to.octets()[..], &other.octets(), tag, &[0x88, 0xb5], &sequence.to_be_bytes(), &[1; 5]]
                        .concat()
                };
                assert_eq!(run(&filter, &frame(mine)), sequence.is_multiple_of(7), "{sequence}");
                assert!(!run(&filter, &frame(other)));
            }
        }
        assert!(!run(&filter, &mine.octets()));
    }
}
