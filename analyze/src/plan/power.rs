//! How often a t test of some size decides: the noncentral t distribution.

use statrs::{
    distribution::{ContinuousCDF, Normal},
    function::gamma::ln_gamma,
};

use crate::{effect::paired::PAIRS_FOR_DRIFT, stats::t_quantile};

/// Steps of the integration; even.
const STEPS: usize = 2000;
/// Largest size that is worth planning.
pub const LARGEST: u32 = 10_000;

/// How the runs of a plan are compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Comparing {
    /// Each unit is a pair, which has a log ratio of its own.
    Pairs,
    /// The same in alternating order: from some pairs on the verdict takes a drift out, which costs a degree of freedom.
    PairsInTurn,
    /// Each unit is a run in both conditions; the runs do not pair.
    Groups,
}

impl Comparing {
    /// Degrees of freedom of the spread from `n` units.
    pub fn degrees_of_freedom(self, n: f64) -> f64 {
        match self {
            Self::PairsInTurn if n >= PAIRS_FOR_DRIFT as f64 => n - 2.0,
            Self::Pairs | Self::PairsInTurn => n - 1.0,
            Self::Groups => 2.0 * n - 2.0,
        }
    }

    /// Standard error of the mean log ratio of `n` units whose spread is `sd`.
    pub fn standard_error(self, sd: f64, n: f64) -> f64 {
        match self {
            Self::Pairs | Self::PairsInTurn => sd / n.sqrt(),
            Self::Groups => sd * (2.0 / n).sqrt(),
        }
    }
}

/// Probability that a noncentral t variable with `df` degrees of freedom and noncentrality `delta` is at most `t`.
///
/// # Formula
/// `P(T ≤ t) = ∫ Φ(t·s − δ) f(s) ds` over the scaled chi density
/// `f(s) = 2·(ν/2)^{ν/2} / Γ(ν/2) · s^{ν−1} · exp(−ν s²/2)`, by Simpson's rule. Agrees with scipy's `nct` to 1e-8 for
/// whole degrees of freedom. `None` when `df` is below 1 or an argument is not finite.
pub fn noncentral_t_cdf(t: f64, df: f64, delta: f64) -> Option<f64> {
    if !(df >= 1.0 && t.is_finite() && delta.is_finite() && df.is_finite()) {
        return None;
    }
    let normal = Normal::standard();
    // The chi variable keeps within twelve of its standard deviations of 1.
    let reach = 12.0 / (2.0 * df).sqrt();
    let (low, high) = ((1.0 - reach).max(0.0), 1.0 + reach);
    let constant = 2.0_f64.ln() + df / 2.0 * (df / 2.0).ln() - ln_gamma(df / 2.0);
    let density = |s: f64| match s > 0.0 {
        true => (constant + (df - 1.0) * s.ln() - df * s * s / 2.0).exp(),
        false if df == 1.0 => constant.exp(),
        false => 0.0,
    };
    let step = (high - low) / STEPS as f64;
    let sum: f64 = (0..=STEPS)
        .map(|i| {
            let s = low + step * i as f64;
            let weight = match i {
                0 | STEPS => 1.0,
                i if i % 2 == 1 => 4.0,
                _ => 2.0,
            };
            weight * normal.cdf(t * s - delta) * density(s)
        })
        .sum();
    Some((sum * step / 3.0).clamp(0.0, 1.0))
}

/// Probability that the two-sided interval at `confidence` of `n` units lies wholly on the side of the claim on which
/// the truth is, when the truth is `shift` away from the claim (in log ratio) and units spread by `sd`.
///
/// `n` need not be whole. `None` where there is no degree of freedom, no spread or no shift.
pub fn power(comparing: Comparing, n: f64, shift: f64, sd: f64, confidence: f64) -> Option<f64> {
    let df = comparing.degrees_of_freedom(n);
    if !(sd > 0.0 && shift != 0.0 && df >= 1.0) {
        return None;
    }
    let delta = shift.abs() / comparing.standard_error(sd, n);
    let critical = t_quantile(0.5 + confidence / 2.0, df)?;
    Some(1.0 - noncentral_t_cdf(critical, df, delta)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected} within {tolerance}");
    }

    /// scipy 1.17 `nct.cdf(t, df, nc)`.
    #[test]
    fn noncentral_t_agrees_with_scipy() {
        for (t, df, delta, expected) in [
            (2.0, 1.0, 0.5, 0.748_485_584_2),
            (2.5, 2.0, 1.0, 0.781_613_476_3),
            (3.182_446, 3.0, 4.0, 0.245_016_096_7),
            (1.5, 7.0, 2.2, 0.241_501_926_7),
            (2.0, 30.0, 2.5, 0.308_334_453_6),
            (-1.0, 5.0, 1.0, 0.030_807_353_3),
            (2.2, 200.0, 4.0, 0.036_572_174_7),
            (12.7, 1.0, 3.0, 0.813_803_218_0),
        ] {
            close(noncentral_t_cdf(t, df, delta).expect("finite"), expected, 1e-8);
        }
        assert_eq!(noncentral_t_cdf(1.0, 0.5, 1.0), None);
    }

    /// Without noncentrality it is Student's t: t(0.975, 10) = 2.228139 (table).
    #[test]
    fn without_noncentrality_it_is_students() {
        close(noncentral_t_cdf(2.228_139, 10.0, 0.0).expect("finite"), 0.975, 1e-7);
    }

    /// The size, which need not be whole, that reaches a power.
    fn size(comparing: Comparing, effect: f64, wanted: f64) -> f64 {
        let (mut low, mut high) = (2.0, 1000.0);
        for _ in 0..100 {
            let middle = (low + high) / 2.0;
            match power(comparing, middle, effect, 1.0, 0.95).expect("an effect") < wanted {
                true => low = middle,
                false => high = middle,
            }
        }
        high
    }

    /// statsmodels: `TTestPower` for an effect of 1.0 at 0.05 and power 0.9 gives 12.5855 pairs, `TTestIndPower` for 0.5
    /// at power 0.8 gives 63.7656 in each group. Both count the far tail too, which adds 5e-7 to the power of the second
    /// and takes 2e-4 from its size. The normal approximation gives 62.791 (textbook).
    #[test]
    fn sizes_agree_with_statsmodels() {
        close(size(Comparing::Pairs, 1.0, 0.9), 12.5855, 1e-4);
        close(size(Comparing::Groups, 0.5, 0.8), 63.7656, 1e-3);
        let z = |p: f64| Normal::standard().inverse_cdf(p);
        close(2.0 * ((z(0.975) + z(0.8)) * 10.0 / 5.0).powi(2), 62.791, 1e-2);
    }

    /// statsmodels 0.15 `TTestPower().power(effect, n, alpha / 2, alternative="larger")` and `TTestIndPower` likewise: a
    /// two-sided interval decides on either side with half its allowed error.
    #[test]
    fn powers_agree_with_statsmodels() {
        for (comparing, effect, n, confidence, expected) in [
            (Comparing::Pairs, 2.0, 4.0, 0.95, 0.754_983_840),
            (Comparing::Pairs, 3.0, 3.0, 0.95, 0.745_268_007),
            (Comparing::Pairs, 1.2, 8.0, 0.95, 0.827_919_756),
            (Comparing::Pairs, 1.2, 8.0, 0.955_575, 0.808_586_735),
            (Comparing::Groups, 2.0, 4.0, 0.95, 0.656_871_299),
            (Comparing::Groups, 1.2, 10.0, 0.90, 0.825_222_453),
        ] {
            close(power(comparing, n, effect, 1.0, confidence).expect("an effect"), expected, 1e-6);
        }
    }
}
