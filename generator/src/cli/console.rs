//! Standard error as a place to say things that never makes anybody wait: a console that takes 9,600 bits a second, one that was
//! stopped by Ctrl-S, a pipe that nobody reads. A thread of its own writes; what it cannot keep up with is shortened, first
//! the live lines, which are only ever the newest.

use std::collections::VecDeque;
use std::fmt::Write as _;
use std::io::{IsTerminal, Write};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use kitproof_common::host;

use super::cli_width;

/// Lines worth keeping that may wait; the oldest are given up, and counted.
const ROOM: usize = 1_000;
/// How long the end of a program waits for a console that is behind.
const PATIENCE: Duration = Duration::from_secs(2);

/// Standard error, written to from behind.
pub(super) struct Console {
    shared: Arc<Shared>,
    terminal: bool,
}

#[derive(Default)]
struct Shared {
    waiting: Mutex<Waiting>,
    changed: Condvar,
    written: Condvar,
}

#[derive(Default)]
struct Waiting {
    kept: VecDeque<String>,
    given_up: u64,
    /// The line to be shown; an empty one takes it away.
    live: Option<String>,
    /// Something is being written.
    busy: bool,
    over: bool,
}

impl Waiting {
    fn is_idle(&self) -> bool {
        self.kept.is_empty() && self.live.is_none() && !self.busy
    }
}

impl Shared {
    fn waiting(&self) -> MutexGuard<'_, Waiting> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Console {
    pub(super) fn stderr() -> Self {
        // A terminal that cannot move its cursor is a log.
        let dumb = std::env::var_os("TERM").is_none_or(|term| term == "dumb");
        let terminal = std::io::stderr().is_terminal() && !dumb;
        let shared = Arc::new(Shared::default());
        let its = Arc::clone(&shared);
        let started = std::thread::Builder::new().name("console".into()).spawn(move || {
            host::need_nothing();
            write_on(&its, terminal.then_some(Screen::default()), &mut std::io::stderr());
        });
        if started.is_err() {
            // Without a thread nothing is shown; the result is.
            shared.waiting().over = true;
        }
        Self { shared, terminal }
    }

    /// Whether lines can be rewritten.
    pub(super) fn is_terminal(&self) -> bool {
        self.terminal
    }

    /// A line that stays.
    pub(super) fn keep(&self, line: &str) {
        let mut waiting = self.shared.waiting();
        if waiting.kept.len() >= ROOM {
            waiting.kept.pop_front();
            waiting.given_up += 1;
        }
        waiting.kept.push_back(line.to_owned());
        self.shared.changed.notify_one();
    }

    /// The line that is shown until the next one; an empty one takes it away.
    pub(super) fn live(&self, line: &str) {
        self.shared.waiting().live = Some(line.to_owned());
        self.shared.changed.notify_one();
    }

    /// Waits until everything stands there, or for as long as a console may be behind.
    pub(super) fn flush(&self) {
        let waiting = self.shared.waiting();
        let _ = self
            .shared
            .written
            .wait_timeout_while(waiting, PATIENCE, |waiting| !waiting.over && !waiting.is_idle());
    }
}

impl Drop for Console {
    fn drop(&mut self) {
        self.flush();
        self.shared.waiting().over = true;
        self.shared.changed.notify_one();
    }
}

/// Writes what waits until the console is over. A standard error that is gone is no reason to end anything.
fn write_on(shared: &Shared, mut screen: Option<Screen>, to: &mut impl Write) {
    loop {
        let waiting = shared.waiting();
        let mut waiting = shared
            .changed
            .wait_while(waiting, |waiting| waiting.is_idle() && !waiting.over)
            .unwrap_or_else(PoisonError::into_inner);
        if waiting.is_idle() {
            return;
        }
        let (kept, live, given_up) =
            (std::mem::take(&mut waiting.kept), waiting.live.take(), std::mem::take(&mut waiting.given_up));
        waiting.busy = true;
        drop(waiting);
        let text = match &mut screen {
            Some(screen) => screen.text(cli_width(), given_up, &kept, live.as_deref()),
            None => log(given_up, &kept, live.as_deref()),
        };
        let _ = to.write_all(text.as_bytes()).and_then(|()| to.flush());
        shared.waiting().busy = false;
        shared.written.notify_all();
    }
}

fn given_up_told(given_up: u64) -> Option<String> {
    (given_up > 0).then(|| format!("({given_up} lines were left out: nobody took them)\n"))
}

/// Where lines cannot be rewritten: one after the other.
fn log(given_up: u64, kept: &VecDeque<String>, live: Option<&str>) -> String {
    let mut text = given_up_told(given_up).unwrap_or_default();
    for line in kept.iter().map(String::as_str).chain(live.filter(|line| !line.is_empty())) {
        let _ = writeln!(text, "{line}");
    }
    text
}

/// What stands on a terminal.
#[derive(Default)]
struct Screen {
    /// The live line, as it was written.
    shown: String,
}

