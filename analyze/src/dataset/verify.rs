//! Checking a file's bytes against its manifest before any decoder sees them.
//!
//! The parquet decoder trusts its input: a flipped byte usually reads as a wrong value without an error, and a
//! damaged footer can make it panic. So the whole file is hashed first. Where that fails, the row groups whose own
//! hash still holds are kept, provided the footer describes exactly the layout that the manifest recorded: the
//! footer has no hash of its own.

use std::{
    fs,
    panic::{AssertUnwindSafe, catch_unwind},
    path::{Component, Path},
};

use bytes::Bytes;
use parquet::{
    arrow::arrow_reader::{ArrowReaderMetadata, ArrowReaderOptions},
    file::metadata::ParquetMetaData,
};
use tallywheel_schemas::{
    Digest, Table,
    manifest::{FileRecord, RowGroupRecord},
};

use super::Damage;

/// A file whose bytes can be decoded.
pub(super) struct Verified {
    pub(super) bytes: Bytes,
    pub(super) metadata: ArrowReaderMetadata,
    /// Row groups that match their hash.
    pub(super) groups: Vec<usize>,
}

/// Reads a file whole and keeps what matches the manifest; the rest becomes damage.
pub(super) fn verify(root: &Path, record: &FileRecord, damage: &mut Vec<Damage>) -> Option<Verified> {
    match load(root, record) {
        Ok(bytes) if Digest::of(&bytes) == record.blake3 => match footer(&bytes) {
            Ok(metadata) => {
                let groups = (0..metadata.metadata().num_row_groups()).collect();
                Some(Verified { bytes, metadata, groups })
            }
            Err(reason) => lost(record, damage, record.rows, &format!("sealed in this state: {reason}")),
        },
        Ok(bytes) => salvage(bytes, record, damage),
        Err(reason) => lost(record, damage, record.rows, &reason),
    }
}

/// Whether a file still has the bytes that its record vouches for.
pub(super) fn matches(root: &Path, record: &FileRecord) -> bool {
    load(root, record).is_ok_and(|bytes| Digest::of(&bytes) == record.blake3)
}

fn lost(record: &FileRecord, damage: &mut Vec<Damage>, rows: u64, reason: &str) -> Option<Verified> {
    damage.push(damaged(record, rows, reason));
    None
}

pub(super) fn damaged(record: &FileRecord, rows: u64, reason: &str) -> Damage {
    Damage { table: record.table.clone(), path: record.path.clone(), rows, reason: reason.to_owned() }
}

fn load(root: &Path, record: &FileRecord) -> Result<Bytes, String> {
    let path = Path::new(&record.path);
    if path.components().any(|c| !matches!(c, Component::Normal(_))) {
        return Err("the manifest's path leaves the dataset".to_owned());
    }
    let bytes = fs::read(root.join(path)).map_err(|e| format!("cannot be read: {e}"))?;
    Ok(bytes.into())
}

/// Keeps the undamaged row groups of a file that fails its hash.
fn salvage(bytes: Bytes, record: &FileRecord, damage: &mut Vec<Damage>) -> Option<Verified> {
    let length = bytes.len() as u64;
    if length != record.bytes {
        let reason = format!("has {length} bytes where {} were sealed", record.bytes);
        return lost(record, damage, record.rows, &reason);
    }
    let (good, bad): (Vec<usize>, Vec<usize>) =
        (0..record.row_groups.len()).partition(|i| group_holds(&bytes, &record.row_groups[*i]));
    if bad.is_empty() {
        return lost(record, damage, record.rows, "the file's footer does not match its hash");
    }
    let metadata = match footer(&bytes).and_then(|m| as_recorded(m.metadata(), record).map(|()| m)) {
        Ok(metadata) => metadata,
        Err(reason) => {
            return lost(record, damage, record.rows, &format!("row groups and footer are damaged: {reason}"));
        }
    };
    for i in &bad {
        let group = &record.row_groups[*i];
        let end = group.offset.saturating_add(group.length);
        let reason = format!("row group {i}, bytes {} to {end}, does not match its hash", group.offset);
        damage.push(damaged(record, group.rows, &reason));
    }
    Some(Verified { bytes, metadata, groups: good })
}

fn group_holds(bytes: &[u8], group: &RowGroupRecord) -> bool {
    let range = usize::try_from(group.offset).ok().zip(usize::try_from(group.offset.saturating_add(group.length)).ok());
    range.and_then(|(start, end)| bytes.get(start..end)).is_some_and(|b| Digest::of(b) == group.blake3)
}

/// Decodes the footer. The decoder can panic on damaged metadata; that counts as damage too.
fn footer(bytes: &Bytes) -> Result<ArrowReaderMetadata, String> {
    let load = || ArrowReaderMetadata::load(bytes, ArrowReaderOptions::new());
    match catch_unwind(AssertUnwindSafe(load)) {
        Ok(Ok(metadata)) => Ok(metadata),
        Ok(Err(error)) => Err(error.to_string()),
        Err(_) => Err("its footer cannot be decoded".to_owned()),
    }
}

/// Whether a footer that has no hash of its own says what the manifest says: the columns of the table, and row
/// groups of the recorded rows in the recorded bytes, column after column.
fn as_recorded(metadata: &ParquetMetaData, record: &FileRecord) -> Result<(), String> {
    let schema = Table::from_name(&record.table).ok_or("unknown table")?.schema();
    let columns = metadata.file_metadata().schema_descr().columns();
    let names_differ = columns.len() != schema.fields().len()
        || columns.iter().zip(schema.fields()).any(|(c, f)| {
            c.path().string() != *f.name() || c.max_def_level() != i16::from(f.is_nullable()) || c.max_rep_level() != 0
        });
    if names_differ {
        return Err("the footer names other columns than the table has".to_owned());
    }
    let same = metadata.num_row_groups() == record.row_groups.len()
        && metadata.row_groups().iter().zip(&record.row_groups).all(|(group, recorded)| {
            let mut at = recorded.offset;
            let contiguous = group.columns().iter().all(|column| {
                let start = column.dictionary_page_offset().unwrap_or(column.data_page_offset());
                let here = u64::try_from(start).is_ok_and(|s| s == at) && column.num_values() == group.num_rows();
                at = at.saturating_add(u64::try_from(column.compressed_size()).unwrap_or(u64::MAX));
                here
            });
            contiguous
                && at == recorded.offset.saturating_add(recorded.length)
                && u64::try_from(group.num_rows()).is_ok_and(|r| r == recorded.rows)
        });
    if same { Ok(()) } else { Err("the footer describes another layout than was sealed".to_owned()) }
}
