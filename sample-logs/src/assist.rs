//! The assist kit: when it helps, how hard, and what that costs.
//!
//! The controller knows the road speed, the accelerator and the brake light, nothing of the engine. Takes what
//! the driver does; gives torque at two wheels and power at the pack.

use std::f64::consts::PI;

use crate::thermal::{OneNode, TwoNode, copper_resistance_ohm};

/// Number of motors.
pub const MOTORS: usize = 2;
/// Peak torque of one motor, N·m.
pub const PEAK_TORQUE_N_M: f64 = 230.0;
/// Speed above which the torque falls as constant power, rpm.
const BASE_RPM: f64 = 380.0;
/// Torque per ampere of phase current (rms), N·m/A.
const TORQUE_PER_AMPERE: f64 = 1.60;
/// Phase resistance at 20 °C, Ω.
const PHASE_OHM: f64 = 0.028;
/// Largest change of torque, N·m/s.
const SLEW_N_M_S: f64 = 450.0;
/// Pedal travel (share) at which the motors give all they may.
pub const FULL_ASSIST_PEDAL: f64 = 0.10;
/// Regenerating torque of one motor, N·m.
const REGEN_TORQUE_N_M: f64 = 85.0;
/// Regeneration fades out below this road speed, m/s.
const REGEN_FADE_M_S: f64 = 4.0;
/// What an awake controller draws, W.
const STANDBY_W: f64 = 12.0;

/// State of the kit's controller.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KitSwitch {
    /// Assists.
    On,
    /// Switched off by the driver, as in a baseline run: awake, gives no torque.
    Off,
    /// Does not work although the driver has switched it on; the controllers report a fault.
    Dead,
}

/// Cut-off with hysteresis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CutOff {
    /// Set speed above which the assist ends, m/s.
    pub cut_off_m_s: f64,
    /// Set speed below which it begins again, m/s.
    pub cut_in_m_s: f64,
    /// Whether the assist is allowed at present.
    pub allowed: bool,
    /// Times it ended.
    pub cut_offs: u32,
    /// Times it began again.
    pub cut_ins: u32,
}

impl CutOff {
    /// The kit's setting: off above 58 km/h, on again below 52 km/h.
    pub fn kit() -> Self {
        Self { cut_off_m_s: 58.0 / 3.6, cut_in_m_s: 52.0 / 3.6, allowed: true, cut_offs: 0, cut_ins: 0 }
    }

    /// Takes a road speed; says whether the assist is allowed.
    pub fn update(&mut self, speed_m_s: f64) -> bool {
        if self.allowed && speed_m_s > self.cut_off_m_s {
            self.allowed = false;
            self.cut_offs += 1;
        } else if !self.allowed && speed_m_s < self.cut_in_m_s {
            self.allowed = true;
            self.cut_ins += 1;
        }
        self.allowed
    }
}

/// One motor with its controller.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Motor {
    /// Heat of winding and housing.
    pub heat: TwoNode,
    /// Heat of the controller.
    pub controller: OneNode,
    /// Torque of the field, N·m; the shaft has this less the drag.
    pub torque_n_m: f64,
}

/// Powers of one motor in one step, W.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct MotorPower {
    /// From the pack (negative: into it).
    pub electric_w: f64,
    /// At the shaft, positive drives the van.
    pub shaft_w: f64,
    /// Heat in the winding.
    pub copper_w: f64,
    /// Iron and bearing drag.
    pub drag_w: f64,
    /// Heat in the controller.
    pub controller_w: f64,
    /// Phase current, A rms.
    pub phase_a: f64,
}

impl Motor {
    /// A motor at rest at a temperature; see [`TwoNode::hub_motor`] for `cooling`.
    pub fn new(temperature_c: f64, cooling: f64) -> Self {
        Self {
            heat: TwoNode::hub_motor(temperature_c, cooling),
            controller: OneNode { tau_s: 260.0, k_per_w: 0.30, temperature_c },
            torque_n_m: 0.0,
        }
    }

    /// Torque that iron and bearings take at a speed, N·m, whether the kit is on or not.
    ///
    /// # Formula
    /// `T_d = 0.7 + 0.0022 · n` with n in rpm (hysteresis and bearing plus eddy currents; common practice).
    pub fn drag_n_m(rpm: f64) -> f64 {
        if rpm > 0.0 { 0.7 + 0.0022 * rpm } else { 0.0 }
    }

    /// Moves the torque towards a target, no faster than the slew limit.
    pub fn follow(&mut self, target_n_m: f64, dt_s: f64) {
        let step = SLEW_N_M_S * dt_s;
        self.torque_n_m += (target_n_m - self.torque_n_m).clamp(-step, step);
    }

