//! The Internet checksum (RFC 1071) and its incremental update (RFC 1624).
//!
//! Sums are kept in the machine's own byte order: RFC 1071 section 2 (B) shows that the one's complement sum
//! does not care, as long as the result is stored in the same order. So a 16-bit word is read with
//! `from_ne_bytes`, never swapped, and the checksum is written with `to_ne_bytes`.

/// Folds a sum of 16-bit words (or of 32-bit halves of them) to 16 bits, adding the carries back in.
///
/// A sum added to itself turned by half its width has the folded sum, with the carry, in its upper half.
/// The result is 0 only if the sum was 0.
#[inline(always)]
pub(crate) const fn fold(sum: u64) -> u16 {
    fold_half((sum.wrapping_add(sum.rotate_left(32)) >> 32) as u32)
}

/// [`fold`] of a sum that fits 32 bits.
#[inline(always)]
pub(crate) const fn fold_half(sum: u32) -> u16 {
    (sum.wrapping_add(sum.rotate_left(16)) >> 16) as u16
}

/// Whether [`fold`] would give 0 or FFFF: the sum is a multiple of FFFF.
///
/// FFFF is odd, so multiplying by its inverse modulo 2^64 puts the multiples, and only them, in order at the
/// front: k * FFFF becomes k.
#[inline(always)]
pub(crate) const fn is_zero(sum: u64) -> bool {
    sum.wrapping_mul(0xfffe_fffe_fffe_ffff) <= u64::MAX / 0xffff
}

/// Both 32-bit halves of eight octets, added.
#[inline(always)]
pub(crate) const fn halves(octets: u64) -> u64 {
    (octets >> 32).wrapping_add(octets & 0xffff_ffff)
}

/// One's complement sum of `octets` in native byte order, not inverted; an odd last octet is padded with
/// zero.
pub(crate) fn sum(octets: &[u8]) -> u16 {
    let (words, rest) = octets.as_chunks::<2>();
    let mut total: u64 = words.iter().map(|&word| u64::from(u16::from_ne_bytes(word))).sum();
    if let [last] = rest {
        total += u64::from(u16::from_ne_bytes([*last, 0]));
    }
    fold(total)
}

/// The sum as a UDP checksum field: inverted, and 0 sent as FFFF, because 0 means "none" (RFC 768).
#[inline(always)]
pub(crate) const fn udp_field(sum: u64) -> u16 {
    let field = !fold(sum);
    if field == 0 { 0xffff } else { field }
}

/// The Internet checksum of `octets`, as the number whose big-endian octets stand on the wire (RFC 1071).
///
/// Over octets that already hold their checksum the result is 0.
pub fn internet_checksum(octets: &[u8]) -> u16 {
    u16::from_be_bytes((!sum(octets)).to_ne_bytes())
}

/// The checksum after one 16-bit word of the sum changed from `old` to `new`: RFC 1624 equation 3,
/// `HC' = ~(~HC + ~m + m')`.
///
/// Whatever was wrong with the checksum before is wrong afterwards: an update never mends.
pub const fn update_checksum(checksum: u16, old: u16, new: u16) -> u16 {
    !fold_half(!checksum as u32 + !old as u32 + new as u32)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// RFC 1624 section 4: HC = DD2F, m = 5555, m' = 3285; equation 3 gives 0000 where equation 2 of RFC 1141
    /// failed.
    #[test]
    fn rfc_1624_section_4() {
        assert_eq!(update_checksum(0xdd2f, 0x5555, 0x3285), 0x0000);
    }

    /// RFC 1071 section 3: the words 0001 F203 F4F5 F6F7 sum to DDF2.
    #[test]
    fn rfc_1071_section_3() {
        let octets = [0x00, 0x01, 0xf2, 0x03, 0xf4, 0xf5, 0xf6, 0xf7];
        assert_eq!(internet_checksum(&octets), !0xddf2);
    }

    /// The header of RFC 2544 C.2.6.4 (64-octet frame, TTL 0A), with the addresses of C.2.2. The values are
    /// computed, because the RFC prints one placeholder for all its headers.
    #[test]
    fn rfc_2544_headers() {
        let mut header = *b"\x45\0\0\x2e\0\0\0\0\x0a\x11\0\0\xc6\x12\x01\x02\xc6\x13\x01\x02";
        assert_eq!(internet_checksum(&header), 0x2296);
        header[18] = 65;
        assert_eq!(internet_checksum(&header), 0xe295);
    }

    /// Where a carry makes another carry.
    #[test]
    fn folding_at_the_edges() {
        for sum in [0, 1, 0xffff, 0x1_0000, 0xffff_0000, 0xffff_ffff, 0x1_0000_0000, u64::MAX - 1, u64::MAX] {
            let folded = u64::from(fold(sum));
            assert_eq!((folded % 0xffff, folded == 0), (sum % 0xffff, sum == 0), "{sum:x}");
            assert_eq!(is_zero(sum), sum % 0xffff == 0, "{sum:x}");
        }
    }

    #[test]
    fn udp_zero_is_sent_as_all_ones() {
        assert_eq!(udp_field(0xffff), 0xffff);
        assert_eq!(udp_field(0xfffe), 0x0001);
        assert_eq!(udp_field(0), 0xffff);
    }

    /// The slow model: add big-endian words one by one, carrying at once.
    fn model(octets: &[u8]) -> u16 {
        let mut sum = 0u32;
        for pair in octets.chunks(2) {
            sum += u32::from(pair[0]) << 8 | u32::from(pair.get(1).copied().unwrap_or(0));
            if sum > 0xffff {
                sum -= 0xffff;
            }
        }
        !(sum as u16)
    }

    proptest! {
        #[test]
        fn agrees_with_word_by_word(octets in proptest::collection::vec(any::<u8>(), 0..200)) {
            prop_assert_eq!(internet_checksum(&octets), model(&octets));
        }

        #[test]
        fn update_equals_computing_again(
            mut octets in proptest::collection::vec(any::<u8>(), 20usize),
            at in 1usize..10,
            new: u16,
        ) {
            // The first word keeps the sum from being nothing but zeros, as every real header does.
            octets[0] = 0x45;
            let before = internet_checksum(&octets);
            let old = u16::from_be_bytes([octets[2 * at], octets[2 * at + 1]]);
            octets[2 * at..2 * at + 2].copy_from_slice(&new.to_be_bytes());
            prop_assert_eq!(update_checksum(before, old, new), internet_checksum(&octets));
        }

        #[test]
        fn fold_is_the_remainder_modulo_65535(sum: u64) {
            let folded = fold(sum);
            prop_assert_eq!(u64::from(folded) % 0xffff, sum % 0xffff);
            prop_assert_eq!(folded == 0, sum == 0);
            prop_assert_eq!(is_zero(sum), sum % 0xffff == 0);
            let multiple = sum - sum % 0xffff;
            prop_assert!(is_zero(multiple) && !is_zero(multiple ^ 1));
            let half = fold_half(sum as u32);
            prop_assert_eq!(u64::from(half) % 0xffff, (sum & 0xffff_ffff) % 0xffff);
        }
    }
}
