use std::{collections::BTreeMap, fs, sync::Arc};

use tallywheel_schemas::{
    Domain, Manifest, Timestamp,
    correction::{self, Correction},
};
use tempfile::TempDir;

use super::*;
use crate::{
    disk::Fault,
    fixture::{Columns, Sealed},
    progress::Silent,
};

const START: i64 = 1_795_420_800_000_000;
const SECOND: i64 = 1_000_000;

fn rig(vehicle: &str) -> String {
    format!(
        "schema = 1\nvehicle = \"{vehicle}\"\n[[port]]\nname = \"bench\"\nkind = \"text\"\ncolumns = [\"v\"]\n\
         [[signal]]\nchannel = \"motion.wheel_speed_m_s\"\nport = \"bench\"\ncolumn = \"v\"\n"
    )
}

fn write(root: &Path, session: &str, vehicle: &str, day: i64, speed: f64) -> Manifest {
    let t: Vec<i64> = (0..200).map(|i| START + day * 86_400 * SECOND + i * SECOND).collect();
    let motion = Columns::new(Domain::Motion, t.clone()).all("wheel_speed_m_s", (0..200).map(|i| speed + i as f64));
    let pack = Columns::new(Domain::Pack, t).all("voltage_v", vec![96.0; 200]);
    Sealed { group_rows: 100, ..Sealed::new(session, &rig(vehicle), vec![motion, pack]) }
        .write(root)
        .expect("a session")
}

/// A card of one vehicle with two sessions.
fn card(vehicle: &str) -> TempDir {
    let dir = tempfile::tempdir().expect("a directory");
    for day in 0..2 {
        write(dir.path(), &format!("{vehicle}-{day}"), vehicle, day, 10.0);
    }
    dir
}

fn source(dir: &TempDir) -> Source {
    Source::open(&dir.path().to_string_lossy()).expect("a source")
}

fn gather(from: &[Source], into: &Path) -> Collected {
    collect(from, &CollectOptions::new(into), &Silent).expect("collected")
}

/// Every visible file below a directory, with its bytes.
fn files(root: &Path) -> BTreeMap<String, Vec<u8>> {
    let (mut found, mut directories) = (BTreeMap::new(), vec![root.to_owned()]);
    while let Some(directory) = directories.pop() {
        for entry in fs::read_dir(&directory).expect("readable").flatten() {
            if entry.file_name().to_string_lossy().starts_with('.') {
                continue;
            }
            let path = entry.path();
            if path.is_dir() {
                directories.push(path);
            } else {
                let name = path.strip_prefix(root).expect("below").to_string_lossy().into_owned();
                found.insert(name, fs::read(&path).expect("readable"));
            }
        }
    }
    found
}

fn union_of(dirs: &[&TempDir]) -> BTreeMap<String, Vec<u8>> {
    dirs.iter().flat_map(|d| files(d.path())).collect()
}

#[test]
fn sessions_of_all_sources_are_there_byte_for_byte_and_a_second_run_does_nothing() {
    let (a, b, into) = (card("skerry-1"), card("skerry-2"), tempfile::tempdir().expect("a directory"));
    let sources = [source(&a), source(&b)];
    let first = gather(&sources, into.path());
    assert_eq!((first.count(Outcome::Copied), first.sessions.len(), first.has_faults()), (4, 4, false));
    assert_eq!(files(into.path()), union_of(&[&a, &b]));
    let second = gather(&sources, into.path());
    assert_eq!((second.count(Outcome::There), second.bytes), (4, 0));
    assert_eq!(files(into.path()), union_of(&[&a, &b]));
}

#[test]
fn the_same_name_with_other_content_is_a_conflict_and_stays_apart() {
    let (a, into) = (card("skerry-1"), tempfile::tempdir().expect("a directory"));
    write(into.path(), "skerry-1-0", "skerry-1", 0, 99.0);
    let before = files(into.path());
    let found = gather(&[source(&a)], into.path());
    assert_eq!((found.count(Outcome::Conflict), found.count(Outcome::Copied)), (1, 1));
    assert!(found.has_faults());
    assert_eq!(found.sessions[0].reason.as_deref(), Some("the dataset has other content under this name"));
    assert!(before.iter().all(|(path, bytes)| files(into.path())[path] == *bytes), "nothing is replaced");
    // Of another vehicle, the name is taken all the same.
    let other = tempfile::tempdir().expect("a directory");
    write(other.path(), "skerry-1-0", "skerry-7", 0, 1.0);
    let reason = gather(&[source(&other)], into.path()).sessions.remove(0).reason.expect("a reason");
    assert!(reason.starts_with("the dataset has a session of this name at sessions/vehicle=skerry-1/"), "{reason}");
}

