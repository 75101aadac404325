//! One run walked from its samples to its number and to its weight in the result.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{FuelChoice, PersonDecision};
use crate::{campaign::FuelMeasure, run_sheet::Condition};

/// Version of the explanation's format.
///
/// 1: first version.
pub const EXPLANATION_VERSION: u32 = 1;

/// How one run came to its number.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Explanation {
    /// [`EXPLANATION_VERSION`].
    pub schema: u32,
    /// Program and version.
    pub software: String,
    /// Title of the campaign.
    pub campaign: String,
    /// Run.
    pub run: String,
    /// Assist on or off.
    pub condition: Condition,
    /// Whether it counts.
    pub used: bool,
    /// Why not, or who overruled what.
    pub reason: Option<String>,
    /// The recording.
    pub session: ExplainedSession,
    /// The channels that its distance and fuel come from.
    pub channels: Vec<ExplainedChannel>,
    /// The ledger's rows.
    pub bins: ExplainedBins,
    /// Distance.
    pub distance: ExplainedDistance,
    /// Fuel.
    pub fuel: ExplainedFuel,
    /// Consumption, `100 · fuel_ml / distance_m`, L/100 km.
    pub l_per_100km: Option<f64>,
    /// The same as mileage.
    pub mpg_us: Option<f64>,
    /// Rules applied.
    pub rules: Vec<ExplainedRule>,
    /// Its part in the result; `null` for a run that does not count.
    pub share: Option<ExplainedShare>,
}

/// The recording of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ExplainedSession {
    /// Session.
    pub session: String,
    /// Vehicle.
    pub vehicle: String,
    /// First stamp, UTC.
    pub start: String,
    /// Last stamp, UTC.
    pub end: String,
    /// `recorded`, `recovered` or `imported`.
    pub origin: String,
    /// Program that sealed it.
    pub software: String,
    /// Where time stamps come from.
    pub clock: String,
    /// Hash of rig and tables together.
    pub content_blake3: String,
    /// Hash of the manifest; `null` when it can no longer be read.
    pub manifest_blake3: Option<String>,
    /// Rig file and its hash.
    pub rig: String,
    /// Hash of the rig.
    pub rig_blake3: String,
    /// Corrections of the run sheet.
    pub corrections: Vec<PersonDecision>,
    /// Tables.
    pub files: Vec<ExplainedFile>,
    /// Gaps, resets and damage, in sentences.
    pub notes: Vec<String>,
}

/// A table of the recording.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ExplainedFile {
    /// Path below the dataset's root.
    pub path: String,
    /// Rows.
    pub rows: u64,
    /// Length.
    pub bytes: u64,
    /// Hash.
    pub blake3: String,
}

/// From the wire to a quantity.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ExplainedChannel {
    /// Canonical name.
    pub channel: String,
    /// Unit as a UCUM code.
    pub unit: String,
    /// Port; `null` for what no signal of the rig feeds, as a satellite receiver's speed.
    pub port: Option<String>,
    /// Message that carries it.
    pub message: Option<String>,
    /// Value = (raw · scale + offset) · calibration factor + calibration offset. A counter is kept as it counts.
    pub scale: Option<f64>,
    /// See `scale`.
    pub offset: Option<f64>,
    /// Calibration.
    pub calibration: Option<ExplainedCalibration>,
    /// For counters: the count begins again at this value.
    pub modulus: Option<u64>,
    /// Samples in the table.
    pub samples: u64,
    /// First value, as stored.
    pub first: Option<f64>,
    /// Last value, as stored.
    pub last: Option<f64>,
    /// Values that the wire marked as not available.
    pub missing: u64,
    /// Values outside the plausible range, stored as none.
    pub out_of_range: u64,
    /// Longest time between two samples that is bridged.
    pub gap_limit_s: Option<f64>,
    /// Longer times between two samples.
    pub gaps: u64,
    /// Their sum.
    pub gap_s: f64,
    /// Sum of the others.
    pub covered_s: f64,
    /// For counters: roll-overs counted through.
    pub wraps: u64,
    /// For counters: restarts, left out.
    pub resets: u64,
}

