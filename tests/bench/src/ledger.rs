//! The wire's own account of exactly what it did.
//!
//! Whatever a generator reports about a trial over the wire must equal this. For each direction of a trial, always:
//! `seen + duplicated = passed + dropped + dark + queue_full + refused + overflow + held`.

use serde::{Deserialize, Serialize};

/// Which way a frame travelled: forward is from the near port (the generator's) to the far port (the reflector's).
#[derive(Serialize, Deserialize, Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[serde(rename_all = "lowercase")]
pub enum Direction {
    Forward,
    Return,
}

impl Direction {
    pub(crate) fn index(self) -> usize {
        self as usize
    }
}

/// Everything a wire did since it started.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq)]
pub struct Ledger {
    /// Each flow of a trial by itself, in order of appearance. A session tag that returns after a second of silence, with another trial in between,
    /// is a new trial that happens to have drawn the same number.
    pub trials: Vec<Trial>,
    pub forward: Others,
    #[serde(rename = "return")]
    pub back: Others,
    pub lost_by_wire: Lost,
}

impl Ledger {
    /// The latest trial with this session tag; of several flows, the one seen last.
    pub fn trial(&self, session: u16) -> Option<&Trial> {
        self.trials.iter().rev().find(|trial| trial.session == session)
    }

    /// The latest trial.
    pub fn last(&self) -> Option<&Trial> {
        self.trials.last()
    }

    /// What of `direction` belongs to no trial.
    pub fn others(&self, direction: Direction) -> &Others {
        match direction {
            Direction::Forward => &self.forward,
            Direction::Return => &self.back,
        }
    }

    pub(crate) fn others_mut(&mut self, direction: Direction) -> &mut Others {
        match direction {
            Direction::Forward => &mut self.forward,
            Direction::Return => &mut self.back,
        }
    }

    /// True if the wire lost nothing that no script asked it to lose: only then may a trial be judged by the ledger.
    pub fn is_clean(&self) -> bool {
        self.lost_by_wire == Lost::default()
            && self.trials.iter().all(|trial| {
                [&trial.forward, &trial.back]
                    .iter()
                    .all(|counts| counts.refused.count == 0 && counts.overflow.count == 0)
            })
    }
}

/// One flow of a trial: the test frames that carried one session tag and one stream octet.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq)]
pub struct Trial {
    pub session: u16,
    #[serde(default)]
    pub stream: u8,
    pub forward: Counts,
    #[serde(rename = "return")]
    pub back: Counts,
    /// What the monitor side did with this trial, where there is one.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub monitor: Option<Monitored>,
}

impl Trial {
    /// One direction of it.
    pub fn counts(&self, direction: Direction) -> &Counts {
        match direction {
            Direction::Forward => &self.forward,
            Direction::Return => &self.back,
        }
    }

    pub(crate) fn counts_mut(&mut self, direction: Direction) -> &mut Counts {
        match direction {
            Direction::Forward => &mut self.forward,
            Direction::Return => &mut self.back,
        }
    }
}

/// What happened to the test frames of one direction of a trial.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq)]
pub struct Counts {
    /// Test frames that came to the wire.
    pub seen: u64,
    /// Sequence numbers among them.
    pub distinct: u64,
    /// Frames among them with the returned bit set: all of them on the return way, none forward.
    pub returned: u64,
    /// Test frames handed on, copies included.
    pub passed: u64,
    pub dropped: Record,
    /// Swallowed by a dark stretch.
    pub dark: Record,
    /// Found the queue of a bottleneck full.
    pub queue_full: Record,
    pub duplicated: Record,
    /// The first of each two that changed places.
    pub swapped: Record,
    /// Meant to be swapped, and could not be.
    pub not_swapped: Record,
    pub delayed: Record,
    /// Held back by a pause.
    pub paused: u64,
    pub flipped: Vec<Flipped>,
    /// Meant to be flipped, with no octet of the kind asked for.
    pub not_flipped: Record,
    /// The wire could not hand them on: its port would not take them. Nothing the script asked for.
    pub refused: Record,
    /// The wire held more than it can. Nothing the script asked for.
    pub overflow: Record,
    /// Still inside the wire when the ledger was written.
    pub held: u64,
    /// Arrival of the first and the last one, in nanoseconds of the wire's clock.
    pub first_ns: Option<u64>,
    pub last_ns: Option<u64>,
}

