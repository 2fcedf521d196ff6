//! Round trips of sampled frames by stamps of one clock: the kernel's of departure and arrival, or the NIC's.
//!
//! The stamps of one sample come from three places, in any order, late or never: of its departure by the error queue of the
//! sending socket, of its arrival by the port that counts frames (the kernel's stamp) and by the listener beside it (the
//! kernel's and the NIC's). What belongs together is told by what the frame itself says, sequence and departure, and of the
//! two arrivals by the kernel's stamp, which is the same in both. So a frame that was handed over twice, because the port had
//! no room at first, is only ever held against the stamp of the time it left; and a damaged frame or a copy that the listener
//! heard is never held against anything.

use hdrhistogram::Histogram;
use kitproof_common::line::common_divisor;
use kitproof_common::port::stamps::{Identity, Stamp};
use kitproof_common::sequence::Sampling;

use super::latency::{RESIDENCE_UNIT_NS, SATURATED, histogram};

/// Samples that may wait for a stamp: eight seconds of them. An older one makes room for a newer.
const WAITING: usize = 8_192;
/// Two clocks that are each within 100 ppm (IEEE 802.3) differ by less than this part of a time.
const CLOCKS_DIFFER: u64 = 4_000;
/// And what two stamps of different clocks may be off besides, nanoseconds: a tick of a coarse NIC.
const COARSE_NS: u64 = 1_000;

/// One sample that is under way.
#[derive(Clone, Copy, Default)]
struct Waiting {
    taken: bool,
    identity: Identity,
    departed: Stamp,
    heard: Stamp,
    /// By the port that counts; 0 while it is not home.
    arrived_ns: u64,
    residence_ns: u64,
    /// The round trip from the program's departure to that arrival, less residence.
    by_program_ns: Option<u32>,
    /// The kernel's round trip was recorded.
    by_kernel: bool,
    by_nic: bool,
}

/// The round trips of one clock.
struct Trips {
    total: Histogram<u64>,
    excluded: u64,
    grain: Grain,
}

impl Trips {
    fn new() -> Self {
        Self { total: histogram(), excluded: 0, grain: Grain::default() }
    }

    fn finish(self, excluded: u64) -> Option<StampedTrips> {
        (!self.total.is_empty()).then(|| StampedTrips {
            excluded: self.excluded + excluded,
            grain_ns: self.grain.ns(),
            histogram: self.total,
        })
    }
}

/// How coarse a clock is, by its stamps: the greatest number that divides all their differences.
#[derive(Clone, Copy, Default)]
struct Grain {
    first: Option<u64>,
    divisor: u64,
}

impl Grain {
    fn saw(&mut self, stamp: u64) {
        let difference = stamp.abs_diff(*self.first.get_or_insert(stamp));
        self.divisor = common_divisor(self.divisor.into(), difference.into()) as u64;
    }

    fn ns(self) -> u64 {
        self.divisor.max(1)
    }
}

/// Joins the stamps of the samples of one trial. Its memory does not grow.
pub struct Stamped {
    sampling: Sampling,
    waiting: Box<[Waiting]>,
    /// The kernel's round trips since its clock was last looked at.
    second: Histogram<u64>,
    kernel: Trips,
    nic: Trips,
    excluded: u64,
}

/// What was measured by one clock.
#[derive(Clone, Debug)]
pub struct StampedTrips {
    pub histogram: Histogram<u64>,
    /// Samples home that were left out: warm-up, saturated residence, a clock that was stepped.
    pub excluded: u64,
    /// The stamps are multiples of this, nanoseconds.
    pub grain_ns: u64,
}

/// What was measured by either.
#[derive(Clone, Debug, Default)]
pub struct ByStamps {
    pub kernel: Option<StampedTrips>,
    pub nic: Option<StampedTrips>,
}

impl ByStamps {
    /// Those of several flows, which have the same clocks.
    #[must_use]
    pub fn together<'a>(flows: impl IntoIterator<Item = &'a ByStamps>) -> ByStamps {
        let mut all = ByStamps::default();
        for flow in flows {
            add(&mut all.kernel, flow.kernel.as_ref());
            add(&mut all.nic, flow.nic.as_ref());
        }
        all
    }
}

