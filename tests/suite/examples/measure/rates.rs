//! How much the bookkeeping costs: the zero-loss rate of the whole pair beside that of a bare loop.
//!
//! Both run over the same ports, on the same veth, in the same process, one after the other: see [`crate::bare`]. The
//! pair does everything that `kitproof prove` does in a trial.
//!
//! A rate is held when no frame is lost and at least 99 % are home when the interval ends. Searches of the two are
//! interleaved, five of each, and the middle one of each counts: on a machine that is not ours alone the best of them is
//! luck. In the table of all kinds of port it is the best of three.

use std::io::Write;
use std::time::Duration;

use anyhow::{Context, Result, bail};
use kitproof::engine::run;
use kitproof_bench::enter;
use kitproof_common::control::TrialSpec;
use kitproof_common::frame::{Encapsulation, FrameSpec};
use kitproof_common::host;
use kitproof_common::port::clock::monotonic_ns;
use kitproof_common::port::packet::PacketTurn;
use kitproof_common::port::{Receive, Transmit};
use kitproof_reflector::worker::Worker;
use kitproof_suite::steady;

use crate::ends::Ends;
use crate::{bare, milliseconds_at, number_at, plain};

/// Searches of each.
const ROUNDS: usize = 5;
const SHORT_ROUNDS: usize = 3;
/// Share of the frames that must be home when the interval ends.
const INSIDE: f64 = 0.99;
/// Steps of the search from the top down: each rate is so many percent below the one above it.
const STEP: u64 = 5;
/// The slowest rate that is tried: one tenth of the top.
const BOTTOM: u64 = 10;
/// How often a rate is tried before it counts as not held: on a shared machine a trial is spoiled now and then, whoever
/// runs it.
const TRIES: usize = 3;
/// Of the search by halves: the fastest rate that is tried, how much slower each rate is than the one above it, and how
/// many there are.
const TOP: f64 = 2_000_000.0;
const FACTOR: f64 = 0.96;
const RATES: u32 = 64;

/// The kind of port.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Packet,
    XdpUser,
    Xdp,
    Udp,
}

impl Kind {
    const ALL: [Self; 4] = [Self::Packet, Self::XdpUser, Self::Xdp, Self::Udp];

    fn named(name: &str) -> Option<Self> {
        match name {
            "packet" => Some(Self::Packet),
            "xdp-user" => Some(Self::XdpUser),
            "xdp" => Some(Self::Xdp),
            "udp" => Some(Self::Udp),
            _ => None,
        }
    }

    fn describe(self) -> &'static str {
        match self {
            Kind::Packet => "packet sockets at both ends",
            Kind::XdpUser => "AF_XDP sockets at both ends",
            Kind::Xdp => "AF_XDP sockets, the reflector inside the kernel",
            Kind::Udp => "UDP sockets over loopback",
        }
    }

    fn spec(self, frame_size: u16) -> FrameSpec {
        let encapsulation = if self == Kind::Udp { Encapsulation::Datagram } else { Encapsulation::Ipv4 };
        plain(encapsulation, frame_size)
    }
}

/// A rate, and for how long.
#[derive(Clone, Copy)]
pub(crate) struct Offer {
    /// Frames a second.
    pub(crate) rate: u64,
    pub(crate) milliseconds: u64,
}

impl Offer {
    pub(crate) fn frames(self) -> u64 {
        self.rate * self.milliseconds / 1_000
    }

    /// From the first departure to when a sender that cannot keep up stops.
    pub(crate) fn give_up_ns(self) -> u64 {
        self.milliseconds * 1_010_000 + 100_000_000
    }
}

/// What one trial came to, in frames.
#[derive(Clone, Copy)]
pub(crate) struct Held {
    pub(crate) offered: u64,
    pub(crate) home: u64,
    /// Home when the interval ended.
    pub(crate) inside: u64,
    /// Frames a second from the first departure to the last, where that is measured.
    pub(crate) rate: Option<f64>,
}

impl Held {
    fn holds(self, offer: Offer) -> bool {
        let wanted = offer.frames();
        self.offered == wanted && self.home == wanted && self.inside as f64 >= INSIDE * wanted as f64
    }
}

