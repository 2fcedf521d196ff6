//! Octets on the wire, made by a separate program (Python's `struct` and `zlib`) from the field tables alone:
//! a change of the format must change these, and [`HEADER_VERSION`] with them.

use super::*;

/// Encapsulation, tags, frame size, the frame on its way out and on its way home, in hexadecimal.
const FRAMES: [(Encapsulation, usize, u16, &str, &str); 4] = [
    (
        Encapsulation::Ipv4,
        0,
        67,
        "\
         069107335afe024b50000001080045b800314cbe40000a119516c6120105c613 \
         0105c020c021001d923fa55a120301020302deadbeef000000000000020304",
        "\
         024b50000001069107335afe080045b8003196f740000a114addc6130105c612 \
         0105c021c020001dc181a55a130301020302deadbeef00abcdef0123020304",
    ),
    (
        Encapsulation::Ipv6,
        1,
        89,
        "\
         069107335afe024b500000018100a06486dd6b804cbe001b110a200100020000 \
         0000000000000001000520010002000000000000000000020005c020c021001b \
         e463a55a120301020302deadbeef00000000000002",
        "\
         024b50000001069107335afe8100a06486dd6b8096f7001b110a200100020000 \
         0000000000000002000520010002000000000000000000010005c021c020001b \
         13a6a55a130301020302deadbeef00abcdef012302",
    ),
    (
        Encapsulation::Ethernet,
        2,
        64,
        "\
         069107335afe024b5000000188a8000781001ffe88b5a55a120301020302dead \
         beef000000000000c80b556902030405060708090a0b0c0d0e0f1011",
        "\
         024b50000001069107335afe88a8000781001ffe88b5a55a130301020302dead \
         beef00abcdef0123fc718b0a02030405060708090a0b0c0d0e0f1011",
    ),
    (
        Encapsulation::Datagram,
        0,
        70,
        "\
         a55a120301020302deadbeef000000000000c80b55690203",
        "\
         a55a130301020302deadbeef00abcdef0123fc718b0a0203",
    ),
];

fn octets(hexadecimal: &str) -> Vec<u8> {
    let digits: Vec<u8> = hexadecimal.bytes().filter(u8::is_ascii_hexdigit).collect();
    let digits = std::str::from_utf8(&digits).unwrap();
    (0..digits.len()).step_by(2).map(|at| u8::from_str_radix(&digits[at..at + 2], 16).unwrap()).collect()
}

#[test]
fn frames_are_the_golden_ones() {
    for (encapsulation, tags, frame_size, out, home) in FRAMES {
        let spec = FrameSpec { fill: Fill::Ramp, ..spec(encapsulation, tags, frame_size) };
        let frame = sent(&spec, 0x0102_0302, 0xdead_beef);
        assert_eq!(frame, octets(out), "{encapsulation} out");
        assert_eq!(turned(&spec, &frame, 0x00ab_cdef, 0x0123), octets(home), "{encapsulation} home");
    }
}
