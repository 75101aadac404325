use std::{
    collections::BTreeMap,
    fs,
    path::{Path, PathBuf},
    sync::atomic::AtomicBool,
};

use tallywheel_schemas::{
    Domain, Table, Timestamp,
    correction::{self, Correction},
};
use tempfile::TempDir;

use super::*;
use crate::{
    dataset::Filter,
    disk::{Disk, Fault},
    fixture::{Columns, Sealed},
    ledger::{read_back, write_derived},
    progress::Silent,
};

/// 2026-11-23T08:00:00Z, a Monday.
const START: i64 = 1_795_420_800_000_000;
const SECOND: i64 = 1_000_000;

fn rig(vehicle: &str, more: &str) -> String {
    format!(
        "schema = 1\nvehicle = \"{vehicle}\"\n[[port]]\nname = \"bench\"\nkind = \"text\"\ncolumns = [\"v\", \"f\"]\n\
         [[signal]]\nchannel = \"motion.wheel_speed_m_s\"\nport = \"bench\"\ncolumn = \"v\"\n\
         [[signal]]\nchannel = \"engine.fuel_rate_g_s\"\nport = \"bench\"\ncolumn = \"f\"\n{more}"
    )
}

/// Ten minutes at `speed`, `day` days after the start.
fn session(vehicle: &str, day: i64, speed: f64) -> Sealed {
    let t: Vec<i64> = (0..=600).map(|i| START + day * 86_400 * SECOND + i * SECOND).collect();
    let tables = vec![
        Columns::new(Domain::Motion, t.clone()).all("wheel_speed_m_s", vec![speed; 601]),
        Columns::new(Domain::Engine, t).all("fuel_rate_g_s", vec![0.5; 601]),
    ];
    Sealed::new(&format!("{vehicle}-{day}"), &rig(vehicle, ""), tables)
}

/// Two vehicles with two days each.
fn fleet() -> TempDir {
    let dir = tempfile::tempdir().expect("a directory");
    for vehicle in ["skerry-1", "skerry-2"] {
        for day in 0..2 {
            session(vehicle, day, 10.0 + day as f64).write(dir.path()).expect("a session");
        }
    }
    dir
}

fn run(root: &Path, options: &DeriveOptions) -> Derived {
    let dataset = Dataset::open(root).expect("a dataset");
    derive(&dataset, &dataset.sessions(&Filter::default()), options, &Silent).expect("derived")
}

fn remade(derived: &Derived) -> Vec<Remade> {
    derived
        .sessions
        .iter()
        .map(|s| match s.state {
            State::Kept => Remade::default(),
            State::Made(remade) => remade,
            ref other => panic!("{other:?}"),
        })
        .collect()
}

const NOTHING: Remade = Remade { ledger: false, trips: false, days: false };
const ALL: Remade = Remade { ledger: true, trips: true, days: true };

/// Every derived file with its bytes.
fn derived_files(root: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut directories: Vec<PathBuf> = Table::DERIVED.iter().map(|t| root.join(t.name())).collect();
    while let Some(directory) = directories.pop() {
        for entry in fs::read_dir(&directory).into_iter().flatten().flatten() {
            match entry.file_type().expect("a type").is_dir() {
                true => directories.push(entry.path()),
                false => drop(found.insert(entry.path(), fs::read(entry.path()).expect("readable"))),
            }
        }
    }
    found
}

#[test]
fn what_is_there_is_not_made_again() {
    let dir = fleet();
    assert_eq!(remade(&run(dir.path(), &DeriveOptions::default())), [ALL; 4]);
    let before = derived_files(dir.path());
    assert_eq!(before.len(), 4 * 4, "no motors, so four files a session");
    assert_eq!(remade(&run(dir.path(), &DeriveOptions::default())), [NOTHING; 4]);
    let check = DeriveOptions { check: true, ..DeriveOptions::default() };
    assert_eq!(remade(&run(dir.path(), &check)), [NOTHING; 4]);
    assert_eq!(derived_files(dir.path()), before);
}

#[test]
fn a_new_session_costs_its_own_pass_and_nothing_else() {
    let dir = fleet();
    run(dir.path(), &DeriveOptions::default());
    session("skerry-1", 5, 20.0).write(dir.path()).expect("a session");
    assert_eq!(remade(&run(dir.path(), &DeriveOptions::default())), [NOTHING, NOTHING, ALL, NOTHING, NOTHING]);
}

