use tallywheel_schemas::{Condition, report::Decision};

use super::*;
use crate::{
    account::Charging,
    assemble::{
        self, compare,
        tests::{Drive, drive},
    },
    fuel_check::tests::{RIG, campaign, dataset, made, pairs},
};

fn close(actual: f64, expected: f64, tolerance: f64) {
    assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected} within {tolerance}");
}

/// With pencil and paper, from what the explanations' JSON says and nothing else: counts to litres, litres to
/// consumption, consumptions to the improvement in the report.
#[test]
fn the_number_can_be_worked_out_by_hand() {
    let mut runs = pairs(3, 1.0);
    runs[0].temp_c = 35.0;
    let campaign = campaign(runs.len(), "");
    let dir = dataset(&runs, RIG);
    let ledgers = made(&dir);
    let comparison = compare(&campaign, &ledgers, Charging::default()).expect("a report");
    let walked: Vec<serde_json::Value> = ["b1", "a1", "b2", "a2", "b3", "a3"]
        .into_iter()
        .map(|run| explain(&campaign, &comparison, run).expect("a run"))
        .map(|e| serde_json::from_str(&serde_json::to_string(&e).expect("JSON")).expect("JSON"))
        .collect();
    let number = |v: &serde_json::Value| v.as_f64().expect("a number");
    let mut logs = Vec::new();
    for e in &walked {
        let meter = e["channels"].as_array().expect("channels").iter().find(|c| c["channel"] == "engine.fuel_count");
        let meter = meter.expect("the meter");
        assert_eq!((&meter["resets"], &meter["gaps"]), (&0.into(), &0.into()));
        let wraps = number(&meter["wraps"]) * meter["modulus"].as_f64().unwrap_or(0.0);
        let counts = number(&meter["last"]) - number(&meter["first"]) + wraps;
        let fuel = &e["fuel"];
        let metered = counts * number(&fuel["ml_per_pulse"]);
        close(metered, number(&fuel["metered_ml"]), 1e-9);
        let ml = metered * number(&fuel["volume_factor"]);
        let sum = |name: &str| -> f64 { e["bins"][name].as_array().expect("rows").iter().map(number).sum() };
        close(sum("fuel_ml"), ml, 1e-9);
        let l = 100.0 * ml / sum("distance_m");
        close(number(&e["l_per_100km"]), l, 1e-12);
        logs.push(l.ln());
    }
    // 20 K above the reference, by the petroleum tables at 745 kg/m³, worked out in Python.
    close(number(&walked[0]["fuel"]["volume_factor"]), 0.975_569_4, 1e-7);
    let mean = (0..3).map(|i| number(&walked[2 * i]["share"]["weight"]) * (logs[2 * i] - logs[2 * i + 1])).sum::<f64>();
    let improvement = comparison.report.improvement.mileage_percent.expect("pairs").estimate;
    close((mean.exp() - 1.0) * 100.0, improvement, 1e-9);
    close(number(&walked[0]["share"]["result_percent"]), improvement, 1e-12);
    let without = ((logs[2] - logs[3] + logs[4] - logs[5]) / 2.0).exp_m1() * 100.0;
    close(number(&walked[0]["share"]["without_it_percent"]), without, 1e-9);
    assert_eq!(walked[0]["share"]["partner"], "a1");
}

/// Weights times logarithms are the result with a control vehicle too, whose runs are walked like the others.
#[test]
fn runs_of_a_control_vehicle_are_walked() {
    let directory = tempfile::tempdir().expect("a directory");
    let mut text = "control_vehicle = \"skerry-9\"\n".to_owned();
    let (off, on) = (Condition::Baseline, Condition::Assist);
    for (i, segment) in [off, on, off, on, off, on, on].into_iter().enumerate() {
        let (test, control) = (format!("t{i}"), format!("c{i}"));
        let l = if segment == Condition::Baseline { 8.0 } else { 5.5 } + 0.01 * i as f64;
        drive(&test, segment, i as i64, l).seal(directory.path());
        // Four seconds more than 600 are 0.67 %.
        let seconds = if i == 6 { 604 } else { 600 };
        let own = drive(&control, Condition::Baseline, i as i64, 8.0 + 0.02 * i as f64);
        Drive { vehicle: "skerry-9", seconds, ..own }.seal(directory.path());
        text +=
            &format!("[[together]]\nsegment = \"{}\"\ntest = \"{test}\"\ncontrol = \"{control}\"\n", segment.name());
    }
    let (campaign, ledgers) = assemble::tests::made(&directory, &assemble::tests::campaign("control", &text));
    let comparison = compare(&campaign, &ledgers, Charging::default()).expect("a report");
    let (mut sum, mut result) = (0.0, f64::NAN);
    for run in comparison.report.runs.iter().chain(&comparison.report.control_runs).filter(|r| r.used) {
        let share = explain(&campaign, &comparison, &run.id).expect("a run").share.expect("it counts");
        sum += share.weight.expect("a run of its own") * share.log_consumption;
        result = share.result_log_ratio;
        assert_ne!(share.without_it_percent, Some(share.result_percent), "{}", run.id);
    }
    close(sum, result, 1e-6);
    let late = explain(&campaign, &comparison, "c6").expect("a run of the control vehicle");
    let kept = |rule: &str| late.rules.iter().find(|r| r.rule == rule).expect("a rule").kept;
    assert_eq!((kept("max_pass_deviation, elapsed time"), late.share), (Some(false), None));
    assert!(late.rules.iter().all(|r| !r.rule.contains("assist_share")), "{:?}", late.rules);
}

