//! What people's choices do to a result: runs kept or left out by hand, limits other than the defaults, less confidence
//! than usual.
//!
//! All are allowed and all could be used to find what pleases. So the reader is told what would stand there without.

use polars::prelude::PolarsResult;
use serde_json::Value;
use tallywheel_schemas::{
    Campaign,
    campaign::{FuelMeasure, Override, Rules},
    report::{Decision, Interval, Report},
};

use super::Counted;
use crate::{
    answer::interval,
    figure::{self, signed},
    fuel_check,
    judgement::{Judgement, Systematic, judge},
    observation::Observation,
    run::RunFacts,
};

/// Confidence of a campaign that states none.
const USUAL_CONFIDENCE: f64 = 0.95;

/// The improvement without the overrides; `None` when there are none.
///
/// # Errors
/// When a ledger's frame lacks its columns.
pub(super) fn without_overrides(
    campaign: &Campaign,
    runs: &[RunFacts<'_>],
    aside: &[RunFacts<'_>],
    systematic: &Systematic,
) -> PolarsResult<Option<String>> {
    if campaign.overrides.is_empty() {
        return Ok(None);
    }
    let plain = Campaign { overrides: Vec::new(), ..campaign.clone() };
    let counted = Counted::of(&plain, runs, aside)?;
    let would = would_be(judge(&plain, &counted.observations, systematic, Vec::new()));
    let names = |o: &Override| o.run.clone();
    let names = campaign.overrides.iter().map(names).collect::<Vec<_>>().join(", ");
    Ok(Some(format!("without what people decided on run {names}, {would}")))
}

/// The improvement by the measures of fuel that disagree with the one that a person trusts, one sentence each.
///
/// # Errors
/// When a ledger's frame lacks its columns.
pub(super) fn by_other_fuel(
    campaign: &Campaign,
    runs: &[RunFacts<'_>],
    aside: &[RunFacts<'_>],
    systematic: &Systematic,
    others: &[FuelMeasure],
) -> PolarsResult<Vec<String>> {
    let mut said = Vec::new();
    for other in others {
        let runs = runs.iter().cloned().map(|r| r.resting_on(*other)).collect::<PolarsResult<Vec<_>>>()?;
        let counted = Counted::of(campaign, &runs, aside)?;
        let would = would_be(judge(campaign, &counted.observations, systematic, Vec::new()));
        said.push(format!("by {}, {would}", fuel_check::name(*other)));
    }
    Ok(said)
}

fn would_be(judgement: Judgement) -> String {
    match judgement.effect.map(|e| e.mileage_percent(judgement.interval)) {
        None => "there would be no usable run in at least one condition".to_owned(),
        Some(gain) => {
            let interval = gain.low.zip(gain.high);
            let interval = interval.map_or(" without an interval".to_owned(), |(low, high)| {
                format!(" ({} to {} %)", signed(low, 1), signed(high, 1))
            });
            format!("the improvement would be {} %{interval}", signed(gain.estimate, 1))
        }
    }
}

/// What the usual confidence would give, of a campaign that asks for less; `obstacles` are those of its verdict.
pub(super) fn with_usual_confidence(
    campaign: &Campaign,
    observations: &[Observation],
    systematic: &Systematic,
    obstacles: &[String],
) -> Option<String> {
    if campaign.confidence >= USUAL_CONFIDENCE {
        return None;
    }
    let usual = Campaign { confidence: USUAL_CONFIDENCE, ..campaign.clone() };
    let judgement = judge(&usual, observations, systematic, obstacles.to_vec());
    let gain = judgement.effect.as_ref().map(|e| e.mileage_percent(judgement.interval));
    Some(format!(
        "the campaign asks for {} % confidence only; with {} % {}",
        figure::confidence(campaign.confidence),
        figure::confidence(USUAL_CONFIDENCE),
        decided(judgement.verdict.decision, &judgement.verdict.reasons, gain.as_ref(), USUAL_CONFIDENCE)
    ))
}

/// What a report says, in half a sentence.
pub(super) fn outcome(report: &Report) -> String {
    let improvement = &report.improvement;
    let gain = improvement.mileage_percent.as_ref();
    decided(report.verdict.decision, &report.verdict.reasons, gain, improvement.confidence)
}

fn decided(decision: Decision, reasons: &[String], gain: Option<&Interval>, confidence: f64) -> String {
    let verdict = match decision {
        Decision::Supported => "the claim would be supported".to_owned(),
        Decision::NotSupported => "the claim would not be supported".to_owned(),
        Decision::Undecided => "the claim would not be decided".to_owned(),
        Decision::Withheld => {
            // Where a verdict is withheld the first reason is an obstacle; its numbers are not needed.
            let obstacle = reasons.first().and_then(|r| r.split([':', ';']).next()).unwrap_or_default();
            format!("no verdict would be given ({obstacle})")
        }
    };
    match gain {
        Some(gain) => {
            format!("{verdict}: mileage changed by {} %{}", signed(gain.estimate, 1), interval(gain, confidence))
        }
        None => verdict,
    }
}

/// Limits other than the defaults, each with the default; `None` when there are none.
pub(super) fn changed_limits(rules: &Rules) -> Option<String> {
    let object = |rules: &Rules| match serde_json::to_value(rules) {
        Ok(Value::Object(fields)) => fields,
        _ => serde_json::Map::new(),
    };
    let default = object(&Rules::default());
    let changed = object(rules).into_iter().filter(|(key, value)| default.get(key) != Some(value));
    let said: Vec<String> = changed
        .map(|(key, value)| format!("{key} = {value} ({})", default.get(&key).unwrap_or(&Value::Null)))
        .collect();
    (!said.is_empty()).then(|| format!("limits other than the defaults, which stand in brackets: {}", said.join(", ")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_that_were_moved_are_told() {
        assert_eq!(changed_limits(&Rules::default()), None);
        let rules = Rules { max_ambient_difference_k: 100.0, ..Rules::default() };
        let said = changed_limits(&rules).expect("one");
        assert_eq!(
            said,
            "limits other than the defaults, which stand in brackets: max_ambient_difference_k = 100.0 (5.0)"
        );
    }
}
