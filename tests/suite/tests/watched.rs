//! What is told of a run beside its result: the page says what the result says, the capture has the frames around each fault
//! and no others, a comparison finds what changed.

use std::collections::BTreeSet;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail, ensure};
use kitproof_bench::Room;
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options};
use kitproof_bench::ledger::Counts;
use kitproof_bench::script::{Faults, Flip, Octet, Schedule, Script};
use kitproof_suite::rig::{FAIL, PASS, TRIES, UNPROVEN, equal, rest, verdict};
use kitproof_suite::{Ended, Folder, Running, number, run, trials, validate};
use pcap_parser::traits::PcapReaderIterator;
use pcap_parser::{Block, OptionCode, PcapBlockOwned, PcapError, PcapNGReader};
use serde_json::Value;

const USAGE: i32 = 2;
const PORT: u16 = 8470;

fn main() {
    run(&[
        ("the_page_and_the_capture_say_what_the_result_says", told),
        ("what_cannot_be_had_is_refused_before_anything_is_sent", refused),
        ("a_comparison_finds_what_changed", compared),
    ]);
}

fn arguments<'a>(more: &[&'a str]) -> Vec<&'a str> {
    let fixed = [
        "prove",
        GENERATOR_PORT,
        "--isolated-bench",
        "--unattended",
        "--line-rate",
        "1G",
        "--load",
        "2000fps",
        "--frame-size",
        "512",
        "--load-tolerance",
        "20000ppm",
        "--residual",
        "500ms",
        "--settle",
        "100ms",
        "--via",
        "packet",
    ];
    fixed.into_iter().chain(more.iter().copied()).collect()
}

/// The body that a path of the page has, as seen from within the room; `None` where nobody answers.
fn fetch(room: &Room, path: &'static str) -> Option<String> {
    room.run(move || {
        let mut stream = TcpStream::connect(("127.0.0.1", PORT)).ok()?;
        stream.set_read_timeout(Some(Duration::from_secs(3))).ok()?;
        write!(stream, "GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n").ok()?;
        let mut answer = String::new();
        stream.read_to_string(&mut answer).ok()?;
        let (head, body) = answer.split_once("\r\n\r\n")?;
        head.starts_with("HTTP/1.1 200").then(|| body.to_owned())
    })
}

/// What the page said at last, and the last OpenMetrics text of the running trial.
fn watch(room: &Room, patience: Duration) -> Result<(Value, String)> {
    let begun = Instant::now();
    let mut metrics = String::new();
    let mut moments = 0;
    while begun.elapsed() < patience {
        std::thread::sleep(Duration::from_millis(200));
        let Some(state) = fetch(room, "/state.json") else { continue };
        let state: Value = serde_json::from_str(&state)?;
        if !state["verdict"].is_null() {
            ensure!(moments > 2, "the trial was seen {moments} times while it ran");
            return Ok((state, metrics));
        }
        if state["now"]["offered"].as_u64().unwrap_or_default() > 0 {
            moments += 1;
            metrics = fetch(room, "/metrics").unwrap_or(metrics);
        }
    }
    bail!("the page never said how it ended")
}

fn faults(at: [u64; 4]) -> Faults {
    let [drop, swap, duplicate, flip] = at;
    Faults {
        drop: Schedule::at(&[drop, drop + 1]),
        swap: Schedule::at(&[swap]),
        duplicate: Schedule::at(&[duplicate]),
        flip: Some(Flip { when: Schedule::at(&[flip]), octet: Octet::Fill, mend: true, seed: 3 }),
        ..Faults::default()
    }
}

