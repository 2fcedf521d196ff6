//! The same for a lab's own monitoring, as OpenMetrics text.

use std::fmt;

use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::info::Info;
use prometheus_client::registry::{Registry, Unit};

use super::Board;

/// What the text is (OpenMetrics 1.0.0, section "Overall structure").
pub(super) const TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

type Labels = Vec<(&'static str, &'static str)>;
type Float = Gauge<f64, std::sync::atomic::AtomicU64>;

/// Everything as text. Counters are of the whole run: what trials that are over came to, and where a figure is known while
/// one goes on, that too.
///
/// # Errors
/// A value that the format cannot say.
pub(super) fn text(board: &Board) -> Result<String, fmt::Error> {
    let mut registry = Registry::with_prefix("kitproof");
    let about = &board.about;
    let info = Info::new(vec![
        ("version", about.version.clone()),
        ("command", escaped(&about.command)),
        ("target", escaped(&about.target)),
        ("through", escaped(about.through.as_deref().unwrap_or_default())),
    ]);
    registry.register("run", "The run", info);

    let sums = board.sums;
    let now = board.now().cloned().unwrap_or_default();
    let mut count = |name: &str, help: &str, value: u64| {
        let counter = Counter::<u64>::default();
        counter.inc_by(value);
        registry.register(name, help, counter);
    };
    count("offered_frames", "Test frames that left the generator", sums.offered + now.offered);
    count("returned_frames", "Distinct test frames that came home intact", sums.home + now.home);
    count(
        "dropped_by_pair_frames",
        "Frames that the two machines dropped themselves, of trials that are over",
        sums.dropped_by_pair,
    );

    let family = |values: &[(&'static str, &'static str, u64)]| {
        let family = Family::<Labels, Counter>::default();
        for (label, value, count) in values {
            family.get_or_create(&vec![(*label, *value)]).inc_by(*count);
        }
        family
    };
    registry.register(
        "lost_frames",
        "Frames lost between the two machines, of trials that are over",
        family(&[
            ("direction", "forward", sums.lost_forward),
            ("direction", "return", sums.lost_return),
            ("direction", "unknown", sums.lost_direction_unknown),
        ]),
    );
    registry.register(
        "trials",
        "Trials that are over, by their verdict",
        family(&[
            ("verdict", "pass", sums.passed),
            ("verdict", "fail", sums.failed),
            ("verdict", "unproven", sums.unproven),
        ]),
    );

    let missing = Gauge::<i64>::default();
    missing.set(i64::try_from(now.missing).unwrap_or(i64::MAX));
    registry.register(
        "missing_frames",
        "Of the trial under way: not home though a later frame is, lost or only late",
        missing,
    );
    let mut figure = |name: &str, help: &str, value: f64| {
        let gauge = Float::default();
        gauge.set(value);
        registry.register(name, help, gauge);
    };
    figure(
        "intended_frames_per_second",
        "Intended load of the trial under way; 0 between two",
        now.intended_frames_per_s,
    );
    figure("offered_frames_per_second", "Frames that left, within the last seconds", now.out_per_s);
    figure("returned_frames_per_second", "Frames that came home, within the last seconds", now.back_per_s);
    if let Some(trips) = now.round_trip {
        let family = Family::<Labels, Float>::default();
        for (share, ns) in [("0.5", trips.p50), ("0.99", trips.p99), ("1", trips.greatest)] {
            family.get_or_create(&vec![("share", share)]).set(ns as f64 / 1e9);
        }
        registry.register_with_unit(
            "round_trip",
            "Round trips that such a share of the last second's frames did not exceed",
            Unit::Seconds,
            family,
        );
    }
    let mut text = String::new();
    encode(&mut text, &registry)?;
    Ok(text)
}

/// The library writes what a label holds as it is; a name that a person gave may hold anything (OpenMetrics 1.0.0, section
/// "Escaping").
fn escaped(value: &str) -> String {
    value.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}

#[cfg(test)]
mod tests {
    use openmetrics_parser::openmetrics::parse_openmetrics;
    use openmetrics_parser::{MetricNumber, MetricsExposition, OpenMetricsType, OpenMetricsValue};

    use super::super::board::tests::board;
    use super::*;

    fn parsed(board: &Board) -> MetricsExposition<OpenMetricsType, OpenMetricsValue> {
        let text = text(board).unwrap();
        parse_openmetrics(&text).unwrap_or_else(|error| panic!("{error}\n{text}"))
    }

    fn value(all: &MetricsExposition<OpenMetricsType, OpenMetricsValue>, name: &str) -> f64 {
        let family = all.families.get(name).unwrap_or_else(|| panic!("no {name}"));
        let sample = family.iter_samples().next().unwrap();
        let number = match &sample.value {
            OpenMetricsValue::Counter(counter) => counter.value,
            OpenMetricsValue::Gauge(number) => *number,
            other => panic!("{name} is {other:?}"),
        };
        match number {
            MetricNumber::Int(number) => number as f64,
            MetricNumber::Float(number) => number,
        }
    }

    /// Read back by a parser that is not of the library that writes it (crate openmetrics-parser, written after the OpenMetrics
    /// 1.0.0 specification).
    #[test]
    fn an_independent_parser_reads_the_same_figures() {
        let all = parsed(&board(3, 1_000, 7));
        assert_eq!(value(&all, "kitproof_offered_frames"), 3_000.0);
        assert_eq!(value(&all, "kitproof_returned_frames"), 2_993.0);
        assert_eq!(value(&all, "kitproof_missing_frames"), 7.0);
        assert_eq!(value(&all, "kitproof_intended_frames_per_second"), 1_000.0);
        let trips: Vec<_> = all.families["kitproof_round_trip_seconds"].iter_samples().collect();
        assert_eq!(trips.len(), 3);
        assert_eq!(all.families["kitproof_lost_frames"].iter_samples().count(), 3);
    }

    /// A name that a person gave cannot break the text.
    #[test]
    fn what_people_wrote_is_escaped() {
        let mut board = board(1, 10, 0);
        board.about.through = Some("T-1 \"old\"\\\nC-1".to_owned());
        let all = parsed(&board);
        assert!(all.families.contains_key("kitproof_run"));
    }
}
