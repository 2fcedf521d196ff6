//! This program started again as somebody with less: it gives something up and becomes the program under test.

use std::ffi::OsString;
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
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
    /// Nothing, but it is another machine: see [`Machine`].
    Own(&'a Machine),
}

/// A machine whose sensors and clocks are a folder of the test's.
#[derive(Debug)]
pub struct Machine {
    folder: PathBuf,
    clocks: File,
}

/// Folders of the kernel's that are the test's own, where the kernel has them.
const SENSORS: [&str; 4] = ["class/power_supply", "class/thermal", "class/hwmon", "devices/system/cpu"];

impl Machine {
    /// One without sensors, that never slept.
    pub fn new(folder: &Path) -> Result<Self> {
        let folder = folder.join("machine");
        for sensors in SENSORS {
            std::fs::create_dir_all(folder.join(sensors))?;
        }
        let place = folder.join("clocks");
        std::fs::write(&place, [0; 16])?;
        Ok(Self { clocks: File::options().write(true).open(place)?, folder })
    }

    /// A file of the kernel's, below /sys, always there whole.
    pub fn says(&self, name: &str, text: &str) -> Result<()> {
        let path = self.folder.join(name);
        std::fs::create_dir_all(path.parent().context("a folder")?)?;
        let beside = self.folder.join("next");
        std::fs::write(&beside, format!("{text}\n"))?;
        Ok(std::fs::rename(beside, path)?)
    }

    /// Whether the kernel has that folder below /sys, so that the test's takes its place.
    #[must_use]
    pub fn has(folder: &str) -> bool {
        Path::new("/sys").join(folder).is_dir()
    }

    /// It slept so long, and its wall clock was set by so much, ns, since it was made.
    pub fn clocks(&self, slept: i64, set: i64) -> Result<()> {
        let octets: Vec<u8> = [slept, set].into_iter().flat_map(i64::to_ne_bytes).collect();
        Ok(self.clocks.write_all_at(&octets, 0)?)
    }
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
        Lack::Own(machine) => ("own".to_owned(), machine.folder.as_path()),
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
    if let Lack::Own(machine) = lack {
        command
            .env("LD_PRELOAD", program("libkitproof_clocks.so")?)
            .env("KITPROOF_CLOCKS", machine.folder.join("clocks"));
    }
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
    if word == "own" {
        for sensors in SENSORS.into_iter().filter(|sensors| Machine::has(sensors)) {
            let (own, kernels) = (path.join(sensors), Path::new("/sys").join(sensors));
            mount(Some(&own), &kernels, none, MsFlags::MS_BIND, none)
                .with_context(|| format!("{} cannot be taken over", kernels.display()))?;
        }
        return Ok(());
    }
    let (flags, size) =
        if word == "writing" { (MsFlags::MS_RDONLY, "size=4k") } else { (MsFlags::empty(), word) };
    mount(Some("tmpfs"), path, Some("tmpfs"), flags, Some(size)).context("no tmpfs")?;
    Ok(())
}
