//! What the host says of one interface at one moment. A fact that nobody told is `None`, never a guess.

use std::fmt;

use pnet_base::MacAddr;
use serde::{Deserialize, Serialize};

use super::optics::Optics;
use crate::port::sys_ethtool::StampInfo;

/// Facts of one interface. Speeds are in Mb/s, the MTU in octets of the layer above Ethernet.
///
/// It travels in control messages: absent facts take no room in JSON.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LinkFacts {
    /// The kernel's name, also when it was asked for by an alternative name.
    pub name: String,
    /// Interface index in its network namespace.
    pub index: u32,
    /// The interface's own MAC address; test frames do not use it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mac: Option<MacAddr>,
    /// Largest payload of a frame in octets, without Ethernet header and FCS.
    pub mtu: u32,
    /// What sort of interface it is.
    pub kind: LinkKind,
    /// Index of the bridge, bond or other master it belongs to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub master: Option<u32>,
    /// Index of the other end of a veth (in that end's namespace), or of the device below a VLAN or macvlan.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub peer_index: Option<u32>,
    /// Administratively up (`ip link set NAME up`).
    pub admin_up: bool,
    /// Carrier; unknown while the interface is administratively down.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub carrier: Option<bool>,
    /// Speed of the link; `None` for an interface with no wire behind it, whatever its driver claims.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub speed_mbps: Option<u32>,
    /// The speed that the driver claims, true or not: a veth claims 10,000.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub claimed_speed_mbps: Option<u32>,
    /// Duplex; `None` for an interface with no wire behind it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub duplex: Option<Duplex>,
    /// Whether speed and duplex are negotiated; `None` for an interface with no wire behind it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub autonegotiation: Option<bool>,
    /// Flow control by PAUSE frames as it is set here.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pause: Option<Pause>,
    /// Energy Efficient Ethernet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub eee: Option<Eee>,
    /// The optical module in the port, where there is one and it may be asked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub optics: Option<Optics>,
    /// Descriptor rings.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rings: Option<Rings>,
    /// Name of the driver.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub driver: Option<String>,
    /// Version of the firmware.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub firmware: Option<String>,
    /// Address on the bus, for example `0000:03:00.0`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bus: Option<String>,
    /// How often the carrier came since the interface exists.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub carrier_up_count: Option<u32>,
    /// How often the carrier went since the interface exists.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub carrier_down_count: Option<u32>,
    /// Whether some XDP program is attached.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub xdp_attached: Option<bool>,
    /// Queues.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub queues: Option<Queues>,
    /// Offloads that change what a receiver sees.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offloads: Option<Offloads>,
    /// Time stamps.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stamping: Option<Stamping>,
    /// Whether what the port drops is known to be counted; see [`super::bounds::counts_drops`].
    #[serde(default)]
    pub counts_drops: bool,
}

impl LinkFacts {
    /// Whether there is no wire behind the interface that this host could know the speed of: a software interface,
    /// or one that a hypervisor serves.
    #[must_use]
    pub fn is_virtual(&self) -> bool {
        self.kind != LinkKind::Physical || self.driver.as_deref().is_some_and(is_hypervisor_driver)
    }

    /// Whether the NIC stamps every frame by its own clock.
    #[must_use]
    pub fn nic_stamps(&self) -> bool {
        self.stamping.is_some_and(|stamping| stamping.on == Some(true))
    }

    /// Whether it does so for AF_XDP without a copy.
    #[must_use]
    pub fn nic_stamps_by_xdp(&self) -> bool {
        self.nic_stamps() && self.stamping.is_some_and(|stamping| stamping.xdp)
    }

    /// Whether the two are the two ends of one veth on one machine, as far as the indices tell. Then one drop between
    /// them is counted by both.
    #[must_use]
    pub fn is_veth_peer_of(&self, other: &Self) -> bool {
        self.kind == LinkKind::Veth
            && other.kind == LinkKind::Veth
            && self.peer_index == Some(other.index)
            && other.peer_index == Some(self.index)
    }
}

