//! What instruments could see at one moment if they were perfect.

use crate::{assist::MOTORS, route::Place};

/// One moment of a drive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Since the start of the recording, s.
    pub time_s: f64,
    /// Road speed, m/s.
    pub speed_m_s: f64,
    /// Distance since the start, m.
    pub distance_m: f64,
    /// Where on the island.
    pub place: Place,
    /// Height above the sea, m.
    pub altitude_m: f64,
    /// Engine speed, rpm.
    pub engine_rpm: f64,
    /// Engine turns under its own power.
    pub running: bool,
    /// Throttle opening, %.
    pub throttle_pct: f64,
    /// Coolant, °C.
    pub coolant_c: f64,
    /// Intake air, °C.
    pub intake_c: f64,
    /// Intake air flow, g/s.
    pub maf_g_s: f64,
    /// Air-fuel ratio over the stoichiometric one.
    pub lambda: f64,
    /// Fuel through the meter since the start, mL at the meter's temperature.
    pub metered_ml: f64,
    /// Fuel at the meter, °C.
    pub fuel_temp_c: f64,
    /// The van's 12 V supply, V.
    pub supply_v: f64,
    /// Motors, left and right.
    pub motors: [MotorSample; MOTORS],
    /// Pack voltage, V.
    pub voltage_v: f64,
    /// Pack current, A, positive out.
    pub current_a: f64,
    /// State of charge, %.
    pub soc_pct: f64,
    /// Pack, °C.
    pub pack_c: f64,
    /// Lowest cell, V.
    pub cell_min_v: f64,
    /// Highest cell, V.
    pub cell_max_v: f64,
    /// Power from the wall, W; `None` without a charger.
    pub wall_w: Option<f64>,
    /// Outside air, °C.
    pub ambient_c: f64,
    /// Outside air, kPa.
    pub pressure_kpa: f64,
}

impl Sample {
    /// Power out of the pack at its terminals, W.
    pub fn pack_power_w(&self) -> f64 {
        self.voltage_v * self.current_a
    }
}

/// One motor at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct MotorSample {
    /// Command, %: of the torque that is available when driving, of the peak torque when regenerating.
    pub command_pct: f64,
    /// Shaft torque, N·m.
    pub torque_n_m: f64,
    /// Speed, rpm.
    pub speed_rpm: f64,
    /// Phase current, A rms.
    pub phase_a: f64,
    /// Current from the pack, A.
    pub dc_a: f64,
    /// Winding, °C.
    pub winding_c: f64,
    /// Controller, °C.
    pub controller_c: f64,
    /// Fault code, 0 for none.
    pub fault: u16,
}
