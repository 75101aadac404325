use std::{fs, path::Path};

use polars::prelude::DataFrame;
use tallywheel_schemas::{
    Domain, Table,
    rig::{DistanceSource, FuelSource},
    table::{LEDGER_COLUMNS, MOTOR_LEDGER_COLUMNS},
    units::{LITRES_PER_US_GALLON, METRES_PER_MILE},
};
use tempfile::TempDir;

use super::*;
use crate::{
    Dataset, Filter, Silent,
    fixture::{Columns, Sealed},
};

mod conservation;

const START: i64 = 1_780_000_000_000_000;
const SECOND: i64 = 1_000_000;

/// A rig with these signals, each followed by more lines of its table, and more tables at the end.
fn rig(signals: &[(&str, &str)], more: &str) -> String {
    let columns: Vec<String> = (0..signals.len()).map(|i| format!("\"c{i}\"")).collect();
    let mut text = format!(
        "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bench\"\nkind = \"text\"\ncolumns = [{}]\n",
        columns.join(", ")
    );
    for ((channel, lines), column) in signals.iter().zip(columns) {
        text += &format!("[[signal]]\nchannel = \"{channel}\"\nport = \"bench\"\ncolumn = {column}\n{lines}\n");
    }
    text + more
}

fn made(dir: &Path, options: &LedgerOptions) -> SessionLedger {
    let dataset = Dataset::open(dir).expect("a dataset");
    let sessions = dataset.sessions(&Filter::default());
    ledgers(&dataset, &sessions, options, &Silent).expect("ledgers").remove(0)
}

fn ledger_of(rig: &str, tables: Vec<Columns>) -> (TempDir, SessionLedger) {
    let dir = tempfile::tempdir().expect("a directory");
    Sealed::new("s1", rig, tables).write(dir.path()).expect("a session");
    let ledger = made(dir.path(), &LedgerOptions::default());
    (dir, ledger)
}

fn floats(frame: &DataFrame, name: &str) -> Vec<Option<f64>> {
    frame.column(name).expect("a column").f64().expect("floats").iter().collect()
}

fn total(ledger: &SessionLedger, name: &str) -> f64 {
    floats(&ledger.bins, name).into_iter().map(|v| v.expect("a value")).sum()
}

fn close(value: f64, expected: f64, tolerance: f64) {
    assert!((value - expected).abs() <= tolerance, "{value} is not {expected} within {tolerance}");
}

fn seconds(n: i64) -> Vec<i64> {
    (0..=n).map(|i| START + i * SECOND).collect()
}

fn constant(domain: Domain, columns: &[(&str, f64)]) -> Columns {
    let empty = Columns::new(domain, seconds(10));
    columns.iter().fold(empty, |c, (name, v)| c.all(name, [*v; 11]))
}

#[test]
fn frames_have_the_columns_of_their_tables() {
    let motor = constant(Domain::Motor, &[("torque_n_m", 1.0)]).positions(["rear-left"; 11]);
    let (_dir, ledger) = ledger_of(&rig(&[], ""), vec![constant(Domain::Pack, &[("soc_pct", 80.0)]), motor]);
    let names = |frame: &DataFrame| frame.get_column_names().into_iter().map(ToString::to_string).collect::<Vec<_>>();
    let expected = |table: Table| table.schema().fields().iter().map(|f| f.name().clone()).collect::<Vec<_>>();
    assert_eq!(names(&ledger.bins), expected(Table::Ledger));
    assert_eq!(names(&ledger.motors), expected(Table::MotorLedger));
    assert_eq!((ledger.bins.height(), ledger.motors.height()), (11, 11));
    assert_eq!(
        (LEDGER_COLUMNS.len() + 2, MOTOR_LEDGER_COLUMNS.len() + 3),
        (ledger.bins.width(), ledger.motors.width())
    );
    // No channel, no value; soc has one.
    assert!(floats(&ledger.bins, "distance_m").iter().all(Option::is_none));
    assert_eq!(floats(&ledger.bins, "soc_end_pct"), [Some(80.0); 11]);
}

