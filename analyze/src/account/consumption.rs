//! Fuel and electricity over a distance, and what they are worth in petrol, money and CO₂.

use tallywheel_schemas::units::{KWH_PER_US_GALLON_PETROL, LITRES_PER_US_GALLON};

/// Energy of a litre of petrol as labels count it, kWh: 33.705 kWh a US gallon (40 CFR 600, from memory; a public
/// laboratory's page has 33,700 Wh).
pub const KWH_PER_LITRE_PETROL: f64 = KWH_PER_US_GALLON_PETROL / LITRES_PER_US_GALLON;

/// What driving takes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Consumption {
    /// Fuel, L/100 km.
    pub fuel_l_per_100km: f64,
    /// Electricity from the wall, Wh/km; `None` where it is not known.
    pub wall_wh_per_km: Option<f64>,
}

impl Consumption {
    /// Fuel and nothing else.
    pub const fn fuel_only(fuel_l_per_100km: f64) -> Self {
        Self { fuel_l_per_100km, wall_wh_per_km: Some(0.0) }
    }

    /// A share of the distance driven like this, the rest like `rest`: summed over distance, as 40 CFR 600 averages.
    #[must_use]
    pub fn mixed(&self, share: f64, rest: &Self) -> Self {
        let mix = |a: f64, b: f64| share * a + (1.0 - share) * b;
        Self {
            fuel_l_per_100km: mix(self.fuel_l_per_100km, rest.fuel_l_per_100km),
            wall_wh_per_km: self.wall_wh_per_km.zip(rest.wall_wh_per_km).map(|(a, b)| mix(a, b)),
        }
    }

    /// Fuel and wall electricity as petrol, L/100 km, at [`KWH_PER_LITRE_PETROL`].
    pub fn petrol_equivalent_l_per_100km(&self) -> Option<f64> {
        Some(self.fuel_l_per_100km + self.wall_wh_per_km? / 10.0 / KWH_PER_LITRE_PETROL)
    }

    /// Something that each litre and each kWh from the wall costs or emits, per km. Where nothing comes from the wall,
    /// the figure of a kWh is not needed.
    pub fn per_km(&self, per_l: Option<f64>, per_kwh: Option<f64>) -> Option<f64> {
        let electric = match self.wall_wh_per_km? {
            0.0 => 0.0,
            wh => wh / 1000.0 * per_kwh?,
        };
        Some(self.fuel_l_per_100km / 100.0 * per_l? + electric)
    }
}

/// Gain of mileage in %, `(B − T) / T` in consumption.
pub fn gain_percent(without: f64, with: f64) -> f64 {
    (without / with - 1.0) * 100.0
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::units::{METRES_PER_MILE, mpg_us_from_l_per_100km};

    use super::*;

    const KM_PER_MILE: f64 = METRES_PER_MILE / 1000.0;

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
    }

    /// 100 miles on 1.5 US gallons and 12 kWh are 53.8784 mpg-equivalent, 25 kWh alone per 100 miles 134.82 (33.705
    /// kWh per gallon: 40 CFR 600, from memory).
    #[test]
    fn electricity_counts_as_petrol() {
        let km = 100.0 * KM_PER_MILE;
        let mpge = |gallons: f64, kwh: f64| {
            let fuel = gallons * LITRES_PER_US_GALLON / km * 100.0;
            let used = Consumption { fuel_l_per_100km: fuel, wall_wh_per_km: Some(kwh * 1000.0 / km) };
            mpg_us_from_l_per_100km(used.petrol_equivalent_l_per_100km().expect("known"))
        };
        close(mpge(1.5, 12.0), 53.8784, 1e-4);
        close(mpge(0.0, 25.0), 134.82, 1e-9);
    }

    /// Energy of 2.0 L of petrol at 33.705 kWh a US gallon (from memory): 17.8078 kWh.
    #[test]
    fn a_litre_has_its_energy() {
        close(2.0 * KWH_PER_LITRE_PETROL, 17.8078, 1e-4);
    }

    /// 8,887 g a US gallon are 2347.7 g a litre, and 355.48 g a mile at 25 mpg (EPA-420-F-11-041).
    #[test]
    fn carbon_dioxide_follows_the_fuel() {
        let per_l = 8887.0 / LITRES_PER_US_GALLON;
        close(per_l, 2347.7, 0.01);
        let used = Consumption::fuel_only(mpg_us_from_l_per_100km(25.0));
        close(used.per_km(Some(per_l), None).expect("no electricity") * KM_PER_MILE, 355.48, 1e-9);
    }

    /// `1 / (UF·EC/33700 + (1 − UF)/FE)` with UF 0.6, 300 Wh/mi and 40 mpg is 65.1838 mpg-equivalent (NREL
    /// transportation technology baseline page). That page has 33,700 Wh a gallon where this module has 33,705.
    #[test]
    fn a_share_on_electricity_averages_over_distance() {
        let electric = Consumption {
            fuel_l_per_100km: 0.0,
            wall_wh_per_km: Some(300.0 / KM_PER_MILE * (KWH_PER_US_GALLON_PETROL / 33.7)),
        };
        let day = electric.mixed(0.6, &Consumption::fuel_only(mpg_us_from_l_per_100km(40.0)));
        let mpge = mpg_us_from_l_per_100km(day.petrol_equivalent_l_per_100km().expect("known"));
        close(mpge, 65.1838, 1e-4);
    }

    #[test]
    fn what_is_not_known_stays_unknown() {
        let used = Consumption { fuel_l_per_100km: 6.0, wall_wh_per_km: None };
        assert_eq!(used.petrol_equivalent_l_per_100km(), None);
        assert_eq!(used.per_km(Some(2.0), Some(0.3)), None);
        let used = Consumption { wall_wh_per_km: Some(100.0), ..used };
        assert_eq!((used.per_km(Some(2.0), None), used.per_km(None, Some(0.3))), (None, None));
        close(used.per_km(Some(2.0), Some(0.3)).expect("stated"), 0.15, 1e-12);
    }

    /// Doubled mileage is +100 % (algebra).
    #[test]
    fn a_gain_is_over_the_lower_mileage() {
        close(gain_percent(10.0, 5.0), 100.0, 1e-12);
    }
}
