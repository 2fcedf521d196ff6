//! Preflight: is this interface, and this host, fit to judge? Each point says what was found and what to do about it.

use serde::{Deserialize, Serialize};

use super::facts::{Duplex, LinkFacts, LinkKind, NicStamps};
use super::host::HostFacts;

/// One point of the preflight.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Point {
    /// What was looked at, one or two words.
    pub name: String,
    /// How it stands.
    pub state: State,
    /// What was found.
    pub found: String,
    /// What to do about it, if anything.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub advice: Option<String>,
}

/// How a point stands, from best to worst.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum State {
    /// As it should be.
    Good,
    /// Worth knowing, harms nothing.
    Note,
    /// The host does not tell.
    Unknown,
    /// May spoil the judgement; a result carries it.
    Warn,
    /// No test can be run so.
    Refuse,
}

impl Point {
    pub(crate) fn new(name: &str, state: State, found: impl Into<String>) -> Self {
        Self { name: name.to_owned(), state, found: found.into(), advice: None }
    }

    pub(crate) fn good(name: &str, found: impl Into<String>) -> Self {
        Self::new(name, State::Good, found)
    }

    /// In one line: what was looked at, what was found, and what to do about it.
    #[must_use]
    pub fn in_one_line(&self) -> String {
        let advice = self.advice.as_ref().map_or(String::new(), |advice| format!(" -> {advice}"));
        format!("{}: {}{advice}", self.name, self.found)
    }

    pub(crate) fn advise(self, advice: impl Into<String>) -> Self {
        Self { advice: Some(advice.into()), ..self }
    }
}

/// Largest MTU of plain Ethernet, octets; the RFC 2544 set needs it.
const PLAIN_MTU: u32 = 1500;
/// The session's own messages need this much, octets: every request is as long as the longest reply.
const CONTROL_MTU: u32 = crate::control::envelope::REQUEST_OCTETS as u32;
/// A ring shorter than this and shorter than it could be is worth lengthening (common practice, no source).
const SHORT_RING: u32 = 1024;
/// A receive buffer below this holds less than about 2 ms of 1 Gb/s in small frames (common practice, no source).
const SMALL_BUFFER: u64 = 4 << 20;
/// A backlog queue below this overflows at short bursts over a veth (common practice, no source).
const SHORT_BACKLOG: u64 = 10_000;
/// A hypervisor that takes more than this share takes too much (common practice, no source).
const MUCH_STEAL: f64 = 0.01;

/// The points of an interface. `default_route` says whether a default route leads out of it (see
/// [`default_route_interfaces`](super::query::default_route_interfaces)).
#[must_use]
pub fn fit(facts: &LinkFacts, default_route: bool) -> Vec<Point> {
    let mut points = vec![
        Point::good("interface", format!("{} exists, index {}", facts.name, facts.index)),
        kind(facts),
        admin(facts),
        carrier(facts),
        route(facts, default_route),
        speed(facts),
    ];
    if !facts.is_virtual() {
        points.extend([duplex(facts), pause(facts), eee(facts)]);
        points.extend(optics(facts));
    }
    points.extend([rings(facts), mtu(facts), driver(facts), drop_counters(facts)]);
    points.extend(master(facts));
    points.extend(offloads(facts));
    points.extend(xdp(facts));
    points.push(stamps(facts));
    points
}

fn kind(facts: &LinkFacts) -> Point {
    let point = |state, found: &str| Point::new("kind", state, found);
    match &facts.kind {
        LinkKind::Physical if facts.is_virtual() => point(
            State::Warn,
            "a port that a hypervisor serves: there is no wire behind it that this host knows",
        )
        .advise("run the test on a machine of its own, or give the machine the network card itself"),
        LinkKind::Physical => Point::good("kind", "an Ethernet port"),
        LinkKind::Veth => point(State::Note, "a veth: good for trying the tool, it proves no kit"),
        LinkKind::Loopback => {
            point(State::Note, "the loopback interface: good for trying the tool, it proves no kit")
        }
        LinkKind::Wifi => point(State::Refuse, "a radio: it drops and resends by nature")
            .advise("use a wired port; a USB network adapter will do for 1 Gb/s"),
        LinkKind::Bridge => {
            point(State::Refuse, "a bridge, not a port").advise("name a port that belongs to nothing")
        }
        LinkKind::Bond => point(State::Refuse, "a bond of ports: it spreads and moves frames between them")
            .advise("name a port that belongs to nothing"),
        LinkKind::Other(word) => point(State::Warn, &format!("an interface of kind {word}, not a port"))
            .advise("name the port itself if there is one"),
    }
}

