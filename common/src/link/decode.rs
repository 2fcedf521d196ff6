//! A link message of rtnetlink into our own types: pure.

use pnet_base::MacAddr;
use rtnetlink::packet_route::link::{
    InfoKind, LinkAttribute, LinkFlags, LinkInfo, LinkLayerType, LinkMessage, LinkXdp, Stats64, XdpAttached,
};

use super::counters::Counters;
use super::facts::{LinkKind, Queues};

/// What one link message says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Link {
    pub(crate) name: String,
    pub(crate) index: u32,
    pub(crate) mac: Option<MacAddr>,
    pub(crate) mtu: u32,
    /// A radio looks `Physical` here; rtnetlink does not tell.
    pub(crate) kind: LinkKind,
    pub(crate) master: Option<u32>,
    pub(crate) peer_index: Option<u32>,
    pub(crate) admin_up: bool,
    pub(crate) carrier: Option<bool>,
    pub(crate) carrier_changes: Option<u32>,
    pub(crate) carrier_up_count: Option<u32>,
    pub(crate) carrier_down_count: Option<u32>,
    pub(crate) xdp_attached: Option<bool>,
    pub(crate) queues: Option<Queues>,
    pub(crate) counters: Counters,
}

pub(crate) fn link(message: &LinkMessage) -> Link {
    let header = &message.header;
    let admin_up = header.flags.contains(LinkFlags::Up);
    let mut link = Link {
        name: String::new(),
        index: header.index,
        mac: None,
        mtu: 0,
        kind: plain_kind(header.link_layer_type),
        master: None,
        peer_index: None,
        admin_up,
        // A kernel without IFLA_CARRIER still has the flag.
        carrier: admin_up.then(|| header.flags.contains(LinkFlags::LowerUp)),
        carrier_changes: None,
        carrier_up_count: None,
        carrier_down_count: None,
        xdp_attached: None,
        queues: None,
        counters: Counters::default(),
    };
    let (mut rx_queues, mut tx_queues) = (None, None);
    for attribute in &message.attributes {
        match attribute {
            LinkAttribute::IfName(name) => link.name.clone_from(name),
            LinkAttribute::Address(octets) if header.link_layer_type == LinkLayerType::Ether => {
                link.mac = mac(octets);
            }
            LinkAttribute::Mtu(mtu) => link.mtu = *mtu,
            LinkAttribute::LinkInfo(info) => {
                if let Some(kind) = info_kind(info) {
                    link.kind = kind;
                }
            }
            LinkAttribute::Controller(index) if *index != 0 => link.master = Some(*index),
            LinkAttribute::Link(index) if *index != 0 && *index != header.index => {
                link.peer_index = Some(*index)
            }
            LinkAttribute::Carrier(carrier) if admin_up => link.carrier = Some(*carrier != 0),
            LinkAttribute::CarrierChanges(count) => link.carrier_changes = Some(*count),
            LinkAttribute::CarrierUpCount(count) => link.carrier_up_count = Some(*count),
            LinkAttribute::CarrierDownCount(count) => link.carrier_down_count = Some(*count),
            LinkAttribute::Xdp(xdp) => link.xdp_attached = xdp_attached(xdp),
            LinkAttribute::NumRxQueues(count) => rx_queues = Some(*count),
            LinkAttribute::NumTxQueues(count) => tx_queues = Some(*count),
            LinkAttribute::Stats64(stats) => link.counters = of_stats(stats),
            _ => {}
        }
    }
    link.queues = rx_queues.zip(tx_queues).map(|(rx, tx)| Queues { rx, tx });
    link.counters.carrier_changes = link.carrier_changes.map(u64::from);
    link
}

fn plain_kind(layer: LinkLayerType) -> LinkKind {
    match layer {
        LinkLayerType::Ether => LinkKind::Physical,
        LinkLayerType::Loopback => LinkKind::Loopback,
        LinkLayerType::Ieee80211 | LinkLayerType::Ieee80211Prism | LinkLayerType::Ieee80211Radiotap => {
            LinkKind::Wifi
        }
        other => LinkKind::Other(format!("{other:?}").to_lowercase()),
    }
}

fn info_kind(info: &[LinkInfo]) -> Option<LinkKind> {
    info.iter().find_map(|part| match part {
        // A port of a DSA switch is a port with a wire, whose driver answers for it.
        LinkInfo::Kind(InfoKind::Dsa) => Some(LinkKind::Physical),
        LinkInfo::Kind(kind) => Some(LinkKind::from(kind.to_string())),
        _ => None,
    })
}

fn mac(octets: &[u8]) -> Option<MacAddr> {
    let octets: [u8; 6] = octets.try_into().ok()?;
    Some(octets.into())
}

fn xdp_attached(attributes: &[LinkXdp]) -> Option<bool> {
    attributes.iter().find_map(|attribute| match attribute {
        LinkXdp::Attached(attached) => Some(*attached != XdpAttached::None),
        _ => None,
    })
}

