//! The main job, end to end: committed captures and the demonstration itself, held against their truth.

use std::{fs, path::Path};

use serde_json::Value;
use tallywheel_tests::{Bench, run, sample_logs};

/// Imports every committed sample run and the charging session.
pub(crate) fn import_samples(bench: &Bench) {
    let rig = sample_logs().join("rigs/skerry.toml");
    let captures = sample_logs().join("captures");
    for name in sample_runs() {
        let directory = captures.join(&name);
        let truth = read_json(&directory.join("truth.json"));
        let start = truth["start"].as_str().expect("a start").to_owned();
        let files: Vec<_> = ["vehicle-bus.slcan", "kit-bus.slcan", "gps.nmea", "fuel-box.csv"]
            .into_iter()
            .map(|f| (f.split('.').next().expect("a name"), directory.join(f)))
            .filter(|(_, path)| path.exists())
            .collect();
        let files: Vec<(&str, &Path)> = files.iter().map(|(port, path)| (*port, path.as_path())).collect();
        let sheet = directory.join("run.toml");
        let mut more = vec!["--start", &start];
        let sheet = sheet.to_str().expect("a plain path").to_owned();
        if Path::new(&sheet).exists() {
            more.extend(["--run-sheet", &sheet]);
        }
        bench.import(&rig, &files, &more);
    }
}

