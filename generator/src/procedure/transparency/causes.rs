//! From what did not pass to what the chain does: one sentence for each cause, not one for each frame. Pure.

use std::collections::BTreeMap;

use kitproof_common::probe::{Change, Item, Kind, Seen};

use super::{Expect, Largest, Passage};
use crate::reference::Delivered;
use crate::verdict::Reason;
use crate::verdict::words::grouped;

/// What is to be explained.
pub(super) struct Charged<'a> {
    pub(super) passages: &'a [Passage],
    pub(super) largest: Largest,
    /// What the pair alone delivers; empty without a reference.
    pub(super) delivered: &'a [Delivered],
    pub(super) expect: Expect,
}

/// Which way.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Way {
    Forward,
    Return,
}

/// Whom it is charged to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum To {
    /// The pair alone delivered it.
    Chain,
    /// A bridge may keep it back, and something like one was expected.
    Bridge,
    /// The pair alone did not deliver it either.
    Pair,
    /// There is no reference.
    Nobody,
}

/// A cause: its code, and its sentence without the directions.
type Cause = (&'static str, String);

/// One reason for each cause, with the directions in which it was seen.
pub(super) fn reasons(charged: &Charged<'_>) -> Vec<Reason> {
    let mut found: BTreeMap<(To, Cause), Vec<Way>> = BTreeMap::new();
    for way in [Way::Forward, Way::Return] {
        for (to, causes) in causes(charged, way) {
            for cause in causes {
                found.entry((to, cause)).or_default().push(way);
            }
        }
    }
    let mut reasons: Vec<Reason> =
        found.into_iter().map(|((to, cause), ways)| reason(to, &cause, &ways)).collect();
    reasons.extend(partly(charged.passages));
    reasons
}

fn seen(passage: &Passage, way: Way) -> &Seen {
    match way {
        Way::Forward => &passage.forward,
        Way::Return => &passage.back,
    }
}

fn charged_to(charged: &Charged<'_>, passage: &Passage, way: Way) -> To {
    let eaten = seen(passage, way).changed == 0;
    if charged.expect == Expect::Bridge && eaten && is_kept_by_bridges(passage.item.0) {
        return To::Bridge;
    }
    let by_pair = charged.delivered.iter().find(|one| one.item == passage.item);
    match by_pair.map(|one| if way == Way::Forward { one.forward } else { one.homeward }) {
        Some(true) => To::Chain,
        Some(false) => To::Pair,
        None => To::Nobody,
    }
}

/// What a bridge does not forward: the reserved group addresses (IEEE 802.1Q table 8-1), and with them PAUSE and all MAC
/// control (802.3 annex 31B), OAM, EAPOL and LLDP; from memory.
fn is_kept_by_bridges(kind: Kind) -> bool {
    matches!(kind, Kind::Reserved(_) | Kind::Pause | Kind::Oam | Kind::Eapol | Kind::Lldp)
}

/// What did not pass in one direction, by whom it is charged to.
fn causes(charged: &Charged<'_>, way: Way) -> BTreeMap<To, Vec<Cause>> {
    let mut all: BTreeMap<To, Vec<&Passage>> = BTreeMap::new();
    for passage in charged.passages.iter().filter(|passage| !seen(passage, way).passed()) {
        all.entry(charged_to(charged, passage, way)).or_default().push(passage);
    }
    let largest = if way == Way::Forward { charged.largest.forward } else { charged.largest.back };
    let each = all.into_iter().map(|(to, failed)| (to, explain(charged.passages, &failed, way, largest)));
    each.collect()
}

/// The causes of what failed in one direction; `largest` is the largest untagged frame that passed there.
fn explain(all: &[Passage], failed: &[&Passage], way: Way, largest: u16) -> Vec<Cause> {
    let mut causes = Vec::new();
    let change = |passage: &&&Passage| seen(passage, way).change.unwrap_or_default();
    let stripped = kinds(failed.iter().filter(|passage| change(passage).stripped));
    if !stripped.is_empty() {
        causes.push(("tag_stripped", format!("The outer VLAN tag is taken off ({})", stripped.join(", "))));
    }
    let mut cuts: Vec<u16> = failed.iter().filter_map(|passage| cut_at(change(&passage))).collect();
    cuts.sort_unstable();
    cuts.dedup();
    for cut in cuts {
        let cut = grouped(cut.into());
        causes.push(("cut", format!("Frames above {cut} bytes arrive cut to {cut} bytes")));
    }
    let altered = kinds(failed.iter().filter(|passage| change(passage).altered));
    if !altered.is_empty() {
        causes.push(("altered", format!("Frames arrive altered ({})", altered.join(", "))));
    }
    let eaten: Vec<&Passage> =
        failed.iter().filter(|passage| seen(passage, way).changed == 0).copied().collect();
    let is_eaten = |item: Item| eaten.iter().any(|passage| passage.item == item);
    // Nothing above a size arrives, of whatever kind, and everything below does: it is the size. A tag's octets may be room
    // that was made for it.
    let above = |passage: &Passage| passage.item.1 - passage.item.0.tag_octets() > largest;
    let long: Vec<&Passage> = all.iter().filter(|passage| above(passage)).collect();
    let by_size = largest > 0 && !long.is_empty() && long.iter().all(|passage| is_eaten(passage.item));
    if by_size {
        causes.push(("too_long", format!("Frames above {} bytes do not arrive", grouped(largest.into()))));
    }
    let rest: Vec<&Passage> = eaten.into_iter().filter(|passage| !(by_size && above(passage))).collect();
    for kind in kinds_of(rest.iter()) {
        let of_it = || all.iter().filter(|passage| passage.item.0 == kind && !(by_size && above(passage)));
        let gone: Vec<String> = rest
            .iter()
            .filter(|passage| passage.item.0 == kind)
            .map(|passage| grouped(passage.item.1.into()))
            .collect();
        let text = if gone.len() == of_it().count() {
            format!("No {kind} arrives")
        } else {
            format!("Not every size of {kind} arrives ({} bytes do not)", gone.join(", "))
        };
        causes.push(("eaten", text));
    }
    causes
}

/// Where a frame was cut, as it was before a tag was taken off.
fn cut_at(change: Change) -> Option<u16> {
    change.cut_to.map(|cut| if change.stripped { cut + 4 } else { cut })
}

fn kinds_of<'a>(passages: impl Iterator<Item = &'a &'a Passage>) -> Vec<Kind> {
    let mut kinds: Vec<Kind> = passages.map(|passage| passage.item.0).collect();
    kinds.dedup();
    kinds
}

