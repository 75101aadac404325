//! Looking at a campaign more than once without paying for it with false decisions.
//!
//! Whoever looks after every pair and stops at the first favourable interval decides wrongly far more often than
//! the interval's confidence says. The plan therefore names its looks before the first run, and the allowed error is
//! spent on them by a function fixed beforehand: little at the early looks, nearly all of it at the last.

use statrs::distribution::{ContinuousCDF, Normal};

/// Error spent when a `fraction` of the planned runs is done, out of the whole allowed error `alpha`.
///
/// # Formula
/// `α(t) = 2 − 2·Φ(z(1 − α/2) / √t)` for `0 < t ≤ 1`, 0 at `t = 0` and `α` from `t = 1` on: the spending function of
/// the O'Brien–Fleming type (Lan and DeMets 1983, from memory). It may be spent at any fractions whatever, as long as
/// they were not chosen by what the runs showed.
///
/// ```
/// use tallywheel_analyze::looks::spent;
/// assert!((spent(0.5, 0.05) - 0.005_575).abs() < 1e-6);
/// ```
pub fn spent(fraction: f64, alpha: f64) -> f64 {
    if fraction >= 1.0 {
        return alpha;
    }
    if fraction <= 0.0 {
        return 0.0;
    }
    let normal = Normal::standard();
    2.0 * normal.sf(normal.inverse_cdf(1.0 - alpha / 2.0) / fraction.sqrt())
}

/// Confidence of the two-sided interval at each look, so that all looks together err no more often than one interval
/// at `confidence` would.
///
/// `looks` are ascending counts of pairs (or of runs per condition), the last of which is the planned size.
///
/// # Formula
/// Boundaries `|Z_k| ≥ z_k` with `P(|Z_1| < z_1, …, |Z_{k−1}| < z_{k−1}, |Z_k| ≥ z_k)` the increment of [`spent`], for
/// sums `S_k = Z_k·√t_k` with independent increments (Armitage, McPherson and Rowe 1969; Lan and DeMets 1983, from
/// memory), by integrating the distribution of `S_k` from look to look. The confidence is `2·Φ(z_k) − 1`; it is then
/// that of a Student interval (the significance-level approach: Pocock 1977; Jennison and Turnbull 2000, chapter 3, from
/// memory), which the calibration of the verdict covers.
///
/// Why not simply the increments, whose sum bounds the error whatever the looks have in common: what was seen at one
/// look is most of what is seen at the next, and four looks so divided have a last interval of 97.4 %, and together err
/// in 3.2 % of campaigns instead of 5.
///
/// ```
/// use tallywheel_analyze::looks::confidences;
/// let at = confidences(&[4, 8], 0.95);
/// assert!((at[0] - 0.994_425).abs() < 1e-6 && (at[1] - 0.952_219).abs() < 1e-5);
/// assert_eq!(confidences(&[6], 0.95), [0.95]);
/// ```
pub fn confidences(looks: &[u32], confidence: f64) -> Vec<f64> {
    let Some(size) = looks.last().map(|n| f64::from(*n)) else { return Vec::new() };
    if looks.len() == 1 {
        return vec![confidence];
    }
    let alpha = 1.0 - confidence;
    let (mut before, mut walk) = (0.0, Walk::default());
    looks
        .iter()
        .map(|n| {
            let fraction = f64::from(*n) / size;
            let by_now = spent(fraction, alpha);
            let here = by_now - before;
            before = by_now;
            1.0 - walk.nominal_error(fraction, here, by_now < alpha)
        })
        .collect()
}

/// The distribution of the sum among campaigns that no look has ended yet.
#[derive(Debug, Default)]
struct Walk {
    /// Fraction of the planned runs at the look that it was last cut at; 0 before the first.
    fraction: f64,
    /// Half the width of the grid.
    bound: f64,
    /// Density on an even grid from `−bound` to `bound`, an odd number of points.
    density: Vec<f64>,
}

/// An increment that cannot be told from nothing.
const NOTHING: f64 = 1e-9;

/// Half the number of intervals of the grid, which is even.
const HALF: usize = 250;

/// Intervals of the grid in a standard deviation of the increment, at least. Looks that follow each other more closely are
/// not told apart: the later one is given its increment as if nothing had been seen before, which errs on the safe side.
const FINE: f64 = 4.0;

impl Walk {
    /// Takes a look that spends `increment`, and gives the nominal two-sided error of its interval. `more` looks follow.
    fn nominal_error(&mut self, fraction: f64, increment: f64, more: bool) -> f64 {
        let normal = Normal::standard();
        let step = (fraction - self.fraction).sqrt();
        if increment < NOTHING || step < FINE * self.bound / HALF as f64 {
            return increment;
        }
        let bound = if self.density.is_empty() {
            normal.inverse_cdf(1.0 - increment / 2.0) * step
        } else {
            self.bound_for(step, increment)
        };
        if more {
            self.cut(fraction, step, bound);
        }
        2.0 * normal.sf(bound / fraction.sqrt())
    }

