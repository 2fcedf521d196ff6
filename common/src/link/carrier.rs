//! Carrier as it comes and goes, and whether the host itself was the cause.
//!
//! The kernel tells of carrier changes over netlink, at most one round of news a second, so that a short outage may
//! be told only after it is over, as one message. Its counter of losses is exact, however: [`CarrierEvent::losses`]
//! comes from that counter, and [`CarrierWatch::refresh`] asks for it outright.

use std::collections::VecDeque;

use futures_util::StreamExt;
use rtnetlink::MulticastGroup;
use rtnetlink::packet_core::NetlinkPayload;
use rtnetlink::packet_route::link::LinkMessage;
use rtnetlink::packet_route::{AddressFamily, RouteNetlinkMessage};
use rustix::time::{ClockId, clock_gettime};
use serde::{Deserialize, Serialize};
use tokio::sync::mpsc;

use super::decode::{self, Link};
use super::error::LinkError;
use super::query::{Served, link_at, one_link};

/// A carrier that is lost within this time after the host changed the interface (nanoseconds) is taken to be lost
/// by that change: a driver resets its port to change the MTU or to take an XDP program, and the news may be a second
/// late. A judgement, no source.
const RECONFIGURATION_WINDOW: u64 = 3_000_000_000;
/// A machine that was suspended for less (nanoseconds) was not: the two clocks are read one after the other.
const SHORTEST_SUSPENSION: u64 = 50_000_000;

/// What the host itself did to the interface, so that a lost carrier is not the chain's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum HostDid {
    /// Somebody set the interface down here.
    AdminDown,
    /// The interface went away: unplugged, its driver unloaded, or moved to another network namespace.
    Removed,
    /// The MTU or the XDP program was changed, for which many drivers reset the port.
    Reconfigured,
    /// The machine was suspended.
    Suspended,
}

/// A change of an interface's state.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct CarrierEvent {
    /// When this process learned of it: `CLOCK_MONOTONIC`, nanoseconds.
    pub at_ns: u64,
    /// Administratively up and with carrier.
    pub up: bool,
    /// Administratively up.
    pub admin_up: bool,
    /// How often the carrier was lost since the event before. With `up`, an outage that was over before it was told.
    pub losses: u32,
    /// What the host did that explains why the carrier is or was lost; `None` charges it to the chain.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub host: Option<HostDid>,
}

impl CarrierEvent {
    /// Whether carrier was lost and the host is not known to have done it.
    #[must_use]
    pub fn lost_through_chain(&self) -> bool {
        self.losses > 0 && self.host.is_none()
    }
}

/// Watches one interface's carrier from the moment it is opened.
#[derive(Debug)]
pub struct CarrierWatch {
    index: u32,
    news: mpsc::UnboundedReceiver<Stamped>,
    observer: Observer,
    pending: VecDeque<CarrierEvent>,
    _connection: Served,
    _pump: Served,
}

impl CarrierWatch {
    /// Starts to watch the interface `name` of the calling thread's network namespace.
    ///
    /// # Errors
    /// As [`facts`](super::query::facts).
    pub async fn open(name: &str) -> Result<Self, LinkError> {
        let failed = |source| LinkError::Socket { about: format!("carrier of {name}"), source };
        // Joined before the state is asked for, so that nothing falls between.
        let (connection, handle, mut messages) =
            rtnetlink::new_multicast_connection(&[MulticastGroup::Link]).map_err(failed)?;
        let connection = Served(tokio::spawn(connection));
        let link = one_link(name).await?;
        let index = link.index;
        let (sender, news) = mpsc::unbounded_channel();
        // The task stamps as it reads: nobody need be waiting in `next` for the time to be right.
        let pump = tokio::spawn(async move {
            // The connection ends when its last handle does.
            let _handle = handle;
            while let Some((message, _)) = messages.next().await {
                let told = match message.payload {
                    NetlinkPayload::InnerMessage(message) => match read(&message, index) {
                        Some(told) => told,
                        None => continue,
                    },
                    NetlinkPayload::Overrun(_) => Told::Missed,
                    _ => continue,
                };
                if sender.send(Stamped::now(told)).is_err() {
                    break;
                }
            }
        });
        let observer = Observer::new(&link, suspended());
        Ok(Self {
            index,
            news,
            observer,
            pending: VecDeque::new(),
            _connection: connection,
            _pump: Served(pump),
        })
    }

