//! Judging what arrived.

use super::VARIANTS;
use super::checksum::{fold, fold_half, is_zero};
use super::fill::Windows;
use super::guard::{self, FIXED_OCTETS, MOVING_OCTETS, Width, guard16, guard32};
use super::header::{HEADER_OCTETS, Kind, TestHeader};
use super::layout::{
    Direction, GUARDED_REGION, IPV4_OCTETS, IPV4_REGION, IPV6_OCTETS, IPV6_REGION, Image, Layout, Shape,
    UDP_OCTETS, inside, part, region, word,
};
use super::spec::{FrameError, FrameSpec};
use super::tags::TAG_OCTETS;

/// What a received frame is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Checked {
    /// One of ours, every judged octet as it was sent.
    Intact(TestHeader),
    /// One of ours, but not as it was sent. The header is given if its guard vouches for it: then the
    /// sequence can be believed; without it, all that is known is that one frame arrived damaged.
    Damaged(Option<TestHeader>),
    /// Not of this trial, this stream or this direction.
    Foreign,
}

/// Judges the frames of one direction of one trial.
///
/// A frame is intact if its length is right, its guard is right, and every octet is what the specification
/// says for its sequence: addresses, tags, headers, checksums and (if asked for) fill. The checksums are
/// judged by arithmetic from sums made beforehand, so that the payload is read once, by one comparison, or
/// not at all.
///
/// Else, in this order:
///
/// 1. The guard is right and session, version, kind, direction and stream are those of the trial: damaged,
///    and the header is given.
/// 2. The guard is right and one of them differs: foreign.
/// 3. The guard is wrong, or the frame is too short to have one: damaged if the destination address is ours
///    or the source address is the peer's, else foreign. A datagram has no addresses and counts as damaged:
///    the socket has already chosen what may arrive. The smallest datagrams have no guard (UDP's own
///    checksum, which the operating system verifies, must do): one of the wrong session is foreign, otherwise
///    damaged without a header.
#[derive(Clone, Debug)]
pub struct Checker {
    layout: Layout,
    place: Place,
    /// What the first octets should be, and ones where that is compared.
    want: [u64; WORDS],
    mask: [u64; WORDS],
    guard16: u16,
    guard32: u32,
    ip_sum: u16,
    /// The sum for the UDP checksum of each variant, without [`SUMMED_OCTETS`].
    udp_sum: [u16; VARIANTS],
    /// Ones where the reflector's fields must be 0: on the way out.
    unmarked: u32,
    fill_check: bool,
    fixed: [u8; FIXED_OCTETS],
    /// What an intact header says in its fixed octets.
    header: TestHeader,
    /// Addresses in front of the frame: ours, then the peer's.
    addresses: [u8; 12],
    windows: Windows,
}

/// A shape and the tags in front of it. The hot path is compiled for each, so that every offset in it is a
/// constant: bounds are judged once, and the comparison of the front becomes straight-line vector code.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Place {
    Ipv4,
    Ipv4Tag,
    Ipv4Tags,
    Ipv6,
    Ipv6Tag,
    Ipv6Tags,
    Ethernet,
    EthernetTag,
    EthernetTags,
    Datagram,
    Bare,
}

impl Place {
    fn new(layout: &Layout) -> Self {
        match (layout.shape, layout.network) {
            (Shape::Ipv4, PLAIN) => Self::Ipv4,
            (Shape::Ipv4, TAG) => Self::Ipv4Tag,
            (Shape::Ipv4, TAGS) => Self::Ipv4Tags,
            (Shape::Ipv6, PLAIN) => Self::Ipv6,
            (Shape::Ipv6, TAG) => Self::Ipv6Tag,
            (Shape::Ipv6, TAGS) => Self::Ipv6Tags,
            (Shape::Guarded, PLAIN) => Self::Ethernet,
            (Shape::Guarded, TAG) => Self::EthernetTag,
            (Shape::Guarded, TAGS) => Self::EthernetTags,
            (Shape::Guarded, 0) => Self::Datagram,
            (Shape::Bare, 0) => Self::Bare,
            (shape, network) => unreachable!("{shape:?} at offset {network}"),
        }
    }
}

