//! The note of what was changed: on disk before anything is changed, gone when everything is put back.

use std::env;
use std::fs::{self, DirBuilder, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::process::{Place, Process};
use super::setting::{Changed, Setting, Value, summarised};

/// The value of `layout` in every note of this build.
const LAYOUT: &str = "kitproof-tuned-1";

/// Everything that is needed to put settings back, by whoever finds it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    layout: String,
    /// Where it was written.
    pub place: Place,
    /// Who changed the settings.
    pub owner: Process,
    /// Who puts them back when the owner ends; `None` before that process has started.
    pub guardian: Option<Process>,
    /// The changes, in the order in which they are made.
    pub entries: Vec<Entry>,
}

/// One change.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Entry {
    /// What is changed.
    pub setting: Setting,
    /// The value before.
    pub from: Value,
    /// The value that is asked for.
    pub to: Value,
    /// The value that was found after it was set (a driver may round). `None` until it was looked at: then any value but
    /// the old one is taken for ours.
    pub found: Option<Value>,
}

impl Note {
    /// A note of changes that this process is going to make here.
    #[must_use]
    pub fn new(place: Place, owner: Process, entries: Vec<Entry>) -> Self {
        Self { layout: LAYOUT.to_owned(), place, owner, guardian: None, entries }
    }

    /// The file it has in a folder.
    #[must_use]
    pub fn path_in(&self, folder: &Path) -> PathBuf {
        folder.join(format!("tuned-{}-{}.json", self.owner.pid, self.owner.started))
    }

    /// The changes (setting, from, to) that were seen to be made.
    pub fn made(&self) -> impl Iterator<Item = (&Setting, &Value, &Value)> {
        self.entries.iter().filter_map(|entry| {
            let found = entry.found.as_ref().filter(|found| **found != entry.from)?;
            Some((&entry.setting, &entry.from, found))
        })
    }

    /// The same for people.
    #[must_use]
    pub fn changes(&self) -> Vec<Changed> {
        summarised(self.made())
    }

    /// Writes it beside `path` and puts it in its place, safely on disk: whoever reads finds the old or the new note.
    ///
    /// # Errors
    /// What the file system says; then the old note, if any, is as it was.
    pub fn save(&self, path: &Path) -> io::Result<()> {
        let folder = path.parent().ok_or(io::ErrorKind::InvalidFilename)?;
        // A name of its own for each writer, and not that of a note.
        let part = path.with_extension(format!("{}.part", std::process::id()));
        let text = serde_json::to_vec_pretty(self)?;
        let written = fill(&part, &text).and_then(|()| fs::rename(&part, path));
        if let Err(error) = written {
            let _ = fs::remove_file(&part);
            return Err(error);
        }
        File::open(folder)?.sync_all()
    }

    /// Reads a note that this user or root has written.
    ///
    /// # Errors
    /// `NotFound` if there is none; `PermissionDenied` for a note of somebody else, or one that cannot be read;
    /// `InvalidData` for what is no note of this layout.
    pub fn load(path: &Path) -> io::Result<Self> {
        let mut file =
            OpenOptions::new().read(true).custom_flags(libc::O_NOFOLLOW | libc::O_NONBLOCK).open(path)?;
        let facts = file.metadata()?;
        let own = [0, rustix::process::geteuid().as_raw()].contains(&facts.uid());
        if !own || !facts.is_file() {
            return Err(io::ErrorKind::PermissionDenied.into());
        }
        let mut text = String::new();
        io::Read::read_to_string(&mut file, &mut text)?;
        let note: Self = serde_json::from_str(&text).map_err(|_| io::ErrorKind::InvalidData)?;
        if note.layout == LAYOUT { Ok(note) } else { Err(io::ErrorKind::InvalidData.into()) }
    }
}

fn fill(part: &Path, text: &[u8]) -> io::Result<()> {
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(0o644).open(part)?;
    file.write_all(text)?;
    file.sync_all()
}

/// Removes a note; one that is gone already is as good.
///
/// # Errors
/// What the file system says.
pub fn remove(path: &Path) -> io::Result<()> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

/// Where notes may be: `/run/kitproof`, which root alone writes to and which the machine's next start empties, as it
/// does the settings; `$XDG_RUNTIME_DIR/kitproof` for whoever was granted the capabilities instead.
#[must_use]
pub fn folders() -> Vec<PathBuf> {
    let own = env::var_os("XDG_RUNTIME_DIR").map(PathBuf::from).filter(|path| path.is_absolute());
    [Some(PathBuf::from("/run")), own].into_iter().flatten().map(|folder| folder.join("kitproof")).collect()
}

