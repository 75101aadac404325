//! Sealed sessions as any Parquet reader sees them.

use std::{
    fs::{self, File},
    path::{Path, PathBuf},
};

use arrow::{
    array::{Array as _, AsArray as _, RecordBatch},
    datatypes::{Float64Type, Int32Type, Int64Type},
};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use tallywheel_schemas::{Digest, Domain, Manifest, Table};

use super::{Checked, frames, within};

/// One sealed session.
#[derive(Debug)]
pub struct Sealed {
    /// Its manifest.
    pub manifest: Manifest,
    /// Its frames, in the order of the table.
    pub frames: Vec<Got>,
    /// Its events.
    pub events: Vec<Happened>,
    /// Rows of `pack`: stamp, µs, and voltage where it was in range.
    pub pack: Vec<(i64, Option<f64>)>,
}

/// One frame of the sealed table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Got {
    /// Its number; `None` when nothing that was ever sent has these data.
    pub number: Option<u32>,
    /// Its stamp, µs.
    pub t_us: i64,
}

/// One row of `events`.
#[derive(Debug, Clone, PartialEq)]
pub struct Happened {
    /// Its stamp, µs.
    pub t_us: i64,
    /// Its kind.
    pub kind: String,
    /// Its text.
    pub text: String,
    /// Its value.
    pub value: Option<f64>,
}

/// Every sealed session of a dataset, in the order of time; each file's hash is checked.
///
/// # Errors
/// When something cannot be read or does not match its manifest.
pub fn sessions(dataset: &Path) -> Checked<Vec<Sealed>> {
    let mut found = Vec::new();
    for vehicle in entries(&dataset.join("sessions"))? {
        for date in entries(&vehicle)? {
            for path in entries(&date)?.into_iter().filter(|p| p.extension().is_some_and(|e| e == "json")) {
                found.push(session(dataset, &path)?);
            }
        }
    }
    found.sort_by(|a, b| {
        let key = |s: &Sealed| (s.manifest.start_us, s.manifest.end_us, s.manifest.session.clone());
        key(a).cmp(&key(b))
    });
    Ok(found)
}

/// One session, by its manifest's file.
///
/// # Errors
/// As [`sessions`].
pub fn session(dataset: &Path, manifest: &Path) -> Checked<Sealed> {
    let manifest = Manifest::read(manifest).map_err(|e| e.to_string())?;
    for record in &manifest.files {
        let bytes = fs::read(dataset.join(&record.path)).map_err(within(&record.path))?;
        if Digest::of(&bytes) != record.blake3 {
            return Err(format!("{} does not match its manifest", record.path));
        }
    }
    let table = |table| rows(dataset, &manifest, table);
    let mut sealed = Sealed { frames: Vec::new(), events: Vec::new(), pack: Vec::new(), manifest: manifest.clone() };
    for batch in table(Table::Frames)? {
        let (stamps, data) = (stamps(&batch), column(&batch, "data")?.as_binary::<i32>().clone());
        let row = |(i, t_us): (usize, i64)| Got { number: frames::number(data.value(i)), t_us };
        sealed.frames.extend(stamps.into_iter().enumerate().map(row));
    }
    for batch in table(Table::Events)? {
        sealed.events.extend(events(&batch)?);
    }
    for batch in table(Table::Decoded(Domain::Pack))? {
        let volts = column(&batch, "voltage_v")?.as_primitive::<Float64Type>().clone();
        sealed.pack.extend(stamps(&batch).into_iter().zip(volts.iter()));
    }
    Ok(sealed)
}

fn events(batch: &RecordBatch) -> Checked<Vec<Happened>> {
    let kinds = column(batch, "kind")?.as_dictionary::<Int32Type>();
    let (names, texts) = (kinds.values().as_string::<i32>(), column(batch, "text")?.as_string::<i32>());
    let values = column(batch, "value")?.as_primitive::<Float64Type>();
    let row = |(i, t_us): (usize, i64)| Happened {
        t_us,
        kind: names.value(kinds.keys().value(i) as usize).to_owned(),
        text: texts.value(i).to_owned(),
        value: values.is_valid(i).then(|| values.value(i)),
    };
    Ok(stamps(batch).into_iter().enumerate().map(row).collect())
}

fn stamps(batch: &RecordBatch) -> Vec<i64> {
    let column = batch.column_by_name("t_us");
    column.map(|c| c.as_primitive::<Int64Type>().values().to_vec()).unwrap_or_default()
}

/// A column by its name.
///
/// # Errors
/// When there is none.
pub fn column<'a>(batch: &'a RecordBatch, name: &str) -> Checked<&'a arrow::array::ArrayRef> {
    batch.column_by_name(name).ok_or_else(|| format!("no column {name}"))
}

/// The rows of one of a session's tables; none where it has no such table.
///
/// # Errors
/// When the file cannot be read.
pub fn rows(dataset: &Path, manifest: &Manifest, table: Table) -> Checked<Vec<RecordBatch>> {
    let Some(record) = manifest.file(table) else { return Ok(Vec::new()) };
    let file = File::open(dataset.join(&record.path)).map_err(within(&record.path))?;
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).and_then(ParquetRecordBatchReaderBuilder::build);
    let batches = reader.map_err(|e| format!("{}: {e}", record.path))?;
    batches.map(|batch| batch.map_err(|e| format!("{}: {e}", record.path))).collect()
}

/// What is in a directory; nothing when it is not there.
///
/// # Errors
/// When it cannot be read.
pub fn entries(directory: &Path) -> Checked<Vec<PathBuf>> {
    if !directory.is_dir() {
        return Ok(Vec::new());
    }
    let list = fs::read_dir(directory).map_err(within(directory.display()))?;
    let paths = list.map(|entry| entry.map(|e| e.path()));
    let mut found: Vec<PathBuf> = paths.collect::<Result<_, _>>().map_err(within(directory.display()))?;
    found.sort();
    Ok(found)
}
