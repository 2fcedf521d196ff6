//! One probe as octets, and what a frame that arrived has to do with it.

use pnet_base::MacAddr;
use serde::{Deserialize, Serialize};

use super::{Item, Round};

/// What identifies a probe: a mark, the round, which item, which copy, and a checksum over these.
pub const IDENTITY_OCTETS: usize = 16;
const MARK: [u8; 8] = *b"kpprobe\x01";
/// The least frame, without its FCS.
const SHORTEST: usize = 60;
const FCS: u16 = 4;
/// A frame may have so many octets of tags and protocol in front of its identity, and a tag that was added.
const DEEPEST: usize = 48;

/// A probe of a round.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Probe {
    /// Its place among the items.
    pub item: u8,
    pub copy: u8,
}

/// How a frame was changed on its way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Change {
    /// The outer tag is gone.
    #[serde(default, skip_serializing_if = "is_false")]
    pub stripped: bool,
    /// Only so much of it came, bytes including FCS.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cut_to: Option<u16>,
    /// Anything else: octets differ, or there are more of them.
    #[serde(default, skip_serializing_if = "is_false")]
    pub altered: bool,
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde asks for a reference")]
fn is_false(flag: &bool) -> bool {
    !*flag
}

impl Change {
    /// As it was sent.
    #[must_use]
    pub fn is_none(self) -> bool {
        self == Change::default()
    }
}

impl Round {
    /// A probe's octets, without FCS.
    #[must_use]
    pub fn frame(&self, probe: Probe, source: MacAddr, unicast: MacAddr) -> Option<Vec<u8>> {
        let Item(kind, size) = *self.items.get(usize::from(probe.item))?;
        let octets = usize::from(size.checked_sub(FCS)?);
        let mut frame = kind.destination(unicast).octets().to_vec();
        frame.extend_from_slice(&source.octets());
        frame.extend_from_slice(&kind.head(size));
        frame.extend_from_slice(&self.identity(probe));
        if kind == super::Kind::Lldp {
            // The end of its elements.
            frame.extend_from_slice(&[0, 0]);
        }
        // What fills it depends on the place, so that octets that were moved show.
        let mut state = u32::from(self.tag) << 8 | u32::from(probe.item) | 1 << 31;
        while frame.len() < octets {
            state ^= state << 13;
            state ^= state >> 17;
            state ^= state << 5;
            frame.push(state as u8);
        }
        (frame.len() == octets).then_some(frame)
    }

    fn identity(&self, probe: Probe) -> [u8; IDENTITY_OCTETS] {
        let mut identity = [0; IDENTITY_OCTETS];
        identity[..8].copy_from_slice(&MARK);
        identity[8..10].copy_from_slice(&self.tag.to_be_bytes());
        identity[10] = probe.item;
        identity[11] = probe.copy;
        let check = crc32fast::hash(&identity[..12]);
        identity[12..].copy_from_slice(&check.to_be_bytes());
        identity
    }

    /// Which probe of this round a frame is, and what became of it. `None` for every other frame, or one that was changed
    /// beyond recognition.
    #[must_use]
    pub fn recognise(&self, frame: &[u8], source: MacAddr, unicast: MacAddr) -> Option<(Probe, Change)> {
        let (probe, _) = (12..=DEEPEST).find_map(|at| {
            let identity: &[u8; IDENTITY_OCTETS] = frame.get(at..)?.first_chunk()?;
            let probe = Probe { item: identity[10], copy: identity[11] };
            (self.identity(probe) == *identity).then_some((probe, at))
        })?;
        let sent = self.frame(probe, source, unicast)?;
        Some((probe, change(&sent, frame)))
    }
}

