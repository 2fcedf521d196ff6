//! What kind of frame is this? Read with etherparse, so that the wire's opinion owes nothing to the code under test.
//!
//! The layout is the one of design.md: 18 octets, network byte order, first in the payload of a bare test frame
//! (EtherType 0x88B5) or of UDP with port 49184 or 49185 on either side.

use etherparse::{NetSlice, SlicedPacket, TransportSlice};

/// EtherType of bare test frames: IEEE 802 local experimental 1.
pub const ETHERTYPE_TEST: u16 = 0x88B5;
/// EtherType of control frames: IEEE 802 local experimental 2.
pub const ETHERTYPE_CONTROL: u16 = 0x88B6;
/// UDP ports of test frames, forward and return (RFC 2544 C.2.6.4 prints C020h).
pub const PORTS: [u16; 2] = [49184, 49185];
/// Length of the test header.
pub const HEADER_OCTETS: usize = 18;

// The third octet of the test header: version in bits 7-4, kind in bits 3-1, returned in bit 0.
const KIND_MASK: u8 = 0x0E;
const KIND_LEARNING: u8 = 2 << 1;
const RETURNED: u8 = 0x01;

/// What the wire knows of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Class {
    Test(Test),
    /// A test frame that teaches switches where a MAC address is, and is no part of a trial.
    Learning,
    Control,
    Foreign,
}

/// The parts of a test frame that the wire uses.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Test {
    pub session: u16,
    /// Which flow of the trial; each has sequence numbers of its own.
    pub stream: u8,
    pub sequence: u32,
    pub returned: bool,
    /// Offset of the test header from the frame's first octet.
    pub header: usize,
    /// Offset of the first octet behind the test header that is payload, and the end of it. Behind a bare test
    /// frame's header stands a CRC-32, which is no fill.
    pub fill: (usize, usize),
    /// Offset of the IPv4 header, if there is one.
    pub ipv4: Option<usize>,
    /// Offset of the UDP header, if there is one.
    pub udp: Option<usize>,
}

/// Classifies a frame, tags and all.
pub fn classify(frame: &[u8]) -> Class {
    let Ok(packet) = SlicedPacket::from_ethernet(frame) else {
        return Class::Foreign;
    };
    match (&packet.net, &packet.transport) {
        (Some(net), Some(TransportSlice::Udp(udp))) => {
            if !PORTS.contains(&udp.source_port()) && !PORTS.contains(&udp.destination_port()) {
                return Class::Foreign;
            }
            let ipv4 = match net {
                NetSlice::Ipv4(ipv4) => Some(offset(frame, ipv4.header().slice())),
                _ => None,
            };
            let header = offset(frame, udp.payload());
            let end = header + udp.payload().len();
            test(frame, header, (header + HEADER_OCTETS, end), ipv4, Some(offset(frame, udp.slice())))
        }
        (None, None) => match packet.ether_payload() {
            Some(payload) if payload.ether_type.0 == ETHERTYPE_CONTROL => Class::Control,
            Some(payload) if payload.ether_type.0 == ETHERTYPE_TEST => {
                let header = offset(frame, payload.payload);
                let end = frame.len();
                test(frame, header, (header + HEADER_OCTETS + 4, end), None, None)
            }
            _ => Class::Foreign,
        },
        _ => Class::Foreign,
    }
}

fn test(
    frame: &[u8],
    header: usize,
    (fill, end): (usize, usize),
    ipv4: Option<usize>,
    udp: Option<usize>,
) -> Class {
    if end < header + HEADER_OCTETS {
        return Class::Foreign;
    }
    let octets = &frame[header..header + HEADER_OCTETS];
    let session = u16::from_be_bytes([octets[0], octets[1]]);
    if session == 0 {
        return Class::Foreign;
    }
    if octets[2] & KIND_MASK == KIND_LEARNING {
        return Class::Learning;
    }
    Class::Test(Test {
        session,
        stream: octets[3],
        sequence: u32::from_be_bytes([octets[4], octets[5], octets[6], octets[7]]),
        returned: octets[2] & RETURNED != 0,
        header,
        fill: (fill.min(end), end),
        ipv4,
        udp,
    })
}

