//! Ledgers kept in the dataset as Parquet, and believed only if everything they depend on is still the same.
//!
//! Beside the rows the file's key-value metadata hold the session's content hash, [`LEDGER_VERSION`], the bin width,
//! the findings as JSON and a hash of the values. Files are written under a name of their own and renamed, so two
//! processes at once each leave a whole file. A dataset that cannot be written to is no fault.

use std::{
    collections::HashMap,
    fs, io,
    panic::{AssertUnwindSafe, catch_unwind},
    path::Path,
    process,
    sync::{
        Arc, Mutex, PoisonError,
        atomic::{AtomicU64, Ordering},
    },
};

use bytes::Bytes;
use parquet::{
    arrow::{
        ARROW_SCHEMA_META_KEY, ArrowWriter,
        arrow_reader::{ArrowReaderOptions, ParquetRecordBatchReaderBuilder},
        arrow_writer::{ArrowWriterOptions, compute_leaves},
        encode_arrow_schema,
    },
    basic::Compression,
    file::metadata::{FileMetaData, KeyValue},
    schema::types::ColumnPath,
};
use tallywheel_schemas::{Digest, LEDGER_VERSION, Table, table::SCHEMA_VERSION_KEY, table::WORK_DIRECTORY};

use super::{pass::Made, rows::Rows};
use crate::dataset::Session;

const CONTENT_KEY: &str = "tallywheel.content";
const VERSION_KEY: &str = "tallywheel.ledger_version";
const BIN_KEY: &str = "tallywheel.bin_us";
const CLOCK_KEY: &str = "tallywheel.clock_fit";
const FINDINGS_KEY: &str = "tallywheel.findings";
const MOTORS_KEY: &str = "tallywheel.motor_rows";
/// Key of the hash over a derived file's values and its other keys.
const VALUES_KEY: &str = "tallywheel.values";

/// A derived file as read back: its rows and its metadata.
pub(crate) struct ReadBack {
    pub(crate) rows: Rows,
    pub(crate) keys: HashMap<String, String>,
}

/// The cached ledger of a session, if it is of this content, version and bin width, and undamaged.
pub(super) fn load(session: &Session, bin_us: i64) -> Option<Made> {
    let bins = read_back(session, Table::Ledger, &derived_keys(session, bin_us))?;
    let findings = serde_json::from_str(bins.keys.get(FINDINGS_KEY)?).ok()?;
    let motors = match bins.keys.get(MOTORS_KEY)?.as_str() {
        "0" => Rows::empty(Table::MotorLedger, &session.manifest.session),
        rows => {
            let read = read_back(session, Table::MotorLedger, &derived_keys(session, bin_us))?;
            (read.rows.t_us.len().to_string() == rows).then_some(read.rows)?
        }
    };
    // A cached ledger must not outlive the tables it was made of: damage that came later is to be stated. Asked
    // last, because without a usable cache the pass reads and checks every table anyway.
    session.is_intact().then_some(Made { bins: bins.rows, motors, findings })
}

/// Keeps a ledger for later. Not one of damaged data: the file may be replaced by a sound copy, and the manifest's
/// hashes would not tell.
///
/// # Errors
/// When a file cannot be written.
pub(super) fn store(session: &Session, made: &Made) -> io::Result<()> {
    if !made.findings.damage.is_empty() {
        return Ok(());
    }
    let mut keys = derived_keys(session, made.findings.bin_us);
    // The motors first: the ledger's file says that they are there.
    if made.motors.t_us.is_empty() {
        session.disk().remove_if_there(&session.derived_path(Table::MotorLedger))?;
    } else {
        write_derived(session, &made.motors, &keys)?;
    }
    keys.push((FINDINGS_KEY, serde_json::to_string(&made.findings)?));
    keys.push((MOTORS_KEY, made.motors.t_us.len().to_string()));
    write_derived(session, &made.bins, &keys)
}

/// What every derived file says it was made of.
pub(crate) fn derived_keys(session: &Session, bin_us: i64) -> Vec<(&'static str, String)> {
    vec![
        (CONTENT_KEY, session.digest.to_string()),
        (VERSION_KEY, LEDGER_VERSION.to_string()),
        (BIN_KEY, bin_us.to_string()),
        (CLOCK_KEY, serde_json::to_string(&session.manifest.clock_fit).unwrap_or_default()),
    ]
}

