//! What would help on this machine, from what it tells.

use super::machine::{Governor, ThisHost};
use super::setting::{Changed, Port, Setting, Value, ranges, summarised};
use crate::host;
use crate::link::facts::EVERY_FRAME;
use crate::link::{LinkFacts, NicStamps, Point, Rings, State};

/// The governor that keeps a processor at its highest frequency.
const FAST: &str = "performance";
/// A longer delay from a frame to its interrupt is worth shortening, to this, in microseconds: at 1 Gb/s it is the time of
/// 30 frames of 64 bytes (common practice, no source).
const SHORT_DELAY: u32 = 20;
/// From so many processors on two can be kept free.
const SEVERAL: usize = 4;

/// Drivers whose delays of 1 to 4 us are no times but ways to vary them (by their sources, from memory).
fn has_modes(driver: &str) -> bool {
    matches!(driver, "e1000" | "e1000e" | "igb" | "igc")
}

/// What the host tells of its settings. What it does not tell is `None` or not in the list.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TuneFacts {
    /// The port under test; `None` over a routed path.
    pub port: Option<Port>,
    /// No hardware behind the port.
    pub is_virtual: bool,
    /// Its descriptor rings.
    pub rings: Option<Rings>,
    /// How it coalesces its receive interrupts.
    pub coalescing: Option<Value>,
    /// Its shortest delays are modes of the driver, in which it varies them by itself.
    pub delay_has_modes: bool,
    /// The NIC can stamp every frame.
    pub can_stamp: bool,
    /// Which frames it stamps.
    pub stamping: Option<Value>,
    /// How the processors choose their frequency.
    pub governors: Vec<Governor>,
    /// The processors kept free of other work, as the kernel lists them.
    pub isolated: Option<String>,
    /// The processors that this process may use.
    pub processors: Vec<usize>,
}

impl TuneFacts {
    /// Asks the host; `link` is the port under test, if there is one.
    #[must_use]
    pub fn of(host: &ThisHost, link: Option<&LinkFacts>) -> Self {
        let port = link.map(|link| Port { name: link.name.clone(), index: link.index });
        Self {
            is_virtual: link.is_some_and(LinkFacts::is_virtual),
            rings: link.and_then(|link| link.rings),
            coalescing: port.as_ref().and_then(|port| host.coalescing(port)),
            delay_has_modes: link.and_then(|link| link.driver.as_deref()).is_some_and(has_modes),
            can_stamp: link.and_then(|link| link.stamping).is_some_and(|can| can.nic == NicStamps::All),
            stamping: port.as_ref().and_then(|port| host.stamping(port)),
            port,
            governors: host.governors(),
            isolated: host.isolated(),
            processors: host::processors(),
        }
    }
}

/// A setting that would be better with another value.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Proposal {
    /// What is set.
    pub setting: Setting,
    /// The value now.
    pub from: Value,
    /// The value that would help.
    pub to: Value,
}

/// What would help and can be set while the machine runs, in the order in which it is to be set: the port's first, which
/// may take its link down for a while.
#[must_use]
pub fn propose(facts: &TuneFacts) -> Vec<Proposal> {
    let mut proposals = Vec::new();
    if let Some(port) = &facts.port {
        let longer = facts.rings.and_then(longer);
        proposals.extend(longer.map(|(from, to)| Proposal {
            setting: Setting::Rings(port.clone()),
            from,
            to,
        }));
        let sooner = facts.coalescing.as_ref().and_then(sooner);
        proposals.extend(sooner.map(|(from, to)| Proposal {
            setting: Setting::Coalescing(port.clone()),
            from,
            to,
        }));
        let stamped = facts.stamping.as_ref().filter(|_| facts.can_stamp).and_then(stamped);
        proposals.extend(stamped.map(|(from, to)| Proposal {
            setting: Setting::Stamping(port.clone()),
            from,
            to,
        }));
    }
    let slow = facts
        .governors
        .iter()
        .filter(|governor| governor.now != FAST && governor.available.iter().any(|name| name == FAST));
    proposals.extend(slow.map(|governor| Proposal {
        setting: Setting::Governor { cpu: governor.cpu },
        from: Value::Governor(governor.now.clone()),
        to: Value::Governor(FAST.to_owned()),
    }));
    proposals
}

/// The rings as long as they can be, if they are not.
fn longer(rings: Rings) -> Option<(Value, Value)> {
    let from = Value::Rings { receive: rings.rx, send: rings.tx };
    // A driver that knows one ring only says 0 of the other.
    let to = Value::Rings { receive: rings.rx.max(rings.rx_max), send: rings.tx.max(rings.tx_max) };
    (from != to).then_some((from, to))
}

