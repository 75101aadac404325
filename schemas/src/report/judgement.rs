//! What a decision rests on: looks, intervals by origin, cross-checks, and the parts of each design.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Interval;
use crate::run_sheet::Condition;

/// The look that a decision was taken at.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Look {
    /// Which look, counted from 1; 0 before the first.
    pub number: u32,
    /// Looks planned. One is taken for granted without a plan.
    pub of: u32,
    /// Whether the campaign has a plan.
    pub planned: bool,
    /// Units that this look rests on: the first so many in the order of driving.
    pub units_looked_at: u32,
    /// Units that are there.
    pub units_used: u32,
    /// What a unit is.
    pub unit: String,
    /// Probability of a wrong decision that the whole campaign is allowed: 1 minus its confidence.
    pub error_allowed: f64,
    /// How much of it is spent up to this look.
    pub error_spent: f64,
    /// Confidence of the interval that decides at this look.
    pub confidence: Option<f64>,
    /// That interval, as improvement of mileage, %.
    pub mileage_percent: Option<Interval>,
    /// Count of the next look.
    pub next: Option<u32>,
}

/// Another method on the same runs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CrossCheck {
    /// Method in words.
    pub method: String,
    /// Improvement of mileage by that method, %, with the interval from the run-to-run spread.
    pub mileage_percent: Option<Interval>,
    /// Largest distance between this interval's ends and those that it checks, as a share of the width.
    pub apart: Option<f64>,
    /// Whether it agrees with the interval from the run-to-run spread; `null` when that cannot be said.
    pub agrees: Option<bool>,
    /// The rule, or why nothing can be said.
    pub note: String,
    /// Seed of random draws.
    pub seed: Option<u64>,
    /// Number of random draws.
    pub resamples: Option<u32>,
}

/// What belongs to one design only.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct DesignParts {
    /// Change of consumption per place in the order of driving that was taken out, %.
    pub drift_percent_per_run: Option<Interval>,
    /// Blocks.
    pub blocks: Vec<BlockResult>,
    /// Whether the effect differs from block to block.
    pub interaction: Option<Interaction>,
    /// Segments of a design with a control vehicle.
    pub segments: Vec<SegmentResult>,
    /// Vehicles before and after.
    pub vehicles: Vec<VehicleResult>,
    /// Covariates that consumption is adjusted for.
    pub covariates: Option<CovariateModel>,
    /// What a reader should know of the method, in sentences.
    pub notes: Vec<String>,
}

/// One block.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BlockResult {
    /// Name.
    pub name: String,
    /// Baseline runs used.
    pub baseline_runs: u32,
    /// Assisted runs used.
    pub assist_runs: u32,
    /// Improvement of mileage in this block, %.
    pub mileage_percent: Option<f64>,
}

/// F test of whether the effect differs from block to block.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Interaction {
    /// Test statistic.
    pub f: f64,
    /// Degrees of freedom of the differences between blocks.
    pub degrees_of_freedom_between: f64,
    /// Degrees of freedom inside blocks and conditions.
    pub degrees_of_freedom_within: f64,
    /// Probability of such an F without any difference.
    pub p: f64,
    /// Below this the blocks are taken as a sample of routes or drivers.
    pub limit: f64,
    /// The interval is that of a sample of blocks.
    pub blocks_as_sample: bool,
}

/// Ratios of one segment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SegmentResult {
    /// Assist of the test vehicle.
    pub segment: Condition,
    /// Passes in the order of driving.
    pub passes: Vec<PassResult>,
    /// Mean of the ratios of test to control consumption.
    pub mean_ratio: Option<f64>,
    /// `(max − min) / max` of the ratios inside the band.
    pub band: Option<f64>,
    /// Largest allowed.
    pub band_limit: f64,
    /// Three ratios at least lie inside the band.
    pub valid: bool,
    /// Test runs whose ratio lies outside, to be driven again.
    pub to_repeat: Vec<String>,
}

/// One pass of test and control vehicle together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PassResult {
    /// Run of the vehicle under test.
    pub test: String,
    /// Run of the control vehicle.
    pub control: String,
    /// Test over control consumption.
    pub ratio: f64,
    /// Inside the band.
    pub in_band: bool,
}

/// One vehicle before and after.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct VehicleResult {
    /// Name.
    pub name: String,
    /// First day with the kit; `null` for a vehicle that never got one.
    pub installed: Option<String>,
    /// Distance before.
    pub before_km: f64,
    /// Distance after.
    pub after_km: f64,
    /// Consumption before, as driven.
    pub before_l_per_100km: Option<f64>,
    /// Consumption after, as driven.
    pub after_l_per_100km: Option<f64>,
    /// Consumption before at the distances by speed of both times together.
    pub before_standardised_l_per_100km: Option<f64>,
    /// Consumption after at the same.
    pub after_standardised_l_per_100km: Option<f64>,
    /// Share of the distance in classes of speed that were driven both before and after.
    pub distance_share: Option<f64>,
    /// Improvement of mileage from the standardised consumptions, %.
    pub mileage_percent: Option<f64>,
    /// Why the vehicle does not count, or what a reader should know.
    pub note: Option<String>,
}

/// Adjustment by named covariates.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CovariateModel {
    /// The model in words.
    pub model: String,
    /// Slopes.
    pub slopes: Vec<Slope>,
    /// Improvement of mileage without the adjustment, %, with the interval from the run-to-run spread.
    pub unadjusted_percent: Option<Interval>,
    /// With it.
    pub adjusted_percent: Option<Interval>,
}

/// Slope of one covariate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Slope {
    /// Name of the covariate.
    pub covariate: String,
    /// Change of consumption for one unit of it, %.
    pub percent_per_unit: Interval,
}