fn of_stats(stats: &Stats64) -> Counters {
    Counters {
        rx_frames: Some(stats.rx_packets),
        tx_frames: Some(stats.tx_packets),
        rx_octets: Some(stats.rx_bytes),
        tx_octets: Some(stats.tx_bytes),
        rx_errors: Some(stats.rx_errors),
        tx_errors: Some(stats.tx_errors),
        rx_dropped: Some(stats.rx_dropped),
        tx_dropped: Some(stats.tx_dropped),
        rx_missed: Some(stats.rx_missed_errors),
        rx_fifo: Some(stats.rx_fifo_errors),
        rx_over: Some(stats.rx_over_errors),
        rx_crc: Some(stats.rx_crc_errors),
        rx_frame_align: Some(stats.rx_frame_errors),
        rx_length: Some(stats.rx_length_errors),
        rx_nohandler: Some(stats.rx_nohandler),
        tx_aborted: Some(stats.tx_aborted_errors),
        tx_carrier: Some(stats.tx_carrier_errors),
        tx_fifo: Some(stats.tx_fifo_errors),
        collisions: Some(stats.collisions),
        ..Counters::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(flags: LinkFlags, attributes: Vec<LinkAttribute>) -> LinkMessage {
        let mut message = LinkMessage::default();
        message.header.index = 5;
        message.header.link_layer_type = LinkLayerType::Ether;
        message.header.flags = flags;
        message.attributes = attributes;
        message
    }

    #[test]
    fn a_veth_is_decoded() {
        let told = link(&message(
            LinkFlags::Up | LinkFlags::LowerUp,
            vec![
                LinkAttribute::IfName("kp0".into()),
                LinkAttribute::Mtu(1500),
                LinkAttribute::Link(6),
                LinkAttribute::Carrier(1),
                LinkAttribute::CarrierChanges(3),
                LinkAttribute::CarrierUpCount(2),
                LinkAttribute::CarrierDownCount(1),
                LinkAttribute::NumTxQueues(4),
                LinkAttribute::NumRxQueues(2),
                LinkAttribute::Address(vec![2, 0, 0, 0, 0, 1]),
                LinkAttribute::LinkInfo(vec![LinkInfo::Kind(InfoKind::Veth)]),
                LinkAttribute::Xdp(vec![LinkXdp::Attached(XdpAttached::Driver)]),
            ],
        ));
        assert_eq!((told.name.as_str(), told.index, told.mtu), ("kp0", 5, 1500));
        assert_eq!(told.kind, LinkKind::Veth);
        assert_eq!((told.peer_index, told.master), (Some(6), None));
        assert_eq!((told.admin_up, told.carrier), (true, Some(true)));
        assert_eq!((told.carrier_up_count, told.carrier_down_count), (Some(2), Some(1)));
        assert_eq!(told.queues, Some(Queues { rx: 2, tx: 4 }));
        assert_eq!(told.mac, Some(MacAddr::new(2, 0, 0, 0, 0, 1)));
        assert_eq!(told.xdp_attached, Some(true));
        assert_eq!(told.counters, Counters { carrier_changes: Some(3), ..Counters::default() });
    }

    #[test]
    fn what_was_not_told_is_unknown() {
        let told = link(&message(LinkFlags::empty(), vec![]));
        assert_eq!(told.counters, Counters::default());
        assert_eq!((told.mac, told.master, told.peer_index, told.xdp_attached), (None, None, None, None));
        assert_eq!((told.carrier, told.queues, told.carrier_up_count), (None, None, None));
    }

    #[test]
    fn carrier_is_unknown_while_the_interface_is_down() {
        let told = link(&message(LinkFlags::empty(), vec![LinkAttribute::Carrier(1)]));
        assert_eq!((told.admin_up, told.carrier), (false, None));
        let told = link(&message(LinkFlags::Up, vec![LinkAttribute::Carrier(0)]));
        assert_eq!((told.admin_up, told.carrier), (true, Some(false)));
        let told = link(&message(LinkFlags::Up | LinkFlags::LowerUp, vec![]));
        assert_eq!(told.carrier, Some(true));
    }

    #[test]
    fn kinds_come_from_the_link_info_or_the_layer() {
        let kind_of = |attributes| link(&message(LinkFlags::Up, attributes)).kind;
        assert_eq!(kind_of(vec![]), LinkKind::Physical);
        let info = |kind| vec![LinkAttribute::LinkInfo(vec![LinkInfo::Kind(kind)])];
        assert_eq!(kind_of(info(InfoKind::Bridge)), LinkKind::Bridge);
        assert_eq!(kind_of(info(InfoKind::Team)), LinkKind::Bond);
        assert_eq!(kind_of(info(InfoKind::Dsa)), LinkKind::Physical);
        assert_eq!(kind_of(info(InfoKind::VirtWifi)), LinkKind::Wifi);
        assert_eq!(kind_of(info(InfoKind::MacVlan)), LinkKind::Other("macvlan".into()));
        // A port of a bridge says the bridge's kind as its *port* kind only: it stays what it is.
        let member = vec![
            LinkAttribute::LinkInfo(vec![LinkInfo::PortKind(
                rtnetlink::packet_route::link::InfoPortKind::Bridge,
            )]),
            LinkAttribute::Controller(9),
        ];
        let told = link(&message(LinkFlags::Up, member));
        assert_eq!((told.kind, told.master), (LinkKind::Physical, Some(9)));
    }

    #[test]
    fn every_statistic_lands_in_its_own_counter() {
        let mut stats = Stats64::default();
        let mut next = 0;
        let mut number = || {
            next += 1;
            next
        };
        stats.rx_packets = number();
        stats.tx_packets = number();
        stats.rx_bytes = number();
        stats.tx_bytes = number();
        stats.rx_errors = number();
        stats.tx_errors = number();
        stats.rx_dropped = number();
        stats.tx_dropped = number();
        stats.rx_missed_errors = number();
        stats.rx_fifo_errors = number();
        stats.rx_over_errors = number();
        stats.rx_crc_errors = number();
        stats.rx_frame_errors = number();
        stats.rx_length_errors = number();
        stats.rx_nohandler = number();
        stats.tx_aborted_errors = number();
        stats.tx_carrier_errors = number();
        stats.tx_fifo_errors = number();
        stats.collisions = number();
        let counters = of_stats(&stats);
        let told: Vec<_> = counters.iter().filter_map(|(_, value)| value).collect();
        assert_eq!(told, (1..=19).collect::<Vec<u64>>());
    }
}
