//! Checking a file's bytes against its manifest before any decoder sees them.
//!
//! The parquet decoder trusts its input: a flipped byte usually reads as a wrong value without an error, and a
//! damaged footer can make it panic. So the whole file is hashed first. Where that fails, the row groups whose own
//! hash still holds are kept, provided that the footer, which says where every value is, holds as well: by its own
//! hash, or, for manifests of early releases that have none, by describing exactly the layout that was recorded.
//! What was appended to a file is cut off; damage outside row groups and footer, as to the magic at the head, costs no
//! row.

use std::{
    ops::Range,
    panic::{AssertUnwindSafe, catch_unwind},
};

use bytes::Bytes;
use parquet::{
    arrow::arrow_reader::{ArrowReaderMetadata, ArrowReaderOptions},
    file::metadata::ParquetMetaData,
};
use tallywheel_schemas::{
    Digest, Table,
    compacted::{SealedFileError, SealedFiles},
    manifest::FileRecord,
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
pub(super) fn verify(files: &SealedFiles, record: &FileRecord, damage: &mut Vec<Damage>) -> Option<Verified> {
    let bytes = match load(files, record) {
        Ok(bytes) => bytes,
        Err(reason) => return lost(record, damage, record.rows, &reason),
    };
    let found = bytes.len() as u64;
    let bytes = without_appended(bytes, record);
    let verified =
        if Digest::of(&bytes) == record.blake3 { whole(bytes, record, damage) } else { salvage(bytes, record, damage) };
    if verified.is_some() && found > record.bytes {
        let reason = format!("has {found} bytes where {} were sealed; what is behind them is ignored", record.bytes);
        damage.push(damaged(record, 0, &reason));
    }
    verified
}

/// A file that has grown still has what was sealed.
fn without_appended(bytes: Bytes, record: &FileRecord) -> Bytes {
    match usize::try_from(record.bytes) {
        Ok(sealed) if sealed < bytes.len() => bytes.slice(..sealed),
        _ => bytes,
    }
}

/// A file that matches its hash.
fn whole(bytes: Bytes, record: &FileRecord, damage: &mut Vec<Damage>) -> Option<Verified> {
    match footer(&bytes) {
        Ok(metadata) => {
            let groups = (0..metadata.metadata().num_row_groups()).collect();
            Some(Verified { bytes, metadata, groups })
        }
        Err(reason) => lost(record, damage, record.rows, &format!("sealed in this state: {reason}")),
    }
}

/// Whether a file still has the bytes that its record vouches for.
pub(super) fn matches(files: &SealedFiles, record: &FileRecord) -> bool {
    load(files, record).is_ok_and(|bytes| Digest::of(&bytes) == record.blake3)
}

fn lost(record: &FileRecord, damage: &mut Vec<Damage>, rows: u64, reason: &str) -> Option<Verified> {
    damage.push(damaged(record, rows, reason));
    None
}

pub(super) fn damaged(record: &FileRecord, rows: u64, reason: &str) -> Damage {
    Damage { table: record.table.clone(), path: record.path.clone(), rows, reason: reason.to_owned() }
}

/// A missing file cannot be read like any other.
fn load(files: &SealedFiles, record: &FileRecord) -> Result<Bytes, String> {
    match files.read(record) {
        Ok(bytes) => Ok(bytes.into()),
        Err(SealedFileError::Missing) => Err("cannot be read: it is missing".to_owned()),
        Err(error) => Err(error.to_string()),
    }
}

/// Keeps the undamaged row groups of a file that fails its hash.
fn salvage(bytes: Bytes, record: &FileRecord, damage: &mut Vec<Damage>) -> Option<Verified> {
    let length = bytes.len() as u64;
    if length < record.bytes {
        let reason = format!("has {length} bytes where {} were sealed", record.bytes);
        return lost(record, damage, record.rows, &reason);
    }
    let (good, bad): (Vec<usize>, Vec<usize>) = (0..record.row_groups.len()).partition(|i| {
        let group = &record.row_groups[*i];
        holds(&bytes, group.range(), group.blake3)
    });
    let metadata = match trusted_footer(&bytes, record, bad.is_empty()) {
        Ok(metadata) => metadata,
        Err(reason) => return lost(record, damage, record.rows, &reason),
    };
    if bad.is_empty() {
        damage.push(damaged(record, 0, "bytes outside its row groups and footer are not as sealed"));
    }
    for i in &bad {
        let group = &record.row_groups[*i];
        let reason = format!("row group {i}, bytes {} to {}, does not match its hash", group.offset, group.range().end);
        damage.push(damaged(record, group.rows, &reason));
    }
    Some(Verified { bytes, metadata, groups: good })
}

fn holds(bytes: &[u8], range: Range<u64>, hash: Digest) -> bool {
    let range = usize::try_from(range.start).ok().zip(usize::try_from(range.end).ok());
    range.and_then(|(start, end)| bytes.get(start..end)).is_some_and(|b| Digest::of(b) == hash)
}

/// The footer of a damaged file, if it may be believed. With a hash of its own it is not decoded before that holds.
fn trusted_footer(bytes: &Bytes, record: &FileRecord, groups_hold: bool) -> Result<ArrowReaderMetadata, String> {
    let Some(recorded) = &record.footer else {
        if groups_hold {
            return Err("the file's footer does not match its hash".to_owned());
        }
        let damaged = |reason| format!("row groups and footer are damaged: {reason}");
        let metadata = footer(bytes).map_err(damaged)?;
        as_recorded(metadata.metadata(), record).map_err(damaged)?;
        return Ok(metadata);
    };
    let range = recorded.range();
    if !holds(bytes, range.clone(), recorded.blake3) {
        return Err(format!("its footer, bytes {} to {}, does not match its hash", range.start, range.end));
    }
    let metadata = footer(bytes).map_err(|reason| format!("sealed in this state: {reason}"))?;
    if metadata.metadata().num_row_groups() == record.row_groups.len() {
        Ok(metadata)
    } else {
        Err("its footer has another number of row groups than the manifest".to_owned())
    }
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
