//! A straight line through two measures that both have errors.

use tallywheel_schemas::report::Interval;

use crate::stats::{Sample, t_quantile};

/// A line `y = offset + slope · x`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Slope.
    pub slope: f64,
    /// Value at `x = 0`.
    pub offset: f64,
}

/// Deming's line.
///
/// # Formula
/// With `δ` the ratio of the error variance of `y` to that of `x`, and `s` the second moments about the means:
/// `slope = (s_yy − δ·s_xx + √((s_yy − δ·s_xx)² + 4·δ·s_xy²)) / (2·s_xy)`, through the means (W. E. Deming, Statistical
/// Adjustment of Data, 1943; K. Linnet, Clinical Chemistry 39, 1993). `δ = 1` is the orthogonal line of K. Pearson, 1901.
///
/// `None` for fewer than two points, points that do not vary together, or `δ` that is not above zero.
pub fn deming(points: &[(f64, f64)], delta: f64) -> Option<Line> {
    let (xs, ys): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
    let (x, y) = (Sample::of(&xs)?.mean, Sample::of(&ys)?.mean);
    let moment = |f: &dyn Fn(f64, f64) -> f64| points.iter().map(|(px, py)| f(px - x, py - y)).sum::<f64>();
    let (sxx, syy, sxy) = (moment(&|dx, _| dx * dx), moment(&|_, dy| dy * dy), moment(&|dx, dy| dx * dy));
    if points.len() < 2 || !(delta > 0.0 && delta.is_finite()) || sxy == 0.0 {
        return None;
    }
    let excess = syy - delta * sxx;
    let slope = (excess + (excess * excess + 4.0 * delta * sxy * sxy).sqrt()) / (2.0 * sxy);
    slope.is_finite().then_some(Line { slope, offset: y - slope * x })
}

/// Deming's line with intervals of slope and offset by the jackknife: the line is fitted once more without each point in
/// turn, and the spread of the pseudo-values gives the standard errors, with `n − 2` degrees of freedom (Linnet 1993).
///
/// `None` as [`deming`]; the intervals are open for fewer than four points.
pub fn deming_with_intervals(points: &[(f64, f64)], delta: f64, confidence: f64) -> Option<(Interval, Interval)> {
    let whole = deming(points, delta)?;
    let n = points.len() as f64;
    let without =
        |i: usize| -> Vec<(f64, f64)> { points.iter().enumerate().filter(|(j, _)| *j != i).map(|(_, p)| *p).collect() };
    let left: Option<Vec<Line>> = (0..points.len()).map(|i| deming(&without(i), delta)).collect();
    let half = |of: &dyn Fn(&Line) -> f64| {
        let lines = left.as_ref().filter(|_| points.len() >= 4)?;
        let pseudo: Vec<f64> = lines.iter().map(|l| n * of(&whole) - (n - 1.0) * of(l)).collect();
        let error = Sample::of(&pseudo)?.sd? / n.sqrt();
        Some(error * t_quantile(0.5 + confidence / 2.0, n - 2.0)?)
    };
    let interval = |of: &dyn Fn(&Line) -> f64| {
        let (estimate, half) = (of(&whole), half(of));
        Interval { estimate, low: half.map(|h| estimate - h), high: half.map(|h| estimate + h) }
    };
    Some((interval(&|l| l.slope), interval(&|l| l.offset)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected} within {tolerance}");
    }

    /// Points of K. Pearson, On lines and planes of closest fit, 1901, with his line y = 5.784 − 0.5456 x (from memory);
    /// slope and offset for δ = 1 and δ = 4 recomputed with scipy.odr 1.17.
    const PEARSON: [(f64, f64); 10] = [
        (0.0, 5.9),
        (0.9, 5.4),
        (1.8, 4.4),
        (2.6, 4.6),
        (3.3, 3.5),
        (4.4, 3.7),
        (5.2, 2.8),
        (6.1, 2.8),
        (6.5, 2.4),
        (7.4, 1.5),
    ];

    #[test]
    fn the_line_is_pearsons() {
        let line = deming(&PEARSON, 1.0).expect("points vary together");
        close(line.slope, -0.545_561_2, 1e-6);
        close(line.offset, 5.784_043_8, 1e-6);
        let line = deming(&PEARSON, 4.0).expect("points vary together");
        close(line.slope, -0.541_367_98, 1e-6);
        close(line.offset, 5.768_025_69, 1e-6);
    }

    /// The jackknife's standard errors lie near those that scipy.odr 1.17 gives from the residuals (0.0422 and 0.190).
    #[test]
    fn intervals_are_about_those_of_the_residuals() {
        let (slope, offset) = deming_with_intervals(&PEARSON, 1.0, 0.95).expect("points");
        let t = t_quantile(0.975, 8.0).expect("df");
        let error = |i: &Interval| (i.high.expect("points") - i.low.expect("points")) / 2.0 / t;
        assert!((0.03..0.06).contains(&error(&slope)), "{}", error(&slope));
        assert!((0.13..0.27).contains(&error(&offset)), "{}", error(&offset));
    }

    #[test]
    fn too_few_points_give_no_line_or_no_interval() {
        assert_eq!(deming(&[(1.0, 1.0)], 1.0), None);
        assert_eq!(deming(&[(1.0, 1.0), (1.0, 2.0)], 1.0), None);
        let (slope, _) = deming_with_intervals(&PEARSON[..3], 1.0, 0.95).expect("a line");
        assert!(slope.low.is_none());
    }
}