fn add(all: &mut Option<StampedTrips>, flow: Option<&StampedTrips>) {
    match (all, flow) {
        (_, None) => {}
        (all @ None, Some(flow)) => *all = Some(flow.clone()),
        (Some(all), Some(flow)) => {
            // Of the same bounds: nothing is resized.
            all.histogram += &flow.histogram;
            all.excluded += flow.excluded;
            all.grain_ns = common_divisor(all.grain_ns.into(), flow.grain_ns.into()) as u64;
        }
    }
}

impl Stamped {
    #[must_use]
    pub fn new(sampling: Sampling) -> Self {
        Self {
            sampling,
            waiting: vec![Waiting::default(); WAITING].into_boxed_slice(),
            second: histogram(),
            kernel: Trips::new(),
            nic: Trips::new(),
            excluded: 0,
        }
    }

    /// A frame left. Comes once for each clock, or once with both.
    pub fn departed(&mut self, identity: Identity, stamp: Stamp) {
        let Some(one) = self.place(identity) else { return };
        merge(&mut one.departed, stamp);
        self.join(identity);
    }

    /// A sample is home, intact and for the first time; the port's stamp of that is the kernel's, and `by_program_ns` its round
    /// trip up to that stamp, where there is one.
    pub fn arrived(
        &mut self,
        identity: Identity,
        residence: u16,
        arrived_ns: u64,
        by_program_ns: Option<u32>,
    ) {
        let Some(one) = self.place(identity) else { return };
        one.arrived_ns = arrived_ns;
        one.by_program_ns = by_program_ns;
        one.residence_ns = u64::from(residence).wrapping_mul(RESIDENCE_UNIT_NS.into());
        if residence == SATURATED {
            *one = Waiting::default();
            self.excluded += 1;
            return;
        }
        self.join(identity);
    }

    /// A sample is home that says nothing about latency.
    pub fn exclude(&mut self) {
        self.excluded += 1;
    }

    /// The listener heard a frame that looks like this sample.
    pub fn heard(&mut self, identity: Identity, stamp: Stamp) {
        let Some(one) = self.place(identity) else { return };
        let (known, now) = (one.arrived_ns, stamp.kernel_ns);
        // A copy is another arrival: the first one heard is kept until it is known which of them was counted.
        if one.heard == Stamp::default() || (known != 0 && known == now) {
            one.heard = stamp;
            self.join(identity);
        }
    }

    /// The place of a sample, empty if it was another's; `None` if it is too old to have one.
    fn place(&mut self, identity: Identity) -> Option<&mut Waiting> {
        let sequence = (identity >> 32) as u32;
        let one = &mut self.waiting[self.sampling.number(sequence) as usize % WAITING];
        if one.taken && one.identity != identity {
            let before = (one.identity >> 32) as u32;
            let older = |value: u32, than: u32| (value.wrapping_sub(than) as i32) < 0;
            // Handed over again: the last time it left, and if it is home that is the time it left.
            let other_try =
                before == sequence && (one.arrived_ns != 0 || older(identity as u32, one.identity as u32));
            if older(sequence, before) || other_try {
                return None;
            }
            *one = Waiting::default();
        }
        one.taken = true;
        one.identity = identity;
        Some(one)
    }

