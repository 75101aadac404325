//! Whole campaigns from sealed sessions to the report, one a design. Sessions are made of constant speed and constant fuel
//! rate, so that every consumption is known.

use std::path::Path;

use tallywheel_schemas::{
    Domain, TextFile,
    report::{Decision, Treatment},
};
use tempfile::TempDir;

mod electricity;
mod people;

use super::*;
use crate::{
    campaign_runs::{sessions_of, vehicles_of},
    dataset::{Dataset, Filter},
    fixture::{Columns, Sealed},
    ledger::{LedgerOptions, ledgers},
    progress::Silent,
};

/// 2026-05-28 UTC, as microseconds.
const DAY: i64 = 1_779_926_400_000_000;
const SECOND: i64 = 1_000_000;
const HOUR: i64 = 3_600 * SECOND;

/// One recording: ten minutes or so of one speed.
pub(crate) struct Drive<'a> {
    pub(crate) vehicle: &'a str,
    pub(crate) run: Option<(&'a str, &'a str, Condition)>,
    pub(crate) start: i64,
    pub(crate) seconds: i64,
    pub(crate) km_h: f64,
    pub(crate) l_per_100km: f64,
    pub(crate) ambient_c: f64,
    /// Current out of a pack of 100 V, where there is one, A.
    pub(crate) amperes: Option<f64>,
}

impl Drive<'_> {
    pub(crate) fn seal(&self, root: &Path) {
        let pack = self.amperes.map_or("", |_| {
            "[[signal]]\nchannel = \"pack.voltage_v\"\nport = \"bench\"\ncolumn = \"u\"\n\
             [[signal]]\nchannel = \"pack.current_a\"\nport = \"bench\"\ncolumn = \"i\"\n"
        });
        let rig = format!(
            "schema = 1\nvehicle = \"{}\"\n[[port]]\nname = \"bench\"\nkind = \"text\"\ncolumns = [\"v\", \"f\", \"u\", \"i\"]\n\
             [[signal]]\nchannel = \"motion.wheel_speed_m_s\"\nport = \"bench\"\ncolumn = \"v\"\n\
             [[signal]]\nchannel = \"engine.fuel_rate_g_s\"\nport = \"bench\"\ncolumn = \"f\"\n\
             {pack}[fuel]\ndensity_g_per_ml = 0.75\n",
            self.vehicle
        );
        let stamps: Vec<i64> = (0..=self.seconds).map(|i| self.start + i * SECOND).collect();
        let (n, v) = (stamps.len(), self.km_h / 3.6);
        // L/100 km is 1e-5 L/m, so mL/m is a hundredth of it.
        let rate = v * self.l_per_100km / 100.0 * 0.75;
        let motion = Columns::new(Domain::Motion, stamps.clone()).all("wheel_speed_m_s", vec![v; n]);
        let pack = self.amperes.map(|amperes| {
            let pack = Columns::new(Domain::Pack, stamps.clone());
            pack.all("voltage_v", vec![100.0; n]).all("current_a", vec![amperes; n])
        });
        let engine = Columns::new(Domain::Engine, stamps).all("fuel_rate_g_s", vec![rate; n]);
        let tables = [motion, engine].into_iter().chain(pack).collect();
        let mut sealed = Sealed::new(&format!("{}-{}", self.vehicle, self.start / SECOND), &rig, tables);
        sealed.run = self.run.map(|(run, route, condition)| RunSheet {
            run: run.to_owned(),
            route: route.to_owned(),
            condition,
            driver: None,
            payload_kg: None,
            tyre_pressure_kpa: None,
            ambient_c: Some(self.ambient_c),
            wind_m_s: None,
            fuel_mass_before_kg: None,
            fuel_mass_after_kg: None,
            remarks: None,
        });
        sealed.write(root).expect("a session");
    }
}

pub(crate) fn drive<'a>(run: &'a str, condition: Condition, place: i64, l_per_100km: f64) -> Drive<'a> {
    Drive {
        vehicle: "skerry-1",
        run: Some((run, "harbour loop", condition)),
        start: DAY + place * HOUR,
        seconds: 600,
        km_h: 36.0,
        l_per_100km,
        ambient_c: 12.0,
        amperes: None,
    }
}

