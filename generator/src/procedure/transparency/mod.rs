//! Transparency: which kinds of frames the chain passes unchanged, each kind by each size that fits, both ways.
//!
//! What the pair's own ports do not deliver (a MAC eats PAUSE) is never the chain's: each kind goes over the reference first
//! (`--reference`), and without one nothing that is missing is charged to anybody. What arrives unchanged needs none.

mod causes;

use kitproof_common::control::random;
use kitproof_common::line::LineRate;
use kitproof_common::probe::{Item, Kind, MOST_ITEMS, Round, Seen};
use tokio::sync::watch;

use causes::Charged;

use super::failure::Failure;
use super::plan::{RFC2544_SIZES, Target, Via, Wanted};
use super::runner::{Finished, Run, Runner, Show};
use crate::reference::{Delivered, Reference, store};
use crate::report::{self, Findings};
use crate::verdict::{Outcome, Reason};

/// Larger ones, where they fit (RFC 5180 section 5.1.1, and the frame of an MTU of 9,000).
const JUMBO: [u16; 5] = [2_048, 4_096, 8_192, 9_018, 9_216];
/// Octets around an MTU: the header and the FCS.
const AROUND_MTU: u32 = 18;

/// What is under test, for what it may keep back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Expect {
    /// A tap or a patch: everything.
    Everything,
    /// A converter or a switch: what a bridge keeps back as well.
    Bridge,
}

/// What is asked for beside what every run is.
#[derive(Clone, Copy, Debug)]
pub struct Options {
    pub expect: Expect,
    /// The pair alone is between the ports: what it delivers is kept.
    pub reference: bool,
}

/// What came of one kind at one size, each way.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Passage {
    item: Item,
    forward: Seen,
    back: Seen,
}

/// The largest frame that passes, each way; 0 where none does.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Largest {
    forward: u16,
    back: u16,
}

/// Sends every kind at every size, both ways, and says what came.
///
/// # Errors
/// Only before the first frame; after that everything is a result.
pub async fn run(
    options: Options,
    mut wanted: Wanted,
    target: Target,
    interrupt: watch::Receiver<bool>,
    show: &mut dyn Show,
) -> Result<Finished, Failure> {
    if matches!(target, Target::Udp(_)) {
        return Err(Failure::Usage("kinds of frames are sent on an interface, not over UDP".into()));
    }
    if wanted.via == Via::Xdp {
        return Err(Failure::Usage("--via xdp: kinds of frames are sent by packet sockets".into()));
    }
    wanted.via = Via::Packet;
    // Nothing is paced here: what 100 % would be is not needed.
    wanted.line_rate.get_or_insert(LineRate(10_000_000));
    wanted.frame_sizes = Some(vec![RFC2544_SIZES[1]]);
    let mut runner = Runner::open(wanted, target, interrupt, show).await?;
    if options.reference {
        runner.pair_alone();
        runner.say(
            "the reference: join the two ports with one known-good patch cord, and nothing else between them",
        );
    }
    let items = items(largest_that_fits(&runner));
    let rounds = items.len().div_ceil(MOST_ITEMS);
    runner.say(&format!(
        "{} kinds and sizes in {rounds} rounds each way; this takes about {} s",
        items.len(),
        rounds * 2
    ));
    let mut passages = Vec::new();
    let mut failure = None;
    for chunk in items.chunks(MOST_ITEMS) {
        if runner.interrupted() {
            break;
        }
        match round(&mut runner, chunk).await {
            Ok(found) => passages.extend(found),
            Err(error) if passages.is_empty() => return Err(error),
            Err(error) => {
                failure = Some(error.to_string());
                break;
            }
        }
    }
    let complete = passages.len() == items.len();
    let largest = if complete { search(&mut runner, &passages).await } else { largest(&passages) };
    let (ports, known) = (runner.ports(), runner.known().clone());
    let run = runner.close().await;
    let mut reasons = Vec::new();
    if !complete {
        let why = failure.as_deref().unwrap_or("it was interrupted");
        reasons.push(Reason::unproven(
            "incomplete",
            format!("Only {} of {} kinds and sizes were sent: {why}.", passages.len(), items.len()),
            "Run it again to the end.",
        ));
    }
    let delivered = known.fresh().map(|reference| reference.delivered.as_slice()).unwrap_or_default();
    if options.reference {
        // What was cut short takes no older reference's place.
        reasons.extend(complete.then(|| kept(&ports, &passages)));
        reasons.extend(not_delivered(&passages));
    } else {
        reasons.extend(causes::reasons(&Charged {
            passages: &passages,
            largest,
            delivered,
            expect: options.expect,
        }));
    }
    let findings = Findings {
        transparency: passages.iter().map(|passage| finding(passage, delivered)).collect(),
        largest_frame: Some(report::LargestFrame {
            forward: Some(largest.forward).filter(|size| *size > 0),
            homeward: Some(largest.back).filter(|size| *size > 0),
        }),
        ..Findings::default()
    };
    Ok(finished(run, findings, reasons, options.reference))
}

