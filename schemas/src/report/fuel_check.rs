//! Fuel measured twice: how the measures of a campaign agree.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Interval;
use crate::{campaign::FuelMeasure, run_sheet::Condition};

/// All pairs of fuel measures compared.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FuelCheck {
    /// Measures that the comparison rests on; one, unless the runs have different ones.
    pub rests_on: Vec<FuelMeasure>,
    /// Who decided so, where a person did.
    pub decision: Option<FuelChoice>,
    /// How metered volumes are brought to the reference temperature, by rig.
    pub volume_models: Vec<String>,
    /// Pairs of measures that at least one run has both of.
    pub pairs: Vec<FuelPair>,
    /// What came of it, in sentences.
    pub findings: Vec<String>,
    /// Sentences that withhold the verdict until somebody decides.
    pub obstacles: Vec<String>,
    /// What stands against a verdict, and a person's decision overrules.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub overruled: Vec<String>,
}

/// A person's decision about the measures of fuel.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FuelChoice {
    /// Measure believed.
    pub trust: FuelMeasure,
    /// Why.
    pub reason: String,
    /// Who decided.
    pub by: String,
    /// Day of the decision.
    pub date: String,
}

/// One measure against another.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FuelPair {
    /// The measure that comes first in the order of trust.
    pub first: FuelMeasure,
    /// The other.
    pub second: FuelMeasure,
    /// Runs that have both.
    pub runs: Vec<FuelPairRun>,
    /// Summed mass by the second over summed mass by the first, with the interval of the runs' mean ratio.
    pub ratio: Option<Interval>,
    /// Line through the runs' masses, second against first.
    pub line: Option<FuelLine>,
    /// The ratio in either condition.
    pub conditions: Option<FuelConditions>,
    /// Change of the ratio over the campaign.
    pub drift: Option<FuelDrift>,
    /// Uncertainties that nobody stated and common practice stands in for.
    pub assumed: Vec<String>,
}

/// How two measures of one run agree.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Agreement {
    /// Within twice the combined standard uncertainty.
    Agrees,
    /// Beyond twice, within three times.
    Differs,
    /// Beyond three times.
    Grossly,
}

/// Two measures of one run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FuelPairRun {
    /// Run.
    pub run: String,
    /// Assist on or off.
    pub condition: Condition,
    /// Whether the run counts.
    pub used: bool,
    /// Time that both cover.
    pub covered_s: f64,
    /// Mass by the first measure in that time.
    pub first_g: f64,
    /// Mass by the second.
    pub second_g: f64,
    /// Second over first minus one.
    pub difference_percent: f64,
    /// Combined standard uncertainty of the difference, with the scatter from run to run.
    pub standard_uncertainty_percent: f64,
    /// What follows.
    pub agreement: Agreement,
}

/// A line through two measures that both have errors.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FuelLine {
    /// Method in words.
    pub method: String,
    /// Slope.
    pub slope: Interval,
    /// Mass by the second measure where the first shows none.
    pub offset_g: Interval,
}

/// The ratio of two measures in both conditions: what would pass for an effect of the assist.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FuelConditions {
    /// Runs without and with assist.
    pub runs: (u32, u32),
    /// Mean ratio without assist.
    pub baseline: f64,
    /// Mean ratio with assist.
    pub assist: f64,
    /// Assist over baseline minus one: by so much the improvement differs between the two measures.
    pub difference_percent: f64,
    /// Standard uncertainty of the difference: scatter of the runs and what of the calibrations does not cancel. `null`
    /// where the runs show no scatter.
    pub standard_uncertainty_percent: Option<f64>,
    /// Effective degrees of freedom; `null` for infinitely many.
    pub degrees_of_freedom: Option<f64>,
    /// Largest difference that is still taken for chance, at 99 %.
    pub limit_percent: Option<f64>,
    /// Whether it is beyond that; `null` where it cannot be said.
    pub beyond: Option<bool>,
}

/// Change of the ratio of two measures over the campaign, the difference between the conditions taken out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FuelDrift {
    /// Change from run to run in the order of driving, %.
    pub percent_per_run: Interval,
    /// Change per day, %; `null` where all runs start on one day.
    pub percent_per_day: Option<Interval>,
    /// Whether the interval per run leaves out zero; `null` without an interval.
    pub beyond: Option<bool>,
}
