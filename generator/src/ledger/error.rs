//! What can be wrong with a ledger, each in one line with what to do about it.

use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;
use thiserror::Error;

#[derive(Debug, Error)]
pub enum LedgerError {
    #[error(
        "there is no folder for the ledger: neither XDG_DATA_HOME nor HOME is set; name a file with --ledger"
    )]
    NoPlace,
    #[error("{}: {error}; name another file with --ledger", path.display())]
    Folder { path: PathBuf, error: std::io::Error },
    #[error("{} is no ledger: name another file with --ledger", path.display())]
    NoLedger { path: PathBuf },
    #[error("{} is damaged ({error}): keep a copy of it, and begin another with --ledger", path.display())]
    Damaged { path: PathBuf, error: String },
    #[error(
        "{} was written by a newer kitproof (its layout is {found}, this one knows {known}): use that one, or name another \
         file with --ledger",
        path.display()
    )]
    Newer { path: PathBuf, found: i64, known: i64 },
    #[error("{} has been locked by another process for ten seconds: wait for it, then do this again", path.display())]
    Locked { path: PathBuf },
    #[error("{} cannot be written: make it and its folder writable, or name another file with --ledger", path.display())]
    ReadOnly { path: PathBuf },
    #[error("{}: {error}", path.display())]
    Other { path: PathBuf, error: rusqlite::Error },
    /// What was asked for contradicts what is in it.
    #[error("{0}")]
    Asked(String),
}

impl LedgerError {
    /// What the database said of this file.
    pub(super) fn of(path: &Path, error: rusqlite::Error) -> Self {
        let path = path.to_owned();
        match error.sqlite_error_code() {
            Some(ErrorCode::NotADatabase) => Self::NoLedger { path },
            Some(ErrorCode::DatabaseCorrupt) => Self::Damaged { path, error: error.to_string() },
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Locked { path },
            Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied | ErrorCode::CannotOpen) => {
                Self::ReadOnly { path }
            }
            _ => Self::Other { path, error },
        }
    }
}
