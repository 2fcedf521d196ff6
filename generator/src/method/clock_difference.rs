//! A queue that fills because two clocks differ, told from one that an overload fills.
//!
//! Two legal Ethernet clocks may be 200 ppm apart (RFC 8238 section 5). At full load a box with a MAC whose way out
//! is slower than its way in stores the surplus: latency climbs in a straight line, and once the buffer is full
//! frames are lost, as many as the surplus. Nothing is wrong with such a box. Per second of the trial the queue
//! grows by (in - out) / out seconds, so that 1,000 ns of climb a second are 1 ppm.
//!
//! A load below nominal leaves that much less for clocks to spoil: at 99.99 % an excess of 100 ppm takes clocks
//! that are 200 ppm apart. What would take more is an overload: the box forwards less than the line carries.

use std::fmt;

use kitproof_common::line::Percent;
use kitproof_common::line::tolerance::PAIR_PPM;
use serde::{Deserialize, Serialize};

use super::latency::Measured;
use crate::statistics::fit::{Line, Point};

/// Moments without loss that are needed before anything is said.
pub const FEWEST_MOMENTS: usize = 6;
/// Climb a second that makes 1 ppm, nanoseconds.
const NS_PER_PPM: f64 = 1_000.0;
/// How many standard uncertainties count as a difference.
const SURE: f64 = 3.0;
/// How many standard deviations make a jump.
const JUMP: f64 = 6.0;
/// How far the slopes of both halves of a straight line may be from the whole slope, as a share of it.
const BENT: f64 = 0.1;

/// Latency at a moment of the trial: of an interval around it, such as its median.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    /// Seconds from the first departure.
    pub at_s: f64,
    pub latency: Measured,
    /// Frames lost in this interval.
    pub lost: u64,
}

/// What a climb is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Climb {
    /// Fewer moments before the first loss than are needed: a queue that fills as fast as that is no matter of
    /// clocks unless it is very short.
    TooFewMoments,
    /// Latency does not climb, beyond what its uncertainty allows.
    Level,
    /// It climbs, but not in a straight line.
    NotStraight { excess: Parts },
    /// It climbs no faster than two legal clocks can explain.
    Clocks {
        /// How much faster frames come than they can go.
        excess: Parts,
        /// How far the clocks are apart at least, the shortfall of the load from 100 % added.
        apart_ppm: f64,
        /// The highest load that would pass: by the excess and twice its uncertainty lower.
        passes: Percent,
        /// Seconds until frames were lost, if they were.
        lost_after_s: Option<f64>,
    },
    /// It climbs faster than any two legal clocks explain: the box forwards less than it is offered.
    Overload { excess: Parts, passes: Percent },
}

/// Parts per million with their standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Parts {
    pub ppm: f64,
    pub uncertainty: f64,
}

/// Judges a climb at a load, in percent of nominal line rate. `own` is the climb of the pair alone (its own queue),
/// in ppm, from a reference at the same load; none is taken for 0. Moments in order of time.
pub fn climb(moments: &[Moment], load: Percent, own: Option<Parts>) -> Climb {
    let until = moments.iter().position(|moment| moment.lost > 0);
    let before = &moments[..until.unwrap_or(moments.len())];
    if before.len() < FEWEST_MOMENTS {
        return Climb::TooFewMoments;
    }
    let (before, of_jumps) = without_jumps(before);
    let Some(whole) = parts(&before, of_jumps) else { return Climb::TooFewMoments };
    let own = own.unwrap_or(Parts { ppm: 0.0, uncertainty: 0.0 });
    let excess = Parts { ppm: whole.ppm - own.ppm, uncertainty: whole.uncertainty.hypot(own.uncertainty) };
    if excess.ppm <= SURE * excess.uncertainty {
        return Climb::Level;
    }
    let (first, second) = before.split_at(before.len() / 2);
    // A step leaves both halves level, so that each is held against the whole.
    for half in [parts(first, of_jumps), parts(second, of_jumps)].into_iter().flatten() {
        let allowed = (SURE * half.uncertainty.hypot(whole.uncertainty)).max(BENT * whole.ppm.abs());
        if (half.ppm - whole.ppm).abs() > allowed {
            return Climb::NotStraight { excess };
        }
    }
    let passes = passes(load, excess);
    let apart_ppm = excess.ppm + (1.0 - load.value() / 100.0).max(0.0) * 1e6;
    if apart_ppm > PAIR_PPM + SURE * excess.uncertainty {
        return Climb::Overload { excess, passes };
    }
    Climb::Clocks { excess, apart_ppm, passes, lost_after_s: until.map(|until| moments[until].at_s) }
}

