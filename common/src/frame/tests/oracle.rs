//! `etherparse` as the second opinion on every octet that is not ours alone.

use super::*;
use etherparse::{LinkExtHeader, LinkHeader, NetHeaders, PacketHeaders, TransportHeader};
use proptest::prelude::*;

/// Takes a frame apart with etherparse and finds everything as asked for. Gives the payload: test header and
/// what follows.
fn dissect<'a>(spec: &FrameSpec, homeward: bool, frame: &'a [u8]) -> &'a [u8] {
    assert_eq!(frame.len(), usize::from(spec.frame_size) - 4);
    let parsed = PacketHeaders::from_ethernet_slice(frame).unwrap();
    fn turned_if<T>(homeward: bool, (a, b): (T, T)) -> (T, T) {
        if homeward { (b, a) } else { (a, b) }
    }

    let Some(LinkHeader::Ethernet2(link)) = parsed.link else { panic!("no Ethernet header") };
    let (source, destination) = turned_if(homeward, (spec.source.octets(), spec.destination.octets()));
    assert_eq!((link.source, link.destination), (source, destination));

    let mut announced = link.ether_type.0;
    assert_eq!(parsed.link_exts.len(), spec.tags.len());
    for (found, wanted) in parsed.link_exts.iter().zip(spec.tags.iter()) {
        let LinkExtHeader::Vlan(found) = found else { panic!("no VLAN tag") };
        assert_eq!(announced, wanted.tpid);
        assert_eq!(found.vlan_id.value(), wanted.vid);
        assert_eq!(found.pcp.value(), wanted.pcp);
        assert_eq!(found.drop_eligible_indicator, wanted.dei);
        announced = found.ether_type.0;
    }

    let payload = parsed.payload.slice();
    if spec.encapsulation == Encapsulation::Ethernet {
        assert_eq!(announced, ETHER_TYPE_TEST);
        let guard = u32::from_be_bytes(payload[18..22].try_into().unwrap());
        assert_eq!(guard, crc32fast::hash(&payload[..18]));
        return payload;
    }

    let Some(TransportHeader::Udp(udp)) = parsed.transport else { panic!("no UDP header") };
    assert_eq!(
        (udp.source_port, udp.destination_port),
        turned_if(homeward, (GENERATOR_PORT, REFLECTOR_PORT))
    );
    assert_eq!(usize::from(udp.length), 8 + payload.len());
    assert_ne!(udp.checksum, 0);
    match parsed.net {
        Some(NetHeaders::Ipv4(ip, _)) => {
            assert_eq!(spec.encapsulation, Encapsulation::Ipv4);
            assert_eq!(announced, 0x0800);
            let ends = turned_if(
                homeward,
                (
                    of_flow(GENERATOR_IPV4.octets(), spec.stream),
                    of_flow(REFLECTOR_IPV4.octets(), spec.stream),
                ),
            );
            assert_eq!((ip.source, ip.destination), ends);
            assert_eq!(ip.dscp.value(), spec.dscp);
            assert_eq!((ip.ecn.value(), ip.time_to_live, ip.dont_fragment), (0, HOP_LIMIT, true));
            assert_eq!((ip.more_fragments, ip.fragment_offset.value()), (false, 0));
            assert_eq!(usize::from(ip.total_len), 28 + payload.len());
            assert_eq!(ip.header_checksum, ip.calc_header_checksum());
            assert_eq!(udp.checksum, udp.calc_checksum_ipv4(&ip, payload).unwrap());
            assert_eq!(ip.identification, fcs16(&payload[..18]));
        }
        Some(NetHeaders::Ipv6(ip, _)) => {
            assert_eq!(spec.encapsulation, Encapsulation::Ipv6);
            assert_eq!(announced, 0x86dd);
            let ends = turned_if(
                homeward,
                (
                    of_flow(GENERATOR_IPV6.octets(), spec.stream),
                    of_flow(REFLECTOR_IPV6.octets(), spec.stream),
                ),
            );
            assert_eq!((ip.source, ip.destination), ends);
            assert_eq!((ip.traffic_class, ip.hop_limit), (spec.dscp << 2, HOP_LIMIT));
            assert_eq!(usize::from(ip.payload_length), 8 + payload.len());
            assert_eq!(udp.checksum, udp.calc_checksum_ipv6(&ip, payload).unwrap());
            assert_eq!(ip.flow_label.value(), u32::from(fcs16(&payload[..18])));
        }
        _ => panic!("no IP header"),
    }
    payload
}

