//! What is compared: each quantity with its unit, its limit and where the limit comes from.

use tallywheel_schemas::campaign::Rules;

use crate::run::RunFacts;

/// Common practice of road testing: no standard says the number.
const PRACTICE: &str = "common practice";

/// How far a difference may go.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Limit {
    /// So much, in a unit.
    Difference(f64, &'static str),
    /// A share of the baseline mean.
    Share(f64),
}

impl Limit {
    /// The number and its unit, as the report has them.
    pub const fn stated(self) -> (f64, &'static str) {
        match self {
            Self::Difference(most, unit) => (most, unit),
            Self::Share(most) => (most, "share"),
        }
    }

    /// The same limit so many times over.
    pub fn times(self, factor: f64) -> Self {
        match self {
            Self::Difference(most, unit) => Self::Difference(most * factor, unit),
            Self::Share(most) => Self::Share(most * factor),
        }
    }

    /// A difference over the limit: above 1 it is too much. Nothing is no share of nought; two noughts are alike.
    pub fn used_up(self, difference: f64, baseline: f64) -> f64 {
        let most = match self {
            Self::Difference(most, _) => most,
            Self::Share(most) => most * baseline.abs(),
        };
        // Rounding of the means must not make of "at the limit" "beyond it".
        let beyond = difference.abs() > most * (1.0 + 1e-9);
        match (beyond, most > 0.0) {
            (_, true) => difference.abs() / most,
            (true, false) => f64::INFINITY,
            (false, false) => 0.0,
        }
    }
}

