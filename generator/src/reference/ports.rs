//! The two ports that a reference is of, and what about them may change under it.

use kitproof_common::control::End;
use kitproof_common::link::{Duplex, LinkFacts};
use serde::{Deserialize, Serialize};

/// A port as it was when the reference was taken.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Port {
    pub host: String,
    /// `udp` where the routing table chose.
    pub interface: String,
    pub mac: Option<String>,
    pub driver: Option<String>,
    pub firmware: Option<String>,
    pub speed_mbps: Option<u32>,
    pub duplex: Option<Duplex>,
    /// Losses of carrier so far, and since which start of the machine (the near end's only).
    pub carrier_downs: Option<u32>,
    pub boot: Option<String>,
}

/// Both.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ports {
    pub generator: Port,
    pub reflector: Port,
}

/// What became of the ports since a reference was taken.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Since {
    /// What makes it stale, in words.
    pub changed: Vec<String>,
    /// How often an end lost its carrier: the chain was put in, or a cable was changed. `None` if that is not known.
    pub unplugged: Option<u32>,
}

impl Ports {
    /// The ports of a session.
    #[must_use]
    pub fn of(near: &End, far: &End) -> Self {
        let mut generator = Port::of(near);
        generator.boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id")
            .ok()
            .map(|boot| boot.trim().to_owned());
        Self { generator, reflector: Port::of(far) }
    }

    /// Whether these are the same two ports, whatever became of them.
    #[must_use]
    pub fn are(&self, other: &Ports) -> bool {
        self.generator.is(&other.generator) && self.reflector.is(&other.reflector)
    }

    /// What changed from these, as a reference has them, to the ports as they are `now`.
    #[must_use]
    pub fn since(&self, now: &Ports) -> Since {
        let mut changed = self.generator.changed("generator", &now.generator);
        changed.extend(self.reflector.changed("reflector", &now.reflector));
        let near = (self.generator.boot == now.generator.boot)
            .then(|| self.generator.losses_until(&now.generator))
            .flatten();
        let far = self.reflector.losses_until(&now.reflector);
        Since { changed, unplugged: near.zip(far).map(|(near, far)| near.max(far)) }
    }
}

impl Port {
    fn of(end: &End) -> Port {
        let link = end.link.as_ref();
        let fact = |fact: fn(&LinkFacts) -> Option<String>| link.and_then(fact);
        Port {
            host: end.host.clone(),
            interface: link.map_or_else(|| "udp".to_owned(), |link| link.name.clone()),
            mac: fact(|link| link.mac.map(|mac| mac.to_string())),
            driver: fact(|link| link.driver.clone()),
            firmware: fact(|link| link.firmware.clone()),
            speed_mbps: link.and_then(|link| link.speed_mbps),
            duplex: link.and_then(|link| link.duplex),
            carrier_downs: link.and_then(|link| link.carrier_down_count),
            boot: None,
        }
    }

    fn is(&self, other: &Port) -> bool {
        (&self.host, &self.interface, &self.mac) == (&other.host, &other.interface, &other.mac)
    }

    fn changed(&self, whose: &str, now: &Port) -> Vec<String> {
        let mut changed = Vec::new();
        let mut compare = |what: &str, was: Option<String>, is: Option<String>| {
            if was != is {
                let told = |value: Option<String>| value.unwrap_or_else(|| "unknown".to_owned());
                changed.push(format!("the {whose}'s {what} was {} and is {}", told(was), told(is)));
            }
        };
        let speed = |mbps: Option<u32>| mbps.map(|mbps| format!("{mbps} Mb/s"));
        compare("speed", speed(self.speed_mbps), speed(now.speed_mbps));
        let duplex = |duplex: Option<Duplex>| duplex.map(|duplex| format!("{duplex:?}").to_lowercase());
        compare("duplex", duplex(self.duplex), duplex(now.duplex));
        compare("driver", self.driver.clone(), now.driver.clone());
        compare("firmware", self.firmware.clone(), now.firmware.clone());
        changed
    }

    fn losses_until(&self, now: &Port) -> Option<u32> {
        self.carrier_downs.zip(now.carrier_downs).map(|(was, is)| is.saturating_sub(was))
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub(in crate::reference) fn ports() -> Ports {
        let port = |host: &str, mac: &str| Port {
            host: host.to_owned(),
            interface: "eth1".to_owned(),
            mac: Some(mac.to_owned()),
            driver: Some("igb".to_owned()),
            firmware: None,
            speed_mbps: Some(1_000),
            duplex: Some(Duplex::Full),
            carrier_downs: Some(3),
            boot: None,
        };
        Ports { generator: port("one", "02:00:00:00:00:01"), reflector: port("two", "02:00:00:00:00:02") }
    }

    #[test]
    fn putting_the_chain_in_makes_no_reference_stale() {
        let was = ports();
        let mut now = ports();
        now.generator.carrier_downs = Some(4);
        now.reflector.carrier_downs = Some(5);
        assert!(was.are(&now));
        assert_eq!(was.since(&now), Since { changed: vec![], unplugged: Some(2) });
        now.generator.boot = Some("another".to_owned());
        assert_eq!(was.since(&now).unplugged, None, "the count began anew");
    }

    #[test]
    fn what_changes_the_pair_is_named() {
        let was = ports();
        let mut now = ports();
        now.generator.speed_mbps = Some(100);
        now.reflector.driver = None;
        assert!(was.are(&now));
        assert_eq!(
            was.since(&now).changed,
            [
                "the generator's speed was 1000 Mb/s and is 100 Mb/s",
                "the reflector's driver was igb and is unknown"
            ]
        );
        now.reflector.mac = Some("02:00:00:00:00:03".to_owned());
        assert!(!was.are(&now), "another port");
    }
}
