//! The questions: facts, counters, names, default routes. One netlink socket each, in the calling thread's namespace.

use std::future::Future;
use std::time::Duration;

use ethtool::{
    EthtoolAttr, EthtoolChannelAttr, EthtoolFeatureAttr, EthtoolHandle, EthtoolHeader, EthtoolLinkModeAttr,
    EthtoolLinkModeDuplex, EthtoolMessage, EthtoolModuleEEPROMAttr, EthtoolPauseAttr, EthtoolPauseStatAttr,
    EthtoolRingAttr,
};
use futures_util::{Stream, StreamExt, TryStreamExt};
use netlink_packet_generic::GenlMessage;
use rtnetlink::packet_core::{DefaultNla, NLM_F_REQUEST, NetlinkMessage, NetlinkPayload};
use rtnetlink::packet_route::link::{LinkAttribute, LinkMessage};
use rtnetlink::packet_route::route::{RouteAttribute, RouteMessage, RouteType};
use rtnetlink::{Handle, LinkGetRequest, RouteMessageBuilder};
use tokio::task::JoinHandle;

use super::abilities::xdp_abilities;
use super::bounds::counts_drops;
use super::counters::{Counters, parse_softnet};
use super::decode::{self, Link};
use super::error::LinkError;
use super::facts::{
    Duplex, Eee, LinkFacts, LinkKind, NicStamps, Offloads, Pause, Queues, Rings, Stamping,
    is_hypervisor_driver, stamps_each_frame,
};
use super::optics::{Optics, PAGE_OCTETS};
use super::wireless;
use crate::port::sys_ethtool;

/// How long the kernel is waited for. Its answers come at once or (a message that cannot be decoded) never.
pub const PATIENCE: Duration = Duration::from_secs(2);

/// `ETHTOOL_FLAG_STATS` of `linux/ethtool_netlink.h`: statistics are wanted with the answer.
const WITH_STATISTICS: u32 = 1 << 2;
/// The two addresses of a module on its bus, A0h and A2h (SFF-8472) without the lowest bit.
const IDENTITY: u8 = 0x50;
const DIAGNOSTICS: u8 = 0x51;
/// `IFLA_ALT_IFNAME` of `linux/if_link.h`.
const LONG_NAME: u16 = 53;
/// `ALTIFNAMSIZ` of `linux/if.h`, the closing zero included.
const MOST_NAME_OCTETS: usize = 128;

/// Everything the host tells about the interface `name`.
///
/// # Errors
/// [`LinkError::NoSuchInterface`] with the names that exist; otherwise why netlink did not answer. A fact that the
/// driver does not tell is no error but `None`.
pub async fn facts(name: &str) -> Result<LinkFacts, LinkError> {
    let mut link = one_link(name).await?;
    let asked = Ethtool::open(&link.name);
    if link.kind == LinkKind::Physical && is_radio(&link).await {
        link.kind = LinkKind::Wifi;
    }
    let driver = sys_ethtool::driver_info(&link.name).ok();
    let (driver, firmware, bus) =
        driver.map_or((None, None, None), |info| (info.driver, info.firmware, info.bus));
    let told = match asked {
        Some(ethtool) => ethtool.ask().await,
        None => Told::default(),
    };
    let wire = link.kind == LinkKind::Physical && !driver.as_deref().is_some_and(is_hypervisor_driver);
    let mut stamping = sys_ethtool::stamp_info(&link.name)
        .ok()
        .map(|info| Stamping::of(&info, sys_ethtool::stamping(&link.name).ok()));
    if let Some(stamping) = stamping.as_mut().filter(|stamping| stamping.nic == NicStamps::All) {
        stamping.xdp = driver.as_deref().is_some_and(stamps_each_frame)
            && xdp_abilities(link.index).await.is_some_and(|can| can.stamps);
    }
    let counts_drops = counts_drops(&link.kind, driver.as_deref(), has_overrun(&link.counters));
    Ok(LinkFacts {
        eee: sys_ethtool::eee(&link.name)
            .ok()
            .map(|state| Eee { enabled: state.enabled, active: state.active }),
        stamping,
        name: link.name,
        index: link.index,
        mac: link.mac,
        mtu: link.mtu,
        kind: link.kind,
        master: link.master,
        peer_index: link.peer_index,
        admin_up: link.admin_up,
        carrier: link.carrier,
        speed_mbps: told.speed_mbps.filter(|_| wire),
        claimed_speed_mbps: told.speed_mbps,
        duplex: told.duplex.filter(|_| wire),
        autonegotiation: told.autonegotiation.filter(|_| wire),
        pause: told.pause,
        optics: told.optics.filter(|_| wire),
        rings: told.rings,
        driver,
        firmware,
        bus,
        carrier_up_count: link.carrier_up_count,
        carrier_down_count: link.carrier_down_count,
        xdp_attached: link.xdp_attached,
        queues: told.queues.or(link.queues),
        offloads: told.offloads,
        counts_drops,
    })
}