/// A campaign and the ledgers of its runs.
pub(crate) fn made(directory: &TempDir, text: &str) -> (Campaign, Vec<SessionLedger>) {
    let campaign = Campaign::parse(&TextFile::new("c.toml", text)).expect("a good campaign");
    let dataset = Dataset::open(directory.path()).expect("a dataset");
    let all = dataset.sessions(&Filter { vehicles: vehicles_of(&campaign), ..Filter::default() });
    let found = sessions_of(&campaign, &all, &[]).expect("its sessions");
    let ledgers = ledgers(&dataset, &found.sessions, &LedgerOptions::default(), &Silent).expect("ledgers");
    (campaign, ledgers)
}

fn report(directory: &TempDir, text: &str) -> Report {
    let (campaign, ledgers) = made(directory, text);
    compare(&campaign, &ledgers, Charging::default()).expect("a report").report
}

pub(crate) fn campaign(design: &str, more: &str) -> String {
    format!(
        "schema = 1\nname = \"Harbour loop\"\nvehicle = \"skerry-1\"\nroute = \"harbour loop\"\nclaim_percent = 30.0\n\
         design = \"{design}\"\n{more}"
    )
}

pub(crate) fn close(actual: Option<f64>, expected: f64, tolerance: f64) {
    let actual = actual.expect("a number");
    assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
}

const PAIRS: [(f64, f64); 4] = [(8.0, 5.5), (8.1, 5.52), (7.95, 5.5), (8.05, 5.48)];

#[test]
fn pairs_are_judged_and_cross_checked() {
    let directory = tempfile::tempdir().expect("a directory");
    let mut text = String::new();
    for (i, (b, a)) in PAIRS.into_iter().enumerate() {
        let (base, assist, first) = (format!("b{i}"), format!("a{i}"), 2 * i as i64);
        // The order alternates.
        let (at_b, at_a) = if i % 2 == 0 { (first, first + 1) } else { (first + 1, first) };
        drive(&base, Condition::Baseline, at_b, b).seal(directory.path());
        drive(&assist, Condition::Assist, at_a, a).seal(directory.path());
        text += &format!("[[pair]]\nbaseline = \"{base}\"\nassist = \"{assist}\"\n");
    }
    let r = report(&directory, &campaign("paired", &text));
    assert_eq!(r.verdict.decision, Decision::Supported, "{:?}", r.verdict.reasons);
    let mean = PAIRS.iter().map(|(b, a)| (b / a).ln()).sum::<f64>() / 4.0;
    close(r.improvement.mileage_percent.map(|i| i.estimate), 100.0 * mean.exp_m1(), 1e-6);
    assert!(r.improvement.parts.drift_percent_per_run.is_some());
    assert_eq!(r.improvement.cross_checks.len(), 2);
    assert_eq!(r.verdict.look.as_ref().map(|l| (l.number, l.of, l.planned)), Some((1, 1, false)));
    assert_eq!(r.improvement.degrees_of_freedom, Some(2.0));
}

#[test]
fn a_control_vehicle_is_read_from_its_own_sessions() {
    let directory = tempfile::tempdir().expect("a directory");
    let mut text = "control_vehicle = \"skerry-9\"\n".to_owned();
    let ratios = [(Condition::Baseline, [1.002, 1.008, 1.005]), (Condition::Assist, [0.651, 0.656, 0.648])];
    let mut place = 0;
    for (segment, ratios) in ratios {
        for (i, ratio) in ratios.into_iter().enumerate() {
            let (test, control) = (format!("t-{}{i}", segment.name()), format!("c-{}{i}", segment.name()));
            // The day makes both vehicles thirstier by turns; the ratio does not see it.
            let weather = 1.0 + 0.05 * f64::from(place % 3);
            drive(&test, segment, place.into(), 8.0 * ratio * weather).seal(directory.path());
            let own = Drive {
                vehicle: "skerry-9",
                run: Some((&control, "harbour loop", Condition::Baseline)),
                ..drive(&control, Condition::Baseline, place.into(), 8.0 * weather)
            };
            own.seal(directory.path());
            text += &format!(
                "[[together]]\nsegment = \"{}\"\ntest = \"{test}\"\ncontrol = \"{control}\"\n",
                segment.name()
            );
            place += 1;
        }
    }
    let r = report(&directory, &campaign("control", &text));
    assert_eq!(r.verdict.decision, Decision::Supported, "{:?}", r.verdict.reasons);
    let [b, a] = [&r.improvement.parts.segments[0], &r.improvement.parts.segments[1]];
    close(b.mean_ratio, 1.005, 1e-6);
    close(b.band.map(|b| b * 100.0), 0.595_238, 1e-4);
    assert!(a.valid && a.to_repeat.is_empty());
    assert_eq!(r.control_runs.len(), 6);
    assert!(r.control_runs.iter().chain(&r.runs).all(|run| run.used));
}

