//! A run's part in the result, and what the result would be without it.

use tallywheel_schemas::{
    Campaign, Condition,
    campaign::Design,
    report::{ExplainedShare, RunResult},
};

use crate::{
    assemble::Comparison,
    effect::{Effect, estimate, mileage_percent},
    in_service,
    observation::Observation,
    observed::observations,
    run::{Admission, RunFacts},
};

/// Which runs count, of the vehicle under test and beside it.
#[derive(Clone)]
struct Counting {
    runs: Vec<Admission>,
    aside: Vec<Admission>,
}

impl Counting {
    fn of(comparison: &Comparison<'_>) -> Self {
        let counted = |runs: &[RunFacts<'_>], results: &[RunResult]| -> Vec<Admission> {
            let used = |run: &RunFacts<'_>| results.iter().any(|r| r.id == run.sheet.run && r.used);
            runs.iter().map(|run| Admission { used: used(run), reason: None }).collect()
        };
        let report = &comparison.report;
        Self { runs: counted(&comparison.runs, &report.runs), aside: counted(&comparison.aside, &report.control_runs) }
    }

    fn at(&mut self, place: usize, beside: bool) -> &mut Admission {
        if beside { &mut self.aside[place] } else { &mut self.runs[place] }
    }

    /// What the runs that count come to; in daily service, what vehicles do.
    fn observations(&self, campaign: &Campaign, comparison: &Comparison<'_>) -> Option<Vec<Observation>> {
        let (runs, aside) = (&comparison.runs, &comparison.aside);
        if campaign.design != Design::BeforeAfter {
            return Some(observations(campaign, runs, &self.runs, aside));
        }
        let both = runs.iter().zip(&self.runs).chain(aside.iter().zip(&self.aside));
        // The same columns were read for the report already.
        in_service::vehicles(campaign, both).ok().map(|(_, observations)| observations)
    }
}

/// The share of the run at `place`, of the vehicle under test or `beside` it; `None` for one that does not count.
pub(super) fn of_run(
    campaign: &Campaign,
    comparison: &Comparison<'_>,
    place: usize,
    beside: bool,
) -> Option<ExplainedShare> {
    let mut counting = Counting::of(comparison);
    if !counting.at(place, beside).used {
        return None;
    }
    let run = if beside { &comparison.aside[place] } else { &comparison.runs[place] };
    let name = &run.sheet.run;
    let pair = campaign.pairs.iter().find(|p| p.baseline == *name || p.assist == *name);
    let pass = campaign.together.iter().find(|t| t.test == *name || t.control == *name);
    let partner = pair.map(|p| if p.baseline == *name { &p.assist } else { &p.baseline });
    let partner = partner.or(pass.map(|t| if t.test == *name { &t.control } else { &t.test }));
    let mut without = counting.clone();
    without.at(place, beside).used = false;
    for (other, admission) in comparison.runs.iter().zip(&mut without.runs) {
        admission.used &= partner.is_none_or(|p| *p != other.sheet.run);
    }
    let all = counting.observations(campaign, comparison)?;
    let result = estimate(campaign, &all).effect?;
    let consumption = |name: &str| comparison.runs.iter().find(|r| r.sheet.run == name)?.l_per_100km();
    Some(ExplainedShare {
        partner: partner.cloned(),
        log_consumption: run.l_per_100km()?.ln(),
        log_ratio: pair.and_then(|p| Some((consumption(&p.baseline)? / consumption(&p.assist)?).ln())),
        weight: weight(campaign, &all, run, &result),
        result_log_ratio: result.log_ratio,
        result_percent: mileage_percent(result.log_ratio),
        without_it_percent: without
            .observations(campaign, comparison)
            .and_then(|left| estimate(campaign, &left).effect)
            .map(|e| mileage_percent(e.log_ratio)),
    })
}

/// How much the result's log ratio moves with the logarithm of the run's consumption, by the design's own estimator; of
/// a pair, with the pair's log ratio. `None` for a drive in daily service, which counts only in its vehicle's sums.
///
/// # Formula
/// A difference quotient. The estimators are linear in the logarithms, so that its step leaves no error but rounding.
fn weight(campaign: &Campaign, all: &[Observation], run: &RunFacts<'_>, result: &Effect) -> Option<f64> {
    const STEP: f64 = 1e-3;
    let mut moved = all.to_vec();
    let assisted = run.sheet.condition == Condition::Assist;
    let fuel = moved.iter_mut().find_map(|o| match &mut o.control {
        Some(control) if control.run == run.sheet.run => Some(&mut control.fuel_ml),
        _ => (o.run == run.sheet.run).then_some(&mut o.fuel_ml),
    })?;
    *fuel *= f64::exp(STEP);
    let sign = if campaign.design == Design::Paired && assisted { -1.0 } else { 1.0 };
    Some(sign * (estimate(campaign, &moved).effect?.log_ratio - result.log_ratio) / STEP)
}