impl Counts {
    /// Test frames the script took away.
    pub fn taken(&self) -> u64 {
        self.dropped.count + self.dark.count + self.queue_full.count
    }

    /// How far the account is from closing; 0 unless the wire itself is wrong.
    pub fn unbalanced(&self) -> i128 {
        let came = i128::from(self.seen) + i128::from(self.duplicated.count);
        let went = [self.passed, self.taken(), self.refused.count, self.overflow.count, self.held];
        came - went.iter().map(|&count| i128::from(count)).sum::<i128>()
    }
}

/// Frames one thing happened to.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq, Eq)]
pub struct Record {
    pub count: u64,
    /// `(number, sequence)` of each: the frame's number in its direction and trial, from 1, and what its header
    /// says. The first [`Record::KEPT`] of them.
    pub frames: Vec<(u64, u32)>,
}

impl Record {
    /// Most frames that are listed; more are only counted.
    pub const KEPT: usize = 1 << 20;

    /// The sequence numbers, in the order in which it happened.
    pub fn sequences(&self) -> Vec<u32> {
        self.frames.iter().map(|&(_, sequence)| sequence).collect()
    }

    pub(crate) fn add(&mut self, number: u64, sequence: u32) {
        self.count += 1;
        if self.frames.len() < Self::KEPT {
            self.frames.push((number, sequence));
        }
    }
}

/// One bit changed.
#[derive(Serialize, Deserialize, Clone, Copy, Debug, PartialEq, Eq)]
pub struct Flipped {
    pub number: u64,
    /// The sequence number before the flip.
    pub sequence: u32,
    /// Offset from the frame's first octet.
    pub octet: u16,
    /// The one bit that was changed.
    pub mask: u8,
    /// Whether a checksum was recomputed.
    pub mended: bool,
}

/// What the monitor side did with one trial.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq)]
pub struct Monitored {
    pub forward: Copied,
    #[serde(rename = "return")]
    pub back: Copied,
}

impl Monitored {
    pub(crate) fn copied_mut(&mut self, direction: Direction) -> &mut Copied {
        match direction {
            Direction::Forward => &mut self.forward,
            Direction::Return => &mut self.back,
        }
    }
}

/// One direction of a trial at the monitor port: `shown = passed + dropped + queue_full + refused + held`.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq)]
pub struct Copied {
    /// Test frames that went by where the monitor is attached.
    pub shown: u64,
    /// Handed over at the monitor port.
    pub passed: u64,
    pub dropped: Record,
    pub queue_full: Record,
    /// The port would not take them. Nothing the script asked for.
    pub refused: Record,
    pub held: u64,
}

/// What belongs to no trial, one direction.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq)]
pub struct Others {
    pub control_seen: u64,
    pub control_dropped: u64,
    /// Control frames lost in a dark stretch.
    pub control_dark: u64,
    /// Learning frames: test frames that are no part of a trial's count.
    pub learning_seen: u64,
    pub learning_dark: u64,
    /// Frames that are nobody's we know.
    pub foreign_seen: u64,
    pub foreign_dark: u64,
    /// The first octets of the first few of them, in hexadecimal, to tell what they were.
    pub foreign_samples: Vec<String>,
}

/// What the wire lost itself, at its own ports. All zero, or no trial can be judged by the ledger.
#[derive(Serialize, Deserialize, Clone, Debug, Default, PartialEq, Eq)]
pub struct Lost {
    /// Frames the near (far) port dropped before the wire saw them; whose they were is not known.
    pub received_near: u64,
    pub received_far: u64,
    /// Frames other than test frames that a port would not take, or that the wire could not hold.
    pub refused_others: u64,
    /// Frames that came in at the monitor port, where nothing should.
    pub monitor_received: u64,
}
