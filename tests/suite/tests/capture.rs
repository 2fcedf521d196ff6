//! What is on the wire: real traffic between the two binaries, captured at both ports into a pcap file, read back and
//! dissected by etherparse, which knows nothing of kitproof.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use anyhow::{Context, Result, anyhow, bail, ensure};
use etherparse::{LinkExtSlice, LinkSlice, NetSlice, SlicedPacket, TransportSlice};
use kitproof_bench::Room;
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options, REFLECTOR_PORT};
use kitproof_common::control::envelope::{self, Direction};
use kitproof_common::control::{Reply, Request};
use kitproof_common::port::Receive;
use kitproof_common::port::filter::Filter;
use kitproof_common::port::packet::PacketReceive;
use kitproof_suite::{Folder, Running, number, reflector_by_packets, run, trials, validate};
use pcap_parser::traits::PcapReaderIterator;
use pcap_parser::{LegacyPcapReader, PcapBlockOwned, PcapError};
use rustix::net::netdevice::name_to_index;
use rustix::net::{AddressFamily, SocketType, socket};

/// IEEE 802 local experimental EtherTypes 1 and 2 (RFC 9542 section 3): test and control frames.
const TEST: u16 = 0x88B5;
const CONTROL: u16 = 0x88B6;
const CUSTOMER_TAG: u16 = 0x8100;
const SERVICE_TAG: u16 = 0x88A8;
/// Octets of the test header (design.md, "The pair on the wire").
const HEADER: usize = 18;
const MTU: u32 = 1508;
const DSCP: u8 = 46;

fn main() {
    run(&[
        ("every_frame_dissects_in_every_encapsulation", dissected),
        ("nothing_but_the_search_leaves_before_consent", consent),
    ]);
}

type Frame = Vec<u8>;

/// One frame as captured.
struct Caught {
    /// Seen at the reflector's port (true) or at the generator's.
    forward: bool,
    arrived_ns: u64,
    octets: Frame,
}

/// Captures everything that arrives at a port, until stopped.
struct Capture {
    stop: Arc<AtomicBool>,
    thread: JoinHandle<Result<Vec<(u64, Frame)>>>,
}

impl Capture {
    fn start(room: &Room, interface: &'static str) -> Result<Self> {
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let thread = room.run(move || -> Result<_> {
            let any = socket(AddressFamily::INET, SocketType::DGRAM, None)?;
            let index = name_to_index(&any, interface)?;
            let mut port = PacketReceive::open(interface, index, MTU as usize + 22, &Filter::everything())?;
            Ok(std::thread::spawn(move || -> Result<_> {
                let mut frames = Vec::new();
                loop {
                    let last = stopped.load(Ordering::Acquire);
                    let came =
                        port.receive(256, &mut |frame, meta| frames.push((meta.arrived_ns, frame.to_vec())))?;
                    if came == 0 && last {
                        break;
                    }
                    if came == 0 {
                        port.wait(Duration::from_millis(5))?;
                    }
                }
                ensure!(port.dropped()? == 0, "the capture itself lost frames");
                Ok(frames)
            }))
        })?;
        Ok(Self { stop, thread })
    }

    fn stop(self) -> Result<Vec<(u64, Frame)>> {
        self.stop.store(true, Ordering::Release);
        self.thread.join().map_err(|_| anyhow!("the capture panicked"))?
    }
}

/// A pcap file of Ethernet frames with nanosecond stamps (draft-ietf-opsawg-pcap: magic A1B23C4D, link type 1).
fn write_pcap(path: &Path, frames: &[(u64, Frame)]) -> Result<()> {
    let mut out = Vec::new();
    out.extend(0xA1B2_3C4D_u32.to_le_bytes());
    out.extend([2_u16, 4].map(u16::to_le_bytes).concat());
    out.extend([0_u32, 0, 65_535, 1].map(u32::to_le_bytes).concat());
    for (stamp, octets) in frames {
        let length = u32::try_from(octets.len())?;
        let (seconds, rest) = (stamp / 1_000_000_000, stamp % 1_000_000_000);
        out.extend(
            [u32::try_from(seconds)?, u32::try_from(rest)?, length, length].map(u32::to_le_bytes).concat(),
        );
        out.extend(octets);
    }
    std::fs::write(path, out).with_context(|| path.display().to_string())
}

