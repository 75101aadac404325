//! The documented Spark job makes what the program makes by itself: the same derived tables, and the same roll-up of them.

use std::{
    collections::BTreeMap,
    fs,
    path::{Path, PathBuf},
    process::{Command, Output},
};

use serde_json::Value;
use tallywheel_sample_logs::fleet::{Fault, FleetPlan, Library, Planted, tables};
use tallywheel_schemas::Table;
use tallywheel_tests::{
    Bench,
    kills::{link, make_fleet},
    program, python, run, spark_java,
};

fn job(python: &Path, java: &Path, args: &[&str]) -> Output {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../analyze/spark/weekly.py");
    let mut command = Command::new(python.with_file_name("spark-submit"));
    command.args([
        "--master",
        "local[2]",
        "--conf",
        "spark.ui.enabled=false",
        "--conf",
        "spark.sql.shuffle.partitions=2",
    ]);
    command.env("JAVA_HOME", java).env("PYSPARK_PYTHON", python).env("PYSPARK_DRIVER_PYTHON", python);
    command.arg(script).args(args).output().expect("spark-submit starts")
}

/// The job's last line.
fn counts(output: &Output) -> Value {
    let text = String::from_utf8_lossy(&output.stdout);
    let last = text.lines().last().unwrap_or_else(|| panic!("{}", String::from_utf8_lossy(&output.stderr)));
    serde_json::from_str(last).expect("JSON")
}

/// Every derived file by its path, with its bytes.
fn derived(root: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut directories: Vec<PathBuf> = Table::DERIVED.iter().map(|t| root.join(t.name())).collect();
    while let Some(directory) = directories.pop() {
        for entry in fs::read_dir(&directory).expect("a table") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                directories.push(path);
            } else {
                let name = path.strip_prefix(root).expect("below the root").to_owned();
                found.insert(name, fs::read(&path).expect("readable"));
            }
        }
    }
    found
}

/// Holds two documents against each other, numbers to a billionth; gives the number of values.
fn alike(at: &str, ours: &Value, theirs: &Value) -> usize {
    match (ours, theirs) {
        (Value::Object(a), Value::Object(b)) => {
            assert_eq!(a.keys().collect::<Vec<_>>(), b.keys().collect::<Vec<_>>(), "{at}");
            a.iter().map(|(key, a)| alike(&format!("{at}.{key}"), a, &b[key])).sum()
        }
        (Value::Array(a), Value::Array(b)) => {
            assert_eq!(a.len(), b.len(), "{at}");
            a.iter().zip(b).enumerate().map(|(i, (a, b))| alike(&format!("{at}[{i}]"), a, b)).sum()
        }
        (Value::Number(a), Value::Number(b)) => {
            let (a, b) = (a.as_f64().expect("a number"), b.as_f64().expect("a number"));
            assert!((a - b).abs() <= 1e-9 * a.abs().max(b.abs()).max(1e-6), "{at}: {a} is not {b}");
            1
        }
        (a, b) => {
            assert_eq!(a, b, "{at}");
            1
        }
    }
}

fn roll_up(args: &[&str]) -> (Option<i32>, Value) {
    let output = run("tallywheel-analyze", [&["rollup", "--format", "json"], args].concat());
    let document = serde_json::from_slice(&output.stdout);
    (output.status.code(), document.unwrap_or_else(|_| panic!("{}", String::from_utf8_lossy(&output.stderr))))
}

#[test]
fn the_ledger_pass_on_spark_leaves_what_derive_leaves() {
    let Some(python) = python() else { return };
    let bench = Bench::new();
    let Some(java) = spark_java(&python, &bench.path("java")) else { return };
    let (alone, spark) = (bench.path("alone"), bench.path("spark"));
    make_fleet(&alone, 3, 2, 2).expect("a fleet");
    // One session that must be left out by both, with the same reason.
    let damaged = alone.join("pack/vehicle=skerry-2/date=2026-11-24/skerry-2-1-0.parquet");
    let mut bytes = fs::read(&damaged).expect("a sealed file");
    bytes[1000] ^= 1;
    fs::write(&damaged, bytes).expect("writable");
    link(&alone, &spark).expect("a copy");
    let done = run("tallywheel-analyze", ["derive", "--data", &alone.to_string_lossy()]);
    assert_eq!(done.status.code(), Some(1), "{}", String::from_utf8_lossy(&done.stderr));

    let (data, out) = (spark.to_string_lossy().into_owned(), bench.path("sums").to_string_lossy().into_owned());
    let binary = program("tallywheel-analyze").to_string_lossy().into_owned();
    let pass = ["--data", &data, "--program", &binary, "--vehicles-per-task", "2"];
    let first = job(&python, &java, &[&pass[..], &["--week", "2026-W48", "--out", &out]].concat());
    let counted = counts(&first);
    assert_eq!(first.status.code(), Some(1), "a damaged session: {}", String::from_utf8_lossy(&first.stderr));
    assert_eq!((&counted["vehicles"], &counted["tasks"]), (&3.into(), &2.into()));
    assert_eq!((&counted["sessions"]["made"], &counted["sessions"]["damaged"]), (&11.into(), &1.into()));
    let (ours, theirs) = (derived(&alone), derived(&spark));
    assert_eq!(ours.len(), 11 * Table::DERIVED.len());
    assert_eq!(ours.keys().collect::<Vec<_>>(), theirs.keys().collect::<Vec<_>>());
    for (path, bytes) in &ours {
        assert!(bytes == &theirs[path], "{} is not the same", path.display());
    }

    let (code, here) = roll_up(&["--data", &alone.to_string_lossy(), "--week", "2026-W48"]);
    let (spark_code, there) = roll_up(&["--results", &out]);
    assert_eq!((code, spark_code), (Some(1), Some(1)));
    assert_eq!(here["unusable_sessions"][0]["session"], "skerry-2-1-0");
    assert!(alike("", &here, &there) > 300);

    let again = counts(&job(&python, &java, &pass));
    assert_eq!(again["sessions"]["unchanged"], 11, "{again}");
}

/// Six vehicles over eighteen weeks with faults, so that there is something to find.
#[test]
fn the_sums_on_spark_lead_to_the_same_page() {
    let Some(python) = python() else { return };
    let bench = Bench::new();
    let Some(java) = spark_java(&python, &bench.path("java")) else { return };
    let fault = |vehicle, fault| Planted { vehicle, fault, from_week: 17 };
    let planted = vec![fault(1, Fault::AssistDead), fault(2, Fault::SensorSilent), fault(4, Fault::NoCharging)];
    let plan = FleetPlan { planted, ..FleetPlan::healthy(6, 18, 3) };
    tables::write(&plan, &Library::drive(3, 1), &bench.dataset()).expect("a fleet");
    let week = tallywheel_sample_logs::fleet::week::name(17);
    let (data, out) =
        (bench.dataset().to_string_lossy().into_owned(), bench.path("sums").to_string_lossy().into_owned());
    let done = job(&python, &java, &["--data", &data, "--sums-only", "--week", &week, "--out", &out]);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let (_, here) = roll_up(&["--data", &data, "--week", &week, "--tables-only"]);
    let (_, there) = roll_up(&["--results", &out]);
    assert!(here["attention"].as_array().is_some_and(|a| a.len() >= 3), "{}", here["attention"]);
    assert!(alike("", &here, &there) > 1000);
}
