//! Copies of test frames, counted by trial, direction and port.

use hdrhistogram::Histogram;
use kitproof_common::frame::{Encapsulation, Kind, Sniffed, internet_checksum, sniff};
use kitproof_common::sequence::Tracker;

/// Numbers a late copy may be behind the newest.
const SPAN: usize = 1 << 16;
/// Flows that are watched; more than this are counted and nothing else.
const FLOWS: usize = 1024;
/// Arrivals kept to find the other direction's copy of a frame.
const KEPT: usize = 1 << 14;
/// Addresses of so many flows are looked at to find whose a damaged frame is.
const RECENT: usize = 8;

/// Which way a frame travelled in the link.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Way {
    Forward,
    Return,
}

/// What came of one flow of one trial, one way, at one port.
pub struct Flow {
    pub tag: u16,
    pub way: Way,
    pub stream: u8,
    /// The number of the port it came by.
    pub port: usize,
    pub tracker: Tracker,
    /// Recognised copies that were not as the frame was sent.
    pub damaged: u64,
    /// Arrivals, nanoseconds.
    pub first_ns: u64,
    pub last_ns: u64,
    /// Whether damage of what fills a frame shows: a bare Ethernet frame has no checksum over it.
    pub fill_is_judged: bool,
    addresses: [u8; 12],
}

/// How long after the copy of a frame on its way out the copy of the same frame on its way home came.
pub struct Skew {
    /// Nanoseconds; only pairs whose first copy came first.
    pub after: Histogram<u64>,
    /// Pairs in which the copy of the frame on its way home came first: on the monitor side the answer is before the
    /// question.
    pub before: u64,
    pub most_before_ns: u64,
}

/// Everything that came.
pub struct Tally {
    pub flows: Vec<Flow>,
    /// Frames that are no test frames, and no damaged ones that could be told.
    pub others: u64,
    /// Test frames of flows beyond those that are watched.
    pub unwatched: u64,
    pub skew: Skew,
    latest: usize,
    /// What a checksum is taken over.
    scratch: Vec<u8>,
    /// Sequence, tag and arrival of the copies of each way, by sequence.
    arrivals: [Vec<(u32, u16, u64)>; 2],
}

impl Default for Tally {
    fn default() -> Self {
        // From a nanosecond to ten seconds, three figures: bounds that hdrhistogram accepts.
        let after = Histogram::new_with_bounds(1, 10_000_000_000, 3)
            .unwrap_or_else(|error| unreachable!("the bounds are right: {error}"));
        Self {
            flows: Vec::new(),
            others: 0,
            unwatched: 0,
            skew: Skew { after, before: 0, most_before_ns: 0 },
            latest: 0,
            scratch: Vec::new(),
            arrivals: [const { Vec::new() }; 2],
        }
    }
}

impl Tally {
    /// Takes note of a frame (without its FCS) that came by a port. True if it is a test frame, damaged or not.
    pub fn take(&mut self, port: usize, frame: &[u8], arrived_ns: u64) -> bool {
        let Some(found) = sniff(frame) else { return self.damaged(port, frame, arrived_ns) };
        if found.header.kind != Kind::Test {
            return false;
        }
        let header = found.header;
        let way = if header.returned { Way::Return } else { Way::Forward };
        let Some(place) = self.place(port, header.session, way, header.stream, &found, frame) else {
            self.unwatched += 1;
            return true;
        };
        let flow = &mut self.flows[place];
        flow.first_ns = flow.first_ns.min(arrived_ns);
        flow.last_ns = flow.last_ns.max(arrived_ns);
        if !is_intact(frame, &found, &mut self.scratch) {
            flow.damaged += 1;
            return true;
        }
        flow.tracker.arrive_low(header.sequence);
        if header.stream == 0 {
            self.pair(way, header.sequence, header.session, arrived_ns);
        }
        true
    }