fn admin(facts: &LinkFacts) -> Point {
    if facts.admin_up {
        Point::good("state", "administratively up")
    } else {
        Point::new("state", State::Refuse, "administratively down")
            .advise(format!("ip link set {} up", facts.name))
    }
}

fn carrier(facts: &LinkFacts) -> Point {
    match facts.carrier {
        Some(true) => Point::good("carrier", "present"),
        Some(false) => Point::new("carrier", State::Refuse, "none").advise(
            "check both ends of the cable, that the kit has power, and that speed and connector types match",
        ),
        None => Point::new("carrier", State::Unknown, "unknown while the interface is down")
            .advise("set the interface up and look again"),
    }
}

fn route(facts: &LinkFacts, default_route: bool) -> Point {
    if default_route {
        Point::new("default route", State::Refuse, format!("the host reaches its network through {}", facts.name))
            .advise(
                "use another port: a test at line rate would cut the host off, and its traffic would spoil the test \
                 (--allow-default-route, if that is what you want)",
            )
    } else {
        Point::good("default route", "none through this interface")
    }
}

fn speed(facts: &LinkFacts) -> Point {
    match (facts.speed_mbps, facts.claimed_speed_mbps) {
        (Some(speed), _) => Point::good("speed", format!("{speed} Mb/s")),
        (None, Some(claimed)) => Point::new(
            "speed",
            State::Unknown,
            format!("no wire to tell it; the driver claims {claimed} Mb/s"),
        )
        .advise("say what 100 % means with --line-rate, for example --line-rate 1G"),
        (None, None) => Point::new("speed", State::Unknown, "the driver does not tell")
            .advise("if there is carrier, say what 100 % means with --line-rate, for example --line-rate 1G"),
    }
}

fn duplex(facts: &LinkFacts) -> Point {
    let negotiation = match facts.autonegotiation {
        Some(true) => ", negotiated",
        Some(false) => ", set by hand",
        None => "",
    };
    match facts.duplex {
        Some(Duplex::Full) => Point::good("duplex", format!("full{negotiation}")),
        Some(Duplex::Half) => Point::new("duplex", State::Warn, format!("half{negotiation}")).advise(
            "no line rate both ways is possible so; if only one end is set by hand, set both ends or neither",
        ),
        None => Point::new("duplex", State::Unknown, "the driver does not tell"),
    }
}

fn pause(facts: &LinkFacts) -> Point {
    let Some(pause) = facts.pause else {
        return Point::new("flow control", State::Unknown, "the driver does not tell")
            .advise("switch it off at whatever is at the far end, and watch the offered load");
    };
    let ways = match (pause.rx, pause.tx) {
        (false, false) => return Point::good("flow control", "off"),
        (true, true) => "obeys and sends PAUSE",
        (true, false) => "obeys PAUSE",
        (false, true) => "sends PAUSE",
    };
    let agreement = if pause.autoneg { ", if the far end agrees" } else { "" };
    Point::new("flow control", State::Warn, format!("on: {ways}{agreement}")).advise(format!(
        "PAUSE hides loss by slowing the sender: ethtool -A {} autoneg off rx off tx off, at both ends",
        facts.name
    ))
}

fn eee(facts: &LinkFacts) -> Point {
    let name = "energy efficient Ethernet";
    match facts.eee {
        Some(eee) if eee.active => Point::new(name, State::Warn, "in use").advise(format!(
            "it adds wake-up time to latency at low load: ethtool --set-eee {} eee off",
            facts.name
        )),
        Some(eee) if eee.enabled => Point::new(name, State::Note, "switched on, not agreed with the far end"),
        Some(_) => Point::good(name, "off"),
        None => Point::new(name, State::Note, "the driver knows of none"),
    }
}

