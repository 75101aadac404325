//! Bias-corrected and accelerated bootstrap (BCa) of a mean, or of the difference of two means.
//!
//! Efron 1987, "Better bootstrap confidence intervals", Journal of the American Statistical Association 82. It takes
//! no distribution for granted, which makes it a check on Student's t; with few runs it knows less than t does.

use rand_chacha::{
    ChaCha8Rng,
    rand_core::{Rng as _, SeedableRng as _},
};
use statrs::distribution::{ContinuousCDF, Normal};

use crate::stats::normal_quantile;

/// Numbers to draw from.
#[derive(Debug, Clone, PartialEq)]
pub enum Draws {
    /// The statistic is their mean.
    One(Vec<f64>),
    /// The statistic is the mean of the first minus that of the second; each is drawn from by itself.
    Two(Vec<f64>, Vec<f64>),
}

impl Draws {
    fn samples(&self) -> Vec<&[f64]> {
        match self {
            Self::One(a) => vec![a],
            Self::Two(a, b) => vec![a, b],
        }
    }

    /// Size of the smaller sample.
    pub fn smaller(&self) -> usize {
        self.samples().iter().map(|s| s.len()).min().unwrap_or(0)
    }

    fn statistic(&self) -> f64 {
        let mean = |s: &[f64]| s.iter().sum::<f64>() / s.len() as f64;
        match self {
            Self::One(a) => mean(a),
            Self::Two(a, b) => mean(a) - mean(b),
        }
    }
}

/// What BCa corrects by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correction {
    /// Bias correction `z₀`.
    pub bias: f64,
    /// Acceleration `a`.
    pub acceleration: f64,
}

impl Correction {
    /// The share of the resampled statistics below which the end with nominal share `alpha` lies.
    ///
    /// # Formula
    /// `Φ(z₀ + (z₀ + z_α) / (1 − a·(z₀ + z_α)))`.
    pub fn share(&self, alpha: f64) -> f64 {
        let z = self.bias + normal_quantile(alpha);
        Normal::standard().cdf(self.bias + z / (1.0 - self.acceleration * z))
    }
}

/// Resampled statistics in ascending order with their correction.
#[derive(Debug, Clone, PartialEq)]
pub struct Bootstrap {
    sorted: Vec<f64>,
    /// The correction.
    pub correction: Correction,
}

impl Bootstrap {
    /// Draws `resamples` times. The same seed gives the same draws on every machine.
    ///
    /// `None` with fewer than two values in a sample, with values that are all equal, or when every resampled statistic
    /// lies on one side of the estimate.
    pub fn of(draws: &Draws, seed: u64, resamples: u32) -> Option<Self> {
        let acceleration = acceleration(draws)?;
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let samples = draws.samples();
        let mut resampled_mean = |s: &[f64]| {
            let n = s.len() as u64;
            // The high half of a product of 64 bits: an index without the bias of a remainder that matters here.
            let pick = |r: u64| ((u128::from(r) * u128::from(n)) >> 64) as usize;
            s.iter().map(|_| s[pick(random.next_u64())]).sum::<f64>() / s.len() as f64
        };
        let mut sorted: Vec<f64> = (0..resamples)
            .map(|_| {
                let first = resampled_mean(samples[0]);
                samples.get(1).map_or(first, |second| first - resampled_mean(second))
            })
            .collect();
        sorted.sort_by(f64::total_cmp);
        let bias = normal_quantile(share_below(&sorted, draws.statistic()));
        bias.is_finite().then_some(Self { sorted, correction: Correction { bias, acceleration } })
    }

    /// The interval at a confidence.
    pub fn interval(&self, confidence: f64) -> (f64, f64) {
        let alpha = (1.0 - confidence) / 2.0;
        (self.quantile(self.correction.share(alpha)), self.quantile(self.correction.share(1.0 - alpha)))
    }

