//! Time stamps of sampled frames, over a real veth: the kernel stamps what leaves and what arrives. A NIC's own clock would
//! come the same way; there is none here.
//!
//! Everything is held on one clock, CLOCK_REALTIME: this test reads it before a frame is handed over, the kernel stamps the
//! departure, then the arrival.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail, ensure};
use kitproof::engine::run;
use kitproof::engine::stamped::Stamped;
use kitproof_bench::Room;
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options, REFLECTOR_PORT};
use kitproof_bench::script::{Faults, Schedule, Script};
use kitproof_common::frame::{Encapsulation, Fill, FrameSpec, MacAddr, Tag, Tags, Template, VARIANTS};
use kitproof_common::port::clock::realtime_ns;
use kitproof_common::port::filter::Filter;
use kitproof_common::port::packet::{self, PacketReceive};
use kitproof_common::port::stamps::{Stamp, StampQueue, StampSource};
use kitproof_common::port::transmit::SocketTransmit;
use kitproof_common::port::xdp::{
    self, Attachment, Reflection, StampClock, Stamping, XdpReceive, XdpTransmit,
};
use kitproof_common::port::{Receive, Transmit};
use kitproof_common::sequence::Sampling;
use kitproof_suite::rig::{FAIL, PASS, Rig, decided, ended, equal};
use kitproof_suite::{number, prove, reflector_by_packets, steady, trials, validate};
use rustix::net::netdevice::name_to_index;
use rustix::net::{AddressFamily, SocketType, socket};
use rustix::time::{DynamicClockId, clock_gettime_dynamic};

fn main() {
    kitproof_suite::run(&[
        ("every_sample_is_stamped_between_hand_over_and_arrival", between),
        ("stamps_that_nobody_reads_cost_no_frame", unread),
        ("a_run_measures_by_the_kernels_stamps", measured),
        ("lost_frames_are_no_samples", lost),
        ("samples_by_af_xdp_are_stamped_at_both_ends_by_one_clock", by_xdp),
        ("a_trial_by_af_xdp_measures_by_the_stamps_of_one_clock", measured_by_xdp),
        ("a_program_that_is_bound_to_the_driver_loses_nothing", bound),
        ("two_flows_share_a_port_without_stamps_and_the_last_has_them_again", shared),
    ]);
}

const MINE: MacAddr = MacAddr(2, 0, 0, 0, 0, 1);
const THEIRS: MacAddr = MacAddr(2, 0, 0, 0, 0, 2);
const MTU: u32 = 1508;
const LARGEST: usize = MTU as usize + 14;
const BENCH: Options = Options { mtu: MTU, queues: 1, xdp: false };

fn spec(encapsulation: Encapsulation, tags: Tags, frame_size: u16) -> FrameSpec {
    FrameSpec {
        encapsulation,
        tags,
        dscp: 0,
        frame_size,
        source: MINE,
        destination: THEIRS,
        session: 7,
        stream: 0,
        fill: Fill::Prbs,
        fill_seed: 1,
    }
}

fn in_room<T: Send + 'static>(
    room: &Room,
    interface: &'static str,
    open: impl FnOnce(u32) -> Result<T> + Send + 'static,
) -> Result<T> {
    room.run(move || open(name_to_index(socket(AddressFamily::INET, SocketType::DGRAM, None)?, interface)?))
}

/// Two ends of a veth, and what they say of frames of one specification.
struct Ends<T, R> {
    bench: Bench,
    template: Template,
    sampling: Sampling,
    transmit: T,
    departures: StampSource,
    receive: R,
    arrivals: StampSource,
    /// The clock that stamps.
    clock: fn() -> u64,
    next: u32,
    /// Of them, received in earlier rounds.
    before: u32,
    /// By sequence: the clock before the hand-over that was accepted, and the departure in the frame.
    handed_over: BTreeMap<u32, (u64, u32)>,
    asked: u32,
}

