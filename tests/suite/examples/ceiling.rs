//! How much the bookkeeping costs: the zero-loss rate of the whole pair beside that of a bare loop.
//!
//! Both run over the same ports, on the same veth, in the same process, one after the other. The bare loop sends one
//! constant frame, swaps two addresses at the far end and counts what comes home: no header, no sequence, no checks, no
//! histogram. The pair does everything that `kitproof prove` does in a trial.
//!
//! A rate is held when no frame is lost and at least 99 % are home when the interval ends. Rates go down in
//! steps of 5 % of the top rate; three interleaved pairs of searches; the best of each counts.
//!
//! `scripts/bench` runs it. Arguments: the kind of port (`packet`, `xdp-user`: AF_XDP at both ends, `xdp`: AF_XDP here and
//! the reflector inside the kernel; packet if left out), frame size, top rate in frames/s, seconds of a trial; or `receive`
//! and the same three, which compares two ways to receive: processor time per frame of a mapped ring and of batched calls,
//! at one rate, in turn.

use std::io::Write;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use anyhow::{Context, Result};
use kitproof::engine::{Trial, pin, run};
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options, REFLECTOR_PORT};
use kitproof_bench::enter;
use kitproof_common::control::{TrialSpec, random_mac};
use kitproof_common::frame::{Encapsulation, Fill, FrameSpec, MacAddr, Tags, Template};
use kitproof_common::line::{FrameRate, Load};
use kitproof_common::port::clock::monotonic_ns;
use kitproof_common::port::filter::Filter;
use kitproof_common::port::packet::{self, PacketReceive, PacketTurn};
use kitproof_common::port::transmit::SocketTransmit;
use kitproof_common::port::xdp::{
    self, Attachment, BareProgram, Reflection, XdpReceive, XdpTransmit, XdpTurn,
};
use kitproof_common::port::{Receive, Transmit, Turn};
use kitproof_common::{host, link};
use kitproof_reflector::worker::Worker;

/// Steps of the search, percent of the top rate.
const STEP: u64 = 5;
const PAIRS: usize = 3;
/// Share of the frames that must be home when the interval ends.
const INSIDE: f64 = 0.99;

struct Ports<T, R, U> {
    transmit: T,
    receive: R,
    turn: U,
}

/// The kind of port.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Packet,
    XdpUser,
    Xdp,
}

impl Kind {
    fn name(self) -> &'static str {
        match self {
            Kind::Packet => "packet sockets at both ends",
            Kind::XdpUser => "AF_XDP sockets at both ends",
            Kind::Xdp => "AF_XDP sockets and a reflector inside the kernel",
        }
    }
}

struct Table {
    bench: Bench,
    near: MacAddr,
    far: MacAddr,
    octets: usize,
}

impl Table {
    /// The near end's AF_XDP port, its program and all.
    fn near_xdp(&self) -> Result<(XdpTransmit, XdpReceive)> {
        let (near, far, octets) = (self.near, self.far, self.octets);
        self.bench.generator.run(move || -> Result<_> {
            let index = index_of(GENERATOR_PORT)?;
            let attachment = Arc::new(Attachment::open(GENERATOR_PORT, index)?);
            let filter = Filter::addresses(&[near], &[far]);
            Ok(xdp::open(&attachment, GENERATOR_PORT, index, 0, octets, near, &filter)?)
        })
    }

    /// The far end's AF_XDP port in user space.
    fn far_xdp(&self) -> Result<XdpTurn> {
        let (near, far, octets) = (self.near, self.far, self.octets);
        self.bench.reflector.run(move || -> Result<_> {
            let index = index_of(REFLECTOR_PORT)?;
            let attachment = Arc::new(Attachment::open(REFLECTOR_PORT, index)?);
            let filter = Filter::addresses(&[far], &[near]);
            Ok(XdpTurn::open(&attachment, REFLECTOR_PORT, index, 0, octets, far, &filter)?)
        })
    }

