//! A ring of bits: which of the latest sequence numbers have been seen, and which more than once.

use super::loss::LossRuns;

/// Sixty-four sequence numbers. `seen` of the newest word is kept in [`Window::newest`] instead.
#[derive(Clone, Copy, Debug, Default)]
struct Word {
    seen: u64,
    copied: u64,
}

/// What a number in the window turned out to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Mark {
    New,
    /// Seen before; `again` if it had already been copied before this.
    Copy {
        again: bool,
    },
}

/// Covers the words `floor..=top`, at most as many as the ring holds. Slots outside that range are zero.
#[derive(Clone, Debug)]
pub(crate) struct Window {
    words: Box<[Word]>,
    floor: u64,
    top: u64,
    /// What has been seen of word `top`: in one place of its own, so that frames in order never look for their slot.
    newest: u64,
}

impl Window {
    /// `span` numbers, rounded up to a power of two and to 64 at the least.
    pub(crate) fn new(span: usize) -> Self {
        let words = span.max(64).next_power_of_two() / 64;
        Self { words: vec![Word::default(); words].into_boxed_slice(), floor: 0, top: 0, newest: 0 }
    }

    /// The numbers the ring has room for.
    pub(crate) fn span(&self) -> usize {
        self.words.len() * 64
    }

    pub(crate) fn reset(&mut self) {
        self.words.fill(Word::default());
        self.floor = 0;
        self.top = 0;
        self.newest = 0;
    }

    #[inline]
    fn slot(&self, word: u64) -> usize {
        // The length is a power of two.
        word as usize & (self.words.len() - 1)
    }

    #[inline]
    fn seen(&self, word: u64) -> u64 {
        if word == self.top { self.newest } else { self.words[self.slot(word)].seen }
    }

    /// [`Self::seen`] with a run that the newest word has not been told of yet.
    fn seen_with(&self, word: u64, run: u64) -> u64 {
        if word == self.top { self.newest | run } else { self.seen(word) }
    }

    /// True if the number is older than anything the window still knows.
    #[inline]
    pub(crate) fn has_left(&self, sequence: u64) -> bool {
        sequence >> 6 < self.floor
    }

    /// All below this has left the window, and is final.
    pub(crate) fn begins(&self) -> u64 {
        self.floor << 6
    }

    /// Whether a number that lies in the window is marked.
    #[inline]
    pub(crate) fn contains(&self, sequence: u64) -> bool {
        self.seen(sequence >> 6) & (1 << (sequence & 63)) != 0
    }

    /// Marks a number that lies in the newest word and is known to be unseen.
    #[inline]
    pub(crate) fn mark_new(&mut self, sequence: u64) {
        self.newest |= 1 << (sequence & 63);
    }

    /// Marks many numbers of the newest word, known to be unseen.
    #[inline]
    pub(crate) fn mark_run(&mut self, run: u64) {
        self.newest |= run;
    }

    /// Marks a number that lies in the window.
    #[inline]
    pub(crate) fn mark(&mut self, sequence: u64) -> Mark {
        let slot = self.slot(sequence >> 6);
        let Word { seen, copied } = &mut self.words[slot];
        let seen = if sequence >> 6 == self.top { &mut self.newest } else { seen };
        let bit = 1 << (sequence & 63);
        if *seen & bit == 0 {
            *seen |= bit;
            Mark::New
        } else {
            let again = *copied & bit != 0;
            *copied |= bit;
            Mark::Copy { again }
        }
    }

    /// Moves on so that `sequence` is covered; words that drop out are final and go to `runs`. However far it jumps, the
    /// cost is bounded by the words of the ring.
    #[inline]
    pub(crate) fn cover(&mut self, sequence: u64, runs: &mut LossRuns) {
        let word = sequence >> 6;
        if word <= self.top {
            return;
        }
        let newest = self.slot(self.top);
        self.words[newest].seen = std::mem::take(&mut self.newest);
        let floor = (word + 1).saturating_sub(self.words.len() as u64).max(self.floor);
        for old in self.floor..floor.min(self.top + 1) {
            let slot = self.slot(old);
            let retired = std::mem::take(&mut self.words[slot]);
            runs.word(old << 6, retired.seen, 64);
        }
        if floor > self.top + 1 {
            // Words that were jumped over without ever being in the ring.
            runs.lost_from((self.top + 1) << 6);
        }
        self.floor = floor;
        self.top = word;
    }

    /// Numbers of at least `offered` that are marked; `run` are bits to add to the newest word.
    pub(crate) fn seen_from(&self, offered: u64, run: u64) -> u64 {
        (self.floor.max(offered >> 6)..=self.top)
            .map(|word| {
                let below = offered.saturating_sub(word << 6).min(64);
                let kept = u64::MAX.checked_shl(below as u32).unwrap_or(0);
                u64::from((self.seen_with(word, run) & kept).count_ones())
            })
            .sum()
    }

    /// Gives `runs` what the window holds as if it were final, up to number `offered` and no further; `run` are bits to add to
    /// the newest word.
    pub(crate) fn settle(&self, offered: u64, run: u64, runs: &mut LossRuns) {
        for word in self.floor..=self.top {
            let first = word << 6;
            if first >= offered {
                return;
            }
            let count = (offered - first).min(64) as u32;
            runs.word(first, self.seen_with(word, run), count);
        }
        runs.lost_from((self.top + 1) << 6);
    }
}
