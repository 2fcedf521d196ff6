//! The JSON Schema of the result, made from its types and published in `generator/schema/result.schema.json`.

use super::RunResult;

/// The schema (draft 2020-12) as text, ended by a line feed.
pub fn schema_text() -> String {
    let schema = schemars::schema_for!(RunResult);
    format!("{:#}\n", schema.to_value())
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use serde_json::Value;

    use super::*;
    use crate::report::result::sample;

    fn value(result: &RunResult) -> Value {
        serde_json::to_value(result).unwrap()
    }

    /// `KITPROOF_WRITE_SCHEMA=1 cargo test -p kitproof schema` writes it anew.
    #[test]
    fn the_published_schema_is_current() {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("schema/result.schema.json");
        if std::env::var_os("KITPROOF_WRITE_SCHEMA").is_some() {
            std::fs::write(&path, schema_text()).unwrap();
        }
        let published = std::fs::read_to_string(&path).unwrap();
        assert!(published == schema_text(), "{} is not what the types say", path.display());
    }

    #[test]
    fn every_sample_is_valid_and_a_spoilt_one_is_not() {
        let schema: Value = serde_json::from_str(&schema_text()).unwrap();
        let validator = jsonschema::validator_for(&schema).unwrap();
        for result in [sample::passed(), sample::failed(), sample::unheard()] {
            let errors: Vec<String> = validator.iter_errors(&value(&result)).map(|e| e.to_string()).collect();
            assert_eq!(errors, Vec::<String>::new());
        }
        for (pointer, bad) in [
            ("/verdict", Value::from("perhaps")),
            ("/trials/0/lost_forward", Value::from(-1)),
            ("/trials/0/lost_return", Value::Null),
            ("/trials/0/intended_load/percent", Value::from("100%")),
            ("/trials/0/max_pair_drop/return", Value::Null),
            ("/trials/0/pair_drops", Value::from(3)),
            ("/reasons", Value::Null),
        ] {
            let mut spoilt = value(&sample::failed());
            *spoilt.pointer_mut(pointer).unwrap() = bad;
            assert!(!validator.is_valid(&spoilt), "{pointer}");
        }
        let mut short = value(&sample::failed());
        short.pointer_mut("/trials/0").unwrap().as_object_mut().unwrap().remove("unaccounted");
        assert!(!validator.is_valid(&short));
    }

    /// The names of the contract (design, "Contract"), each where it belongs.
    #[test]
    fn every_name_of_the_contract_is_there() {
        let run = value(&sample::failed());
        for name in ["schema", "tool", "started", "verdict", "reasons", "pair", "chain", "trials"] {
            assert!(run.get(name).is_some(), "{name}");
        }
        for name in ["name", "version", "commit"] {
            assert!(run["tool"].get(name).is_some(), "{name}");
        }
        for name in ["host", "interface", "driver", "speed", "duplex", "pause", "via"] {
            assert!(run["pair"]["generator"].get(name).is_some(), "{name}");
            assert!(run["pair"]["reflector"].get(name).is_some(), "{name}");
        }
        let trial = &run["trials"][1];
        for name in [
            "frame_size",
            "intended_load",
            "offered_load",
            "duration_s",
            "offered_frames",
            "reached_reflector",
            "reached_reflector_distinct",
            "reflected_frames",
            "returned_frames",
            "lost_forward",
            "lost_return",
            "lost_direction_unknown",
            "corrupted",
            "corrupted_forward",
            "corrupted_return",
            "duplicates",
            "duplicates_forward",
            "duplicates_return",
            "reordered",
            "reordered_forward",
            "reordered_return",
            "foreign_frames",
            "pair_drops",
            "max_pair_drop",
            "caught_by_nic",
            "unaccounted",
            "longest_burst",
            "round_trip_ns",
            "round_trip_stamped_ns",
            "loss_bound",
            "loss_periods",
        ] {
            assert!(trial.get(name).is_some(), "{name}");
        }
        let within = [
            ("intended_load", &["percent", "frames_per_s", "bits_per_s"][..]),
            ("offered_load", &["percent", "frames_per_s", "bits_per_s"]),
            ("max_pair_drop", &["forward", "return"]),
            ("longest_burst", &["sent", "returned"]),
            (
                "round_trip_ns",
                &["min", "p50", "p90", "p99", "p99_9", "max", "samples", "excluded", "clock", "resolution"],
            ),
            ("loss_bound", &["confidence", "forward", "return"]),
        ];
        for (name, fields) in within {
            for field in fields {
                assert!(trial[name].get(field).is_some(), "{name}.{field}");
            }
        }
        assert_eq!(trial["pair_drops"], serde_json::json!({"reflector_receive": 1}));
    }
}
