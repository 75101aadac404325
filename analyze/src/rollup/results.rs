//! The sums of a roll-up as they are once the SQL has run: here in the embedded engine, or elsewhere, as Parquet.
//!
//! `analyze/spark/weekly.py` runs the same statements on Spark and leaves a directory with `results.json`, which says which
//! week and parameters they are of, and one directory of Parquet files for each result.

use std::{
    fs, io,
    panic::{AssertUnwindSafe, catch_unwind},
    path::{Path, PathBuf},
};

use bytes::Bytes;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use serde::Deserialize;
use tallywheel_schemas::report::UnusableSession;

use super::{Engine, EngineError, Frame, Parameters};

/// Version of `results.json`.
///
/// 1: first version.
pub const RESULTS_VERSION: u32 = 1;

/// What the statements give for a period and the four weeks before it.
#[derive(Debug, Clone, PartialEq)]
pub struct Results {
    /// Rows of `vehicle_periods`.
    pub vehicles: Frame,
    /// Rows of `fleet_periods`.
    pub fleet: Frame,
    /// Rows of `vehicle_days`.
    pub days: Frame,
    /// Rows of `class_reference`.
    pub reference: Frame,
}

/// Results that cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum ResultsError {
    /// A file cannot be read.
    #[error("read {}: {source}", path.display())]
    Io {
        /// The path.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// `results.json` is not what it should be.
    #[error("{}: {reason}", path.display())]
    Said {
        /// The path.
        path: PathBuf,
        /// Why not.
        reason: String,
    },
}

/// What `results.json` says beside the sums.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Said {
    schema: u32,
    /// ISO 8601 week that they are of.
    pub week: String,
    /// Parameters of the sums.
    pub parameters: Parameters,
    /// Sessions that are not in them.
    pub unusable_sessions: Vec<UnusableSession>,
}

impl Results {
    /// Of an engine in which the statements have run.
    ///
    /// # Errors
    /// When the engine fails.
    pub fn of(engine: &Engine) -> Result<Self, EngineError> {
        Ok(Self {
            vehicles: engine.result("vehicle_periods")?,
            fleet: engine.result("fleet_periods")?,
            days: engine.result("vehicle_days")?,
            reference: engine.result("class_reference")?,
        })
    }

    /// From a directory that another engine has left, with what is said of them.
    ///
    /// # Errors
    /// When a file is missing, cannot be read, or is of another version.
    pub fn read(directory: &Path) -> Result<(Self, Said), ResultsError> {
        let path = directory.join("results.json");
        let text = fs::read(&path).map_err(|source| ResultsError::Io { path: path.clone(), source })?;
        let wrong = |reason: String| ResultsError::Said { path: path.clone(), reason };
        let said: Said = serde_json::from_slice(&text).map_err(|e| wrong(e.to_string()))?;
        if said.schema != RESULTS_VERSION {
            return Err(wrong(format!("version {} of results, this program reads {RESULTS_VERSION}", said.schema)));
        }
        let frame = |name: &str, keys: &[&str]| {
            let directory = directory.join(name);
            frame(&directory).map(|f| f.sorted(keys)).map_err(|reason| ResultsError::Said { path: directory, reason })
        };
        let results = Self {
            vehicles: frame("vehicle_periods", &["period", "vehicle"])?,
            fleet: frame("fleet_periods", &["period"])?,
            days: frame("vehicle_days", &["period", "vehicle", "day"])?,
            reference: frame("class_reference", &["period", "mode", "class_km_h"])?,
        };
        Ok((results, said))
    }
}

/// The rows of all Parquet files of a directory.
fn frame(directory: &Path) -> Result<Frame, String> {
    let entries = fs::read_dir(directory).map_err(|e| e.to_string())?;
    let mut paths: Vec<PathBuf> =
        entries.map(|e| e.map(|e| e.path())).collect::<Result<_, _>>().map_err(|e| e.to_string())?;
    paths.retain(|p| p.extension().is_some_and(|e| e == "parquet"));
    paths.sort();
    let mut all = Frame::default();
    for path in paths {
        // Nothing vouches for the bytes, and the decoder can panic on damaged ones.
        let read =
            catch_unwind(AssertUnwindSafe(|| file(&path))).unwrap_or_else(|_| Err("cannot be decoded".to_owned()));
        all.append(read.map_err(|e| format!("{}: {e}", path.file_name().unwrap_or_default().display()))?)?;
    }
    if all.columns.is_empty() { Err("no Parquet file in it".to_owned()) } else { Ok(all) }
}

fn file(path: &Path) -> Result<Frame, String> {
    let bytes = Bytes::from(fs::read(path).map_err(|e| e.to_string())?);
    let builder = ParquetRecordBatchReaderBuilder::try_new(bytes).map_err(|e| e.to_string())?;
    let mut all =
        Frame { columns: builder.schema().fields().iter().map(|f| f.name().clone()).collect(), rows: Vec::new() };
    for batch in builder.build().map_err(|e| e.to_string())? {
        all.append(Frame::of(&batch.map_err(|e| e.to_string())?)?)?;
    }
    Ok(all)
}
