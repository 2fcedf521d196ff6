//! What each counter means for a missing frame, and how much a port may have dropped itself.
//!
//! The counters of an interface see other traffic than the test too, so that they only bound what the port may have
//! dropped. Several of them may count one event; a bound counts it at one place:
//!
//! - `rx_missed`, `rx_fifo` and `rx_over` are one event in most drivers that fill more than one of them: the largest
//!   stands for all three.
//! - `softnet_dropped` is part of the receiving interface's `rx_dropped` (the kernel raises both when a processor's
//!   backlog queue is full), and of every other interface's too: it counts only where `rx_dropped` is unknown.
//! - `tx_errors` includes `tx_aborted`, `tx_fifo` and `tx_carrier`; a driver that fills only the parts is believed too.
//! - `rx_errors` includes the damage (`rx_crc`, `rx_frame_align`, `rx_length`) and in some drivers the overruns; what
//!   is left is damage without a name of its own (symbol errors, for instance).
//! - Between the two ends of one veth, the sender's `tx_dropped` and the receiver's `rx_dropped` are one event:
//!   [`direction`] takes the larger.
//!
//! Definitions: the comments of `linux/if_link.h`. What drivers make of them: common practice, no source.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::counters::Counters;
use super::facts::{LinkKind, is_hypervisor_driver};

/// What a counter says about a missing frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Meaning {
    /// Sees nothing but test frames: a term of the identity. No counter of an interface is one; sockets, rings and
    /// maps of ours are.
    Term,
    /// Sees other frames too: an upper bound on what the port dropped.
    Bound,
    /// Counts frames that were damaged on the way to the port: named, and never an excuse for the kit.
    Damage,
    /// Counts events that the named counter has counted already; counts itself only where that one is unknown or less.
    PartOf(&'static str),
    /// Says something of the circumstances, nothing of a drop.
    Context,
}

/// On which of a port's two ways a counter counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// Frames that arrive: forward at the reflector, return at the generator.
    Receive,
    /// Frames that depart: forward at the generator, return at the reflector.
    Transmit,
    /// Neither in particular.
    Both,
}

/// One counter's meaning.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Entry {
    /// The field of [`Counters`].
    pub name: &'static str,
    /// What it says about a missing frame.
    pub meaning: Meaning,
    /// On which way.
    pub way: Way,
}

const fn entry(name: &'static str, meaning: Meaning, way: Way) -> Entry {
    Entry { name, meaning, way }
}

/// Every counter of [`Counters`] and what it means.
pub const TABLE: &[Entry] = &[
    entry("rx_frames", Meaning::Context, Way::Receive),
    entry("tx_frames", Meaning::Context, Way::Transmit),
    entry("rx_octets", Meaning::Context, Way::Receive),
    entry("tx_octets", Meaning::Context, Way::Transmit),
    entry("rx_errors", Meaning::Damage, Way::Receive),
    entry("tx_errors", Meaning::Bound, Way::Transmit),
    entry("rx_dropped", Meaning::Bound, Way::Receive),
    entry("tx_dropped", Meaning::Bound, Way::Transmit),
    entry("rx_missed", Meaning::Bound, Way::Receive),
    entry("rx_fifo", Meaning::PartOf("rx_missed"), Way::Receive),
    entry("rx_over", Meaning::PartOf("rx_missed"), Way::Receive),
    entry("rx_crc", Meaning::Damage, Way::Receive),
    entry("rx_frame_align", Meaning::Damage, Way::Receive),
    entry("rx_length", Meaning::Damage, Way::Receive),
    // Only an inactive member of a bond has it, and a member is refused before the first trial.
    entry("rx_nohandler", Meaning::Context, Way::Receive),
    entry("tx_aborted", Meaning::PartOf("tx_errors"), Way::Transmit),
    // Lost carrier is judged as lost carrier: charged to the chain unless the host did it.
    entry("tx_carrier", Meaning::Damage, Way::Transmit),
    entry("tx_fifo", Meaning::PartOf("tx_errors"), Way::Transmit),
    // A collision alone is repeated by the MAC; the frame is lost only when it gives up (`tx_aborted`).
    entry("collisions", Meaning::Context, Way::Both),
    entry("pause_rx", Meaning::Context, Way::Receive),
    entry("pause_tx", Meaning::Context, Way::Transmit),
    entry("softnet_dropped", Meaning::PartOf("rx_dropped"), Way::Receive),
    entry("softnet_squeezed", Meaning::Context, Way::Receive),
    entry("carrier_changes", Meaning::Context, Way::Both),
];

