//! What is proven, in words.

use jiff::Timestamp;

use super::observation::Regime;
use super::proof::Stale;
use super::set::Set;
use crate::report::ChainPiece;

/// A percentage without needless digits.
#[must_use]
pub fn rounded(percent: f64) -> String {
    let text = format!("{percent:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The day, in UTC.
#[must_use]
pub fn day(seconds: i64) -> String {
    Timestamp::from_second(seconds).map_or_else(|_| "?".to_owned(), |at| at.strftime("%Y-%m-%d").to_string())
}

/// What must be the same, in words.
#[must_use]
pub fn conditions(regime: &Regime) -> String {
    let size = match &regime.mix {
        Some(mix) => mix.clone(),
        None => format!("{} bytes", regime.frame_size),
    };
    let both = |told: [Option<String>; 2]| match told {
        [None, None] => None,
        [one, other] if one == other => one,
        [one, other] => {
            let word = |end: Option<String>| end.unwrap_or_else(|| "?".to_owned());
            Some(format!("{} and {}", word(one), word(other)))
        }
    };
    let speed = both(regime.speeds.map(|speed| speed.map(|speed| format!("{} Mb/s", speed / 1_000_000))));
    let duplex = both(regime.duplex.clone().map(|duplex| duplex.map(|duplex| format!("{duplex} duplex"))));
    let negotiated =
        both(regime.negotiated.map(|on| on.map(|on| if on { "negotiated" } else { "forced" }.to_owned())));
    let eee = both(regime.eee.map(|on| on.map(|on| if on { "EEE in use" } else { "no EEE" }.to_owned())));
    let parts = [Some(size), regime.encapsulation.clone(), speed, duplex, negotiated, eee];
    parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// Why a proof no longer holds, in words.
#[must_use]
pub fn stale(why: &Stale) -> String {
    match why {
        Stale::Age { days } => format!("{days} days old"),
        Stale::FailedSince => "it failed since".to_owned(),
        Stale::FibreTouched => "a fibre end was used since and not inspected again".to_owned(),
    }
}

/// The elements of a set by name.
#[must_use]
pub fn named(elements: &[ChainPiece], set: Set, joint: &str) -> String {
    let names = set.iter().filter_map(|place| elements.get(place)).map(ToString::to_string);
    names.collect::<Vec<_>>().join(joint)
}
