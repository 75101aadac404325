//! One damaged journal: read, or recovered on the disk, and judged.

use std::{
    fs::{self, File},
    ops::Range,
    panic::{AssertUnwindSafe, catch_unwind},
    path::{Path, PathBuf},
};

use arrow::{
    array::{AsArray as _, RecordBatch},
    compute::concat_batches,
};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use rand::Rng;
use tallywheel_logger::{
    journal::{Batch, Chunk, EndMark, Event, Header, JOURNAL_FILE, JournalReader, PortEvent, Record},
    recover::{Outcome, recover},
    session::JOURNAL_DIRECTORY,
};
use tallywheel_schemas::{Manifest, Table, Timestamp};
use tempfile::TempDir;

use super::{Tally, harm::Harm};

const RIG: &str =
    "schema = 1\nvehicle = \"skerry-9\"\n[[port]]\nname = \"kit-bus\"\nkind = \"slcan\"\nbit_rate = 250000\n";
const SESSION: &str = "skerry-9-20261005T083000Z";
const START_US: i64 = 1_791_189_000_000_000;
/// Records of bytes in the journal.
const BATCHES: usize = 120;
/// Bytes of each, so that records end inside messages.
const BATCH_BYTES: usize = 250;

/// How far a case goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum JournalCase {
    /// The journal is read.
    Read,
    /// It is recovered into a session.
    Recover,
}

/// A journal as it was recorded.
#[derive(Debug)]
pub(super) struct PristineJournal {
    bytes: Vec<u8>,
    records: Vec<Record>,
    /// Where each record lies.
    places: Vec<Range<usize>>,
    /// Data of the frames that a recovery of the whole gives.
    frames: Vec<Vec<u8>>,
}

impl PristineJournal {
    /// A journal of the beginning of an slcan capture.
    pub(super) fn new(capture: &[u8]) -> Self {
        let header = Header {
            session: SESSION.to_owned(),
            vehicle: "skerry-9".to_owned(),
            start_us: Timestamp::from_us(START_US),
            rig_file: "rig.toml".to_owned(),
            rig_text: RIG.to_owned(),
            run: None,
            software: "damage".to_owned(),
            follows: None,
            begins: Vec::new(),
        };
        let at = |i: usize| Timestamp::from_us(START_US + i as i64 * 250_000);
        let mut records = vec![
            Record::Header(Box::new(header)),
            Record::Event(Event { port: 0, at_us: at(0), what: PortEvent::Opened }),
        ];
        records.extend(capture.chunks(BATCH_BYTES).take(BATCHES).enumerate().map(|(i, bytes)| {
            let chunks = vec![Chunk { stamp: at(i + 1), bytes: bytes.to_vec() }];
            Record::Bytes(Batch { port: 0, offset: (i * BATCH_BYTES) as u64, chunks })
        }));
        records.push(Record::End(EndMark::at(at(BATCHES + 1))));
        let (mut bytes, mut places) = (Vec::new(), Vec::new());
        for (record, sequence) in records.iter().zip(0..) {
            let encoded = record.encode(sequence);
            places.push(bytes.len()..bytes.len() + encoded.len());
            bytes.extend(encoded);
        }
        let mut journal = Self { bytes, records, places, frames: Vec::new() };
        let dataset = journal.lay_out(&journal.bytes);
        let Outcome::Sealed { manifest, skipped: None } = recover_only(dataset.path()) else { panic!("a session") };
        journal.frames = frames(dataset.path(), &manifest);
        assert_eq!(journal.frames.len(), journal.messages(journal.records.len()), "every message comes back");
        journal
    }

    /// A dataset with this journal waiting in it.
    fn lay_out(&self, bytes: &[u8]) -> TempDir {
        let dataset = TempDir::new().expect("a temporary directory");
        let path = journal_path(dataset.path());
        fs::create_dir_all(path.parent().expect("a parent")).expect("room");
        fs::write(path, bytes).expect("room");
        dataset
    }

    /// Records that lie whole before the first changed byte.
    fn whole_records(&self, harmed: &[u8]) -> usize {
        let changed = self.bytes.iter().zip(harmed).take_while(|(a, b)| a == b).count();
        self.places.iter().take_while(|place| place.end <= changed).count()
    }

    /// Whole messages in the first so many records: each ends with a carriage return.
    fn messages(&self, records: usize) -> usize {
        let returns = |record: &Record| match record {
            Record::Bytes(batch) => batch.chunks.iter().flat_map(|c| &c.bytes).filter(|b| **b == b'\r').count(),
            _ => 0,
        };
        self.records[..records].iter().map(returns).sum()
    }
}