    /// The next event; `None` when there will be none any more, because the interface was removed.
    pub async fn next(&mut self) -> Option<CarrierEvent> {
        loop {
            if let Some(event) = self.pending.pop_front() {
                return Some(event);
            }
            if self.observer.removed {
                return None;
            }
            let news = self.news.recv().await?;
            if news.told == Told::Missed {
                // Best effort: if even this fails, the next message tells the counts.
                let _ = self.refresh().await;
            } else {
                self.take(&news);
            }
        }
    }

    /// An event that is already known, without waiting.
    pub fn try_next(&mut self) -> Option<CarrierEvent> {
        self.drain();
        self.pending.pop_front()
    }

    /// Asks the kernel now, so that a loss that it has not told yet becomes an event. For the end of a trial.
    ///
    /// # Errors
    /// As [`facts`](super::query::facts), except that an interface that is gone is an event and no error.
    pub async fn refresh(&mut self) -> Result<(), LinkError> {
        self.drain();
        let told = link_at(self.index).await?.map_or(Told::Removed, |link| Told::Link(Box::new(link)));
        self.drain();
        self.take(&Stamped::now(told));
        Ok(())
    }

    /// Whether the interface was up with carrier at the last event, or when the watch was opened.
    #[must_use]
    pub fn is_up(&self) -> bool {
        self.observer.up
    }

    fn drain(&mut self) {
        while let Ok(news) = self.news.try_recv() {
            self.take(&news);
        }
    }

    fn take(&mut self, news: &Stamped) {
        self.pending.extend(self.observer.observe(news));
    }
}

