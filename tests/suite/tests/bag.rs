//! The bag: runs through named pieces are recorded, the bad piece is found by elimination, and the ledger outlives
//! whatever happens to the process that writes it.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use anyhow::{Context, Result, ensure};
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options, REFLECTOR_PORT};
use kitproof_bench::script::Script;
use kitproof_suite::rig::{FAIL, PASS, Rig, decided, ended};
use kitproof_suite::{Folder, Running, program, run, validate};
use serde_json::{Value, json};

fn main() {
    run(&[
        ("the_bad_piece_is_found_by_elimination", elimination),
        ("a_wrong_chain_or_ledger_is_refused_in_one_line", refusals),
        ("kill_9_at_200_moments_loses_nothing_that_was_told", killed),
        ("kill_9_during_runs_keeps_every_finished_one", killed_runs),
        ("the_next_chain_is_one_that_can_be_built", next_chain),
        ("fibre_ends_are_inspected_and_told_when_they_were_not", inspections),
        ("the_sheet_is_written_whole_or_not_at_all", sheet),
    ]);
}

struct Said {
    status: Option<i32>,
    stdout: String,
    stderr: String,
}

fn command(ledger: &Path, arguments: &[&str]) -> Result<Command> {
    let mut command = Command::new(program("kitproof")?);
    command.args(["kit", "--ledger"]).arg(ledger).args(arguments).stdin(Stdio::null());
    Ok(command)
}

fn kit(ledger: &Path, arguments: &[&str]) -> Result<Said> {
    let output = command(ledger, arguments)?.output()?;
    Ok(Said {
        status: output.status.code(),
        stdout: String::from_utf8(output.stdout)?,
        stderr: String::from_utf8(output.stderr)?,
    })
}

fn add(ledger: &Path, pieces: &[(&str, &str)]) -> Result<()> {
    for (label, kind) in pieces {
        let said = kit(ledger, &["add", label, "--kind", kind])?;
        ensure!(said.status == Some(0), "{}", said.stderr);
    }
    Ok(())
}

