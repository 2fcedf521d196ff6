//! One bit of a frame changed, and the checksums mended if asked.

use super::checksum::{fold, sum};
use crate::chance::mix;
use crate::classify::{HEADER_OCTETS, Test};
use crate::script::{Flip, Octet};

/// The octet and the bit that were changed, and whether a checksum was recomputed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Change {
    pub(super) octet: u16,
    pub(super) mask: u8,
    pub(super) mended: bool,
}

/// Flips the bit that `flip` and the frame's `number` choose; None if the frame has no such octet.
pub(super) fn commit(flip: &Flip, number: u64, test: &Test, frame: &mut [u8]) -> Option<Change> {
    let (first, end) = match flip.octet {
        Octet::Header => (test.header, test.header + HEADER_OCTETS),
        Octet::Fill => test.fill,
        Octet::Any => (0, frame.len()),
        Octet::Offset(at) => (usize::from(at), usize::from(at) + 1),
    };
    let checksums = [test.ipv4.map(|ipv4| ipv4 + 10), test.udp.map(|udp| udp + 6)];
    let is_checksum =
        |octet: usize| flip.mend && checksums.iter().flatten().any(|&at| octet == at || octet == at + 1);
    let end = end.min(frame.len());
    let choices = (first..end).filter(|&octet| !is_checksum(octet)).count() as u64;
    if choices == 0 {
        return None;
    }
    let random = mix(flip.seed ^ mix(number));
    let octet = (first..end).filter(|&octet| !is_checksum(octet)).nth((random % choices) as usize)?;
    let mask = 1 << ((random >> 56) & 7);
    frame[octet] ^= mask;
    let mended = flip.mend && mend(test, frame);
    Some(Change { octet: octet as u16, mask, mended })
}

/// Makes the IPv4 header checksum and the UDP checksum right again; false if the frame has neither.
fn mend(test: &Test, frame: &mut [u8]) -> bool {
    if let Some(ipv4) = test.ipv4 {
        let length = test.udp.map_or(20, |udp| udp - ipv4);
        set(frame, ipv4 + 10, 0);
        let sum = fold(sum(&frame[ipv4..ipv4 + length]));
        set(frame, ipv4 + 10, !sum);
    }
    let Some(udp) = test.udp else {
        return false;
    };
    let end = test.fill.1;
    set(frame, udp + 6, 0);
    // The pseudo header: both addresses, the protocol and the UDP length (RFC 768; RFC 8200 section 8.1).
    let addresses = match test.ipv4 {
        Some(ipv4) => ipv4 + 12..ipv4 + 20,
        None => udp - 32..udp,
    };
    let total = sum(&frame[addresses]) + 17 + (end - udp) as u64 + sum(&frame[udp..end]);
    let checksum = match !fold(total) {
        0 => 0xFFFF,
        other => other,
    };
    set(frame, udp + 6, checksum);
    true
}

fn set(frame: &mut [u8], at: usize, value: u16) {
    frame[at..at + 2].copy_from_slice(&value.to_be_bytes());
}

#[cfg(test)]
mod tests {
    use etherparse::{NetSlice, SlicedPacket, TransportSlice};
    use proptest::prelude::*;

    use super::*;
    use crate::classify::{Class, classify};
    use crate::samples::{Sample, frame};
    use crate::script::Schedule;

    /// etherparse's opinion of both checksums (RFC 791, RFC 768).
    fn checksums_right(octets: &[u8]) -> bool {
        let packet = SlicedPacket::from_ethernet(octets).unwrap();
        let Some(TransportSlice::Udp(udp)) = &packet.transport else { panic!("no UDP") };
        let header = udp.to_header();
        match packet.net.unwrap() {
            NetSlice::Ipv4(ip) => {
                let ip = ip.header().to_header();
                ip.calc_header_checksum() == ip.header_checksum
                    && header.calc_checksum_ipv4(&ip, udp.payload()).unwrap() == header.checksum
            }
            NetSlice::Ipv6(ip) => {
                let ip = ip.header().to_header();
                header.calc_checksum_ipv6(&ip, udp.payload()).unwrap() == header.checksum
            }
            _ => panic!("no IP"),
        }
    }

    proptest! {
        #[test]
        fn changes_one_bit_where_asked(
            which in 0..6_usize, size in 90..300_usize, number in 1..u64::MAX, seed: u64, place in 0..3_usize,
            mend: bool,
        ) {
            let sample = [
                Sample::ipv4(), Sample::ipv4().tagged(1), Sample::ipv4().tagged(2), Sample::ipv6(),
                Sample::ethernet(), Sample::ethernet().tagged(1),
            ][which];
            let before = frame(&sample, size);
            let Class::Test(test) = classify(&before) else { panic!() };
            let octet = [Octet::Header, Octet::Fill, Octet::Any][place];
            let flip = Flip { when: Schedule::every(1), octet, mend, seed };
            let mut after = before.clone();
            let change = commit(&flip, number, &test, &mut after);
            let Some(change) = change else {
                prop_assert!(octet == Octet::Fill && before.len() <= test.fill.0);
                return Ok(());
            };
            let at = usize::from(change.octet);
            prop_assert_eq!(before[at] ^ after[at], change.mask);
            prop_assert_eq!(change.mask.count_ones(), 1);
            prop_assert_eq!(change.mended, mend && test.udp.is_some());
            let different = (0..before.len()).filter(|&index| before[index] != after[index]).count();
            if mend {
                prop_assert!(different <= 5, "the octet and two checksums: {different}");
            } else {
                prop_assert_eq!(different, 1);
            }
            match octet {
                Octet::Header => prop_assert!((test.header..test.header + 18).contains(&at)),
                Octet::Fill => prop_assert!(at >= test.header + 18),
                _ => {}
            }
            if mend && test.udp.is_some() && at >= test.header {
                prop_assert!(checksums_right(&after));
            } else if !mend && test.udp.is_some() && at >= test.header {
                prop_assert!(!checksums_right(&after), "an unmended flip must show in the checksum");
            }
        }
    }
}
