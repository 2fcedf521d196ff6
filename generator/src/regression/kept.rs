//! What the runs of a plan leave behind, under which names, and what becomes of it when the plan is run again.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use serde_json::Value;

use super::file::{Plan, Test};

/// Where the plan's own results are, in its folder.
pub const PLAN: &str = "plan.json";
pub const JUNIT: &str = "junit.xml";
/// Where an earlier plan's are moved to.
const EARLIER: &str = "earlier";
/// Endings of what a run leaves; its name is the number of its test, a dash, and its own number.
const ENDINGS: [&str; 4] = ["json", "log", "pcapng", "journal.jsonl"];

/// The files of one run: its result and what it said, the frames around what went wrong, the journal of a soak.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Kept {
    pub(super) result: PathBuf,
    pub(super) log: PathBuf,
    pub(super) capture: Option<PathBuf>,
    pub(super) journal: Option<PathBuf>,
}

impl Kept {
    /// Those of the `run`-th run (from 1) of the `number`-th test.
    #[must_use]
    pub(super) fn of(plan: &Plan, test: &Test, folder: &Path, number: usize, run: usize) -> Self {
        let [result, log, capture, journal] =
            ENDINGS.map(|ending| folder.join(format!("{number:02}-{run}.{ending}")));
        Self {
            result,
            log,
            capture: plan.capture.map(|_| capture),
            journal: (test.run == "soak").then_some(journal),
        }
    }

    /// Each that has an option, by its name.
    pub(super) fn options(&self) -> Vec<(&'static str, &Path)> {
        let others = [("capture", &self.capture), ("journal", &self.journal)];
        let others = others.into_iter().filter_map(|(name, path)| Some((name, path.as_deref()?)));
        [("json", self.result.as_path())].into_iter().chain(others).collect()
    }
}

/// Whether a plan gave a file this name.
fn is_ours(name: &str) -> bool {
    let is_number = |text: &str| !text.is_empty() && text.bytes().all(|octet| octet.is_ascii_digit());
    let of_a_run = || {
        let (stem, ending) = name.split_once('.')?;
        let (test, run) = stem.split_once('-')?;
        Some(is_number(test) && is_number(run) && ENDINGS.contains(&ending))
    };
    [PLAN, JUNIT].contains(&name) || of_a_run().unwrap_or(false)
}

/// Moves what an earlier plan left in the folder into one of its own below it: nothing that was measured is written over, and
/// nothing of it is taken for today's. Where it went, if there was anything.
///
/// # Errors
/// The system's, before anything is sent.
pub fn set_aside(folder: &Path) -> io::Result<Option<PathBuf>> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder)? {
        let name = entry?.file_name();
        if name.to_str().is_some_and(is_ours) {
            found.push(name);
        }
    }
    if found.is_empty() {
        return Ok(None);
    }
    let started = fs::read(folder.join(PLAN)).ok().and_then(|octets| {
        let plan: Value = serde_json::from_slice(&octets).ok()?;
        Some(plan["started"].as_str()?.replace(|letter: char| !letter.is_ascii_alphanumeric(), "-"))
    });
    let name = started.filter(|name| !name.is_empty()).unwrap_or_else(|| "unknown".to_owned());
    let names = (1..).map(|count| if count == 1 { name.clone() } else { format!("{name}-{count}") });
    let place = names.map(|name| folder.join(EARLIER).join(name)).find(|place| !place.exists());
    let place = place.unwrap_or_else(|| folder.join(EARLIER));
    fs::create_dir_all(&place)?;
    for name in found {
        fs::rename(folder.join(&name), place.join(&name))?;
    }
    Ok(Some(place))
}

#[cfg(test)]
mod tests {
    use clap::Parser as _;

    use super::super::check::{check, words};
    use super::*;
    use crate::cli::Cli;

    const TEXT: &str = r#"interface = "eth1"
capture = true
[[test]]
name = "one"
run = "prove"
[[test]]
name = "two"
run = "soak"
"#;

    #[test]
    fn each_run_has_its_own_capture_and_journal() {
        let plan = check(TEXT).unwrap();
        let folder = Path::new("/some where/out=put");
        for (test, expected) in
            plan.tests.iter().zip([&["json", "pcapng"][..], &["json", "pcapng", "journal.jsonl"]])
        {
            let kept = Kept::of(&plan, test, folder, 3, 12);
            let typed = words(&plan, test, Some(&kept));
            for ending in ENDINGS {
                let file = format!("=/some where/out=put/03-12.{ending}");
                let is_typed = typed.iter().any(|word| word.ends_with(&file));
                assert_eq!(is_typed, expected.contains(&ending), "{ending}: {typed:?}");
            }
            assert!(Cli::try_parse_from(&typed).is_ok(), "{typed:?}");
        }
        // Nobody asked for a capture.
        let plan = check(&TEXT.replace("true", "false")).unwrap();
        assert_eq!(Kept::of(&plan, &plan.tests[0], folder, 1, 1).capture, None);
    }

    #[test]
    fn what_an_earlier_plan_left_is_kept_apart_and_nothing_else_is_touched() {
        let folder = std::env::temp_dir().join(format!("kitproof-aside-{}", std::process::id()));
        fs::create_dir_all(&folder).unwrap();
        assert_eq!(set_aside(&folder).unwrap(), None);
        let ours = ["01-1.json", "01-2.log", "12-1.pcapng", "02-1.journal.jsonl", "junit.xml", "plan.json"];
        let others = ["notes.txt", "1-x.json", "01-1.json.txt", "-1.json", "2026-11.csv", "01-1.jsonl"];
        let nights = ["2026-11-28T02:00:07Z", "2026-11-29T02:03:11Z", "2026-11-29T02:03:11Z", ""];
        let places: Vec<PathBuf> = nights
            .iter()
            .map(|night| {
                for name in ours.iter().chain(&others) {
                    fs::write(folder.join(name), *night).unwrap();
                }
                let plan = serde_json::json!({ "started": night });
                fs::write(folder.join(PLAN), plan.to_string()).unwrap();
                let place = set_aside(&folder).unwrap().unwrap();
                for name in ours {
                    assert!(!folder.join(name).exists(), "{name}");
                    let text = fs::read_to_string(place.join(name)).unwrap();
                    assert!(text.contains(night), "{name}: {text}");
                }
                assert!(others.iter().all(|name| folder.join(name).exists()));
                place
            })
            .collect();
        let names: Vec<_> = places.iter().map(|place| place.file_name().unwrap().to_str().unwrap()).collect();
        let expected = ["2026-11-28T02-00-07Z", "2026-11-29T02-03-11Z", "2026-11-29T02-03-11Z-2", "unknown"];
        assert_eq!(names, expected);
        fs::remove_dir_all(folder).unwrap();
    }
}
