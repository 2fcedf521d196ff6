//! Frames and the chunks of memory they lie in: one for most, several for jumbo frames.

use crate::port::Meta;

/// What the kernel keeps free in front of a received frame (`XDP_PACKET_HEADROOM`), and room for two tags.
const HEADROOM: usize = 256 + 8;
/// The largest chunk the kernel takes: a page.
const LARGEST_CHUNK: usize = 4_096;
/// The longest frame, without the FCS, that fits one chunk when it is received.
const LONGEST_OF_ONE: usize = LARGEST_CHUNK - HEADROOM;
/// Room for any frame there can be: a page, and as many more as a buffer of the kernel has fragments (`MAX_SKB_FRAGS`).
const LONGEST: usize = 18 * LARGEST_CHUNK;
/// Pieces of one frame at most.
const MOST_PIECES: usize = 32;

/// How memory is cut for frames of one length.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Cut {
    /// Octets of a chunk.
    pub(super) chunk: usize,
    /// Chunks of a slot to send from; they are neighbours, so that a slot is one slice.
    pub(super) chunks: usize,
    /// Frames may arrive in several pieces.
    pub(super) several: bool,
}

impl Cut {
    /// For frames of up to `largest` octets. Where the NIC itself writes them (`zero_copy`) a chunk is as large as it can be:
    /// some drivers (igb, igc) let it write whole kilobytes only, so that of 2,048 octets less the headroom 1,024 are left,
    /// and igb hands the rest of a longer frame over as another.
    pub(super) fn new(largest: usize, zero_copy: bool) -> Self {
        let chunk = if !zero_copy && largest + HEADROOM <= 2_048 { 2_048 } else { LARGEST_CHUNK };
        Self { chunk, chunks: largest.div_ceil(chunk), several: largest > LONGEST_OF_ONE }
    }

    /// Octets of a slot.
    pub(super) fn slot(self) -> usize {
        self.chunk * self.chunks
    }

    /// The pieces of a frame in a slot: where each begins, how long it is, and whether another follows.
    pub(super) fn pieces(self, octets: usize) -> impl Iterator<Item = (usize, usize, bool)> {
        (0..octets).step_by(self.chunk).map(move |start| {
            let length = self.chunk.min(octets - start);
            (start, length, start + length < octets)
        })
    }
}

/// A frame that arrives in several pieces, copied together.
pub(super) struct Gathering {
    octets: Box<[u8]>,
    length: usize,
    meta: Meta,
    /// Where the pieces are, and how long: address and octets.
    parts: Vec<(u64, usize)>,
}

impl Gathering {
    pub(super) fn new(cut: Cut) -> Self {
        let octets = if cut.several { LONGEST } else { 0 };
        Self {
            octets: vec![0; octets].into_boxed_slice(),
            length: 0,
            meta: Meta { arrived_ns: 0 },
            parts: Vec::with_capacity(MOST_PIECES),
        }
    }

    /// Whether no frame has been begun.
    #[inline]
    pub(super) fn is_empty(&self) -> bool {
        self.parts.is_empty()
    }

    /// The first piece tells when the frame arrived.
    pub(super) fn add(&mut self, address: u64, piece: &[u8], meta: Meta) {
        if self.is_empty() {
            self.meta = meta;
        }
        let room = &mut self.octets[self.length..];
        let fits = piece.len().min(room.len());
        room[..fits].copy_from_slice(&piece[..fits]);
        self.length += fits;
        self.parts.push((address, piece.len()));
    }

    /// The frame, once its last piece was added.
    pub(super) fn frame(&mut self) -> (&mut [u8], Meta) {
        (&mut self.octets[..self.length], self.meta)
    }

    /// The pieces, each with its address and what is now to be in it.
    pub(super) fn parts(&self) -> impl Iterator<Item = (u64, &[u8])> {
        let mut rest = &self.octets[..self.length];
        self.parts.iter().map(move |(address, octets)| {
            let (piece, behind) = rest.split_at((*octets).min(rest.len()));
            rest = behind;
            (*address, piece)
        })
    }

    pub(super) fn clear(&mut self) {
        self.length = 0;
        self.parts.clear();
    }
}

/// Slots to send from: how many pieces of each the kernel still has.
pub(super) struct Slots {
    held: Box<[u8]>,
    octets: usize,
    /// Slots of which it has any.
    out: usize,
}

impl Slots {
    pub(super) fn new(count: usize, cut: Cut) -> Self {
        Self { held: vec![0; count].into_boxed_slice(), octets: cut.slot(), out: 0 }
    }

    pub(super) fn count(&self) -> usize {
        self.held.len()
    }

    /// How many slots from `first` on are ours, at most `most`.
    pub(super) fn free_from(&self, first: usize, most: usize) -> usize {
        self.held[first..].iter().take(most).take_while(|pieces| **pieces == 0).count()
    }

