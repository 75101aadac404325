//! Exact conversion factors and the few conversions that a report needs.
//!
//! SI or the trade's metric unit is stored; US customary units are presentation. Factors are exact by
//! definition (international yard and pound agreement of 1959; NIST SP 811, appendix B).

use serde::{Deserialize, Serialize};

/// Metres in an international mile (exact).
pub const METRES_PER_MILE: f64 = 1609.344;
/// Litres in a US gallon (exact: 231 cubic inches).
pub const LITRES_PER_US_GALLON: f64 = 3.785_411_784;
/// Litres in an imperial gallon (exact).
pub const LITRES_PER_IMPERIAL_GALLON: f64 = 4.546_09;
/// Metres per second in a mile per hour (exact).
pub const M_S_PER_MPH: f64 = 0.447_04;
/// Metres per second in a knot (exact: 1852 m per hour).
pub const M_S_PER_KNOT: f64 = 1852.0 / 3600.0;
/// Newton metres in a pound-force foot (exact product 4.4482216152605 × 0.3048).
pub const N_M_PER_LBF_FT: f64 = 1.355_817_948_331_400_4;
/// kWh of petrol-equivalent energy in a US gallon (40 CFR 600).
pub const KWH_PER_US_GALLON_PETROL: f64 = 33.705;

/// Which units a report shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Units {
    /// km, L/100 km, °C.
    #[default]
    Metric,
    /// mile, mpg (US), °F.
    Us,
}

/// Converts consumption in L/100 km to miles per US gallon, or back: the relation is its own inverse.
///
/// # Formula
/// `mpg = 100 · 3.785411784 / 1.609344 / x`
///
/// ```
/// let mpg = tallywheel_schemas::units::mpg_us_from_l_per_100km(9.408583);
/// assert!((mpg - 25.0).abs() < 1e-5);
/// ```
pub fn mpg_us_from_l_per_100km(l_per_100km: f64) -> f64 {
    100.0 * LITRES_PER_US_GALLON / (METRES_PER_MILE / 1000.0) / l_per_100km
}

/// Converts consumption in L/100 km to miles per imperial gallon, or back.
pub fn mpg_imperial_from_l_per_100km(l_per_100km: f64) -> f64 {
    100.0 * LITRES_PER_IMPERIAL_GALLON / (METRES_PER_MILE / 1000.0) / l_per_100km
}

/// Degrees Fahrenheit from degrees Celsius.
pub fn fahrenheit(celsius: f64) -> f64 {
    celsius * 1.8 + 32.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64, tolerance: f64) {
        assert!((a - b).abs() <= tolerance, "{a} is not {b}");
    }

    /// Unit definitions, recomputed in the check list as rows 2.35, 2.36 and 2.31.
    #[test]
    fn mileage_converts_by_definition() {
        close(mpg_us_from_l_per_100km(25.0), 9.408583, 1e-6);
        close(mpg_imperial_from_l_per_100km(40.0), 7.062023, 1e-6);
        close(25.0 * 1000.0 / METRES_PER_MILE, 15.5343, 1e-4);
        close(mpg_us_from_l_per_100km(mpg_us_from_l_per_100km(6.4)), 6.4, 1e-12);
    }

    /// 10.17 kn shown as 18.83 km/h in a VTG sentence of the NOAA ATOMIC 2020 ship GPS record.
    #[test]
    fn knots_convert_by_definition() {
        close(10.17 * M_S_PER_KNOT * 3.6, 18.83, 0.005);
    }

    #[test]
    fn temperatures_convert() {
        close(fahrenheit(100.0), 212.0, 0.0);
        close(fahrenheit(-40.0), -40.0, 0.0);
    }
}
