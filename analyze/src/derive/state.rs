//! Whether a session's derived tables are there and still of what it is made of today.

use std::{collections::HashMap, fs, io, panic::catch_unwind, path::Path, time::UNIX_EPOCH};

use bytes::Bytes;
use parquet::file::metadata::ParquetMetaDataReader;
use tallywheel_schemas::{Table, table::DAYS_VERSION};

use super::{DeriveOptions, SessionRows};
use crate::{
    dataset::Session,
    ledger::{read_back, read_rows, write_derived},
    trips::trip_keys,
};

const MANIFEST_KEY: &str = "tallywheel.manifest";
const DAYS_VERSION_KEY: &str = "tallywheel.days_version";
/// What the decoded tables' files were like when they were read.
const SOURCES_KEY: &str = "tallywheel.sources";
/// Lengths of the other derived files.
const FILES_KEY: &str = "tallywheel.files";

/// The tables that are written before `days`.
const BEFORE_DAYS: [Table; 4] = [Table::Ledger, Table::MotorLedger, Table::Trips, Table::SpeedClasses];

/// What each derived table of a session has to say that it was made of.
pub(super) struct Keys {
    trips: Vec<(&'static str, String)>,
    days: Vec<(&'static str, String)>,
}

impl Keys {
    pub(super) fn of(session: &Session, options: &DeriveOptions) -> Self {
        let trips = trip_keys(session, options.bin_us, &options.rules);
        let manifest = session.manifest.seal.unwrap_or(session.digest);
        let mut days = trips.clone();
        days.push((MANIFEST_KEY, manifest.to_string()));
        days.push((DAYS_VERSION_KEY, DAYS_VERSION.to_string()));
        Self { trips, days }
    }

    /// Whether nothing is missing. The decoded tables count as unchanged when length and time of change are as before;
    /// otherwise, and where `check` asks for it, they are hashed.
    pub(super) fn all_there(&self, session: &Session, check: bool) -> bool {
        let Some(said) = footer_keys(&session.derived_path(Table::Days)) else { return false };
        let says = |key: &str, value: &str| said.get(key).is_some_and(|v| v == value);
        let same = self.days.iter().all(|(key, value)| says(key, value)) && says(FILES_KEY, &files(session));
        if !same {
            return false;
        }
        let untouched = says(SOURCES_KEY, &sources(session));
        if untouched && !check {
            return true;
        }
        let sound =
            || Table::DERIVED.iter().all(|t| !session.derived_path(*t).exists() || read_rows(session, *t).is_some());
        session.is_intact() && (!check || sound()) && (untouched || self.stamp_again(session))
    }

    /// Notes the files' new lengths and times, so that they need not be hashed again.
    fn stamp_again(&self, session: &Session) -> bool {
        let sources = sources(session);
        let Some(days) = read_back(session, Table::Days, &self.days) else { return false };
        // If it cannot be written, they are hashed again next time.
        let _ = write_derived(session, &days.rows, &self.days_keys(session, &sources));
        true
    }

    fn days_keys(&self, session: &Session, sources: &str) -> Vec<(&'static str, String)> {
        let mut keys = self.days.clone();
        keys.push((SOURCES_KEY, sources.to_owned()));
        keys.push((FILES_KEY, files(session)));
        keys
    }

    /// Writes trips, classes of speed and days; says whether the trips were not there already.
    ///
    /// # Errors
    /// When a file cannot be written.
    pub(super) fn write(&self, session: &Session, rows: &SessionRows, sources: &str) -> io::Result<bool> {
        let there = |wanted: &crate::ledger::Rows, keys: &[(&'static str, String)]| {
            read_back(session, wanted.table, keys).is_some_and(|read| read.rows == *wanted)
        };
        let trips = !there(&rows.trips, &self.trips);
        if trips {
            write_derived(session, &rows.trips, &self.trips)?;
        }
        write_derived(session, &rows.classes, &self.days)?;
        write_derived(session, &rows.days, &self.days_keys(session, sources))?;
        Ok(trips)
    }
}

/// The decoded tables' files: length and time of change of each.
pub(super) fn sources(session: &Session) -> String {
    let mut text = String::new();
    for (table, path) in session.decoded_files() {
        let stamp = fs::metadata(&path).map(|m| (m.len(), m.modified().ok()));
        match stamp {
            Ok((bytes, changed)) => {
                let changed = changed.and_then(|t| t.duration_since(UNIX_EPOCH).ok()).unwrap_or_default();
                text += &format!("{table} {bytes} {}\n", changed.as_nanos());
            }
            Err(_) => text += &format!("{table} missing\n"),
        }
    }
    text
}

/// The derived files beside `days`: length of each.
fn files(session: &Session) -> String {
    let length = |t: &Table| fs::metadata(session.derived_path(*t)).map_or(0, |m| m.len());
    BEFORE_DAYS.iter().map(|t| format!("{t} {}\n", length(t))).collect()
}

/// Key-value metadata of a Parquet file; `None` when it is missing or no such file.
fn footer_keys(path: &Path) -> Option<HashMap<String, String>> {
    let bytes = Bytes::from(fs::read(path).ok()?);
    // Nothing vouches for these bytes, and the decoder can panic on damaged ones.
    let parse = || ParquetMetaDataReader::new().parse_and_finish(&bytes).ok();
    let metadata = catch_unwind(parse).ok()??;
    let pairs = metadata.file_metadata().key_value_metadata()?;
    Some(pairs.iter().filter_map(|kv| Some((kv.key.clone(), kv.value.clone()?))).collect())
}
