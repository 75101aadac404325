//! The weekly roll-up of a fleet: from days to what needs attention.
//!
//! ```text
//! days, speed_classes ──source──► engine ──SQL (schemas/sql)──► vehicle_periods, fleet_periods, vehicle_days
//!                └─────────► Spark ──the same SQL──► Parquet ──results──┤
//!                                                                       └──► attention, trends ──► report
//! ```
//!
//! The sums are SQL and nothing else ([`sql`]), so that they can move to DuckDB or Spark as they are; what needs
//! statistics works on the SQL's results, which are a row a vehicle and day.

pub mod attention;
pub mod engine;
pub mod frame;
pub mod html;
pub mod period;
mod plots;
pub mod report;
pub mod results;
pub mod source;
pub mod sql;
pub mod text;
pub mod trend;

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use serde::Serialize;

pub use attention::{Attention, Finding, Level, Limits};
pub use engine::{Engine, EngineError, Parameters};
pub use frame::Frame;
pub use period::{Period, PeriodError};
pub use report::RollUpReport;
pub use results::{Results, ResultsError};

use attention::{
    Found, OwnChange,
    change::Change,
    series::{Quantity, Series},
};
use period::calendar;
use trend::Trends;

/// A period rolled up.
#[derive(Debug, Clone, PartialEq)]
pub struct RollUp {
    /// The period.
    pub period: Period,
    /// Rows of `vehicle_periods`: the period and the four weeks before it.
    pub vehicles: Frame,
    /// Rows of `fleet_periods`: likewise.
    pub fleet: Frame,
    /// Rows of `vehicle_days`, sixteen weeks back.
    pub days: Frame,
    /// What needs attention.
    pub found: Found,
    /// Weeks back, for the eye.
    pub trends: Trends,
    /// Who was there and who was not.
    pub seen: Seen,
    /// Since when there is anything to compare with.
    pub history: History,
    /// Change of the fleet's standardised consumption against the four weeks before, over the vehicles seen in both.
    pub fleet_change: Option<FleetChange>,
    /// The parameters of the sums.
    pub parameters: Parameters,
    /// The limits of the rules.
    pub limits: Limits,
}

/// Which vehicles a period's sums rest on.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Seen {
    /// Vehicles that drove in the period.
    pub now: usize,
    /// Vehicles that drove in the four weeks before.
    pub before: usize,
    /// Vehicles that drove before and not now.
    pub missing: Vec<String>,
    /// Vehicles that drove now and not before.
    pub new: Vec<String>,
    /// Days with driving, over all vehicles.
    pub drive_days: u64,
    /// Days with driving that as many days of the four weeks before would have had; null without any data of them.
    pub drive_days_usual: Option<u64>,
    /// Days of the four weeks before since the fleet's first data.
    pub history_days: u64,
}

/// Change over the vehicles seen before and now.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FleetChange {
    /// Vehicles.
    pub vehicles: usize,
    /// Change of standardised consumption and its 95 % interval from the spread between vehicles, %.
    pub consumption: OwnChange,
}

/// Rolls a period up from the rows that an engine holds.
///
/// # Errors
/// When the engine fails.
pub fn roll_up(
    engine: &mut Engine,
    period: &Period,
    parameters: &Parameters,
    limits: &Limits,
) -> Result<RollUp, EngineError> {
    let with_data: BTreeSet<String> = engine.days()?.into_iter().collect();
    engine.roll_up(&calendar(period, &with_data), parameters)?;
    Ok(look_through(Results::of(engine)?, period, parameters, limits))
}

/// What the sums of a period say, wherever they were made.
pub fn look_through(results: Results, period: &Period, parameters: &Parameters, limits: &Limits) -> RollUp {
    let Results { vehicles, fleet, days, reference } = results;
    let of_period = |frame: Frame| frame.filtered(|r| r.text("period") == Some(&period.name));
    let (days, reference) = (of_period(days), of_period(reference));
    let history = History::of(period, &days);
    RollUp {
        found: attention::look(period, &days, &vehicles, parameters, limits),
        trends: Trends::of(period, &days, &reference),
        seen: seen(period, &vehicles, &history),
        history,
        fleet_change: fleet_change(period, &days, parameters),
        period: period.clone(),
        vehicles,
        fleet,
        days,
        parameters: *parameters,
        limits: *limits,
    }
}

/// How many days of the four weeks before a period there can be data of: a fleet in its second week has seven, and what
/// it did in them is not what it does in twenty-eight.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct History {
    /// By vehicle, since its first day with data.
    pub vehicles: BTreeMap<String, u64>,
    /// Since the fleet's.
    pub fleet: u64,
}

