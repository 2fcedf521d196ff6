//! Somebody else on the link, at both receiving ports at once: noise, other people's trials, and our own frames again.

use std::collections::VecDeque;

use kitproof::engine::Trial;
use kitproof_common::frame::{FrameSpec, Template, Turner, VARIANTS};

use crate::chance::Chance;
use crate::pair::{FORWARD, HOMEWARD};

/// Frames remembered in each direction.
const HEARD: usize = 64;

/// What a frame must be taken for at the port it comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum What {
    /// Not of this trial.
    Foreign,
    /// Whole; `number` is the reflector's, and 0 on the way to it.
    Intact { sequence: u64, number: u64 },
    /// Ours and hurt, with its sequence where that can be read.
    Damaged(Option<u64>),
    /// Whole, with a sequence that no frame of the trial has.
    Beyond,
}

/// What the stranger does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Deed {
    /// Octets without sense, of any number.
    Noise,
    /// A perfect frame of somebody else's trial between the same two addresses.
    OtherTrial,
    /// One of ours, to the end that sent it.
    WrongWay,
    /// One of ours once more.
    Replay,
    /// One of ours once more, with something hung on behind.
    Longer,
    /// Our addresses and nothing else that is right.
    Garbage,
    /// A perfect frame of ours that was never sent.
    NeverSent,
}

#[derive(Clone)]
pub(crate) struct Stranger {
    pub(crate) deeds: Vec<Deed>,
    /// Chance in a thousand of a deed, at each moment at which anything happens.
    pub(crate) permille: u64,
    chance: Chance,
    /// Frames as they departed, with sequence and number.
    heard: [VecDeque<(Vec<u8>, u64, u64)>; 2],
}

impl Stranger {
    pub(crate) fn new(deeds: &[Deed], permille: u64, seed: u64) -> Self {
        Self { deeds: deeds.to_vec(), permille, chance: Chance::new(seed), heard: Default::default() }
    }

    /// A frame that leaves the generator (or the reflector) is listened to.
    pub(crate) fn overhear(&mut self, way: usize, frame: &[u8], header: usize) {
        let word =
            |at: usize| u64::from(u32::from_be_bytes(frame[at..at + 4].try_into().expect("four octets")));
        let heard = &mut self.heard[way];
        if heard.len() == HEARD {
            heard.pop_front();
        }
        heard.push_back((frame.to_vec(), word(header + 4), word(header + 12)));
    }

    /// Perhaps does something, by `put(direction, frame, what it must be taken for)`.
    pub(crate) fn meddle(&mut self, trial: &Trial, put: &mut dyn FnMut(usize, Vec<u8>, What)) {
        if !self.chance.permille(self.permille) {
            return;
        }
        let way = self.chance.pick(&[FORWARD, HOMEWARD]);
        let spec = &trial.frame;
        match self.chance.pick(&self.deeds) {
            Deed::Noise => {
                let length = self.chance.between(0, 200);
                let noise = (0..length).map(|_| self.chance.next() as u8).collect();
                put(way, noise, What::Foreign);
            }
            Deed::OtherTrial => {
                let mut session = spec.session ^ self.chance.between(1, 0xFFFF) as u16;
                if session == 0 {
                    session = spec.session ^ 0xFFFF;
                }
                let sequence = self.chance.next() as u32;
                put(way, forged(&FrameSpec { session, ..*spec }, way, sequence), What::Foreign);
            }
            Deed::NeverSent => {
                let sequence = (trial.frames + self.chance.between(0, 1_000)) as u32;
                put(way, forged(spec, way, sequence), What::Beyond);
            }
            Deed::Garbage => {
                let (to, from) = match way {
                    FORWARD => (spec.destination, spec.source),
                    _ => (spec.source, spec.destination),
                };
                let mut frame = Vec::new();
                frame.extend(to.octets());
                frame.extend(from.octets());
                frame.extend((12..self.chance.between(12, 300)).map(|_| self.chance.next() as u8));
                put(way, frame, What::Damaged(None));
            }
            deed @ (Deed::WrongWay | Deed::Replay | Deed::Longer) => {
                let heard = &self.heard[way];
                if heard.is_empty() {
                    return;
                }
                let which = self.chance.between(0, heard.len() as u64 - 1) as usize;
                let (mut frame, sequence, number) = heard[which].clone();
                match deed {
                    Deed::WrongWay => put(1 - way, frame, What::Foreign),
                    Deed::Replay => put(way, frame, What::Intact { sequence, number }),
                    _ => {
                        frame.extend((0..self.chance.between(1, 9)).map(|_| self.chance.next() as u8));
                        put(way, frame, What::Damaged(Some(sequence)));
                    }
                }
            }
        }
    }
}

/// A frame as only somebody can make it who knows everything that the two ends know.
fn forged(spec: &FrameSpec, way: usize, sequence: u32) -> Vec<u8> {
    let template = Template::new(spec).expect("the frame can be built");
    let variant = sequence as usize % VARIANTS;
    let mut frame = vec![0; template.octets()];
    template.write(variant, &mut frame);
    template.stamp(variant, &mut frame, sequence, 0);
    if way == HOMEWARD {
        Turner::new(spec).expect("the frame can be built").turn(&mut frame, sequence, 1);
    }
    frame
}