/// What `count` says when the interval is over.
pub(crate) fn at_the_end(start: u64, offer: Offer, count: impl Fn() -> u64) -> u64 {
    let end = start + offer.milliseconds * 1_000_000;
    while let Some(left) = end.checked_sub(monotonic_ns()).filter(|left| *left > 0) {
        std::thread::sleep(Duration::from_nanos(left));
    }
    count()
}

/// One kind of port, from the top rate down. Ends the process with 1 below 90 %.
pub(crate) fn one(arguments: &[&str]) -> Result<()> {
    let kind = arguments.first().and_then(|name| Kind::named(name));
    let numbers = &arguments[usize::from(kind.is_some())..];
    let kind = kind.unwrap_or(Kind::Packet);
    let spec = kind.spec(number_at(numbers, 0, 64)? as u16);
    let milliseconds = milliseconds_at(numbers, 2, 1_000)?;
    enter()?;
    host::raise_priority();
    let ends = Ends::new()?;
    // Where none is named: a quarter more than the bare loop does as fast as it goes, so that neither holds it.
    let top = match number_at(numbers, 1, 0)? {
        0 => fastest(&ends, kind, &spec)? * 5 / 4,
        top => top,
    };
    println!(
        "{} bytes, {}, trials of {} s, from {top}/s down in steps of {STEP} %, each tried {TRIES} times at most",
        spec.frame_size,
        kind.describe(),
        milliseconds as f64 / 1e3
    );
    let found = compare(&ends, kind, &spec, |hold| downward(top, milliseconds, hold), ROUNDS, true)?;
    let (best, middle) = (found.best(), found.middle());
    println!("best: bare loop {}/s, kitproof {}/s, ratio {:.3}", best.bare, best.pair, best.ratio());
    println!(
        "middle: bare loop {}/s, kitproof {}/s, ratio {:.3} (at least 0.900 is demanded)",
        middle.bare,
        middle.pair,
        middle.ratio()
    );
    std::process::exit(i32::from(middle.ratio() < 0.9));
}

/// Every kind of port in turn, by short trials; one table.
pub(crate) fn all(arguments: &[&str]) -> Result<()> {
    let milliseconds = milliseconds_at(arguments, 0, 300)?;
    let sizes = match arguments.get(1) {
        Some(_) => vec![number_at(arguments, 1, 64)? as u16],
        None => vec![64, 512],
    };
    if arguments.len() > 2 {
        bail!("wanted: all [SECONDS [SIZE]]");
    }
    enter()?;
    host::raise_priority();
    let ends = Ends::new()?;
    println!(
        "zero-loss rate, frames/s: trials of {} s, rates {:.0} % apart, the best of {SHORT_ROUNDS} interleaved searches",
        milliseconds as f64 / 1e3,
        100.0 * (1.0 - FACTOR)
    );
    println!("{:<48} {:>5} {:>10} {:>10} {:>6}", "ports", "bytes", "bare loop", "kitproof", "ratio");
    for kind in Kind::ALL {
        for size in &sizes {
            let search = |hold: Hold<'_>| by_halves(milliseconds, hold);
            let best = compare(&ends, kind, &kind.spec(*size), search, SHORT_ROUNDS, false)?.best();
            println!(
                "{:<48} {size:>5} {:>10} {:>10} {:>6.3}",
                kind.describe(),
                best.bare,
                best.pair,
                best.ratio()
            );
        }
    }
    Ok(())
}

/// What 1 Gb/s carries at two frame sizes (RFC 2544 appendix B, rounded), by which ports.
const HELD: [(Kind, u16, u64); 3] =
    [(Kind::Packet, 512, 234_962), (Kind::Xdp, 512, 234_962), (Kind::Xdp, 256, 452_899)];

