//! Putting settings back: by the note alone, by whoever finds it.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::machine::{Machine, is_gone};
use super::note::{self, Entry, Note};
use super::process::Place;
use super::setting::{Setting, Value, grouped, summarised};

/// How long a start waits for a guardian that is at work, and for another start that puts the same note's settings back.
const PATIENCE: Duration = Duration::from_secs(5);
const GLANCE: Duration = Duration::from_millis(20);

/// What became of one setting.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It has its old value again.
    PutBack,
    /// It had its old value already.
    Already,
    /// Somebody else has set it since: it stays as it is.
    Altered(Value),
    /// The port or processor is not there any more.
    Gone,
    /// It belongs to a port of another network namespace, and stays in the note.
    Elsewhere,
    /// It could not be put back, and stays in the note.
    Refused(String),
}

impl Outcome {
    /// Whether there is nothing left to do about it.
    #[must_use]
    pub fn is_settled(&self) -> bool {
        !matches!(self, Self::Elsewhere | Self::Refused(_))
    }
}

/// Puts one setting back, unless it has a value that is neither the old one nor ours.
pub fn put_back(machine: &impl Machine, entry: &Entry) -> Outcome {
    let refused = |error: io::Error| match is_gone(&error) {
        true => Outcome::Gone,
        false => Outcome::Refused(error.to_string()),
    };
    let present = match machine.read(&entry.setting) {
        Ok(present) => present,
        Err(error) => return refused(error),
    };
    if present == entry.from {
        return Outcome::Already;
    }
    if entry.found.as_ref().is_some_and(|found| *found != present) {
        return Outcome::Altered(present);
    }
    if let Err(error) = machine.write(&entry.setting, &entry.from) {
        return refused(error);
    }
    match machine.read(&entry.setting) {
        Ok(now) if now == entry.from => Outcome::PutBack,
        Ok(now) => Outcome::Refused(format!("it was set to {}, and is {now}", entry.from)),
        Err(error) => refused(error),
    }
}

/// Puts back what a note says, the last change first, and removes the note; what could not be put back stays in it.
///
/// # Errors
/// The note cannot be read (`NotFound`: there is nothing to do), or not be written or removed.
pub fn settle(machine: &impl Machine, path: &Path, here: &Place) -> io::Result<Vec<(Entry, Outcome)>> {
    let mut note = Note::load(path)?;
    if note.place.boot != here.boot {
        // The machine has started anew, with settings of its own.
        note::remove(path)?;
        return Ok(Vec::new());
    }
    let elsewhere = note.place.network != here.network;
    let mut outcomes: Vec<(Entry, Outcome)> = Vec::new();
    for entry in note.entries.iter().rev() {
        let outcome = match entry.setting.port() {
            Some(_) if elsewhere => Outcome::Elsewhere,
            _ => put_back(machine, entry),
        };
        outcomes.push((entry.clone(), outcome));
    }
    note.entries = outcomes
        .iter()
        .rev()
        .filter(|(_, outcome)| !outcome.is_settled())
        .map(|(entry, _)| entry.clone())
        .collect();
    if note.entries.is_empty() {
        note::remove(path)?;
    } else if note.entries.len() < outcomes.len() {
        note.save(path)?;
    }
    Ok(outcomes)
}

/// Outcomes for people, one line each; settings that were as they should be are not told.
#[must_use]
pub fn told(outcomes: &[(Entry, Outcome)]) -> Vec<String> {
    let back = outcomes.iter().filter(|(_, outcome)| *outcome == Outcome::PutBack);
    let back =
        back.map(|(entry, _)| (&entry.setting, entry.found.as_ref().unwrap_or(&entry.to), &entry.from));
    let back = summarised(back).into_iter().map(|changed| format!("put back: {changed}"));
    let problems = outcomes.iter().filter_map(|(entry, outcome)| {
        Some((&entry.setting, problem(&entry.setting, &entry.from, outcome)?))
    });
    back.chain(grouped(problems).into_iter().map(|(name, problem)| format!("{name} {problem}"))).collect()
}

