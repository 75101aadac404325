//! A vehicle's weeks, one number a week and quantity, from its days.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use super::rounds::{self, Point};
use crate::rollup::{
    Period,
    frame::{Frame, Row},
};

/// What is followed from week to week.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Quantity {
    /// Fuel over what the fleet takes in the same classes of speed.
    Consumption,
    /// The same in assisted bins.
    Assisted,
    /// The same in unassisted bins.
    Unassisted,
    /// Assisted time over what the fleet has in the same classes of speed.
    AssistTime,
    /// Energy out of the pack over assisted distance.
    PackEnergy,
    /// Hottest winding.
    Winding,
}

impl Quantity {
    /// All of them.
    pub const ALL: [Self; 6] =
        [Self::Consumption, Self::Assisted, Self::Unassisted, Self::AssistTime, Self::PackEnergy, Self::Winding];

    /// Name for people.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Consumption => "consumption",
            Self::Assisted => "consumption while assisted",
            Self::Unassisted => "consumption while not assisted",
            Self::AssistTime => "time assisted",
            Self::PackEnergy => "pack energy per assisted distance",
            Self::Winding => "hottest winding",
        }
    }

    /// Whether changes are ratios, hence taken on logarithms, or differences in K.
    pub const fn is_ratio(self) -> bool {
        !matches!(self, Self::Winding)
    }

    /// Whether a day's value is a single moment's, the largest, and so scatters with long tails.
    pub const fn is_maximum(self) -> bool {
        matches!(self, Self::Winding)
    }

    /// A day's value: the logarithm of a ratio, or °C. `None` where there is too little of the day to say, and, for what
    /// the assist does, where the pack fell below `empty_soc_pct`: on such a day it is the distance driven that decides.
    fn of(self, day: Row<'_>, empty_soc_pct: f64) -> Option<f64> {
        let used_up = day.number("soc_min_pct").is_some_and(|soc| soc < empty_soc_pct);
        if used_up && matches!(self, Self::Assisted | Self::PackEnergy) {
            return None;
        }
        let number = |column| day.number(column);
        let ratio = |above: Option<f64>, below: Option<f64>, least: f64| {
            let (above, below) = (above?, below?);
            (below >= least && above > 0.0).then(|| (above / below).ln())
        };
        match self {
            Self::Consumption => ratio(number("fuel_classed_ml"), number("expected_ml"), LEAST_ML),
            Self::Assisted => ratio(number("fuel_assist_classed_ml"), number("expected_assist_ml"), LEAST_ML),
            Self::Unassisted => ratio(number("fuel_unassisted_classed_ml"), number("expected_unassisted_ml"), LEAST_ML),
            Self::AssistTime => {
                // A day without any assist is a number too, not minus infinity.
                let (own, expected) = (number("assisted_s")?, number("expected_assisted_s")?);
                (expected >= 300.0).then(|| ((own + 60.0) / (expected + 60.0)).ln())
            }
            Self::PackEnergy => ratio(number("pack_out_wh"), number("distance_assist_m").map(|m| m / 1000.0), 2.0),
            Self::Winding => number("winding_max_c").filter(|_| number("drive_s").is_some_and(|s| s >= 600.0)),
        }
    }
}

/// Fuel that the fleet would have taken below which a day says nothing, mL.
const LEAST_ML: f64 = 100.0;

/// Mean of a week's days.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Week {
    /// Mean over the days.
    pub mean: f64,
    /// Days in it.
    pub days: usize,
}

/// One quantity of every vehicle, by week counted from the period: 0 is the period, −1 the seven days before, and so on.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Series(pub BTreeMap<String, BTreeMap<i64, Week>>);

