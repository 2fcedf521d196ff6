//! The folders in which the program remembers: `$XDG_STATE_HOME/kitproof` and, for what the user put there,
//! `$XDG_DATA_HOME/kitproof`, or the same below `~/.local/state` and `~/.local/share`.

use std::io;
use std::path::{Path, PathBuf};

/// A file in the folder of the program's own state; `None` if there is no such folder to name.
#[must_use]
pub fn file(name: &str) -> Option<PathBuf> {
    below("XDG_STATE_HOME", ".local/state", name)
}

/// A file in the folder of the user's data; `None` as [`file()`].
#[must_use]
pub fn data_file(name: &str) -> Option<PathBuf> {
    below("XDG_DATA_HOME", ".local/share", name)
}

/// The present moment, as it is written down (RFC 3339).
#[must_use]
pub fn now() -> String {
    jiff::Zoned::now().strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
}

fn below(variable: &str, usual: &str, name: &str) -> Option<PathBuf> {
    let absolute = |name| std::env::var_os(name).map(PathBuf::from).filter(|path| path.is_absolute());
    let folder = absolute(variable).or_else(|| Some(absolute("HOME")?.join(usual)))?;
    Some(folder.join("kitproof").join(name))
}

/// Puts a file in the place of the one that is there, whole or not at all; the folder is made if it must be.
///
/// # Errors
/// The system's.
pub fn replace(path: &Path, octets: &[u8]) -> io::Result<()> {
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder)?;
    }
    let beside = path.with_extension(format!("new.{}", std::process::id()));
    std::fs::write(&beside, octets).and_then(|()| std::fs::rename(&beside, path)).inspect_err(|_| {
        let _ = std::fs::remove_file(&beside);
    })
}