fn read_pcap(path: &Path, forward: bool) -> Result<Vec<Caught>> {
    let mut reader =
        LegacyPcapReader::new(1 << 20, std::fs::File::open(path)?).map_err(|e| anyhow!("{e}"))?;
    let mut frames = Vec::new();
    loop {
        match reader.next() {
            Ok((used, block)) => {
                if let PcapBlockOwned::Legacy(block) = block {
                    frames.push(Caught {
                        forward,
                        arrived_ns: u64::from(block.ts_sec) * 1_000_000_000 + u64::from(block.ts_usec),
                        octets: block.data.to_vec(),
                    });
                }
                reader.consume(used);
            }
            Err(PcapError::Eof) => return Ok(frames),
            Err(PcapError::Incomplete(_)) => reader.refill().map_err(|error| anyhow!("{error}"))?,
            Err(error) => bail!("{}: {error}", path.display()),
        }
    }
}

/// Runs `prove` between two captures; what was caught, in order of arrival, and the trials of the result.
fn traffic(arguments: &[String]) -> Result<(Vec<Caught>, Vec<serde_json::Value>)> {
    let bench = Bench::direct(Options { mtu: MTU, queues: 1, xdp: false })?;
    let forward = Capture::start(&bench.reflector, REFLECTOR_PORT)?;
    let homeward = Capture::start(&bench.generator, GENERATOR_PORT)?;
    let _reflector = reflector_by_packets(&bench.reflector)?;
    let fixed =
        ["prove", GENERATOR_PORT, "--isolated-bench", "--unattended", "--json", "-", "--line-rate", "1G"];
    // A capture hears packet sockets; what an XDP program takes never comes by it.
    let waits = ["--via", "packet", "--settle", "100ms", "--residual", "500ms"];
    let all: Vec<&str> = fixed.into_iter().chain(waits).chain(arguments.iter().map(String::as_str)).collect();
    let ended = Running::start(&bench.generator, "kitproof", &all)?.wait(Duration::from_secs(60))?;
    let result = ended.json()?;
    validate(&result)?;
    let folder = Folder::new("capture")?;
    let mut caught = Vec::new();
    for (capture, name, is_forward) in [(forward, "forward.pcap", true), (homeward, "return.pcap", false)] {
        let path = folder.path().join(name);
        let frames = capture.stop()?;
        write_pcap(&path, &frames)?;
        let read = read_pcap(&path, is_forward)?;
        ensure!(read.len() == frames.len(), "{} of {} frames were read back", read.len(), frames.len());
        caught.extend(read);
    }
    // One machine, one clock: the kernel's stamps of both ports are of one scale.
    caught.sort_by_key(|frame| frame.arrived_ns);
    // A busy machine may leave the load unproven; nothing may be lost all the same.
    for trial in trials(&result)? {
        ensure!(number(trial, "returned_frames")? == number(trial, "offered_frames")?, "{trial:#}");
    }
    Ok((caught, trials(&result)?.to_vec()))
}

/// The 18 octets of design.md, read independently.
#[derive(Clone, Copy, Debug)]
struct Header {
    session: u16,
    kind: u8,
    returned: bool,
    stream: u8,
    sequence: u32,
    reflector_sequence: u32,
}

impl Header {
    fn read(octets: &[u8]) -> Result<Self> {
        ensure!(octets.len() >= HEADER, "{} octets hold no test header", octets.len());
        let word =
            |at: usize| u32::from_be_bytes([octets[at], octets[at + 1], octets[at + 2], octets[at + 3]]);
        ensure!(octets[2] >> 4 == 1, "version {}", octets[2] >> 4);
        Ok(Self {
            session: u16::from_be_bytes([octets[0], octets[1]]),
            kind: octets[2] >> 1 & 7,
            returned: octets[2] & 1 == 1,
            stream: octets[3],
            sequence: word(4),
            reflector_sequence: word(12),
        })
    }
}

/// CRC-32 of IEEE Std 802.3 clause 3.2.9, bit by bit.
fn crc32(octets: &[u8]) -> u32 {
    !octets.iter().fold(!0, |crc, &octet| {
        (0..8)
            .fold(crc ^ u32::from(octet), |crc: u32, _| (crc >> 1) ^ (0xEDB8_8320 & (crc & 1).wrapping_neg()))
    })
}

/// How a run's frames must look.
struct Look {
    encapsulation: &'static str,
    /// TPID, VLAN id, priority, outermost first.
    tags: &'static [(u16, u16, u8)],
    sizes: [u16; 2],
}

