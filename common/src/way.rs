//! Which way onto the wire: AF_XDP where the interface, the frames and the permissions allow it, packet sockets elsewhere,
//! and in one line why.

use std::sync::Arc;

use crate::frame::FrameSpec;
use crate::link::{self, LinkFacts, LinkKind};
use crate::port::OpenError;
use crate::port::xdp::{self, Attachment};

/// What drivers answer to a program where the MTU is too large (veth does; Linux error number).
const ERANGE: i32 = libc::ERANGE;

/// Puts the XDP program on an interface if it is known to serve well there.
///
/// # Errors
/// Why packet sockets are the best way here, in words that follow "packet sockets are used: ".
pub async fn best(facts: &LinkFacts) -> Result<Arc<Attachment>, String> {
    if facts.kind != LinkKind::Veth {
        // A verdict must not rest on drivers that nobody has tried: whoever wants it, names it.
        return Err(
            "AF_XDP has been tried on virtual cables only; --via xdp takes it all the same".to_owned()
        );
    }
    match link::xdp_abilities(facts.index).await {
        Some(abilities) if abilities.driver => {}
        Some(_) => return Err("the driver has no XDP".to_owned()),
        None => {
            return Err("this kernel does not tell whether the driver has XDP (6.3 or later does)".to_owned());
        }
    }
    match Attachment::in_driver(&facts.name, facts.index) {
        Ok(attachment) => Ok(Arc::new(attachment)),
        Err(OpenError::System { source, .. }) if source.raw_os_error() == Some(ERANGE) => {
            Err(format!("the MTU of {} is more than the driver lets XDP have", facts.mtu))
        }
        Err(error) => Err(error.to_string()),
    }
}

/// Whether frames of a trial can go by AF_XDP over an interface.
///
/// # Errors
/// Why not, in one line.
pub fn suits(spec: &FrameSpec, facts: &LinkFacts) -> Result<(), String> {
    if spec.octets() > xdp::LONGEST {
        return Err(format!(
            "frames of {} bytes are longer than AF_XDP takes in one piece ({})",
            spec.frame_size,
            xdp::LONGEST + 4
        ));
    }
    let stripped = facts.kind != LinkKind::Veth && facts.offloads.is_none_or(|offloads| offloads.vlan);
    if stripped {
        // A program sees a frame without its tag then: one that is missing is as little seen as one that the chain added.
        return Err(format!(
            "{} takes VLAN tags off received frames before XDP sees them (ethtool -K {} rxvlan off)",
            facts.name, facts.name
        ));
    }
    Ok(())
}

/// Whether each of `flows` flows has a queue of its own on an interface, to be received from and sent by.
///
/// # Errors
/// Why not, in one line.
pub fn has_queues(facts: &LinkFacts, flows: u8) -> Result<(), String> {
    // One queue there always is.
    let queues = facts.queues.map_or(1, |queues| queues.rx.min(queues.tx));
    if u32::from(flows) <= queues.max(1) {
        return Ok(());
    }
    let have = if facts.queues.is_some() { queues.to_string() } else { "an unknown number".to_owned() };
    Err(format!(
        "{flows} pairs need {flows} receive and transmit queues for AF_XDP, and {} has {have} (ethtool -L {} combined \
         {flows}, where the port can)",
        facts.name, facts.name
    ))
}

#[cfg(test)]
mod tests {
    use pnet_base::MacAddr;

    use super::*;
    use crate::frame::{Encapsulation, Fill, Tag, Tags};
    use crate::link::{Offloads, Queues};

    fn spec(frame_size: u16, tags: Tags) -> FrameSpec {
        FrameSpec {
            encapsulation: Encapsulation::Ipv4,
            tags,
            dscp: 0,
            frame_size,
            source: MacAddr::new(2, 0, 0, 0, 0, 1),
            destination: MacAddr::new(2, 0, 0, 0, 0, 2),
            session: 1,
            stream: 0,
            fill: Fill::Zeros,
            fill_seed: 0,
        }
    }

    #[test]
    fn each_flow_needs_a_queue_of_both_kinds() {
        let port = |queues| LinkFacts {
            queues,
            ..serde_json::from_str(
                r#"{"name": "eth1", "index": 2, "mtu": 1500, "kind": "physical", "admin_up": true}"#,
            )
            .unwrap()
        };
        let queues = |rx, tx| Some(Queues { rx, tx });
        for (queues, most) in [(None, 1), (queues(1, 1), 1), (queues(4, 2), 2), (queues(8, 8), 8)] {
            for flows in 1..=8 {
                assert_eq!(has_queues(&port(queues), flows).is_ok(), flows <= most, "{queues:?} {flows}");
            }
        }
        assert!(has_queues(&port(queues(4, 2)), 3).unwrap_err().contains("eth1 has 2 (ethtool -L"));
    }

    #[test]
    fn what_the_hardware_would_hide_or_cannot_hold_goes_by_packet_sockets() {
        let tagged = Tags::single("5".parse::<Tag>().unwrap());
        let offloads = |vlan| Some(Offloads { vlan, ..Offloads::default() });
        let port = |kind: LinkKind, offloads| {
            let text = r#"{"name": "eth1", "index": 2, "mtu": 1500, "kind": "physical", "admin_up": true}"#;
            LinkFacts { kind, offloads, ..serde_json::from_str(text).unwrap() }
        };
        let strips = port(LinkKind::Physical, offloads(true));
        let keeps = port(LinkKind::Physical, offloads(false));
        let silent = port(LinkKind::Physical, None);
        let veth = port(LinkKind::Veth, offloads(true));
        for facts in [&strips, &keeps, &silent, &veth] {
            assert!(suits(&spec(9018, Tags::none()), facts).unwrap_err().contains("9018 bytes"));
        }
        for tags in [Tags::none(), tagged] {
            assert!(suits(&spec(1522, tags), &strips).unwrap_err().contains("rxvlan off"));
            assert!(suits(&spec(1522, tags), &silent).is_err());
            assert!(suits(&spec(1522, tags), &keeps).is_ok());
            assert!(suits(&spec(1522, tags), &veth).is_ok());
        }
    }
}
