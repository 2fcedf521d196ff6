//! A 32-bit number on the wire becomes a 64-bit number here.

/// The 64-bit sequence number nearest to `highest` whose low 32 bits are `low`, never below 0.
///
/// Serial-number arithmetic (RFC 1982 section 3, SERIAL_BITS = 32) with the wrap kept: up to 2³¹ − 1 ahead of `highest`
/// is ahead, up to 2³¹ behind is behind. A silence of more than 2³¹ numbers (144 s of 64-octet frames at 10 Gb/s, 24 min at
/// 1 Gb/s) cannot be bridged: what follows is taken for old. Before the first arrival pass 0.
#[inline]
pub const fn extend(low: u32, highest: u64) -> u64 {
    let distance = low.wrapping_sub(highest as u32) as i32 as i64;
    match highest.checked_add_signed(distance) {
        Some(number) => number,
        // Below 0: the same low half in the first round of 2³².
        None if distance < 0 => low as u64,
        // Past the end of 64 bits, which no trial reaches: one round earlier.
        None => highest.wrapping_add_signed(distance).wrapping_sub(1 << 32),
    }
}

#[cfg(test)]
mod tests {
    use super::extend;
    use proptest::prelude::*;

    const ROUND: u64 = 1 << 32;
    const HALF: u64 = 1 << 31;

    #[test]
    fn near_the_first_wrap() {
        assert_eq!(extend(0xFFFF_FFFF, ROUND - 2), ROUND - 1);
        assert_eq!(extend(0, ROUND - 1), ROUND);
        assert_eq!(extend(1, ROUND - 1), ROUND + 1);
        assert_eq!(extend(0xFFFF_FFFF, ROUND), ROUND - 1, "a frame from before the wrap that comes after it");
        assert_eq!(extend(0xFFFF_FFFF, ROUND + 5), ROUND - 1);
    }

    #[test]
    fn never_below_zero() {
        assert_eq!(extend(0, 0), 0);
        assert_eq!(extend(0xFFFF_FFFF, 0), 0xFFFF_FFFF);
        assert_eq!(extend(0x8000_0000, 0), 0x8000_0000);
        assert_eq!(
            extend(0x8000_0005, 5),
            0x8000_0005,
            "half a round either way, but behind would be below 0"
        );
    }

    #[test]
    fn half_a_round_is_behind() {
        let highest = 7 * ROUND + 5;
        assert_eq!(extend(5u32.wrapping_add(0x7FFF_FFFF), highest), highest + HALF - 1);
        assert_eq!(extend(5u32.wrapping_add(0x8000_0000), highest), highest - HALF);
    }

    #[test]
    fn never_past_the_end() {
        assert_eq!(extend(0, u64::MAX), u64::MAX - 0xFFFF_FFFF);
    }

    proptest! {
        #[test]
        fn every_number_within_half_a_round_survives_the_wire(highest in any::<u64>(), ahead in -(HALF as i64)..HALF as i64) {
            if let Some(number) = highest.checked_add_signed(ahead) {
                prop_assert_eq!(extend(number as u32, highest), number);
            }
        }

        #[test]
        fn low_half_is_kept(low in any::<u32>(), highest in any::<u64>()) {
            prop_assert_eq!(extend(low, highest) as u32, low);
        }
    }
}
