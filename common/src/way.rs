//! Which way onto the wire: AF_XDP where the interface, the frames and the permissions allow it, packet sockets elsewhere,
//! and in one line why.

use std::sync::Arc;

use crate::link::{self, LinkFacts, LinkKind};
use crate::port::OpenError;
use crate::port::xdp::{Attachment, Manner};

/// What drivers answer to a program where the MTU is too large (veth does; Linux error number).
const ERANGE: i32 = libc::ERANGE;

/// Characters of a reason that goes from one end to the other.
const MOST_SAID: usize = 200;

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

/// What is said where AF_XDP could not be had at a trial's start and nobody had asked for it by name; it follows "packet
/// sockets are used: ".
#[must_use]
pub fn refused(tried: &str, error: &impl std::fmt::Display) -> String {
    let mut text = format!("AF_XDP ({tried}) was tried and refused: {error}");
    // It has to find room beside the counts; a verifier may say a lot.
    if let Some((end, _)) = text.char_indices().nth(MOST_SAID) {
        text.truncate(end);
    }
    text
}

/// Whether test frames can go by AF_XDP over an interface.
///
/// # Errors
/// Why not, in one line.
pub fn suits(facts: &LinkFacts) -> Result<(), String> {
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

/// Whether AF_XDP sockets can be used in that manner on an interface, as far as it tells beforehand.
///
/// # Errors
/// Why not, in one line.
pub async fn allows(manner: Manner, facts: &LinkFacts) -> Result<(), String> {
    if !manner.zero_copy {
        return Ok(());
    }
    let driver = facts.driver.as_deref().unwrap_or("unknown");
    match link::xdp_abilities(facts.index).await {
        Some(abilities) if abilities.zero_copy => Ok(()),
        Some(_) => Err(format!("the driver of {} ({driver}) has no zero copy; choose copy", facts.name)),
        None => Err(format!(
            "this kernel does not tell whether the driver of {} has zero copy (6.3 or later does); choose copy",
            facts.name
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::link::{Offloads, Queues};

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
    fn what_the_hardware_would_hide_goes_by_packet_sockets() {
        let offloads = |vlan| Some(Offloads { vlan, ..Offloads::default() });
        let port = |kind: LinkKind, offloads| {
            let text = r#"{"name": "eth1", "index": 2, "mtu": 1500, "kind": "physical", "admin_up": true}"#;
            LinkFacts { kind, offloads, ..serde_json::from_str(text).unwrap() }
        };
        assert!(suits(&port(LinkKind::Physical, offloads(true))).unwrap_err().contains("rxvlan off"));
        assert!(suits(&port(LinkKind::Physical, None)).is_err());
        assert!(suits(&port(LinkKind::Physical, offloads(false))).is_ok());
        assert!(suits(&port(LinkKind::Veth, offloads(true))).is_ok());
    }
}
