//! The manual gearbox, the clutch, and when this driver shifts.

use std::f64::consts::PI;

/// Ratios, first to fifth gear.
const RATIOS: [f64; 5] = [3.73, 2.05, 1.39, 1.03, 0.82];
/// Ratio of the final drive.
const FINAL_DRIVE: f64 = 4.30;
/// Share of the power that reaches the wheels (common practice for a helical gearbox and final drive).
pub const EFFICIENCY: f64 = 0.92;
/// Speeds at which a relaxed driver shifts up from gears 1 to 4, m/s.
const UP_M_S: [f64; 4] = [4.3, 7.6, 11.2, 15.2];
/// Speeds at which a driver shifts down into gears 1 to 4, m/s.
const DOWN_M_S: [f64; 4] = [2.2, 5.4, 8.8, 12.0];
/// Time with the clutch open in a shift, s.
const SHIFT_S: f64 = 0.5;
/// Speed below which the clutch slips rather than stalls the engine, rpm at its input.
const SLIP_BELOW_RPM: f64 = 1050.0;

/// Gearbox state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gearbox {
    /// Gear, 1 to 5.
    pub gear: usize,
    shift_left_s: f64,
}

/// How the engine is tied to the wheels in one step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Coupling {
    /// Clutch closed.
    Closed,
    /// Clutch slipping at launch: torque passes, speeds differ.
    Slipping,
    /// Clutch open: standing, or between two gears.
    Open,
}

impl Gearbox {
    /// In first gear.
    pub fn new() -> Self {
        Self { gear: 1, shift_left_s: 0.0 }
    }

    /// Wheel turns to engine turns.
    pub fn ratio(&self) -> f64 {
        RATIOS[self.gear - 1] * FINAL_DRIVE
    }

    /// Speed of the gearbox input, rpm, at a road speed and wheel radius.
    ///
    /// # Formula
    /// `n = v / r · i · 30/π`.
    pub fn input_rpm(&self, speed_m_s: f64, wheel_radius_m: f64) -> f64 {
        speed_m_s / wheel_radius_m * self.ratio() * 30.0 / PI
    }

    /// Picks the gear for a speed. A heavier foot (pedal 0 to 1) holds a gear longer.
    pub fn advance(&mut self, speed_m_s: f64, pedal: f64, dt_s: f64) {
        self.shift_left_s = (self.shift_left_s - dt_s).max(0.0);
        if self.shift_left_s > 0.0 {
            return;
        }
        let hold = 1.0 + 0.5 * pedal;
        if self.gear < 5 && speed_m_s > UP_M_S[self.gear - 1] * hold {
            self.gear += 1;
            self.shift_left_s = SHIFT_S;
        } else if self.gear > 1 && speed_m_s < DOWN_M_S[self.gear - 2] {
            self.gear -= 1;
            self.shift_left_s = SHIFT_S;
        }
    }

    /// How the engine is tied to the wheels at a speed when the driver wants to move or not.
    pub fn coupling(&self, speed_m_s: f64, wheel_radius_m: f64, wants_drive: bool) -> Coupling {
        if self.shift_left_s > 0.0 {
            Coupling::Open
        } else if self.input_rpm(speed_m_s, wheel_radius_m) >= SLIP_BELOW_RPM {
            Coupling::Closed
        } else if wants_drive {
            Coupling::Slipping
        } else {
            Coupling::Open
        }
    }

    /// Engine speed, rpm: the input's, the slipping clutch's, or idle.
    pub fn engine_rpm(&self, coupling: Coupling, speed_m_s: f64, wheel_radius_m: f64, idle_rpm: f64) -> f64 {
        match coupling {
            Coupling::Closed => self.input_rpm(speed_m_s, wheel_radius_m),
            Coupling::Slipping => SLIP_BELOW_RPM,
            Coupling::Open => idle_rpm,
        }
    }
}

impl Default for Gearbox {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 50 km/h, r = 0.298 m, fourth gear: 13.8889/0.298 · 1.03 · 4.30 · 30/π = 1971.2 rpm.
    #[test]
    fn engine_speed_follows_the_ratio() {
        let gearbox = Gearbox { gear: 4, shift_left_s: 0.0 };
        assert!((gearbox.input_rpm(50.0 / 3.6, 0.298) - 1971.2).abs() < 0.1);
    }

    #[test]
    fn a_shift_up_opens_the_clutch_and_does_not_hunt() {
        let mut gearbox = Gearbox::new();
        let mut shifts = 0;
        for _ in 0..1000 {
            let before = gearbox.gear;
            gearbox.advance(9.0, 0.1, 0.01);
            shifts += usize::from(gearbox.gear != before);
        }
        assert_eq!((gearbox.gear, shifts), (3, 2));
    }
}