/// The same moments with every jump from one to the next taken out, and the standard uncertainty that leaves at the far
/// end, in nanoseconds.
///
/// At full load nothing drains a queue: a sender that is late once and makes up for it leaves its delay in the queue for
/// good. That is a step, and a single late moment is two; a climb of clocks has neither. A jump is a difference far from
/// the median of all (six times 1.4826 median absolute deviations, which is a standard deviation of normal noise); the
/// median stands in for it.
fn without_jumps(moments: &[Moment]) -> (Vec<Moment>, f64) {
    let differences: Vec<f64> = moments
        .windows(2)
        .map(|two| (two[1].latency.ns - two[0].latency.ns) / (two[1].at_s - two[0].at_s))
        .collect();
    let usual = median(differences.clone());
    let deviation = 1.4826 * median(differences.iter().map(|slope| (slope - usual).abs()).collect());
    let mut taken_ns = 0.0;
    let mut variance = 0.0;
    let mut kept = moments.to_vec();
    for (moment, two) in kept.iter_mut().skip(1).zip(moments.windows(2)) {
        let time = two[1].at_s - two[0].at_s;
        let difference = two[1].latency.ns - two[0].latency.ns;
        let stated = two[1].latency.uncertainty_ns.hypot(two[0].latency.uncertainty_ns);
        let noise = (deviation * time).max(stated);
        if (difference - usual * time).abs() > JUMP * noise {
            taken_ns += difference - usual * time;
            variance += noise * noise;
        }
        moment.latency.ns -= taken_ns;
    }
    (kept, variance.sqrt())
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

/// The slope of the latency as parts per million. What the jumps that were taken out leave open is a step somewhere: at
/// worst, in the middle, a step of 1 over a time of T is a slope of 1.5 / T.
fn parts(moments: &[Moment], of_jumps_ns: f64) -> Option<Parts> {
    let time = moments.last()?.at_s - moments.first()?.at_s;
    let points: Vec<Point> = moments
        .iter()
        .map(|moment| Point {
            x: moment.at_s,
            y: moment.latency.ns,
            uncertainty: moment.latency.uncertainty_ns,
        })
        .collect();
    let line = Line::through(&points)?;
    let uncertainty = line.slope_uncertainty.hypot(1.5 * of_jumps_ns / time);
    Some(Parts { ppm: line.slope / NS_PER_PPM, uncertainty: uncertainty / NS_PER_PPM })
}

fn passes(load: Percent, excess: Parts) -> Percent {
    let sure = excess.ppm + 2.0 * excess.uncertainty;
    let millionths = load.millionths() as f64 / (1.0 + sure * 1e-6);
    Percent::from_millionths(millionths as u64)
}

impl fmt::Display for Climb {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Climb::TooFewMoments => {
                f.write_str("frames were lost too soon to see whether latency climbed before")
            }
            Climb::Level => f.write_str("latency did not climb"),
            Climb::NotStraight { .. } => {
                f.write_str("latency climbed, but not in a straight line as clocks do")
            }
            Climb::Clocks { excess, apart_ppm, passes, lost_after_s } => {
                write!(
                    f,
                    "latency climbed steadily: frames came {:.1} ± {:.1} ppm faster than they could go, which clocks \
                     {apart_ppm:.0} ppm apart explain (200 are legal)",
                    excess.ppm, excess.uncertainty
                )?;
                if let Some(seconds) = lost_after_s {
                    write!(f, "; the buffer was full after {seconds:.1} s")?;
                }
                write!(f, "; {passes} would pass")
            }
            Climb::Overload { excess, passes } => write!(
                f,
                "frames came {:.0} ppm faster than they could go, more than legal clocks explain: an overload; {passes} \
                 would pass",
                excess.ppm
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use kitproof_common::line::tolerance::seconds_to_loss;
    use kitproof_common::line::{LineRate, line_frame_rate};
    use proptest::prelude::*;

    use super::*;

    /// A box that sends `ppm` slower than it is offered frames of 1518 bytes at 1 Gb/s, with a buffer of `frames`;
    /// latency by counting the frames in it, once a second.
    fn filling(ppm: f64, frames: f64, seconds: u32, noise: impl Fn(u32) -> f64) -> Vec<Moment> {
        let rate = line_frame_rate(LineRate(1_000_000_000), 1518).per_second();
        (0..seconds)
            .map(|second| {
                let surplus = rate * (1.0 - 1.0 / (1.0 + ppm * 1e-6));
                let (stored, sent) = (surplus * f64::from(second), rate - surplus);
                let lost = (surplus * f64::from(second + 1) - frames).max(0.0).min(surplus);
                let ns = 40_000.0 + stored.min(frames) / sent * 1e9 + noise(second);
                Moment {
                    at_s: f64::from(second),
                    latency: Measured { ns, uncertainty_ns: 500.0 },
                    lost: lost as u64,
                }
            })
            .collect()
    }

    /// 200 ppm, 1518 bytes and 512 KiB: the first loss after 21.2 s (calculated), and RFC 8239's 99.98 % passes.
    #[test]
    fn the_worst_legal_pair_of_clocks() {
        let octets: u64 = 512 * 1024;
        let expected_s = seconds_to_loss(LineRate(1_000_000_000), 1518, octets, 200.0);
        assert!((expected_s - 21.2).abs() < 0.1);
        let moments = filling(200.0, octets as f64 / 1518.0, 60, |_| 0.0);
        let Climb::Clocks { excess, apart_ppm, passes, lost_after_s } = climb(&moments, Percent::FULL, None)
        else {
            panic!()
        };
        assert!((excess.ppm - 200.0).abs() < 0.1 && (apart_ppm - 200.0).abs() < 0.1, "{excess:?}");
        assert!((lost_after_s.unwrap() - expected_s).abs() <= 1.0);
        assert!((passes.value() - 99.98).abs() < 0.001 && passes < Percent::FULL, "{passes}");
    }

    #[test]
    fn a_larger_excess_is_an_overload() {
        for (ppm, load) in [(500.0, 100.0), (1_000.0, 80.0), (50.0, 99.9)] {
            let found = climb(&filling(ppm, 1e9, 30, |_| 0.0), Percent::from_f64(load).unwrap(), None);
            assert!(matches!(found, Climb::Overload { .. }), "{ppm} ppm at {load} %: {found:?}");
        }
        // Close below full load clocks still explain it.
        let near = climb(&filling(100.0, 1e9, 30, |_| 0.0), Percent::from_f64(99.995).unwrap(), None);
        let Climb::Clocks { apart_ppm, .. } = near else { panic!("{near:?}") };
        assert!((apart_ppm - 150.0).abs() < 0.5);
    }

    #[test]
    fn the_pairs_own_queue_is_taken_off() {
        let moments = filling(120.0, 1e9, 30, |_| 0.0);
        let own = |ppm| Some(Parts { ppm, uncertainty: 0.5 });
        assert_eq!(climb(&moments, Percent::FULL, own(120.0)), Climb::Level);
        let Climb::Clocks { excess, .. } = climb(&moments, Percent::FULL, own(90.0)) else { panic!() };
        assert!((excess.ppm - 30.0).abs() < 0.1 && excess.uncertainty > 0.5);
    }

    /// The sender was late twice, and some moments were late alone: the climb is found all the same.
    #[test]
    fn a_sender_that_was_late_does_not_hide_the_clocks() {
        let late = |second: u32| match second {
            4 | 17 => 9e6,
            _ => f64::from(u8::from(second >= 3)) * 1.6e6 + f64::from(u8::from(second >= 20)) * 4e5,
        };
        let moments =
            filling(150.0, 1e9, 40, |second| late(second) + f64::from(second * second * 7 % 11) * 1e3);
        let Climb::Clocks { excess, .. } = climb(&moments, Percent::FULL, None) else {
            panic!("{:?}", climb(&moments, Percent::FULL, None))
        };
        assert!(
            (excess.ppm - 150.0).abs() < 3.0 * excess.uncertainty && excess.uncertainty < 3.0,
            "{excess:?}"
        );
    }

    #[test]
    fn what_is_no_steady_climb() {
        let level = filling(0.0, 1e9, 30, |_| 0.0);
        assert_eq!(climb(&level, Percent::FULL, None), Climb::Level);
        let overload = filling(5e5, 300.0, 30, |_| 0.0);
        assert_eq!(climb(&overload, Percent::FULL, None), Climb::TooFewMoments);
        // A step in the middle.
        let step = filling(0.0, 1e9, 30, |second| if second < 15 { 0.0 } else { 3e6 });
        assert!(!matches!(climb(&step, Percent::FULL, None), Climb::Clocks { .. } | Climb::Overload { .. }));
        // A climb that flattens.
        let bent = filling(0.0, 1e9, 30, |second| 1e6 * f64::from(second).sqrt());
        assert!(matches!(climb(&bent, Percent::FULL, None), Climb::NotStraight { .. }));
    }

    proptest! {
        /// With honest noise the clocks are found to within their uncertainty, and never called an overload.
        #[test]
        fn clocks_are_found(ppm in 3.0..195.0f64, noise in prop::collection::vec(-500.0..500.0f64, 40)) {
            let moments = filling(ppm, 1e9, 40, |second| noise[second as usize]);
            match climb(&moments, Percent::FULL, None) {
                Climb::Clocks { excess, passes, .. } => {
                    prop_assert!((excess.ppm - ppm).abs() < 6.0 * excess.uncertainty + 1e-3, "{:?}", excess);
                    let sent = 100.0 / (1.0 + ppm * 1e-6);
                    prop_assert!(passes.value() <= sent + 1e-4 && passes.value() > sent - 0.001);
                }
                other => prop_assert!(false, "{:?}", other),
            }
        }
    }
}