impl History {
    fn of(period: &Period, days: &Frame) -> Self {
        let mut vehicles: BTreeMap<String, u64> = BTreeMap::new();
        for row in days.iter() {
            let day = row.text("day").and_then(|day| day.parse::<NaiveDate>().ok());
            if let (Some(vehicle), Some(day)) = (row.text("vehicle"), day) {
                let since = u64::try_from((period.first - day).num_days()).unwrap_or(0).min(period::BEFORE_DAYS);
                let longest = vehicles.entry(vehicle.to_owned()).or_default();
                *longest = since.max(*longest);
            }
        }
        Self { fleet: vehicles.values().copied().max().unwrap_or(0), vehicles }
    }

    /// What a sum over so many days of history would be over a period's.
    pub fn scaled(sum: f64, period: &Period, history_days: u64) -> Option<f64> {
        (history_days > 0).then(|| sum * period.length_days() as f64 / history_days as f64)
    }
}

fn seen(period: &Period, vehicles: &Frame, history: &History) -> Seen {
    let drive_days = |name: &str| -> BTreeMap<String, f64> {
        let rows = vehicles.iter().filter(|r| r.text("period") == Some(name));
        let driven = rows.filter_map(|r| Some((r.text("vehicle")?.to_owned(), r.number("drive_days")?)));
        driven.filter(|(_, days)| *days > 0.0).collect()
    };
    let (now, before) = (drive_days(&period.name), drive_days(&period.before().name));
    let without = |a: &BTreeMap<String, f64>, b: &BTreeMap<String, f64>| {
        let mut names: Vec<String> = a.keys().filter(|v| !b.contains_key(*v)).cloned().collect();
        names.sort_by_key(|v| by_number(v));
        names
    };
    let total = |days: &BTreeMap<String, f64>| days.values().sum::<f64>();
    let usual = History::scaled(total(&before), period, history.fleet);
    Seen {
        now: now.len(),
        before: before.len(),
        missing: without(&before, &now),
        new: without(&now, &before),
        drive_days: total(&now) as u64,
        drive_days_usual: usual.map(|days| days.round() as u64),
        history_days: history.fleet,
    }
}

fn fleet_change(period: &Period, days: &Frame, parameters: &Parameters) -> Option<FleetChange> {
    let series = Series::of(Quantity::Consumption, days, period, parameters.empty_soc_pct);
    let mean = |weeks: Vec<f64>| (!weeks.is_empty()).then(|| weeks.iter().sum::<f64>() / weeks.len() as f64);
    let change = |weeks: &BTreeMap<i64, attention::series::Week>| {
        let now = weeks.get(&0)?.mean;
        Some(now - mean(weeks.range(-4..=-1).map(|(_, w)| w.mean).collect())?)
    };
    let all: Vec<f64> = series.0.values().filter_map(change).collect();
    let sample = crate::stats::Sample::of(&all)?;
    let spread = sample.sd?;
    let df = all.len() as f64 - 1.0;
    let standard_error = spread / (all.len() as f64).sqrt();
    let change = Change { value: sample.mean, standard_error, degrees_of_freedom: df, p: 1.0 };
    let (low, high) = change.interval(attention::CONFIDENCE)?;
    let [percent, low, high] = [sample.mean, low, high].map(|v| v.exp_m1() * 100.0);
    Some(FleetChange { vehicles: all.len(), consumption: OwnChange { percent, low, high } })
}