/// What is wrong, to be read after the setting's name.
fn problem(setting: &Setting, from: &Value, outcome: &Outcome) -> Option<String> {
    match outcome {
        Outcome::PutBack | Outcome::Already => None,
        Outcome::Altered(present) => {
            Some(format!("was {from}, and somebody has set it to {present} since: left so"))
        }
        Outcome::Gone => Some(format!("was {from}, and is not there any more")),
        Outcome::Elsewhere => {
            Some(format!("was {from}; it is put back by a start in the network namespace it is in"))
        }
        Outcome::Refused(why) => Some(format!(
            "could not be put back to {from}: {why}; start kitproof once with the privilege to (sudo), or set it by \
             hand: {}",
            setting.command(from)
        )),
    }
}

/// Puts back what runs have left that could not do it themselves (killed together with their guardian); notes of runs
/// that still go on are left alone. One line for each thing worth telling; none where nothing was left.
#[must_use]
pub fn stale(machine: &impl Machine, folders: &[PathBuf]) -> Vec<String> {
    let mut lines = Vec::new();
    let mut here = None;
    for folder in folders {
        if note::all_in(folder).is_empty() {
            continue;
        }
        let Some(here) = here.get_or_insert_with(Place::here).as_ref() else { continue };
        // One start at a time: the second finds nothing left, and does not undo what the first has set since.
        let _turn = turn(folder);
        for path in note::all_in(folder) {
            lines.extend(one_stale(machine, &path, here));
        }
    }
    lines
}

fn one_stale(machine: &impl Machine, path: &Path, here: &Place) -> Vec<String> {
    let note = match Note::load(path) {
        Ok(note) => note,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Vec::new(),
        Err(error) => {
            return vec![format!(
                "{}: an earlier run's note of settings cannot be used: {error}",
                path.display()
            )];
        }
    };
    // Process numbers of another namespace say nothing here.
    let same_boot = note.place.boot == here.boot;
    if same_boot && (note.place.processes != here.processes || note.owner.lives()) {
        return Vec::new();
    }
    if same_boot && let Some(guardian) = note.guardian {
        let until = Instant::now() + PATIENCE;
        while guardian.lives() && path.exists() {
            if Instant::now() > until {
                return vec![format!(
                    "process {} is still putting back what the earlier run {} had set",
                    guardian.pid, note.owner.pid
                )];
            }
            std::thread::sleep(GLANCE);
        }
    }
    match settle(machine, path, here) {
        Ok(outcomes) => told(&outcomes)
            .into_iter()
            .map(|line| format!("after an earlier run (process {}) that was killed: {line}", note.owner.pid))
            .collect(),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Vec::new(),
        Err(error) => vec![format!("{}: {error}", path.display())],
    }
}

/// The turn of this process at a folder, until it is dropped; `None` where there is no waiting for it.
fn turn(folder: &Path) -> Option<File> {
    let file = File::open(folder).ok()?;
    let until = Instant::now() + PATIENCE;
    while file.try_lock().is_err() {
        if Instant::now() > until {
            return None;
        }
        std::thread::sleep(GLANCE);
    }
    Some(file)
}

#[cfg(test)]
mod tests {
    use super::super::machine::invented::{Folder, Memory};
    use super::super::process::Process;
    use super::super::setting::Port;
    use super::*;
    use proptest::prelude::*;

    fn rings(index: u32) -> Setting {
        Setting::Rings(Port { name: format!("eth{index}"), index })
    }

    fn frames(count: u32) -> Value {
        Value::Rings { receive: count, send: count }
    }

    fn governor(cpu: u32) -> Setting {
        Setting::Governor { cpu }
    }

    fn word(name: &str) -> Value {
        Value::Governor(name.into())
    }

    fn entry(setting: Setting, from: Value, to: Value, found: Option<Value>) -> Entry {
        Entry { setting, from, to, found }
    }

    /// A process that has ended, and whose number may be used again.
    fn dead() -> Process {
        let this = Process::this().unwrap();
        Process { started: this.started.wrapping_add(1), ..this }
    }

    fn fast() -> Value {
        word("performance")
    }

    /// The governor of a processor, set from powersave to performance.
    fn raised(cpu: u32) -> Entry {
        entry(governor(cpu), word("powersave"), fast(), Some(fast()))
    }

