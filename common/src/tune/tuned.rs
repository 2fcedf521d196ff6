//! Settings changed for the length of a run.

use std::io::{self, Write};
use std::path::PathBuf;

use thiserror::Error;

use super::guardian::Guardian;
use super::machine::{Machine, ThisHost};
use super::note::{self, Entry, Note};
use super::process::{Place, Process};
use super::propose::Proposal;
use super::restore::{settle, told};
use super::setting::{Changed, Setting, grouped};

/// Why nothing was changed at all.
#[derive(Debug, Error)]
pub enum TuneError {
    /// `/proc` is not there, or hides processes.
    #[error(
        "--tune: nothing was set: /proc does not tell which process and namespace this is; see that it is mounted"
    )]
    NoProc,
    /// What is not written down could not be put back after a kill.
    #[error(
        "--tune: nothing was set: no note of the old settings can be kept in {}: {source}; run it with sudo, or without \
         --tune",
        folder.display()
    )]
    NoNote {
        /// Where it was tried last.
        folder: PathBuf,
        /// The system's reason.
        source: io::Error,
    },
    /// Nobody would put the settings back after a kill.
    #[error(
        "--tune: nothing was set: the process that would put the settings back cannot be started: {source}"
    )]
    NoGuardian {
        /// The system's reason.
        source: io::Error,
    },
}

/// Settings that are changed now, and put back by [`Self::put_back`], when this is dropped, or when this process ends in
/// any other way.
#[derive(Debug, Default)]
pub struct Tuned {
    guarded: Option<Guarded>,
    changes: Vec<Changed>,
    problems: Vec<String>,
    /// Something of a port is among the changes.
    port: bool,
}

#[derive(Debug)]
struct Guarded {
    host: ThisHost,
    here: Place,
    note: PathBuf,
    guardian: Guardian,
}

impl Tuned {
    /// Notes the old values, starts the guardian, and sets what is proposed. Whatever cannot be set is one of
    /// [`Self::problems`].
    ///
    /// Before privileges are given up, and before there are threads (the guardian would not inherit what other threads
    /// may do). It waits for the guardian and for drivers, milliseconds as a rule.
    ///
    /// # Errors
    /// Nothing is changed without a note and a guardian.
    pub fn begin(host: ThisHost, proposals: Vec<Proposal>) -> Result<Self, TuneError> {
        Self::begin_in(&note::folders(), host, proposals)
    }

    fn begin_in(folders: &[PathBuf], host: ThisHost, proposals: Vec<Proposal>) -> Result<Self, TuneError> {
        if proposals.is_empty() {
            return Ok(Self::default());
        }
        let here = Place::here().ok_or(TuneError::NoProc)?;
        let owner = Process::this().ok_or(TuneError::NoProc)?;
        let entries = proposals
            .into_iter()
            .map(|Proposal { setting, from, to }| Entry { setting, from, to, found: None })
            .collect();
        let mut note = Note::new(here.clone(), owner, entries);
        let path = keep(&note, folders)?;
        let guardian = Guardian::start(&path).map_err(|source| {
            let _ = note::remove(&path);
            TuneError::NoGuardian { source }
        })?;
        note.guardian = guardian.process();
        let guarded = Some(Guarded { host, here, note: path, guardian });
        let mut tuned = Self { guarded, changes: Vec::new(), problems: Vec::new(), port: false };
        tuned.set(&mut note)?;
        Ok(tuned)
    }

    fn set(&mut self, note: &mut Note) -> Result<(), TuneError> {
        let Some(guarded) = &self.guarded else { return Ok(()) };
        // From here on the guardian ends without harm if this returns: nothing has been set yet.
        note.save(&guarded.note)
            .map_err(|source| TuneError::NoNote { folder: guarded.note.clone(), source })?;
        self.problems = apply(&guarded.host, &mut note.entries);
        self.changes = note.changes();
        self.port = note.made().any(|(setting, ..)| setting.port().is_some());
        if let Err(error) = note.save(&guarded.note) {
            // The note before it still has every old value.
            self.problems
                .push(format!("{}: what was set could not be noted: {error}", guarded.note.display()));
        }
        Ok(())
    }

    /// What was changed.
    #[must_use]
    pub fn changes(&self) -> &[Changed] {
        &self.changes
    }

    /// Whether something of a port was changed, so that its link may be down for a while.
    #[must_use]
    pub fn touched_a_port(&self) -> bool {
        self.port
    }

    /// What could not be set, and why: one line each.
    #[must_use]
    pub fn problems(&self) -> &[String] {
        &self.problems
    }

