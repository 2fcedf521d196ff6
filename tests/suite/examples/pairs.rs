//! One pair beside two, over the same kind of ports, in one run: the highest rate that is held without loss, and the
//! processor time that the hot threads take for a frame.
//!
//!     pairs [packet|xdp-user] [FRAME-SIZE [TOP-RATE [SECONDS]]]
//!
//! Everything is in one process on one machine: both ends, and the kernel's work for them, which a veth does on the thread
//! that sends. A sender waits for its next frame without resting, so that its time for a frame is only told where it has no
//! time to wait: at a rate that it cannot hold.

use std::io::Write;
use std::time::Duration;

use anyhow::{Context, Result};
use kitproof::engine::Trial;
use kitproof::engine::run;
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options, REFLECTOR_PORT};
use kitproof_bench::enter;
use kitproof_common::control::{TrialSpec, random_data_mac};
use kitproof_common::frame::{Encapsulation, Fill, FrameSpec, Tags};
use kitproof_common::port::clock::monotonic_ns;
use kitproof_common::port::filter::Filter;
use kitproof_common::port::packet::{self, PacketReceive, PacketTurn};
use kitproof_common::port::xdp::{self, Attachment, XdpTurn};
use kitproof_common::{flow, host, link};
use kitproof_reflector::worker::Worker;
use kitproof_suite::steady;

/// Steps between the rates that are tried, in percent of the top.
const STEP: u64 = 5;
/// Times that one pair and two are measured in turn; the best of each counts.
const ROUNDS: usize = 2;
/// Frames home by the end of the interval, or the pair lags behind.
const INSIDE: f64 = 0.99;
/// More than any sender holds here.
const UNHOLDABLE: u64 = 20_000_000;
const HOT: [&str; 3] = ["send", "receive", "return"];

/// What one trial came to.
struct Held {
    holds: bool,
    offered: u64,
    home: u64,
    /// Processor time of the hot threads by [`HOT`], ns for each frame that left until then.
    cost: [f64; 3],
    strayed: u64,
    reordered: u64,
}

struct Table {
    bench: Bench,
    spec: FrameSpec,
    xdp: bool,
}

fn main() -> Result<()> {
    enter()?;
    host::raise_priority();
    let words: Vec<String> = std::env::args().skip(1).collect();
    let xdp = words.first().is_some_and(|word| word == "xdp-user");
    let rest = usize::from(words.first().is_some_and(|word| word.parse::<u64>().is_err()));
    let numbers: Vec<u64> = words[rest..].iter().map(|word| word.parse()).collect::<Result<_, _>>()?;
    let size = u16::try_from(numbers.first().copied().unwrap_or(64))?;
    let top = numbers.get(1).copied().unwrap_or(1_000_000);
    let seconds = numbers.get(2).copied().unwrap_or(1);
    let table =
        Table { bench: Bench::direct(Options { queues: 2, ..Options::default() })?, spec: spec(size), xdp };
    println!(
        "{size} bytes, ipv4, {} on a veth with 2 queues, {} processors, trials of {seconds} s, steps of {STEP} % of {top}/s",
        if xdp { "AF_XDP sockets at both ends" } else { "packet sockets" },
        host::processors().len()
    );
    let mut best = [0; 2];
    for round in 1..=ROUNDS {
        let mut found = [0; 2];
        for (pairs, found) in [1, 2].into_iter().zip(&mut found) {
            *found = highest(&table, pairs, top, seconds)?;
        }
        println!("round {round}: 1 pair {}/s, 2 pairs {}/s", found[0], found[1]);
        best = [best[0].max(found[0]), best[1].max(found[1])];
    }
    println!(
        "best: 1 pair {}/s, 2 pairs {}/s, ratio {:.3}",
        best[0],
        best[1],
        best[1] as f64 / best[0] as f64
    );
    // The same load for both, which both hold.
    let common = best[0].min(best[1]) / 2;
    for (pairs, rate, what) in [
        (1, common, "held"),
        (2, common, "held"),
        (1, UNHOLDABLE, "as fast as it goes"),
        (2, UNHOLDABLE, "as fast as it goes"),
    ] {
        let held = trial(&table, pairs, rate, seconds)?;
        let costs: Vec<String> =
            HOT.iter().zip(held.cost).map(|(name, ns)| format!("{name} {ns:.0} ns")).collect();
        println!(
            "{pairs} pair(s) at {rate}/s ({what}): {} left, {} home; {} a frame that left; {} came by another queue, {} reordered",
            held.offered,
            held.home,
            costs.join(", "),
            held.strayed,
            held.reordered
        );
    }
    Ok(())
}

