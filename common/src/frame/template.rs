//! The generator's frames: everything is computed before the trial, and stamping patches what moves.

use super::VARIANTS;
use super::checksum::{fold_half, halves, udp_field};
use super::fill::Windows;
use super::guard::{self, FIXED_OCTETS, Width};
use super::header::{HEADER_OCTETS, Kind};
use super::layout::{
    Direction, GUARDED_REGION, IPV4_OCTETS, IPV4_REGION, IPV6_OCTETS, IPV6_REGION, Image, Layout, Shape,
    UDP_OCTETS, region_mut, set_word,
};
use super::spec::{FrameError, FrameSpec};

/// Frames of one specification, ready to be written into buffers and stamped.
#[derive(Clone, Debug)]
pub struct Template {
    layout: Layout,
    guard16: u16,
    guard32: u32,
    ip_sum: u16,
    udp_sum: [u16; VARIANTS],
    head: Box<[u8]>,
    windows: Windows,
}

impl Template {
    /// The test frames that the generator sends.
    ///
    /// # Errors
    /// Whatever [`FrameSpec::check`] finds.
    pub fn new(spec: &FrameSpec) -> Result<Self, FrameError> {
        Self::of(spec, Direction::Forward, Kind::Test)
    }

    /// Learning frames (RFC 2544 section 23, phase b), which either end sends from its data address.
    ///
    /// # Errors
    /// Whatever [`FrameSpec::check`] finds.
    pub fn learning(spec: &FrameSpec, direction: Direction) -> Result<Self, FrameError> {
        Self::of(spec, direction, Kind::Learning)
    }

    fn of(spec: &FrameSpec, direction: Direction, kind: Kind) -> Result<Self, FrameError> {
        let image = Image::new(spec, direction, kind)?;
        Ok(Self {
            layout: image.layout,
            guard16: guard::base(image.fixed),
            guard32: guard::base(image.fixed),
            ip_sum: image.ip_sum,
            udp_sum: image.udp_sum,
            head: image.head.into_boxed_slice(),
            windows: image.windows,
        })
    }

    /// Octets of each frame in a buffer.
    pub fn octets(&self) -> usize {
        self.layout.octets
    }

    /// How far from its end a frame has its sequence number, in octets; the departure follows it. From the end, because
    /// what a driver or a tag puts into a frame, it puts in front.
    #[must_use]
    pub fn sequence_from_end(&self) -> usize {
        self.layout.octets - self.layout.header - FIXED_OCTETS
    }

    /// Writes the whole frame of a variant, valid in itself, with sequence `variant % VARIANTS` and departure
    /// 0.
    ///
    /// # Panics
    /// If `frame` is shorter than [`octets`](Self::octets).
    pub fn write(&self, variant: usize, frame: &mut [u8]) {
        let variant = variant % VARIANTS;
        let (head, fill) = frame[..self.layout.octets].split_at_mut(self.layout.fill);
        head.copy_from_slice(&self.head);
        fill.copy_from_slice(self.windows.get(variant));
        self.stamp(variant, frame, variant as u32, 0);
    }

    /// Makes a frame that was written before into the one with this sequence and departure (nanoseconds, low
    /// 32 bits).
    ///
    /// `variant` is the one the frame was written with, and must be `sequence % VARIANTS`, or the far end
    /// will rightly call the frame damaged.
    ///
    /// # Panics
    /// If `frame` is shorter than [`octets`](Self::octets).
    #[inline]
    pub fn stamp(&self, variant: usize, frame: &mut [u8], sequence: u32, departure: u32) {
        debug_assert_eq!(variant % VARIANTS, sequence as usize % VARIANTS);
        let stamp: [u8; STAMP_OCTETS] = (u64::from(sequence) << 32 | u64::from(departure)).to_be_bytes();
        let frame = &mut frame[..self.layout.octets];
        match self.layout.shape {
            Shape::Ipv4 => {
                let region = region_mut::<IPV4_REGION>(frame, self.layout.network);
                let guard = self.guard16 ^ u16::added::<FIXED_OCTETS, STAMP_OCTETS>(&stamp);
                let guard = guard.to_be_bytes();
                region[4..6].copy_from_slice(&guard);
                let checksum = !fold_half(u32::from(self.ip_sum) + u32::from(u16::from_ne_bytes(guard)));
                set_word(region, 10, checksum);
                set_word(region, IPV4_OCTETS + 6, self.udp_checksum(variant, stamp));
                put(region, IPV4_OCTETS + UDP_OCTETS, stamp);
            }
            Shape::Ipv6 => {
                let region = region_mut::<IPV6_REGION>(frame, self.layout.network);
                let guard = self.guard16 ^ u16::added::<FIXED_OCTETS, STAMP_OCTETS>(&stamp);
                region[2..4].copy_from_slice(&guard.to_be_bytes());
                set_word(region, IPV6_OCTETS + 6, self.udp_checksum(variant, stamp));
                put(region, IPV6_OCTETS + UDP_OCTETS, stamp);
            }
            Shape::Guarded => {
                let region = region_mut::<GUARDED_REGION>(frame, self.layout.network);
                let guard = self.guard32 ^ u32::added::<FIXED_OCTETS, STAMP_OCTETS>(&stamp);
                region[HEADER_OCTETS..].copy_from_slice(&guard.to_be_bytes());
                put(region, 0, stamp);
            }
            Shape::Bare => put(region_mut::<HEADER_OCTETS>(frame, 0), 0, stamp),
        }
    }

    #[inline(always)]
    fn udp_checksum(&self, variant: usize, stamp: [u8; STAMP_OCTETS]) -> u16 {
        let base = u64::from(self.udp_sum[variant % VARIANTS]);
        udp_field(base.wrapping_add(halves(u64::from_ne_bytes(stamp))))
    }
}

/// Sequence and departure.
const STAMP_OCTETS: usize = 8;

/// Writes sequence and departure into the test header that starts at `header` in the region.
#[inline(always)]
fn put<const N: usize>(region: &mut [u8; N], header: usize, stamp: [u8; STAMP_OCTETS]) {
    region[header + FIXED_OCTETS..][..STAMP_OCTETS].copy_from_slice(&stamp);
}
