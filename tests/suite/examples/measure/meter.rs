//! What is measured of a stage: callgrind counts the instructions inside one function, and a clock runs outside it.

use kitproof_common::port::clock::monotonic_ns;

/// Time spent in the counted part.
#[derive(Default)]
pub(crate) struct Meter {
    pub(crate) nanoseconds: u64,
}

impl Meter {
    pub(crate) fn measure<T>(&mut self, work: impl FnOnce() -> T) -> T {
        let before = monotonic_ns();
        let result = the_counted_part(work);
        self.nanoseconds += monotonic_ns() - before;
        result
    }
}

/// `scripts/cost` has callgrind count what happens in functions of this name, and nothing else.
#[inline(never)]
fn the_counted_part<T>(work: impl FnOnce() -> T) -> T {
    work()
}