/// The counters of the interface `name` and of the machine's receive path, now.
///
/// # Errors
/// As [`facts`].
pub async fn counters(name: &str) -> Result<Counters, LinkError> {
    let link = one_link(name).await?;
    let mut counters = link.counters;
    if let Some(ethtool) = Ethtool::open(&link.name) {
        (counters.pause_rx, counters.pause_tx) = ethtool.pause_frames().await;
    }
    // The file shows the whole machine from every namespace.
    let softnet = std::fs::read_to_string("/proc/net/softnet_stat").ok();
    if let Some((dropped, squeezed)) = softnet.as_deref().and_then(parse_softnet) {
        counters.softnet_dropped = Some(dropped);
        counters.softnet_squeezed = Some(squeezed);
    }
    let driver = sys_ethtool::driver_info(&link.name).ok().and_then(|info| info.driver);
    counters.counts_drops = counts_drops(&link.kind, driver.as_deref(), has_overrun(&counters));
    Ok(counters)
}

/// The names of the interfaces in this network namespace, in the kernel's order.
///
/// # Errors
/// Why netlink did not answer.
pub async fn list() -> Result<Vec<String>, LinkError> {
    let about = "the interfaces of this network namespace";
    let connection = Route::open(about)?;
    let links = patiently(about, connection.handle.link().get().execute().try_collect::<Vec<_>>()).await?;
    let links = links.map_err(|error| refused(about, &error))?;
    Ok(links.iter().map(|message| decode::link(message).name).collect())
}

/// The indices of the interfaces that some default route (IPv4 or IPv6, any table) leads out of, sorted.
///
/// # Errors
/// Why netlink did not answer.
pub async fn default_route_interfaces() -> Result<Vec<u32>, LinkError> {
    let about = "the routes of this network namespace";
    let connection = Route::open(about)?;
    let questions = [
        RouteMessageBuilder::<std::net::Ipv4Addr>::new().build(),
        RouteMessageBuilder::<std::net::Ipv6Addr>::new().build(),
    ];
    let mut indices = Vec::new();
    for question in questions {
        let answer = connection.handle.route().get(question).execute().try_collect::<Vec<_>>();
        // A kernel without IPv6 refuses the question, and has no such default route.
        let Ok(routes) = patiently(about, answer).await? else { continue };
        indices.extend(routes.iter().flat_map(default_route));
    }
    indices.sort_unstable();
    indices.dedup();
    Ok(indices)
}

/// The interfaces of a route if it is a default route that leads somewhere.
fn default_route(route: &RouteMessage) -> Vec<u32> {
    if route.header.destination_prefix_length != 0 || route.header.kind != RouteType::Unicast {
        return Vec::new();
    }
    let mut indices = Vec::new();
    for attribute in &route.attributes {
        match attribute {
            RouteAttribute::Oif(index) => indices.push(*index),
            RouteAttribute::MultiPath(hops) => indices.extend(hops.iter().map(|hop| hop.interface_index)),
            _ => {}
        }
    }
    indices
}

/// Whether the port has ever counted that it had no room for a frame.
fn has_overrun(counters: &Counters) -> bool {
    [counters.rx_missed, counters.rx_fifo, counters.rx_over].into_iter().flatten().any(|count| count > 0)
}