    /// A slot that was ours goes out, in so many pieces.
    pub(super) fn hold(&mut self, slot: usize, pieces: u8) {
        self.held[slot] = pieces;
        self.out += 1;
    }

    /// The kernel has done with the piece at `address`.
    pub(super) fn done(&mut self, address: u64) {
        if let Some(pieces @ 1..) = self.held.get_mut(address as usize / self.octets) {
            *pieces -= 1;
            self.out -= usize::from(*pieces == 0);
        }
    }

    /// Slots that the kernel has not done with.
    pub(super) fn out(&self) -> usize {
        self.out
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn ordinary_frames_take_one_chunk_and_jumbo_frames_neighbours() {
        let cut = |chunk, chunks, several| Cut { chunk, chunks, several };
        assert_eq!(Cut::new(60, false), cut(2_048, 1, false));
        assert_eq!(Cut::new(1_784, false), cut(2_048, 1, false));
        assert_eq!(Cut::new(1_785, false), cut(4_096, 1, false));
        // What a NIC writes finds whole kilobytes for any frame of the usual MTU, both tags in it.
        for largest in [60, 1_010, 1_784, 1_785] {
            assert_eq!(Cut::new(largest, true), cut(4_096, 1, false));
        }
        assert_eq!(Cut::new(3_833, true), cut(4_096, 1, true));
        assert_eq!(Cut::new(3_832, false), cut(4_096, 1, false));
        // Sent in one piece, received in two.
        assert_eq!(Cut::new(3_833, false), cut(4_096, 1, true));
        assert_eq!(Cut::new(4_097, false), cut(4_096, 2, true));
        assert_eq!(Cut::new(9_014, false), cut(4_096, 3, true));
    }

    #[test]
    fn pieces_follow_each_other_and_the_last_says_so() {
        let pieces: Vec<_> = Cut::new(9_014, false).pieces(9_014).collect();
        assert_eq!(pieces, [(0, 4_096, true), (4_096, 4_096, true), (8_192, 822, false)]);
        assert_eq!(Cut::new(9_014, false).pieces(4_096).collect::<Vec<_>>(), [(0, 4_096, false)]);
        assert_eq!(Cut::new(60, false).pieces(60).collect::<Vec<_>>(), [(0, 60, false)]);
    }

    #[test]
    fn a_slot_is_ours_again_when_its_last_piece_is_done() {
        let cut = Cut::new(9_014, false);
        let mut slots = Slots::new(4, cut);
        slots.hold(1, 3);
        slots.hold(2, 3);
        assert_eq!((slots.free_from(0, 64), slots.free_from(3, 64), slots.out()), (1, 1, 2));
        let address = |slot: usize, piece: usize| (slot * cut.slot() + piece * cut.chunk) as u64;
        // In any order, whatever the offset in a chunk.
        for (slot, piece) in [(2, 2), (1, 0), (2, 0), (1, 1)] {
            slots.done(address(slot, piece) + 7);
            assert_eq!(slots.out(), 2);
        }
        slots.done(address(2, 1));
        assert_eq!((slots.free_from(2, 64), slots.free_from(1, 64), slots.out()), (2, 0, 1));
        // What is ours already, or nobody's, changes nothing.
        slots.done(address(2, 1));
        slots.done(u64::MAX);
        assert_eq!(slots.out(), 1);
        slots.done(address(1, 2));
        assert_eq!((slots.free_from(0, 3), slots.out()), (3, 0));
    }

    proptest! {
        /// However a frame is cut, it comes out as it was, with the stamp of its first piece; altered, every piece has its
        /// own part of it; and the next frame begins anew.
        #[test]
        fn a_frame_in_pieces_comes_out_whole(
            frames in prop::collection::vec(prop::collection::vec(1usize..4_000, 1..5), 1..4)
        ) {
            let mut gathering = Gathering::new(Cut::new(9_014, false));
            for lengths in frames {
                let whole: Vec<u8> = (0..lengths.iter().sum::<usize>()).map(|at| (at % 251) as u8).collect();
                let mut start = 0;
                for (number, length) in (1u64..).zip(&lengths) {
                    prop_assert_eq!(gathering.is_empty(), number == 1);
                    gathering.add(number << 12, &whole[start..start + length], Meta { arrived_ns: number });
                    start += length;
                }
                let (frame, meta) = gathering.frame();
                prop_assert_eq!(&*frame, whole.as_slice());
                prop_assert_eq!(meta.arrived_ns, 1);
                frame.iter_mut().for_each(|octet| *octet = !*octet);
                let expected: Vec<u8> = whole.iter().map(|octet| !octet).collect();
                let mut found: Vec<u8> = Vec::new();
                for ((address, piece), (number, length)) in gathering.parts().zip((1u64..).zip(&lengths)) {
                    prop_assert_eq!((address, piece.len()), (number << 12, *length));
                    found.extend(piece);
                }
                prop_assert_eq!(found, expected);
                gathering.clear();
            }
        }
    }
}
