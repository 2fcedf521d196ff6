//! The guard: a checksum of the 18 header octets alone, so that a header that was damaged on the way is never
//! believed, whoever mended the checksums around it.
//!
//! | encapsulation | guard | where |
//! | --- | --- | --- |
//! | ipv4 | FCS-16 (RFC 1662 section C.2) | IPv4 identification |
//! | ipv6 | FCS-16 | low 16 bits of the IPv6 flow label |
//! | ethernet, datagram | CRC-32 (the polynomial of the Ethernet FCS) | 4 octets behind the test header |
//!
//! Why not 16 bits cut from the CRC-32: over 18 octets three pairs of single-bit errors leave the low half
//! unchanged (and three others the high half). FCS-16 has distance 4: every error of one, two or three bits
//! in header and guard together is seen, and so is every odd number of them.
//!
//! Both are linear, so the guard of a header is the exclusive or of one table entry for each octet. A part
//! that does not change from frame to frame is folded into one constant beforehand, and only the moving
//! octets are looked up.

use super::header::HEADER_OCTETS;

/// Octets of the header that never move within a trial and a direction: session, kind, stream.
pub(crate) const FIXED_OCTETS: usize = 4;
/// Octets of the header that differ from frame to frame.
pub(crate) const MOVING_OCTETS: usize = HEADER_OCTETS - FIXED_OCTETS;

const FCS16_POLYNOMIAL: u32 = 0x8408;
const CRC32_POLYNOMIAL: u32 = 0xedb8_8320;

/// What one octet with the value `octet` adds to the register when `behind` octets follow it.
const fn contribution(polynomial: u32, octet: u8, behind: usize) -> u32 {
    let mut register = octet as u32;
    let mut bit = 0;
    while bit < 8 * (behind + 1) {
        register = if register & 1 == 1 { register >> 1 ^ polynomial } else { register >> 1 };
        bit += 1;
    }
    register
}

/// `TABLE[i][octet]`: what the octet at offset `i` of the header adds.
static FCS16: [[u16; 256]; HEADER_OCTETS] = {
    let mut table = [[0; 256]; HEADER_OCTETS];
    let mut at = 0;
    while at < HEADER_OCTETS {
        let mut octet = 0;
        while octet < 256 {
            table[at][octet] = contribution(FCS16_POLYNOMIAL, octet as u8, HEADER_OCTETS - 1 - at) as u16;
            octet += 1;
        }
        at += 1;
    }
    table
};

static CRC32: [[u32; 256]; HEADER_OCTETS] = {
    let mut table = [[0; 256]; HEADER_OCTETS];
    let mut at = 0;
    while at < HEADER_OCTETS {
        let mut octet = 0;
        while octet < 256 {
            table[at][octet] = contribution(CRC32_POLYNOMIAL, octet as u8, HEADER_OCTETS - 1 - at);
            octet += 1;
        }
        at += 1;
    }
    table
};

/// What each value of the header's octet at offset `at` adds to the 16-bit guard, for a program that looks it up itself.
pub(crate) fn contributions16(at: usize) -> &'static [u16; 256] {
    &FCS16[at]
}

/// The same for the 32-bit guard.
pub(crate) fn contributions32(at: usize) -> &'static [u32; 256] {
    &CRC32[at]
}

/// FCS-16 of RFC 1662 over any octets, bit by bit: for building templates and for the cold path.
pub fn fcs16(octets: &[u8]) -> u16 {
    let mut register = 0xffff_u32;
    for &octet in octets {
        register = register >> 8 ^ contribution(FCS16_POLYNOMIAL, register as u8 ^ octet, 0);
    }
    !(register as u16)
}

/// The 16-bit guard of a whole header.
pub fn guard16(header: &[u8; HEADER_OCTETS]) -> u16 {
    fcs16(header)
}

/// The 32-bit guard of a whole header: the CRC-32 of the Ethernet frame check sequence.
pub fn guard32(header: &[u8; HEADER_OCTETS]) -> u32 {
    crc32fast::hash(header)
}

/// Which guard to compute: the arithmetic is the same, only the width differs.
pub(crate) trait Width: Copy {
    /// What the octets from offset `FROM` add to the guard.
    fn added<const FROM: usize, const LENGTH: usize>(octets: &[u8; LENGTH]) -> Self;
    /// The guard of a whole header, computed the slow way.
    fn whole(header: &[u8; HEADER_OCTETS]) -> Self;
}