#[test]
fn a_pass_off_its_time_loses_both_runs_and_the_segment() {
    let directory = tempfile::tempdir().expect("a directory");
    let mut text = "control_vehicle = \"skerry-9\"\n".to_owned();
    for (i, segment) in [Condition::Baseline, Condition::Assist].into_iter().cycle().take(6).enumerate() {
        let (test, control) = (format!("t{i}"), format!("c{i}"));
        let l = if segment == Condition::Baseline { 8.0 } else { 5.5 } + 0.01 * i as f64;
        drive(&test, segment, i as i64, l).seal(directory.path());
        // Four seconds more than 600 are 0.67 %; at the same distance.
        let late = if i == 2 { 604 } else { 600 };
        let own = Drive {
            vehicle: "skerry-9",
            seconds: late,
            km_h: 36.0 * 600.0 / late as f64,
            ..drive(&control, Condition::Baseline, i as i64, 8.0)
        };
        own.seal(directory.path());
        text +=
            &format!("[[together]]\nsegment = \"{}\"\ntest = \"{test}\"\ncontrol = \"{control}\"\n", segment.name());
    }
    let r = report(&directory, &campaign("control", &text));
    assert_eq!(r.verdict.decision, Decision::Withheld);
    assert!(
        r.verdict.reasons.iter().any(|w| w.contains("the segment without assist has 2 ratios")),
        "{:?}",
        r.verdict.reasons
    );
    let reason = |runs: &[RunResult], id: &str| runs.iter().find(|r| r.id == id).and_then(|r| r.reason.clone());
    assert!(
        reason(&r.control_runs, "c2").expect("left out").contains("elapsed time"),
        "{:?}",
        reason(&r.control_runs, "c2")
    );
    assert!(reason(&r.runs, "t2").expect("left out").starts_with("its partner c2"));
}

#[test]
fn blocks_have_routes_of_their_own() {
    let directory = tempfile::tempdir().expect("a directory");
    let mut text = String::new();
    let mut place = 0;
    for (block, route, level) in [("town", "harbour loop", 8.0), ("hills", "ridge road", 11.0)] {
        let mut names = [Vec::new(), Vec::new()];
        for i in 0..3 {
            for (k, condition) in [Condition::Baseline, Condition::Assist].into_iter().enumerate() {
                let run = format!("{block}-{}{i}", condition.name());
                let l = level * if k == 0 { 1.0 } else { 0.7 } * (1.0 + 0.004 * f64::from(place % 3));
                let d = drive(&run, condition, place.into(), l);
                // The hills are longer: a distance is held against the runs of its own route.
                let seconds = if block == "hills" { 1_200 } else { 600 };
                Drive { run: Some((&run, route, condition)), seconds, ..d }.seal(directory.path());
                names[k].push(format!("\"{run}\""));
                place += 1;
            }
        }
        text += &format!(
            "[[block]]\nname = \"{block}\"\nroute = \"{route}\"\nbaseline = [{}]\nassist = [{}]\n",
            names[0].join(", "),
            names[1].join(", ")
        );
    }
    let r = report(&directory, &campaign("blocked", &text));
    assert!(r.runs.iter().all(|run| run.used), "{:?}", r.runs.iter().map(|r| &r.reason).collect::<Vec<_>>());
    assert_eq!(r.verdict.decision, Decision::Supported, "{:?}", r.verdict.reasons);
    assert_eq!(r.improvement.parts.blocks.len(), 2);
    close(r.improvement.mileage_percent.map(|i| i.estimate), 100.0 * (1.0 / 0.7 - 1.0), 0.8);
    assert!(r.improvement.parts.interaction.is_some());
}

