//! Adjustment by named covariates: consumption as if both conditions had met the same circumstances.
//!
//! `ln C = a + d·baseline + Σ bₖ·(xₖ − x̄ₖ)` with one slope `bₖ` for both conditions (analysis of covariance); inside
//! pairs, `ln(C_b/C_a) = d + Σ bₖ·(xₖ_b − xₖ_a)`. The slopes are found on the same runs, and what they leave unsure
//! widens the interval of `d`. The model must be named in the campaign before it is looked at: a choice among
//! covariates by their result would make any interval too narrow.

use tallywheel_schemas::report::{CovariateModel, Slope};

use super::{Effect, least_squares::Fit, spread_out};
use crate::{observation::Observation, stats::t_quantile};

/// Values of the covariates, one row an observation, or the obstacle where a run lacks one.
///
/// # Errors
/// A sentence that names the run and the covariate.
pub(super) fn values(observations: &[&Observation], names: &[String]) -> Result<Vec<Vec<f64>>, String> {
    let row = |o: &&Observation| {
        let value = |name: &String| {
            let found = o.covariates.get(name).copied().filter(|v| v.is_finite());
            found.ok_or_else(|| {
                format!("consumption is to be adjusted for {name}, which is not known for run {}", o.run)
            })
        };
        names.iter().map(value).collect()
    };
    observations.iter().map(row).collect()
}

/// The model as the report has it. `first` is the column of the first slope in the fit.
pub(super) fn model(
    fit: &Fit,
    first: usize,
    names: &[String],
    unadjusted: Option<&Effect>,
    adjusted: &Effect,
    confidence: f64,
) -> CovariateModel {
    let t = t_quantile(0.5 + confidence / 2.0, fit.degrees_of_freedom as f64);
    let slope = |k: usize, name: &String| {
        let b = fit.coefficients[first + k];
        let half = fit.standard_error(first + k).zip(t).map(|(se, t)| se * t);
        let interval = half.map(|h| (b - h, b + h));
        Slope { covariate: name.clone(), percent_per_unit: spread_out(b, interval, super::mileage_percent) }
    };
    let percent = |e: &Effect| e.mileage_percent(e.interval(confidence));
    CovariateModel {
        model: format!(
            "log consumption, linear in {}, with the same slope in both conditions; least squares on the runs compared",
            names.join(", ")
        ),
        slopes: names.iter().enumerate().map(|(k, name)| slope(k, name)).collect(),
        unadjusted_percent: unadjusted.map(percent),
        adjusted_percent: Some(percent(adjusted)),
    }
}

/// What is said where the runs do not tell the covariates' slopes from the effect.
pub(super) fn not_told_apart(names: &[String]) -> String {
    format!(
        "the runs do not tell the effect of the assist from that of {}: too few runs, or the circumstances changed \
         together with the assist",
        names.join(", ")
    )
}
