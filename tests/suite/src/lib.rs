//! What the end-to-end tests share: a harness that can enter a user namespace, the real binaries, and
//! results read back from JSON.
//!
//! Each test file is a program of its own (`harness = false`): a user namespace can only be entered before
//! there are threads. As root a bench that cannot be made is a failure; otherwise the tests that need it
//! are ignored, with the reason.

mod busy;
pub mod disguise;
pub mod rig;
mod steady;

use std::ffi::OsStr;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use kitproof_bench::bench::{GENERATOR_PORT, REFLECTOR_PORT};
use kitproof_bench::room::RoomChild;
use kitproof_bench::{Room, enter};
use libtest_mimic::{Arguments, Completion, Failed, Trial};
use serde_json::Value;

pub use steady::steady;

/// One test: a name and what it does.
pub type Check = (&'static str, fn() -> Result<()>);

/// Runs the checks of one test program, one at a time: two cores are few.
pub fn run(checks: &[Check]) -> ! {
    run_where(|| Ok(()), checks)
}

/// The same for checks that measure time on a machine that others share: one that does not hold is done again from the
/// beginning, and must not fail four times. Where others took more of the processors than `OTHERS_AT_MOST` in each of
/// these, that is said, as `NOT MEASURED`, and is no failure: timing there is theirs. Never for those that say what no verdict
/// may be. `KITPROOF_MEASURE=required` makes it one.
pub fn run_measuring(checks: &[Check]) -> ! {
    run_attempts(|| Ok(()), checks, 4)
}

/// The same, where `possible` says that the kernel lets this user do what the checks need.
pub fn run_where(possible: impl FnOnce() -> Result<(), String>, checks: &[Check]) -> ! {
    run_attempts(possible, checks, 1)
}

fn run_attempts(possible: impl FnOnce() -> Result<(), String>, checks: &[Check], attempts: usize) -> ! {
    let privilege = enter().map_err(|error| format!("{error:#}")).and_then(|_| possible());
    let mut arguments = Arguments::from_args();
    arguments.test_threads = Some(1);
    let root = rustix::process::geteuid().is_root();
    let required = root || std::env::var_os("KITPROOF_BENCH").is_some_and(|value| value == "required");
    let trials = checks
        .iter()
        .map(|&(name, check)| {
            let refused = privilege.as_ref().err().cloned();
            Trial::ignorable_test(name, move || match refused {
                Some(reason) if required => Err(Failed::from(reason)),
                Some(reason) => {
                    eprintln!("SKIPPED {name}: {reason}");
                    Ok(Completion::ignored_with(reason))
                }
                None => match attempted(name, check, attempts) {
                    Ok(()) => Ok(Completion::Completed),
                    Err(error) => Err(Failed::from(format!("{error:#}"))),
                },
            })
        })
        .collect();
    libtest_mimic::run(&arguments, trials).exit()
}

fn attempted(name: &str, check: fn() -> Result<()>, attempts: usize) -> Result<()> {
    let mut least = 1.0_f64;
    for attempt in 1..=attempts {
        let before = busy::Taken::now();
        let Err(error) = check() else { return Ok(()) };
        least = least.min(busy::Taken::now().by_others_since(&before));
        let required = std::env::var_os("KITPROOF_MEASURE").is_some_and(|value| value == "required");
        if attempt < attempts {
            eprintln!("{name} did not hold, attempt {attempt}: {error:#}");
        } else if attempts > 1 && least > OTHERS_AT_MOST && !required {
            eprintln!(
                "NOT MEASURED {name}: others took {:.0} % of the processors at the least: {error:#}",
                100.0 * least
            );
            return Ok(());
        } else {
            return Err(error);
        }
    }
    Ok(())
}

/// Share of all processors that others may have while time is measured.
const OTHERS_AT_MOST: f64 = 0.10;

/// A program built with this test, in the same profile.
pub fn program(name: &str) -> Result<PathBuf> {
    let own = std::env::current_exe()?;
    // target/<profile>/deps/<test>
    let folder = own.parent().and_then(Path::parent).context("the test program has no folder")?;
    let path = folder.join(name);
    ensure!(
        path.exists(),
        "{} is not built: cargo build --workspace in the same profile first",
        path.display()
    );
    Ok(path)
}

/// How a program ended.
#[derive(Debug)]
pub struct Ended {
    pub status: i32,
    pub stdout: String,
    pub stderr: String,
}

impl Ended {
    /// The result JSON that was printed with `--json -`.
    pub fn json(&self) -> Result<Value> {
        serde_json::from_str(&self.stdout).with_context(|| format!("not JSON: {self:?}"))
    }
}

/// A program that runs in a room; its output is gathered.
pub struct Running {
    child: RoomChild,
    stdout: std::thread::JoinHandle<String>,
    stderr: std::thread::JoinHandle<String>,
}

impl Running {
    /// Starts `program` in `room`. Nothing is remembered between runs: the state folder cannot be made.
    pub fn start<S: AsRef<OsStr>>(room: &Room, name: &str, arguments: &[S]) -> Result<Self> {
        Self::remembering(room, Path::new("/proc/kitproof"), name, arguments)
    }

    /// The same, with a folder in which it may remember (that the link was listened to, so that the next run on the
    /// same bench need not wait).
    pub fn remembering<S: AsRef<OsStr>>(
        room: &Room,
        state: &Path,
        name: &str,
        arguments: &[S],
    ) -> Result<Self> {
        let mut command = Command::new(program(name)?);
        command
            .args(arguments)
            .env("XDG_STATE_HOME", state)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        Self::spawn(room, command)
    }

    /// Starts any command, its standard output and error piped by the caller.
    pub fn spawn(room: &Room, command: Command) -> Result<Self> {
        let mut child = room.spawn(command)?;
        let stdout = gather(child.stdout.take().context("standard output is not piped")?);
        let stderr = gather(child.stderr.take().context("standard error is not piped")?);
        Ok(Self { child, stdout, stderr })
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Waits for its end, at most `patience`.
    pub fn wait(self, patience: Duration) -> Result<Ended> {
        self.wait_for(patience)
    }

    /// Kills it (SIGKILL), unless it has ended; how it ended.
    pub fn kill(mut self) -> Result<Ended> {
        let _ = self.child.kill();
        self.wait_for(Duration::from_secs(10))
    }

    fn wait_for(mut self, patience: Duration) -> Result<Ended> {
        let Some(status) = self.child.wait_for(patience)? else {
            drop(self.child);
            let stderr = self.stderr.join().unwrap_or_default();
            bail!("still running after {patience:?}; it said: {stderr}");
        };
        Ok(Ended {
            // A signal has no code; -1 is none of ours.
            status: status.code().unwrap_or(-1),
            stdout: self.stdout.join().unwrap_or_default(),
            stderr: self.stderr.join().unwrap_or_default(),
        })
    }
}

fn gather(mut pipe: impl Read + Send + 'static) -> std::thread::JoinHandle<String> {
    std::thread::spawn(move || {
        let mut octets = Vec::new();
        let _ = pipe.read_to_end(&mut octets);
        String::from_utf8_lossy(&octets).into_owned()
    })
}

/// A reflector in its room, gone when dropped.
pub fn reflector(room: &Room) -> Result<Running> {
    Running::start(room, "kitproof-reflector", &[REFLECTOR_PORT, "--exit-with-parent"])
}

/// A reflector that uses packet sockets, whatever else it could.
pub fn reflector_by_packets(room: &Room) -> Result<Running> {
    Running::start(room, "kitproof-reflector", &[REFLECTOR_PORT, "--exit-with-parent", "--via", "packet"])
}

/// `kitproof prove` on the generator's port with `--json -` and the acknowledgement.
pub fn prove(room: &Room, arguments: &[&str]) -> Result<Ended> {
    let fixed = ["prove", GENERATOR_PORT, "--isolated-bench", "--unattended", "--json", "-"];
    let all = [&fixed[..], arguments].concat();
    Running::start(room, "kitproof", &all)?.wait(Duration::from_secs(300))
}

/// A number of a trial, by name.
pub fn number(trial: &Value, name: &str) -> Result<u64> {
    trial[name].as_u64().with_context(|| format!("the trial has no number {name}: {trial}"))
}

/// The trials of a result.
pub fn trials(result: &Value) -> Result<&[Value]> {
    Ok(result["trials"].as_array().context("the result has no trials")?.as_slice())
}

/// A folder of this test process, gone when dropped.
#[derive(Debug)]
pub struct Folder(PathBuf);

impl Folder {
    pub fn new(name: &str) -> Result<Self> {
        let path = std::env::temp_dir().join(format!("kitproof-{name}-{}", std::process::id()));
        std::fs::create_dir_all(&path).with_context(|| format!("{} cannot be made", path.display()))?;
        Ok(Self(path))
    }

    pub fn path(&self) -> &Path {
        &self.0
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// Holds a result against the published schema (generator/schema/result.schema.json).
pub fn validate(result: &Value) -> Result<()> {
    let schema: Value = serde_json::from_str(include_str!("../../../generator/schema/result.schema.json"))?;
    let validator = jsonschema::validator_for(&schema).context("the schema is no schema")?;
    let errors: Vec<String> =
        validator.iter_errors(result).map(|error| format!("{}: {error}", error.instance_path())).collect();
    ensure!(errors.is_empty(), "the result does not keep the schema: {errors:#?}");
    Ok(())
}