fn kinds<'a>(passages: impl Iterator<Item = &'a &'a Passage>) -> Vec<String> {
    kinds_of(passages).iter().map(Kind::to_string).collect()
}

fn reason(to: To, (code, text): &Cause, ways: &[Way]) -> Reason {
    let ways = match ways {
        [Way::Forward] => "forward",
        [Way::Return] => "on return",
        _ => "forward and on return",
    };
    let text = format!("{text}, {ways}.");
    match to {
        To::Chain => Reason::fail(
            code,
            text,
            "The pair alone delivers it: a piece of the chain is not transparent. Take pieces out one at a time.",
        ),
        To::Bridge => Reason::note(
            "may_be_kept_back",
            text,
            "A converter or a switch may keep this back (IEEE 802.1Q table 8-1); whoever needs it must know.",
        ),
        To::Pair => Reason::unproven(
            &format!("{code}_by_the_pair"),
            format!("{text} The pair's own ports do not deliver it either."),
            "Of this nothing can be said of a chain between these ports; other network cards may deliver it.",
        ),
        To::Nobody => Reason::unproven(
            &format!("{code}_without_reference"),
            format!("{text} It is not known whether the pair's own ports deliver it."),
            "Join the ports by one known-good patch cord and run it with --reference, then again with the chain.",
        ),
    }
}

/// Passed, and some copies are missing: losses are another command's matter, but they are not passed over.
fn partly(passages: &[Passage]) -> Option<Reason> {
    let missing = |seen: &Seen| seen.passed() && seen.unchanged < kitproof_common::probe::COPIES;
    let count = passages
        .iter()
        .map(|passage| u64::from(missing(&passage.forward)) + u64::from(missing(&passage.back)));
    let count: u64 = count.sum();
    (count > 0).then(|| {
        Reason::note(
            "copies_missing",
            format!("Of {} probes not every copy arrived.", grouped(count)),
            "The path loses frames: prove it (kitproof prove).",
        )
    })
}

/// A change in words.
pub(super) fn change_words(change: Change) -> String {
    let mut words = Vec::new();
    if change.stripped {
        words.push("outer tag taken off".to_owned());
    }
    if let Some(cut) = change.cut_to {
        words.push(format!("cut to {cut} bytes"));
    }
    if change.altered {
        words.push("altered".to_owned());
    }
    words.join(", ")
}

#[cfg(test)]
mod tests {
    use kitproof_common::probe::COPIES;

    use super::super::items;
    use super::*;
    use crate::verdict::Bears;

    const WHOLE: Seen = Seen { unchanged: COPIES, changed: 0, change: None, again: 0 };
    const NOTHING: Seen = Seen { unchanged: 0, ..WHOLE };

    fn changed(change: Change) -> Seen {
        Seen { unchanged: 0, changed: COPIES, change: Some(change), again: 0 }
    }

    /// All kinds over a wire that does `forward` to what goes there, and nothing to what comes back.
    fn passages(forward: impl Fn(Kind, u16) -> Seen) -> Vec<Passage> {
        let one = |item: Item| Passage { item, forward: forward(item.0, item.1), back: WHOLE };
        items(9_018).into_iter().map(one).collect()
    }