/// Makes a folder for notes, unless it is there.
///
/// # Errors
/// What the file system says.
pub fn prepare(folder: &Path) -> io::Result<()> {
    DirBuilder::new().recursive(true).mode(0o755).create(folder)
}

/// The notes in a folder; none if there is no folder.
#[must_use]
pub fn all_in(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let is_note = |path: &PathBuf| {
        let name = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
        name.starts_with("tuned-") && name.ends_with(".json")
    };
    let mut notes: Vec<PathBuf> = entries.map(|entry| entry.path()).filter(is_note).collect();
    notes.sort();
    notes
}

#[cfg(test)]
mod tests {
    use super::super::machine::invented::Folder;
    use super::super::setting::Port;
    use super::*;

    fn note() -> Note {
        let port = Port { name: "eth1".into(), index: 3 };
        let entries = vec![
            Entry {
                setting: Setting::Governor { cpu: 1 },
                from: Value::Governor("powersave".into()),
                to: Value::Governor("performance".into()),
                found: None,
            },
            Entry {
                setting: Setting::Rings(port.clone()),
                from: Value::Rings { receive: 256, send: 256 },
                to: Value::Rings { receive: 4090, send: 4090 },
                found: Some(Value::Rings { receive: 4096, send: 4096 }),
            },
            Entry {
                setting: Setting::Coalescing(port),
                from: Value::Coalescing { adaptive: true, usecs: 50 },
                to: Value::Coalescing { adaptive: false, usecs: 20 },
                found: Some(Value::Coalescing { adaptive: true, usecs: 50 }),
            },
        ];
        Note::new(Place::here().unwrap(), Process::this().unwrap(), entries)
    }

    #[test]
    fn a_note_comes_back_whole_and_nothing_else_is_left() {
        let folder = Folder::new("note");
        let mut note = note();
        let path = note.path_in(folder.path());
        note.save(&path).unwrap();
        assert_eq!(Note::load(&path).unwrap(), note);
        note.guardian = Some(note.owner);
        note.save(&path).unwrap();
        assert_eq!(Note::load(&path).unwrap(), note);
        assert_eq!(all_in(folder.path()), std::slice::from_ref(&path));
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
        remove(&path).unwrap();
        remove(&path).unwrap();
        assert_eq!(Note::load(&path).unwrap_err().kind(), io::ErrorKind::NotFound);
        assert_eq!(all_in(&folder.path().join("absent")), Vec::<PathBuf>::new());
    }

    /// Only what was seen to change is told as changed, with what the driver made of it.
    #[test]
    fn changes_are_what_was_found() {
        let told: Vec<String> = note().changes().iter().map(Changed::to_string).collect();
        assert_eq!(told, ["rings of eth1: receive 256, send 256 -> receive 4096, send 4096"]);
    }

    #[test]
    fn what_is_no_note_is_not_believed() {
        let folder = Folder::new("disbelief");
        let path = folder.path().join("tuned-1-1.json");
        let kind = || Note::load(&path).unwrap_err().kind();
        fs::write(&path, "{}").unwrap();
        assert_eq!(kind(), io::ErrorKind::InvalidData);
        let later = serde_json::to_string(&note()).unwrap().replace(LAYOUT, "kitproof-tuned-2");
        fs::write(&path, later).unwrap();
        assert_eq!(kind(), io::ErrorKind::InvalidData);
        fs::remove_file(&path).unwrap();
        // A link could lead anywhere.
        let real = folder.path().join("real");
        note().save(&real).unwrap();
        std::os::unix::fs::symlink(&real, &path).unwrap();
        assert!(Note::load(&path).is_err());
        fs::remove_file(&path).unwrap();
        fs::create_dir(&path).unwrap();
        assert_eq!(kind(), io::ErrorKind::PermissionDenied);
    }

    #[test]
    fn a_note_that_cannot_be_written_leaves_the_one_before() {
        let folder = Folder::new("unwritable");
        let absent = folder.path().join("absent/tuned-1-1.json");
        assert_eq!(note().save(&absent).unwrap_err().kind(), io::ErrorKind::NotFound);
        // A folder in its place cannot be replaced by a file, and the part goes.
        let taken = folder.path().join("tuned-1-1.json");
        fs::create_dir(&taken).unwrap();
        assert!(note().save(&taken).is_err());
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
