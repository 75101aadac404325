//! Bad input gives an error that says what and where, exit code 2, and nothing is written over.

use std::{fs, path::Path};

use tallywheel_tests::{Bench, run, sample_logs};

const RIG: &str = "schema = 1\nvehicle = \"skerry-9\"\n[[port]]\nname = \"table\"\nkind = \"text\"\n\
    time_column = \"s\"\ntime_format = \"from_start_s\"\n\
    [[signal]]\nchannel = \"motion.wheel_speed_m_s\"\nport = \"table\"\ncolumn = \"v\"\n";
const CAPTURE: &str = "s,v\n0,0\n1,10\n2,10\n3,0\n";
const START: [&str; 2] = ["--start", "2026-10-05T08:00:00Z"];

/// Imports with a changed rig and expects refusal with these words.
fn refused(from: &str, to: &str, expected: &str) {
    assert!(RIG.contains(from), "the test changes the rig");
    let bench = Bench::new();
    let rig = bench.write("rig.toml", &RIG.replace(from, to));
    let capture = bench.write("capture.csv", CAPTURE);
    let output = bench.try_import(&rig, &[("table", &capture)], &START);
    let message = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{message}");
    assert!(message.contains(expected), "{message}\nshould say\n{expected}");
    assert!(!bench.dataset().join("sessions").exists(), "nothing is written");
}

#[test]
fn rigs_with_mistakes_are_refused_with_line_and_hint() {
    refused("vehicle", "vehcle", "rig.toml:2:1");
    refused("vehicle", "vehcle", "did you mean `vehicle`?");
    refused("motion.wheel_speed_m_s", "motion.wheel_sped_m_s", "did you mean `motion.wheel_speed_m_s`?");
    refused("port = \"table\"", "port = \"tabel\"", "did you mean `table`?");
    refused("kind = \"text\"", "kind = \"slcan\"", "bit_rate");
    let twice = "column = \"v\"\n[[signal]]\nchannel = \"motion.wheel_speed_m_s\"\nport = \"table\"\ncolumn = \"w\"\n";
    refused("column = \"v\"\n", twice, "already fed by the signal on line");
}

#[test]
fn missing_captures_and_rigs_are_named() {
    let bench = Bench::new();
    let rig = bench.write("rig.toml", RIG);
    let output = bench.try_import(&rig, &[("table", Path::new("no-such-capture.csv"))], &START);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("no-such-capture.csv"));
    let capture = bench.write("capture.csv", CAPTURE);
    let output = bench.try_import(Path::new("no-such-rig.toml"), &[("table", &capture)], &START);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("no-such-rig.toml"));
    let output = bench.try_import(&rig, &[("tble", &capture)], &START);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("did you mean `table`?"));
}

#[test]
fn a_capture_without_time_needs_a_start() {
    let bench = Bench::new();
    let (rig, capture) = (bench.write("rig.toml", RIG), bench.write("capture.csv", CAPTURE));
    let output = bench.try_import(&rig, &[("table", &capture)], &[]);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("--start"));
}