/// A short and steady delay, if it is not.
fn sooner(present: &Value) -> Option<(Value, Value)> {
    let Value::Coalescing { adaptive, usecs } = *present else { return None };
    // With an adaptive delay the fixed one is often 0 because nobody uses it; an interrupt for each frame is not meant.
    let usecs = if adaptive && usecs == 0 { SHORT_DELAY } else { usecs.min(SHORT_DELAY) };
    let to = Value::Coalescing { adaptive: false, usecs };
    (*present != to).then(|| (present.clone(), to))
}

/// Stamps of every frame, if there are none or fewer.
fn stamped(present: &Value) -> Option<(Value, Value)> {
    let (send, receive) = EVERY_FRAME;
    let to = Value::Stamping { send, receive };
    (*present != to).then(|| (present.clone(), to))
}

/// The points of the preflight: what can be tuned, how it stands, and what to do about it.
#[must_use]
pub fn points(facts: &TuneFacts) -> Vec<Point> {
    let proposals = propose(facts);
    let mut points = Vec::new();
    if let Some(port) = &facts.port {
        let rings = facts.rings.map(|rings| Value::Rings { receive: rings.rx, send: rings.tx });
        let silent = if facts.is_virtual { State::Note } else { State::Unknown };
        for (name, setting, value) in [
            ("tune: rings", Setting::Rings(port.clone()), &rings),
            ("tune: interrupts", Setting::Coalescing(port.clone()), &facts.coalescing),
        ] {
            let proposal = proposals.iter().find(|proposal| proposal.setting == setting);
            points.push(match (proposal, value) {
                (Some(proposal), _) => helps(name, &[proposal]),
                (None, Some(Value::Coalescing { usecs: mode @ 1..=4, .. })) if facts.delay_has_modes => {
                    let steady = Value::Coalescing { adaptive: false, usecs: SHORT_DELAY };
                    Point::new(
                        name,
                        State::Note,
                        format!("the driver varies the delay by itself (its mode {mode})"),
                    )
                    .advise(format!("for a short and steady one: {}", setting.command(&steady)))
                }
                (None, Some(value)) => Point::good(name, value.to_string()),
                (None, None) => Point::new(name, silent, "the driver does not tell"),
            });
        }
    }
    let stamping = proposals.iter().find(|one| matches!(one.setting, Setting::Stamping(_)));
    points.extend(stamping.map(|proposal| helps("tune: time stamps", &[proposal])));
    points.push(governor(facts, &proposals));
    points.push(isolation(facts));
    points
}

fn helps(name: &str, proposals: &[&Proposal]) -> Point {
    let changes = summarised(proposals.iter().map(|one| (&one.setting, &one.from, &one.to)));
    let found: Vec<String> = changes.iter().map(Changed::to_string).collect();
    let first = proposals[0];
    Point::new(name, State::Note, found.join("; ")).advise(format!(
        "{}: --tune sets it for the run and puts it back, or: {}",
        first.setting.why(),
        first.setting.command(&first.to)
    ))
}

fn governor(facts: &TuneFacts, proposals: &[Proposal]) -> Point {
    let name = "tune: governor";
    let slow: Vec<&Proposal> =
        proposals.iter().filter(|one| matches!(one.setting, Setting::Governor { .. })).collect();
    if !slow.is_empty() {
        return helps(name, &slow);
    }
    let others: Vec<u32> = facts.governors.iter().filter(|one| one.now != FAST).map(|one| one.cpu).collect();
    match (facts.governors.is_empty(), others.is_empty()) {
        (true, _) => {
            Point::new(name, State::Unknown, "the kernel tells of none; a hypervisor or the firmware decides")
        }
        (false, true) => Point::good(name, FAST),
        (false, false) => {
            Point::new(name, State::Unknown, format!("cpu{} offers no {FAST}", ranges(&others)))
        }
    }
}