/// Fuel mass rate MAF/(AFR·lambda) with AFR 14.7 (read), density 0.745 (40 CFR 600 appendix II example): 10 g/s at
/// lambda 1 is 0.680272 g/s and 3.28722 L/h; 12 g/s at lambda 0.85 is 0.960384 g/s.
#[test]
fn air_mass_becomes_fuel_mass_and_volume() {
    let channels = [("engine.maf_g_s", ""), ("engine.lambda", "")];
    let (_dir, ledger) = ledger_of(&rig(&channels, ""), vec![constant(Domain::Engine, &[("maf_g_s", 10.0)])]);
    assert_eq!(ledger.findings.fuel_source, Some(FuelSource::Air));
    close(total(&ledger, "fuel_g") / 10.0, 0.680272, 5e-7);
    close(total(&ledger, "fuel_ml") / 10.0 * 3.6, 3.28722, 5e-6);
    let rich = constant(Domain::Engine, &[("maf_g_s", 12.0), ("lambda", 0.85)]);
    let (_dir, ledger) = ledger_of(&rig(&channels, ""), vec![rich]);
    close(total(&ledger, "fuel_air_g") / 10.0, 0.960384, 5e-7);
    close(total(&ledger, "fuel_air_valid_s"), 10.0, 1e-12);
}

/// Air mass at a steady 50 km/h, as figures that go around:
/// - forum formula (read) MPG = 710.7 · km/h / (100 · g/s), whose constant is 14.7 · 6.17 lb/gal · 454 g/lb · 0.621371 ·
///   100 / 3600 = 710.734, and 710.095 with the exact pound;
/// - on E10, 10 g/s at 14.08 (from memory) and 0.750 kg/L is 3.40909 L/h;
/// - 3.287221 L/h at 50 km/h is 6.57444 L/100 km (definition).
#[test]
fn air_mass_and_speed_become_mileage() {
    let channels = [("engine.maf_g_s", ""), ("motion.wheel_speed_m_s", "")];
    let tables = || {
        let speed = constant(Domain::Motion, &[("wheel_speed_m_s", 50.0 / 3.6)]);
        vec![constant(Domain::Engine, &[("maf_g_s", 10.0)]), speed]
    };
    let sums = |density: f64, ratio: f64| {
        let fuel = format!("[fuel]\ndensity_g_per_ml = {density}\nstoichiometric_ratio = {ratio:?}\n");
        let (_dir, ledger) = ledger_of(&rig(&channels, &fuel), tables());
        (total(&ledger, "distance_m"), total(&ledger, "fuel_ml"))
    };
    let per_ml = 1.0 / (1000.0 * LITRES_PER_US_GALLON);
    for (gram_per_pound, constant, tolerance) in
        [(454.0, 710.7, 0.05), (454.0, 710.734, 1e-3), (453.592_37, 710.095, 1e-3)]
    {
        let (m, ml) = sums(6.17 * gram_per_pound * per_ml, 14.7);
        let mpg = m / METRES_PER_MILE / (ml * per_ml);
        close(mpg * 1000.0 / 50.0, constant, tolerance);
    }
    let (_, ml) = sums(0.750, 14.08);
    close(ml / 10.0 * 3.6, 3.40909, 5e-6);
    let (m, ml) = sums(0.745, 14.7);
    close(ml / m * 100.0, 6.57444, 1e-5);
}

#[test]
fn air_mass_without_a_current_lambda_is_not_fuel() {
    let engine = Columns::new(Domain::Engine, seconds(10))
        .all("maf_g_s", [14.7; 11])
        .floats("lambda", (0..11).map(|i| (i < 4).then_some(1.0)));
    let (_dir, ledger) = ledger_of(&rig(&[("engine.maf_g_s", ""), ("engine.lambda", "")], ""), vec![engine]);
    // Heard to the fourth second and good for 1.5 s: the sample at 4 s still counts, the one at 5 s does not.
    close(total(&ledger, "fuel_air_g"), 4.0, 1e-12);
    close(total(&ledger, "fuel_air_valid_s"), 4.0, 1e-12);
}

