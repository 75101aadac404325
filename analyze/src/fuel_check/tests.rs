use std::path::Path;

use tallywheel_schemas::{
    Domain, RunSheet, TextFile,
    report::{Decision, Report},
};
use tempfile::TempDir;

use super::*;
use crate::{
    Dataset, Filter, LedgerOptions, Silent,
    account::Charging,
    assemble::compare,
    fixture::{Columns, Sealed},
    ledger::{SessionLedger, ledgers},
};

const DAY_US: i64 = 86_400_000_000;
const START: i64 = 1_780_000_000_000_000;
/// Length of a run, s.
const LENGTH: i64 = 200;

pub(crate) const RIG: &str = r#"
schema = 1
vehicle = "skerry-1"
[[port]]
name = "box"
kind = "text"
columns = ["speed", "count", "rate", "temp"]
[[signal]]
channel = "motion.wheel_speed_m_s"
port = "box"
column = "speed"
calibration = { relative_uncertainty = 0.003, certificate = "SIW-1", date = "2026-09-21" }
[[signal]]
channel = "engine.fuel_count"
port = "box"
column = "count"
hold = "counter"
calibration = { relative_uncertainty = 0.0025, certificate = "SIW-2", date = "2026-09-22" }
[[signal]]
channel = "engine.fuel_rate_g_s"
port = "box"
column = "rate"
calibration = { relative_uncertainty = 0.004, certificate = "SIW-3", date = "2026-09-22" }
[[signal]]
channel = "engine.fuel_temp_c"
port = "box"
column = "temp"
calibration = { absolute_uncertainty = 0.5 }
[fuel]
ml_per_pulse = 0.001
density_relative_uncertainty = 0.001
scale_uncertainty_g = 0.2
"#;

/// A run as it is made up: the true rate in g/s, and what the meter shows of it.
#[derive(Clone, Copy)]
pub(crate) struct Made {
    pub(crate) rate_g_s: f64,
    pub(crate) meter: f64,
    /// Weighed mass over the true mass.
    pub(crate) scale: Option<f64>,
    pub(crate) speed_m_s: f64,
    pub(crate) temp_c: f64,
}

/// One session a run, in the order baseline, assist, baseline, …, one a day.
pub(crate) fn dataset(runs: &[Made], rig: &str) -> TempDir {
    let dir = tempfile::tempdir().expect("a directory");
    for (i, made) in runs.iter().enumerate() {
        write(dir.path(), i, *made, rig);
    }
    dir
}

fn run_name(i: usize) -> String {
    format!("{}{}", if i.is_multiple_of(2) { "b" } else { "a" }, i / 2 + 1)
}

pub(crate) fn write(root: &Path, i: usize, made: Made, rig: &str) {
    let start = START + DAY_US * i64::try_from(i).expect("few runs");
    let t: Vec<i64> = (0..=LENGTH).map(|s| start + s * 1_000_000).collect();
    // 15 °C, so that a pulse is a µL of 0.745 mg.
    let pulses_a_second = made.rate_g_s * made.meter / 0.745 * 1000.0;
    let count = |s: i64| Some((pulses_a_second * s as f64).round() as i64);
    let engine = Columns::new(Domain::Engine, t.clone())
        .ints("fuel_count", (0..=LENGTH).map(count))
        .all("fuel_rate_g_s", t.iter().map(|_| made.rate_g_s))
        .all("fuel_temp_c", t.iter().map(|_| made.temp_c));
    let motion = Columns::new(Domain::Motion, t.clone()).all("wheel_speed_m_s", t.iter().map(|_| made.speed_m_s));
    let lost = made.scale.map(|s| made.rate_g_s * LENGTH as f64 * s / 1000.0);
    let mut sealed = Sealed::new(&format!("s{i}"), rig, vec![motion, engine]);
    let condition = if i.is_multiple_of(2) { "baseline" } else { "assist" };
    let text = format!("[run]\nrun = \"{}\"\nroute = \"harbour loop\"\ncondition = \"{condition}\"\n", run_name(i));
    let sheet = RunSheet::parse(&TextFile::new("run.toml", text)).expect("a sheet");
    let weighed = RunSheet { fuel_mass_before_kg: Some(5.0), fuel_mass_after_kg: lost.map(|l| 5.0 - l), ..sheet };
    sealed.run = Some(weighed);
    sealed.write(root).expect("a session");
}

pub(crate) fn campaign(runs: usize, more: &str) -> Campaign {
    let pairs: String = (1..=runs / 2).map(|i| format!("[[pair]]\nbaseline = \"b{i}\"\nassist = \"a{i}\"\n")).collect();
    let text = format!(
        "schema = 1\nname = \"Harbour loop\"\nvehicle = \"skerry-1\"\nroute = \"harbour loop\"\nclaim_percent = 45.0\n\
         design = \"paired\"\n{pairs}{more}"
    );
    Campaign::parse(&TextFile::new("c.toml", text)).expect("a campaign")
}

