use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
};

use arrow::array::{ArrayRef, RecordBatch};
use tallywheel_schemas::{Digest, Domain};
use tempfile::TempDir;

use super::*;
use crate::{
    collect::{CollectOptions, Outcome, Source, collect},
    dataset::{Dataset, Filter},
    disk::Fault,
    fixture::{Columns, Sealed},
    ledger::{LedgerOptions, ledgers},
    progress::Silent,
};

const START: i64 = 1_795_420_800_000_000;
const SECOND: i64 = 1_000_000;
const DATE: &str = "vehicle=skerry-1/date=2026-11-23";

fn rig(vehicle: &str) -> String {
    format!(
        "schema = 1\nvehicle = \"{vehicle}\"\n[[port]]\nname = \"bench\"\nkind = \"text\"\ncolumns = [\"v\"]\n\
         [[signal]]\nchannel = \"motion.wheel_speed_m_s\"\nport = \"bench\"\ncolumn = \"v\"\n"
    )
}

/// A session of 250 s in row groups of 100 rows, `number` quarters of an hour into the day.
fn write(root: &Path, session: &str, number: i64) {
    let t: Vec<i64> = (0..250).map(|i| START + number * 900 * SECOND + i * SECOND).collect();
    let motion = Columns::new(Domain::Motion, t.clone())
        .all("wheel_speed_m_s", (0..250).map(|i| (i % 37) as f64 * 0.25 + number as f64));
    let pack = Columns::new(Domain::Pack, t).all("voltage_v", vec![96.0; 250]).all("current_a", vec![12.5; 250]);
    let tables = if number == 2 { vec![motion] } else { vec![motion, pack] };
    Sealed { group_rows: 100, ..Sealed::new(session, &rig("skerry-1"), tables) }.write(root).expect("a session");
}

/// One day of four sessions, one without a pack; and a lone session of another day.
fn day() -> TempDir {
    let dir = tempfile::tempdir().expect("a directory");
    for number in 0..4 {
        write(dir.path(), &format!("s{number}"), number);
    }
    write(dir.path(), "lone", 96);
    dir
}

fn run(root: &Path, remove_originals: bool) -> Compacted {
    compact(root, &CompactOptions { remove_originals, ..CompactOptions::default() }, &Silent).expect("compacted")
}

/// What every session's files are, as a reader has them.
fn sealed(root: &Path) -> BTreeMap<String, Digest> {
    let files = SealedFiles::open(root).expect("a dataset");
    let manifests = crate::collect::manifests(root).expect("listed").into_values();
    let records = manifests.flat_map(|path| Manifest::read(&root.join(path)).expect("a manifest").files);
    records.map(|r| (r.path.clone(), Digest::of(&files.read(&r).expect("readable")))).collect()
}

/// Files below the tables, as other engines see them.
fn tables(root: &Path) -> BTreeSet<String> {
    let (mut found, mut directories) = (BTreeSet::new(), vec![root.join("motion"), root.join("pack")]);
    while let Some(directory) = directories.pop() {
        for entry in fs::read_dir(&directory).expect("readable").flatten() {
            let path = entry.path();
            if path.is_dir() {
                directories.push(path);
            } else {
                found.insert(path.strip_prefix(root).expect("below").to_string_lossy().into_owned());
            }
        }
    }
    found
}

/// The ledgers' values, as text. The cache is taken away first.
fn ledger_values(root: &Path) -> String {
    for table in tallywheel_schemas::Table::DERIVED {
        let _ = fs::remove_dir_all(root.join(table.name()));
    }
    let dataset = Dataset::open(root).expect("a dataset");
    let made = ledgers(&dataset, &dataset.sessions(&Filter::default()), &LedgerOptions::default(), &Silent);
    let text = |l: crate::SessionLedger| {
        format!("{:?} {:?} {:?}", l.session.digest, l.findings, crate::columns::sum(&l.bins, "distance_m"))
    };
    made.expect("ledgers").into_iter().map(text).collect::<Vec<_>>().join("\n")
}

#[test]
fn nothing_is_lost_and_manifests_go_on_vouching() {
    let dir = day();
    let (before, seen, values) = (sealed(dir.path()), tables(dir.path()), ledger_values(dir.path()));
    let done = run(dir.path(), false);
    assert_eq!((done.days.len(), done.waiting, done.switched, done.left.len()), (1, 1, 0, 0));
    assert_eq!((done.days[0].sessions, done.days[0].files_before, done.days[0].files_after), (4, 7, 2));
    assert_eq!(tables(dir.path()), seen, "engines see what they saw");
    let done = run(dir.path(), true);
    assert_eq!((done.days.len(), done.waiting, done.switched), (0, 0, 1));
    let files = [
        format!("motion/{DATE}/day-1.parquet"),
        "motion/vehicle=skerry-1/date=2026-11-24/lone.parquet".to_owned(),
        format!("pack/{DATE}/day-1.parquet"),
        "pack/vehicle=skerry-1/date=2026-11-24/lone.parquet".to_owned(),
    ];
    assert_eq!(tables(dir.path()), files.into());
    assert_eq!(sealed(dir.path()), before);
    assert_eq!(ledger_values(dir.path()), values);
}

