//! The pack: open-circuit voltage, internal resistance, charge, heat; and the charger on the wall.

use crate::thermal::OneNode;

/// Cells in series.
pub const CELLS: f64 = 30.0;
/// Capacity, Ah.
pub const CAPACITY_AH: f64 = 55.0;
/// Largest current out, A.
pub const MAX_DISCHARGE_A: f64 = 200.0;
/// Largest current in while driving, A.
pub const MAX_REGEN_A: f64 = 60.0;

/// Open-circuit voltage of one LFP cell at 0, 5, 10, 20 … 90, 95, 98, 100 % of charge, V (typical curve of the
/// chemistry, common practice).
const OCV: [(f64, f64); 14] = [
    (0.00, 2.60),
    (0.05, 3.05),
    (0.10, 3.19),
    (0.20, 3.245),
    (0.30, 3.272),
    (0.40, 3.285),
    (0.50, 3.290),
    (0.60, 3.295),
    (0.70, 3.315),
    (0.80, 3.325),
    (0.90, 3.330),
    (0.95, 3.340),
    (0.98, 3.370),
    (1.00, 3.450),
];

/// State of the pack.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pack {
    /// State of charge, 0 to 1.
    pub soc: f64,
    /// Temperature.
    pub body: OneNode,
}

/// Terminal values for a power.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Terminal {
    /// Voltage, V.
    pub voltage_v: f64,
    /// Current, A, positive out of the pack.
    pub current_a: f64,
    /// Open-circuit voltage, V.
    pub open_v: f64,
    /// Heat in the internal resistance, W.
    pub loss_w: f64,
}

impl Pack {
    /// A pack at a state of charge (0 to 1) and temperature in °C.
    pub fn new(soc: f64, temperature_c: f64) -> Self {
        Self { soc, body: OneNode { tau_s: 7000.0, k_per_w: 0.16, temperature_c } }
    }

    /// Open-circuit voltage of the pack, V: a straight line between the points of the cell's table.
    pub fn open_voltage_v(&self) -> f64 {
        CELLS * interpolate(&OCV, self.soc)
    }

    /// Internal resistance, Ω.
    ///
    /// # Formula
    /// `R = 30 · 1.5 mΩ · exp(−0.018 (T − 25))` within 0.6 and 2.5 times the value at 25 °C (common practice).
    pub fn resistance_ohm(&self) -> f64 {
        let factor = (-0.018 * (self.body.temperature_c - 25.0)).exp().clamp(0.6, 2.5);
        CELLS * 0.0015 * factor
    }

    /// Terminal values when so much power is taken (negative: put in), W. Power beyond what the pack can give
    /// at all is cut to that.
    ///
    /// # Formula
    /// `P = U_0 I − R I²`, hence `I = (U_0 − √(U_0² − 4 R P)) / 2R`.
    pub fn terminal(&self, power_w: f64) -> Terminal {
        let (open, r) = (self.open_voltage_v(), self.resistance_ohm());
        let current = (open - (open * open - 4.0 * r * power_w).max(0.0).sqrt()) / (2.0 * r);
        Terminal { voltage_v: open - r * current, current_a: current, open_v: open, loss_w: r * current * current }
    }

    /// Largest power out, W: the current limit, tapered to nothing between 20 and 10 % of charge.
    pub fn max_out_w(&self) -> f64 {
        self.power_at(MAX_DISCHARGE_A * ((self.soc - 0.10) / 0.10).clamp(0.0, 1.0))
    }

    /// Largest power in, W (positive): the regeneration limit, tapered to nothing between 93 and 98 % of charge.
    pub fn max_in_w(&self) -> f64 {
        -self.power_at(-MAX_REGEN_A * ((0.98 - self.soc) / 0.05).clamp(0.0, 1.0))
    }

    fn power_at(&self, current_a: f64) -> f64 {
        (self.open_voltage_v() - self.resistance_ohm() * current_a) * current_a
    }

    /// Advances charge and heat by a step.
    ///
    /// # Formula
    /// `dSOC/dt = −I / (3600 · Q)`, Q in Ah.
    pub fn advance(&mut self, terminal: &Terminal, ambient_c: f64, dt_s: f64) {
        self.soc -= terminal.current_a * dt_s / 3600.0 / CAPACITY_AH;
        self.body.advance(terminal.loss_w, ambient_c, dt_s);
    }
}

/// The charger: constant power until the pack's voltage limit, then tapering.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Charger {
    /// Power from the wall while it is not tapering, W.
    pub wall_w: f64,
    /// Energy into the pack over energy from the wall.
    pub efficiency: f64,
    /// Voltage that it does not exceed, V.
    pub limit_v: f64,
}

impl Charger {
    /// The kit's 1.8 kW charger; 0.88 is common for its class.
    pub const KIT: Self = Self { wall_w: 1800.0, efficiency: 0.88, limit_v: 103.2 };

    /// Power from the wall at this moment, W; zero when the pack is full (current below 2 A at the limit).
    ///
    /// # Formula
    /// At the voltage limit `I = (U_lim − U_0) / R`, `P_wall = U_lim I / η`.
    pub fn wall_power_w(&self, pack: &Pack) -> f64 {
        let current = (self.limit_v - pack.open_voltage_v()) / pack.resistance_ohm();
        if current < 2.0 {
            return 0.0;
        }
        self.wall_w.min(self.limit_v * current / self.efficiency)
    }
}

/// Straight line between points with rising abscissae; the end values hold outside.
pub fn interpolate(points: &[(f64, f64)], x: f64) -> f64 {
    let upper = points.partition_point(|p| p.0 <= x);
    if upper == 0 {
        return points.first().map_or(f64::NAN, |p| p.1);
    }
    let (x0, y0) = points[upper - 1];
    match points.get(upper) {
        Some(&(x1, y1)) => y0 + (y1 - y0) * (x - x0) / (x1 - x0),
        None => y0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn terminal_power_is_the_power_asked_for() {
        let pack = Pack::new(0.7, 18.0);
        for power in [-5000.0, 0.0, 24.0, 9000.0, 16_000.0] {
            let t = pack.terminal(power);
            assert!((t.voltage_v * t.current_a - power).abs() < 1e-6, "{power}");
            assert!((t.open_v * t.current_a - t.loss_w - power).abs() < 1e-6, "{power}");
        }
    }

    #[test]
    fn counted_charge_is_the_change_of_soc() {
        let mut pack = Pack::new(0.9, 15.0);
        let mut counted_ah = 0.0;
        for k in 0..200_000 {
            let t = pack.terminal(6000.0 * (f64::from(k) * 0.001).sin() + 1500.0);
            counted_ah += t.current_a * 0.01 / 3600.0;
            pack.advance(&t, 15.0, 0.01);
        }
        assert!((counted_ah - (0.9 - pack.soc) * CAPACITY_AH).abs() < 1e-9, "{counted_ah}");
    }

    #[test]
    fn limits_taper_at_the_ends() {
        assert!(Pack::new(0.09, 20.0).max_out_w().abs() < 1e-9);
        assert!(Pack::new(0.99, 20.0).max_in_w().abs() < 1e-9);
        assert!(Pack::new(0.60, 20.0).max_out_w() > 15_000.0);
    }

    #[test]
    fn nominal_voltage_is_about_96_volts() {
        let nominal = Pack::new(0.5, 25.0).open_voltage_v();
        assert!((95.0..101.0).contains(&nominal), "{nominal}");
    }
}
