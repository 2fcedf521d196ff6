//! Decimal numbers as people write them, kept exact.

/// `digits` × 10^`exponent`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Decimal {
    digits: u128,
    exponent: i32,
}

impl Decimal {
    /// Reads `12`, `99.98`, `.5`, and, where `scientific`, `1e-6`. No sign, no blanks.
    pub(super) fn parse(text: &str, scientific: bool) -> Option<Decimal> {
        let (number, power) = match text.find(['e', 'E']) {
            Some(at) if scientific => (&text[..at], text[at + 1..].parse::<i16>().ok()?),
            _ => (text, 0),
        };
        let (whole, part) = number.split_once('.').unwrap_or((number, ""));
        if whole.is_empty() && part.is_empty() || number.len() > 30 {
            return None;
        }
        let mut digits = 0u128;
        for octet in whole.bytes().chain(part.bytes()) {
            digits = 10 * digits + u128::from(char::from(octet).to_digit(10)?);
        }
        Some(Decimal { digits, exponent: i32::from(power) - part.len() as i32 })
    }

    /// The value × 10^`power`, if that is a whole number that fits.
    pub(super) fn scaled(self, power: i32) -> Option<u64> {
        if self.digits == 0 {
            return Some(0);
        }
        let exponent = self.exponent + power;
        let ten = 10u128.checked_pow(exponent.unsigned_abs())?;
        let value = if exponent >= 0 {
            self.digits.checked_mul(ten)?
        } else if self.digits.is_multiple_of(ten) {
            self.digits / ten
        } else {
            return None;
        };
        u64::try_from(value).ok()
    }
}

/// Cuts a trailing `k`, `M`, `G` or `T` (either case) and says which power of ten it stands for.
pub(super) fn cut_prefix(text: &str) -> (&str, i32) {
    let power = match text.bytes().last() {
        Some(b'k' | b'K') => 3,
        Some(b'm' | b'M') => 6,
        Some(b'g' | b'G') => 9,
        Some(b't' | b'T') => 12,
        _ => return (text, 0),
    };
    (&text[..text.len() - 1], power)
}

/// Cuts `unit` off the end of `text`, either case.
pub(super) fn cut_unit<'a>(text: &'a str, unit: &str) -> Option<&'a str> {
    let at = text.len().checked_sub(unit.len())?;
    let tail = text.get(at..)?;
    tail.eq_ignore_ascii_case(unit).then(|| &text[..at])
}

/// Writes `value` / 10^`places` without trailing zeros.
pub(super) fn write_fixed(value: u64, places: u32) -> String {
    let ten = 10u64.pow(places);
    let (whole, part) = (value / ten, value % ten);
    if part == 0 {
        return whole.to_string();
    }
    let part = format!("{part:0width$}", width = places as usize);
    format!("{whole}.{}", part.trim_end_matches('0'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_exact_or_refused() {
        let scaled = |text, power| Decimal::parse(text, true).and_then(|d| d.scaled(power));
        assert_eq!(scaled("99.98", 6), Some(99_980_000));
        assert_eq!(scaled("99.980000000", 2), Some(9998));
        assert_eq!(scaled("1e-6", 12), Some(1_000_000));
        assert_eq!(scaled("2.5E3", 0), Some(2500));
        assert_eq!(scaled(".5", 1), Some(5));
        assert_eq!(scaled("5.", 0), Some(5));
        assert_eq!(scaled("0e-9999", 0), Some(0));
        assert_eq!(scaled("99.98", 1), None, "not whole");
        assert_eq!(scaled("1e30", 0), None, "does not fit");
        assert_eq!(scaled("1e-32768", 12), None);
        for bad in ["", ".", "-1", "+1", "1 ", "1_0", "1.2.3", "e5", "1e", "١", "0x10", "1e99999"] {
            assert_eq!(Decimal::parse(bad, true), None, "{bad:?}");
        }
        assert_eq!(Decimal::parse("1e3", false), None);
        assert_eq!(Decimal::parse(&"9".repeat(31), true), None);
    }

    #[test]
    fn writing_reads_back() {
        assert_eq!(write_fixed(99_980_000, 6), "99.98");
        assert_eq!(write_fixed(100_000_000, 6), "100");
        assert_eq!(write_fixed(1, 6), "0.000001");
        assert_eq!(cut_unit("500Mbps", "BPS"), Some("500M"));
        assert_eq!(cut_unit("é", "bps"), None);
        assert_eq!(cut_prefix("2.5g"), ("2.5", 9));
    }
}