impl Ends<SocketTransmit, PacketReceive> {
    fn new(spec: &FrameSpec, sampling: Sampling) -> Result<Self> {
        let bench = Bench::direct(BENCH)?;
        let template = Template::new(spec)?;
        let (transmit, departures) = in_room(&bench.generator, GENERATOR_PORT, |index| {
            let mut transmit = packet::transmit(GENERATOR_PORT, index, LARGEST)?;
            let departures = transmit.departures().context("the socket gives no stamps")?;
            Ok((transmit, departures))
        })?;
        let from_end = template.sequence_from_end();
        let (receive, arrivals) = in_room(&bench.reflector, REFLECTOR_PORT, move |index| {
            let all = Filter::addresses(&[THEIRS], &[]);
            let receive = PacketReceive::open(REFLECTOR_PORT, index, LARGEST, &all)?;
            let samples = Filter::sampled(THEIRS, sampling, from_end);
            Ok((receive, StampQueue::of_arrivals(REFLECTOR_PORT, index, LARGEST, &samples)?))
        })?;
        let ports = (transmit, departures, receive, StampSource::Socket(arrivals));
        Self::of(bench, template, sampling, ports, realtime_ns)
    }
}

impl Ends<XdpTransmit, XdpReceive> {
    /// By AF_XDP, with a copy, and the host's clock in the NIC's place.
    fn by_xdp(spec: &FrameSpec, sampling: Sampling) -> Result<Self> {
        let bench = Bench::direct(BENCH)?;
        let template = Template::new(spec)?;
        let stamping = Some(stamping(&template, sampling, StampClock::Host));
        let (transmit, departures) = in_room(&bench.generator, GENERATOR_PORT, move |index| {
            let (mut transmit, _) = open_xdp(&attached(GENERATOR_PORT, index)?, MINE, stamping)?;
            let departures = transmit.departures().context("the sending port gives no stamps")?;
            Ok((transmit, departures))
        })?;
        let (receive, arrivals) = in_room(&bench.reflector, REFLECTOR_PORT, move |index| {
            let (_, mut receive) = open_xdp(&attached(REFLECTOR_PORT, index)?, THEIRS, stamping)?;
            let arrivals = receive.arrivals().context("the receiving port gives no stamps")?;
            Ok((receive, arrivals))
        })?;
        Self::of(bench, template, sampling, (transmit, departures, receive, arrivals), tai_ns)
    }
}

fn stamping(template: &Template, sampling: Sampling, clock: StampClock) -> Stamping {
    Stamping { sampling, identity_at: template.octets() - template.sequence_from_end(), clock }
}

fn attached(interface: &str, index: u32) -> Result<Arc<Attachment>> {
    Ok(Arc::new(Attachment::open(interface, index)?))
}

/// On the first queue.
fn open_xdp(
    attachment: &Arc<Attachment>,
    own: MacAddr,
    stamping: Option<Stamping>,
) -> Result<(XdpTransmit, XdpReceive)> {
    let filter = Filter::addresses(&[own], &[]);
    Ok(xdp::open(attachment, 0, LARGEST, own, &filter, stamping)?)
}

/// The generator's end by a packet socket whose stamps nobody asks for.
fn unstamped_sender(bench: &Bench) -> Result<(SocketTransmit, StampSource)> {
    let transmit = in_room(&bench.generator, GENERATOR_PORT, |index| {
        Ok(packet::transmit(GENERATOR_PORT, index, LARGEST)?)
    })?;
    Ok((transmit, StampSource::Port(std::sync::mpsc::channel().1)))
}

/// CLOCK_TAI.
fn tai_ns() -> u64 {
    let now = clock_gettime_dynamic(DynamicClockId::Tai).expect("Linux has it since 3.10");
    now.tv_sec as u64 * 1_000_000_000 + now.tv_nsec as u64
}

impl<T: Transmit, R: Receive> Ends<T, R> {
    fn of(
        bench: Bench,
        template: Template,
        sampling: Sampling,
        (mut transmit, departures, receive, arrivals): (T, StampSource, R, StampSource),
        clock: fn() -> u64,
    ) -> Result<Self> {
        transmit.set_octets(template.octets())?;
        for index in 0..transmit.slots() {
            template.write(index % VARIANTS, transmit.slot(index));
        }
        Ok(Self {
            bench,
            template,
            sampling,
            transmit,
            departures,
            receive,
            arrivals,
            clock,
            next: 0,
            before: 0,
            handed_over: BTreeMap::new(),
            asked: 0,
        })
    }

