//! Where results go when they cannot go there.

use std::fs::{self, File};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use anyhow::{Context, Result, ensure};
use kitproof_bench::{Bench, Options};
use kitproof_suite::disguise::{self, Lack};
use kitproof_suite::{Ended, program, reflector_by_packets as reflector};
use serde_json::Value;

use crate::spoken::{PATIENCE, easy, kitproof, one_line, refused, whole};

/// A folder of this test's own, gone when dropped.
struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Result<Self> {
        let path = std::env::temp_dir().join(format!("kitproof-bad-days-{name}-{}", std::process::id()));
        fs::create_dir_all(&path)?;
        Ok(Self(path))
    }

    fn file(&self, name: &str) -> String {
        self.0.join(name).to_string_lossy().into_owned()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// The easy arguments with the JSON somewhere else than on standard output.
fn to_file<'a>(path: &'a str, more: &[&'a str]) -> Vec<&'a str> {
    let mut arguments = easy(more);
    let at = arguments.iter().position(|word| *word == "-").expect("--json - is among them");
    arguments[at] = path;
    arguments
}

/// Found out before the first frame: no such folder, a folder in place of a file, a folder that cannot be written to.
pub(crate) fn a_file_that_cannot_be_there() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let folder = Folder::new("read-only")?;
    let nowhere = folder.file("nowhere/result.json");
    let itself = folder.file("");
    let inside = folder.file("result.json");
    refused(&kitproof(&bench.generator, &to_file(&nowhere, &[]))?, 2, &[&nowhere, "there is no folder"])?;
    refused(&kitproof(&bench.generator, &to_file(&itself, &[]))?, 2, &[&itself, "is a folder"])?;
    refused(&kitproof(&bench.generator, &easy(&["--csv", &nowhere]))?, 2, &[&nowhere, "there is no folder"])?;
    let lack = Lack::Writing(&folder.0);
    let words = [&inside, "could not be written", "Read-only file system", "a folder that you may write to"];
    for arguments in [to_file(&inside, &[]), easy(&["--csv", &inside])] {
        refused(
            &disguise::start(&bench.generator, lack, "kitproof", &arguments)?.wait(PATIENCE)?,
            2,
            &words,
        )?;
    }
    ensure!(fs::read_dir(&folder.0)?.next().is_none(), "something was left behind");
    Ok(())
}

/// The JSON document that follows the table on standard output.
fn json_after_table(stdout: &str) -> Result<Value> {
    let start = stdout.find("\n{\n").context("no JSON on standard output")? + 1;
    let mut documents = serde_json::Deserializer::from_str(&stdout[start..]).into_iter::<Value>();
    Ok(documents.next().context("no JSON")??)
}

/// Repeats a run whose trial was only unproven because the host was slow.
fn until_it_passes(run: impl Fn() -> Result<Ended>) -> Result<(Ended, Value)> {
    for _ in 0..3 {
        let ended = run()?;
        let result = json_after_table(&ended.stdout).with_context(|| format!("{ended:#?}"))?;
        if result["verdict"] == "pass" {
            return Ok((ended, result));
        }
    }
    anyhow::bail!("no pass in three runs")
}

/// The disk is full when the result is written: it is printed instead, and what would have been a pass says 3.
pub(crate) fn a_full_disk() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let folder = Folder::new("full")?;
    let inside = folder.file("result.json");
    let sizes = ["--frame-size", "128,256,512"];
    let (ended, result) = until_it_passes(|| kitproof(&bench.generator, &to_file("/dev/full", &[])))?;
    let instead = "on standard output instead";
    one_line(&ended, "kitproof", 3, &["could not write /dev/full", "No space left on device", instead])?;
    ensure!(ended.stdout.contains("P A S S"), "no table: {}", ended.stdout);
    whole(&result["trials"][0])?;
    let (ended, result) = until_it_passes(|| {
        let lack = Lack::Space(&folder.0, 4);
        disguise::start(&bench.generator, lack, "kitproof", &to_file(&inside, &sizes))?.wait(PATIENCE)
    })?;
    one_line(&ended, "kitproof", 3, &["could not write", &inside, "No space left on device", instead])?;
    ensure!(kitproof_suite::trials(&result)?.len() == 3, "{result:#}");
    kitproof_suite::trials(&result)?.iter().try_for_each(|trial| whole(trial).map(drop))
}

/// Standard output on a full disk, standard error that nobody reads: nothing breaks, and what can be kept is.
pub(crate) fn an_output_that_takes_nothing() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _far = reflector(&bench.reflector)?;
    let folder = Folder::new("deaf")?;
    let inside = folder.file("result.json");
    let command = |arguments: &[&str]| -> Result<Command> {
        let mut command = Command::new(program("kitproof")?);
        command.args(arguments).env("XDG_STATE_HOME", "/proc/kitproof").stdin(Stdio::null());
        Ok(command)
    };
    // `kitproof … --json - > FILE` on a full disk.
    let mut full = command(&easy(&[]))?;
    full.stdout(File::options().write(true).open("/dev/full")?).stderr(Stdio::piped());
    let mut child = bench.generator.spawn(full)?;
    let status = child.wait_for(PATIENCE)?.context("it still runs")?.code().unwrap_or(-1);
    let mut stderr = String::new();
    child.stderr.take().context("no standard error")?.read_to_string(&mut stderr)?;
    let ended = Ended { status, stdout: String::new(), stderr };
    let words = ["standard output", "No space left on device", "--json"];
    one_line(&ended, "kitproof", 3, &words)?;

    // A table and progress for nobody (both pipes broken), but the file is written.
    let mut deaf = command(&to_file(&inside, &[]))?;
    deaf.stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = bench.generator.spawn(deaf)?;
    drop((child.stdout.take(), child.stderr.take()));
    let status = child.wait_for(PATIENCE)?.context("it still runs")?.code().unwrap_or(-1);
    let result: Value = serde_json::from_slice(&wait_for(Path::new(&inside))?)?;
    let expected = if result["verdict"] == "pass" { 0 } else { 3 };
    ensure!(status == expected, "status {status}, verdict {}", result["verdict"]);
    whole(&result["trials"][0]).map(drop)
}

fn wait_for(path: &Path) -> Result<Vec<u8>> {
    for _ in 0..20 {
        if let Ok(contents) = fs::read(path) {
            return Ok(contents);
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    fs::read(path).with_context(|| format!("{} is not there", path.display()))
}
