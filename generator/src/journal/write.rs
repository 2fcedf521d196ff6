//! Appending to a journal, also while its disk is full.

use std::collections::VecDeque;
use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::time::{Duration, Instant};

use super::record::{Record, Unwritten};
use crate::state;

/// Where lines go.
pub trait Store {
    /// # Errors
    /// The system's; some of the octets may have been written all the same.
    fn write_at(&mut self, octets: &[u8], offset: u64) -> io::Result<()>;
    /// Takes away everything from `length` on.
    ///
    /// # Errors
    /// The system's.
    fn cut(&mut self, length: u64) -> io::Result<()>;
    /// # Errors
    /// The system's.
    fn sync(&mut self) -> io::Result<()>;
}

impl Store for File {
    fn write_at(&mut self, octets: &[u8], offset: u64) -> io::Result<()> {
        self.write_all_at(octets, offset)
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        self.set_len(length)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.sync_data()
    }
}

/// Octets that may wait for room on the disk: some days of intervals of a second.
const WAITING: usize = 64 << 20;
/// So often what was written is also on the disk, at the least.
const SYNC: Duration = Duration::from_secs(10);

/// Appends whole lines. What cannot be written waits in memory, the newest lines at the cost of the oldest, and is written
/// when there is room again; how many were given up is written too.
pub struct Writer<S> {
    store: S,
    /// Where the last whole line ends.
    length: u64,
    waiting: VecDeque<(String, Vec<u8>)>,
    octets: usize,
    room: usize,
    given_up: Option<Unwritten>,
    synced: Instant,
    /// What the disk said last, while it says no.
    refused: Option<String>,
}

impl<S: Store> Writer<S> {
    /// Appends after the first `length` octets of `store`; what stands behind them is taken away by the first line.
    pub fn new(store: S, length: u64) -> Self {
        Self {
            store,
            length,
            waiting: VecDeque::new(),
            octets: 0,
            room: WAITING,
            given_up: None,
            synced: Instant::now(),
            refused: None,
        }
    }

    /// The last whole line ends there.
    pub fn goes_on_from(&mut self, length: u64) {
        self.length = length;
    }

    /// With room for so many octets in memory.
    #[must_use]
    pub fn with_room(mut self, octets: usize) -> Self {
        self.room = octets;
        self
    }

    /// Appends a line, or keeps it until it can be. `important`: it is to be on the disk at once.
    pub fn append(&mut self, record: &Record, important: bool) {
        let Ok(mut line) = serde_json::to_vec(record) else { return };
        line.push(b'\n');
        self.octets += line.len();
        self.waiting.push_back((state::now(), line));
        self.flush();
        while self.octets > self.room {
            let Some((at, line)) = self.waiting.pop_front() else { break };
            self.octets -= line.len();
            let given_up =
                self.given_up.get_or_insert_with(|| Unwritten { from: at.clone(), ..Unwritten::default() });
            given_up.to = at;
            given_up.lines += 1;
        }
        if important || self.synced.elapsed() >= SYNC {
            // What the disk refuses is tried again; nothing else can be done about it here.
            let _ = self.store.sync();
            self.synced = Instant::now();
        }
    }

    /// What the disk says while lines wait; `None` while all is written.
    #[must_use]
    pub fn refused(&self) -> Option<&str> {
        self.refused.as_deref()
    }

    /// Writes what waits, as far as the disk takes it; whether nothing waits any more.
    pub fn flush(&mut self) -> bool {
        if let Some(given_up) = self.given_up.take() {
            let mut line = serde_json::to_vec(&Record::Unwritten(given_up.clone())).unwrap_or_default();
            line.push(b'\n');
            if !self.write(&line) {
                self.given_up = Some(given_up);
                return false;
            }
        }
        while let Some((at, line)) = self.waiting.pop_front() {
            if !self.write(&line) {
                self.waiting.push_front((at, line));
                return false;
            }
            self.octets -= line.len();
        }
        self.refused = None;
        true
    }

    fn write(&mut self, line: &[u8]) -> bool {
        match self.store.write_at(line, self.length) {
            Ok(()) => {
                self.length += line.len() as u64;
                true
            }
            Err(error) => {
                self.refused = Some(error.to_string());
                // Half a line is worse than none.
                let _ = self.store.cut(self.length);
                false
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::record::Event;
    use super::super::{EventKind, Whose};
    use super::*;

    /// A disk with room for so much, that writes what it can of a line and then says no.
    #[derive(Default)]
    struct Disk {
        octets: Vec<u8>,
        room: usize,
    }

    impl Store for &mut Disk {
        fn write_at(&mut self, octets: &[u8], offset: u64) -> io::Result<()> {
            let taken = octets.len().min(self.room.saturating_sub(offset as usize));
            self.octets.truncate(offset as usize);
            self.octets.extend_from_slice(&octets[..taken]);
            if taken < octets.len() { Err(io::ErrorKind::StorageFull.into()) } else { Ok(()) }
        }

        fn cut(&mut self, length: u64) -> io::Result<()> {
            self.octets.truncate(length as usize);
            Ok(())
        }

        fn sync(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    fn event(number: usize, padding: usize) -> Record {
        Record::Event(Event {
            at: String::new(),
            segment: None,
            kind: EventKind::Silent,
            whose: Whose::Pair,
            text: format!("{number} {}", "x".repeat(padding)),
        })
    }

    fn numbers(octets: &[u8]) -> (Vec<usize>, u64) {
        let text = std::str::from_utf8(octets).unwrap();
        assert!(text.is_empty() || text.ends_with('\n'), "half a line");
        let mut given_up = 0;
        let mut found = Vec::new();
        for line in text.lines() {
            match serde_json::from_str(line).unwrap() {
                Record::Event(event) => {
                    found.push(event.text.split(' ').next().unwrap().parse().unwrap());
                }
                Record::Unwritten(unwritten) => given_up += unwritten.lines,
                other => panic!("{other:?}"),
            }
        }
        (found, given_up)
    }

    proptest! {
        /// A disk that is full, has room again, is full again: every line is there in order, or counted as given up.
        #[test]
        fn nothing_is_silently_missing(
            steps in prop::collection::vec((0..2_000_usize, 0..300_usize), 1..80),
            memory in 600..6_000_usize,
        ) {
            let mut disk = Disk::default();
            let mut writer = Writer::new(&mut disk, 0).with_room(memory);
            for (number, (more_room, padding)) in steps.iter().enumerate() {
                writer.store.room += more_room;
                writer.append(&event(number, *padding), false);
            }
            writer.store.room = usize::MAX;
            prop_assert!(writer.flush());
            prop_assert!(writer.refused().is_none());
            let (found, given_up) = numbers(&disk.octets);
            prop_assert!(found.is_sorted());
            prop_assert_eq!(found.len() as u64 + given_up, steps.len() as u64);
            prop_assert_eq!(found.last().copied(), Some(steps.len() - 1), "the newest is kept");
        }
    }

    #[test]
    fn a_full_disk_says_so_and_keeps_whole_lines() {
        let mut disk = Disk { room: 150, ..Disk::default() };
        let mut writer = Writer::new(&mut disk, 0);
        writer.append(&event(1, 0), true);
        writer.append(&event(2, 100), true);
        assert!(writer.refused().is_some());
        assert_eq!(numbers(&writer.store.octets).0, [1]);
        writer.store.room = 10_000;
        writer.append(&event(3, 0), true);
        assert!(writer.refused().is_none());
        assert_eq!(numbers(&disk.octets).0, [1, 2, 3]);
    }
}
