//! Chance that is the same on every run of a seed.

/// SplitMix64: small, fast, and good enough to draw scripts from.
#[derive(Clone, Debug)]
pub(crate) struct Chance(u64);

impl Chance {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// From `least` to `most`, both included.
    pub(crate) fn between(&mut self, least: u64, most: u64) -> u64 {
        least + self.next() % (most - least + 1)
    }

    /// True `percent` times in a hundred.
    pub(crate) fn percent(&mut self, percent: u64) -> bool {
        self.permille(percent * 10)
    }

    /// True `permille` times in a thousand.
    pub(crate) fn permille(&mut self, permille: u64) -> bool {
        permille > 0 && self.next() % 1000 < permille
    }

    pub(crate) fn pick<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[(self.next() % choices.len() as u64) as usize]
    }
}

/// Names the seed when a test ends in a panic, so that the very trial can be had again.
pub(crate) struct Named {
    pub(crate) what: &'static str,
    pub(crate) seed: u64,
}

impl Drop for Named {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("{}: again with KITPROOF_SEED={} KITPROOF_SCRIPTS=1", self.what, self.seed);
        }
    }
}

/// The seeds of a test's trials: `usual` of them from `first` on, or what the environment says. A seed given there is
/// the first trial's own.
pub(crate) fn seeds(first: u64, usual: u64) -> std::ops::Range<u64> {
    let number = |name: &str| {
        std::env::var(name)
            .ok()
            .map(|text| text.parse().unwrap_or_else(|_| panic!("{name} is no number: {text}")))
    };
    let first: u64 = number("KITPROOF_SEED").unwrap_or(first);
    let count: u64 = number("KITPROOF_SCRIPTS").map_or(usual, |asked: u64| asked.min(usual.max(asked)));
    first..first + count
}