    fn join(&mut self, identity: Identity) {
        let number = self.sampling.number((identity >> 32) as u32);
        let one = &mut self.waiting[number as usize % WAITING];
        if one.arrived_ns == 0 {
            return;
        }
        if !one.by_kernel && one.departed.kernel_ns != 0 {
            one.by_kernel = true;
            self.kernel.grain.saw(one.departed.kernel_ns);
            self.kernel.grain.saw(one.arrived_ns);
            match one.arrived_ns.checked_sub(one.departed.kernel_ns) {
                Some(away) => self.second.saturating_record(away.saturating_sub(one.residence_ns)),
                None => self.kernel.excluded += 1,
            }
        }
        if !one.by_nic
            && one.departed.nic_ns != 0
            && one.heard.nic_ns != 0
            && one.heard.kernel_ns == one.arrived_ns
        {
            one.by_nic = true;
            self.nic.grain.saw(one.departed.nic_ns);
            self.nic.grain.saw(one.heard.nic_ns);
            // The NIC sees a frame leave after the kernel and the program do, and arrive before: more than their time between
            // the two, and its clock was set meanwhile.
            let by_kernel =
                one.arrived_ns.checked_sub(one.departed.kernel_ns).filter(|_| one.departed.kernel_ns != 0);
            let by_program = || one.by_program_ns.map(|away| u64::from(away) + one.residence_ns);
            let most = by_kernel.or_else(by_program).map(|away| away + away / CLOCKS_DIFFER + COARSE_NS);
            match (one.heard.nic_ns.checked_sub(one.departed.nic_ns), most) {
                (Some(away), Some(most)) if away <= most => {
                    self.nic.total.saturating_record(away.saturating_sub(one.residence_ns));
                }
                _ => self.nic.excluded += 1,
            }
        }
    }

    /// The kernel's clock was looked at: what was recorded since the last time stays, or goes if the clock was stepped, and
    /// with it every sample that is still under way.
    pub fn close_second(&mut self, stepped: bool) {
        if stepped {
            self.kernel.excluded += self.second.len();
            self.waiting.fill(Waiting::default());
        } else {
            // Of the same bounds: nothing is resized.
            self.kernel.total += &self.second;
        }
        self.second.reset();
    }

    #[must_use]
    pub fn finish(mut self, stepped: bool) -> ByStamps {
        self.close_second(stepped);
        ByStamps { kernel: self.kernel.finish(self.excluded), nic: self.nic.finish(self.excluded) }
    }
}

