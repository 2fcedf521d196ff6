//! A straight line through points of known uncertainty, by weighted least squares, and how well its slope is known.
//!
//! Each point weighs 1 / u², with u its standard uncertainty. Then, with S the sums over weights (about the
//! weighted mean of x, which keeps the digits), slope = Sxy / Sxx, u(slope) = 1 / sqrt(Sxx). Where the points
//! scatter more than their uncertainties allow (chi² above its degrees of freedom) the uncertainties are widened by
//! sqrt(chi² / degrees): a line that does not fit has no well-known slope.

/// A point with the standard uncertainty of its y, in the unit of y and above 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    pub x: f64,
    pub y: f64,
    pub uncertainty: f64,
}

/// y = intercept + slope x.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    pub slope: f64,
    pub intercept: f64,
    /// Standard uncertainties, widened where the points scatter more than they should.
    pub slope_uncertainty: f64,
    pub intercept_uncertainty: f64,
    /// Sum of the squared distances, each in units of its point's uncertainty.
    pub chi_squared: f64,
    /// Points less the two that any line goes through.
    pub degrees: u64,
}

impl Line {
    /// `None` with fewer than two different x, or a value that is not finite, or an uncertainty that is not above
    /// 0.
    pub fn through(points: &[Point]) -> Option<Line> {
        let sane = |point: &Point| {
            point.x.is_finite()
                && point.y.is_finite()
                && point.uncertainty.is_finite()
                && point.uncertainty > 0.0
        };
        if points.len() < 2 || !points.iter().all(sane) {
            return None;
        }
        let weight = |point: &Point| 1.0 / (point.uncertainty * point.uncertainty);
        let total: f64 = points.iter().map(weight).sum();
        let mean = |of: fn(&Point) -> f64| points.iter().map(|p| weight(p) * of(p)).sum::<f64>() / total;
        let (mean_x, mean_y) = (mean(|p| p.x), mean(|p| p.y));
        let sxx: f64 = points.iter().map(|p| weight(p) * (p.x - mean_x).powi(2)).sum();
        let sxy: f64 = points.iter().map(|p| weight(p) * (p.x - mean_x) * (p.y - mean_y)).sum();
        if points.iter().all(|point| point.x == points[0].x) || !sxx.is_normal() {
            return None;
        }
        let slope = sxy / sxx;
        let chi_squared: f64 =
            points.iter().map(|p| weight(p) * (p.y - mean_y - slope * (p.x - mean_x)).powi(2)).sum();
        let degrees = points.len() as u64 - 2;
        let widen = if degrees > 0 { (chi_squared / degrees as f64).max(1.0).sqrt() } else { 1.0 };
        Some(Line {
            slope,
            intercept: mean_y - slope * mean_x,
            slope_uncertainty: widen / sxx.sqrt(),
            intercept_uncertainty: widen * (1.0 / total + mean_x * mean_x / sxx).sqrt(),
            chi_squared,
            degrees,
        })
    }

    /// The line at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.intercept + self.slope * x
    }
}

#[cfg(test)]
mod tests {
    use nalgebra::{DMatrix, DVector};
    use proptest::prelude::*;

    use super::*;

    /// Norris, NIST Statistical Reference Datasets, linear regression (y, x): from memory, data and certified
    /// values, which could not agree to twelve digits if either were misremembered.
    const NORRIS: [(f64, f64); 36] = [
        (0.1, 0.2),
        (338.8, 337.4),
        (118.1, 118.2),
        (888.0, 884.6),
        (9.2, 10.1),
        (228.1, 226.5),
        (668.5, 666.3),
        (998.5, 996.3),
        (449.1, 448.6),
        (778.9, 777.0),
        (559.2, 558.2),
        (0.3, 0.4),
        (0.1, 0.6),
        (778.1, 775.5),
        (668.8, 666.9),
        (339.3, 338.0),
        (448.9, 447.5),
        (10.8, 11.6),
        (557.7, 556.0),
        (228.3, 228.1),
        (998.0, 995.8),
        (888.8, 887.6),
        (119.6, 120.2),
        (0.3, 0.3),
        (0.6, 0.3),
        (557.6, 556.8),
        (339.3, 339.1),
        (888.0, 887.2),
        (998.5, 999.0),
        (778.9, 779.0),
        (10.2, 11.1),
        (117.6, 118.3),
        (228.9, 229.2),
        (668.4, 669.1),
        (449.2, 448.9),
        (0.2, 0.5),
    ];

