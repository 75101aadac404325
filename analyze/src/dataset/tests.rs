use std::fs;

use arrow::{
    array::AsArray,
    datatypes::{Float64Type, Int64Type},
};
use tallywheel_schemas::Domain;
use tempfile::TempDir;

use super::*;
use crate::fixture::{Columns, Sealed};

const RIG: &str = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bench\"\nkind = \"text\"\n\
    columns = [\"v\"]\n[[signal]]\nchannel = \"motion.wheel_speed_m_s\"\nport = \"bench\"\ncolumn = \"v\"\n";
const START: i64 = 1_780_000_000_000_000;

/// What was written at a row.
fn row(i: i64) -> (i64, f64) {
    (START + i * 100_000, (i % 37) as f64 * 0.25)
}

fn was_written(value: &(i64, f64)) -> bool {
    *value == row((value.0 - START) / 100_000)
}

fn speeds(rows: i64) -> Columns {
    Columns::new(Domain::Motion, (0..rows).map(|i| row(i).0).collect())
        .all("wheel_speed_m_s", (0..rows).map(|i| row(i).1))
}

/// A dataset with one session of four row groups of 100 rows, and the path of its motion file.
fn four_groups() -> (TempDir, Manifest, PathBuf) {
    let dir = tempfile::tempdir().expect("a directory");
    let sealed = Sealed { group_rows: 100, ..Sealed::new("s1", RIG, vec![speeds(400)]) };
    let manifest = sealed.write(dir.path()).expect("a session");
    let path = dir.path().join(&manifest.files[0].path);
    (dir, manifest, path)
}

/// Writes a file anew. Some file systems flush a file that is cut to nothing and written again, which over thousands
/// of times takes most of a minute.
fn replace(path: &Path, bytes: &[u8]) {
    fs::remove_file(path).expect("removed");
    fs::write(path, bytes).expect("written");
}

fn read(root: &Path) -> (Vec<(i64, f64)>, Vec<Damage>) {
    let dataset = Dataset::open(root).expect("a dataset");
    let session = dataset.sessions(&Filter::default()).remove(0);
    let mut rows = session.rows(Table::Decoded(Domain::Motion), &["wheel_speed_m_s"]);
    let mut values = Vec::new();
    for batch in rows.by_ref() {
        let column = |name| batch.column_by_name(name).expect("a column");
        let t = column("t_us").as_primitive::<Int64Type>().values();
        let v = column("wheel_speed_m_s").as_primitive::<Float64Type>().values();
        values.extend(t.iter().copied().zip(v.iter().copied()));
    }
    (values, rows.into_damage())
}

#[test]
fn an_undamaged_table_comes_back_whole() {
    let (dir, _, _) = four_groups();
    let (values, damage) = read(dir.path());
    assert!(damage.is_empty(), "{damage:?}");
    assert_eq!(values, (0..400).map(row).collect::<Vec<_>>());
}

#[test]
fn any_flipped_byte_is_found_and_never_read_as_a_value() {
    let (dir, manifest, path) = four_groups();
    let sound = fs::read(&path).expect("a file");
    let record = &manifest.files[0];
    let groups_end = record.row_groups.last().map(|g| g.offset + g.length).expect("row groups");
    for at in 0..sound.len() {
        let mut bytes = sound.clone();
        bytes[at] ^= 1 << (at % 8);
        replace(&path, &bytes);
        let (values, damage) = read(dir.path());
        assert!(!damage.is_empty(), "byte {at} of {} changed unnoticed", sound.len());
        let lost: u64 = damage.iter().map(|d| d.rows).sum();
        assert_eq!(values.len() as u64 + lost, 400, "byte {at}: every row is read or reported");
        assert!(values.iter().all(was_written), "byte {at}: a wrong value");
        // The magic at the head carries no row; without the footer no row can be found.
        let expected = match at as u64 {
            0..4 => 400,
            at if at < groups_end => 300,
            _ => 0,
        };
        assert_eq!(values.len(), expected, "byte {at}");
    }
}

