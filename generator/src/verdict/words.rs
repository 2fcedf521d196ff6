//! Numbers as people read them.

/// `1234567` as `1,234,567`.
pub(crate) fn grouped(count: u64) -> String {
    let digits = count.to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

/// `1 frame`, `2,000 frames`.
pub(crate) fn frames(count: u64) -> String {
    if count == 1 { "1 frame".to_owned() } else { format!("{} frames", grouped(count)) }
}

/// `was` or `were`, to go with a count.
pub(crate) fn were(count: u64) -> &'static str {
    if count == 1 { "was" } else { "were" }
}

/// The words as they begin a sentence.
pub(crate) fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

/// A stretch of time with a unit that suits it.
pub(crate) fn span(seconds: f64) -> String {
    match seconds {
        s if s < 120.0 => format!("{s:.1} s"),
        s if s < 7200.0 => format!("{:.1} min", s / 60.0),
        s if s < 172_800.0 => format!("{:.1} h", s / 3600.0),
        s => format!("{:.1} days", s / 86_400.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thousands_are_set_apart() {
        for (count, text) in [(0, "0"), (12, "12"), (999, "999"), (1000, "1,000"), (14_880_952, "14,880,952")]
        {
            assert_eq!(grouped(count), text);
        }
        assert_eq!(grouped(u64::MAX), "18,446,744,073,709,551,615");
        assert_eq!((capital("the port"), capital("")), ("The port".to_owned(), String::new()));
        assert_eq!((frames(1).as_str(), frames(0).as_str()), ("1 frame", "0 frames"));
    }

    #[test]
    fn spans_change_unit_where_the_number_would_grow_long() {
        assert_eq!(span(29.96), "30.0 s");
        assert_eq!(span(2995.7), "49.9 min");
        assert_eq!(span(36_000.0), "10.0 h");
        assert_eq!(span(864_000.0), "10.0 days");
    }
}