    /// Hands frames over, a batch at a time; what is turned away is stamped and offered anew, as the sender does.
    fn send(&mut self, frames: u32) -> Result<()> {
        let slots = self.transmit.slots();
        let end = self.next + frames;
        while self.next < end {
            let first = self.next as usize % slots;
            let room = self.transmit.room(first).min(slots - first);
            let count = room.min((end - self.next) as usize) as u32;
            let now = (self.clock)();
            for sequence in self.next..self.next + count {
                let slot = sequence as usize % slots;
                self.template.stamp(slot % VARIANTS, self.transmit.slot(slot), sequence, now as u32);
                if self.sampling.takes(sequence) {
                    self.transmit.ask_stamp(slot);
                }
            }
            let accepted = self.transmit.submit(first, count as usize)? as u32;
            for sequence in self.next..self.next + accepted {
                self.handed_over.insert(sequence, (now, now as u32));
                self.asked += u32::from(self.sampling.takes(sequence));
            }
            self.next += accepted;
        }
        Ok(())
    }

    /// Everything that arrives: the kernel's stamp by what the frame says of itself. Each frame comes once.
    fn received(&mut self) -> Result<BTreeMap<(u32, u32), u64>> {
        let until = Instant::now() + Duration::from_secs(20);
        let from_end = self.template.sequence_from_end();
        let mut came = BTreeMap::new();
        while came.len() < (self.next - self.before) as usize && Instant::now() < until {
            let mut copies = 0;
            let count = self.receive.receive(256, &mut |frame, meta| {
                copies += usize::from(came.insert(identity(frame, from_end), meta.arrived_ns).is_some());
            })?;
            ensure!(copies == 0, "a frame came twice");
            if count == 0 {
                self.receive.wait(Duration::from_millis(5))?;
            }
        }
        equal("frames that arrived", came.len() as u64, (self.next - self.before).into())?;
        self.before = self.next;
        Ok(came)
    }
}

/// Sequence and departure.
fn identity(frame: &[u8], from_end: usize) -> (u32, u32) {
    let word = |at: usize| u32::from_be_bytes(frame[at..at + 4].try_into().expect("four octets"));
    let start = frame.len() - from_end;
    (word(start), word(start + 4))
}

fn read(source: &mut StampSource, from_end: usize) -> Vec<((u32, u32), Stamp)> {
    let mut stamps = Vec::new();
    source.read(from_end, &mut |identity, stamp| {
        stamps.push((((identity >> 32) as u32, identity as u32), stamp));
    });
    stamps
}

