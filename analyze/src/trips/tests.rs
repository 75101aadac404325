use std::{collections::BTreeMap, path::PathBuf};

use tallywheel_schemas::{Domain, units::M_S_PER_MPH, units::METRES_PER_MILE};
use tempfile::TempDir;

use super::*;
use crate::{
    Dataset, Filter, LedgerOptions, Silent,
    fixture::{Columns, Sealed},
    ledgers,
};

const START: i64 = 1_780_000_000_000_000;
const SECOND: i64 = 1_000_000;

fn rig(channels: &[(&str, &str)]) -> String {
    let names: Vec<String> = (0..channels.len()).map(|i| format!("\"c{i}\"")).collect();
    let port = format!(
        "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bench\"\nkind = \"text\"\ncolumns = [{}]\n",
        names.join(", ")
    );
    channels.iter().zip(names).fold(port, |text, ((channel, more), name)| {
        format!("{text}[[signal]]\nchannel = \"{channel}\"\nport = \"bench\"\ncolumn = {name}\n{more}\n")
    })
}

fn ledger_of(rig: &str, tables: Vec<Columns>) -> (TempDir, SessionLedger) {
    let dir = tempfile::tempdir().expect("a directory");
    Sealed::new("s1", rig, tables).write(dir.path()).expect("a session");
    let dataset = Dataset::open(dir.path()).expect("a dataset");
    let sessions = dataset.sessions(&Filter::default());
    let mut made = ledgers(&dataset, &sessions, &LedgerOptions::default(), &Silent).expect("ledgers");
    (dir, made.remove(0))
}

fn data(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../tests/data").join(name)
}

struct Published {
    start: Timestamp,
    end: Timestamp,
    miles: f64,
    max_mph: f64,
}

fn rows(path: PathBuf) -> Vec<csv::StringRecord> {
    csv::Reader::from_path(path).expect("a file").records().map(|r| r.expect("a row")).collect()
}

/// GPS speed, 1 Hz with real gaps, of two private cars, and the trip table published with it: NREL Transportation
/// Secure Data Center, 2007 Chicago survey, through the PyPI package fastsim 2.1.5, Apache-2.0
/// (`tests/data/SOURCES.md`). The published rule is a gap of 300 s between samples.
#[test]
fn every_published_trip_is_found_with_its_distance() {
    for (car, count) in [("4112082_1", 12), ("4118093_1", 11)] {
        let mut files: Vec<_> =
            std::fs::read_dir(data("gps-trips").join(car)).expect("a car").map(|f| f.expect("a file").path()).collect();
        files.sort();
        let trips_file = files.pop().expect("a trip table");
        let stamp = |text: &str| Timestamp::parse(text, 0).expect("a time");
        let number = |text: &str| text.parse::<f64>().expect("a number");
        let samples: Vec<(i64, f64)> =
            files.into_iter().flat_map(rows).map(|r| (stamp(&r[0]).as_us(), number(&r[3]) * M_S_PER_MPH)).collect();
        let published: Vec<Published> = rows(trips_file)
            .iter()
            .map(|r| Published { start: stamp(&r[0]), end: stamp(&r[1]), miles: number(&r[2]), max_mph: number(&r[3]) })
            .collect();
        let table = Columns::new(Domain::Motion, samples.iter().map(|s| s.0).collect())
            .all("gps_speed_m_s", samples.iter().map(|s| s.1));
        let (_dir, ledger) = ledger_of(&rig(&[("motion.gps_speed_m_s", "max_gap_s = 300.0")]), vec![table]);
        let found = trips(&ledger, &TripRules::default());
        assert_eq!((found.len(), published.len()), (count, count), "{car}");
        for (trip, p) in found.iter().zip(&published) {
            assert_eq!(trip.start_us, p.start, "{car}, trip {}", trip.trip);
            // The published end is the last sample, the receiver being fed by the ignition; ours is where the car came
            // to stand, which is then the stamp after the last speed above zero.
            let moves = |(t, v): &(i64, f64)| *v > 0.0 && *t <= p.end.as_us();
            let last = samples.iter().rposition(moves).expect("a moving sample");
            assert_eq!(trip.end_us.as_us(), samples[last + 1].0, "{car}, trip {}", trip.trip);
            assert!(trip.end_us <= p.end);
            let metres = p.miles * METRES_PER_MILE;
            // The table prints 12 digits.
            assert!((trip.distance_m - metres).abs() <= 1e-9 * metres, "{car}: {} is not {metres}", trip.distance_m);
            let max = p.max_mph * M_S_PER_MPH;
            assert!((trip.speed_max_m_s.expect("a speed") - max).abs() <= 1e-9 * max, "{car}: largest speed");
        }
    }
}