    /// Standard error of an end of that interval from the finite number of draws: half the distance between the
    /// statistics one binomial standard deviation of rank below and above it. First the low end, then the high one.
    pub fn error_of_ends(&self, confidence: f64) -> (f64, f64) {
        let alpha = (1.0 - confidence) / 2.0;
        let error = |p: f64| {
            let sd = (p * (1.0 - p) / self.sorted.len() as f64).sqrt();
            (self.quantile(p + sd) - self.quantile(p - sd)) / 2.0
        };
        (error(self.correction.share(alpha)), error(self.correction.share(1.0 - alpha)))
    }

    /// Linear between neighbouring statistics.
    fn quantile(&self, share: f64) -> f64 {
        let at = share.clamp(0.0, 1.0) * (self.sorted.len() - 1) as f64;
        let (low, part) = (at.floor() as usize, at.fract());
        let high = (low + 1).min(self.sorted.len() - 1);
        self.sorted[low] + part * (self.sorted[high] - self.sorted[low])
    }
}

/// Share of sorted values below `value`, those equal to it counted half. Equal up to rounding: a resample that holds
/// every run once has the same mean, summed in another order.
pub fn share_below(sorted: &[f64], value: f64) -> f64 {
    let rounding = 1e-12 * value.abs().max(sorted.iter().fold(0.0, |m, v| m.max(v.abs())));
    let below = sorted.partition_point(|v| *v < value - rounding);
    let through = sorted.partition_point(|v| *v <= value + rounding);
    (below + through) as f64 / (2.0 * sorted.len() as f64)
}