const LOOKS: [Look; 9] = [
    Look { encapsulation: "ipv4", tags: &[], sizes: [64, 1518] },
    Look { encapsulation: "ipv4", tags: &[(CUSTOMER_TAG, 5, 0)], sizes: [68, 1522] },
    Look { encapsulation: "ipv4", tags: &[(SERVICE_TAG, 6, 3), (CUSTOMER_TAG, 7, 5)], sizes: [72, 1526] },
    Look { encapsulation: "ipv6", tags: &[], sizes: [84, 1518] },
    Look { encapsulation: "ipv6", tags: &[(CUSTOMER_TAG, 4094, 7)], sizes: [88, 1521] },
    Look { encapsulation: "ipv6", tags: &[(SERVICE_TAG, 1, 1), (CUSTOMER_TAG, 1, 0)], sizes: [92, 601] },
    Look { encapsulation: "ethernet", tags: &[], sizes: [64, 1517] },
    Look { encapsulation: "ethernet", tags: &[(CUSTOMER_TAG, 100, 1)], sizes: [64, 1522] },
    Look {
        encapsulation: "ethernet",
        tags: &[(SERVICE_TAG, 100, 7), (CUSTOMER_TAG, 200, 6)],
        sizes: [64, 1526],
    },
];

impl Look {
    fn arguments(&self) -> Vec<String> {
        let sizes = self.sizes.map(|size| size.to_string()).join(",");
        let mut arguments: Vec<String> = ["--encapsulation", self.encapsulation, "--frame-size", &sizes]
            .into_iter()
            .chain(["--load", "5000fps", "--duration", "200ms", "--dscp", &DSCP.to_string()])
            .map(str::to_owned)
            .collect();
        arguments.extend(self.tags.iter().flat_map(|(_, id, priority)| {
            let tag = if *priority == 0 { id.to_string() } else { format!("{id}:{priority}") };
            ["--vlan".to_owned(), tag]
        }));
        arguments
    }
}

/// What one test frame said, once everything in it was found right.
struct Dissected {
    source: [u8; 6],
    destination: [u8; 6],
    header: Header,
    fill: Vec<u8>,
}

fn dissect(frame: &Caught, look: &Look, size: usize) -> Result<Dissected> {
    let octets = &frame.octets;
    ensure!(octets.len() == size - 4, "{} octets and the FCS make {size}", octets.len());
    let packet = SlicedPacket::from_ethernet(octets)?;
    let Some(LinkSlice::Ethernet2(link)) = &packet.link else { bail!("no Ethernet header") };
    let mut tags = Vec::new();
    let mut outer = link.ether_type().0;
    for extension in &packet.link_exts {
        let LinkExtSlice::Vlan(tag) = extension else { bail!("{extension:?}") };
        ensure!(!tag.drop_eligible_indicator());
        tags.push((outer, tag.vlan_identifier().value(), tag.priority_code_point().value()));
        outer = tag.ether_type().0;
    }
    ensure!(tags == look.tags, "tags {tags:04x?}, not {:04x?}", look.tags);
    let payload = match (look.encapsulation, &packet.net, &packet.transport) {
        ("ethernet", None, None) => {
            ensure!(outer == TEST, "EtherType {outer:04x}");
            let payload = packet.ether_payload().context("no payload")?.payload;
            // The guard of a header that has no checksum: design.md, "a CRC-32 of the header behind it".
            let guard = u32::from_be_bytes(payload[HEADER..HEADER + 4].try_into()?);
            ensure!(guard == crc32(&payload[..HEADER]), "its CRC-32 is wrong");
            payload
        }
        ("ipv4", Some(NetSlice::Ipv4(ip)), Some(TransportSlice::Udp(udp))) => {
            let header = ip.header().to_header();
            ensure!(
                header.header_checksum == header.calc_header_checksum(),
                "its IPv4 checksum is wrong (RFC 791)"
            );
            // RFC 2544 C.2.2 and C.2.6.4; the forward frame travels from the first network to the second.
            let (near, far) = ([198, 18, 1, 2], [198, 19, 1, 2]);
            let expected = if frame.forward { (near, far) } else { (far, near) };
            ensure!((header.source, header.destination) == expected, "{header:?}");
            ensure!(
                header.time_to_live == 10 && header.dont_fragment && !header.more_fragments,
                "{header:?}"
            );
            ensure!(header.fragment_offset.value() == 0 && header.options.is_empty(), "{header:?}");
            ensure!(header.dscp.value() == DSCP && header.ecn.value() == 0, "{header:?}");
            ensure!(usize::from(header.total_len) == octets.len() - 14 - 4 * tags.len(), "{header:?}");
            let udp_header = udp.to_header();
            let checksum = udp_header.calc_checksum_ipv4(&header, udp.payload())?;
            ensure!(udp_header.checksum == checksum && checksum != 0, "its UDP checksum is wrong (RFC 768)");
            ensure!(usize::from(udp_header.length) == usize::from(header.total_len) - 20, "{udp_header:?}");
            udp.payload()
        }
        ("ipv6", Some(NetSlice::Ipv6(ip)), Some(TransportSlice::Udp(udp))) => {
            let header = ip.header().to_header();
            // RFC 5180 section 8, the block as corrected by RFC 6890: 2001:2::/48.
            let place = |host: u8| {
                let mut address = [0; 16];
                address[..4].copy_from_slice(&[0x20, 0x01, 0x00, 0x02]);
                (address[13], address[15]) = (host, 2);
                address
            };
            let (near, far) = (place(1), place(2));
            let expected = if frame.forward { (near, far) } else { (far, near) };
            ensure!((header.source, header.destination) == expected, "{header:x?}");
            ensure!(header.hop_limit == 10 && header.traffic_class == DSCP << 2, "{header:?}");
            ensure!(usize::from(header.payload_length) == octets.len() - 54 - 4 * tags.len(), "{header:?}");
            let udp_header = udp.to_header();
            let checksum = udp_header.calc_checksum_ipv6(&header, udp.payload())?;
            ensure!(
                udp_header.checksum == checksum && checksum != 0,
                "its UDP checksum is wrong (RFC 8200 8.1)"
            );
            ensure!(udp_header.length == header.payload_length, "{udp_header:?}");
            udp.payload()
        }
        (_, net, transport) => bail!("{net:?} and {transport:?}"),
    };
    if let Some(TransportSlice::Udp(udp)) = &packet.transport {
        // C020h: RFC 2544 C.2.6.4.
        let expected = if frame.forward { (0xC020, 0xC021) } else { (0xC021, 0xC020) };
        ensure!((udp.source_port(), udp.destination_port()) == expected, "UDP ports");
    }
    let header = Header::read(payload)?;
    ensure!(header.session != 0 && header.kind == 1 && header.stream == 0, "{header:?}");
    ensure!(header.returned != frame.forward, "{header:?}");
    let fill = payload[HEADER + if look.encapsulation == "ethernet" { 4 } else { 0 }..].to_vec();
    Ok(Dissected { source: link.source(), destination: link.destination(), header, fill })
}