fn between() -> Result<()> {
    let tag = Tag::customer(100);
    let double = Tags::double(Tag::service(7), tag);
    for (encapsulation, tags, size) in [
        (Encapsulation::Ipv4, Tags::none(), 64),
        (Encapsulation::Ipv4, Tags::single(tag), 1518),
        (Encapsulation::Ipv6, double, 512),
        (Encapsulation::Ethernet, Tags::single(tag), 68),
    ] {
        let spec = spec(encapsulation, tags, size);
        let sampling = Sampling::every(7);
        let mut ends = Ends::new(&spec, sampling)?;
        let mut joined = Stamped::new(sampling);
        let from_end = ends.template.sequence_from_end();
        let number = |(sequence, departure): (u32, u32)| u64::from(sequence) << 32 | u64::from(departure);
        let (mut by_user, mut stamped, mut refused) = (0, 0, 0);
        // A thousand at a time: what waits to be read is bounded, and that is another test.
        for _ in 0..10 {
            ends.send(1_000)?;
            let arrived = ends.received()?;
            let heard: BTreeMap<(u32, u32), Stamp> = read(&mut ends.arrivals, from_end).into_iter().collect();
            let left = read(&mut ends.departures, from_end);
            for ((sequence, departure), at) in &arrived {
                let (before, stamped) = ends.handed_over[sequence];
                ensure!(*departure == stamped, "frame {sequence} is not the one that was accepted");
                by_user = by_user.max(at - before);
                let listened = heard.get(&(*sequence, *departure));
                ensure!(listened.is_some() == sampling.takes(*sequence), "{sequence}: {listened:?}");
                if let Some(stamp) = listened {
                    ensure!(
                        *stamp == Stamp { kernel_ns: *at, nic_ns: 0 },
                        "{sequence}: {stamp:?}, {at} by the ring"
                    );
                    joined.arrived(number((*sequence, *departure)), 0, *at, None);
                    joined.heard(number((*sequence, *departure)), *stamp);
                }
            }
            equal(
                "samples heard",
                heard.len() as u64,
                arrived.keys().filter(|one| sampling.takes(one.0)).count() as u64,
            )?;
            for (identity, stamp) in left {
                ensure!(sampling.takes(identity.0), "frame {} never asked", identity.0);
                joined.departed(number(identity), stamp);
                // Stamped and then turned away: another departure than the one that went.
                let Some(at) = arrived.get(&identity) else {
                    refused += 1;
                    continue;
                };
                let (before, _) = ends.handed_over[&identity.0];
                ensure!(
                    stamp.nic_ns == 0 && (before..=*at).contains(&stamp.kernel_ns),
                    "{before} {stamp:?} {at}"
                );
                stamped += 1;
            }
            ends.handed_over.clear();
        }
        equal("stamps of frames that went", stamped, ends.asked.into())?;
        let by_stamps = joined.finish(false);
        let trips = by_stamps.kernel.context("nothing was joined")?;
        equal("round trips", trips.histogram.len(), ends.asked.into())?;
        ensure!(by_stamps.nic.is_none(), "there is no NIC here");
        // The frame was handed over before the kernel stamped it.
        ensure!(
            trips.histogram.equivalent(trips.histogram.max(), by_user) || trips.histogram.max() < by_user
        );
        eprintln!(
            "{encapsulation:?}/{size}: {stamped} stamps ({refused} of attempts turned away), grain {} ns, departure to \
             arrival p50 {} ns",
            trips.grain_ns,
            trips.histogram.value_at_quantile(0.5)
        );
    }
    Ok(())
}

/// Every sample, and no other frame, is stamped twice by one clock: between hand-over and now, and with the very time that is
/// in front of the frame.
fn by_xdp() -> Result<()> {
    let (tag, mut all) = (Tag::customer(100), 0);
    for (encapsulation, tags, size, stride) in [
        (Encapsulation::Ipv4, Tags::none(), 64, 1),
        (Encapsulation::Ipv4, Tags::single(tag), 1518, 7),
        (Encapsulation::Ipv6, Tags::none(), 512, 7),
        (Encapsulation::Ethernet, Tags::single(tag), 68, 333),
    ] {
        let sampling = Sampling::every(stride);
        let mut ends = Ends::by_xdp(&spec(encapsulation, tags, size), sampling)?;
        let from_end = ends.template.sequence_from_end();
        let number = |(sequence, departure): (u32, u32)| u64::from(sequence) << 32 | u64::from(departure);
        let mut joined = Stamped::new(sampling);
        let (mut trips, mut out_of_order) = (0, 0);
        for _ in 0..10 {
            ends.send(1_000)?;
            let arrived = ends.received()?;
            ends.transmit.flush()?;
            ends.transmit.room(0);
            let now = tai_ns();
            let heard = read(&mut ends.arrivals, from_end);
            let left = read(&mut ends.departures, from_end);
            let samples: Vec<(u32, u32)> =
                arrived.keys().copied().filter(|one| sampling.takes(one.0)).collect();
            let of = |stamps: &[((u32, u32), Stamp)]| {
                let mut all: Vec<(u32, u32)> = stamps.iter().map(|(identity, _)| *identity).collect();
                all.sort_unstable();
                all
            };
            ensure!(of(&heard) == samples, "heard {heard:?}, not {samples:?}");
            ensure!(of(&left) == samples, "left {left:?}, not {samples:?}");
            let departed: BTreeMap<(u32, u32), Stamp> = left.into_iter().collect();
            for (identity, stamp) in heard {
                let (before, _) = ends.handed_over[&identity.0];
                let departure = departed[&identity];
                ensure!(stamp.kernel_ns == arrived[&identity], "{identity:?}: {stamp:?}, {arrived:?}");
                ensure!((before..=now).contains(&stamp.nic_ns), "{identity:?}: {before} {stamp:?} {now}");
                ensure!(
                    departure.kernel_ns == 0 && (before..=now).contains(&departure.nic_ns),
                    "{identity:?}: {before} {departure:?} {now}"
                );
                joined.departed(number(identity), departure);
                joined.arrived(number(identity), 0, stamp.kernel_ns, Some(u32::MAX));
                joined.heard(number(identity), stamp);
                // An interface may let go of a frame after it has arrived.
                let late = departure.nic_ns > stamp.nic_ns;
                out_of_order += u64::from(late);
                trips += u64::from(!late);
            }
            ends.handed_over.clear();
        }
        let by_stamps = joined.finish(false);
        ensure!(by_stamps.kernel.is_none(), "the kernel stamped no departure by its own clock");
        equal("asked", trips + out_of_order, ends.asked.into())?;
        let measured = by_stamps.nic.map_or((0, 0), |trips| (trips.histogram.len(), trips.excluded));
        ensure!(trips == 0 || measured == (trips, out_of_order), "{measured:?}, not {trips} {out_of_order}");
        all += trips;
        eprintln!("{encapsulation:?}/{size}: {trips} joined, {out_of_order} let go of after they arrived");
    }
    ensure!(all > 0, "every frame was let go of after it had arrived: nothing was joined here");
    Ok(())
}