macro_rules! width {
    ($number:ty, $table:ident, $whole:ident) => {
        impl Width for $number {
            #[inline(always)]
            fn added<const FROM: usize, const LENGTH: usize>(octets: &[u8; LENGTH]) -> Self {
                const { assert!(FROM + LENGTH <= HEADER_OCTETS) };
                let mut sum = 0;
                // The bounds are constants and the loop is short: it becomes straight-line look-ups.
                for at in 0..LENGTH {
                    sum ^= $table[FROM + at][usize::from(octets[at])];
                }
                sum
            }

            fn whole(header: &[u8; HEADER_OCTETS]) -> Self {
                $whole(header)
            }
        }
    };
}

width!(u16, FCS16, guard16);
width!(u32, CRC32, guard32);

/// The guard of a header with these fixed octets and zeros behind: what the moving octets are added to.
pub(crate) fn base<W: Width>(fixed: [u8; FIXED_OCTETS]) -> W {
    let mut header = [0; HEADER_OCTETS];
    header[..FIXED_OCTETS].copy_from_slice(&fixed);
    W::whole(&header)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::HashSet;

    const BITS: usize = 8 * HEADER_OCTETS;

    fn single_bit(bit: usize) -> [u8; HEADER_OCTETS] {
        let mut header = [0; HEADER_OCTETS];
        header[bit / 8] = 1 << (bit % 8);
        header
    }

    /// What an error in each single bit does to the guard; the guard's own bits come last.
    fn syndromes() -> Vec<u16> {
        let zero = guard16(&[0; HEADER_OCTETS]);
        (0..BITS).map(|bit| guard16(&single_bit(bit)) ^ zero).chain((0..16).map(|bit| 1 << bit)).collect()
    }

    /// RFC 1662 section C.2: the first entries of its table, and the "good FCS" F0B8 over data and FCS
    /// (least significant octet first).
    #[test]
    fn fcs16_is_the_one_of_rfc_1662() {
        let published = [0x0000, 0x1189, 0x2312, 0x329b, 0x4624, 0x57ad, 0x6536, 0x74bf];
        for (octet, &entry) in published.iter().enumerate() {
            assert_eq!(contribution(FCS16_POLYNOMIAL, octet as u8, 0), entry);
        }
        let mut octets = b"any octets at all".to_vec();
        let fcs = fcs16(&octets);
        octets.extend(fcs.to_le_bytes());
        assert_eq!(!fcs16(&octets), 0xf0b8);
    }

    /// Check value of this CRC in the catalogues: from memory.
    #[test]
    fn fcs16_check_value() {
        assert_eq!(fcs16(b"123456789"), 0x906e);
    }

    /// The check values of the Ethernet FCS: computed, standards.md 1.7.
    #[test]
    fn crc32_check_values() {
        assert_eq!(crc32fast::hash(b"123456789"), 0xcbf4_3926);
        assert_eq!(crc32fast::hash(&[0; 60]), 0x0412_8908);
        let mut octets = b"123456789".to_vec();
        octets.extend(crc32fast::hash(&octets).to_le_bytes());
        assert_eq!(crc32fast::hash(&octets), 0x2144_df1c);
    }

    /// Exhaustive: no error of one, two or three bits in header and guard goes unseen.
    #[test]
    fn distance_of_header_and_guard_is_four() {
        let syndromes = syndromes();
        let seen: HashSet<u16> = syndromes.iter().copied().collect();
        assert!(!seen.contains(&0), "a single-bit error goes unseen");
        assert_eq!(seen.len(), syndromes.len(), "a two-bit error goes unseen");
        for (i, a) in syndromes.iter().enumerate() {
            for b in &syndromes[..i] {
                assert!(!seen.contains(&(a ^ b)), "a three-bit error goes unseen");
            }
        }
    }

    /// The reason for FCS-16: the low half of the CRC-32 misses some errors of two bits.
    #[test]
    fn half_a_crc32_would_not_do() {
        let zero = guard32(&[0; HEADER_OCTETS]);
        let halves: HashSet<u16> = (0..BITS).map(|bit| (guard32(&single_bit(bit)) ^ zero) as u16).collect();
        assert_eq!(BITS - halves.len(), 3);
    }

    proptest! {
        #[test]
        fn the_tables_add_up(header: [u8; HEADER_OCTETS]) {
            let (fixed, moving) = header.split_at(FIXED_OCTETS);
            let fixed: [u8; FIXED_OCTETS] = fixed.try_into().unwrap();
            let moving: [u8; MOVING_OCTETS] = moving.try_into().unwrap();
            let guard = base::<u16>(fixed) ^ u16::added::<FIXED_OCTETS, MOVING_OCTETS>(&moving);
            prop_assert_eq!(guard, guard16(&header));
            let guard = base::<u32>(fixed) ^ u32::added::<FIXED_OCTETS, MOVING_OCTETS>(&moving);
            prop_assert_eq!(guard, guard32(&header));
        }
    }
}