/// The module in the port, where there is one.
fn optics(facts: &LinkFacts) -> Option<Point> {
    let optics = facts.optics.as_ref()?;
    if optics.nonsense.is_some() {
        let advice = "reseat it; a module that does so again belongs out of the bag";
        return Some(Point::new("optics", State::Warn, optics.to_string()).advise(advice));
    }
    if optics.concerns.is_empty() {
        return Some(Point::good("optics", optics.to_string()));
    }
    let concerns: Vec<String> = optics.concerns.iter().map(ToString::to_string).collect();
    Some(Point::new("optics", State::Warn, format!("{optics}: {}", concerns.join(", "))).advise(
        "inspect and clean the ends of this fibre, and see that wavelength and fibre are those of both modules, before any \
         frame is lost to it",
    ))
}

fn rings(facts: &LinkFacts) -> Point {
    let Some(rings) = facts.rings else {
        let state = if facts.is_virtual() { State::Note } else { State::Unknown };
        return Point::new("rings", state, "the driver does not tell");
    };
    let found = format!("receive {} of {}, send {} of {}", rings.rx, rings.rx_max, rings.tx, rings.tx_max);
    let short = |set: u32, most: u32| set < most && set < SHORT_RING;
    if short(rings.rx, rings.rx_max) || short(rings.tx, rings.tx_max) {
        Point::new("rings", State::Warn, found).advise(format!(
            "a short ring overflows while a processor is busy elsewhere: ethtool -G {} rx {} tx {}",
            facts.name, rings.rx_max, rings.tx_max
        ))
    } else {
        Point::good("rings", found)
    }
}

fn mtu(facts: &LinkFacts) -> Point {
    let largest = u64::from(facts.mtu) + 18;
    let found = format!("{}: frames up to {largest} bytes", facts.mtu);
    if facts.mtu < CONTROL_MTU {
        Point::new("MTU", State::Refuse, format!("{found}, too few for the messages of the pair itself"))
            .advise(format!("ip link set {} mtu {PLAIN_MTU}", facts.name))
    } else if facts.mtu < PLAIN_MTU {
        Point::new("MTU", State::Warn, found)
            .advise(format!("for the usual set of sizes: ip link set {} mtu {PLAIN_MTU}", facts.name))
    } else {
        Point::good("MTU", found)
    }
}

fn driver(facts: &LinkFacts) -> Point {
    let Some(driver) = &facts.driver else {
        return Point::new("driver", State::Unknown, "the kernel does not tell");
    };
    let parts = [("firmware", &facts.firmware), ("at", &facts.bus)];
    let more = parts.iter().filter_map(|(word, part)| part.as_ref().map(|part| format!(", {word} {part}")));
    Point::good("driver", more.fold(driver.clone(), |text, part| text + &part))
}

fn drop_counters(facts: &LinkFacts) -> Point {
    if facts.counts_drops {
        Point::good("drop counters", "what this port drops, it counts")
    } else {
        Point::new("drop counters", State::Unknown, "this driver is not known to count what the port drops").advise(
            "take a reference with one patch cord first (kitproof reference): without it a loss cannot be told from \
             the port's own",
        )
    }
}

fn master(facts: &LinkFacts) -> Option<Point> {
    facts.master.map(|index| {
        Point::new(
            "master",
            State::Refuse,
            format!("belongs to the bridge, bond or other master with index {index}"),
        )
        .advise(format!("take it out for the test: ip link set {} nomaster", facts.name))
    })
}

fn offloads(facts: &LinkFacts) -> Vec<Point> {
    let Some(offloads) = facts.offloads else { return Vec::new() };
    let name = &facts.name;
    let mut points = Vec::new();
    let mut on = |on: bool, state, found: &str, advice: String| {
        if on {
            points.push(Point::new("offloads", state, found).advise(advice));
        }
    };
    on(
        // The loopback interface has it for good and by right.
        offloads.loopback && facts.kind != LinkKind::Loopback,
        State::Refuse,
        "the port returns its own frames without a wire",
        format!("ethtool -K {name} loopback off"),
    );
    on(
        offloads.lro,
        State::Warn,
        "the NIC joins frames (LRO)",
        format!("ethtool -K {name} lro off rx-gro-hw off"),
    );
    on(
        offloads.gro_forwarding,
        State::Warn,
        "passing frames are joined (rx-gro-list or rx-udp-gro-forwarding)",
        format!("ethtool -K {name} rx-gro-list off rx-udp-gro-forwarding off"),
    );
    on(
        offloads.fcs,
        State::Warn,
        "the frame check sequence is left on received frames",
        format!("ethtool -K {name} rx-fcs off"),
    );
    points
}