/// An address that belongs to nobody's hardware: locally administered, of one station (IEEE Std 802, clause 8).
fn is_own_choice(mac: [u8; 6]) -> bool {
    mac[0] & 3 == 2
}

/// EtherType behind the addresses, tags skipped.
fn ether_type(octets: &[u8]) -> u16 {
    let mut at = 12;
    loop {
        let found = u16::from_be_bytes([octets[at], octets[at + 1]]);
        if found != CUSTOMER_TAG && found != SERVICE_TAG {
            return found;
        }
        at += 4;
    }
}

fn dissected() -> Result<()> {
    let mut seen = 0;
    for look in &LOOKS {
        let (caught, trials) = traffic(&look.arguments())?;
        let about = || format!("{} with tags {:x?}", look.encapsulation, look.tags);
        let (control, test): (Vec<&Caught>, Vec<&Caught>) =
            caught.iter().partition(|frame| ether_type(&frame.octets) == CONTROL);
        ensure!(!control.is_empty());
        for frame in control {
            control_message(frame).with_context(about)?;
        }
        ensure!(trials.len() == look.sizes.len());
        let mut sessions = HashSet::new();
        for (trial, size) in trials.iter().zip(look.sizes) {
            let frames = test.iter().filter(|frame| frame.octets.len() == usize::from(size) - 4);
            let frames = frames
                .map(|frame| {
                    dissect(frame, look, size.into())
                        .with_context(|| format!("{}, {size}: {:02x?}", about(), frame.octets))
                        .map(|dissected| (frame.forward, dissected))
                })
                .collect::<Result<Vec<_>>>()?;
            seen += frames.len();
            let session = whole_trial(&frames, number(trial, "offered_frames")?).with_context(about)?;
            ensure!(sessions.insert(session), "a session tag of an earlier trial");
        }
        let of_these_sizes: usize = look
            .sizes
            .iter()
            .map(|size| test.iter().filter(|frame| frame.octets.len() == usize::from(*size) - 4).count())
            .sum();
        ensure!(of_these_sizes == test.len(), "{} strangers on the wire", test.len() - of_these_sizes);
    }
    eprintln!("{seen} test frames dissected");
    Ok(())
}

