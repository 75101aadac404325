use std::fs;

use tallywheel_schemas::Domain;
use tempfile::TempDir;

use super::*;
use crate::fixture::{Columns, Sealed};

/// 2026-11-23T08:00:00Z, a Monday.
const START: i64 = 1_795_420_800_000_000;
const SECOND: i64 = 1_000_000;
const DAY: &str = "vehicle=skerry-1/date=2026-11-23";

/// A drive of so many seconds, `from_s` after the start.
fn write(root: &Path, vehicle: &str, session: &str, from_s: i64, seconds: i64) {
    let rig = format!(
        "schema = 1\nvehicle = \"{vehicle}\"\n[[port]]\nname = \"bench\"\nkind = \"text\"\ncolumns = [\"v\"]\n\
         [[signal]]\nchannel = \"motion.wheel_speed_m_s\"\nport = \"bench\"\ncolumn = \"v\"\n"
    );
    let t: Vec<i64> = (0..=seconds).map(|i| START + (from_s + i) * SECOND).collect();
    let speeds = vec![10.0; t.len()];
    let motion = Columns::new(Domain::Motion, t).all("wheel_speed_m_s", speeds);
    Sealed::new(session, &rig, vec![motion]).write(root).expect("a session");
}

/// One vehicle with two drives of one day.
fn dataset() -> TempDir {
    let dir = tempfile::tempdir().expect("a directory");
    write(dir.path(), "skerry-1", "a", 0, 600);
    write(dir.path(), "skerry-1", "b", 3600, 600);
    dir
}

/// What a command prints and whether it found faults, or why it could not finish.
fn said(command: &str, data: &Path, more: &[&str]) -> Result<(String, bool), String> {
    let data = data.to_string_lossy();
    let all = ["tallywheel-analyze", command, "--data", &data].into_iter().chain(more.iter().copied());
    let args = Args::try_parse_from(all).map_err(|e| e.to_string())?;
    run(args).map(|outcome| (outcome.text, outcome.faults)).map_err(|failure| failure.to_string())
}

fn refused(data: &Path, more: &[&str]) -> String {
    said("rollup", data, more).expect_err("nothing to roll up")
}

#[test]
fn where_there_is_nothing_to_roll_up_the_reason_is_said() {
    let dir = dataset();
    assert!(!said("rollup", dir.path(), &[]).expect("a roll-up").1);
    let range = "there are some from 2026-11-23 to 2026-11-23";
    for period in [["--week", "2026-W53"], ["--month", "2025-11"]] {
        for more in [&[][..], &["--tables-only"]] {
            let error = refused(dir.path(), &[&period[..], more].concat());
            assert!(error.contains("no data from") && error.ends_with(range), "{error}");
        }
    }
    for more in [&[][..], &["--tables-only"]] {
        let named = ["--vehicle", "skerry-1", "--vehicle", "skerry-11"];
        let error = refused(dir.path(), &[&named[..], more].concat());
        assert!(error.ends_with("no session of vehicle `skerry-11`; did you mean `skerry-1`?"), "{error}");
    }
    let empty = tempfile::tempdir().expect("a directory");
    fs::create_dir(empty.path().join("sessions")).expect("room");
    assert!(refused(empty.path(), &[]).contains("`sessions` is empty"));
    assert!(refused(empty.path(), &["--tables-only"]).contains("without --tables-only"));
}

#[test]
fn where_all_is_damaged_the_sessions_and_reasons_are_said() {
    let dir = dataset();
    for session in ["a", "b"] {
        fs::remove_file(dir.path().join(format!("motion/{DAY}/{session}.parquet"))).expect("there");
    }
    let error = refused(dir.path(), &[]);
    assert!(error.contains("2 sessions left out: a: motion/") && error.contains("it is missing"), "{error}");
    let dir = dataset();
    for session in ["a", "b"] {
        fs::write(dir.path().join(format!("sessions/{DAY}/{session}.json")), "{").expect("room");
    }
    assert!(refused(dir.path(), &["--week", "2026-W20"]).contains("2 sessions left out: a: "));
    let dir = dataset();
    said("derive", dir.path(), &[]).expect("derived");
    for session in ["a", "b"] {
        fs::write(dir.path().join(format!("days/{DAY}/{session}.parquet")), "no table").expect("room");
    }
    let error = refused(dir.path(), &["--tables-only"]);
    assert!(error.contains("2 daily tables cannot be read: ") && error.contains("derive --check"), "{error}");
}

