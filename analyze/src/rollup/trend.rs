//! The last weeks of every vehicle and of the fleet, for the eye.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::Serialize;

use super::{
    Period,
    frame::{Frame, Row},
};

/// Weeks shown: the period and twelve before.
pub const WEEKS: i64 = 13;

/// Weeks of one vehicle or of the fleet, oldest first, the period last; `None` where it was not driven.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Trend {
    /// Consumption on the fleet's pooled driving of the reference weeks, L/100 km.
    pub l_per_100km_standardised: Vec<Option<f64>>,
    /// Share of the distance with a motor driving.
    pub assist_share: Vec<Option<f64>>,
    /// Distance, km.
    pub distance_km: Vec<Option<f64>>,
}

/// Weeks of a fleet.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Trends {
    /// The whole fleet.
    pub fleet: Trend,
    /// Each vehicle.
    pub vehicles: BTreeMap<String, Trend>,
    /// Consumption of the pooled driving that all are put on, L/100 km.
    pub reference_l_per_100km: Option<f64>,
}

#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    fuel_ml: f64,
    expected_ml: f64,
    assist_m: f64,
    known_m: f64,
    distance_m: f64,
}

impl Sums {
    fn add(&mut self, day: Row<'_>) {
        let number = |column| day.number(column);
        if let (Some(fuel), Some(expected)) = (number("fuel_classed_ml"), number("expected_ml")) {
            self.fuel_ml += fuel;
            self.expected_ml += expected;
        }
        if let (Some(with), Some(without)) = (number("distance_assist_m"), number("distance_unassisted_m")) {
            self.assist_m += with;
            self.known_m += with + without;
        }
        self.distance_m += number("distance_m").unwrap_or(0.0);
    }
}

impl Trends {
    /// Trends from rows of `vehicle_days` and `class_reference`.
    pub fn of(period: &Period, days: &Frame, reference: &Frame) -> Self {
        let pooled = |column| {
            reference.iter().filter(|r| r.text("mode") == Some("all")).filter_map(|r| r.number(column)).sum::<f64>()
        };
        let reference = (pooled("distance_m") > 0.0).then(|| 100.0 * pooled("fuel_ml") / pooled("distance_m"));
        let mut fleet: BTreeMap<i64, Sums> = BTreeMap::new();
        let mut vehicles: BTreeMap<String, BTreeMap<i64, Sums>> = BTreeMap::new();
        for row in days.iter() {
            let Some(day) = row.text("day").and_then(|d| d.parse::<NaiveDate>().ok()) else { continue };
            let block = period.block(day);
            fleet.entry(block).or_default().add(row);
            let vehicle = row.text("vehicle").unwrap_or_default().to_owned();
            vehicles.entry(vehicle).or_default().entry(block).or_default().add(row);
        }
        let trend = |weeks: &BTreeMap<i64, Sums>| {
            let each = |value: &dyn Fn(&Sums) -> Option<f64>| {
                (1 - WEEKS..=0).map(|block| weeks.get(&block).and_then(value)).collect()
            };
            let ratio = |a: f64, b: f64| (b > 0.0).then(|| a / b);
            Trend {
                l_per_100km_standardised: each(&|s| Some(ratio(s.fuel_ml, s.expected_ml)? * reference?)),
                assist_share: each(&|s| ratio(s.assist_m, s.known_m)),
                distance_km: each(&|s| (s.distance_m > 0.0).then_some(s.distance_m / 1000.0)),
            }
        };
        Self {
            fleet: trend(&fleet),
            vehicles: vehicles.iter().map(|(vehicle, weeks)| (vehicle.clone(), trend(weeks))).collect(),
            reference_l_per_100km: reference,
        }
    }
}
