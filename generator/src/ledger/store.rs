//! The file: opened, brought to the present layout, shared by several processes.
//!
//! What a call has returned from is on the disk (write-ahead log, `synchronous=FULL`): a crash or a full disk after it
//! loses nothing.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use rusqlite::{Connection, Transaction, TransactionBehavior};

use super::LedgerError;
use crate::state;

/// Tells a ledger from any other SQLite file: "kitp".
const APPLICATION: i64 = 0x6B69_7470;
/// How long another process may hold the file.
const PATIENCE: Duration = Duration::from_secs(10);
const LOOK_AGAIN: Duration = Duration::from_millis(10);

/// Each brings the layout before it to its own; the first makes an empty file a ledger.
const MIGRATIONS: [&str; 2] = [
    "
    CREATE TABLE pieces (
        id INTEGER PRIMARY KEY,
        label TEXT NOT NULL UNIQUE,
        kind TEXT NOT NULL,
        maker TEXT, serial TEXT, medium TEXT, rated_speed TEXT, notes TEXT,
        added TEXT NOT NULL
    ) STRICT;
    CREATE TABLE runs (
        id INTEGER PRIMARY KEY,
        mark TEXT NOT NULL UNIQUE,
        started TEXT NOT NULL,
        command TEXT NOT NULL,
        verdict TEXT,
        result TEXT NOT NULL
    ) STRICT;
    CREATE TABLE run_pieces (
        run INTEGER NOT NULL REFERENCES runs,
        position INTEGER NOT NULL,
        piece INTEGER NOT NULL REFERENCES pieces,
        condition TEXT,
        PRIMARY KEY (run, position),
        UNIQUE (run, piece)
    ) STRICT;
    CREATE INDEX runs_of_a_piece ON run_pieces (piece);
",
    "
    ALTER TABLE pieces ADD COLUMN ends TEXT;
    ALTER TABLE pieces ADD COLUMN retired TEXT;
    CREATE TABLE pictures (
        hash TEXT PRIMARY KEY,
        media TEXT NOT NULL,
        octets BLOB NOT NULL
    ) STRICT;
    CREATE TABLE inspections (
        id INTEGER PRIMARY KEY,
        mark TEXT NOT NULL UNIQUE,
        piece INTEGER NOT NULL REFERENCES pieces,
        side TEXT NOT NULL,
        at TEXT NOT NULL,
        cleaning TEXT NOT NULL,
        zones TEXT NOT NULL,
        picture TEXT REFERENCES pictures,
        notes TEXT
    ) STRICT;
    CREATE INDEX inspections_of_a_piece ON inspections (piece);
",
];

/// `$XDG_DATA_HOME/kitproof/ledger.sqlite`, or the same below `~/.local/share`.
///
/// # Errors
/// There is no such folder to name.
pub fn usual_place() -> Result<PathBuf, LedgerError> {
    state::data_file("ledger.sqlite").ok_or(LedgerError::NoPlace)
}

/// An open ledger.
#[derive(Debug)]
pub struct Ledger {
    pub(super) database: Connection,
    path: PathBuf,
}