    /// The far end inside the kernel, and who hears what its program lets pass.
    fn far_kernel(&self, trial: &TrialSpec) -> Result<(Reflection, PacketReceive)> {
        let (near, far, octets, trial) = (self.near, self.far, self.octets, trial.clone());
        self.bench.reflector.run(move || -> Result<_> {
            let index = index_of(REFLECTOR_PORT)?;
            let attachment = Arc::new(Attachment::open(REFLECTOR_PORT, index)?);
            let filter = Filter::addresses(&[far], &[near]);
            let passed = PacketReceive::open(REFLECTOR_PORT, index, octets, &filter)?;
            let (frames, rate) = (trial.frames, trial.frames_per_s);
            Ok((Reflection::open(&attachment, REFLECTOR_PORT, &trial.frame, frames, rate, true)?, passed))
        })
    }

    fn far_bounce(&self) -> Result<BareProgram> {
        self.bench.reflector.run(|| Ok(BareProgram::bounce(REFLECTOR_PORT, index_of(REFLECTOR_PORT)?)?))
    }

    fn ports(&self) -> Result<Ports<SocketTransmit, PacketReceive, PacketTurn>> {
        let (near, far, octets) = (self.near, self.far, self.octets);
        let (transmit, receive) = self.bench.generator.run(move || -> Result<_> {
            let index = index_of(GENERATOR_PORT)?;
            let filter = Filter::addresses(&[near], &[far]);
            let receive = PacketReceive::open(GENERATOR_PORT, index, octets, &filter)?;
            Ok((packet::transmit(GENERATOR_PORT, index, octets)?, receive))
        })?;
        let turn = self.bench.reflector.run(move || -> Result<_> {
            let filter = Filter::addresses(&[far], &[near]);
            Ok(PacketTurn::open(REFLECTOR_PORT, index_of(REFLECTOR_PORT)?, octets, &filter)?)
        })?;
        Ok(Ports { transmit, receive, turn })
    }
}

impl Table {
    /// A sender at the far end, whose frames the near filter accepts (by their source address).
    fn far_sender(&self) -> Result<SocketTransmit> {
        let octets = self.octets;
        self.bench
            .reflector
            .run(move || Ok(packet::transmit(REFLECTOR_PORT, index_of(REFLECTOR_PORT)?, octets)?))
    }
}

fn index_of(interface: &str) -> Result<u32> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    Ok(runtime.block_on(link::facts(interface))?.index)
}

/// What one trial came to.
#[derive(Clone, Copy)]
struct Held {
    offered: u64,
    home: u64,
    inside: u64,
}

impl Held {
    fn holds(self, wanted: u64) -> bool {
        self.offered == wanted && self.home == self.offered && self.inside as f64 >= INSIDE * wanted as f64
    }
}