impl Series {
    /// The weeks of a quantity from rows of `vehicle_days`, with what the kind of round explains taken off
    /// ([`super::rounds`]); see [`Parameters::empty_soc_pct`](crate::rollup::Parameters::empty_soc_pct).
    pub fn of(quantity: Quantity, days: &Frame, period: &Period, empty_soc_pct: f64) -> Self {
        let mut points = Vec::new();
        for row in days.iter() {
            let Some(day) = row.text("day").and_then(|d| d.parse::<NaiveDate>().ok()) else { continue };
            let (Some(vehicle), Some(value)) = (row.text("vehicle"), quantity.of(row, empty_soc_pct)) else { continue };
            points.push(Point { vehicle, block: period.block(day), value, round: rounds::of(row) });
        }
        Self::from_points(&rounds::without(points))
    }

    fn from_points(points: &[Point<'_>]) -> Self {
        let mut sums: BTreeMap<String, BTreeMap<i64, (f64, usize)>> = BTreeMap::new();
        for point in points {
            let week = sums.entry(point.vehicle.to_owned()).or_default().entry(point.block).or_default();
            *week = (week.0 + point.value, week.1 + 1);
        }
        let mean = |(sum, days): (f64, usize)| Week { mean: sum / days as f64, days };
        let weeks = |w: BTreeMap<i64, (f64, usize)>| w.into_iter().map(|(block, s)| (block, mean(s))).collect();
        Self(sums.into_iter().map(|(vehicle, w)| (vehicle, weeks(w))).collect())
    }

    /// The series without what the whole fleet did in the same week, such as the weather; the second value says how many
    /// vehicles that rests on, `None` with fewer than five, where nothing is taken off.
    ///
    /// # Formula
    /// The fleet's week is the median over vehicles of the vehicle's week less the median of its own weeks.
    pub fn without_fleet(&self) -> (Self, Option<usize>) {
        let vehicles = self.0.len();
        if vehicles < FEWEST {
            return (self.clone(), None);
        }
        let mut departures: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
        for weeks in self.0.values() {
            let own = median(weeks.values().map(|w| w.mean).collect());
            weeks.iter().for_each(|(block, w)| departures.entry(*block).or_default().push(w.mean - own));
        }
        let fleet: BTreeMap<i64, f64> =
            departures.into_iter().filter(|(_, d)| d.len() >= FEWEST).map(|(block, d)| (block, median(d))).collect();
        let taken = |weeks: &BTreeMap<i64, Week>| {
            let off = |(block, w): (&i64, &Week)| {
                (*block, Week { mean: w.mean - fleet.get(block).copied().unwrap_or(0.0), ..*w })
            };
            weeks.iter().map(off).collect()
        };
        (Self(self.0.iter().map(|(vehicle, w)| (vehicle.clone(), taken(w))).collect()), Some(vehicles))
    }
}

/// Vehicles without which a fleet says nothing.
const FEWEST: usize = 5;

/// The middle value; 0 of none.
pub(super) fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    match n {
        0 => 0.0,
        _ if n % 2 == 1 => values[n / 2],
        _ => (values[n / 2 - 1] + values[n / 2]) / 2.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn series(rows: &[(&str, [f64; 3])]) -> Series {
        let weeks = |v: &[f64; 3]| (-2..=0).zip(v).map(|(b, mean)| (b, Week { mean: *mean, days: 5 })).collect();
        Series(rows.iter().map(|(name, v)| ((*name).to_owned(), weeks(v))).collect())
    }

    #[test]
    fn what_all_vehicles_do_is_taken_off() {
        let vehicles = ["a", "b", "c", "d", "e"];
        let rows: Vec<_> = vehicles
            .iter()
            .zip(0_u32..)
            .map(|(v, i)| {
                let own = f64::from(i) * 0.1;
                (*v, [own, own + 0.02, own + 0.05 + if i == 4 { 0.2 } else { 0.0 }])
            })
            .collect();
        let (left, fleet) = series(&rows).without_fleet();
        assert_eq!(fleet, Some(5));
        let change = |v: &str| left.0[v][&0].mean - left.0[v][&-2].mean;
        assert!(change("a").abs() < 1e-12 && (change("e") - 0.2).abs() < 1e-12);
        assert_eq!(series(&rows[..4]).without_fleet().1, None);
    }
}
