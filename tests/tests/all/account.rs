//! The account against what is true of simulated drives: wall energy, how far a pack goes, where it ran flat; and a plan
//! from its first file to its first look.

use std::{ffi::OsString, path::Path};

use serde_json::Value;
use tallywheel_sample_logs::{
    bench::Port,
    capture::write_session,
    drive::Drive,
    scenario::{RIG, RunPlan, Scenario},
    sensors::draw_errors,
    session,
};
use tallywheel_schemas::{Campaign, Condition, RunSheet, Timestamp};
use tallywheel_tests::{Bench, run};

use crate::campaign::{import_samples, report};

const SEED: u64 = 11;

/// Writes a simulated session below the bench and imports it with the real logger.
fn import(bench: &Bench, session: &session::Session, start: Timestamp, sheet: Option<&RunSheet>) {
    let directory = bench.path(&session.truth.run);
    write_session(&directory, session, sheet).expect("the bench is writable");
    let files: Vec<_> = session.sent.keys().map(|port: &Port| (port.name(), directory.join(port.file()))).collect();
    let files: Vec<(&str, &Path)> = files.iter().map(|(port, path)| (*port, path.as_path())).collect();
    let (start, sheet_file) = (start.to_string(), directory.join("run.toml"));
    let mut more = vec!["--start", &start];
    if sheet.is_some() {
        more.extend(["--run-sheet", sheet_file.to_str().expect("a plain path")]);
    }
    bench.import(&bench.write("rig.toml", RIG), &files, &more);
}

fn plans() -> Vec<RunPlan> {
    let scenario = Scenario {
        seed: SEED,
        tale: tallywheel_sample_logs::tale::Tale::AsClaimed,
        pairs: 2,
        route: tallywheel_sample_logs::route::HARBOUR_LOOP,
    };
    let mut plans = scenario.runs();
    // The second assisted run begins with what is left in the pack.
    plans.iter_mut().rfind(|p| p.condition == Condition::Assist).expect("two pairs").setup.soc = 0.24;
    plans
}

const CAMPAIGN: &str = "schema = 1\nname = \"Flat\"\nvehicle = \"skerry-1\"\nroute = \"harbour loop\"\n\
    claim_percent = 45.0\ndesign = \"paired\"\n\
    [[pair]]\nbaseline = \"harbour-loop-01-baseline\"\nassist = \"harbour-loop-01-assist\"\n\
    [[pair]]\nbaseline = \"harbour-loop-02-baseline\"\nassist = \"harbour-loop-02-assist\"\n\
    [account]\nutility = \"own\"\ndaily_km = [20.0, 60.0]\n";

fn number(value: &Value, pointer: &str) -> f64 {
    value.pointer(pointer).and_then(Value::as_f64).unwrap_or_else(|| panic!("a number at {pointer}"))
}

/// Distance that the van goes from the fullest start until its pack gives nothing more, by driving the loop again and
/// again with what is left.
fn true_range_km(first: &RunPlan, flat_soc: f64) -> f64 {
    let (mut setup, mut km) = (first.setup.clone(), 0.0);
    while setup.soc > flat_soc {
        let (mut drive, mut at) = (Drive::new(setup.clone()), 0.0);
        while let Some(sample) = drive.step() {
            at = sample.distance_m / 1000.0;
            if sample.soc_pct <= 100.0 * flat_soc {
                break;
            }
        }
        km += at;
        setup.soc = drive.truth().soc_end_pct / 100.0;
    }
    km
}

/// A pack that runs flat in the middle of a run is found where the simulated one was flat; the wall's energy is what the
/// simulated charger took for that charge; and a full pack goes as far as the simulated van does on it.
#[test]
fn a_pack_that_runs_flat_is_found_and_its_energy_accounted_for() {
    let bench = Bench::new();
    let (plans, errors) = (plans(), draw_errors(SEED));
    let mut truths = Vec::new();
    for plan in &plans {
        let session = session::run(plan, errors, SEED);
        import(&bench, &session, plan.start, Some(&plan.sheet));
        truths.push(session.truth);
    }
    let start = tallywheel_sample_logs::scenario::charging_start();
    let charging = session::charging("charging", start, 0.6, 3.0 * 3600.0, errors, SEED);
    import(&bench, &charging, start, None);
    let report = report(&bench, &bench.write("campaign.toml", CAMPAIGN));

    let assisted: Vec<_> = plans.iter().filter(|p| p.condition == Condition::Assist).collect();
    let rows = report["energy"]["net_energy"].as_array().expect("rows");
    let end_of = |run: &str| {
        let row = rows.iter().find(|r| r["run"] == run).expect("a row");
        row["assist_end"].clone()
    };
    assert!(end_of(&assisted[0].sheet.run).is_null());
    let end = end_of(&assisted[1].sheet.run);
    assert_eq!(end["pack_flat"], true, "{end}");

    let after_km = number(&end, "/after_km");
    let mut drive = Drive::new(assisted[1].setup.clone());
    let (mut soc, mut out, mut after) = (0.0, 0.0, 0.0);
    while let Some(sample) = drive.step() {
        let power = sample.pack_power_w().max(0.0);
        out += power;
        if sample.distance_m > after_km * 1000.0 {
            after += power;
        } else {
            soc = sample.soc_pct;
        }
    }
    assert!(after < 0.08 * out, "the pack gave {:.3} of its energy behind {after_km} km", after / out);
    assert!((10.0..12.5).contains(&soc), "{soc} % after {after_km} km");
    assert!((2.0..8.0).contains(&after_km), "{after_km}");
    let answer = report["answer"].as_str().expect("an answer");
    assert!(answer.contains("; the pack ran flat in 1 of 2 assisted runs, first after"), "{answer}");

    let drives = || truths.iter().filter(|t| t.condition == Some(Condition::Assist)).map(|t| &t.drive);
    let points: f64 = drives().map(|d| d.soc_start_pct - d.soc_end_pct).sum();
    let km: f64 = drives().map(|d| d.distance_m / 1000.0).sum();
    let charged = &charging.truth.drive;
    let true_wall = charged.wall_wh / (charged.soc_end_pct - charged.soc_start_pct) * points / km;
    let wall = number(&report, "/energy/wall_per_km_wh");
    assert!((wall / true_wall - 1.0).abs() < 0.02, "{wall} Wh/km from the wall, in truth {true_wall}");

    let true_km = true_range_km(assisted[0], number(&end, "/soc_pct") / 100.0);
    let range = number(&report, "/energy/range/km");
    assert!((range / true_km - 1.0).abs() < 0.05, "{range} km on a full pack, in truth {true_km}");
    assert_eq!(report["energy"]["range"]["at_most"], false);
    let share = number(&report, "/energy/day/weighted/figures/assisted_share");
    assert!((share - (20.0 + range.min(60.0)) / 80.0).abs() < 1e-9, "{share}");
}