/// A quantity that every run has one value of.
#[derive(Debug, Clone, Copy)]
pub struct Quantity {
    /// Name of its row, which is also the covariate's.
    pub name: &'static str,
    /// Unit of its values.
    pub unit: &'static str,
    /// Its limit in a campaign's rules.
    pub limit: fn(&Rules) -> Limit,
    /// Where the limit comes from.
    pub source: &'static str,
    /// Whether it is of the way of driving, so that single runs scatter in it by chance.
    pub scatters: bool,
    /// Whether a comparison at the same speeds takes it out.
    pub of_speed: bool,
    /// Its value in a run.
    pub value: fn(&RunFacts<'_>) -> Option<f64>,
}

/// The name of the row of satellite tracks.
pub const ROUTE: &str = "route";
/// The name of the row of distances.
pub const DISTANCE: &str = "distance";
/// The name of the row of speed histograms.
pub const HISTOGRAM: &str = "speed histogram";
/// The name of the row of coolant temperatures.
pub const COOLANT: &str = "coolant at the start";
/// The name of the row of charge.
pub const CHARGE: &str = "pack charge at the start";
/// The name of the row of drivers.
pub const DRIVERS: &str = "drivers";

/// Where the limit of satellite tracks comes from.
pub const ROUTE_SOURCE: &str = "common practice: the same road within a lane and both receivers' errors";
/// Where the limit of histograms comes from.
pub const HISTOGRAM_SOURCE: &str = PRACTICE;
/// Where the limit of charge comes from.
pub const CHARGE_SOURCE: &str = PRACTICE;
/// Where the limit of drivers comes from.
pub const DRIVERS_SOURCE: &str = "common practice: one driver in both conditions";

/// The quantities of which conditions and pairs are compared by their means, in the order of the report.
pub const QUANTITIES: [Quantity; 12] = [
    Quantity {
        name: DISTANCE,
        unit: "km",
        limit: |r| Limit::Share(r.max_distance_deviation),
        source: PRACTICE,
        scatters: false,
        of_speed: true,
        value: |r| r.tally.distance_m.map(|m| m / 1000.0),
    },
    Quantity {
        name: "mean speed",
        unit: "km/h",
        limit: |r| Limit::Share(r.max_speed_difference),
        source: PRACTICE,
        scatters: false,
        of_speed: true,
        value: |r| r.speed_mean_m_s.map(|v| v * 3.6),
    },
    Quantity {
        name: "mean speed while moving",
        unit: "km/h",
        limit: |r| Limit::Share(r.max_moving_speed_difference),
        source: PRACTICE,
        scatters: true,
        of_speed: true,
        value: |r| r.driven.speed_moving_m_s.map(|v| v * 3.6),
    },
    Quantity {
        name: "idle share",
        unit: "%",
        limit: |r| Limit::Difference(r.max_idle_difference_points, "points"),
        source: PRACTICE,
        scatters: true,
        of_speed: false,
        value: |r| r.idle_share.map(|s| s * 100.0),
    },
    Quantity {
        name: "stops per km",
        unit: "1/km",
        limit: |r| Limit::Difference(r.max_stops_difference_per_km, "1/km"),
        source: PRACTICE,
        scatters: true,
        of_speed: false,
        value: |r| r.driven.stops_per_km,
    },
    Quantity {
        name: "relative positive acceleration",
        unit: "m/s²",
        limit: |r| Limit::Share(r.max_rpa_difference),
        source: "common practice; the quantity as in EU 2017/1151, annex IIIA, appendix 7a, which bounds it for one trip \
                 and not between trips",
        scatters: true,
        of_speed: false,
        value: |r| r.driven.rpa_m_s2,
    },
    Quantity {
        name: "v·a⁺, 95th percentile",
        unit: "m²/s³",
        limit: |r| Limit::Share(r.max_va95_difference),
        source: "common practice; the quantity as in EU 2017/1151, annex IIIA, appendix 7a, which bounds it for one trip \
                 and not between trips",
        scatters: true,
        of_speed: false,
        value: |r| r.driven.va95_m2_s3,
    },
    Quantity {
        name: "outside temperature",
        unit: "°C",
        limit: |r| Limit::Difference(r.max_ambient_difference_k, "K"),
        source: "common practice: half of the window of 68 to 86 °F of EPA's SmartWay interim method",
        scatters: false,
        of_speed: false,
        value: |r| r.ambient_c,
    },
    Quantity {
        name: "wind",
        unit: "m/s",
        limit: |r| Limit::Difference(r.max_wind_difference_m_s, "m/s"),
        source: "common practice; EPA's SmartWay interim method bounds wind itself at 12 mph",
        scatters: false,
        of_speed: false,
        value: |r| r.wind_m_s,
    },
    Quantity {
        name: "payload",
        unit: "kg",
        limit: |r| Limit::Difference(r.max_payload_difference_kg, "kg"),
        source: PRACTICE,
        scatters: false,
        of_speed: false,
        value: |r| r.sheet.payload_kg,
    },
    Quantity {
        name: "tyre pressure",
        unit: "kPa",
        limit: |r| Limit::Difference(r.max_tyre_pressure_difference_kpa, "kPa"),
        source: PRACTICE,
        scatters: false,
        of_speed: false,
        value: |r| r.sheet.tyre_pressure_kpa,
    },
    Quantity {
        name: COOLANT,
        unit: "°C",
        limit: |r| Limit::Difference(r.max_coolant_start_difference_k, "K"),
        source: PRACTICE,
        scatters: false,
        of_speed: false,
        value: |r| r.driven.coolant_start_c,
    },
];

/// Value of a covariate in a run, in the unit of its row; `None` when the run does not have it or the name is not one
/// of [`ADJUSTABLE`](tallywheel_schemas::campaign::ADJUSTABLE).
pub fn covariate(name: &str, run: &RunFacts<'_>) -> Option<f64> {
    let quantity = QUANTITIES.iter().find(|q| q.name == name)?;
    if tallywheel_schemas::campaign::ADJUSTABLE.contains(&name) { (quantity.value)(run) } else { None }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_covariate_is_a_row() {
        for name in tallywheel_schemas::campaign::ADJUSTABLE {
            assert!(QUANTITIES.iter().any(|q| q.name == name), "{name}");
        }
    }

    #[test]
    fn limits_hold_at_the_limit_and_not_beyond() {
        assert!(Limit::Difference(5.0, "K").used_up(5.0, 10.0) <= 1.0);
        assert!(Limit::Difference(5.0, "K").used_up(-5.1, 10.0) > 1.0);
        assert!(Limit::Share(0.1).used_up(3.0, 30.0) <= 1.0);
        assert!(Limit::Share(0.1).used_up(3.1, 30.0) > 1.0);
        assert!(Limit::Share(0.1).used_up(0.0, 0.0) <= 1.0);
        assert!(Limit::Share(0.1).used_up(0.1, 0.0) > 1.0);
        assert!(Limit::Difference(0.0, "drivers").used_up(1.0, 1.0) > 1.0);
    }
}
