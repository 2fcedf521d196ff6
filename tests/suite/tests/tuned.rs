//! Tuning the host: what is set for a run is put back however the run ends, `kill -9` of everybody included.
//!
//! The real binaries on a machine that is partly invented: each check starts them in a mount namespace of their own in
//! which a folder of the test lies over `/sys/devices/system/cpu` and `/run`. The programs find two processors with a
//! frequency governor there, and keep their notes there; nothing of the real host is set.

use std::ffi::OsString;
use std::fs;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail, ensure};
use kitproof_bench::bench::{GENERATOR_PORT, REFLECTOR_PORT};
use kitproof_bench::{Bench, Options, Room};
use kitproof_common::tune::process::Process;
use kitproof_suite::{Ended, Folder, Running, program, reflector, validate};
use nix::mount::{MsFlags, mount};
use nix::sched::{CloneFlags, unshare};
use rustix::process::{Pid, Signal, kill_process};

const ENVIRONMENT: i32 = 4;
/// Nothing here takes longer, on any machine; what is waited for is there within milliseconds as a rule.
const PATIENCE: Duration = Duration::from_secs(60);

/// How an invented processor starts.
const SLOW: &str = "powersave";
const FAST: &str = "performance";

fn main() {
    put_on();
    kitproof_suite::run(&[
        ("a_reflector_that_is_killed_is_put_back_by_its_guardian", a_killed_reflector),
        ("a_generator_that_is_killed_in_a_trial_is_put_back_by_its_guardian", a_killed_generator),
        ("killed_with_its_guardian_the_next_start_puts_back", killed_with_its_guardian),
        ("a_guardian_that_was_killed_is_replaced_by_its_run", a_killed_guardian),
        ("an_ordinary_end_puts_back_and_the_result_says_what_was_set", an_ordinary_end),
        ("what_somebody_else_has_set_since_is_left", what_somebody_else_has_set),
        ("without_a_place_for_the_note_nothing_is_set", without_a_place_for_the_note),
        ("preflight_shows_what_would_help_and_tries_it", preflight),
        ("without_being_asked_nothing_is_set", without_being_asked),
    ]);
}

/// A machine with two processors that nobody has.
struct Machine(Folder);

impl Machine {
    fn new(name: &str) -> Result<Self> {
        let folder = Folder::new(&format!("tuned-{name}"))?;
        fs::create_dir_all(folder.path().join("run"))?;
        for cpu in ["cpu0", "cpu1"] {
            let policy = folder.path().join("cpus").join(cpu).join("cpufreq");
            fs::create_dir_all(&policy)?;
            fs::write(policy.join("scaling_governor"), format!("{SLOW}\n"))?;
            fs::write(policy.join("scaling_available_governors"), "performance powersave schedutil \n")?;
        }
        fs::write(folder.path().join("cpus/isolated"), "\n")?;
        Ok(Self(folder))
    }

    fn governor_file(&self, cpu: u32) -> PathBuf {
        self.0.path().join(format!("cpus/cpu{cpu}/cpufreq/scaling_governor"))
    }

    fn governors(&self) -> Result<[String; 2]> {
        let read =
            |cpu| Ok::<_, anyhow::Error>(fs::read_to_string(self.governor_file(cpu))?.trim().to_owned());
        Ok([read(0)?, read(1)?])
    }

    fn is_set_to(&self, governor: &str) -> Result<bool> {
        Ok(self.governors()?.iter().all(|now| now == governor))
    }

    /// The notes, and parts of notes, that are there.
    fn notes(&self) -> Vec<PathBuf> {
        let entries = fs::read_dir(self.0.path().join("run/kitproof")).into_iter().flatten().flatten();
        entries.map(|entry| entry.path()).collect()
    }

    /// Starts a program of the product on this machine, in `room`.
    fn start(&self, room: &Room, name: &str, arguments: &[&str]) -> Result<Running> {
        let mut command = Command::new(std::env::current_exe()?);
        command
            .arg(MARK)
            .arg(self.0.path())
            .arg(program(name)?)
            .args(arguments)
            .env("XDG_STATE_HOME", "/proc/kitproof")
            .env_remove("XDG_RUNTIME_DIR")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        Running::spawn(room, command)
    }

    /// What preflight says here, with more options or none.
    fn preflight(&self, room: &Room, more: &[&str]) -> Result<Ended> {
        self.start(room, "kitproof", &[&["preflight", GENERATOR_PORT], more].concat())?.wait(PATIENCE)
    }

    /// A reflector that has tuned this machine, and its guardian.
    fn tuned_reflector(&self, room: &Room) -> Result<(Running, Process)> {
        let arguments = [REFLECTOR_PORT, "--tune", "--exit-with-parent"];
        let running = self.start(room, "kitproof-reflector", &arguments)?;
        let guardian = self.set_by(&running)?;
        Ok((running, guardian))
    }

