//! What heat does to insulation.
//!
//! The ten-degree rule and the Arrhenius law both say how much faster insulation ages at another temperature.
//! Published lives at high temperature depart from either by a factor of two and more (a public table gives
//! 8,500 h for class F at 180 °C where the rule gives 3,536 h), so use is reported relative to the class
//! temperature and not as hours left.

/// Nominal life of an insulation at its class temperature, h (IEC 60216, from memory).
pub const NOMINAL_LIFE_H: f64 = 20_000.0;

/// Boltzmann's constant, eV/K (CODATA 2018).
pub const BOLTZMANN_EV_PER_K: f64 = 8.617_333_262e-5;

const KELVIN: f64 = 273.15;

/// How many times faster insulation ages at `t_c` than at its class temperature by the ten-degree rule:
/// `2^((T − Tclass)/10)`.
pub fn ten_degree_factor(t_c: f64, class_c: f64) -> f64 {
    ((t_c - class_c) / 10.0).exp2()
}

/// The same by the Arrhenius law with an activation energy in eV: `exp(Ea/k·(1/T0 − 1/T))`, temperatures in K.
pub fn arrhenius_factor(t_c: f64, reference_c: f64, activation_ev: f64) -> f64 {
    (activation_ev / BOLTZMANN_EV_PER_K * (1.0 / (reference_c + KELVIN) - 1.0 / (t_c + KELVIN))).exp()
}

/// Activation energy in eV that makes ageing `ratio` times faster at `hot_c` than at `cool_c`.
pub fn activation_energy_ev(cool_c: f64, hot_c: f64, ratio: f64) -> f64 {
    BOLTZMANN_EV_PER_K * ratio.ln() / (1.0 / (cool_c + KELVIN) - 1.0 / (hot_c + KELVIN))
}

/// Activation energy with which the Arrhenius law doubles ageing over the ten kelvin above the class
/// temperature: the same slope as the ten-degree rule there, and physical away from it.
pub fn class_activation_ev(class_c: f64) -> f64 {
    activation_energy_ev(class_c, class_c + 10.0, 2.0)
}

/// Insulation life used by some time at temperature, as a running sum.
#[derive(Debug, Clone, Copy)]
pub struct LifeUse {
    class_c: f64,
    activation_ev: f64,
    equivalent_s: f64,
}

impl LifeUse {
    /// Nothing used yet, for an insulation of this class temperature.
    pub fn new(class_c: f64) -> Self {
        Self { class_c, activation_ev: class_activation_ev(class_c), equivalent_s: 0.0 }
    }

    /// Adds `seconds` at `t_c`.
    pub fn add(&mut self, t_c: f64, seconds: f64) {
        self.equivalent_s += seconds * arrhenius_factor(t_c, self.class_c, self.activation_ev);
    }

    /// Hours at class temperature that would have used as much.
    pub fn equivalent_hours(&self) -> f64 {
        self.equivalent_s / 3600.0
    }

    /// Share of the nominal life used.
    pub fn fraction(&self) -> f64 {
        self.equivalent_hours() / NOMINAL_LIFE_H
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(actual: f64, expected: f64, relative: f64) {
        assert!((actual / expected - 1.0).abs() <= relative, "{actual} is not {expected}");
    }

    /// “Each 10 °C halves the life” with 20,000 h at the class temperature of class F, 155 °C.
    #[test]
    fn ten_degree_rule() {
        close(NOMINAL_LIFE_H / ten_degree_factor(165.0, 155.0), 10_000.0, 1e-12);
        close(NOMINAL_LIFE_H / ten_degree_factor(145.0, 155.0), 40_000.0, 1e-12);
        close(0.5 * ten_degree_factor(165.0, 155.0) / NOMINAL_LIFE_H, 5e-5, 1e-12);
        close(NOMINAL_LIFE_H / ten_degree_factor(180.0, 155.0), 3535.53, 1e-5);
        let profile = [(1.0, 120.0), (0.5, 150.0), (0.1, 170.0)];
        close(profile.iter().map(|(h, t)| h * ten_degree_factor(*t, 155.0)).sum(), 0.724_784, 1e-6);
    }

    /// Arrhenius with k = 8.617333e-5 eV/K: factor from 155 to 165 °C at 1.0 eV, and the energy for exactly 2.
    #[test]
    fn arrhenius_law() {
        close(arrhenius_factor(165.0, 155.0, 1.0), 1.856_32, 1e-5);
        close(class_activation_ev(155.0), 1.120_51, 1e-5);
    }

    #[test]
    fn life_use_meets_the_ten_degree_rule_at_the_class_and_ten_above() {
        for (t, hours, expected) in [(155.0, 2.0, 1e-4), (165.0, 0.5, 5e-5)] {
            let mut life = LifeUse::new(155.0);
            life.add(t, hours * 3600.0);
            close(life.fraction(), expected, 1e-9);
        }
    }
}