#[test]
fn meter_pulses_are_corrected_to_the_reference_temperature() {
    let engine = Columns::new(Domain::Engine, seconds(10))
        .ints("fuel_count", (0..11).map(|i| Some(100 * i)))
        .all("fuel_temp_c", [35.0; 11])
        .all("fuel_rate_g_s", [9.0; 11]);
    let channels = [("engine.fuel_count", ""), ("engine.fuel_temp_c", ""), ("engine.fuel_rate_g_s", "")];
    let linear = "[fuel]\nml_per_pulse = 0.1\nexpansion_per_k = 0.00095\n";
    let (_dir, ledger) = ledger_of(&rig(&channels, linear), vec![engine.clone()]);
    assert_eq!(ledger.findings.fuel_source, Some(FuelSource::Meter));
    // 1000 pulses of 0.1 mL at 20 K above the reference: 100 mL / (1 + 0.00095 * 20).
    close(total(&ledger, "fuel_ml"), 100.0 / 1.019, 1e-9);
    close(total(&ledger, "fuel_g"), 74.5 / 1.019, 1e-9);
    close(total(&ledger, "fuel_rate_g"), 90.0, 1e-9);
    close(total(&ledger, "fuel_meter_ml"), 100.0, 1e-9);
    assert_eq!(floats(&ledger.bins, "fuel_temp_c")[0], Some(35.0));
    // Without a stated expansion the petroleum tables apply: exp(-x (1 + 0.8 x)) with x = 20 K (346.4228/745^2 +
    // 0.4388/745), worked out in Python.
    let tables = rig(&channels, "[fuel]\nml_per_pulse = 0.1\n");
    close(total(&ledger_of(&tables, vec![engine.clone()]).1, "fuel_ml"), 97.556_941_5, 1e-6);
    let named = rig(&channels, "[fuel]\nml_per_pulse = 0.1\nsource = \"rate\"\n");
    close(total(&ledger_of(&named, vec![engine.clone()]).1, "fuel_g"), 90.0, 1e-9);
    let (_dir, no_volume) = ledger_of(&rig(&channels, ""), vec![engine]);
    assert_eq!(no_volume.findings.fuel_source, Some(FuelSource::Rate));
    assert!(no_volume.findings.notes[0].contains("no fuel.ml_per_pulse"));
}

#[test]
fn distance_comes_from_the_source_that_is_trusted_most() {
    let motion = |wheel: bool| {
        let gps = Columns::new(Domain::Motion, seconds(10))
            .all("gps_speed_m_s", [9.0; 11])
            .ints("hall_count", (0..11).map(|i| Some(60_000 + 1000 * i)).map(|c| c.map(|c| c % 65_536)));
        if wheel { gps.all("wheel_speed_m_s", [10.0; 11]) } else { gps }
    };
    let channels = [("motion.wheel_speed_m_s", ""), ("motion.hall_count", "hold = \"counter\"\nmodulus = 65536")];
    let edges = "[distance]\nm_per_edge = 0.0095\n";
    let (_dir, wheel) = ledger_of(&rig(&channels, edges), vec![motion(true)]);
    assert_eq!(wheel.findings.distance_source, Some(DistanceSource::Wheel));
    close(total(&wheel, "distance_m"), 100.0, 1e-9);
    close(total(&wheel, "hall_distance_m"), 95.0, 1e-9);
    close(total(&wheel, "gps_distance_m"), 90.0, 1e-9);
    let hall_finding = wheel.findings.channels.iter().find(|c| c.channel == "motion.hall_count").expect("a finding");
    assert_eq!((hall_finding.wraps, hall_finding.resets, hall_finding.samples), (1, 0, 11));
    let (_dir, hall) = ledger_of(&rig(&channels, edges), vec![motion(false)]);
    assert_eq!(hall.findings.distance_source, Some(DistanceSource::Hall));
    assert_eq!(hall.findings.speed_source, Some(DistanceSource::Gps));
    close(total(&hall, "distance_m"), 95.0, 1e-9);
    let wheel_finding = hall.findings.channels.iter().find(|c| c.channel == "motion.wheel_speed_m_s");
    assert_eq!(wheel_finding.map(|c| c.samples), Some(0), "named by the rig, never seen");
    let named = rig(&channels, "[distance]\nsource = \"wheel\"\n");
    let (_dir, none) = ledger_of(&named, vec![motion(false)]);
    assert_eq!(none.findings.distance_source, None, "nothing takes the place of a named source");
    assert!(floats(&none.bins, "distance_m").iter().all(Option::is_none));
    assert!(none.findings.notes[0].contains("the wheel speed"));
}

