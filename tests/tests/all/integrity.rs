//! What is damaged or altered after sealing is seen by every program, and costs nothing but itself.

use std::{
    fs::{self, File},
    path::{Path, PathBuf},
    process::{Command, Output, Stdio},
};

use serde_json::Value;
use tallywheel_tests::{Bench, program, run};

const RIG: &str = "schema = 1\nvehicle = \"skerry-9\"\n[[port]]\nname = \"table\"\nkind = \"text\"\n\
    columns = [\"s\", \"v\", \"f\"]\ntime_column = \"s\"\ntime_format = \"from_start_s\"\n\
    [[signal]]\nchannel = \"motion.wheel_speed_m_s\"\nport = \"table\"\ncolumn = \"v\"\n\
    [[signal]]\nchannel = \"engine.fuel_rate_g_s\"\nport = \"table\"\ncolumn = \"f\"\n";

/// Random damage to sealed files and journals: the short form of `damage`, whose full form takes 100,000 files.
#[test]
fn random_damage_is_noticed_and_costs_only_itself() {
    let output = run("damage", ["--quick", "--seed", "20261005"]);
    let text = String::from_utf8_lossy(&output.stdout);
    let counts: Value = serde_json::from_str(text.lines().last().expect("a line")).expect("JSON");
    assert_eq!(output.status.code(), Some(0), "{counts}\n{}", String::from_utf8_lossy(&output.stderr));
    for name in ["panics", "silently_wrong", "unnoticed", "undamaged_lost", "misstated"] {
        assert_eq!(counts[name], 0, "{name}: {counts}");
    }
    assert_eq!(counts["files"], 2000);
    // Every kind of damage and of file took part, and rows were read and compared.
    for name in ["bit_flips", "zeroed_blocks", "truncations", "appended", "swapped_blocks"] {
        assert!(counts[name].as_u64() > Some(200), "{name}: {counts}");
    }
    for name in ["manifests", "journals", "footers_lost"] {
        assert!(counts[name].as_u64() >= Some(50), "{name}: {counts}");
    }
    assert!(counts["recoveries"].as_u64() >= Some(5) && counts["rows_read"].as_u64() > Some(100_000), "{counts}");
}

/// Imports a run of 20 m at a start, with its run sheet.
fn import_run(bench: &Bench, name: &str, condition: &str, hour: u32) {
    let rig = bench.write("rig.toml", RIG);
    let capture = bench.write(&format!("{name}.csv"), &format!("0,0,0.5\n1,1{hour},1\n2,10,1\n3,0,0.5\n"));
    let sheet = format!("[run]\nrun = \"{name}\"\nroute = \"harbour loop\"\ncondition = \"{condition}\"\n");
    let sheet = bench.write(&format!("{name}.toml"), &sheet);
    let (start, sheet) = (format!("2026-10-05T0{hour}:00:00Z"), sheet.to_str().expect("UTF-8").to_owned());
    bench.import(&rig, &[("table", &capture)], &["--start", &start, "--session", name, "--run-sheet", &sheet]);
}

fn manifest_path(bench: &Bench, session: &str) -> PathBuf {
    bench.dataset().join(format!("sessions/vehicle=skerry-9/date=2026-10-05/{session}.json"))
}

