//! What is true of a run, as the simulation knows it: the model to hold measurements against.
//!
//! Written as `truth.json` beside the captures. Energies and distances are integrals over the simulation's own
//! steps, before any sensor has seen them.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use tallywheel_schemas::Condition;

use crate::assist::MOTORS;

/// Names of the motors' positions, in the order of the simulation.
pub const POSITIONS: [&str; MOTORS] = ["rear-left", "rear-right"];

/// Truth of one session.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RunTruth {
    /// Name of the run, or of the session where there is no run.
    pub run: String,
    /// Condition meant; `None` for a charging session.
    pub condition: Option<Condition>,
    /// UTC time of the first step, RFC 3339.
    pub start: String,
    /// What moved.
    pub drive: DriveTruth,
    /// Frames (CAN) or lines (text) emitted on each port: nothing of this may be lost.
    pub emitted: BTreeMap<String, u64>,
}

/// Sums and peaks of one session.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DriveTruth {
    /// Length of the session, s.
    pub duration_s: f64,
    /// Distance, m.
    pub distance_m: f64,
    /// Fuel burnt, g.
    pub fuel_g: f64,
    /// The same as volume at 15 °C, mL.
    pub fuel_ml_at_15c: f64,
    /// Time with the engine running, s.
    pub engine_on_s: f64,
    /// Time with a positive command above 1 %, s.
    pub assist_on_s: f64,
    /// Energy out of the pack, Wh.
    pub pack_out_wh: f64,
    /// Energy into the pack, Wh.
    pub pack_in_wh: f64,
    /// Charge out of the pack, Ah.
    pub pack_out_ah: f64,
    /// Charge into the pack, Ah.
    pub pack_in_ah: f64,
    /// Energy from the wall, Wh.
    pub wall_wh: f64,
    /// State of charge at the start, %.
    pub soc_start_pct: f64,
    /// State of charge at the end, %.
    pub soc_end_pct: f64,
    /// Mean outside temperature, °C.
    pub ambient_c: f64,
    /// Largest speed, m/s.
    pub speed_max_m_s: f64,
    /// Time above 0.5 m/s, s.
    pub moving_s: f64,
    /// Times the assist ended because of speed.
    pub cut_offs: u32,
    /// Times it began again.
    pub cut_ins: u32,
    /// Per motor position.
    pub motors: Vec<MotorTruth>,
}

/// Truth about one motor.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MotorTruth {
    /// Position.
    pub position: String,
    /// Hottest winding, °C.
    pub winding_peak_c: f64,
    /// Hottest controller, °C.
    pub controller_peak_c: f64,
    /// Shaft energy that drove the van, Wh.
    pub shaft_out_wh: f64,
}

impl RunTruth {
    /// Fuel consumption, L/100 km at 15 °C.
    pub fn l_per_100km(&self) -> f64 {
        self.drive.fuel_ml_at_15c / 1000.0 / (self.drive.distance_m / 1e5)
    }
}

/// Truth of a campaign.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CampaignTruth {
    /// Seed that all of it came from.
    pub seed: u64,
    /// Runs in the order of driving.
    pub runs: Vec<RunTruth>,
    /// Pairs of run names, baseline then assist.
    pub pairs: Vec<(String, String)>,
    /// Deliberate errors of the sensors, so that a reader can tell a wrong sensor from a wrong program.
    pub sensors: SensorTruth,
    /// The charging session, where there is one.
    pub charging: Option<RunTruth>,
}

/// How far the vehicle's sensors truly are from what the rig says of them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SensorTruth {
    /// Fuel meter: pulses given over pulses due.
    pub fuel_factor: f64,
    /// Wheel speed: shown over true.
    pub wheel_factor: f64,
    /// Pack current: shown over true.
    pub current_factor: f64,
    /// Pack current: shown at no current, A.
    pub current_offset_a: f64,
    /// Pack voltage: shown over true.
    pub voltage_factor: f64,
    /// Winding thermocouples: shown minus true, K.
    pub winding_offset_k: [f64; MOTORS],
}

impl SensorTruth {
    /// Instruments without errors.
    pub const EXACT: Self = Self {
        fuel_factor: 1.0,
        wheel_factor: 1.0,
        current_factor: 1.0,
        current_offset_a: 0.0,
        voltage_factor: 1.0,
        winding_offset_k: [0.0; 2],
    };
}

/// Sums over the runs of one condition.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Totals {
    /// Runs.
    pub runs: usize,
    /// Distance, km.
    pub distance_km: f64,
    /// Fuel at 15 °C, L.
    pub fuel_l: f64,
    /// Energy out of the pack, kWh.
    pub pack_out_kwh: f64,
    /// Energy into the pack, kWh.
    pub pack_in_kwh: f64,
    /// Duration, s.
    pub duration_s: f64,
}

impl Totals {
    /// Consumption of all runs together, L/100 km: total fuel over total distance.
    pub fn l_per_100km(&self) -> f64 {
        100.0 * self.fuel_l / self.distance_km
    }
}

impl CampaignTruth {
    /// Sums over the named runs of a condition; a run that `used` refuses is left out.
    pub fn totals(&self, condition: Condition, used: impl Fn(&str) -> bool) -> Totals {
        let mut totals = Totals::default();
        for run in self.runs.iter().filter(|r| r.condition == Some(condition) && used(&r.run)) {
            totals.runs += 1;
            totals.distance_km += run.drive.distance_m / 1000.0;
            totals.fuel_l += run.drive.fuel_ml_at_15c / 1000.0;
            totals.pack_out_kwh += run.drive.pack_out_wh / 1000.0;
            totals.pack_in_kwh += run.drive.pack_in_wh / 1000.0;
            totals.duration_s += run.drive.duration_s;
        }
        totals
    }

    /// Improvement of mileage over the pairs, %.
    ///
    /// # Formula
    /// `100 · (exp(mean ln(c_b / c_a)) − 1)` with consumptions c per pair: the geometric mean of the ratios.
    pub fn improvement_percent(&self, used: impl Fn(&str) -> bool) -> f64 {
        let consumption = |name: &str| self.runs.iter().find(|r| r.run == name).map(RunTruth::l_per_100km);
        let logs: Vec<f64> = self
            .pairs
            .iter()
            .filter(|(b, a)| used(b) && used(a))
            .filter_map(|(b, a)| Some((consumption(b)? / consumption(a)?).ln()))
            .collect();
        100.0 * ((logs.iter().sum::<f64>() / logs.len() as f64).exp() - 1.0)
    }

    /// Hottest winding of a position over the used runs, °C.
    pub fn winding_peak_c(&self, position: &str, used: impl Fn(&str) -> bool) -> f64 {
        self.runs
            .iter()
            .filter(|r| used(&r.run))
            .flat_map(|r| &r.drive.motors)
            .filter(|m| m.position == position)
            .map(|m| m.winding_peak_c)
            .fold(f64::NEG_INFINITY, f64::max)
    }
}
