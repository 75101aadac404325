//! Writing a day: row groups spliced into one file per table, rests kept, everything compared before the record says so.

use std::{
    fs::File,
    io::{self, Write},
    path::{Path, PathBuf},
    sync::Arc,
};

use bytes::Bytes;
use parquet::{
    column::writer::ColumnCloseResult,
    file::{
        metadata::{KeyValue, ParquetMetaData, ParquetMetaDataReader},
        properties::WriterProperties,
        writer::SerializedFileWriter,
    },
};
use tallywheel_schemas::{
    Digest, Table,
    compacted::{
        COMPACTED_VERSION, CompactedDay, CompactedFile, CompactedIndex, CompactedPart, Found, RestRecord,
        compacted_directory, rest_ranges,
    },
    manifest::FileRecord,
    table::WORK_DIRECTORY,
};

use super::{CompactError, Day, DayCompacted};
use crate::disk::Disk;

/// Bytes written at a time.
const CHUNK: usize = 1 << 20;

/// Why a day is left as it is.
type Reason = String;

/// Writes a day; gives why not when something in it is not as sealed.
pub(super) fn build(
    root: &Path,
    disk: &Disk,
    day: &Day,
    number: u32,
) -> Result<Result<DayCompacted, Reason>, CompactError> {
    let builder = Builder { root, disk, day, number };
    match builder.build() {
        Ok(built) => Ok(Ok(built)),
        Err(Fault::Day(reason)) => Ok(Err(reason)),
        Err(Fault::Io { path, source }) => Err(CompactError::Io { path, source }),
    }
}

enum Fault {
    Day(Reason),
    Io { path: PathBuf, source: io::Error },
}

fn io_at(path: &Path) -> impl FnOnce(io::Error) -> Fault {
    let path = path.to_owned();
    move |source| Fault::Io { path, source }
}

struct Builder<'a> {
    root: &'a Path,
    disk: &'a Disk,
    day: &'a Day,
    number: u32,
}

