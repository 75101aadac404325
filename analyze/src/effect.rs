//! From observations to the effect: one file a design.
//!
//! Consumption is compared on the logarithmic scale: a ratio of consumptions is then a difference, its spread
//! does not depend on the size of the vehicle, and an interval never reaches below zero. With `C` in volume per
//! distance the effect is `d = ln(C_baseline / C_assist)`; the improvement of mileage is `exp(d) − 1` and the fuel
//! saved `1 − exp(−d)`.

pub mod before_after;
pub mod blocked;
pub mod bootstrap;
pub mod control;
pub mod covariate;
pub mod cross_check;
pub mod least_squares;
pub mod paired;
pub mod unpaired;

use tallywheel_schemas::{
    campaign::{Campaign, Design},
    report::{DesignParts, Interval},
};

use crate::{observation::Observation, stats::t_quantile};

/// The effect of the assist with the uncertainty that the spread of the runs gives it.
#[derive(Debug, Clone, PartialEq)]
pub struct Effect {
    /// Logarithm of baseline over assisted consumption.
    pub log_ratio: f64,
    /// Its standard error; `None` where the runs show no spread.
    pub standard_error: Option<f64>,
    /// Degrees of freedom of the standard error.
    pub degrees_of_freedom: Option<f64>,
    /// Standard deviation of the pairs' log ratios, of the vehicles', or of the log consumptions inside the conditions.
    pub spread: Option<f64>,
    /// Pairs, vehicles, or runs in the smaller condition.
    pub units_used: usize,
    /// Design.
    pub design: Design,
    /// Method in words.
    pub method: String,
}

impl Effect {
    /// Interval of the log ratio from the spread of the runs alone: `d ± t(ν)·se`.
    pub fn interval(&self, confidence: f64) -> Option<(f64, f64)> {
        let half = t_quantile(0.5 + confidence / 2.0, self.degrees_of_freedom?)? * self.standard_error?;
        Some((self.log_ratio - half, self.log_ratio + half))
    }

    /// Improvement of mileage, %: `100·(exp(d) − 1)`, with its interval.
    pub fn mileage_percent(&self, interval: Option<(f64, f64)>) -> Interval {
        spread_out(self.log_ratio, interval, mileage_percent)
    }

    /// Fuel saved, %: `100·(1 − exp(−d))`, with its interval.
    pub fn fuel_saved_percent(&self, interval: Option<(f64, f64)>) -> Interval {
        spread_out(self.log_ratio, interval, |d| -100.0 * (-d).exp_m1())
    }

    /// Spread of one unit for planning: of a pair or vehicle, or of the difference of two single runs.
    pub fn spread_for_planning(&self) -> Option<f64> {
        let factor = if self.is_by_pairs() { 1.0 } else { std::f64::consts::SQRT_2 };
        self.spread.filter(|s| *s > 0.0).map(|s| s * factor)
    }

    /// Whether each unit has both conditions in it.
    pub const fn is_by_pairs(&self) -> bool {
        matches!(self.design, Design::Paired | Design::BeforeAfter)
    }

    /// Why there is no interval.
    pub fn why_no_interval(&self, unit: &str) -> String {
        if self.units_used < 2 {
            return format!("there is no interval: it takes at least two {unit}, and there is {}", self.units_used);
        }
        if self.standard_error.is_none() && self.spread.is_some_and(|s| s > 1e-12) && self.units_used == 2 {
            return "there is no interval: two runs of one condition beside more of the other say too little of how they \
                    scatter; drive a third"
                .to_owned();
        }
        if self.standard_error.is_none() && self.spread.is_none() {
            return "there is no interval: every run goes into the model's coefficients and none is left for the spread"
                .to_owned();
        }
        "there is no interval: the runs agree to the last digit, which measured runs do not".to_owned()
    }

    /// A standard error that is rounding and not spread is none: runs that agree to the last digit are copies, not
    /// measurements.
    fn without_rounding(mut self) -> Self {
        self.standard_error = self.standard_error.filter(|se| *se > 1e-12);
        if self.standard_error.is_none() {
            self.degrees_of_freedom = None;
        }
        self
    }
}

/// Improvement of mileage, %, for the logarithm of a ratio of consumptions.
pub fn mileage_percent(log_ratio: f64) -> f64 {
    100.0 * log_ratio.exp_m1()
}

/// A log ratio and its interval as some other figure that rises with it.
pub fn spread_out(log_ratio: f64, interval: Option<(f64, f64)>, figure: fn(f64) -> f64) -> Interval {
    Interval {
        estimate: figure(log_ratio),
        low: interval.map(|(low, _)| figure(low)),
        high: interval.map(|(_, high)| figure(high)),
    }
}

/// The effect together with what its design has to say.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Estimated {
    /// The effect; `None` when a condition (or every pair) is empty.
    pub effect: Option<Effect>,
    /// What belongs to the design.
    pub parts: DesignParts,
    /// Why no verdict can rest on it, in sentences.
    pub obstacles: Vec<String>,
    /// The numbers that a bootstrap draws from.
    pub draws: Option<bootstrap::Draws>,
}

/// The effect by the campaign's design and the covariates that it names.
pub fn estimate(campaign: &Campaign, observations: &[Observation]) -> Estimated {
    match campaign.design {
        Design::Paired => paired::estimate(campaign, observations),
        Design::Unpaired => unpaired::estimate(campaign, observations),
        Design::Blocked => blocked::estimate(campaign, observations),
        Design::Control => control::estimate(campaign, observations),
        Design::BeforeAfter => before_after::estimate(campaign, observations),
    }
}

/// Observations of one condition.
fn of_condition(observations: &[Observation], condition: tallywheel_schemas::Condition) -> Vec<&Observation> {
    observations.iter().filter(|o| o.condition == condition).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Algebra of the two figures: doubled mileage is +100 % and 50 % fuel saved; +50 % is 33.3 % saved.
    #[test]
    fn improvement_and_fuel_saved_are_two_figures() {
        for (gain, saved) in [(100.0, 50.0), (50.0, 33.333_333_333)] {
            let effect = Effect {
                log_ratio: (1.0_f64 + gain / 100.0).ln(),
                standard_error: None,
                degrees_of_freedom: None,
                spread: None,
                units_used: 1,
                design: Design::Paired,
                method: String::new(),
            };
            assert!((effect.mileage_percent(None).estimate - gain).abs() < 1e-9);
            assert!((effect.fuel_saved_percent(None).estimate - saved).abs() < 1e-8);
            assert_eq!(effect.mileage_percent(effect.interval(0.95)).low, None);
        }
    }
}