    /// Waits until a run has set everything; its guardian.
    fn set_by(&self, running: &Running) -> Result<Process> {
        // The note of an earlier run may still be there. A note is final when it says what was found of both.
        let own = format!("tuned-{}-", running.id());
        until("the run's note is final", || {
            let notes = self.notes().into_iter().filter(|note| note.to_string_lossy().contains(&own));
            let final_note =
                |note| fs::read_to_string(note).is_ok_and(|text| text.matches("\"found\": {").count() == 2);
            Ok(notes.filter(|note| note.extension().is_some_and(|end| end == "json")).any(final_note))
        })?;
        ensure!(self.is_set_to(FAST)?, "{:?}", self.governors()?);
        let guardians = children(running.id())?;
        let [guardian] = guardians.as_slice() else { bail!("not one guardian but {guardians:?}") };
        Ok(*guardian)
    }

    /// Everything is as before, and nothing is left.
    fn is_as_before(&self) -> Result<()> {
        let governors = self.governors()?;
        ensure!(governors == [SLOW, SLOW], "the governors are {governors:?}");
        ensure!(self.notes().is_empty(), "left behind: {:?}", self.notes());
        Ok(())
    }
}

const MARK: &str = "--on-an-invented-machine";

/// Where this process was started by [`Machine::start`]: lays the folder over the host's files and becomes the program.
fn put_on() {
    let arguments: Vec<OsString> = std::env::args_os().skip(1).collect();
    if let [mark, folder, program, rest @ ..] = arguments.as_slice()
        && mark == MARK
    {
        let error =
            lay(Path::new(folder)).err().unwrap_or_else(|| Command::new(program).args(rest).exec().into());
        eprintln!("the machine cannot be invented: {error:#}");
        std::process::exit(99);
    }
}

fn lay(folder: &Path) -> Result<()> {
    let none: Option<&str> = None;
    unshare(CloneFlags::CLONE_NEWNS).context("no mount namespace")?;
    mount(none, "/", none, MsFlags::MS_REC | MsFlags::MS_PRIVATE, none)
        .context("mounts cannot be made private")?;
    for (own, over) in [("cpus", "/sys/devices/system/cpu"), ("run", "/run")] {
        mount(Some(&folder.join(own)), over, none, MsFlags::MS_BIND, none)
            .with_context(|| format!("nothing can be laid over {over}"))?;
    }
    Ok(())
}

fn until(what: &str, mut holds: impl FnMut() -> Result<bool>) -> Result<()> {
    let end = Instant::now() + PATIENCE;
    while !holds()? {
        ensure!(Instant::now() < end, "waited for {PATIENCE:?} in vain until {what}");
        std::thread::sleep(Duration::from_millis(10));
    }
    Ok(())
}

/// The processes that this one has started and that run.
fn children(parent: u32) -> Result<Vec<Process>> {
    let is_child = |pid: &u32| {
        let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
        status
            .lines()
            .any(|line| line.strip_prefix("PPid:").is_some_and(|id| id.trim() == parent.to_string()))
    };
    let pids = fs::read_dir("/proc")?.flatten().filter_map(|entry| entry.file_name().to_str()?.parse().ok());
    Ok(pids.filter(is_child).filter_map(Process::numbered).collect())
}

fn send(pid: u32, signal: Signal) -> Result<()> {
    let pid = Pid::from_raw(i32::try_from(pid)?).context("no process has the number 0")?;
    kill_process(pid, signal).context("the signal cannot be sent")
}

fn kill_guardian(guardian: Process) -> Result<()> {
    send(guardian.pid, Signal::KILL)?;
    until("the guardian is dead", || Ok(!guardian.lives()))
}

/// Kills a run of ours and waits for its end, and for that of its guardian.
fn kill(running: Running, guardian: Process) -> Result<Ended> {
    send(running.id(), Signal::KILL)?;
    let ended = running.wait(PATIENCE)?;
    until("the guardian has ended", || Ok(!guardian.lives()))?;
    Ok(ended)
}

/// The guardian first, so that nobody puts anything back.
fn kill_both(running: Running, guardian: Process) -> Result<Ended> {
    kill_guardian(guardian)?;
    kill(running, guardian)
}

