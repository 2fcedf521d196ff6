//! The reflector's turn: the same frame, addressed back, numbered and stamped.

use super::checksum::{fold_half, udp_field};
use super::guard::Width;
use super::header::HEADER_OCTETS;
use super::layout::{
    GUARDED_REGION, IPV4_OCTETS, IPV4_REGION, IPV6_OCTETS, IPV6_REGION, Layout, Shape, UDP_OCTETS, part,
    region_mut, set_word, word,
};
use super::spec::{FrameError, FrameSpec};

/// Sends frames of one specification home.
///
/// Guard and checksums are updated (RFC 1624), never computed anew: whatever was damaged on the way out is
/// still damaged on the way home, where the whole frame is judged again.
#[derive(Clone, Debug)]
pub struct Turner {
    layout: Layout,
}

impl Turner {
    /// A turner for the frames that the generator sends.
    ///
    /// # Errors
    /// Whatever [`FrameSpec::check`] finds.
    pub fn new(spec: &FrameSpec) -> Result<Self, FrameError> {
        Ok(Self { layout: Layout::new(spec)? })
    }

    /// Turns a frame that the forward [`Checker`](super::Checker) called intact: addresses and ports change
    /// places, the returned bit is set, reflector sequence and residence
    /// ([`residence_field`](super::residence_field)) are written, guard and checksums follow. The length
    /// stays.
    ///
    /// # Panics
    /// If `frame` is shorter than the specification says, which an intact frame is not.
    #[inline]
    pub fn turn(&self, frame: &mut [u8], reflector_sequence: u32, residence: u16) {
        let frame = &mut frame[..self.layout.octets];
        let mark = Mark::new(reflector_sequence, residence);
        if self.layout.addressed {
            let addresses = region_mut::<12>(frame, 0);
            let [d0, d1, d2, d3, d4, d5, s0, s1, s2, s3, s4, s5] = *addresses;
            *addresses = [s0, s1, s2, s3, s4, s5, d0, d1, d2, d3, d4, d5];
        }
        match self.layout.shape {
            Shape::Ipv4 => {
                let region = region_mut::<IPV4_REGION>(frame, self.layout.network);
                let (guard, sum) = mark.put::<u16, _>(region, IPV4_OCTETS + UDP_OCTETS);
                let old = word(region, 4);
                let new = old ^ guard.to_be();
                set_word(region, 4, new);
                // The addresses only change places, so the sums see the guard and the header alone.
                let sum_before = u32::from(!word(region, 10));
                let checksum = !fold_half(sum_before + u32::from(!old) + u32::from(new));
                set_word(region, 10, checksum);
                let addresses = u64::from_ne_bytes(part(region, 12)).rotate_left(32);
                region[12..20].copy_from_slice(&addresses.to_ne_bytes());
                turn_udp(region, IPV4_OCTETS, sum);
            }
            Shape::Ipv6 => {
                let region = region_mut::<IPV6_REGION>(frame, self.layout.network);
                let (guard, sum) = mark.put::<u16, _>(region, IPV6_OCTETS + UDP_OCTETS);
                let guard = word(region, 2) ^ guard.to_be();
                set_word(region, 2, guard);
                let (source, destination): ([u8; 16], [u8; 16]) = (part(region, 8), part(region, 24));
                region[8..24].copy_from_slice(&destination);
                region[24..40].copy_from_slice(&source);
                turn_udp(region, IPV6_OCTETS, sum);
            }
            Shape::Guarded => {
                let region = region_mut::<GUARDED_REGION>(frame, self.layout.network);
                let (guard, _) = mark.put::<u32, _>(region, 0);
                let guard = u32::from_be_bytes(part(region, HEADER_OCTETS)) ^ guard;
                region[HEADER_OCTETS..].copy_from_slice(&guard.to_be_bytes());
            }
            Shape::Bare => {
                mark.put::<u32, _>(region_mut::<HEADER_OCTETS>(frame, 0), 0);
            }
        }
    }
}

/// Ports change places; `sum` are the terms of RFC 1624 for what changed under the checksum.
#[inline(always)]
fn turn_udp<const N: usize>(region: &mut [u8; N], udp: usize, sum: u64) {
    let ports = u32::from_ne_bytes(part(region, udp)).rotate_left(16);
    region[udp..udp + 4].copy_from_slice(&ports.to_ne_bytes());
    let checksum = udp_field(u64::from(!word(region, udp + 6)).wrapping_add(sum));
    set_word(region, udp + 6, checksum);
}

/// What the reflector writes into the test header, in network byte order.
#[derive(Clone, Copy)]
struct Mark {
    sequence: u32,
    residence: u16,
}

const KIND_OFFSET: usize = 2;
const SEQUENCE_OFFSET: usize = 12;
const RESIDENCE_OFFSET: usize = 16;
const RETURNED: u8 = 1;

impl Mark {
    #[inline(always)]
    fn new(reflector_sequence: u32, residence: u16) -> Self {
        Self { sequence: reflector_sequence.to_be(), residence: residence.to_be() }
    }

    /// Writes the mark and the returned bit into the test header at `header`; gives what that adds to the
    /// guard, and the terms `~m + m'` of RFC 1624 for what changed.
    #[inline(always)]
    fn put<W: Width + std::ops::BitXor<Output = W>, const N: usize>(
        self,
        region: &mut [u8; N],
        header: usize,
    ) -> (W, u64) {
        let kind = region[header + KIND_OFFSET];
        let sequence = u32::from_ne_bytes(part(region, header + SEQUENCE_OFFSET));
        let residence = word(region, header + RESIDENCE_OFFSET);
        let turned = kind | RETURNED;

        let old = [sequence, u32::from(residence), u32::from(u16::from_ne_bytes([kind, 0]))];
        let new = [self.sequence, u32::from(self.residence), u32::from(u16::from_ne_bytes([turned, 0]))];
        let mut sum: u64 = 0;
        for i in 0..3 {
            sum = sum.wrapping_add(u64::from(!old[i])).wrapping_add(u64::from(new[i]));
        }
        region[header + KIND_OFFSET] = turned;
        region[header + SEQUENCE_OFFSET..][..4].copy_from_slice(&self.sequence.to_ne_bytes());
        set_word(region, header + RESIDENCE_OFFSET, self.residence);
        let guard = W::added::<KIND_OFFSET, 1>(&[kind ^ turned])
            ^ W::added::<SEQUENCE_OFFSET, 4>(&(sequence ^ self.sequence).to_ne_bytes())
            ^ W::added::<RESIDENCE_OFFSET, 2>(&(residence ^ self.residence).to_ne_bytes());
        (guard, sum)
    }
}
