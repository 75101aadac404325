//! Fuel measured twice: weighed, metered, reported and from air mass, compared per run and over a campaign.
//!
//! Takes the runs of a campaign. Gives a [`FuelCheck`] for the report: for every pair of measures that runs have, the
//! masses over the time that both cover, a line through them, the ratio in either condition and its drift. What differs
//! between the conditions beyond its uncertainty would pass for an effect of the assist, so it withholds the verdict
//! until a person decides which measure is believed; so does a gross disagreement in any run that counts.

mod agree;
mod deming;
mod measure;
mod words;

pub use agree::{ALARM, CONFIDENCE, Point, conditions, drift, ratio, scatter};
pub use deming::{Line, deming, deming_with_intervals};
pub(crate) use measure::bins_by;
pub use measure::{MEASURES, Measured, fuel_ml, measured, of_source, weighed_g};
pub(crate) use words::name;

use std::collections::BTreeSet;

use polars::prelude::PolarsResult;
use tallywheel_schemas::{
    Condition, RunSheet,
    campaign::{Campaign, FuelMeasure},
    report::{Agreement, FuelCheck, FuelChoice, FuelLine, FuelPair, FuelPairRun},
};

use crate::{
    budget::{
        Input, combine,
        terms::{Term, difference, mass_terms, mean, uncovered},
    },
    run::{Admission, RunFacts},
};

/// Standard uncertainties beyond which two measures of a run differ, and beyond which they differ grossly.
const DIFFERS: f64 = 2.0;
const GROSSLY: f64 = 3.0;

/// Lets every run rest on the measure that a person trusts, where the campaign has such a decision.
///
/// # Errors
/// When a run's frame is no ledger.
pub fn settled<'a>(campaign: &Campaign, runs: Vec<RunFacts<'a>>) -> PolarsResult<Vec<RunFacts<'a>>> {
    match &campaign.fuel_decision {
        Some(decision) => runs.into_iter().map(|run| run.resting_on(decision.trust)).collect(),
        None => Ok(runs),
    }
}

/// Lets the runs of the control vehicle, or of vehicles without kit, rest on the trusted measure where every one of them
/// has it. Where not, each vehicle goes on by its own measure, which both conditions share.
///
/// # Errors
/// When a run's frame is no ledger.
pub fn settled_aside<'a>(campaign: &Campaign, aside: Vec<RunFacts<'a>>) -> PolarsResult<Vec<RunFacts<'a>>> {
    let Some(decision) = &campaign.fuel_decision else { return Ok(aside) };
    for run in &aside {
        if measured(run, decision.trust)?.is_none() {
            return Ok(aside);
        }
    }
    settled(campaign, aside)
}

/// What withholds the verdict in the fuel of the control vehicle, or of vehicles without kit: a meter that slips there
/// while the vehicle under test has its assist on passes for an effect as well.
///
/// # Errors
/// When a run's frame is no ledger.
pub fn obstacles_aside(
    campaign: &Campaign,
    aside: &[RunFacts<'_>],
    admitted: &[Admission],
) -> PolarsResult<Vec<String>> {
    // A control run's sheet says that its own assist was off; what counts is the segment that it was driven in.
    let sheet = |run: &RunFacts<'_>| {
        let pass = campaign.together.iter().find(|t| t.control == run.sheet.run);
        RunSheet { condition: pass.map_or(run.sheet.condition, |t| t.segment), ..run.sheet.clone() }
    };
    let sheets: Vec<RunSheet> = aside.iter().map(sheet).collect();
    let runs: Vec<RunFacts<'_>> =
        aside.iter().zip(&sheets).map(|(run, sheet)| RunFacts { sheet, ..run.clone() }).collect();
    let found = check(campaign, &runs, admitted)?.obstacles;
    let whose = campaign.control_vehicle.as_deref().unwrap_or("the vehicles without kit");
    Ok(found.into_iter().map(|obstacle| format!("of {whose}: {obstacle}")).collect())
}