fn plan(bench: &Bench, more: &[&str]) -> (Option<i32>, String, String) {
    let data = bench.dataset();
    let args = more.iter().map(|a| if *a == "DATA" { data.clone().into_os_string() } else { OsString::from(*a) });
    let output = run("tallywheel-analyze", std::iter::once(OsString::from("plan")).chain(args));
    let text = |bytes| String::from_utf8(bytes).expect("UTF-8");
    (output.status.code(), text(output.stdout), text(output.stderr))
}

/// A plan is written, its runs are driven, and its status gives the improvement away at a planned look and not before.
#[test]
fn a_plan_is_followed_to_its_first_look() {
    let bench = Bench::new();
    let new = |looks: &str, out: &str| {
        let out = bench.path(out);
        let out = out.to_str().expect("a plain path").to_owned();
        let fixed = ["--vehicle", "skerry-1", "--route", "harbour hop", "--claim", "45", "--expected", "60"];
        let rest = ["--spread", "0.05", "--size", "4", "--looks", looks, "--seed", "7", "--out", &out];
        let (code, text, errors) = plan(&bench, &[fixed.as_slice(), &rest].concat());
        assert_eq!(code, Some(0), "{text}{errors}");
        assert!(text.contains("4 pairs, 8 runs of skerry-1"), "{text}");
        out
    };
    let (early, late) = (new("2", "early"), new("3", "late"));
    let campaign = Campaign::read(Path::new(&early).join("campaign.toml").as_path()).expect("a campaign");
    assert_eq!(campaign.plan.expect("a plan").looks, [2, 4]);
    import_samples(&bench);
    let status = |out: &str| -> Value {
        let campaign = Path::new(out).join("campaign.toml");
        let campaign = campaign.to_str().expect("a plain path");
        let (code, text, errors) =
            plan(&bench, &["--status", "--campaign", campaign, "--data", "DATA", "--format", "json"]);
        assert_eq!(code, Some(0), "{errors}");
        serde_json::from_str(&text).expect("JSON")
    };
    let (at_look, between) = (status(&early), status(&late));
    for status in [&at_look, &between] {
        assert_eq!((&status["units_valid"], &status["done"], &status["missing"]), (&2.into(), &4.into(), &4.into()));
        assert!(status["next"].as_str().is_some_and(|run| run.starts_with("harbour-hop-03-")), "{status}");
        assert!(number(status, "/spread") > 0.0);
        assert!((0.0..=1.0).contains(&number(status, "/chance_of_decision")));
    }
    assert!(number(&at_look, "/estimate_percent") > 10.0 && at_look["look"] == 1, "{at_look}");
    assert!(between["estimate_percent"].is_null() && between["look"].is_null(), "{between}");

    // The spread of these runs may be planned with, and their names may not be used again.
    let campaign = Path::new(&early).join("campaign.toml");
    let campaign = campaign.to_str().expect("a plain path");
    let out = bench.path("next");
    let from_runs = ["--campaign", campaign, "--data", "DATA", "--out", out.to_str().expect("a plain path")];
    let (code, _, errors) = plan(&bench, &from_runs);
    assert!(code == Some(2) && errors.contains("is in this dataset already; give another --prefix"), "{errors}");
    let (code, text, errors) = plan(&bench, &[from_runs.as_slice(), &["--prefix", "second"]].concat());
    assert_eq!(code, Some(0), "{errors}");
    assert!(text.contains("seen over 2 pairs") && text.contains("upper 80 % limit"), "{text}");
    let (code, _, errors) = plan(&bench, &[from_runs.as_slice(), &["--prefix", "third"]].concat());
    assert!(code == Some(2) && errors.contains("campaign.toml exists already; nothing was written"), "{errors}");
}