#[test]
fn a_changed_rig_or_calibration_makes_only_its_sessions_again() {
    let dir = fleet();
    run(dir.path(), &DeriveOptions::default());
    let mut again = session("skerry-2", 0, 10.0);
    again.rig = rig("skerry-2", "calibration = { factor = 1.02, date = \"2026-11-20\" }\n");
    again.write(dir.path()).expect("a session");
    assert_eq!(remade(&run(dir.path(), &DeriveOptions::default())), [NOTHING, NOTHING, ALL, NOTHING]);
}

#[test]
fn a_corrected_run_sheet_makes_nothing_again() {
    let dir = fleet();
    run(dir.path(), &DeriveOptions::default());
    let line = |field: &str, value: &str| Correction::new(Timestamp::from_us(1), "CD", "why", field, value.into());
    let lines = [line("run", "hl-01"), line("route", "harbour loop"), line("condition", "assist")];
    correction::append(dir.path(), "skerry-1", "skerry-1-0", &lines).expect("room");
    assert_eq!(remade(&run(dir.path(), &DeriveOptions::default())), [NOTHING; 4]);
}

#[test]
fn other_trip_rules_make_trips_and_days_again_and_no_ledger() {
    let dir = fleet();
    run(dir.path(), &DeriveOptions::default());
    let options =
        DeriveOptions { rules: TripRules { dwell_s: 60.0, ..TripRules::default() }, ..DeriveOptions::default() };
    assert_eq!(remade(&run(dir.path(), &options)), [Remade { ledger: false, ..ALL }; 4]);
    assert_eq!(remade(&run(dir.path(), &options)), [NOTHING; 4]);
}

#[test]
fn another_bin_width_makes_all_again() {
    let dir = fleet();
    run(dir.path(), &DeriveOptions::default());
    let options = DeriveOptions { bin_us: 500_000, ..DeriveOptions::default() };
    assert_eq!(remade(&run(dir.path(), &options)), [ALL; 4]);
}

