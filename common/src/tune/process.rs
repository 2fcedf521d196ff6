//! Which process, boot and namespaces a note speaks of.

use std::fs;

use serde::{Deserialize, Serialize};

/// A process, told from a later one with the same number by when it started.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Process {
    /// Its number in its PID namespace.
    pub pid: u32,
    /// When it started, in clock ticks since the machine did.
    pub started: u64,
}

impl Process {
    /// This process; `None` where `/proc` does not tell.
    #[must_use]
    pub fn this() -> Option<Self> {
        Self::numbered(std::process::id())
    }

    /// The process with this number now; `None` if there is none, or only what is left of one until its parent has
    /// asked how it ended.
    #[must_use]
    pub fn numbered(pid: u32) -> Option<Self> {
        let (state, started) = parse(&fs::read_to_string(format!("/proc/{pid}/stat")).ok()?)?;
        (!matches!(state, 'Z' | 'X' | 'x')).then_some(Self { pid, started })
    }

    /// Whether it still runs.
    #[must_use]
    pub fn lives(&self) -> bool {
        Self::numbered(self.pid).as_ref() == Some(self)
    }
}

/// State and start of a process (proc_pid_stat(5), fields 3 and 22). The name before them may hold anything, brackets and
/// spaces too, but nothing behind it has a bracket.
fn parse(stat: &str) -> Option<(char, u64)> {
    let (_, rest) = stat.rsplit_once(')')?;
    let mut words = rest.split_ascii_whitespace();
    let state = words.next()?.chars().next()?;
    Some((state, words.nth(18)?.parse().ok()?))
}

/// What the settings of a note belong to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Place {
    /// The machine's start: no setting outlives the next one.
    pub boot: String,
    /// The network namespace of the ports.
    pub network: String,
    /// The PID namespace of the process numbers.
    pub processes: String,
}

impl Place {
    /// Where the calling thread is; `None` where `/proc` does not tell.
    #[must_use]
    pub fn here() -> Option<Self> {
        let namespace = |path: &str| Some(fs::read_link(path).ok()?.to_string_lossy().into_owned());
        Some(Self {
            boot: fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?.trim().to_owned(),
            network: namespace("/proc/thread-self/ns/net")?,
            processes: namespace("/proc/self/ns/pid")?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_start_is_the_twenty_second_field_whatever_the_name_is() {
        // proc_pid_stat(5): pid (comm) state ppid pgrp session tty_nr tpgid flags minflt cminflt majflt cmajflt utime
        // stime cutime cstime priority nice num_threads itrealvalue starttime …
        let line =
            |name: &str| format!("7 ({name}) S 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 19 20 21 4242 23 24");
        for name in ["sh", "a b", "a) S 1", "((", ")"] {
            assert_eq!(parse(&line(name)), Some(('S', 4242)), "{name}");
        }
        assert_eq!(parse("7 (sh) S 4 5"), None);
        assert_eq!(parse(""), None);
    }

    #[test]
    fn a_process_is_not_the_one_before_it() {
        let this = Process::this().unwrap();
        assert!(this.lives());
        assert!(!Process { started: this.started + 1, ..this }.lives());
        assert_eq!(Place::here(), Place::here());
        assert!(Place::here().unwrap().network.starts_with("net:["));
    }

    /// A process that was killed stays in `/proc` until its parent asks; it puts nothing back any more.
    #[test]
    fn what_is_left_of_a_process_does_not_live() {
        let mut child = std::process::Command::new("sleep").arg("600").spawn().unwrap();
        let process = Process::numbered(child.id()).unwrap();
        assert!(process.lives());
        child.kill().unwrap();
        let until = std::time::Instant::now() + std::time::Duration::from_secs(20);
        while process.lives() && std::time::Instant::now() < until {
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
        let left = fs::exists(format!("/proc/{}/stat", child.id())).unwrap();
        let lives = process.lives();
        child.wait().unwrap();
        assert!(left && !lives);
    }
}