/// What the message says of the interface `index`; the bridge's and IPv6's own messages say nothing of its state.
fn read(message: &RouteNetlinkMessage, index: u32) -> Option<Told> {
    let ours = |link: &LinkMessage| {
        link.header.index == index && link.header.interface_family == AddressFamily::Unspec
    };
    match message {
        RouteNetlinkMessage::NewLink(link) if ours(link) => Some(Told::Link(Box::new(decode::link(link)))),
        RouteNetlinkMessage::DelLink(link) if ours(link) => Some(Told::Removed),
        _ => None,
    }
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Told {
    Link(Box<Link>),
    Removed,
    /// The kernel had more news than the socket had room.
    Missed,
}

#[derive(Debug)]
struct Stamped {
    at_ns: u64,
    /// Time that the machine has spent suspended since it started, nanoseconds.
    suspended_ns: u64,
    told: Told,
}

impl Stamped {
    fn now(told: Told) -> Self {
        Self { at_ns: nanoseconds(ClockId::Monotonic), suspended_ns: suspended(), told }
    }
}

fn nanoseconds(clock: ClockId) -> u64 {
    let time = clock_gettime(clock);
    u64::try_from(time.tv_sec).unwrap_or(0) * 1_000_000_000 + u64::try_from(time.tv_nsec).unwrap_or(0)
}

/// `CLOCK_BOOTTIME` runs on in suspension, `CLOCK_MONOTONIC` does not.
fn suspended() -> u64 {
    nanoseconds(ClockId::Boottime).saturating_sub(nanoseconds(ClockId::Monotonic))
}

/// Turns what is told into events. Pure: time is in the news.
#[derive(Debug)]
struct Observer {
    up: bool,
    admin_up: bool,
    mtu: u32,
    xdp_attached: Option<bool>,
    up_count: Option<u32>,
    down_count: Option<u32>,
    suspended_ns: u64,
    /// When the host last changed what drivers reset a port for.
    reconfigured_at: Option<u64>,
    /// Why the carrier is lost, while it is.
    cause: Option<HostDid>,
    removed: bool,
}

impl Observer {
    fn new(link: &Link, suspended_ns: u64) -> Self {
        Self {
            up: link.carrier == Some(true),
            admin_up: link.admin_up,
            mtu: link.mtu,
            xdp_attached: link.xdp_attached,
            up_count: link.carrier_up_count,
            down_count: link.carrier_down_count,
            suspended_ns,
            reconfigured_at: None,
            cause: (!link.admin_up).then_some(HostDid::AdminDown),
            removed: false,
        }
    }

    fn observe(&mut self, news: &Stamped) -> Option<CarrierEvent> {
        if self.removed {
            return None;
        }
        match &news.told {
            Told::Link(link) => self.changed(link, news.at_ns, news.suspended_ns),
            Told::Removed => Some(self.gone(news.at_ns)),
            Told::Missed => None,
        }
    }

    fn gone(&mut self, at_ns: u64) -> CarrierEvent {
        let losses = u32::from(self.up);
        self.removed = true;
        self.up = false;
        self.admin_up = false;
        CarrierEvent { at_ns, up: false, admin_up: false, losses, host: Some(HostDid::Removed) }
    }

    fn changed(&mut self, link: &Link, at_ns: u64, suspended_ns: u64) -> Option<CarrierEvent> {
        if self.is_older(link) {
            return None;
        }
        // A message that does not speak of XDP does not say that it was taken off.
        let xdp_changed = link.xdp_attached.is_some() && link.xdp_attached != self.xdp_attached;
        if link.mtu != self.mtu || xdp_changed {
            self.reconfigured_at = Some(at_ns);
        }
        let was_suspended = suspended_ns.saturating_sub(self.suspended_ns) >= SHORTEST_SUSPENSION;
        let up = link.carrier == Some(true);
        let counted = counted_since(self.down_count, link.carrier_down_count);
        let losses = counted.max(u32::from(self.up && !up));
        if losses > 0 && self.up {
            self.cause = self.explain(link.admin_up, was_suspended, at_ns);
        }
        let event = (losses > 0 || up != self.up || link.admin_up != self.admin_up).then_some(CarrierEvent {
            at_ns,
            up,
            admin_up: link.admin_up,
            losses,
            host: self.cause,
        });
        if up {
            self.cause = None;
        }
        self.up = up;
        self.admin_up = link.admin_up;
        self.mtu = link.mtu;
        self.xdp_attached = link.xdp_attached.or(self.xdp_attached);
        self.up_count = link.carrier_up_count.or(self.up_count);
        self.down_count = link.carrier_down_count.or(self.down_count);
        self.suspended_ns = suspended_ns;
        event
    }

    /// A message from before the state that is already known: its counts are behind.
    fn is_older(&self, link: &Link) -> bool {
        let behind = |told: Option<u32>, known: Option<u32>| {
            // Counts wrap; one that is "ahead" by more than half the range is behind.
            told.zip(known).is_some_and(|(told, known)| told.wrapping_sub(known) > u32::MAX / 2)
        };
        behind(link.carrier_up_count, self.up_count) || behind(link.carrier_down_count, self.down_count)
    }

    fn explain(&self, admin_up: bool, was_suspended: bool, at_ns: u64) -> Option<HostDid> {
        if !admin_up {
            Some(HostDid::AdminDown)
        } else if was_suspended {
            Some(HostDid::Suspended)
        } else if self
            .reconfigured_at
            .is_some_and(|then| at_ns.saturating_sub(then) <= RECONFIGURATION_WINDOW)
        {
            Some(HostDid::Reconfigured)
        } else {
            None
        }
    }
}

fn counted_since(known: Option<u32>, told: Option<u32>) -> u32 {
    known.zip(told).map_or(0, |(known, told)| told.wrapping_sub(known))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::link::counters::Counters;
    use crate::link::facts::LinkKind;

    const SECOND: u64 = 1_000_000_000;

    fn link(admin_up: bool, carrier: bool, ups: u32, downs: u32) -> Link {
        Link {
            name: "kp0".into(),
            index: 5,
            mac: None,
            mtu: 1500,
            kind: LinkKind::Physical,
            master: None,
            peer_index: None,
            admin_up,
            carrier: admin_up.then_some(carrier),
            carrier_changes: Some(ups.wrapping_add(downs)),
            carrier_up_count: Some(ups),
            carrier_down_count: Some(downs),
            xdp_attached: Some(false),
            queues: None,
            counters: Counters::default(),
        }
    }

    fn news(at_ns: u64, told: Told) -> Stamped {
        Stamped { at_ns, suspended_ns: 0, told }
    }

    fn told(at_ns: u64, admin_up: bool, carrier: bool, ups: u32, downs: u32) -> Stamped {
        news(at_ns, Told::Link(Box::new(link(admin_up, carrier, ups, downs))))
    }

    fn observer() -> Observer {
        Observer::new(&link(true, true, 1, 0), 0)
    }

    #[test]
    fn a_pulled_cable_is_the_chains() {
        let mut observer = observer();
        let event = observer.observe(&told(10, true, false, 1, 1)).unwrap();
        assert_eq!(event, CarrierEvent { at_ns: 10, up: false, admin_up: true, losses: 1, host: None });
        assert!(event.lost_through_chain());
        let event = observer.observe(&told(20, true, true, 2, 1)).unwrap();
        assert_eq!(event, CarrierEvent { at_ns: 20, up: true, admin_up: true, losses: 0, host: None });
        assert!(!event.lost_through_chain());
    }

    #[test]
    fn news_without_change_is_no_event() {
        let mut observer = observer();
        assert_eq!(observer.observe(&told(10, true, true, 1, 0)), None);
        assert_eq!(observer.observe(&news(11, Told::Missed)), None);
    }

    #[test]
    fn an_outage_that_was_over_before_it_was_told_is_not_overlooked() {
        let mut observer = observer();
        let event = observer.observe(&told(10, true, true, 4, 3)).unwrap();
        assert_eq!(event, CarrierEvent { at_ns: 10, up: true, admin_up: true, losses: 3, host: None });
        assert!(event.lost_through_chain());
    }

    #[test]
    fn the_host_is_charged_from_admin_down_until_the_carrier_is_back() {
        let mut observer = observer();
        let event = observer.observe(&told(10, false, false, 1, 1)).unwrap();
        assert_eq!((event.losses, event.host, event.admin_up), (1, Some(HostDid::AdminDown), false));
        // Set up again; negotiation takes its time.
        let event = observer.observe(&told(20, true, false, 1, 1)).unwrap();
        assert_eq!((event.losses, event.host, event.up), (0, Some(HostDid::AdminDown), false));
        let event = observer.observe(&told(30, true, true, 2, 1)).unwrap();
        assert_eq!((event.host, event.up), (Some(HostDid::AdminDown), true));
        let event = observer.observe(&told(40, true, false, 2, 2)).unwrap();
        assert!(event.lost_through_chain(), "the next loss is judged on its own");
    }

    #[test]
    fn a_driver_that_keeps_the_carrier_through_admin_down_loses_it_all_the_same() {
        let mut observer = observer();
        let event = observer.observe(&told(10, false, true, 1, 0)).unwrap();
        assert_eq!((event.up, event.losses, event.host), (false, 1, Some(HostDid::AdminDown)));
    }

    #[test]
    fn admin_down_after_the_cable_was_pulled_does_not_excuse_the_chain() {
        let mut observer = observer();
        assert!(observer.observe(&told(10, true, false, 1, 1)).unwrap().lost_through_chain());
        let event = observer.observe(&told(20, false, false, 1, 1)).unwrap();
        assert_eq!((event.losses, event.host), (0, None));
    }

    #[test]
    fn a_removed_interface_is_the_hosts_and_the_last_event() {
        let mut observer = observer();
        let event = observer.observe(&news(10, Told::Removed)).unwrap();
        assert_eq!(event.host, Some(HostDid::Removed));
        assert_eq!(event.losses, 1);
        assert_eq!(observer.observe(&told(20, true, true, 2, 1)), None);
    }

    #[test]
    fn a_reset_for_a_new_mtu_or_xdp_program_is_the_hosts_for_a_while() {
        for change in [|link: &mut Link| link.mtu = 9000, |link: &mut Link| link.xdp_attached = Some(true)] {
            let mut observer = observer();
            let changed = |at_ns, carrier, ups, downs| {
                let mut link = link(true, carrier, ups, downs);
                change(&mut link);
                news(at_ns, Told::Link(Box::new(link)))
            };
            assert_eq!(observer.observe(&changed(SECOND, true, 1, 0)), None);
            let event = observer.observe(&changed(2 * SECOND, false, 1, 1)).unwrap();
            assert_eq!(event.host, Some(HostDid::Reconfigured));
            assert_eq!(observer.observe(&changed(5 * SECOND, true, 2, 1)).unwrap().losses, 0);
            let event = observer.observe(&changed(60 * SECOND, false, 2, 2)).unwrap();
            assert!(event.lost_through_chain());
        }
    }

    #[test]
    fn a_loss_over_a_suspension_is_the_hosts() {
        let mut observer = observer();
        let mut stamped = told(10, true, false, 1, 1);
        stamped.suspended_ns = 20 * SECOND;
        assert_eq!(observer.observe(&stamped).unwrap().host, Some(HostDid::Suspended));
        // Awake: the offset stays, and the next loss is the chain's.
        let mut stamped = told(20, true, true, 2, 1);
        stamped.suspended_ns = 20 * SECOND;
        observer.observe(&stamped);
        let mut stamped = told(30, true, false, 2, 2);
        stamped.suspended_ns = 20 * SECOND;
        assert!(observer.observe(&stamped).unwrap().lost_through_chain());
    }

    #[test]
    fn a_message_from_before_the_known_state_is_passed_over() {
        let mut observer = Observer::new(&link(true, false, 1, 1), 0);
        assert_eq!(observer.observe(&told(10, true, true, 1, 0)), None);
        // But a count that wraps is news.
        let mut observer = Observer::new(&link(true, true, 1, u32::MAX), 0);
        assert_eq!(observer.observe(&told(10, true, false, 1, 0)).unwrap().losses, 1);
    }

    #[test]
    fn without_counts_the_states_still_tell() {
        let bare =
            |carrier| Link { carrier_up_count: None, carrier_down_count: None, ..link(true, carrier, 0, 0) };
        let mut observer = Observer::new(&bare(true), 0);
        assert_eq!(observer.observe(&news(10, Told::Link(Box::new(bare(false))))).unwrap().losses, 1);
        assert!(observer.observe(&news(20, Told::Link(Box::new(bare(true))))).unwrap().up);
    }

    #[test]
    fn the_bridges_messages_and_other_interfaces_say_nothing() {
        let mut message = LinkMessage::default();
        message.header.index = 5;
        assert_eq!(read(&RouteNetlinkMessage::DelLink(message.clone()), 5), Some(Told::Removed));
        assert_eq!(read(&RouteNetlinkMessage::DelLink(message.clone()), 6), None);
        message.header.interface_family = AddressFamily::Bridge;
        assert_eq!(read(&RouteNetlinkMessage::DelLink(message), 5), None);
    }
}