/// Calibration of a channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ExplainedCalibration {
    /// Factor.
    pub factor: f64,
    /// Offset.
    pub offset: f64,
    /// Certificate.
    pub certificate: Option<String>,
    /// Day.
    pub date: Option<String>,
    /// Standard uncertainty as a share.
    pub relative_uncertainty: f64,
    /// Standard uncertainty in the channel's unit.
    pub absolute_uncertainty: f64,
    /// Degrees of freedom; `null` where taken as exactly known.
    pub degrees_of_freedom: Option<f64>,
}

/// The ledger's rows, column by column.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ExplainedBins {
    /// Width of a bin.
    pub width_s: f64,
    /// Start of each bin, UTC microseconds.
    pub t_us: Vec<i64>,
    /// Distance in it.
    pub distance_m: Vec<Option<f64>>,
    /// Part of it with distance data.
    pub distance_valid_s: Vec<Option<f64>>,
    /// Fuel in it at the reference temperature.
    pub fuel_ml: Vec<Option<f64>>,
    /// Part of it with fuel data.
    pub fuel_valid_s: Vec<Option<f64>>,
}

/// Distance of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ExplainedDistance {
    /// Source that counts.
    pub source: String,
    /// Distance from it.
    pub distance_m: Option<f64>,
    /// Time that it covers.
    pub covered_s: f64,
    /// Integral of the wheel speed.
    pub wheel_m: Option<f64>,
    /// Wheel edges times metres an edge.
    pub hall_m: Option<f64>,
    /// Integral of the satellite speed.
    pub gps_m: Option<f64>,
}

/// Fuel of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ExplainedFuel {
    /// Measure that counts.
    pub measure: Option<FuelMeasure>,
    /// Who decided so, where a person did.
    pub decision: Option<FuelChoice>,
    /// Volume at the reference temperature from it.
    pub fuel_ml: Option<f64>,
    /// Time that it covers.
    pub covered_s: f64,
    /// Fuel by each measure that the run has.
    pub by_measure: Vec<ExplainedMeasure>,
    /// Density at the reference temperature.
    pub density_g_per_ml: f64,
    /// Reference temperature.
    pub reference_c: f64,
    /// How metered volume is brought to it.
    pub volume_model: String,
    /// Volume of one pulse of the meter.
    pub ml_per_pulse: Option<f64>,
    /// Volume through the meter as metered: pulses times that.
    pub metered_ml: Option<f64>,
    /// Mean temperature of the fuel.
    pub temperature_c: Option<f64>,
    /// Volume at the reference temperature over volume as metered, pulse by pulse at the temperature then.
    pub volume_factor: Option<f64>,
    /// Weighed tank before and after, kg.
    pub weighed_kg: Option<(f64, f64)>,
}

/// Fuel by one measure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ExplainedMeasure {
    /// Measure.
    pub measure: FuelMeasure,
    /// Mass.
    pub mass_g: f64,
    /// Volume at the reference temperature.
    pub volume_ml: f64,
    /// Time that it covers.
    pub covered_s: f64,
}

/// A rule applied to a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ExplainedRule {
    /// The rule by its key in the campaign, or in words.
    pub rule: String,
    /// The run's value; `null` where it has none or the rule is not about a number.
    pub value: Option<f64>,
    /// The limit.
    pub limit: Option<f64>,
    /// Whether it is kept; `null` where that cannot be said.
    pub kept: Option<bool>,
}

/// A run's part in the result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ExplainedShare {
    /// Its partner in a paired design; with a control vehicle the other run of its pass.
    pub partner: Option<String>,
    /// Logarithm of the run's consumption in L/100 km.
    pub log_consumption: f64,
    /// Logarithm of baseline over assisted consumption of its pair.
    pub log_ratio: Option<f64>,
    /// Weight of that log ratio (without pairs, of the log consumption) in the result's; `null` for a drive in daily
    /// service, which counts only in its vehicle's sums.
    pub weight: Option<f64>,
    /// The result's log ratio.
    pub result_log_ratio: f64,
    /// The result: improvement of mileage, %.
    pub result_percent: f64,
    /// What the result would be without this run or pair, %; `null` where nothing would be left.
    pub without_it_percent: Option<f64>,
}

/// The JSON Schema of [`Explanation`] as text.
pub fn explanation_json_schema() -> String {
    let schema = schemars::schema_for!(Explanation);
    serde_json::to_string_pretty(&schema).expect("a schema has string keys only") + "\n"
}