    /// The flow of a frame; `None` if there are too many.
    fn place(
        &mut self,
        port: usize,
        tag: u16,
        way: Way,
        stream: u8,
        found: &Sniffed,
        frame: &[u8],
    ) -> Option<usize> {
        let same =
            |flow: &Flow| flow.tag == tag && flow.way == way && flow.stream == stream && flow.port == port;
        if self.flows.get(self.latest).is_some_and(same) {
            return Some(self.latest);
        }
        let place = match self.flows.iter().rposition(same) {
            Some(place) => place,
            None if self.flows.len() >= FLOWS => return None,
            None => {
                self.flows.push(Flow {
                    tag,
                    way,
                    stream,
                    port,
                    tracker: Tracker::new(SPAN, 0),
                    damaged: 0,
                    first_ns: u64::MAX,
                    last_ns: 0,
                    fill_is_judged: found.encapsulation != Encapsulation::Ethernet,
                    addresses: frame.first_chunk().copied().unwrap_or_default(),
                });
                self.flows.len() - 1
            }
        };
        self.latest = place;
        Some(place)
    }

    /// A frame that cannot be read belongs to the flow whose addresses it has, if one of them is whole.
    fn damaged(&mut self, port: usize, frame: &[u8], arrived_ns: u64) -> bool {
        let recent = self.flows.iter_mut().rev().filter(|flow| flow.port == port).take(RECENT);
        let mut alike = recent.filter(|flow| {
            frame.get(..6) == Some(&flow.addresses[..6]) || frame.get(6..12) == Some(&flow.addresses[6..])
        });
        // Control frames go between the same addresses, and have a type of their own.
        let control = frame.get(12..14) == Some(&kitproof_common::frame::ETHER_TYPE_CONTROL.to_be_bytes());
        match alike.next().filter(|_| !control) {
            Some(flow) => {
                flow.damaged += 1;
                flow.last_ns = flow.last_ns.max(arrived_ns);
                true
            }
            None => {
                self.others += 1;
                false
            }
        }
    }

    /// Holds a copy against that of the other way.
    fn pair(&mut self, way: Way, sequence: u32, tag: u16, arrived_ns: u64) {
        let slot = sequence as usize % KEPT;
        for kept in &mut self.arrivals {
            if kept.is_empty() {
                kept.resize(KEPT, (0, 0, 0));
            }
        }
        let [forward, back] = &mut self.arrivals;
        let (own, other) = match way {
            Way::Forward => (forward, back),
            Way::Return => (back, forward),
        };
        let (known, of, at) = other[slot];
        if at > 0 && known == sequence && of == tag {
            let (out, home) = match way {
                Way::Forward => (arrived_ns, at),
                Way::Return => (at, arrived_ns),
            };
            match home.checked_sub(out) {
                Some(after) => self.skew.after.saturating_record(after.max(1)),
                None => {
                    self.skew.before += 1;
                    self.skew.most_before_ns = self.skew.most_before_ns.max(out - home);
                }
            }
            other[slot] = (0, 0, 0);
        } else {
            own[slot] = (sequence, tag, arrived_ns);
        }
    }
}

/// Whether the UDP checksum (RFC 768, RFC 8200 section 8.1) is right. A bare Ethernet frame has none; its header has been
/// vouched for.
fn is_intact(frame: &[u8], found: &Sniffed, scratch: &mut Vec<u8>) -> bool {
    const UDP: usize = 8;
    const PROTOCOL: u8 = 17;
    let Some(at) = found.offset.checked_sub(UDP) else { return true };
    let (addresses, length): (usize, usize) = match found.encapsulation {
        Encapsulation::Ipv4 => (at - 8, 8),
        Encapsulation::Ipv6 => (at - 32, 32),
        Encapsulation::Ethernet | Encapsulation::Datagram => return true,
    };
    let told = usize::from(u16::from_be_bytes([frame[at + 4], frame[at + 5]]));
    let Some(datagram) = frame.get(at..at + told) else { return false };
    scratch.clear();
    scratch.extend_from_slice(&frame[addresses..addresses + length]);
    scratch.extend_from_slice(&[0, PROTOCOL]);
    scratch.extend_from_slice(&(told as u16).to_be_bytes());
    scratch.extend_from_slice(datagram);
    internet_checksum(scratch) == 0
}

#[cfg(test)]
mod tests {
    use kitproof_common::frame::{Fill, FrameSpec, Tag, Tags, Template, Turner};

    use super::*;