/// What sort of interface it is. On the wire it is one lower-case word.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(into = "String", from = "String")]
pub enum LinkKind {
    /// An Ethernet port of this machine (or one that a hypervisor passes off as such).
    Physical,
    /// One end of a virtual cable.
    Veth,
    /// A software bridge.
    Bridge,
    /// A bond or team of ports.
    Bond,
    /// A radio.
    Wifi,
    /// The loopback interface.
    Loopback,
    /// Something else, by the kernel's word for it.
    Other(String),
}

impl fmt::Display for LinkKind {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(match self {
            Self::Physical => "physical",
            Self::Veth => "veth",
            Self::Bridge => "bridge",
            Self::Bond => "bond",
            Self::Wifi => "wifi",
            Self::Loopback => "loopback",
            Self::Other(word) => word,
        })
    }
}

impl From<LinkKind> for String {
    fn from(kind: LinkKind) -> Self {
        kind.to_string()
    }
}

impl From<String> for LinkKind {
    fn from(word: String) -> Self {
        match word.as_str() {
            "physical" => Self::Physical,
            "veth" => Self::Veth,
            "bridge" => Self::Bridge,
            "bond" | "team" => Self::Bond,
            "wifi" | "virt_wifi" => Self::Wifi,
            "loopback" => Self::Loopback,
            _ => Self::Other(word),
        }
    }
}

/// Duplex of a link.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Duplex {
    /// One direction at a time.
    Half,
    /// Both directions at once.
    Full,
}

/// Flow control by PAUSE frames (IEEE 802.3 annex 31B) as it is set here.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pause {
    /// Whether the far end has a say.
    pub autoneg: bool,
    /// PAUSE frames that arrive are obeyed.
    pub rx: bool,
    /// PAUSE frames are sent.
    pub tx: bool,
}

/// Energy Efficient Ethernet (IEEE 802.3 clause 78).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Eee {
    /// Switched on here.
    pub enabled: bool,
    /// Agreed with the far end.
    pub active: bool,
}

/// Descriptor rings: frames that the driver can hold, and how many it could be told to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rings {
    /// Receive ring as set.
    pub rx: u32,
    /// Largest receive ring.
    pub rx_max: u32,
    /// Transmit ring as set.
    pub tx: u32,
    /// Largest transmit ring.
    pub tx_max: u32,
}

/// Numbers of queues in use (where the driver tells), otherwise allocated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Queues {
    /// Receive queues.
    pub rx: u32,
    /// Transmit queues.
    pub tx: u32,
}

/// Offloads that change what a receiver of frames sees.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Offloads {
    /// Generic receive offload: joins frames of flows that the host itself receives.
    pub gro: bool,
    /// Large receive offload: joins frames in the NIC.
    pub lro: bool,
    /// GRO also of traffic that is only passing (`rx-gro-list`, `rx-udp-gro-forwarding`): joins test frames.
    pub gro_forwarding: bool,
    /// VLAN tags are taken off the frame and handed over beside it.
    pub vlan: bool,
    /// The FCS is left on the frame.
    pub fcs: bool,
    /// The port returns its own frames without a wire.
    pub loopback: bool,
}

/// Time stamps that the interface can take, and whether the NIC takes them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stamping {
    /// The driver lets the kernel stamp a frame when it hands it to the NIC.
    pub kernel: bool,
    /// Which frames the NIC could stamp, leaving and arriving, by its own clock.
    pub nic: NicStamps,
    /// Number of the NIC's clock (`/dev/ptpN`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock: Option<u32>,
    /// It stamps every frame, leaving (when asked) and arriving, now. `None` where the driver does not tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub on: Option<bool>,
    /// The driver hands the NIC's stamps to XDP programs, and stamps what AF_XDP sends without a copy.
    #[serde(default)]
    pub xdp: bool,
}

/// Which frames a NIC can stamp.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum NicStamps {
    /// None.
    None,
    /// Those of a time service only (IEEE 1588); of no use here.
    Ptp,
    /// Every frame.
    All,
}