#[test]
fn a_day_file_has_the_rows_of_its_sessions_in_order() {
    let dir = day();
    let rows = |path: &Path| {
        let file = fs::File::open(path).expect("a file");
        let reader = parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder::try_new(file).expect("a footer");
        let batches = reader.build().expect("a reader").map(|b| b.expect("rows"));
        // Dictionaries hold other sessions' names too, so values are compared as they are shown.
        let shown = |b: &RecordBatch, row: usize| {
            let cell = |c: &ArrayRef| arrow::util::display::array_value_to_string(c, row).expect("a value");
            b.columns().iter().map(cell).collect::<Vec<_>>().join(" ")
        };
        batches.flat_map(|b| (0..b.num_rows()).map(|i| shown(&b, i)).collect::<Vec<_>>()).collect::<Vec<_>>()
    };
    let expected: Vec<String> =
        (0..4).flat_map(|i| rows(&dir.path().join(format!("motion/{DATE}/s{i}.parquet")))).collect();
    run(dir.path(), true);
    assert!(rows(&dir.path().join(format!("motion/{DATE}/day-1.parquet"))) == expected);
}

#[test]
fn sessions_that_come_later_have_a_file_of_their_own() {
    let dir = day();
    run(dir.path(), true);
    write(dir.path(), "s5", 5);
    assert_eq!(run(dir.path(), true).days.len(), 0, "one is not worth a file");
    write(dir.path(), "s6", 6);
    let before = sealed(dir.path());
    let done = run(dir.path(), true);
    assert_eq!((done.days.len(), done.switched), (1, 2));
    assert!(dir.path().join(format!("motion/{DATE}/day-2.parquet")).exists());
    assert_eq!(sealed(dir.path()), before);
}

#[test]
fn it_can_be_taken_back() {
    let dir = day();
    let (before, seen) = (sealed(dir.path()), tables(dir.path()));
    run(dir.path(), true);
    let restored = Restored { days: 1, sessions: 5, incomplete: Vec::new() };
    assert_eq!(restore(dir.path(), &Disk::default()).expect("restored"), restored);
    assert_eq!((sealed(dir.path()), tables(dir.path())), (before, seen));
    assert!(!dir.path().join("compacted").exists(), "an empty tree tells of nothing");
    assert!(SealedFiles::open(dir.path()).expect("a dataset").compacted().days().is_empty());
}

/// A reader that was there before has every byte, however often the files change places under it.
#[test]
fn a_reader_beside_goes_on_reading() {
    let dir = day();
    let before = sealed(dir.path());
    let manifests = crate::collect::manifests(dir.path()).expect("listed").into_values();
    let records: Vec<_> =
        manifests.flat_map(|path| Manifest::read(&dir.path().join(path)).expect("a manifest").files).collect();
    let reads_all = |files: &SealedFiles, when: &str| {
        for record in &records {
            let bytes = files.read(record).unwrap_or_else(|e| panic!("{when}: {} {e}", record.path));
            assert_eq!(before.get(&record.path), Some(&Digest::of(&bytes)), "{when}: {}", record.path);
            assert!(files.holder(record).exists(), "{when}: {}", record.path);
        }
    };
    let early = SealedFiles::open(dir.path()).expect("a dataset");
    let dataset = Dataset::open(dir.path()).expect("a dataset");
    run(dir.path(), true);
    reads_all(&early, "compacted");
    assert!(dataset.sessions(&Filter::default()).iter().all(|s| s.is_intact()));
    let late = SealedFiles::open(dir.path()).expect("a dataset");
    restore(dir.path(), &Disk::default()).expect("restored");
    reads_all(&late, "taken back");
    write(dir.path(), "earlier", -1);
    run(dir.path(), true);
    reads_all(&late, "compacted anew, with another session first");
    fs::remove_file(dir.path().join(format!("motion/{DATE}/day-1.parquet"))).expect("there");
    let gone = records.iter().find(|r| r.path.ends_with("s0.parquet") && r.table == "motion").expect("a record");
    assert!(early.read(gone).is_err() && late.read(gone).is_err(), "what is gone is gone");
}

