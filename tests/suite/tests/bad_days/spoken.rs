//! What a program said and how it ended, held against the rule: one clear line, and the right exit status.

use std::time::Duration;

use anyhow::{Context, Result, ensure};
use kitproof_bench::Room;
use kitproof_bench::bench::GENERATOR_PORT;
use kitproof_suite::{Ended, Running};
use rustix::process::Pid;
use serde_json::Value;

/// Longer than any patience of the product.
pub(crate) const PATIENCE: Duration = Duration::from_secs(60);

/// A load that every machine holds, one small trial, and a tolerance for hosts that are busy with other tests.
pub(crate) const EASY: [&str; 14] = [
    "--line-rate",
    "100M",
    "--load",
    "2000fps",
    "--load-tolerance",
    "20%",
    "--frame-size",
    "256",
    "--duration",
    "1s",
    "--settle",
    "100ms",
    "--residual",
    "300ms",
];

/// Arguments of `kitproof prove` on the generator's port: acknowledged, JSON on standard output, the easy load, and
/// more (which overrides).
pub(crate) fn easy<'a>(more: &[&'a str]) -> Vec<&'a str> {
    let fixed = ["prove", GENERATOR_PORT, "--isolated-bench", "--unattended", "--json", "-"];
    // An option given twice is an error, so the later one replaces the earlier.
    let mut pairs: Vec<&str> = EASY.to_vec();
    for option in more.iter().filter(|word| word.starts_with("--")) {
        if let Some(at) = pairs.iter().position(|word| word == option) {
            pairs.drain(at..at + 2);
        }
    }
    [&fixed[..], &pairs, more].concat()
}

/// Starts `kitproof prove` with [`easy`] arguments, by packet sockets: whoever listens beside the ports hears those, and
/// what an XDP program takes is heard by nobody else.
pub(crate) fn start(room: &Room, more: &[&str]) -> Result<Running> {
    Running::start(room, "kitproof", &easy(&[more, &["--via", "packet"]].concat()))
}

/// Runs `kitproof` with these arguments and nothing else.
pub(crate) fn kitproof(room: &Room, arguments: &[&str]) -> Result<Ended> {
    Running::start(room, "kitproof", arguments)?.wait(PATIENCE)
}

/// To send signals to.
pub(crate) fn pid(running: &Running) -> Pid {
    Pid::from_raw(running.id() as i32).expect("a process has a number")
}

/// Waits until the programs in the room of this one hold so many packet sockets together: they have looked at their
/// interface then, and hear what comes.
pub(crate) fn packet_sockets(running: &Running, count: usize) -> Result<()> {
    let table = format!("/proc/{}/net/packet", running.id());
    for _ in 0..1_000 {
        // Below a line of headings.
        if std::fs::read_to_string(&table)?.lines().count() > count {
            return Ok(());
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    anyhow::bail!("fewer than {count} packet sockets after 5 s")
}

/// The lines on standard error that begin with the program's name.
fn lines<'a>(ended: &'a Ended, program: &str) -> Vec<&'a str> {
    let start = format!("{program}: ");
    ended.stderr.lines().filter(|line| line.starts_with(&start)).collect()
}

/// Ended with `status`, and one clear line that has all of `words` in it.
pub(crate) fn one_line(ended: &Ended, program: &str, status: i32, words: &[&str]) -> Result<()> {
    ensure!(ended.status == status, "status {} instead of {status}: {ended:#?}", ended.status);
    ensure!(!ended.stderr.contains("panicked"), "it panicked: {ended:#?}");
    let lines = lines(ended, program);
    ensure!(lines.len() == 1, "{} lines instead of one: {ended:#?}", lines.len());
    for word in words {
        ensure!(lines[0].contains(word), "{word:?} is missing in: {}", lines[0]);
    }
    println!("{program} {status}: {}", lines[0]);
    Ok(())
}

/// The generator refused: `status`, one clear line, and no result.
pub(crate) fn refused(ended: &Ended, status: i32, words: &[&str]) -> Result<()> {
    one_line(ended, "kitproof", status, words)?;
    ensure!(ended.stdout.is_empty(), "it printed something: {ended:#?}");
    Ok(())
}

/// The generator ended with a result that is no pass: `status`, one clear line, and the JSON on standard output.
pub(crate) fn judged(ended: &Ended, status: i32, words: &[&str]) -> Result<Value> {
    one_line(ended, "kitproof", status, words)?;
    ended.json()
}

/// A pass: nothing to complain about.
pub(crate) fn passed(ended: &Ended) -> Result<Value> {
    ensure!(ended.status == 0 && lines(ended, "kitproof").is_empty(), "no pass: {ended:#?}");
    let result = ended.json()?;
    ensure!(result["verdict"] == "pass", "{result:#}");
    Ok(result)
}

/// Runs the attempt until the host was quick enough for it: a run that is unproven only because of the load is
/// repeated, anything else is for the caller to judge.
pub(crate) fn steady(mut attempt: impl FnMut() -> Result<Ended>) -> Result<Ended> {
    const OF_THE_HOST: [&str; 5] =
        ["load_missed", "load_stalled", "bursts", "pair_may_have_dropped", "pair_dropped"];
    let mut ended = attempt()?;
    for _ in 0..2 {
        let slow = ended.status == 3
            && ended
                .json()
                .is_ok_and(|result| bearing(&result).iter().all(|code| OF_THE_HOST.contains(&code.as_str())));
        if !slow {
            break;
        }
        eprintln!("the host was too slow, once more: {}", ended.stderr);
        ended = attempt()?;
    }
    Ok(ended)
}

/// The codes of the reasons that bear on the verdict.
pub(crate) fn bearing(result: &Value) -> Vec<String> {
    let reasons = result["reasons"].as_array().cloned().unwrap_or_default();
    reasons
        .iter()
        .filter(|reason| reason["bears"] != "note")
        .filter_map(|reason| reason["code"].as_str().map(str::to_owned))
        .collect()
}

/// The whole text of the reason with this code.
pub(crate) fn reason(result: &Value, code: &str) -> Result<String> {
    let reasons = result["reasons"].as_array().context("no reasons")?;
    let found = reasons.iter().find(|reason| reason["code"] == code);
    let found = found.with_context(|| format!("no reason {code} in {reasons:#?}"))?;
    Ok(format!("{} {}", found["text"].as_str().unwrap_or(""), found["advice"].as_str().unwrap_or("")))
}

/// The one trial of a result.
pub(crate) fn only_trial(result: &Value) -> Result<&Value> {
    let trials = kitproof_suite::trials(result)?;
    ensure!(trials.len() == 1, "{} trials: {result:#}", trials.len());
    Ok(&trials[0])
}

/// Numbers of a trial, by name.
pub(crate) fn numbers<const N: usize>(trial: &Value, names: [&str; N]) -> Result<[u64; N]> {
    let mut found = [0; N];
    for (number, name) in found.iter_mut().zip(names) {
        *number = kitproof_suite::number(trial, name)?;
    }
    Ok(found)
}

/// Nothing lost, damaged, copied or unaccounted for: every frame that was offered is home.
pub(crate) fn whole(trial: &Value) -> Result<u64> {
    let [offered, returned, unaccounted, corrupted, copies, duplicates] = numbers(
        trial,
        ["offered_frames", "returned_frames", "unaccounted", "corrupted", "corrupted_copies", "duplicates"],
    )?;
    ensure!(offered > 0 && offered == returned, "{offered} offered, {returned} home: {trial:#}");
    ensure!(unaccounted + corrupted + copies + duplicates == 0, "{trial:#}");
    Ok(offered)
}
