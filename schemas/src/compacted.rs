//! Compacted days: the tables of many sessions of one vehicle and day in one file each, and the sessions' own files
//! still to be had from them, byte for byte.
//!
//! A sealed file is `magic | row groups | footer`. Compaction puts the row groups of many files, as they are, into one,
//! `TABLE/vehicle=V/date=D/day-N.parquet`, under a footer of its own. What is left of each file, its magic and footer,
//! is kept in `compacted/vehicle=V/date=D/day-N.rest`; with the row groups it makes the file that was sealed. So the
//! sessions' manifests stay as they are and go on vouching for every byte, a reader finds the same rows, hashes and
//! damage as before, and compaction can be taken back.
//!
//! ```text
//! compacted/vehicle=V/date=D/day-N.json   which sessions, where each row group is; sealed
//! compacted/vehicle=V/date=D/day-N.rest   zstd frame of the rests, one after the other
//! compacted/vehicle=V/date=D/TABLE-N.parquet   a day's file, before it takes its place in the table
//! ```
//!
//! The sessions' own files count as long as they are there. A day's file is first written beside the tables, where no
//! engine looks, so that no row is ever counted twice.

use std::{
    collections::HashMap,
    fs::{self, File},
    io::{self, Read, Seek, SeekFrom},
    path::{Component, Path, PathBuf},
    sync::Arc,
};

use serde::{Deserialize, Serialize};

use crate::{
    digest::Digest,
    manifest::FileRecord,
    table::{Table, partition},
};

/// Directory below the dataset that tells of compacted days.
pub const COMPACTED_DIRECTORY: &str = "compacted";

/// Version of the record of a compacted day.
///
/// 1: first version.
pub const COMPACTED_VERSION: u32 = 1;

/// Most bytes that the rests of a day may take: a footer is some kilobytes.
const MAX_REST_BYTES: u64 = 1 << 30;

/// One compaction of one vehicle's day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CompactedDay {
    /// [`COMPACTED_VERSION`].
    pub schema: u32,
    /// Vehicle.
    pub vehicle: String,
    /// UTC date of the sessions' starts, `YYYY-MM-DD`.
    pub date: String,
    /// Number of the compaction in that day, from 1: sessions that came later have one of their own.
    pub number: u32,
    /// Program and version that compacted.
    pub software: String,
    /// The day's file of each table.
    pub files: Vec<CompactedFile>,
    /// The file of rests.
    pub rest: RestRecord,
    /// Hash of everything above. Stands last.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seal: Option<Digest>,
}

/// A day's file of one table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CompactedFile {
    /// The file itself, at its place in the table.
    pub file: FileRecord,
    /// The sessions' files in it, in the order of their row groups.
    pub parts: Vec<CompactedPart>,
}

/// A session's file within a day's.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CompactedPart {
    /// Session.
    pub session: String,
    /// Path that the session's manifest has for the file.
    pub path: String,
    /// First of its row groups in the day's file.
    pub first_group: usize,
    /// First byte of its rest among the uncompressed rests.
    pub rest_offset: u64,
    /// Bytes of its rest.
    pub rest_length: u64,
}

/// The file of rests.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RestRecord {
    /// Path below the dataset's root.
    pub path: String,
    /// Length.
    pub bytes: u64,
    /// Length of what it uncompresses to.
    pub uncompressed_bytes: u64,
    /// Hash of the file.
    pub blake3: Digest,
}

/// Directory that tells of a vehicle's compacted day, below the root.
pub fn compacted_directory(vehicle: &str, date: &str) -> PathBuf {
    partition(COMPACTED_DIRECTORY, vehicle, date)
}

impl CompactedDay {
    /// Where the record belongs, below the root.
    pub fn path(&self) -> PathBuf {
        compacted_directory(&self.vehicle, &self.date).join(format!("day-{}.json", self.number))
    }

    /// Where the file of rests belongs, below the root.
    pub fn rest_path(vehicle: &str, date: &str, number: u32) -> PathBuf {
        compacted_directory(vehicle, date).join(format!("day-{number}.rest"))
    }

    /// Where a table's file waits before it takes its place, below the root.
    pub fn waiting_path(vehicle: &str, date: &str, number: u32, table: &str) -> PathBuf {
        compacted_directory(vehicle, date).join(format!("{table}-{number}.parquet"))
    }

    /// Where a table's file has its place, below the root.
    pub fn place(vehicle: &str, date: &str, number: u32, table: Table) -> PathBuf {
        table.path(vehicle, date, &format!("day-{number}"))
    }