/// Each of [`HELD`] for a time, by the bare loop and by the pair. Ends the process with 1 if the pair does not hold one.
pub(crate) fn hold(arguments: &[&str]) -> Result<()> {
    let milliseconds = milliseconds_at(arguments, 0, 60_000)?;
    enter()?;
    host::raise_priority();
    let ends = Ends::new()?;
    let mut all = true;
    for (kind, size, rate) in HELD {
        let (spec, offer) = (kind.spec(size), Offer { rate, milliseconds });
        println!("{size} bytes, {rate}/s for {} s, {}", milliseconds as f64 / 1e3, kind.describe());
        let bare = bare_trial(&ends, kind, &spec, offer)?;
        let pair = pair_trial(&ends, kind, &spec, offer)?;
        for (name, held) in [("bare loop", bare), ("kitproof", pair)] {
            let off = held.rate.map_or(String::new(), |found| {
                format!(", offered {:+.2} ppm from intended", (found / rate as f64 - 1.0) * 1e6)
            });
            println!(
                "  {name:<9} {} offered, {} home, {} of them in the interval: {}{off}",
                held.offered,
                held.home,
                held.inside,
                if held.holds(offer) { "held" } else { "not held" }
            );
        }
        all &= pair.holds(offer);
    }
    std::process::exit(i32::from(!all));
}

/// Loads of [`offered`], percent of what the bare loop does as fast as it goes.
const SHARES: [u64; 3] = [10, 50, 90];
/// How far an offered load may be from the intended one, as a share of it.
const TRUE_WITHIN: f64 = 50e-6;

/// How true the offered load is to the intended one, over a time, up to the ceiling of two kinds of port. Ends the process with 1
/// if one that was offered whole is not.
pub(crate) fn offered(arguments: &[&str]) -> Result<()> {
    let milliseconds = milliseconds_at(arguments, 0, 60_000)?;
    enter()?;
    host::raise_priority();
    let ends = Ends::new()?;
    let mut all = true;
    for kind in [Kind::Packet, Kind::Xdp] {
        let spec = kind.spec(64);
        let ceiling = fastest(&ends, kind, &spec)?;
        println!("64 bytes, {}: the bare loop does {ceiling}/s as fast as it goes", kind.describe());
        for share in SHARES {
            let offer = Offer { rate: ceiling * share / 100, milliseconds };
            let held = pair_trial(&ends, kind, &spec, offer)?;
            let found = held.rate.context("a rate")? / offer.rate as f64 - 1.0;
            let whole = held.offered == offer.frames();
            all &= !whole || found.abs() <= TRUE_WITHIN;
            println!(
                "  {share} %, {}/s for {} s: {} of {} frames offered, {:+.2} ppm from intended, {} home",
                offer.rate,
                milliseconds as f64 / 1e3,
                held.offered,
                offer.frames(),
                found * 1e6,
                held.home
            );
        }
    }
    std::process::exit(i32::from(!all));
}

/// Faster than any port here: the sender is always late.
const FLAT_OUT: u64 = 4_000_000;
const PARTS_ROUNDS: usize = 11;

