//! The programs that measure roll-ups of fleets run to their end and find what they must. How fast it was is not judged.

use std::{
    path::Path,
    process::{Command, Output},
};

use serde_json::Value;
use tallywheel_tests::{Bench, fleet::reseal::reseal, peer, python, run};

fn figures(name: &str, more: &[&str]) -> Value {
    let output = run(name, [&["--quick"], more].concat());
    assert_eq!(output.status.code(), Some(0), "{name}: {}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    serde_json::from_str(text.lines().last().expect("a last line")).expect("JSON")
}

/// Planted faults are found and a sound fleet is quiet; the full form rolls 400 fleet-weeks up.
#[test]
fn planted_faults_are_found_and_sound_fleets_are_quiet() {
    let figures = figures("fleet-detection", &[]);
    assert_eq!(figures["sound_weeks"], 10);
    let faults = figures["faults"].as_object().expect("faults");
    assert_eq!(faults.len(), 10);
    for (name, fault) in faults {
        assert_eq!((&fault["planted"], &fault["found"]), (&2.into(), &2.into()), "{name}");
    }
}

/// Four scripts in other tools make the same ledger, trips and weekly sums as ours, cell by cell, of vehicles with silent
/// sensors, gaps and fault codes too; four others, which make trips and sums only, agree with each other and with our days.
#[test]
fn every_contender_of_the_benchmark_agrees() {
    let Some(python) = python() else { return };
    let bench = Bench::new();
    let figures = figures("fleet-bench", &["--data", &bench.dataset().display().to_string()]);
    assert_eq!(figures["agree"], true);
    assert_eq!(figures["ledger_cells"]["differ"], 0);
    assert!(figures["ledger_cells"]["cells"].as_u64().is_some_and(|cells| cells > 3_000_000), "{figures}");
    for group in ["scripts", "ledger_scripts"] {
        assert_eq!(figures[group].as_array().map(Vec::len), Some(4), "{group}");
    }
    assert!(figures["over_floor"].as_f64().is_some_and(|v| v > 1.0), "{figures}");
    a_cell_that_differs_is_found(&python, &bench);
    rough_data_make_the_same_ledger(&python, &bench);
}

fn script(python: &Path, name: &str, data: &Path, out: &Path, more: &[&str]) -> Output {
    let mut command = Command::new(python);
    command.arg(peer("fleet").join(name)).args([data, out]).args(more).env("PYTHONDONTWRITEBYTECODE", "1");
    command.output().expect("Python starts")
}

/// The comparison of ledgers finds a cell that is off by a few parts in a billion, one that is unknown on one side, a row
/// too many and a file that is not there.
fn a_cell_that_differs_is_found(python: &Path, bench: &Bench) {
    let (data, out) = (bench.dataset(), bench.path("out"));
    let script = |name, more: &[&str]| script(python, name, &data, &out, more);
    assert!(script("ledger_numpy.py", &[]).status.success());
    let differ = |harm: &str| {
        let harmed = script("ledger_harm.py", &[harm]);
        assert!(harmed.status.success(), "{harm}: {}", String::from_utf8_lossy(&harmed.stderr));
        let checked = script("ledger_check.py", &[]);
        let text = String::from_utf8_lossy(&checked.stdout).into_owned();
        let last: Value = serde_json::from_str(text.lines().last().expect("a last line")).expect("JSON");
        assert_eq!(checked.status.code(), Some(i32::from(last["differ"] != 0)), "{harm}: {text}");
        last["differ"].as_u64().expect("a number")
    };
    assert_eq!(differ("none"), 0);
    for harm in ["value", "unknown", "row", "file"] {
        assert_eq!(differ(harm), 1, "{harm}");
        assert_eq!(differ("mend"), 0);
    }
}

/// What a simulated fleet has none of, or little: stamps that scatter, long steps, unknown values, equal stamps and stamps on
/// the edges of bins, gaps everywhere, counters that jump.
fn rough_data_make_the_same_ledger(python: &Path, bench: &Bench) {
    for kind in ["jitter", "sparse", "nulls", "equal"] {
        let (rough, out) = (bench.path(kind), bench.path(&format!("{kind}-out")));
        let made = script(python, "ledger_roughen.py", &bench.dataset(), &rough, &[kind]);
        assert!(made.status.success(), "{kind}: {}", String::from_utf8_lossy(&made.stderr));
        reseal(&rough).expect("a dataset");
        let week = tallywheel_sample_logs::fleet::week::name(0);
        let rough_text = rough.display().to_string();
        let rolled = run("tallywheel-analyze", ["rollup", "--week", &week, "--format", "csv", "--data", &rough_text]);
        assert_eq!(rolled.status.code(), Some(0), "{kind}: {}", String::from_utf8_lossy(&rolled.stderr));
        assert!(script(python, "ledger_numpy.py", &rough, &out, &[]).status.success(), "{kind}");
        let checked = script(python, "ledger_check.py", &rough, &out, &[]);
        assert_eq!(checked.status.code(), Some(0), "{kind}: {}", String::from_utf8_lossy(&checked.stdout));
    }
}
