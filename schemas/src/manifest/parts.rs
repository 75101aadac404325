//! Hashing a file and parts of it in one pass.

use std::{io, ops::Range, path::Path};

use parquet::file::metadata::{ColumnChunkMetaData, ParquetMetaData, RowGroupMetaData};

use super::{FileRecord, FooterRecord, RowGroupRecord};
use crate::{digest::Digest, table::Table};

/// Hashes a file as it is read, and ranges of its bytes beside it.
#[derive(Debug, Clone)]
pub struct PartHasher {
    whole: blake3::Hasher,
    at: u64,
    parts: Vec<(Range<u64>, blake3::Hasher)>,
}

/// Hashes of a file and its parts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hashed {
    /// Length.
    pub bytes: u64,
    /// Hash of the whole file.
    pub whole: Digest,
    /// Hash of each part, in the order asked for; `None` where the file ends before the part does.
    pub parts: Vec<Option<Digest>>,
}

impl PartHasher {
    /// A hasher of a file and these ranges of it; they may overlap.
    pub fn new(parts: impl IntoIterator<Item = Range<u64>>) -> Self {
        let parts = parts.into_iter().map(|range| (range, blake3::Hasher::new())).collect();
        Self { whole: blake3::Hasher::new(), at: 0, parts }
    }

    /// Takes the next bytes of the file.
    pub fn update(&mut self, bytes: &[u8]) {
        let here = self.at..self.at + bytes.len() as u64;
        for (range, hasher) in &mut self.parts {
            let (from, to) = (range.start.max(here.start), range.end.min(here.end));
            if from < to {
                // Inside `bytes`, whose length is a usize.
                hasher.update(&bytes[(from - here.start) as usize..(to - here.start) as usize]);
            }
        }
        self.whole.update(bytes);
        self.at = here.end;
    }

    /// The hashes, at the end of the file.
    pub fn finish(self) -> Hashed {
        let at = self.at;
        let part = |(range, hasher): (Range<u64>, blake3::Hasher)| {
            (range.start <= range.end && range.end <= at).then(|| Digest::from(hasher.finalize()))
        };
        Hashed {
            bytes: at,
            whole: Digest::from(self.whole.finalize()),
            parts: self.parts.into_iter().map(part).collect(),
        }
    }

    /// Reads to the end and gives the hashes.
    ///
    /// # Errors
    /// When reading fails.
    pub fn read(mut self, mut reader: impl io::Read) -> io::Result<Hashed> {
        let mut chunk = vec![0; 1 << 18];
        loop {
            match reader.read(&mut chunk) {
                Ok(0) => return Ok(self.finish()),
                Ok(read) => self.update(&chunk[..read]),
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(e),
            }
        }
    }
}

impl RowGroupRecord {
    /// Its bytes in the file.
    pub fn range(&self) -> Range<u64> {
        self.offset..self.offset.saturating_add(self.length)
    }
}

impl FooterRecord {
    /// Its bytes in the file.
    pub fn range(&self) -> Range<u64> {
        self.offset..self.offset.saturating_add(self.length)
    }
}

impl FileRecord {
    /// The record of a finished Parquet file of `bytes` bytes, which is read once for its hashes. `path` is below the
    /// dataset's root.
    ///
    /// # Errors
    /// When reading fails, or the file ends before a part that its metadata name.
    pub fn of(
        table: Table,
        path: &Path,
        metadata: &ParquetMetaData,
        bytes: u64,
        file: impl io::Read,
    ) -> io::Result<Self> {
        let groups: Vec<Range<u64>> = metadata.row_groups().iter().map(group_range).collect();
        // Behind the last row group: page indexes, metadata, their length, magic.
        let footer = groups.iter().map(|g| g.end).max().unwrap_or_default();
        let hashed = PartHasher::new(groups.iter().cloned().chain(std::iter::once(footer..bytes))).read(file)?;
        let digest = |i: usize| hashed.parts.get(i).copied().flatten().ok_or(io::ErrorKind::UnexpectedEof);
        let mut row_groups = Vec::with_capacity(groups.len());
        for (i, (group, range)) in metadata.row_groups().iter().zip(&groups).enumerate() {
            row_groups.push(RowGroupRecord {
                rows: group.num_rows().unsigned_abs(),
                offset: range.start,
                length: range.end - range.start,
                blake3: digest(i)?,
            });
        }
        Ok(Self {
            table: table.name().to_owned(),
            path: path.iter().map(|p| p.to_string_lossy()).collect::<Vec<_>>().join("/"),
            rows: row_groups.iter().map(|g| g.rows).sum(),
            bytes: hashed.bytes,
            blake3: hashed.whole,
            row_groups,
            footer: Some(FooterRecord {
                offset: footer,
                length: bytes.saturating_sub(footer),
                blake3: digest(groups.len())?,
            }),
        })
    }
}

fn group_range(group: &RowGroupMetaData) -> Range<u64> {
    let ranges = || group.columns().iter().map(ColumnChunkMetaData::byte_range);
    let start = ranges().map(|(start, _)| start).min().unwrap_or_default();
    start..ranges().map(|(start, length)| start + length).max().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_are_hashed_however_the_file_is_split() {
        let bytes: Vec<u8> = (0..=255).cycle().take(1000).collect();
        let ranges = [0..4_u64, 4..700, 300..300, 650..1000, 999..1001];
        for step in [1, 7, 256, 1000] {
            let mut hasher = PartHasher::new(ranges.clone());
            bytes.chunks(step).for_each(|chunk| hasher.update(chunk));
            let hashed = hasher.finish();
            assert_eq!((hashed.bytes, hashed.whole), (1000, Digest::of(&bytes)));
            let expected = ranges.clone().map(|r| bytes.get(r.start as usize..r.end as usize).map(Digest::of));
            assert_eq!(hashed.parts, expected, "{step}");
        }
    }
}