fn main() -> Result<()> {
    enter()?;
    host::raise_priority();
    let compare = std::env::args().nth(1).as_deref() == Some("receive");
    let kind = match std::env::args().nth(1).as_deref() {
        Some("packet") => Some(Kind::Packet),
        Some("xdp-user") => Some(Kind::XdpUser),
        Some("xdp") => Some(Kind::Xdp),
        _ => None,
    };
    let words = usize::from(compare || kind.is_some());
    let kind = kind.unwrap_or(Kind::Packet);
    let arguments: Vec<u64> =
        std::env::args().skip(1 + words).map(|word| word.parse()).collect::<Result<_, _>>()?;
    let size = u16::try_from(arguments.first().copied().unwrap_or(64))?;
    let top = arguments.get(1).copied().unwrap_or(1_000_000);
    let seconds = arguments.get(2).copied().unwrap_or(1);
    let spec = spec(size);
    let table = Table {
        bench: Bench::direct(Options::default())?,
        near: spec.source,
        far: spec.destination,
        octets: spec.octets(),
    };
    if compare {
        return compare_receive(&table, &spec, arguments.get(1).copied().unwrap_or(100_000), seconds);
    }
    println!(
        "{size} bytes, ipv4, {} on a veth, trials of {seconds} s, steps of {STEP} % of {top}/s",
        kind.name()
    );
    let (mut bare_best, mut pair_best) = (0, 0);
    for round in 1..=PAIRS {
        let bare = highest(top, |rate| match kind {
            Kind::Packet => {
                let Ports { transmit, receive, turn } = table.ports()?;
                bare(transmit, receive, Some(turn), &spec, rate, seconds)
            }
            Kind::XdpUser => {
                let ((transmit, receive), turn) = (table.near_xdp()?, table.far_xdp()?);
                bare(transmit, receive, Some(turn), &spec, rate, seconds)
            }
            Kind::Xdp => {
                let (_bounce, (transmit, receive)) = (table.far_bounce()?, table.near_xdp()?);
                bare(transmit, receive, None::<PacketTurn>, &spec, rate, seconds)
            }
        })?;
        let pair = highest(top, |rate| {
            let frames = rate * seconds;
            let trial =
                TrialSpec { frame: spec, frames, frames_per_s: rate as f64, fill_check: true, flows: 1 };
            let cpu = host::processors().first().copied();
            match kind {
                Kind::Packet => {
                    let Ports { transmit, receive, turn } = table.ports()?;
                    pair(transmit, receive, Worker::start(turn, &trial, cpu)?, &spec, rate, seconds)
                }
                Kind::XdpUser => {
                    let ((transmit, receive), turn) = (table.near_xdp()?, table.far_xdp()?);
                    pair(transmit, receive, Worker::start(turn, &trial, cpu)?, &spec, rate, seconds)
                }
                Kind::Xdp => {
                    let ((transmit, receive), (reflection, passed)) =
                        (table.near_xdp()?, table.far_kernel(&trial)?);
                    let worker = Worker::start_in_kernel(reflection, passed, &trial)?;
                    pair(transmit, receive, worker, &spec, rate, seconds)
                }
            }
        })?;
        println!("pair {round}: bare loop {bare}/s, kitproof {pair}/s");
        bare_best = bare_best.max(bare);
        pair_best = pair_best.max(pair);
    }
    let ratio = pair_best as f64 / bare_best as f64;
    println!(
        "best: bare loop {bare_best}/s, kitproof {pair_best}/s, ratio {ratio:.3} (at least 0.900 is demanded)"
    );
    std::process::exit(i32::from(ratio < 0.9));
}

fn spec(frame_size: u16) -> FrameSpec {
    FrameSpec {
        encapsulation: Encapsulation::Ipv4,
        tags: Tags::none(),
        dscp: 0,
        frame_size,
        source: random_mac(),
        destination: random_mac(),
        session: 7,
        stream: 0,
        fill: Fill::Prbs,
        fill_seed: 1,
    }
}

/// The highest rate that `hold` holds, going down from the top.
fn highest(top: u64, hold: impl Fn(u64) -> Result<Held>) -> Result<u64> {
    for step in (1..=100 / STEP).rev() {
        let rate = top * step * STEP / 100;
        let held = hold(rate)?;
        print!(".");
        std::io::stdout().flush()?;
        // The trial's own length decides how many are wanted: rate × seconds, exactly.
        if held.holds(held.offered.max(1)) && held.offered > 0 {
            println!();
            return Ok(rate);
        }
    }
    println!();
    Ok(0)
}