#[test]
fn pack_energy_charge_and_state_come_from_messages_of_their_own() {
    // Voltage on the second, current half a second later, as two messages of a pack send them.
    let t: Vec<i64> = (0..=20).map(|i| START + i * 500_000).collect();
    let pack = Columns::new(Domain::Pack, t)
        .floats("voltage_v", (0..21).map(|i| (i % 2 == 0).then_some(100.0)))
        .floats("current_a", (0..21).map(|i| (i % 2 == 1).then_some(if i < 10 { 36.0 } else { -18.0 })))
        .floats("soc_pct", (0..21).map(|i| (i == 4).then_some(70.0)));
    let (_dir, ledger) = ledger_of(&rig(&[("pack.soc_pct", "max_gap_s = 3.0")], ""), vec![pack]);
    // Current from 0.5 to 9.5 s: 36 A to 4.5 s, -18 A from 5.5 s, a line between that crosses zero at 5.1667 s.
    let (out, back) = (36.0 * 4.0 + 36.0 * (2.0 / 3.0) / 2.0, 18.0 * (1.0 / 3.0) / 2.0 + 18.0 * 4.0);
    close(total(&ledger, "pack_out_wh"), out * 100.0 / 3600.0, 1e-9);
    close(total(&ledger, "pack_in_wh"), back * 100.0 / 3600.0, 1e-9);
    close(total(&ledger, "pack_out_ah"), out / 3600.0, 1e-9);
    close(total(&ledger, "pack_in_ah"), back / 3600.0, 1e-9);
    close(total(&ledger, "pack_valid_s"), 9.0, 1e-9);
    let soc = floats(&ledger.bins, "soc_end_pct");
    assert_eq!(soc.iter().map(Option::is_some).collect::<Vec<_>>()[..6], [false, false, true, true, true, false]);
}

#[test]
fn motors_have_rows_of_their_own_and_make_the_assist_state_together() {
    // Two motors in turn every 100 ms; the left one drives in 0..2 s, the right one brakes in 5..7 s.
    let t: Vec<i64> = (0..=100).map(|i| START + i * 100_000).collect();
    let command = |i: i64| match (i % 2, i) {
        (0, 0..20) => 40.0,
        (1, 50..70) => -25.0,
        _ => 0.0,
    };
    let motor = Columns::new(Domain::Motor, t)
        .positions((0..=100).map(|i| ["rear-left", "rear-right"][i % 2]))
        .all("command_pct", (0..=100).map(command))
        .all("torque_n_m", (0..=100).map(|i| if i % 2 == 0 { 50.0 } else { -20.0 }))
        .all("speed_rpm", (0..=100).map(|_| 300.0))
        .all("winding_temp_c", (0..=100).map(|i| 40.0 + i as f64 * 0.1))
        .ints("fault", (0..=100).map(|i| Some(if i == 31 { 7 } else { 0 })));
    let channels = [
        ("motor.command_pct", "position = \"rear-right\""),
        ("motor.torque_n_m", "position = \"rear-left\""),
        ("motor.torque_n_m", "position = \"front\""),
    ];
    let (_dir, ledger) = ledger_of(&rig(&channels, ""), vec![motor]);
    let positions: Vec<String> = {
        let column = ledger.motors.column("position").expect("positions").str().expect("text");
        column.iter().take(4).map(|p| p.unwrap_or_default().to_owned()).collect()
    };
    assert_eq!(positions, ["rear-right", "rear-left", "rear-right", "rear-left"], "in the rig's order");
    let sum =
        |name: &str, skip: usize| -> f64 { floats(&ledger.motors, name).iter().skip(skip).step_by(2).flatten().sum() };
    let power = 300.0 * std::f64::consts::PI / 30.0;
    // Left from 0 to 10 s, right from 0.1 to 9.9 s.
    close(sum("shaft_out_wh", 1), 50.0 * power * 10.0 / 3600.0, 1e-9);
    close(sum("shaft_in_wh", 0), 20.0 * power * 9.8 / 3600.0, 1e-9);
    close(sum("command_on_s", 1), 2.0, 1e-9);
    close(sum("command_on_s", 0), 2.0, 1e-9);
    close(sum("fault_on_s", 0), 0.2, 1e-9);
    assert_eq!(floats(&ledger.motors, "torque_peak_n_m")[..2], [Some(20.0), Some(50.0)]);
    let hottest = floats(&ledger.motors, "winding_max_c").into_iter().flatten().fold(0.0, f64::max);
    close(hottest, 50.0, 1e-9);
    close(total(&ledger, "assist_on_s"), 2.0, 1e-9);
    close(total(&ledger, "regen_on_s"), 2.0, 1e-9);
    // Both are known from 0.1 to 9.9 s, and before that the left one drives.
    close(total(&ledger, "assist_valid_s"), 9.9, 1e-9);
    let silent = ledger.findings.channels.iter().find(|c| c.position.as_deref() == Some("front"));
    assert_eq!(silent.map(|c| (c.channel.as_str(), c.samples)), Some(("motor.torque_n_m", 0)));
}

