//! The pristine sessions: made once through the library, kept in memory.

use std::{
    collections::BTreeMap,
    fmt::Write as _,
    fs::{self, File},
    path::{Path, PathBuf},
};

use arrow::{array::RecordBatch, compute::concat_batches};
use parquet::arrow::{ArrowWriter, arrow_reader::ParquetRecordBatchReaderBuilder};
use tallywheel_logger::import::{ImportOptions, import};
use tallywheel_schemas::{Manifest, Table, Timestamp, manifest::FileRecord};
use tempfile::TempDir;

use super::journal::PristineJournal;
use crate::sample_logs;

/// The session whose captures are imported.
const SAMPLE: &str = "captures/harbour-hop-01-assist";
const PORTS: [(&str, &str); 4] = [
    ("vehicle-bus", "vehicle-bus.slcan"),
    ("kit-bus", "kit-bus.slcan"),
    ("gps", "gps.nmea"),
    ("fuel-box", "fuel-box.csv"),
];
/// Rows kept of each table, and rows of a row group, where row groups are small.
const SMALL_ROWS: usize = 4_000;
const SMALL_GROUP_ROWS: usize = 500;
/// Frames of the generated capture: three row groups of the usual size.
const LARGE_FRAMES: u32 = 300_000;
const START: &str = "2026-10-05T08:30:00Z";

/// A file that will be damaged.
#[derive(Debug)]
pub(super) struct Victim {
    /// Name of its dataset's directory.
    pub(super) dataset: &'static str,
    /// Session.
    pub(super) manifest: Manifest,
    /// Path below the dataset's root.
    pub(super) path: PathBuf,
    /// As it was sealed.
    pub(super) bytes: Vec<u8>,
    /// The table, for what is no manifest.
    pub(super) table: Option<PristineTable>,
}

/// A table as it was sealed.
#[derive(Debug)]
pub(super) struct PristineTable {
    pub(super) table: Table,
    pub(super) record: FileRecord,
    /// Rows of each row group.
    pub(super) groups: Vec<RecordBatch>,
}

/// The pristine sessions.
#[derive(Debug)]
pub(super) struct Pool {
    /// Files of a dataset by their path below the directory that holds the datasets.
    pub(super) files: BTreeMap<PathBuf, Vec<u8>>,
    /// Files of sessions that load in no time.
    pub(super) small: Vec<Victim>,
    /// Files of a session with several row groups of the usual size.
    pub(super) large: Vec<Victim>,
    pub(super) journal: PristineJournal,
}

impl Pool {
    pub(super) fn new() -> Self {
        let directory = TempDir::new().expect("a temporary directory");
        let at = |name: &str| directory.path().join(name);
        let sample = import_sample(&at("sample"));
        let regrouped = regroup(&at("sample"), &sample, &at("regrouped"));
        let large = import_large(directory.path(), &at("large"));
        let mut small = victims("sample", &at("sample"), &sample);
        small.extend(victims("regrouped", &at("regrouped"), &regrouped));
        let mut pool = Self {
            files: BTreeMap::new(),
            small,
            large: victims("large", &at("large"), &large),
            journal: PristineJournal::new(
                &fs::read(sample_logs().join(SAMPLE).join("kit-bus.slcan")).expect("readable"),
            ),
        };
        for victim in pool.small.iter().chain(&pool.large) {
            pool.files.insert(Path::new(victim.dataset).join(&victim.path), victim.bytes.clone());
        }
        let groups = |victims: &[Victim]| victims.iter().flat_map(|v| &v.table).map(|t| t.groups.len()).max();
        assert!(groups(&pool.small) >= Some(3) && groups(&pool.large) >= Some(3), "several row groups");
        pool
    }
}

fn start() -> Option<Timestamp> {
    Some(Timestamp::parse(START, 0).expect("a time"))
}

fn import_sample(data: &Path) -> Manifest {
    let directory = sample_logs().join(SAMPLE);
    let options = ImportOptions {
        rig: sample_logs().join("rigs/skerry.toml"),
        data: data.to_owned(),
        captures: PORTS.map(|(port, file)| (port.to_owned(), directory.join(file))).to_vec(),
        start: start(),
        run_sheet: Some(directory.join("run.toml")),
        ..ImportOptions::default()
    };
    import(&options, &mut |_| {}).expect("the sample is imported")
}

