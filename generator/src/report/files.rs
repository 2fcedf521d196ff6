//! A result file is whole or not there at all.

use std::{
    ffi::OsString,
    fs::{self, File, OpenOptions},
    io::{self, Write},
    path::{Path, PathBuf},
};

use thiserror::Error;

/// A result that could not be written. It carries what was to be written, so that the caller can still show it.
#[derive(Debug, Error)]
#[error("could not write {}: {source}", path.display())]
pub struct WriteError {
    pub path: PathBuf,
    pub source: io::Error,
    pub contents: Vec<u8>,
}

/// Writes `contents` to `path`: to a new file beside it that takes its place once it is safely on disk. Whoever reads
/// `path` at any moment finds the old contents or the new, never a part.
///
/// A symbolic link is followed. What is no regular file (a pipe, `/dev/null`) is written to as it is.
pub fn write(path: &Path, contents: Vec<u8>) -> Result<(), WriteError> {
    attempt(path, &contents).map_err(|source| WriteError { path: path.to_owned(), source, contents })
}

fn attempt(path: &Path, contents: &[u8]) -> io::Result<()> {
    let target = match fs::canonicalize(path) {
        Ok(target) => target,
        Err(error) if error.kind() == io::ErrorKind::NotFound => path.to_owned(),
        Err(error) => return Err(error),
    };
    if fs::metadata(&target).is_ok_and(|found| !found.is_file()) {
        return OpenOptions::new().write(true).open(&target)?.write_all(contents);
    }
    let name = target.file_name().ok_or_else(|| io::Error::from(io::ErrorKind::InvalidFilename))?;
    let mut beside = OsString::from(".");
    beside.push(name);
    beside.push(format!(".{}.part", std::process::id()));
    let folder = match target.parent() {
        Some(parent) if parent != Path::new("") => parent,
        _ => Path::new("."),
    };
    let part = folder.join(beside);
    let written = fill(&part, contents).and_then(|()| fs::rename(&part, &target));
    if written.is_err() {
        // What remains is a part that nobody asked for. The first error is the one to report.
        let _ = fs::remove_file(&part);
        return written;
    }
    // The new name is on disk when its folder is. A file system that cannot sync a folder has the file all the same.
    let _ = File::open(folder).and_then(|folder| folder.sync_all());
    Ok(())
}

fn fill(part: &Path, contents: &[u8]) -> io::Result<()> {
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).open(part)?;
    file.write_all(contents)?;
    file.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Folder(PathBuf);

    impl Folder {
        fn new(name: &str) -> Folder {
            let path = std::env::temp_dir().join(format!("kitproof-files-{name}-{}", std::process::id()));
            fs::create_dir_all(&path).unwrap();
            Folder(path)
        }

        fn names(&self) -> Vec<String> {
            let entries = fs::read_dir(&self.0).unwrap();
            let mut names: Vec<_> = entries.map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
            names.sort();
            names
        }
    }

    impl Drop for Folder {
        fn drop(&mut self) {
            let _ = fs::remove_dir_all(&self.0);
        }
    }

    #[test]
    fn a_file_is_written_and_replaced_and_nothing_stays_behind() {
        let folder = Folder::new("replace");
        let path = folder.0.join("result.json");
        write(&path, b"first".to_vec()).unwrap();
        write(&path, b"second, longer".to_vec()).unwrap();
        write(&path, b"3".to_vec()).unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"3");
        assert_eq!(folder.names(), ["result.json"]);
    }

    #[test]
    fn a_link_stays_a_link() {
        let folder = Folder::new("link");
        let (real, link) = (folder.0.join("real.json"), folder.0.join("link.json"));
        fs::write(&real, "old").unwrap();
        std::os::unix::fs::symlink(&real, &link).unwrap();
        write(&link, b"new".to_vec()).unwrap();
        assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
        assert_eq!(fs::read(&real).unwrap(), b"new");
    }

    /// `/dev/full` answers every write with "no space left on device".
    #[test]
    fn a_full_disk_gives_the_result_back() {
        let error = write(Path::new("/dev/full"), b"kept".to_vec()).unwrap_err();
        assert_eq!(error.contents, b"kept");
        assert_eq!(error.to_string(), "could not write /dev/full: No space left on device (os error 28)");
        write(Path::new("/dev/null"), b"gone".to_vec()).unwrap();
    }

    #[test]
    fn a_folder_that_is_not_there_is_said() {
        let folder = Folder::new("missing");
        let path = folder.0.join("no").join("result.json");
        let error = write(&path, b"kept".to_vec()).unwrap_err();
        assert_eq!((error.source.kind(), error.contents.as_slice()), (io::ErrorKind::NotFound, &b"kept"[..]));
        // Nor can a folder itself be a result.
        assert_eq!(write(&folder.0, b"kept".to_vec()).unwrap_err().contents, b"kept");
        assert_eq!(folder.names(), Vec::<String>::new());
    }
}
