//! A charging session: the van parked at the wall.

use crate::{
    drive::{MotorSample, Sample},
    pack::{CELLS, Charger, Pack},
    route::{HARBOUR_LOOP, Place},
    truth::DriveTruth,
};

/// Length of a step, s.
const STEP_S: f64 = 1.0;
/// Plugged in but not yet, or no longer, charging, s.
const REST_S: f64 = 15.0;

/// Charging in progress.
#[derive(Debug, Clone)]
pub struct Charging {
    pack: Pack,
    ambient_c: f64,
    place: Place,
    time_s: f64,
    full_since_s: Option<f64>,
    longest_s: f64,
    truth: DriveTruth,
}

impl Charging {
    /// A pack at a state of charge (0 to 1) on the charger in air of `ambient_c`, for at most `longest_s`.
    pub fn new(soc: f64, ambient_c: f64, longest_s: f64) -> Self {
        Self {
            pack: Pack::new(soc, ambient_c + 6.0),
            ambient_c,
            place: HARBOUR_LOOP.path().place(0.0),
            time_s: 0.0,
            full_since_s: None,
            longest_s,
            truth: DriveTruth { soc_start_pct: soc * 100.0, ambient_c, ..DriveTruth::default() },
        }
    }

    /// Advances by a second; gives what instruments can see at its start, or `None` at the end.
    pub fn step(&mut self) -> Option<Sample> {
        let rested = self.full_since_s.is_some_and(|t| self.time_s >= t + REST_S);
        if rested || self.time_s >= self.longest_s {
            return None;
        }
        let charger = Charger::KIT;
        let wants_w = if self.time_s < REST_S { 0.0 } else { charger.wall_power_w(&self.pack) };
        if self.time_s >= REST_S && wants_w == 0.0 && self.full_since_s.is_none() {
            self.full_since_s = Some(self.time_s);
        }
        let wall_w = if self.full_since_s.is_some() { 0.0 } else { wants_w };
        let terminal = self.pack.terminal(-wall_w * charger.efficiency);
        let power_w = terminal.voltage_v * terminal.current_a;
        self.truth.wall_wh += wall_w * STEP_S / 3600.0;
        self.truth.pack_in_wh -= power_w * STEP_S / 3600.0;
        self.truth.pack_in_ah -= terminal.current_a * STEP_S / 3600.0;
        let cell_v = terminal.voltage_v / CELLS;
        let sample = Sample {
            time_s: self.time_s,
            speed_m_s: 0.0,
            distance_m: 0.0,
            place: self.place,
            altitude_m: 12.0,
            engine_rpm: 0.0,
            running: false,
            throttle_pct: 0.0,
            coolant_c: self.ambient_c,
            intake_c: self.ambient_c,
            maf_g_s: 0.0,
            lambda: 1.0,
            metered_ml: 0.0,
            fuel_temp_c: self.ambient_c,
            supply_v: 12.6,
            motors: [MotorSample::default(); 2],
            voltage_v: terminal.voltage_v,
            current_a: terminal.current_a,
            soc_pct: self.pack.soc * 100.0,
            pack_c: self.pack.body.temperature_c,
            cell_min_v: cell_v - 0.004,
            cell_max_v: cell_v + 0.004,
            wall_w: Some(wall_w),
            ambient_c: self.ambient_c,
            pressure_kpa: 101.3,
        };
        self.pack.advance(&terminal, self.ambient_c, STEP_S);
        self.time_s += STEP_S;
        Some(sample)
    }

    /// What is true so far.
    pub fn truth(&self) -> DriveTruth {
        DriveTruth { duration_s: self.time_s, soc_end_pct: self.pack.soc * 100.0, ..self.truth.clone() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn charging_fills_the_pack_at_the_chargers_efficiency() {
        let mut charging = Charging::new(0.6, 12.0, 4.0 * 3600.0);
        while charging.step().is_some() {}
        let truth = charging.truth();
        assert!((97.0..100.0).contains(&truth.soc_end_pct), "{truth:?}");
        assert!((truth.pack_in_wh / truth.wall_wh - 0.88).abs() < 1e-9, "{truth:?}");
        let change_ah = (truth.soc_end_pct - truth.soc_start_pct) / 100.0 * crate::pack::CAPACITY_AH;
        assert!((truth.pack_in_ah - change_ah).abs() < 1e-9);
    }
}