/// How much one port may have dropped during a trial.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct PortDrops {
    /// At most so many frames that arrived were dropped here.
    pub receive_bound: u64,
    /// Whether the port is known to count what it drops of arriving frames; if not, the bound bounds nothing.
    pub receive_known: bool,
    /// At most so many frames that were to depart were dropped here.
    pub transmit_bound: u64,
    /// Whether the port is known to count what it drops of departing frames.
    pub transmit_known: bool,
    /// Frames that the NIC threw away as damaged, by counter; zeros are left out.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub caught_by_nic: BTreeMap<String, u64>,
    /// The two bounds by place; the places sum up to the bounds, zeros are left out.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub places: BTreeMap<String, u64>,
}

/// Reads the gain of a port's counters over a trial ([`Counters::since`]) as an upper bound of its drops.
#[must_use]
pub fn bounds(delta: &Counters, kind: &LinkKind) -> PortDrops {
    let of = |counter: Option<u64>| counter.unwrap_or(0);
    let mut drops = PortDrops::default();

    let overrun = [("rx_missed", delta.rx_missed), ("rx_fifo", delta.rx_fifo), ("rx_over", delta.rx_over)];
    // The first of equals, so that the usual name is given.
    let (overrun_name, overrun) = overrun
        .into_iter()
        .map(|(name, counter)| (name, of(counter)))
        .reduce(|largest, next| if next.1 > largest.1 { next } else { largest })
        .unwrap_or(("rx_missed", 0));
    drops.receive(overrun_name, overrun);
    match delta.rx_dropped {
        Some(dropped) => drops.receive("rx_dropped", dropped),
        None => drops.receive("softnet_dropped", of(delta.softnet_dropped)),
    }

    drops.transmit("tx_dropped", of(delta.tx_dropped));
    let carrier = of(delta.tx_carrier);
    let parts = of(delta.tx_aborted).saturating_add(of(delta.tx_fifo));
    drops.transmit("tx_errors", of(delta.tx_errors).saturating_sub(carrier).max(parts));

    let named = [
        ("rx_crc", of(delta.rx_crc)),
        ("rx_frame_align", of(delta.rx_frame_align)),
        ("rx_length", of(delta.rx_length)),
    ];
    let explained = named.iter().fold(overrun, |sum, (_, count)| sum.saturating_add(*count));
    for (name, count) in named {
        drops.caught(name, count);
    }
    drops.caught("rx_errors_unnamed", of(delta.rx_errors).saturating_sub(explained));
    drops.caught("tx_carrier", carrier);

    let known = match kind {
        LinkKind::Physical | LinkKind::Veth | LinkKind::Loopback => delta.counts_drops,
        LinkKind::Bridge | LinkKind::Bond | LinkKind::Wifi | LinkKind::Other(_) => false,
    };
    // A driver's device counters matter on the receiving side only if they are there to be read.
    drops.receive_known = known && delta.rx_dropped.is_some() && delta.rx_missed.is_some();
    drops.transmit_known = known && delta.tx_dropped.is_some() && delta.tx_errors.is_some();
    drops
}

impl PortDrops {
    fn receive(&mut self, place: &str, count: u64) {
        self.receive_bound = self.receive_bound.saturating_add(count);
        note(&mut self.places, place, count);
    }

    fn transmit(&mut self, place: &str, count: u64) {
        self.transmit_bound = self.transmit_bound.saturating_add(count);
        note(&mut self.places, place, count);
    }

    fn caught(&mut self, place: &str, count: u64) {
        note(&mut self.caught_by_nic, place, count);
    }
}

fn note(places: &mut BTreeMap<String, u64>, place: &str, count: u64) {
    if count > 0 {
        places.insert(place.to_owned(), count);
    }
}

/// At most so many frames of one direction were dropped by the two ports, each drop counted at one place.
///
/// `refused` are the sends that the kernel refused and that the sending port has counted itself (`ENOBUFS`): a veth
/// whose far backlog is full refuses the send *and* raises `tx_dropped` here and `rx_dropped` there. With `one_veth`
/// (see [`LinkFacts::is_veth_peer_of`](super::facts::LinkFacts::is_veth_peer_of)) the two ends' counters are one event.
///
/// The caller still limits the bound to what is missing: other traffic raises these counters too.
#[must_use]
pub fn direction(sender: &PortDrops, receiver: &PortDrops, refused: u64, one_veth: bool) -> u64 {
    if one_veth {
        sender.transmit_bound.max(receiver.receive_bound).saturating_sub(refused)
    } else {
        sender.transmit_bound.saturating_sub(refused).saturating_add(receiver.receive_bound)
    }
}