    fn told(
        passages: &[Passage],
        delivered: &[Delivered],
        expect: Expect,
        forward: u16,
    ) -> Vec<(Bears, String)> {
        let largest = Largest { forward, back: 9_018 };
        let all = reasons(&Charged { passages, largest, delivered, expect });
        all.into_iter().map(|reason| (reason.bears, format!("{}: {}", reason.code, reason.text))).collect()
    }

    fn everything(passages: &[Passage]) -> Vec<Delivered> {
        passages
            .iter()
            .map(|passage| Delivered { item: passage.item, forward: true, homeward: true })
            .collect()
    }

    #[test]
    fn what_passes_needs_no_reference_and_no_word() {
        assert_eq!(told(&passages(|_, _| WHOLE), &[], Expect::Everything, 9_018), []);
    }

    /// Eats PAUSE, cuts above 1,600 bytes and takes one tag off: three things, and nothing else.
    #[test]
    fn each_cause_is_named_once() {
        let all = passages(|kind, size| {
            let tagged = kind.tag_octets() > 0;
            let cut_to = (size > 1_600).then_some(if tagged { 1_596 } else { 1_600 });
            let change = Change { stripped: tagged, cut_to, altered: false };
            match kind {
                Kind::Pause => NOTHING,
                _ if change.is_none() => WHOLE,
                _ => changed(change),
            }
        });
        let fail = |text: &str| (Bears::Fail, text.to_owned());
        assert_eq!(
            told(&all, &everything(&all), Expect::Everything, 1_600),
            [
                fail("cut: Frames above 1,600 bytes arrive cut to 1,600 bytes, forward."),
                fail("eaten: No PAUSE arrives, forward."),
                fail(
                    "tag_stripped: The outer VLAN tag is taken off (frames with one VLAN tag, frames with two VLAN tags, \
                     priority-tagged frames), forward."
                ),
            ]
        );
        // Without a reference nobody is charged with it.
        assert!(
            told(&all, &[], Expect::Everything, 1_600).iter().all(|(bears, _)| *bears == Bears::Unproven)
        );
    }

    #[test]
    fn what_is_too_long_is_one_thing() {
        let all = passages(|kind, size| if size - kind.tag_octets() > 1_700 { NOTHING } else { WHOLE });
        assert_eq!(
            told(&all, &everything(&all), Expect::Everything, 1_700),
            [(Bears::Fail, "too_long: Frames above 1,700 bytes do not arrive, forward.".to_owned())]
        );
        let all = passages(|kind, size| if kind == Kind::Broadcast && size == 512 { NOTHING } else { WHOLE });
        assert_eq!(
            told(&all, &everything(&all), Expect::Everything, 9_018),
            [(
                Bears::Fail,
                "eaten: Not every size of broadcast arrives (512 bytes do not), forward.".to_owned()
            )]
        );
    }

    #[test]
    fn what_the_pair_does_not_deliver_is_not_the_chains() {
        let all = passages(|kind, _| if kind == Kind::Pause { NOTHING } else { WHOLE });
        let delivered: Vec<Delivered> = everything(&all)
            .into_iter()
            .map(|one| Delivered { forward: one.item.0 != Kind::Pause, ..one })
            .collect();
        let [(Bears::Unproven, text)] = &told(&all, &delivered, Expect::Everything, 9_018)[..] else {
            panic!()
        };
        assert!(text.starts_with("eaten_by_the_pair: No PAUSE arrives, forward."), "{text}");
    }

    /// IEEE 802.1Q table 8-1 (from memory): a bridge forwards none of the sixteen addresses.
    #[test]
    fn what_a_bridge_keeps_back_is_said_and_not_failed() {
        let kept = |kind| is_kept_by_bridges(kind);
        let all = passages(|kind, _| if kept(kind) { NOTHING } else { WHOLE });
        let delivered = everything(&all);
        let said = told(&all, &delivered, Expect::Bridge, 9_018);
        assert_eq!(said.len(), 20);
        assert!(
            said.iter().all(|(bears, text)| *bears == Bears::Note && text.starts_with("may_be_kept_back"))
        );
        assert!(
            told(&all, &delivered, Expect::Everything, 9_018).iter().all(|(bears, _)| *bears == Bears::Fail)
        );
        // A multicast frame is none of these.
        let all = passages(|kind, _| if kind == Kind::Multicast { NOTHING } else { WHOLE });
        let said = told(&all, &everything(&all), Expect::Bridge, 9_018);
        assert_eq!(said, [(Bears::Fail, "eaten: No multicast arrives, forward.".to_owned())]);
    }

    #[test]
    fn a_copy_that_is_missing_is_not_passed_over() {
        let all = passages(|kind, _| if kind == Kind::Lldp { Seen { unchanged: 2, ..WHOLE } } else { WHOLE });
        let [(Bears::Note, text)] = &told(&all, &[], Expect::Everything, 9_018)[..] else { panic!() };
        assert!(text.starts_with("copies_missing"), "{text}");
    }
}