fn a_killed_reflector() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let machine = Machine::new("reflector")?;
    let (running, guardian) = machine.tuned_reflector(&bench.reflector)?;
    // It has a session of its own, and minds nothing that a terminal or a service manager sends.
    let name = fs::read_to_string(format!("/proc/{}/comm", guardian.pid))?;
    ensure!(name.trim() == "kitproof-guard", "{name}");
    for signal in [Signal::INT, Signal::HUP, Signal::QUIT, Signal::TERM] {
        send(guardian.pid, signal)?;
    }
    let status = fs::read_to_string(format!("/proc/{}/status", guardian.pid))?;
    // CAP_DAC_OVERRIDE is 1, CAP_NET_ADMIN 12 (linux/capability.h).
    let all = status.lines().find_map(|line| line.strip_prefix("CapPrm:")).context("no CapPrm")?;
    let all = u64::from_str_radix(all.trim(), 16)?;
    ensure!(all & !(1 << 1 | 1 << 12) == 0, "it keeps capabilities that it does not need: {all:x}");
    // Another start while the run goes on leaves everything as it is.
    let look = machine.preflight(&bench.generator, &[])?;
    ensure!(look.stderr.is_empty(), "{look:?}");
    ensure!(
        guardian.lives() && machine.is_set_to(FAST)? && machine.notes().len() == 1,
        "{:?}",
        machine.notes()
    );
    let ended = kill(running, guardian)?;
    ensure!(
        ended.stderr.contains("set until this stops: governor of cpu0-1: powersave -> performance"),
        "{ended:?}"
    );
    ensure!(ended.stderr.contains("put back: governor of cpu0-1: performance -> powersave"), "{ended:?}");
    machine.is_as_before()
}

/// A generator with a trial that nobody means to wait for.
fn long_run(machine: &Machine, room: &Room) -> Result<Running> {
    let fixed = ["prove", GENERATOR_PORT, "--tune", "--isolated-bench", "--unattended", "--json", "-"];
    let more = ["--line-rate", "100M", "--load", "1%", "--frame-size", "512", "--duration", "10m"];
    machine.start(room, "kitproof", &[&fixed[..], &more].concat())
}

fn a_killed_generator() -> Result<()> {
    let mut bench = Bench::with_wire(kitproof_bench::Script::faithful(), Options::default())?;
    let machine = Machine::new("generator")?;
    let _reflector = reflector(&bench.reflector)?;
    let running = long_run(&machine, &bench.generator)?;
    let guardian = machine.set_by(&running)?;
    // In the middle of the trial, with everything but one privilege given up long ago.
    until("test frames fly", || Ok(bench.ledger_so_far()?.last().is_some_and(|did| did.forward.seen > 100)))?;
    ensure!(machine.is_set_to(FAST)?, "{:?}", machine.governors()?);
    kill(running, guardian)?;
    bench.stop_wire()?;
    machine.is_as_before()
}

fn killed_with_its_guardian() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let machine = Machine::new("both")?;
    let (running, guardian) = machine.tuned_reflector(&bench.reflector)?;
    kill_both(running, guardian)?;
    ensure!(
        machine.is_set_to(FAST)? && machine.notes().len() == 1,
        "somebody has put back: {:?}",
        machine.notes()
    );
    // Any start will do, of either program, with --tune or without.
    let next = machine.preflight(&bench.generator, &[])?;
    ensure!(
        next.stderr.contains("that was killed: put back: governor of cpu0-1: performance -> powersave"),
        "{next:?}"
    );
    machine.is_as_before()?;
    // Once is enough.
    let after = machine.preflight(&bench.generator, &[])?;
    ensure!(after.stderr.is_empty(), "{after:?}");
    // And the other program: a run that tunes anew puts the old values back, not those it found left.
    let (running, guardian) = machine.tuned_reflector(&bench.reflector)?;
    kill_both(running, guardian)?;
    ensure!(machine.is_set_to(FAST)?, "{:?}", machine.governors()?);
    let (running, guardian) = machine.tuned_reflector(&bench.reflector)?;
    let ended = kill(running, guardian)?;
    ensure!(ended.stderr.contains("that was killed: put back: governor of cpu0-1"), "{ended:?}");
    machine.is_as_before()
}

fn a_killed_guardian() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let machine = Machine::new("guardian")?;
    let (running, guardian) = machine.tuned_reflector(&bench.reflector)?;
    kill_guardian(guardian)?;
    send(running.id(), Signal::TERM)?;
    let ended = running.wait(PATIENCE)?;
    ensure!(ended.status == 0, "{ended:?}");
    ensure!(ended.stderr.contains("the process that puts settings back has failed"), "{ended:?}");
    ensure!(ended.stderr.contains("put back: governor of cpu0-1"), "{ended:?}");
    machine.is_as_before()
}

