//! What a plan may set a limit for: one figure of a result, the worst there is in it.

use serde_json::Value;

/// A figure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Measure {
    pub name: &'static str,
    /// Commands that have it.
    pub of: &'static [&'static str],
    /// Nothing is outside of this; a limit that is can never be met, or never be missed.
    pub most: Option<u32>,
    array: &'static str,
    /// Where it is in each element.
    place: &'static str,
    /// Times this.
    scale: u32,
    /// The least of all is the worst, not the greatest.
    least: bool,
}

const SENDING: &[&str] =
    &["prove", "throughput", "latency", "frame-loss-rate", "back-to-back", "system-recovery", "soak"];

const fn of_trials(name: &'static str, place: &'static str, per: u32) -> Measure {
    Measure { name, of: SENDING, most: None, array: "trials", place, scale: per, least: false }
}

/// All of them.
pub const ALL: [Measure; 11] = [
    Measure {
        name: "throughput-percent",
        of: &["throughput"],
        most: Some(100),
        array: "throughput",
        place: "/percent_of_line",
        scale: 1,
        least: true,
    },
    Measure {
        name: "throughput-fps",
        of: &["throughput"],
        most: None,
        array: "throughput",
        place: "/frames_per_s",
        scale: 1,
        least: true,
    },
    Measure { least: true, most: Some(100), ..of_trials("offered-percent", "/offered_load/percent", 1) },
    of_trials("frames-lost", "/lost", 1),
    of_trials("round-trip-p50-us", "/round_trip_ns/p50", 1_000),
    of_trials("round-trip-p99-us", "/round_trip_ns/p99", 1_000),
    of_trials("round-trip-p99.9-us", "/round_trip_ns/p99_9", 1_000),
    of_trials("round-trip-max-us", "/round_trip_ns/max", 1_000),
    Measure {
        name: "burst-frames",
        of: &["back-to-back"],
        most: None,
        array: "bursts",
        place: "/frames",
        scale: 1,
        least: true,
    },
    Measure {
        name: "longest-outage-ms",
        of: &["interruption", "reset"],
        most: None,
        array: "interruption",
        place: "/longest_ms",
        scale: 1,
        least: false,
    },
    Measure {
        name: "seconds-with-loss",
        of: &["soak"],
        most: None,
        array: "soak",
        place: "/seconds_with_loss",
        scale: 1,
        least: false,
    },
];

/// The one of that name.
#[must_use]
pub fn named(name: &str) -> Option<&'static Measure> {
    ALL.iter().find(|measure| measure.name == name)
}

impl Measure {
    /// Its worst value in a result; `None` if one is not there, so that nothing is passed by what was left out.
    #[must_use]
    pub fn value(&self, result: &Value) -> Option<f64> {
        let held = &result[self.array];
        let elements = match held {
            Value::Array(elements) => elements.as_slice(),
            Value::Object(_) => std::slice::from_ref(held),
            _ => return None,
        };
        let figure = |element: &Value| match self.place {
            "/lost" => Some(element["lost_forward"].as_f64()? + element["lost_return"].as_f64()?),
            place => element.pointer(place)?.as_f64(),
        };
        let values: Option<Vec<f64>> = elements.iter().map(figure).collect();
        let worst =
            values?.into_iter().reduce(|one, other| if self.least { one.min(other) } else { one.max(other) });
        worst.map(|value| value / f64::from(self.scale))
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn the_worst_of_a_result_counts_and_a_missing_one_is_none() {
        let result = json!({
            "trials": [
                {"lost_forward": 1, "lost_return": 2, "round_trip_ns": {"p99": 5_000}, "offered_load": {"percent": 99.0}},
                {"lost_forward": 0, "lost_return": 0, "round_trip_ns": {"p99": 7_500}, "offered_load": {"percent": 100.0}},
            ],
            "throughput": [{"percent_of_line": 98.0}, {"percent_of_line": null}],
            "soak": {"seconds_with_loss": 4},
        });
        let value = |name| named(name).unwrap().value(&result);
        assert_eq!(value("frames-lost"), Some(3.0));
        assert_eq!(value("round-trip-p99-us"), Some(7.5));
        assert_eq!(value("offered-percent"), Some(99.0));
        assert_eq!(value("throughput-percent"), None, "one frame size has none");
        assert_eq!(value("seconds-with-loss"), Some(4.0));
        assert_eq!(value("longest-outage-ms"), None);
    }
}
