//! The comparison report as data: what `report.json` holds.
//!
//! Its JSON Schema is committed as `schemas/report.schema.json`. Field names end in their unit. A number that
//! cannot be said is `null`, never zero.

mod account;
mod judgement;

pub use judgement::{
    BlockResult, CovariateModel, CrossCheck, DesignParts, Interaction, Look, PassResult, SegmentResult, Slope,
    VehicleResult,
};
mod audit;
mod budget;
mod explain;
mod fuel_check;
mod likeness;

pub use audit::{InputKind, InputRecord, PersonDecision};
pub use budget::{BudgetLine, BudgetSum, Evaluation, UncertaintyBudget};
pub use explain::{
    EXPLANATION_VERSION, ExplainedBins, ExplainedCalibration, ExplainedChannel, ExplainedDistance, ExplainedFile,
    ExplainedFuel, ExplainedMeasure, ExplainedRule, ExplainedSession, ExplainedShare, Explanation,
    explanation_json_schema,
};
pub use fuel_check::{Agreement, FuelCheck, FuelChoice, FuelConditions, FuelDrift, FuelLine, FuelPair, FuelPairRun};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use account::{
    AccountLine, AccountQuantity, AssistEnd, ChargeState, ChargingEfficiency, DayAccount, DayDistance, DayFigures,
    EnergyAccount, EquivalentGain, NetEnergy, PackRange, PerCondition, StatedEfficiency, UtilityWeighted,
};
pub use likeness::{Comparability, DrivenRun, Likeness, RouteMatch, StandardisedSpeeds, Treatment};

use crate::run_sheet::Condition;

/// Version of the report format.
///
/// 1: first version.
pub const REPORT_VERSION: u32 = 1;

/// A comparison report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Report {
    /// [`REPORT_VERSION`].
    pub schema: u32,
    /// Title of the campaign.
    pub name: String,
    /// Vehicle under test.
    pub vehicle: String,
    /// Route of the claim.
    pub route: String,
    /// The answer in one sentence.
    pub answer: String,
    /// The decision and why.
    pub verdict: Verdict,
    /// How much better.
    pub improvement: Improvement,
    /// Mileage by condition.
    pub mileage: MileageByCondition,
    /// Electricity, over the assisted runs used.
    pub energy: EnergyAccount,
    /// Heat, per motor position, over all assisted runs.
    pub thermal: Vec<MotorHeat>,
    /// Runs in campaign order.
    pub runs: Vec<RunResult>,
    /// Runs of the control vehicle, in the order of the campaign.
    #[serde(default)]
    pub control_runs: Vec<RunResult>,
    /// Runs of the campaign that no usable session holds, in campaign order.
    #[serde(default)]
    pub missing_runs: Vec<MissingRun>,
    /// Runs of the vehicle on the campaign's routes, between its first run and its last, that the campaign does not list.
    #[serde(default)]
    pub unlisted_runs: Vec<String>,
    /// Sessions of the vehicle that cannot be used at all.
    #[serde(default)]
    pub unusable_sessions: Vec<UnusableSession>,
    /// Pairs, for a paired design.
    pub pairs: Vec<PairResult>,
    /// Conditions compared with their limits.
    pub comparability: Vec<Comparability>,
    /// How the runs were driven.
    pub likeness: Likeness,
    /// Descriptive only: consumption by assisted stretch inside the assisted runs.
    pub stretches: Stretches,
    /// Consumption by speed bin, both conditions.
    pub speed_bins: Vec<SpeedBin>,
    /// Fuel measured twice.
    #[serde(default)]
    pub fuel_check: FuelCheck,
    /// Uncertainty of the mileages and of the improvement, line by line.
    #[serde(default)]
    pub budget: UncertaintyBudget,
    /// Data used, software and rules, for audit.
    pub provenance: Provenance,
}

/// What is decided about the claim.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    /// The whole interval is at or beyond the claim.
    Supported,
    /// The whole interval is short of the claim.
    NotSupported,
    /// The interval contains the claim.
    Undecided,
    /// The runs are not comparable or the data are not good enough.
    Withheld,
}

/// The decision and why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Verdict {
    /// Claimed improvement of mileage, %.
    pub claim_percent: f64,
    /// Decision.
    pub decision: Decision,
    /// The rule in words.
    #[serde(default)]
    pub rule: String,
    /// Why, in sentences.
    pub reasons: Vec<String>,
    /// When undecided: further pairs (or runs per condition) up to the planned look that has 80 % power, else up to the
    /// last; once every look is taken, those of a fresh campaign with 80 % power.
    pub further_pairs: Option<u32>,
    /// The look that the decision was taken at; `null` where the verdict is withheld.
    #[serde(default)]
    pub look: Option<Look>,
}

/// An estimate with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Interval {
    /// Best estimate.
    pub estimate: f64,
    /// Lower end, `null` when the runs cannot give one.
    pub low: Option<f64>,
    /// Upper end, `null` when the runs cannot give one.
    pub high: Option<f64>,
}

