//! Two groups of runs: difference of mean log consumption by Welch's t.

use tallywheel_schemas::{
    Condition,
    campaign::{Campaign, Design},
    report::DesignParts,
};

use super::{
    Effect, Estimated,
    bootstrap::Draws,
    covariate,
    least_squares::{Fit, fit},
    of_condition,
};
use crate::{
    observation::Observation,
    stats::{Sample, pooled_sd, welch_freedom},
};

/// Difference of the means of logarithms by Welch's t; `None` when a group is empty.
///
/// A single run says nothing about how runs of its condition scatter, and the assist may well change that: there is no
/// interval then. Neither is there beside more than two for two runs, which say so little of it that the interval would
/// either hold the truth less often than it says or, with one degree of freedom, always. A single vehicle without a kit, beside several with one, is compared by the others' spread, since what
/// differs from vehicle to vehicle is service and not the kit (comparison of one with many, Crawford and Howell 1998,
/// from memory): `se = s·√(1/n + 1)` with `n − 1` degrees of freedom.
pub fn difference(baseline: &[f64], assist: &[f64], design: Design) -> Option<Effect> {
    let (b, a) = (Sample::of(baseline)?, Sample::of(assist)?);
    let (variance, freedom, spread) = match (b.sd, a.sd) {
        (Some(_), Some(_)) => {
            (b.mean_variance().zip(a.mean_variance()).map(|(b, a)| b + a), welch_freedom(&b, &a), pooled_sd(&b, &a))
        }
        (sb, sa) => {
            let sd = sb.or(sa).filter(|_| design == Design::BeforeAfter);
            let n = b.n.max(a.n) as f64;
            (sd.map(|sd| sd * sd * (1.0 / b.n as f64 + 1.0 / a.n as f64)), sd.map(|_| n - 1.0), sd)
        }
    };
    let too_few = design != Design::BeforeAfter && b.n.min(a.n) < 3 && b.n != a.n;
    let (variance, freedom) = if too_few { (None, None) } else { (variance, freedom) };
    let effect = Effect {
        log_ratio: b.mean - a.mean,
        standard_error: variance.map(f64::sqrt),
        degrees_of_freedom: freedom,
        spread,
        units_used: b.n.min(a.n),
        design,
        method: "difference of mean log consumption, interval by Welch's t".to_owned(),
    };
    Some(effect.without_rounding())
}

pub(super) fn estimate(campaign: &Campaign, observations: &[Observation]) -> Estimated {
    groups(campaign, observations, Vec::new())
}

/// Two groups, with further columns (of blocks) where the design has them.
pub(super) fn groups(campaign: &Campaign, observations: &[Observation], parts: Vec<String>) -> Estimated {
    let logs = |c| of_condition(observations, c).iter().map(|o| o.log_consumption()).collect::<Vec<_>>();
    let (baseline, assist) = (logs(Condition::Baseline), logs(Condition::Assist));
    let Some(unadjusted) = difference(&baseline, &assist, campaign.design) else { return Estimated::default() };
    let parts = DesignParts { notes: parts, ..DesignParts::default() };
    if campaign.adjust.is_empty() {
        let draws = Some(Draws::Two(baseline, assist));
        return Estimated { effect: Some(unadjusted), parts, obstacles: Vec::new(), draws };
    }
    adjust(campaign, observations, unadjusted, parts, &[])
}

/// The unadjusted effect replaced by the adjusted one, or kept with the obstacle. `columns` go into the model beside
/// the condition, the first of them the constant if there are any.
pub(super) fn adjust(
    campaign: &Campaign,
    observations: &[Observation],
    unadjusted: Effect,
    mut parts: DesignParts,
    columns: &[Vec<f64>],
) -> Estimated {
    match adjusted(observations, columns, &campaign.adjust, &unadjusted) {
        Ok((effect, fit, first)) => {
            parts.covariates =
                Some(covariate::model(&fit, first, &campaign.adjust, Some(&unadjusted), &effect, campaign.confidence));
            Estimated { effect: Some(effect), parts, obstacles: Vec::new(), draws: None }
        }
        Err(obstacle) => Estimated { effect: Some(unadjusted), parts, obstacles: vec![obstacle], draws: None },
    }
}

fn adjusted(
    observations: &[Observation],
    blocks: &[Vec<f64>],
    names: &[String],
    unadjusted: &Effect,
) -> Result<(Effect, Fit, usize), String> {
    let all: Vec<&Observation> = observations.iter().collect();
    let values = covariate::values(&all, names)?;
    let y: Vec<f64> = observations.iter().map(Observation::log_consumption).collect();
    let mut columns = vec![baseline_column(observations)];
    if blocks.is_empty() {
        columns.push(vec![1.0; y.len()]);
    }
    columns.extend_from_slice(blocks);
    let first = columns.len();
    for k in 0..names.len() {
        let mean = values.iter().map(|row| row[k]).sum::<f64>() / values.len() as f64;
        columns.push(values.iter().map(|row| row[k] - mean).collect());
    }
    let fit = fit(&columns, &y).ok_or_else(|| covariate::not_told_apart(names))?;
    let effect = Effect {
        log_ratio: fit.coefficients[0],
        standard_error: fit.standard_error(0),
        degrees_of_freedom: (fit.degrees_of_freedom > 0).then_some(fit.degrees_of_freedom as f64),
        spread: fit.residual_sd(),
        method: format!("log consumption adjusted for {}, interval by Student's t", names.join(", ")),
        ..unadjusted.clone()
    };
    Ok((effect.without_rounding(), fit, first))
}

/// 1 for baseline runs and 0 for assisted ones: its coefficient is the effect.
pub(super) fn baseline_column(observations: &[Observation]) -> Vec<f64> {
    observations.iter().map(|o| f64::from(u8::from(o.condition == Condition::Baseline))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
    }

    #[test]
    fn one_vehicle_is_compared_by_the_others_spread_and_one_run_is_not() {
        let alone = difference(&[1.0], &[0.5, 0.6, 0.7], Design::Unpaired).expect("runs");
        assert_eq!((alone.standard_error, alone.degrees_of_freedom, alone.interval(0.95)), (None, None, None));
        let e = difference(&[1.0], &[0.5, 0.6, 0.7], Design::BeforeAfter).expect("vehicles");
        close(e.log_ratio, 0.4, 1e-12);
        // s = 0.1, n = 3.
        close(e.standard_error.expect("spread"), 0.1 * (4.0_f64 / 3.0).sqrt(), 1e-12);
        assert_eq!(e.degrees_of_freedom, Some(2.0));
        let both = difference(&[1.0], &[0.5], Design::Unpaired).expect("runs");
        assert_eq!((both.standard_error, both.degrees_of_freedom, both.spread), (None, None, None));
        assert_eq!(difference(&[], &[0.5, 0.6], Design::Unpaired), None);
        let beside_three = difference(&[1.0, 1.1], &[0.5, 0.6, 0.7], Design::Unpaired).expect("runs");
        assert_eq!(beside_three.interval(0.95), None);
        assert!(beside_three.why_no_interval("runs").contains("two runs"), "{}", beside_three.why_no_interval("runs"));
        assert!(difference(&[1.0, 1.1], &[0.5, 0.6], Design::Unpaired).expect("runs").interval(0.95).is_some());
        assert_eq!(difference(&[1.0, 1.0], &[0.5, 0.5], Design::Unpaired).expect("runs").interval(0.95), None);
    }
}