/// All frames of one trial: each number once each way, the return way swapped and otherwise the same.
fn whole_trial(frames: &[(bool, Dissected)], offered: u64) -> Result<u16> {
    let forward: BTreeMap<u32, &Dissected> =
        frames.iter().filter(|(forward, _)| *forward).map(|(_, one)| (one.header.sequence, one)).collect();
    let homeward: BTreeMap<u32, &Dissected> =
        frames.iter().filter(|(forward, _)| !*forward).map(|(_, one)| (one.header.sequence, one)).collect();
    ensure!(frames.len() as u64 == 2 * offered, "{} frames captured, {offered} offered", frames.len());
    let numbers: Vec<u32> = (0..u32::try_from(offered)?).collect();
    ensure!(forward.keys().eq(&numbers) && homeward.keys().eq(&numbers), "not every number once each way");
    let first = forward.values().next().context("no frame")?;
    ensure!(
        is_own_choice(first.source) && is_own_choice(first.destination),
        "the NIC's own addresses are kept out"
    );
    let mut issued = Vec::new();
    let mut windows: HashMap<u32, &[u8]> = HashMap::new();
    for (sequence, there) in &forward {
        let back = homeward[sequence];
        ensure!((there.source, there.destination) == (first.source, first.destination));
        ensure!(
            (back.source, back.destination) == (first.destination, first.source),
            "its addresses are not swapped"
        );
        ensure!(there.header.session == first.header.session && back.header.session == first.header.session);
        ensure!(there.fill == back.fill, "frame {sequence} came back with another fill");
        // The fill is of one of sixteen windows, by number.
        let window = windows.entry(sequence % 16).or_insert(&there.fill);
        ensure!(*window == there.fill, "frame {sequence} carries another fill than {}", sequence % 16);
        issued.push(back.header.reflector_sequence);
    }
    issued.sort_unstable();
    ensure!(issued == numbers, "the reflector's numbers are not 0 to {offered}");
    Ok(first.header.session)
}

/// One control frame, read as the two ends read it.
enum Control {
    Request(Request),
    Reply(Reply),
}

fn control_message(frame: &Caught) -> Result<Control> {
    let packet = SlicedPacket::from_ethernet(&frame.octets)?;
    ensure!(packet.link_exts.is_empty() && packet.net.is_none(), "control frames carry no tags");
    let payload = packet.ether_payload().context("no payload")?;
    ensure!(payload.ether_type.0 == CONTROL);
    ensure!(frame.octets[6] & 1 == 0 && is_own_choice(frame.octets[6..12].try_into()?), "its source address");
    let opened = envelope::open(payload.payload).context("no control message")?;
    Ok(match opened.direction {
        Direction::Request => {
            ensure!(frame.forward, "only the generator asks");
            Control::Request(serde_json::from_slice(opened.body)?)
        }
        Direction::Reply => {
            ensure!(!frame.forward, "only the reflector answers");
            Control::Reply(serde_json::from_slice(opened.body)?)
        }
    })
}

/// Before the reflector has consented nothing leaves either port but the search for it and the question, and no
/// answer is longer than the question (design.md, "The pair on the wire").
fn consent() -> Result<()> {
    let arguments = ["--frame-size", "64", "--load", "5000fps", "--duration", "100ms"].map(str::to_owned);
    let (caught, _) = traffic(&arguments)?;
    let mut consented = None;
    let (mut asked, mut answered) = (0, 0);
    for frame in &caught {
        if ether_type(&frame.octets) != CONTROL {
            ensure!(consented.is_some(), "a frame of another kind before consent: {:02x?}", frame.octets);
            continue;
        }
        let length = frame.octets.len();
        match control_message(frame)? {
            Control::Request(request) => {
                asked = length;
                let group = frame.octets[0] & 1 == 1;
                let discovers = matches!(request, Request::Discover { .. });
                ensure!(discovers == group, "only discovery goes to a group: {request:?}");
                let search = discovers || matches!(request, Request::Open { .. });
                ensure!(search || consented.is_some(), "before consent: {request:?}");
            }
            Control::Reply(reply) => {
                answered += 1;
                ensure!(frame.octets[0] & 1 == 0, "an answer to a group: {reply:?}");
                ensure!(length <= asked, "{length} octets in answer to {asked}: {reply:?}");
                if matches!(reply, Reply::Opened { .. }) {
                    consented.get_or_insert(frame.arrived_ns);
                }
                let expected = matches!(reply, Reply::Here { .. } | Reply::Listening { .. });
                ensure!(expected || consented.is_some(), "before consent: {reply:?}");
            }
        }
    }
    ensure!(consented.is_some() && answered > 4, "{answered} answers");
    Ok(())
}