#[test]
fn sessions_whose_files_are_nowhere_are_named() {
    let dir = day();
    run(dir.path(), true);
    fs::remove_dir_all(dir.path().join("compacted")).expect("there");
    let done = restore(dir.path(), &Disk::default()).expect("looked through");
    assert_eq!((done.days, done.sessions), (0, 5));
    let named: Vec<(&str, usize)> = done.incomplete.iter().map(|s| (s.session.as_str(), s.missing.len())).collect();
    assert_eq!(named, [("s0", 2), ("s1", 2), ("s2", 1), ("s3", 2)]);
}

#[test]
fn a_day_with_damage_is_left_as_it_is_and_named() {
    let dir = day();
    let path = dir.path().join(format!("motion/{DATE}/s1.parquet"));
    let mut bytes = fs::read(&path).expect("there");
    bytes[60] ^= 8;
    fs::write(&path, bytes).expect("room");
    let seen = tables(dir.path());
    let done = run(dir.path(), true);
    assert_eq!((done.days.len(), tables(dir.path())), (0, seen));
    assert_eq!(done.left[0].reason, format!("motion/{DATE}/s1.parquet does not match its hash"));
}

#[test]
fn damage_to_a_day_file_costs_the_rows_it_lies_in_and_is_named() {
    let dir = day();
    run(dir.path(), true);
    let path = dir.path().join(format!("motion/{DATE}/day-1.parquet"));
    let mut bytes = fs::read(&path).expect("there");
    bytes[60] ^= 8;
    fs::write(&path, bytes).expect("room");
    let dataset = Dataset::open(dir.path()).expect("a dataset");
    let sessions = dataset.sessions(&Filter::default());
    let mut damaged = Vec::new();
    for session in &sessions {
        let mut rows = session.rows(tallywheel_schemas::Table::Decoded(Domain::Motion), &["wheel_speed_m_s"]);
        let read: usize = rows.by_ref().map(|b| b.num_rows()).sum();
        let damage = rows.into_damage();
        damaged.push((read, damage.iter().map(|d| d.rows).sum::<u64>()));
    }
    assert_eq!(damaged, [(150, 100), (250, 0), (250, 0), (250, 0), (250, 0)], "only the first row group of s0");
}

#[test]
fn a_compacted_dataset_can_be_collected_from_and_into() {
    let (dir, into) = (day(), tempfile::tempdir().expect("a directory"));
    let whole = sealed(dir.path());
    run(dir.path(), true);
    let source = [Source::open(&dir.path().to_string_lossy()).expect("a source")];
    let found = collect(&source, &CollectOptions::new(into.path()), &Silent).expect("collected");
    assert_eq!((found.count(Outcome::Copied), found.has_faults()), (5, false));
    assert_eq!(sealed(into.path()), whole);
    run(into.path(), true);
    let again = collect(&source, &CollectOptions::new(into.path()), &Silent).expect("collected");
    assert_eq!((again.count(Outcome::There), again.bytes), (5, 0));
}

/// Stopped at every single step of compacting and of changing places, every session's bytes are to be had, no engine
/// sees a row twice, and the next run ends as an undisturbed one.
#[test]
fn killed_at_every_step_nothing_is_lost_and_the_next_run_completes() {
    let dir = day();
    let before = sealed(dir.path());
    run(dir.path(), true);
    let after = tables(dir.path());
    let (mut allowed, mut steps) = (0, u64::MAX);
    while allowed < steps {
        let dir = day();
        let fault = Arc::new(Fault::after(allowed));
        let options =
            CompactOptions { remove_originals: true, disk: Disk::with_fault(&fault), ..CompactOptions::default() };
        if compact(dir.path(), &options, &Silent).is_ok() {
            steps = fault.taken();
        }
        assert_eq!(sealed(dir.path()), before, "step {allowed}");
        for table in ["motion", "pack"] {
            let seen = tables(dir.path());
            let own = (0..4).filter(|i| seen.contains(&format!("{table}/{DATE}/s{i}.parquet"))).count();
            assert!(own == 0 || !seen.contains(&format!("{table}/{DATE}/day-1.parquet")), "step {allowed}: {seen:?}");
        }
        run(dir.path(), true);
        assert_eq!((sealed(dir.path()), tables(dir.path())), (before.clone(), after.clone()), "step {allowed}");
        allowed += 1;
    }
    assert!(steps > 30, "{steps}");
    let (mut allowed, mut steps) = (0, u64::MAX);
    while allowed < steps {
        let dir = day();
        let seen = tables(dir.path());
        run(dir.path(), true);
        let fault = Arc::new(Fault::after(allowed));
        if restore(dir.path(), &Disk::with_fault(&fault)).is_ok() {
            steps = fault.taken();
        }
        assert_eq!(sealed(dir.path()), before, "step {allowed} of taking back");
        restore(dir.path(), &Disk::default()).expect("restored");
        assert_eq!((sealed(dir.path()), tables(dir.path())), (before.clone(), seen), "step {allowed} of taking back");
        allowed += 1;
    }
    assert!(steps > 30, "{steps}");
}