fn xdp(facts: &LinkFacts) -> Option<Point> {
    (facts.xdp_attached == Some(true)).then(|| {
        Point::new("XDP", State::Warn, "a program is attached and sees every frame first")
            .advise(format!("unless it is kitproof's own: ip link set {} xdp off", facts.name))
    })
}

/// Which clock the latencies will come from, and what would make it a better one.
fn stamps(facts: &LinkFacts) -> Point {
    let name = "time stamps";
    let Some(stamping) = facts.stamping else {
        return Point::new(
            name,
            State::Unknown,
            "the driver does not tell; departures by the program, arrivals by the kernel",
        );
    };
    let clock = stamping.clock.map_or(String::new(), |number| format!(" (PHC {number})"));
    let kernels = match stamping.kernel {
        true => "latency by the kernel's clock (samples leave and arrive by it)",
        false => {
            "latency by the program's clock at departure and the kernel's at arrival: the driver has no stamps of \
                  what leaves"
        }
    };
    match (stamping.nic, stamping.on) {
        (NicStamps::All, Some(true)) => {
            let by_xdp = match stamping.xdp {
                true => "--xdp-mode zero-copy",
                false => "none: its driver is not known to stamp each frame for it",
            };
            Point::good(
                name,
                format!(
                    "latency by the NIC's own clock{clock}, and by the kernel's (packet sockets; with AF_XDP the NIC's: \
                     {by_xdp})"
                ),
            )
        }
        (NicStamps::All, Some(false)) => Point::new(
            name,
            State::Note,
            format!("{kernels}; the NIC can stamp every frame{clock}, and does not"),
        )
        .advise(format!(
            "--tune sets it for the run and puts it back, or: hwstamp_ctl -i {} -t 1 -r 1",
            facts.name
        )),
        (NicStamps::All, None) => Point::new(
            name,
            State::Note,
            format!(
                "{kernels}; the NIC can stamp every frame{clock}, but its driver does not tell whether it does"
            ),
        ),
        (NicStamps::Ptp, _) => Point::new(
            name,
            State::Note,
            format!("{kernels}; the NIC stamps nothing but a time service's frames{clock}"),
        ),
        (NicStamps::None, _) if facts.kind == LinkKind::Veth => Point::new(
            name,
            State::Note,
            format!(
                "by packet sockets {kernels}; by AF_XDP, which a veth gets by itself, the XDP program's at arrival"
            ),
        ),
        (NicStamps::None, _) => Point::new(name, State::Note, format!("{kernels}; the NIC has no stamps")),
    }
}

/// The points of the host.
#[must_use]
pub fn fit_host(facts: &HostFacts) -> Vec<Point> {
    vec![
        clock(facts),
        processors(facts),
        steal(facts),
        receive_buffers(facts),
        backlog(facts),
        softnet(facts),
        privilege(facts),
    ]
}

fn clock(facts: &HostFacts) -> Point {
    match facts.clocksource.as_deref() {
        Some(name @ ("tsc" | "arch_sys_counter")) => Point::good("clock", name),
        Some(name) => Point::new("clock", State::Warn, format!("{name}: slow or coarse to read"))
            .advise("latency and pacing are rougher with it; see which sources the machine has in available_clocksource"),
        None => Point::new("clock", State::Unknown, "the kernel does not tell its clock source"),
    }
}

fn processors(facts: &HostFacts) -> Point {
    match facts.processors {
        Some(1) => Point::new("processors", State::Warn, "1")
            .advise("sending and receiving share it; use a machine with two or more for line rate"),
        Some(count) => Point::good("processors", count.to_string()),
        None => Point::new("processors", State::Unknown, "the kernel does not tell"),
    }
}