/// Improvement of mileage and fuel saved: two figures, never one for the other.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Improvement {
    /// Mileage gained over the baseline mileage, %. `(B − T) / T` in consumption. The interval holds the spread of the
    /// runs and what the calibrations leave of the ratio, at `confidence`; a look of a plan has its own.
    pub mileage_percent: Option<Interval>,
    /// Fuel saved over the baseline fuel for the same distance, %. `(B − T) / B` in consumption.
    pub fuel_saved_percent: Option<Interval>,
    /// Confidence of the intervals.
    pub confidence: f64,
    /// Method in words.
    pub method: String,
    /// Standard deviation of the log ratios (paired) or pooled of the log consumptions (unpaired), as a share.
    pub spread: Option<f64>,
    /// Degrees of freedom of the spread.
    pub degrees_of_freedom: Option<f64>,
    /// The mileage gained with the interval from the spread of the runs alone, %.
    #[serde(default)]
    pub from_runs_percent: Option<Interval>,
    /// The mileage gained with the interval from what the calibrations leave of the ratio alone, %.
    #[serde(default)]
    pub from_calibrations_percent: Option<Interval>,
    /// Relative standard uncertainty of the ratio from calibrations that do not cancel.
    #[serde(default)]
    pub calibration_difference_relative: f64,
    /// Effective degrees of freedom of both together (JCGM 100, G.4); `null` when infinite or unknown.
    #[serde(default)]
    pub effective_degrees_of_freedom: Option<f64>,
    /// Coverage factor of the interval.
    #[serde(default)]
    pub coverage_factor: Option<f64>,
    /// Other methods on the same runs.
    #[serde(default)]
    pub cross_checks: Vec<CrossCheck>,
    /// What belongs to the design.
    #[serde(default)]
    pub parts: DesignParts,
    /// Improvement from summed distance over summed fuel, %, beside the estimate.
    pub distance_weighted_percent: Option<f64>,
    /// Relative standard uncertainty of the mileages from calibrations, common to both conditions; it cancels
    /// in the improvement.
    pub calibration_relative: f64,
}

/// Mileage of both conditions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MileageByCondition {
    /// Assist off.
    pub baseline: Option<Mileage>,
    /// Assist on.
    pub assist: Option<Mileage>,
}

/// Summed distance over summed fuel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Mileage {
    /// Litres per 100 km.
    pub l_per_100km: f64,
    /// Miles per US gallon.
    pub mpg_us: f64,
    /// Kilometres per litre.
    pub km_per_l: f64,
    /// Distance.
    pub distance_km: f64,
    /// Fuel at the reference temperature.
    pub fuel_l: f64,
    /// Runs, or sessions, summed.
    pub runs: u32,
    /// Expanded uncertainty (k = 2) as a share, from calibrations of fuel and distance.
    pub relative_expanded_uncertainty: f64,
}

/// Heat of one motor and its controller.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MotorHeat {
    /// Motor position.
    pub position: String,
    /// Highest winding temperature.
    pub peak_c: Option<f64>,
    /// Time with winding temperature data.
    pub covered_s: f64,
    /// Time above each winding limit.
    pub seconds_above: Vec<AboveLimit>,
    /// Share of the insulation's nominal life used (20,000 h at class temperature, halved per 10 K).
    pub life_used_fraction: f64,
    /// The same use as hours at class temperature.
    pub equivalent_hours: f64,
    /// Class temperature of the insulation.
    pub class_c: f64,
    /// Cycles of the winding's temperature of 20 K and more within recordings, halves as halves (rainflow counting by
    /// ASTM E1049-85).
    pub winding_cycles: f64,
    /// Highest controller temperature.
    pub controller_peak_c: Option<f64>,
    /// Time above each controller limit.
    pub controller_seconds_above: Vec<AboveLimit>,
    /// Time by winding temperature, 5 K classes.
    pub histogram: Vec<TemperatureClass>,
}

/// Time above a limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AboveLimit {
    /// Limit.
    pub limit_c: f64,
    /// Time above it.
    pub seconds: f64,
}

/// Time in one class of temperature.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TemperatureClass {
    /// Lower end; the class is 5 K wide.
    pub from_c: f64,
    /// Time in it.
    pub seconds: f64,
}