/// Reads a derived file if it carries these keys and its values match their hash.
pub(crate) fn read_back(session: &Session, table: Table, wanted: &[(&'static str, String)]) -> Option<ReadBack> {
    let bytes = Bytes::from(fs::read(session.derived_path(table)).ok()?);
    let read = sound(bytes, table, &session.manifest.session)?;
    let same = wanted.iter().all(|(key, value)| read.keys.get(*key) == Some(value));
    same.then_some(read)
}

/// A derived file's content, if its values match their hash.
fn sound(bytes: Bytes, table: Table, session: &str) -> Option<ReadBack> {
    // Nothing vouches for these bytes before they are decoded, and the decoder can panic on damaged ones.
    let read = catch_unwind(AssertUnwindSafe(|| decode(bytes, table, session))).ok()??;
    let own = read.keys.iter().filter(|(key, _)| key.starts_with("tallywheel.") && *key != SCHEMA_VERSION_KEY);
    let vouched_for = read.keys.get(VALUES_KEY).is_some_and(|d| *d == vouched(&read.rows, own).to_string());
    vouched_for.then_some(read)
}

/// The rows of a derived file of which nothing is known but its bytes: `None` where it has no hash of its values, as one
/// that another program made.
///
/// # Errors
/// When the values do not match the hash.
pub(crate) fn vouched_rows(
    bytes: &Bytes,
    metadata: &FileMetaData,
    table: Table,
    session: &str,
) -> Result<Option<Rows>, String> {
    let has_hash = metadata.key_value_metadata().into_iter().flatten().any(|kv| kv.key == VALUES_KEY);
    if !has_hash {
        return Ok(None);
    }
    match sound(bytes.clone(), table, session) {
        Some(read) => Ok(Some(read.rows)),
        None => Err("its values do not match the hash that it carries".to_owned()),
    }
}

/// The rows of a derived file whose values match their hash, whatever it was made of.
pub(crate) fn read_rows(session: &Session, table: Table) -> Option<Rows> {
    read_back(session, table, &[]).map(|read| read.rows)
}

fn decode(bytes: Bytes, table: Table, session: &str) -> Option<ReadBack> {
    // Of a few rows the schema's description costs as much as all the rest.
    let options = ArrowReaderOptions::new().with_skip_arrow_metadata(true);
    let builder = ParquetRecordBatchReaderBuilder::try_new_with_options(bytes, options).ok()?;
    let pairs = builder.metadata().file_metadata().key_value_metadata()?;
    let keys = pairs.iter().filter_map(|kv| Some((kv.key.clone(), kv.value.clone()?))).collect();
    let mut rows = Rows::empty(table, session);
    for batch in builder.build().ok()? {
        rows.extend(&batch.ok()?)?;
    }
    Some(ReadBack { rows, keys })
}

/// Writes a derived file whole, under a name of its own first.
///
/// # Errors
/// When the directory or the file cannot be written.
pub(crate) fn write_derived(session: &Session, rows: &Rows, keys: &[(&'static str, String)]) -> io::Result<()> {
    static WRITES: AtomicU64 = AtomicU64::new(0);
    let (disk, path) = (session.disk(), session.derived_path(rows.table));
    let work = session.root().join(WORK_DIRECTORY);
    let number = WRITES.fetch_add(1, Ordering::Relaxed);
    let partial = work.join(format!("{}.{}.{}-{number}.partial", rows.table, rows.session, process::id()));
    let bytes = encode(rows, keys)?;
    disk.make_directory(path.parent().unwrap_or(Path::new(".")))?;
    disk.make_directory(&work)?;
    // Not synced: a file that a failing supply leaves empty is noticed and made again.
    let written = disk.write(&partial, &bytes).and_then(|()| disk.rename(&partial, &path));
    if written.is_err() {
        // What is left of a failed write is of no use; if it cannot be removed either, the first error says why.
        let _ = disk.remove_if_there(&partial);
    }
    written
}

/// Hash of the rows and of what stands beside them in any order, the hash itself left out.
fn vouched<K: AsRef<str>, V: AsRef<str>>(rows: &Rows, keys: impl Iterator<Item = (K, V)>) -> Digest {
    let line = |(key, value): (K, V)| format!("{}={}", key.as_ref(), value.as_ref());
    let mut lines: Vec<String> = keys.filter(|(key, _)| key.as_ref() != VALUES_KEY).map(line).collect();
    lines.sort();
    Digest::of_digests([rows.digest(), Digest::of(lines.join("\n").as_bytes())])
}

/// The table's schema as Arrow writes it into a Parquet file. It costs as much as all the values of a few rows, and is the
/// same in every file.
fn described(table: Table) -> String {
    static DESCRIBED: Mutex<Vec<(Table, String)>> = Mutex::new(Vec::new());
    let mut known = DESCRIBED.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some((_, text)) = known.iter().find(|(t, _)| *t == table) {
        return text.clone();
    }
    let text = encode_arrow_schema(&table.schema());
    known.push((table, text.clone()));
    text
}

/// The rows as a Parquet file. Column after column, not all side by side: the compressor of each takes most of a
/// megabyte while it is at work.
fn encode(rows: &Rows, keys: &[(&'static str, String)]) -> io::Result<Vec<u8>> {
    let (schema, mut properties) = (rows.table.schema(), rows.table.writer_properties().into_builder());
    for name in rows.empty_columns(&schema) {
        // Nothing to compress, and the compressor costs as much as a column of values.
        properties = properties.set_column_compression(ColumnPath::from(name), Compression::UNCOMPRESSED);
    }
    let properties = properties.build();
    let group = properties.max_row_group_row_count().unwrap_or(usize::MAX).max(1);
    let options = ArrowWriterOptions::new().with_properties(properties).with_skip_arrow_metadata(true);
    let mut bytes = Vec::new();
    let writer = ArrowWriter::try_new_with_options(&mut bytes, Arc::clone(&schema), options)?;
    let (mut file, columns) = writer.into_serialized_writer()?;
    for (number, from) in (0..rows.t_us.len()).step_by(group).enumerate() {
        let part = from..rows.t_us.len().min(from.saturating_add(group));
        let mut row_group = file.next_row_group()?;
        for (column, mut writer) in columns.create_column_writers(number)?.into_iter().enumerate() {
            let array = rows.array(&schema, column, part.clone()).map_err(io::Error::other)?;
            for leaf in compute_leaves(schema.field(column), &array)? {
                writer.write(&leaf)?;
            }
            writer.close()?.append_to_row_group(&mut row_group)?;
        }
        row_group.close()?;
    }
    let mut note = |key: &str, value: String| file.append_key_value_metadata(KeyValue::new(key.to_owned(), value));
    note(ARROW_SCHEMA_META_KEY, described(rows.table));
    for (key, value) in keys {
        note(key, value.clone());
    }
    note(VALUES_KEY, vouched(rows, keys.iter().map(|(key, value)| (key, value))).to_string());
    file.close()?;
    Ok(bytes)
}
