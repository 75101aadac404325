//! Limits of validity and comparability.

use serde::{Deserialize, Serialize};

use crate::text_file::{TextFile, TextFileError};

/// Limits of validity and comparability. The defaults are common practice of road testing, not a standard's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Rules {
    /// Smallest share of a run in which distance and fuel must both have data.
    pub min_coverage: f64,
    /// Largest departure of a run's distance from the median of all runs, share.
    pub max_distance_deviation: f64,
    /// Largest departure of a run's satellite distance from the distance used, share.
    pub max_gps_deviation: f64,
    /// Largest difference between the conditions' mean outside temperatures, K.
    pub max_ambient_difference_k: f64,
    /// Largest difference between the conditions' mean payloads, kg.
    pub max_payload_difference_kg: f64,
    /// Largest difference between the conditions' mean speeds, share.
    pub max_speed_difference: f64,
    /// Largest difference between the conditions' mean wind, m/s.
    pub max_wind_difference_m_s: f64,
    /// Largest share of a baseline run's time in which a motor may drive.
    pub max_assist_share_baseline: f64,
    /// Smallest share of an assisted run's time in which a motor must drive.
    pub min_assist_share_assist: f64,
    /// Width of the band in which three ratios of test to control consumption of a segment must lie, share of the
    /// largest.
    pub max_ratio_band: f64,
    /// Largest departure of a pass's distance or elapsed time from the vehicle's median pass, share, in a design with a
    /// control vehicle.
    pub max_pass_deviation: f64,
}

impl Default for Rules {
    fn default() -> Self {
        Self {
            min_coverage: 0.98,
            max_distance_deviation: 0.03,
            max_gps_deviation: 0.05,
            max_ambient_difference_k: 5.0,
            max_payload_difference_kg: 50.0,
            max_speed_difference: 0.10,
            max_wind_difference_m_s: 3.0,
            max_assist_share_baseline: 0.01,
            min_assist_share_assist: 0.0,
            max_ratio_band: 0.02,
            max_pass_deviation: 0.005,
        }
    }
}

impl Rules {
    pub(super) fn check(&self, file: &TextFile) -> Result<(), TextFileError> {
        let bounds = [
            ("min_coverage", self.min_coverage, 1.0),
            ("max_distance_deviation", self.max_distance_deviation, 1.0),
            ("max_gps_deviation", self.max_gps_deviation, 1.0),
            ("max_ambient_difference_k", self.max_ambient_difference_k, 100.0),
            ("max_payload_difference_kg", self.max_payload_difference_kg, 50_000.0),
            ("max_speed_difference", self.max_speed_difference, 1.0),
            ("max_wind_difference_m_s", self.max_wind_difference_m_s, 60.0),
            ("max_assist_share_baseline", self.max_assist_share_baseline, 1.0),
            ("min_assist_share_assist", self.min_assist_share_assist, 1.0),
            ("max_ratio_band", self.max_ratio_band, 1.0),
            ("max_pass_deviation", self.max_pass_deviation, 1.0),
        ];
        for (name, value, max) in bounds {
            if !(0.0..=max).contains(&value) {
                let at = file.text.find(name).unwrap_or_default();
                return Err(file.error(at..at, format!("{name} = {value} is outside 0 to {max}")));
            }
        }
        Ok(())
    }
}
