//! The petrol engine: torque to fuel by a Willans line, and the heat of its coolant.
//!
//! Takes torque and speed; gives fuel mass flow and the air that goes with it.

use std::f64::consts::PI;

/// Lower heating value of petrol, J/g (common practice, 42.7 MJ/kg).
pub const HEATING_VALUE_J_PER_G: f64 = 42_700.0;
/// Air to petrol by mass at lambda 1.
pub const STOICHIOMETRIC_RATIO: f64 = 14.7;
/// What a lean-limited probe reads when no fuel is burnt.
pub const LAMBDA_ON_OVERRUN: f64 = 15.9;

/// A four-stroke petrol engine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Engine {
    /// Displacement, m³.
    pub displacement_m3: f64,
    /// Indicated efficiency: slope of the Willans line.
    pub indicated_efficiency: f64,
    /// Warm idle speed, rpm.
    pub idle_rpm: f64,
    /// Fuel is cut above this speed when the accelerator is released in gear, rpm.
    pub fuel_cut_rpm: f64,
    /// Alternator and steering pump, W.
    pub accessories_w: f64,
}

impl Engine {
    /// The van's 1.6 L engine. Idle consumption comes out at 0.19 g/s (0.9 L/h).
    pub const VAN: Self = Self {
        displacement_m3: 1.6e-3,
        indicated_efficiency: 0.35,
        idle_rpm: 880.0,
        fuel_cut_rpm: 1200.0,
        accessories_w: 480.0,
    };

    /// Torque that friction and gas exchange at closed throttle take, N·m.
    ///
    /// # Formula
    /// `T_f = fmep · V_d / 4π`, `fmep = 180 + 10 n + 5 n²` kPa with n in 1000 rpm; a quadratic in speed is
    /// common practice for the intercept of a Willans line.
    pub fn friction_n_m(&self, rpm: f64) -> f64 {
        let n = rpm / 1000.0;
        let fmep_pa = (180.0 + 10.0 * n + 5.0 * n * n) * 1000.0;
        fmep_pa * self.displacement_m3 / (4.0 * PI)
    }

    /// Largest torque at the flywheel, N·m: a parabola with 138 N·m at 3400 rpm (common practice for 1.6 L).
    pub fn max_torque_n_m(&self, rpm: f64) -> f64 {
        let n = (rpm - 3400.0) / 1000.0;
        (138.0 - 5.2 * n * n).max(60.0)
    }

    /// Fuel flow, g/s, for a flywheel torque (negative: the van drives the engine) at a speed.
    ///
    /// # Formula
    /// Willans line: `ṁ = (T ω + T_f ω + P_acc) / (η_i · H_u) · (1 + e)` and never below zero, with the
    /// enrichment e of a cold engine (engine handbooks; the coefficients are ours).
    pub fn fuel_g_s(&self, torque_n_m: f64, rpm: f64, enrichment: f64) -> f64 {
        let omega = rpm * PI / 30.0;
        let indicated_w = (torque_n_m + self.friction_n_m(rpm)) * omega + self.accessories_w;
        (indicated_w / (self.indicated_efficiency * HEATING_VALUE_J_PER_G) * (1.0 + enrichment)).max(0.0)
    }

    /// Extra fuel of a cold engine as a share.
    ///
    /// # Formula
    /// `e = 0.12 · (80 − T) / 60`, within 0 and 0.2; coolant T in °C (common practice, small).
    pub fn enrichment(coolant_c: f64) -> f64 {
        (0.12 * (80.0 - coolant_c) / 60.0).clamp(0.0, 0.2)
    }
}

/// Coolant temperature of the engine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coolant {
    /// Temperature, °C.
    pub temperature_c: f64,
}

impl Coolant {
    /// Advances by a step: towards 89 °C with τ = 320 s when running, towards the ambient with τ = 4000 s
    /// otherwise (first order; common practice).
    pub fn advance(&mut self, running: bool, ambient_c: f64, dt_s: f64) {
        let (target, tau) = if running { (89.0, 320.0) } else { (ambient_c, 4000.0) };
        self.temperature_c += (target - self.temperature_c) * dt_s / tau;
    }
}

/// Intake air flow and lambda that go with a fuel flow.
///
/// # Formula
/// `ṁ_air = ṁ_fuel · λ · 14.7`; on overrun the closed throttle still lets 0.0011 g/s per rpm through.
pub fn air_of(fuel_g_s: f64, rpm: f64, enrichment: f64) -> (f64, f64) {
    if rpm <= 0.0 {
        return (0.0, LAMBDA_ON_OVERRUN);
    }
    if fuel_g_s <= 0.0 {
        return (0.0011 * rpm, LAMBDA_ON_OVERRUN);
    }
    let lambda = 1.0 / (1.0 + enrichment);
    (fuel_g_s * lambda * STOICHIOMETRIC_RATIO, lambda)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Warm idle of petrol engines of 1.6 L: 0.6 to 1.2 L/h (workshop figures, from memory), 0.12 to 0.25 g/s.
    #[test]
    fn a_warm_idle_takes_about_a_litre_an_hour() {
        let idle = Engine::VAN.fuel_g_s(0.0, Engine::VAN.idle_rpm, 0.0);
        assert!((0.12..0.25).contains(&idle), "{idle} g/s");
    }

    /// Typical specific consumption of small petrol engines of the 1990s to 2000s: 240 to 330 g/kWh near their
    /// best point, 400 to 900 at a sixth of the load (handbook ranges, from memory).
    #[test]
    fn specific_consumption_is_that_of_a_small_petrol_engine() {
        let specific = |torque: f64, rpm: f64| {
            Engine::VAN.fuel_g_s(torque, rpm, 0.0) * 3600.0 / (torque * rpm * PI / 30.0 / 1000.0)
        };
        assert!((240.0..340.0).contains(&specific(110.0, 2500.0)), "{}", specific(110.0, 2500.0));
        assert!((400.0..900.0).contains(&specific(20.0, 2000.0)), "{}", specific(20.0, 2000.0));
    }

    #[test]
    fn overrun_takes_no_fuel_but_some_air() {
        let (air, lambda) = air_of(0.0, 2000.0, 0.0);
        assert!(air > 0.0 && lambda > 10.0);
        let (air, lambda) = air_of(0.5, 2000.0, 0.0);
        assert!((air / (lambda * STOICHIOMETRIC_RATIO) - 0.5).abs() < 1e-12);
    }
}