/// Each drive schedule driven once: distance as published (sources in `tests/data/SOURCES.md`).
#[test]
fn a_driven_schedule_is_one_trip_of_the_published_length() {
    for (file, metres, tolerance) in [
        ("udds.csv", 11990.4, 0.05),
        ("hwfet.csv", 16506.8, 0.05),
        ("us06.csv", 12887.6, 0.05),
        ("wltc_3b.csv", 23266.0, 1.0),
    ] {
        let speeds: Vec<f64> =
            rows(data("drive-schedules").join(file)).iter().map(|r| r[1].parse().expect("a speed")).collect();
        let t = (0..speeds.len() as i64).map(|i| START + i * SECOND).collect();
        let table = Columns::new(Domain::Motion, t).all("wheel_speed_m_s", speeds.iter().copied());
        let (_dir, ledger) = ledger_of(&rig(&[("motion.wheel_speed_m_s", "")]), vec![table]);
        let found = trips(&ledger, &TripRules::default());
        assert_eq!(found.len(), 1, "{file}");
        assert!((found[0].distance_m - metres).abs() <= tolerance, "{file}: {}", found[0].distance_m);
        let direct = descriptors::dynamics([speeds.as_slice()], 1.0);
        let (rpa, va95) = (found[0].rpa_m_s2.expect("a speed"), found[0].va95_m2_s3.expect("a speed"));
        assert!((rpa - direct.rpa_m_s2.expect("a speed")).abs() < 1e-9, "{file}: {rpa}");
        assert!((va95 - direct.va95_m2_s3.expect("a speed")).abs() < 1e-9, "{file}: {va95}");
    }
}

/// A fuel flow of a real car on a chassis dynamometer, volumetric, 1 Hz: Argonne National Laboratory D3 public test
/// data through fastsim 2.1.5, Apache-2.0. Litres, kilometres and distance-weighted mpg(US) as recomputed there.
#[test]
fn dynamometer_tests_give_litres_kilometres_and_mileage() {
    const DENSITY: f64 = 0.745;
    for (test, litres, km, mpg) in [
        ("61811011", 1.54635, 24.0303, 36.552),
        ("61811012", 0.73284, 12.0424, 38.652),
        ("61811013", 1.36936, 33.0152, 56.710),
        ("61811014", 1.80364, 25.8117, 33.661),
    ] {
        let samples: Vec<[f64; 3]> = rows(data("dyno-tests").join(format!("{test}.csv")))
            .iter()
            .map(|r| [0, 1, 2].map(|i| r[i].parse::<f64>().expect("a number")))
            .collect();
        let t: Vec<i64> = samples.iter().map(|s| START + (s[0] * 1e6).round() as i64).collect();
        let motion =
            Columns::new(Domain::Motion, t.clone()).all("wheel_speed_m_s", samples.iter().map(|s| s[2] * M_S_PER_MPH));
        let engine = Columns::new(Domain::Engine, t).all("fuel_rate_g_s", samples.iter().map(|s| s[1] * DENSITY));
        let channels = [("motion.wheel_speed_m_s", ""), ("engine.fuel_rate_g_s", "")];
        let (_dir, ledger) = ledger_of(&rig(&channels), vec![motion, engine]);
        let run = whole_session(&ledger, &TripRules::default()).expect("rows");
        let (l, k) = (run.fuel_ml.expect("fuel") / 1000.0, run.distance_m / 1000.0);
        assert!((l - litres).abs() < 6e-6, "{test}: {l} L");
        assert!((k - km).abs() < 6e-5, "{test}: {k} km");
        let got = k / 1.609344 / (l / 3.785411784);
        assert!((got - mpg).abs() < 6e-4, "{test}: {got} mpg");
    }
}

/// A drive of 60 s at 10 m/s, a pause of `pause_s`, another 60 s; everything else in `more`.
fn two_drives(pause_s: i64, more: Vec<Columns>, channels: &[(&str, &str)]) -> (TempDir, SessionLedger) {
    let end = 120 + pause_s;
    let speed = |i: i64| if i == 0 || (60..=60 + pause_s).contains(&i) || i == end { 0.0 } else { 10.0 };
    let motion = Columns::new(Domain::Motion, (0..=end).map(|i| START + i * SECOND).collect())
        .all("wheel_speed_m_s", (0..=end).map(speed));
    let tables = [motion].into_iter().chain(more).collect();
    ledger_of(&rig(&[&[("motion.wheel_speed_m_s", "")], channels].concat()), tables)
}

