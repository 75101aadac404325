use tallywheel_schemas::{
    Domain, Table,
    table::{DAY_COLUMNS, SPEED_CLASS_COLUMNS},
};
use tempfile::TempDir;

use super::*;
use crate::{
    Dataset, Filter, LedgerOptions, Silent,
    fixture::{Columns, Sealed},
    ledgers,
    trips::{TripRules, trips},
};

/// 2026-11-24T23:50:00Z, ten minutes before midnight on a Tuesday.
const START: i64 = 1_795_564_200_000_000;
const SECOND: i64 = 1_000_000;

fn rig(more: &str) -> String {
    let signals = [
        ("motion.wheel_speed_m_s", "calibration = { date = \"2026-03-01\" }"),
        ("engine.fuel_rate_g_s", "calibration = { due = \"2027-05-31\" }"),
        ("pack.voltage_v", ""),
        ("pack.current_a", ""),
        ("pack.soc_pct", ""),
        ("motor.command_pct", "position = \"rear-left\""),
        ("motor.winding_temp_c", "position = \"rear-left\""),
    ];
    let columns: Vec<String> = (0..signals.len()).map(|i| format!("\"c{i}\"")).collect();
    let port = format!(
        "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bench\"\nkind = \"text\"\ncolumns = [{}]\n",
        columns.join(", ")
    );
    signals.iter().zip(columns).fold(port, |text, ((channel, lines), column)| {
        format!("{text}[[signal]]\nchannel = \"{channel}\"\nport = \"bench\"\ncolumn = {column}\n{lines}\n")
    }) + more
}

/// Twenty minutes across midnight: 15 m/s and assisted to start with, then 20 m/s without, 0.5 g/s of fuel
/// throughout; the winding is at 130 °C for the first two minutes of the new day.
fn across_midnight() -> Vec<Columns> {
    let t: Vec<i64> = (0..=1200).map(|i| START + i * SECOND).collect();
    let at = |f: &dyn Fn(i64) -> f64| (0..=1200).map(f).collect::<Vec<f64>>();
    vec![
        Columns::new(Domain::Motion, t.clone()).all("wheel_speed_m_s", at(&|i| if i < 900 { 15.0 } else { 20.0 })),
        Columns::new(Domain::Engine, t.clone()).all("fuel_rate_g_s", at(&|_| 0.5)),
        Columns::new(Domain::Pack, t.clone())
            .all("voltage_v", at(&|_| 100.0))
            .all("current_a", at(&|i| if i < 900 { 36.0 } else { 0.0 }))
            .all("soc_pct", at(&|i| 90.0 - i as f64 / 60.0)),
        Columns::new(Domain::Motor, t)
            .positions(["rear-left"; 1201])
            .all("command_pct", at(&|i| if i < 900 { 50.0 } else { 0.0 }))
            .all("winding_temp_c", at(&|i| if (600..720).contains(&i) { 130.0 } else { 80.0 })),
    ]
}

fn ledger_of(rig: &str, tables: Vec<Columns>) -> (TempDir, SessionLedger) {
    let dir = tempfile::tempdir().expect("a directory");
    Sealed::new("s1", rig, tables).write(dir.path()).expect("a session");
    let dataset = Dataset::open(dir.path()).expect("a dataset");
    let sessions = dataset.sessions(&Filter::default());
    let mut made = ledgers(&dataset, &sessions, &LedgerOptions::default(), &Silent).expect("ledgers");
    (dir, made.remove(0))
}

fn close(value: Option<f64>, expected: f64, tolerance: f64) {
    assert!(value.is_some_and(|v| (v - expected).abs() <= tolerance), "{value:?} is not {expected} within {tolerance}");
}

/// By hand: ten minutes at 15 m/s are 9 km and 300 g of fuel, 402.7 mL at 0.745 g/mL; 3.6 kW for ten minutes are
/// 600 Wh.
#[test]
fn a_session_across_midnight_has_two_days() {
    let (_dir, ledger) = ledger_of(&rig(""), across_midnight());
    let found = days(&ledger, &trips(&ledger, &TripRules::default())).expect("days");
    let names: Vec<(String, String)> = found.iter().map(|d| (d.start.date(), d.start.week())).collect();
    assert_eq!(names, [("2026-11-24", "2026-W48"), ("2026-11-25", "2026-W48")].map(|(a, b)| (a.into(), b.into())));
    let (a, b) = (&found[0].sums, &found[1].sums);
    close(a.distance_m, 9000.0, 1e-6);
    close(b.distance_m, 300.0 * 15.0 + 300.0 * 20.0, 3.0);
    close(a.fuel_ml, 300.0 / 0.745, 1e-6);
    close(a.pack_out_wh, 600.0, 1e-6);
    assert_eq!((a.trips, b.trips), (1, 0), "a trip counts on the day it is set off on");
    assert!((a.recorded_s - 600.0).abs() < 1e-9 && (b.recorded_s - 600.0).abs() < 1e-9);
    assert!((a.drive_s - 600.0).abs() < 1e-9, "{}", a.drive_s);
    close(a.winding_hot_s, 0.0, 0.0);
    // Two minutes at 130 °C, and up to one second of either ramp.
    close(b.winding_hot_s, 120.0, 1.5);
    close(b.winding_max_c, 130.0, 0.0);
    // From 130 to 80 °C is half a cycle, and so is the day before from 80 °C to the 105 °C that are the mean of its last
    // second. Class F ages at 130 °C 0.1521 times as fast as at its 155 °C, and at 80 °C
    // 0.00158 times (Arrhenius law that doubles from 155 to 165 °C, by hand): 120 s and 480 s of them.
    assert_eq!((a.winding_cycles, b.winding_cycles), (Some(0.5), Some(0.5)));
    close(b.winding_life_h, (120.0 * 0.1521 + 480.0 * 0.00158) / 3600.0, 5e-5);
    close(a.soc_start_pct, 90.0, 0.02);
    close(b.soc_end_pct, 70.0, 0.02);
    assert_eq!(a.late_cutoff_s, None, "the rig sets no cut-off");
}