/// What each part of the pair costs where the reflector is inside the kernel: sender and program are one processor's work, so
/// that the time between two frames that left is the sum of both. Each part beside the bare loop, in turn, as fast as it goes.
pub(crate) fn parts(arguments: &[&str]) -> Result<()> {
    let spec = Kind::Xdp.spec(number_at(arguments, 0, 64)? as u16);
    let offer = Offer { rate: FLAT_OUT, milliseconds: milliseconds_at(arguments, 1, 400)? };
    enter()?;
    host::raise_priority();
    let ends = Ends::new()?;
    let parts: [(&str, Hold<'_>); 4] = [
        ("bare loop, program that swaps addresses", &|offer| bare_trial(&ends, Kind::Xdp, &spec, offer)),
        ("bare loop, the reflector's program", &|offer| {
            let trial = trial_spec(&spec, offer);
            let ((_reflection, _passed), (transmit, receive)) =
                (ends.far_kernel(&trial)?, ends.near_xdp(&spec)?);
            bare::offer(transmit, receive, None::<PacketTurn>, &spec, offer)
        }),
        ("the pair's generator, program that swaps addresses", &|offer| {
            let (_bounce, (transmit, receive)) = (ends.far_bounce()?, ends.near_xdp(&spec)?);
            generate(transmit, receive, &spec, offer)
        }),
        ("the whole pair", &|offer| pair_trial(&ends, Kind::Xdp, &spec, offer)),
    ];
    let mut found = vec![Vec::new(); parts.len()];
    for _ in 0..PARTS_ROUNDS {
        for ((_, part), found) in parts.iter().zip(&mut found) {
            found.push(offer.give_up_ns() as f64 / part(offer)?.offered as f64);
        }
    }
    println!("{} bytes, {PARTS_ROUNDS} rounds of each: ns for each frame that left", spec.frame_size);
    println!("{:<52} {:>7} {:>7} {:>6}", "", "best", "middle", "ratio");
    let first = middle_of(&mut found[0]);
    for ((name, _), found) in parts.iter().zip(&mut found) {
        let middle = middle_of(found);
        println!("{name:<52} {:>7.0} {middle:>7.0} {:>6.3}", found[0], first / middle);
    }
    Ok(())
}

/// The middle one; sorts them.
fn middle_of(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// Frames a second.
#[derive(Clone, Copy)]
struct Both {
    bare: u64,
    pair: u64,
}

impl Both {
    fn ratio(self) -> f64 {
        self.pair as f64 / self.bare as f64
    }
}

/// What every search found, in ascending order.
#[derive(Default)]
struct Found {
    bare: Vec<u64>,
    pair: Vec<u64>,
}

impl Found {
    fn at(&self, index: usize) -> Both {
        Both { bare: self.bare[index], pair: self.pair[index] }
    }

    fn best(&self) -> Both {
        self.at(self.bare.len() - 1)
    }

    fn middle(&self) -> Both {
        self.at(self.bare.len() / 2)
    }
}

/// A trial: what an offer came to.
type Hold<'a> = &'a dyn Fn(Offer) -> Result<Held>;

/// Both, in turn.
fn compare(
    ends: &Ends,
    kind: Kind,
    spec: &FrameSpec,
    search: impl Fn(Hold<'_>) -> Result<u64>,
    rounds: usize,
    tell: bool,
) -> Result<Found> {
    let mut found = Found::default();
    for round in 1..=rounds {
        let bare = search(&|offer| bare_trial(ends, kind, spec, offer))?;
        let pair = search(&|offer| pair_trial(ends, kind, spec, offer))?;
        if tell {
            println!("pair {round}: bare loop {bare}/s, kitproof {pair}/s");
        }
        found.bare.push(bare);
        found.pair.push(pair);
    }
    found.bare.sort_unstable();
    found.pair.sort_unstable();
    Ok(found)
}

/// The highest rate that is held in one of a few trials, going down from the top; 0 if none is.
fn downward(top: u64, milliseconds: u64, hold: Hold<'_>) -> Result<u64> {
    let mut found = 0;
    let mut rate = top;
    while rate > 0 && rate >= top / BOTTOM {
        let offer = Offer { rate, milliseconds };
        let mut held = false;
        for _ in 0..TRIES {
            held = hold(offer)?.holds(offer);
            print!(".");
            std::io::stdout().flush()?;
            if held {
                break;
            }
        }
        if held {
            found = offer.rate;
            break;
        }
        rate = rate * (100 - STEP) / 100;
    }
    println!();
    Ok(found)
}

/// Frames a second that leave the bare loop as fast as it goes: the best of a few.
fn fastest(ends: &Ends, kind: Kind, spec: &FrameSpec) -> Result<u64> {
    let offer = Offer { rate: FLAT_OUT, milliseconds: 400 };
    let mut best = 0;
    for _ in 0..TRIES {
        let sent = bare_trial(ends, kind, spec, offer)?.offered;
        best = best.max(sent * 1_000_000_000 / offer.give_up_ns());
    }
    anyhow::ensure!(best > 0, "no frame left the bare loop");
    Ok(best)
}

/// A rate that is held beside the next faster one that is not, found by halving what is left; 0 if none is held.
fn by_halves(milliseconds: u64, hold: Hold<'_>) -> Result<u64> {
    let rate = |step: u32| (TOP * FACTOR.powi(step as i32)) as u64;
    // Every step from `slow` on is taken for held, every one before `fast` for not.
    let (mut fast, mut slow) = (0, RATES);
    while fast < slow {
        let step = (fast + slow) / 2;
        let offer = Offer { rate: rate(step), milliseconds };
        if hold(offer)?.holds(offer) { slow = step } else { fast = step + 1 }
    }
    Ok(if slow < RATES { rate(slow) } else { 0 })
}

fn bare_trial(ends: &Ends, kind: Kind, spec: &FrameSpec, offer: Offer) -> Result<Held> {
    match kind {
        Kind::Packet => {
            let ((transmit, receive), turn) = (ends.near_packet(spec)?, ends.far_packet(spec)?);
            bare::offer(transmit, receive, Some(turn), spec, offer)
        }
        Kind::XdpUser => {
            let ((transmit, receive), turn) = (ends.near_xdp(spec)?, ends.far_xdp(spec)?);
            bare::offer(transmit, receive, Some(turn), spec, offer)
        }
        Kind::Xdp => {
            let (_bounce, (transmit, receive)) = (ends.far_bounce()?, ends.near_xdp(spec)?);
            bare::offer(transmit, receive, None::<PacketTurn>, spec, offer)
        }
        Kind::Udp => {
            let (transmit, receive, turn) = ends.udp(spec)?;
            bare::offer(transmit, receive, Some(turn), spec, offer)
        }
    }
}

fn trial_spec(spec: &FrameSpec, offer: Offer) -> TrialSpec {
    TrialSpec {
        frame: *spec,
        frames: offer.frames(),
        frames_per_s: offer.rate as f64,
        fill_check: true,
        flows: 1,
        more_sizes: Vec::new(),
        watched: None,
    }
}

fn pair_trial(ends: &Ends, kind: Kind, spec: &FrameSpec, offer: Offer) -> Result<Held> {
    let trial = trial_spec(spec, offer);
    let cpu = host::processors().first().copied();
    match kind {
        Kind::Packet => {
            let ((transmit, receive), turn) = (ends.near_packet(spec)?, ends.far_packet(spec)?);
            pair(transmit, receive, Worker::start(turn, &trial, cpu)?, spec, offer)
        }
        Kind::XdpUser => {
            let ((transmit, receive), turn) = (ends.near_xdp(spec)?, ends.far_xdp(spec)?);
            pair(transmit, receive, Worker::start(turn, &trial, cpu)?, spec, offer)
        }
        Kind::Xdp => {
            let ((transmit, receive), (reflection, passed)) =
                (ends.near_xdp(spec)?, ends.far_kernel(&trial)?);
            pair(transmit, receive, Worker::start_in_kernel(reflection, passed, &trial)?, spec, offer)
        }
        Kind::Udp => {
            let (transmit, receive, turn) = ends.udp(spec)?;
            pair(transmit, receive, Worker::start(turn, &trial, cpu)?, spec, offer)
        }
    }
}

/// The whole pair: what a trial of `kitproof prove` does, both ends.
fn pair<T, R>(transmit: T, receive: R, worker: Worker, spec: &FrameSpec, offer: Offer) -> Result<Held>
where
    T: Transmit + Send + 'static,
    R: Receive + Send + 'static,
{
    let held = generate(transmit, receive, spec, offer)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(worker.finish()).context("the reflector's thread was lost")?;
    Ok(held)
}

/// The generator's half of it.
fn generate<T, R>(transmit: T, receive: R, spec: &FrameSpec, offer: Offer) -> Result<Held>
where
    T: Transmit + Send + 'static,
    R: Receive + Send + 'static,
{
    let trial = steady(*spec, offer.rate, offer.frames(), offer.give_up_ns())?;
    let running = run::start(vec![(transmit, receive)], &trial)?;
    let inside = at_the_end(running.start_ns, offer, || running.read().returned);
    let mut last = 0;
    while !running.sender_is_done() || running.read().arrivals != last {
        last = running.read().arrivals;
        std::thread::sleep(Duration::from_millis(50));
    }
    let flows = running.finish()?;
    let (departures, home) = flows.first().context("no flow")?;
    Ok(Held {
        offered: departures.sent.offered,
        home: home.counts.returned,
        inside,
        rate: departures.sent.load.rate,
    })
}
