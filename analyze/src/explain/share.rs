//! A run's part in the result, and what the result would be without it.

use tallywheel_schemas::{Campaign, Condition, campaign::Design, report::ExplainedShare};

use crate::{
    assemble::Comparison,
    effect::{Effect, estimate, mileage_percent},
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
    let effect =
        |admitted: &[Admission]| estimate(campaign, &observations(campaign, runs, admitted, &comparison.aside)).effect;
    let result = effect(&admitted)?;
    let consumption = |name: &str| runs.iter().find(|r| r.sheet.run == name).and_then(RunFacts::l_per_100km);
    Some(ExplainedShare {
        partner: partner.cloned(),
        log_consumption: run.l_per_100km()?.ln(),
        log_ratio: pair.and_then(|p| Some((consumption(&p.baseline)? / consumption(&p.assist)?).ln())),
        weight: weight(campaign, runs, &admitted, run, &result),
        result_log_ratio: result.log_ratio,
        result_percent: mileage_percent(result.log_ratio),
        without_it_percent: effect(&without).map(|e| mileage_percent(e.log_ratio)),
    })
}

/// One over the number of pairs; without pairs, one over the number of runs of the condition, negative with assist.
fn weight(
    campaign: &Campaign,
    runs: &[RunFacts<'_>],
    admitted: &[Admission],
    run: &RunFacts<'_>,
    result: &Effect,
) -> f64 {
    if campaign.design == Design::Paired {
        return 1.0 / result.units_used as f64;
    }
    let same = |(r, a): &(&RunFacts<'_>, &Admission)| a.used && r.sheet.condition == run.sheet.condition;
    let share = 1.0 / runs.iter().zip(admitted).filter(same).count().max(1) as f64;
    if run.sheet.condition == Condition::Baseline { share } else { -share }
}