/// A trial over the engine, a reflector in the kernel at the other end: of every sample that was asked for there is a round
/// trip by that clock, none of them longer than by the program.
fn measured_by_xdp() -> Result<()> {
    const RATE: u64 = 10_000;
    const FRAMES: u64 = 2 * RATE;
    let bench = Bench::direct(BENCH)?;
    let spec = spec(Encapsulation::Ipv4, Tags::none(), 256);
    let trial = steady(spec, RATE, FRAMES, 10_000_000_000)?;
    let stamping = Some(stamping(&Template::new(&spec)?, trial.sampling(), StampClock::Host));
    let ports = in_room(&bench.generator, GENERATOR_PORT, move |index| {
        open_xdp(&attached(GENERATOR_PORT, index)?, MINE, stamping)
    })?;
    let _reflection = in_room(&bench.reflector, REFLECTOR_PORT, move |index| {
        let attachment = attached(REFLECTOR_PORT, index)?;
        Ok(Reflection::open(&attachment, REFLECTOR_PORT, &spec, FRAMES, RATE as f64, true)?)
    })?;
    let running = run::start(vec![ports], &trial)?;
    let until = Instant::now() + Duration::from_secs(15);
    while !(running.sender_is_done() && running.read().returned == FRAMES) && Instant::now() < until {
        std::thread::sleep(Duration::from_millis(20));
    }
    let flows = running.finish()?;
    let [(departures, home)] = flows.as_slice() else { bail!("one flow has one result") };
    equal("offered", departures.sent.offered, FRAMES)?;
    equal("home", home.counts.returned, FRAMES)?;
    ensure!(home.by_stamps.kernel.is_none(), "the kernel's own clock stamped no departure");
    let stamped = home.by_stamps.nic.as_ref().context("no round trip by stamps")?;
    // A host that steals the time between two looks at its clocks costs that sample, and it is said.
    equal(
        "round trips by stamps, and left out",
        stamped.histogram.len() + stamped.excluded,
        asked(FRAMES, RATE as f64),
    )?;
    // Each is held against its own by the program, give or take what two clocks may differ; a bucket is a thousandth.
    let (by_stamps, by_program) = (stamped.histogram.max(), home.round_trips.histogram.max());
    ensure!(by_stamps <= by_program + by_program / 500 + 1_000, "{by_stamps} ns, {by_program} ns");
    eprintln!(
        "p50 {} ns by stamps, {} ns by the program",
        stamped.histogram.value_at_quantile(0.5),
        home.round_trips.histogram.value_at_quantile(0.5)
    );
    Ok(())
}

