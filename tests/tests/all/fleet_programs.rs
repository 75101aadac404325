//! The programs that measure roll-ups of fleets run to their end and find what they must. How fast it was is not judged.

use serde_json::Value;
use tallywheel_tests::{python, run};

fn figures(name: &str) -> Value {
    let output = run(name, ["--quick"]);
    assert_eq!(output.status.code(), Some(0), "{name}: {}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    serde_json::from_str(text.lines().last().expect("a last line")).expect("JSON")
}

/// Planted faults are found and a sound fleet is quiet; the full form rolls 400 fleet-weeks up.
#[test]
fn planted_faults_are_found_and_sound_fleets_are_quiet() {
    let figures = figures("fleet-detection");
    assert_eq!(figures["sound_weeks"], 10);
    let faults = figures["faults"].as_object().expect("faults");
    assert_eq!(faults.len(), 10);
    for (name, fault) in faults {
        assert_eq!((&fault["planted"], &fault["found"]), (&2.into(), &2.into()), "{name}");
    }
}

/// Trips and weekly sums of four scripts in other tools agree with each other and with the daily table.
#[test]
fn every_contender_of_the_benchmark_agrees() {
    let Some(_) = python() else { return };
    let figures = figures("fleet-bench");
    assert_eq!(figures["agree"], true);
    assert_eq!(figures["scripts"].as_array().map(Vec::len), Some(4));
    assert!(figures["over_floor"].as_f64().is_some_and(|v| v > 1.0), "{figures}");
}
