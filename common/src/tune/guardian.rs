//! The small process that puts settings back whatever becomes of the run.
//!
//! It is this program started again with a mark that no help text shows. It holds the read end of a pipe whose write end
//! only the run has: however the run ends, the kernel closes the pipe, and the guardian puts back what the note says,
//! removes the note and ends. It sits in a session of its own, minds no signal that a terminal or a service manager sends
//! on the way to ending the run, and keeps the two capabilities that setting takes.

use std::env;
use std::ffi::OsString;
use std::io::{self, Read, Write};
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Child, ChildStdin, Command, ExitCode, Stdio};
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::retry_on_intr;
use rustix::process::Signal;
use rustix::thread::CapabilitySet;

use super::machine::{Machine, ThisHost};
use super::process::{Place, Process};
use super::restore::{settle, told};
use crate::host;
use crate::port::sys_signal;

/// The first argument of a guardian; the note's path is the second.
const MARK: &str = "--tuning-guardian";
/// What a guardian says when nothing but the end of the run, or SIGKILL, ends it any more.
const READY: &[u8] = b"ready\n";
/// How long it may take to get ready, in seconds.
const START_S: i64 = 10;
/// How long it may take to put settings back. Some drivers need seconds for a ring.
const END: Duration = Duration::from_secs(30);

/// Where this process was started as a guardian, does that work and returns its exit status; `None` otherwise. The first
/// thing in `main`, before the command line is read and before there are threads.
#[must_use]
pub fn if_asked() -> Option<ExitCode> {
    let arguments: Vec<OsString> = env::args_os().skip(1).take(3).collect();
    let [mark, note] = arguments.as_slice() else { return None };
    (mark == MARK).then(|| match stand(Path::new(note)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            let _ = writeln!(io::stderr(), "kitproof: the process that puts settings back: {error}");
            ExitCode::FAILURE
        }
    })
}

fn stand(note: &Path) -> io::Result<()> {
    for signal in [Signal::INT, Signal::QUIT, Signal::HUP, Signal::TERM] {
        sys_signal::ignore(signal)?;
    }
    rustix::process::setsid()?;
    rustix::thread::set_name(c"kitproof-guard")?;
    // No folder is held that somebody may want to unmount.
    rustix::process::chdir("/")?;
    host::keep_only(CapabilitySet::NET_ADMIN | CapabilitySet::DAC_OVERRIDE)?;
    for line in watch(&ThisHost::default(), note, &mut io::stdin().lock(), &mut io::stdout())? {
        // Without a run that could pass it on, to whoever still looks.
        if writeln!(io::stdout(), "{line}").is_err() {
            let _ = writeln!(io::stderr(), "kitproof: {line}");
        }
    }
    Ok(())
}

/// Says that it is ready, waits for the end of `input`, and puts back what the note says then. What is worth telling.
fn watch(
    machine: &impl Machine,
    note: &Path,
    input: &mut impl Read,
    output: &mut impl Write,
) -> io::Result<Vec<String>> {
    let here = Place::here().ok_or_else(|| io::Error::other("/proc does not tell what runs where"))?;
    output.write_all(READY)?;
    output.flush()?;
    // Nothing is ever written to the pipe; an error of it is an end as well.
    let _ = io::copy(input, &mut io::sink());
    match settle(machine, note, &here) {
        Ok(outcomes) => Ok(told(&outcomes)),
        // The run ended before it changed anything.
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
        Err(error) => Ok(vec![format!("{}: {error}", note.display())]),
    }
}

/// A guardian as the run sees it.
#[derive(Debug)]
pub(super) struct Guardian {
    child: Child,
    /// The write end of the pipe; closed when it is dropped, or this process ends.
    run: Option<ChildStdin>,
}

impl Guardian {
    /// Starts one for a note, and waits until it is ready.
    pub(super) fn start(note: &Path) -> io::Result<Self> {
        // However this program was started and whatever became of its file since.
        let mut child = Command::new("/proc/self/exe")
            .arg0("kitproof-guard")
            .arg(MARK)
            .arg(note)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()?;
        let run = child.stdin.take();
        let mut guardian = Self { child, run };
        guardian.ready().inspect_err(|_| guardian.kill())?;
        Ok(guardian)
    }

