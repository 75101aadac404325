//! Which share of all driving lies within a range: the utility factor.
//!
//! Every curve assumes that each day starts with a full pack and that nothing is charged on the way.

use tallywheel_schemas::{campaign::Utility, units::METRES_PER_MILE};

/// Fleet curve of SAE J2841, table 2 (from memory), over miles.
const J2841_FLEET: [f64; 6] = [10.52, -7.282, -26.37, 79.08, -77.36, 26.07];
/// Multi-day individual curve of SAE J2841, table 2 (from memory), over miles.
const J2841_INDIVIDUAL: [f64; 10] = [13.1, -18.7, 5.22, 8.15, 3.53, -1.34, -4.01, -3.90, -1.15, 3.88];
/// Curve of the European light-vehicle test (UN GTR 15; EU 2017/1151 annex XXI), over km; read in public R code that
/// cites the European Commission's technical report on utility factors.
const GTR_15: [f64; 10] =
    [26.25, -38.94, -631.05, 5964.83, -25094.6, 60380.21, -87517.16, 75513.77, -35748.77, 7154.94];

/// Share of the distance that is driven within `range_km` of a full pack, by a curve; `daily_km` serves
/// [`Utility::Own`] alone.
///
/// # Formula
/// `UF(d) = 1 − exp(−Σ C_k·(d/d_n)^k)` with the coefficients and the normalising distance of the curve; beyond `d_n`
/// the curve is not defined and its value there is used. Own days: `Σ min(d_i, R) / Σ d_i`.
///
/// ```
/// use tallywheel_analyze::account::utility_factor;
/// use tallywheel_schemas::campaign::Utility;
/// assert!((utility_factor(Utility::Gtr15, 50.0, &[]) - 0.754_59).abs() < 1e-5);
/// assert_eq!(utility_factor(Utility::Own, 40.0, &[30.0, 50.0]), 0.875);
/// ```
pub fn utility_factor(curve: Utility, range_km: f64, daily_km: &[f64]) -> f64 {
    let miles = range_km * 1000.0 / METRES_PER_MILE;
    match curve {
        Utility::J2841Fleet => exponential(&J2841_FLEET, miles / 399.9),
        Utility::J2841Individual => exponential(&J2841_INDIVIDUAL, miles / 400.0),
        Utility::Gtr15 => exponential(&GTR_15, range_km / 800.0),
        Utility::Gtr15Long => exponential(&GTR_15, range_km / 2200.0),
        Utility::Own => own(range_km, daily_km),
    }
}

/// Where a curve comes from, for the report.
pub const fn source(curve: Utility) -> &'static str {
    match curve {
        Utility::J2841Fleet => "SAE J2841 fleet curve (coefficients from memory): private cars in the USA",
        Utility::J2841Individual => {
            "SAE J2841 multi-day individual curve (coefficients from memory): private cars in the USA"
        }
        Utility::Gtr15 => "UN GTR 15, normalised distance 800 km: private cars in Europe",
        Utility::Gtr15Long => "UN GTR 15 coefficients, normalised distance 2,200 km (from memory): Euro 6e-bis",
        Utility::Own => "the fleet's own daily distances, as the campaign states them",
    }
}

fn exponential(coefficients: &[f64], x: f64) -> f64 {
    let x = x.clamp(0.0, 1.0);
    let exponent: f64 = coefficients.iter().rev().fold(0.0, |sum, c| (sum + c) * x);
    1.0 - (-exponent).exp()
}

fn own(range_km: f64, daily_km: &[f64]) -> f64 {
    let whole: f64 = daily_km.iter().sum();
    let within: f64 = daily_km.iter().map(|d| d.min(range_km.max(0.0))).sum();
    if whole > 0.0 { within / whole } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
    }

    /// SAE J2841, table 2: coefficients from memory, values recomputed from them with an independent program.
    #[test]
    fn j2841_curves_have_their_values() {
        for (curve, values) in [
            (Utility::J2841Fleet, [0.227_505, 0.396_549, 0.617_178, 0.743_311]),
            (Utility::J2841Individual, [0.270_866, 0.456_081, 0.676_666, 0.791_171]),
        ] {
            for (miles, expected) in [10.0, 20.0, 40.0, 60.0].into_iter().zip(values) {
                close(utility_factor(curve, miles * METRES_PER_MILE / 1000.0, &[]), expected, 1e-6);
            }
        }
    }

    /// UN GTR 15: coefficients read in public R code that cites the European Commission's technical report, values
    /// recomputed; the normalised distance of 2,200 km is from memory.
    #[test]
    fn gtr_15_curve_has_its_values() {
        for (km, expected) in [(25.0, 0.536_07), (50.0, 0.754_59), (80.0, 0.864_994), (100.0, 0.902_076)] {
            close(utility_factor(Utility::Gtr15, km, &[]), expected, 1e-6);
        }
        close(utility_factor(Utility::Gtr15Long, 50.0, &[]), 0.434_767, 1e-6);
    }

    const CURVES: [Utility; 4] = [Utility::J2841Fleet, Utility::J2841Individual, Utility::Gtr15, Utility::Gtr15Long];

    proptest! {
        /// A longer range never serves a smaller share, and a share is one.
        #[test]
        fn a_longer_range_serves_no_less(
            range in 0.0_f64..3000.0,
            more in 0.0_f64..100.0,
            days in proptest::collection::vec(0.1_f64..500.0, 1..20),
        ) {
            for curve in CURVES.into_iter().chain([Utility::Own]) {
                let (short, long) = (utility_factor(curve, range, &days), utility_factor(curve, range + more, &days));
                // The published polynomials bend back by less than a thousandth near their ends.
                prop_assert!(long >= short - 1e-3, "{curve:?}: {short} {long}");
                prop_assert!((0.0..=1.0).contains(&short));
            }
        }
    }
}
