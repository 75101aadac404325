//! Looking at a campaign more than once without paying for it with false decisions.
//!
//! Whoever looks after every pair and stops at the first favourable interval decides wrongly far more often than
//! the interval's confidence says. The plan therefore names its looks before the first run, and the allowed error is
//! divided among them: little at the early looks, nearly all of it at the last.

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
/// `looks` are ascending counts of pairs (or of runs per condition), the last of which is the planned size. Each look
/// gets the increment of [`spent`]; that the increments add up to `1 − confidence` bounds the error of all looks
/// together whatever the intervals have in common (the union bound), so it holds for Student's t as for any other
/// interval, and errs on the safe side.
///
/// ```
/// use tallywheel_analyze::looks::confidences;
/// let at = confidences(&[4, 8], 0.95);
/// assert!((at[0] - 0.994_425).abs() < 1e-6 && (at[1] - 0.955_575).abs() < 1e-6);
/// assert_eq!(confidences(&[6], 0.95), [0.95]);
/// ```
pub fn confidences(looks: &[u32], confidence: f64) -> Vec<f64> {
    let Some(size) = looks.last().map(|n| f64::from(*n)) else { return Vec::new() };
    if looks.len() == 1 {
        return vec![confidence];
    }
    let alpha = 1.0 - confidence;
    let mut before = 0.0;
    looks
        .iter()
        .map(|n| {
            let by_now = spent(f64::from(*n) / size, alpha);
            let here = by_now - before;
            before = by_now;
            1.0 - here
        })
        .collect()
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

    proptest! {
        /// Whatever the looks, all of them together spend exactly the allowed error, and every interval is at least as
        /// wide as one look's would be.
        #[test]
        fn all_looks_together_spend_the_allowed_error(
            steps in proptest::collection::vec(1_u32..20, 1..8),
            confidence in 0.5_f64..0.999,
        ) {
            let looks: Vec<u32> =
                steps.iter().scan(1, |n, step| { *n += step; Some(*n) }).collect();
            let at = confidences(&looks, confidence);
            prop_assert_eq!(at.len(), looks.len());
            let whole: f64 = at.iter().map(|c| 1.0 - c).sum();
            prop_assert!((whole - (1.0 - confidence)).abs() < 1e-9, "{}", whole);
            prop_assert!(at.iter().all(|c| *c >= confidence - 1e-12 && *c <= 1.0), "{:?}", at);
        }
    }
}