impl Stamping {
    /// What the kernel's answers say: `info` the abilities, `now` which frames are stamped (`HWTSTAMP_TX_*`,
    /// `HWTSTAMP_FILTER_*` of linux/net_tstamp.h).
    pub(crate) fn of(info: &StampInfo, now: Option<(u32, u32)>) -> Self {
        let can = |bits: u32| info.abilities & bits == bits;
        let offers = |set: u32, which: u32| set & (1 << which) != 0;
        let by_nic = can(libc::SOF_TIMESTAMPING_TX_HARDWARE
            | libc::SOF_TIMESTAMPING_RX_HARDWARE
            | libc::SOF_TIMESTAMPING_RAW_HARDWARE)
            && offers(info.send_types, libc::HWTSTAMP_TX_ON);
        let nic = match by_nic {
            true if offers(info.receive_filters, libc::HWTSTAMP_FILTER_ALL) => NicStamps::All,
            true => NicStamps::Ptp,
            false => NicStamps::None,
        };
        Self {
            kernel: can(libc::SOF_TIMESTAMPING_TX_SOFTWARE | libc::SOF_TIMESTAMPING_SOFTWARE),
            nic,
            clock: info.clock,
            on: now.map(|now| nic == NicStamps::All && now == EVERY_FRAME),
            xdp: false,
        }
    }
}

/// What a NIC is set to that stamps every frame.
pub(crate) const EVERY_FRAME: (u32, u32) = (libc::HWTSTAMP_TX_ON, libc::HWTSTAMP_FILTER_ALL);

/// Drivers that give each frame an AF_XDP socket sends without a copy a stamp of its own. Others may hand the time at which a
/// whole batch was done to each of its frames (mlx5_core does), and a frame's round trip would be too short by the rest of
/// the batch. By the drivers' sources as of Linux 6.14, from memory.
pub(crate) fn stamps_each_frame(driver: &str) -> bool {
    matches!(driver, "igc" | "st_gmac" | "st_xgmac")
}