fn merge(into: &mut Stamp, from: Stamp) {
    for (into, from) in [(&mut into.kernel_ns, from.kernel_ns), (&mut into.nic_ns, from.nic_ns)] {
        if from != 0 {
            *into = from;
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::*;

    const WALL_NS: u64 = 1_700_000_000_000_000_000;
    const PHC_NS: u64 = 37_000_000_000;

    fn identity(sequence: u32, departure: u32) -> Identity {
        u64::from(sequence) << 32 | u64::from(departure)
    }

    fn kernel(kernel_ns: u64) -> Stamp {
        Stamp { kernel_ns, nic_ns: 0 }
    }

    fn nic(nic_ns: u64) -> Stamp {
        Stamp { kernel_ns: 0, nic_ns }
    }

    /// What the histogram makes of exact values.
    fn histogram_of(values: impl IntoIterator<Item = u64>) -> Histogram<u64> {
        let mut expected = histogram();
        values.into_iter().for_each(|value| expected.saturating_record(value));
        expected
    }

    /// One thing that is told of a sample.
    #[derive(Clone, Copy, Debug)]
    enum Told {
        Departed(Identity, Stamp),
        Arrived(Identity, u16, u64),
        Heard(Identity, Stamp),
    }

    fn tell(stamped: &mut Stamped, told: Told) {
        match told {
            Told::Departed(identity, stamp) => stamped.departed(identity, stamp),
            // Whatever happens to the kernel's stamp, there is a limit.
            Told::Arrived(identity, residence, at) => {
                stamped.arrived(identity, residence, at, Some(u32::MAX));
            }
            Told::Heard(identity, stamp) => stamped.heard(identity, stamp),
        }
    }

    /// The life of one sample.
    #[derive(Clone, Debug)]
    struct Life {
        /// Nanoseconds from the hand-over to each stamp, each later than the one before.
        steps: [u64; 4],
        residence: u16,
        /// Times the port turned it away before, each leaving a stamp of a frame that never went.
        refused: u8,
        /// What is lost on the way: the kernel's departure, the NIC's, the frame, the listener's.
        lost: [bool; 4],
        /// The listener also hears a copy that arrives so much later, or a damaged frame that looks the same.
        copy: Option<u64>,
        departure: u32,
    }

    fn life() -> impl Strategy<Value = Life> {
        let steps = (1u64..5_000, 1u64..1_000, 100u64..2_000_000, 1u64..50_000);
        let lost = prop::array::uniform4(prop::bool::weighted(0.15));
        let refused = prop_oneof![4 => Just(0u8), 1 => 1u8..3];
        let copy = prop::option::weighted(0.2, 1u64..100_000);
        (steps, 0u16..300, refused, lost, copy, 4u32..u32::MAX).prop_map(
            |((a, b, c, d), residence, refused, lost, copy, departure)| {
                // A residence that is longer than the time away is none.
                let away = c.max(u64::from(residence) * 64);
                Life { steps: [a, b, away, d], residence, refused, lost, copy, departure }
            },
        )
    }

    proptest! {
        /// Lives told in any order: every round trip recorded is exactly arrival less departure of that one sample by that
        /// one clock, one for each sample of which both stamps came, and no other.
        #[test]
        fn what_is_joined_belongs_together(
            lives in prop::collection::vec(life(), 1..60),
            order in any::<u64>(),
            first in any::<u32>(),
            stride in 1u32..2_000,
        ) {
            let sampling = Sampling::every(stride);
            let mut told: Vec<Told> = Vec::new();
            let (mut by_kernel, mut by_nic) = (Vec::new(), Vec::new());
            let mut next = sampling.first_from(first.into());
            for (index, life) in lives.iter().enumerate() {
                let sequence = next as u32;
                next = sampling.first_from(next + 1);
                let at = 1_000_000 + 10_000_000 * index as u64;
                let id = identity(sequence, life.departure);
                let mut moment = at;
                let [left, gone, back, home] = life.steps.map(|step| { moment += step; moment });
                let [no_left, no_gone, no_frame, no_heard] = life.lost;
                for refused in 1..=life.refused {
                    let before = life.departure - u32::from(refused);
                    told.push(Told::Departed(identity(sequence, before), kernel(WALL_NS + left - 7 * u64::from(refused))));
                }
                if !no_left { told.push(Told::Departed(id, kernel(WALL_NS + left))); }
                if !no_gone { told.push(Told::Departed(id, nic(PHC_NS + gone))); }
                let seen = Stamp { kernel_ns: WALL_NS + home, nic_ns: PHC_NS + back };
                if !no_frame { told.push(Told::Arrived(id, life.residence, seen.kernel_ns)); }
                if !no_heard && !no_frame { told.push(Told::Heard(id, seen)); }
                let residence = u64::from(life.residence) * 64;
                if !no_left && !no_frame { by_kernel.push(home - left - residence); }
                // Told in its own order: a copy comes after the first, so that which came first is known.
                let mut copied = life.copy.is_some();
                if let (Some(later), false, false) = (life.copy, no_frame, no_heard) {
                    told.push(Told::Heard(id, Stamp { kernel_ns: seen.kernel_ns + later, nic_ns: seen.nic_ns + later }));
                } else {
                    copied = false;
                }
                if !no_gone && !no_frame && !no_heard { by_nic.push((back - gone - residence, copied)); }
            }
            // Any order of the samples among each other and of the three tellers; each teller keeps its own order within
            // one sample.
            let mut keyed: BTreeMap<(u64, usize), Told> = BTreeMap::new();
            let mut chance = order | 1;
            let mut later: BTreeMap<(u8, u32), u64> = BTreeMap::new();
            for (index, one) in told.into_iter().enumerate() {
                chance = chance.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                let (teller, id) = match one {
                    Told::Departed(id, _) => (0, id),
                    Told::Arrived(id, ..) => (1, id),
                    Told::Heard(id, _) => (2, id),
                };
                let least = later.entry((teller, (id >> 32) as u32)).or_default();
                let key = (chance >> 33).max(*least);
                *least = key;
                keyed.insert((key, index), one);
            }
            let mut stamped = Stamped::new(sampling);
            keyed.into_values().for_each(|one| tell(&mut stamped, one));
            let found = stamped.finish(false);
            let kernel_found = found.kernel.map_or_else(histogram, |trips| { assert_eq!(trips.excluded, 0); trips.histogram });
            // A frame that was turned away is told before the one that went, so nothing is missing here either.
            prop_assert_eq!(kernel_found, histogram_of(by_kernel));
            let nic_found = found.nic.map_or_else(histogram, |trips| { assert_eq!(trips.excluded, 0); trips.histogram });
            prop_assert_eq!(nic_found, histogram_of(by_nic.into_iter().map(|(value, _)| value)));
        }
    }

    /// A frame that arrives ahead of the stamp of an attempt that was turned away: the attempt is another frame's.
    #[test]
    fn a_frame_that_was_turned_away_is_not_the_one_that_went() {
        let mut stamped = Stamped::new(Sampling::every(1));
        stamped.departed(identity(5, 100), kernel(WALL_NS));
        stamped.arrived(identity(5, 200), 0, WALL_NS + 9_000, None);
        stamped.departed(identity(5, 100), kernel(WALL_NS));
        stamped.departed(identity(5, 200), kernel(WALL_NS + 8_000));
        let trips = stamped.finish(false).kernel.unwrap();
        assert_eq!((trips.histogram.len(), trips.histogram.max()), (1, 1_000));
    }

    /// The two clocks are never mixed: a sample of which each clock has but one stamp gives nothing.
    #[test]
    fn stamps_of_two_clocks_are_never_subtracted() {
        let mut stamped = Stamped::new(Sampling::every(1));
        stamped.departed(identity(1, 1), nic(PHC_NS));
        stamped.arrived(identity(1, 1), 0, WALL_NS, None);
        stamped.heard(identity(1, 1), kernel(WALL_NS));
        stamped.departed(identity(2, 1), kernel(WALL_NS));
        stamped.heard(identity(2, 1), Stamp { kernel_ns: WALL_NS + 5, nic_ns: PHC_NS });
        let found = stamped.finish(false);
        assert!(found.kernel.is_none() && found.nic.is_none(), "{found:?}");
    }

    /// The listener heard something, but not the arrival that was counted.
    #[test]
    fn another_arrival_is_not_this_one() {
        let mut stamped = Stamped::new(Sampling::every(1));
        stamped.departed(identity(1, 1), Stamp { kernel_ns: WALL_NS, nic_ns: PHC_NS });
        stamped.heard(identity(1, 1), Stamp { kernel_ns: WALL_NS + 500, nic_ns: PHC_NS + 400 });
        stamped.arrived(identity(1, 1), 0, WALL_NS + 700, None);
        let found = stamped.finish(false);
        assert_eq!((found.kernel.unwrap().histogram.max(), found.nic.is_none()), (700, true));
    }

    #[test]
    fn a_step_of_the_nics_clock_costs_the_sample() {
        let mut stamped = Stamped::new(Sampling::every(1));
        for (sequence, step) in [(1, 0i64), (2, 1_000_000_000), (3, -1_000_000_000), (4, 0)] {
            let id = identity(sequence, 9);
            let at = 1_000_000 * u64::from(sequence);
            stamped.departed(id, Stamp { kernel_ns: WALL_NS + at, nic_ns: PHC_NS + at + 100 });
            stamped.arrived(id, 0, WALL_NS + at + 5_000, None);
            let back = (PHC_NS + at + 4_900).strict_add_signed(step);
            stamped.heard(id, Stamp { kernel_ns: WALL_NS + at + 5_000, nic_ns: back });
        }
        let found = stamped.finish(false);
        let by_nic = found.nic.unwrap();
        assert_eq!((by_nic.histogram.len(), by_nic.excluded), (2, 2));
        assert!(by_nic.histogram.equivalent(by_nic.histogram.max(), 4_800));
        assert_eq!(found.kernel.unwrap().histogram.len(), 4);
    }

    /// Over AF_XDP no clock of the kernel stamps departures: the program's round trip is the limit then, residence and all.
    #[test]
    fn a_step_of_the_nics_clock_is_seen_by_the_programs_round_trip_too() {
        let mut stamped = Stamped::new(Sampling::every(1));
        let residence = 1_000 / 64;
        let away = 4_800;
        for (sequence, step) in [(1, 0i64), (2, 1_000_000), (3, -1_000_000), (4, 150), (5, 2_000)] {
            let id = identity(sequence, 9);
            let at = 1_000_000 * u64::from(sequence);
            stamped.departed(id, nic(PHC_NS + at));
            stamped.arrived(id, residence, at + 5_000, Some(4_900 - 64 * u32::from(residence)));
            let back = (PHC_NS + at + away).strict_add_signed(step);
            stamped.heard(id, Stamp { kernel_ns: at + 5_000, nic_ns: back });
        }
        let id = identity(6, 9);
        stamped.departed(id, nic(PHC_NS));
        stamped.arrived(id, residence, 5_000, None);
        stamped.heard(id, Stamp { kernel_ns: 5_000, nic_ns: PHC_NS + away });
        let found = stamped.finish(false);
        assert!(found.kernel.is_none());
        let by_nic = found.nic.unwrap();
        // Without either nobody could tell, and nothing is measured.
        // Of 150 ns more or less nobody can tell; 1,900 beyond the limit are more than two clocks differ.
        assert_eq!((by_nic.histogram.len(), by_nic.excluded), (2, 4));
        assert!(by_nic.histogram.equivalent(by_nic.histogram.max(), away + 150 - 64 * u64::from(residence)));
    }

    #[test]
    fn a_stepped_wall_clock_costs_that_second_and_what_is_under_way() {
        let mut stamped = Stamped::new(Sampling::every(1));
        let trip = |stamped: &mut Stamped, sequence, away| {
            stamped.departed(identity(sequence, 9), kernel(WALL_NS));
            stamped.arrived(identity(sequence, 9), 0, WALL_NS + away, None);
        };
        trip(&mut stamped, 1, 1_000);
        stamped.close_second(false);
        trip(&mut stamped, 2, 1_000);
        stamped.departed(identity(3, 9), kernel(WALL_NS));
        stamped.close_second(true);
        stamped.arrived(identity(3, 9), 0, WALL_NS + 70_000_000, None);
        trip(&mut stamped, 4, 1_000);
        let trips = stamped.finish(false).kernel.unwrap();
        assert_eq!((trips.histogram.len(), trips.excluded), (2, 1));
        assert_eq!(trips.histogram.max(), 1_000);
    }

    #[test]
    fn what_says_nothing_is_excluded_and_counted() {
        let mut stamped = Stamped::new(Sampling::every(1));
        stamped.exclude();
        stamped.departed(identity(1, 1), kernel(WALL_NS));
        stamped.arrived(identity(1, 1), u16::MAX, WALL_NS + 5_000_000, None);
        stamped.departed(identity(2, 1), kernel(WALL_NS));
        stamped.arrived(identity(2, 1), 500, WALL_NS + 100_000, None);
        let trips = stamped.finish(false).kernel.unwrap();
        assert_eq!((trips.histogram.len(), trips.excluded), (1, 2));
        assert!(trips.histogram.equivalent(trips.histogram.max(), 100_000 - 500 * 64));
    }

    /// An overnight run: a sample that never comes home makes room, one that comes too late finds none.
    #[test]
    fn memory_is_bounded_and_old_samples_make_room() {
        let mut stamped = Stamped::new(Sampling::every(3));
        for sample in 0..3 * WAITING as u32 {
            stamped.departed(identity(3 * sample, 1), kernel(WALL_NS + u64::from(sample)));
        }
        for sample in 0..3 * WAITING as u32 {
            stamped.arrived(identity(3 * sample, 1), 0, WALL_NS + u64::from(sample) + 50, None);
        }
        assert_eq!(stamped.waiting.len(), WAITING);
        let trips = stamped.finish(false).kernel.unwrap();
        assert_eq!(
            (trips.histogram.len(), trips.histogram.min(), trips.histogram.max()),
            (WAITING as u64, 50, 50)
        );
    }

    #[test]
    fn the_grain_of_a_clock_is_what_its_stamps_have_in_common() {
        let grain = |stamps: &[u64]| {
            let mut grain = Grain::default();
            stamps.iter().for_each(|stamp| grain.saw(*stamp));
            grain.ns()
        };
        assert_eq!(grain(&[]), 1);
        assert_eq!(grain(&[1_003, 1_003 + 8 * 7, 1_003 - 8 * 3, 1_003 + 8 * 12]), 8);
        assert_eq!(grain(&[1_000, 1_040, 1_003]), 1);
    }
}
