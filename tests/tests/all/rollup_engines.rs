//! The roll-up's SQL gives the same cells on the embedded engine, DuckDB and Spark, and the same as a script that works
//! them out by hand.

use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::{Path, PathBuf},
    process::Command,
};

use serde_json::{Value, json};
use tallywheel_analyze::rollup::{
    Engine, Parameters, Period,
    period::{CalendarRow, calendar},
    source,
    sql::STATEMENTS,
};
use tallywheel_sample_logs::fleet::{Fault, FleetPlan, Library, Planted, tables};
use tallywheel_tests::{Bench, peer, python, spark_java};

/// Results by statement: columns, and rows by their key.
type Results = BTreeMap<String, (Vec<String>, BTreeMap<String, Vec<Value>>)>;

/// Cells that tell the rows of a result apart.
fn keys(statement: &str) -> usize {
    match statement {
        "class_days" => 4,
        "class_reference" => 3,
        "vehicle_days" => 4,
        "vehicle_periods" => 2,
        _ => 1,
    }
}

fn results(read: &Value) -> Results {
    let mut results = Results::new();
    for (name, _) in STATEMENTS {
        let columns: Vec<String> = read[name]["columns"]
            .as_array()
            .expect("columns")
            .iter()
            .map(|c| c.as_str().expect("a name").to_owned())
            .collect();
        let rows = read[name]["rows"].as_array().expect("rows").iter().map(|row| {
            let row = row.as_array().expect("a row").clone();
            let key: Vec<String> =
                row.iter().take(keys(name)).map(|v| v.as_f64().map_or(v.to_string(), |n| n.to_string())).collect();
            (key.join("|"), row)
        });
        results.insert(name.to_owned(), (columns, rows.collect()));
    }
    results
}

fn embedded(root: &Path, period: &Period) -> (Results, Vec<CalendarRow>) {
    let mut engine = Engine::new().expect("an engine");
    let read = source::read(root, period.history_first(), period.last, &[], &mut engine).expect("readable tables");
    assert!(read.unreadable.is_empty() && read.rows > 1000, "{read:?}");
    let days: BTreeSet<String> = engine.days().expect("days").into_iter().collect();
    let calendar = calendar(period, &days);
    engine.roll_up(&calendar, &Parameters::default()).expect("a roll-up");
    let mut read = serde_json::Map::new();
    for (name, _) in STATEMENTS {
        let frame = engine.result(name).expect("a result");
        let json = frame.json();
        let rows: Vec<Value> = json
            .as_array()
            .expect("rows")
            .iter()
            .map(|row| frame.columns.iter().map(|c| row[c].clone()).collect())
            .collect();
        read.insert(name.to_owned(), json!({ "columns": frame.columns, "rows": rows }));
    }
    (results(&Value::Object(read)), calendar)
}

/// Holds every cell of two results against each other; gives the number of cells.
fn compare(name: &str, ours: &Results, theirs: &Results) -> usize {
    let mut cells = 0;
    for (statement, (columns, rows)) in ours {
        let (their_columns, their_rows) = &theirs[statement];
        assert_eq!(columns, their_columns, "{name}: columns of {statement}");
        let keys = |rows: &BTreeMap<String, Vec<Value>>| rows.keys().cloned().collect::<Vec<_>>();
        assert_eq!(keys(rows), keys(their_rows), "{name}: rows of {statement}");
        for (key, row) in rows {
            for ((column, a), b) in columns.iter().zip(row).zip(&their_rows[key]) {
                let same = match (a.as_f64(), b.as_f64()) {
                    (Some(a), Some(b)) => (a - b).abs() <= 1e-9 * a.abs().max(b.abs()).max(1e-9),
                    _ => a == b,
                };
                assert!(same, "{name}: {statement} {key} {column}: {a} is not {b}");
                cells += 1;
            }
        }
    }
    cells
}

/// Six vehicles over seven weeks with silent sensors, dead kits and days off, so that there are nulls in every place.
fn fleet(bench: &Bench) -> PathBuf {
    let fault = |vehicle, fault, from_week| Planted { vehicle, fault, from_week };
    let planted = vec![
        fault(1, Fault::AssistDead, 4),
        fault(2, Fault::SensorSilent, 3),
        fault(3, Fault::NoCharging, 5),
        fault(4, Fault::CoverageDropping, 2),
    ];
    let plan = FleetPlan { planted, ..FleetPlan::healthy(6, 7, 3) };
    let root = bench.dataset();
    tables::write(&plan, &Library::drive(3, 1), &root).expect("a fleet");
    root
}

fn sql_directory() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../schemas/sql")
}

#[test]
fn every_engine_gives_every_cell_alike() {
    let Some(python) = python() else { return };
    let bench = Bench::new();
    let root = fleet(&bench);
    let period = Period::week("2026-W33").expect("a week");
    let (ours, calendar) = embedded(&root, &period);
    let lines: String = calendar.iter().map(|r| format!("{},{},{}\n", r.period, r.day, r.role)).collect();
    let calendar = bench.write("calendar.csv", &format!("period,day,role\n{lines}"));
    let parameters = serde_json::to_string(&Parameters::default()).expect("JSON");
    let parameters = bench.write("parameters.json", &parameters);
    let ask = |script: &str, engine: &[&str], sql: &[PathBuf], java: &Path| {
        let mut command = Command::new(&python);
        command
            .env("JAVA_HOME", java)
            .arg(peer(script))
            .args(engine)
            .arg(&root)
            .args(sql)
            .args([&calendar, &parameters]);
        let output = command.output().expect("python starts");
        (output.status.success(), output.stdout, String::from_utf8_lossy(&output.stderr).into_owned())
    };
    let (good, stdout, said) = ask("rollup_numpy.py", &[], &[], Path::new(""));
    assert!(good, "{said}");
    let cells = compare("numpy", &ours, &results(&serde_json::from_slice(&stdout).expect("JSON")));
    assert!(cells > 20_000, "{cells} cells");
    let (good, stdout, said) = ask("rollup_engines.py", &["duckdb"], &[sql_directory()], Path::new(""));
    assert!(good, "{said}");
    assert_eq!(compare("DuckDB", &ours, &results(&serde_json::from_slice(&stdout).expect("JSON"))), cells);
    let Some(java) = spark_java(&python, &bench.path("java")) else { return };
    let (good, stdout, said) = ask("rollup_engines.py", &["spark"], &[sql_directory()], &java);
    assert!(good, "{said}");
    assert_eq!(compare("Spark", &ours, &results(&serde_json::from_slice(&stdout).expect("JSON"))), cells);
}

/// What a statement reads is in the table's schema, so that a renamed column is found here and not by an engine.
#[test]
fn the_statements_are_those_of_the_directory() {
    let mut files: Vec<String> = fs::read_dir(sql_directory())
        .expect("the directory")
        .map(|e| e.expect("an entry").file_name().to_string_lossy().into_owned())
        .filter(|n| n.ends_with(".sql"))
        .collect();
    files.sort();
    let mut named: Vec<String> = STATEMENTS.iter().map(|(name, _)| format!("{name}.sql")).collect();
    named.sort();
    assert_eq!(files, named);
}