/// A drive told twice stays in the sums, since nobody may guess which is wrong, and is said.
#[test]
fn a_drive_told_twice_is_said() {
    let dir = dataset();
    let distance = |text: &str| {
        let json: serde_json::Value = serde_json::from_str(text).expect("JSON");
        (json["fleet"]["distance_km"].as_f64().expect("a number"), json["notes"].to_string())
    };
    let json = || said("rollup", dir.path(), &["--format", "json"]).expect("a roll-up");
    let (once, notes) = distance(&json().0);
    assert_eq!(notes, "[]");
    write(dir.path(), "skerry-1", "twin", 0, 600);
    let (text, faults) = json();
    let (twice, notes) = distance(&text);
    assert!(faults && notes.contains("skerry-1 a, twin: both were recorded at once for 600 s"), "{notes}");
    assert!((twice - 1.5 * once).abs() < 1e-3, "{twice} {once}");
}

#[test]
fn tables_without_a_manifest_are_named() {
    let dir = dataset();
    fs::remove_file(dir.path().join(format!("sessions/{DAY}/b.json"))).expect("there");
    let named = format!("tables without a manifest: motion/{DAY}/b.parquet;");
    for (command, format) in [("rollup", "text"), ("rollup", "json"), ("derive", "text")] {
        let (text, faults) = said(command, dir.path(), &["--format", format]).expect("finished");
        assert!(faults && text.contains(&named), "{command}: {text}");
    }
    // On its way: somebody is still recording or collecting it.
    fs::create_dir_all(dir.path().join(".work/arriving")).expect("room");
    fs::write(dir.path().join(".work/arriving/b.json"), "{}").expect("room");
    assert!(!said("rollup", dir.path(), &[]).expect("finished").1);
    fs::remove_file(dir.path().join(".work/arriving/b.json")).expect("there");
    fs::create_dir_all(dir.path().join(".journal/b")).expect("room");
    assert!(!said("derive", dir.path(), &[]).expect("finished").1);
}

#[test]
fn flags_that_make_no_sense_are_refused() {
    let dir = dataset();
    for value in ["NaN", "inf", "-1", "far"] {
        for flag in ["--day-distance-km", "--day-speed-km-h"] {
            assert!(refused(dir.path(), &[&format!("{flag}={value}")]).contains("invalid value"), "{flag} {value}");
        }
    }
    let backwards = said("derive", dir.path(), &["--from", "2026-11-24", "--to", "2026-11-23"]);
    assert_eq!(backwards, Err("--to 2026-11-23 lies before --from 2026-11-24".to_owned()));
    let file = dir.path().join("out");
    fs::write(&file, "").expect("room");
    assert!(
        refused(dir.path(), &["--out", &file.to_string_lossy()]).ends_with("out: is a file; --out names a directory")
    );
}

#[test]
fn what_taking_back_came_to_is_said() {
    let dir = dataset();
    let compact = |flags: &[&str]| {
        let data = dir.path().to_string_lossy();
        let all = ["tallywheel-analyze", "compact", &data].into_iter().chain(flags.iter().copied());
        let outcome = run(Args::try_parse_from(all).expect("flags")).unwrap_or_else(|e| panic!("{e}"));
        (outcome.text, outcome.faults)
    };
    let nothing = "nothing is compacted here, so nothing was taken back\nall files of 2 sessions are in their places\n";
    assert_eq!(compact(&["--restore"]), (nothing.to_owned(), false));
    assert!(compact(&["--remove-originals"]).0.starts_with("1 day compacted: 2 sessions, 2 files in 1, "));
    fs::remove_dir_all(dir.path().join("compacted")).expect("there");
    let (text, faults) = compact(&["--restore"]);
    assert!(faults && text.contains("0 of 2 sessions have all their files"), "{text}");
    assert!(text.contains(&format!("skerry-1 b: these files are nowhere: motion/{DAY}/b.parquet")), "{text}");
}
