//! Compaction: the tables of a vehicle's day in one file each, without re-encoding and without loss.
//!
//! Takes a dataset of many small sessions. [`compact`] writes, for every day of a vehicle with enough of them, what
//! [`tallywheel_schemas::compacted`] describes: row groups are copied byte for byte, so that the hashes that the
//! sessions' manifests have for them go on holding, and every session's file can be put together again as it was
//! sealed. Each session is checked against its manifest first, and put together again and compared after; a day in
//! which anything does not match is left as it is.
//!
//! A day's files are written beside the tables, and the sessions' own files stay. Only where
//! [`CompactOptions::remove_originals`] asks for it do they make way. At every moment each row is to be had, by our
//! readers from either; other engines, which read whole tables, never see a row twice: a table's files are removed
//! just before the day's file takes its place.

mod build;
mod switch;
#[cfg(test)]
mod tests;

use std::{
    collections::BTreeMap,
    io,
    path::{Path, PathBuf},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
};

use serde::Serialize;
use tallywheel_schemas::{
    Manifest,
    compacted::{CompactedDay, CompactedIndex, SealedFiles},
    manifest::Seal,
    table::partition,
};

use crate::{
    disk::Disk,
    lock::{DatasetLock, LockError},
    progress::Progress,
};

/// Fewest sessions of a day that are worth a file.
pub const MIN_SESSIONS: usize = 2;

/// How to compact.
#[derive(Debug, Clone)]
pub struct CompactOptions {
    /// Fewest sessions of a day that are compacted.
    pub min_sessions: usize,
    /// Remove the sessions' own files of days that are compacted, and put the day's in their place.
    pub remove_originals: bool,
    /// Set from outside to stop after the day at hand.
    pub stop: Option<Arc<AtomicBool>>,
    /// What files are written through.
    pub disk: Disk,
}

impl Default for CompactOptions {
    fn default() -> Self {
        Self { min_sessions: MIN_SESSIONS, remove_originals: false, stop: None, disk: Disk::default() }
    }
}

/// What was done.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Default)]
pub struct Compacted {
    /// Days compacted now.
    pub days: Vec<DayCompacted>,
    /// Days left as they are, with the reason: something in them does not match its manifest.
    pub left: Vec<DayLeft>,
    /// Days compacted now or earlier whose files took the place of the sessions' own.
    pub switched: usize,
    /// Compacted days whose sessions' own files are still there.
    pub waiting: usize,
}

/// A day that was compacted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct DayCompacted {
    /// Vehicle.
    pub vehicle: String,
    /// UTC date.
    pub date: String,
    /// Sessions.
    pub sessions: usize,
    /// Files before, of all tables.
    pub files_before: usize,
    /// Files after.
    pub files_after: usize,
    /// Bytes before.
    pub bytes_before: u64,
    /// Bytes after, with what is kept to put the sessions' files together again.
    pub bytes_after: u64,
}

/// A day that was left as it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct DayLeft {
    /// Vehicle.
    pub vehicle: String,
    /// UTC date.
    pub date: String,
    /// Why.
    pub reason: String,
}

/// Compaction that could not be done or finished.
#[derive(Debug, thiserror::Error)]
pub enum CompactError {
    /// The directory is something else.
    #[error("{}: not a dataset: there is no `sessions` directory in it; name the directory that was recorded into", path.display())]
    Foreign {
        /// The directory.
        path: PathBuf,
    },
    /// Another process changes the dataset.
    #[error(transparent)]
    Lock(#[from] LockError),
    /// The dataset cannot be read or written.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file or directory.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A record of a compacted day cannot be used, so that nothing is known of the sessions in it.
    #[error("{path}: {reason}; put it back as it was, or bring its sessions back with `collect`")]
    Record {
        /// The record, below the dataset's root.
        path: String,
        /// Why.
        reason: String,
    },
    /// Stopped from outside.
    #[error("interrupted; what is done is kept, run the same command to go on")]
    Interrupted,
}

impl CompactError {
    fn io(path: &Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Io { path, source }
    }
}

/// A vehicle's day with the sessions that are not compacted yet.
struct Day {
    vehicle: String,
    date: String,
    /// By start.
    sessions: Vec<Manifest>,
}

/// Compacts a dataset.
///
/// # Errors
/// When the directory is no dataset, another process changes it, it cannot be read or written, the record of a day
/// compacted earlier cannot be used, or [`CompactOptions::stop`] was set.
pub fn compact(root: &Path, options: &CompactOptions, progress: &dyn Progress) -> Result<Compacted, CompactError> {
    if !root.join("sessions").is_dir() {
        return Err(CompactError::Foreign { path: root.to_owned() });
    }
    let _lock = DatasetLock::take(&options.disk, root)?;
    let index = known(root)?;
    let days = days(root, &index).map_err(CompactError::io(root))?;
    let worth: Vec<Day> = days.into_iter().filter(|d| d.sessions.len() >= options.min_sessions.max(2)).collect();
    let mut done = Compacted::default();
    progress.begin("compact days", worth.len() as u64);
    for day in &worth {
        if options.stop.as_ref().is_some_and(|stop| stop.load(Ordering::Relaxed)) {
            progress.end();
            return Err(CompactError::Interrupted);
        }
        let number = next_number(&index, day);
        match build::build(root, &options.disk, day, number)? {
            Ok(built) => done.days.push(built),
            Err(reason) => {
                let (vehicle, date) = (day.vehicle.clone(), day.date.clone());
                done.left.push(DayLeft { vehicle, date, reason });
            }
        }
        progress.advance();
    }
    progress.end();
    let files = SealedFiles::open(root).map_err(CompactError::io(root))?;
    for day in files.compacted().days() {
        if switch::is_switched(root, day) {
            done.switched += 1;
        } else if options.remove_originals {
            match switch::switch(root, &options.disk, &files, day)? {
                Ok(()) => done.switched += 1,
                Err(reason) => {
                    let (vehicle, date) = (day.vehicle.clone(), day.date.clone());
                    done.left.push(DayLeft { vehicle, date, reason });
                }
            }
        } else {
            done.waiting += 1;
        }
    }
    Ok(done)
}

/// What taking compaction back came to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Default)]
pub struct Restored {
    /// Days taken back.
    #[serde(rename = "restored")]
    pub days: usize,
    /// Sessions of the dataset whose manifest can be read.
    pub sessions: usize,
    /// Those of them with files that are nowhere.
    pub incomplete: Vec<Incomplete>,
}

/// A session with files that are neither in their places nor in a compacted day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Incomplete {
    /// Vehicle.
    pub vehicle: String,
    /// Session.
    pub session: String,
    /// The files, below the dataset's root.
    pub missing: Vec<String>,
}