    /// Where one of its files waits before it takes its place, below the root.
    pub fn waiting(&self, file: &CompactedFile) -> PathBuf {
        Self::waiting_path(&self.vehicle, &self.date, self.number, &file.file.table)
    }

    /// The record with a seal over all it says now.
    #[must_use]
    pub fn sealed(mut self) -> Self {
        self.seal = None;
        self.seal = Some(self.digest());
        self
    }

    fn digest(&self) -> Digest {
        let unsealed = Self { seal: None, ..self.clone() };
        Digest::of(&serde_json::to_vec(&unsealed).expect("only string keys and whole numbers"))
    }

    /// The record as JSON text.
    pub fn to_json(&self) -> String {
        serde_json::to_string_pretty(self).expect("only string keys and whole numbers") + "\n"
    }

    /// Reads a record's text.
    ///
    /// # Errors
    /// When it is none, of another version, altered, or names a file outside the dataset.
    pub fn parse(text: &[u8]) -> Result<Self, String> {
        let day: Self = serde_json::from_slice(text).map_err(|e| format!("not a record of a compacted day: {e}"))?;
        if day.schema != COMPACTED_VERSION {
            return Err(format!("format {} is not known; this release reads {COMPACTED_VERSION}", day.schema));
        }
        if day.seal != Some(day.digest()) {
            return Err("was altered after it was sealed".to_owned());
        }
        let paths = day.files.iter().map(|f| &f.file.path).chain([&day.rest.path]);
        let inside = |path: &String| Path::new(path).components().all(|c| matches!(c, Component::Normal(_)));
        if paths.into_iter().all(inside) { Ok(day) } else { Err("names a file outside the dataset".to_owned()) }
    }
}

/// The bytes of a file that are in no row group: its rest, as ranges in order.
pub fn rest_ranges(record: &FileRecord) -> Vec<std::ops::Range<u64>> {
    let mut groups: Vec<_> = record.row_groups.iter().map(crate::manifest::RowGroupRecord::range).collect();
    groups.sort_by_key(|g| g.start);
    let (mut at, mut rests) = (0, Vec::new());
    for group in groups {
        rests.push(at..group.start.max(at));
        at = group.end.max(at);
    }
    rests.push(at..record.bytes.max(at));
    rests.retain(|r| !r.is_empty());
    rests
}

/// Where the row groups and the rest of a session's file are.
#[derive(Debug, Clone, Copy)]
pub struct Found<'a> {
    /// The compaction.
    pub day: &'a CompactedDay,
    /// The day's file.
    pub file: &'a CompactedFile,
    /// The session's part of it.
    pub part: &'a CompactedPart,
}

impl Found<'_> {
    /// Ranges of the day's file that hold the row groups, in their order.
    ///
    /// # Errors
    /// When the day's file has fewer row groups than the session's, or of other lengths.
    pub fn group_ranges(&self, record: &FileRecord) -> Result<Vec<std::ops::Range<u64>>, String> {
        let groups = self.file.file.row_groups.get(self.part.first_group..).unwrap_or_default();
        let pairs: Vec<_> = record.row_groups.iter().zip(groups).collect();
        if pairs.len() < record.row_groups.len() || pairs.iter().any(|(a, b)| a.length != b.length) {
            return Err(format!("{} does not hold its row groups", self.file.file.path));
        }
        Ok(pairs.into_iter().map(|(_, group)| group.range()).collect())
    }

    /// Puts a session's file together from its row groups' bytes and the uncompressed rests. The result is to be held
    /// against the manifest's hash like any file.
    ///
    /// # Errors
    /// When the parts do not fill the file.
    pub fn assemble(&self, record: &FileRecord, groups: &[Vec<u8>], rests: &[u8]) -> Result<Vec<u8>, String> {
        let short = || format!("its parts in {} do not make a whole", self.file.file.path);
        let length = usize::try_from(record.bytes).map_err(|_| short())?;
        let mut bytes = vec![0; length];
        for (group, content) in record.row_groups.iter().zip(groups) {
            fill(&mut bytes, group.offset, content).ok_or_else(short)?;
        }
        let end = self.part.rest_offset.checked_add(self.part.rest_length).ok_or_else(short)?;
        let (from, to) = (usize::try_from(self.part.rest_offset), usize::try_from(end));
        let mut rest = from.ok().zip(to.ok()).and_then(|(a, b)| rests.get(a..b)).ok_or_else(short)?;
        for range in rest_ranges(record) {
            let length = usize::try_from(range.end - range.start).map_err(|_| short())?;
            let (head, tail) = rest.split_at_checked(length).ok_or_else(short)?;
            fill(&mut bytes, range.start, head).ok_or_else(short)?;
            rest = tail;
        }
        Ok(bytes)
    }
}

