//! Other methods on the same runs: do they say the same?
//!
//! They decide nothing. Where one disagrees the reader learns that the decision hangs on the method.

use tallywheel_schemas::{
    Condition,
    campaign::Design,
    report::{CrossCheck, Interval},
};

use super::{
    Effect, Estimated,
    bootstrap::{Bootstrap, Draws},
    mileage_percent, of_condition, spread_out,
};
use crate::{
    figure::fixed,
    observation::{Observation, complete_pairs},
    stats::{fieller_of_pairs, normal_quantile, t_quantile},
};

/// Resamples of the bootstrap.
pub const RESAMPLES: u32 = 20_000;

/// Fewest runs, or pairs, that a bootstrap is listened to from.
pub const LEAST_FOR_BOOTSTRAP: usize = 6;

/// An end may be apart by this share of the width.
pub const MOST_APART: f64 = 0.15;

/// Both cross-checks. `seed` is that of the bootstrap.
pub fn cross_checks(
    estimated: &Estimated,
    observations: &[Observation],
    confidence: f64,
    seed: u64,
) -> Vec<CrossCheck> {
    let Some(effect) = &estimated.effect else { return Vec::new() };
    let adjusted = estimated.parts.covariates.is_some();
    vec![
        bootstrap(effect, estimated.draws.as_ref(), confidence, seed),
        distance_weighted(
            effect,
            observations,
            confidence,
            adjusted || estimated.parts.drift_percent_per_run.is_some(),
        ),
    ]
}

/// BCa at the confidence that makes up for few runs.
///
/// A bootstrap's interval of a mean is too narrow by `√((n−1)/n)` and by the normal quantile in place of t's. It is
/// taken at the confidence `1 − 2·Φ(−√(n/(n−1))·t)` instead, at which the two agree for symmetric runs (the expanded
/// percentile interval of Hesterberg 2015, "What Teachers Should Know About the Bootstrap", The American Statistician 69).
pub fn bootstrap(effect: &Effect, draws: Option<&Draws>, confidence: f64, seed: u64) -> CrossCheck {
    let mut check = CrossCheck {
        method: "bias-corrected and accelerated bootstrap over the runs".to_owned(),
        mileage_percent: None,
        apart: None,
        agrees: None,
        note: String::new(),
        seed: Some(seed),
        resamples: Some(RESAMPLES),
    };
    let Some(draws) = draws else {
        (check.seed, check.resamples) = (None, None);
        check.note = "not made: runs in blocks or with covariates cannot be drawn one by one".to_owned();
        return check;
    };
    let (Some(interval), Some(df)) = (effect.interval(confidence), effect.degrees_of_freedom) else {
        check.note = "not made: there is no interval to check".to_owned();
        return check;
    };
    let Some(resampled) = Bootstrap::of(draws, seed, RESAMPLES) else {
        check.note = "not made: it takes at least two runs that differ".to_owned();
        return check;
    };
    let expanded = expanded(confidence, df, draws.smaller());
    let ends = resampled.interval(expanded);
    let (error_low, error_high) = resampled.error_of_ends(expanded);
    // Two standard errors of the draws are no disagreement.
    let apart = apart(interval, ends, (2.0 * error_low, 2.0 * error_high));
    check.mileage_percent = Some(spread_out(effect.log_ratio, Some(ends), mileage_percent));
    check.apart = Some(apart);
    if draws.smaller() < LEAST_FOR_BOOTSTRAP {
        check.note = format!(
            "cannot be relied on: with {} runs to draw from there are too few different samples, and it takes {LEAST_FOR_BOOTSTRAP}",
            draws.smaller()
        );
        return check;
    }
    check.agrees = Some(apart <= MOST_APART);
    check.note = rule();
    check
}

/// Confidence at which the percentiles of resampled means of `n` values have the width of t's.
fn expanded(confidence: f64, df: f64, n: usize) -> f64 {
    use statrs::distribution::{ContinuousCDF as _, Normal};
    let t = t_quantile(0.5 + confidence / 2.0, df).unwrap_or_else(|| normal_quantile(0.5 + confidence / 2.0));
    let n = n as f64;
    1.0 - 2.0 * Normal::standard().sf((n / (n - 1.0)).sqrt() * t)
}