fn on_dataset(bench: &Bench, name: &str, command: &str, more: &[&str]) -> (Option<i32>, String, String) {
    let data = bench.dataset();
    let args = [command, "--data", data.to_str().expect("UTF-8")];
    let output = run(name, args.iter().chain(more));
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

/// One altered and one unreadable manifest: both are named by every command, the third session goes on.
#[test]
fn an_unusable_session_is_named_by_every_command() {
    let bench = Bench::new();
    for (name, condition, hour) in [("hl-01", "baseline", 6), ("hl-02", "assist", 7), ("hl-03", "baseline", 8)] {
        import_run(&bench, name, condition, hour);
    }
    let altered = manifest_path(&bench, "hl-02");
    let text = fs::read_to_string(&altered).expect("the manifest");
    fs::write(&altered, text.replace("\"route\": \"harbour loop\"", "\"route\": \"ridge road\"")).expect("writable");
    fs::write(manifest_path(&bench, "hl-03"), "half a mani").expect("writable");
    for command in ["ledger", "trips", "mileage", "energy", "thermal"] {
        let (code, text, errors) = on_dataset(&bench, "tallywheel-analyze", command, &[]);
        assert_eq!(code, Some(1), "{command}: {errors}");
        assert!(
            text.contains("session hl-02 is left out: ") && text.contains("altered after sealing"),
            "{command}: {text}"
        );
        assert!(
            text.contains("session hl-03 is left out: ") && text.contains("not a session manifest"),
            "{command}: {text}"
        );
        assert!(errors.contains("session hl-02 is left out"), "{command}: {errors}");
        let (code, json, _) = on_dataset(&bench, "tallywheel-analyze", command, &["--format", "json"]);
        assert_eq!(code, Some(1));
        let rows: Vec<Value> = serde_json::from_str(&json).expect("JSON");
        let named: Vec<&str> =
            rows.iter().filter(|r| r.get("left_out").is_some()).filter_map(|r| r["session"].as_str()).collect();
        assert_eq!(named, ["hl-02", "hl-03"], "{command}");
    }
    let (_, mileage, _) = on_dataset(&bench, "tallywheel-analyze", "mileage", &[]);
    assert!(mileage.contains("hl-01"), "the sound session goes on: {mileage}");

    let campaign = bench.write(
        "campaign.toml",
        "schema = 1\nname = \"Trial\"\nvehicle = \"skerry-9\"\nroute = \"harbour loop\"\nclaim_percent = 45.0\n\
         design = \"paired\"\n[[pair]]\nbaseline = \"hl-01\"\nassist = \"hl-02\"\n",
    );
    let campaign = ["--campaign", campaign.to_str().expect("UTF-8")];
    let (code, text, errors) = on_dataset(&bench, "tallywheel-analyze", "compare", &campaign);
    assert_eq!(code, Some(1), "{errors}");
    assert!(text.contains("hl-02  missing") && text.contains("its session hl-02 cannot be used"), "{text}");
    assert!(text.contains("its partner hl-02 has no usable session"), "{text}");
    let (code, json, _) =
        on_dataset(&bench, "tallywheel-analyze", "compare", &[&campaign[..], &["--format", "json"]].concat());
    let report: Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!((code, &report["missing_runs"][0]["id"]), (Some(1), &Value::from("hl-02")));
    assert_eq!(report["unusable_sessions"].as_array().map(Vec::len), Some(2));
    assert_eq!(report["runs"][0]["used"], false);
    let out = bench.path("report");
    let (code, _, errors) = on_dataset(
        &bench,
        "tallywheel-analyze",
        "report",
        &[&campaign[..], &["--out", out.to_str().expect("UTF-8")]].concat(),
    );
    assert_eq!(code, Some(1), "{errors}");
    let page = fs::read_to_string(out.join("report.html")).expect("a page");
    assert!(page.contains("Run hl-02 is missing") && page.contains("Session hl-03 is left out"));
}

#[test]
fn verify_says_what_holds_and_what_does_not() {
    let bench = Bench::new();
    import_run(&bench, "hl-01", "baseline", 6);
    let (code, text, _) = on_dataset(&bench, "tallywheel-logger", "verify", &[]);
    assert_eq!(code, Some(0), "{text}");
    assert!(text.ends_with("checked  1 session(s), 3 file(s): everything holds\n"), "{text}");
    let motion = bench.dataset().join("motion/vehicle=skerry-9/date=2026-10-05/hl-01.parquet");
    let sound = fs::read(&motion).expect("the table");
    let mut bytes = sound.clone();
    bytes[40] ^= 0x10;
    fs::write(&motion, &bytes).expect("writable");
    let (code, text, _) = on_dataset(&bench, "tallywheel-logger", "verify", &[]);
    assert_eq!(code, Some(1));
    assert!(text.contains("hl-01.parquet: row group 0 (4 rows, bytes 4 to"), "{text}");
    let (code, json, _) =
        on_dataset(&bench, "tallywheel-logger", "verify", &["--format", "json", "--session", "hl-01"]);
    let json: Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!((code, &json["holds"]), (Some(1), &Value::from(false)));
    fs::write(&motion, sound).expect("writable");
    fs::write(bench.dataset().join("motion/notes.txt"), "lunch").expect("writable");
    let (code, text, _) = on_dataset(&bench, "tallywheel-logger", "verify", &[]);
    assert_eq!(code, Some(1));
    assert!(text.contains("stray    motion/notes.txt (5 bytes): no manifest speaks for it"), "{text}");
    let (code, _, errors) = on_dataset(&bench, "tallywheel-logger", "verify", &["--session", "hl-10"]);
    assert_eq!(code, Some(2));
    assert!(errors.contains("no session `hl-10`; did you mean `hl-01`?"), "{errors}");
}

#[test]
fn directories_that_are_no_dataset_are_refused() {
    let bench = Bench::new();
    fs::create_dir_all(bench.dataset().join("holiday-pictures")).expect("writable");
    for command in ["recover", "verify"] {
        let (code, _, errors) = on_dataset(&bench, "tallywheel-logger", command, &[]);
        assert_eq!(code, Some(2), "{command}: {errors}");
        assert!(errors.contains("not a dataset"), "{command}: {errors}");
    }
    assert_eq!(fs::read_dir(bench.dataset()).expect("readable").count(), 1, "nothing is left behind");
}

fn import_to(bench: &Bench, start: &str, stdout: Stdio) -> Output {
    let (rig, capture) = (bench.write("rig.toml", RIG), bench.write("capture.csv", "0,0,1\n1,10,1\n2,10,1\n3,0,1\n"));
    let output = Command::new(program("tallywheel-logger"))
        .args(["import", "--rig"])
        .arg(rig)
        .arg("--data")
        .arg(bench.dataset())
        .arg("--capture")
        .arg(format!("table={}", capture.display()))
        .args(["--start", start])
        .stdout(stdout)
        .stderr(Stdio::piped())
        .spawn()
        .expect("the logger starts");
    output.wait_with_output().expect("it ends")
}

#[test]
fn a_summary_that_cannot_be_printed_is_a_failure() {
    if !Path::new("/dev/full").exists() {
        eprintln!("skipped: there is no /dev/full here");
        return;
    }
    let bench = Bench::new();
    let full = File::options().write(true).open("/dev/full").expect("a full disk");
    let output = import_to(&bench, "2026-10-05T08:00:00Z", full.into());
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{errors}");
    assert!(
        errors.contains("is sealed, but its summary is not printed: write to standard output: No space left"),
        "{errors}"
    );
    assert!(bench.dataset().join("sessions").is_dir());
}

#[test]
fn a_start_without_zone_is_refused_and_an_early_one_is_doubted() {
    let bench = Bench::new();
    let output = import_to(&bench, "2026-10-05T08:00:00", Stdio::piped());
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{errors}");
    assert!(errors.contains("has no time zone; add Z for UTC"), "{errors}");
    let output = import_to(&bench, "1970-01-01T00:00:00Z", Stdio::piped());
    let errors = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{errors}");
    assert!(errors.contains("before 2000; was the clock set?"), "{errors}");
    assert!(String::from_utf8_lossy(&output.stdout).contains("note     its times begin at 1970-01-01T00:00:00Z"));
    let again = import_to(&bench, "2026-10-05T08:00:00Z", Stdio::piped());
    let errors = String::from_utf8_lossy(&again.stderr);
    assert_eq!(again.status.code(), Some(2), "{errors}");
    assert!(
        errors.contains("session skerry-9-19700101T000000Z of vehicle skerry-9") && errors.contains("--again"),
        "{errors}"
    );
}

/// The committed samples, every table that a session may have among them, hold as they are imported.
#[test]
fn the_samples_hold() {
    let bench = Bench::new();
    crate::campaign::import_samples(&bench);
    let (code, text, _) = on_dataset(&bench, "tallywheel-logger", "verify", &[]);
    assert_eq!(code, Some(0), "{text}");
}
