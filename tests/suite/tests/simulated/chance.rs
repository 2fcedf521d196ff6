//! Seeds, and their names where a test fails.

pub(crate) use kitproof_bench::chance::Chance;

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