    /// Puts every setting back and waits for it, at most half a minute. What there is to tell, one line each.
    #[must_use]
    pub fn put_back(mut self) -> Vec<String> {
        self.finish()
    }

    fn finish(&mut self) -> Vec<String> {
        let Some(mut guarded) = self.guarded.take() else { return Vec::new() };
        match guarded.guardian.end() {
            Ok(lines) => lines,
            Err(error) if error.kind() == io::ErrorKind::TimedOut => {
                vec![
                    "the settings are still being put back; the process kitproof-guard ends when it is done"
                        .into(),
                ]
            }
            // It was killed: whoever finds the note does its work, and this is the first.
            Err(error) => {
                let mut lines = vec![format!("the process that puts settings back has failed ({error})")];
                match settle(&guarded.host, &guarded.note, &guarded.here) {
                    Ok(outcomes) => lines.extend(told(&outcomes)),
                    Err(error) => lines.push(format!("{}: {error}", guarded.note.display())),
                }
                lines
            }
        }
    }
}

impl Drop for Tuned {
    fn drop(&mut self) {
        for line in self.finish() {
            let _ = writeln!(io::stderr(), "kitproof: {line}");
        }
    }
}

/// Writes the note into the first folder that takes it.
fn keep(note: &Note, folders: &[PathBuf]) -> Result<PathBuf, TuneError> {
    let mut why = TuneError::NoProc;
    for folder in folders {
        let path = note.path_in(folder);
        match note::prepare(folder).and_then(|()| note.save(&path)) {
            Ok(()) => return Ok(path),
            Err(source) => why = TuneError::NoNote { folder: folder.clone(), source },
        }
    }
    Err(why)
}

/// Sets every entry that still has its old value, and looks at what became of it. What could not be set, one line each.
fn apply(machine: &impl Machine, entries: &mut [Entry]) -> Vec<String> {
    let mut problems: Vec<(Setting, String)> = Vec::new();
    for entry in entries {
        if let Err(why) = apply_one(machine, entry) {
            problems.push((entry.setting.clone(), format!("could not be set to {}: {why}", entry.to)));
        }
    }
    let problems = problems.iter().map(|(setting, why)| (setting, why));
    grouped(problems).into_iter().map(|(name, why)| format!("{name} {why}")).collect()
}

fn apply_one(machine: &impl Machine, entry: &mut Entry) -> io::Result<()> {
    // Until it is written, what is there is not ours.
    entry.found = Some(entry.from.clone());
    let present = machine.read(&entry.setting)?;
    if present != entry.from {
        return Err(io::Error::other(format!("somebody has set it to {present}")));
    }
    let written = machine.write(&entry.setting, &entry.to);
    entry.found = machine.read(&entry.setting).ok();
    written?;
    if entry.found.as_ref() == Some(&entry.from) {
        return Err(io::Error::other(format!("it was taken, and is {present} all the same")));
    }
    Ok(())
}

/// Puts back what earlier runs on this host have left; see [`stale`](super::restore::stale).
#[must_use]
pub fn clean_up(host: &ThisHost) -> Vec<String> {
    super::restore::stale(host, &note::folders())
}

#[cfg(test)]
mod tests {
    use super::super::machine::invented::{Folder, Memory};
    use super::super::propose::{TuneFacts, propose};
    use super::super::restore::{Outcome, put_back};
    use super::super::setting::{Port, Value};
    use super::*;
    use proptest::prelude::*;

    fn rings(index: u32) -> Setting {
        Setting::Rings(Port { name: format!("eth{index}"), index })
    }

    fn frames(count: u32) -> Value {
        Value::Rings { receive: count, send: count }
    }

    fn entry(index: u32, from: u32, to: u32) -> Entry {
        Entry { setting: rings(index), from: frames(from), to: frames(to), found: None }
    }

    #[test]
    fn what_the_driver_made_of_it_is_noted() {
        let machine = Memory { step: 8, ..Memory::with([(rings(1), frames(256))]) };
        let mut entries = [entry(1, 256, 4090)];
        assert_eq!(apply(&machine, &mut entries), Vec::<String>::new());
        assert_eq!(entries[0].found, Some(frames(4096)));
        assert_eq!(put_back(&machine, &entries[0]), Outcome::PutBack);
        assert_eq!(machine.values.borrow()[&rings(1)], frames(256));
    }