#[test]
fn a_motor_without_a_command_is_judged_by_its_torque() {
    let motor = constant(Domain::Motor, &[("torque_n_m", 30.0)]).positions(["rear-left"; 11]);
    let (_dir, ledger) = ledger_of(&rig(&[], ""), vec![motor]);
    close(total(&ledger, "assist_on_s"), 10.0, 1e-9);
    assert!(floats(&ledger.motors, "command_on_s").iter().all(Option::is_none));
}

#[test]
fn an_engine_without_a_state_is_judged_by_its_speed() {
    let rpm = |i: i64| if i < 4 { 800.0 } else { 0.0 };
    let engine = Columns::new(Domain::Engine, seconds(10)).all("speed_rpm", (0..11).map(rpm));
    let (_dir, ledger) = ledger_of(&rig(&[], ""), vec![engine.clone()]);
    close(total(&ledger, "engine_on_s"), 4.0, 1e-12);
    let stated = engine.bools("running", (0..11).map(|i| Some(i < 7)));
    close(total(&ledger_of(&rig(&[], ""), vec![stated]).1, "engine_on_s"), 7.0, 1e-12);
}

#[test]
fn speeds_at_the_edges_and_weather_are_kept() {
    let t: Vec<i64> = (0..8).map(|i| START + 250_000 + i * 500_000).collect();
    let motion = Columns::new(Domain::Motion, t).all("wheel_speed_m_s", (0..8).map(f64::from));
    let ambient = constant(Domain::Ambient, &[("temp_c", -4.5), ("wind_m_s", 3.0)]);
    let (_dir, ledger) = ledger_of(&rig(&[], ""), vec![motion, ambient]);
    let columns = |name: &str| floats(&ledger.bins, name)[..4].to_vec();
    assert_eq!(columns("speed_start_m_s"), [None, Some(1.5), Some(3.5), Some(5.5)]);
    assert_eq!(columns("speed_end_m_s"), [Some(1.5), Some(3.5), Some(5.5), None]);
    assert_eq!(columns("speed_max_m_s"), [Some(1.5), Some(3.5), Some(5.5), Some(7.0)]);
    assert_eq!(columns("accel_m_s2"), [None, Some(2.0), Some(2.0), None]);
    assert_eq!((columns("ambient_c")[2], columns("wind_m_s")[2]), (Some(-4.5), Some(3.0)));
}

#[test]
fn stamps_far_from_the_start_are_left_out_and_reported() {
    let t = vec![START, START + SECOND, START + 2_000_001 * SECOND];
    let motion = Columns::new(Domain::Motion, t).all("wheel_speed_m_s", [1.0; 3]);
    let (_dir, ledger) = ledger_of(&rig(&[], ""), vec![motion]);
    assert_eq!(ledger.bins.height(), 2);
    assert_eq!(ledger.findings.damage.iter().map(|d| d.rows).sum::<u64>(), 1);
}

#[test]
fn a_session_without_rows_has_an_empty_ledger() {
    let (_dir, ledger) = ledger_of(&rig(&[], ""), Vec::new());
    assert_eq!((ledger.bins.height(), ledger.motors.height(), ledger.findings.first_us), (0, 0, None));
}

fn driven() -> (TempDir, Vec<Columns>, String) {
    let motion = constant(Domain::Motion, &[("wheel_speed_m_s", 10.0)]);
    let motor = constant(Domain::Motor, &[("torque_n_m", 1.5)]).positions(["rear-left"; 11]);
    (tempfile::tempdir().expect("a directory"), vec![motion, motor], rig(&[], ""))
}

fn file(dir: &Path, table: &str) -> std::path::PathBuf {
    let date = tallywheel_schemas::Timestamp::from_us(START).date();
    dir.join(table).join("vehicle=skerry-1").join(format!("date={date}")).join("s1.parquet")
}