/// A veth tells programs of a stamp that it has not: then there is none, and the frames go as they would.
fn bound() -> Result<()> {
    let bench = Bench::direct(BENCH)?;
    let spec = spec(Encapsulation::Ipv4, Tags::none(), 256);
    let template = Template::new(&spec)?;
    let stamping = Some(stamping(&template, Sampling::EVERY_FRAME, StampClock::Nic));
    let (transmit, nothing) = unstamped_sender(&bench)?;
    let (departures, receive, arrivals) = in_room(&bench.reflector, REFLECTOR_PORT, move |index| {
        let (mut transmit, mut receive) = open_xdp(&attached(REFLECTOR_PORT, index)?, THEIRS, stamping)?;
        let arrivals = receive.arrivals().context("the driver did not take the program")?;
        Ok((transmit.departures(), receive, arrivals))
    })?;
    // What stamps a copied frame is never taken for the NIC.
    ensure!(departures.is_none(), "a copied frame is not stamped by a NIC");
    let ports = (transmit, nothing, receive, arrivals);
    let mut ends = Ends::of(bench, template, Sampling::every(3), ports, tai_ns)?;
    for _ in 0..5 {
        ends.send(1_000)?;
        ends.received()?;
    }
    let from_end = ends.template.sequence_from_end();
    let heard = read(&mut ends.arrivals, from_end);
    ensure!(heard.is_empty(), "a veth has no clock: {heard:?}");
    Ok(())
}

/// As long as a second flow is there the programs are found by the table, where none that stamps has a place: no stamps, no
/// loss; the last one left has stamps again.
fn shared() -> Result<()> {
    let bench = Bench::direct(Options { queues: 2, ..BENCH })?;
    let spec = spec(Encapsulation::Ipv4, Tags::none(), 64);
    let template = Template::new(&spec)?;
    let stamping = Some(stamping(&template, Sampling::EVERY_FRAME, StampClock::Host));
    let (transmit, nothing) = unstamped_sender(&bench)?;
    let attachment = in_room(&bench.reflector, REFLECTOR_PORT, |index| attached(REFLECTOR_PORT, index))?;
    let first = Arc::clone(&attachment);
    let (receive, arrivals) = in_room(&bench.reflector, REFLECTOR_PORT, move |_| {
        let (_, mut receive) = open_xdp(&first, THEIRS, stamping)?;
        let arrivals = receive.arrivals().context("no stamps")?;
        Ok((receive, arrivals))
    })?;
    let mut ends =
        Ends::of(bench, template, Sampling::EVERY_FRAME, (transmit, nothing, receive, arrivals), tai_ns)?;
    let from_end = ends.template.sequence_from_end();
    let heard = |ends: &mut Ends<SocketTransmit, XdpReceive>| -> Result<u64> {
        ends.send(500)?;
        ends.received()?;
        Ok(read(&mut ends.arrivals, from_end).len() as u64)
    };
    equal("alone", heard(&mut ends)?, 500)?;
    let other = in_room(&ends.bench.reflector, REFLECTOR_PORT, move |_| {
        let (own, filter) = (MacAddr(2, 0, 0, 0, 0, 3), Filter::addresses(&[], &[]));
        let (_, mut receive) = xdp::open(&attachment, 1, LARGEST, own, &filter, stamping)?;
        ensure!(receive.arrivals().is_none(), "the second flow has stamps");
        Ok(receive)
    })?;
    equal("of two", heard(&mut ends)?, 0)?;
    drop(other);
    equal("alone again", heard(&mut ends)?, 500)
}

