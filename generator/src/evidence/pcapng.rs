//! The blocks of a capture file: PCAP Next Generation, draft-ietf-opsawg-pcapng (the block layouts of its section 4), little
//! endian, times in nanoseconds.

/// LINKTYPE_ETHERNET.
const ETHERNET: u16 = 1;

mod option {
    pub(super) const END: u16 = 0;
    pub(super) const COMMENT: u16 = 1;
    /// Of a section: the program.
    pub(super) const APPLICATION: u16 = 4;
    /// Of an interface.
    pub(super) const NAME: u16 = 2;
    pub(super) const RESOLUTION: u16 = 9;
}

/// The head of a file.
pub(super) fn section(application: &str, comment: &str) -> Vec<u8> {
    let mut body = Vec::new();
    body.extend(0x1A2B_3C4D_u32.to_le_bytes());
    body.extend(1_u16.to_le_bytes());
    body.extend(0_u16.to_le_bytes());
    // Its length is not known yet.
    body.extend((-1_i64).to_le_bytes());
    add(&mut body, option::APPLICATION, application.as_bytes());
    add(&mut body, option::COMMENT, comment.as_bytes());
    block(0x0A0D_0D0A, body, true)
}

/// An interface whose times are nanoseconds; the first has the number 0.
pub(super) fn interface(name: &str) -> Vec<u8> {
    let mut body = Vec::new();
    body.extend(ETHERNET.to_le_bytes());
    body.extend(0_u16.to_le_bytes());
    // Frames are whole.
    body.extend(0_u32.to_le_bytes());
    add(&mut body, option::NAME, name.as_bytes());
    add(&mut body, option::RESOLUTION, &[9]);
    block(1, body, true)
}

/// A frame of interface 0; `at_ns` is since 1970.
pub(super) fn frame(at_ns: u64, octets: &[u8], comment: Option<&str>) -> Vec<u8> {
    let mut body = Vec::with_capacity(octets.len() + 64);
    let length = (octets.len() as u32).to_le_bytes();
    body.extend(0_u32.to_le_bytes());
    time(&mut body, at_ns);
    body.extend(length);
    body.extend(length);
    body.extend(octets);
    pad(&mut body);
    if let Some(comment) = comment {
        add(&mut body, option::COMMENT, comment.as_bytes());
    }
    block(6, body, comment.is_some())
}

/// What a stretch of the capture came to, as the statistics of interface 0.
pub(super) fn statistics(at_ns: u64, comment: &str) -> Vec<u8> {
    let mut body = Vec::new();
    body.extend(0_u32.to_le_bytes());
    time(&mut body, at_ns);
    add(&mut body, option::COMMENT, comment.as_bytes());
    block(5, body, true)
}

fn time(body: &mut Vec<u8>, at_ns: u64) {
    body.extend(((at_ns >> 32) as u32).to_le_bytes());
    body.extend((at_ns as u32).to_le_bytes());
}

fn add(body: &mut Vec<u8>, code: u16, value: &[u8]) {
    // A comment longer than its length can say is cut.
    let value = &value[..value.len().min(usize::from(u16::MAX) - 3)];
    body.extend(code.to_le_bytes());
    body.extend((value.len() as u16).to_le_bytes());
    body.extend(value);
    pad(body);
}

fn pad(body: &mut Vec<u8>) {
    body.resize(body.len().next_multiple_of(4), 0);
}

fn block(kind: u32, mut body: Vec<u8>, has_options: bool) -> Vec<u8> {
    if has_options {
        add(&mut body, option::END, &[]);
    }
    let length = (body.len() as u32 + 12).to_le_bytes();
    [&kind.to_le_bytes()[..], &length, &body, &length].concat()
}

#[cfg(test)]
mod tests {
    use pcap_parser::traits::PcapReaderIterator;
    use pcap_parser::{Block, OptionCode, PcapBlockOwned, PcapError, PcapNGReader};
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Read back by an independent library: the same octets, times and words.
        #[test]
        fn an_independent_library_reads_it(
            frames in prop::collection::vec((any::<u64>(), prop::collection::vec(any::<u8>(), 14..100), ".{0,20}"), 0..20),
        ) {
            let mut file = section("kitproof 0", "why");
            file.extend(interface("eth1"));
            for (at, octets, comment) in &frames {
                let comment = (!comment.is_empty()).then_some(comment.as_str());
                file.extend(frame(*at, octets, comment));
            }
            file.extend(statistics(5_000_000_000, "3 frames lost"));
            let mut reader = PcapNGReader::new(65_536, file.as_slice()).unwrap();
            let (mut heads, mut read, mut said) = (0, Vec::new(), String::new());
            loop {
                match reader.next() {
                    Ok((size, block)) => {
                        match block {
                            PcapBlockOwned::NG(Block::SectionHeader(head)) => {
                                prop_assert_eq!((head.major_version, head.minor_version), (1, 0));
                                heads += 1;
                            }
                            PcapBlockOwned::NG(Block::InterfaceDescription(interface)) => {
                                prop_assert_eq!((interface.linktype.0, interface.if_tsresol), (1, 9));
                                heads += 1;
                            }
                            PcapBlockOwned::NG(Block::EnhancedPacket(packet)) => {
                                let comment = packet.options.iter().find(|option| option.code == OptionCode::Comment);
                                let comment = comment.map_or(String::new(), |comment| {
                                    String::from_utf8(comment.value()[..usize::from(comment.len)].to_vec()).unwrap()
                                });
                                let at = u64::from(packet.ts_high) << 32 | u64::from(packet.ts_low);
                                let octets = packet.data[..packet.caplen as usize].to_vec();
                                prop_assert_eq!(packet.caplen, packet.origlen);
                                read.push((at, octets, comment));
                            }
                            PcapBlockOwned::NG(Block::InterfaceStatistics(statistics)) => {
                                let comment = statistics.options.iter().find(|option| option.code == OptionCode::Comment);
                                let comment = comment.unwrap();
                                said = String::from_utf8(comment.value()[..usize::from(comment.len)].to_vec()).unwrap();
                            }
                            _ => prop_assert!(false, "a block that was not written"),
                        }
                        reader.consume(size);
                    }
                    Err(PcapError::Eof) => break,
                    Err(PcapError::Incomplete(_)) => reader.refill().unwrap(),
                    Err(error) => prop_assert!(false, "{error:?}"),
                }
            }
            prop_assert_eq!(heads, 2);
            prop_assert_eq!(read, frames);
            prop_assert_eq!(said, "3 frames lost");
        }
    }
}
