//! How far a vehicle's weeks usually spread, when a few weeks of one vehicle say little and a fleet says more.
//!
//! Each vehicle's variance is drawn towards the fleet's: the moderated t statistic of G. K. Smyth (2004), Linear models
//! and empirical Bayes methods, Statistical Applications in Genetics and Molecular Biology 3(1), article 3 (from memory).

use statrs::{
    distribution::{ContinuousCDF as _, Normal, StudentsT},
    function::gamma::digamma,
};

/// Above this many, t and the normal distribution agree in every digit that is shown.
const MANY: f64 = 1e6;

/// What the fleet's variances have in common.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// Common variance.
    pub variance: f64,
    /// Degrees of freedom that the fleet's knowledge counts as: infinite where all vehicles spread alike, 0 without a
    /// fleet.
    pub degrees_of_freedom: f64,
}

/// A variance with the degrees of freedom behind it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Variance.
    pub variance: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: f64,
}

impl Prior {
    /// Nothing is known from other vehicles.
    pub const NONE: Self = Self { variance: 0.0, degrees_of_freedom: 0.0 };

    /// Fits the prior to some vehicles' variances; [`Prior::NONE`] with fewer than five.
    ///
    /// # Formula
    /// With `e = ln s² − ψ(d/2) + ln(d/2)` for each variance: `ψ′(d₀/2) = var(e) − mean ψ′(d/2)`, and
    /// `ln s₀² = mean(e) + ψ(d₀/2) − ln(d₀/2)`; where the right side is not positive, `d₀` is infinite and
    /// `ln s₀² = mean(e)`. ψ is the digamma and ψ′ the trigamma function.
    pub fn fit(spreads: &[Spread]) -> Self {
        let usable = |s: &&Spread| s.variance > 0.0 && s.degrees_of_freedom >= 1.0;
        let known: Vec<&Spread> = spreads.iter().filter(usable).collect();
        if known.len() < 5 {
            return Self::NONE;
        }
        let n = known.len() as f64;
        let half = |s: &Spread| s.degrees_of_freedom / 2.0;
        let e: Vec<f64> = known.iter().map(|s| s.variance.ln() - digamma(half(s)) + half(s).ln()).collect();
        let mean = e.iter().sum::<f64>() / n;
        let variance = e.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / (n - 1.0);
        let sampling = known.iter().map(|s| trigamma(half(s))).sum::<f64>() / n;
        let excess = variance - sampling;
        if excess <= 0.0 {
            return Self { variance: mean.exp(), degrees_of_freedom: f64::INFINITY };
        }
        let half = trigamma_inverse(excess);
        Self { variance: (mean + digamma(half) - half.ln()).exp(), degrees_of_freedom: 2.0 * half }
    }

    /// A vehicle's variance drawn towards the fleet's.
    ///
    /// # Formula
    /// `s̃² = (d₀ s₀² + d s²) / (d₀ + d)`, with `d₀ + d` degrees of freedom.
    pub fn moderate(&self, own: &Spread) -> Spread {
        if self.degrees_of_freedom.is_infinite() {
            return Spread { variance: self.variance, degrees_of_freedom: f64::INFINITY };
        }
        let total = self.degrees_of_freedom + own.degrees_of_freedom;
        let sum = self.degrees_of_freedom * self.variance + own.degrees_of_freedom * own.variance;
        Spread { variance: if total > 0.0 { sum / total } else { 0.0 }, degrees_of_freedom: total }
    }
}

/// Chance of a t statistic at least this far from 0 either way.
pub fn two_sided_p(t: f64, degrees_of_freedom: f64) -> f64 {
    let below = -t.abs();
    if degrees_of_freedom > MANY {
        return (2.0 * Normal::standard().cdf(below)).min(1.0);
    }
    StudentsT::new(0.0, 1.0, degrees_of_freedom).map_or(1.0, |d| (2.0 * d.cdf(below)).min(1.0))
}

/// The trigamma function, for positive arguments.
///
/// # Formula
/// `ψ′(x) = ψ′(x + 1) + 1/x²` up to 12, then the asymptotic series with Bernoulli numbers up to `x⁻¹³` (Abramowitz and
/// Stegun 6.4.12).
fn trigamma(mut x: f64) -> f64 {
    let mut sum = 0.0;
    while x < 12.0 {
        sum += 1.0 / (x * x);
        x += 1.0;
    }
    let y = 1.0 / (x * x);
    let series =
        1.0 / 6.0 + y * (-1.0 / 30.0 + y * (1.0 / 42.0 + y * (-1.0 / 30.0 + y * (5.0 / 66.0 - y * 691.0 / 2730.0))));
    sum + 1.0 / x + y / 2.0 + series * y / x
}

/// The argument at which the trigamma function, which falls steadily, has a positive value.
fn trigamma_inverse(value: f64) -> f64 {
    let (mut low, mut high) = (1e-8_f64, 1e8_f64);
    for _ in 0..200 {
        let middle = (low * high).sqrt();
        if trigamma(middle) > value { low = middle } else { high = middle }
    }
    (low * high).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64) {
        assert!((a / b - 1.0).abs() < 1e-10, "{a} is not {b}");
    }

    /// ψ′(1) = π²/6 and ψ′(½) = π²/2 (Abramowitz and Stegun 6.4.2 and 6.4.4).
    #[test]
    fn trigamma_has_its_known_values() {
        let pi2 = std::f64::consts::PI.powi(2);
        close(trigamma(1.0), pi2 / 6.0);
        close(trigamma(0.5), pi2 / 2.0);
        close(trigamma(20.0), trigamma(19.0) - 1.0 / 361.0);
        close(trigamma_inverse(trigamma(3.7)), 3.7);
    }

    /// Eight variances with three degrees of freedom each; prior and moderated variance as scipy (1.17)’s digamma, polygamma and
    /// root finder give them for the formula.
    #[test]
    fn the_prior_is_that_of_the_formula() {
        let variances = [0.5, 1.2, 0.9, 3.5, 0.2, 7.0, 1.1, 0.05];
        let spreads = variances.map(|variance| Spread { variance, degrees_of_freedom: 3.0 });
        let prior = Prior::fit(&spreads);
        close(prior.degrees_of_freedom, EXPECTED_DF);
        close(prior.variance, EXPECTED_VARIANCE);
        let moderated = prior.moderate(&spreads[5]);
        close(moderated.variance, (EXPECTED_DF * EXPECTED_VARIANCE + 21.0) / (EXPECTED_DF + 3.0));
    }

    const EXPECTED_DF: f64 = 2.138_877_830_720_791;
    const EXPECTED_VARIANCE: f64 = 0.665_291_440_433_046_3;

    #[test]
    fn vehicles_that_spread_alike_share_one_variance() {
        let alike = [Spread { variance: 2.0, degrees_of_freedom: 10.0 }; 8];
        let prior = Prior::fit(&alike);
        assert!(prior.degrees_of_freedom.is_infinite());
        assert_eq!(Prior::fit(&alike[..4]), Prior::NONE);
    }

    /// Student's table: 2.228139 leaves 5 % outside with 10 degrees of freedom, 1.959964 with infinitely many.
    #[test]
    fn p_values_are_two_sided() {
        assert!((two_sided_p(2.228_139, 10.0) - 0.05).abs() < 1e-7);
        assert!((two_sided_p(-1.959_964, f64::INFINITY) - 0.05).abs() < 1e-7);
    }
}