/// Issue 6, items 1 and 3.
fn told() -> Result<()> {
    let script = Script {
        forward: faults([1_000, 2_000, 3_000, 4_000]),
        back: faults([5_000, 6_000, 7_000, 8_000]),
        ..Script::default()
    };
    let folder = Folder::new("watched")?;
    for attempt in 0..TRIES {
        let mut bench = Bench::with_wire(script.clone(), Options::default())?;
        let _reflector = kitproof_suite::reflector(&bench.reflector)?;
        let capture = folder.path().join(format!("{attempt}.pcapng"));
        let capture_named = capture.to_str().context("a path in UTF-8")?.to_owned();
        let more = ["--json", "-", "--duration", "5s", "--page", "8470", "--capture", &capture_named];
        let proving = Running::start(&bench.generator, "kitproof", &arguments(&more))?;
        let watched = watch(&bench.generator, Duration::from_secs(60));
        let ended = proving.wait(Duration::from_secs(60))?;
        let ledger = bench.stop_wire()?;
        if !ledger.is_clean() || ended.status == UNPROVEN {
            eprintln!("tried again: status {}, {:?}", ended.status, ledger.lost_by_wire);
            rest();
            continue;
        }
        let (state, metrics) = watched.with_context(|| ended.stderr.clone())?;
        let result = ended.json()?;
        validate(&result)?;
        ensure!(ended.status == FAIL, "status {}: {:#}", ended.status, result["reasons"]);
        let did = ledger.last().context("a trial")?;
        page(&state, &metrics, &result)?;
        evidence(&capture, &did.forward, &did.back).with_context(|| capture_named)?;
        return Ok(());
    }
    bail!("no try was decided")
}

/// The page and the result agree in everything that both say.
fn page(state: &Value, metrics: &str, result: &Value) -> Result<()> {
    ensure!(state["verdict"] == result["verdict"], "{state:#}");
    let trial = &trials(result)?[0];
    for (on_page, in_result) in [
        ("offered", "offered_frames"),
        ("home", "returned_frames"),
        ("lost_forward", "lost_forward"),
        ("lost_return", "lost_return"),
    ] {
        equal(on_page, number(&state["sums"], on_page)?, number(trial, in_result)?)?;
        equal(on_page, number(&state["trials"][0], on_page)?, number(trial, in_result)?)?;
    }
    ensure!(state["trials"][0]["verdict"] == trial["verdict"] && state["sums"]["failed"] == 1, "{state:#}");
    let total = metrics.lines().find_map(|line| line.strip_prefix("kitproof_offered_frames_total "));
    let total: u64 = total.context("no count of offered frames")?.parse()?;
    ensure!(total > 0 && total <= number(trial, "offered_frames")?, "{total}");
    ensure!(metrics.ends_with("# EOF\n"), "{metrics}");
    Ok(())
}

/// Comments of a capture, with the time and the number of the frame that each is on.
fn comments(path: &Path) -> Result<(usize, Vec<String>, Vec<String>)> {
    let file = std::fs::File::open(path)?;
    let mut reader = PcapNGReader::new(1 << 20, file)?;
    let (mut frames, mut comments, mut statistics, mut last) = (0, Vec::new(), Vec::new(), 0);
    let text = |option: &pcap_parser::PcapNGOption<'_>| {
        String::from_utf8_lossy(&option.value()[..usize::from(option.len)]).into_owned()
    };
    loop {
        match reader.next() {
            Ok((size, block)) => {
                match block {
                    PcapBlockOwned::NG(Block::EnhancedPacket(packet)) => {
                        let at = u64::from(packet.ts_high) << 32 | u64::from(packet.ts_low);
                        ensure!(at >= last, "a frame before the one before it");
                        // Within a day of now: nanoseconds, of this era.
                        let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH)?;
                        ensure!(u128::from(at).abs_diff(now.as_nanos()) < 86_400_000_000_000, "{at}");
                        ensure!(packet.caplen == packet.origlen && packet.caplen == 508, "{}", packet.caplen);
                        (last, frames) = (at, frames + 1);
                        let said = packet.options.iter().filter(|option| option.code == OptionCode::Comment);
                        comments.extend(said.map(text));
                    }
                    PcapBlockOwned::NG(Block::InterfaceStatistics(block)) => {
                        let said = block.options.iter().filter(|option| option.code == OptionCode::Comment);
                        statistics.extend(said.map(text));
                    }
                    _ => {}
                }
                reader.consume(size);
            }
            Err(PcapError::Eof) => return Ok((frames, comments, statistics)),
            Err(PcapError::Incomplete(_)) => reader.refill().map_err(|error| anyhow::anyhow!("{error:?}"))?,
            Err(error) => bail!("{error:?}"),
        }
    }
}