/// The octet behind the EtherType, with no tag, one and two.
const PLAIN: usize = 14;
const TAG: usize = PLAIN + TAG_OCTETS;
const TAGS: usize = TAG + TAG_OCTETS;

/// Eight-octet words that cover everything up to the fixed part of the test header: two tags and IPv6 at
/// most.
const WORDS: usize = (TAGS + IPV6_OCTETS + UDP_OCTETS + FIXED_OCTETS).div_ceil(8);

/// The last octets of the header, which are read as two words and summed: the moving octets, and two fixed
/// ones that fill the second word.
const SUMMED_OCTETS: usize = 16;
const SUMMED_OFFSET: usize = HEADER_OCTETS - SUMMED_OCTETS;

impl Checker {
    /// For the reflector: frames on the way out. `fill_check` compares the fill too.
    ///
    /// # Errors
    /// Whatever [`FrameSpec::check`] finds.
    pub fn forward(spec: &FrameSpec, fill_check: bool) -> Result<Self, FrameError> {
        Self::new(spec, Direction::Forward, fill_check)
    }

    /// For the generator: frames on the way home. `fill_check` compares the fill too.
    ///
    /// # Errors
    /// Whatever [`FrameSpec::check`] finds.
    pub fn homeward(spec: &FrameSpec, fill_check: bool) -> Result<Self, FrameError> {
        Self::new(spec, Direction::Homeward, fill_check)
    }

    fn new(spec: &FrameSpec, direction: Direction, fill_check: bool) -> Result<Self, FrameError> {
        let image = Image::new(spec, direction, Kind::Test)?;
        let layout = image.layout;

        // Everything in front of the moving octets of the header, except the moving fields in between.
        let compared = layout.header + FIXED_OCTETS;
        let mut mask = [0; 8 * WORDS];
        mask[..compared].fill(0xff);
        let moving: &[usize] = match layout.shape {
            Shape::Ipv4 => &[4, 10, IPV4_OCTETS + 6],
            Shape::Ipv6 => &[2, IPV6_OCTETS + 6],
            Shape::Guarded | Shape::Bare => &[],
        };
        for at in moving {
            mask[layout.network + at..][..2].fill(0);
        }
        let mut want = [0; 8 * WORDS];
        want[..compared].copy_from_slice(&image.head[..compared]);

        let mut header = [0; HEADER_OCTETS];
        header[..FIXED_OCTETS].copy_from_slice(&image.fixed);
        let summed = word(&header, SUMMED_OFFSET);
        let header = TestHeader::read(&header);

        let mut addresses = [0; 12];
        if layout.addressed {
            addresses.copy_from_slice(&image.head[..12]);
        }
        Ok(Self {
            layout,
            place: Place::new(&layout),
            want: std::array::from_fn(|i| u64::from_ne_bytes(part(&want, 8 * i))),
            mask: std::array::from_fn(|i| u64::from_ne_bytes(part(&mask, 8 * i))),
            guard16: guard::base(image.fixed),
            guard32: guard::base(image.fixed),
            ip_sum: image.ip_sum,
            // One's complement arithmetic: to subtract is to add the complement.
            udp_sum: image.udp_sum.map(|sum| fold(u64::from(sum) + u64::from(!summed))),
            unmarked: if direction == Direction::Forward { u32::MAX } else { 0 },
            fill_check: fill_check && layout.octets > layout.fill,
            fixed: image.fixed,
            header,
            addresses,
            windows: image.windows,
        })
    }

    /// Octets of an intact frame in a buffer.
    pub fn octets(&self) -> usize {
        self.layout.octets
    }

    /// Judges a frame (or a datagram's payload) of any length and content.
    #[inline]
    pub fn check(&self, frame: &[u8]) -> Checked {
        match self.intact_header(frame) {
            Some(header) => Checked::Intact(header),
            None => self.judge(frame),
        }
    }

    /// The header of a frame that [`Self::check`] calls intact: for whoever has frames by the million, and puts up with a
    /// second look at the others.
    #[inline(always)]
    pub fn intact_header(&self, frame: &[u8]) -> Option<TestHeader> {
        if frame.len() == self.layout.octets { self.intact(frame) } else { None }
    }