/// One link by its name or one of its alternative names.
pub(crate) async fn one_link(name: &str) -> Result<Link, LinkError> {
    let about = format!("interface {name}");
    if !name.is_empty() && name.len() < MOST_NAME_OCTETS {
        let connection = Route::open(&about)?;
        let request = connection.handle.link().get();
        let request = if name.len() < libc::IFNAMSIZ {
            request.match_name(name.to_owned())
        } else {
            // Only an alternative name can be so long, and it has an attribute of its own. Index 0 is no index.
            let mut request = request.match_index(0);
            let octets = [name.as_bytes(), &[0]].concat();
            let long_name = DefaultNla::new(LONG_NAME, octets);
            request.message_mut().attributes.push(LinkAttribute::Other(long_name));
            request
        };
        if let Some(link) = only(&about, request).await? {
            return Ok(link);
        }
    }
    Err(LinkError::NoSuchInterface { name: name.to_owned(), present: list().await.unwrap_or_default() })
}

/// One link by its index, whatever it is called by now; `None` if it is gone.
pub(crate) async fn link_at(index: u32) -> Result<Option<Link>, LinkError> {
    let about = format!("the interface with index {index}");
    let connection = Route::open(&about)?;
    only(&about, connection.handle.link().get().match_index(index)).await
}

async fn only(about: &str, request: LinkGetRequest) -> Result<Option<Link>, LinkError> {
    match patiently(about, first(request.execute())).await? {
        Ok(message) => Ok(message.as_ref().map(decode::link)),
        Err(rtnetlink::Error::NetlinkError(error)) if error.raw_code() == -libc::ENODEV => Ok(None),
        Err(error) => Err(refused(about, &error)),
    }
}

async fn first(
    answers: impl Stream<Item = Result<LinkMessage, rtnetlink::Error>>,
) -> Result<Option<LinkMessage>, rtnetlink::Error> {
    std::pin::pin!(answers).try_next().await
}

async fn is_radio(link: &Link) -> bool {
    if sys_ethtool::has_wireless_extensions(&link.name).unwrap_or(false) {
        return true;
    }
    let Ok((connection, mut handle, _)) = genetlink::new_connection() else { return false };
    let _served = Served(tokio::spawn(connection));
    tokio::time::timeout(PATIENCE, wireless::is_radio(&mut handle, link.index)).await.unwrap_or(false)
}

async fn patiently<T>(about: &str, answer: impl Future<Output = T>) -> Result<T, LinkError> {
    let late = |_| LinkError::NoAnswer { about: about.to_owned(), seconds: PATIENCE.as_secs() };
    tokio::time::timeout(PATIENCE, answer).await.map_err(late)
}

fn refused(about: &str, error: &rtnetlink::Error) -> LinkError {
    let reason = match error {
        rtnetlink::Error::NetlinkError(message) => message.to_io().to_string(),
        other => other.to_string(),
    };
    LinkError::Refused { about: about.to_owned(), reason }
}

/// The task that serves a netlink socket; it ends with this value.
#[derive(Debug)]
pub(crate) struct Served(pub(crate) JoinHandle<()>);

impl Drop for Served {
    fn drop(&mut self) {
        self.0.abort();
    }
}

/// A connection for questions to rtnetlink.
struct Route {
    handle: Handle,
    _served: Served,
}

impl Route {
    fn open(about: &str) -> Result<Self, LinkError> {
        let failed = |source| LinkError::Socket { about: about.to_owned(), source };
        let (connection, handle, _) = rtnetlink::new_connection().map_err(failed)?;
        Ok(Self { handle, _served: Served(tokio::spawn(connection)) })
    }
}

/// What the driver told through ethtool's netlink; each answer is independent of the others.
#[derive(Debug, Default)]
struct Told {
    speed_mbps: Option<u32>,
    duplex: Option<Duplex>,
    autonegotiation: Option<bool>,
    optics: Option<Optics>,
    pause: Option<Pause>,
    rings: Option<Rings>,
    queues: Option<Queues>,
    offloads: Option<Offloads>,
}

/// A connection for questions to ethtool about one interface.
struct Ethtool {
    name: String,
    handle: EthtoolHandle,
    _served: Served,
}