fn spec(frame_size: u16) -> FrameSpec {
    FrameSpec {
        encapsulation: Encapsulation::Ipv4,
        tags: Tags::none(),
        dscp: 0,
        frame_size,
        source: random_data_mac(),
        destination: random_data_mac(),
        session: 7,
        stream: 0,
        fill: Fill::Prbs,
        fill_seed: 1,
    }
}

fn index_of(interface: &str) -> Result<u32> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    Ok(runtime.block_on(link::facts(interface))?.index)
}

fn highest(table: &Table, pairs: u8, top: u64, seconds: u64) -> Result<u64> {
    for step in (1..=100 / STEP).rev() {
        let rate = top * step * STEP / 100;
        let held = trial(table, pairs, rate, seconds)?;
        print!(".");
        std::io::stdout().flush()?;
        if held.holds {
            println!();
            return Ok(rate);
        }
    }
    println!();
    Ok(0)
}

fn trial(table: &Table, pairs: u8, rate: u64, seconds: u64) -> Result<Held> {
    let give_up_ns = seconds * 1_010_000_000 + 100_000_000;
    let trial = Trial { pairs, ..steady(table.spec, rate, rate * seconds, give_up_ns)? };
    if table.xdp {
        let (near, far) = (attach(table, true)?, attach(table, false)?);
        let workers = workers(table, &trial, move |_, queue, octets, frame| {
            let filter = Filter::addresses(&[frame.destination], &[frame.source]);
            Ok(XdpTurn::open(&far, queue, octets, frame.destination, &filter)?)
        })?;
        let ports = ports(table, &trial, move |_, queue, octets, frame| {
            let filter = Filter::addresses(&[frame.source], &[frame.destination]);
            Ok(xdp::open(&near, queue, octets, frame.source, &filter, None)?)
        })?;
        return measure(run::start(ports, &trial)?, workers, &trial, seconds);
    }
    let workers = workers(table, &trial, |index, _, octets, frame| {
        let filter = Filter::addresses(&[frame.destination], &[frame.source]);
        Ok(PacketTurn::open(REFLECTOR_PORT, index, octets, &filter)?)
    })?;
    let ports = ports(table, &trial, |index, _, octets, frame| {
        let filter = Filter::addresses(&[frame.source], &[frame.destination]);
        let receive = PacketReceive::open(GENERATOR_PORT, index, octets, &filter)?;
        Ok((packet::transmit(GENERATOR_PORT, index, octets)?, receive))
    })?;
    measure(run::start(ports, &trial)?, workers, &trial, seconds)
}

fn attach(table: &Table, near: bool) -> Result<std::sync::Arc<Attachment>> {
    let (room, name) = if near {
        (&table.bench.generator, GENERATOR_PORT)
    } else {
        (&table.bench.reflector, REFLECTOR_PORT)
    };
    room.run(move || Ok(std::sync::Arc::new(Attachment::open(name, index_of(name)?)?)))
}