/// The ratio of summed fuel over summed distance, with Fieller's interval.
fn distance_weighted(effect: &Effect, observations: &[Observation], confidence: f64, adjusted: bool) -> CrossCheck {
    let mut check = CrossCheck {
        method: "ratio of summed fuel over summed distance, interval by Fieller".to_owned(),
        mileage_percent: None,
        apart: None,
        agrees: None,
        note: String::new(),
        seed: None,
        resamples: None,
    };
    if !matches!(effect.design, Design::Paired | Design::Unpaired) {
        check.note = "not made: sums over all runs would mix blocks, vehicles or segments".to_owned();
        return check;
    }
    let Some((ratio, interval)) = summed(effect.design, observations, confidence) else {
        check.note = "not made: it takes at least two runs in each condition that differ".to_owned();
        return check;
    };
    let percent = |r: f64| (r - 1.0) * 100.0;
    check.mileage_percent =
        Some(Interval { estimate: percent(ratio), low: Some(percent(interval.0)), high: Some(percent(interval.1)) });
    let Some(own) = effect.interval(confidence) else {
        check.note = "there is no interval to compare it with".to_owned();
        return check;
    };
    let apart = apart(own, (interval.0.ln(), interval.1.ln()), (0.0, 0.0));
    check.apart = Some(apart);
    if adjusted {
        check.note =
            "sums know nothing of drift or covariates that the estimate is freed from: shown, not compared".to_owned();
        return check;
    }
    check.agrees = Some(apart <= MOST_APART);
    check.note = rule();
    check
}

fn rule() -> String {
    format!(
        "agrees when neither end is apart by more than {} % of the width of the interval from the run-to-run spread",
        fixed(MOST_APART * 100.0, 0)
    )
}

/// Largest distance between the ends, less what is allowed at each, as a share of the first interval's width.
fn apart(own: (f64, f64), other: (f64, f64), allowed: (f64, f64)) -> f64 {
    let beyond = |a: f64, b: f64, allowed: f64| ((a - b).abs() - allowed).max(0.0);
    beyond(own.0, other.0, allowed.0).max(beyond(own.1, other.1, allowed.1)) / (own.1 - own.0)
}

/// Baseline over assisted consumption from sums, with Fieller's interval.
///
/// # Formula
/// `R = ΣF/ΣD`, `var R = n/(n−1)·Σ(Fᵢ − R·Dᵢ)²/(ΣD)²` (ratio estimator, Cochran 1977, Sampling Techniques, from memory);
/// between pairs the residuals' products give the covariance.
fn summed(design: Design, observations: &[Observation], confidence: f64) -> Option<(f64, (f64, f64))> {
    let (baseline, assist): (Vec<&Observation>, Vec<&Observation>) = match design {
        Design::Paired => complete_pairs(observations).into_iter().unzip(),
        _ => (of_condition(observations, Condition::Baseline), of_condition(observations, Condition::Assist)),
    };
    let (b, a) = (Summed::of(&baseline)?, Summed::of(&assist)?);
    let (nb, na) = (baseline.len() as f64, assist.len() as f64);
    let (covariance, df) = if design == Design::Paired {
        let products: f64 = b.residuals.iter().zip(&a.residuals).map(|(b, a)| b * a).sum();
        (nb / (nb - 1.0) * products, nb - 1.0)
    } else {
        let ratio = b.rate / a.rate;
        let (vb, va) = (b.variance, a.variance * ratio * ratio);
        (0.0, (vb + va).powi(2) / (vb * vb / (nb - 1.0) + va * va / (na - 1.0)))
    };
    let interval = fieller_of_pairs(b.rate, a.rate, (b.variance, a.variance), covariance, df, confidence)?;
    (interval.low > 0.0).then_some((interval.value, (interval.low, interval.high)))
}

struct Summed {
    rate: f64,
    variance: f64,
    /// Each run's departure from the common rate over the summed distance.
    residuals: Vec<f64>,
}

impl Summed {
    fn of(runs: &[&Observation]) -> Option<Self> {
        let n = runs.len() as f64;
        let (fuel, distance) = runs.iter().fold((0.0, 0.0), |(f, d), o| (f + o.fuel_ml, d + o.distance_m));
        if runs.len() < 2 || distance.is_nan() || distance <= 0.0 {
            return None;
        }
        let rate = fuel / distance;
        let residuals: Vec<f64> = runs.iter().map(|o| (o.fuel_ml - rate * o.distance_m) / distance).collect();
        let variance = n / (n - 1.0) * residuals.iter().map(|r| r * r).sum::<f64>();
        (variance > 1e-24 * rate * rate).then_some(Self { rate, variance, residuals })
    }
}

