//! Everything that can happen to a frame on the way.

use super::*;
use proptest::prelude::*;

/// A checker and a frame that it calls intact.
struct Case {
    spec: FrameSpec,
    checker: Checker,
    frame: Vec<u8>,
    header: TestHeader,
    /// Offset of the test header.
    at: usize,
    /// Offset of the fill.
    fill: usize,
}

impl Case {
    fn new(spec: FrameSpec, homeward: bool, fill_check: bool) -> Self {
        let (sequence, departure, mark) = (0x0102_0304, 0xdead_beef, (0x55, 0x1234));
        let mut frame = sent(&spec, sequence, departure);
        if homeward {
            frame = turned(&spec, &frame, mark.0, mark.1);
        }
        let checker = if homeward { Checker::homeward } else { Checker::forward };
        let checker = checker(&spec, fill_check).unwrap();
        let header = header(&spec, sequence, departure, homeward.then_some(mark));
        assert_eq!(checker.check(&frame), Checked::Intact(header));
        let network = 14 + spec.tags.octets();
        let (at, fill) = match spec.encapsulation {
            Encapsulation::Ipv4 => (network + 28, network + 46),
            Encapsulation::Ipv6 => (network + 48, network + 66),
            Encapsulation::Ethernet => (network, network + 22),
            Encapsulation::Datagram => (0, if frame.len() < 22 { 18 } else { 22 }),
        };
        Self { spec, checker, frame, header, at, fill }
    }

    /// Offsets of the octets of the guard.
    fn guard(&self) -> std::ops::Range<usize> {
        match self.spec.encapsulation {
            Encapsulation::Ipv4 => self.at - 24..self.at - 22,
            Encapsulation::Ipv6 => self.at - 46..self.at - 44,
            Encapsulation::Ethernet | Encapsulation::Datagram => self.at + 18..self.at + 22,
        }
    }

    fn flipped(&self, bits: &[usize]) -> Vec<u8> {
        let mut frame = self.frame.clone();
        for bit in bits {
            frame[bit / 8] ^= 0x80 >> (bit % 8);
        }
        frame
    }

    fn has_udp(&self) -> bool {
        matches!(self.spec.encapsulation, Encapsulation::Ipv4 | Encapsulation::Ipv6)
    }

    /// Mends the UDP checksum after the test header was damaged, as a careless converter might.
    fn mend(&self, frame: &mut [u8]) {
        let field = self.at - 2;
        let mut checksum = u16::from_be_bytes([frame[field], frame[field + 1]]);
        for at in (self.at..frame.len()).step_by(2) {
            let word =
                |frame: &[u8]| u16::from_be_bytes([frame[at], frame.get(at + 1).copied().unwrap_or(0)]);
            checksum = update_checksum(checksum, word(&self.frame), word(frame));
        }
        frame[field..field + 2].copy_from_slice(&if checksum == 0 {
            [0xff; 2]
        } else {
            checksum.to_be_bytes()
        });
    }
}

/// Every encapsulation, tagging and direction, without fill (but for Ethernet) and with an odd number of fill
/// octets. The smallest datagrams have no guard and a test of their own.
fn cases(fill_check: bool) -> Vec<Case> {
    let mut cases = Vec::new();
    for smallest in smallest() {
        for more in [0, 27] {
            let spec = FrameSpec { frame_size: smallest.frame_size + more, ..smallest };
            if spec.encapsulation == Encapsulation::Datagram && more == 0 {
                continue;
            }
            for homeward in [false, true] {
                cases.push(Case::new(spec, homeward, fill_check));
            }
        }
    }
    assert_eq!(cases.len(), 38);
    cases
}

/// Exhaustive: every single bit of every frame.
#[test]
fn every_flipped_bit_is_one_damaged_frame() {
    for fill_check in [true, false] {
        for case in cases(fill_check) {
            for bit in 0..8 * case.frame.len() {
                let octet = bit / 8;
                let vouched = !(case.at..case.at + 18).contains(&octet) && !case.guard().contains(&octet);
                let wanted = if octet >= case.fill && !fill_check {
                    Checked::Intact(case.header)
                } else {
                    Checked::Damaged(vouched.then_some(case.header))
                };
                assert_eq!(
                    case.checker.check(&case.flipped(&[bit])),
                    wanted,
                    "{:?} octet {octet}",
                    case.spec
                );
            }
        }
    }
}