fn journal_path(dataset: &Path) -> PathBuf {
    dataset.join(JOURNAL_DIRECTORY).join(SESSION).join(JOURNAL_FILE)
}

/// Damages the journal and judges what is read. Says what was done.
pub(super) fn judge(journal: &PristineJournal, depth: JournalCase, rng: &mut impl Rng, tally: &mut Tally) -> String {
    let (harm, harmed) = Harm::to_journal(&journal.bytes, rng);
    tally.files += 1;
    tally.journals += 1;
    harm.count(tally);
    judge_reading(journal, &harmed, tally);
    if depth == JournalCase::Recover {
        tally.recoveries += 1;
        judge_recovery(journal, &harmed, tally);
    }
    format!("journal: {harm}")
}

fn judge_reading(journal: &PristineJournal, harmed: &[u8], tally: &mut Tally) {
    let read = || {
        let mut reader = JournalReader::new(harmed, PathBuf::from(JOURNAL_FILE), harmed.len() as u64);
        let records: Vec<Record> = std::iter::from_fn(|| reader.next().expect("memory reads")).collect();
        (records, reader.skipped().cloned())
    };
    let Ok((records, skipped)) = catch_unwind(AssertUnwindSafe(read)) else { return };
    let whole = journal.whole_records(harmed);
    tally.silently_wrong += u64::from(!journal.records.starts_with(&records));
    tally.undamaged_lost += u64::from(records.len() < whole);
    // A cut between two records leaves no torn one, but no end mark either.
    let noticed = skipped.is_some() || !matches!(records.last(), Some(Record::End(_)));
    tally.unnoticed += u64::from(!noticed);
    let read: u64 = journal.places.get(..records.len()).and_then(<[_]>::last).map_or(0, |p| p.end as u64);
    tally.misstated +=
        u64::from(skipped.is_some_and(|s| s.offset != read || s.offset + s.bytes != harmed.len() as u64));
}

fn judge_recovery(journal: &PristineJournal, harmed: &[u8], tally: &mut Tally) {
    let dataset = journal.lay_out(harmed);
    let Ok(outcome) = catch_unwind(AssertUnwindSafe(|| recover_only(dataset.path()))) else { return };
    let whole = journal.whole_records(harmed);
    let is_kept = |path: &Path| fs::read(path).is_ok_and(|bytes| bytes == harmed);
    match outcome {
        Outcome::Sealed { manifest, skipped } => {
            let read = frames(dataset.path(), &manifest);
            tally.silently_wrong += u64::from(!journal.frames.starts_with(&read));
            tally.undamaged_lost += u64::from(read.len() < journal.messages(whole));
            let kept = skipped.as_ref().is_none_or(|(_, path)| is_kept(path));
            tally.undamaged_lost += u64::from(!kept);
            let said = manifest.notes.iter().any(|n| n.contains("interrupted") || n.contains("could not be read"));
            tally.unnoticed += u64::from(!said);
        }
        Outcome::Unreadable { kept, .. } => tally.undamaged_lost += u64::from(whole > 0 || !is_kept(&kept)),
        // Another version, as far as the damaged header says: the journal waits where it is.
        Outcome::Failed(_) => tally.undamaged_lost += u64::from(whole > 0 || !is_kept(&journal_path(dataset.path()))),
        Outcome::Nothing => tally.undamaged_lost += u64::from(!harmed.is_empty()),
        Outcome::AlreadySealed | Outcome::InWork => tally.undamaged_lost += 1,
    }
}

fn recover_only(dataset: &Path) -> Outcome {
    recover(dataset).expect("a dataset").pop().expect("one journal").outcome
}

/// Data of a session's frames.
fn frames(dataset: &Path, manifest: &Manifest) -> Vec<Vec<u8>> {
    let Some(record) = manifest.file(Table::Frames) else { return Vec::new() };
    let file = File::open(dataset.join(&record.path)).expect("the table");
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).expect("Parquet").build().expect("Parquet");
    let batches: Vec<RecordBatch> = reader.map(|b| b.expect("a batch")).collect();
    let rows = concat_batches(&Table::Frames.schema(), &batches).expect("one schema");
    rows.column_by_name("data").expect("a column").as_binary::<i32>().iter().flatten().map(<[u8]>::to_vec).collect()
}