#[test]
fn damage_to_rows_and_footer_together_is_found() {
    let (dir, manifest, path) = four_groups();
    let sound = fs::read(&path).expect("a file");
    let groups_end = manifest.files[0].row_groups.last().map(|g| g.offset + g.length).expect("row groups") as usize;
    for at in groups_end..sound.len() {
        let mut bytes = sound.clone();
        bytes[manifest.files[0].row_groups[0].offset as usize + 5] ^= 0x10;
        bytes[at] ^= 1 << (at % 8);
        replace(&path, &bytes);
        let (values, damage) = read(dir.path());
        assert!(!damage.is_empty());
        assert!(values.iter().all(was_written), "byte {at}: a wrong value");
    }
}

#[test]
fn a_truncated_file_is_found_at_every_length() {
    let (dir, _, path) = four_groups();
    let sound = fs::read(&path).expect("a file");
    for length in (0..sound.len()).step_by(7) {
        replace(&path, &sound[..length]);
        let (values, damage) = read(dir.path());
        assert!(values.is_empty());
        assert_eq!(damage.len(), 1);
        assert_eq!((damage[0].rows, damage[0].table.as_str()), (400, "motion"));
        let expected = format!("has {length} bytes where {} were sealed", sound.len());
        assert_eq!(damage[0].reason, expected);
    }
}

/// What an early release sealed has no hash of the footer: its layout is compared instead.
#[test]
fn a_manifest_without_footer_hashes_still_finds_every_flipped_byte() {
    let (dir, manifest, path) = four_groups();
    let mut early = manifest;
    early.files[0].footer = None;
    early.seal = None;
    fs::write(dir.path().join(early.path()), early.to_json()).expect("written");
    let sound = fs::read(&path).expect("a file");
    for at in (0..sound.len()).step_by(3) {
        let mut bytes = sound.clone();
        bytes[at] ^= 1 << (at % 8);
        replace(&path, &bytes);
        let (values, damage) = read(dir.path());
        assert!(!damage.is_empty() && values.iter().all(was_written), "byte {at}");
    }
}

#[test]
fn what_is_appended_to_a_file_is_stated_and_costs_no_row() {
    let (dir, _, path) = four_groups();
    let mut bytes = fs::read(&path).expect("a file");
    let sealed = bytes.len();
    bytes.extend_from_slice(b"PAR1 and more");
    replace(&path, &bytes);
    let (values, damage) = read(dir.path());
    assert_eq!(values, (0..400).map(row).collect::<Vec<_>>());
    assert_eq!(damage.len(), 1);
    let expected = format!("has {} bytes where {sealed} were sealed; what is behind them is ignored", bytes.len());
    assert_eq!((damage[0].rows, damage[0].reason.as_str()), (0, expected.as_str()));
    bytes[200] ^= 1;
    replace(&path, &bytes);
    let (values, damage) = read(dir.path());
    assert_eq!((values.len(), damage.len()), (300, 2), "{damage:?}");
}

#[test]
fn a_missing_file_is_damage_and_a_missing_table_is_not() {
    let (dir, manifest, path) = four_groups();
    fs::remove_file(path).expect("removed");
    let (values, damage) = read(dir.path());
    assert!(values.is_empty());
    assert_eq!((damage[0].rows, &damage[0].path), (400, &manifest.files[0].path));
    assert!(damage[0].reason.starts_with("cannot be read: "), "{}", damage[0].reason);
    let session = Dataset::open(dir.path()).expect("a dataset").sessions(&Filter::default()).remove(0);
    let mut none = session.rows(Table::Decoded(Domain::Pack), &["voltage_v"]);
    assert!(none.next().is_none() && none.damage().is_empty());
}

#[test]
fn a_manifest_cannot_point_out_of_the_dataset() {
    let (dir, mut manifest, _) = four_groups();
    manifest.files[0].path = "../elsewhere.parquet".to_owned();
    fs::write(dir.path().join(manifest.path()), manifest.sealed().to_json()).expect("written");
    assert_eq!(read(dir.path()).1[0].reason, "the manifest's path leaves the dataset");
}

