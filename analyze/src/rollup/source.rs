//! Rows of `days` and `speed_classes` from a dataset's files into the engine.

use std::{
    collections::BTreeSet,
    fs, io,
    panic::{AssertUnwindSafe, catch_unwind},
    path::{Path, PathBuf},
    sync::Arc,
};

use arrow::array::RecordBatch;
use bytes::Bytes;
use chrono::{Days, NaiveDate};
use parquet::arrow::{
    ProjectionMask,
    arrow_reader::{ArrowReaderOptions, ParquetRecordBatchReaderBuilder},
};
use tallywheel_schemas::{Table, report::UnusableSession};

use crate::{
    dataset::Session,
    derive::{Derived, State},
    ledger::vouched_rows,
};

use super::{
    engine::{Engine, EngineError},
    sql::{CLASSES_READ, DAYS_READ},
};

/// A file's date is that of its first session's start; its rows may be of the days after. No file spans more.
pub const SPAN_DAYS: u64 = 8;

/// What was read, and what could not be.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Read {
    /// Files.
    pub files: u64,
    /// Rows.
    pub rows: u64,
    /// Files that cannot be read, with the reason; they are safe to delete, the next run makes them again.
    pub unreadable: Vec<(PathBuf, String)>,
}

/// Rows that cannot be read or taken.
#[derive(Debug, thiserror::Error)]
pub enum SourceError {
    /// A directory cannot be listed.
    #[error("list {}: {source}", path.display())]
    List {
        /// The directory.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The engine refused them.
    #[error(transparent)]
    Engine(#[from] EngineError),
}

/// Sessions whose rows were not taken.
#[derive(Debug, Default)]
pub struct LeftOut {
    /// Damaged ones, by vehicle, session and reason.
    pub unusable: Vec<UnusableSession>,
    /// Those whose tables are there and cannot be read, as when a byte of them rotted: safe to make again.
    pub unread: Vec<Arc<Session>>,
}

impl LeftOut {
    /// All of them as unusable, those included that could not be read.
    pub fn into_unusable(self) -> Vec<UnusableSession> {
        let unread = self.unread.iter().map(|s| unusable(s, "its daily tables cannot be read".to_owned()));
        self.unusable.into_iter().chain(unread).collect()
    }
}

/// Takes the rows of sessions whose derived tables were made or found; gives those whose were not.
///
/// # Errors
/// When rows lack a column.
pub fn take(derived: &Derived, engine: &mut Engine) -> Result<LeftOut, SourceError> {
    let mut left_out = LeftOut::default();
    for session in &derived.sessions {
        let manifest = &session.session.manifest;
        match session.day_batches() {
            Some([days, classes]) => {
                engine.add(Table::Days, &manifest.vehicle, &days)?;
                engine.add(Table::SpeedClasses, &manifest.vehicle, &classes)?;
            }
            None => match &session.state {
                State::Damaged(damage) => {
                    let reason = damage.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ");
                    left_out.unusable.push(unusable(&session.session, reason));
                }
                _ => left_out.unread.push(Arc::clone(&session.session)),
            },
        }
    }
    Ok(left_out)
}

fn unusable(session: &Session, reason: String) -> UnusableSession {
    let manifest = &session.manifest;
    UnusableSession {
        session: manifest.session.clone(),
        vehicle: manifest.vehicle.clone(),
        run: manifest.run.as_ref().map(|r| r.run.clone()),
        reason,
    }
}

/// First and last date of the partitions of `days`, of the named vehicles only when there are any; `None` without any.
///
/// # Errors
/// When a directory cannot be listed.
pub fn dates(root: &Path, vehicles: &[String]) -> Result<Option<(NaiveDate, NaiveDate)>, SourceError> {
    let mut found = BTreeSet::new();
    for (name, vehicle) in partitions(&root.join(Table::Days.name()), "vehicle=")? {
        if !vehicles.is_empty() && !vehicles.contains(&name) {
            continue;
        }
        found.extend(partitions(&vehicle, "date=")?.into_iter().filter_map(|(date, _)| date.parse::<NaiveDate>().ok()));
    }
    Ok(found.first().copied().zip(found.last().copied().map(|d| d + Days::new(SPAN_DAYS))))
}

/// Reads the rows of files whose rows may lie between two days into the engine, those of the named vehicles only when
/// there are any.
///
/// # Errors
/// When a directory cannot be listed, or rows lack a column.
pub fn read(
    root: &Path,
    first: NaiveDate,
    last: NaiveDate,
    vehicles: &[String],
    engine: &mut Engine,
) -> Result<Read, SourceError> {
    let mut done = Read::default();
    let from = first.checked_sub_days(Days::new(SPAN_DAYS)).unwrap_or(first);
    for (table, columns) in [(Table::Days, DAYS_READ), (Table::SpeedClasses, CLASSES_READ)] {
        for (vehicle, directory) in partitions(&root.join(table.name()), "vehicle=")? {
            if !vehicles.is_empty() && !vehicles.contains(&vehicle) {
                continue;
            }
            for (date, directory) in partitions(&directory, "date=")? {
                if !date.parse::<NaiveDate>().is_ok_and(|d| (from..=last).contains(&d)) {
                    continue;
                }
                for path in files(&directory)? {
                    match rows(&path, table, columns) {
                        Ok(batches) => {
                            done.files += 1;
                            for batch in batches {
                                done.rows += batch.num_rows() as u64;
                                engine.add(table, &vehicle, &batch)?;
                            }
                        }
                        Err(reason) => done.unreadable.push((path, reason)),
                    }
                }
            }
        }
    }
    Ok(done)
}

/// The vehicles that have a folder below a directory of the dataset, in order.
///
/// # Errors
/// When the directory cannot be listed.
pub fn vehicles(root: &Path, directory: &str) -> Result<Vec<String>, SourceError> {
    Ok(partitions(&root.join(directory), "vehicle=")?.into_iter().map(|(name, _)| name).collect())
}

/// Sub-directories with a prefix: what follows the prefix, and the path; in order.
fn partitions(directory: &Path, prefix: &str) -> Result<Vec<(String, PathBuf)>, SourceError> {
    let mut found = Vec::new();
    for path in list(directory)? {
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        if let Some(value) = name.strip_prefix(prefix)
            && path.is_dir()
        {
            found.push((value.to_owned(), path));
        }
    }
    found.sort();
    Ok(found)
}

/// Finished Parquet files; those that are being written begin with a dot.
fn files(directory: &Path) -> Result<Vec<PathBuf>, SourceError> {
    let mut found = list(directory)?;
    let finished = |p: &PathBuf| {
        p.extension().is_some_and(|e| e == "parquet")
            && p.file_name().is_some_and(|n| !n.to_string_lossy().starts_with('.'))
    };
    found.retain(finished);
    found.sort();
    Ok(found)
}

fn list(directory: &Path) -> Result<Vec<PathBuf>, SourceError> {
    let failed = |source| SourceError::List { path: directory.to_owned(), source };
    match fs::read_dir(directory) {
        Ok(entries) => entries.map(|e| e.map(|e| e.path()).map_err(failed)).collect(),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
        Err(e) => Err(failed(e)),
    }
}

/// Rows of a derived file. Where it carries a hash of its values, they match it. Nothing vouches for its bytes before they
/// are decoded, and the decoder can panic on damaged ones.
fn rows(path: &Path, table: Table, columns: &[&str]) -> Result<Vec<RecordBatch>, String> {
    let bytes = Bytes::from(fs::read(path).map_err(|e| e.to_string())?);
    let session = path.file_stem().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let decode = || {
        // Of a few rows the schema's description costs as much as all the rest.
        let options = ArrowReaderOptions::new().with_skip_arrow_metadata(true);
        let builder =
            ParquetRecordBatchReaderBuilder::try_new_with_options(bytes.clone(), options).map_err(|e| e.to_string())?;
        if let Some(rows) = vouched_rows(&bytes, builder.metadata().file_metadata(), table, &session)? {
            return Ok(vec![rows.batch().map_err(|e| e.to_string())?]);
        }
        let mask = ProjectionMask::columns(builder.parquet_schema(), columns.iter().copied());
        let reader = builder.with_projection(mask).build().map_err(|e| e.to_string())?;
        reader.collect::<Result<Vec<_>, _>>().map_err(|e| e.to_string())
    };
    catch_unwind(AssertUnwindSafe(decode)).unwrap_or_else(|_| Err("cannot be decoded".to_owned()))
}

#[cfg(test)]
mod tests {
    use tallywheel_schemas::Domain;

    use super::*;
    use crate::{
        dataset::{Dataset, Filter},
        derive::{DeriveOptions, derive},
        fixture::{Columns, Sealed},
        progress::Silent,
    };

    /// Whatever bit flips in a daily table that carries a hash, the rows are the same or are not taken.
    #[test]
    fn no_flipped_bit_changes_a_row() {
        let dir = tempfile::tempdir().expect("a directory");
        let rig = "schema = 1\nvehicle = \"skerry-1\"\n[[port]]\nname = \"bench\"\nkind = \"text\"\ncolumns = [\"v\"]\n\
                   [[signal]]\nchannel = \"motion.wheel_speed_m_s\"\nport = \"bench\"\ncolumn = \"v\"\n";
        let t: Vec<i64> = (0..600).map(|i| 1_795_420_800_000_000 + i * 1_000_000).collect();
        let motion = Columns::new(Domain::Motion, t).all("wheel_speed_m_s", vec![12.5; 600]);
        Sealed::new("a", rig, vec![motion]).write(dir.path()).expect("a session");
        let dataset = Dataset::open(dir.path()).expect("a dataset");
        let sessions = dataset.sessions(&Filter::default());
        derive(&dataset, &sessions, &DeriveOptions::default(), &Silent).expect("derived");
        let path = sessions[0].derived_path(Table::Days);
        let sound = fs::read(&path).expect("there");
        let before = rows(&path, Table::Days, DAYS_READ).expect("rows");
        let project = |batch: &RecordBatch| {
            let wanted: Vec<_> =
                DAYS_READ.iter().map(|c| batch.column_by_name(c).cloned().expect("a column")).collect();
            format!("{wanted:?}")
        };
        let mut refused = 0;
        for byte in (0..sound.len()).step_by(11) {
            let mut bytes = sound.clone();
            bytes[byte] ^= 1 << (byte % 8);
            fs::write(&path, bytes).expect("room");
            match rows(&path, Table::Days, DAYS_READ) {
                Ok(after) => {
                    let same = after.iter().map(project).eq(before.iter().map(project));
                    assert!(same, "byte {byte} of {}", sound.len());
                }
                Err(_) => refused += 1,
            }
        }
        assert!(refused > 10, "{refused}");
    }
}
