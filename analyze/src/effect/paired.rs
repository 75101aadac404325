//! Paired runs: the log ratio of each pair, their mean and Student's t.
//!
//! What drifts evenly through a campaign (a warming day, an engine that wears in, fuel that ages) shifts every pair
//! by the same amount, towards the assist or against it as the assisted run comes first or last. Where the order
//! alternates, that shift is estimated and taken out: `ln(C_b/C_a)ᵢ = d + δ·(place_bᵢ − place_aᵢ)`.
//!
//! Left in, it does two kinds of harm: with an odd number of pairs it shifts the mean, and it passes for spread, so
//! that the interval of a campaign that was driven well is too wide.

use tallywheel_schemas::{
    campaign::{Campaign, Design},
    report::DesignParts,
};

use super::{
    Effect, Estimated,
    bootstrap::Draws,
    covariate,
    least_squares::{Fit, fit},
    spread_out,
};
use crate::{
    figure::fixed,
    observation::{Observation, complete_pairs},
    stats::{Sample, lag_one, t_quantile},
};

/// From this many pairs on the drift costs a degree of freedom. With fewer, the estimate is still freed from it, and its
/// standard error is that of the mean, with the spread about it: what drift there was then widens the interval.
///
/// With three pairs a degree of freedom of its own would leave one, and Student's t at 12.7. The standard error of the
/// estimate freed from a drift is 6 % more than that of the mean; but the estimate departs from the mean most where the
/// spread is large, and with that of the mean the interval has 94.9 % (simulated, normal).
pub(crate) const PAIRS_FOR_DRIFT: usize = 4;

/// Variance of the effect with the drift taken out, over that without: beyond this the order is too lopsided for it.
const MOST_FOR_DRIFT: f64 = 2.0;

/// Mean log ratio of pairs by Student's t; `None` without pairs.
pub fn mean(log_ratios: &[f64]) -> Option<Effect> {
    let sample = Sample::of(log_ratios)?;
    let effect = Effect {
        log_ratio: sample.mean,
        standard_error: sample.mean_variance().map(f64::sqrt),
        degrees_of_freedom: (sample.n > 1).then_some(sample.n as f64 - 1.0),
        spread: sample.sd,
        units_used: sample.n,
        design: Design::Paired,
        method: "mean of the log ratios of paired runs, interval by Student's t".to_owned(),
    };
    Some(effect.without_rounding())
}

/// Mean log ratio with the drift taken out.
///
/// `places` are the places of the baseline run minus those of the assisted run. `None` where the order does not tell
/// the drift from the effect: all pairs in one order, or so nearly all that the drift would double the variance.
pub fn without_drift(log_ratios: &[f64], places: &[f64]) -> Option<(Effect, Fit)> {
    let n = log_ratios.len();
    let (mean_place, square) =
        (places.iter().sum::<f64>() / n as f64, places.iter().map(|p| p * p).sum::<f64>() / n as f64);
    let inflation = 1.0 / (1.0 - mean_place.powi(2) / square);
    if n < 2 || !inflation.is_finite() || inflation > MOST_FOR_DRIFT {
        return None;
    }
    let fit = fit(&[vec![1.0; n], places.to_vec()], log_ratios)?;
    let plain = mean(log_ratios)?;
    let own = n >= PAIRS_FOR_DRIFT;
    let effect = Effect {
        log_ratio: fit.coefficients[0],
        standard_error: if own { fit.standard_error(0) } else { plain.standard_error },
        degrees_of_freedom: if own { Some(fit.degrees_of_freedom as f64) } else { plain.degrees_of_freedom },
        spread: if own { fit.residual_sd() } else { plain.spread },
        method: "mean of the log ratios of paired runs freed from an even drift over the campaign, interval by \
                 Student's t"
            .to_owned(),
        ..plain
    };
    Some((effect.without_rounding(), fit))
}

pub(super) fn estimate(campaign: &Campaign, observations: &[Observation]) -> Estimated {
    let pairs = complete_pairs(observations);
    let log_ratios: Vec<f64> = pairs.iter().map(|(b, a)| b.log_consumption() - a.log_consumption()).collect();
    let places: Vec<f64> = pairs.iter().map(|(b, a)| b.place - a.place).collect();
    let Some(plain) = mean(&log_ratios) else { return Estimated::default() };
    let drift = without_drift(&log_ratios, &places);
    let (mut parts, unadjusted) = match &drift {
        Some((effect, fit)) => (drift_parts(fit, log_ratios.len(), campaign.confidence), effect.clone()),
        None => (DesignParts { notes: vec![why_no_drift(&places)], ..DesignParts::default() }, plain),
    };
    let slope = drift.as_ref().map_or(0.0, |(_, fit)| fit.coefficients[1]);
    let freed: Vec<f64> = log_ratios.iter().zip(&places).map(|(d, p)| d - slope * p).collect();
    parts.notes.extend(resemblance(&freed));
    if campaign.adjust.is_empty() {
        return Estimated { effect: Some(unadjusted), parts, obstacles: Vec::new(), draws: Some(Draws::One(freed)) };
    }
    let drift = drift.filter(|_| log_ratios.len() > campaign.adjust.len() + 2).map(|_| places.clone());
    match adjusted(&pairs, &log_ratios, drift, &campaign.adjust) {
        Ok((effect, fit, first)) => {
            parts.covariates =
                Some(covariate::model(&fit, first, &campaign.adjust, Some(&unadjusted), &effect, campaign.confidence));
            Estimated { effect: Some(effect), parts, obstacles: Vec::new(), draws: None }
        }
        Err(obstacle) => Estimated { effect: Some(unadjusted), parts, obstacles: vec![obstacle], draws: None },
    }
}