impl Ethtool {
    fn open(name: &str) -> Option<Self> {
        let (connection, handle, _) = ethtool::new_connection().ok()?;
        Some(Self { name: name.to_owned(), handle, _served: Served(tokio::spawn(connection)) })
    }

    async fn ask(mut self) -> Told {
        let name = self.name.clone();
        let name = Some(name.as_str());
        let mut told = Told::default();
        for attribute in answer(self.handle.link_mode().get(name).execute()).await {
            match attribute {
                EthtoolAttr::LinkMode(EthtoolLinkModeAttr::Speed(speed)) => {
                    told.speed_mbps = known_speed(speed)
                }
                EthtoolAttr::LinkMode(EthtoolLinkModeAttr::Duplex(duplex)) => {
                    told.duplex = known_duplex(&duplex)
                }
                EthtoolAttr::LinkMode(EthtoolLinkModeAttr::Autoneg(on)) => told.autonegotiation = Some(on),
                _ => {}
            }
        }
        told.pause = pause(&answer(self.handle.pause().get(name).execute()).await);
        told.rings = rings(&answer(self.handle.ring().get(name).execute()).await);
        told.queues = channels(&answer(self.handle.channel().get(name).execute()).await);
        told.offloads = offloads(&answer(self.handle.feature().get(name).execute()).await);
        if let Some(identity) = self.module_page(IDENTITY).await {
            let diagnostics = self.module_page(DIAGNOSTICS).await;
            told.optics = Some(Optics::of(&identity, diagnostics.as_ref()));
        }
        told
    }

    /// The first half of a page of the module in the port; `None` without a module, or without the permission.
    async fn module_page(&mut self, i2c: u8) -> Option<[u8; PAGE_OCTETS]> {
        let name = self.name.clone();
        let question = self.handle.eeprom().get(Some(&name), 0, PAGE_OCTETS as u32, 0, 0, i2c);
        answer(question.execute()).await.into_iter().find_map(|attribute| match attribute {
            EthtoolAttr::ModuleEEPROM(EthtoolModuleEEPROMAttr::Data(octets)) => octets.try_into().ok(),
            _ => None,
        })
    }

    /// PAUSE frames (received, sent) where the driver counts them.
    async fn pause_frames(mut self) -> (Option<u64>, Option<u64>) {
        let mut question = EthtoolMessage::new_pause_get(None);
        question.nlas = vec![EthtoolAttr::Pause(EthtoolPauseAttr::Header(vec![
            EthtoolHeader::DevName(self.name.clone()),
            EthtoolHeader::Flags(WITH_STATISTICS),
        ]))];
        let mut message = NetlinkMessage::from(GenlMessage::from_payload(question));
        message.header.flags = NLM_F_REQUEST;
        let told = tokio::time::timeout(PATIENCE, async {
            let mut answers = std::pin::pin!(self.handle.request(message).await.ok()?);
            match answers.next().await?.ok()?.payload {
                NetlinkPayload::InnerMessage(message) => Some(message.payload.nlas),
                _ => None,
            }
        });
        pause_counts(&told.await.ok().flatten().unwrap_or_default())
    }
}

/// The attributes of an answer; none where the driver does not support the question.
async fn answer<S>(question: impl Future<Output = Result<S, ethtool::EthtoolError>>) -> Vec<EthtoolAttr>
where
    S: Stream<Item = Result<GenlMessage<EthtoolMessage>, ethtool::EthtoolError>>,
{
    let told = tokio::time::timeout(PATIENCE, async {
        let mut answers = std::pin::pin!(question.await.ok()?);
        answers.next().await?.ok()
    });
    told.await.ok().flatten().map_or_else(Vec::new, |message| message.payload.nlas)
}

/// `SPEED_UNKNOWN` is all ones; zero is no speed either.
fn known_speed(speed: u32) -> Option<u32> {
    (speed != 0 && speed != u32::MAX).then_some(speed)
}