/// Compares the measures.
///
/// # Errors
/// When a run's frame is no ledger.
pub fn check(campaign: &Campaign, runs: &[RunFacts<'_>], admitted: &[Admission]) -> PolarsResult<FuelCheck> {
    let counted: Vec<(&RunFacts<'_>, bool)> = runs.iter().zip(admitted).map(|(r, a)| (r, a.used)).collect();
    let mut pairs = Vec::new();
    for (i, first) in MEASURES.into_iter().enumerate() {
        for second in MEASURES.into_iter().skip(i + 1) {
            pairs.extend(pair(&counted, first, second)?);
        }
    }
    let rests_on: BTreeSet<FuelMeasure> =
        counted.iter().filter(|(_, used)| *used).filter_map(|(r, _)| r.fuel_measure).collect();
    let models: BTreeSet<String> = runs.iter().map(|r| r.ledger.session.rig.fuel.expansion_model()).collect();
    let mut check = FuelCheck {
        rests_on: rests_on.into_iter().collect(),
        decision: campaign.fuel_decision.as_ref().map(|d| FuelChoice {
            trust: d.trust,
            reason: d.reason.clone(),
            by: d.by.clone(),
            date: d.date.clone(),
        }),
        volume_models: models.into_iter().collect(),
        findings: Vec::new(),
        obstacles: Vec::new(),
        overruled: Vec::new(),
        pairs,
    };
    check.findings = words::findings(&check);
    let against = words::obstacles(&check);
    match check.decision {
        None => check.obstacles = against.iter().map(|what| format!("{what}; {}", words::WAY_OUT)).collect(),
        Some(_) => check.overruled = against,
    }
    Ok(check)
}

/// The decision on fuel in sentences for the verdict's reasons, where there is one: with what it overrules, and whether
/// it was made before the last of the runs that count was driven.
pub fn decided(check: &FuelCheck, runs: &[RunFacts<'_>], admitted: &[Admission]) -> Vec<String> {
    let Some(decision) = &check.decision else { return Vec::new() };
    let counted = runs.iter().zip(admitted).filter(|(_, a)| a.used);
    let last = counted.map(|(r, _)| r.ledger.session.manifest.start_us.date()).max();
    let early = last.filter(|last| decision.date < *last).map(|last| {
        format!("the decision on fuel is dated {}, before the last of the runs was driven on {last}", decision.date)
    });
    let against = check.overruled.iter().map(|what| format!("against the decision on fuel stands that {what}"));
    [words::decision(decision)].into_iter().chain(early).chain(against).collect()
}

/// The measures that were compared with the one that a person trusts and disagree with it.
pub fn overruled_measures(check: &FuelCheck) -> Vec<FuelMeasure> {
    let Some(decision) = check.decision.as_ref().filter(|_| !check.overruled.is_empty()) else { return Vec::new() };
    let other = |p: &FuelPair| match decision.trust {
        trust if trust == p.first => Some(p.second),
        trust if trust == p.second => Some(p.first),
        _ => None,
    };
    check.pairs.iter().filter_map(other).collect()
}

/// A run with both measures.
struct Both<'r, 'a> {
    run: &'r RunFacts<'a>,
    used: bool,
    first: Measured,
    second: Measured,
    /// Terms of the logarithm of the second over the first.
    terms: Vec<Term>,
}

impl Both<'_, '_> {
    fn log_ratio(&self) -> f64 {
        (self.second.mass_g / self.first.mass_g).ln()
    }

    /// Standard uncertainty of the log ratio from calibrations.
    fn uncertainty(&self) -> f64 {
        let inputs: Vec<Input> = self.terms.iter().map(Term::input).collect();
        combine(&inputs, &[]).standard_uncertainty
    }
}

/// Everything about one pair of measures; `None` when no run has both.
fn pair(runs: &[(&RunFacts<'_>, bool)], first: FuelMeasure, second: FuelMeasure) -> PolarsResult<Option<FuelPair>> {
    let mut both = Vec::new();
    for (run, used) in runs {
        let Some((a, b)) = measure::both(run, first, second)? else { continue };
        let mut terms = difference(mass_terms(run, second)?, mass_terms(run, first)?);
        let missing = 1.0 - (a.covered_s / run.recorded_s()).min(1.0);
        if first == FuelMeasure::Weighed && missing > 0.0 {
            terms.push(uncovered(run, missing));
        }
        both.push(Both { run, used: *used, first: a, second: b, terms });
    }
    if both.is_empty() {
        return Ok(None);
    }
    let start = both.iter().map(|b| b.run.ledger.session.manifest.start_us.as_us()).min().unwrap_or_default();
    let counted: Vec<&Both<'_, '_>> = both.iter().filter(|b| b.used).collect();
    let point = |b: &&Both<'_, '_>| Point {
        condition: b.run.sheet.condition,
        day: (b.run.ledger.session.manifest.start_us.as_us() - start) as f64 / 86_400e6,
        log_ratio: b.log_ratio(),
    };
    let points: Vec<Point> = counted.iter().map(point).collect();
    let scatter = scatter(&points).unwrap_or(0.0);
    let sum = |of: fn(&Both<'_, '_>) -> f64| counted.iter().map(|b| of(b)).sum::<f64>();
    Ok(Some(FuelPair {
        first,
        second,
        ratio: (!counted.is_empty()).then(|| ratio(sum(|b| b.first.mass_g), sum(|b| b.second.mass_g), &points)),
        line: line(&counted),
        conditions: conditions(&points, &left_between_conditions(&counted)),
        drift: drift(&points),
        assumed: assumed(&both),
        runs: both.iter().map(|b| compared(b, scatter)).collect(),
    }))
}

fn compared(both: &Both<'_, '_>, scatter: f64) -> FuelPairRun {
    let (log, u) = (both.log_ratio(), both.uncertainty().hypot(scatter));
    FuelPairRun {
        run: both.run.sheet.run.clone(),
        condition: both.run.sheet.condition,
        used: both.used,
        covered_s: both.first.covered_s,
        first_g: both.first.mass_g,
        second_g: both.second.mass_g,
        difference_percent: log.exp_m1() * 100.0,
        standard_uncertainty_percent: u * 100.0,
        agreement: match log.abs() {
            off if off <= DIFFERS * u => Agreement::Agrees,
            off if off <= GROSSLY * u => Agreement::Differs,
            _ => Agreement::Grossly,
        },
    }
}

/// The line through the runs' masses. Both measures are taken to scatter by the same share, so that the error variances
/// are as the squares of the masses.
fn line(both: &[&Both<'_, '_>]) -> Option<FuelLine> {
    let points: Vec<(f64, f64)> = both.iter().map(|b| (b.first.mass_g, b.second.mass_g)).collect();
    let (x, y) = points.iter().fold((0.0, 0.0), |(x, y), p| (x + p.0, y + p.1));
    let (slope, offset_g) = deming_with_intervals(&points, (y / x).powi(2), CONFIDENCE)?;
    let method =
        "Deming's line, error variances as the squares of the mean masses, intervals by the jackknife (Linnet 1993)";
    Some(FuelLine { method: method.to_owned(), slope, offset_g })
}

/// What of the calibrations does not cancel in the difference of the conditions' mean log ratios. What scatters from run
/// to run is in their scatter.
fn left_between_conditions(both: &[&Both<'_, '_>]) -> Vec<Input> {
    let of = |condition| {
        let terms = both.iter().filter(|b| b.run.sheet.condition == condition).map(|b| b.terms.clone());
        mean(terms.collect())
    };
    let left = difference(of(Condition::Assist), of(Condition::Baseline));
    left.iter().filter(|t| !t.scatters).map(Term::input).collect()
}

fn assumed(both: &[Both<'_, '_>]) -> Vec<String> {
    let mut found: Vec<String> = Vec::new();
    for term in both.iter().flat_map(|b| &b.terms).filter(|t| t.assumed) {
        let text = format!("{}: {}", term.quantity, term.source);
        if !found.contains(&text) {
            found.push(text);
        }
    }
    found
}

#[cfg(test)]
pub(crate) mod tests;