/// Names of the good sample captures.
fn sample_runs() -> Vec<String> {
    let entries = fs::read_dir(sample_logs().join("captures")).expect("the samples");
    let mut names: Vec<String> = entries
        .map(|e| e.expect("an entry"))
        .filter(|e| e.path().join("truth.json").exists() && e.path().is_dir() && e.file_name() != "damaged")
        .map(|e| e.file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

fn read_json(path: &Path) -> Value {
    let text = fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    serde_json::from_str(&text).expect("JSON")
}

/// Makes the report of a campaign under `report/` and gives its JSON.
pub(crate) fn report(bench: &Bench, campaign: &Path) -> Value {
    let out = bench.path("report");
    let data = bench.dataset();
    let args = ["report".as_ref(), "--data".as_ref(), data.as_os_str(), "--campaign".as_ref(), campaign.as_os_str()];
    let output = run("tallywheel-analyze", args.into_iter().chain(["--out".as_ref(), out.as_os_str()]));
    assert_ne!(output.status.code(), Some(2), "{}", String::from_utf8_lossy(&output.stderr));
    read_json(&out.join("report.json"))
}

fn within(actual: f64, expected: f64, relative: f64, what: &str) {
    assert!((actual / expected - 1.0).abs() <= relative, "{what}: measured {actual}, true {expected}");
}

/// Every run of the samples measures what is true of it, inside four standard uncertainties of its calibrations.
#[test]
fn sample_runs_measure_their_truth() {
    let bench = Bench::new();
    import_samples(&bench);
    let report = report(&bench, &sample_logs().join("captures/campaign.toml"));
    let fuel_and_distance =
        2.0 * report["mileage"]["baseline"]["relative_expanded_uncertainty"].as_f64().expect("stated");
    let energy = 2.0 * report["energy"]["relative_expanded_uncertainty"].as_f64().expect("stated");
    assert!((0.001..0.1).contains(&fuel_and_distance) && (0.001..0.2).contains(&energy));
    let runs = report["runs"].as_array().expect("runs");
    assert_eq!(runs.len(), 4);
    for run in runs {
        let id = run["id"].as_str().expect("a name");
        let directory = sample_runs()
            .into_iter()
            .find(|d| read_json(&sample_logs().join("captures").join(d).join("truth.json"))["run"] == id);
        let truth = read_json(&sample_logs().join("captures").join(directory.expect("its capture")).join("truth.json"));
        let (measured, real) = (
            |name: &str| run[name].as_f64().expect("measured"),
            |name: &str| truth["drive"][name].as_f64().expect("true"),
        );
        within(measured("distance_km") * 1000.0, real("distance_m"), fuel_and_distance, id);
        within(measured("fuel_l") * 1000.0, real("fuel_ml_at_15c"), fuel_and_distance, id);
        if real("pack_out_wh") > 50.0 {
            within(measured("pack_out_kwh") * 1000.0, real("pack_out_wh"), energy, id);
        }
        let emitted = truth["emitted"].as_object().expect("counts");
        let manifest = manifest_of(&bench, run["session"].as_str().expect("a session"));
        for port in manifest["ports"].as_array().expect("ports") {
            let name = port["port"].as_str().expect("a port");
            let received = port["frames"].as_u64().expect("a count") + port["lines"].as_u64().expect("a count");
            assert_eq!(Some(received), emitted[name].as_u64(), "{id}: messages on {name}");
            assert_eq!(port["bad"], 0, "{id}: {name}");
        }
    }
}

fn manifest_of(bench: &Bench, session: &str) -> Value {
    let ledger = bench.ledgers().into_iter().find(|l| l.session.manifest.session == session).expect("the session");
    serde_json::to_value(&ledger.session.manifest).expect("JSON")
}

/// The same inputs give the same bytes, with the ledgers cached or made anew.
#[test]
fn the_same_inputs_give_the_same_report() {
    let bench = Bench::new();
    import_samples(&bench);
    let campaign = sample_logs().join("captures/campaign.toml");
    let text = || {
        report(&bench, &campaign);
        fs::read_to_string(bench.path("report/report.json")).expect("written")
    };
    let first = text();
    assert_eq!(first, text(), "from cached ledgers");
    for table in ["ledger", "motor_ledger"] {
        fs::remove_dir_all(bench.dataset().join(table)).expect("derived tables may be deleted");
    }
    assert_eq!(first, text(), "from ledgers made anew");
}

/// The commands print in every format and both systems of units.
#[test]
fn every_table_prints_in_every_format() {
    let bench = Bench::new();
    import_samples(&bench);
    let data = bench.dataset();
    for command in ["ledger", "trips", "mileage", "energy", "thermal"] {
        for units in ["metric", "us"] {
            let output = |format: &str| {
                let args = [command, "--units", units, "--format", format, "--data"].map(std::ffi::OsString::from);
                let output = run("tallywheel-analyze", args.into_iter().chain([data.clone().into_os_string()]));
                assert_eq!(output.status.code(), Some(0), "{command}: {}", String::from_utf8_lossy(&output.stderr));
                String::from_utf8(output.stdout).expect("UTF-8")
            };
            let json: Value = serde_json::from_str(&output("json")).expect("JSON");
            let rows = json.as_array().expect("rows").len();
            assert!(rows > 0, "{command}");
            assert_eq!(output("csv").lines().count(), rows + 1, "{command}");
            assert!(output("text").lines().count() > rows, "{command}");
        }
    }
}

/// Plays the demonstration itself, shortened, and gives its report. The program holds what was measured against the
/// truth of the tale, its verdict among that, and fails where something is outside what is stated.
fn demo(bench: &Bench, tale: &str) -> Value {
    let out = bench.path("demo");
    let mut args: Vec<std::ffi::OsString> = vec!["--out".into(), out.clone().into()];
    args.extend(["--pairs", "3", "--live-seconds", "6", "--tale", tale].map(Into::into));
    let output = run("tallywheel-demo", args);
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{text}\n{}", String::from_utf8_lossy(&output.stderr));
    read_json(&out.join("report/report.json"))
}

fn decision(report: &Value) -> &str {
    report["verdict"]["decision"].as_str().expect("a decision")
}

fn gained(report: &Value) -> f64 {
    report["improvement"]["mileage_percent"]["estimate"].as_f64().expect("an estimate")
}

#[test]
fn the_demonstration_agrees_with_its_truth() {
    let report = demo(&Bench::new(), "as-claimed");
    assert_eq!(decision(&report), "supported", "{}", report["answer"]);
    assert!(report["energy"]["net_kwh"].as_f64().expect("energy") > 1.0);
}

#[test]
fn a_dead_kit_does_not_support_the_claim() {
    let report = demo(&Bench::new(), "dead");
    assert_eq!(decision(&report), "not_supported", "{}", report["answer"]);
    assert!(gained(&report).abs() < 8.0, "{} % without a kit", gained(&report));
}

#[test]
fn half_of_the_claim_does_not_support_it() {
    let report = demo(&Bench::new(), "half");
    assert_eq!(decision(&report), "not_supported", "{}", report["answer"]);
    assert!((15.0..35.0).contains(&gained(&report)), "{}", gained(&report));
}

#[test]
fn a_warmer_day_and_a_gentler_driver_withhold_the_verdict() {
    let report = demo(&Bench::new(), "favoured");
    assert_eq!(decision(&report), "withheld", "{}", report["answer"]);
}

#[test]
fn a_meter_that_slipped_in_one_condition_withholds_the_verdict() {
    let report = demo(&Bench::new(), "slipped-meter");
    assert_eq!(decision(&report), "withheld", "{}", report["answer"]);
    assert!(gained(&report) > 45.0, "by the meter alone the claim would look good: {}", gained(&report));
}

#[test]
fn a_pack_that_ran_flat_is_told_with_how_far_it_lasted() {
    let report = demo(&Bench::new(), "flat-pack");
    assert_eq!(decision(&report), "not_supported", "{}", report["answer"]);
}