fn fill(bytes: &mut [u8], offset: u64, content: &[u8]) -> Option<()> {
    let from = usize::try_from(offset).ok()?;
    bytes.get_mut(from..from.checked_add(content.len())?)?.copy_from_slice(content);
    Some(())
}

/// Uncompresses a file of rests.
///
/// # Errors
/// When it does not match its record.
pub fn uncompress_rests(record: &RestRecord, compressed: &[u8]) -> Result<Vec<u8>, String> {
    let damaged = || format!("{} does not match its hash", record.path);
    if Digest::of(compressed) != record.blake3 || record.uncompressed_bytes > MAX_REST_BYTES {
        return Err(damaged());
    }
    let mut rests = Vec::new();
    let decoder = zstd::Decoder::new(compressed).map_err(|_| damaged())?;
    decoder.take(record.uncompressed_bytes).read_to_end(&mut rests).map_err(|_| damaged())?;
    if rests.len() as u64 == record.uncompressed_bytes { Ok(rests) } else { Err(damaged()) }
}

/// The compacted days of a dataset, by the paths of the sessions' files that are in them.
#[derive(Debug, Clone, Default)]
pub struct CompactedIndex {
    days: Vec<CompactedDay>,
    /// Day, file in it, part of that.
    places: HashMap<String, (usize, usize, usize)>,
    /// Records that cannot be used: path below the root, and why.
    faults: Vec<(String, String)>,
}

impl CompactedIndex {
    /// Of records that were read elsewhere: path and text of each.
    pub fn of_texts<'a>(texts: impl IntoIterator<Item = (&'a str, &'a [u8])>) -> Self {
        let mut index = Self::default();
        for (path, text) in texts {
            match CompactedDay::parse(text) {
                Ok(day) if day.path() == Path::new(path) => index.add(day),
                Ok(day) => index.faults.push((path.to_owned(), format!("belongs at {}", day.path().display()))),
                Err(reason) => index.faults.push((path.to_owned(), reason)),
            }
        }
        index
    }

    /// Of a dataset; empty where nothing was compacted.
    ///
    /// # Errors
    /// When a directory or record cannot be read.
    pub fn read(root: &Path) -> io::Result<Self> {
        Self::read_vehicles(root, &[])
    }

    /// Of some vehicles of a dataset, or of all when none is named.
    ///
    /// # Errors
    /// When a directory or record cannot be read.
    pub fn read_vehicles(root: &Path, vehicles: &[String]) -> io::Result<Self> {
        let directory = root.join(COMPACTED_DIRECTORY);
        let folders = match vehicles {
            [] => entries(&directory)?,
            some => some.iter().map(|v| directory.join(format!("vehicle={v}"))).collect(),
        };
        let mut texts = Vec::new();
        for vehicle in folders {
            for date in entries(&vehicle)? {
                records(root, &date, &mut texts)?;
            }
        }
        Ok(Self::of_texts(texts.iter().map(|(path, text)| (path.as_str(), text.as_slice()))))
    }

    /// Of the vehicle's day that a session's file belongs to.
    fn read_around(root: &Path, path: &str) -> io::Result<Self> {
        let mut texts = Vec::new();
        let mut folders = Path::new(path).parent().map(Path::components).into_iter().flatten().skip(1);
        if let (Some(vehicle), Some(date), None) = (folders.next(), folders.next(), folders.next()) {
            records(root, &root.join(COMPACTED_DIRECTORY).join(vehicle).join(date), &mut texts)?;
        }
        Ok(Self::of_texts(texts.iter().map(|(path, text)| (path.as_str(), text.as_slice()))))
    }

    fn add(&mut self, day: CompactedDay) {
        let number = self.days.len();
        for (f, file) in day.files.iter().enumerate() {
            for (p, part) in file.parts.iter().enumerate() {
                self.places.insert(part.path.clone(), (number, f, p));
            }
        }
        self.days.push(day);
    }

    /// The days.
    pub fn days(&self) -> &[CompactedDay] {
        &self.days
    }

    /// Records that cannot be used: path below the root, and why.
    pub fn faults(&self) -> &[(String, String)] {
        &self.faults
    }

    /// Where a session's file is, if it was compacted.
    pub fn find(&self, path: &str) -> Option<Found<'_>> {
        let (d, f, p) = self.places.get(path)?;
        let day = self.days.get(*d)?;
        let file = day.files.get(*f)?;
        Some(Found { day, file, part: file.parts.get(*p)? })
    }
}

