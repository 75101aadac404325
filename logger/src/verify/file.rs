//! One file against its record in the manifest, read once from beginning to end.

use std::{
    io::{self, Read},
    panic::{AssertUnwindSafe, catch_unwind},
};

use parquet::file::{
    metadata::{ParquetMetaData, ParquetMetaDataReader},
    reader::ChunkReader,
};
use serde::{Serialize, Serializer};
use tallywheel_schemas::manifest::{FileRecord, FooterRecord, Hashed, PartHasher, RowGroupRecord};

/// What was found about one file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FileCheck {
    /// Table name.
    pub table: String,
    /// Path below the dataset's root.
    pub path: String,
    /// Rows that were sealed.
    pub rows: u64,
    /// Each row group, in order.
    pub row_groups: Vec<GroupCheck>,
    /// What does not hold; empty for a sound file.
    pub faults: Vec<FileFault>,
}

/// What was found about one row group.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct GroupCheck {
    /// Rows.
    pub rows: u64,
    /// Its bytes match their hash.
    pub intact: bool,
}

/// Something about a file that does not hold.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FileFault {
    /// The file is not there.
    #[error("is missing")]
    Missing,
    /// The system does not give it out, so nothing is known about it.
    #[error("cannot be read: {0}")]
    Unreadable(String),
    /// The manifest names a path above the dataset.
    #[error("the manifest's path leaves the dataset")]
    Outside,
    /// It is in a compacted day that does not give it out.
    #[error("was compacted, and {0}")]
    Compacted(String),
    /// Another length.
    #[error("has {found} bytes where {sealed} were sealed")]
    Length {
        /// In the manifest.
        sealed: u64,
        /// On the disk.
        found: u64,
    },
    /// A row group's bytes are not as sealed.
    #[error("row group {index} ({rows} rows, bytes {from} to {to}) does not match its hash")]
    RowGroup {
        /// From 0.
        index: usize,
        /// Rows in it.
        rows: u64,
        /// First byte.
        from: u64,
        /// Byte behind the last.
        to: u64,
    },
    /// The footer's bytes are not as sealed; without it no row can be found.
    #[error("its footer (bytes {from} to {to}) does not match its hash, so that its rows cannot be found")]
    Footer {
        /// First byte.
        from: u64,
        /// Byte behind the last.
        to: u64,
    },
    /// The file's hash fails and no part of it says where.
    #[error("does not match its hash; the damage is outside its row groups{}", if *.footer_holds { " and footer" } else { "" })]
    Elsewhere {
        /// The footer has a hash and matches it.
        footer_holds: bool,
    },
    /// The bytes are as sealed, and yet they are no Parquet footer.
    #[error("was sealed with a footer that cannot be decoded: {0}")]
    Undecodable(String),
    /// Footer and manifest do not agree.
    #[error("its footer says {found} rows in {found_groups} row groups where the manifest says {sealed} in {groups}")]
    Rows {
        /// By the manifest.
        sealed: u64,
        /// By the footer.
        found: u64,
        /// Row groups by the manifest.
        groups: usize,
        /// Row groups by the footer.
        found_groups: usize,
    },
}

impl Serialize for FileFault {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl FileFault {
    /// Whether the file was not looked at, rather than looked at and found wrong.
    pub const fn is_unchecked(&self) -> bool {
        matches!(self, Self::Unreadable(_))
    }
}

impl FileCheck {
    /// A check that found one thing before anything could be read.
    pub(super) fn of_fault(record: &FileRecord, fault: FileFault) -> Self {
        let row_groups = record.row_groups.iter().map(|g| GroupCheck { rows: g.rows, intact: false }).collect();
        Self {
            table: record.table.clone(),
            path: record.path.clone(),
            rows: record.rows,
            row_groups,
            faults: vec![fault],
        }
    }