/// The whole pair: what a trial of `kitproof prove` does, both ends.
fn pair<T, R>(
    transmit: T,
    receive: R,
    worker: Worker,
    spec: &FrameSpec,
    rate: u64,
    seconds: u64,
) -> Result<Held>
where
    T: Transmit + Send + 'static,
    R: Receive + Send + 'static,
{
    let frame_rate = FrameRate::from_per_second(rate).context("a rate of nothing")?;
    let frames = rate * seconds;
    let trial = Trial {
        frame: *spec,
        load: Load::FramesPerSecond(rate),
        rate: frame_rate,
        line: frame_rate,
        ceiling: frame_rate.times(105, 100).unwrap_or(frame_rate),
        burst: 16,
        ahead: 0,
        frames,
        give_up_ns: seconds * 1_010_000_000 + 100_000_000,
        warm_up: 0,
        fill_check: true,
        pairs: 1,
    };
    let running = run::start(vec![(transmit, receive)], &trial)?;
    let inside = at_the_end(running.start_ns, seconds, || running.read().returned);
    let mut last = 0;
    while !running.sender_is_done() || running.read().arrivals != last {
        last = running.read().arrivals;
        std::thread::sleep(Duration::from_millis(50));
    }
    let flows = running.finish()?;
    let (departures, home) = flows.first().context("no flow")?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(worker.finish()).context("the reflector's thread was lost")?;
    Ok(Held {
        offered: if departures.sent.offered == frames { frames } else { 0 },
        home: home.counts.returned,
        inside,
    })
}

/// The bare loop: a constant frame out, two addresses swapped at the far end, a count at home.
fn bare<T, R, U>(
    mut transmit: T,
    mut receive: R,
    turn: Option<U>,
    spec: &FrameSpec,
    rate: u64,
    seconds: u64,
) -> Result<Held>
where
    T: Transmit + Send + 'static,
    R: Receive + Send + 'static,
    U: Turn + Send + 'static,
{
    let template = Template::new(spec)?;
    transmit.set_octets(template.octets())?;
    for index in 0..transmit.slots() {
        template.write(0, transmit.slot(index));
    }
    let stop = Arc::new(AtomicBool::new(false));
    let home = Arc::new(AtomicU64::new(0));
    let returning = turn.map(|mut turn| {
        let stop = Arc::clone(&stop);
        std::thread::spawn(move || -> std::io::Result<()> {
            if let Some(first) = host::processors().first() {
                host::tie_to(*first);
            }
            while !stop.load(Ordering::Relaxed) {
                let turned = turn.turn(64, &mut |frame, _| {
                    let (destination, source) = frame[..12].split_at_mut(6);
                    destination.swap_with_slice(source);
                    true
                })?;
                if turned.received == 0 {
                    turn.wait(Duration::from_millis(20))?;
                }
            }
            Ok(())
        })
    });
    let receiving = {
        let (stop, home) = (Arc::clone(&stop), Arc::clone(&home));
        std::thread::spawn(move || -> std::io::Result<()> {
            if let (_, Some(place)) = pin::places(&host::processors(), 0, 1) {
                host::tie_to(place);
            }
            let mut count = 0;
            while !stop.load(Ordering::Relaxed) {
                let arrived = receive.receive(64, &mut |_, _| {})?;
                count += arrived as u64;
                home.store(count, Ordering::Relaxed);
                if arrived == 0 {
                    std::thread::sleep(Duration::from_micros(200));
                }
            }
            Ok(())
        })
    };
    let frames = rate * seconds;
    let start = monotonic_ns() + 20_000_000;
    let sending = std::thread::spawn(move || -> std::io::Result<u64> {
        if let (Some(place), _) = pin::places(&host::processors(), 0, 1) {
            host::tie_to(place);
        }
        let mut sent = 0;
        let deadline = start + seconds * 1_010_000_000 + 100_000_000;
        while sent < frames {
            let now = monotonic_ns();
            if now >= deadline {
                break;
            }
            // 1 s of 64-bit arithmetic: no overflow below 18 Gfps.
            let due = (now.saturating_sub(start) * rate / 1_000_000_000).min(frames);
            let count = due.saturating_sub(sent).min(64).min(transmit.room(0) as u64);
            if count > 0 {
                sent += transmit.submit(0, count as usize)? as u64;
            } else {
                std::hint::spin_loop();
            }
        }
        Ok(sent)
    });
    let inside = at_the_end(start, seconds, || home.load(Ordering::Relaxed));
    let sent = sending.join().map_err(|_| anyhow::anyhow!("the sender was lost"))??;
    let mut last = u64::MAX;
    while home.load(Ordering::Relaxed) != last {
        last = home.load(Ordering::Relaxed);
        std::thread::sleep(Duration::from_millis(50));
    }
    stop.store(true, Ordering::Relaxed);
    for thread in returning.into_iter().chain([receiving]) {
        thread.join().map_err(|_| anyhow::anyhow!("a thread was lost"))??;
    }
    Ok(Held { offered: if sent == frames { frames } else { 0 }, home: last, inside })
}