pub(crate) fn made(dir: &TempDir) -> Vec<SessionLedger> {
    let dataset = Dataset::open(dir.path()).expect("a dataset");
    ledgers(&dataset, &dataset.sessions(&Filter::default()), &LedgerOptions::default(), &Silent).expect("ledgers")
}

fn report(runs: &[Made], more: &str) -> Report {
    let ledgers = made(&dataset(runs, RIG));
    compare(&campaign(runs.len(), more), &ledgers, Charging::default()).expect("a report").report
}

/// Pairs of runs with a small scatter; the meter shows `meter` of the truth with assist.
pub(crate) fn pairs(n: usize, meter: f64) -> Vec<Made> {
    (0..2 * n)
        .map(|i| {
            let scatter = [1.0, 1.004, 0.997, 1.001, 0.999, 1.003, 0.998, 1.002][i % 8];
            let own = [1.0, 0.9995, 1.0004, 1.0002, 0.9997, 1.0003, 0.9996, 1.0001][(3 * i) % 8];
            let assisted = i % 2 == 1;
            Made {
                rate_g_s: if assisted { 0.6 } else { 1.0 } * scatter,
                meter: own * if assisted { meter } else { 1.0 },
                scale: None,
                speed_m_s: 10.0,
                temp_c: 15.0,
            }
        })
        .collect()
}

fn close(actual: f64, expected: f64, tolerance: f64) {
    assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected} within {tolerance}");
}

const DECISION: &str = "[fuel_decision]\ntrust = \"rate\"\nreason = \"the meter's filter was changed\"\nby = \"M. Tern\"\n\
    date = \"2026-10-20\"\n";

#[test]
fn a_meter_that_slips_with_assist_withholds_the_verdict() {
    let report = report(&pairs(4, 0.95), "");
    assert_eq!(report.verdict.decision, Decision::Withheld);
    let c = report.fuel_check.pairs[0].conditions.as_ref().expect("both conditions");
    assert_eq!((report.fuel_check.pairs[0].first, c.runs), (FuelMeasure::Meter, (4, 4)));
    // The rate over the meter rises by 1/0.95.
    close(c.difference_percent, 5.26, 0.15);
    assert_eq!(c.beyond, Some(true));
    let reason = &report.verdict.reasons[0];
    assert!(
        reason.contains("the reported rate over the meter is 1.00") && reason.contains("[fuel_decision]"),
        "{reason}"
    );
    // By the meter alone the improvement would have been 5 % larger.
    close(report.improvement.mileage_percent.expect("pairs").estimate, (1.0 / 0.6 / 0.95 - 1.0) * 100.0, 1.0);
}

#[test]
fn a_persons_decision_lets_the_comparison_rest_on_the_other_measure() {
    let report = report(&pairs(4, 0.95), DECISION);
    assert_eq!(report.verdict.decision, Decision::Supported, "{:?}", report.verdict.reasons);
    assert_eq!(report.fuel_check.rests_on, [FuelMeasure::Rate]);
    close(report.improvement.mileage_percent.expect("pairs").estimate, (1.0 / 0.6 - 1.0) * 100.0, 1.0);
    close(report.runs[0].fuel_l.expect("fuel"), LENGTH as f64 / 745.0, 1e-9);
    let said = "fuel is taken from the reported rate, decided by M. Tern on 2026-10-20: the meter's filter was changed";
    assert!(report.verdict.reasons.iter().any(|r| r == said), "{:?}", report.verdict.reasons);
    // Speed classes rest on it too, and the budget has its calibration.
    close(report.speed_bins[3].baseline_l_per_100km.expect("fuel") * 745.0 / 1000.0, 10.0, 0.05);
    assert!(report.budget.lines.iter().any(|l| l.quantity == "reported fuel rate" && l.source == "SIW-3, 2026-09-22"));
}

#[test]
fn measures_that_agree_let_the_verdict_stand() {
    let report = report(&pairs(4, 1.0), "");
    assert_eq!(report.verdict.decision, Decision::Supported, "{:?}", report.verdict.reasons);
    let pair = &report.fuel_check.pairs[0];
    assert!(pair.runs.iter().all(|r| r.agreement == Agreement::Agrees));
    let line = pair.line.as_ref().expect("a line");
    close(line.slope.estimate, 1.0, 0.002);
    assert!(line.slope.low.is_some_and(|l| l < 1.0) && line.slope.high.is_some_and(|h| h > 1.0));
    assert_eq!(pair.drift.as_ref().and_then(|d| d.beyond), Some(false));
    assert!(report.fuel_check.obstacles.is_empty() && pair.assumed.len() == 1, "{:?}", pair.assumed);
}