    #[test]
    fn what_cannot_be_set_is_told_and_counts_as_unchanged() {
        let mut machine = Memory::with([
            (rings(1), frames(256)),
            (rings(2), frames(512)),
            (Setting::Governor { cpu: 4 }, Value::Governor("powersave".into())),
            (Setting::Governor { cpu: 5 }, Value::Governor("powersave".into())),
        ]);
        machine.refused.extend([Setting::Governor { cpu: 4 }, Setting::Governor { cpu: 5 }, rings(1)]);
        let governor = |cpu| Entry {
            setting: Setting::Governor { cpu },
            from: Value::Governor("powersave".into()),
            to: Value::Governor("performance".into()),
            found: None,
        };
        // Refused; set by somebody else since it was looked at; gone; refused twice alike.
        let mut entries =
            [entry(1, 256, 4096), entry(2, 256, 4096), entry(3, 256, 4096), governor(4), governor(5)];
        let problems = apply(&machine, &mut entries);
        assert_eq!(problems.len(), 4, "{problems:?}");
        assert!(
            problems[0].starts_with("rings of eth1 could not be set to receive 4096, send 4096: "),
            "{problems:?}"
        );
        assert!(problems[1].contains("somebody has set it to receive 512"), "{problems:?}");
        assert!(
            problems[3].starts_with("governor of cpu4-5 could not be set to performance: "),
            "{problems:?}"
        );
        assert!(entries.iter().all(|entry| entry.found.as_ref() == Some(&entry.from)), "{entries:?}");
        assert!(machine.written.borrow().is_empty());
    }

    #[test]
    fn nothing_is_set_without_a_guardian_or_a_note() {
        let folder = Folder::new("unguarded");
        folder.cpu(0, "powersave", "performance powersave");
        let host = ThisHost::with_cpus_in(folder.path());
        let proposals = propose(&TuneFacts::of(&host, None));
        assert_eq!(proposals.len(), 1);
        let notes = folder.path().join("run");
        // This test program cannot be a guardian.
        let error =
            Tuned::begin_in(std::slice::from_ref(&notes), host.clone(), proposals.clone()).unwrap_err();
        assert!(matches!(error, TuneError::NoGuardian { .. }), "{error}");
        assert_eq!(std::fs::read_dir(&notes).unwrap().count(), 0, "a note stayed behind");
        let nowhere = [PathBuf::from("/proc/kitproof")];
        let error = Tuned::begin_in(&nowhere, host.clone(), proposals).unwrap_err();
        assert!(matches!(error, TuneError::NoNote { .. }), "{error}");
        assert_eq!(folder.governor(0), "powersave");
        // What is as it should be needs neither.
        let tuned = Tuned::begin_in(&nowhere, host, Vec::new()).unwrap();
        assert!(tuned.changes().is_empty() && tuned.put_back().is_empty());
    }

    #[test]
    fn the_note_goes_where_it_can_be_written() {
        let folder = Folder::new("second-choice");
        let note = Note::new(Place::here().unwrap(), Process::this().unwrap(), vec![]);
        let own = folder.path().join("own");
        let path = keep(&note, &[PathBuf::from("/proc/kitproof"), own.clone()]).unwrap();
        assert_eq!(path.parent(), Some(own.as_path()));
        assert_eq!(Note::load(&path).unwrap(), note);
    }

    proptest! {
        /// Whatever the machine rounds and refuses, and whenever the run is killed: putting back leaves every setting as it
        /// was before the run.
        #[test]
        fn after_a_kill_at_any_moment_everything_is_as_before(
            before in prop::collection::vec((1u32..40, 1u32..40, any::<bool>()), 1..6),
            step in 1u32..9,
            killed_after in 0usize..7,
        ) {
            // Old values are multiples: the driver has rounded them when they were set.
            let rounded = |count: u32| count.div_ceil(step) * step;
            let start = || (0u32..).zip(&before).map(|(index, (from, ..))| (rings(index), frames(rounded(*from))));
            let mut machine = Memory { step, ..Memory::with(start()) };
            machine.refused.extend((0u32..).zip(&before).filter(|(_, (_, _, refused))| *refused).map(|(index, _)| rings(index)));
            let mut entries: Vec<Entry> = (0u32..)
                .zip(&before)
                .map(|(index, (from, to, _))| entry(index, rounded(*from), *to))
                .collect();
            // What is on disk during the setting: nothing seen yet.
            let on_disk = entries.clone();
            let count = entries.len();
            apply(&machine, &mut entries[..killed_after.min(count)]);
            let note = if killed_after > count { &entries } else { &on_disk };
            for entry in note.iter().rev() {
                let outcome = put_back(&machine, entry);
                prop_assert!(matches!(outcome, Outcome::PutBack | Outcome::Already), "{:?}", outcome);
            }
            prop_assert_eq!(machine.values.into_inner(), start().collect::<std::collections::BTreeMap<_, _>>());
        }
    }
}