/// The addresses of a flow: those of the first, and so many more (streams beyond 7 begin anew).
fn of_flow<const N: usize>(mut first: [u8; N], stream: u8) -> [u8; N] {
    first[N - 1] += stream & 7;
    first
}

/// Sends a frame round and has every stage judged: by etherparse, by the checkers, by the sniffer.
fn round(spec: &FrameSpec, sequence: u32, departure: u32, mark: (u32, u16)) {
    let out = sent(spec, sequence, departure);
    let home = turned(spec, &out, mark.0, mark.1);
    let stages = [
        (&out, header(spec, sequence, departure, None)),
        (&home, header(spec, sequence, departure, Some(mark))),
    ];
    for (frame, wanted) in stages {
        if spec.encapsulation == Encapsulation::Datagram {
            assert_eq!(frame.len(), usize::from(spec.frame_size) - 46);
            assert_eq!(TestHeader::parse(frame), Some(wanted));
            assert_eq!(sniff(frame), None);
        } else {
            let payload = dissect(spec, wanted.returned, frame);
            assert_eq!(TestHeader::parse(payload), Some(wanted));
            let found = Sniffed {
                encapsulation: spec.encapsulation,
                tags: spec.tags,
                offset: frame.len() - payload.len(),
                header: wanted,
            };
            assert_eq!(sniff(frame), Some(found));
        }
        for fill_check in [false, true] {
            let forward = Checker::forward(spec, fill_check).unwrap().check(frame);
            let homeward = Checker::homeward(spec, fill_check).unwrap().check(frame);
            let intact = Checked::Intact(wanted);
            let verdicts = if wanted.returned { (homeward, forward) } else { (forward, homeward) };
            assert_eq!(verdicts, (intact, Checked::Foreign));
        }
    }
}

#[test]
fn every_encapsulation_tagging_and_size() {
    let mut rounds = 0;
    for smallest in smallest() {
        let few = smallest.frame_size..smallest.frame_size + 40;
        // RFC 2544 section 9.1 and RFC 5180 section 5.1.1, both parities around each, and a comb up to the
        // largest.
        let named = [128, 256, 512, 1024, 1280, 1518, 1522, 4096, 8192, 9215, 9216];
        let around = named.into_iter().flat_map(|size| [size - 1, size, (size + 1).min(9216)]);
        let comb = (200..9216).step_by(997);
        for (i, frame_size) in few.chain(around).chain(comb).enumerate() {
            let fill = Fill::ALL[i % 5];
            let sequence = 0xffff_fff0 + (i as u32 * 7) % 16;
            round(&FrameSpec { frame_size, fill, ..smallest }, sequence, 0xfedc_ba98, (u32::MAX, 0xfffe));
            rounds += 1;
        }
    }
    assert_eq!(rounds, 10 * (40 + 33 + 10));
}

#[test]
fn a_written_frame_is_valid_before_it_is_stamped() {
    for spec in smallest() {
        let spec = FrameSpec { frame_size: 200, ..spec };
        let template = Template::new(&spec).unwrap();
        let checker = Checker::forward(&spec, true).unwrap();
        for variant in 0..VARIANTS {
            let mut frame = vec![0xee; template.octets() + 3];
            template.write(variant, &mut frame);
            assert_eq!(frame.split_off(template.octets()), [0xee; 3], "nothing is written behind the frame");
            assert_eq!(checker.check(&frame), Checked::Intact(header(&spec, variant as u32, 0, None)));
        }
    }
}

