//! What kind of box: how often the chain stores a whole frame before it sends it on, told from latency against
//! frame size.
//!
//! Each store-and-forward stage adds the serialisation of the frame, 8 bit / line rate an octet: 8 ns at 1 Gb/s,
//! and in a round trip each stage that works in both directions does so twice. What forwards a frame while it still
//! arrives (a patch, a tap, a converter without a MAC) adds the same to every size. The pair has a slope of its own
//! (its ports store frames too), so that there is no count without a reference: the two are subtracted size by
//! size, which also takes off whatever of the pair is no straight line.

use std::fmt;

use kitproof_common::line::LineRate;

use super::latency::{Measured, serialisation_ns};
use crate::statistics::fit::{Line, Point};

/// A line needs at least so many sizes to show that it is none.
pub const FEWEST_SIZES: usize = 3;
/// A count is told if its uncertainty is no more than this, so that the next whole number is far outside.
const LARGEST_UNCERTAINTY: f64 = 0.15;
/// And if it is no further from a whole number than this, or than three times its uncertainty.
const NEAR: f64 = 0.1;

/// Latency at one frame size: a low percentile of a trial without queues, such as its minimum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtSize {
    /// Bytes including FCS.
    pub frame_size: u16,
    pub latency: Measured,
}

/// Latency against frame size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slope {
    /// Nanoseconds an octet, the reference subtracted where there is one.
    pub ns_per_octet: f64,
    /// Standard uncertainty of it.
    pub uncertainty: f64,
    /// The latency that does not depend on the size, nanoseconds.
    pub constant_ns: f64,
}

/// What the slope says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Stages {
    /// So many on all passes together, as a whole number, and as measured.
    Counted { stages: u32, measured: f64, uncertainty: f64 },
    /// Near no whole number, below none, or known too badly to tell. Lines of different speeds do that, and queues.
    Unclear { measured: f64, uncertainty: f64 },
    /// The pair's own share is not known: this is the slope of chain and pair together.
    NoReference,
    /// Fewer than three sizes (that the reference has too).
    TooFewSizes,
}

/// Slope and stages of a chain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KindOfBox {
    pub slope: Option<Slope>,
    pub stages: Stages,
    /// How often a frame passed the chain: 1 for one way, 2 for a round trip.
    pub passes: u32,
}

/// The kind of a chain from its latencies and the reference's. `passes` as in [`KindOfBox`].
pub fn kind_of_box(chain: &[AtSize], reference: Option<&[AtSize]>, line: LineRate, passes: u32) -> KindOfBox {
    let no_line = |stages| KindOfBox { slope: None, stages, passes };
    let Some(reference) = reference else {
        let slope = (sizes(chain) >= FEWEST_SIZES).then(|| slope(chain)).flatten();
        return KindOfBox { slope, stages: Stages::NoReference, passes };
    };
    let net: Vec<AtSize> = chain
        .iter()
        .filter_map(|at| {
            let own = reference.iter().find(|own| own.frame_size == at.frame_size)?;
            Some(AtSize { latency: at.latency.less(own.latency), ..*at })
        })
        .collect();
    if sizes(&net) < FEWEST_SIZES {
        return no_line(Stages::TooFewSizes);
    }
    let Some(slope) = slope(&net) else { return no_line(Stages::TooFewSizes) };
    let of_a_stage = serialisation_ns(1, line);
    let (measured, uncertainty) = (slope.ns_per_octet / of_a_stage, slope.uncertainty / of_a_stage);
    let whole = measured.round();
    let near = (measured - whole).abs() <= NEAR.max(3.0 * uncertainty);
    let stages = if near && uncertainty <= LARGEST_UNCERTAINTY && whole >= 0.0 {
        Stages::Counted { stages: whole as u32, measured, uncertainty }
    } else {
        Stages::Unclear { measured, uncertainty }
    };
    KindOfBox { slope: Some(slope), stages, passes }
}

fn sizes(points: &[AtSize]) -> usize {
    let mut sizes: Vec<u16> = points.iter().map(|at| at.frame_size).collect();
    sizes.sort_unstable();
    sizes.dedup();
    sizes.len()
}

fn slope(points: &[AtSize]) -> Option<Slope> {
    let points: Vec<Point> = points
        .iter()
        .map(|at| Point {
            x: f64::from(at.frame_size),
            y: at.latency.ns,
            uncertainty: at.latency.uncertainty_ns,
        })
        .collect();
    let line = Line::through(&points)?;
    Some(Slope { ns_per_octet: line.slope, uncertainty: line.slope_uncertainty, constant_ns: line.intercept })
}

impl KindOfBox {
    /// Stages in each direction, if that is told and the same in all passes.
    pub fn stages_per_direction(&self) -> Option<u32> {
        match self.stages {
            Stages::Counted { stages, .. } => {
                (self.passes > 0 && stages.is_multiple_of(self.passes)).then(|| stages / self.passes)
            }
            _ => None,
        }
    }
}

