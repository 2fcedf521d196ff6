//! Where a stream of numbers jumped, kept until somebody asks.

use std::collections::VecDeque;

/// A frame whose number was higher than the next expected, or one that came late into what was jumped over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Jump {
    /// The number that was expected.
    pub from: u64,
    /// The number that arrived; `from..to` had not arrived by then. Of a late one `from` is the number that arrived, and
    /// `to` the one behind it.
    pub to: u64,
    /// What the caller said of that frame.
    pub note: u64,
    /// It came late.
    pub late: bool,
}

/// The latest jumps, as many as there is room for. Nothing allocates after it is made.
#[derive(Clone, Debug, Default)]
pub(crate) struct Jumps {
    kept: VecDeque<Jump>,
    room: usize,
}

impl Jumps {
    pub(crate) fn with_room(room: usize) -> Self {
        Self { kept: VecDeque::with_capacity(room), room }
    }

    /// One that finds no room is not kept.
    #[inline]
    pub(crate) fn push(&mut self, jump: Jump) {
        if self.kept.len() < self.room {
            self.kept.push_back(jump);
        }
    }

    pub(crate) fn pop(&mut self) -> Option<Jump> {
        self.kept.pop_front()
    }

    pub(crate) fn reset(&mut self) {
        self.kept.clear();
    }
}