    /// Rows in row groups that match their hash.
    pub fn intact_rows(&self) -> u64 {
        self.row_groups.iter().filter(|g| g.intact).map(|g| g.rows).sum()
    }
}

/// Checks a file against its record: length, hash of the whole, of each row group and of the footer, and, once the
/// footer's bytes are known to be as sealed, its count of rows. `progress` is told of bytes as they are read.
pub fn check_file<C: ChunkReader>(record: &FileRecord, file: &C, progress: &mut dyn FnMut(u64)) -> FileCheck {
    let footer = record.footer.iter().map(FooterRecord::range);
    let hasher = PartHasher::new(record.row_groups.iter().map(RowGroupRecord::range).chain(footer));
    let reader = file.get_read(0).map_err(io::Error::other);
    let hashed = match reader.and_then(|reader| hasher.read(Counted { reader, progress })) {
        Ok(hashed) => hashed,
        Err(error) => return FileCheck::of_fault(record, FileFault::Unreadable(error.to_string())),
    };
    let group = |(i, g): (usize, &RowGroupRecord)| GroupCheck {
        rows: g.rows,
        intact: hashed.parts.get(i).copied().flatten() == Some(g.blake3),
    };
    let row_groups: Vec<GroupCheck> = record.row_groups.iter().enumerate().map(group).collect();
    let mut faults = broken_hashes(record, &hashed, &row_groups);
    if faults.is_empty() {
        faults.extend(check_footer(record, file));
    }
    FileCheck { table: record.table.clone(), path: record.path.clone(), rows: record.rows, row_groups, faults }
}

fn broken_hashes(record: &FileRecord, hashed: &Hashed, row_groups: &[GroupCheck]) -> Vec<FileFault> {
    let mut faults = Vec::new();
    if hashed.bytes != record.bytes {
        faults.push(FileFault::Length { sealed: record.bytes, found: hashed.bytes });
    }
    for (index, (group, _)) in record.row_groups.iter().zip(row_groups).enumerate().filter(|(_, (_, c))| !c.intact) {
        let range = group.range();
        faults.push(FileFault::RowGroup { index, rows: group.rows, from: range.start, to: range.end });
    }
    if let Some(footer) = &record.footer
        && hashed.parts.last().copied().flatten() != Some(footer.blake3)
    {
        let range = footer.range();
        faults.push(FileFault::Footer { from: range.start, to: range.end });
    }
    if faults.is_empty() && hashed.whole != record.blake3 {
        faults.push(FileFault::Elsewhere { footer_holds: record.footer.is_some() });
    }
    faults
}

/// Decodes the footer of a file whose bytes are all as sealed, and compares its count of rows.
fn check_footer<C: ChunkReader>(record: &FileRecord, file: &C) -> Option<FileFault> {
    // The decoder can panic on what it does not expect; a file that was sealed broken is damage, no reason to stop.
    let decode = || ParquetMetaDataReader::new().parse_and_finish(file);
    let metadata: ParquetMetaData = match catch_unwind(AssertUnwindSafe(decode)) {
        Ok(Ok(metadata)) => metadata,
        Ok(Err(error)) => return Some(FileFault::Undecodable(error.to_string())),
        Err(_) => return Some(FileFault::Undecodable("the decoder broke off".to_owned())),
    };
    let found = metadata.file_metadata().num_rows().unsigned_abs();
    let (groups, found_groups) = (record.row_groups.len(), metadata.num_row_groups());
    let same = found == record.rows
        && groups == found_groups
        && metadata.row_groups().iter().zip(&record.row_groups).all(|(g, r)| g.num_rows().unsigned_abs() == r.rows);
    (!same).then_some(FileFault::Rows { sealed: record.rows, found, groups, found_groups })
}

/// Tells how much was read.
struct Counted<'a, R> {
    reader: R,
    progress: &'a mut dyn FnMut(u64),
}

impl<R: Read> Read for Counted<'_, R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.reader.read(buffer)?;
        (self.progress)(read as u64);
        Ok(read)
    }
}