/// Where `part` begins in `whole`, of which it is a slice.
pub(crate) fn offset(whole: &[u8], part: &[u8]) -> usize {
    part.as_ptr() as usize - whole.as_ptr() as usize
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples::{Sample, frame};

    #[test]
    fn finds_the_header_in_every_encapsulation() {
        for (sample, header) in [
            (Sample::ipv4(), 42),
            (Sample::ipv4().tagged(1), 46),
            (Sample::ipv4().tagged(2), 50),
            (Sample::ipv6(), 62),
            (Sample::ethernet(), 14),
            (Sample::ethernet().tagged(2), 22),
        ] {
            let octets = frame(&sample.session(7).sequence(0x0102_0304), 200);
            match classify(&octets) {
                Class::Test(test) => {
                    assert_eq!((test.session, test.sequence, test.header), (7, 0x0102_0304, header));
                    assert!(!test.returned);
                }
                other => panic!("{sample:?} is {other:?}"),
            }
        }
    }

    /// The two readings of the layout agree: the frames the pair really sends are what the wire takes them for.
    #[test]
    fn knows_the_frames_of_the_pair() {
        use kitproof_common::frame::{
            Direction, Encapsulation, Fill, FrameSpec, MacAddr, Tag, Tags, Template, Turner,
        };
        let tags =
            [Tags::none(), Tags::single(Tag::customer(5)), Tags::double(Tag::service(6), Tag::customer(5))];
        for encapsulation in [Encapsulation::Ipv4, Encapsulation::Ipv6, Encapsulation::Ethernet] {
            for (tags, size) in tags.iter().flat_map(|&tags| [96, 1522, 9216].map(|size| (tags, size))) {
                let spec = FrameSpec {
                    encapsulation,
                    tags,
                    dscp: 46,
                    frame_size: size,
                    source: MacAddr::new(2, 0, 0, 0, 0, 1),
                    destination: MacAddr::new(2, 0, 0, 0, 0, 2),
                    session: 0xABCD,
                    stream: 3,
                    fill: Fill::Prbs,
                    fill_seed: 9,
                };
                let template = Template::new(&spec).unwrap();
                let mut octets = vec![0; template.octets()];
                template.write(1, &mut octets);
                template.stamp(1, &mut octets, 0x8000_0001, 77);
                let expect = |octets: &[u8], returned: bool| match classify(octets) {
                    Class::Test(test) => {
                        assert_eq!((test.session, test.sequence), (0xABCD, 0x8000_0001));
                        assert_eq!(test.returned, returned);
                        assert_eq!(test.fill.1, octets.len());
                    }
                    other => panic!("{spec:?} is {other:?}"),
                };
                expect(&octets, false);
                Turner::new(&spec).unwrap().turn(&mut octets, 5, 6);
                expect(&octets, true);
                let learning = Template::learning(&spec, Direction::Forward).unwrap();
                let mut octets = vec![0; learning.octets()];
                learning.write(0, &mut octets);
                learning.stamp(0, &mut octets, 0, 0);
                assert_eq!(classify(&octets), Class::Learning);
            }
        }
    }

    #[test]
    fn tells_control_learning_and_strangers_apart() {
        let mut control = frame(&Sample::ethernet(), 64);
        control[12..14].copy_from_slice(&ETHERTYPE_CONTROL.to_be_bytes());
        assert_eq!(classify(&control), Class::Control);
        assert_eq!(classify(&frame(&Sample::ethernet().learning(), 64)), Class::Learning);
        assert_eq!(classify(&frame(&Sample::ethernet().session(0), 64)), Class::Foreign);
        assert_eq!(classify(&frame(&Sample::ipv4().ports(5353, 5353), 64)), Class::Foreign);
        for length in 0..60 {
            let class = classify(&frame(&Sample::ipv4(), 64)[..length]);
            assert_eq!(class, Class::Foreign, "{length} octets of a frame");
        }
    }
}
