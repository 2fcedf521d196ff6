//! Judging the frames of a trial that mixes several sizes.

use super::checker::{Checked, Checker};
use super::header::TestHeader;
use super::spec::{Encapsulation, FrameError, FrameSpec};

/// A checker for each size. A frame is judged by the one for its own length, and one that was cut to another size of the
/// mix is damaged there, because IP and UDP say how long it was. A bare Ethernet frame does not say so: several sizes of
/// [`Encapsulation::Ethernet`] are refused. A frame of no size of the mix is judged as the first, whose length it does not
/// have.
#[derive(Clone, Debug)]
pub struct Checkers {
    first: Checker,
    others: Vec<Checker>,
}

impl Checkers {
    /// For the reflector: frames on the way out, as `spec` and with the other sizes `more` (bytes including FCS).
    ///
    /// # Errors
    /// Whatever [`FrameSpec::check`] finds.
    pub fn forward(spec: &FrameSpec, more: &[u16], fill_check: bool) -> Result<Self, FrameError> {
        Self::each(spec, more, |spec| Checker::forward(spec, fill_check))
    }

    /// For the generator: frames on the way home.
    ///
    /// # Errors
    /// Whatever [`FrameSpec::check`] finds.
    pub fn homeward(spec: &FrameSpec, more: &[u16], fill_check: bool) -> Result<Self, FrameError> {
        Self::each(spec, more, |spec| Checker::homeward(spec, fill_check))
    }

    fn each(
        spec: &FrameSpec,
        more: &[u16],
        checker: impl Fn(&FrameSpec) -> Result<Checker, FrameError>,
    ) -> Result<Self, FrameError> {
        if !more.is_empty() && spec.encapsulation == Encapsulation::Ethernet {
            return Err(FrameError::NoLength);
        }
        let others = more.iter().map(|size| checker(&FrameSpec { frame_size: *size, ..*spec }));
        Ok(Self { first: checker(spec)?, others: others.collect::<Result<_, _>>()? })
    }

    /// The header of an intact frame of the first size; for all else there is [`Self::check`].
    #[inline(always)]
    pub fn intact_header(&self, frame: &[u8]) -> Option<TestHeader> {
        self.first.intact_header(frame)
    }

    /// Judges a frame (or a datagram's payload) of any length and content.
    #[inline(never)]
    pub fn check(&self, frame: &[u8]) -> Checked {
        let other = self.others.iter().find(|checker| checker.octets() == frame.len());
        other.unwrap_or(&self.first).check(frame)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::{Fill, MacAddr, Tags, Template, Turner};
    use super::*;

    fn spec(encapsulation: Encapsulation, frame_size: u16) -> FrameSpec {
        FrameSpec {
            encapsulation,
            tags: Tags::none(),
            dscp: 0,
            frame_size,
            source: MacAddr::new(2, 0, 0, 0, 0, 0x10),
            destination: MacAddr::new(2, 0, 0, 0, 0, 0x20),
            session: 7,
            stream: 0,
            fill: Fill::Prbs,
            fill_seed: 9,
        }
    }

    #[test]
    fn what_does_not_say_its_length_is_not_mixed() {
        let bare = spec(Encapsulation::Ethernet, 1518);
        assert_eq!(Checkers::forward(&bare, &[64], true).err(), Some(FrameError::NoLength));
        assert!(Checkers::forward(&bare, &[], true).is_ok());
    }

    proptest! {
        /// Every size of the mix is intact there and, turned by one made for the smallest, back; what was cut to any other
        /// length, a size of the mix or not, is not.
        #[test]
        fn each_size_is_its_own_and_no_other(
            which in 0_usize..3,
            sequence in any::<u32>(),
            encapsulation in prop_oneof![Just(Encapsulation::Ipv4), Just(Encapsulation::Ipv6)],
            cut in 1_usize..1_500,
        ) {
            let sizes = [128, 594, 1518];
            let whole = spec(encapsulation, sizes[2]);
            let there = Checkers::forward(&whole, &sizes[..2], true).unwrap();
            let back = Checkers::homeward(&whole, &sizes[..2], true).unwrap();
            let template = Template::new(&spec(encapsulation, sizes[which])).unwrap();
            let mut frame = vec![0; template.octets()];
            let variant = sequence as usize % super::super::VARIANTS;
            template.write(variant, &mut frame);
            template.stamp(variant, &mut frame, sequence, 5);
            let Checked::Intact(header) = there.check(&frame) else { panic!("damaged on the way out") };
            prop_assert_eq!(header.sequence, sequence);
            for length in [frame.len().saturating_sub(cut), sizes[0] as usize - 4, sizes[1] as usize - 4] {
                if length < frame.len() {
                    prop_assert!(!matches!(there.check(&frame[..length]), Checked::Intact(_)), "cut to {}", length);
                }
            }
            Turner::new(&spec(encapsulation, sizes[0])).unwrap().turn(&mut frame, 3, 1);
            prop_assert!(matches!(back.check(&frame), Checked::Intact(_)));
        }
    }
}