#[test]
fn days_and_classes_add_up_to_the_ledger() {
    let (_dir, ledger) = ledger_of(&rig(""), across_midnight());
    let found = days(&ledger, &trips(&ledger, &TripRules::default())).expect("days");
    let classes = speed_classes(&ledger).expect("classes");
    for column in ["distance_m", "fuel_ml"] {
        let whole = crate::columns::sum(&ledger.bins, column).expect("a column").expect("values");
        let by_day: f64 = found.iter().filter_map(|d| d.sums.value(column)).sum();
        let by_class: f64 =
            classes.iter().filter_map(|c| if column == "distance_m" { c.distance_m } else { c.fuel_ml }).sum();
        assert!((by_day - whole).abs() < 1e-9 * whole, "{column}: {by_day} {whole}");
        assert!((by_class - whole).abs() < 1e-9 * whole, "{column}: {by_class} {whole}");
    }
    let assisted: f64 = found.iter().filter_map(|d| d.sums.distance_assist_m).sum();
    let in_classes: f64 =
        classes.iter().filter(|c| c.assist == AssistState::Assisted).filter_map(|c| c.distance_m).sum();
    assert!((assisted - in_classes).abs() < 1e-9 * assisted);
    // 15 m/s are 54 km/h, 20 m/s are 72 km/h.
    let edge = |state| classes.iter().find(|c| c.assist == state && c.seconds > 200.0).and_then(|c| c.class_km_h);
    assert_eq!((edge(AssistState::Assisted), edge(AssistState::Unassisted)), (Some(50), Some(70)));
}

#[test]
fn the_first_calibration_to_run_out_is_named() {
    let parsed = |text: &str| Rig::parse(tallywheel_schemas::TextFile::new("rig.toml", text)).expect("a rig");
    // The wheel speed's of 2026-03-01 names no last day, so a year holds.
    assert_eq!(calibration_due(&parsed(&rig(""))), Some("2027-03-01".to_owned()));
    let none = rig("").replace("calibration = { date = \"2026-03-01\" }", "");
    assert_eq!(calibration_due(&parsed(&none)), Some("2027-05-31".to_owned()));
}

#[test]
fn a_motor_that_drives_beyond_the_cut_off_is_counted() {
    let late = rig("[assist]\ncut_off_m_s = 13.0\n");
    let (_dir, ledger) = ledger_of(&late, across_midnight());
    let found = days(&ledger, &[]).expect("days");
    close(found[0].sums.late_cutoff_s, 600.0, 1e-6);
    close(found[1].sums.late_cutoff_s, 300.0, 1.0);
    // 15 m/s are within 1 m/s of 14.5.
    let (_dir, ledger) = ledger_of(&rig("[assist]\ncut_off_m_s = 14.5\n"), across_midnight());
    close(days(&ledger, &[]).expect("days")[0].sums.late_cutoff_s, 0.0, 0.0);
}

#[test]
fn gaps_at_once_count_once_and_only_within_the_day() {
    let gap = |start, length_us| Gap {
        port: "p".to_owned(),
        start_us: Timestamp::from_us(start),
        length_us,
        cause: tallywheel_schemas::manifest::GapCause::Silent,
    };
    let gaps =
        [gap(0, Some(4 * SECOND)), gap(2 * SECOND, Some(4 * SECOND)), gap(9 * SECOND, Some(9 * SECOND)), gap(0, None)];
    assert!((gap_s(&gaps, (SECOND, 10 * SECOND)) - 6.0).abs() < 1e-12);
}

#[test]
fn every_column_of_the_tables_is_filled() {
    let (_dir, ledger) = ledger_of(&rig("[assist]\ncut_off_m_s = 13.0\n"), across_midnight());
    let found = days(&ledger, &[]).expect("days");
    let unmeasured = [
        "wall_wh",
        "wall_valid_s",
        "engine_on_s",
        "engine_valid_s",
        "controller_max_c",
        "controller_hot_s",
        "controller_valid_s",
        "fault_s",
    ];
    for column in DAY_COLUMNS {
        let filled = found[0].sums.value(column.name).is_some();
        assert_eq!(filled, !unmeasured.contains(&column.name), "{}", column.name);
    }
    let frame = days_frame("s1", &found).expect("a frame");
    assert_eq!(frame.width(), Table::Days.schema().fields().len());
    let classes = speed_classes(&ledger).expect("classes");
    let frame = classes_frame("s1", &classes).expect("a frame");
    assert_eq!(frame.width(), Table::SpeedClasses.schema().fields().len());
    let rows = class_rows("s1", &classes);
    assert!(
        rows.columns.iter().zip(SPEED_CLASS_COLUMNS).all(|(c, s)| c.iter().any(Option::is_some) || s.name.is_empty())
    );
    assert!(rows.batch().is_ok() && day_rows("s1", &found).batch().is_ok());
}