impl Builder<'_> {
    fn build(&self) -> Result<DayCompacted, Fault> {
        let directory = self.root.join(compacted_directory(&self.day.vehicle, &self.day.date));
        let work = self.root.join(WORK_DIRECTORY);
        for path in [&directory, &work] {
            self.disk.make_directory(path).map_err(io_at(path))?;
        }
        let (mut files, mut rests) = (Vec::new(), Vec::new());
        let mut before = (0, 0);
        for table in Table::SEALED {
            let records: Vec<(&str, &FileRecord)> =
                self.day.sessions.iter().filter_map(|m| Some((m.session.as_str(), m.file(table)?))).collect();
            if records.len() < 2 {
                continue;
            }
            if let Some(file) = self.table(table, &records, &mut rests)? {
                before.0 += file.parts.len();
                let own =
                    |p: &CompactedPart| records.iter().find(|(_, r)| r.path == p.path).map_or(0, |(_, r)| r.bytes);
                before.1 += file.parts.iter().map(own).sum::<u64>();
                files.push(file);
            }
        }
        if files.is_empty() {
            return Err(Fault::Day("no table has two files of the same columns".to_owned()));
        }
        let rest = self.write_rests(&rests)?;
        let day = CompactedDay {
            schema: COMPACTED_VERSION,
            vehicle: self.day.vehicle.clone(),
            date: self.day.date.clone(),
            number: self.number,
            software: format!("tallywheel-analyze {}", env!("CARGO_PKG_VERSION")),
            files,
            rest,
            seal: None,
        }
        .sealed();
        self.compare(&day, &rests)?;
        self.publish_text(&day.to_json(), &self.root.join(day.path()))?;
        Ok(DayCompacted {
            vehicle: day.vehicle.clone(),
            date: day.date.clone(),
            sessions: self.day.sessions.len(),
            files_before: before.0,
            files_after: day.files.len(),
            bytes_before: before.1,
            bytes_after: day.rest.bytes + day.files.iter().map(|f| f.file.bytes).sum::<u64>(),
        })
    }

    /// A session's file, if it is as sealed.
    fn sealed(&self, record: &FileRecord) -> Result<Bytes, Fault> {
        let path = self.root.join(&record.path);
        let bytes = match std::fs::read(&path) {
            Ok(bytes) => Bytes::from(bytes),
            Err(e) => return Err(Fault::Day(format!("{}: cannot be read: {e}", record.path))),
        };
        if Digest::of(&bytes) == record.blake3 {
            Ok(bytes)
        } else {
            Err(Fault::Day(format!("{} does not match its hash", record.path)))
        }
    }

    /// Splices one table's files. Those whose columns are not the first one's stay on their own: a rebuilt session may
    /// have more.
    fn table(
        &self,
        table: Table,
        records: &[(&str, &FileRecord)],
        rests: &mut Vec<u8>,
    ) -> Result<Option<CompactedFile>, Fault> {
        let partial = self
            .root
            .join(WORK_DIRECTORY)
            .join(format!("compact.{}.{}.{table}-{}.partial", self.day.vehicle, self.day.date, self.number));
        self.disk.remove_if_there(&partial).map_err(io_at(&partial))?;
        let mut splice: Option<Splice<'_>> = None;
        let mut parts = Vec::new();
        for (session, record) in records {
            let bytes = self.sealed(record)?;
            let metadata = footer(&bytes).map_err(|e| Fault::Day(format!("{}: {e}", record.path)))?;
            let splice = match &mut splice {
                Some(splice) => splice,
                None => splice.insert(Splice::new(self.disk, &partial, &metadata).map_err(io_at(&partial))?),
            };
            if !splice.takes(&metadata) {
                continue;
            }
            let first_group = splice.groups;
            splice.add(&bytes, &metadata).map_err(io_at(&partial))?;
            let rest_offset = rests.len() as u64;
            for range in rest_ranges(record) {
                // Inside the file, whose length is a usize.
                rests.extend_from_slice(&bytes[range.start as usize..range.end as usize]);
            }
            parts.push(CompactedPart {
                session: (*session).to_owned(),
                path: record.path.clone(),
                first_group,
                rest_offset,
                rest_length: rests.len() as u64 - rest_offset,
            });
        }
        let Some(splice) = splice.filter(|_| parts.len() > 1) else {
            self.disk.remove_if_there(&partial).map_err(io_at(&partial))?;
            return Ok(None);
        };
        let metadata = splice.close().map_err(io_at(&partial))?;
        self.disk.sync(&partial).map_err(io_at(&partial))?;
        let place = CompactedDay::place(&self.day.vehicle, &self.day.date, self.number, table);
        let file = File::open(&partial).map_err(io_at(&partial))?;
        let length = file.metadata().map_err(io_at(&partial))?.len();
        let file = FileRecord::of(table, &place, &metadata, length, file).map_err(io_at(&partial))?;
        let waiting = CompactedDay::waiting_path(&self.day.vehicle, &self.day.date, self.number, table.name());
        self.replace(&partial, &self.root.join(waiting))?;
        Ok(Some(CompactedFile { file, parts }))
    }

    fn write_rests(&self, rests: &[u8]) -> Result<RestRecord, Fault> {
        let path = CompactedDay::rest_path(&self.day.vehicle, &self.day.date, self.number);
        let whole = self.root.join(&path);
        let compressed = zstd::encode_all(rests, 9).map_err(io_at(&whole))?;
        let partial = self
            .root
            .join(WORK_DIRECTORY)
            .join(format!("compact.{}.{}.rest-{}.partial", self.day.vehicle, self.day.date, self.number));
        let written = self.disk.write(&partial, &compressed).and_then(|()| self.disk.sync(&partial));
        written.map_err(io_at(&partial))?;
        self.replace(&partial, &whole)?;
        Ok(RestRecord {
            path: path.iter().map(|p| p.to_string_lossy()).collect::<Vec<_>>().join("/"),
            bytes: compressed.len() as u64,
            uncompressed_bytes: rests.len() as u64,
            blake3: Digest::of(&compressed),
        })
    }

    /// Puts every session's file together again from what was written, and holds it against its manifest's hash.
    fn compare(&self, day: &CompactedDay, rests: &[u8]) -> Result<(), Fault> {
        let text = day.to_json();
        let name = day.path().to_string_lossy().into_owned();
        let index = CompactedIndex::of_texts([(name.as_str(), text.as_bytes())]);
        for (reason, file) in day.files.iter().flat_map(|f| f.parts.iter().map(move |p| (p, f))) {
            let record = self.day.sessions.iter().flat_map(|m| &m.files).find(|r| r.path == reason.path);
            let (Some(record), Some(found)) = (record, index.find(&reason.path)) else {
                return Err(Fault::Day(format!("{} was not found again", reason.path)));
            };
            let path = self.root.join(day.waiting(file));
            let again = together(&path, &found, record, rests).map_err(io_at(&path))?;
            if again.is_none_or(|bytes| Digest::of(&bytes) != record.blake3) {
                return Err(Fault::Day(format!("{} could not be put together again as it was sealed", record.path)));
            }
        }
        Ok(())
    }

    fn publish_text(&self, text: &str, path: &Path) -> Result<(), Fault> {
        let partial = self
            .root
            .join(WORK_DIRECTORY)
            .join(format!("compact.{}.{}.day-{}.partial", self.day.vehicle, self.day.date, self.number));
        let written = self.disk.write(&partial, text.as_bytes()).and_then(|()| self.disk.sync(&partial));
        written.and_then(|()| self.disk.publish(&partial, path)).map_err(io_at(path))
    }

    /// Gives a file its name. What has it already was left by a run that was broken off before its record was written.
    fn replace(&self, partial: &Path, path: &Path) -> Result<(), Fault> {
        let directory = path.parent().unwrap_or(Path::new("."));
        let renamed = self.disk.rename(partial, path).and_then(|()| self.disk.sync_directory(directory));
        renamed.map_err(io_at(path))
    }
}