fn steal(facts: &HostFacts) -> Point {
    let name = "hypervisor";
    let start = super::host::Steal { stolen: 0, total: 0 };
    let share = facts.steal.and_then(|steal| steal.share_since(&start));
    let taken = share.map_or(String::new(), |share| {
        format!(", has taken {:.2} % of the processor time since the start", share * 100.0)
    });
    match facts.virtual_machine {
        Some(true) if share.is_some_and(|share| share > MUCH_STEAL) => {
            Point::new(name, State::Warn, format!("present{taken}"))
                .advise("the pair will stall now and then; run the test on a machine of its own")
        }
        Some(true) => Point::new(name, State::Note, format!("present{taken}")),
        Some(false) => Point::good(name, "none"),
        None => Point::new(name, State::Unknown, "the processor does not tell"),
    }
}

fn receive_buffers(facts: &HostFacts) -> Point {
    let name = "receive buffers";
    let forced = facts.first_user_namespace == Some(true)
        && facts.capabilities.is_some_and(|capabilities| capabilities.net_admin);
    match facts.rmem_max {
        Some(most) if most >= SMALL_BUFFER => Point::good(name, format!("up to {most} bytes")),
        Some(most) if forced => Point::good(name, format!("up to {most} bytes, and privilege to exceed it")),
        Some(most) => Point::new(name, State::Warn, format!("up to {most} bytes only"))
            .advise(format!("sysctl -w net.core.rmem_max={}", 16 << 20)),
        None => Point::new(name, State::Unknown, "the kernel does not tell in this network namespace"),
    }
}

fn backlog(facts: &HostFacts) -> Point {
    match facts.backlog {
        Some(frames) if frames < SHORT_BACKLOG => {
            Point::new("backlog", State::Note, format!("{frames} frames; only veth and RPS go through it"))
                .advise(format!(
                    "for tests over a veth: sysctl -w net.core.netdev_max_backlog={SHORT_BACKLOG}"
                ))
        }
        Some(frames) => Point::good("backlog", format!("{frames} frames")),
        None => Point::new("backlog", State::Unknown, "the kernel does not tell in this network namespace"),
    }
}

fn softnet(facts: &HostFacts) -> Point {
    match facts.softnet_dropped {
        Some(0) => Point::good("softnet", "no frame dropped since the start"),
        Some(count) => Point::new(
            "softnet",
            State::Note,
            format!("{count} frames dropped since the start, by the whole machine"),
        )
        .advise("what matters is whether it grows during a trial; the result says so"),
        None => Point::new("softnet", State::Unknown, "the kernel does not tell"),
    }
}

