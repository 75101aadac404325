//! How the volume of fuel changes with its temperature.
//!
//! Two models. Where the rig states a coefficient, `expansion_per_k`, the volume grows linearly with it. Otherwise the
//! petroleum tables apply (ASTM D1250 / API MPMS 11.1, table 54B, generalised products): the coefficient comes from the
//! density at 15 °C, and the volume grows exponentially. The second is the default because a density is on every
//! delivery note, while the round 0.00095 per K often quoted for petrol is a fifth lower than the tables' 0.0012 at
//! 745 kg/m³.

use super::Fuel;

/// Base temperature of the petroleum tables, °C.
const BASE_C: f64 = 15.0;

impl Fuel {
    /// Volume that a mL of fuel at `temp_c` has at the reference temperature, mL.
    ///
    /// # Formula
    /// Linear, with a stated `β`: `1 / (1 + β · (T − T_ref))`. By the petroleum tables: `c(T) / c(T_ref)` with
    /// `c(T) = exp(−α·Δ·(1 + 0.8·α·Δ))`, `Δ = T − 15 °C`, and `α` the coefficient at 15 °C.
    pub fn volume_factor(&self, temp_c: f64) -> f64 {
        match self.expansion_per_k {
            Some(beta) => 1.0 / (1.0 + beta * (temp_c - self.reference_c)),
            None => {
                let alpha = self.table_coefficient();
                table_factor(alpha, temp_c) / table_factor(alpha, self.reference_c)
            }
        }
    }

    /// Relative change of the corrected volume with the fuel's temperature, 1/K, negative: what an error of the
    /// temperature does to the volume.
    pub fn volume_factor_slope(&self, temp_c: f64) -> f64 {
        let warmer = temp_c - BASE_C;
        match self.expansion_per_k {
            Some(beta) => -beta * self.volume_factor(temp_c),
            None => {
                let alpha = self.table_coefficient();
                -alpha * (1.0 + 1.6 * alpha * warmer)
            }
        }
    }

    /// The model of expansion in words, with its coefficient at the base temperature.
    pub fn expansion_model(&self) -> String {
        match self.expansion_per_k {
            Some(beta) => format!("linear, {beta} per K as the rig states it"),
            None => format!(
                "petroleum tables (ASTM D1250 / API MPMS 11.1, table 54B), {:.6} per K at 15 °C from the density",
                self.table_coefficient()
            ),
        }
    }

    /// Expansion coefficient at 15 °C by table 54B, 1/K. The rig's density may hold at another temperature; it is
    /// taken to 15 °C first.
    fn table_coefficient(&self) -> f64 {
        let stated = self.density_g_per_ml * 1000.0;
        let mut at_base = stated;
        // The correction is within a percent or two, so that a few rounds reach working precision.
        for _ in 0..8 {
            at_base = stated / table_factor(coefficient(at_base), self.reference_c);
        }
        coefficient(at_base)
    }
}

/// Coefficient of table 54B at a density in kg/m³, 1/K: `α = K0/ρ² + K1/ρ`, and `α = A + B/ρ²` between petrol and jet
/// fuel. Constants from memory; the same stand in several public implementations of the table.
fn coefficient(density: f64) -> f64 {
    let squared = density * density;
    match density {
        ..770.5 => 346.422_8 / squared + 0.438_8 / density,
        770.5..787.5 => -0.003_363_12 + 2_680.320_6 / squared,
        787.5..838.5 => 594.541_8 / squared,
        _ => 186.969_6 / squared + 0.486_2 / density,
    }
}

/// Volume at 15 °C over volume at `temp_c`.
fn table_factor(alpha: f64, temp_c: f64) -> f64 {
    let x = alpha * (temp_c - BASE_C);
    (-x * (1.0 + 0.8 * x)).exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected} within {tolerance}");
    }

    fn at(density: f64) -> Fuel {
        Fuel { density_g_per_ml: density, ..Fuel::default() }
    }

    /// The trade corrects petrol by 0.12 % and diesel by 0.083 % per kelvin (retail practice, from memory), and the
    /// tables' coefficients lie there.
    #[test]
    fn coefficients_are_those_of_the_trade() {
        close(at(0.745).table_coefficient(), 0.0012, 0.000_05);
        close(at(0.840).table_coefficient(), 0.000_83, 0.000_02);
    }

    /// Formula of table 54B worked out in Python: 745 kg/m³ from 35 to 15 °C.
    #[test]
    fn petrol_shrinks_as_the_tables_say() {
        let petrol = at(0.745);
        let alpha = 346.4228 / (745.0 * 745.0) + 0.4388 / 745.0;
        close(alpha, 0.001_213_150, 1e-9);
        close(petrol.volume_factor(35.0), 0.975_569_4, 1e-7);
        close(petrol.volume_factor(15.0), 1.0, 0.0);
        assert!(petrol.expansion_model().contains("0.001213"), "{}", petrol.expansion_model());
    }

    /// Another reference temperature is the same physics: the factor from T to 20 °C is that to 15 °C over that of 20.
    #[test]
    fn the_reference_may_be_another() {
        let to_15 = at(0.745);
        let density_20 = 0.745 * to_15.volume_factor(20.0);
        let to_20 = Fuel { reference_c: 20.0, ..at(density_20) };
        close(to_20.volume_factor(35.0), to_15.volume_factor(35.0) / to_15.volume_factor(20.0), 1e-12);
    }

    /// What the choice of model is worth between 0 and 40 °C: a line with the tables' own coefficient stays within
    /// 0.12 % of them; the often quoted 0.00095 is off by up to 0.8 %.
    #[test]
    fn a_line_with_the_right_coefficient_differs_little() {
        let (mut own, mut quoted) = (0.0_f64, 0.0_f64);
        for temp_c in 0..=40 {
            let temp_c = f64::from(temp_c);
            let table = at(0.745).volume_factor(temp_c);
            let line = |beta| Fuel { expansion_per_k: Some(beta), ..at(0.745) }.volume_factor(temp_c);
            own = own.max((line(0.001_213_150) / table - 1.0).abs());
            quoted = quoted.max((line(0.000_95) / table - 1.0).abs());
        }
        assert!(own < 0.001_2, "{own}");
        assert!((0.007..0.008).contains(&quoted), "{quoted}");
    }

    #[test]
    fn the_slope_is_the_derivative() {
        for fuel in [at(0.745), Fuel { expansion_per_k: Some(0.001), ..at(0.745) }] {
            let numeric = (fuel.volume_factor(30.01) / fuel.volume_factor(29.99)).ln() / 0.02;
            close(fuel.volume_factor_slope(30.0), numeric, 1e-8);
        }
    }
}