/// Takes compaction back: the sessions of compacted days have their own files again, as they were sealed. Names the
/// sessions of the dataset whose files are nowhere, as when the records of its compacted days are gone.
///
/// # Errors
/// As [`compact`], or when a session's file cannot be put together as it was sealed.
pub fn restore(root: &Path, disk: &Disk) -> Result<Restored, CompactError> {
    if !root.join("sessions").is_dir() {
        return Err(CompactError::Foreign { path: root.to_owned() });
    }
    let _lock = DatasetLock::take(disk, root)?;
    known(root)?;
    let files = SealedFiles::open(root).map_err(CompactError::io(root))?;
    for day in files.compacted().days() {
        switch::take_back(root, disk, &files, day)?;
    }
    let mut done = Restored { days: files.compacted().days().len(), ..Restored::default() };
    for path in crate::collect::manifests(root).map_err(CompactError::io(root))?.into_values() {
        // One that cannot be used is named by `verify`.
        let Ok((manifest, _)) = Manifest::read_with_seal(&root.join(&path)) else { continue };
        done.sessions += 1;
        let gone = manifest.files.iter().filter(|f| !root.join(&f.path).exists());
        let missing: Vec<String> = gone.map(|f| f.path.clone()).collect();
        if !missing.is_empty() {
            done.incomplete.push(Incomplete { vehicle: manifest.vehicle, session: manifest.session, missing });
        }
    }
    done.incomplete.sort_by(|a, b| (&a.vehicle, &a.session).cmp(&(&b.vehicle, &b.session)));
    Ok(done)
}

fn known(root: &Path) -> Result<CompactedIndex, CompactError> {
    let index = CompactedIndex::read(root).map_err(CompactError::io(root))?;
    match index.faults().first() {
        Some((path, reason)) => Err(CompactError::Record { path: path.clone(), reason: reason.clone() }),
        None => Ok(index),
    }
}

/// The number of a day's next compaction.
fn next_number(index: &CompactedIndex, day: &Day) -> u32 {
    let earlier = index.days().iter().filter(|d| d.vehicle == day.vehicle && d.date == day.date);
    earlier.map(|d| d.number).max().unwrap_or(0) + 1
}

/// Every vehicle's days with the sessions that are in no compacted day. A manifest that cannot be used leaves its
/// session out; `verify` names it.
fn days(root: &Path, index: &CompactedIndex) -> io::Result<Vec<Day>> {
    let mut found: BTreeMap<(String, String), Vec<Manifest>> = BTreeMap::new();
    for path in crate::collect::manifests(root)?.into_values() {
        let Ok((manifest, seal)) = Manifest::read_with_seal(&root.join(&path)) else { continue };
        let compacted = manifest.files.iter().any(|f| index.find(&f.path).is_some());
        if seal != Seal::Altered && manifest.path() == path && !compacted && !manifest.files.is_empty() {
            let date = manifest.start_us.date();
            found.entry((manifest.vehicle.clone(), date)).or_default().push(manifest);
        }
    }
    Ok(found
        .into_iter()
        .map(|((vehicle, date), mut sessions)| {
            sessions.sort_by(|a, b| (a.start_us, &a.session).cmp(&(b.start_us, &b.session)));
            Day { vehicle, date, sessions }
        })
        .collect())
}

/// Directory of a table's files of a day.
fn table_directory(root: &Path, day: &CompactedDay, table: &str) -> PathBuf {
    root.join(partition(table, &day.vehicle, &day.date))
}
