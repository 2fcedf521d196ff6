//! The test header.

/// Octets of the test header on the wire.
pub const HEADER_OCTETS: usize = 18;
/// The version this build writes and the only one it reads.
pub const HEADER_VERSION: u8 = 1;
/// Nanoseconds in one unit of [`TestHeader::residence`].
pub const RESIDENCE_UNIT_NS: u64 = 64;

/// What a frame with a test header is for. Unknown values are kept, so that a newer peer is recognised, not
/// guessed at.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Kind {
    /// Counted, numbered, returned.
    Test,
    /// Teaches bridges on the way where an address lives (RFC 2544 section 23, phase b); never counted.
    Learning,
    /// A kind of 3 bits that this version does not know.
    Unknown(u8),
}

impl Kind {
    /// The 3 bits on the wire.
    pub const fn code(self) -> u8 {
        match self {
            Self::Test => 1,
            Self::Learning => 2,
            Self::Unknown(code) => code & 7,
        }
    }

    /// The kind with these 3 bits; higher bits are ignored.
    pub const fn from_code(code: u8) -> Self {
        match code & 7 {
            1 => Self::Test,
            2 => Self::Learning,
            code => Self::Unknown(code),
        }
    }
}

/// The test header: the first 18 octets of every payload, in network byte order.
///
/// | offset | octets | field |
/// | --- | --- | --- |
/// | 0 | 2 | session: random tag of one trial, never 0 |
/// | 2 | 1 | bits 7-4 version (1), bits 3-1 kind, bit 0 returned |
/// | 3 | 1 | stream |
/// | 4 | 4 | sequence, low 32 bits, from 0 |
/// | 8 | 4 | departure: the generator's monotonic nanoseconds, low 32 bits |
/// | 12 | 4 | reflector sequence, low 32 bits, in order of arrival; 0 on the way out |
/// | 16 | 2 | residence in the reflector in units of 64 ns, FFFF for that and more; 0 on the way out |
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct TestHeader {
    pub session: u16,
    pub kind: Kind,
    /// Set by the reflector: the frame is on its way home and must not be returned again.
    pub returned: bool,
    pub stream: u8,
    pub sequence: u32,
    /// The generator's monotonic clock in nanoseconds, low 32 bits.
    pub departure: u32,
    pub reflector_sequence: u32,
    /// Units of 64 ns, saturating.
    pub residence: u16,
}

impl TestHeader {
    /// Reads a header from the first [`HEADER_OCTETS`] of `octets`.
    ///
    /// `None` if there are fewer, or if they carry another version. Nothing else is judged here.
    #[inline]
    pub fn parse(octets: &[u8]) -> Option<Self> {
        let octets = octets.first_chunk::<HEADER_OCTETS>()?;
        (octets[2] >> 4 == HEADER_VERSION).then(|| Self::read(octets))
    }

    /// Reads the fields whatever the version says.
    #[inline(always)]
    pub(crate) fn read(octets: &[u8; HEADER_OCTETS]) -> Self {
        let [s0, s1, kind, stream, q0, q1, q2, q3, d0, d1, d2, d3, r0, r1, r2, r3, h0, h1] = *octets;
        Self {
            session: u16::from_be_bytes([s0, s1]),
            kind: Kind::from_code(kind >> 1),
            returned: kind & 1 == 1,
            stream,
            sequence: u32::from_be_bytes([q0, q1, q2, q3]),
            departure: u32::from_be_bytes([d0, d1, d2, d3]),
            reflector_sequence: u32::from_be_bytes([r0, r1, r2, r3]),
            residence: u16::from_be_bytes([h0, h1]),
        }
    }

    /// The header as it stands on the wire.
    pub const fn octets(&self) -> [u8; HEADER_OCTETS] {
        let [s0, s1] = self.session.to_be_bytes();
        let kind = HEADER_VERSION << 4 | self.kind.code() << 1 | self.returned as u8;
        let [q0, q1, q2, q3] = self.sequence.to_be_bytes();
        let [d0, d1, d2, d3] = self.departure.to_be_bytes();
        let [r0, r1, r2, r3] = self.reflector_sequence.to_be_bytes();
        let [h0, h1] = self.residence.to_be_bytes();
        [s0, s1, kind, self.stream, q0, q1, q2, q3, d0, d1, d2, d3, r0, r1, r2, r3, h0, h1]
    }

    /// Writes the header over the first [`HEADER_OCTETS`] of `octets`.
    ///
    /// # Panics
    /// If there are fewer.
    pub fn emit(&self, octets: &mut [u8]) {
        octets[..HEADER_OCTETS].copy_from_slice(&self.octets());
    }

    /// Residence in nanoseconds (the field is cut to 64 ns); `None` if it was too long for the field.
    pub const fn residence_ns(&self) -> Option<u64> {
        if self.residence == u16::MAX { None } else { Some(self.residence as u64 * RESIDENCE_UNIT_NS) }
    }
}

/// Nanoseconds in the reflector as the field [`TestHeader::residence`]: units of 64 ns, rounded down,
/// saturating.
#[inline]
pub const fn residence_field(nanoseconds: u64) -> u16 {
    let units = nanoseconds / RESIDENCE_UNIT_NS;
    if units > u16::MAX as u64 { u16::MAX } else { units as u16 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn golden_octets() {
        let header = TestHeader {
            session: 0xa1b2,
            kind: Kind::Test,
            returned: true,
            stream: 7,
            sequence: 0x0102_0304,
            departure: 0x1122_3344,
            reflector_sequence: 0x5566_7788,
            residence: 0x99aa,
        };
        let octets = *b"\xa1\xb2\x13\x07\x01\x02\x03\x04\x11\x22\x33\x44\x55\x66\x77\x88\x99\xaa";
        assert_eq!(header.octets(), octets);
        assert_eq!(TestHeader::parse(&octets), Some(header));
        assert_eq!(TestHeader::parse(&octets[..17]), None);
        let mut newer = octets;
        newer[2] = 0x23;
        assert_eq!(TestHeader::parse(&newer), None);
    }

    #[test]
    fn residence_saturates() {
        assert_eq!(residence_field(63), 0);
        assert_eq!(residence_field(64), 1);
        assert_eq!(residence_field(64 * 65_534 + 63), 65_534);
        assert_eq!(residence_field(64 * 65_535), 65_535);
        assert_eq!(residence_field(u64::MAX), 65_535);
        let mut header = TestHeader::read(&[0; HEADER_OCTETS]);
        header.residence = 65_534;
        assert_eq!(header.residence_ns(), Some(4_194_176));
        header.residence = 65_535;
        assert_eq!(header.residence_ns(), None);
    }

    proptest! {
        #[test]
        fn octets_come_back(mut octets: [u8; HEADER_OCTETS]) {
            octets[2] = octets[2] & 0x0f | HEADER_VERSION << 4;
            let header = TestHeader::parse(&octets).unwrap();
            prop_assert_eq!(header.octets(), octets);
            let mut buffer = [0xee; 20];
            header.emit(&mut buffer);
            prop_assert_eq!(&buffer[..18], &octets[..]);
            prop_assert_eq!(&buffer[18..], &[0xee, 0xee]);
        }
    }
}
