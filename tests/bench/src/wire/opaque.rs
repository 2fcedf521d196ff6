//! What a piece of kit eats, cuts and strips.

use crate::ledger::Reason;
use crate::script::{Opaque, Strip};

const MAC_CONTROL: u16 = 0x8808;
const TPIDS: [u16; 2] = [0x8100, 0x88A8];
const FCS: usize = 4;
/// The shortest frame, without its FCS.
const SHORTEST: usize = 60;

/// What becomes of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Passage {
    Whole,
    Taken(Reason),
    Altered { truncated: bool, stripped: bool },
}

/// Judges `frame` (without its FCS). What is to be altered is put into `altered`, which is empty.
pub(super) fn judge(opaque: &Opaque, frame: &[u8], altered: &mut Vec<u8>) -> Passage {
    if let Some(reason) = eats(opaque, frame) {
        return Passage::Taken(reason);
    }
    let octets = frame.len() + FCS;
    let over = |limit: Option<u32>| limit.is_some_and(|limit| octets > limit as usize);
    if over(opaque.drop_over) {
        return Passage::Taken(Reason::TooLong);
    }
    let truncated = over(opaque.truncate_over);
    let stripped = opaque.strip.is_some_and(|strip| has_tag(frame, strip));
    if !truncated && !stripped {
        return Passage::Whole;
    }
    let kept = if truncated {
        opaque.truncate_over.map_or(octets, |limit| limit as usize) - FCS
    } else {
        frame.len()
    };
    altered.extend_from_slice(&frame[..kept]);
    if stripped {
        altered.drain(12..16);
        if altered.len() < SHORTEST {
            altered.resize(SHORTEST, 0);
        }
    }
    Passage::Altered { truncated, stripped }
}

fn eats(opaque: &Opaque, frame: &[u8]) -> Option<Reason> {
    let outer = word(frame, 12)?;
    if outer == MAC_CONTROL && word(frame, 14).is_some_and(|opcode| opaque.mac_control.contains(&opcode)) {
        return Some(Reason::MacControl);
    }
    if frame[..5] == [0x01, 0x80, 0xC2, 0, 0] && opaque.groups.contains(&frame[5]) {
        return Some(Reason::Group);
    }
    if opaque.ether_types.is_empty() {
        return None;
    }
    let mut at = 12;
    while let Some(ether_type) = word(frame, at) {
        if opaque.ether_types.contains(&ether_type) {
            return Some(Reason::EtherType);
        }
        if !TPIDS.contains(&ether_type) {
            break;
        }
        at += 4;
    }
    None
}

fn has_tag(frame: &[u8], strip: Strip) -> bool {
    let tagged = word(frame, 12).is_some_and(|tpid| TPIDS.contains(&tpid));
    tagged
        && word(frame, 14).is_some_and(|tci| match strip {
            Strip::Outer => true,
            Strip::Priority => tci & 0x0FFF == 0,
        })
}