#[test]
fn a_cached_ledger_is_the_same_and_is_believed_only_if_nothing_changed() {
    let (dir, tables, rig) = driven();
    let sealed = Sealed::new("s1", &rig, tables);
    sealed.write(dir.path()).expect("a session");
    let fresh = made(dir.path(), &LedgerOptions::default());
    let written = || fs::metadata(file(dir.path(), "ledger")).and_then(|m| m.modified()).expect("a cached ledger");
    let first = written();
    let cached = made(dir.path(), &LedgerOptions::default());
    assert!(cached.bins.equals_missing(&fresh.bins) && cached.motors.equals_missing(&fresh.motors));
    assert_eq!(cached.findings, fresh.findings);
    assert_eq!(written(), first, "the cache is read, not made again");
    // The table gone, the cache must not answer for it.
    let raw = fs::read(file(dir.path(), "motion")).expect("a table");
    fs::remove_file(file(dir.path(), "motion")).expect("removed");
    assert_eq!(made(dir.path(), &LedgerOptions::default()).findings.damage.len(), 1);
    // Another bin width is not cached, so the loss shows.
    let half = LedgerOptions { bin_us: 500_000, jobs: Some(1) };
    assert_eq!(made(dir.path(), &half).findings.damage.len(), 1);
    fs::write(file(dir.path(), "motion"), raw).expect("written");
    // Other content, other ledger: twice the speed.
    let faster = vec![constant(Domain::Motion, &[("wheel_speed_m_s", 20.0)]), sealed.tables[1].clone()];
    Sealed::new("s1", &rig, faster).write(dir.path()).expect("a session");
    close(total(&made(dir.path(), &LedgerOptions::default()), "distance_m"), 200.0, 1e-9);
}

#[test]
fn a_damaged_cache_is_made_again() {
    let (dir, tables, rig) = driven();
    Sealed::new("s1", &rig, tables).write(dir.path()).expect("a session");
    let fresh = made(dir.path(), &LedgerOptions::default());
    for table in ["ledger", "motor_ledger"] {
        let sound = fs::read(file(dir.path(), table)).expect("a cache");
        for at in (0..sound.len()).step_by(sound.len() / 40) {
            let mut bytes = sound.clone();
            bytes[at] ^= 0x20;
            fs::write(file(dir.path(), table), &bytes).expect("written");
            let again = made(dir.path(), &LedgerOptions::default());
            assert!(again.bins.equals_missing(&fresh.bins), "{table}, byte {at}");
            assert!(again.motors.equals_missing(&fresh.motors), "{table}, byte {at}");
            assert_eq!(again.findings, fresh.findings, "{table}, byte {at}");
        }
    }
    let directory = file(dir.path(), "ledger");
    let left: Vec<_> = fs::read_dir(directory.parent().expect("a directory")).expect("a directory").collect();
    assert_eq!(left.len(), 1, "no temporary file is left");
}

#[test]
fn a_damaged_session_is_integrated_as_far_as_it_goes_and_not_cached() {
    let (dir, tables, rig) = driven();
    Sealed { group_rows: 4, ..Sealed::new("s1", &rig, tables) }.write(dir.path()).expect("a session");
    let path = file(dir.path(), "motion");
    let mut bytes = fs::read(&path).expect("a table");
    bytes[20] ^= 1;
    fs::write(&path, bytes).expect("written");
    let ledger = made(dir.path(), &LedgerOptions::default());
    assert_eq!(ledger.findings.damage.iter().map(|d| d.rows).collect::<Vec<_>>(), [4]);
    close(total(&ledger, "distance_m"), 60.0, 1e-9);
    assert!(!file(dir.path(), "ledger").exists());
}

#[test]
fn a_dataset_that_takes_no_cache_works_the_same() {
    let (dir, tables, rig) = driven();
    Sealed::new("s1", &rig, tables).write(dir.path()).expect("a session");
    // A file where the table's directory would be stops even the superuser.
    fs::write(dir.path().join("ledger"), "").expect("written");
    fs::write(dir.path().join("motor_ledger"), "").expect("written");
    close(total(&made(dir.path(), &LedgerOptions::default()), "distance_m"), 100.0, 1e-9);
}

#[test]
fn an_unusable_bin_width_is_refused() {
    let (dir, tables, rig) = driven();
    Sealed::new("s1", &rig, tables).write(dir.path()).expect("a session");
    let dataset = Dataset::open(dir.path()).expect("a dataset");
    let sessions = dataset.sessions(&Filter::default());
    let options = LedgerOptions { bin_us: 0, ..LedgerOptions::default() };
    let error = ledgers(&dataset, &sessions, &options, &Silent).expect_err("no bins").to_string();
    assert!(error.starts_with("bin width 0 µs is outside"), "{error}");
}