#[test]
fn a_meter_that_drifts_is_named() {
    let mut runs = pairs(4, 1.0);
    for (i, run) in runs.iter_mut().enumerate() {
        run.meter *= 1.0 - 0.001 * i as f64;
    }
    let report = report(&runs, "");
    let drift = report.fuel_check.pairs[0].drift.clone().expect("runs");
    close(drift.percent_per_run.estimate, 0.1, 0.02);
    close(drift.percent_per_day.expect("days").estimate, 0.1, 0.02);
    assert_eq!(drift.beyond, Some(true));
    assert!(report.fuel_check.findings.iter().any(|f| f.contains("drifts by +0.")), "{:?}", report.fuel_check.findings);
}

#[test]
fn one_run_far_off_is_gross_and_withholds_the_verdict() {
    let mut runs = pairs(4, 1.0);
    runs[2].meter *= 0.9;
    let report = report(&runs, "");
    let apart: Vec<&str> = report.fuel_check.pairs[0]
        .runs
        .iter()
        .filter(|r| r.agreement == Agreement::Grossly)
        .map(|r| r.run.as_str())
        .collect();
    assert_eq!(apart, ["b2"]);
    assert_eq!(report.verdict.decision, Decision::Withheld);
    let reason = report.verdict.reasons.iter().find(|r| r.contains("three times")).expect("said");
    assert!(reason.contains("in run b2"), "{reason}");
    // Whoever takes the run out has no contradiction left.
    let out = "[[override]]\nrun = \"b2\"\nuse = false\nreason = \"meter blocked\"\nby = \"M. Tern\"\ndate = \"2026-10-20\"\n";
    let without = self::report(&runs, out);
    assert_eq!(without.verdict.decision, Decision::Supported, "{:?}", without.verdict.reasons);
}

#[test]
fn a_weighed_tank_is_a_measure_of_its_own() {
    let mut runs = pairs(3, 1.0);
    runs.iter_mut().for_each(|r| r.scale = Some(1.0));
    let trusting = DECISION.replace("rate", "weighed");
    let report = report(&runs, &trusting);
    let names: Vec<_> = report.fuel_check.pairs.iter().map(|p| (p.first, p.second)).collect();
    use FuelMeasure::{Meter, Rate, Weighed};
    assert_eq!(names, [(Weighed, Meter), (Weighed, Rate), (Meter, Rate)]);
    assert_eq!(report.fuel_check.rests_on, [Weighed]);
    close(report.runs[0].fuel_l.expect("fuel"), LENGTH as f64 / 745.0, 1e-9);
    // Two weighings of 0.2 g on 200 g, density, meter, temperature, and the part of the last bin that the meter misses.
    let run = &report.fuel_check.pairs[0].runs[0];
    assert!((0.3..0.5).contains(&run.standard_uncertainty_percent), "{}", run.standard_uncertainty_percent);
}

/// With nothing but a scale there is fuel for the run, and none for its bins.
#[test]
fn weighing_alone_is_enough_for_a_run() {
    let only_scale = RIG.replace("ml_per_pulse = 0.001", "");
    let without_rate: String = only_scale
        .split("[[signal]]")
        .filter(|part| !part.contains("fuel_rate"))
        .collect::<Vec<_>>()
        .join("[[signal]]");
    let dir = tempfile::tempdir().expect("a directory");
    let t: Vec<i64> = (0..=LENGTH).map(|s| START + s * 1_000_000).collect();
    let motion = Columns::new(Domain::Motion, t.clone()).all("wheel_speed_m_s", t.iter().map(|_| 10.0));
    let mut sealed = Sealed::new("s0", &without_rate, vec![motion]);
    let text = "[run]\nrun = \"b1\"\nroute = \"harbour loop\"\ncondition = \"baseline\"\nfuel_mass_before_kg = 5.0\n";
    let lost = LENGTH as f64 * 1.01 / 1000.0;
    let text = format!("{text}fuel_mass_after_kg = {}\n", 5.0 - lost);
    sealed.run = Some(RunSheet::parse(&TextFile::new("run.toml", text)).expect("a sheet"));
    sealed.write(dir.path()).expect("a session");
    let ledgers = made(&dir);
    let sheet = ledgers[0].session.manifest.run.as_ref().expect("a sheet");
    let run = RunFacts::of(sheet, &ledgers[0]).expect("facts");
    assert_eq!(run.fuel_measure, Some(FuelMeasure::Weighed));
    close(run.tally.fuel_ml.expect("weighed"), 202.0 / 0.745, 1e-6);
    close(run.l_per_100km().expect("fuel"), 202.0 / 0.745 / 2000.0 * 100.0, 1e-6);
}

