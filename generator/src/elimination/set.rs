//! A set of the bag's pieces, by their numbers.

/// Up to 128 pieces.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Set(u128);

impl Set {
    /// How many different pieces there can be.
    pub const MOST: usize = 128;

    /// The set of the pieces below `count`.
    #[must_use]
    pub fn first(count: usize) -> Self {
        (0..count).collect()
    }

    #[must_use]
    pub fn contains(self, piece: usize) -> bool {
        self.0 >> piece & 1 == 1
    }

    #[must_use]
    pub fn with(self, piece: usize) -> Self {
        Self(self.0 | 1 << piece)
    }

    #[must_use]
    pub fn without(self, piece: usize) -> Self {
        Self(self.0 & !(1 << piece))
    }

    #[must_use]
    pub fn toggled(self, piece: usize) -> Self {
        Self(self.0 ^ 1 << piece)
    }

    #[must_use]
    pub fn union(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    #[must_use]
    pub fn intersection(self, other: Self) -> Self {
        Self(self.0 & other.0)
    }

    /// What is in this set and not in the other.
    #[must_use]
    pub fn less(self, other: Self) -> Self {
        Self(self.0 & !other.0)
    }

    #[must_use]
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }

    #[must_use]
    pub fn len(self) -> usize {
        self.0.count_ones() as usize
    }

    #[must_use]
    pub fn is_subset_of(self, other: Self) -> bool {
        self.0 & !other.0 == 0
    }

    /// The pieces, in ascending order.
    pub fn iter(self) -> impl Iterator<Item = usize> {
        let mut left = self.0;
        std::iter::from_fn(move || {
            let piece = (left != 0).then(|| left.trailing_zeros() as usize)?;
            left &= left - 1;
            Some(piece)
        })
    }
}

impl FromIterator<usize> for Set {
    /// # Panics
    /// For a piece of [`Set::MOST`] or more.
    fn from_iter<I: IntoIterator<Item = usize>>(pieces: I) -> Self {
        pieces.into_iter().fold(Self::default(), |set, piece| {
            assert!(piece < Self::MOST, "a set holds {} pieces", Self::MOST);
            set.with(piece)
        })
    }
}