/// Drivers that a hypervisor serves: the speed they claim is not that of a wire, and what the hypervisor drops is not
/// counted here. Common practice, no source.
pub(crate) fn is_hypervisor_driver(driver: &str) -> bool {
    matches!(
        driver,
        "virtio_net" | "vmxnet3" | "hv_netvsc" | "vif" | "xen_netfront" | "ena" | "gve" | "ibmveth"
    )
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// Every field filled with something of a length that occurs.
    pub(crate) fn filled() -> LinkFacts {
        LinkFacts {
            name: "enp101s0f1np1".into(),
            index: 12,
            mac: Some(MacAddr::new(0x02, 1, 2, 3, 4, 5)),
            mtu: 9198,
            kind: LinkKind::Physical,
            master: Some(17),
            peer_index: Some(8),
            admin_up: true,
            carrier: Some(true),
            speed_mbps: Some(100_000),
            claimed_speed_mbps: Some(100_000),
            duplex: Some(Duplex::Full),
            autonegotiation: Some(false),
            pause: Some(Pause { autoneg: false, rx: false, tx: false }),
            eee: Some(Eee { enabled: false, active: false }),
            optics: Some(crate::link::optics::tests::longest()),
            rings: Some(Rings { rx: 4096, rx_max: 8192, tx: 4096, tx_max: 8192 }),
            driver: Some("mlx5_core".into()),
            firmware: Some("22.36.1010 (MT_0000000359)".into()),
            bus: Some("0000:65:00.1".into()),
            carrier_up_count: Some(1_234),
            carrier_down_count: Some(1_234),
            xdp_attached: Some(false),
            queues: Some(Queues { rx: 64, tx: 64 }),
            offloads: Some(Offloads::default()),
            stamping: Some(Stamping {
                kernel: true,
                nic: NicStamps::All,
                clock: Some(10),
                on: Some(false),
                xdp: false,
            }),
            counts_drops: true,
        }
    }

    #[test]
    fn facts_fit_a_control_message_and_come_back() {
        let facts = filled();
        let text = serde_json::to_string(&facts).unwrap();
        assert!(text.len() <= 1_150, "{} octets: {text}", text.len());
        assert_eq!(serde_json::from_str::<LinkFacts>(&text).unwrap(), facts);
    }

    #[test]
    fn absent_facts_take_no_room_and_come_back_absent() {
        let facts = LinkFacts {
            mac: None,
            master: None,
            peer_index: None,
            carrier: None,
            speed_mbps: None,
            claimed_speed_mbps: None,
            duplex: None,
            autonegotiation: None,
            pause: None,
            eee: None,
            optics: None,
            rings: None,
            driver: None,
            firmware: None,
            bus: None,
            carrier_up_count: None,
            carrier_down_count: None,
            xdp_attached: None,
            queues: None,
            offloads: None,
            stamping: None,
            counts_drops: false,
            ..filled()
        };
        let text = serde_json::to_string(&facts).unwrap();
        assert!(!text.contains("null"), "{text}");
        assert_eq!(serde_json::from_str::<LinkFacts>(&text).unwrap(), facts);
    }

    #[test]
    fn kinds_are_one_word_and_come_back() {
        for word in ["physical", "veth", "bridge", "bond", "wifi", "loopback", "macvlan"] {
            let kind = LinkKind::from(word.to_owned());
            assert_eq!(kind.to_string(), word);
            assert_eq!(serde_json::to_string(&kind).unwrap(), format!("{word:?}"));
        }
        assert_eq!(LinkKind::from("team".to_owned()), LinkKind::Bond);
        assert_eq!(LinkKind::from("dummy".to_owned()), LinkKind::Other("dummy".to_owned()));
    }

    #[test]
    fn only_ends_that_name_each_other_are_one_veth() {
        let end = |index, peer| LinkFacts { kind: LinkKind::Veth, index, peer_index: Some(peer), ..filled() };
        assert!(end(2, 3).is_veth_peer_of(&end(3, 2)));
        assert!(!end(2, 3).is_veth_peer_of(&end(2, 4)));
        let port = LinkFacts { kind: LinkKind::Physical, ..end(3, 2) };
        assert!(!end(2, 3).is_veth_peer_of(&port));
    }

    #[test]
    fn a_hypervisors_port_has_no_wire_of_its_own() {
        assert!(!filled().is_virtual());
        assert!(LinkFacts { driver: Some("virtio_net".into()), ..filled() }.is_virtual());
        assert!(LinkFacts { kind: LinkKind::Veth, ..filled() }.is_virtual());
    }

    /// Invented answers of the kernel, put together as the drivers named put them together (from memory); no such NIC was
    /// asked.
    #[test]
    fn what_a_nic_can_stamp_is_read_from_the_kernels_bits() {
        // TX and RX by hardware, raw; TX and RX by software; told: bits 0 to 4 and 6.
        let all_bits = 0b101_1111;
        let (off_and_on, none_and_all, none_and_ptp) = (0b11, 0b11, 1 | 1 << 12);
        let info = |abilities, send_types, receive_filters, clock| StampInfo {
            abilities,
            clock,
            send_types,
            receive_filters,
        };
        let igc = info(all_bits, off_and_on, none_and_all, Some(0));
        let told = |info: &StampInfo, now| {
            let stamping = Stamping::of(info, now);
            (stamping.kernel, stamping.nic, stamping.clock, stamping.on)
        };
        assert_eq!(told(&igc, Some((0, 0))), (true, NicStamps::All, Some(0), Some(false)));
        assert_eq!(told(&igc, Some((1, 1))), (true, NicStamps::All, Some(0), Some(true)));
        // Arrivals only of a time service, or no stamps of what leaves.
        assert_eq!(told(&igc, Some((1, 12))).3, Some(false));
        assert_eq!(told(&igc, Some((0, 1))).3, Some(false));
        assert_eq!(told(&igc, None).3, None);
        let ptp_only = info(all_bits, off_and_on, none_and_ptp, Some(1));
        assert_eq!(told(&ptp_only, Some((1, 12))), (true, NicStamps::Ptp, Some(1), Some(false)));
        // A clock that stamps nothing that leaves; a veth; a driver that does not let the kernel stamp what leaves.
        assert_eq!(told(&info(all_bits & !1, 0b1, none_and_all, Some(0)), None).1, NicStamps::None);
        assert_eq!(told(&info(0b1_1010, 0, 0, None), None), (true, NicStamps::None, None, None));
        assert_eq!(told(&info(0b1_1000, 0, 0, None), None), (false, NicStamps::None, None, None));
    }
}