#[test]
fn a_long_pause_ends_a_trip_and_a_short_one_is_a_stop() {
    let rules = TripRules::default();
    let (_dir, ledger) = two_drives(300, Vec::new(), &[]);
    let one = trips(&ledger, &rules);
    assert_eq!(one.iter().map(|t| (t.trip, t.stops, t.duration_s)).collect::<Vec<_>>(), [(1, 1, 420.0)]);
    assert_eq!(one[0].idle_share, Some(300.0 / 420.0));
    assert_eq!((one[0].launch_s, one[0].slowing_s, one[0].cruise_s), (Some(2.0), Some(2.0), Some(116.0)));
    assert_eq!(one[0].distance_assist_m, None, "no assist channel, no split");
    let (_dir, ledger) = two_drives(301, Vec::new(), &[]);
    let two = trips(&ledger, &rules);
    assert_eq!(two.iter().map(|t| (t.trip, t.stops, t.moving_s)).collect::<Vec<_>>(), [(1, 0, 60.0), (2, 0, 60.0)]);
    assert_eq!(two[1].start_us.as_us(), START + 361 * SECOND);
    let far = TripRules { min_distance_m: 1000.0, ..rules };
    assert!(trips(&ledger, &far).is_empty(), "shorter trips are dropped");
}

#[test]
fn distance_and_fuel_are_split_by_what_the_assist_does() {
    let t: Vec<i64> = (0..=130).map(|i| START + i * SECOND).collect();
    let command = |i: i64| match i {
        0..20 => 50.0,
        20..30 => -30.0,
        _ => 0.0,
    };
    let motor = Columns::new(Domain::Motor, t.clone())
        .positions(t.iter().map(|_| "rear-left"))
        .all("command_pct", (0..=130).map(command));
    let engine = Columns::new(Domain::Engine, t.clone())
        .all("fuel_rate_g_s", t.iter().map(|_| 0.745))
        .bools("running", (0..=130).map(|i| Some(i < 65)));
    let channels =
        [("motor.command_pct", "position = \"rear-left\""), ("engine.fuel_rate_g_s", ""), ("engine.running", "")];
    let (_dir, ledger) = two_drives(10, vec![motor, engine], &channels);
    let trip = &trips(&ledger, &TripRules::default())[0];
    let near = |value: Option<f64>, expected: f64| {
        let value = value.expect("a split");
        assert!((value - expected).abs() < 1e-9, "{value} is not {expected}");
    };
    // The first and last second of a drive cover 5 m, the others 10 m.
    near(trip.distance_assist_m, 195.0);
    near(trip.distance_regen_m, 100.0);
    near(trip.distance_unassisted_m, 1180.0 - 295.0);
    near(Some(trip.distance_m), 1180.0);
    near(trip.fuel_assist_ml, 20.0);
    near(trip.fuel_unassisted_ml, 100.0);
    near(trip.fuel_ml, 130.0);
    near(trip.idle_s, 5.0);
}

#[test]
fn trips_become_a_table_in_frame_and_file() {
    let (dir, ledger) = two_drives(400, Vec::new(), &[]);
    let rules = TripRules::default();
    let found = trips(&ledger, &rules);
    let frame = trips_frame("s1", &found).expect("a frame");
    assert_eq!(frame.shape(), (2, 3 + tallywheel_schemas::table::TRIP_COLUMNS.len()));
    let column = |name: &str| frame.column(name).expect("a column").clone();
    let ends: Vec<Option<i64>> = column("end_us").i64().expect("integers").iter().collect();
    assert_eq!(ends, found.iter().map(|t| Some(t.end_us.as_us())).collect::<Vec<_>>());
    let never_null = ["distance_m", "duration_s", "moving_s", "rpa_m_s2", "coverage", "speed_max_m_s"];
    assert!(never_null.iter().all(|n| column(n).null_count() == 0));

    store_trips(&ledger, &rules, &found);
    let files = |dir: &TempDir| -> BTreeMap<PathBuf, std::time::SystemTime> {
        let date = std::fs::read_dir(dir.path().join("trips/vehicle=skerry-1")).expect("a partition");
        let date = date.map(|d| d.expect("an entry").path()).next().expect("a date");
        let entry = |e: std::io::Result<std::fs::DirEntry>| {
            let e = e.expect("an entry");
            (e.path(), e.metadata().and_then(|m| m.modified()).expect("a time"))
        };
        std::fs::read_dir(date).expect("files").map(entry).collect()
    };
    let before = files(&dir);
    assert_eq!(before.len(), 1);
    store_trips(&ledger, &rules, &found);
    assert_eq!(files(&dir), before, "the same trips are not written again");
    store_trips(&ledger, &TripRules { dwell_s: 500.0, ..rules }, &found);
    assert_ne!(files(&dir), before, "other rules are");
}