    fn spec(encapsulation: Encapsulation, tags: &[u16]) -> FrameSpec {
        FrameSpec {
            encapsulation,
            tags: Tags::try_from(tags.iter().map(|tci| Tag::from_tci(0x8100, *tci)).collect::<Vec<_>>())
                .unwrap(),
            dscp: 0,
            frame_size: 128,
            source: "02:00:00:00:00:01".parse().unwrap(),
            destination: "02:00:00:00:00:02".parse().unwrap(),
            session: 0x1234,
            stream: 0,
            fill: Fill::Prbs,
            fill_seed: 1,
        }
    }

    fn out(spec: &FrameSpec, sequence: u64) -> Vec<u8> {
        let template = Template::new(spec).unwrap();
        let mut frame = vec![0; template.octets()];
        let variant = sequence as usize % kitproof_common::frame::VARIANTS;
        template.write(variant, &mut frame);
        template.stamp(variant, &mut frame, sequence as _, 7);
        frame
    }

    fn home(spec: &FrameSpec, sequence: u64) -> Vec<u8> {
        let mut frame = out(spec, sequence);
        Turner::new(spec).unwrap().turn(&mut frame, sequence as u32, 3);
        frame
    }

    #[test]
    fn both_ways_are_told_apart_and_counted() {
        for (encapsulation, tags) in
            [(Encapsulation::Ipv4, &[][..]), (Encapsulation::Ipv6, &[5]), (Encapsulation::Ethernet, &[1, 2])]
        {
            let spec = spec(encapsulation, tags);
            let mut tally = Tally::default();
            for sequence in 0..100 {
                if sequence != 17 {
                    assert!(tally.take(0, &out(&spec, sequence), 1_000 + sequence * 100));
                }
                assert!(tally.take(1, &home(&spec, sequence), 1_040 + sequence * 100));
            }
            let [forward, back] = tally.flows.as_slice() else { panic!("{encapsulation}") };
            assert_eq!((forward.way, forward.port, back.way, back.port), (Way::Forward, 0, Way::Return, 1));
            assert_eq!((forward.tag, back.tag), (0x1234, 0x1234));
            assert_eq!((forward.tracker.distinct(), back.tracker.distinct()), (99, 100));
            assert_eq!((tally.skew.after.len(), tally.skew.before), (99, 0));
            assert_eq!(tally.skew.after.max(), 40);
            assert_eq!((forward.damaged, back.damaged, tally.others), (0, 0, 0));
        }
    }

    /// Every bit of a frame flipped in turn: each flip is told as damage of that flow, where there is a checksum over it.
    /// Only a flip that makes another flow of it (tag, stream, way) may be one, and the guard vouches against that.
    #[test]
    fn every_flipped_bit_is_damage() {
        for encapsulation in [Encapsulation::Ipv4, Encapsulation::Ipv6] {
            let spec = spec(encapsulation, &[]);
            let mut tally = Tally::default();
            tally.take(0, &out(&spec, 0), 1);
            let whole = out(&spec, 1);
            let (mut told, mut flips) = (0, 0);
            for bit in 0..whole.len() * 8 {
                let mut frame = whole.clone();
                frame[bit / 8] ^= 1 << (bit % 8);
                let before = tally.flows[0].damaged;
                tally.take(0, &frame, 2);
                flips += 1;
                told += tally.flows[0].damaged - before;
            }
            // What no checksum covers: the addresses, and IPv6's traffic class and hop limit.
            let uncovered = match encapsulation {
                Encapsulation::Ipv4 => 12 * 8,
                _ => 12 * 8 + 8 + 8,
            };
            assert_eq!(told, flips - uncovered, "{encapsulation}");
            assert_eq!(tally.flows.len(), 1);
        }
    }

    #[test]
    fn the_answer_before_the_question_is_counted() {
        let spec = spec(Encapsulation::Ipv4, &[]);
        let mut tally = Tally::default();
        tally.take(1, &home(&spec, 0), 100);
        tally.take(0, &out(&spec, 0), 130);
        assert_eq!((tally.skew.before, tally.skew.most_before_ns, tally.skew.after.len()), (1, 30, 0));
    }

    #[test]
    fn strangers_are_counted_apart() {
        let mut tally = Tally::default();
        assert!(!tally.take(0, &[0xFF; 60], 1));
        assert!(!tally.take(0, &[], 1));
        assert_eq!((tally.others, tally.flows.len()), (2, 0));
    }
}
