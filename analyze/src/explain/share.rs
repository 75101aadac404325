//! A run's part in the result, and what the result would be without it.

use tallywheel_schemas::{Campaign, Condition, campaign::Design, report::ExplainedShare};

use crate::{
    assemble::Comparison,
    effect::{Effect, estimate, mileage_percent},
    in_service,
    observation::Observation,
    observed::observations,
    run::{Admission, RunFacts},
};

/// The share of the run at `place`; `None` for one that does not count.
pub(super) fn of_run(campaign: &Campaign, comparison: &Comparison<'_>, place: usize) -> Option<ExplainedShare> {
    let runs = &comparison.runs;
    let used = |run: &RunFacts<'_>| comparison.report.runs.iter().any(|r| r.id == run.sheet.run && r.used);
    let admitted: Vec<Admission> = runs.iter().map(|r| Admission { used: used(r), reason: None }).collect();
    if !admitted[place].used {
        return None;
    }
    let run = &runs[place];
    let pair = campaign.pairs.iter().find(|p| p.baseline == run.sheet.run || p.assist == run.sheet.run);
    let partner = pair.map(|p| if p.baseline == run.sheet.run { &p.assist } else { &p.baseline });
    let mut without = admitted.clone();
    for (i, other) in runs.iter().enumerate() {
        let goes = i == place || partner.is_some_and(|p| *p == other.sheet.run);
        without[i].used &= !goes;
    }
    let found = |admitted: &[Admission]| observations_of(campaign, comparison, admitted);
    let all = found(&admitted)?;
    let result = estimate(campaign, &all).effect?;
    let consumption = |name: &str| runs.iter().find(|r| r.sheet.run == name).and_then(RunFacts::l_per_100km);
    Some(ExplainedShare {
        partner: partner.cloned(),
        log_consumption: run.l_per_100km()?.ln(),
        log_ratio: pair.and_then(|p| Some((consumption(&p.baseline)? / consumption(&p.assist)?).ln())),
        weight: weight(campaign, &all, run, &result),
        result_log_ratio: result.log_ratio,
        result_percent: mileage_percent(result.log_ratio),
        without_it_percent: found(&without)
            .and_then(|left| estimate(campaign, &left).effect)
            .map(|e| mileage_percent(e.log_ratio)),
    })
}

/// What runs come to; in daily service, what vehicles do.
fn observations_of(
    campaign: &Campaign,
    comparison: &Comparison<'_>,
    admitted: &[Admission],
) -> Option<Vec<Observation>> {
    let (runs, aside) = (&comparison.runs, &comparison.aside);
    if campaign.design != Design::BeforeAfter {
        return Some(observations(campaign, runs, admitted, aside));
    }
    let counted = |run: &RunFacts<'_>| {
        let used = comparison.report.control_runs.iter().any(|r| r.id == run.sheet.run && r.used);
        Admission { used, reason: None }
    };
    let aside_admitted: Vec<Admission> = aside.iter().map(counted).collect();
    let both = runs.iter().zip(admitted).chain(aside.iter().zip(&aside_admitted));
    // The same columns were read for the report already.
    in_service::vehicles(campaign, both).ok().map(|(_, observations)| observations)
}

/// How much the result's log ratio moves with the logarithm of the run's consumption, by the design's own estimator; of
/// a pair, with the pair's log ratio. `None` for a drive in daily service, which counts only in its vehicle's sums.
///
/// # Formula
/// A difference quotient. The estimators are linear in the logarithms, so that its step leaves no error but rounding.
fn weight(campaign: &Campaign, all: &[Observation], run: &RunFacts<'_>, result: &Effect) -> Option<f64> {
    const STEP: f64 = 1e-3;
    let mut moved = all.to_vec();
    let own = moved.iter_mut().find(|o| o.run == run.sheet.run)?;
    own.fuel_ml *= f64::exp(STEP);
    let sign = if campaign.design == Design::Paired && own.condition == Condition::Assist { -1.0 } else { 1.0 };
    Some(sign * (estimate(campaign, &moved).effect?.log_ratio - result.log_ratio) / STEP)
}