#[test]
fn a_named_covariate_takes_a_warmer_day_out() {
    let directory = tempfile::tempdir().expect("a directory");
    let mut names = [Vec::new(), Vec::new()];
    for i in 0..5 {
        for (k, condition) in [Condition::Baseline, Condition::Assist].into_iter().enumerate() {
            let run = format!("{}{i}", condition.name());
            let ambient_c = 4.0 + 3.0 * i as f64 + if k == 0 { 0.0 } else { 8.0 };
            // 0.6 % per kelvin, and a wobble.
            let l = 8.0
                * if k == 0 { 1.0 } else { 0.7 }
                * (-0.006 * ambient_c + 0.002 * [1.0, -1.0, 0.5, 0.0, -0.5][i]).exp();
            Drive { ambient_c, ..drive(&run, condition, 2 * i as i64 + k as i64, l) }.seal(directory.path());
            names[k].push(format!("\"{run}\""));
        }
    }
    let lists = format!("baseline = [{}]\nassist = [{}]\n", names[0].join(", "), names[1].join(", "));
    let plain = report(&directory, &campaign("unpaired", &lists));
    assert_eq!(plain.verdict.decision, Decision::Withheld, "8 K warmer: {:?}", plain.verdict.reasons);
    let r = report(&directory, &campaign("unpaired", &format!("adjust = [\"outside temperature\"]\n{lists}")));
    assert_eq!(r.verdict.decision, Decision::Supported, "{:?}", r.verdict.reasons);
    close(r.improvement.mileage_percent.map(|i| i.estimate), 100.0 * (1.0 / 0.7 - 1.0), 1.0);
    let model = r.improvement.parts.covariates.expect("a model");
    close(Some(model.slopes[0].percent_per_unit.estimate), 100.0 * (-0.006_f64).exp_m1(), 0.1);
    let unadjusted = model.unadjusted_percent.expect("both").estimate;
    close(Some(unadjusted), 100.0 * (0.048_f64.exp() / 0.7 - 1.0), 1.0);
    let row = r.comparability.iter().find(|c| c.quantity == "outside temperature").expect("a row");
    assert_eq!((row.alike, row.treatment), (Some(false), Treatment::Adjusted));
    let unknown = campaign("unpaired", &format!("adjust = [\"mood\"]\n{lists}"));
    let error = Campaign::parse(&TextFile::new("c.toml", &unknown)).expect_err("nobody measures moods");
    assert!(error.to_string().contains("unknown covariate `mood`"), "{error}");
}

/// Two vehicles fitted, one not. Speeds change from before to after; at the same speeds each fitted vehicle needs less.
#[test]
fn vehicles_in_service_are_compared_at_the_same_speeds() {
    let directory = tempfile::tempdir().expect("a directory");
    let mut text = String::new();
    for (vehicle, kit, saved) in [("skerry-1", true, 0.70), ("skerry-2", true, 0.72), ("skerry-9", false, 0.98)] {
        // 20 km/h at 10 L/100 km, 50 km/h at 7; after, a little more of the fast.
        for (day, slow, fast, factor) in [(0, 1_500, 1_200, 1.0), (10, 1_400, 1_300, saved)] {
            for (hour, km_h, seconds, l) in [(8, 20.0, slow, 10.0), (12, 50.0, fast, 7.0)] {
                let d = drive("", Condition::Baseline, 24 * day + hour, l * factor);
                Drive { vehicle, run: None, km_h, seconds, ..d }.seal(directory.path());
            }
        }
        let day = if kit { "installed = \"2026-06-03\"\n" } else { "" };
        text += &format!("[[in_service]]\nname = \"{vehicle}\"\n{day}");
    }
    let r = report(&directory, &campaign("before_after", &text));
    let vehicles = &r.improvement.parts.vehicles;
    assert_eq!(vehicles.len(), 3);
    close(vehicles[0].mileage_percent, 100.0 * (1.0 / 0.70 - 1.0), 0.01);
    close(vehicles[0].distance_share, 1.0, 1e-9);
    // The mean of the two, less what changed without a kit.
    let d = (-0.70_f64.ln() - 0.72_f64.ln()) / 2.0 + 0.98_f64.ln();
    close(r.improvement.mileage_percent.map(|i| i.estimate), 100.0 * d.exp_m1(), 0.02);
    assert_eq!((r.runs.len(), r.control_runs.len()), (8, 4));
    let distance = r.comparability.iter().find(|c| c.quantity == "distance").expect("a row");
    assert_eq!((distance.alike, distance.treatment), (Some(false), Treatment::Standardised));
    let unit = r.verdict.look.as_ref().map(|l| l.unit.as_str());
    assert_eq!(unit, Some("vehicles"), "{:?}", r.verdict.reasons);
    let one = text.replace("[[in_service]]\nname = \"skerry-2\"\ninstalled = \"2026-06-03\"\n", "");
    let alone = report(&directory, &campaign("before_after", &one));
    assert_eq!(alone.improvement.mileage_percent.and_then(|i| i.low), None);
    assert!(alone.improvement.parts.notes.iter().any(|n| n.contains("fewer than two vehicles")));
}