/// Exhaustive: every two bits of header and guard. No sequence is ever believed that was not sent.
#[test]
fn two_flipped_bits_of_header_and_guard_are_never_believed() {
    for case in cases(true) {
        let octets: Vec<usize> = (case.at..case.at + 18).chain(case.guard()).collect();
        let bits: Vec<usize> = octets.iter().flat_map(|octet| 8 * octet..8 * octet + 8).collect();
        for (i, &a) in bits.iter().enumerate() {
            for &b in &bits[..i] {
                let verdict = case.checker.check(&case.flipped(&[a, b]));
                assert_eq!(verdict, Checked::Damaged(None), "{:?} bits {a} and {b}", case.spec);
            }
        }
    }
}

/// Somebody recomputes the UDP checksum over a damaged frame: the guard still tells.
#[test]
fn mended_checksums_do_not_hide_damage() {
    let mut mended = 0;
    for fill_check in [true, false] {
        for case in cases(fill_check).iter().filter(|case| case.has_udp()) {
            for bit in 8 * case.at..8 * case.frame.len() {
                let mut frame = case.flipped(&[bit]);
                case.mend(&mut frame);
                assert_ne!(frame[case.at - 2..case.at], case.frame[case.at - 2..case.at]);
                // In the fill the guard is right, and the checksum is not the one that belongs to the
                // variant.
                let wanted = (bit >= 8 * case.fill).then_some(case.header);
                assert_eq!(case.checker.check(&frame), Checked::Damaged(wanted));
                mended += 1;
            }
        }
    }
    assert!(mended > 5000);
}

/// A frame that only the addresses make ours, and one that nothing does.
#[test]
fn addresses_decide_when_the_guard_is_wrong() {
    for case in cases(true).iter().filter(|case| case.spec.encapsulation != Encapsulation::Datagram) {
        let sequence = 8 * (case.at + 7);
        let (destination, source) = (0, 8 * 6);
        let verdict = |bits: &[usize]| case.checker.check(&case.flipped(bits));
        assert_eq!(verdict(&[sequence]), Checked::Damaged(None));
        assert_eq!(verdict(&[sequence, destination]), Checked::Damaged(None));
        assert_eq!(verdict(&[sequence, source]), Checked::Damaged(None));
        assert_eq!(verdict(&[sequence, destination, source]), Checked::Foreign);
        // The guard is right: ours, whatever the addresses say.
        assert_eq!(verdict(&[destination, source]), Checked::Damaged(Some(case.header)));
    }
}

#[test]
fn any_other_length_is_damage() {
    for case in cases(false) {
        let datagram = case.spec.encapsulation == Encapsulation::Datagram;
        for length in 0..case.frame.len() {
            let verdict = case.checker.check(&case.frame[..length]);
            let wanted = match length {
                _ if length >= case.fill => Checked::Damaged(Some(case.header)),
                0..6 if !datagram => Checked::Foreign,
                _ => Checked::Damaged(None),
            };
            // Between the header and the end of a guard behind it there is nothing to vouch with either.
            assert_eq!(verdict, wanted, "{:?} cut to {length}", case.spec);
        }
        let longer = [&case.frame[..], &[0]].concat();
        assert_eq!(case.checker.check(&longer), Checked::Damaged(Some(case.header)));
    }
}

#[test]
fn other_sessions_and_streams_are_foreign() {
    for case in cases(true) {
        let returned = case.header.returned;
        let others = [
            FrameSpec { session: case.spec.session ^ 1, ..case.spec },
            FrameSpec { stream: case.spec.stream ^ 0x80, ..case.spec },
        ];
        for other in others {
            let mut frame = sent(&other, 1, 2);
            if returned {
                frame = turned(&other, &frame, 3, 4);
            }
            assert_eq!(case.checker.check(&frame), Checked::Foreign);
        }
    }
}