    fn ready(&mut self) -> io::Result<()> {
        let says = self.child.stdout.as_mut().ok_or_else(|| io::Error::other("it has no standard output"))?;
        let until = Timespec { tv_sec: START_S, tv_nsec: 0 };
        let wait = || poll(&mut [PollFd::new(&*says, PollFlags::IN)], Some(&until));
        if retry_on_intr(wait)? == 0 {
            return Err(io::ErrorKind::TimedOut.into());
        }
        let mut word = [0; READY.len()];
        says.read_exact(&mut word)?;
        if word == READY { Ok(()) } else { Err(io::Error::other("it says something else")) }
    }

    fn kill(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// Who it is; `None` if it has ended.
    pub(super) fn process(&self) -> Option<Process> {
        Process::numbered(self.child.id())
    }

    /// Lets it put the settings back, and waits for that. What it has to tell.
    ///
    /// # Errors
    /// `TimedOut`: it is still at it. Anything else: it was killed, or failed, and did not do its work.
    pub(super) fn end(&mut self) -> io::Result<Vec<String>> {
        self.run = None;
        let until = Instant::now() + END;
        let status = loop {
            match self.child.try_wait()? {
                Some(status) => break status,
                None if Instant::now() > until => return Err(io::ErrorKind::TimedOut.into()),
                None => std::thread::sleep(Duration::from_millis(5)),
            }
        };
        if !status.success() {
            return Err(io::Error::other(status.to_string()));
        }
        let mut text = String::new();
        if let Some(mut says) = self.child.stdout.take() {
            says.read_to_string(&mut text)?;
        }
        Ok(text.lines().map(str::to_owned).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::super::machine::invented::{Folder, Memory};
    use super::super::note::{Entry, Note};
    use super::super::setting::{Setting, Value};
    use super::*;

    fn noted(folder: &Folder) -> (Memory, std::path::PathBuf, Setting) {
        let setting = Setting::Governor { cpu: 0 };
        let (old, fast) = (Value::Governor("powersave".into()), Value::Governor("performance".into()));
        let entry =
            Entry { setting: setting.clone(), from: old, to: fast.clone(), found: Some(fast.clone()) };
        let note = Note::new(Place::here().unwrap(), Process::this().unwrap(), vec![entry]);
        let path = note.path_in(folder.path());
        note.save(&path).unwrap();
        (Memory::with([(setting.clone(), fast)]), path, setting)
    }

    /// Reads its end only when the settings are still as the run has set them.
    struct Run<'a>(&'a Memory, &'a Setting, usize);

    impl Read for Run<'_> {
        fn read(&mut self, octets: &mut [u8]) -> io::Result<usize> {
            assert_eq!(self.0.values.borrow()[self.1], Value::Governor("performance".into()));
            self.2 = self.2.saturating_sub(1);
            octets[0] = b'x';
            match self.2 {
                0 => Ok(0),
                1 => Err(io::ErrorKind::Interrupted.into()),
                _ => Ok(1),
            }
        }
    }

    #[test]
    fn it_waits_for_the_end_of_the_run_and_then_puts_back() {
        let folder = Folder::new("guardian");
        let (machine, note, setting) = noted(&folder);
        let mut said = Vec::new();
        let lines = watch(&machine, &note, &mut Run(&machine, &setting, 4), &mut said).unwrap();
        assert_eq!(said, READY);
        assert_eq!(lines, ["put back: governor of cpu0: performance -> powersave"]);
        assert_eq!(machine.values.borrow()[&setting], Value::Governor("powersave".into()));
        assert!(!note.exists());
    }

    #[test]
    fn without_a_note_there_is_nothing_to_do() {
        let folder = Folder::new("no-note");
        let absent = folder.path().join("tuned-1-1.json");
        let lines = watch(&Memory::default(), &absent, &mut io::empty(), &mut Vec::new()).unwrap();
        assert_eq!(lines, Vec::<String>::new());
        std::fs::write(&absent, "spoilt").unwrap();
        let lines = watch(&Memory::default(), &absent, &mut io::empty(), &mut Vec::new()).unwrap();
        assert!(lines.len() == 1 && lines[0].contains("tuned-1-1.json"), "{lines:?}");
    }

    /// This test program, started again, is no guardian: that is noticed, and nothing is left running.
    #[test]
    fn what_does_not_get_ready_is_no_guardian() {
        let folder = Folder::new("not-ready");
        let (_, note, _) = noted(&folder);
        assert!(Guardian::start(&note).is_err());
        assert!(note.exists());
    }
}