fn finished(run: Run, findings: Findings, reasons: Vec<Reason>, reference: bool) -> Finished {
    // A reference judges nothing.
    let outcome = Outcome::where_judged(&reasons, !reference);
    Finished { run, outcome, reasons, findings }
}

/// Bytes including FCS that both ends' MTUs let through, without a tag.
fn largest_that_fits(runner: &Runner<'_>) -> u16 {
    let (near, far) = runner.mtus();
    let mtu = near.unwrap_or(1_500).min(far.unwrap_or(1_500));
    u16::try_from(mtu + AROUND_MTU).unwrap_or(u16::MAX)
}

/// Every kind at every size it has and that fits. The kernel lets a packet socket send 4 octets more behind one 802.1Q tag
/// (see `plan::sizes`).
fn items(largest: u16) -> Vec<Item> {
    let sizes = |kind: Kind| {
        let room = match kind {
            Kind::OneTag | Kind::PriorityTag => largest + 4,
            _ => largest,
        };
        let mut sizes: Vec<u16> = RFC2544_SIZES.to_vec();
        sizes.push(RFC2544_SIZES[6] + kind.tag_octets());
        sizes.extend(JUMBO);
        sizes.push(room);
        sizes.retain(|size| *size <= room && kind.has(*size));
        sizes.sort_unstable();
        sizes.dedup();
        sizes.into_iter().map(move |size| Item(kind, size))
    };
    Kind::all().flat_map(sizes).collect()
}

/// Sends some items both ways.
async fn round(runner: &mut Runner<'_>, items: &[Item]) -> Result<Vec<Passage>, Failure> {
    let forward = runner.session().probe_forward(&fresh(items)).await?;
    let back = runner.session().probe_return(&fresh(items)).await?;
    let each = items.iter().zip(forward).zip(back);
    Ok(each.map(|((item, forward), back)| Passage { item: *item, forward, back }).collect())
}

fn fresh(items: &[Item]) -> Round {
    Round { tag: (random() as u16).max(1), items: items.to_vec() }
}

/// The largest untagged frames that passed.
fn largest(passages: &[Passage]) -> Largest {
    let untagged = || passages.iter().filter(|passage| passage.item.0 == Kind::Untagged);
    let most = |way: fn(&Passage) -> &Seen| {
        untagged().filter(|passage| way(passage).passed()).map(|passage| passage.item.1).max().unwrap_or(0)
    };
    Largest { forward: most(|passage| &passage.forward), back: most(|passage| &passage.back) }
}