/// Four pieces; whatever has C-2 in it loses every 97th frame.
fn elimination() -> Result<()> {
    let folder = Folder::new("bag")?;
    let ledger = folder.path().join("new/ledger.sqlite");
    add(&ledger, &[("P-1", "patch"), ("T-1", "tap"), ("C-1", "converter"), ("C-2", "converter")])?;
    let nothing = kit(&ledger, &["suspects"])?;
    ensure!(nothing.status == Some(0) && nothing.stdout.contains("No trial"), "{}", nothing.stdout);
    let mut rig = Rig::new(Options::default())?;
    let place = ledger.to_str().context("a path in UTF-8")?;
    let mut prove = |through: &str| -> Result<Value> {
        let script = if through.contains("C-2") { r#"{"forward": {"drop": {"every": 97}}}"# } else { "{}" };
        let script = Script::from_json(script)?;
        let expected = if through.contains("C-2") { (FAIL, "fail") } else { (PASS, "pass") };
        let arguments = ["--frame-size", "512", "--duration", "1s", "--through", through, "--ledger", place]
            .map(str::to_owned);
        let found = decided(|| Ok(rig.run(&script, "2%", &arguments)?.0))?;
        ensure!(found.stderr.contains("to be held against the bench: generator"), "{}", found.stderr);
        let result = ended(&found, expected.0, expected.1)?;
        validate(&result)?;
        Ok(result)
    };
    let result = prove("P-1,T-1=unpowered,C-1,C-2")?;
    let chain = json!([
        {"piece": "P-1", "kind": "patch", "condition": null},
        {"piece": "T-1", "kind": "tap", "condition": "unpowered"},
        {"piece": "C-1", "kind": "converter", "condition": null},
        {"piece": "C-2", "kind": "converter", "condition": null},
    ]);
    ensure!(result["chain"] == chain, "{}", result["chain"]);
    let all = kit(&ledger, &["suspects"])?;
    for piece in ["P-1", "T-1 (unpowered)", "C-1", "C-2"] {
        ensure!(
            all.status == Some(1) && all.stdout.contains(&format!("  {piece}: ")),
            "{piece}: {}",
            all.stdout
        );
    }
    // With power the tap is not what failed: it stays suspect.
    prove("P-1,T-1")?;
    let half = kit(&ledger, &["suspects"])?;
    for (piece, suspect) in [("P-1", false), ("T-1 (unpowered)", true), ("C-1", true), ("C-2", true)] {
        ensure!(half.stdout.contains(&format!("  {piece}: ")) == suspect, "{piece}: {}", half.stdout);
    }
    prove("T-1=unpowered,C-1")?;
    let one = kit(&ledger, &["suspects"])?;
    ensure!(one.stdout.contains("given every pass:\n  C-2: 9"), "{}", one.stdout);
    // Once it is out of the bag nothing is suspect, no chain is proposed with it, and none may be proved with it.
    let retired = kit(&ledger, &["retire", "C-2", "bad"])?;
    ensure!(retired.status == Some(0) && retired.stdout.contains("out of the bag"), "{}", retired.stderr);
    let after = kit(&ledger, &["suspects"])?;
    ensure!(after.status == Some(0) && after.stdout.contains("nothing is suspect"), "{}", after.stdout);
    ensure!(!kit(&ledger, &["next"])?.stdout.contains("C-2"));
    ensure!(
        kit(&ledger, &["list"])?
            .stdout
            .lines()
            .any(|line| line.contains("C-2") && line.ends_with("retired: bad"))
    );
    let back = kit(&ledger, &["return", "C-2"])?;
    ensure!(back.status == Some(0), "{}", back.stderr);
    ensure!(kit(&ledger, &["suspects"])?.status == Some(1), "its history stays");
    let runs = kit(&ledger, &["runs"])?.stdout;
    ensure!(
        runs.lines().any(|line| line.contains("fail") && line.ends_with("P-1,T-1=unpowered,C-1,C-2")),
        "{runs}"
    );
    Ok(())
}

/// Status 2 and one line, and nothing was sent: there is nobody to answer in that room.
fn refusals() -> Result<()> {
    let folder = Folder::new("bag-refusals")?;
    let ledger = folder.path().join("ledger.sqlite");
    add(&ledger, &[("T-1", "tap"), ("T-2", "tap")])?;
    let bench = Bench::direct(Options::default())?;
    let strange = folder.path().join("notes.txt");
    std::fs::write(
        &strange,
        "not a database, but long enough that somebody could take it for one. ".repeat(20),
    )?;
    let newer = folder.path().join("newer.sqlite");
    add(&newer, &[("T-1", "tap")])?;
    raise_layout(&newer)?;
    let cases: [(&str, &str, &Path, &str); 6] = [
        ("prove", "T-3", &ledger, "there is no piece T-3 in the bag: is it T-1 or T-2?"),
        ("prove", "T-1,T-1", &ledger, "T-1 is in the chain twice"),
        ("prove", "T-1=", &ledger, "a condition such as T-1=unpowered"),
        ("prove", "T-1", &strange, "is no ledger"),
        ("prove", "T-1", &newer, "newer kitproof"),
        ("reference", "T-1", &ledger, "a reference is the pair alone"),
    ];
    for (command, through, ledger, says) in cases {
        let place = ledger.to_str().context("a path in UTF-8")?;
        let arguments =
            [command, GENERATOR_PORT, "--isolated-bench", "--through", through, "--ledger", place];
        let said = Running::start(&bench.generator, "kitproof", &arguments)?.wait(Duration::from_secs(20))?;
        ensure!(said.status == 2 && said.stderr.contains(says), "{through}: {} {}", said.status, said.stderr);
        ensure!(said.stdout.is_empty(), "{}", said.stdout);
    }
    let taken = kit(&ledger, &["add", "T-1", "--kind", "tap"])?;
    ensure!(
        taken.status == Some(2) && taken.stderr.contains("there is a piece T-1 already"),
        "{}",
        taken.stderr
    );
    Ok(())
}

/// The layout's number stands in the file's header, octets 60 to 63 (SQLite's "Database File Format", section 1.3).
fn raise_layout(ledger: &Path) -> Result<()> {
    let mut octets = std::fs::read(ledger)?;
    octets.get_mut(60..64).context("no header")?.copy_from_slice(&99_u32.to_be_bytes());
    Ok(std::fs::write(ledger, octets)?)
}

/// Pieces and runs are written by the real program, which is killed after a random time: what it said it had written is
/// there, and the file is sound.
fn killed() -> Result<()> {
    let folder = Folder::new("bag-killed")?;
    let ledger = folder.path().join("ledger.sqlite");
    add(&ledger, &[("T-1", "tap")])?;
    // How long an undisturbed one takes, so that the blows fall within it.
    let clock = std::time::Instant::now();
    add(&ledger, &[("T-2", "tap")])?;
    let mut whole = clock.elapsed();
    let result = folder.path().join("line.jsonl");
    let mut told = Vec::new();
    for round in 0..200_u32 {
        let name = format!("P-{round}");
        let arguments = if round % 2 == 0 {
            vec!["add", &name, "--kind", "patch"]
        } else {
            let line = json!({"run": {"mark": name, "result": recorded()}});
            std::fs::write(&result, format!("{line}\n"))?;
            vec!["import", result.to_str().context("a path in UTF-8")?]
        };
        let mut child = command(&ledger, &arguments)?.stdout(Stdio::piped()).stderr(Stdio::null()).spawn()?;
        let mut octets = [0; 4];
        rustix::rand::getrandom(&mut octets, rustix::rand::GetRandomFlags::empty())?;
        std::thread::sleep(whole.mul_f64(1.2 * f64::from(u32::from_ne_bytes(octets)) / f64::from(u32::MAX)));
        // One that has ended already cannot be killed any more.
        let _ = child.kill();
        let output = child.wait_with_output()?;
        let said = String::from_utf8(output.stdout)?;
        // However fast the machine is now, about half of them are told.
        if said.contains("is in the bag") || said.contains("and 1 runs") {
            told.push(name);
            whole = whole.mul_f64(0.95);
        } else {
            whole = whole.mul_f64(1.05);
        }
        let check = kit(&ledger, &["check"])?;
        ensure!(
            check.status == Some(0) && check.stdout.contains("sound"),
            "{}{}",
            check.stdout,
            check.stderr
        );
    }
    let there = kit(&ledger, &["export"])?;
    ensure!(there.status == Some(0), "{}", there.stderr);
    for name in &told {
        ensure!(there.stdout.contains(&format!("\"{name}\"")), "{name} is lost");
    }
    let lines = there.stdout.lines().count();
    // Some were killed in time and some were not: else this shows nothing.
    ensure!((20..=180).contains(&told.len()), "{} of 200 were told, {lines} lines", told.len());
    Ok(())
}

/// As little of a result as is understood.
fn recorded() -> Value {
    json!({
        "schema": "kitproof-result-1", "tool": {"name": "kitproof", "version": "0", "commit": null}, "command": "prove",
        "started": "2026-11-27T19:00:00+00:00", "verdict": "pass", "reasons": [],
        "pair": {"generator": {"host": "a", "interface": "b", "driver": null, "speed": null, "duplex": null, "pause": null,
                 "via": "packet"}, "reflector": null},
        "chain": [{"piece": "T-1", "kind": "tap", "condition": null}], "trials": [],
    })
}

/// Whole runs with traffic, killed at any moment of theirs: what ended is there, and the file is sound.
fn killed_runs() -> Result<()> {
    let folder = Folder::new("bag-runs")?;
    let ledger = folder.path().join("ledger.sqlite");
    add(&ledger, &[("T-1", "tap")])?;
    let place = ledger.to_str().context("a path in UTF-8")?;
    let bench = Bench::direct(Options::default())?;
    // Runs that were killed leave sessions behind, of which there are eight at most.
    let far = [REFLECTOR_PORT, "--exit-with-parent", "--idle", "6"];
    let _reflector = Running::start(&bench.reflector, "kitproof-reflector", &far)?;
    let start = || {
        let arguments = [
            "prove",
            GENERATOR_PORT,
            "--isolated-bench",
            "--unattended",
            "--line-rate",
            "1G",
            "--load",
            "2000fps",
            "--load-tolerance",
            "50000ppm",
            "--frame-size",
            "64",
            "--duration",
            "100ms",
            "--settle",
            "0s",
            "--residual",
            "100ms",
            "--through",
            "T-1",
            "--ledger",
            place,
        ];
        Running::remembering(&bench.generator, folder.path(), "kitproof", &arguments)
    };
    let clock = std::time::Instant::now();
    // The first listens to the link for three seconds, the others need not.
    start()?.wait(Duration::from_secs(30))?;
    let listened = clock.elapsed();
    let clock = std::time::Instant::now();
    start()?.wait(Duration::from_secs(30))?;
    let mut whole = clock.elapsed();
    eprintln!("a run takes {listened:?}, and then {whole:?}");
    let mut finished = 2;
    // All two hundred take four minutes.
    let kills = std::env::var("KITPROOF_KILLS").ok().and_then(|text| text.parse().ok()).unwrap_or(40_u32);
    for round in 0..kills {
        let running = start()?;
        std::thread::sleep(whole.mul_f64(0.5 + 0.7 * f64::from(round % 20) / 20.0));
        let ended = running.kill()?;
        // One that ended by itself has an exit status of ours, and its run is told.
        if [PASS, FAIL, 3].contains(&ended.status) {
            finished += 1;
            whole = whole.mul_f64(0.97);
        } else {
            whole = whole.mul_f64(1.03);
        }
        let check = kit(&ledger, &["check"])?;
        let sound = check.status == Some(0) && check.stdout.contains("sound");
        ensure!(sound, "{}{}", check.stdout, check.stderr);
    }
    let runs = kit(&ledger, &["runs"])?.stdout.lines().count();
    // One that was killed between the record and its exit is there too.
    let most = kills as usize + 2;
    eprintln!("{finished} of {most} runs ended, {runs} are in the ledger");
    ensure!((finished..=most).contains(&runs), "{finished} ended, {runs} are there");
    ensure!((3..most).contains(&finished), "{finished} of {most} ended: this shows nothing");
    Ok(())
}

/// A bag with nothing recorded: the longest chain that fits. Pieces whose ends are not known are named.
fn next_chain() -> Result<()> {
    let folder = Folder::new("bag-next")?;
    let ledger = folder.path().join("ledger.sqlite");
    let empty = kit(&ledger, &["next"])?;
    ensure!(empty.status == Some(0) && empty.stdout.contains("No chain can be built"), "{}", empty.stdout);
    add(
        &ledger,
        &[("P-1", "patch"), ("P-2", "patch"), ("T-1", "tap"), ("C-1", "converter"), ("B-1", "other")],
    )?;
    let first = kit(&ledger, &["next"])?;
    let chain = "generator --P-1-- [T-1 tap] --P-2-- reflector";
    ensure!(
        first.stdout.contains(chain) && first.stdout.contains("--through P-1,T-1,P-2"),
        "{}",
        first.stdout
    );
    ensure!(first.stdout.contains("their ends are not known: B-1"), "{}", first.stdout);
    // Given its ends, the box goes where it fits.
    let changed = kit(&ledger, &["change", "B-1", "--ends", "rj45-socket,rj45-plug"])?;
    ensure!(changed.status == Some(0), "{}", changed.stderr);
    let with_it = kit(&ledger, &["next"])?;
    ensure!(
        with_it.stdout.contains("B-1 other") && !with_it.stdout.contains("not known"),
        "{}",
        with_it.stdout
    );
    let wrong = kit(&ledger, &["change", "B-1", "--ends", "usb,rj45-plug"])?;
    ensure!(
        wrong.status == Some(2) && wrong.stderr.contains("is no end: one of rj45-plug"),
        "{}",
        wrong.stderr
    );
    let unknown = kit(&ledger, &["change", "P-3", "--medium", "copper"])?;
    ensure!(unknown.status == Some(2) && unknown.stderr.contains("is it P-1 or P-2?"), "{}", unknown.stderr);
    let nothing = kit(&ledger, &["proven"])?;
    ensure!(nothing.stdout.contains("Nothing is proven yet"), "{}", nothing.stdout);
    // Between two cages there is nothing to build with copper.
    let cages = kit(&ledger, &["next", "--ports", "sfp-cage,sfp-cage"])?;
    ensure!(cages.stdout.contains("No chain can be built"), "{}", cages.stdout);
    Ok(())
}

fn inspections() -> Result<()> {
    let folder = Folder::new("bag-fibre")?;
    let ledger = folder.path().join("ledger.sqlite");
    add(&ledger, &[("F-1", "fibre-patch"), ("T-1", "tap"), ("X-1", "transceiver")])?;
    let clean = ["--core", "pass", "--cladding", "pass", "--contact", "pass"];
    let inspect = |piece: &str, more: &[&str]| {
        kit(&ledger, &[&["inspect", piece, "--cleaning", "after"][..], more].concat())
    };
    let picture = folder.path().join("end.png");
    std::fs::write(&picture, "not a picture")?;
    let picture = picture.to_str().context("a path in UTF-8")?;
    for (piece, more, says) in [
        ("F-1", &clean[..], "has two fibre ends: say which with --side A or --side B"),
        ("T-1", &clean[..], "has no end that light comes out of"),
        ("X-1", &["--side", "A"][..], "end A of X-1 has no fibre"),
        ("F-1", &["--side", "a", "--picture", picture][..], "is no picture"),
    ] {
        let said = inspect(piece, more)?;
        ensure!(said.status == Some(2) && said.stderr.contains(says), "{piece}: {}", said.stderr);
        ensure!(said.stderr.contains("treat every fibre end as lit"), "{}", said.stderr);
    }
    // A transceiver has one fibre end, and it need not be named.
    let one = inspect("X-1", &clean)?;
    ensure!(
        one.status == Some(0) && one.stdout.contains("end B of X-1, after cleaning: clean"),
        "{}",
        one.stdout
    );
    let dirty = inspect("F-1", &["--side", "B", "--core", "fail"])?;
    ensure!(dirty.status == Some(1) && dirty.stdout.contains("not shown clean"), "{}", dirty.stdout);
    // Told before the run: the two ends of the patch, and not that of the transceiver.
    let bench = Bench::direct(Options::default())?;
    let place = ledger.to_str().context("a path in UTF-8")?;
    let arguments = [
        "prove",
        GENERATOR_PORT,
        "--isolated-bench",
        "--unattended",
        "--through",
        "X-1,F-1",
        "--ledger",
        place,
    ];
    let said = Running::start(&bench.generator, "kitproof", &arguments)?.wait(Duration::from_secs(60))?;
    for (end, told) in [("end A of F-1", true), ("end B of F-1", true), ("end B of X-1", false)] {
        ensure!(
            said.stderr.contains(&format!("fibre {end} was not seen clean")) == told,
            "{end}: {}",
            said.stderr
        );
    }
    Ok(())
}

fn sheet() -> Result<()> {
    let folder = Folder::new("bag-sheet")?;
    let ledger = folder.path().join("ledger.sqlite");
    add(&ledger, &[("T-1", "tap"), ("F-1", "fibre-patch")])?;
    let place = ledger.to_str().context("a path in UTF-8")?;
    let page = folder.path().join("sheet.html");
    let write = |page: &Path| -> Result<_> {
        let mut command = Command::new(program("kitproof")?);
        Ok(command
            .args(["sheet", "--ledger", place, "--title", "A <bag>"])
            .arg(page)
            .stdin(Stdio::null())
            .output()?)
    };
    let written = write(&page)?;
    ensure!(written.status.code() == Some(0), "{written:?}");
    let text = std::fs::read_to_string(&page)?;
    ensure!(text.starts_with("<!DOCTYPE html>") && text.trim_end().ends_with("</html>"));
    ensure!(text.contains("A &#60;bag&#62;") && text.contains("0 of 2 pieces are proven"), "{text}");
    // Where it cannot be written it is printed, and said.
    let nowhere = write(Path::new("/proc/kitproof/sheet.html"))?;
    ensure!(nowhere.status.code() == Some(3), "{nowhere:?}");
    Ok(())
}