    /// Rings of 256 frames, set to 4,096.
    fn lengthened(index: u32) -> Entry {
        entry(rings(index), frames(256), frames(4096), Some(frames(4096)))
    }

    fn next_start(machine: &Memory, folder: &Folder) -> Vec<String> {
        stale(machine, &[folder.path().to_owned()])
    }

    fn here() -> Place {
        Place::here().unwrap()
    }

    #[test]
    fn only_our_own_value_is_put_back() {
        let (old, ours, foreign) = (frames(256), frames(4096), frames(512));
        let machine = |now: &Value| Memory::with([(rings(3), now.clone())]);
        let changed = entry(rings(3), old.clone(), ours.clone(), Some(ours.clone()));
        let cases = [(&ours, Outcome::PutBack, &old), (&old, Outcome::Already, &old)];
        for (now, outcome, after) in cases {
            let machine = machine(now);
            assert_eq!(put_back(&machine, &changed), outcome);
            assert_eq!(machine.values.borrow()[&rings(3)], *after);
        }
        let machine_of_another = machine(&foreign);
        assert_eq!(put_back(&machine_of_another, &changed), Outcome::Altered(foreign.clone()));
        assert_eq!(machine_of_another.values.borrow()[&rings(3)], foreign);
        // Killed while it was being set: what the driver made of it was never seen.
        let unseen = Entry { found: None, ..changed.clone() };
        assert_eq!(put_back(&machine(&foreign), &unseen), Outcome::PutBack);
        assert_eq!(put_back(&Memory::default(), &changed), Outcome::Gone);
    }

    #[test]
    fn what_cannot_be_put_back_stays_in_the_note() {
        let folder = Folder::new("refused");
        let entries = vec![raised(0), lengthened(3)];
        let note = Note::new(here(), dead(), entries.clone());
        let path = note.path_in(folder.path());
        note.save(&path).unwrap();
        let mut machine = Memory::with([(governor(0), fast()), (rings(3), frames(4096))]);
        machine.refused.insert(governor(0));
        let lines = next_start(&machine, &folder);
        assert_eq!(lines.len(), 2, "{lines:?}");
        assert!(lines[0].contains("put back: rings of eth3: receive 4096"), "{lines:?}");
        assert!(lines[1].contains("governor of cpu0 could not be put back to powersave"), "{lines:?}");
        assert!(lines[1].contains("sudo"), "{lines:?}");
        assert_eq!(Note::load(&path).unwrap().entries, entries[..1]);
        // Whoever has the privilege finds it there.
        machine.refused.clear();
        let lines = next_start(&machine, &folder);
        assert_eq!(lines.len(), 1, "{lines:?}");
        assert_eq!(machine.values.borrow()[&governor(0)], word("powersave"));
        assert_eq!(note::all_in(folder.path()), Vec::<PathBuf>::new());
        assert_eq!(next_start(&machine, &folder), Vec::<String>::new());
    }

    #[test]
    fn a_run_that_goes_on_keeps_its_settings() {
        let folder = Folder::new("alive");
        let entries = vec![raised(0)];
        let mut note = Note::new(here(), Process::this().unwrap(), entries);
        let path = note.path_in(folder.path());
        let machine = Memory::with([(governor(0), fast())]);
        let look = |note: &Note| {
            note.save(&path).unwrap();
            let lines = next_start(&machine, &folder);
            (lines.len(), machine.values.borrow()[&governor(0)].clone(), path.exists())
        };
        assert_eq!(look(&note), (0, fast(), true), "its owner lives");
        note.owner = dead();
        note.place.processes = "pid:[1]".into();
        assert_eq!(look(&note), (0, fast(), true), "its numbers are those of another namespace");
        note.place = here();
        assert_eq!(look(&note), (1, word("powersave"), false), "its owner is dead");
    }

