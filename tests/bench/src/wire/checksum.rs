//! The Internet checksum (RFC 1071), by the obvious way.

/// The sum of the 16-bit words, not yet folded; an odd last octet counts as if a zero followed.
pub(super) fn sum(octets: &[u8]) -> u64 {
    let words = octets.chunks(2);
    words.map(|word| u64::from(word[0]) << 8 | u64::from(word.get(1).copied().unwrap_or(0))).sum()
}

/// The sum with its carries added in, until it fits 16 bits.
pub(super) fn fold(mut sum: u64) -> u16 {
    while sum > 0xFFFF {
        sum = (sum & 0xFFFF) + (sum >> 16);
    }
    sum as u16
}