fn an_ordinary_end() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let machine = Machine::new("ordinary")?;
    let _reflector = reflector(&bench.reflector)?;
    let fixed = ["prove", GENERATOR_PORT, "--tune", "--isolated-bench", "--unattended", "--json", "-"];
    let more = ["--line-rate", "100M", "--load", "1%", "--frame-size", "512", "--duration", "1s"];
    let ended = machine.start(&bench.generator, "kitproof", &[&fixed[..], &more].concat())?.wait(PATIENCE)?;
    machine.is_as_before()?;
    for told in ["set for this run: ", "put back: "] {
        ensure!(
            ended
                .stderr
                .lines()
                .any(|line| line.starts_with(&format!("kitproof: {told}governor of cpu0-1: "))),
            "{ended:?}"
        );
    }
    let result = ended.json()?;
    validate(&result)?;
    let expected = serde_json::json!([{"name": "governor of cpu0-1", "from": SLOW, "to": FAST}]);
    ensure!(result["pair"]["generator"]["tuned"] == expected, "{:#}", result["pair"]);
    ensure!(result["pair"]["reflector"].get("tuned").is_none(), "{:#}", result["pair"]);
    // An interrupted run ends as orderly.
    let running = long_run(&machine, &bench.generator)?;
    let guardian = machine.set_by(&running)?;
    send(running.id(), Signal::INT)?;
    let ended = running.wait(PATIENCE)?;
    ensure!(ended.status == 130 && !guardian.lives(), "{ended:?}");
    machine.is_as_before()
}

fn what_somebody_else_has_set() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let machine = Machine::new("somebody")?;
    let (running, guardian) = machine.tuned_reflector(&bench.reflector)?;
    fs::write(machine.governor_file(1), "schedutil\n")?;
    let ended = kill(running, guardian)?;
    let governors = machine.governors()?;
    ensure!(governors == [SLOW, "schedutil"], "{governors:?}");
    ensure!(
        ended.stderr.contains("governor of cpu1 was powersave, and somebody has set it to schedutil"),
        "{ended:?}"
    );
    ensure!(machine.notes().is_empty(), "{:?}", machine.notes());
    Ok(())
}

fn without_a_place_for_the_note() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let machine = Machine::new("no-place")?;
    // A file where the folder would be.
    fs::write(machine.0.path().join("run/kitproof"), "")?;
    let fixed =
        ["prove", GENERATOR_PORT, "--tune", "--isolated-bench", "--unattended", "--line-rate", "100M"];
    let ended = machine.start(&bench.generator, "kitproof", &fixed)?.wait(PATIENCE)?;
    ensure!(ended.status == ENVIRONMENT && ended.stderr.lines().count() == 1, "{ended:?}");
    ensure!(
        ended.stderr.contains("--tune: nothing was set") && ended.stderr.contains("/run/kitproof"),
        "{ended:?}"
    );
    ensure!(machine.is_set_to(SLOW)?, "{:?}", machine.governors()?);
    // What would be refused anyhow is refused before that.
    let wrong = [&fixed[..], &["--frame-size", "1519"]].concat();
    let ended = machine.start(&bench.generator, "kitproof", &wrong)?.wait(PATIENCE)?;
    ensure!(ended.status == 2 && ended.stderr.contains("1519"), "{ended:?}");
    Ok(())
}

fn preflight() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let machine = Machine::new("preflight")?;
    let shown = machine.preflight(&bench.generator, &["--no-color"])?;
    let line = |name: &str| shown.stdout.lines().find(|line| line.contains(name)).unwrap_or_default();
    ensure!(line("tune: governor").contains("governor of cpu0-1: powersave -> performance"), "{shown:?}");
    ensure!(shown.stdout.contains("-> a processor that has clocked down"), "{shown:?}");
    // A veth has neither rings nor interrupts, and nothing is invented.
    for name in ["tune: rings", "tune: interrupts"] {
        ensure!(
            line(name).starts_with("note") && line(name).ends_with("the driver does not tell"),
            "{shown:?}"
        );
    }
    ensure!(line("tune: isolation").contains("no processor is kept free"), "{shown:?}");
    ensure!(!shown.stdout.contains("tuning"), "{shown:?}");
    machine.is_as_before()?;
    let tried = machine.preflight(&bench.generator, &["--no-color", "--tune"])?;
    for expected in [
        "set: governor of cpu0-1: powersave -> performance",
        "put back: governor of cpu0-1: performance -> powersave",
    ] {
        let found = tried.stdout.lines().any(|line| line.starts_with("tuning ") && line.ends_with(expected));
        ensure!(found, "{expected}: {tried:?}");
    }
    machine.is_as_before()
}

fn without_being_asked() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let machine = Machine::new("unasked")?;
    let arguments = [REFLECTOR_PORT, "--exit-with-parent"];
    let running = machine.start(&bench.reflector, "kitproof-reflector", &arguments)?;
    // It answers, so it is past everything that it sets up.
    until("the reflector answers", || {
        let look = machine.preflight(&bench.generator, &[])?;
        Ok(look.status == 0)
    })?;
    ensure!(children(running.id())?.is_empty(), "a guardian of nothing");
    machine.is_as_before()?;
    send(running.id(), Signal::TERM)?;
    let ended = running.wait(PATIENCE)?;
    ensure!(ended.status == 0, "{ended:?}");
    machine.is_as_before()
}
