//! Classic BPF programs that decide what a socket hears, as data (bpf(4), linux/filter.h).
//!
//! The kernel may keep the outer VLAN tag beside the frame, so a filter must not look behind the
//! addresses. These do not: test and control frames are told apart by their addresses alone.

use pnet_base::MacAddr;

const LOAD_WORD: u16 = (libc::BPF_LD | libc::BPF_W | libc::BPF_ABS) as u16;
const LOAD_HALF: u16 = (libc::BPF_LD | libc::BPF_H | libc::BPF_ABS) as u16;
const JUMP_EQUAL: u16 = (libc::BPF_JMP | libc::BPF_JEQ | libc::BPF_K) as u16;
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

    /// A slow, obvious interpreter of the five instructions used here.
    fn run(filter: &Filter, frame: &[u8]) -> bool {
        let (mut at, mut accumulator) = (0, 0u32);
        loop {
            let step = filter.0[at];
            at += 1;
            let k = step.k as usize;
            match step.code {
                LOAD_WORD => accumulator = u32::from_be_bytes(frame[k..k + 4].try_into().unwrap()),
                LOAD_HALF => accumulator = u32::from(u16::from_be_bytes(frame[k..k + 2].try_into().unwrap())),
                JUMP_EQUAL => at += usize::from(if accumulator == step.k { step.jt } else { step.jf }),
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
}