/// Whether a port of this kind and driver is known to count the frames it has no room for.
///
/// Software interfaces that end in this kernel do. Of drivers, those named here fill `rx_missed` or its synonyms from
/// the hardware (common practice, no source, and not complete). `seen` says that the port has already counted an
/// overrun since it exists, which proves that it can. A hypervisor's port cannot know what the hypervisor dropped, and
/// a driver that is not named has not been looked at: a zero of theirs says nothing.
#[must_use]
pub fn counts_drops(kind: &LinkKind, driver: Option<&str>, seen: bool) -> bool {
    match kind {
        LinkKind::Veth | LinkKind::Loopback => true,
        LinkKind::Physical => match driver {
            Some(driver) if is_hypervisor_driver(driver) => false,
            Some(driver) if COUNTING_DRIVERS.contains(&driver) => true,
            _ => seen,
        },
        LinkKind::Bridge | LinkKind::Bond | LinkKind::Wifi | LinkKind::Other(_) => false,
    }
}

const COUNTING_DRIVERS: &[&str] = &[
    "alx",
    "atl1c",
    "atlantic",
    "be2net",
    "bnx2",
    "bnx2x",
    "bnxt_en",
    "cxgb4",
    "e1000",
    "e1000e",
    "fm10k",
    "i40e",
    "ice",
    "igb",
    "igc",
    "ixgbe",
    "mlx4_en",
    "mlx5_core",
    "ngbe",
    "qede",
    "r8169",
    "sfc",
    "tg3",
    "txgbe",
];

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn zeros() -> Counters {
        let fields: serde_json::Map<String, serde_json::Value> =
            Counters::default().iter().map(|(name, _)| (name.to_owned(), 0.into())).collect();
        Counters { counts_drops: true, ..serde_json::from_value(fields.into()).unwrap() }
    }

    fn with(name: &str, count: u64) -> Counters {
        let mut fields = serde_json::to_value(zeros()).unwrap();
        fields[name] = count.into();
        serde_json::from_value(fields).unwrap()
    }

    #[test]
    fn the_table_names_every_counter_once_and_in_order() {
        let names: Vec<_> = Counters::default().iter().map(|(name, _)| name).collect();
        let table: Vec<_> = TABLE.iter().map(|entry| entry.name).collect();
        assert_eq!(table, names);
    }

    /// The rows of the table against what `bounds` does with each counter alone.
    #[test]
    fn each_counter_alone_has_the_effect_that_the_table_gives_it() {
        for Entry { name, meaning, way } in TABLE {
            let drops = bounds(&with(name, 7), &LinkKind::Physical);
            let caught: u64 = drops.caught_by_nic.values().sum();
            // softnet_dropped is wholly inside a rx_dropped that is known.
            let counted = match meaning {
                Meaning::Bound => true,
                Meaning::PartOf(whole) => *whole != "rx_dropped",
                Meaning::Damage | Meaning::Context | Meaning::Term => false,
            };
            let expected = if counted { 7 } else { 0 };
            let (receive, transmit) = match way {
                Way::Receive => (expected, 0),
                Way::Transmit => (0, expected),
                Way::Both => (0, 0),
            };
            assert_eq!((drops.receive_bound, drops.transmit_bound), (receive, transmit), "{name}");
            assert_eq!(caught, if *meaning == Meaning::Damage { 7 } else { 0 }, "{name}");
        }
    }

    #[test]
    fn one_overrun_counted_under_three_names_is_one_drop() {
        let delta = Counters { rx_missed: Some(5), rx_fifo: Some(5), rx_over: Some(5), ..zeros() };
        let drops = bounds(&delta, &LinkKind::Physical);
        assert_eq!(drops.receive_bound, 5);
        assert_eq!(drops.places, BTreeMap::from([("rx_missed".to_owned(), 5)]));
        let delta = Counters { rx_missed: Some(2), rx_fifo: Some(9), rx_over: Some(9), ..zeros() };
        assert_eq!(bounds(&delta, &LinkKind::Physical).places, BTreeMap::from([("rx_fifo".to_owned(), 9)]));
    }

    #[test]
    fn a_backlog_drop_is_counted_once_though_softnet_counts_it_too() {
        let delta = Counters { rx_dropped: Some(4), softnet_dropped: Some(90), ..zeros() };
        assert_eq!(bounds(&delta, &LinkKind::Veth).receive_bound, 4);
        let unknown = Counters { rx_dropped: None, ..delta };
        let drops = bounds(&unknown, &LinkKind::Veth);
        assert_eq!((drops.receive_bound, drops.receive_known), (90, false));
    }

    #[test]
    fn damage_is_named_and_excuses_nothing() {
        let delta = Counters {
            rx_errors: Some(12),
            rx_crc: Some(5),
            rx_frame_align: Some(1),
            rx_length: Some(2),
            rx_missed: Some(3),
            ..zeros()
        };
        let drops = bounds(&delta, &LinkKind::Physical);
        assert_eq!(drops.receive_bound, 3, "only the overrun");
        // 12 - 5 - 1 - 2 - 3: a driver may count the overruns as errors too.
        let expected = [("rx_crc", 5), ("rx_errors_unnamed", 1), ("rx_frame_align", 1), ("rx_length", 2)];
        assert_eq!(drops.caught_by_nic, expected.map(|(name, count)| (name.to_owned(), count)).into());
    }

    #[test]
    fn transmit_errors_count_once_and_lost_carrier_not_at_all() {
        let delta = Counters { tx_errors: Some(9), tx_carrier: Some(4), tx_fifo: Some(5), ..zeros() };
        let drops = bounds(&delta, &LinkKind::Physical);
        assert_eq!(drops.transmit_bound, 5);
        assert_eq!(drops.caught_by_nic, BTreeMap::from([("tx_carrier".to_owned(), 4)]));
        let only_parts = Counters { tx_errors: Some(0), tx_fifo: Some(2), tx_aborted: Some(1), ..zeros() };
        assert_eq!(bounds(&only_parts, &LinkKind::Physical).transmit_bound, 3);
    }

    #[test]
    fn an_unknown_counter_makes_the_bound_unknown() {
        let drops = bounds(&zeros(), &LinkKind::Veth);
        assert!(drops.receive_known && drops.transmit_known);
        let drops = bounds(&Counters { rx_dropped: None, ..zeros() }, &LinkKind::Veth);
        assert!(!drops.receive_known && drops.transmit_known);
        let drops = bounds(&Counters { tx_dropped: None, ..zeros() }, &LinkKind::Veth);
        assert!(drops.receive_known && !drops.transmit_known);
        let drops = bounds(&Counters { counts_drops: false, ..zeros() }, &LinkKind::Physical);
        assert!(!drops.receive_known && !drops.transmit_known);
        let drops = bounds(&zeros(), &LinkKind::Other("macvlan".into()));
        assert!(!drops.receive_known && !drops.transmit_known);
    }

    #[test]
    fn a_drop_between_the_ends_of_one_veth_is_one_drop() {
        let sender = PortDrops { transmit_bound: 10, ..PortDrops::default() };
        let receiver = PortDrops { receive_bound: 10, ..PortDrops::default() };
        assert_eq!(direction(&sender, &receiver, 0, true), 10);
        assert_eq!(direction(&sender, &receiver, 10, true), 0, "the sender was told of all ten");
        assert_eq!(direction(&sender, &receiver, 0, false), 20);
        assert_eq!(direction(&sender, &receiver, 10, false), 10);
        assert_eq!(
            direction(&sender, &receiver, 25, false),
            10,
            "what the far port dropped was not refused here"
        );
    }

    #[test]
    fn only_ports_that_were_looked_at_are_known_to_count() {
        assert!(counts_drops(&LinkKind::Veth, Some("veth"), false));
        assert!(counts_drops(&LinkKind::Physical, Some("igb"), false));
        assert!(!counts_drops(&LinkKind::Physical, Some("asix"), false));
        assert!(counts_drops(&LinkKind::Physical, Some("asix"), true));
        assert!(!counts_drops(&LinkKind::Physical, Some("virtio_net"), true));
        assert!(!counts_drops(&LinkKind::Physical, None, false));
        assert!(!counts_drops(&LinkKind::Wifi, Some("iwlwifi"), true));
    }

    proptest! {
        /// The places are the bounds, split; no counter is worth more than itself.
        #[test]
        fn places_sum_up_to_the_bounds(values in proptest::collection::vec(proptest::option::of(0u64..1_000), 24)) {
            let mut fields = serde_json::Map::new();
            for ((name, _), value) in Counters::default().iter().zip(&values) {
                if let Some(value) = value {
                    fields.insert(name.to_owned(), (*value).into());
                }
            }
            let delta: Counters = serde_json::from_value(fields.into()).unwrap();
            let drops = bounds(&delta, &LinkKind::Physical);
            prop_assert_eq!(drops.places.values().sum::<u64>(), drops.receive_bound + drops.transmit_bound);
            let everything: u64 = values.iter().flatten().sum();
            prop_assert!(drops.receive_bound + drops.transmit_bound <= everything);
        }
    }
}