/// How `sent` became `came`.
fn change(sent: &[u8], came: &[u8]) -> Change {
    if sent == came {
        return Change::default();
    }
    let cut = |sent: &[u8]| {
        let is_part = came.len() < sent.len() && sent.starts_with(came);
        is_part.then_some(came.len() as u16 + FCS)
    };
    if let Some(cut_to) = cut(sent) {
        return Change { cut_to: Some(cut_to), ..Change::default() };
    }
    let tagged = matches!(sent.get(12..14), Some([0x81, 0x00] | [0x88, 0xA8]));
    if tagged {
        let mut bare = sent.to_vec();
        bare.drain(12..16);
        // Filled up to the least size with zeros.
        if came.len() == SHORTEST {
            bare.resize(bare.len().max(SHORTEST), 0);
        }
        if bare == came {
            return Change { stripped: true, ..Change::default() };
        }
        if let Some(cut_to) = cut(&bare) {
            // A tag's octets more were there when it was cut, if it was cut first; the wire it came by tells no more.
            return Change { stripped: true, cut_to: Some(cut_to), ..Change::default() };
        }
    }
    Change { altered: true, ..Change::default() }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::{Kind, MOST_ITEMS};
    use super::*;

    const HERE: MacAddr = MacAddr(2, 0, 0, 0, 0, 1);
    const THERE: MacAddr = MacAddr(2, 0, 0, 0, 0, 2);

    fn round(items: &[Item]) -> Round {
        Round { tag: 0x1234, items: items.to_vec() }
    }

    fn sent(round: &Round, item: u8) -> Vec<u8> {
        round.frame(Probe { item, copy: 1 }, HERE, THERE).unwrap()
    }

    /// The first octets of each kind, by hand from the standards (see [`Kind`]).
    #[test]
    fn each_kind_begins_as_its_standard_says() {
        for (kind, front) in [
            (Kind::Untagged, "020000000002 020000000001 0800 4500 002e"),
            (Kind::OneTag, "020000000002 020000000001 8100 0065 0800 4500 002a"),
            (Kind::PriorityTag, "020000000002 020000000001 8100 a000 0800 45"),
            (Kind::TwoTags, "020000000002 020000000001 88a8 0065 8100 0066 0800 4500 0026"),
            (Kind::Broadcast, "ffffffffffff 020000000001 0800"),
            (Kind::Reserved(14), "0180c200000e 020000000001 0800"),
            (Kind::Pause, "0180c2000001 020000000001 8808 0001 0000"),
            (Kind::Lldp, "0180c200000e 020000000001 88cc 0203076b70"),
            (Kind::Eapol, "0180c2000003 020000000001 888e 02"),
            (Kind::Oam, "0180c2000002 020000000001 8809 03"),
            (Kind::UnknownType, "020000000002 020000000001 88b7 026b70 0001"),
        ] {
            let front: String = front.split(' ').collect();
            let frame = sent(&round(&[Item(kind, 64)]), 0);
            let hex: String = frame.iter().map(|octet| format!("{octet:02x}")).collect();
            assert!(hex.starts_with(&front) && frame.len() == 60, "{kind}: {hex}");
        }
    }

    /// The elements of an LLDP frame follow each other to an end (802.1AB clause 8).
    #[test]
    fn the_elements_of_lldp_are_whole() {
        let frame = sent(&round(&[Item(Kind::Lldp, 64)]), 0);
        let (mut at, mut kinds) = (14, Vec::new());
        loop {
            let head = u16::from_be_bytes([frame[at], frame[at + 1]]);
            kinds.push(head >> 9);
            if head == 0 {
                break;
            }
            at += 2 + usize::from(head & 0x1FF);
        }
        assert_eq!(kinds, [1, 2, 3, 127, 0]);
    }

    #[test]
    fn what_was_changed_is_named() {
        let round = round(&[Item(Kind::OneTag, 1_522), Item(Kind::TwoTags, 64), Item(Kind::Untagged, 2_000)]);
        let told = |frame: &[u8]| round.recognise(frame, HERE, THERE).map(|(_, change)| change);
        let mut stripped = sent(&round, 0);
        stripped.drain(12..16);
        assert_eq!(told(&stripped), Some(Change { stripped: true, ..Change::default() }));
        let cut = &stripped[..1_000];
        assert_eq!(told(cut), Some(Change { stripped: true, cut_to: Some(1_004), altered: false }));
        let mut short = sent(&round, 1);
        short.drain(12..16);
        short.resize(60, 0);
        assert_eq!(told(&short), Some(Change { stripped: true, ..Change::default() }));
        let long = sent(&round, 2);
        assert_eq!(told(&long[..1_596]), Some(Change { cut_to: Some(1_600), ..Change::default() }));
        let altered = Some(Change { altered: true, ..Change::default() });
        let mut other = sent(&round, 0);
        other[14] ^= 0x20;
        assert_eq!(told(&other), altered, "another priority");
        let mut padded = sent(&round, 0);
        padded.push(0);
        assert_eq!(told(&padded), altered);
    }

    #[test]
    fn a_round_is_bounded() {
        assert!(round(&[]).check().is_err());
        assert!(round(&[Item(Kind::Pause, 65)]).check().unwrap_err().contains("PAUSE"));
        assert!(round(&[Item(Kind::Reserved(16), 64)]).check().is_err());
        assert!(round(&[Item(Kind::Untagged, 64); MOST_ITEMS]).check().is_ok());
        assert!(round(&[Item(Kind::Untagged, 64); MOST_ITEMS + 1]).check().is_err());
        assert!(Round { tag: 0, items: vec![Item(Kind::Untagged, 64)] }.check().is_err());
    }

    proptest! {
        /// Every kind at every size it has is recognised as itself, unchanged; with any octet changed it is never called
        /// unchanged, and as part of another round it is nobody's.
        #[test]
        fn a_probe_is_itself_and_nothing_else(
            place in 0_usize..27,
            size in 64_u16..9_216,
            copy in 0_u8..3,
            at in any::<prop::sample::Index>(),
            flip in 1_u8..=255,
        ) {
            let kind = Kind::all().nth(place).unwrap();
            let size = if kind.has(size) { size } else { 64 };
            let round = round(&[Item(Kind::Untagged, 64), Item(kind, size)]);
            prop_assert!(round.check().is_ok());
            let probe = Probe { item: 1, copy };
            let frame = round.frame(probe, HERE, THERE).unwrap();
            prop_assert_eq!(frame.len(), usize::from(size) - 4);
            prop_assert_eq!(round.recognise(&frame, HERE, THERE), Some((probe, Change::default())));
            let mut changed = frame.clone();
            changed[at.index(frame.len())] ^= flip;
            let found = round.recognise(&changed, HERE, THERE);
            prop_assert!(found.is_none_or(|(other, change)| other != probe || !change.is_none()));
            let another = Round { tag: 0x1235, ..round.clone() };
            prop_assert_eq!(another.recognise(&frame, HERE, THERE), None);
        }
    }
}