/// A distance is held against the runs of its own block, and in daily service against none.
#[test]
fn distances_are_held_against_their_like() {
    let directory = tempfile::tempdir().expect("a directory");
    let mut text = String::new();
    for (block, route, seconds) in [("town", "harbour loop", 600), ("hills", "ridge road", 1_200)] {
        let mut names = [Vec::new(), Vec::new()];
        for (i, condition) in [Condition::Baseline, Condition::Assist].into_iter().cycle().take(4).enumerate() {
            let run = format!("{block}{i}");
            let d = drive(&run, condition, i as i64 + seconds / 60, 8.0);
            Drive { run: Some((&run, route, condition)), seconds, ..d }.seal(directory.path());
            names[i % 2].push(format!("\"{run}\""));
        }
        let [baseline, assist] = names.map(|n| n.join(", "));
        text += &format!("[[block]]\nname = \"{block}\"\nroute = \"{route}\"\n");
        text += &format!("baseline = [{baseline}]\nassist = [{assist}]\n");
    }
    let (campaign, ledgers) = assemble::tests::made(&directory, &assemble::tests::campaign("blocked", &text));
    let comparison = compare(&campaign, &ledgers, Charging::default()).expect("a report");
    let rules = explain(&campaign, &comparison, "hills1").expect("a run").rules;
    let distance = rules.iter().find(|r| r.rule == "max_distance_deviation").expect("a rule");
    assert_eq!(distance.kept, Some(true), "{distance:?}");
    close(distance.value.expect("known"), 0.0, 1e-9);
    let service = "[[in_service]]\nname = \"skerry-1\"\ninstalled = \"2026-05-29\"\n";
    drive("later", Condition::Assist, 48, 6.0).seal(directory.path());
    let (campaign, ledgers) = assemble::tests::made(&directory, &assemble::tests::campaign("before_after", service));
    let comparison = compare(&campaign, &ledgers, Charging::default()).expect("a report");
    let explained = explain(&campaign, &comparison, &comparison.report.runs[0].id).expect("a drive");
    assert!(explained.rules.iter().all(|r| r.rule != "max_distance_deviation"), "{:?}", explained.rules);
}

/// The rules as explained break where the rules as applied break.
#[test]
fn explained_rules_are_the_rules_applied() {
    let mut runs = pairs(3, 1.0);
    runs[1].speed_m_s = 11.0;
    let text = "[rules]\nmin_coverage = 0.999\n";
    let campaign = campaign(runs.len(), text);
    let dir = dataset(&runs, RIG);
    let ledgers = made(&dir);
    let comparison = compare(&campaign, &ledgers, Charging::default()).expect("a report");
    let mut broken = 0;
    for run in &comparison.report.runs {
        let explained = explain(&campaign, &comparison, &run.id).expect("a run");
        let failing = explained.rules.iter().filter(|r| r.kept == Some(false)).count();
        let partner_only = run.reason.as_deref().is_some_and(|r| r.starts_with("its partner"));
        let reasons = run.reason.as_deref().filter(|_| !partner_only).map_or(0, |r| r.split("; ").count());
        assert_eq!(failing, reasons, "{}: {:?}", run.id, run.reason);
        assert_eq!(explained.share.is_some(), run.used);
        broken += failing;
    }
    assert_eq!(broken, 1, "the faster run is 10 % longer");
}

#[test]
fn text_names_every_step() {
    let runs = pairs(2, 1.0);
    let campaign = campaign(runs.len(), "");
    let dir = dataset(&runs, RIG);
    let ledgers = made(&dir);
    let comparison = compare(&campaign, &ledgers, Charging::default()).expect("a report");
    assert_ne!(comparison.report.verdict.decision, Decision::Withheld);
    let text = text(&explain(&campaign, &comparison, "b2").expect("a run"));
    for step in [
        "Run b2 (baseline) of “Harbour loop” counts",
        "table     ",
        "column `count` on port box: raw · 1 + 0",
        "SIW-2 2026-09-22, u 0.250 %",
        "201 samples, 0 to ",
        "bins of 1 s",
        "min_coverage: 1.0000, limit 0.9800: kept",
        "with a2: log ratio of consumptions 0.5",
        "weight 0.5000",
    ] {
        assert!(text.contains(step), "{step} is not in\n{text}");
    }
    let unknown = explain(&campaign, &comparison, "b9").expect_err("no such run").to_string();
    assert!(unknown.starts_with("run `b9` is not in the campaign; did you mean `b"), "{unknown}");
}
