//! The whole account of a kit, never fuel alone.
//!
//! Expanded uncertainties are for k = 2 and in the unit of their figure. Prices, factors and everything else that is
//! stated and not measured count as exact.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Interval;
use crate::run_sheet::Condition;

/// Electricity and what it adds up to with the fuel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct EnergyAccount {
    /// Assisted runs with complete pack data: the account rests on these.
    pub runs: u32,
    /// Which runs are left out of the account, if any are.
    pub reservation: Option<String>,
    /// Energy out of the pack.
    pub pack_out_kwh: Option<f64>,
    /// Energy into the pack while driving, positive.
    pub pack_in_kwh: Option<f64>,
    /// Out minus in.
    pub net_kwh: Option<f64>,
    /// Net energy over distance.
    pub per_km_wh: Option<f64>,
    /// Charge out.
    pub pack_out_ah: Option<f64>,
    /// Charge in.
    pub pack_in_ah: Option<f64>,
    /// Charge in and out over twice the rated capacity.
    pub equivalent_full_cycles: Option<f64>,
    /// Energy from the wall logged in charging sessions of this vehicle.
    pub wall_logged_kwh: Option<f64>,
    /// Energy into the pack over energy from the wall, with where it comes from.
    pub charging_efficiency: Option<ChargingEfficiency>,
    /// Energy from the wall for each ampere hour put into the pack, from charging sessions.
    pub wall_wh_per_ah: Option<f64>,
    /// Energy from the wall per km; how it was worked out stands on its line.
    pub wall_per_km_wh: Option<f64>,
    /// Mileage that counts the electricity from the wall at 33.705 kWh per US gallon (40 CFR 600), mpg (US).
    pub petrol_equivalent_mpg_us: Option<f64>,
    /// The same as litres of petrol-equivalent per 100 km.
    pub petrol_equivalent_l_per_100km: Option<f64>,
    /// Gain of mileage that counts the electricity, %: `(B − T) / T` in petrol-equivalent consumption.
    pub petrol_equivalent_percent: Option<f64>,
    /// The same gain by the method of the improvement of mileage, with an interval; `null` for a design that does not rest
    /// on single runs, or where an assisted run's electricity is not known.
    #[serde(default)]
    pub petrol_equivalent_gain: Option<EquivalentGain>,
    /// Distance until a full pack is used up, as in `range`.
    pub distance_on_pack_km: Option<f64>,
    /// Cost per km, baseline and assist, when prices are stated.
    pub cost_per_km: Option<PerCondition>,
    /// Currency of the cost.
    pub currency: Option<String>,
    /// CO₂ in g per km, baseline and assist, when factors are stated.
    pub co2_g_per_km: Option<PerCondition>,
    /// Expanded uncertainty (k = 2) of the energies as a share, from calibrations.
    pub relative_expanded_uncertainty: f64,
    /// Both conditions side by side.
    pub lines: Vec<AccountLine>,
    /// Net energy change of every run that counts.
    pub net_energy: Vec<NetEnergy>,
    /// How far a full pack goes.
    pub range: PackRange,
    /// Mileage over a full day's driving.
    pub day: DayAccount,
}

/// Gain of mileage that counts the electricity as petrol, run by run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct EquivalentGain {
    /// The gain, %, with the interval from the spread of the runs and the calibrations of fuel, distance and electricity.
    pub percent: Interval,
    /// Confidence of the interval.
    pub confidence: f64,
    /// Method in words.
    pub method: String,
}

/// A figure for both conditions.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PerCondition {
    /// Assist off.
    pub baseline: f64,
    /// Assist on, electricity included.
    pub assist: f64,
}

/// Charging efficiency, its source, and why it is this one.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ChargingEfficiency {
    /// Energy into the pack over energy from the wall.
    pub value: f64,
    /// `measured`, `campaign` or `rig`.
    pub source: String,
    /// Why this one is used.
    #[serde(default)]
    pub reason: String,
    /// Relative standard uncertainty of a measured one; `null` where a sensor of it has no stated calibration, or it is
    /// stated itself.
    #[serde(default)]
    pub relative_standard_uncertainty: Option<f64>,
    /// Those that are stated and not used.
    #[serde(default)]
    pub not_used: Vec<StatedEfficiency>,
}

/// A charging efficiency that somebody states.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StatedEfficiency {
    /// Energy into the pack over energy from the wall.
    pub value: f64,
    /// `campaign` or `rig`.
    pub source: String,
}

/// What a line of the account is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum AccountQuantity {
    /// Fuel alone, L/100 km.
    Fuel,
    /// Electricity from the wall, kWh/100 km.
    WallElectricity,
    /// Fuel and electricity counted as petrol, L/100 km.
    PetrolEquivalent,
    /// Cost of fuel and electricity per km.
    Cost,
    /// CO₂ of fuel and electricity, g/km.
    Co2,
}