#[test]
fn two_sources_with_one_name_and_two_contents_are_named() {
    let (a, b, into) = (card("skerry-1"), tempfile::tempdir().expect("b"), tempfile::tempdir().expect("into"));
    write(b.path(), "skerry-1-0", "skerry-1", 0, 99.0);
    let found = gather(&[source(&a), source(&b)], into.path());
    assert_eq!((found.count(Outcome::Conflict), found.count(Outcome::Copied)), (1, 2));
}

#[test]
fn a_damaged_file_is_taken_from_the_next_source_that_has_it_whole() {
    let (a, into) = (card("skerry-1"), tempfile::tempdir().expect("a directory"));
    let b = tempfile::tempdir().expect("a copy");
    for (name, bytes) in files(a.path()) {
        let path = b.path().join(name);
        fs::create_dir_all(path.parent().expect("above")).expect("room");
        fs::write(path, bytes).expect("room");
    }
    let motion = a.path().join("motion/vehicle=skerry-1/date=2026-11-23/skerry-1-0.parquet");
    let mut bytes = fs::read(&motion).expect("there");
    bytes[50] ^= 1;
    fs::write(&motion, bytes).expect("room");
    let alone = gather(&[source(&a)], into.path());
    assert_eq!((alone.count(Outcome::Damaged), alone.count(Outcome::Copied)), (1, 1));
    let reason = alone.sessions[0].reason.as_deref().expect("a reason");
    assert!(
        reason.ends_with("motion/vehicle=skerry-1/date=2026-11-23/skerry-1-0.parquet does not match its hash"),
        "{reason}"
    );
    assert!(!files(into.path()).keys().any(|p| p.contains("skerry-1-0")), "nothing of it appears");
    let both = gather(&[source(&a), source(&b)], into.path());
    assert_eq!((both.count(Outcome::Copied), both.count(Outcome::There), both.has_faults()), (1, 1, false));
    assert_eq!(files(into.path()), files(b.path()));
}

#[test]
fn an_altered_or_misplaced_manifest_is_damage() {
    let (a, into) = (card("skerry-1"), tempfile::tempdir().expect("a directory"));
    let directory = a.path().join("sessions/vehicle=skerry-1/date=2026-11-23");
    let text = fs::read_to_string(directory.join("skerry-1-0.json")).expect("there");
    fs::write(directory.join("skerry-1-0.json"), text.replace("made up", "made  up")).expect("room");
    fs::write(directory.join("copy.json"), text).expect("room");
    let found = gather(&[source(&a)], into.path());
    let reasons: Vec<&str> = found.sessions.iter().filter_map(|s| s.reason.as_deref()).collect();
    assert_eq!(
        reasons,
        [
            "its manifest belongs at sessions/vehicle=skerry-1/date=2026-11-23/skerry-1-0.json",
            "its manifest was altered after sealing"
        ]
    );
    assert_eq!(found.count(Outcome::Copied), 1);
}

#[test]
fn a_recording_is_named_and_left_alone() {
    let (a, into) = (card("skerry-1"), tempfile::tempdir().expect("a directory"));
    let journal = a.path().join(".journal/skerry-1-live");
    fs::create_dir_all(&journal).expect("room");
    fs::write(journal.join("bench.journal"), "x").expect("room");
    let found = gather(&[source(&a)], into.path());
    let live = found.sessions.iter().find(|s| s.session == "skerry-1-live").expect("named");
    assert_eq!((live.outcome, found.has_faults()), (Outcome::Unfinished, false));
    assert!(!into.path().join(".journal").exists());
}

#[test]
fn a_missing_file_of_a_session_that_is_there_comes_back() {
    let (a, into) = (card("skerry-1"), tempfile::tempdir().expect("a directory"));
    gather(&[source(&a)], into.path());
    fs::remove_file(into.path().join("pack/vehicle=skerry-1/date=2026-11-23/skerry-1-0.parquet")).expect("there");
    let found = gather(&[source(&a)], into.path());
    assert_eq!((found.count(Outcome::Mended), found.count(Outcome::There)), (1, 1));
    assert_eq!(files(into.path()), files(a.path()));
}