/// The records in a day's directory: path below the root, and text. One that goes away meanwhile was taken back.
fn records(root: &Path, date: &Path, texts: &mut Vec<(String, Vec<u8>)>) -> io::Result<()> {
    for path in entries(date)?.into_iter().filter(|p| p.extension().is_some_and(|e| e == "json")) {
        let below = path.strip_prefix(root).unwrap_or(&path).to_string_lossy().into_owned();
        match fs::read(&path) {
            Ok(text) => texts.push((below, text)),
            Err(e) if e.kind() == io::ErrorKind::NotFound => {}
            Err(e) => return Err(e),
        }
    }
    Ok(())
}

fn entries(directory: &Path) -> io::Result<Vec<PathBuf>> {
    let mut found = match fs::read_dir(directory) {
        Ok(entries) => entries.map(|e| Ok(e?.path())).collect::<io::Result<Vec<_>>>()?,
        Err(e) if matches!(e.kind(), io::ErrorKind::NotFound | io::ErrorKind::NotADirectory) => Vec::new(),
        Err(e) => return Err(e),
    };
    found.retain(|p| !p.file_name().is_some_and(|n| n.as_encoded_bytes().starts_with(b".")));
    found.sort();
    Ok(found)
}

/// The sealed files of a dataset, compacted or not. Clones share what they know.
///
/// Compaction may go on meanwhile. The days are read once; a file that is then neither in its place nor in one of them
/// is looked for in its day's records again before it counts as missing.
#[derive(Debug, Clone)]
pub struct SealedFiles {
    root: PathBuf,
    compacted: Arc<CompactedIndex>,
}

/// A sealed file that cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum SealedFileError {
    /// It is not there.
    #[error("is missing")]
    Missing,
    /// The manifest names a path above the dataset.
    #[error("the manifest's path leaves the dataset")]
    Outside,
    /// The system does not give it out.
    #[error("cannot be read: {0}")]
    Io(#[from] io::Error),
    /// It is in a compacted day, and that is damaged.
    #[error("was compacted, and {0}")]
    Compacted(String),
}

impl SealedFiles {
    /// Of a dataset.
    ///
    /// # Errors
    /// When the records of compacted days cannot be read.
    pub fn open(root: &Path) -> io::Result<Self> {
        Self::open_vehicles(root, &[])
    }

    /// Of some vehicles of a dataset, or of all when none is named.
    ///
    /// # Errors
    /// When the records of compacted days cannot be read.
    pub fn open_vehicles(root: &Path, vehicles: &[String]) -> io::Result<Self> {
        Ok(Self { root: root.to_owned(), compacted: Arc::new(CompactedIndex::read_vehicles(root, vehicles)?) })
    }

    /// The compacted days.
    pub fn compacted(&self) -> &CompactedIndex {
        &self.compacted
    }

    /// The file on the disk that has a record's row groups: its own, or a day's. It need not be there.
    pub fn holder(&self, record: &FileRecord) -> PathBuf {
        let own = self.root.join(&record.path);
        if own.exists() {
            return own;
        }
        let known = self.compacted.find(&record.path).map(|found| self.day_file(&found));
        match known {
            Some(held) if held.exists() => held,
            // What cannot be listed holds nothing, which reading it will say.
            _ => match CompactedIndex::read_around(&self.root, &record.path) {
                Ok(newer) => newer.find(&record.path).map_or(own, |found| self.day_file(&found)),
                Err(_) => own,
            },
        }
    }

    /// Where a day's file is: in its place, or waiting for it.
    pub fn holder_of(&self, day: &CompactedDay, file: &CompactedFile) -> PathBuf {
        let place = self.root.join(&file.file.path);
        if place.exists() { place } else { self.root.join(day.waiting(file)) }
    }

    fn day_file(&self, found: &Found<'_>) -> PathBuf {
        self.holder_of(found.day, found.file)
    }