/// A file as another release would have left it: one key of its metadata says something else.
fn as_of_another_release(session: &Session, table: Table, key: &'static str) {
    let read = read_back(session, table, &[]).expect("a file");
    // Leaked so that they may stand for the constant names that keys have: a few bytes in a test.
    let mut keys: Vec<(&'static str, String)> = read
        .keys
        .iter()
        .filter(|(k, _)| *k != "tallywheel.values" && *k != "ARROW:schema")
        .map(|(k, v)| (&*k.clone().leak(), v.clone()))
        .collect();
    let changed = keys.iter_mut().find(|(k, _)| *k == key).expect("the key");
    changed.1 = "0".to_owned();
    write_derived(session, &read.rows, &keys).expect("room");
}

#[test]
fn another_software_version_makes_exactly_what_it_changed() {
    let dir = fleet();
    let sessions = Dataset::open(dir.path()).expect("a dataset").sessions(&Filter::default());
    for (table, key, expected) in [
        (Table::Days, "tallywheel.days_version", Remade { days: true, ..NOTHING }),
        (Table::Trips, "tallywheel.trips_version", Remade { trips: true, days: true, ledger: false }),
        (Table::Ledger, "tallywheel.ledger_version", Remade { ledger: true, days: true, trips: false }),
    ] {
        run(dir.path(), &DeriveOptions::default());
        as_of_another_release(&sessions[1], table, key);
        if table != Table::Days {
            // The release that wrote it would have said the same in its days.
            as_of_another_release(&sessions[1], Table::Days, key);
        }
        let made = remade(&run(dir.path(), &DeriveOptions::default()));
        assert_eq!(made, [NOTHING, expected, NOTHING, NOTHING], "{table}");
    }
}

#[test]
fn a_file_that_is_taken_away_or_cut_is_made_again() {
    let dir = fleet();
    run(dir.path(), &DeriveOptions::default());
    let before = derived_files(dir.path());
    for path in before.keys() {
        for cut in [false, true] {
            if cut {
                fs::write(path, &before[path][..before[path].len() / 2]).expect("room");
            } else {
                fs::remove_file(path).expect("there");
            }
            run(dir.path(), &DeriveOptions::default());
            assert!(derived_files(dir.path()) == before, "{}", path.display());
        }
    }
}

#[test]
fn a_derived_value_that_rots_is_found_by_a_check() {
    let dir = fleet();
    run(dir.path(), &DeriveOptions::default());
    let before = derived_files(dir.path());
    let (path, bytes) = before.iter().find(|(p, _)| p.starts_with(dir.path().join("days"))).expect("days");
    let mut rotten = bytes.clone();
    rotten[200] ^= 2;
    fs::write(path, rotten).expect("room");
    let check = DeriveOptions { check: true, ..DeriveOptions::default() };
    assert_eq!(remade(&run(dir.path(), &check)), [Remade { days: true, ..NOTHING }, NOTHING, NOTHING, NOTHING]);
    assert!(derived_files(dir.path()) == before);
}

#[test]
fn a_copied_dataset_is_checked_once_and_kept() {
    let dir = fleet();
    run(dir.path(), &DeriveOptions::default());
    let now = fs::File::options().append(true).open(
        Dataset::open(dir.path()).expect("a dataset").sessions(&Filter::default())[0]
            .decoded_files()
            .next()
            .expect("a table")
            .1,
    );
    now.and_then(|f| f.set_modified(std::time::SystemTime::UNIX_EPOCH)).expect("a new time");
    assert_eq!(remade(&run(dir.path(), &DeriveOptions::default())), [NOTHING; 4]);
}

#[test]
fn damage_that_comes_later_is_named_and_its_session_counted_no_more() {
    let dir = fleet();
    run(dir.path(), &DeriveOptions::default());
    let sessions = Dataset::open(dir.path()).expect("a dataset").sessions(&Filter::default());
    let (_, path) = sessions[2].decoded_files().next().expect("a table");
    let mut bytes = fs::read(&path).expect("there");
    bytes[100] ^= 4;
    fs::write(&path, bytes).expect("room");
    let derived = run(dir.path(), &DeriveOptions::default());
    let names: Vec<&str> = derived.damaged().map(|(s, _)| s.manifest.session.as_str()).collect();
    assert_eq!(names, ["skerry-2-0"]);
    assert!(!sessions[2].derived_path(Table::Days).exists(), "an engine that reads the table would count it");
    assert_eq!(derived.tables().expect("frames").days.height(), 3);
}

#[test]
fn what_no_session_stands_behind_is_removed() {
    let dir = fleet();
    run(dir.path(), &DeriveOptions::default());
    let sessions = Dataset::open(dir.path()).expect("a dataset").sessions(&Filter::default());
    fs::remove_file(dir.path().join(sessions[0].manifest.path())).expect("there");
    let derived = run(dir.path(), &DeriveOptions::default());
    assert_eq!(derived.removed.len(), 4);
    assert!(!sessions[0].derived_path(Table::Trips).exists());
}

#[test]
fn small_tables_come_back_in_one_frame_each() {
    let dir = fleet();
    let derived = run(dir.path(), &DeriveOptions::default());
    let tables = derived.tables().expect("frames");
    assert_eq!((tables.days.height(), tables.trips.height(), tables.unread.len()), (4, 4, 0));
    let names: Vec<String> = tables.days.get_column_names().iter().map(ToString::to_string).collect();
    let expected: Vec<String> = ["vehicle".to_owned()]
        .into_iter()
        .chain(Table::Days.schema().fields().iter().map(|f| f.name().clone()))
        .collect();
    assert_eq!(names, expected);
    let distance = crate::columns::sum(&tables.days, "distance_m").expect("a column").expect("values");
    assert!((distance - 2.0 * (6000.0 + 6600.0)).abs() < 1e-6, "{distance}");
}

#[test]
fn a_dataset_that_cannot_be_written_still_gives_its_rows() {
    let dir = fleet();
    let disk = Disk::with_fault(&Arc::new(Fault::after(0)));
    let dataset = Dataset::open_on(&disk, dir.path()).expect("a dataset");
    let sessions = dataset.sessions(&Filter::default());
    let derived = derive(&dataset, &sessions, &DeriveOptions::default(), &Silent).expect("derived");
    assert!(derived.sessions.iter().all(|s| matches!(s.state, State::Unwritten { .. })));
    assert_eq!(derived.tables().expect("frames").days.height(), 4);
    assert!(derived_files(dir.path()).is_empty());
}

#[test]
fn stopping_keeps_what_is_done() {
    let dir = fleet();
    let dataset = Dataset::open(dir.path()).expect("a dataset");
    let options = DeriveOptions { stop: Some(Arc::new(AtomicBool::new(true))), ..DeriveOptions::default() };
    let stopped = derive(&dataset, &dataset.sessions(&Filter::default()), &options, &Silent).expect_err("stopped");
    assert!(stopped.to_string().starts_with("interrupted after 0 of 4 sessions"), "{stopped}");
}

/// Stopped at every single step of writing, the tables that engines would see are the whole old ones or the whole new
/// ones, and the next run ends with the same bytes as an undisturbed one.
#[test]
fn killed_at_every_step_the_next_run_completes() {
    let steps = {
        let (dir, fault) = (fleet(), Arc::new(Fault::after(u64::MAX)));
        let dataset = Dataset::open_on(&Disk::with_fault(&fault), dir.path()).expect("a dataset");
        derive(&dataset, &dataset.sessions(&Filter::default()), &one_at_a_time(), &Silent).expect("derived");
        fault.taken()
    };
    let dir = fleet();
    run(dir.path(), &one_at_a_time());
    let whole = contents(dir.path());
    assert!(steps > 50, "{steps}");
    let dir = fleet();
    for allowed in 0..steps {
        for table in Table::DERIVED {
            let _ = fs::remove_dir_all(dir.path().join(table.name()));
        }
        let disk = Disk::with_fault(&Arc::new(Fault::after(allowed)));
        let dataset = Dataset::open_on(&disk, dir.path()).expect("a dataset");
        derive(&dataset, &dataset.sessions(&Filter::default()), &one_at_a_time(), &Silent).expect("rows all the same");
        let left = contents(dir.path());
        assert!(left.iter().all(|(path, bytes)| whole.get(path) == Some(bytes)), "step {allowed}");
        run(dir.path(), &one_at_a_time());
        assert!(contents(dir.path()) == whole, "step {allowed}");
    }
}

fn one_at_a_time() -> DeriveOptions {
    DeriveOptions { jobs: Some(1), ..DeriveOptions::default() }
}

/// Derived files below the root. `days` carry their source's time of change, so theirs are compared by their rows.
fn contents(root: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let sessions = Dataset::open(root).expect("a dataset").sessions(&Filter::default());
    let days: BTreeMap<PathBuf, &Arc<Session>> = sessions.iter().map(|s| (s.derived_path(Table::Days), s)).collect();
    let below = |path: &Path| path.strip_prefix(root).expect("below the root").to_owned();
    derived_files(root)
        .into_iter()
        .map(|(path, bytes)| match days.get(&path) {
            Some(session) => {
                let rows = read_back(session, Table::Days, &[]).expect("whole").rows;
                (below(&path), rows.digest().to_string().into_bytes())
            }
            None => (below(&path), bytes),
        })
        .collect()
}

#[test]
fn one_vehicle_alone_leaves_the_others_as_they_are() {
    let dir = fleet();
    run(dir.path(), &DeriveOptions::default());
    let forget = |vehicle: &str| {
        let folder = dir.path().join(format!("sessions/vehicle={vehicle}/date=2026-11-23"));
        let path = fs::read_dir(folder).expect("a folder").next().expect("a manifest").expect("an entry").path();
        fs::remove_file(path).expect("removed");
    };
    forget("skerry-1");
    forget("skerry-2");
    let only = ["skerry-1".to_owned()];
    let dataset = Dataset::open_vehicles(dir.path(), &only).expect("a dataset");
    let sessions = dataset.sessions(&Filter::default());
    assert_eq!(sessions.iter().map(|s| s.manifest.session.as_str()).collect::<Vec<_>>(), ["skerry-1-1"]);
    let derived = derive(&dataset, &sessions, &DeriveOptions::default(), &Silent).expect("derived");
    assert_eq!(remade(&derived), [NOTHING]);
    assert!(derived.removed.len() == 4 && derived.removed.iter().all(|p| p.to_string_lossy().contains("skerry-1")));
    assert_eq!(derived_files(dir.path()).len(), 12);
}