/// Advice only: a running machine cannot be told to keep processors free.
fn isolation(facts: &TuneFacts) -> Point {
    let name = "tune: isolation";
    let found = match facts.isolated.as_deref() {
        None => return Point::new(name, State::Unknown, "the kernel does not tell"),
        Some("") => "no processor is kept free of other work",
        Some(free) => {
            return Point::new(name, State::Note, format!("processors {free} are kept free of other work"))
                .advise(format!("they are used by who asks for them: taskset -c {free} kitproof …"));
        }
    };
    let point = Point::new(name, State::Note, found);
    match facts.processors.as_slice() {
        all @ [.., one, other] if all.len() >= SEVERAL => point.advise(format!(
            "if the pair is often told that it stalled: boot with isolcpus={one},{other} on the kernel's command line \
             (it cannot be set while the machine runs), then taskset -c {one},{other} kitproof …"
        )),
        _ => point,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn policy(cpu: u32, now: &str, available: &str) -> Governor {
        let available = available.split(' ').map(str::to_owned).collect();
        Governor { cpu, now: now.into(), available }
    }

    fn port() -> Port {
        Port { name: "eth1".into(), index: 3 }
    }

    /// A machine as it comes out of its box.
    fn lazy() -> TuneFacts {
        TuneFacts {
            port: Some(port()),
            is_virtual: false,
            rings: Some(Rings { rx: 256, rx_max: 4096, tx: 256, tx_max: 2048 }),
            coalescing: Some(Value::Coalescing { adaptive: true, usecs: 50 }),
            delay_has_modes: false,
            can_stamp: true,
            stamping: Some(Value::Stamping { send: 0, receive: 0 }),
            governors: vec![
                policy(0, "powersave", "performance powersave"),
                policy(1, "powersave", "performance powersave"),
            ],
            isolated: Some(String::new()),
            processors: vec![0, 1, 2, 3],
        }
    }

    fn told(facts: &TuneFacts) -> Vec<(String, State)> {
        points(facts).into_iter().map(|point| (point.name, point.state)).collect()
    }

    #[test]
    fn everything_that_would_help_is_proposed() {
        let proposals = propose(&lazy());
        let told: Vec<String> = summarised(proposals.iter().map(|one| (&one.setting, &one.from, &one.to)))
            .iter()
            .map(Changed::to_string)
            .collect();
        assert_eq!(
            told,
            [
                "rings of eth1: receive 256, send 256 -> receive 4096, send 2048",
                "interrupt coalescing of eth1: adaptive -> 20 us",
                "time stamps of eth1: none -> every frame",
                "governor of cpu0-1: powersave -> performance",
            ]
        );
        for point in points(&lazy()) {
            assert_eq!(point.state, State::Note, "{point:?}");
            let advice = point.advice.unwrap();
            assert_eq!(advice.contains("--tune"), point.name != "tune: isolation", "{advice}");
        }
    }

    #[test]
    fn what_is_not_told_is_neither_proposed_nor_invented() {
        let silent = TuneFacts { port: Some(port()), ..TuneFacts::default() };
        assert_eq!(propose(&silent), []);
        let state =
            |found: Vec<(String, State)>| found.into_iter().map(|(_, state)| state).collect::<Vec<_>>();
        assert_eq!(state(told(&silent)), [State::Unknown; 4]);
        // A veth has neither rings nor interrupts.
        let cable = TuneFacts { is_virtual: true, ..silent };
        assert_eq!(state(told(&cable)), [State::Note, State::Note, State::Unknown, State::Unknown]);
        // A routed path has no port; the host is what it is.
        assert_eq!(told(&TuneFacts::default()).len(), 2);
    }

    #[test]
    fn only_a_governor_that_is_offered_is_proposed() {
        let facts =
            TuneFacts { governors: vec![policy(0, "userspace", "userspace")], ..TuneFacts::default() };
        assert_eq!(propose(&facts), []);
        assert_eq!(told(&facts)[0], ("tune: governor".to_owned(), State::Unknown));
        let facts = TuneFacts { governors: vec![policy(0, FAST, "performance powersave")], ..facts };
        assert_eq!(propose(&facts), []);
        assert_eq!(told(&facts)[0].1, State::Good);
    }

    #[test]
    fn a_delay_is_made_short_and_steady_and_never_nothing() {
        let fixed = |usecs| Value::Coalescing { adaptive: false, usecs };
        let adaptive = |usecs| Value::Coalescing { adaptive: true, usecs };
        let to = |present| sooner(&present).map(|(_, to)| to);
        assert_eq!(to(fixed(125)), Some(fixed(20)));
        assert_eq!(to(adaptive(8)), Some(fixed(8)));
        assert_eq!(to(adaptive(0)), Some(fixed(20)));
        // 1 and 3 are modes of their own with some drivers; whoever has set 0 meant it.
        for left in [0, 1, 3, 20] {
            assert_eq!(to(fixed(left)), None);
        }
    }

    #[test]
    fn a_mode_of_the_driver_is_not_taken_for_a_time() {
        let line = |driver: &str, usecs| {
            let facts = TuneFacts {
                port: Some(port()),
                coalescing: Some(Value::Coalescing { adaptive: false, usecs }),
                delay_has_modes: has_modes(driver),
                ..TuneFacts::default()
            };
            let point = points(&facts).into_iter().find(|point| point.name == "tune: interrupts").unwrap();
            (point.state, point.in_one_line())
        };
        let (state, told) = line("igb", 3);
        assert!(state == State::Note && told.contains("mode 3") && told.contains("rx-usecs 20"), "{told}");
        assert_eq!(line("igb", 20).0, State::Good);
        assert_eq!(line("ixgbe", 3).0, State::Good);
    }

    #[test]
    fn a_nic_is_asked_for_stamps_only_if_it_has_them_and_tells() {
        let proposed = |can_stamp, stamping| {
            let facts = TuneFacts { port: Some(port()), can_stamp, stamping, ..TuneFacts::default() };
            propose(&facts).into_iter().map(|one| one.to).collect::<Vec<_>>()
        };
        let value = |send, receive| Some(Value::Stamping { send, receive });
        let every = Value::Stamping { send: 1, receive: 1 };
        assert_eq!(proposed(true, value(0, 0)), std::slice::from_ref(&every));
        // A time service has set it for its own frames: for the run it is every frame, and then as it was.
        assert_eq!(proposed(true, value(1, 12)), [every]);
        for left in [proposed(true, value(1, 1)), proposed(true, None), proposed(false, value(0, 0))] {
            assert_eq!(left, []);
        }
    }

    #[test]
    fn processors_are_kept_free_only_where_there_are_enough() {
        let advice = |isolated: &str, processors: &[usize]| {
            let facts = TuneFacts {
                isolated: Some(isolated.into()),
                processors: processors.to_vec(),
                ..TuneFacts::default()
            };
            isolation(&facts).advice
        };
        assert!(advice("", &[0, 1, 4, 5]).unwrap().contains("isolcpus=4,5 "));
        assert_eq!(advice("", &[0, 1]), None);
        assert!(advice("2-3", &[0, 1]).unwrap().contains("taskset -c 2-3 "));
    }

    proptest! {
        /// A proposal is a change, never makes a ring shorter or a delay longer, and once it is made there is no other.
        #[test]
        fn what_was_proposed_and_set_is_not_proposed_again(
            (rx, rx_max, tx, tx_max) in (0u32..6, 0u32..6, 0u32..6, 0u32..6),
            (adaptive, usecs) in (any::<bool>(), 0u32..200),
            (can_stamp, send, receive) in (any::<bool>(), 0u32..3, 0u32..13),
            fast in prop::collection::vec((any::<bool>(), any::<bool>()), 0..5),
        ) {
            let governors = (0u32..).zip(&fast).map(|(cpu, (fast, offered))| {
                let available = if *offered { "performance powersave" } else { "powersave" };
                policy(cpu, if *fast { FAST } else { "powersave" }, available)
            });
            let mut facts = TuneFacts {
                port: Some(port()),
                rings: Some(Rings { rx, rx_max, tx, tx_max }),
                coalescing: Some(Value::Coalescing { adaptive, usecs }),
                can_stamp,
                stamping: Some(Value::Stamping { send, receive }),
                governors: governors.collect(),
                ..TuneFacts::default()
            };
            for Proposal { setting, from, to } in propose(&facts) {
                prop_assert_ne!(&from, &to);
                match (setting, to) {
                    (Setting::Rings(_), Value::Rings { receive, send }) => {
                        prop_assert!(receive >= rx && send >= tx);
                        facts.rings = Some(Rings { rx: receive, rx_max, tx: send, tx_max });
                    }
                    (Setting::Coalescing(_), to @ Value::Coalescing { .. }) => {
                        let short = matches!(to, Value::Coalescing { adaptive: false, usecs: 0..=SHORT_DELAY });
                        prop_assert!(short, "{:?}", to);
                        facts.coalescing = Some(to);
                    }
                    (Setting::Stamping(_), to @ Value::Stamping { send: 1, receive: 1 }) => {
                        prop_assert!(can_stamp);
                        facts.stamping = Some(to);
                    }
                    (Setting::Governor { cpu }, Value::Governor(name)) => {
                        facts.governors[cpu as usize].now = name;
                    }
                    odd => prop_assert!(false, "{odd:?}"),
                }
            }
            prop_assert_eq!(propose(&facts), []);
        }
    }
}