/// Whatever the conditions share cancels: a share wholly, an offset as far as the means are alike.
#[test]
fn common_calibrations_cancel_and_offsets_as_far_as_the_means_agree() {
    let shares = report(&pairs(4, 1.0), "").budget;
    let line = |name: &str| shares.lines.iter().find(|l| l.quantity == name).expect("a line");
    for (name, percent) in [("wheel speed", 0.3), ("fuel meter", 0.25)] {
        close(line(name).baseline_percent, percent, 1e-9);
        close(line(name).improvement_percent, 0.0, 1e-12);
        close(line(name).common_share.expect("common"), 1.0, 1e-9);
    }
    let offset = RIG.replace(
        "relative_uncertainty = 0.004, certificate",
        "absolute_uncertainty = 0.01, degrees_of_freedom = 9.0, certificate",
    );
    let runs = pairs(4, 1.0);
    let trusting = campaign(runs.len(), DECISION);
    let ledgers = made(&dataset(&runs, &offset));
    let budget = compare(&trusting, &ledgers, Charging::default()).expect("a report").report.budget;
    let line = budget.lines.iter().find(|l| l.quantity == "reported fuel rate, offset").expect("a line");
    // u · |1/x_b − 1/x_a| with 1.0 and 0.6 g/s: 0.01 · (1/0.6 − 1).
    close(line.improvement_percent, 0.667, 0.01);
    close(line.baseline_percent, 1.0, 0.01);
    assert_eq!(line.degrees_of_freedom, Some(9.0));
    let (u, df) = crate::budget::systematic(&budget).expect("both conditions");
    assert!(u > 0.0066 && u < 0.0072 && df < 12.0, "{u} {df}");
}

/// A meter that is calibrated anew between the conditions is two errors, and they add.
#[test]
fn different_calibrations_do_not_cancel() {
    let runs = pairs(4, 1.0);
    let dir = tempfile::tempdir().expect("a directory");
    let anew = RIG.replace("SIW-2", "SIW-9");
    for (i, run) in runs.iter().enumerate() {
        write(dir.path(), i, *run, if i % 2 == 0 { RIG } else { &anew });
    }
    let budget = compare(&campaign(runs.len(), ""), &made(&dir), Charging::default()).expect("a report").report.budget;
    let meters: Vec<_> = budget.lines.iter().filter(|l| l.quantity == "fuel meter").collect();
    assert_eq!(meters.len(), 2);
    for line in meters {
        close(line.improvement_percent, 0.25, 1e-9);
        close(line.common_share.expect("a calibration"), 0.0, 1e-12);
    }
    let (u, _) = crate::budget::systematic(&budget).expect("both conditions");
    close(u, 0.0025 * std::f64::consts::SQRT_2, 2e-5);
}

/// Another certificate over the same numbers is named, and its error no longer cancels; another factor withholds.
#[test]
fn a_renewed_certificate_is_named_and_does_not_withhold() {
    let with = |from: &str, to: &str| {
        let dir = tempfile::tempdir().expect("a directory");
        for (i, made) in pairs(4, 1.0).into_iter().enumerate() {
            let rig = if i.is_multiple_of(2) { RIG.to_owned() } else { RIG.replace(from, to) };
            write(dir.path(), i, made, &rig);
        }
        compare(&campaign(8, ""), &made(&dir), Charging::default()).expect("a report").report
    };
    let same = with("SIW-2", "SIW-2");
    let renewed = with("SIW-2", "SIW-7");
    assert_ne!(same.verdict.decision, Decision::Withheld, "{:?}", same.verdict.reasons);
    assert_eq!(renewed.verdict.decision, same.verdict.decision, "{:?}", renewed.verdict.reasons);
    let named = "engine.fuel_count by SIW-2 of 2026-09-22 without assist and by SIW-7 of 2026-09-22 with it";
    let says = |r: &Report, what: &str| r.verdict.reasons.iter().any(|reason| reason.contains(what));
    assert!(says(&renewed, named) && !says(&same, "different calibrations"), "{:?}", renewed.verdict.reasons);
    // Two calibrations of 0.25 % each.
    let left = renewed.improvement.calibration_difference_relative;
    let before = same.improvement.calibration_difference_relative;
    assert!((left.powi(2) - before.powi(2) - 2.0 * 0.0025_f64.powi(2)).abs() < 1e-9, "{left} from {before}");
    let other = with("ml_per_pulse = 0.001", "ml_per_pulse = 0.00101");
    assert!(other.verdict.decision == Decision::Withheld && says(&other, "convert them with other factors"));
}
