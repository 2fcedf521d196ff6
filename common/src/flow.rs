//! A trial shared out among several flows: what each of them gets, and which addresses tell them apart.
//!
//! Frame *k* of a trial of N flows is frame *k* / N of flow *k* mod N, so that the flows together keep the schedule of
//! the whole. Each flow has sequence numbers, ports and threads of its own.

use pnet_base::MacAddr;

use crate::frame::{Encapsulation, FrameSpec};

/// Flows that one trial may have.
pub const MOST: u8 = 8;

/// The low bits of an address that say which flow it is.
const FLOW_BITS: u8 = 0x0F;

/// Any two of these differ in two bits at least: no single damaged bit makes one flow's address another's.
const CODES: [u8; MOST as usize] = [0b0000, 0b0011, 0b0101, 0b0110, 0b1001, 0b1010, 0b1100, 0b1111];

/// The data address of flow `flow` where the session's is `base`; flow 0 has that one itself.
#[must_use]
pub fn address(base: MacAddr, flow: u8) -> MacAddr {
    MacAddr(base.0, base.1, base.2, base.3, base.4, base.5 ^ CODES[usize::from(flow % MOST)])
}

/// An address that leaves the bits free which [`address`] sets.
#[must_use]
pub fn base(address: MacAddr) -> MacAddr {
    MacAddr(address.0, address.1, address.2, address.3, address.4, address.5 & !FLOW_BITS)
}

/// Whether the flows of a session with this address are told apart from those of every other.
#[must_use]
pub fn is_base(address: MacAddr) -> bool {
    base(address) == address
}

/// How many of `frames` flow `flow` of `flows` has: the first ones have one more where it does not divide.
#[must_use]
pub fn share(frames: u64, flows: u8, flow: u8) -> u64 {
    let flows = u64::from(flows.max(1));
    frames / flows + u64::from(u64::from(flow) < frames % flows)
}

/// The frames of one flow of a trial, given those of flow 0.
#[must_use]
pub fn frame(first: &FrameSpec, flow: u8) -> FrameSpec {
    if flow == 0 || first.encapsulation == Encapsulation::Datagram {
        return FrameSpec { stream: flow, ..*first };
    }
    FrameSpec {
        source: address(first.source, flow),
        destination: address(first.destination, flow),
        stream: flow,
        ..*first
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::port::xdp::slot;

    fn mac(last: u8) -> MacAddr {
        MacAddr::new(2, 1, 2, 3, 4, last)
    }

    #[test]
    fn one_damaged_bit_never_leads_to_another_flow() {
        for (one, other) in (0..MOST).flat_map(|one| (0..one).map(move |other| (one, other))) {
            let bits = address(mac(0x50), one).5 ^ address(mac(0x50), other).5;
            assert!(bits.count_ones() >= 2, "flows {one} and {other}");
        }
        assert_eq!(address(mac(0x57), 0), mac(0x57), "flow 0 has the session's own address, whatever it is");
    }

    /// As many sessions as a reflector takes, each with as many flows as there can be.
    #[test]
    fn every_flow_of_every_session_has_a_place_of_its_own() {
        let bases = (0..16).map(|session| mac(session << 4));
        let mut slots: Vec<u32> = bases
            .inspect(|base| assert!(is_base(*base)))
            .flat_map(|base| (0..MOST).map(move |flow| slot(address(base, flow))))
            .collect();
        slots.sort_unstable();
        slots.dedup();
        assert_eq!(slots.len(), 16 * usize::from(MOST));
    }

    proptest! {
        /// Frame k of the whole is frame k / N of flow k mod N: counted one by one.
        #[test]
        fn shares_are_those_of_dealing_out(frames in 0_u64..500, flows in 1..=MOST) {
            let mut dealt = vec![0; usize::from(flows)];
            for frame in 0..frames {
                dealt[(frame % u64::from(flows)) as usize] += 1;
            }
            for (flow, expected) in (0..flows).zip(&dealt) {
                prop_assert_eq!(share(frames, flows, flow), *expected);
            }
        }
    }
}