impl Screen {
    /// What brings it up to date on a terminal of this width.
    fn text(&mut self, width: usize, given_up: u64, kept: &VecDeque<String>, live: Option<&str>) -> String {
        let mut text = String::new();
        if kept.is_empty() && live == Some(self.shown.as_str()) {
            return text;
        }
        if !self.shown.is_empty() {
            // A terminal that became narrower since has broken the line: it takes several rows now.
            let rows = self.shown.chars().count().div_ceil(width.max(1));
            text.push('\r');
            if rows > 1 {
                let _ = write!(text, "\x1b[{}A", rows - 1);
            }
            text.push_str("\x1b[J");
        }
        text.extend(given_up_told(given_up));
        for line in kept {
            let _ = writeln!(text, "{line}");
        }
        if let Some(live) = live {
            // The last column is left free: some terminals go on to the next row there.
            self.shown = shortened(live, width.saturating_sub(1).max(1));
        }
        text.push_str(&self.shown);
        text
    }
}

fn shortened(line: &str, width: usize) -> String {
    if line.chars().count() <= width {
        return line.to_owned();
    }
    line.chars().take(width - 1).chain(['…']).collect()
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc::{Receiver, Sender, channel};
    use std::time::Instant;

    use proptest::prelude::*;

    use super::*;

    /// A terminal as far as this needs one: rows of characters and a cursor. Lines that are too long are broken, and broken anew
    /// when the width changes.
    #[derive(Default)]
    struct Terminal {
        /// Lines as they were written, and the place in the last one.
        lines: Vec<String>,
        width: usize,
    }

    impl Terminal {
        fn take(&mut self, text: &str) {
            let mut rest = text;
            while let Some(first) = rest.chars().next() {
                if self.lines.is_empty() {
                    self.lines.push(String::new());
                }
                if let Some(after) = rest.strip_prefix('\r') {
                    rest = after;
                } else if let Some(after) = rest.strip_prefix("\x1b[J") {
                    // It is only ever asked for at the beginning of the last line, however many rows that has.
                    self.lines.last_mut().unwrap().clear();
                    rest = after;
                } else if let Some(after) = rest.strip_prefix("\x1b[") {
                    let (rows, after) = after.split_once('A').unwrap();
                    let has = self.lines.last().unwrap().chars().count().div_ceil(self.width);
                    assert_eq!(
                        rows.parse::<usize>().unwrap(),
                        has - 1,
                        "it goes up to where the line begins"
                    );
                    rest = after;
                } else if let Some(after) = rest.strip_prefix('\n') {
                    self.lines.push(String::new());
                    rest = after;
                } else {
                    self.lines.last_mut().unwrap().push(first);
                    rest = &rest[first.len_utf8()..];
                }
            }
        }
    }

    proptest! {
        /// Whatever is said, and however the terminal is resized meanwhile: the kept lines stand there whole, in order, and
        /// below them one live line, the newest, no wider than the terminal was.
        #[test]
        fn it_survives_being_resized(
            steps in prop::collection::vec((2..100_usize, prop::collection::vec("[a-z]{0,120}", 0..3), prop::option::of("[a-zµ]{1,120}")), 1..30),
        ) {
            let (mut screen, mut terminal) = (Screen::default(), Terminal::default());
            let (mut kept, mut newest) = (Vec::new(), String::new());
            for (width, lines, live) in steps {
                terminal.width = width;
                let lines = VecDeque::from(lines);
                terminal.take(&screen.text(width, 0, &lines, live.as_deref()));
                kept.extend(lines);
                if let Some(live) = live {
                    newest = shortened(&live, width - 1);
                }
                let (last, above) = terminal.lines.split_last().map_or(("", &[][..]), |(last, above)| (last.as_str(), above));
                prop_assert_eq!(above, kept.as_slice());
                prop_assert_eq!(last, newest.as_str());
            }
        }
    }

    /// A console that takes nothing until it is told to.
    struct Stopped(Receiver<()>, Sender<String>);

    impl Write for Stopped {
        fn write(&mut self, octets: &[u8]) -> std::io::Result<usize> {
            let _ = self.0.recv();
            let _ = self.1.send(String::from_utf8_lossy(octets).into_owned());
            Ok(octets.len())
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_console_that_was_stopped_stops_nobody() {
        let shared = Arc::new(Shared::default());
        let console = Console { shared: Arc::clone(&shared), terminal: false };
        let (go, wait) = channel();
        let (write, written) = channel();
        let thread = std::thread::spawn(move || write_on(&shared, None, &mut Stopped(wait, write)));
        let begun = Instant::now();
        for number in 0..3 * ROOM {
            console.keep(&format!("line {number}"));
            console.live("live");
        }
        assert!(begun.elapsed() < PATIENCE, "nobody waited");
        drop(go);
        console.flush();
        drop(console);
        thread.join().unwrap();
        let all: String = written.iter().collect();
        let last = format!("line {}\n", 3 * ROOM - 1);
        assert!(all.contains("lines were left out") && all.contains(&last), "{} octets", all.len());
        assert!(all.matches("live").count() < 10, "only the newest is shown");
    }

    #[test]
    fn a_log_has_one_line_after_the_other() {
        let kept = VecDeque::from(["a".to_owned(), "b".to_owned()]);
        assert_eq!(log(0, &kept, Some("c")), "a\nb\nc\n");
        assert_eq!(log(2, &kept, Some("")), "(2 lines were left out: nobody took them)\na\nb\n");
    }
}
