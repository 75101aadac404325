//! The spread of the runs and what the calibrations leave of the ratio, in one interval.

use crate::{effect::Effect, stats::t_quantile};

/// The part of the ratio's uncertainty that no number of runs makes smaller: calibration errors that differ between
/// the conditions. What is common to both cancels and is not in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Systematic {
    /// Standard uncertainty of the ratio of consumptions, as a share.
    pub relative_standard_uncertainty: f64,
    /// Its degrees of freedom; infinite where it is taken as exactly known.
    pub degrees_of_freedom: f64,
}

impl Default for Systematic {
    /// None: both conditions were measured by the same instruments.
    fn default() -> Self {
        Self { relative_standard_uncertainty: 0.0, degrees_of_freedom: f64::INFINITY }
    }
}

impl Systematic {
    /// Half the width of an interval of this part alone.
    pub fn half_width(&self, confidence: f64) -> Option<f64> {
        Some(t_quantile(0.5 + confidence / 2.0, self.degrees_of_freedom)? * self.relative_standard_uncertainty)
    }
}

/// Both parts combined.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Combined {
    /// Standard uncertainty of the log ratio.
    pub standard_uncertainty: f64,
    /// Effective degrees of freedom.
    pub degrees_of_freedom: f64,
    run_share: f64,
    run_freedom: f64,
    systematic_freedom: f64,
}

/// How fast the coverage factor falls from t's for the runs to that of the calibrations.
const WEIGHT: f64 = 1.35;

impl Combined {
    /// In quadrature: `u² = se² + u_c²`. `None` where the runs have no standard error.
    ///
    /// Effective degrees of freedom by Welch–Satterthwaite, `ν = u⁴ / (se⁴/ν_r + u_c⁴/ν_c)` (JCGM 100:2008, equation G.2b).
    pub fn of(effect: &Effect, systematic: &Systematic) -> Option<Self> {
        let (se, df) = (effect.standard_error?, effect.degrees_of_freedom?);
        let u = systematic.relative_standard_uncertainty;
        let variance = se * se + u * u;
        Some(Self {
            standard_uncertainty: variance.sqrt(),
            degrees_of_freedom: variance.powi(2) / (se.powi(4) / df + u.powi(4) / systematic.degrees_of_freedom),
            run_share: se * se / variance,
            run_freedom: df,
            systematic_freedom: systematic.degrees_of_freedom,
        })
    }

    /// Coverage factor of the two-sided interval.
    ///
    /// # Formula
    /// `k = t(ν_c) + (t(ν_r) − t(ν_c))·w^1.35` with `w = se²/u²`, the share of the runs. With an exponent of 1 this is
    /// the approximation of Cochran to the problem of Behrens and Fisher (Cochran and Cox 1957, from memory).
    ///
    /// Why not `t(ν)` with the effective degrees of freedom: of three pairs the standard error is sometimes small by
    /// chance, and `ν` large because of it. Where the calibrations are a third of the runs' standard error, that
    /// interval covers the truth in 92 % of campaigns (simulated). Cochran's covers 95.1 to 97.2 % at two degrees of
    /// freedom, this 94.6 to 96.2 %, and all agree from ten on. Below two degrees of freedom the exponent is 1, which
    /// errs on the wide side.
    pub fn coverage_factor(&self, confidence: f64) -> Option<f64> {
        let t = |df| t_quantile(0.5 + confidence / 2.0, df);
        let (run, systematic) = (t(self.run_freedom)?, t(self.systematic_freedom)?);
        let weight = if self.run_freedom < 2.0 { self.run_share } else { self.run_share.powf(WEIGHT) };
        Some(systematic + (run - systematic) * weight)
    }

    /// Half the width of the interval.
    pub fn half_width(&self, confidence: f64) -> Option<f64> {
        Some(self.coverage_factor(confidence)? * self.standard_uncertainty)
    }
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::campaign::Design;

    use super::*;

    fn effect(se: f64, df: f64) -> Effect {
        Effect {
            log_ratio: 0.4,
            standard_error: Some(se),
            degrees_of_freedom: Some(df),
            spread: Some(se),
            units_used: 3,
            design: Design::Paired,
            method: String::new(),
        }
    }

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
    }

    #[test]
    fn without_calibrations_it_is_students_interval() {
        let c = Combined::of(&effect(0.01, 2.0), &Systematic::default()).expect("spread");
        close(c.half_width(0.95).expect("df"), 4.302_653 * 0.01, 1e-8);
        close(c.degrees_of_freedom, 2.0, 1e-12);
    }

    /// Effective degrees of freedom of JCGM 100:2008 example H.1, where 9.7 nm has 25.6 and 25 nm has 18: the two
    /// largest parts alone, by the formula.
    #[test]
    fn effective_degrees_of_freedom_are_those_of_the_formula() {
        let systematic = Systematic { relative_standard_uncertainty: 25.0, degrees_of_freedom: 18.0 };
        let c = Combined::of(&effect(9.7, 25.6), &systematic).expect("spread");
        let (a, b) = (9.7_f64.powi(2), 625.0_f64);
        close(c.degrees_of_freedom, (a + b).powi(2) / (a * a / 25.6 + b * b / 18.0), 1e-9);
        close(c.standard_uncertainty, (a + b).sqrt(), 1e-12);
    }

    #[test]
    fn calibrations_alone_go_by_their_own_quantile() {
        let systematic = Systematic { relative_standard_uncertainty: 0.02, degrees_of_freedom: f64::INFINITY };
        let c = Combined::of(&effect(1e-9, 2.0), &systematic).expect("spread");
        close(c.half_width(0.95).expect("df"), 1.959_964 * 0.02, 1e-7);
        close(systematic.half_width(0.95).expect("df"), 1.959_964 * 0.02, 1e-7);
    }
}
