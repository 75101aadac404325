//! The uncertainty budget by JCGM 100:2008 (the GUM): inputs in, combined and expanded uncertainty out.
//!
//! [`combine`] is the law of propagation for any inputs. [`draw_up`] writes the budget of a comparison: one line per
//! calibration and for the spread of the runs, with what each contributes to the mileage in either condition and to
//! their ratio. An error that both conditions share has the same sensitivity in both, and the ratio's sensitivity is
//! the difference of the two: that is how it cancels, and how far.

mod account;
pub(crate) mod terms;

pub use account::{Spread, calibration_relative, draw_up, systematic};

use crate::stats::t_quantile;

/// One input of a measurement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Input {
    /// Standard uncertainty, in the input's unit.
    pub standard_uncertainty: f64,
    /// Change of the result per unit of the input.
    pub sensitivity: f64,
    /// Degrees of freedom of the uncertainty; infinite where it is taken as exactly known.
    pub degrees_of_freedom: f64,
}

impl Input {
    /// What the input contributes to the result's standard uncertainty, with the sign of its sensitivity.
    pub fn contribution(&self) -> f64 {
        self.sensitivity * self.standard_uncertainty
    }
}

/// Two inputs that vary together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correlation {
    /// Place of the one.
    pub first: usize,
    /// Place of the other.
    pub second: usize,
    /// Correlation coefficient, −1 to 1.
    pub coefficient: f64,
}

/// Inputs combined.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Combined {
    /// Combined standard uncertainty of the result.
    pub standard_uncertainty: f64,
    /// Effective degrees of freedom. `None` where inputs with a finite number are correlated: the formula holds for
    /// independent inputs only.
    pub degrees_of_freedom: Option<f64>,
}

/// A standard uncertainty expanded to a level of confidence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expanded {
    /// Coverage factor.
    pub coverage_factor: f64,
    /// Expanded uncertainty.
    pub uncertainty: f64,
}

/// Combines inputs.
///
/// # Formula
/// `u² = Σᵢ (cᵢ·uᵢ)² + 2·Σᵢ<ⱼ cᵢ·cⱼ·uᵢ·uⱼ·rᵢⱼ` (JCGM 100, equations 10 and 16), effective degrees of freedom
/// `ν = u⁴ / Σᵢ (cᵢ·uᵢ)⁴/νᵢ` (Welch–Satterthwaite, equation G.2b).
///
/// A correlation that names an input beyond the list is ignored.
pub fn combine(inputs: &[Input], correlations: &[Correlation]) -> Combined {
    let squares: f64 = inputs.iter().map(|i| i.contribution().powi(2)).sum();
    let pair = |c: &Correlation| {
        Some(2.0 * c.coefficient * inputs.get(c.first)?.contribution() * inputs.get(c.second)?.contribution())
    };
    // Full correlation can cancel all of it; rounding must not leave a negative square.
    let squared = (squares + correlations.iter().filter_map(pair).sum::<f64>()).max(0.0);
    let fourth: f64 = inputs.iter().map(|i| i.contribution().powi(4) / i.degrees_of_freedom).sum();
    let finite = |i: usize| inputs.get(i).is_some_and(|i| i.degrees_of_freedom.is_finite());
    let dependent = correlations.iter().any(|c| c.coefficient != 0.0 && (finite(c.first) || finite(c.second)));
    let freedom = if fourth > 0.0 { squared * squared / fourth } else { f64::INFINITY };
    Combined { standard_uncertainty: squared.sqrt(), degrees_of_freedom: (!dependent).then_some(freedom) }
}

impl Combined {
    /// The uncertainty expanded to a level of confidence: times Student's t at the degrees of freedom cut to a whole
    /// number (JCGM 100, G.4.1). `None` below one degree of freedom, or where they are not defined.
    pub fn expanded(&self, confidence: f64) -> Option<Expanded> {
        let coverage_factor = t_quantile(0.5 + confidence / 2.0, self.degrees_of_freedom?.floor())?;
        Some(Expanded { coverage_factor, uncertainty: coverage_factor * self.standard_uncertainty })
    }
}

#[cfg(test)]
mod tests;
