//! Reading a journal to its last whole line.

use std::fs::File;
use std::io::{self, BufRead, BufReader};
use std::path::Path;

use super::record::{Begin, Record, SCHEMA};

/// Why a file is no journal that can be gone on with.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    #[error("{path}: {error}")]
    Io { path: String, error: io::Error },
    #[error(
        "{path}, line {line}: this is no record of a journal ({why}); name another --journal, or move the file away"
    )]
    NotAJournal { path: String, line: u64, why: String },
    #[error(
        "{path} was begun by another release ({schema}): carry on with that release, or name another --journal"
    )]
    OtherSchema { path: String, schema: String },
    #[error("{path} is empty: nothing was recorded; begin anew without --resume")]
    Empty { path: String },
}

/// What stands in a file.
pub struct Journal {
    pub begin: Begin,
    /// Everything after it, in order.
    pub records: Vec<Record>,
    /// Octets up to the end of the last whole line.
    pub whole: u64,
    /// Whether there is part of a line behind it: the program or the machine ended while it was written.
    pub cut: bool,
}

/// Reads all of it.
///
/// # Errors
/// [`ReadError`]. A last line that is not whole is none.
pub fn read(path: &Path) -> Result<Journal, ReadError> {
    let shown = || path.display().to_string();
    let io = |error| ReadError::Io { path: shown(), error };
    let mut lines = BufReader::new(File::open(path).map_err(io)?);
    let (mut whole, mut number, mut cut) = (0, 0, false);
    let (mut begin, mut records) = (None, Vec::new());
    let mut line = Vec::new();
    loop {
        line.clear();
        if lines.read_until(b'\n', &mut line).map_err(io)? == 0 {
            break;
        }
        number += 1;
        if line.last() != Some(&b'\n') {
            cut = true;
            break;
        }
        let wrong = |why: String| ReadError::NotAJournal { path: shown(), line: number, why };
        let record: Record = match serde_json::from_slice(&line) {
            Ok(record) => record,
            // A machine that lost its power may leave a line of zeros behind.
            Err(_) if line.iter().take(16).all(|octet| *octet == 0) => {
                cut = true;
                break;
            }
            Err(error) => return Err(wrong(error.to_string())),
        };
        match (record, &begin) {
            (Record::Begin(first), None) => {
                if first.schema != SCHEMA {
                    return Err(ReadError::OtherSchema { path: shown(), schema: first.schema });
                }
                begin = Some(first);
            }
            (_, None) => return Err(wrong("it does not begin with what the soak is".to_owned())),
            (record, Some(_)) => records.push(record),
        }
        whole += line.len() as u64;
    }
    let begin = begin.ok_or_else(|| ReadError::Empty { path: shown() })?;
    Ok(Journal { begin, records, whole, cut })
}

#[cfg(test)]
mod tests {
    use super::super::record::Segment;
    use super::*;

    fn file(name: &str, text: &str) -> std::path::PathBuf {
        let path = std::env::temp_dir().join(format!("kitproof-journal-{name}-{}", std::process::id()));
        std::fs::write(&path, text).unwrap();
        path
    }

    fn whole() -> String {
        let begin = Record::Begin(Begin { schema: SCHEMA.to_owned(), ..Begin::default() });
        let segment = Record::Segment(Segment { segment: 1, ..Segment::default() });
        [begin, segment].iter().map(|record| serde_json::to_string(record).unwrap() + "\n").collect()
    }

    /// Cut at every octet: every whole line before the cut is read, and nothing else.
    #[test]
    fn it_is_read_to_the_last_whole_line_wherever_it_ends() {
        let text = whole();
        let first = text.find('\n').unwrap() + 1;
        for end in 0..=text.len() {
            let path = file("cut", &text[..end]);
            let found = read(&path);
            if end < first {
                assert!(matches!(found, Err(ReadError::Empty { .. })), "{end}");
            } else {
                let found = found.unwrap();
                assert_eq!(found.records.len(), usize::from(end == text.len()));
                assert_eq!(found.whole, if end == text.len() { end } else { first } as u64);
                assert_eq!(found.cut, end != first && end != text.len());
            }
            std::fs::remove_file(path).unwrap();
        }
    }

    #[test]
    fn what_is_no_journal_is_told_with_its_line() {
        for (text, expected) in [
            ("{\"a\": 1}\n", "line 1"),
            (&*format!("{}rubbish\n", whole()), "line 3"),
            ("{\"record\":\"segment\",\"segment\":1,\"at\":\"\",\"tag\":1,\"frames_per_s\":1.0}\n", "line 1"),
        ] {
            let path = file("wrong", text);
            let Err(error) = read(&path) else { panic!("{text} was read") };
            assert!(error.to_string().contains(expected), "{error}");
            std::fs::remove_file(path).unwrap();
        }
        let path = file("other", &whole().replace(SCHEMA, "kitproof journal 9"));
        assert!(matches!(read(&path), Err(ReadError::OtherSchema { .. })));
        std::fs::remove_file(path).unwrap();
    }
}