/// Narrows the largest frame that passes down to a byte, each way, between the sizes that were sent.
async fn search(runner: &mut Runner<'_>, passages: &[Passage]) -> Largest {
    let mut largest = largest(passages);
    let failed = |way: fn(&Passage) -> &Seen, passed: u16| {
        let untagged = passages.iter().filter(|passage| passage.item.0 == Kind::Untagged);
        let failed = untagged.filter(|passage| !way(passage).passed() && passage.item.1 > passed);
        failed.map(|passage| passage.item.1).min()
    };
    let mut too_long = failed(|passage| &passage.forward, largest.forward);
    while let Some(fails) = too_long.filter(|fails| largest.forward > 0 && fails - largest.forward > 1) {
        let size = largest.forward + (fails - largest.forward) / 2;
        match runner.session().probe_forward(&fresh(&[Item(Kind::Untagged, size)])).await.as_deref() {
            Ok([seen]) if seen.passed() => largest.forward = size,
            Ok([_]) => too_long = Some(size),
            _ => break,
        }
    }
    let mut too_long = failed(|passage| &passage.back, largest.back);
    while let Some(fails) = too_long.filter(|fails| largest.back > 0 && fails - largest.back > 1) {
        let size = largest.back + (fails - largest.back) / 2;
        match runner.session().probe_return(&fresh(&[Item(Kind::Untagged, size)])).await.as_deref() {
            Ok([seen]) if seen.passed() => largest.back = size,
            Ok([_]) => too_long = Some(size),
            _ => break,
        }
    }
    largest
}

/// Keeps what the pair alone delivers.
fn kept(ports: &crate::reference::Ports, passages: &[Passage]) -> Reason {
    let delivered = passages
        .iter()
        .map(|passage| Delivered {
            item: passage.item,
            forward: passage.forward.passed(),
            homeward: passage.back.passed(),
        })
        .collect();
    match store::change(ports, |reference: &mut Reference| reference.delivered = delivered) {
        Ok(place) => Reason::note(
            "reference_kept",
            format!("What the pair delivers is kept in {place}."),
            "Put the chain in, and run it again without --reference.",
        ),
        Err(why) => Reason::unproven(
            "reference_not_kept",
            format!("What the pair delivers could not be kept: {why}."),
            "Without it nothing that is missing is charged to the chain.",
        ),
    }
}

/// What the pair alone does not deliver cannot be shown of any chain between these ports.
fn not_delivered(passages: &[Passage]) -> Option<Reason> {
    let mut kinds: Vec<String> = passages
        .iter()
        .filter(|passage| !passage.forward.passed() || !passage.back.passed())
        .map(|passage| passage.item.0.to_string())
        .collect();
    kinds.dedup();
    (!kinds.is_empty()).then(|| {
        Reason::note(
            "pair_does_not_deliver",
            format!("These ports do not deliver by themselves: {}.", kinds.join(", ")),
            "A MAC takes PAUSE for itself, firmware may take more: of these nothing can be said of a chain between these ports.",
        )
    })
}

fn finding(passage: &Passage, delivered: &[Delivered]) -> report::Passage {
    let by_pair = delivered.iter().find(|one| one.item == passage.item);
    let fate = |seen: &Seen, by_pair: Option<bool>| report::Fate {
        passed: seen.passed(),
        unchanged: seen.unchanged,
        changed: seen.changed,
        again: seen.again,
        change: seen.change.map(causes::change_words),
        pair_delivers: by_pair,
    };
    report::Passage {
        kind: passage.item.0.to_string(),
        frame_size: passage.item.1,
        forward: fate(&passage.forward, by_pair.map(|one| one.forward)),
        homeward: fate(&passage.back, by_pair.map(|one| one.homeward)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_goes_at_every_size_that_fits() {
        let items = items(1_518);
        assert!(
            items.contains(&Item(Kind::OneTag, 1_522)) && items.contains(&Item(Kind::PriorityTag, 1_522))
        );
        assert!(!items.contains(&Item(Kind::TwoTags, 1_526)), "two tags do not fit that MTU");
        assert_eq!(items.iter().filter(|item| item.0 == Kind::Pause).count(), 1);
        assert_eq!(items.iter().filter(|item| item.0 == Kind::Untagged).count(), 7);
        assert!(items.iter().all(|Item(kind, size)| kind.has(*size) && *size <= 1_522));
        let kinds = items.iter().map(|item| item.0).collect::<std::collections::HashSet<_>>().len();
        assert_eq!(kinds, 27);
        let jumbo = super::items(9_018);
        assert!(jumbo.contains(&Item(Kind::Broadcast, 9_018)) && jumbo.contains(&Item(Kind::OneTag, 9_022)));
        assert!(!jumbo.iter().any(|item| item.1 == 9_216));
    }
}