    /// The bound that the next sum is beyond with this probability, by halving.
    fn bound_for(&self, step: f64, increment: f64) -> f64 {
        let normal = Normal::standard();
        let beyond = |bound: f64| self.integral(|s| normal.cdf((-bound - s) / step) + normal.sf((bound - s) / step));
        let (mut low, mut high) = (0.0, 10.0);
        for _ in 0..32 {
            let middle = f64::midpoint(low, high);
            if beyond(middle) > increment { low = middle } else { high = middle }
        }
        f64::midpoint(low, high)
    }

    /// Moves on to the next look and leaves out what is beyond its bound.
    fn cut(&mut self, fraction: f64, step: f64, bound: f64) {
        let normal = |x: f64| (-0.5 * x * x).exp() / (step * std::f64::consts::TAU.sqrt());
        let at = |i: usize| bound * (i as f64 / HALF as f64 - 1.0);
        let first = self.density.is_empty();
        let density = (0..=2 * HALF)
            .map(|i| if first { normal(at(i) / step) } else { self.integral(|s| normal((at(i) - s) / step)) })
            .collect();
        *self = Self { fraction, bound, density };
    }

    /// Integral of a function over the distribution, by Simpson's rule.
    fn integral(&self, function: impl Fn(f64) -> f64) -> f64 {
        let last = self.density.len() - 1;
        let width = 2.0 * self.bound / last as f64;
        let weight = |i: usize| match i {
            0 => 1.0,
            i if i == last => 1.0,
            i if i % 2 == 1 => 4.0,
            _ => 2.0,
        };
        let sum: f64 =
            self.density.iter().enumerate().map(|(i, d)| weight(i) * d * function(i as f64 * width - self.bound)).sum();
        sum * width / 3.0
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
    }

    /// The formula evaluated with `scipy.stats.norm` (`2 * norm.sf(norm.isf(a / 2) / sqrt(t))`).
    #[test]
    fn spending_is_that_of_scipys_normal_distribution() {
        for (t, alpha, expected) in [
            (0.25, 0.05, 8.857_543_832e-5),
            (0.5, 0.05, 0.005_574_596_681),
            (0.75, 0.05, 0.023_625_121_318),
            (0.5, 0.10, 0.020_009_253_716),
        ] {
            close(spent(t, alpha), expected, 1e-9);
        }
        close(spent(1.0, 0.05), 0.05, 0.0);
        close(spent(0.0, 0.05), 0.0, 0.0);
    }

    #[test]
    fn no_looks_have_no_confidences() {
        assert_eq!(confidences(&[], 0.95), Vec::<f64>::new());
    }

    /// The same integrals by scipy (`scipy.integrate.simpson` on 4,001 points, `scipy.optimize.brentq`).
    #[test]
    fn confidences_are_those_of_scipys_integration() {
        for (looks, expected) in [
            (&[4_u32, 8][..], &[0.994_425_4, 0.952_219_0][..]),
            (&[5, 10, 15, 20], &[0.999_911_42, 0.994_462_02, 0.978_452_01, 0.958_911_76]),
            (&[4, 8, 12], &[0.999_313_11, 0.983_904_05, 0.956_121_20]),
            (&[3, 4, 7, 20], &[0.999_999_58, 0.999_988_43, 0.999_081_63, 0.950_394_89]),
        ] {
            for (actual, expected) in confidences(looks, 0.95).into_iter().zip(expected) {
                close(actual, *expected, 5e-6);
            }
        }
        close(confidences(&[4, 8], 0.90)[1], 0.907_916_82, 5e-6);
    }

    proptest! {
        /// Whatever the looks: none spends less than its increment or more than all of the error, none is below the
        /// campaign's confidence, and no look that could be told from nothing is free.
        #[test]
        fn no_look_is_free_and_none_spends_it_all(
            steps in proptest::collection::vec(1_u32..20, 1..8),
            confidence in 0.5_f64..0.999,
        ) {
            let looks: Vec<u32> = steps.iter().scan(1, |n, step| { *n += step; Some(*n) }).collect();
            let at = confidences(&looks, confidence);
            prop_assert_eq!(at.len(), looks.len());
            prop_assert!(at.iter().all(|c| *c >= confidence - 1e-6 && *c <= 1.0), "{:?}", at);
            let size = f64::from(*looks.last().expect("a look"));
            let mut before = 0.0;
            for (n, c) in looks.iter().zip(&at) {
                let by_now = spent(f64::from(*n) / size, 1.0 - confidence);
                prop_assert!(1.0 - c >= by_now - before - 1e-6, "{} at {}", c, n);
                before = by_now;
            }
        }
    }
}
