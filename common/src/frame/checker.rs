//! Judging what arrived.

use super::VARIANTS;
use super::checksum::{fold_half, halves, udp_field};
use super::fill::Windows;
use super::guard::{self, FIXED_OCTETS, MOVING_OCTETS, Width, guard16, guard32};
use super::header::{HEADER_OCTETS, Kind, TestHeader};
use super::layout::{
    Direction, GUARDED_REGION, IPV4_OCTETS, IPV4_REGION, IPV6_OCTETS, IPV6_REGION, Image, Layout, Shape,
    UDP_OCTETS, inside, part, region, word,
};
use super::spec::{FrameError, FrameSpec};

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
    /// How many of the words below are compared.
    words: usize,
    /// What they should be, and a mask of what is compared.
    expected: [(u64, u64); WORDS],
    guard16: u16,
    guard32: u32,
    ip_sum: u16,
    udp_sum: [u16; VARIANTS],
    /// Ones where the reflector's fields must be 0: on the way out.
    unmarked: u64,
    fill_check: bool,
    fixed: [u8; FIXED_OCTETS],
    /// Addresses in front of the frame: ours, then the peer's.
    addresses: [u8; 12],
    windows: Windows,
}

/// Eight-octet words that cover everything up to the fixed part of the test header: two tags and IPv6 at
/// most.
const WORDS: usize = (14 + 8 + IPV6_OCTETS + UDP_OCTETS + FIXED_OCTETS).div_ceil(8);

/// Where the reflector's fields stand among the moving octets.
const MARK_OFFSET: usize = 12 - FIXED_OCTETS;

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

        let mut addresses = [0; 12];
        if layout.addressed {
            addresses.copy_from_slice(&image.head[..12]);
        }
        Ok(Self {
            layout,
            words: compared.div_ceil(8),
            expected: std::array::from_fn(|i| (eight(&want, i), eight(&mask, i))),
            guard16: guard::base(image.fixed),
            guard32: guard::base(image.fixed),
            ip_sum: image.ip_sum,
            udp_sum: image.udp_sum,
            unmarked: if direction == Direction::Forward { u64::MAX } else { 0 },
            fill_check: fill_check && layout.octets > layout.fill,
            fixed: image.fixed,
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
        if frame.len() == self.layout.octets
            && let Some(header) = self.intact(frame)
        {
            return Checked::Intact(header);
        }
        self.judge(frame)
    }

    /// The header, if everything is right in a frame of the right length.
    #[inline(always)]
    fn intact(&self, frame: &[u8]) -> Option<TestHeader> {
        let mut wrong = 0;
        let (chunks, _) = frame.as_chunks::<8>();
        for (&chunk, (want, mask)) in chunks.iter().zip(&self.expected[..self.words]) {
            wrong |= (u64::from_ne_bytes(chunk) ^ want) & mask;
        }

        // The octets are read where they stand, again and again: copies would be kept octet by octet in
        // registers.
        let network = self.layout.network;
        let header: &[u8; HEADER_OCTETS] = match self.layout.shape {
            Shape::Ipv4 => {
                let region = region::<IPV4_REGION>(frame, network);
                let header = inside(region, IPV4_OCTETS + UDP_OCTETS);
                let moving = inside(header, FIXED_OCTETS);
                let guard = self.guard16 ^ u16::added::<FIXED_OCTETS, MOVING_OCTETS>(moving);
                let guard = guard.to_be();
                let checksum = !fold_half(u32::from(self.ip_sum) + u32::from(guard));
                wrong |= u64::from(word(region, 4) ^ guard);
                wrong |= u64::from(word(region, 10) ^ checksum);
                wrong |= u64::from(word(region, IPV4_OCTETS + 6) ^ self.udp_checksum(moving));
                header
            }
            Shape::Ipv6 => {
                let region = region::<IPV6_REGION>(frame, network);
                let header = inside(region, IPV6_OCTETS + UDP_OCTETS);
                let moving = inside(header, FIXED_OCTETS);
                let guard = self.guard16 ^ u16::added::<FIXED_OCTETS, MOVING_OCTETS>(moving);
                wrong |= u64::from(word(region, 2) ^ guard.to_be());
                wrong |= u64::from(word(region, IPV6_OCTETS + 6) ^ self.udp_checksum(moving));
                header
            }
            Shape::Guarded => {
                let region = region::<GUARDED_REGION>(frame, network);
                let header = inside(region, 0);
                let moving = inside(header, FIXED_OCTETS);
                let guard = self.guard32 ^ u32::added::<FIXED_OCTETS, MOVING_OCTETS>(moving);
                wrong |= u64::from(u32::from_be_bytes(part(region, HEADER_OCTETS)) ^ guard);
                header
            }
            Shape::Bare => region(frame, 0),
        };
        let moving: &[u8; MOVING_OCTETS] = inside(header, FIXED_OCTETS);
        let sequence = u32::from_ne_bytes(part(moving, MARK_OFFSET));
        let residence = word(moving, MARK_OFFSET + 4);
        wrong |= (u64::from(sequence) | u64::from(residence)) & self.unmarked;

        if wrong != 0 || self.fill_check && frame[self.layout.fill..] != *self.windows.get(variant(moving)) {
            return None;
        }
        Some(TestHeader::read(header))
    }

    /// The UDP checksum field that belongs to these moving octets and the fill of their variant, in native
    /// order.
    #[inline(always)]
    fn udp_checksum(&self, moving: &[u8; MOVING_OCTETS]) -> u16 {
        let front = halves(u64::from_ne_bytes(part(moving, 0)));
        let middle = u64::from(u32::from_ne_bytes(part(moving, 8)));
        let back = u64::from(word(moving, 12));
        let base = u64::from(self.udp_sum[variant(moving)]);
        udp_field(base.wrapping_add(front).wrapping_add(middle).wrapping_add(back))
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

/// The variant of the frame with these moving octets: the low bits of its sequence.
#[inline(always)]
fn variant(moving: &[u8; MOVING_OCTETS]) -> usize {
    usize::from(moving[3]) % VARIANTS
}

/// One word of the comparison, in native order.
fn eight(octets: &[u8; 8 * WORDS], word: usize) -> u64 {
    u64::from_ne_bytes(part(octets, 8 * word))
}
