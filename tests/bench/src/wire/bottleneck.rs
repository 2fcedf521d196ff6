//! The arithmetic of kit that needs time for a frame: exact fractions of a nanosecond, no drift.
//!
//! Every moment that is handed out is rounded up to a whole nanosecond, so that nothing leaves early.

use std::collections::VecDeque;

use crate::script::{Rate, SlowClock, Stage};

const SECOND_NS: u128 = 1_000_000_000;
/// What a frame takes on a line beside its octets without FCS: FCS, preamble and SFD, gap.
const FCS: u64 = 4;
const PREAMBLE: u64 = 8;
const LINE: u64 = 24;

/// Something with one server: what comes is served in order, each frame for its own time.
#[derive(Clone, Debug)]
struct Server {
    /// When the server is free: `ns` and `rest`/`unit` nanoseconds.
    ns: u64,
    rest: u128,
    unit: u128,
}

impl Server {
    fn new(unit: u128) -> Self {
        Self { ns: 0, rest: 0, unit }
    }

    /// Serves what comes at `now` for `cost`/`unit` nanoseconds. When it begins and when it has ended.
    fn serve(&mut self, now: u64, cost: u128) -> (u64, u64) {
        if self.ns < now {
            (self.ns, self.rest) = (now, 0);
        }
        let begins = self.free();
        let total = self.rest + cost;
        self.ns = self.ns.saturating_add((total / self.unit) as u64);
        self.rest = total % self.unit;
        (begins, self.free())
    }

    fn free(&self) -> u64 {
        self.ns.saturating_add(u64::from(self.rest > 0))
    }

    /// The moment at which the server is `cost`/`unit` nanoseconds from being free; 0 if that is before all time.
    fn free_but_for(&self, cost: u128) -> u64 {
        let (whole, part) = ((cost / self.unit) as u64, cost % self.unit);
        let borrow = u64::from(part > self.rest);
        let rest = self.rest + u128::from(borrow) * self.unit - part;
        self.ns.checked_sub(whole.saturating_add(borrow)).map_or(0, |ns| ns + u64::from(rest > 0))
    }
}

/// Frames that wait, by the moment at which each will have waited enough.
#[derive(Clone, Debug)]
struct Queue {
    room: usize,
    until: VecDeque<u64>,
}

impl Queue {
    fn new(room: u32) -> Self {
        Self { room: room as usize, until: VecDeque::new() }
    }

    fn is_full(&mut self, now: u64) -> bool {
        while self.until.front().is_some_and(|&until| until <= now) {
            self.until.pop_front();
        }
        self.until.len() >= self.room
    }
}

#[derive(Clone, Debug)]
enum Cost {
    /// What every frame takes.
    Frame(u128),
    /// What a bit on the line takes.
    Bit(u128),
    /// The longer of the two.
    Longer(u128, u128),
}

/// A limit with a queue before it: says when a frame that comes now leaves, or that the queue is full.
#[derive(Clone, Debug)]
pub(super) struct Bottleneck {
    server: Server,
    queue: Queue,
    cost: Cost,
    /// Token bucket: a frame leaves as soon as the server is free but for so many frames.
    ahead: Option<u128>,
}

impl Bottleneck {
    pub(super) fn new(rate: Rate) -> Self {
        let (frames, bits) = (rate.frames_per_s.map(u128::from), rate.bits_per_s.map(u128::from));
        let (unit, cost) = match (frames, bits) {
            (Some(frames), Some(bits)) => (frames * bits, Cost::Longer(SECOND_NS * bits, SECOND_NS * frames)),
            (Some(frames), None) => (frames, Cost::Frame(SECOND_NS)),
            (None, bits) => (bits.unwrap_or(1), Cost::Bit(SECOND_NS)),
        };
        let ahead = rate.tokens.map(|tokens| u128::from(tokens - 1) * SECOND_NS);
        Self { server: Server::new(unit), queue: Queue::new(rate.queue), cost, ahead }
    }

    pub(super) fn slow_clock(clock: SlowClock) -> Self {
        const MILLION: u128 = 1_000_000;
        let unit = u128::from(clock.bits_per_s) * (MILLION - u128::from(clock.ppm));
        let cost = Cost::Bit(SECOND_NS * MILLION);
        Self { server: Server::new(unit), queue: Queue::new(clock.buffer), cost, ahead: None }
    }

    /// The time at which a frame of `octets` (without its FCS) has left, or None if the queue is full.
    pub(super) fn admit(&mut self, now: u64, octets: usize) -> Option<u64> {
        let bits = u128::from(8 * (octets as u64 + LINE));
        let cost = match self.cost {
            Cost::Frame(cost) => cost,
            Cost::Bit(cost) => cost * bits,
            Cost::Longer(frame, bit) => frame.max(bit * bits),
        };
        let waits_until = self.ahead.map_or(self.server.free(), |ahead| self.server.free_but_for(ahead));
        if waits_until > now {
            if self.queue.is_full(now) {
                return None;
            }
            self.queue.until.push_back(waits_until);
        }
        let (_, ends) = self.server.serve(now, cost);
        Some(if self.ahead.is_some() { waits_until.max(now) } else { ends })
    }
}

/// A stage that stores a frame whole and forwards it.
#[derive(Clone, Debug)]
pub(super) struct Store {
    server: Server,
    extra: u64,
}

impl Store {
    pub(super) fn new(stage: Stage) -> Self {
        let extra = FCS + if stage.preamble { PREAMBLE } else { 0 };
        Self { server: Server::new(u128::from(stage.bits_per_s)), extra }
    }