#[test]
fn rows_whose_stamps_run_backwards_are_reported() {
    let dir = tempfile::tempdir().expect("a directory");
    let back = Columns::new(Domain::Motion, vec![START, START + 2, START + 1]).all("wheel_speed_m_s", [1.0, 2.0, 3.0]);
    Sealed::new("s1", RIG, vec![back]).write(dir.path()).expect("a session");
    let (values, damage) = read(dir.path());
    assert!(values.is_empty());
    assert_eq!((damage[0].rows, damage[0].reason.as_str()), (3, "time stamps run backwards"));
}

#[test]
fn other_directories_are_refused_by_what_they_are() {
    let dir = tempfile::tempdir().expect("a directory");
    let error = |path: &Path| Dataset::open(path).expect_err("no dataset").to_string();
    assert!(error(&dir.path().join("nowhere")).ends_with("nowhere: not a directory"));
    assert!(error(dir.path()).contains("not a dataset: there is no `sessions` directory in it"));
    fs::create_dir(dir.path().join("sessions")).expect("a directory");
    assert!(Dataset::open(dir.path()).expect("an empty dataset").sessions(&Filter::default()).is_empty());
}

/// One session that cannot be used is named with its reason; the other goes on.
#[test]
fn an_unusable_session_is_named_and_the_others_go_on() {
    let (dir, manifest, _) = four_groups();
    Sealed::new("s2", RIG, vec![speeds(10)]).write(dir.path()).expect("a session");
    let path = dir.path().join(manifest.path());
    let run = "[run]\nrun = \"hl-01\"\nroute = \"harbour loop\"\ncondition = \"assist\"\n";
    let run =
        tallywheel_schemas::RunSheet::parse(&tallywheel_schemas::TextFile::new("run.toml", run)).expect("a sheet");
    let mut broken_rig = Manifest { run: Some(run), ..manifest.clone() };
    broken_rig.rig.text = "schema = 9".to_owned();
    let altered = manifest.to_json().replace("\"clock\": \"made up\"", "\"clock\": \"better\"");
    let cases = [
        ("{".to_owned(), "not a session manifest", None),
        (altered, "this manifest was altered after sealing; put it back as it was sealed", None),
        (broken_rig.sealed().to_json(), "the rig kept in this manifest: rig.toml:", Some("hl-01")),
    ];
    for (text, expected, run) in cases {
        fs::write(&path, text).expect("written");
        let dataset = Dataset::open(dir.path()).expect("a dataset");
        let names: Vec<String> =
            dataset.sessions(&Filter::default()).iter().map(|s| s.manifest.session.clone()).collect();
        assert_eq!(names, ["s2"]);
        let unusable = dataset.unusable(&Filter::default());
        let [one] = unusable.as_slice() else { panic!("one session: {unusable:?}") };
        assert_eq!((one.session.as_str(), one.vehicle.as_str(), one.run.as_deref()), ("s1", "skerry-1", run));
        assert!(one.reason.starts_with(&path.display().to_string()) && one.reason.contains(expected), "{}", one.reason);
        let elsewhere = Filter { vehicles: vec!["skerry-2".to_owned()], ..Filter::default() };
        assert!(dataset.unusable(&elsewhere).is_empty());
        let later = Filter { from: NaiveDate::from_ymd_opt(2200, 1, 1), ..Filter::default() };
        assert!(dataset.unusable(&later).is_empty());
    }
}

#[test]
fn sessions_are_filtered_and_in_order() {
    let dir = tempfile::tempdir().expect("a directory");
    let day = 86_400_000_000;
    let run = |name: &str| {
        let text = format!("[run]\nrun = \"{name}\"\nroute = \"harbour loop\"\ncondition = \"assist\"\n");
        tallywheel_schemas::RunSheet::parse(&tallywheel_schemas::TextFile::new("run.toml", text)).expect("a run sheet")
    };
    for (name, vehicle, days, sheet) in
        [("c", "skerry-2", 0, None), ("b", "skerry-1", 2, Some("hl-02")), ("a", "skerry-1", 1, Some("hl-01"))]
    {
        let table = Columns::new(Domain::Motion, vec![START + days * day]).all("wheel_speed_m_s", [1.0]);
        let rig = RIG.replace("skerry-1", vehicle);
        let sealed = Sealed { run: sheet.map(run), ..Sealed::new(name, &rig, vec![table]) };
        sealed.write(dir.path()).expect("a session");
    }
    let dataset = Dataset::open(dir.path()).expect("a dataset");
    let names = |filter: Filter| {
        dataset.sessions(&filter).iter().map(|s| s.manifest.session.clone()).collect::<Vec<_>>().concat()
    };
    let date = |days: i64| Some(tallywheel_schemas::Timestamp::from_us(START + days * day).naive_date());
    assert_eq!(names(Filter::default()), "abc");
    assert_eq!(names(Filter { vehicles: vec!["skerry-2".to_owned()], ..Filter::default() }), "c");
    assert_eq!(names(Filter { from: date(1), to: date(1), ..Filter::default() }), "a");
    assert_eq!(names(Filter { from: date(1), ..Filter::default() }), "ab");
    assert_eq!(names(Filter { runs: vec!["hl-02".to_owned()], ..Filter::default() }), "b");
}