    /// The bytes of a sealed file, from the disk or put together again. Nothing is checked but that there are as many
    /// as can be had: that is the manifest's to do.
    ///
    /// # Errors
    /// When the file cannot be had.
    pub fn read(&self, record: &FileRecord) -> Result<Vec<u8>, SealedFileError> {
        let path = Path::new(&record.path);
        if path.components().any(|c| !matches!(c, Component::Normal(_))) {
            return Err(SealedFileError::Outside);
        }
        let own = self.root.join(path);
        match fs::read(&own) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => {}
            read => return Ok(read?),
        }
        // Between the two looks it may have come back.
        self.read_compacted(record).or_else(|error| fs::read(&own).map_err(|_| error))
    }

    /// As [`SealedFiles::read`], from a compacted day even if the session's own file is there.
    ///
    /// # Errors
    /// When the file is in no compacted day, or cannot be had from it.
    pub fn read_compacted(&self, record: &FileRecord) -> Result<Vec<u8>, SealedFileError> {
        let known = self.compacted.find(&record.path).map(|found| self.assembled(&found, record));
        if let Some(Ok(bytes)) = known {
            return Ok(bytes);
        }
        // The days were read a while ago: it may have been compacted since, or anew.
        let newer = CompactedIndex::read_around(&self.root, &record.path)?;
        match newer.find(&record.path) {
            Some(found) => self.assembled(&found, record),
            None => known.unwrap_or(Err(SealedFileError::Missing)),
        }
    }

    fn assembled(&self, found: &Found<'_>, record: &FileRecord) -> Result<Vec<u8>, SealedFileError> {
        let compressed = fs::read(self.root.join(&found.day.rest.path))
            .map_err(|e| SealedFileError::Compacted(format!("{}: {e}", found.day.rest.path)))?;
        let rests = uncompress_rests(&found.day.rest, &compressed).map_err(SealedFileError::Compacted)?;
        let path = self.day_file(found);
        let mut file = match File::open(&path) {
            Ok(file) => file,
            // It takes its place at this very moment.
            Err(_) => File::open(self.day_file(found))
                .map_err(|e| SealedFileError::Compacted(format!("{}: {e}", found.file.file.path)))?,
        };
        let mut groups = Vec::new();
        for range in found.group_ranges(record).map_err(SealedFileError::Compacted)? {
            file.seek(SeekFrom::Start(range.start))?;
            let mut bytes = Vec::new();
            // A file that was cut short gives less; the hash will tell which rows that costs.
            (&file).take(range.end - range.start).read_to_end(&mut bytes)?;
            bytes.resize(usize::try_from(range.end - range.start).unwrap_or(bytes.len()), 0);
            groups.push(bytes);
        }
        found.assemble(record, &groups, &rests).map_err(SealedFileError::Compacted)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::manifest::RowGroupRecord;

    fn record(bytes: u64, groups: &[(u64, u64)]) -> FileRecord {
        FileRecord {
            table: "motion".to_owned(),
            path: "motion/vehicle=skerry-1/date=2026-11-23/s.parquet".to_owned(),
            rows: 0,
            bytes,
            blake3: Digest::of(b""),
            row_groups: groups
                .iter()
                .map(|(offset, length)| RowGroupRecord {
                    rows: 1,
                    offset: *offset,
                    length: *length,
                    blake3: Digest::of(b""),
                })
                .collect(),
            footer: None,
        }
    }

    #[test]
    fn the_rest_is_what_no_row_group_has() {
        assert_eq!(rest_ranges(&record(100, &[(4, 40), (44, 16)])), [0..4, 60..100]);
        assert_eq!(rest_ranges(&record(100, &[(4, 40), (50, 10)])), [0..4, 44..50, 60..100]);
        assert_eq!(rest_ranges(&record(12, &[])).first(), Some(&(0..12)));
    }

    #[test]
    fn an_altered_record_is_not_believed() {
        let day = CompactedDay {
            schema: COMPACTED_VERSION,
            vehicle: "skerry-1".to_owned(),
            date: "2026-11-23".to_owned(),
            number: 1,
            software: "test".to_owned(),
            files: vec![CompactedFile {
                file: record(100, &[(4, 40)]),
                parts: vec![CompactedPart {
                    session: "s".to_owned(),
                    path: "motion/vehicle=skerry-1/date=2026-11-23/s.parquet".to_owned(),
                    first_group: 0,
                    rest_offset: 0,
                    rest_length: 60,
                }],
            }],
            rest: RestRecord { path: "r".to_owned(), bytes: 1, uncompressed_bytes: 1, blake3: Digest::of(b"") },
            seal: None,
        };
        let text = day.sealed().to_json();
        assert!(CompactedDay::parse(text.as_bytes()).is_ok());
        let altered = text.replace("\"first_group\": 0", "\"first_group\": 1");
        assert_eq!(CompactedDay::parse(altered.as_bytes()), Err("was altered after it was sealed".to_owned()));
        let path = "compacted/vehicle=skerry-1/date=2026-11-23/day-1.json";
        let index = CompactedIndex::of_texts([(path, text.as_bytes())]);
        assert!(index.find("motion/vehicle=skerry-1/date=2026-11-23/s.parquet").is_some());
        assert!(index.find("motion/vehicle=skerry-1/date=2026-11-23/t.parquet").is_none());
        let elsewhere = CompactedIndex::of_texts([("compacted/day-1.json", text.as_bytes())]);
        assert_eq!(elsewhere.faults().len(), 1);
    }
}
