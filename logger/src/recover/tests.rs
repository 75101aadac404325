use std::fs;

use tallywheel_schemas::{Table, Timestamp, manifest::GapCause};

use super::*;
use crate::{
    journal::{Batch, Chunk, EndMark, Event, Header, PortEvent, Record},
    testing::{data, rows, tree, verify},
};

const RIG: &str = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bus\"\nkind = \"slcan\"\nbit_rate = 250000\n";
const SESSION: &str = "skerry-1-20261005T083000Z";
const START: i64 = 1_791_189_000_000_000;

fn at(ms: i64) -> Timestamp {
    Timestamp::from_us(START + ms * 1000)
}

/// A recording of one frame in each of four records; the last frame is spread over two.
fn journal() -> Vec<Vec<u8>> {
    let header = Header {
        session: SESSION.to_owned(),
        vehicle: "skerry-1".to_owned(),
        start_us: at(0),
        rig_file: "rig.toml".to_owned(),
        rig_text: RIG.to_owned(),
        run: None,
        software: "test".to_owned(),
        follows: None,
        begins: Vec::new(),
    };
    let batch = |offset, ms, bytes: &[u8]| {
        Record::Bytes(Batch { port: 0, offset, chunks: vec![Chunk { stamp: at(ms), bytes: bytes.to_vec() }] })
    };
    let records = [
        Record::Header(Box::new(header)),
        Record::Event(Event { port: 0, at_us: at(0), what: PortEvent::Opened }),
        batch(0, 100, b"t310101\r"),
        batch(8, 200, b"t310102\r"),
        batch(16, 300, b"t310103\rt31"),
        batch(27, 400, b"0104\r"),
        Record::End(EndMark::at(at(500))),
    ];
    records.iter().zip(0..).map(|(record, sequence)| record.encode(sequence)).collect()
}

fn dataset_with(journal: &[u8]) -> tempfile::TempDir {
    let dataset = tempfile::tempdir().expect("a temporary directory");
    let directory = dataset.path().join(".journal").join(SESSION);
    fs::create_dir_all(&directory).expect("room");
    fs::write(directory.join(JOURNAL_FILE), journal).expect("room");
    dataset
}

fn only(dataset: &Path) -> Outcome {
    let mut recoveries = recover(dataset).expect("a dataset");
    assert_eq!(recoveries.len(), 1);
    recoveries.remove(0).outcome
}

fn frames(dataset: &Path, manifest: &Manifest) -> Vec<u8> {
    rows(dataset, manifest, Table::Frames).map_or(Vec::new(), |batch| data(&batch).concat())
}

#[test]
fn a_journal_cut_anywhere_gives_every_whole_record_and_is_kept() {
    let records = journal();
    let whole = records.concat();
    let mut ends = vec![0];
    records.iter().for_each(|r| ends.push(ends.last().expect("not empty") + r.len()));
    for cut in (1..=whole.len()).filter(|cut| cut % 13 == 0 || ends.contains(cut)) {
        let dataset = dataset_with(&whole[..cut]);
        let complete = ends.iter().filter(|end| **end <= cut).count() - 1;
        let torn = !ends.contains(&cut);
        match only(dataset.path()) {
            Outcome::Unreadable { kept, .. } => {
                assert_eq!(complete, 0, "cut at {cut}");
                assert_eq!(fs::read(kept).expect("kept"), &whole[..cut]);
            }
            Outcome::Sealed { manifest, skipped } => {
                verify(dataset.path(), &manifest);
                // Frames 1 to 4 end in records 3 to 6.
                let expected: Vec<u8> = [1, 2, 3, 4][..complete.saturating_sub(2).min(4)].to_vec();
                assert_eq!(frames(dataset.path(), &manifest), expected, "cut at {cut}");
                assert_eq!(manifest.origin, Origin::Recovered);
                assert_eq!(skipped.is_some(), torn, "cut at {cut}");
                // One gap, from the last frame on, unless the recording ended.
                let last = [0, 0, 0, 100, 200, 300, 400][complete.min(6)];
                let gaps: Vec<_> = manifest.gaps.iter().map(|g| (g.start_us, g.length_us, g.cause)).collect();
                let broken = (at(last), None, GapCause::Interrupted);
                assert_eq!(gaps, if complete == records.len() { vec![] } else { vec![broken] }, "cut at {cut}");
                if let Some((skipped, kept)) = skipped {
                    assert_eq!(skipped.offset as usize, ends[complete]);
                    assert_eq!(fs::read(kept).expect("kept"), &whole[..cut]);
                    assert!(manifest.notes.iter().any(|n| n.contains("could not be read and were skipped")));
                }
            }
            other => panic!("cut at {cut}: {other:?}"),
        }
        assert!(recover(dataset.path()).expect("a dataset").is_empty(), "nothing is left to do");
    }
}