impl Ledger {
    /// Opens a ledger, or begins one where there is no file.
    ///
    /// # Errors
    /// Each in one line: see [`LedgerError`].
    pub fn open(path: &Path) -> Result<Self, LedgerError> {
        if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder)
                .map_err(|error| LedgerError::Folder { path: folder.to_owned(), error })?;
        }
        let failed = |error| LedgerError::of(path, error);
        let database = Connection::open(path).map_err(failed)?;
        database.busy_timeout(PATIENCE).map_err(failed)?;
        let mut ledger = Self { database, path: path.to_owned() };
        // Looked at before anything is changed: it may be somebody else's file. All of it at one moment: another process may be
        // making a ledger of it.
        let ((application, layout), empty) = ledger.at_one_moment(|ledger| {
            Ok((ledger.layout()?, ledger.value::<bool>("SELECT count(*) = 0 FROM sqlite_schema")?))
        })?;
        if application != APPLICATION && !(empty && application == 0 && layout == 0) {
            return Err(LedgerError::NoLedger { path: path.to_owned() });
        }
        let known = MIGRATIONS.len() as i64;
        if layout > known {
            return Err(LedgerError::Newer { path: path.to_owned(), found: layout, known });
        }
        ledger.write_ahead()?;
        ledger.database.pragma_update(None, "synchronous", "FULL").map_err(failed)?;
        ledger.database.pragma_update(None, "foreign_keys", true).map_err(failed)?;
        if layout < known {
            ledger.migrate()?;
        }
        Ok(ledger)
    }

    /// Where it is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What `look` reads is of one state of the file, whoever writes meanwhile.
    fn at_one_moment<T>(&self, look: impl FnOnce(&Self) -> Result<T, LedgerError>) -> Result<T, LedgerError> {
        let moment = self.database.unchecked_transaction().map_err(|error| self.failed(error))?;
        let seen = look(self)?;
        moment.commit().map_err(|error| self.failed(error))?;
        Ok(seen)
    }

    /// Puts the file into the mode in which readers and a writer are not in each other's way. Whoever finds it in use by another
    /// that does the same is told at once (the library waits for nobody here), and tries again.
    fn write_ahead(&self) -> Result<(), LedgerError> {
        let begun = Instant::now();
        loop {
            match self.database.pragma_update(None, "journal_mode", "WAL") {
                Ok(()) => return Ok(()),
                Err(error) => match self.failed(error) {
                    LedgerError::Locked { .. } if begun.elapsed() < PATIENCE => {
                        std::thread::sleep(LOOK_AGAIN)
                    }
                    failure => return Err(failure),
                },
            }
        }
    }

    fn layout(&self) -> Result<(i64, i64), LedgerError> {
        Ok((self.value("PRAGMA application_id")?, self.value("PRAGMA user_version")?))
    }

    pub(super) fn value<T: rusqlite::types::FromSql>(&self, question: &str) -> Result<T, LedgerError> {
        self.database.query_row(question, [], |row| row.get(0)).map_err(|error| self.failed(error))
    }

    /// Another process may have been faster: the layout counts as it is once the file is ours.
    fn migrate(&mut self) -> Result<(), LedgerError> {
        self.change(|change| {
            let layout: i64 = change.query_row("PRAGMA user_version", [], |row| row.get(0))?;
            for migration in MIGRATIONS.iter().skip(layout.max(0) as usize) {
                change.execute_batch(migration)?;
            }
            change.pragma_update(None, "application_id", APPLICATION)?;
            change.pragma_update(None, "user_version", MIGRATIONS.len() as i64)
        })
    }

    /// All of it or nothing.
    pub(super) fn change<T>(
        &mut self,
        by: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, LedgerError> {
        let path = self.path.clone();
        let failed = |error| LedgerError::of(&path, error);
        let change =
            self.database.transaction_with_behavior(TransactionBehavior::Immediate).map_err(failed)?;
        let done = by(&change).map_err(failed)?;
        change.commit().map_err(failed)?;
        Ok(done)
    }

    pub(super) fn failed(&self, error: rusqlite::Error) -> LedgerError {
        LedgerError::of(&self.path, error)
    }

    /// What SQLite's own check of the file finds: nothing, where all is well.
    ///
    /// # Errors
    /// As [`Ledger::open`].
    pub fn integrity(&self) -> Result<Vec<String>, LedgerError> {
        let failed = |error| self.failed(error);
        let mut check = self.database.prepare("PRAGMA integrity_check").map_err(failed)?;
        let lines = check.query_map([], |row| row.get::<_, String>(0)).map_err(failed)?;
        let lines: Vec<String> = lines.collect::<Result<_, _>>().map_err(failed)?;
        Ok(lines.into_iter().filter(|line| line != "ok").collect())
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::ledger::{Kind, Piece};

    /// A folder that goes with the test.
    pub(in crate::ledger) struct Folder(PathBuf);

    impl Folder {
        pub(in crate::ledger) fn new(name: &str) -> Self {
            let path = std::env::temp_dir().join(format!("kitproof-ledger-{name}-{}", std::process::id()));
            std::fs::create_dir_all(&path).unwrap();
            Self(path)
        }

        pub(in crate::ledger) fn ledger(&self) -> PathBuf {
            self.0.join("ledger.sqlite")
        }
    }

    impl Drop for Folder {
        fn drop(&mut self) {
            let _ = std::fs::remove_dir_all(&self.0);
        }
    }

    #[test]
    fn what_was_written_is_there_when_it_is_opened_again() {
        let folder = Folder::new("again");
        Ledger::open(&folder.ledger()).unwrap().add(&Piece::new("T-1", Kind::Tap)).unwrap();
        let ledger = Ledger::open(&folder.ledger()).unwrap();
        assert_eq!(ledger.pieces().unwrap().len(), 1);
        assert_eq!(ledger.integrity().unwrap(), Vec::<String>::new());
    }

    /// A ledger of the first layout, with a piece in it, is brought to the present one, and nothing is lost.
    #[test]
    fn an_older_one_is_brought_to_the_present_layout() {
        let folder = Folder::new("older");
        let database = Connection::open(folder.ledger()).unwrap();
        database.execute_batch(MIGRATIONS[0]).unwrap();
        database.pragma_update(None, "application_id", APPLICATION).unwrap();
        database.pragma_update(None, "user_version", 1).unwrap();
        let old =
            "INSERT INTO pieces (label, kind, added) VALUES ('T-1', 'tap', '2026-11-27T19:00:00+00:00')";
        database.execute_batch(old).unwrap();
        drop(database);
        let ledger = Ledger::open(&folder.ledger()).unwrap();
        assert_eq!(ledger.layout().unwrap(), (APPLICATION, MIGRATIONS.len() as i64));
        let pieces = ledger.pieces().unwrap();
        assert_eq!((pieces[0].label.as_str(), pieces[0].kind, pieces[0].ends), ("T-1", Kind::Tap, None));
        assert_eq!(ledger.inspections().unwrap(), []);
    }

    #[test]
    fn two_may_write_at_once() {
        // Both begin the same new file: the more often, the surer that they meet.
        for round in 0..20 {
            let folder = Folder::new(&format!("two-{round}"));
            let path = folder.ledger();
            std::thread::scope(|scope| {
                for writer in 0..2 {
                    let path = &path;
                    scope.spawn(move || {
                        let mut ledger = Ledger::open(path).unwrap();
                        for piece in 0..5 {
                            ledger.add(&Piece::new(&format!("P-{writer}-{piece}"), Kind::Patch)).unwrap();
                        }
                    });
                }
            });
            assert_eq!(Ledger::open(&path).unwrap().pieces().unwrap().len(), 10);
        }
    }

    #[test]
    fn what_is_no_ledger_is_left_alone() {
        let folder = Folder::new("strange");
        let path = folder.ledger();
        std::fs::write(
            &path,
            "shopping list, and long enough to be looked at as a file of a hundred octets at least; \
                               bread, cable ties, batteries",
        )
        .unwrap();
        let before = std::fs::read(&path).unwrap();
        assert!(matches!(Ledger::open(&path), Err(LedgerError::NoLedger { .. })));
        assert_eq!(std::fs::read(&path).unwrap(), before);
        std::fs::remove_file(&path).unwrap();
        Connection::open(&path).unwrap().execute_batch("CREATE TABLE other (x)").unwrap();
        assert!(matches!(Ledger::open(&path), Err(LedgerError::NoLedger { .. })));
    }

    #[test]
    fn a_newer_or_damaged_one_is_said() {
        let folder = Folder::new("newer");
        let path = folder.ledger();
        let ledger = Ledger::open(&path).unwrap();
        ledger.database.pragma_update(None, "user_version", 99).unwrap();
        drop(ledger);
        let error = Ledger::open(&path).unwrap_err();
        assert!(matches!(error, LedgerError::Newer { found: 99, .. }), "{error}");
        let damaged = Folder::new("damaged");
        let path = damaged.ledger();
        drop(Ledger::open(&path).unwrap());
        let mut octets = std::fs::read(&path).unwrap();
        // The root of the table of tables.
        octets[100..].fill(0xA5);
        std::fs::write(&path, octets).unwrap();
        let error = Ledger::open(&path).unwrap_err();
        assert!(matches!(error, LedgerError::Damaged { .. }), "{error}");
    }
}