/// On the way out nobody but the reflector may have written its fields, however right guard and checksums
/// are.
#[test]
fn the_reflectors_fields_are_zero_on_the_way_out() {
    for case in cases(true).iter().filter(|case| !case.header.returned) {
        for (reflector_sequence, residence) in [(1, 0), (0, 1), (1 << 31, 0), (0, 1 << 15)] {
            let header = TestHeader { reflector_sequence, residence, ..case.header };
            let mut frame = case.frame.clone();
            header.emit(&mut frame[case.at..]);
            let guard = case.guard();
            match case.spec.encapsulation {
                Encapsulation::Ipv4 => {
                    frame[guard.clone()].copy_from_slice(&guard16(&header.octets()).to_be_bytes());
                    let ip = case.at - 28;
                    frame[ip + 10..ip + 12].fill(0);
                    let checksum = internet_checksum(&frame[ip..ip + 20]);
                    frame[ip + 10..ip + 12].copy_from_slice(&checksum.to_be_bytes());
                }
                Encapsulation::Ipv6 => {
                    frame[guard].copy_from_slice(&guard16(&header.octets()).to_be_bytes());
                }
                _ => frame[guard].copy_from_slice(&guard32(&header.octets()).to_be_bytes()),
            }
            if case.has_udp() {
                case.mend(&mut frame);
            }
            assert_eq!(case.checker.check(&frame), Checked::Damaged(Some(header)));
        }
    }
}

/// A frame that carries another variant's fill, rightly checksummed, is not what was sent.
#[test]
fn the_fill_must_be_that_of_the_sequence() {
    for smallest in smallest() {
        let spec = FrameSpec { frame_size: 200, ..smallest };
        let checker = Checker::forward(&spec, true).unwrap();
        let (mine, other) = (sent(&spec, 5, 9), sent(&spec, 6, 9));
        let fill = Case::new(spec, false, true).fill;
        let mixed = [&mine[..fill], &other[fill..]].concat();
        assert_eq!(checker.check(&mixed), Checked::Damaged(Some(header(&spec, 5, 9, None))));
    }
}

/// Exhaustive: whatever bit was flipped on the way out, and turned unseen, is damage at home: turning never
/// mends.
#[test]
fn damage_on_the_way_out_survives_the_turn() {
    for case in cases(true).iter().filter(|case| !case.header.returned) {
        let home = Checker::homeward(&case.spec, true).unwrap();
        for bit in 0..8 * case.frame.len() {
            let frame = turned(&case.spec, &case.flipped(&[bit]), 77, 88);
            assert!(
                matches!(home.check(&frame), Checked::Damaged(_)),
                "{:?} octet {} of the frame sent",
                case.spec,
                bit / 8
            );
        }
    }
}

/// The smallest datagrams have no room for a guard: what the operating system's UDP checksum lets pass is
/// believed.
#[test]
fn the_smallest_datagrams_have_no_guard() {
    let smallest = spec(Encapsulation::Datagram, 0, 64);
    for more in 0..4 {
        for homeward in [false, true] {
            let spec = FrameSpec { frame_size: 64 + more, ..smallest };
            let case = Case::new(spec, homeward, true);
            for bit in 0..8 * case.frame.len() {
                let verdict = case.checker.check(&case.flipped(&[bit]));
                match bit / 8 {
                    0..4 => assert_eq!(verdict, Checked::Foreign),
                    // The sequence chooses the fill; there may be too little of it to tell.
                    4..12 => assert_ne!(verdict, Checked::Foreign),
                    12..18 if homeward => assert!(matches!(verdict, Checked::Intact(_))),
                    _ => assert_eq!(verdict, Checked::Damaged(None)),
                }
            }
            for length in 0..case.frame.len() {
                assert_eq!(case.checker.check(&case.frame[..length]), Checked::Damaged(None));
            }
        }
    }
}

proptest! {
    /// Anything at all may arrive, and a frame's beginning with anything at all behind it.
    #[test]
    fn nothing_that_arrives_is_a_panic_or_intact(
        shape in 0usize..9,
        homeward: bool,
        fill_check: bool,
        kept in 0usize..100,
        noise in proptest::collection::vec(any::<u8>(), 0..200),
    ) {
        let spec = FrameSpec { frame_size: 100, ..smallest()[shape] };
        let case = Case::new(spec, homeward, fill_check);
        let kept = kept.min(case.frame.len());
        let frame = [&case.frame[..kept], &noise[..]].concat();
        let verdict = case.checker.check(&frame);
        let judged = if fill_check { frame == case.frame } else { frame.starts_with(&case.frame[..case.fill]) };
        let same = judged && frame.len() == case.frame.len();
        prop_assert_eq!(matches!(verdict, Checked::Intact(_)), same);
        if let Some(found) = sniff(&frame) {
            // Only what the guard vouches for is found.
            prop_assert_eq!(found.header, case.header);
        }
        sniff(&noise);
        TestHeader::parse(&noise);
    }
}