    /// The header, if everything is right in a frame of the right length.
    #[inline(always)]
    fn intact(&self, frame: &[u8]) -> Option<TestHeader> {
        let header = match self.place {
            Place::Ipv4 => self.ipv4::<PLAIN>(frame),
            Place::Ipv4Tag => self.ipv4::<TAG>(frame),
            Place::Ipv4Tags => self.ipv4::<TAGS>(frame),
            Place::Ipv6 => self.ipv6::<PLAIN>(frame),
            Place::Ipv6Tag => self.ipv6::<TAG>(frame),
            Place::Ipv6Tags => self.ipv6::<TAGS>(frame),
            Place::Ethernet => self.guarded::<PLAIN>(frame),
            Place::EthernetTag => self.guarded::<TAG>(frame),
            Place::EthernetTags => self.guarded::<TAGS>(frame),
            Place::Datagram => self.guarded::<0>(frame),
            Place::Bare => self.is_front_right(frame, FIXED_OCTETS).then(|| region(frame, 0)),
        }?;
        // The fixed octets have been compared.
        let read = TestHeader {
            sequence: u32::from_be_bytes(part(header, 4)),
            departure: u32::from_be_bytes(part(header, 8)),
            reflector_sequence: u32::from_be_bytes(part(header, 12)),
            residence: u16::from_be_bytes(part(header, 16)),
            ..self.header
        };
        let marked = read.reflector_sequence | u32::from(read.residence);
        if marked & self.unmarked != 0 || self.fill_check && !self.is_filled(frame, read.sequence) {
            return None;
        }
        Some(read)
    }