/// One run of the campaign.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RunResult {
    /// Name on the run sheet.
    pub id: String,
    /// Session it was recorded in.
    pub session: String,
    /// Assist on or off.
    pub condition: Condition,
    /// Whether it counts.
    pub used: bool,
    /// Why not, or who overruled what; `null` for a plainly good run.
    pub reason: Option<String>,
    /// Start, UTC.
    pub start: String,
    /// Duration of the recording.
    pub duration_s: f64,
    /// Distance.
    pub distance_km: f64,
    /// Fuel at the reference temperature.
    pub fuel_l: Option<f64>,
    /// Consumption.
    pub l_per_100km: Option<f64>,
    /// Mileage.
    pub mpg_us: Option<f64>,
    /// Share of the recording in which distance and fuel both have data.
    pub coverage: f64,
    /// Mean speed.
    pub speed_mean_km_h: Option<f64>,
    /// Share of time at standstill.
    pub idle_share: Option<f64>,
    /// Share of time with a motor driving.
    pub assist_share: Option<f64>,
    /// Energy out of the pack.
    pub pack_out_kwh: Option<f64>,
    /// Energy into the pack, positive.
    pub pack_in_kwh: Option<f64>,
    /// State of charge at the start.
    pub soc_start_pct: Option<f64>,
    /// State of charge at the end.
    pub soc_end_pct: Option<f64>,
    /// Mean outside temperature.
    pub ambient_c: Option<f64>,
    /// Mean wind.
    pub wind_m_s: Option<f64>,
    /// Payload on the run sheet.
    pub payload_kg: Option<f64>,
    /// Highest winding temperature of any motor.
    pub winding_peak_c: Option<f64>,
    /// Malformed messages in the recording.
    pub bad_messages: u64,
    /// What a reader should know, in sentences.
    pub notes: Vec<String>,
    /// Hash of the session's content.
    pub content_blake3: String,
}

/// A run of the campaign that no usable session holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MissingRun {
    /// Name in the campaign.
    pub id: String,
    /// Why, as a lowercase fragment.
    pub reason: String,
}

/// A session that cannot be used: its manifest is unreadable or was altered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct UnusableSession {
    /// Name, as its manifest's file has it.
    pub session: String,
    /// Vehicle, as its folder has it.
    pub vehicle: String,
    /// Run on its run sheet, where that can be read.
    pub run: Option<String>,
    /// Why, as a lowercase fragment.
    pub reason: String,
}

/// One pair.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PairResult {
    /// Run with the assist off.
    pub baseline: String,
    /// Run with the assist on.
    pub assist: String,
    /// Whether both runs count.
    pub used: bool,
    /// Improvement of mileage in this pair, %.
    pub mileage_percent: Option<f64>,
}

/// Consumption inside the assisted runs, split by what the motors did. Not evidence for the claim.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Stretches {
    /// Bins in which a motor drives.
    pub assisted: Option<Mileage>,
    /// Bins in which the assist is idle or braking.
    pub unassisted: Option<Mileage>,
    /// Why this is no evidence for the claim.
    pub caution: String,
}

/// Consumption in one class of speed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SpeedBin {
    /// Lower end of the class.
    pub from_km_h: f64,
    /// Upper end.
    pub to_km_h: f64,
    /// Distance and consumption of the baseline runs used.
    pub baseline_km: f64,
    /// Consumption of the baseline runs used.
    pub baseline_l_per_100km: Option<f64>,
    /// Distance of the assisted runs used.
    pub assist_km: f64,
    /// Consumption of the assisted runs used.
    pub assist_l_per_100km: Option<f64>,
}

/// What the report was made from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Provenance {
    /// Program and version.
    pub software: String,
    /// Version of the ledger's columns.
    pub ledger_version: u32,
    /// Hash of the campaign file.
    pub campaign_blake3: String,
    /// Hashes of the rigs used.
    pub rigs_blake3: Vec<String>,
    /// Where distance comes from, by run used.
    pub distance_source: Vec<String>,
    /// Where fuel comes from, by run used.
    pub fuel_source: Vec<String>,
    /// Rules in force, as `name = value`.
    pub rules: Vec<String>,
    /// Versions of the formats read and written, and the programs that sealed the sessions.
    #[serde(default)]
    pub versions: Vec<String>,
    /// Options in force, as `name = value`.
    #[serde(default)]
    pub options: Vec<String>,
    /// Seeds in force, as `name = value`.
    #[serde(default)]
    pub seeds: Vec<String>,
    /// Every input by the hash of its content.
    #[serde(default)]
    pub inputs: Vec<InputRecord>,
    /// What people decided, with who, when and why.
    #[serde(default)]
    pub decisions: Vec<PersonDecision>,
}

/// The JSON Schema of [`Report`] as text.
pub fn json_schema() -> String {
    let schema = schemars::schema_for!(Report);
    serde_json::to_string_pretty(&schema).expect("a schema has string keys only") + "\n"
}

#[cfg(test)]
mod tests {
    /// Rewrite with `TALLYWHEEL_BLESS=1 cargo test --workspace --lib report`.
    #[test]
    fn committed_schema_is_the_one_of_the_types() {
        committed("report.schema.json", &super::json_schema());
        committed("explanation.schema.json", &super::explanation_json_schema());
    }

    fn committed(name: &str, current: &str) {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join(name);
        if std::env::var_os("TALLYWHEEL_BLESS").is_some() {
            std::fs::write(&path, current).expect("the crate's directory is writable");
        }
        let committed = std::fs::read_to_string(&path).expect("the schema is committed");
        assert!(committed == current, "{name} is out of date");
    }
}
