//! Whole frames: against octets made by another program, against an independent parser, against exhaustive
//! damage.

mod damage;
mod golden;
mod oracle;

use super::*;

/// Frames between two locally administered addresses.
pub(super) fn spec(encapsulation: Encapsulation, tags: usize, frame_size: u16) -> FrameSpec {
    let tags = match tags {
        0 => Tags::none(),
        1 => Tags::single(Tag { pcp: 5, ..Tag::customer(100) }),
        _ => Tags::double(Tag::service(7), Tag { dei: true, ..Tag::customer(4094) }),
    };
    FrameSpec {
        encapsulation,
        tags,
        dscp: 46,
        frame_size,
        source: MacAddr(0x02, 0x4b, 0x50, 0, 0, 0x01),
        destination: MacAddr(0x06, 0x91, 0x07, 0x33, 0x5a, 0xfe),
        session: 0xa55a,
        stream: 3,
        fill: Fill::Prbs,
        fill_seed: 0x1234_5678,
    }
}

/// Every encapsulation with every number of tags it allows, at its smallest size.
fn smallest() -> Vec<FrameSpec> {
    let mut specs = Vec::new();
    for encapsulation in Encapsulation::ALL {
        let most = if encapsulation == Encapsulation::Datagram { 0 } else { 2 };
        for tags in 0..=most {
            let mut spec = spec(encapsulation, tags, 0);
            spec.frame_size = FrameSpec::minimum_size(encapsulation, &spec.tags);
            specs.push(spec);
        }
    }
    specs
}

/// The frame with this sequence on its way out.
fn sent(spec: &FrameSpec, sequence: u32, departure: u32) -> Vec<u8> {
    let template = Template::new(spec).unwrap();
    let mut frame = vec![0xee; template.octets()];
    let variant = sequence as usize % VARIANTS;
    template.write(variant, &mut frame);
    template.stamp(variant, &mut frame, sequence, departure);
    frame
}

/// The same frame on its way home.
fn turned(spec: &FrameSpec, frame: &[u8], reflector_sequence: u32, residence: u16) -> Vec<u8> {
    let mut frame = frame.to_vec();
    Turner::new(spec).unwrap().turn(&mut frame, reflector_sequence, residence);
    frame
}

/// The header that [`sent`] and [`turned`] should have written.
fn header(spec: &FrameSpec, sequence: u32, departure: u32, mark: Option<(u32, u16)>) -> TestHeader {
    let (reflector_sequence, residence) = mark.unwrap_or((0, 0));
    TestHeader {
        session: spec.session,
        kind: Kind::Test,
        returned: mark.is_some(),
        stream: spec.stream,
        sequence,
        departure,
        reflector_sequence,
        residence,
    }
}