    /// The header, if all in front of it and its guard is right.
    #[inline(always)]
    fn ipv4<'f, const NETWORK: usize>(&self, frame: &'f [u8]) -> Option<&'f [u8; HEADER_OCTETS]> {
        let frame = &frame[..NETWORK + IPV4_REGION];
        let header = region(frame, NETWORK + IPV4_OCTETS + UDP_OCTETS);
        let guard = self.guard(header).to_be();
        let checksum = !fold_half(u32::from(self.ip_sum) + u32::from(guard));
        let right = two(frame, NETWORK + 4) == guard
            && two(frame, NETWORK + 10) == checksum
            && self.is_udp_checksum(two(frame, NETWORK + IPV4_OCTETS + 6), header)
            && self.is_front_right(frame, NETWORK + IPV4_OCTETS + UDP_OCTETS + FIXED_OCTETS);
        right.then_some(header)
    }

    /// As [`Self::ipv4`].
    #[inline(always)]
    fn ipv6<'f, const NETWORK: usize>(&self, frame: &'f [u8]) -> Option<&'f [u8; HEADER_OCTETS]> {
        let frame = &frame[..NETWORK + IPV6_REGION];
        let header = region(frame, NETWORK + IPV6_OCTETS + UDP_OCTETS);
        let right = two(frame, NETWORK + 2) == self.guard(header).to_be()
            && self.is_udp_checksum(two(frame, NETWORK + IPV6_OCTETS + 6), header)
            && self.is_front_right(frame, NETWORK + IPV6_OCTETS + UDP_OCTETS + FIXED_OCTETS);
        right.then_some(header)
    }

    /// The header, if all in front of it is right, and the guard behind it.
    #[inline(always)]
    fn guarded<'f, const NETWORK: usize>(&self, frame: &'f [u8]) -> Option<&'f [u8; HEADER_OCTETS]> {
        let frame = &frame[..NETWORK + GUARDED_REGION];
        let header = region(frame, NETWORK);
        let guard = self.guard32 ^ u32::added::<FIXED_OCTETS, MOVING_OCTETS>(inside(header, FIXED_OCTETS));
        let right = u32::from_be_bytes(*region(frame, NETWORK + HEADER_OCTETS)) == guard
            && self.is_front_right(frame, NETWORK + FIXED_OCTETS);
        right.then_some(header)
    }

    /// Compares what does not move in the first octets. `compared` is a constant wherever this is called.
    #[inline(always)]
    fn is_front_right(&self, frame: &[u8], compared: usize) -> bool {
        // Two by two, as a vector register holds them.
        let mut wrong = [0; 2];
        for i in 0..compared.div_ceil(8) {
            wrong[i % 2] |= (u64::from_ne_bytes(*region(frame, 8 * i)) ^ self.want[i]) & self.mask[i];
        }
        wrong[0] | wrong[1] == 0
    }

    /// The 16-bit guard that belongs to a header with these moving octets.
    #[inline(always)]
    fn guard(&self, header: &[u8; HEADER_OCTETS]) -> u16 {
        self.guard16 ^ u16::added::<FIXED_OCTETS, MOVING_OCTETS>(inside(header, FIXED_OCTETS))
    }

    /// Whether this UDP checksum field, in native order, belongs to this header and the fill of its variant:
    /// the sum of everything, checksum included, is a multiple of FFFF (RFC 1071 section 1), and the field is
    /// not 0, which means "none" (RFC 768).
    #[inline(always)]
    fn is_udp_checksum(&self, field: u16, header: &[u8; HEADER_OCTETS]) -> bool {
        let front = u64::from_ne_bytes(part(header, SUMMED_OFFSET));
        let back = u64::from_ne_bytes(part(header, SUMMED_OFFSET + 8));
        let rest = u64::from(self.udp_sum[usize::from(header[7]) % VARIANTS]).wrapping_add(u64::from(field));
        // The carry out of 64 bits weighs as much as a one (RFC 1071 section 2 (A)).
        let (sum, carry) = front.overflowing_add(back);
        let (sum, carry) = sum.overflowing_add(rest.wrapping_add(u64::from(carry)));
        is_zero(sum.wrapping_add(u64::from(carry))) && field != 0
    }

    /// Whether the fill is that of the sequence.
    #[inline]
    fn is_filled(&self, frame: &[u8], sequence: u32) -> bool {
        frame[self.layout.fill..] == *self.windows.get(sequence as usize % VARIANTS)
    }

    /// What a frame is that is not intact.
    #[cold]
    #[inline(never)]
    fn judge(&self, frame: &[u8]) -> Checked {
        if self.layout.shape == Shape::Bare {
            return match frame.first_chunk::<FIXED_OCTETS>() {
                Some(fixed) if *fixed != self.fixed => Checked::Foreign,
                _ => Checked::Damaged(None),
            };
        }
        match self.vouched(frame) {
            Some(header) if header[..FIXED_OCTETS] == self.fixed => {
                Checked::Damaged(Some(TestHeader::read(&header)))
            }
            Some(_) => Checked::Foreign,
            None if self.is_addressed_to_us(frame) => Checked::Damaged(None),
            None => Checked::Foreign,
        }
    }

    /// The header where it should be, if there is one and its guard is right.
    fn vouched(&self, frame: &[u8]) -> Option<[u8; HEADER_OCTETS]> {
        let header = *frame.get(self.layout.header..)?.first_chunk::<HEADER_OCTETS>()?;
        let network = &frame[self.layout.network..];
        let right = match self.layout.shape {
            Shape::Ipv4 => network[4..6] == guard16(&header).to_be_bytes(),
            Shape::Ipv6 => network[2..4] == guard16(&header).to_be_bytes(),
            Shape::Guarded => network.get(HEADER_OCTETS..GUARDED_REGION)? == guard32(&header).to_be_bytes(),
            Shape::Bare => return None,
        };
        right.then_some(header)
    }

    /// Whether the addresses make a frame ours although nothing else does.
    fn is_addressed_to_us(&self, frame: &[u8]) -> bool {
        let (ours, peers) = self.addresses.split_at(6);
        !self.layout.addressed
            || frame.get(..6).is_some_and(|destination| destination == ours)
            || frame.get(6..12).is_some_and(|source| source == peers)
    }
}

/// Two octets in native order.
#[inline(always)]
fn two(octets: &[u8], at: usize) -> u16 {
    u16::from_ne_bytes(*region(octets, at))
}