/// The session's file from a day's; `None` where the parts do not fill it.
fn together(path: &Path, found: &Found<'_>, record: &FileRecord, rests: &[u8]) -> io::Result<Option<Vec<u8>>> {
    let Ok(ranges) = found.group_ranges(record) else { return Ok(None) };
    let mut file = File::open(path)?;
    let mut groups = Vec::new();
    for range in ranges {
        use io::{Read, Seek};
        file.seek(io::SeekFrom::Start(range.start))?;
        let mut bytes = vec![0; usize::try_from(range.end - range.start).map_err(io::Error::other)?];
        file.read_exact(&mut bytes)?;
        groups.push(bytes);
    }
    Ok(found.assemble(record, &groups, rests).ok())
}

fn footer(bytes: &Bytes) -> Result<ParquetMetaData, String> {
    // The bytes match their hash, so this only guards against files that were sealed broken.
    let parse = || ParquetMetaDataReader::new().parse_and_finish(bytes);
    match std::panic::catch_unwind(parse) {
        Ok(parsed) => parsed.map_err(|e| e.to_string()),
        Err(_) => Err("its footer cannot be decoded".to_owned()),
    }
}

/// A day's file as it grows.
struct Splice<'a> {
    writer: SerializedFileWriter<Appender<'a>>,
    keys: Option<Vec<KeyValue>>,
    groups: usize,
}

impl<'a> Splice<'a> {
    /// With the columns of a first file.
    fn new(disk: &'a Disk, path: &Path, first: &ParquetMetaData) -> io::Result<Self> {
        let metadata = first.file_metadata();
        let keys = metadata.key_value_metadata().cloned();
        let properties = WriterProperties::builder()
            .set_created_by(format!("tallywheel {}", env!("CARGO_PKG_VERSION")))
            .set_key_value_metadata(keys.clone())
            .build();
        let appender = Appender { disk, path: path.to_owned(), waiting: Vec::with_capacity(CHUNK) };
        let schema = metadata.schema_descr().root_schema_ptr();
        Ok(Self { writer: SerializedFileWriter::new(appender, schema, Arc::new(properties))?, keys, groups: 0 })
    }

    /// Whether a file has the same columns.
    fn takes(&self, metadata: &ParquetMetaData) -> bool {
        let file = metadata.file_metadata();
        file.schema_descr().root_schema() == self.writer.schema_descr().root_schema()
            && file.key_value_metadata() == self.keys.as_ref()
    }

    /// Adds a file's row groups, column chunk by column chunk, as they are.
    fn add(&mut self, bytes: &Bytes, metadata: &ParquetMetaData) -> io::Result<()> {
        for group in metadata.row_groups() {
            let mut writer = self.writer.next_row_group()?;
            for column in group.columns() {
                let close = ColumnCloseResult {
                    bytes_written: u64::try_from(column.compressed_size()).unwrap_or_default(),
                    rows_written: u64::try_from(group.num_rows()).unwrap_or_default(),
                    metadata: column.clone(),
                    bloom_filter: None,
                    column_index: None,
                    offset_index: None,
                };
                writer.append_column(bytes, close)?;
            }
            writer.close()?;
            self.groups += 1;
        }
        Ok(())
    }

    fn close(self) -> io::Result<ParquetMetaData> {
        let mut writer = self.writer;
        let metadata = writer.finish()?;
        writer.inner_mut().flush()?;
        Ok(metadata)
    }
}

/// Writes to a file through the disk, in chunks.
struct Appender<'a> {
    disk: &'a Disk,
    path: PathBuf,
    waiting: Vec<u8>,
}

impl Write for Appender<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.waiting.extend_from_slice(bytes);
        if self.waiting.len() >= CHUNK {
            self.flush()?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        if !self.waiting.is_empty() {
            self.disk.append(&self.path, &self.waiting)?;
            self.waiting.clear();
        }
        Ok(())
    }
}