#[test]
fn a_tail_of_zeros_gives_no_rows() {
    let mut torn = journal()[..4].concat();
    torn.resize(torn.len() + 4096, 0);
    let dataset = dataset_with(&torn);
    let Outcome::Sealed { manifest, skipped } = only(dataset.path()) else { panic!("a session") };
    assert_eq!(frames(dataset.path(), &manifest), [1, 2]);
    assert_eq!(skipped.expect("a remainder").0.bytes, 4096);
}

#[test]
fn an_interrupted_recovery_is_done_again() {
    let whole = journal().concat();
    // Killed before the manifest: files under partial and final names, the journal still there.
    let dataset = dataset_with(&whole);
    let Outcome::Sealed { manifest, .. } = only(dataset.path()) else { panic!("a session") };
    let frames_path = dataset.path().join(&manifest.files[0].path);
    let stale = frames_path.with_file_name(format!(".{SESSION}.parquet.partial"));
    fs::write(&stale, "half a file").expect("room");
    fs::remove_file(dataset.path().join(manifest.path())).expect("the manifest");
    let directory = dataset.path().join(".journal").join(SESSION);
    fs::create_dir_all(&directory).expect("room");
    fs::write(directory.join(JOURNAL_FILE), &whole).expect("room");
    let Outcome::Sealed { manifest: again, .. } = only(dataset.path()) else { panic!("a session") };
    assert_eq!(again.files, manifest.files);
    assert!(!stale.exists());
    // Killed after the manifest: only the journal is cleared away.
    fs::create_dir_all(&directory).expect("room");
    fs::write(directory.join(JOURNAL_FILE), &whole).expect("room");
    let before = tree(&dataset.path().join("frames"));
    assert!(matches!(only(dataset.path()), Outcome::AlreadySealed));
    assert_eq!(tree(&dataset.path().join("frames")), before);
    assert!(!directory.exists());
}

#[test]
fn a_sealed_session_with_a_damaged_file_keeps_its_journal() {
    let whole = journal().concat();
    let dataset = dataset_with(&whole);
    let Outcome::Sealed { manifest, .. } = only(dataset.path()) else { panic!("a session") };
    fs::write(dataset.path().join(&manifest.files[0].path), "damaged").expect("room");
    let directory = dataset.path().join(".journal").join(SESSION);
    fs::create_dir_all(&directory).expect("room");
    fs::write(directory.join(JOURNAL_FILE), &whole).expect("room");
    assert!(matches!(only(dataset.path()), Outcome::Failed(RecoverError::Damaged(_))));
    assert!(directory.join(JOURNAL_FILE).exists());
}

#[test]
fn a_live_recording_is_left_alone() {
    let dataset = dataset_with(&journal().concat());
    let directory = dataset.path().join(".journal").join(SESSION);
    let Existing::Free(lock) = SessionLock::of_existing(&directory).expect("a lock") else { panic!("nobody else") };
    assert!(matches!(only(dataset.path()), Outcome::InWork));
    drop(lock);
    assert!(matches!(only(dataset.path()), Outcome::Sealed { .. }));
}

#[test]
fn what_no_reader_understands_is_kept_and_another_release_waits() {
    let dataset = dataset_with(b"not a journal at all");
    let Outcome::Unreadable { reason, kept } = only(dataset.path()) else { panic!("unreadable") };
    assert_eq!(reason, "no record begins here");
    assert_eq!(fs::read(kept).expect("kept"), b"not a journal at all");
    let mut newer = journal().concat();
    newer[4] = 9;
    let dataset = dataset_with(&newer);
    let Outcome::Failed(error) = only(dataset.path()) else { panic!("another release") };
    assert!(error.to_string().contains("seal it with the release that wrote it"), "{error}");
    assert!(dataset.path().join(".journal").join(SESSION).join(JOURNAL_FILE).exists());
}

#[test]
fn an_empty_leftover_is_cleared_away() {
    let dataset = dataset_with(b"");
    assert!(matches!(only(dataset.path()), Outcome::Nothing));
    assert!(tree(dataset.path()).is_empty());
}