fn word(frame: &[u8], at: usize) -> Option<u16> {
    frame.get(at..at + 2).map(|octets| u16::from_be_bytes([octets[0], octets[1]]))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A frame to 01-80-C2-00-00-0`last` of `octets` without its FCS; what follows the addresses is `head`.
    fn frame(last: u8, head: &[u8], octets: usize) -> Vec<u8> {
        let mut frame = vec![0x01, 0x80, 0xC2, 0, 0, last, 2, 0, 0, 0, 0, 1];
        frame.extend_from_slice(head);
        frame.resize(octets, 0xA5);
        frame
    }

    fn passage(opaque: &Opaque, frame: &[u8]) -> (Passage, Vec<u8>) {
        let mut altered = Vec::new();
        (judge(opaque, frame, &mut altered), altered)
    }

    #[test]
    fn eats_what_is_listed_and_nothing_else() {
        let pause = frame(1, &[0x88, 0x08, 0, 1, 0xFF, 0xFF], 60);
        let priority = frame(1, &[0x88, 0x08, 1, 1], 60);
        let lldp = frame(14, &[0x88, 0xCC], 60);
        let tagged = frame(14, &[0x81, 0, 0, 5, 0x88, 0xCC], 60);
        let only = |opaque: Opaque| -> Vec<Passage> {
            [&pause, &priority, &lldp, &tagged].map(|frame| passage(&opaque, frame).0).to_vec()
        };
        use Passage::{Taken, Whole};
        use Reason::{EtherType, Group, MacControl};
        assert_eq!(only(Opaque::default()), [Whole; 4]);
        let mac_control = |opcodes: &[u16]| Opaque { mac_control: opcodes.to_vec(), ..Opaque::default() };
        assert_eq!(only(mac_control(&[1])), [Taken(MacControl), Whole, Whole, Whole]);
        assert_eq!(only(mac_control(&[0x101])), [Whole, Taken(MacControl), Whole, Whole]);
        let groups = Opaque { groups: vec![14, 3], ..Opaque::default() };
        assert_eq!(only(groups), [Whole, Whole, Taken(Group), Taken(Group)]);
        let ether_types = |types: &[u16]| Opaque { ether_types: types.to_vec(), ..Opaque::default() };
        assert_eq!(only(ether_types(&[0x88CC])), [Whole, Whole, Taken(EtherType), Taken(EtherType)]);
        assert_eq!(only(ether_types(&[0x8100])), [Whole, Whole, Whole, Taken(EtherType)]);
    }

    #[test]
    fn lengths_count_the_fcs() {
        let fits = frame(0, &[8, 0], 1514);
        let long = frame(0, &[8, 0], 1515);
        let drop = Opaque { drop_over: Some(1518), ..Opaque::default() };
        assert_eq!(passage(&drop, &fits).0, Passage::Whole);
        assert_eq!(passage(&drop, &long).0, Passage::Taken(Reason::TooLong));
        let cut = Opaque { truncate_over: Some(1518), ..Opaque::default() };
        assert_eq!(passage(&cut, &fits).0, Passage::Whole);
        let (how, altered) = passage(&cut, &long);
        assert_eq!(how, Passage::Altered { truncated: true, stripped: false });
        assert_eq!(altered, long[..1514]);
    }

    #[test]
    fn strips_one_tag_and_fills_up() {
        let double = frame(0, &[0x88, 0xA8, 0, 9, 0x81, 0, 0x60, 0, 8, 0], 100);
        let priority = frame(0, &[0x81, 0, 0xE0, 0, 8, 0, 0x45], 61);
        let plain = frame(0, &[8, 0, 0x81, 0], 60);
        let outer = Opaque { strip: Some(Strip::Outer), ..Opaque::default() };
        let only_priority = Opaque { strip: Some(Strip::Priority), ..Opaque::default() };
        for opaque in [&outer, &only_priority] {
            assert_eq!(passage(opaque, &plain).0, Passage::Whole);
            let (how, altered) = passage(opaque, &priority);
            assert_eq!(how, Passage::Altered { truncated: false, stripped: true });
            assert_eq!(altered[..12], priority[..12]);
            assert_eq!(altered[12..57], priority[16..]);
            assert_eq!(altered[57..], [0; 3], "64 octets with FCS are the shortest there is");
        }
        assert_eq!(passage(&only_priority, &double).0, Passage::Whole);
        assert_eq!(passage(&outer, &double).1, [&double[..12], &double[16..]].concat());
    }

    #[test]
    fn the_length_is_judged_as_it_came() {
        let tagged = frame(0, &[0x81, 0, 0, 5, 8, 0], 1518);
        let both = Opaque { truncate_over: Some(1518), strip: Some(Strip::Outer), ..Opaque::default() };
        let (how, altered) = passage(&both, &tagged);
        assert_eq!(how, Passage::Altered { truncated: true, stripped: true });
        assert_eq!(altered, [&tagged[..12], &tagged[16..1514]].concat());
    }

    #[test]
    fn short_scraps_are_left_alone() {
        let everything = Opaque {
            mac_control: vec![1],
            groups: (0..16).collect(),
            ether_types: vec![0x8100],
            strip: Some(Strip::Outer),
            ..Opaque::default()
        };
        for octets in 0..14 {
            assert_eq!(passage(&everything, &frame(1, &[], 14)[..octets]).0, Passage::Whole);
        }
        // A TPID without a whole tag behind it is eaten by its EtherType, and never stripped.
        let strip = Opaque { strip: Some(Strip::Outer), ..Opaque::default() };
        assert_eq!(passage(&strip, &frame(0, &[0x81, 0, 0], 15)).0, Passage::Whole);
    }
}
