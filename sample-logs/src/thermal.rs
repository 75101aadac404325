//! Heat of a motor (winding and housing) and of its controller.
//!
//! Two heat capacities joined by a thermal resistance, the housing cooled by the air that passes: the usual
//! lumped model of a small machine. The time steps are far below the time constants, so plain forward steps do.

/// Temperature coefficient of copper's resistance, 1/K at 20 °C (handbook value).
pub const COPPER_PER_K: f64 = 0.003_93;

/// A two-node thermal model.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoNode {
    /// Heat capacity of the winding, J/K.
    pub winding_j_per_k: f64,
    /// Heat capacity of the housing, J/K.
    pub housing_j_per_k: f64,
    /// Thermal resistance winding to housing, K/W.
    pub winding_to_housing_k_per_w: f64,
    /// Thermal resistance housing to air at standstill, K/W.
    pub housing_to_air_k_per_w: f64,
    /// How much the passing air helps, per (m/s).
    pub cooling_per_m_s: f64,
    /// Winding temperature, °C.
    pub winding_c: f64,
    /// Housing temperature, °C.
    pub housing_c: f64,
}

impl TwoNode {
    /// A hub motor of the kit at a temperature in °C; `cooling` scales how well it is cooled (1 = as designed).
    pub fn hub_motor(temperature_c: f64, cooling: f64) -> Self {
        Self {
            winding_j_per_k: 1500.0,
            housing_j_per_k: 6200.0,
            winding_to_housing_k_per_w: 0.140,
            housing_to_air_k_per_w: 0.235 / cooling,
            cooling_per_m_s: 0.035,
            winding_c: temperature_c,
            housing_c: temperature_c,
        }
    }

    /// Advances by a step with the losses in winding and housing (iron, bearings) in W.
    ///
    /// # Formula
    /// `C_w dT_w/dt = P_w − (T_w − T_h)/R_wh`,
    /// `C_h dT_h/dt = P_h + (T_w − T_h)/R_wh − (T_h − T_a)(1 + k v)/R_ha`.
    pub fn advance(&mut self, winding_w: f64, housing_w: f64, ambient_c: f64, speed_m_s: f64, dt_s: f64) {
        let across = (self.winding_c - self.housing_c) / self.winding_to_housing_k_per_w;
        let away =
            (self.housing_c - ambient_c) * (1.0 + self.cooling_per_m_s * speed_m_s) / self.housing_to_air_k_per_w;
        self.winding_c += (winding_w - across) / self.winding_j_per_k * dt_s;
        self.housing_c += (housing_w + across - away) / self.housing_j_per_k * dt_s;
    }
}

/// A body with one temperature: a controller's heat sink, the pack.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OneNode {
    /// Time constant, s.
    pub tau_s: f64,
    /// Temperature rise per watt in the steady state, K/W.
    pub k_per_w: f64,
    /// Temperature, °C.
    pub temperature_c: f64,
}

impl OneNode {
    /// Advances by a step with a loss in W.
    ///
    /// # Formula
    /// `τ dT/dt = T_a + R P − T`.
    pub fn advance(&mut self, loss_w: f64, ambient_c: f64, dt_s: f64) {
        self.temperature_c += (ambient_c + self.k_per_w * loss_w - self.temperature_c) * dt_s / self.tau_s;
    }
}

/// Resistance at a temperature, Ω, from its value at 20 °C.
///
/// # Formula
/// `R = R₂₀ (1 + 0.00393 (T − 20))`.
pub fn copper_resistance_ohm(at_20_c_ohm: f64, temperature_c: f64) -> f64 {
    at_20_c_ohm * (1.0 + COPPER_PER_K * (temperature_c - 20.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(body: &mut OneNode, loss_w: f64, ambient_c: f64, seconds: f64) {
        for _ in 0..(seconds * 100.0).round() as usize {
            body.advance(loss_w, ambient_c, 0.01);
        }
    }

    fn close(a: f64, b: f64, tolerance: f64) {
        assert!((a - b).abs() <= tolerance, "{a} is not {b}");
    }

    /// First-order response, lumped model: 1 − e⁻¹ = 0.632121 at t = τ; with T_a 30 °C, ΔT 120 K, τ 900 s the
    /// body is at 88.3899 °C after 600 s and at 130 °C after 1612.58 s, and back at 66.7879 °C another 900 s
    /// after the loss ends (from memory, recomputed). Tolerances are the error of forward steps of 10 ms.
    #[test]
    fn a_single_body_follows_the_exponential() {
        let body = OneNode { tau_s: 900.0, k_per_w: 0.12, temperature_c: 30.0 };
        let mut at_tau = body;
        run(&mut at_tau, 1000.0, 30.0, 900.0);
        close((at_tau.temperature_c - 30.0) / 120.0, 0.632121, 1e-5);
        let mut at_600 = body;
        run(&mut at_600, 1000.0, 30.0, 600.0);
        close(at_600.temperature_c, 88.3899, 1e-3);
        let mut at_130 = body;
        run(&mut at_130, 1000.0, 30.0, 1612.58);
        close(at_130.temperature_c, 130.0, 1e-3);
        run(&mut at_130, 0.0, 30.0, 900.0);
        close(at_130.temperature_c, 66.7879, 1e-3);
    }

    /// With the housing held at the ambient (no resistance to it worth the name) the winding alone is a single
    /// body with τ = R_wh C_w, so the same rows hold for the two-node model.
    #[test]
    fn a_winding_on_a_cold_housing_follows_the_exponential() {
        let mut motor = TwoNode {
            winding_j_per_k: 9000.0,
            housing_j_per_k: 1e12,
            winding_to_housing_k_per_w: 0.1,
            housing_to_air_k_per_w: 1.0,
            cooling_per_m_s: 0.0,
            winding_c: 30.0,
            housing_c: 30.0,
        };
        for _ in 0..60_000 {
            motor.advance(1200.0, 0.0, 30.0, 0.0, 0.01);
        }
        close(motor.winding_c, 88.3899, 1e-3);
    }

    #[test]
    fn a_steady_loss_ends_at_the_sum_of_the_resistances() {
        let mut motor = TwoNode::hub_motor(15.0, 1.0);
        for _ in 0..400_000 {
            motor.advance(100.0, 0.0, 15.0, 0.0, 0.1);
        }
        close(motor.winding_c, 15.0 + 100.0 * (0.140 + 0.235), 1e-6);
    }

    #[test]
    fn hot_copper_resists_more() {
        close(copper_resistance_ohm(0.040, 120.0), 0.040 * 1.393, 1e-12);
    }
}
