//! What a run of a test leaves behind, and under which names.

use std::path::{Path, PathBuf};

use super::file::{Plan, Test};

/// The files of one run: its result, the frames around what went wrong, the journal of a soak.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Kept {
    pub(super) result: PathBuf,
    pub(super) capture: Option<PathBuf>,
    pub(super) journal: Option<PathBuf>,
}

impl Kept {
    /// Those whose names begin with `stem`.
    #[must_use]
    pub(super) fn of(plan: &Plan, test: &Test, stem: &Path) -> Self {
        // A stem may have a dot of its own.
        let named = |ending: &str| PathBuf::from(format!("{}.{ending}", stem.display()));
        Self {
            result: named("json"),
            capture: plan.capture.then(|| named("pcapng")),
            journal: (test.run == "soak").then(|| named("journal.jsonl")),
        }
    }

    /// Each by the option that names it.
    pub(super) fn files(&self) -> Vec<(&'static str, &Path)> {
        let others = [("capture", &self.capture), ("journal", &self.journal)];
        let others = others.into_iter().filter_map(|(name, path)| Some((name, path.as_deref()?)));
        [("json", self.result.as_path())].into_iter().chain(others).collect()
    }

    /// Removes what an earlier night left: a journal and a capture are never written over by the run itself.
    pub(super) fn make_room(&self) {
        for (_, path) in self.files() {
            let _ = std::fs::remove_file(path);
        }
    }
}

#[cfg(test)]
mod tests {
    use clap::Parser as _;

    use super::super::check::{check, words};
    use super::*;
    use crate::cli::Cli;

    #[test]
    fn each_run_has_its_own_capture_and_journal() {
        let text = r#"interface = "eth1"
capture = true
[[test]]
name = "one"
run = "prove"
[[test]]
name = "two"
run = "soak"
"#;
        let plan = check(text).unwrap();
        let folder = std::env::temp_dir().join(format!("kitproof-kept-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        for (test, expected) in
            plan.tests.iter().zip([&["json", "pcapng"][..], &["json", "pcapng", "journal.jsonl"]])
        {
            let stem = folder.join("1.5-1");
            let files: Vec<PathBuf> =
                expected.iter().map(|ending| folder.join(format!("1.5-1.{ending}"))).collect();
            for file in &files {
                std::fs::write(file, "of last night").unwrap();
            }
            let kept = Kept::of(&plan, test, &stem);
            kept.make_room();
            assert!(files.iter().all(|file| !file.exists()), "{files:?}");
            let typed = words(&plan, test, Some(&kept));
            let is_typed =
                |file: &PathBuf| typed.iter().any(|word| word.ends_with(&format!("={}", file.display())));
            assert!(files.iter().all(is_typed), "{typed:?}");
            assert_eq!(typed.iter().any(|word| word.starts_with("--journal=")), test.run == "soak");
            assert!(Cli::try_parse_from(&typed).is_ok(), "{typed:?}");
        }
        std::fs::remove_dir_all(folder).unwrap();
    }
}