fn known_duplex(duplex: &EthtoolLinkModeDuplex) -> Option<Duplex> {
    match duplex {
        EthtoolLinkModeDuplex::Half => Some(Duplex::Half),
        EthtoolLinkModeDuplex::Full => Some(Duplex::Full),
        EthtoolLinkModeDuplex::Unknown | EthtoolLinkModeDuplex::Other(_) => None,
    }
}

fn pause(told: &[EthtoolAttr]) -> Option<Pause> {
    let (mut autoneg, mut rx, mut tx) = (None, None, None);
    for attribute in told {
        match attribute {
            EthtoolAttr::Pause(EthtoolPauseAttr::AutoNeg(on)) => autoneg = Some(*on),
            EthtoolAttr::Pause(EthtoolPauseAttr::Rx(on)) => rx = Some(*on),
            EthtoolAttr::Pause(EthtoolPauseAttr::Tx(on)) => tx = Some(*on),
            _ => {}
        }
    }
    Some(Pause { autoneg: autoneg.unwrap_or(false), rx: rx?, tx: tx? })
}

fn pause_counts(told: &[EthtoolAttr]) -> (Option<u64>, Option<u64>) {
    let (mut rx, mut tx) = (None, None);
    for attribute in told {
        let EthtoolAttr::Pause(EthtoolPauseAttr::Stats(counts)) = attribute else { continue };
        for count in counts {
            match count {
                EthtoolPauseStatAttr::Rx(frames) => rx = Some(*frames),
                EthtoolPauseStatAttr::Tx(frames) => tx = Some(*frames),
                EthtoolPauseStatAttr::Other(_) => {}
            }
        }
    }
    (rx, tx)
}

fn rings(told: &[EthtoolAttr]) -> Option<Rings> {
    let (mut rx, mut rx_max, mut tx, mut tx_max) = (None, None, None, None);
    for attribute in told {
        match attribute {
            EthtoolAttr::Ring(EthtoolRingAttr::Rx(frames)) => rx = Some(*frames),
            EthtoolAttr::Ring(EthtoolRingAttr::RxMax(frames)) => rx_max = Some(*frames),
            EthtoolAttr::Ring(EthtoolRingAttr::Tx(frames)) => tx = Some(*frames),
            EthtoolAttr::Ring(EthtoolRingAttr::TxMax(frames)) => tx_max = Some(*frames),
            _ => {}
        }
    }
    Some(Rings { rx: rx?, rx_max: rx_max?, tx: tx?, tx_max: tx_max? })
}

/// Queues in use: those of one direction only, and those that serve both.
fn channels(told: &[EthtoolAttr]) -> Option<Queues> {
    let (mut rx, mut tx, mut both) = (0, 0, 0);
    for attribute in told {
        match attribute {
            EthtoolAttr::Channel(EthtoolChannelAttr::RxCount(count)) => rx = *count,
            EthtoolAttr::Channel(EthtoolChannelAttr::TxCount(count)) => tx = *count,
            EthtoolAttr::Channel(EthtoolChannelAttr::CombinedCount(count)) => both = *count,
            _ => {}
        }
    }
    let queues = Queues { rx: both.saturating_add(rx), tx: both.saturating_add(tx) };
    (queues.rx > 0 && queues.tx > 0).then_some(queues)
}

