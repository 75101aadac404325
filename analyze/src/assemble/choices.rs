//! What people's choices do to a result: runs kept or left out by hand, limits other than the defaults.
//!
//! Both are allowed and both could be used to find what pleases. So the reader is told what would stand there without.

use polars::prelude::PolarsResult;
use serde_json::Value;
use tallywheel_schemas::{
    Campaign,
    campaign::{FuelMeasure, Override, Rules},
};

use super::Counted;
use crate::{
    figure::signed,
    fuel_check,
    judgement::{Judgement, Systematic, judge},
    run::RunFacts,
};

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
