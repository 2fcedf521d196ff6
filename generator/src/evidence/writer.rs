//! Writes evidence down while the run goes on: what was kept stands in the file whatever becomes of the run.

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, Sender, SyncSender, TryRecvError, channel, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

use kitproof_common::host;
use kitproof_common::port::clock::{monotonic_ns, realtime_ns};

use super::pcapng;
use crate::engine::keep::{End, Event, Evidence, Kept};
use crate::verdict::words::frames;

/// Pieces of evidence that may wait to be written.
const ROOM: usize = 64;
/// Pieces in one trial.
const MOST: u32 = 1_000;
/// How often the thread looks.
const LOOK: Duration = Duration::from_millis(50);

/// A capture that is being written.
pub struct Writing {
    path: PathBuf,
    evidence: SyncSender<Kept>,
    /// What a trial came to, in words; dropped at the end.
    words: Sender<String>,
    thread: JoinHandle<io::Result<u64>>,
}

/// Begins a file: it is there, with its head, before anything is sent. It must not exist.
///
/// # Errors
/// The system's.
pub fn begin(path: &Path, interface: &str, what: &str) -> io::Result<Writing> {
    let mut file = File::create_new(path)?;
    file.write_all(&pcapng::section(concat!("kitproof ", env!("CARGO_PKG_VERSION")), what))?;
    file.write_all(&pcapng::interface(interface))?;
    let (evidence, kept) = sync_channel(ROOM);
    let (words, said) = channel();
    let thread = std::thread::Builder::new().name("evidence".into()).spawn(move || {
        // The trial comes first. Who of 0 is the calling thread (setpriority(2)).
        let _ = rustix::process::setpriority_process(None, 19);
        host::need_nothing();
        write_all(&mut file, &kept, &said)
    })?;
    Ok(Writing { path: path.to_owned(), evidence, words, thread })
}

impl Writing {
    /// What a trial needs to keep its evidence.
    #[must_use]
    pub fn evidence(&self) -> Evidence {
        Evidence { to: self.evidence.clone(), most: MOST }
    }

    /// The file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// A trial is over; what it came to stands behind its evidence.
    pub fn trial(&self, words: String) {
        let _ = self.words.send(words);
    }

    /// Everything is written; how many pieces there are.
    ///
    /// # Errors
    /// The first thing that could not be written, with the name of the file.
    pub fn finish(self) -> Result<u64, String> {
        let shown = self.path.display().to_string();
        drop((self.words, self.evidence));
        let ended = self.thread.join().map_err(|_| format!("{shown}: its thread was lost"))?;
        ended.map_err(|error| format!("{shown}: {error}"))
    }
}

/// Until nobody says anything more. After an error nothing is written, and everybody is still listened to.
fn write_all(file: &mut impl Write, kept: &Receiver<Kept>, said: &Receiver<String>) -> io::Result<u64> {
    let mut pieces = 0;
    let mut went = Ok(());
    loop {
        let words = match said.try_recv() {
            Ok(words) => Some(words),
            Err(TryRecvError::Empty) => None,
            Err(TryRecvError::Disconnected) => break,
        };
        // A trial's receivers have ended before it is judged: what they kept is here by then.
        for one in kept.try_iter() {
            pieces += 1;
            went = went.and_then(|()| piece(file, &one, wall));
        }
        match words {
            Some(words) => {
                went = went.and_then(|()| file.write_all(&pcapng::statistics(realtime_ns(), &words)))
            }
            None => std::thread::sleep(LOOK),
        }
    }
    for one in kept.try_iter() {
        pieces += 1;
        went = went.and_then(|()| piece(file, &one, wall));
    }
    went.and_then(|()| file.flush()).map(|()| pieces)
}

/// A moment since 1970.
fn wall(at_ns: u64, monotonic: bool) -> u64 {
    match (at_ns, monotonic) {
        (0, _) => realtime_ns(),
        (at, false) => at,
        (at, true) => realtime_ns().saturating_sub(monotonic_ns().saturating_sub(at)),
    }
}