/// Opens something for each flow, in the room of one end.
fn ports<P: Send + 'static>(
    table: &Table,
    trial: &Trial,
    open: impl Fn(u32, u32, usize, FrameSpec) -> Result<P> + Send + 'static,
) -> Result<Vec<P>> {
    let (frame, pairs) = (trial.frame, trial.pairs);
    table.bench.generator.run(move || {
        let index = index_of(GENERATOR_PORT)?;
        (0..pairs).map(|flow| open(index, flow.into(), frame.octets(), flow::frame(&frame, flow))).collect()
    })
}

fn workers<P: kitproof_common::port::Turn + Send + 'static>(
    table: &Table,
    trial: &Trial,
    open: impl Fn(u32, u32, usize, FrameSpec) -> Result<P> + Send + 'static,
) -> Result<Vec<Worker>> {
    let spec = TrialSpec {
        frame: trial.frame,
        frames: trial.frames,
        frames_per_s: trial.rate.per_second(),
        fill_check: true,
        flows: trial.pairs,
        more_sizes: Vec::new(),
        watched: None,
    };
    table.bench.reflector.run(move || {
        let index = index_of(REFLECTOR_PORT)?;
        let processors = host::processors();
        (0..spec.flows)
            .map(|number| {
                let own = spec.flow(number);
                let port = open(index, number.into(), own.frame.octets(), own.frame)?;
                // Away from the senders, which share this machine.
                let cpu = processors.get(usize::from(number) % (processors.len() / 2).max(1)).copied();
                Ok(Worker::start(port, &own, cpu)?)
            })
            .collect()
    })
}

fn measure(running: run::Running, workers: Vec<Worker>, trial: &Trial, seconds: u64) -> Result<Held> {
    // Before a sender is done and its thread gone.
    sleep_until(running.start_ns + seconds * 900_000_000);
    let (left, spent) = (running.read().offered.max(1), spent()?);
    sleep_until(running.start_ns + seconds * 1_000_000_000);
    let inside = running.read().returned;
    let mut last = 0;
    while !running.sender_is_done() || running.read().arrivals != last {
        last = running.read().arrivals;
        std::thread::sleep(Duration::from_millis(50));
    }
    let flows = running.finish()?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let (mut strayed, mut reordered) = (0, 0);
    for worker in workers {
        let ended = runtime.block_on(worker.finish()).context("a thread of the reflector was lost")?;
        strayed += ended.counts.strayed;
        reordered += ended.counts.reordered;
    }
    let offered: u64 = flows.iter().map(|(departures, _)| departures.sent.offered).sum();
    let home: u64 = flows.iter().map(|(_, home)| home.counts.returned).sum();
    strayed += flows.iter().map(|(_, home)| home.counts.strayed).sum::<u64>();
    reordered += flows.iter().map(|(_, home)| home.counts.reordered_return).sum::<u64>();
    Ok(Held {
        holds: offered == trial.frames && home == offered && inside as f64 >= INSIDE * trial.frames as f64,
        offered,
        home,
        cost: spent.map(|ns| ns as f64 / left as f64),
        strayed,
        reordered,
    })
}

fn sleep_until(at: u64) {
    while let Some(left) = at.checked_sub(monotonic_ns()).filter(|left| *left > 0) {
        std::thread::sleep(Duration::from_nanos(left));
    }
}

/// Processor time of the hot threads so far, ns (proc(5), /proc/PID/task/TID/schedstat: the first figure).
fn spent() -> Result<[u64; 3]> {
    let mut spent = [0; 3];
    for task in std::fs::read_dir("/proc/self/task")? {
        let path = task?.path();
        // A thread may end meanwhile.
        let (Ok(name), Ok(times)) =
            (std::fs::read_to_string(path.join("comm")), std::fs::read_to_string(path.join("schedstat")))
        else {
            continue;
        };
        if let Some(place) = HOT.iter().position(|hot| *hot == name.trim()) {
            spent[place] += times.split(' ').next().and_then(|ns| ns.parse().ok()).unwrap_or(0);
        }
    }
    Ok(spent)
}
