//! Whether the runs were driven alike, as data.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A circumstance of testing compared between baseline and assist.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Comparability {
    /// What is compared.
    pub quantity: String,
    /// Unit of the means and differences.
    pub unit: String,
    /// Mean of the baseline runs used; `null` unless it is known for every one of them.
    pub baseline: Option<f64>,
    /// Mean of the assisted runs used; `null` unless it is known for every one of them.
    pub assist: Option<f64>,
    /// Difference between the conditions as a whole, in the unit of the means; `null` where it is compared inside
    /// blocks only.
    pub difference: Option<f64>,
    /// Largest difference inside a pair or block, in the unit of the means; `null` without any.
    pub largest_in_a_pair: Option<f64>,
    /// Name of that pair or block.
    pub worst_pair: Option<String>,
    /// Largest difference allowed, in `limit_unit`.
    pub limit: f64,
    /// Largest difference allowed inside a pair or block, in `limit_unit`.
    pub pair_limit: f64,
    /// Unit of the limits: that of the means or of their difference, or `share` of the baseline mean.
    pub limit_unit: String,
    /// Where the limit comes from.
    pub limit_source: String,
    /// Inside the limit; `null` when it is not known in both conditions.
    pub alike: Option<bool>,
    /// What was done about it.
    pub treatment: Treatment,
    /// What a reader should know: who exceeds, in whom it is not known, who was left out.
    pub details: Vec<String>,
}

/// What is done about a circumstance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Treatment {
    /// Nothing: inside the limit.
    Alike,
    /// Runs that broke the limit are left out; the rest are alike.
    Excluded,
    /// It differs, and the verdict is withheld for it.
    Withheld,
    /// Consumption is adjusted for it.
    Adjusted,
    /// Consumption is compared at the same speeds, so that it does not count.
    Standardised,
    /// It is not known in every run.
    NotKnown,
}

/// How the runs were driven.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Likeness {
    /// Runs in campaign order.
    pub runs: Vec<DrivenRun>,
    /// Width of the classes of speed in the histograms.
    pub class_km_h: f64,
    /// Share of time by class of speed, baseline runs used together, from 0 km/h on.
    pub baseline_time_share: Vec<f64>,
    /// The same of the assisted runs used.
    pub assist_time_share: Vec<f64>,
    /// Consumption of both conditions at one mixture of speeds, as data that were never paired would be compared.
    pub standardised: Option<StandardisedSpeeds>,
}

/// How one run was driven.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DrivenRun {
    /// Name on the run sheet.
    pub id: String,
    /// Driver on the run sheet.
    pub driver: Option<String>,
    /// Mean speed while moving.
    pub speed_moving_km_h: Option<f64>,
    /// Stops over distance.
    pub stops_per_km: Option<f64>,
    /// Relative positive acceleration.
    pub rpa_m_s2: Option<f64>,
    /// 95th percentile of speed times positive acceleration.
    pub va95_m2_s3: Option<f64>,
    /// Coolant temperature at the start.
    pub coolant_start_c: Option<f64>,
    /// Cold tyre pressure on the run sheet.
    pub tyre_pressure_kpa: Option<f64>,
    /// The satellite track against that of the reference run.
    pub route: Option<RouteMatch>,
}

/// A run's satellite track against another's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RouteMatch {
    /// The other run.
    pub reference: String,
    /// Length of the track as far as there are fixes.
    pub track_km: f64,
    /// Share of the distance driven that has fixes.
    pub coverage: f64,
    /// Share of this track that lies on the other, driven in the same direction.
    pub on_reference: f64,
    /// Share of the other track that lies on this one.
    pub reference_on_it: f64,
    /// Length of this track over that of the other, both with what was driven without fixes.
    pub length_ratio: f64,
    /// Share of the way by which they part: the larger of the two shares that lie apart, less what a want of fixes
    /// explains.
    pub departure: f64,
}

/// Consumption of both conditions brought to their pooled distribution of distance by class of speed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StandardisedSpeeds {
    /// Baseline at the pooled distribution.
    pub baseline_l_per_100km: f64,
    /// Assist at the pooled distribution.
    pub assist_l_per_100km: f64,
    /// Improvement of mileage that follows, %. Descriptive.
    pub mileage_percent: f64,
    /// The same from the classes as they were driven, %.
    pub as_driven_percent: f64,
    /// Share of the distance in classes that both conditions have.
    pub distance_share: f64,
    /// Share of the fuel in those classes.
    pub fuel_share: f64,
    /// Width of a class.
    pub class_km_h: f64,
    /// What this cannot say.
    pub caution: String,
}
