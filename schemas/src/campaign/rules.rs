//! Limits of validity and comparability.

use serde::{Deserialize, Serialize};

use crate::text_file::{TextFile, TextFileError};

/// Circumstances that consumption can be adjusted for, by the name of their comparability row. The last four are of the
/// way of driving, which an assist may change itself: adjusting for them takes that part of its effect away.
pub const ADJUSTABLE: [&str; 7] = [
    "outside temperature",
    "wind",
    "payload",
    "mean speed",
    "idle share",
    "stops per km",
    "relative positive acceleration",
];

/// Limits of validity and comparability. The defaults are common practice of road testing, not a standard's; where a
/// rule for something near says a number, the key's text names it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Rules {
    /// Smallest share of a run in which distance and fuel must both have data.
    pub min_coverage: f64,
    /// Largest departure of a run's distance from the median of all runs, share.
    pub max_distance_deviation: f64,
    /// Largest departure of a run's satellite distance from the distance used, share.
    pub max_gps_deviation: f64,
    /// Largest difference between the conditions' mean outside temperatures, K. Half of the window of 68 to 86 °F that
    /// the SmartWay interim method allows for all runs together (EPA, NEPIS P1004T21).
    pub max_ambient_difference_k: f64,
    /// Largest difference between the conditions' mean payloads, kg.
    pub max_payload_difference_kg: f64,
    /// Largest difference between the conditions' mean speeds, share.
    pub max_speed_difference: f64,
    /// Largest difference between the conditions' mean wind, m/s. The SmartWay interim method bounds wind itself, at
    /// 12 mph (5.4 m/s) with gusts to 15 mph (EPA, NEPIS P1004T21).
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
    /// Distance to either side within which a satellite track lies on another, m: a lane and a receiver's error on
    /// both tracks.
    pub route_width_m: f64,
    /// Largest share of the way by which a run's satellite track may part from another's.
    pub max_route_departure: f64,
    /// Smallest share of a run's distance with satellite fixes from which its track is judged.
    pub min_track_coverage: f64,
    /// Factor on the limits of the way of driving (speed while moving, idle share, stops, accelerations, speed
    /// histogram) inside a pair or block: what two single runs are apart by chance is part of the spread that the interval
    /// counts, and only what is left in the means favours a condition.
    pub pair_driving_factor: f64,
    /// Largest difference of the mean speed while moving, share.
    pub max_moving_speed_difference: f64,
    /// Largest difference of the share of time at standstill, percentage points.
    pub max_idle_difference_points: f64,
    /// Largest difference of stops, 1/km.
    pub max_stops_difference_per_km: f64,
    /// Largest difference of relative positive acceleration, share. The quantity is that of EU 2017/1151, annex IIIA,
    /// appendix 7a, which bounds it for a single trip and not between trips.
    pub max_rpa_difference: f64,
    /// Largest difference of the 95th percentile of speed times positive acceleration, share. The quantity is that of
    /// EU 2017/1151, annex IIIA, appendix 7a, which bounds it for a single trip and not between trips.
    pub max_va95_difference: f64,
    /// Largest share of time that is spent in other classes of speed (total variation distance), percentage points.
    pub max_speed_histogram_points: f64,
    /// Largest difference of cold tyre pressure, kPa.
    pub max_tyre_pressure_difference_kpa: f64,
    /// Largest difference of coolant temperature at the start, K.
    pub max_coolant_start_difference_k: f64,
    /// Largest difference of the pack's charge at the start among assisted runs, percentage points.
    pub max_soc_start_difference_points: f64,
    /// Drivers who may have driven in one condition, pair or block only.
    pub max_drivers_in_one_condition: f64,
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
            route_width_m: 30.0,
            max_route_departure: 0.05,
            min_track_coverage: 0.8,
            pair_driving_factor: 2.0,
            max_moving_speed_difference: 0.10,
            max_idle_difference_points: 5.0,
            max_stops_difference_per_km: 0.5,
            max_rpa_difference: 0.20,
            max_va95_difference: 0.20,
            max_speed_histogram_points: 20.0,
            max_tyre_pressure_difference_kpa: 10.0,
            max_coolant_start_difference_k: 10.0,
            max_soc_start_difference_points: 5.0,
            max_drivers_in_one_condition: 0.0,
        }
    }
}