fn analyze(bench: &Bench, args: &[&str]) -> (Option<i32>, String, String) {
    let data = bench.dataset();
    let mut all = vec![args[0].into(), "--data".into(), data.into_os_string()];
    all.extend(args[1..].iter().map(std::ffi::OsString::from));
    let output = run("tallywheel-analyze", all);
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

#[test]
fn foreign_and_empty_directories_are_told_apart() {
    let bench = Bench::new();
    let (code, _, message) = analyze(&bench, &["mileage"]);
    assert_eq!(code, Some(2));
    assert!(message.contains("not a directory"), "{message}");
    fs::create_dir_all(bench.dataset().join("holiday-pictures")).expect("writable");
    let (code, _, message) = analyze(&bench, &["mileage"]);
    assert_eq!(code, Some(2));
    assert!(message.contains("not a dataset"), "{message}");
    fs::create_dir_all(bench.dataset().join("sessions")).expect("writable");
    let (code, _, message) = analyze(&bench, &["mileage"]);
    assert_eq!(code, Some(2));
    assert!(message.contains("no session in this dataset"), "{message}");
}

/// A sealed Parquet file cut short, and one with a single byte changed, are stated and left out; the program
/// neither fails nor believes them.
#[test]
fn damaged_tables_are_stated_and_left_out() {
    for damage in ["cut", "flip"] {
        let bench = Bench::new();
        let (rig, capture) = (bench.write("rig.toml", RIG), bench.write("capture.csv", CAPTURE));
        bench.import(&rig, &[("table", &capture)], &START);
        let (code, whole, _) = analyze(&bench, &["mileage", "--format", "csv"]);
        assert_eq!(code, Some(0));
        assert!(whole.contains("0.02"), "20 m were driven: {whole}");
        let directory = bench.dataset().join("motion/vehicle=skerry-9/date=2026-10-05");
        let file = fs::read_dir(directory).expect("the table").next().expect("a file").expect("a file").path();
        let mut bytes = fs::read(&file).expect("readable");
        match damage {
            "cut" => bytes.truncate(bytes.len() / 2),
            _ => bytes[40] ^= 0x10,
        }
        fs::write(&file, &bytes).expect("writable");
        assert!(bench.dataset().join("ledger").exists(), "a cached ledger must not hide the damage");
        let (code, _, _) = analyze(&bench, &["mileage", "--format", "csv"]);
        assert_eq!(code, Some(1), "{damage}");
        let (_, text, _) = analyze(&bench, &["ledger"]);
        assert!(text.contains("cannot be trusted and are left out"), "{damage}: {text}");
    }
}

#[test]
fn a_campaign_that_names_an_unknown_run_is_refused() {
    let bench = Bench::new();
    let (rig, capture) = (bench.write("rig.toml", RIG), bench.write("capture.csv", CAPTURE));
    let sheet = "[run]\nrun = \"hl-01\"\nroute = \"harbour loop\"\ncondition = \"baseline\"\n";
    let sheet = bench.write("run.toml", sheet);
    let sheet = sheet.to_str().expect("a plain path").to_owned();
    bench.import(&rig, &[("table", &capture)], &[START[0], START[1], "--run-sheet", &sheet]);
    let campaign = "schema = 1\nname = \"Trial\"\nvehicle = \"skerry-9\"\nroute = \"harbour loop\"\nclaim_percent = 45.0\n\
        design = \"unpaired\"\nbaseline = [\"hl-10\"]\nassist = [\"hl-02\"]\n";
    let campaign = bench.write("campaign.toml", campaign);
    let campaign = campaign.to_str().expect("a plain path").to_owned();
    let (code, _, message) = analyze(&bench, &["compare", "--campaign", &campaign]);
    assert_eq!(code, Some(2));
    assert!(message.contains("run `hl-10`") && message.contains("did you mean `hl-01`?"), "{message}");
}

/// The same capture imported twice under one session name must not replace the first.
#[test]
fn nothing_sealed_is_written_over() {
    let bench = Bench::new();
    let (rig, capture) = (bench.write("rig.toml", RIG), bench.write("capture.csv", CAPTURE));
    let import = |name: &str| bench.try_import(&rig, &[("table", &capture)], &[START[0], START[1], "--session", name]);
    assert!(import("one").status.success());
    let file = bench.dataset().join("motion/vehicle=skerry-9/date=2026-10-05/one.parquet");
    let before = fs::read(&file).expect("the table");
    let again = import("one");
    assert_eq!(again.status.code(), Some(2), "{}", String::from_utf8_lossy(&again.stderr));
    assert!(String::from_utf8_lossy(&again.stderr).contains("one"));
    assert_eq!(fs::read(&file).expect("the table"), before);
}

/// The committed damaged captures: every intact message comes through, the rest is counted and kept.
#[test]
fn a_damaged_capture_gives_up_its_good_messages() {
    let directory = sample_logs().join("captures/damaged");
    let truth = fs::read_to_string(directory.join("truth.json")).expect("the sample's truth");
    let truth: serde_json::Value = serde_json::from_str(&truth).expect("JSON");
    let start = truth["start"].as_str().expect("a start").to_owned();
    let bench = Bench::new();
    let rig = sample_logs().join("rigs/skerry.toml");
    let files = ["vehicle-bus.slcan", "kit-bus.slcan", "gps.nmea", "fuel-box.csv"].map(|f| (f, directory.join(f)));
    let captures: Vec<(&str, &Path)> =
        files.iter().map(|(f, path)| (f.split('.').next().expect("a name"), path.as_path())).collect();
    let output = bench.try_import(&rig, &captures, &["--start", &start]);
    assert_eq!(output.status.code(), Some(1), "{}", String::from_utf8_lossy(&output.stderr));
    let ledger = bench.ledgers().pop().expect("a session");
    for port in &ledger.session.manifest.ports {
        let expected = &truth["ports"][&port.port];
        let count = |v: &serde_json::Value| v.as_u64().unwrap_or(0);
        // A line with a cell that is no number is a whole line; the cell is missing on its channel.
        let no_number = count(&expected["spoiled"]["not a number"]);
        assert_eq!(port.frames + port.lines, count(&expected["intact"]) + no_number, "{}", port.port);
        if no_number > 0 {
            let channels = &ledger.session.manifest.channels;
            let missing: u64 =
                channels.iter().filter(|c| c.channel.starts_with("engine.fuel")).map(|c| c.missing).sum();
            assert_eq!(missing, no_number);
        }
        let spoiled: u64 = expected["spoiled"].as_object().expect("counts").values().map(count).sum();
        let noticed = port.bad + no_number;
        assert!(noticed >= spoiled, "{}: {noticed} of {spoiled} spoiled messages were noticed", port.port);
        assert!(!port.bad_examples.is_empty(), "{}", port.port);
    }
}
