//! Frames for the wire's own tests, built with etherparse.

use etherparse::PacketBuilder;

use crate::classify::ETHERTYPE_TEST;

#[derive(Clone, Copy, Debug, PartialEq)]
enum Over {
    Ipv4,
    Ipv6,
    Ethernet,
}

/// A test frame to build.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sample {
    over: Over,
    tags: usize,
    session: u16,
    stream: u8,
    sequence: u32,
    octet_2: u8,
    ports: (u16, u16),
}

impl Sample {
    fn over(over: Over) -> Self {
        Self { over, tags: 0, session: 1, stream: 0, sequence: 0, octet_2: 0x12, ports: (49184, 49185) }
    }
    pub(crate) fn ipv4() -> Self {
        Self::over(Over::Ipv4)
    }
    pub(crate) fn ipv6() -> Self {
        Self::over(Over::Ipv6)
    }
    pub(crate) fn ethernet() -> Self {
        Self::over(Over::Ethernet)
    }
    pub(crate) fn tagged(self, tags: usize) -> Self {
        Self { tags, ..self }
    }
    pub(crate) fn session(self, session: u16) -> Self {
        Self { session, ..self }
    }
    pub(crate) fn stream(self, stream: u8) -> Self {
        Self { stream, ..self }
    }
    pub(crate) fn sequence(self, sequence: u32) -> Self {
        Self { sequence, ..self }
    }
    pub(crate) fn learning(self) -> Self {
        Self { octet_2: 0x14, ..self }
    }
    pub(crate) fn ports(self, from: u16, to: u16) -> Self {
        Self { ports: (from, to), ..self }
    }
}

/// The frame without its FCS: `size` counts the FCS, as everywhere.
pub(crate) fn frame(sample: &Sample, size: usize) -> Vec<u8> {
    let size = size - 4;
    let mut header = [0_u8; 18];
    header[..2].copy_from_slice(&sample.session.to_be_bytes());
    header[2] = sample.octet_2;
    header[3] = sample.stream;
    header[4..8].copy_from_slice(&sample.sequence.to_be_bytes());
    let (from, to) = ([2, 0, 0, 0, 0, 1], [2, 0, 0, 0, 0, 2]);
    let prefix = match sample.over {
        Over::Ipv4 => 42,
        Over::Ipv6 => 62,
        Over::Ethernet => 14,
    } + 4 * sample.tags;
    let mut payload = header.to_vec();
    payload.extend((0..size.saturating_sub(prefix + 18)).map(|index| index as u8));
    if sample.over == Over::Ethernet {
        let mut out = [&to[..], &from[..]].concat();
        for tag in 0..sample.tags {
            out.extend([0x81, 0, 0, tag as u8 + 1]);
        }
        out.extend(ETHERTYPE_TEST.to_be_bytes());
        out.extend(payload);
        return out;
    }
    let link = PacketBuilder::ethernet2(from, to);
    let mut out = Vec::new();
    macro_rules! finish {
        ($step:expr) => {
            match sample.over {
                Over::Ipv4 => $step
                    .ipv4([198, 18, 1, 2], [198, 19, 1, 2], 10)
                    .udp(sample.ports.0, sample.ports.1)
                    .write(&mut out, &payload)
                    .unwrap(),
                _ => $step
                    .ipv6([0x20; 16], [0x21; 16], 10)
                    .udp(sample.ports.0, sample.ports.1)
                    .write(&mut out, &payload)
                    .unwrap(),
            }
        };
    }
    let id = |number: u16| etherparse::VlanId::try_new(number).unwrap();
    match sample.tags {
        0 => finish!(link),
        1 => finish!(link.single_vlan(id(1))),
        _ => finish!(link.double_vlan(id(1), id(2))),
    }
    out
}