    /// When a frame of `octets` (without its FCS) that comes now has left.
    pub(super) fn forward(&mut self, now: u64, octets: usize) -> u64 {
        let bits = u128::from(8 * (octets as u64 + self.extra));
        self.server.serve(now, bits * SECOND_NS).1
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn serves_at_its_rate_and_queues_no_more_than_it_may() {
        let mut line = Bottleneck::new(Rate::frames(3, 2));
        let third = 1_000_000_000 / 3;
        assert_eq!(line.admit(0, 60), Some(third + 1));
        assert_eq!(line.admit(0, 60), Some(2 * third + 1), "the first one waits");
        assert_eq!(line.admit(0, 60), Some(1_000_000_000), "thirds add up to the whole second");
        assert_eq!(line.admit(0, 60), None, "two wait already");
        assert_eq!(line.admit(third, 60), None, "a third of a nanosecond too early");
        assert_eq!(line.admit(third + 1, 60), Some(1_000_000_000 + third + 1), "one of them is being served");
    }

    #[test]
    fn bits_count_preamble_gap_and_fcs() {
        // 64 octets with FCS are 84 on the wire: 672 ns at 1 Gb/s (RFC 2544 appendix B: 1,488,095 frames/s).
        assert_eq!(Bottleneck::new(Rate::bits(1_000_000_000, 0)).admit(0, 60), Some(672));
        let both = Rate { bits_per_s: Some(1_000_000_000), ..Rate::frames(1_000_000, 0) };
        assert_eq!(Bottleneck::new(both).admit(0, 60), Some(1000), "the slower of the two");
        assert_eq!(Bottleneck::new(both).admit(0, 1514), Some(12_304));
    }

    #[test]
    fn a_stage_takes_one_serialisation_time() {
        let stage = |preamble| Store::new(Stage { bits_per_s: 100_000_000, preamble });
        // 64 octets at 100 Mb/s: 5,120 ns; with 8 of preamble and SFD 5,760 ns.
        assert_eq!(stage(false).forward(7, 60), 5_127);
        assert_eq!(stage(true).forward(7, 60), 5_767);
        let mut one = stage(false);
        assert_eq!(
            (one.forward(0, 60), one.forward(0, 60)),
            (5_120, 10_240),
            "the second waits for the first"
        );
        assert_eq!(one.forward(20_000, 60), 25_120);
    }

    proptest! {
        /// Frame n of a full line has left at the first whole nanosecond from n+1 services on, computed at once
        /// instead of step by step: no drift.
        #[test]
        fn nothing_drifts(
            bits_per_s in 1_000_000_u64..1_000_000_000_000, ppm in 0_u32..999_999, octets in 60_usize..9000,
            count in 1_u64..500,
        ) {
            let mut clock = Bottleneck::slow_clock(SlowClock { bits_per_s, ppm, buffer: u32::MAX });
            let mut last = 0;
            for _ in 0..count {
                last = clock.admit(0, octets).unwrap();
            }
            let bits = u128::from(count) * 8 * (octets as u128 + 24);
            let exact = (bits * 1_000_000 * 1_000_000_000)
                .div_ceil(u128::from(bits_per_s) * u128::from(1_000_000 - ppm));
            prop_assert_eq!(u128::from(last), exact);
        }

        /// The first frame of a burst that is lost, against the formula in the documentation of [`Rate`].
        #[test]
        fn a_burst_finds_the_queue(
            gap in proptest::sample::select(vec![500_u64, 672, 1_000, 12_304, 80_000, 1_000_000]),
            permille in 1_u64..980, queue in 0_u32..300, tokens in proptest::option::of(1_u32..50),
        ) {
            // L is one frame in `gap`; R is less, in whole frames a second.
            let rate = (1_000_000_000 / gap * permille / 1000).max(1);
            let mut limit = Bottleneck::new(Rate { tokens, ..Rate::frames(rate, queue) });
            let places = u64::from(queue) + u64::from(tokens.unwrap_or(1));
            let begun = |n: u64| n * gap * rate / 1_000_000_000;
            let burst = (0..).find(|&n| limit.admit(n * gap, 60).is_none()).unwrap();
            prop_assert_eq!(Some(burst), (0..).find(|&n| n - begun(n) >= places));
            // The same in fractions: B * (1 - R/L), times 10^9.
            let taken_up = burst * (1_000_000_000 - gap * rate);
            prop_assert!(taken_up > (places - 1) * 1_000_000_000, "Q + T - 1 < B(1 - R/L)");
            prop_assert!(taken_up <= places * 1_000_000_000 - gap * rate, "B(1 - R/L) <= Q + T - R/L");
        }

        /// A token bucket lets no more pass in any time than its tokens and what has come since; and no less.
        #[test]
        fn a_bucket_holds_its_tokens(
            rate in 1000_u64..1_000_000, tokens in 1_u32..20, gaps in proptest::collection::vec(0_u64..20_000, 1..200),
        ) {
            let mut bucket = Bottleneck::new(Rate { tokens: Some(tokens), ..Rate::frames(rate, u32::MAX) });
            // A slow bucket: tokens in units of 1/rate ns, counted up frame by frame.
            let (mut level, mut at) = (u128::from(tokens) * SECOND_NS, 0_u64);
            let mut now = 0;
            for gap in gaps {
                now += gap;
                let left = bucket.admit(now, 60).unwrap();
                let begin = now.max(at);
                level = (level + u128::from(begin - at) * u128::from(rate)).min(u128::from(tokens) * SECOND_NS);
                let missing = SECOND_NS.saturating_sub(level).div_ceil(u128::from(rate)) as u64;
                prop_assert_eq!(left, begin + missing);
                level += u128::from(missing) * u128::from(rate);
                level -= SECOND_NS;
                at = begin + missing;
            }
        }
    }
}