/// Ten runs, each paired with one that was not driven beside it: the interval would be too narrow.
#[test]
fn pairs_that_were_chosen_afterwards_withhold_the_verdict() {
    let directory = tempfile::tempdir().expect("a directory");
    for (i, (b, a)) in PAIRS.into_iter().enumerate() {
        drive(&format!("b{i}"), Condition::Baseline, 2 * i as i64, b).seal(directory.path());
        drive(&format!("a{i}"), Condition::Assist, 2 * i as i64 + 1, a).seal(directory.path());
    }
    let pairs = |of: [usize; 4]| -> String {
        let pair = |(b, a): (usize, &usize)| format!("[[pair]]\nbaseline = \"b{b}\"\nassist = \"a{a}\"\n");
        of.iter().enumerate().map(pair).collect()
    };
    let driven = report(&directory, &campaign("paired", &pairs([0, 1, 2, 3])));
    assert_eq!(driven.verdict.decision, Decision::Supported, "{:?}", driven.verdict.reasons);
    let said = |r: &Report, what: &str| r.verdict.reasons.iter().any(|reason| reason.contains(what));
    assert!(said(&driven, "the run without assist came first in every pair"), "{:?}", driven.verdict.reasons);
    let chosen = report(&directory, &campaign("paired", &pairs([3, 1, 2, 0])));
    assert_eq!(chosen.verdict.decision, Decision::Withheld);
    assert!(said(&chosen, "pair b0 / a3 were not driven one after the other"), "{:?}", chosen.verdict.reasons);
}

/// Runs of both conditions one after the other, one of them told twice under another name.
#[test]
fn one_drive_does_not_count_twice_and_the_order_is_told() {
    let directory = tempfile::tempdir().expect("a directory");
    let mut names = [Vec::new(), Vec::new()];
    for i in 0..3 {
        for (k, condition) in [Condition::Baseline, Condition::Assist].into_iter().enumerate() {
            let run = format!("{}{i}", condition.name());
            let l = if k == 0 { 8.0 } else { 5.5 } + 0.01 * i as f64;
            drive(&run, condition, 3 * k as i64 + i, l).seal(directory.path());
            names[k].push(format!("\"{run}\""));
        }
    }
    let text = |names: &[Vec<String>; 2]| {
        campaign("unpaired", &format!("baseline = [{}]\nassist = [{}]\n", names[0].join(", "), names[1].join(", ")))
    };
    let once = report(&directory, &text(&names));
    assert_eq!(once.verdict.decision, Decision::Supported, "{:?}", once.verdict.reasons);
    let said = |r: &Report, what: &str| r.verdict.reasons.iter().any(|reason| reason.contains(what));
    assert!(said(&once, "every run without assist was driven before any with it"), "{:?}", once.verdict.reasons);
    let copy = Drive { start: DAY + 5 * HOUR + 60 * SECOND, ..drive("copy", Condition::Assist, 5, 5.52) };
    copy.seal(directory.path());
    names[1].push("\"copy\"".to_owned());
    let twice = report(&directory, &text(&names));
    assert_eq!(twice.verdict.decision, Decision::Withheld);
    assert!(said(&twice, "runs assist2 and copy overlap in time"), "{:?}", twice.verdict.reasons);
}

/// A planned look at two runs rests on two of each condition, however many of one there are.
#[test]
fn more_runs_of_one_condition_do_not_move_a_planned_look() {
    let directory = tempfile::tempdir().expect("a directory");
    for (i, l) in [8.0, 8.2].into_iter().enumerate() {
        drive(&format!("b{i}"), Condition::Baseline, 2 * i as i64, l).seal(directory.path());
    }
    for (i, l) in [5.5, 5.6, 5.4, 5.5].into_iter().enumerate() {
        drive(&format!("a{i}"), Condition::Assist, 2 * i as i64 + 1, l).seal(directory.path());
    }
    let look = |assist: usize| {
        let names: Vec<String> = (0..assist).map(|i| format!("\"a{i}\"")).collect();
        let lists = format!("baseline = [\"b0\", \"b1\"]\nassist = [{}]\n[plan]\nlooks = [2]\n", names.join(", "));
        report(&directory, &campaign("unpaired", &lists)).verdict.look.expect("a look").mileage_percent
    };
    assert!(look(2).and_then(|i| i.low).is_some());
    assert_eq!(look(2), look(4));
}