/// What `count` says when the interval is over.
fn at_the_end(start: u64, seconds: u64, count: impl Fn() -> u64) -> u64 {
    let end = start + seconds * 1_000_000_000;
    while let Some(left) = end.checked_sub(monotonic_ns()).filter(|left| *left > 0) {
        std::thread::sleep(Duration::from_nanos(left));
    }
    count()
}

/// Processor time per frame of receiving one way, ring against calls, three times in turn.
fn compare_receive(table: &Table, spec: &FrameSpec, rate: u64, seconds: u64) -> Result<()> {
    println!("{} bytes at {rate}/s for {seconds} s: processor time of the receiving thread", spec.frame_size);
    for round in 1..=PAIRS {
        let ring = receive_cost(table.far_sender()?, table.ports()?.receive, spec, rate, seconds)?;
        let (near, far, octets) = (table.near, table.far, table.octets);
        let calls = table.bench.generator.run(move || -> Result<_> {
            let filter = Filter::addresses(&[near], &[far]);
            Ok(packet::receive_by_calls(GENERATOR_PORT, index_of(GENERATOR_PORT)?, octets, &filter)?)
        })?;
        let calls = receive_cost(table.far_sender()?, calls, spec, rate, seconds)?;
        println!(
            "round {round}: ring {:.0} ns a frame, {} lost; calls {:.0} ns a frame, {} lost",
            ring.0, ring.1, calls.0, calls.1
        );
    }
    Ok(())
}

/// Processor time per frame of one receiver, and what it lost. The frames come straight from the far end's port.
fn receive_cost<R: Receive + Send + 'static>(
    mut transmit: SocketTransmit,
    mut receive: R,
    spec: &FrameSpec,
    rate: u64,
    seconds: u64,
) -> Result<(f64, u64)> {
    let stop = Arc::new(AtomicBool::new(false));
    let receiving = {
        let stop = Arc::clone(&stop);
        std::thread::spawn(move || -> std::io::Result<(u64, u64)> {
            let mut count = 0;
            loop {
                let arrived = receive.receive(64, &mut |_, _| {})?;
                count += arrived as u64;
                if arrived == 0 {
                    if stop.load(Ordering::Relaxed) {
                        let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
                        return Ok((count, time.tv_sec as u64 * 1_000_000_000 + time.tv_nsec as u64));
                    }
                    std::thread::sleep(Duration::from_micros(200));
                }
            }
        })
    };
    let homeward = FrameSpec { source: spec.destination, destination: spec.source, ..*spec };
    let template = Template::new(&homeward)?;
    transmit.set_octets(template.octets())?;
    for index in 0..transmit.slots() {
        template.write(0, transmit.slot(index));
    }
    let (start, frames) = (monotonic_ns(), rate * seconds);
    let mut sent = 0;
    while sent < frames {
        let due = (monotonic_ns().saturating_sub(start) * rate / 1_000_000_000).min(frames);
        let count = due.saturating_sub(sent).min(transmit.slots() as u64);
        if count > 0 {
            sent += transmit.submit(0, count as usize)? as u64;
        }
    }
    std::thread::sleep(Duration::from_millis(50));
    stop.store(true, Ordering::Relaxed);
    let (count, time) = receiving.join().map_err(|_| anyhow::anyhow!("the receiver was lost"))??;
    Ok((time as f64 / count.max(1) as f64, sent - count.min(sent)))
}
