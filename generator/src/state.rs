//! The folder in which the program remembers: `$XDG_STATE_HOME/kitproof`, or the same below `~/.local/state`.

use std::io;
use std::path::{Path, PathBuf};

/// A file in it; `None` if there is no such folder to name.
#[must_use]
pub fn file(name: &str) -> Option<PathBuf> {
    let absolute = |name| std::env::var_os(name).map(PathBuf::from).filter(|path| path.is_absolute());
    let folder = absolute("XDG_STATE_HOME").or_else(|| Some(absolute("HOME")?.join(".local/state")))?;
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