#[test]
fn corrections_are_added_and_contradictions_named() {
    let (a, into) = (card("skerry-1"), tempfile::tempdir().expect("a directory"));
    let add = |root: &Path, who: &str, field: &str, value: &str| {
        let line = Correction::new(Timestamp::from_us(1), who, "why", field, value.into());
        correction::append(root, "skerry-1", "skerry-1-0", &[line]).expect("room");
    };
    let whole = [("run", "hl-01"), ("route", "harbour loop"), ("condition", "assist")];
    whole.iter().for_each(|(field, value)| add(a.path(), "CD", field, value));
    assert_eq!(gather(&[source(&a)], into.path()).corrections[0].added, 3);
    add(into.path(), "EF", "notes", "wet");
    add(a.path(), "CD", "driver", "GH");
    assert_eq!(gather(&[source(&a)], into.path()).corrections[0].added, 1);
    assert_eq!(correction::read(into.path(), "skerry-1", "skerry-1-0").expect("readable").len(), 5);
    add(into.path(), "EF", "driver", "IJ");
    add(a.path(), "CD", "driver", "KL");
    let found = gather(&[source(&a)], into.path());
    assert!(found.has_faults() && found.corrections[0].reason.is_some());
    assert_eq!(correction::read(into.path(), "skerry-1", "skerry-1-0").expect("readable").len(), 6);
}

#[test]
fn copies_of_one_drive_under_several_names_are_named() {
    let (a, into) = (card("skerry-1"), tempfile::tempdir().expect("a directory"));
    write(a.path(), "renamed", "skerry-1", 0, 10.0);
    let found = gather(&[source(&a)], into.path());
    assert_eq!(found.count(Outcome::Copied), 3);
    assert_eq!(found.twins.len(), 1);
    assert_eq!(found.twins[0].reason, "both were recorded at once for 199 s");
    assert!(found.has_faults());
}

/// A long recording with two short ones in it, and a capture that was imported for two vehicles.
#[test]
fn every_pair_and_every_copy_of_a_capture_is_named() {
    use tallywheel_schemas::manifest::{CaptureRecord, Origin};
    let dir = tempfile::tempdir().expect("a directory");
    write(dir.path(), "long", "skerry-1", 0, 10.0);
    let root = dir.path();
    let altered = |session: &str, vehicle: &str, change: &dyn Fn(&mut Manifest)| {
        write(root, session, vehicle, 0, 10.0);
        let path = root.join(format!("sessions/vehicle={vehicle}/date=2026-11-23/{session}.json"));
        let mut manifest = Manifest::read(&path).expect("a manifest");
        change(&mut manifest);
        fs::write(&path, manifest.sealed().to_json()).expect("room");
    };
    for (session, from) in [("short-1", 20), ("short-2", 100)] {
        altered(session, "skerry-1", &|m| {
            m.start_us = m.start_us.plus_us(from * 1_000_000);
            m.end_us = m.start_us.plus_us(30_000_000);
        });
    }
    for (session, vehicle) in [("x", "skerry-2"), ("y", "skerry-3")] {
        altered(session, vehicle, &|m| {
            let capture = |port: &str| CaptureRecord {
                port: port.to_owned(),
                file: "drive.log".to_owned(),
                bytes: 12,
                blake3: tallywheel_schemas::Digest::of(b"drive"),
            };
            m.origin = Origin::Imported(vec![capture("a"), capture("b")]);
        });
    }
    let found = twins::find(&Dataset::open(root).expect("a dataset").sessions(&Filter::default()));
    let said: Vec<(&str, String)> = found.iter().map(|t| (t.vehicle.as_str(), t.sessions.join(" "))).collect();
    let expected = [("skerry-2, skerry-3", "x y"), ("skerry-1", "long short-1"), ("skerry-1", "long short-2")];
    assert_eq!(said, expected.map(|(v, s)| (v, s.to_owned())));
}