fn piece(file: &mut impl Write, kept: &Kept, wall: impl Fn(u64, bool) -> u64) -> io::Result<()> {
    let mut blocks = Vec::with_capacity(kept.octets.len() + 64 * kept.frames.len());
    for frame in &kept.frames {
        let octets = &kept.octets[frame.from..frame.from + frame.octets];
        let comment = frame.event.map(|event| words(&event));
        blocks.extend(pcapng::frame(wall(frame.arrived_ns, kept.monotonic), octets, comment.as_deref()));
    }
    if let Some(end) = kept.end {
        blocks.extend(pcapng::statistics(realtime_ns(), &end_told(&end)));
    }
    // Whole blocks only, so that a file that was cut off can be read up to there.
    file.write_all(&blocks)
}

/// The end of a trial in words.
fn end_told(end: &End) -> String {
    let mut said = Vec::new();
    if end.missing > 0 {
        said.push(format!("{} sent after number {} never came home", frames(end.missing), end.highest));
    }
    if end.untold > 0 {
        said.push(format!("{} more events of this trial found no room in the capture", end.untold));
    }
    said.join("; ")
}

/// An event as a dissector shows it.
fn words(event: &Event) -> String {
    let after = event.highest;
    let mut said = Vec::new();
    let mut say = |count: u64, what: &str| {
        if count > 0 {
            said.push(what.replace("{}", &frames(count)));
        }
    };
    say(
        event.missing_forward,
        &format!("{{}} after number {after} did not come home before this one: missing on the way there"),
    );
    say(
        event.missing_return,
        &format!("{{}} after number {after} did not come home before this one: missing on the way back"),
    );
    say(event.copies_forward, "{} duplicated on the way there");
    say(event.copies_return, "{} duplicated on the way back");
    say(event.reordered_forward, "{} out of order since the way there");
    say(event.reordered_return, "{} out of order since the way back");
    say(event.damaged, "{} damaged");
    say(event.too_late, "{} so late that it counts as lost");
    said.join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn events_are_put_into_words() {
        let event = Event { highest: 41, missing_forward: 1, missing_return: 2, ..Event::default() };
        assert_eq!(
            words(&event),
            "1 frame after number 41 did not come home before this one: missing on the way there; \
             2 frames after number 41 did not come home before this one: missing on the way back"
        );
        let event = Event { damaged: 1, ..Event::default() };
        assert_eq!(words(&event), "1 frame damaged");
        let end = End { highest: 9, missing: 1, untold: 3 };
        assert_eq!(
            end_told(&end),
            "1 frame sent after number 9 never came home; 3 more events of this trial found no room in the capture"
        );
    }

    /// A disk that is full ends the file, never the listening.
    #[test]
    fn an_error_is_told_at_the_end() {
        struct Full;
        impl Write for Full {
            fn write(&mut self, _: &[u8]) -> io::Result<usize> {
                Err(io::ErrorKind::StorageFull.into())
            }
            fn flush(&mut self) -> io::Result<()> {
                Ok(())
            }
        }
        let (to, kept) = sync_channel(8);
        let (words, said) = channel();
        to.send(Kept::default()).unwrap();
        words.send("over".to_owned()).unwrap();
        drop((to, words));
        let ended = write_all(&mut Full, &kept, &said).map_err(|error| error.kind());
        assert_eq!(ended, Err(io::ErrorKind::StorageFull));
    }

    #[test]
    fn a_file_that_is_there_is_not_written_over() {
        let path = std::env::temp_dir().join(format!("kitproof-evidence-{}.pcapng", std::process::id()));
        let writing = begin(&path, "eth1", "test").unwrap();
        let again = begin(&path, "eth1", "test").map(|_| ()).map_err(|error| error.kind());
        writing.trial("1518 bytes at 100 %: pass".to_owned());
        let ended = writing.finish();
        let size = std::fs::metadata(&path).unwrap().len();
        std::fs::remove_file(&path).unwrap();
        assert_eq!((again, ended), (Err(io::ErrorKind::AlreadyExists), Ok(0)));
        assert!(size > 100);
    }
}