/// One line of the account, without and with the assist.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AccountLine {
    /// What it is about.
    pub quantity: AccountQuantity,
    /// Unit of the figures.
    pub unit: String,
    /// Assist off: fuel only, as in a vehicle without the kit.
    pub baseline: Option<f64>,
    /// Expanded uncertainty of `baseline`, k = 2.
    pub baseline_expanded_uncertainty: Option<f64>,
    /// Assist on.
    pub assist: Option<f64>,
    /// Expanded uncertainty of `assist`, k = 2.
    pub assist_expanded_uncertainty: Option<f64>,
    /// Where factors and method come from.
    pub basis: String,
    /// Why a figure cannot be said.
    pub unknown: Option<String>,
}

/// Whether a run left the pack as it found it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ChargeState {
    /// Within the limit: fuel alone tells the run's consumption.
    Sustaining,
    /// The pack gave more than the limit: fuel alone does not.
    Depleting,
    /// The pack took more than the limit.
    Charging,
}

/// Net energy change of the pack over one run, against the energy of its fuel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NetEnergy {
    /// Run.
    pub run: String,
    /// Assist on or off.
    pub condition: Condition,
    /// Energy out of the pack minus energy into it.
    pub net_wh: Option<f64>,
    /// Energy of the fuel burnt, at 33.705 kWh per US gallon.
    pub fuel_kwh: Option<f64>,
    /// Size of the net energy over the fuel's energy, as a share.
    pub share: Option<f64>,
    /// Largest share with which a run counts as charge-sustaining.
    pub limit: f64,
    /// On which side of the limit the run is.
    pub state: Option<ChargeState>,
    /// Where the assist ended before the run did, if it did.
    pub assist_end: Option<AssistEnd>,
    /// Why the share cannot be said.
    pub unknown: Option<String>,
}

/// The assist ended in the middle of a run.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AssistEnd {
    /// Distance from the start of the run.
    pub after_km: f64,
    /// State of charge there.
    pub soc_pct: Option<f64>,
    /// Whether the pack had run flat; otherwise it ended for another reason.
    pub pack_flat: bool,
}

/// How far a full pack goes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PackRange {
    /// Distance with assist until a full pack is used up.
    pub km: Option<f64>,
    /// Its expanded uncertainty (k = 2) from run to run and from calibrations; the usable energy counts as exact.
    pub expanded_uncertainty_km: Option<f64>,
    /// Energy that a full pack gives.
    pub usable_kwh: Option<f64>,
    /// Net energy per km while the assist works.
    pub per_km_wh: Option<f64>,
    /// Where the usable energy comes from.
    pub basis: String,
    /// It is the rated energy, of which no kit uses all: the distance is a bound.
    pub at_most: bool,
    /// Fullest charge with which an assisted run began: what “full” means here.
    pub from_soc_pct: Option<f64>,
    /// Assisted runs in which the pack ran flat.
    pub flat_runs: u32,
    /// Shortest distance from the start of such a run to where the pack was flat.
    pub flat_after_km: Option<f64>,
    /// Whether any assisted run came down to the floor of charge that the campaign states; `null` without a floor, or
    /// where no charge is known.
    #[serde(default)]
    pub floor_reached: Option<bool>,
    /// Why the distance cannot be said.
    pub unknown: Option<String>,
}

/// Mileage over a full day's driving that starts with a full pack and does not charge on the way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DayAccount {
    /// Weighted by the share of driving within the range, where the campaign says by which curve.
    pub weighted: Option<UtilityWeighted>,
    /// For days of several lengths.
    pub by_distance: Vec<DayDistance>,
    /// What is assumed.
    pub assumption: String,
    /// Why a figure cannot be said.
    pub unknown: Option<String>,
}

/// Figures weighted by a utility factor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct UtilityWeighted {
    /// Curve by the campaign's word.
    pub curve: String,
    /// Where the curve comes from.
    pub source: String,
    /// The figures; `assisted_share` is the utility factor.
    pub figures: DayFigures,
}

/// Figures of a day of one length.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DayDistance {
    /// Distance of the day.
    pub day_km: f64,
    /// The figures.
    pub figures: DayFigures,
}

/// Consumption over a day.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DayFigures {
    /// Share of the distance that is driven with assist.
    pub assisted_share: f64,
    /// Fuel alone.
    pub fuel_l_per_100km: f64,
    /// Gain of mileage, fuel alone, %.
    pub mileage_percent: f64,
    /// Electricity from the wall.
    pub wall_kwh_per_100km: Option<f64>,
    /// Fuel and electricity counted as petrol.
    pub petrol_equivalent_l_per_100km: Option<f64>,
    /// Gain of mileage that counts the electricity, %.
    pub petrol_equivalent_percent: Option<f64>,
    /// Cost of fuel and electricity.
    pub cost_per_km: Option<f64>,
    /// CO₂ of fuel and electricity.
    pub co2_g_per_km: Option<f64>,
}
