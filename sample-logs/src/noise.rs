//! Repeatable randomness: one ChaCha stream per purpose, all from one seed.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// What a stream of random numbers is for. Streams never share numbers, so a change in one place leaves the
/// others as they were.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u64)]
pub enum Purpose {
    /// The vehicle's sensors: what is fixed for the whole campaign.
    Calibration = 1,
    /// Weather and payload of a day.
    Day = 2,
    /// The driver in a run.
    Driver = 3,
    /// Sensor noise in a run.
    Sensors = 4,
    /// Damage done to a capture.
    Damage = 5,
    /// A vehicle of a fleet: its rounds, drivers and days.
    Fleet = 6,
}

/// A stream of random numbers.
#[derive(Debug, Clone)]
pub struct Noise(ChaCha8Rng);

impl Noise {
    /// The stream of a purpose, numbered within it (run 3, day 2).
    pub fn new(seed: u64, purpose: Purpose, number: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(number * 16 + purpose as u64);
        Self(rng)
    }

    /// A number from the normal distribution with mean 0 and this standard deviation.
    pub fn normal(&mut self, deviation: f64) -> f64 {
        let z: f64 = self.0.sample(StandardNormal);
        z * deviation
    }

    /// As [`Noise::normal`], but never further than two deviations from the mean.
    pub fn bounded(&mut self, deviation: f64) -> f64 {
        self.normal(deviation).clamp(-2.0 * deviation, 2.0 * deviation)
    }

    /// A number between two bounds, all alike.
    pub fn uniform(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.random::<f64>()
    }

    /// A whole number below a bound.
    pub fn below(&mut self, bound: usize) -> usize {
        self.0.random_range(0..bound)
    }
}

/// A value that wanders about zero: first-order Gauss–Markov.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wander {
    /// Present value.
    pub value: f64,
    deviation: f64,
    tau_s: f64,
}

impl Wander {
    /// Starts at zero; `deviation` in the long run, forgetting with `tau_s` seconds.
    pub fn new(deviation: f64, tau_s: f64) -> Self {
        Self { value: 0.0, deviation, tau_s }
    }

    /// Advances by a step.
    ///
    /// # Formula
    /// `x ← a x + σ √(1 − a²) z`, `a = e^(−Δt/τ)`.
    pub fn advance(&mut self, noise: &mut Noise, dt_s: f64) -> f64 {
        let keep = (-dt_s / self.tau_s).exp();
        self.value = keep * self.value + noise.normal(self.deviation * (1.0 - keep * keep).sqrt());
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn streams_repeat_and_differ() {
        let draw = |seed, number| Noise::new(seed, Purpose::Driver, number).normal(1.0);
        assert_eq!(draw(7, 1).to_bits(), draw(7, 1).to_bits());
        assert_ne!(draw(7, 1).to_bits(), draw(7, 2).to_bits());
        assert_ne!(draw(7, 1).to_bits(), draw(8, 1).to_bits());
    }

    #[test]
    fn wandering_has_the_deviation_it_was_given() {
        let (mut noise, mut wander) = (Noise::new(1, Purpose::Sensors, 0), Wander::new(0.5, 2.0));
        let n = 200_000;
        let sum: f64 = (0..n).map(|_| wander.advance(&mut noise, 0.1).powi(2)).sum();
        // 10,000 independent stretches of 2τ: the estimate is good to 1 % or so.
        assert!(((sum / f64::from(n)).sqrt() - 0.5).abs() < 0.02);
    }
}