    /// Shaft torque at a speed, N·m.
    pub fn shaft_n_m(&self, rpm: f64) -> f64 {
        self.torque_n_m - Self::drag_n_m(rpm)
    }

    /// Powers at a speed in rpm; `awake` says whether the controller draws its own power.
    ///
    /// # Formula
    /// `I = |T| / k`, `P_cu = 3 I² R(T_w)`, `P_ctl = 12 + 0.9 I + 0.004 I²`, `P_el = T ω + P_cu + P_ctl`.
    pub fn power(&self, rpm: f64, awake: bool) -> MotorPower {
        let omega = rpm * PI / 30.0;
        let phase_a = self.torque_n_m.abs() / TORQUE_PER_AMPERE;
        let copper_w = 3.0 * phase_a * phase_a * copper_resistance_ohm(PHASE_OHM, self.heat.winding_c);
        let standby = if awake { STANDBY_W } else { 0.0 };
        let controller_w = standby + 0.9 * phase_a + 0.004 * phase_a * phase_a;
        MotorPower {
            electric_w: self.torque_n_m * omega + copper_w + controller_w,
            shaft_w: self.shaft_n_m(rpm) * omega,
            copper_w,
            drag_w: Self::drag_n_m(rpm) * omega,
            controller_w,
            phase_a,
        }
    }

    /// Advances the heat by a step.
    pub fn warm(&mut self, power: &MotorPower, ambient_c: f64, speed_m_s: f64, dt_s: f64) {
        self.heat.advance(power.copper_w, power.drag_w, ambient_c, speed_m_s, dt_s);
        self.controller.advance(power.controller_w, ambient_c, dt_s);
    }
}

/// Largest driving torque of one motor at a speed, N·m: constant up to the base speed, constant power above.
pub fn torque_limit_n_m(rpm: f64) -> f64 {
    if rpm <= BASE_RPM { PEAK_TORQUE_N_M } else { PEAK_TORQUE_N_M * BASE_RPM / rpm }
}

/// Largest regenerating torque of one motor at a road speed, N·m.
pub fn regen_limit_n_m(speed_m_s: f64) -> f64 {
    REGEN_TORQUE_N_M * (speed_m_s / REGEN_FADE_M_S).clamp(0.0, 1.0)
}

/// Command that a pedal position (0 to 1) gives, as a share of the torque limit.
pub fn command_of_pedal(pedal: f64) -> f64 {
    (pedal / FULL_ASSIST_PEDAL).clamp(0.0, 1.0)
}

/// Pedal position at which engine and motors together push with a force.
///
/// # Formula
/// The engine pushes with `p·F_e`, the motors with `min(1, p/p_f)·F_m`; solved for p. The driver feels only
/// the sum, so with the assist on the foot is lighter.
pub fn pedal_for(force_n: f64, engine_max_n: f64, motors_max_n: f64) -> f64 {
    let together = engine_max_n + motors_max_n / FULL_ASSIST_PEDAL;
    let pedal = if force_n <= FULL_ASSIST_PEDAL * together {
        force_n / together
    } else {
        (force_n - motors_max_n) / engine_max_n
    };
    pedal.clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cut_off_has_hysteresis() {
        let mut cut_off = CutOff::kit();
        let allowed: Vec<bool> =
            [57.9, 58.1, 57.0, 52.1, 51.9, 57.9].iter().map(|kmh| cut_off.update(kmh / 3.6)).collect();
        assert_eq!(allowed, [true, false, false, false, true, true]);
        assert_eq!((cut_off.cut_offs, cut_off.cut_ins), (1, 1));
    }

    #[test]
    fn electric_power_is_shaft_power_and_losses() {
        for (torque, rpm) in [(150.0, 300.0), (-80.0, 400.0), (0.0, 500.0), (230.0, 0.0)] {
            let mut motor = Motor::new(40.0, 1.0);
            motor.torque_n_m = torque;
            let p = motor.power(rpm, true);
            let balance = p.electric_w - p.shaft_w - p.copper_w - p.drag_w - p.controller_w;
            assert!(balance.abs() < 1e-9, "{torque} {rpm}: {balance}");
        }
    }

    #[test]
    fn the_pedal_yields_the_force_asked_for() {
        for force in [50.0, 400.0, 1500.0, 2600.0] {
            let (engine, motors) = (1800.0, 1500.0);
            let pedal = pedal_for(force, engine, motors);
            let pushed = pedal * engine + command_of_pedal(pedal) * motors;
            assert!((pushed - force).abs() < 1e-9, "{force}: {pushed}");
        }
        assert!(pedal_for(600.0, 1800.0, 1500.0) < pedal_for(600.0, 1800.0, 0.0));
    }
}
