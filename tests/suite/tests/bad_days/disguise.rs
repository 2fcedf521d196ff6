//! This program started again as somebody with less: it gives something up and becomes the program under test.

use std::ffi::OsString;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Command, Stdio};

use anyhow::{Context, Result};
use kitproof_bench::Room;
use kitproof_suite::{Running, program};
use nix::mount::{MsFlags, mount};
use nix::sched::{CloneFlags, unshare};
use rustix::thread::{CapabilitySet, remove_capability_from_bounding_set};

/// What is different for the program under test.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Lack<'a> {
    /// CAP_NET_RAW: no packet sockets.
    NetRaw,
    /// Space: the folder holds 4 KiB at most.
    Space(&'a Path),
    /// The folder cannot be written to, not even by root.
    Writing(&'a Path),
}

const MARK: &str = "--disguised";

/// Starts a program of the product in `room` with something lacking.
pub(crate) fn start(room: &Room, lack: Lack, name: &str, arguments: &[&str]) -> Result<Running> {
    let (word, path) = match lack {
        Lack::NetRaw => ("net-raw", Path::new("-")),
        Lack::Space(path) => ("space", path),
        Lack::Writing(path) => ("writing", path),
    };
    let mut command = Command::new(std::env::current_exe()?);
    command
        .args([MARK, word])
        .arg(path)
        .arg(program(name)?)
        .args(arguments)
        .env("XDG_STATE_HOME", "/proc/kitproof")
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    Running::spawn(room, command)
}

/// Where this process was started by [`start`], does what it says and never returns.
pub(crate) fn put_on() {
    let arguments: Vec<OsString> = std::env::args_os().skip(1).collect();
    if let [mark, word, path, program, rest @ ..] = arguments.as_slice()
        && mark == MARK
    {
        let error = give_up(&word.to_string_lossy(), Path::new(path))
            .err()
            .unwrap_or_else(|| Command::new(program).args(rest).exec().into());
        eprintln!("the disguise does not fit: {error:#}");
        std::process::exit(99);
    }
}

fn give_up(word: &str, path: &Path) -> Result<()> {
    if word == "net-raw" {
        // Root gets back at an exec what the bounding set leaves, capabilities(7).
        return remove_capability_from_bounding_set(CapabilitySet::NET_RAW)
            .context("no capability can be dropped");
    }
    let none: Option<&str> = None;
    unshare(CloneFlags::CLONE_NEWNS).context("no mount namespace")?;
    mount(none, "/", none, MsFlags::MS_REC | MsFlags::MS_PRIVATE, none)
        .context("mounts cannot be made private")?;
    let flags = if word == "writing" { MsFlags::MS_RDONLY } else { MsFlags::empty() };
    mount(Some("tmpfs"), path, Some("tmpfs"), flags, Some("size=4k")).context("no tmpfs")?;
    Ok(())
}