/// The answer lists the features that are on, by the kernel's names (net/ethtool/common.c).
fn offloads(told: &[EthtoolAttr]) -> Option<Offloads> {
    let active = told.iter().find_map(|attribute| match attribute {
        EthtoolAttr::Feature(EthtoolFeatureAttr::Active(features)) => Some(features),
        _ => None,
    })?;
    let on = |name: &str| active.iter().any(|feature| feature.name == name && feature.value);
    Some(Offloads {
        gro: on("rx-gro"),
        lro: on("rx-lro") || on("rx-gro-hw"),
        gro_forwarding: on("rx-gro-list") || on("rx-udp-gro-forwarding"),
        vlan: on("rx-vlan-hw-parse") || on("rx-vlan-stag-hw-parse"),
        fcs: on("rx-fcs"),
        loopback: on("loopback"),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use ethtool::EthtoolFeatureBit;

    #[test]
    fn unknown_speeds_and_duplexes_are_unknown() {
        assert_eq!(known_speed(1_000), Some(1_000));
        // SPEED_UNKNOWN of linux/ethtool.h is -1.
        assert_eq!(known_speed(u32::MAX), None);
        assert_eq!(known_speed(0), None);
        assert_eq!(known_duplex(&EthtoolLinkModeDuplex::Half), Some(Duplex::Half));
        assert_eq!(known_duplex(&EthtoolLinkModeDuplex::Unknown), None);
    }

    #[test]
    fn an_incomplete_answer_is_unknown() {
        let pauses = [
            EthtoolAttr::Pause(EthtoolPauseAttr::AutoNeg(true)),
            EthtoolAttr::Pause(EthtoolPauseAttr::Rx(true)),
            EthtoolAttr::Pause(EthtoolPauseAttr::Tx(false)),
        ];
        assert_eq!(pause(&pauses), Some(Pause { autoneg: true, rx: true, tx: false }));
        assert_eq!(pause(&pauses[..2]), None);
        let ring = [
            EthtoolAttr::Ring(EthtoolRingAttr::RxMax(4096)),
            EthtoolAttr::Ring(EthtoolRingAttr::TxMax(2048)),
            EthtoolAttr::Ring(EthtoolRingAttr::Rx(256)),
            EthtoolAttr::Ring(EthtoolRingAttr::Tx(128)),
        ];
        assert_eq!(rings(&ring), Some(Rings { rx: 256, rx_max: 4096, tx: 128, tx_max: 2048 }));
        assert_eq!(rings(&ring[1..]), None);
        assert_eq!(offloads(&[]), None);
        assert_eq!(channels(&[]), None);
    }

    #[test]
    fn pause_frames_are_unknown_where_the_driver_does_not_count_them() {
        let stats = |counts| EthtoolAttr::Pause(EthtoolPauseAttr::Stats(counts));
        assert_eq!(pause_counts(&[stats(vec![])]), (None, None));
        let counted = stats(vec![EthtoolPauseStatAttr::Tx(3), EthtoolPauseStatAttr::Rx(8)]);
        assert_eq!(pause_counts(&[counted]), (Some(8), Some(3)));
    }

    #[test]
    fn combined_and_single_queues_are_added() {
        let told = [
            EthtoolAttr::Channel(EthtoolChannelAttr::CombinedCount(4)),
            EthtoolAttr::Channel(EthtoolChannelAttr::RxCount(2)),
        ];
        assert_eq!(channels(&told), Some(Queues { rx: 6, tx: 4 }));
    }

    #[test]
    fn offloads_are_those_that_are_on() {
        let bit = |name: &str, value| EthtoolFeatureBit { index: 0, name: name.into(), value };
        let active = vec![bit("rx-gro", true), bit("rx-gro-list", false), bit("rx-vlan-hw-parse", true)];
        let told = offloads(&[EthtoolAttr::Feature(EthtoolFeatureAttr::Active(active))]).unwrap();
        assert_eq!(told, Offloads { gro: true, vlan: true, ..Offloads::default() });
    }

    #[test]
    fn only_a_default_route_that_leads_somewhere_counts() {
        let route = |length, kind, attributes| {
            let mut message = RouteMessage::default();
            message.header.destination_prefix_length = length;
            message.header.kind = kind;
            message.attributes = attributes;
            message
        };
        let oif = || vec![RouteAttribute::Oif(3)];
        assert_eq!(default_route(&route(0, RouteType::Unicast, oif())), vec![3]);
        assert_eq!(default_route(&route(24, RouteType::Unicast, oif())), Vec::<u32>::new());
        // IPv6 keeps an unreachable default route on the loopback interface.
        assert_eq!(default_route(&route(0, RouteType::Unreachable, oif())), Vec::<u32>::new());
        let hop = |index| {
            let mut hop = rtnetlink::packet_route::route::RouteNextHop::default();
            hop.interface_index = index;
            hop
        };
        let paths = vec![RouteAttribute::MultiPath(vec![hop(4), hop(9)])];
        assert_eq!(default_route(&route(0, RouteType::Unicast, paths)), vec![4, 9]);
    }
}
