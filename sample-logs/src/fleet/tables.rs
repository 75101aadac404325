//! A fleet's `days`, `speed_classes` and `trips` without its sessions: for statistics over many weeks.

use std::{collections::BTreeMap, fs, io, path::Path, sync::Arc};

use arrow::{
    array::{ArrayRef, DictionaryArray, Float64Array, Int64Array, RecordBatch, StringArray},
    datatypes::{DataType, Int32Type},
    error::ArrowError,
};
use parquet::arrow::ArrowWriter;
use rayon::prelude::*;
use tallywheel_schemas::{Digest, Table, Timestamp, table::partition};

use super::{
    FleetPlan, Library, Rounds, VehicleDay,
    rounds::{DayTrip, weather},
    sums::{Cell, Mode, Sums},
    vehicle_name,
    week::day_us,
};

/// The tables of a vehicle's week.
#[derive(Debug, Clone)]
pub struct WeekTables {
    /// Vehicle.
    pub vehicle: String,
    /// Rows of `days`.
    pub days: RecordBatch,
    /// Rows of `speed_classes`.
    pub classes: RecordBatch,
    /// Rows of `trips`.
    pub trips: RecordBatch,
}

/// A row on its way into a table: values by column name.
#[derive(Debug)]
struct Row {
    session: String,
    t_us: i64,
    texts: Vec<(&'static str, String)>,
    numbers: Vec<(&'static str, f64)>,
}

impl Row {
    fn text(&self, name: &str) -> Option<&str> {
        self.texts.iter().find(|(n, _)| *n == name).map(|(_, t)| t.as_str())
    }

    fn number(&self, name: &str) -> Option<f64> {
        self.numbers.iter().find(|(n, _)| *n == name).map(|(_, v)| *v)
    }

    fn add(&mut self, name: &'static str, value: f64) {
        match self.numbers.iter_mut().find(|(n, _)| *n == name) {
            Some((_, sum)) => *sum += value,
            None => self.numbers.push((name, value)),
        }
    }
}

/// Makes the tables of a plan, vehicle by vehicle, and hands each vehicle's weeks on in order. Vehicles are made in
/// parallel.
///
/// # Errors
/// The first that `take` gives.
pub fn each_vehicle<E>(
    plan: &FleetPlan,
    library: &Library,
    take: impl Fn(Vec<WeekTables>) -> Result<(), E> + Sync,
) -> Result<(), E>
where
    E: From<ArrowError> + Send,
{
    let weather = weather(plan);
    (0..plan.vehicles).into_par_iter().try_for_each(|vehicle| {
        let mut rounds = Rounds::new(plan, library, &weather, vehicle);
        let weeks: Result<Vec<_>, ArrowError> =
            (0..plan.weeks).map(|week| week_tables(library, vehicle, &rounds.week(week))).collect();
        take(weeks?)
    })
}

/// Writes the tables of a plan below a directory, one file a vehicle, week and table, under the date of its Monday. Without
/// sessions behind them they are no dataset, and are to be rolled up as they are.
///
/// # Errors
/// When a file cannot be written.
pub fn write(plan: &FleetPlan, library: &Library, root: &Path) -> io::Result<()> {
    super::write_truth(plan, root)?;
    each_vehicle(plan, library, |weeks| {
        weeks.iter().enumerate().try_for_each(|(week, tables)| write_week(root, week, tables)).map_err(Wrapped)
    })
    .map_err(|e: Wrapped| e.0)
}

/// An error of writing; arrow's are of the same kind here.
struct Wrapped(io::Error);

impl From<ArrowError> for Wrapped {
    fn from(error: ArrowError) -> Self {
        Self(io::Error::other(error))
    }
}

fn write_week(root: &Path, week: usize, tables: &WeekTables) -> io::Result<()> {
    let date = Timestamp::from_us(day_us(week, 0)).date();
    for (table, batch) in
        [(Table::Days, &tables.days), (Table::SpeedClasses, &tables.classes), (Table::Trips, &tables.trips)]
    {
        if batch.num_rows() == 0 {
            continue;
        }
        let directory = root.join(partition(table.name(), &tables.vehicle, &date));
        fs::create_dir_all(&directory)?;
        let file = fs::File::create(directory.join("week.parquet"))?;
        let mut writer = ArrowWriter::try_new(file, batch.schema(), Some(table.writer_properties()))?;
        writer.write(batch)?;
        writer.close()?;
    }
    Ok(())
}

fn week_tables(library: &Library, vehicle: usize, days: &[VehicleDay]) -> Result<WeekTables, ArrowError> {
    let (mut day_rows, mut class_rows, mut trip_rows) = (Vec::new(), Vec::new(), Vec::new());
    for day in days {
        day_rows.push(driving_row(library, day));
        day_rows.extend(charging_row(day));
        class_rows.extend(classes(library, day));
        trip_rows.extend(day.trips.iter().zip(1_u32..).map(|(trip, number)| trip_row(library, day, trip, number)));
    }
    Ok(WeekTables {
        vehicle: vehicle_name(vehicle),
        days: batch(Table::Days, &day_rows)?,
        classes: batch(Table::SpeedClasses, &class_rows)?,
        trips: batch(Table::Trips, &trip_rows)?,
    })
}

/// Name of a session that starts then, as the logger would name it.
pub(super) fn session_name(vehicle: usize, start_us: i64) -> String {
    format!("{}-{}", vehicle_name(vehicle), Timestamp::from_us(start_us).compact())
}

/// Week and day.
fn calendar(t_us: i64) -> Vec<(&'static str, String)> {
    let at = Timestamp::from_us(t_us);
    vec![("week", at.week()), ("day", at.date())]
}

/// Everything that a row of `days` says in words.
fn texts(day: &VehicleDay, t_us: i64) -> Vec<(&'static str, String)> {
    let mut texts = calendar(t_us);
    texts.extend([
        ("month", Timestamp::from_us(t_us).month()),
        ("calibration_due", day.calibration_due.clone()),
        ("software", concat!("tallywheel-demo ", env!("CARGO_PKG_VERSION")).to_owned()),
        ("rig", Digest::of(day.calibration_due.as_bytes()).to_string()),
    ]);
    texts
}

fn driving_row(library: &Library, day: &VehicleDay) -> Row {
    let start_us = day.trips.first().map_or(day.day_us, |t| t.start_us);
    let session = session_name(day.vehicle, start_us);
    let mut row = Row { session, t_us: start_us, texts: texts(day, start_us), numbers: Vec::with_capacity(40) };
    let mut add = |name, value| row.add(name, value);
    let seen = 1.0 - day.missing_share;
    for trip in &day.trips {
        let s = &library.trip(trip.index).sums;
        let metered = |cell: Cell| cell.fuel_ml * trip.fuel_factor;
        let (total, assisted, unassisted) = (s.total(), s.in_mode(Mode::Assisted), s.in_mode(Mode::Unassisted));
        add("recorded_s", s.duration_s);
        add("distance_m", total.distance_m * seen);
        add("distance_valid_s", s.duration_s * seen);
        add("distance_assist_m", assisted.distance_m * seen);
        add("distance_unassisted_m", unassisted.distance_m * seen);
        add("fuel_ml", metered(total));
        add("fuel_valid_s", s.duration_s);
        add("fuel_assist_ml", metered(assisted));
        add("fuel_unassisted_ml", metered(unassisted));
        add("engine_on_s", s.engine_on_s);
        add("engine_valid_s", s.duration_s);
        add("assist_on_s", assisted.seconds);
        add("regen_on_s", s.in_mode(Mode::Braking).seconds);
        add("assist_valid_s", s.duration_s);
        add("trips", 1.0);
        add("drive_s", s.drive_s);
        add("winding_hot_s", s.winding_hot_s);
        add("winding_valid_s", s.duration_s);
        add("controller_hot_s", s.controller_hot_s);
        add("controller_valid_s", s.duration_s);
        add("fault_s", s.fault_s);
        add("late_cutoff_s", s.late_cutoff_s);
        if !day.pack_silent {
            add("pack_out_wh", s.pack_out_wh);
            add("pack_in_wh", s.pack_in_wh);
            add("pack_in_driving_wh", s.pack_in_wh);
            add("pack_valid_s", s.duration_s);
            add("pack_distance_m", total.distance_m * seen);
            add("pack_distance_wh", (s.pack_out_wh - s.pack_in_wh) * seen);
        }
    }
    let sums = || day.trips.iter().map(|t| &library.trip(t.index).sums);
    let peak = |value: fn(&Sums) -> f64| sums().map(value).fold(f64::MIN, f64::max);
    let first_pct = day.trips.first().map_or(0.0, |t| t.soc_pct);
    let last = day.trips.last().map_or(0.0, |t| t.soc_pct - library.trip(t.index).sums.soc_used * 100.0);
    let lowest = day.trips.iter().map(|t| t.soc_pct).fold(last, f64::min);
    for (name, value) in [
        ("winding_max_c", peak(|s| s.winding_max_c)),
        ("controller_max_c", peak(|s| s.controller_max_c)),
        ("soc_start_pct", first_pct),
        ("soc_min_pct", lowest.max(0.0)),
        ("soc_max_pct", first_pct.max(last)),
        ("soc_end_pct", last.max(0.0)),
        ("gap_s", day.gap_s),
        ("bad_messages", day.bad_messages as f64),
    ] {
        row.add(name, value);
    }
    row
}

fn charging_row(day: &VehicleDay) -> Option<Row> {
    let charge = day.charge?;
    let session = session_name(day.vehicle, charge.start_us);
    let seconds = charge.seconds as f64;
    let numbers = [
        ("recorded_s", seconds),
        ("wall_wh", charge.wall_wh),
        ("wall_valid_s", seconds),
        ("trips", 0.0),
        ("drive_s", 0.0),
        ("soc_start_pct", charge.soc_pct.0),
        ("soc_min_pct", charge.soc_pct.0),
        ("soc_max_pct", charge.soc_pct.1),
        ("soc_end_pct", charge.soc_pct.1),
        ("gap_s", 0.0),
        ("bad_messages", 0.0),
    ];
    let pack =
        [("pack_in_wh", charge.pack_wh), ("pack_out_wh", 0.0), ("pack_in_driving_wh", 0.0), ("pack_valid_s", seconds)];
    let pack = if day.pack_silent { &[][..] } else { &pack[..] };
    let numbers = numbers.iter().chain(pack).copied().collect();
    Some(Row { session, t_us: charge.start_us, texts: texts(day, charge.start_us), numbers })
}

fn classes(library: &Library, day: &VehicleDay) -> Vec<Row> {
    let start_us = day.trips.first().map_or(day.day_us, |t| t.start_us);
    let mut cells: BTreeMap<(i64, Mode), Cell> = BTreeMap::new();
    for trip in &day.trips {
        for (key, cell) in &library.trip(trip.index).sums.cells {
            let sum = cells.entry(*key).or_default();
            sum.distance_m += cell.distance_m;
            sum.fuel_ml += cell.fuel_ml * trip.fuel_factor;
            sum.seconds += cell.seconds;
        }
    }
    let seen = 1.0 - day.missing_share;
    let (session, calendar) = (session_name(day.vehicle, start_us), calendar(start_us));
    cells
        .into_iter()
        .map(|((class, mode), cell)| {
            let mut texts = calendar.clone();
            texts.push(("assist", mode.name().to_owned()));
            let numbers = vec![
                ("class_km_h", class as f64),
                ("distance_m", cell.distance_m * seen),
                ("fuel_ml", cell.fuel_ml * seen),
                ("fuel_distance_m", cell.distance_m * seen),
                ("seconds", cell.seconds * seen),
            ];
            Row { session: session.clone(), t_us: start_us, texts, numbers }
        })
        .collect()
}

fn trip_row(library: &Library, day: &VehicleDay, trip: &DayTrip, number: u32) -> Row {
    let s = &library.trip(trip.index).sums;
    let (total, assisted, idle) = (s.total(), s.in_mode(Mode::Assisted), s.in_mode(Mode::Unassisted));
    let start_us = day.trips.first().map_or(day.day_us, |t| t.start_us);
    let numbers = [
        ("trip", f64::from(number)),
        ("end_us", trip.start_us as f64 + s.duration_s * 1e6),
        ("distance_m", total.distance_m),
        ("distance_assist_m", assisted.distance_m),
        ("distance_regen_m", s.in_mode(Mode::Braking).distance_m),
        ("distance_unassisted_m", idle.distance_m),
        ("fuel_ml", total.fuel_ml * trip.fuel_factor),
        ("fuel_assist_ml", assisted.fuel_ml * trip.fuel_factor),
        ("fuel_unassisted_ml", idle.fuel_ml * trip.fuel_factor),
        ("duration_s", s.drive_s),
        ("moving_s", s.moving_s),
        ("idle_s", s.idle_s),
        ("stops", s.stops as f64),
        ("speed_mean_m_s", total.distance_m / s.drive_s),
        ("speed_moving_m_s", total.distance_m / s.moving_s),
        ("speed_max_m_s", s.speed_max_m_s),
        ("idle_share", (s.drive_s - s.moving_s) / s.drive_s),
        ("stops_per_km", s.stops as f64 / total.distance_m * 1000.0),
        ("coverage", 1.0 - day.missing_share),
    ];
    let pack = [("pack_out_wh", s.pack_out_wh), ("pack_in_wh", s.pack_in_wh)];
    let pack = if day.pack_silent { &[][..] } else { &pack[..] };
    Row {
        session: session_name(day.vehicle, start_us),
        t_us: trip.start_us,
        texts: Vec::new(),
        numbers: numbers.iter().chain(pack).copied().collect(),
    }
}

/// Rows as a batch of a table's schema.
fn batch(table: Table, rows: &[Row]) -> Result<RecordBatch, ArrowError> {
    let schema = table.schema();
    let columns = schema.fields().iter().map(|field| -> ArrayRef {
        match (field.name().as_str(), field.data_type()) {
            ("session", _) => Arc::new(rows.iter().map(|r| r.session.as_str()).collect::<DictionaryArray<Int32Type>>()),
            ("t_us", _) => Arc::new(rows.iter().map(|r| r.t_us).collect::<Int64Array>()),
            (name, DataType::Utf8) => Arc::new(rows.iter().map(|r| r.text(name)).collect::<StringArray>()),
            (name, DataType::Int64) => {
                Arc::new(rows.iter().map(|r| r.number(name).map(|v| v as i64)).collect::<Int64Array>())
            }
            (name, _) => Arc::new(rows.iter().map(|r| r.number(name)).collect::<Float64Array>()),
        }
    });
    RecordBatch::try_new(schema.clone(), columns.collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fleet::{Fault, Planted};
    use arrow::{array::AsArray, compute::sum, datatypes::Float64Type};

    fn fleet(planted: Vec<Planted>) -> Vec<WeekTables> {
        let plan = FleetPlan { planted, ..FleetPlan::healthy(1, 2, 11) };
        let library = Library::drive(11, 1);
        let weather = weather(&plan);
        let mut rounds = Rounds::new(&plan, &library, &weather, 0);
        (0..2).map(|w| week_tables(&library, 0, &rounds.week(w)).expect("a batch")).collect()
    }

    fn total(batch: &RecordBatch, column: &str) -> f64 {
        sum(batch.column_by_name(column).expect("the column").as_primitive::<Float64Type>()).unwrap_or(0.0)
    }

    #[test]
    fn classes_and_trips_add_up_to_the_days() {
        for week in fleet(Vec::new()) {
            let near = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 3e-3, "{a} is not {b}");
            near(total(&week.classes, "distance_m"), total(&week.days, "distance_m"));
            near(total(&week.trips, "distance_m"), total(&week.days, "distance_m"));
            near(total(&week.classes, "fuel_ml"), total(&week.days, "fuel_ml"));
            assert!((3..=10).contains(&week.days.num_rows()));
        }
    }

    #[test]
    fn every_value_finds_its_column() {
        let row = driving_row(
            &Library::drive(1, 1),
            &VehicleDay {
                vehicle: 0,
                day_us: 0,
                trips: vec![DayTrip { index: 0, start_us: 0, fuel_factor: 1.0, soc_pct: 90.0 }],
                charge: None,
                missing_share: 0.0,
                pack_silent: false,
                gap_s: 0.0,
                bad_messages: 0,
                calibration_due: "2027-01-01".to_owned(),
            },
        );
        let schema = Table::Days.schema();
        for name in row.texts.iter().map(|(n, _)| n).chain(row.numbers.iter().map(|(n, _)| n)) {
            assert!(schema.field_with_name(name).is_ok(), "{name} has no column in days");
        }
    }

    #[test]
    fn a_fault_begins_in_its_week() {
        let weeks = fleet(vec![Planted { vehicle: 0, fault: Fault::AssistDead, from_week: 1 }]);
        assert!(total(&weeks[0].days, "assist_on_s") > 1000.0 && total(&weeks[0].days, "fault_s") == 0.0);
        assert!(total(&weeks[1].days, "assist_on_s") == 0.0 && total(&weeks[1].days, "fault_s") > 1000.0);
    }
}