/// RFC 768: a computed checksum of 0 is sent as FFFF. One departure in 65,535 gives it, and so does one
/// reflector sequence.
#[test]
fn udp_checksums_that_come_out_as_zero() {
    for encapsulation in [Encapsulation::Ipv4, Encapsulation::Ipv6] {
        let spec = spec(encapsulation, 0, 84);
        let at = if encapsulation == Encapsulation::Ipv4 { 40 } else { 60 };
        let all_ones = |frame: &[u8]| frame[at..at + 2] == [0xff, 0xff];
        let template = Template::new(&spec).unwrap();
        let mut frame = sent(&spec, 0, 0);
        let departure = (0..=0xffff)
            .find(|&departure| {
                template.stamp(0, &mut frame, 0, departure);
                all_ones(&frame)
            })
            .expect("some departure makes the sum come out as zero");
        round(&spec, 0, departure, (1, 1));
        let turner = Turner::new(&spec).unwrap();
        let mut home = vec![0; frame.len()];
        let reflector_sequence = (0..=0xffff)
            .find(|&reflector_sequence| {
                home.copy_from_slice(&frame);
                turner.turn(&mut home, reflector_sequence, 0);
                all_ones(&home)
            })
            .expect("some reflector sequence makes the sum come out as zero");
        round(&spec, 0, departure, (reflector_sequence, 0));
    }
}

#[test]
fn learning_frames_are_valid_and_never_counted() {
    for spec in smallest() {
        for direction in [Direction::Forward, Direction::Homeward] {
            let template = Template::learning(&spec, direction).unwrap();
            let mut frame = vec![0; template.octets()];
            template.write(0, &mut frame);
            for checker in [Checker::forward(&spec, true), Checker::homeward(&spec, true)] {
                assert_eq!(checker.unwrap().check(&frame), Checked::Foreign);
            }
            let homeward = direction == Direction::Homeward;
            let payload = match spec.encapsulation {
                Encapsulation::Datagram => &frame[..],
                _ => dissect(&spec, homeward, &frame),
            };
            let header = TestHeader::parse(payload).unwrap();
            assert_eq!((header.kind, header.returned), (Kind::Learning, homeward));
        }
    }
}

#[test]
fn sniffing_stops_at_two_tags_and_at_strangers() {
    let frame = sent(&spec(Encapsulation::Ipv4, 2, 100), 1, 2);
    let third = [&frame[..12], &Tag::customer(1).octets(), &frame[12..]].concat();
    assert!(sniff(&frame).is_some());
    assert_eq!(sniff(&third), None);
    let mut control = sent(&spec(Encapsulation::Ethernet, 0, 100), 1, 2);
    assert!(sniff(&control).is_some());
    control[12..14].copy_from_slice(&ETHER_TYPE_CONTROL.to_be_bytes());
    assert_eq!(sniff(&control), None);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn whatever_is_asked_for_goes_round(
        shape in 0usize..10,
        more in 0u16..1500,
        dscp in 0u8..64,
        session in 1u16..,
        stream: u8,
        fill in 0usize..5,
        (fill_seed, sequence, departure, mark) in any::<(u32, u32, u32, (u32, u16))>(),
        (source, destination) in any::<([u8; 6], [u8; 6])>(),
    ) {
        let address = |octets: [u8; 6]| {
            let [a, b, c, d, e, f] = octets;
            MacAddr(a & 0xfe, b, c, d, e, f)
        };
        let (source, destination) = (address(source), address(destination));
        prop_assume!(source != destination);
        let smallest = smallest()[shape];
        let frame_size = smallest.frame_size + more;
        let fill = Fill::ALL[fill];
        let spec =
            FrameSpec { frame_size, dscp, session, stream, fill, fill_seed, source, destination, ..smallest };
        round(&spec, sequence, departure, mark);
    }
}