/// What the wire did, and nothing else, stands at the frames that showed it.
fn evidence(path: &Path, forward: &Counts, back: &Counts) -> Result<()> {
    let (frames, comments, statistics) = comments(path)?;
    let said = |what: &str| -> Result<u64> {
        let parts =
            comments.iter().flat_map(|comment| comment.split("; ")).filter(|part| part.contains(what));
        let counts: Result<Vec<u64>> =
            parts.map(|part| part.split(' ').next().context("a count")?.parse().context("a count")).collect();
        Ok(counts?.into_iter().sum())
    };
    // A damaged frame and one out of order are missing where they should be, too, when the next one comes.
    for (way, did, on) in [("there", forward, "forward"), ("back", back, "return")] {
        let missing = did.dropped.count + did.swapped.count + did.flipped.len() as u64;
        equal(&format!("missing {on}"), said(&format!("missing on the way {way}"))?, missing)?;
        equal(
            &format!("duplicated {on}"),
            said(&format!("duplicated on the way {way}"))?,
            did.duplicated.count,
        )?;
        equal(
            &format!("reordered {on}"),
            said(&format!("out of order since the way {way}"))?,
            did.swapped.count,
        )?;
    }
    // Damage on the way there is counted there, and such a frame is not sent back.
    equal("damaged", said("damaged")?, back.flipped.len() as u64)?;
    // The wire's ledger says which number was lost first; the capture says after which one.
    let first_lost: BTreeSet<u64> = forward
        .dropped
        .sequences()
        .iter()
        .chain(&back.dropped.sequences())
        .map(|one| u64::from(*one))
        .collect();
    let after: BTreeSet<u64> = comments
        .iter()
        .filter_map(|comment| comment.split_once("after number ")?.1.split(' ').next()?.parse().ok())
        .collect();
    for lost in &first_lost {
        let named = after.contains(&(lost - 1)) || (first_lost.contains(&(lost - 1)));
        ensure!(named, "{lost} was lost, and the capture names {after:?}");
    }
    // Eight faults, each with at most 24 frames before it and 12 after it.
    ensure!(frames <= 10 * 40, "{frames} frames");
    ensure!(statistics.len() == 1 && statistics[0].contains("fail"), "{statistics:?}");
    Ok(())
}

fn refused() -> Result<()> {
    let mut bench = Bench::with_wire(Script::faithful(), Options::default())?;
    let folder = Folder::new("refused")?;
    let there = folder.path().join("there.pcapng");
    std::fs::write(&there, b"somebody's")?;
    let named = there.to_str().context("a path in UTF-8")?;
    let _taken = bench.generator.run(|| std::net::TcpListener::bind(("127.0.0.1", PORT)))?;
    for (more, expected) in [
        (["--page", "8470"], "8470"),
        (["--page", "192.0.2.200:8470"], "192.0.2.200"),
        (["--page", "eth1"], "a port such as"),
        (["--capture", named], "name a new file"),
        (["--capture", "/nowhere/evidence.pcapng"], "/nowhere"),
    ] {
        let ended =
            Running::start(&bench.generator, "kitproof", &arguments(&more))?.wait(Duration::from_secs(20))?;
        let said = format!("{more:?}: status {}: {}", ended.status, ended.stderr);
        ensure!(ended.status == USAGE && ended.stderr.contains(expected), "{said}");
    }
    ensure!(std::fs::read(&there)? == b"somebody's");
    let over_udp = ["prove", "udp://127.0.0.1", "--capture", "/tmp/kitproof-none.pcapng", "--unattended"];
    let ended = Running::start(&bench.generator, "kitproof", &over_udp)?.wait(Duration::from_secs(20))?;
    ensure!(ended.status == USAGE && ended.stderr.contains("without their headers"), "{ended:?}");
    let ledger = bench.stop_wire()?;
    ensure!(ledger.trials.is_empty(), "frames were sent");
    Ok(())
}