    #[test]
    fn a_guardian_that_lives_is_left_to_its_work() {
        let folder = Folder::new("guarded");
        let entries = vec![raised(0)];
        let mut note = Note::new(here(), dead(), entries);
        note.guardian = Process::this();
        let path = note.path_in(folder.path());
        note.save(&path).unwrap();
        let machine = Memory::with([(governor(0), fast())]);
        let lines = next_start(&machine, &folder);
        assert!(lines.len() == 1 && lines[0].contains("still putting back"), "{lines:?}");
        assert_eq!((machine.values.borrow()[&governor(0)].clone(), path.exists()), (fast(), true));
    }

    #[test]
    fn ports_of_another_namespace_wait_and_another_boot_is_over() {
        let folder = Folder::new("elsewhere");
        let entries = vec![lengthened(3), raised(0)];
        let mut note = Note::new(here(), dead(), entries.clone());
        note.place.network = "net:[1]".into();
        let path = note.path_in(folder.path());
        note.save(&path).unwrap();
        let machine = Memory::with([(governor(0), fast()), (rings(3), frames(4096))]);
        let outcomes = settle(&machine, &path, &here()).unwrap();
        let outcomes: Vec<Outcome> = outcomes.into_iter().map(|(_, outcome)| outcome).collect();
        assert_eq!(outcomes, [Outcome::PutBack, Outcome::Elsewhere]);
        assert_eq!(Note::load(&path).unwrap().entries, entries[..1]);
        // The machine has started anew: 4096 is what it starts with now.
        note.place = Place { boot: "another".into(), ..here() };
        note.save(&path).unwrap();
        assert_eq!(settle(&machine, &path, &here()).unwrap(), []);
        assert_eq!(machine.values.borrow()[&rings(3)], frames(4096));
        assert!(!path.exists());
    }

    #[test]
    fn a_note_that_cannot_be_read_is_told_and_kept() {
        let folder = Folder::new("unreadable");
        let path = folder.path().join("tuned-1-1.json");
        std::fs::write(&path, "not a note").unwrap();
        let lines = next_start(&Memory::default(), &folder);
        assert!(lines.len() == 1 && lines[0].contains("tuned-1-1.json"), "{lines:?}");
        assert!(path.exists());
    }

    fn values() -> impl Strategy<Value = [u32; 4]> {
        // Few values, so that they are often equal.
        prop::array::uniform4(1u32..4)
    }

    proptest! {
        /// Whatever was changed by whom: afterwards a setting has its old value, or one that neither the note nor a
        /// kill in the middle of setting accounts for, and a second look changes nothing.
        #[test]
        fn a_setting_ends_with_its_old_value_or_a_strangers(
            all in prop::collection::vec((values(), any::<bool>()), 1..6),
        ) {
            let machine = Memory::with((0u32..).zip(&all).map(|(index, ([_, _, _, now], _))| (rings(index), frames(*now))));
            for (index, ([from, to, found, now], seen)) in (0u32..).zip(&all) {
                let change = entry(rings(index), frames(*from), frames(*to), seen.then_some(frames(*found)));
                let outcome = put_back(&machine, &change);
                let after = machine.values.borrow()[&rings(index)].clone();
                let strangers = *seen && now != found && now != from;
                prop_assert_eq!(&after, &frames(if strangers { *now } else { *from }));
                prop_assert_eq!(outcome == Outcome::Altered(frames(*now)), strangers);
                let written = machine.written.borrow().len();
                put_back(&machine, &change);
                prop_assert_eq!(machine.written.borrow().len(), written);
                prop_assert_eq!(&machine.values.borrow()[&rings(index)], &after);
            }
        }

        /// The changes are undone in the opposite order, each once.
        #[test]
        fn the_last_change_is_undone_first(count in 1u32..6) {
            let folder = Folder::new(&format!("order-{count}"));
            let machine = Memory::with((0..count).map(|index| (rings(index), frames(9))));
            let entries = (0..count).map(|index| entry(rings(index), frames(1), frames(9), Some(frames(9)))).collect();
            let note = Note::new(here(), dead(), entries);
            let path = note.path_in(folder.path());
            note.save(&path).unwrap();
            settle(&machine, &path, &here()).unwrap();
            prop_assert_eq!(machine.written.borrow().clone(), (0..count).rev().map(rings).collect::<Vec<_>>());
            prop_assert!(!path.exists());
        }
    }
}