#[test]
fn a_second_process_waits_outside_and_the_dataset_itself_is_no_source() {
    let (a, into) = (card("skerry-1"), tempfile::tempdir().expect("a directory"));
    let _held = Destination::open(&Disk::default(), into.path()).expect("opened");
    let busy = collect(&[source(&a)], &CollectOptions::new(into.path()), &Silent).expect_err("busy");
    assert!(matches!(busy, CollectError::Lock(LockError::Busy { .. })), "{busy}");
    let itself = collect(&[source(&a)], &CollectOptions::new(a.path()), &Silent).expect_err("itself");
    assert!(matches!(itself, CollectError::Itself { .. }), "{itself}");
}

/// Stopped at every single step, nothing is visible that does not hold, and the next run ends as an undisturbed one.
#[test]
fn killed_at_every_step_the_next_run_completes() {
    let (a, b) = (card("skerry-1"), card("skerry-2"));
    let line = Correction::new(Timestamp::from_us(1), "CD", "why", "notes", "wet".into());
    correction::append(a.path(), "skerry-1", "skerry-1-0", &[line]).expect("room");
    let sources = [source(&a), source(&b)];
    let whole = union_of(&[&a, &b]);
    let mut steps = u64::MAX;
    let mut allowed = 0;
    while allowed < steps {
        let into = tempfile::tempdir().expect("a directory");
        let fault = Arc::new(Fault::after(allowed));
        let options = CollectOptions { disk: Disk::with_fault(&fault), jobs: 1, ..CollectOptions::new(into.path()) };
        let ended = collect(&sources, &options, &Silent);
        if ended.is_ok() {
            steps = fault.taken();
        }
        let left = files(into.path());
        assert!(left.iter().all(|(path, bytes)| whole.get(path) == Some(bytes)), "step {allowed}");
        for manifest in left.keys().filter(|p| p.starts_with("sessions/")) {
            let manifest = Manifest::read(&into.path().join(manifest)).expect("whole");
            assert!(manifest.files.iter().all(|f| left.contains_key(&f.path)), "step {allowed}");
        }
        gather(&sources, into.path());
        assert_eq!(files(into.path()), whole, "step {allowed}");
        allowed += 1;
    }
    assert!(steps > 60, "{steps}");
}

#[test]
fn what_an_interrupted_run_fetched_is_gone_on_from_and_never_trusted() {
    let a = card("skerry-1");
    let manifest = Manifest::read(&a.path().join("sessions/vehicle=skerry-1/date=2026-11-23/skerry-1-0.json"))
        .expect("a manifest");
    let record = &manifest.files[0];
    let sound = fs::read(a.path().join(&record.path)).expect("there");
    let half = sound.len() / 2;
    let total: usize = union_of(&[&a]).iter().filter(|(p, _)| !p.starts_with("sessions/")).map(|(_, b)| b.len()).sum();
    let flipped: Vec<u8> = sound[..half].iter().map(|b| b ^ 1).collect();
    let longer: Vec<u8> = sound.iter().chain(b"more").copied().collect();
    for (left, fetched) in [
        (&sound[..half], total - half),
        (&sound[..], total - sound.len()),
        // Wrong bytes: the rest, then the whole again.
        (&flipped[..], total + sound.len() - half),
        (&longer[..], total),
    ] {
        let into = tempfile::tempdir().expect("a directory");
        let part = Destination::open(&Disk::default(), into.path()).expect("opened").part("skerry-1-0", record);
        fs::write(&part, left).expect("room");
        let found = gather(&[source(&a)], into.path());
        assert_eq!((found.count(Outcome::Copied), found.bytes), (2, fetched as u64), "{} bytes left", left.len());
        assert_eq!(files(into.path()), files(a.path()));
    }
}

#[test]
fn what_is_no_dataset_is_refused_by_name() {
    let (empty, into) = (tempfile::tempdir().expect("a directory"), tempfile::tempdir().expect("a directory"));
    let error = collect(&[source(&empty)], &CollectOptions::new(into.path()), &Silent).expect_err("empty").to_string();
    assert!(error.contains("not a dataset"), "{error}");
    let error = Source::open("/no/such/card").expect_err("missing").to_string();
    assert_eq!(error, "/no/such/card: not a directory");
    assert_eq!(
        Source::open("s3://").expect_err("no bucket").to_string(),
        "s3://: write s3://BUCKET or s3://BUCKET/PREFIX"
    );
}