/// Orders `skerry-2` before `skerry-10`.
pub(crate) fn by_number(name: &str) -> (String, u64) {
    let digits = name.len() - name.trim_end_matches(|c: char| c.is_ascii_digit()).len();
    let (stem, number) = name.split_at(name.len() - digits.min(18));
    (stem.to_owned(), number.parse().unwrap_or(0))
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::{
        Table,
        table::{DAY_COLUMNS, SPEED_CLASS_COLUMNS},
    };

    use super::*;

    /// A row of a derived table: its texts in order, and the numbers that are known.
    fn row(table: Table, day: &str, texts: &[&str], numbers: &[(&str, f64)]) -> arrow::array::RecordBatch {
        let mut rows = crate::ledger::Rows::empty(table, &format!("skerry-1-{day}"));
        let noon = format!("{day}T12:00:00Z").parse::<chrono::DateTime<chrono::Utc>>().expect("a day");
        rows.t_us.push(noon.timestamp_micros());
        let texts = texts.iter().map(|t| Some((*t).to_owned()));
        rows.texts.iter_mut().zip(texts).for_each(|(column, text)| column.push(text));
        let names: Vec<&str> = match table {
            Table::Days => DAY_COLUMNS.iter().map(|c| c.name).collect(),
            _ => SPEED_CLASS_COLUMNS.iter().map(|c| c.name).collect(),
        };
        for (column, name) in rows.columns.iter_mut().zip(names) {
            column.push(numbers.iter().find(|(n, _)| *n == name).map(|(_, v)| *v));
        }
        rows.batch().expect("a row")
    }

    /// Three days at 30 km/h: 100 km with 7 L, 200 km with a silent fuel meter, 7 L without the wheel speed. By hand
    /// that is 7 L/100 km, over the 100 km for which both are known; all fuel over all distance is 4.7. Likewise 8 kWh on the first day alone are 80 Wh/km.
    #[test]
    fn a_silent_meter_does_not_halve_the_consumption() {
        let mut engine = Engine::new().expect("an engine");
        let days: [(&str, &[(&str, f64)]); 3] = [
            (
                "2026-11-16",
                &[
                    ("distance_m", 100e3),
                    ("fuel_ml", 7000.0),
                    ("pack_out_wh", 8000.0),
                    ("pack_in_driving_wh", 0.0),
                    ("pack_distance_m", 100e3),
                    ("pack_distance_wh", 8000.0),
                ],
            ),
            ("2026-11-17", &[("distance_m", 200e3)]),
            ("2026-11-18", &[("fuel_ml", 7000.0), ("pack_out_wh", 8000.0), ("pack_in_driving_wh", 0.0)]),
        ];
        for (day, known) in days {
            let numbers = [known, &[("drive_s", 12_000.0), ("trips", 1.0), ("recorded_s", 12_000.0)]].concat();
            let texts = ["2026-W47", "2026-11", day, "2027-01-01", "tallywheel", "rig"];
            engine.add(Table::Days, "skerry-1", &row(Table::Days, day, &texts, &numbers)).expect("a day");
            let mut class = vec![("seconds", 12_000.0)];
            let value = |name| known.iter().find(|(n, _)| *n == name).map(|(_, v)| *v);
            class.extend(value("distance_m").into_iter().flat_map(|m| [("class_km_h", 30.0), ("distance_m", m)]));
            class.extend(value("fuel_ml").map(|ml| ("fuel_ml", ml)));
            class.extend(value("distance_m").filter(|_| value("fuel_ml").is_some()).map(|m| ("fuel_distance_m", m)));
            let texts = ["2026-W47", day, "unassisted"];
            let batch = row(Table::SpeedClasses, day, &texts, &class);
            engine.add(Table::SpeedClasses, "skerry-1", &batch).expect("a class");
        }
        let period = Period::week("2026-W47").expect("a week");
        let rolled = roll_up(&mut engine, &period, &Parameters::default(), &Limits::default()).expect("sums");
        for frame in [&rolled.vehicles, &rolled.fleet] {
            let row = frame.iter().find(|r| r.text("period") == Some("2026-W47")).expect("the week");
            let number = |name| row.number(name).unwrap_or_else(|| panic!("{name} is known"));
            assert!((number("distance_km") - 300.0).abs() < 1e-9);
            assert!((number("fuel_l") - 14.0).abs() < 1e-9);
            assert!((number("l_per_100km") - 7.0).abs() < 1e-9, "{}", number("l_per_100km"));
            assert!((number("l_per_100km_unassisted") - 7.0).abs() < 1e-9);
            assert!((number("pack_wh_per_km") - 80.0).abs() < 1e-9);
        }
        // Nothing before: nothing is usual.
        assert_eq!((rolled.seen.drive_days, rolled.seen.drive_days_usual), (3, None));
    }

    /// A fleet in its second week is held against seven days and not against twenty-eight.
    #[test]
    fn what_is_usual_is_of_the_days_that_there_were() {
        let period = Period::week("2026-W47").expect("a week");
        assert_eq!(History::scaled(1000.0, &period, 7), Some(1000.0));
        assert_eq!(History::scaled(4000.0, &period, 28), Some(1000.0));
        assert_eq!(History::scaled(0.0, &period, 0), None);
    }

    #[test]
    fn vehicles_are_ordered_by_their_number() {
        let mut names = ["skerry-10", "skerry-9", "van", "skerry-1"];
        names.sort_by_key(|n| by_number(n));
        assert_eq!(names, ["skerry-1", "skerry-9", "skerry-10", "van"]);
    }
}