impl Rules {
    /// Every limit by its key, with its value and the largest value that makes sense.
    fn bounded(&self) -> [(&'static str, f64, f64); 25] {
        [
            ("min_coverage", self.min_coverage, 1.0),
            ("max_distance_deviation", self.max_distance_deviation, 1.0),
            ("max_gps_deviation", self.max_gps_deviation, 1.0),
            ("max_ambient_difference_k", self.max_ambient_difference_k, 100.0),
            ("max_wind_difference_m_s", self.max_wind_difference_m_s, 60.0),
            ("max_payload_difference_kg", self.max_payload_difference_kg, 50_000.0),
            ("max_speed_difference", self.max_speed_difference, 1.0),
            ("max_assist_share_baseline", self.max_assist_share_baseline, 1.0),
            ("min_assist_share_assist", self.min_assist_share_assist, 1.0),
            ("max_ratio_band", self.max_ratio_band, 1.0),
            ("max_pass_deviation", self.max_pass_deviation, 1.0),
            ("route_width_m", self.route_width_m, 1000.0),
            ("max_route_departure", self.max_route_departure, 1.0),
            ("min_track_coverage", self.min_track_coverage, 1.0),
            ("pair_driving_factor", self.pair_driving_factor, 10.0),
            ("max_moving_speed_difference", self.max_moving_speed_difference, 1.0),
            ("max_idle_difference_points", self.max_idle_difference_points, 100.0),
            ("max_stops_difference_per_km", self.max_stops_difference_per_km, 1000.0),
            ("max_rpa_difference", self.max_rpa_difference, 10.0),
            ("max_va95_difference", self.max_va95_difference, 10.0),
            ("max_speed_histogram_points", self.max_speed_histogram_points, 100.0),
            ("max_tyre_pressure_difference_kpa", self.max_tyre_pressure_difference_kpa, 1500.0),
            ("max_coolant_start_difference_k", self.max_coolant_start_difference_k, 200.0),
            ("max_soc_start_difference_points", self.max_soc_start_difference_points, 100.0),
            ("max_drivers_in_one_condition", self.max_drivers_in_one_condition, 1000.0),
        ]
    }

    /// Every limit by its key, in the order of the report.
    pub fn values(&self) -> impl Iterator<Item = (&'static str, f64)> {
        self.bounded().into_iter().map(|(name, value, _)| (name, value))
    }

    /// Limits that let more through than the defaults do, each as its key, its value and the default.
    pub fn wider_than_usual(&self) -> Vec<(&'static str, f64, f64)> {
        let usual = Self::default();
        let both = self.values().zip(usual.values());
        both.filter(|((key, own), (_, default))| lets_more_through(key, *own, *default))
            .map(|((key, own), (_, default))| (key, own, default))
            .collect()
    }

    pub(super) fn check(&self, file: &TextFile) -> Result<(), TextFileError> {
        for (name, value, max) in self.bounded() {
            if !(0.0..=max).contains(&value) {
                let at = file.text.find(name).unwrap_or_default();
                return Err(file.error(at..at, format!("{name} = {value} is outside 0 to {max}")));
            }
        }
        if self.route_width_m <= 0.0 {
            let at = file.text.find("route_width_m").unwrap_or_default();
            return Err(file.error(at..at, "route_width_m = 0 is no width: two tracks never lie on one line"));
        }
        Ok(())
    }
}

/// Whether a limit lets through what the default would not. Most are upper ones.
fn lets_more_through(key: &str, own: f64, default: f64) -> bool {
    match key {
        "min_coverage" | "min_assist_share_assist" => own < default,
        // Below it a track is not judged at all: there the higher share lets more through.
        _ => own > default,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_lets_more_through_is_named_and_what_is_stricter_is_not() {
        assert_eq!(Rules::default().wider_than_usual(), []);
        let rules = Rules {
            min_coverage: 0.9,
            min_assist_share_assist: 0.2,
            max_ambient_difference_k: 3.0,
            max_wind_difference_m_s: 9.0,
            min_track_coverage: 1.0,
            pair_driving_factor: 3.0,
            ..Rules::default()
        };
        let wider = [
            ("min_coverage", 0.9, 0.98),
            ("max_wind_difference_m_s", 9.0, 3.0),
            ("min_track_coverage", 1.0, 0.8),
            ("pair_driving_factor", 3.0, 2.0),
        ];
        assert_eq!(rules.wider_than_usual(), wider);
    }
}
