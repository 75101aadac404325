//! Independent peers from the Python package registry: they share no code with ours, so errors cannot cancel.

use std::{fs::File, path::Path, process::Command};

use arrow::array::AsArray as _;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use serde_json::Value;
use tallywheel_analyze::columns;
use tallywheel_schemas::Table;
use tallywheel_tests::{Bench, peer, program, python, sample_logs};

/// Frames that python-can's slcan interface writes come back from `frames/` equal, every one.
#[test]
fn frames_written_by_python_can_come_back_equal() {
    let Some(python) = python() else { return };
    let bench = Bench::new();
    let rig = "schema = 1\nvehicle = \"skerry-9\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 500000\n";
    let (rig, out) = (bench.write("rig.toml", rig), bench.path("sent.json"));
    let status = Command::new(python)
        .arg(peer("slcan_writer.py"))
        .args([program("tallywheel-logger"), rig, bench.dataset(), out.clone()])
        .status()
        .expect("python starts");
    assert!(status.success());
    let report: Value = serde_json::from_reader(File::open(out).expect("the peer's report")).expect("JSON");
    let sent = report["sent"].as_array().expect("frames");
    let received = frames(&bench);
    assert_eq!(received.len(), sent.len(), "{}", report["stderr"].as_str().unwrap_or_default());
    for (i, (sent, received)) in sent.iter().zip(&received).enumerate() {
        assert_eq!(sent, received, "frame {i}");
    }
    assert_eq!(report["code"], 0, "{}", report["stderr"].as_str().unwrap_or_default());
}

/// The `frames` table of the only session, each frame as the peer writes it.
fn frames(bench: &Bench) -> Vec<Value> {
    let ledger = bench.ledgers().pop().expect("a session");
    let record = ledger.session.manifest.file(Table::Frames).expect("frames").clone();
    let file = File::open(bench.dataset().join(record.path)).expect("the table");
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).expect("Parquet").build().expect("Parquet");
    let mut frames = Vec::new();
    for batch in reader {
        let batch = batch.expect("a readable batch");
        let column = |name: &str| batch.column_by_name(name).expect("the column");
        let ids = column("id").as_primitive::<arrow::datatypes::UInt32Type>();
        let data = column("data").as_binary::<i32>();
        let flag = |name: &str, i: usize| column(name).as_boolean().value(i);
        for i in 0..batch.num_rows() {
            let hex: String = data.value(i).iter().map(|b| format!("{b:02x}")).collect();
            frames.push(serde_json::json!({
                "id": ids.value(i), "extended": flag("extended", i), "remote": flag("remote", i), "fd": flag("fd", i),
                "data": hex,
            }));
        }
    }
    frames
}

fn close(actual: f64, expected: f64, what: &str) {
    let error = (actual - expected).abs() / expected.abs().max(1.0);
    assert!(error < 1e-9, "{what}: {actual} is not {expected}");
}

/// DuckDB and polars-python read the sealed tables as Hive partitions and reach our ledger's sums.
#[test]
fn other_engines_reach_the_same_sums() {
    let Some(python) = python() else { return };
    let bench = Bench::new();
    crate::campaign::import_samples(&bench);
    let ledgers = bench.ledgers();
    let output = Command::new(python).arg(peer("hive_sums.py")).arg(bench.dataset()).output().expect("python starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let sums: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let mut compared = 0;
    for ledger in &ledgers {
        let session = ledger.session.manifest.session.as_str();
        let sum = |name| columns::sum(&ledger.bins, name).expect("a ledger");
        if let Some(distance) = sum("wheel_distance_m") {
            for engine in ["duckdb_distance_m", "polars_distance_m"] {
                close(sums[engine][session].as_f64().expect("a sum"), distance, engine);
            }
            close(sums["duckdb_ledger"][session]["wheel_distance_m"].as_f64().expect("a sum"), distance, "ledger");
            let fuel = sum("fuel_ml").expect("fuel");
            close(sums["duckdb_ledger"][session]["fuel_ml"].as_f64().expect("a sum"), fuel, "ledger fuel");
            compared += 1;
        }
        if let (Some(out), Some(into)) = (sum("pack_out_wh"), sum("pack_in_wh")) {
            close(sums["duckdb_net_wh"][session].as_f64().expect("a sum"), out - into, "net energy");
            close(sums["duckdb_ledger"][session]["net_wh"].as_f64().expect("a sum"), out - into, "ledger net energy");
        }
        assert_eq!(sums["duckdb_ledger"][session]["vehicle"], ledger.session.manifest.vehicle.as_str());
    }
    assert!(compared >= 4, "every run was compared");
}

/// The report of the sample campaign is what its JSON Schema says.
#[test]
fn the_report_fits_its_schema() {
    let Some(python) = python() else { return };
    let bench = Bench::new();
    crate::campaign::import_samples(&bench);
    let campaign = sample_logs().join("captures/campaign.toml");
    crate::campaign::report(&bench, &campaign);
    let schema = Path::new(env!("CARGO_MANIFEST_DIR")).join("../schemas/report.schema.json");
    let status = Command::new(python)
        .args([peer("check_schema.py"), schema, bench.path("report/report.json")])
        .status()
        .expect("python starts");
    assert!(status.success());
}
