//! Whole frames, judged by an independent parser and by exhaustive damage.

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