/// A capture of one long drive on one bus: a counter and a slow wave.
fn import_large(directory: &Path, data: &Path) -> Manifest {
    let mut capture = String::with_capacity(LARGE_FRAMES as usize * 26);
    for i in 0..LARGE_FRAMES {
        let wave = (f64::from(i) / 5000.0).sin().mul_add(500.0, 9600.0) as u16;
        let stamp = (u64::from(i) * 7 / 5) % 60_000;
        // Writing to a string cannot fail.
        let _ = write!(capture, "t3106{:04X}{i:08X}{stamp:04X}\r", wave.swap_bytes());
    }
    let rig = "schema = 1\nvehicle = \"skerry-9\"\n[[port]]\nname = \"kit-bus\"\nkind = \"slcan\"\nbit_rate = 250000\n\
        [[signal]]\nchannel = \"pack.voltage_v\"\nport = \"kit-bus\"\nid = 0x310\nstart_bit = 0\nlength = 16\nscale = 0.01\n";
    let (rig_path, path) = (directory.join("rig.toml"), directory.join("large.slcan"));
    fs::write(&rig_path, rig).and_then(|()| fs::write(&path, capture)).expect("room");
    let options = ImportOptions {
        rig: rig_path,
        data: data.to_owned(),
        captures: vec![("kit-bus".to_owned(), path)],
        start: start(),
        ..ImportOptions::default()
    };
    import(&options, &mut |_| {}).expect("the generated capture is imported")
}

/// Writes a session again with small row groups, as the sealer would with such a limit.
fn regroup(from: &Path, manifest: &Manifest, to: &Path) -> Manifest {
    let mut manifest = manifest.clone();
    for record in &mut manifest.files {
        let table = Table::from_name(&record.table).expect("a table");
        let whole = concat_batches(&table.schema(), &read_groups(&from.join(&record.path))).expect("one schema");
        let rows = whole.num_rows().min(SMALL_ROWS);
        let path = to.join(&record.path);
        fs::create_dir_all(path.parent().expect("a parent")).expect("room");
        let file = File::create(&path).expect("room");
        let mut writer = ArrowWriter::try_new(file, table.schema(), Some(table.writer_properties())).expect("a writer");
        for at in (0..rows).step_by(SMALL_GROUP_ROWS) {
            writer.write(&whole.slice(at, SMALL_GROUP_ROWS.min(rows - at))).expect("room");
            writer.flush().expect("room");
        }
        let metadata = writer.close().expect("room");
        let (file, bytes) = (File::open(&path).expect("written"), fs::metadata(&path).expect("written").len());
        *record = FileRecord::of(table, Path::new(&record.path), &metadata, bytes, file).expect("readable");
    }
    let manifest = manifest.sealed();
    let path = to.join(manifest.path());
    fs::create_dir_all(path.parent().expect("a parent")).expect("room");
    fs::write(path, manifest.to_json()).expect("room");
    manifest
}

/// The rows of a Parquet file, one batch a row group.
fn read_groups(path: &Path) -> Vec<RecordBatch> {
    let groups = |index: usize| {
        let file = File::open(path).expect("a file");
        let builder = ParquetRecordBatchReaderBuilder::try_new(file).expect("Parquet");
        let (schema, count) = (builder.schema().clone(), builder.metadata().num_row_groups());
        let rows =
            builder.with_row_groups(if index < count { vec![index] } else { Vec::new() }).build().expect("Parquet");
        let batches: Vec<RecordBatch> = rows.map(|b| b.expect("a batch")).collect();
        (index < count).then(|| concat_batches(&schema, &batches).expect("one schema"))
    };
    (0..).map_while(groups).collect()
}

/// The files of a session, its manifest last.
fn victims(dataset: &'static str, root: &Path, manifest: &Manifest) -> Vec<Victim> {
    let tables = manifest.files.iter().map(|record| {
        let table = PristineTable {
            table: Table::from_name(&record.table).expect("a table"),
            record: record.clone(),
            groups: read_groups(&root.join(&record.path)),
        };
        (PathBuf::from(&record.path), Some(table))
    });
    let victim = |(path, table): (PathBuf, _)| Victim {
        dataset,
        manifest: manifest.clone(),
        bytes: fs::read(root.join(&path)).expect("a file"),
        path,
        table,
    };
    tables.chain([(manifest.path(), None)]).map(victim).collect()
}