/// Acceleration from the jackknife.
///
/// # Formula
/// With the influence `dᵢ = (θ̄ − θ₍ᵢ₎)` of each value left out, scaled by `n − 1` and by the sample's size as for
/// several samples: `a = Σ_s Σᵢ (n_s − 1)³·dᵢ³/n_s³ / (6·(Σ_s Σᵢ (n_s − 1)²·dᵢ²/n_s²)^1.5)`. For one sample this is
/// `Σd³ / (6·(Σd²)^1.5)`.
///
/// `None` with fewer than two values in a sample or with values that are all equal.
pub fn acceleration(draws: &Draws) -> Option<f64> {
    let (mut cubes, mut squares) = (0.0, 0.0);
    for (sign, sample) in [1.0, -1.0].into_iter().zip(draws.samples()) {
        let n = sample.len() as f64;
        if sample.len() < 2 {
            return None;
        }
        let mean = sample.iter().sum::<f64>() / n;
        // Leaving out value i moves the mean by (mean − xᵢ)/(n − 1).
        for x in sample {
            let influence = sign * (x - mean) / n;
            cubes += influence.powi(3);
            squares += influence.powi(2);
        }
    }
    (squares > 1e-24).then(|| cubes / (6.0 * squares.powf(1.5)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
    }

    /// Evaluated with scipy.stats.norm.
    #[test]
    fn percentiles_are_mapped_as_published() {
        let none = Correction { bias: 0.0, acceleration: 0.0 };
        close(none.share(0.025), 0.025, 1e-12);
        let some = Correction { bias: 0.1, acceleration: 0.05 };
        close(some.share(0.025), 0.054_610, 1e-6);
        close(some.share(0.975), 0.991_724, 1e-6);
    }

    /// All 256 resamples of 1, 2, 3, 5: 45.3125 % of their means lie below 2.75, ties counted half or not at all, and
    /// their spread is √((n−1)/n)·s/√n (enumeration).
    #[test]
    fn enumeration_of_a_small_sample() {
        let data = [1.0, 2.0, 3.0, 5.0];
        let mut means: Vec<f64> =
            (0..256_usize).map(|i| (0..4).map(|k| data[i >> (2 * k) & 3]).sum::<f64>() / 4.0).collect();
        means.sort_by(f64::total_cmp);
        let below = means.partition_point(|m| *m < 2.75) as f64 / 256.0;
        let ties = means.iter().filter(|m| **m == 2.75).count() as f64 / 256.0;
        close(below, 0.453_125, 1e-12);
        close(share_below(&means, 2.75), below + ties / 2.0, 1e-12);
        let spread = (means.iter().map(|m| (m - 2.75).powi(2)).sum::<f64>() / 256.0).sqrt();
        close(spread, 0.739_51, 1e-5);
        let drawn = Bootstrap::of(&Draws::One(data.to_vec()), 7, 40_000).expect("values");
        let sampled = drawn.sorted.iter().map(|m| (m - 2.75).powi(2)).sum::<f64>() / 40_000.0;
        // Standard error of a variance from 40,000 draws: √(2/40000) of it at most here.
        close(sampled, spread * spread, 0.03 * spread * spread);
        // z₀ of the enumeration, within four standard errors of the share.
        let z0 = normal_quantile(below + ties / 2.0);
        close(drawn.correction.bias, z0, 4.0 * 0.5 / 200.0 * 2.6);
    }

    /// Efron's law-school data (from memory): jackknife influences of the correlation give the acceleration −0.0757 and
    /// the standard error 0.1425; here the formula is fed with them.
    #[test]
    fn acceleration_of_the_law_school_correlation() {
        let lsat =
            [576.0, 635.0, 558.0, 578.0, 666.0, 580.0, 555.0, 661.0, 651.0, 605.0, 653.0, 575.0, 545.0, 572.0, 594.0];
        let gpa = [3.39, 3.30, 2.81, 3.03, 3.44, 3.07, 3.00, 3.43, 3.36, 3.13, 3.12, 2.74, 2.76, 2.88, 2.96];
        let correlation = |skip: usize| {
            let kept =
                |v: &[f64]| -> Vec<f64> { v.iter().enumerate().filter(|(i, _)| *i != skip).map(|(_, v)| *v).collect() };
            let (x, y) = (kept(&lsat), kept(&gpa));
            let n = x.len() as f64;
            let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
            let sxy: f64 = x.iter().zip(&y).map(|(a, b)| (a - mx) * (b - my)).sum();
            let sxx: f64 = x.iter().map(|a| (a - mx).powi(2)).sum();
            let syy: f64 = y.iter().map(|b| (b - my).powi(2)).sum();
            sxy / (sxx * syy).sqrt()
        };
        close(correlation(99), 0.776_374, 1e-6);
        let left_out: Vec<f64> = (0..15).map(correlation).collect();
        let mean = left_out.iter().sum::<f64>() / 15.0;
        let squares: f64 = left_out.iter().map(|v| (v - mean).powi(2)).sum();
        close((14.0 / 15.0 * squares).sqrt(), 0.142_519, 1e-6);
        // A mean of values −14·θ₍ᵢ₎ has the same influences as the correlation.
        let values: Vec<f64> = left_out.iter().map(|v| -14.0 * v).collect();
        close(acceleration(&Draws::One(values)).expect("spread"), -0.075_671_6, 1e-7);
    }

    #[test]
    fn nothing_to_draw_from_gives_nothing() {
        assert_eq!(Bootstrap::of(&Draws::One(vec![0.4]), 1, 100), None);
        assert_eq!(Bootstrap::of(&Draws::One(vec![0.4; 5]), 1, 100), None);
        assert_eq!(Bootstrap::of(&Draws::Two(vec![0.4, 0.5], vec![0.3]), 1, 100), None);
        assert_eq!(Bootstrap::of(&Draws::One(Vec::new()), 1, 100), None);
    }

    #[test]
    fn the_same_seed_gives_the_same_interval() {
        let draws = Draws::Two(vec![0.1, 0.4, 0.3, 0.2, 0.35], vec![0.0, 0.1, -0.1, 0.2]);
        let interval = |seed| Bootstrap::of(&draws, seed, 2_000).expect("values").interval(0.95);
        assert_eq!(interval(3), interval(3));
        assert_ne!(interval(3), interval(4));
    }
}