impl fmt::Display for KindOfBox {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let passes = f64::from(self.passes.max(1));
        match (self.stages, self.stages_per_direction()) {
            (Stages::Counted { .. }, Some(0)) => {
                f.write_str("sends a frame on while it still arrives (no store-and-forward stage)")
            }
            (Stages::Counted { measured, uncertainty, .. }, Some(stages)) => {
                let plural = if stages == 1 { "" } else { "s" };
                write!(
                    f,
                    "{stages} store-and-forward stage{plural} per direction ({:.2} ± {:.2})",
                    measured / passes,
                    uncertainty / passes
                )
            }
            (Stages::Counted { stages, measured, uncertainty }, None) => write!(
                f,
                "{stages} store-and-forward stages in the round trip ({measured:.2} ± {uncertainty:.2}): the two \
                 directions differ"
            ),
            (Stages::Unclear { measured, uncertainty }, _) => write!(
                f,
                "no whole number of store-and-forward stages ({:.2} ± {:.2} per direction)",
                measured / passes,
                uncertainty / passes
            ),
            (Stages::NoReference, _) => {
                f.write_str("no count of store-and-forward stages without a reference of the pair")
            }
            (Stages::TooFewSizes, _) => write!(
                f,
                "no count of store-and-forward stages: it needs {FEWEST_SIZES} frame sizes that the reference has too"
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const GIGABIT: LineRate = LineRate(1_000_000_000);
    const SIZES: [u16; 7] = [64, 128, 256, 512, 1024, 1280, 1518];

    fn points(uncertainty_ns: f64, of: impl Fn(f64) -> f64) -> Vec<AtSize> {
        SIZES
            .iter()
            .map(|&frame_size| AtSize {
                frame_size,
                latency: Measured { ns: of(f64::from(frame_size)), uncertainty_ns },
            })
            .collect()
    }

    /// The pair's own latency: no straight line.
    fn own(size: f64) -> f64 {
        30_000.0 + 17.0 * size + if size > 1_000.0 { 900.0 } else { 0.0 }
    }

    /// 8 ns an octet for each stage at 1 Gb/s, 16 in a round trip (calculated).
    #[test]
    fn a_converter_in_a_round_trip() {
        let reference = points(5.0, own);
        let chain = points(5.0, |size| own(size) + 3_000.0 + 16.0 * size);
        let kind = kind_of_box(&chain, Some(&reference), GIGABIT, 2);
        assert_eq!(kind.stages_per_direction(), Some(1));
        let slope = kind.slope.unwrap();
        assert!((slope.ns_per_octet - 16.0).abs() < 1e-9 && (slope.constant_ns - 3_000.0).abs() < 1e-6);
        assert_eq!(kind.to_string(), "1 store-and-forward stage per direction (1.00 ± 0.00)");
        // At 100 Mb/s a stage is 80 ns an octet.
        let slow = points(5.0, |size| own(size) + 160.0 * size);
        let hundred = LineRate(100_000_000);
        assert_eq!(kind_of_box(&slow, Some(&reference), hundred, 2).stages_per_direction(), Some(1));
    }

    #[test]
    fn taps_and_odd_boxes() {
        let reference = points(5.0, own);
        let kind = |extra: f64| {
            let chain = points(5.0, |size| own(size) + 400.0 + extra * size);
            kind_of_box(&chain, Some(&reference), GIGABIT, 2)
        };
        assert_eq!(kind(0.0).stages_per_direction(), Some(0));
        assert_eq!(
            kind(0.0).to_string(),
            "sends a frame on while it still arrives (no store-and-forward stage)"
        );
        assert_eq!(kind(8.0).stages_per_direction(), None);
        assert_eq!(
            kind(8.0).to_string(),
            "1 store-and-forward stages in the round trip (1.00 ± 0.00): the two directions differ"
        );
        assert!(matches!(kind(4.0).stages, Stages::Unclear { .. }));
        assert!(
            matches!(kind(-16.0).stages, Stages::Unclear { .. }),
            "the reference was slower than the chain"
        );
    }

    #[test]
    fn no_count_without_a_reference_or_with_too_little() {
        let chain = points(5.0, |size| own(size) + 16.0 * size);
        let alone = kind_of_box(&chain, None, GIGABIT, 2);
        assert_eq!((alone.stages, alone.stages_per_direction()), (Stages::NoReference, None));
        assert!(alone.slope.unwrap().ns_per_octet > 30.0);
        let two = points(5.0, own);
        assert_eq!(kind_of_box(&chain, Some(&two[..2]), GIGABIT, 2).stages, Stages::TooFewSizes);
        assert_eq!(kind_of_box(&[chain[0]; 5], Some(&two), GIGABIT, 2).stages, Stages::TooFewSizes);
        // Known so badly that the next number is as good.
        let vague = points(6_000.0, |size| own(size) + 16.0 * size);
        assert!(matches!(kind_of_box(&vague, Some(&two), GIGABIT, 2).stages, Stages::Unclear { .. }));
    }

    proptest! {
        /// Whatever the noise, a number that is told is the right one.
        #[test]
        fn a_count_that_is_told_is_right(
            stages in 0u32..5,
            noise in prop::collection::vec(-1.0..1.0f64, 7),
            uncertainty in 1.0..5_000.0f64,
        ) {
            let reference = points(uncertainty, own);
            let mut chain = points(uncertainty, |size| own(size) + 8.0 * f64::from(stages) * size);
            for (at, noise) in chain.iter_mut().zip(&noise) {
                at.latency.ns += uncertainty * noise;
            }
            let kind = kind_of_box(&chain, Some(&reference), GIGABIT, 2);
            if let Stages::Counted { stages: counted, .. } = kind.stages {
                prop_assert_eq!(counted, stages);
            }
            if uncertainty < 200.0 {
                prop_assert!(matches!(kind.stages, Stages::Counted { .. }), "{:?}", kind);
            }
        }
    }
}