/// A run over a wire that takes so long for every frame, as a file.
fn proved(folder: &Folder, name: &str, latency_us: u64) -> Result<String> {
    let slow = || Faults { latency_us, ..Faults::default() };
    let script = Script { forward: slow(), back: slow(), ..Script::default() };
    let path = folder.path().join(name).to_str().context("a path in UTF-8")?.to_owned();
    for _ in 0..TRIES {
        let bench = Bench::with_wire(script.clone(), Options::default())?;
        let _reflector = kitproof_suite::reflector(&bench.reflector)?;
        // Six trials, each a sample of its own.
        let what = ["latency", GENERATOR_PORT, "--at", "2000fps", "--trials", "6", "--duration", "2s"];
        let more = ["--isolated-bench", "--unattended", "--line-rate", "1G", "--frame-size", "512"];
        let how =
            ["--load-tolerance", "20000ppm", "--residual", "500ms", "--settle", "100ms", "--via", "packet"];
        let all = [&what[..], &more, &how, &["--json", &path]].concat();
        let ended = Running::start(&bench.generator, "kitproof", &all)?.wait(Duration::from_secs(90))?;
        if ended.status == PASS {
            return Ok(path);
        }
        eprintln!("status {}: {}", ended.status, ended.stderr);
        rest();
    }
    bail!("no run passed on a faithful wire")
}

fn compare(bench: &Bench, arguments: &[&str]) -> Result<(Ended, Value)> {
    let all = [&["compare", "--json", "-"][..], arguments].concat();
    let ended = Running::start(&bench.generator, "kitproof", &all)?.wait(Duration::from_secs(20))?;
    let told = ended.json().with_context(|| ended.stderr.clone())?;
    ensure!(told["verdict"].is_string() && told["schema"] == "kitproof-comparison-1");
    Ok((ended, told))
}

/// Issue 6, item 5, on real runs: a wire that got slower is found; one that did not is not.
fn compared() -> Result<()> {
    let folder = Folder::new("compared")?;
    let bench = Bench::direct(Options::default())?;
    let slower = proved(&folder, "slower.json", 5_000)?;
    let before = proved(&folder, "before.json", 0)?;
    let (ended, told) = compare(&bench, &[&before, &slower])?;
    ensure!(ended.status == FAIL && verdict(&told) == "fail", "{told:#}");
    let measures = told["measures"].as_array().context("measures")?;
    let latency = measures.iter().find(|one| one["what"] == "median round trip").context("latency")?;
    let change = latency["change"].as_f64().context("a change")?;
    // Ten milliseconds there and back; how late the wire itself is comes on top.
    ensure!(latency["standing"] == "worse" && (9.0e6..20.0e6).contains(&change), "{latency:#}");
    let loss = measures.iter().find(|one| one["what"] == "loss periods").context("loss")?;
    ensure!(loss["standing"] == "within", "{loss:#}");
    let (ended, told) = compare(&bench, &[&slower, &before])?;
    ensure!(ended.status == PASS, "what became faster is no alarm: {told:#}");
    // Two runs alike; what a busy machine does to one of them in a test is no fault of the comparison.
    let mut last = Value::Null;
    for attempt in 0..TRIES {
        let again = proved(&folder, &format!("again-{attempt}.json"), 0)?;
        let (ended, told) = compare(&bench, &["--latency-limit", "100%", &before, &again])?;
        if ended.status == PASS {
            return Ok(());
        }
        last = told;
    }
    bail!("equal runs never passed: {last:#}")
}