/// What a cross-check that disagrees adds to the reasons.
pub fn disagreement(check: &CrossCheck) -> Option<String> {
    let apart = check.apart.filter(|_| check.agrees == Some(false))?;
    Some(format!(
        "the {} disagrees: an end of its interval is apart by {} % of the width",
        check.method,
        fixed(apart * 100.0, 0)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        effect::{paired, unpaired},
        stats::Sample,
    };

    fn runs(consumption: [(f64, f64); 7]) -> Vec<Observation> {
        let run = |(i, (b, a)): (usize, (f64, f64))| {
            let of = |c, l: f64| Observation::new(format!("{i}"), c, i, l * 94.0, 9_400.0);
            [of(Condition::Baseline, b), of(Condition::Assist, a)]
        };
        consumption.into_iter().enumerate().flat_map(run).collect()
    }

    const STEADY: [(f64, f64); 7] =
        [(8.0, 5.5), (8.1, 5.45), (7.9, 5.5), (8.05, 5.6), (8.1, 5.52), (7.95, 5.4), (8.02, 5.48)];

    #[test]
    fn steady_runs_agree_by_every_method() {
        let runs = runs(STEADY);
        let logs: Vec<f64> = STEADY.iter().map(|(b, a)| (b / a).ln()).collect();
        let effect = paired::mean(&logs).expect("pairs");
        let estimated = Estimated { effect: Some(effect), draws: Some(Draws::One(logs)), ..Estimated::default() };
        let checks = cross_checks(&estimated, &runs, 0.95, 1);
        assert!(checks.iter().all(|c| c.agrees == Some(true)), "{checks:?}");
        assert!(checks.iter().all(|c| disagreement(c).is_none()));
    }

    /// Runs of one length, by hand: R is the mean, its variance s²/n, so that Fieller's interval is that of the means.
    #[test]
    fn equal_distances_give_the_interval_of_the_means() {
        let runs = runs(STEADY);
        let of = |f: fn(&(f64, f64)) -> f64| Sample::of(&STEADY.iter().map(f).collect::<Vec<_>>()).expect("runs");
        let (b, a) = (of(|r| r.0), of(|r| r.1));
        let (ratio, (low, high)) = summed(Design::Unpaired, &runs, 0.95).expect("runs");
        assert!((ratio - b.mean / a.mean).abs() < 1e-12);
        let (vb, va) = (b.mean_variance().expect("spread"), a.mean_variance().expect("spread"));
        let scaled = va * ratio * ratio;
        let df = (vb + scaled).powi(2) / ((vb * vb + scaled * scaled) / 6.0);
        let by_means = crate::stats::fieller_interval(b.mean, a.mean, (vb, va), df, 0.95).expect("bounded");
        assert!((low - by_means.low).abs() < 1e-9 && (high - by_means.high).abs() < 1e-9);
    }

    /// Residuals that move together narrow the interval of pairs.
    #[test]
    fn pairs_that_move_together_narrow_the_ratio() {
        let moving = [(8.0, 5.5), (8.8, 6.05), (7.2, 4.96), (8.4, 5.77), (7.6, 5.24), (9.0, 6.2), (8.2, 5.62)];
        let runs = runs(moving);
        let width = |design| {
            let (_, (low, high)) = summed(design, &runs, 0.95).expect("runs");
            high - low
        };
        assert!(width(Design::Paired) < 0.2 * width(Design::Unpaired));
    }

    /// One run far off: the interval by t is symmetric about a mean that the run has shifted, the bootstrap is not.
    #[test]
    fn a_run_far_off_makes_the_bootstrap_disagree() {
        let logs = vec![0.40, 0.401, 0.399, 0.402, 0.398, 0.4, 0.4005, 0.55];
        let effect = paired::mean(&logs).expect("pairs");
        let check = bootstrap(&effect, Some(&Draws::One(logs)), 0.95, 1);
        assert_eq!(check.agrees, Some(false), "{check:?}");
        assert!(disagreement(&check).expect("said").contains("disagrees"));
    }

    #[test]
    fn few_runs_are_not_listened_to() {
        let logs = vec![0.4, 0.41, 0.39];
        let effect = paired::mean(&logs).expect("pairs");
        let check = bootstrap(&effect, Some(&Draws::One(logs)), 0.95, 1);
        assert_eq!(check.agrees, None);
        let alone = unpaired::difference(&[1.0], &[0.5], Design::Unpaired).expect("runs");
        let check = bootstrap(&alone, Some(&Draws::Two(vec![1.0], vec![0.5])), 0.95, 1);
        assert_eq!((check.agrees, check.mileage_percent), (None, None));
    }
}