fn privilege(facts: &HostFacts) -> Point {
    let name = "privilege";
    let Some(capabilities) = facts.capabilities else {
        return Point::new(name, State::Unknown, "the kernel does not tell");
    };
    let everything = capabilities.net_raw && capabilities.net_admin && capabilities.bpf;
    if everything && facts.first_user_namespace != Some(false) {
        Point::good(name, "packet sockets and XDP")
    } else if capabilities.net_raw {
        Point::new(name, State::Note, "packet sockets, no XDP programs")
            .advise("for XDP run as root, or give the program cap_net_raw, cap_net_admin and cap_bpf")
    } else {
        Point::new(name, State::Warn, "none: only --via udp works")
            .advise("run as root, or once: setcap cap_net_raw,cap_net_admin,cap_bpf+ep on the program")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::link::facts::{Eee, Offloads, Pause, Rings, Stamping};
    use crate::link::host::{Capabilities, Steal};

    fn port() -> LinkFacts {
        LinkFacts {
            name: "eth7".into(),
            index: 7,
            mac: None,
            mtu: 1500,
            kind: LinkKind::Physical,
            master: None,
            peer_index: None,
            admin_up: true,
            carrier: Some(true),
            speed_mbps: Some(1000),
            claimed_speed_mbps: Some(1000),
            duplex: Some(Duplex::Full),
            autonegotiation: Some(true),
            pause: Some(Pause { autoneg: false, rx: false, tx: false }),
            eee: Some(Eee { enabled: false, active: false }),
            optics: None,
            rings: Some(Rings { rx: 4096, rx_max: 4096, tx: 4096, tx_max: 4096 }),
            driver: Some("igb".into()),
            firmware: Some("3.25".into()),
            bus: Some("0000:03:00.0".into()),
            carrier_up_count: Some(1),
            carrier_down_count: Some(0),
            xdp_attached: Some(false),
            queues: None,
            offloads: Some(Offloads { gro: true, vlan: true, ..Offloads::default() }),
            stamping: Some(Stamping {
                kernel: true,
                nic: NicStamps::All,
                clock: Some(0),
                on: Some(true),
                xdp: false,
            }),
            counts_drops: true,
        }
    }

    #[test]
    fn the_clock_of_the_latencies_is_said_in_one_line() {
        let told = |stamping| {
            let point = stamps(&LinkFacts { stamping, ..port() });
            (point.state, point.in_one_line())
        };
        let of = |kernel, nic, on, xdp| told(Some(Stamping { kernel, nic, clock: Some(3), on, xdp }));
        let some = |kernel, nic, on| of(kernel, nic, on, false);
        for (xdp, words) in
            [(true, "the NIC's: --xdp-mode zero-copy)"), (false, "the NIC's: none: its driver")]
        {
            let (state, line) = of(true, NicStamps::All, Some(true), xdp);
            assert!(state == State::Good && line.contains("NIC's own clock (PHC 3)"), "{line}");
            assert!(line.contains(words), "{line}");
        }
        let (state, line) = some(true, NicStamps::All, Some(false));
        assert!(state == State::Note && line.contains("hwstamp_ctl -i eth7 -t 1 -r 1"), "{line}");
        for line in [some(true, NicStamps::All, None).1, some(true, NicStamps::Ptp, Some(false)).1] {
            assert!(!line.contains("--tune") && line.contains("by the kernel's clock"), "{line}");
        }
        assert!(some(false, NicStamps::None, None).1.contains("program's clock at departure"));
        assert_eq!(told(None).0, State::Unknown);
    }

    fn able() -> HostFacts {
        HostFacts {
            clocksource: Some("tsc".into()),
            processors: Some(4),
            rmem_max: Some(16 << 20),
            wmem_max: Some(16 << 20),
            backlog: Some(10_000),
            softnet_dropped: Some(0),
            steal: Some(Steal { stolen: 0, total: 1000 }),
            virtual_machine: Some(false),
            first_user_namespace: Some(true),
            capabilities: Some(Capabilities {
                net_raw: true,
                net_admin: true,
                bpf: true,
                ipc_lock: true,
                sys_nice: true,
            }),
        }
    }

    /// The points that are not good, as (name, state).
    fn troubles(points: &[Point]) -> Vec<(&str, State)> {
        points
            .iter()
            .filter(|point| point.state != State::Good)
            .map(|point| (point.name.as_str(), point.state))
            .collect()
    }

    #[test]
    fn a_good_port_on_a_good_host_is_good_throughout() {
        assert_eq!(troubles(&fit(&port(), false)), vec![]);
        assert_eq!(troubles(&fit_host(&able())), vec![]);
    }

    #[test]
    fn each_trouble_of_an_interface_is_one_point_that_says_what_to_do() {
        let half = Some(Duplex::Half);
        let paused = Some(Pause { autoneg: true, rx: true, tx: true });
        let drowsy = Some(Eee { enabled: true, active: true });
        let short = Some(Rings { rx: 256, rx_max: 4096, tx: 4096, tx_max: 4096 });
        let joins = Some(Offloads { lro: true, ..Offloads::default() });
        let looped = Some(Offloads { loopback: true, ..Offloads::default() });
        let cases = [
            (LinkFacts { admin_up: false, ..port() }, "state", State::Refuse),
            (LinkFacts { carrier: Some(false), ..port() }, "carrier", State::Refuse),
            (LinkFacts { master: Some(3), ..port() }, "master", State::Refuse),
            (LinkFacts { speed_mbps: None, claimed_speed_mbps: None, ..port() }, "speed", State::Unknown),
            (LinkFacts { duplex: half, ..port() }, "duplex", State::Warn),
            (LinkFacts { pause: paused, ..port() }, "flow control", State::Warn),
            (LinkFacts { eee: drowsy, ..port() }, "energy efficient Ethernet", State::Warn),
            (LinkFacts { rings: short, ..port() }, "rings", State::Warn),
            (LinkFacts { mtu: 1480, ..port() }, "MTU", State::Warn),
            (LinkFacts { mtu: 1479, ..port() }, "MTU", State::Refuse),
            (LinkFacts { counts_drops: false, ..port() }, "drop counters", State::Unknown),
            (LinkFacts { offloads: joins, ..port() }, "offloads", State::Warn),
            (LinkFacts { offloads: looped, ..port() }, "offloads", State::Refuse),
            (LinkFacts { xdp_attached: Some(true), ..port() }, "XDP", State::Warn),
        ];
        for (facts, name, state) in cases {
            let points = fit(&facts, false);
            assert_eq!(troubles(&points), vec![(name, state)]);
            let point = points.iter().find(|point| point.name == name && point.state == state).unwrap();
            assert!(point.advice.is_some(), "{name}");
        }
        assert_eq!(troubles(&fit(&port(), true)), vec![("default route", State::Refuse)]);
    }

    #[test]
    fn radios_bridges_and_bonds_are_refused() {
        for kind in [LinkKind::Wifi, LinkKind::Bridge, LinkKind::Bond] {
            let points = fit(&LinkFacts { kind, speed_mbps: None, ..port() }, false);
            assert!(troubles(&points).contains(&("kind", State::Refuse)));
        }
    }

    #[test]
    fn the_loopback_interface_may_return_its_own_frames() {
        let looped = Some(Offloads { loopback: true, ..Offloads::default() });
        let loopback = LinkFacts { kind: LinkKind::Loopback, offloads: looped, ..port() };
        assert_eq!(troubles(&fit(&loopback, false)), vec![("kind", State::Note)]);
    }

    #[test]
    fn a_veth_is_asked_for_its_line_rate_and_refused_nothing() {
        let veth = LinkFacts {
            kind: LinkKind::Veth,
            speed_mbps: None,
            claimed_speed_mbps: Some(10_000),
            duplex: None,
            autonegotiation: None,
            pause: None,
            eee: None,
            optics: None,
            rings: None,
            driver: Some("veth".into()),
            firmware: None,
            bus: None,
            ..port()
        };
        let points = fit(&veth, false);
        assert_eq!(
            troubles(&points),
            vec![("kind", State::Note), ("speed", State::Unknown), ("rings", State::Note)]
        );
        let speed = points.iter().find(|point| point.name == "speed").unwrap();
        assert!(speed.found.contains("10000") && speed.advice.as_ref().unwrap().contains("--line-rate"));
    }

    #[test]
    fn each_trouble_of_a_host_is_one_point() {
        let bare =
            Capabilities { net_raw: false, net_admin: false, bpf: false, ipc_lock: false, sys_nice: false };
        let taken = Some(Steal { stolen: 20, total: 1000 });
        let cases = [
            (HostFacts { clocksource: Some("hpet".into()), ..able() }, "clock", State::Warn),
            (HostFacts { processors: Some(1), ..able() }, "processors", State::Warn),
            (HostFacts { virtual_machine: Some(true), ..able() }, "hypervisor", State::Note),
            (HostFacts { virtual_machine: Some(true), steal: taken, ..able() }, "hypervisor", State::Warn),
            (HostFacts { rmem_max: None, ..able() }, "receive buffers", State::Unknown),
            (HostFacts { backlog: Some(1000), ..able() }, "backlog", State::Note),
            (HostFacts { softnet_dropped: Some(3), ..able() }, "softnet", State::Note),
            (HostFacts { capabilities: Some(bare), ..able() }, "privilege", State::Warn),
            (HostFacts { first_user_namespace: Some(false), ..able() }, "privilege", State::Note),
        ];
        for (facts, name, state) in cases {
            assert_eq!(troubles(&fit_host(&facts)), vec![(name, state)]);
        }
    }

    #[test]
    fn a_small_buffer_matters_only_to_those_who_cannot_exceed_it() {
        let small = HostFacts { rmem_max: Some(212_992), ..able() };
        assert_eq!(troubles(&fit_host(&small)), vec![]);
        let nested = HostFacts { first_user_namespace: Some(false), ..small };
        let points = fit_host(&nested);
        assert_eq!(troubles(&points), vec![("receive buffers", State::Warn), ("privilege", State::Note)]);
    }
}
