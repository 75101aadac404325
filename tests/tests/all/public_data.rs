//! Published data through the whole path: captured text, the real importer, the ledger.
//!
//! Sources and licences stand in `tests/data/*/SOURCES.md`.

use tallywheel_analyze::{
    columns,
    tally::Tally,
    trips::{TripRules, trips},
};
use tallywheel_schemas::{
    Timestamp,
    units::{METRES_PER_MILE, mpg_us_from_l_per_100km},
};
use tallywheel_tests::{Bench, data};

const START: &str = "2026-10-05T08:00:00Z";

fn text_rig(port: &str, signals: &str) -> String {
    format!("schema = 1\nvehicle = \"skerry-9\"\n[[port]]\nname = \"table\"\nkind = \"text\"\n{port}\n{signals}")
}

fn close(actual: f64, expected: f64, tolerance: f64, what: &str) {
    assert!((actual - expected).abs() <= tolerance, "{what}: {actual} is not {expected}");
}

/// Distances of the drive schedules as their regulations publish them: 40 CFR 86 App. I (UDDS 7.45 mi, US06 8.01
/// mi), 40 CFR 600 App. I (HWFET 10.26 mi), UN GTR 15 (WLTC class 3b 23,266 m).
#[test]
fn drive_schedules_have_their_published_distance() {
    let rig = text_rig(
        "time_column = \"cycSecs\"\ntime_format = \"from_start_s\"",
        "[[signal]]\nchannel = \"motion.wheel_speed_m_s\"\nport = \"table\"\ncolumn = \"cycMps\"\n",
    );
    let miles = |m: f64| m * METRES_PER_MILE;
    for (file, published_m, tolerance_m, exact_m) in [
        ("udds", miles(7.45), 0.005 * METRES_PER_MILE, 11_990.4),
        ("hwfet", miles(10.26), 0.005 * METRES_PER_MILE, 16_506.8),
        ("us06", miles(8.01), 0.005 * METRES_PER_MILE, 12_887.6),
        ("wltc_3b", 23_266.0, 1.0, 23_266.3),
    ] {
        let bench = Bench::new();
        let rig = bench.write("rig.toml", &rig);
        bench.import(&rig, &[("table", &data().join(format!("drive-schedules/{file}.csv")))], &["--start", START]);
        let ledger = bench.ledgers().pop().expect("a session");
        let distance = columns::sum(&ledger.bins, "distance_m").expect("a ledger").expect("a speed channel");
        close(distance, published_m, tolerance_m, file);
        close(distance, exact_m, 0.06, file);
    }
}

/// Argonne National Laboratory D3 public test data of a production car: litres, km and distance-weighted mileage
/// of four dynamometer tests, volumetric fuel flow.
#[test]
fn dynamometer_tests_have_their_fuel_distance_and_mileage() {
    let rig = text_rig(
        "time_column = \"Time[s]\"\ntime_format = \"from_start_s\"",
        "[[signal]]\nchannel = \"motion.wheel_speed_m_s\"\nport = \"table\"\ncolumn = \"Dyno_Spd[mph]\"\nscale = 0.44704\n\
         min = -1.0\n\
         [[signal]]\nchannel = \"engine.fuel_rate_g_s\"\nport = \"table\"\ncolumn = \"Eng_FuelFlow_Direct_DI[ccps]\"\n\
         scale = 0.745\nmin = -1.0\n",
    );
    for (test, litres, km, mpg) in [
        ("61811011", 1.54635, 24.0303, 36.552),
        ("61811012", 0.73284, 12.0424, 38.652),
        ("61811013", 1.36936, 33.0152, 56.710),
        ("61811014", 1.80364, 25.8117, 33.661),
    ] {
        let bench = Bench::new();
        let rig = bench.write("rig.toml", &rig);
        bench.import(&rig, &[("table", &data().join(format!("dyno-tests/{test}.csv")))], &["--start", START]);
        let ledger = bench.ledgers().pop().expect("a session");
        let tally = Tally::of(&ledger.bins, ledger.findings.bin_s()).expect("a ledger");
        close(tally.fuel_ml.expect("fuel") / 1000.0, litres, 1e-5, test);
        close(tally.distance_km(), km, 1e-4, test);
        close(mpg_us_from_l_per_100km(tally.l_per_100km().expect("both")), mpg, 1e-3, test);
    }
}

/// Two private cars with real gaps: NREL Transportation Secure Data Center, 2007 Chicago survey, and the trip table
/// published with it. The published rule is a gap of 300 s between samples.
#[test]
fn published_trips_of_two_cars_are_found() {
    let rig = text_rig(
        "time_column = \"timestamp\"\ntime_format = \"iso8601\"",
        "[[signal]]\nchannel = \"motion.gps_speed_m_s\"\nport = \"table\"\ncolumn = \"speed_mph\"\nscale = 0.44704\n\
         max_gap_s = 300.0\n",
    );
    let mut found = 0;
    for car in ["4112082_1", "4118093_1"] {
        let directory = data().join("gps-trips").join(car);
        let bench = Bench::new();
        let rig = bench.write("rig.toml", &rig);
        let mut days: Vec<_> = std::fs::read_dir(&directory)
            .expect("test data")
            .map(|e| e.expect("a file").path())
            .filter(|p| p.file_name().is_some_and(|n| n.to_string_lossy().starts_with("2007")))
            .collect();
        days.sort();
        for day in &days {
            bench.import(&rig, &[("table", day)], &[]);
        }
        let mut trips_found = Vec::new();
        for ledger in bench.ledgers() {
            let rules = TripRules { min_distance_m: 0.0, ..TripRules::default() };
            trips_found.extend(trips(&ledger, &rules));
        }
        let table = std::fs::read_to_string(directory.join("trips.csv")).expect("test data");
        for line in table.lines().skip(1) {
            let cells: Vec<&str> = line.split(',').collect();
            let time = |cell: &str| Timestamp::parse(cell, 0).expect("a time").as_us();
            let (start, end) = (time(cells[0]), time(cells[1]));
            let miles: f64 = cells[2].parse().expect("a distance");
            let trip = trips_found
                .iter()
                .find(|t| (t.start_us.as_us() - start).abs() <= 2_000_000)
                .unwrap_or_else(|| panic!("no trip sets off at {}", cells[0]));
            assert!(trip.end_us.as_us() <= end + 2_000_000, "trip of {} parks after {}", cells[0], cells[1]);
            close(trip.distance_m / (miles * METRES_PER_MILE), 1.0, 1e-9, cells[0]);
            found += 1;
        }
    }
    assert_eq!(found, 24 - 1, "every row of both trip tables was looked for");
}
