//! This program started again as somebody with less: it gives something up and becomes the program under test.

use std::ffi::OsString;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Command, Stdio};

use anyhow::{Context, Result};
use kitproof_bench::Room;

use nix::mount::{MsFlags, mount};
use nix::sched::{CloneFlags, unshare};
use rustix::thread::{CapabilitySet, remove_capability_from_bounding_set};

use crate::{Running, program};

/// What is different for the program under test.
#[derive(Clone, Copy, Debug)]
pub enum Lack<'a> {
    /// CAP_NET_RAW: no packet sockets.
    NetRaw,
    /// Space: the folder is empty and holds so many KiB at most. From outside it is below /proc/PID/root.
    Space(&'a Path, u32),
    /// The folder cannot be written to, not even by root.
    Writing(&'a Path),
}

const MARK: &str = "--disguised";

/// Starts a program of the product in `room` with something lacking.
///
/// # Errors
/// It cannot be started.
pub fn start(room: &Room, lack: Lack, name: &str, arguments: &[&str]) -> Result<Running> {
    let (word, path) = match lack {
        Lack::NetRaw => ("net-raw".to_owned(), Path::new("-")),
        Lack::Space(path, kib) => (format!("size={kib}k"), path),
        Lack::Writing(path) => ("writing".to_owned(), path),
    };
    let mut command = Command::new(std::env::current_exe()?);
    command
        .args([MARK, &word])
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
pub fn put_on() {
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
    let (flags, size) =
        if word == "writing" { (MsFlags::MS_RDONLY, "size=4k") } else { (MsFlags::empty(), word) };
    mount(Some("tmpfs"), path, Some("tmpfs"), flags, Some(size)).context("no tmpfs")?;
    Ok(())
}
