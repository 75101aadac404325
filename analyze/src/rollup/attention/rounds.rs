//! Taking off what the kind of round explains.
//!
//! Standardising by class of speed does not know hills, stops or how hot a motor gets in town. But how a day's driving is
//! spread over speeds tells much of what round it was, and a fleet has driven every kind of round often. So each
//! quantity is regressed on a few numbers of the day's driving, over all vehicles' days before the period and *within*
//! vehicles: slopes are common, levels are each vehicle's own (analysis of covariance, as in any handbook of statistics).

use std::collections::BTreeMap;

use crate::rollup::frame::Row;

/// Numbers that describe a day's driving.
const NUMBERS: usize = 3;
/// Days below which nothing is taken off: fewer would fit noise.
const LEAST_DAYS: usize = 100;
/// Vehicles below which nothing is taken off.
const LEAST_VEHICLES: usize = 5;

/// What describes a day's driving: logarithm of mean speed in m/s, the fleet's consumption for the same time in the same
/// classes in L/100 km, and the share of the time that the fleet is assisted in them. `None` where one is unknown.
pub type Round = Option<[f64; NUMBERS]>;

/// A vehicle's day.
#[derive(Debug, Clone, Copy)]
pub struct Point<'a> {
    /// Vehicle.
    pub vehicle: &'a str,
    /// Week, counted from the period.
    pub block: i64,
    /// Value of a quantity.
    pub value: f64,
    /// The day's driving.
    pub round: Round,
}

/// The driving of a row of `vehicle_days`.
pub fn of(day: Row<'_>) -> Round {
    let number = |column| day.number(column).filter(|v: &f64| *v > 0.0);
    let (metres, seconds) = (number("distance_m")?, number("drive_s")?);
    let (fuel_ml, assisted_s) = (number("expected_ml")?, day.number("expected_assisted_s")?);
    Some([(metres / seconds).ln(), 100.0 * fuel_ml / metres, assisted_s / seconds])
}

/// The days with their value put to the driving that is usual in the fleet. Days whose driving is unknown are left out, unless
/// there is too little to fit, when all are as they were.
///
/// # Formula
/// `y ← y − b·(x − x̄)` with b from least squares on `y − ȳ_v`, `x − x̄_v`, the means over each vehicle's days before the
/// period, and x̄ over all of them.
pub fn without(points: Vec<Point<'_>>) -> Vec<Point<'_>> {
    let Some((slopes, usual)) = fit(&points) else { return points };
    let put = |point: Point<'_>| -> Option<f64> {
        let round = point.round?;
        Some(point.value - (0..NUMBERS).map(|i| slopes[i] * (round[i] - usual[i])).sum::<f64>())
    };
    points.into_iter().filter_map(|p| Some(Point { value: put(p)?, ..p })).collect()
}

/// Common slopes and the usual driving.
fn fit(points: &[Point<'_>]) -> Option<([f64; NUMBERS], [f64; NUMBERS])> {
    let mut vehicles: BTreeMap<&str, Vec<(f64, [f64; NUMBERS])>> = BTreeMap::new();
    for point in points.iter().filter(|p| p.block < 0) {
        if let Some(round) = point.round {
            vehicles.entry(point.vehicle).or_default().push((point.value, round));
        }
    }
    let days: usize = vehicles.values().map(Vec::len).sum();
    if days < LEAST_DAYS || vehicles.len() < LEAST_VEHICLES {
        return None;
    }
    let (mut normal, mut right, mut usual) = ([[0.0; NUMBERS]; NUMBERS], [0.0; NUMBERS], [0.0; NUMBERS]);
    for own in vehicles.values() {
        let n = own.len() as f64;
        let level = own.iter().map(|d| d.0).sum::<f64>() / n;
        let centre: [f64; NUMBERS] = std::array::from_fn(|i| own.iter().map(|d| d.1[i]).sum::<f64>() / n);
        for (value, x) in own {
            for i in 0..NUMBERS {
                usual[i] += x[i] / days as f64;
                right[i] += (x[i] - centre[i]) * (value - level);
                for j in 0..NUMBERS {
                    normal[i][j] += (x[i] - centre[i]) * (x[j] - centre[j]);
                }
            }
        }
    }
    Some((solve(normal, right)?, usual))
}

/// Solves a small system of linear equations by elimination with pivots; `None` where it has no single solution.
fn solve(mut a: [[f64; NUMBERS]; NUMBERS], mut b: [f64; NUMBERS]) -> Option<[f64; NUMBERS]> {
    let scale = (0..NUMBERS).map(|i| a[i][i].abs()).fold(0.0, f64::max);
    for column in 0..NUMBERS {
        let pivot = (column..NUMBERS).max_by(|i, j| a[*i][column].abs().total_cmp(&a[*j][column].abs()))?;
        if a[pivot][column].abs() <= 1e-12 * scale {
            return None;
        }
        a.swap(column, pivot);
        b.swap(column, pivot);
        for row in column + 1..NUMBERS {
            let factor = a[row][column] / a[column][column];
            let above = a[column];
            for (below, above) in a[row].iter_mut().zip(above).skip(column) {
                *below -= factor * above;
            }
            b[row] -= factor * b[column];
        }
    }
    for row in (0..NUMBERS).rev() {
        let rest: f64 = (row + 1..NUMBERS).map(|k| a[row][k] * b[k]).sum();
        b[row] = (b[row] - rest) / a[row][row];
    }
    Some(b)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values that are exactly a vehicle's level and slopes times the round: levels differ, the round's part goes.
    #[test]
    fn what_the_round_explains_goes_and_levels_stay() {
        let names = ["a", "b", "c", "d", "e", "f"];
        let mut points = Vec::new();
        for (v, vehicle) in names.iter().enumerate() {
            for day in 0..30_i64 {
                let t = day as f64 + 0.37 * v as f64;
                let round = [(t * 0.7).sin(), (t * 1.9).cos(), (t * 3.1).sin() * 0.2];
                let value = v as f64 + 0.3 * round[0] - 0.8 * round[1] + 2.0 * round[2];
                points.push(Point { vehicle, block: -1 - day / 5, value, round: Some(round) });
            }
        }
        points.push(Point { vehicle: "a", block: 0, value: 0.3 * 5.0 + 0.5, round: Some([5.0, 0.0, 0.0]) });
        let usual: [f64; 3] =
            std::array::from_fn(|i| points[..180].iter().filter_map(|p| p.round).map(|r| r[i]).sum::<f64>() / 180.0);
        let shift = 0.3 * usual[0] - 0.8 * usual[1] + 2.0 * usual[2];
        let left = without(points);
        assert!(left[..30].iter().all(|p| (p.value - shift).abs() < 1e-9));
        assert!((left[60].value - 2.0 - shift).abs() < 1e-9);
        // What the vehicle really changed by is left.
        assert!((left[180].value - 0.5 - shift).abs() < 1e-9, "{}", left[180].value);
    }

    #[test]
    fn a_few_days_are_left_as_they_are() {
        let day = Point { vehicle: "a", block: -1, value: 1.5, round: None };
        assert_eq!(without(vec![day; 20]).iter().map(|p| p.value).sum::<f64>(), 30.0);
    }
}