/// Satellite time was an hour and 20 ms ahead at the first fix, and 50 ppm more were lost from then on.
#[test]
fn stamps_are_put_right_on_reading_and_the_files_keep_theirs() {
    let (dir, manifest, path) = four_groups();
    let bytes = fs::read(&path).expect("a file");
    let fit = tallywheel_schemas::manifest::ClockFit {
        offset_us: 3_600_020_000,
        at_us: Timestamp::from_us(row(100).0),
        drift_ppm: 50.0,
        residual_us: 0,
        fixes: 7,
    };
    let adjusted = Manifest { clock_fit: Some(fit), ..manifest.clone() }.sealed();
    fs::write(dir.path().join(manifest.path()), adjusted.to_json()).expect("room");
    let (values, damage) = read(dir.path());
    assert!(damage.is_empty(), "{damage:?}");
    let right = |i: i64| row(i).0 + 3_600_020_000 + (i - 100) * 5;
    assert_eq!(values.iter().map(|v| v.0).collect::<Vec<_>>(), (0..400).map(right).collect::<Vec<_>>());
    let session = Dataset::open(dir.path()).expect("a dataset").sessions(&Filter::default()).remove(0);
    assert_eq!(session.manifest.start_us.as_us(), right(0));
    assert_eq!(session.manifest.end_us.as_us(), right(399));
    let stored = manifest.start_us.date();
    assert!(session.derived_path(Table::Ledger).to_string_lossy().contains(&stored), "files stay where they lie");
    assert_eq!(fs::read(&path).expect("a file"), bytes);
}

#[test]
fn a_corrected_run_sheet_counts_and_is_told_of() {
    use tallywheel_schemas::{RunSheet, TextFile, correction::Correction};
    let dir = tempfile::tempdir().expect("a directory");
    let sheet = "[run]\nrun = \"hl-01\"\nroute = \"harbour loop\"\ncondition = \"baseline\"\ndriver = \"AB\"\n";
    let run = Some(RunSheet::parse(&TextFile::new("run.toml", sheet)).expect("a sheet"));
    Sealed { run, ..Sealed::new("s1", RIG, vec![speeds(10)]) }.write(dir.path()).expect("a session");
    let at = Timestamp::from_us(START);
    let driver = Correction::new(at, "CD", "the other way round", "driver", "EF".into());
    correction::append(dir.path(), "skerry-1", "s1", &[driver]).expect("room");
    let session = Dataset::open(dir.path()).expect("a dataset").sessions(&Filter::default()).remove(0);
    assert_eq!(session.manifest.run.as_ref().and_then(|r| r.driver.clone()).as_deref(), Some("EF"));
    assert!(session.manifest.notes.iter().any(|n| n.contains("driver was AB, is EF (CD, ")), "{:?}", session.manifest);
    let nonsense = Correction::new(at, "CD", "a slip", "condition", "sideways".into());
    correction::append(dir.path(), "skerry-1", "s1", &[nonsense]).expect("room");
    let dataset = Dataset::open(dir.path()).expect("a dataset");
    let unusable = dataset.unusable(&Filter::default());
    assert!(unusable[0].reason.contains("condition = sideways: unknown variant"), "{unusable:?}");
    assert_eq!(unusable[0].run.as_deref(), Some("hl-01"));
}