/// Least squares on the differences inside the pairs.
fn adjusted(
    pairs: &[(&Observation, &Observation)],
    log_ratios: &[f64],
    drift: Option<Vec<f64>>,
    names: &[String],
) -> Result<(Effect, Fit, usize), String> {
    let baseline = covariate::values(&pairs.iter().map(|(b, _)| *b).collect::<Vec<_>>(), names)?;
    let assist = covariate::values(&pairs.iter().map(|(_, a)| *a).collect::<Vec<_>>(), names)?;
    let mut columns = vec![vec![1.0; pairs.len()]];
    columns.extend(drift);
    let first = columns.len();
    columns.extend((0..names.len()).map(|k| baseline.iter().zip(&assist).map(|(b, a)| b[k] - a[k]).collect()));
    let fit = fit(&columns, log_ratios).ok_or_else(|| covariate::not_told_apart(names))?;
    let effect = Effect {
        log_ratio: fit.coefficients[0],
        standard_error: fit.standard_error(0),
        degrees_of_freedom: (fit.degrees_of_freedom > 0).then_some(fit.degrees_of_freedom as f64),
        spread: fit.residual_sd(),
        units_used: pairs.len(),
        design: Design::Paired,
        method: format!(
            "log ratios of paired runs, adjusted for the differences of {} inside the pairs, interval by Student's t",
            names.join(", ")
        ),
    };
    Ok((effect.without_rounding(), fit, first))
}

/// The drift as change of consumption from one run to the next.
fn drift_parts(fit: &Fit, pairs: usize, confidence: f64) -> DesignParts {
    let slope = fit.coefficients[1];
    let t = t_quantile(0.5 + confidence / 2.0, fit.degrees_of_freedom as f64);
    let half = fit.standard_error(1).zip(t).map(|(se, t)| se * t);
    let note = if pairs < PAIRS_FOR_DRIFT {
        format!(
            "with fewer than {PAIRS_FOR_DRIFT} pairs a drift is taken out of the estimate and left in the spread: it widens the interval"
        )
    } else {
        "an even drift over the campaign is taken out: the pairs were driven in alternating order".to_owned()
    };
    DesignParts {
        drift_percent_per_run: Some(spread_out(slope, half.map(|h| (slope - h, slope + h)), super::mileage_percent)),
        notes: vec![note],
        ..DesignParts::default()
    }
}

/// Pairs from which a resemblance of neighbours is told.
const PAIRS_FOR_RESEMBLANCE: usize = 8;

/// A reservation where each pair resembles the one before it: Student's t takes them for independent.
fn resemblance(log_ratios: &[f64]) -> Option<String> {
    let n = log_ratios.len();
    let r = lag_one(log_ratios).filter(|r| n >= PAIRS_FOR_RESEMBLANCE && r.abs() > 2.0 / (n as f64).sqrt())?;
    Some(format!(
        "successive pairs {} (lag-1 autocorrelation {}, beyond ±{}): the interval takes them for independent",
        if r > 0.0 { "resemble each other" } else { "alternate" },
        fixed(r, 2),
        fixed(2.0 / (n as f64).sqrt(), 2)
    ))
}

fn why_no_drift(places: &[f64]) -> String {
    let first = places.iter().filter(|p| **p < 0.0).count();
    format!(
        "an even drift over the campaign cannot be told from the effect: the baseline run came first in {first} of {} \
         pairs",
        places.len()
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
    }

    /// Paired t on log ratios, by hand with t(0.975, 2) = 4.302653 (Student's table).
    #[test]
    fn paired_interval_is_students() {
        let ratios = [1.50_f64.ln(), 1.55_f64.ln(), 1.60_f64.ln()];
        let effect = mean(&ratios).expect("pairs");
        let m = ratios.iter().sum::<f64>() / 3.0;
        let sd = (ratios.iter().map(|d| (d - m).powi(2)).sum::<f64>() / 2.0).sqrt();
        let (low, high) = effect.interval(0.95).expect("three pairs spread");
        close(low, m - 4.302_653 * sd / 3.0_f64.sqrt(), 1e-7);
        close(high, m + 4.302_653 * sd / 3.0_f64.sqrt(), 1e-7);
    }

    /// Without noise the drift goes and the effect stays, for even and odd numbers of pairs.
    #[test]
    fn an_even_drift_is_taken_out_exactly() {
        for n in [3_usize, 4, 5, 8] {
            let places: Vec<f64> = (0..n).map(|i| if i % 2 == 0 { -1.0 } else { 1.0 }).collect();
            let ratios: Vec<f64> = places.iter().map(|p| 0.4 + 0.01 * p).collect();
            let (effect, fit) = without_drift(&ratios, &places).expect("alternating");
            close(effect.log_ratio, 0.4, 1e-12);
            close(fit.coefficients[1], 0.01, 1e-12);
        }
    }

    #[test]
    fn one_order_tells_no_drift() {
        assert_eq!(without_drift(&[0.4, 0.41, 0.39, 0.4], &[-1.0; 4]), None);
        assert_eq!(without_drift(&[0.4; 8], &[-1.0, -1.0, -1.0, -1.0, -1.0, -1.0, -1.0, 1.0]), None);
        assert_eq!(without_drift(&[0.4], &[1.0]), None);
    }

    #[test]
    fn one_pair_or_identical_pairs_have_no_interval() {
        for ratios in [vec![0.5], vec![0.5, 0.5, 0.5]] {
            let effect = mean(&ratios).expect("pairs");
            assert_eq!(effect.interval(0.95), None);
            assert!(effect.why_no_interval("pairs").contains("there is no interval"));
        }
        assert_eq!(mean(&[]), None);
    }
}