/// The error queue holds what the socket's buffer has room for; the frames go all the same, and once it was read stamps
/// come again.
fn unread() -> Result<()> {
    let mut ends = Ends::new(&spec(Encapsulation::Ipv4, Tags::none(), 1518), Sampling::every(1))?;
    let from_end = ends.template.sequence_from_end();
    ends.send(20_000)?;
    equal("frames that arrived", ends.received()?.len() as u64, 20_000)?;
    let kept = read(&mut ends.departures, from_end).len();
    ensure!((1..20_000).contains(&kept), "{kept} stamps were kept of 20,000: the queue is to overflow here");
    ends.send(10)?;
    ends.received()?;
    let after = read(&mut ends.departures, from_end);
    ensure!(
        after.iter().filter(|(_, stamp)| stamp.kernel_ns != 0).count() >= 10,
        "{} after that",
        after.len()
    );
    eprintln!("{kept} stamps of 20,000 were kept");
    Ok(())
}

/// Samples of a trial: every so-manieth of what was offered (a thousand a second, by an odd number).
fn asked(offered: u64, frames_per_s: f64) -> u64 {
    let stride = (frames_per_s / 1_000.0).ceil() as u64 | 1;
    offered.div_ceil(stride)
}

const RUN: [&str; 10] = [
    "--via",
    "packet",
    "--frame-size",
    "64,1518",
    "--duration",
    "2s",
    "--settle",
    "100ms",
    "--residual",
    "500ms",
];

fn measured() -> Result<()> {
    let bench = Bench::direct(Options::default())?;
    let _reflector = reflector_by_packets(&bench.reflector)?;
    let arguments = [&RUN[..], &["--line-rate", "1G", "--load", "20000fps"]].concat();
    let result = ended(&decided(|| prove(&bench.generator, &arguments))?, PASS, "pass")?;
    validate(&result)?;
    for trial in trials(&result)? {
        let [stamped] = trial["round_trip_stamped_ns"].as_array().context("no array")?.as_slice() else {
            bail!("one clock stamps here, the kernel's: {trial:#}")
        };
        ensure!(stamped["clock"] == "kernel transmit stamp, kernel receive stamp", "{stamped:#}");
        equal("asked", number(stamped, "asked")?, asked(number(trial, "offered_frames")?, 20_000.0))?;
        let (samples, excluded) = (number(stamped, "samples")?, number(stamped, "excluded")?);
        ensure!(samples > 0 && samples + excluded <= number(stamped, "asked")?, "{stamped:#}");
        eprintln!("{} bytes: {samples} of {} samples: {stamped}", trial["frame_size"], stamped["asked"]);
        // Each sample is among the frames of the other histogram, where its time began earlier: at the hand-over. The two
        // clocks' distance is known to microseconds, and a bucket is a thousandth of its value.
        let all = &trial["round_trip_ns"];
        let most = number(all, "max")?;
        ensure!(number(stamped, "max")? <= most + most / 500 + 100_000, "{stamped:#} {all:#}");
    }
    Ok(())
}

/// What the wire takes has no round trip, whatever stamps there are of it.
fn lost() -> Result<()> {
    let mut rig = Rig::with_ways(Options::default(), "packet", "packet")?;
    let script =
        Script { forward: Faults { drop: Schedule::every(4), ..Faults::default() }, ..Script::default() };
    let arguments = ["--frame-size", "512", "--duration", "1s"].map(str::to_owned);
    let (run, ledger) = rig.run(&script, "20000fps", &arguments)?;
    let result = ended(&run, FAIL, "fail")?;
    let ([trial], [did]) = (trials(&result)?, ledger.trials.as_slice()) else {
        bail!("one size is one trial")
    };
    let sampling = Sampling::of(20_000.0);
    let taken =
        did.forward.dropped.frames.iter().filter(|(_, sequence)| sampling.takes(*sequence)).count() as u64;
    equal(
        "dropped frames known by name",
        did.forward.dropped.frames.len() as u64,
        did.forward.dropped.count,
    )?;
    let stamped = &trial["round_trip_stamped_ns"][0];
    let asked = number(stamped, "asked")?;
    let (samples, excluded) = (number(stamped, "samples")?, number(stamped, "excluded")?);
    ensure!(
        taken > 100 && samples > 0 && samples + excluded <= asked - taken,
        "{taken} of {asked} taken: {stamped:#}"
    );
    eprintln!("{asked} asked, {taken} taken by the wire, {samples} samples, {excluded} excluded");
    Ok(())
}
