//! What the calibrations in a rig say about the sums computed from it (JCGM 100).
//!
//! These errors are the same in both conditions of a comparison on one vehicle: they shift a mileage, and cancel
//! in the ratio of two. A sensor without a calibration is not exact: what common practice takes for it stands in, as in the
//! [budget](crate::budget).

use tallywheel_schemas::{
    Rig,
    rig::{Calibration, DistanceSource, FuelSource},
};

use crate::tally::Tally;

/// Calibration of a channel without a motor position.
fn calibration<'a>(rig: &'a Rig, channel: &str) -> Option<&'a Calibration> {
    rig.signal(channel, None)?.calibration.as_ref()
}

/// Relative standard uncertainties of sensors that nobody calibrated (common practice; the reported rate within 5 %, the
/// limit for on-board fuel meters in EU type approval, from memory).
pub(crate) mod uncalibrated {
    pub(crate) const WHEEL: f64 = 0.01;
    pub(crate) const SATELLITE: f64 = 0.005;
    pub(crate) const FUEL_METER: f64 = 0.01;
    /// 5 % over the square root of three.
    pub(crate) const FUEL_RATE: f64 = 0.028_867_513_459_481_29;
    pub(crate) const AIR_MASS: f64 = 0.03;
    pub(crate) const LAMBDA: f64 = 0.01;
    pub(crate) const VOLTAGE: f64 = 0.005;
    pub(crate) const CURRENT: f64 = 0.01;
}

/// Relative standard uncertainty of a distance: the sensor's relative part, and its absolute part over the mean
/// value seen.
pub fn distance(rig: &Rig, source: Option<DistanceSource>, tally: &Tally) -> f64 {
    let mean_speed = tally.distance_m.map(|m| m / tally.distance_valid_s);
    match source {
        Some(DistanceSource::Wheel) => {
            relative(calibration(rig, "motion.wheel_speed_m_s"), mean_speed, uncalibrated::WHEEL)
        }
        Some(DistanceSource::Hall) => relative(calibration(rig, "motion.hall_count"), None, uncalibrated::WHEEL),
        Some(DistanceSource::Gps) => {
            relative(calibration(rig, "motion.gps_speed_m_s"), mean_speed, uncalibrated::SATELLITE)
        }
        None => 0.0,
    }
}

/// Relative standard uncertainty of a fuel sum.
pub fn fuel(rig: &Rig, source: Option<FuelSource>, tally: &Tally) -> f64 {
    let mean_rate = tally.fuel_ml.map(|ml| ml * rig.fuel.density_g_per_ml / tally.fuel_valid_s);
    match source {
        Some(FuelSource::Meter) => relative(calibration(rig, "engine.fuel_count"), None, uncalibrated::FUEL_METER),
        Some(FuelSource::Rate) => {
            relative(calibration(rig, "engine.fuel_rate_g_s"), mean_rate, uncalibrated::FUEL_RATE)
        }
        Some(FuelSource::Air) => {
            let mean_air = mean_rate.map(|g_s| g_s * rig.fuel.stoichiometric_ratio);
            let air = relative(calibration(rig, "engine.maf_g_s"), mean_air, uncalibrated::AIR_MASS);
            air.hypot(relative(calibration(rig, "engine.lambda"), Some(1.0), uncalibrated::LAMBDA))
        }
        None => 0.0,
    }
}

/// Relative standard uncertainty of the energy out of the pack: voltage and current, relative and absolute.
pub fn pack_energy(rig: &Rig, tally: &Tally) -> f64 {
    let (Some(wh), Some(ah)) = (tally.pack_out_wh, tally.pack_out_ah) else { return 0.0 };
    let mean_voltage = (ah > 0.0).then(|| wh / ah);
    let mean_current = (tally.pack_valid_s > 0.0).then(|| ah * 3600.0 / tally.pack_valid_s);
    relative(calibration(rig, "pack.voltage_v"), mean_voltage, uncalibrated::VOLTAGE).hypot(relative(
        calibration(rig, "pack.current_a"),
        mean_current,
        uncalibrated::CURRENT,
    ))
}

/// Standard uncertainty of a mileage as a share: fuel and distance in quadrature.
pub fn mileage(rig: &Rig, sources: (Option<DistanceSource>, Option<FuelSource>), tally: &Tally) -> f64 {
    distance(rig, sources.0, tally).hypot(fuel(rig, sources.1, tally))
}

/// Relative and absolute part of a calibration in quadrature, the absolute one at a typical value. A calibration that
/// states no uncertainty is none.
fn relative(calibration: Option<&Calibration>, typical: Option<f64>, uncalibrated: f64) -> f64 {
    let stated = calibration.filter(|c| c.relative_uncertainty > 0.0 || c.absolute_uncertainty > 0.0);
    let Some(c) = stated else { return uncalibrated };
    let absolute = typical.filter(|t| t.is_finite() && *t != 0.0).map_or(0.0, |t| c.absolute_uncertainty / t);
    c.relative_uncertainty.hypot(absolute)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sensor_that_nobody_calibrated_is_not_exact() {
        assert!((relative(None, None, 0.01) - 0.01).abs() < 1e-15);
        let stated = |relative_uncertainty, absolute_uncertainty| Calibration {
            factor: 1.0,
            offset: 0.0,
            date: None,
            due: None,
            certificate: None,
            relative_uncertainty,
            absolute_uncertainty,
            degrees_of_freedom: None,
        };
        assert!((relative(Some(&stated(0.0, 0.0)), Some(5.0), 0.01) - 0.01).abs() < 1e-15);
        assert!((relative(Some(&stated(0.003, 0.04)), Some(10.0), 0.01) - 0.005).abs() < 1e-15);
    }
}