    #[test]
    fn the_certified_values_of_norris() {
        // So small an uncertainty that the scatter decides, which is what the certified deviations are made of.
        let points: Vec<Point> = NORRIS.iter().map(|&(y, x)| Point { x, y, uncertainty: 1e-3 }).collect();
        let line = Line::through(&points).unwrap();
        for (ours, certified) in [
            (line.slope, 1.002_116_818_020_45),
            (line.intercept, -0.262_323_073_774_029),
            (line.slope_uncertainty, 0.429_796_848_199_937e-3),
            (line.intercept_uncertainty, 0.232_818_234_301_152),
            ((line.chi_squared / line.degrees as f64).sqrt() * 1e-3, 0.884_796_396_144_373),
        ] {
            assert!((ours / certified - 1.0).abs() < 1e-11, "{ours} is not {certified}");
        }
    }

    #[test]
    fn what_makes_no_line() {
        let point = |x, y, uncertainty| Point { x, y, uncertainty };
        for points in [
            vec![],
            vec![point(1.0, 1.0, 1.0)],
            vec![point(1.0, 1.0, 1.0), point(1.0, 2.0, 1.0)],
            vec![point(1.0, 1.0, 1.0), point(2.0, 2.0, 0.0)],
            vec![point(1.0, 1.0, 1.0), point(2.0, f64::NAN, 1.0)],
        ] {
            assert_eq!(Line::through(&points), None);
        }
        let two = Line::through(&[point(1.0, 1.0, 0.1), point(3.0, 5.0, 0.1)]).unwrap();
        assert!((two.slope - 2.0).abs() < 1e-12 && (two.at(0.0) + 1.0).abs() < 1e-12);
        // u² of a difference of two over their distance: sqrt(0.02) / 2.
        assert!((two.slope_uncertainty - 0.02f64.sqrt() / 2.0).abs() < 1e-12);
    }

    proptest! {
        /// Against a general solver: the singular value decomposition of the weighted equations, and the inverse of
        /// their normal matrix for the uncertainties.
        #[test]
        fn nalgebra_finds_the_same(
            points in prop::collection::vec((0.0..9_000.0f64, -1e5..1e5f64, 0.5..500.0f64), 3..20)
        ) {
            let points: Vec<Point> =
                points.into_iter().map(|(x, y, uncertainty)| Point { x, y, uncertainty }).collect();
            let spread = points.iter().map(|p| p.x).fold(0.0, f64::max) - points.iter().map(|p| p.x).fold(9e9, f64::min);
            prop_assume!(spread > 10.0);
            let line = Line::through(&points).unwrap();
            let left = DMatrix::from_fn(points.len(), 2, |row, column| {
                [1.0, points[row].x][column] / points[row].uncertainty
            });
            let right = DVector::from_fn(points.len(), |row, _| points[row].y / points[row].uncertainty);
            let solved = left.clone().svd(true, true).solve(&right, 1e-300).unwrap();
            let covariance = (left.transpose() * &left).try_inverse().unwrap();
            let rest = (&left * &solved - &right).norm_squared();
            let widen = (rest / (points.len() as f64 - 2.0)).max(1.0);
            let near = |ours: f64, other: f64, scale: f64| (ours - other).abs() <= 1e-6 * (other.abs() + scale);
            prop_assert!(near(line.slope, solved[1], line.slope_uncertainty));
            prop_assert!(near(line.intercept, solved[0], line.intercept_uncertainty));
            prop_assert!(near(line.chi_squared, rest, 1.0));
            prop_assert!(near(line.slope_uncertainty, (covariance[(1, 1)] * widen).sqrt(), 0.0));
            prop_assert!(near(line.intercept_uncertainty, (covariance[(0, 0)] * widen).sqrt(), 0.0));
        }
    }
}
