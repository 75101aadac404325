//! The dataset: which sealed sessions a directory holds, and their tables, checked before they are trusted.
//!
//! Takes a directory as `tallywheel-logger` leaves it. Gives sessions (manifest and rig, read once on opening)
//! and, per table, record batches whose bytes have matched the manifest's hashes.

mod rows;
mod unspoken;
mod unusable;
mod verify;

use std::{
    collections::HashMap,
    fs, io,
    path::{Path, PathBuf},
    sync::Arc,
};

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use tallywheel_schemas::{
    Digest, Manifest, Rig, Table, TextFileError, Timestamp,
    compacted::SealedFiles,
    correction::{self, AppliedCorrection, CorrectionError},
    manifest::{FileRecord, Seal},
    report::{InputKind, UnusableSession},
    table::manifest_path,
};

use crate::disk::Disk;
pub use rows::TableRows;
use unusable::{SessionFault, Unusable};

/// A directory of sealed sessions.
#[derive(Debug)]
pub struct Dataset {
    root: PathBuf,
    disk: Disk,
    sessions: Vec<Arc<Session>>,
    unusable: Vec<Unusable>,
    /// The vehicles that were looked at; empty for all.
    vehicles: Vec<String>,
}

/// One sealed session.
#[derive(Debug)]
pub struct Session {
    /// What was recorded, as it is known today: with the run sheet's corrections, which are among the notes, and with
    /// its times put right by the satellite receiver's, as [`TableRows`] are. The rig's text is left out; `rig` has what it
    /// says.
    pub manifest: Manifest,
    /// The rig that the decoded tables were made with; sessions of one rig share it.
    pub rig: Arc<Rig>,
    /// Hash of the session's content; derived tables are keyed by it.
    pub digest: Digest,
    /// Corrections of the run sheet, in order.
    pub corrections: Vec<AppliedCorrection>,
    root: PathBuf,
    files: SealedFiles,
    disk: Disk,
    /// Date under which its files lie.
    date: String,
}

/// Which sessions are wanted. The default is all of them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Filter {
    /// Vehicles; empty for all.
    pub vehicles: Vec<String>,
    /// First UTC date of a session's start.
    pub from: Option<NaiveDate>,
    /// Last UTC date of a session's start, inclusive.
    pub to: Option<NaiveDate>,
    /// Run-sheet names; empty for all sessions, with a run sheet or without.
    pub runs: Vec<String>,
}

/// Bytes of a file that are not as sealed, and the rows left out for it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Damage {
    /// Table.
    pub table: String,
    /// Path of the file below the dataset's root.
    pub path: String,
    /// Rows left out; 0 when the damage lies where no row is.
    pub rows: u64,
    /// What is wrong, as a lowercase fragment.
    pub reason: String,
}

impl std::fmt::Display for Damage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.rows == 0 {
            return write!(f, "{}: no row is lost, but the file is damaged: {}", self.path, self.reason);
        }
        write!(f, "{}: {} rows cannot be trusted and are left out: {}", self.path, self.rows, self.reason)
    }
}

/// A directory that cannot be used as a dataset.
#[derive(Debug, thiserror::Error)]
pub enum DatasetError {
    /// The path is no directory.
    #[error("{}: not a directory", path.display())]
    NotADirectory {
        /// The path.
        path: PathBuf,
    },
    /// The directory is something else.
    #[error("{}: not a dataset: there is no `sessions` directory in it; name the directory that was recorded into", path.display())]
    Foreign {
        /// The directory.
        path: PathBuf,
    },
    /// A directory cannot be listed.
    #[error("read {}: {source}", path.display())]
    Io {
        /// The directory.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

impl Dataset {
    /// Opens a dataset: lists its sessions and reads every manifest. No table is read yet. A session whose manifest
    /// or rig cannot be used is in [`Dataset::unusable`], and the others go on.
    ///
    /// # Errors
    /// When `root` is not a directory or has no `sessions` directory, or when a directory cannot be listed. A dataset
    /// without any session is no error.
    pub fn open(root: &Path) -> Result<Self, DatasetError> {
        Self::open_on(&Disk::default(), root)
    }

    /// As [`Dataset::open`], but only the folders of some vehicles are looked at, or of all when none is named: what one
    /// vehicle costs then does not grow with the fleet.
    ///
    /// # Errors
    /// As [`Dataset::open`].
    pub fn open_vehicles(root: &Path, vehicles: &[String]) -> Result<Self, DatasetError> {
        Self::look(&Disk::default(), root, vehicles)
    }

    /// As [`Dataset::open`]; what is derived from its sessions is written through `disk`.
    ///
    /// # Errors
    /// As [`Dataset::open`].
    pub fn open_on(disk: &Disk, root: &Path) -> Result<Self, DatasetError> {
        Self::look(disk, root, &[])
    }

    fn look(disk: &Disk, root: &Path, vehicles: &[String]) -> Result<Self, DatasetError> {
        if !root.is_dir() {
            return Err(DatasetError::NotADirectory { path: root.to_owned() });
        }
        let top = root.join("sessions");
        if !top.is_dir() {
            return Err(DatasetError::Foreign { path: root.to_owned() });
        }
        let files = SealedFiles::open_vehicles(root, vehicles)
            .map_err(|source| DatasetError::Io { path: root.to_owned(), source })?;
        let (mut sessions, mut unusable, mut rigs) = (Vec::new(), Vec::new(), Rigs::default());
        for vehicle in folders_of(&top, vehicles)? {
            for date in partitions(&vehicle, "date=")? {
                for path in list(&date)?.into_iter().filter(|p| p.extension().is_some_and(|e| e == "json")) {
                    match Session::open(disk, root, &files, &mut rigs, &path) {
                        Ok(session) => sessions.push(Arc::new(session)),
                        Err(fault) => unusable.push(Unusable::new(&path, &fault)),
                    }
                }
            }
        }
        sessions.sort_by(|a, b| a.order().cmp(&b.order()));
        unusable.sort_by(|a, b| a.order().cmp(&b.order()));
        Ok(Self { root: root.to_owned(), disk: disk.clone(), sessions, unusable, vehicles: vehicles.to_vec() })
    }

    /// The vehicles that were looked at; empty for all.
    pub(crate) fn vehicles(&self) -> &[String] {
        &self.vehicles
    }

    /// The directory.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// What derived files are written through.
    pub(crate) const fn disk(&self) -> &Disk {
        &self.disk
    }

    /// The sessions that a filter lets through, by vehicle, then start, then name.
    pub fn sessions(&self, filter: &Filter) -> Vec<Arc<Session>> {
        self.sessions.iter().filter(|s| filter.lets_through(&s.manifest)).cloned().collect()
    }

    /// The sessions that cannot be used, by vehicle, then date, then name, as far as the filter's vehicles and dates
    /// let them through.
    pub fn unusable(&self, filter: &Filter) -> Vec<UnusableSession> {
        self.unusable.iter().filter_map(|u| u.matching(filter)).cloned().collect()
    }
}

impl Filter {
    fn lets_through(&self, manifest: &Manifest) -> bool {
        let date = manifest.start_us.naive_date();
        let run = manifest.run.as_ref().map(|r| &r.run);
        (self.vehicles.is_empty() || self.vehicles.contains(&manifest.vehicle))
            && self.from.is_none_or(|from| date >= from)
            && self.to.is_none_or(|to| date <= to)
            && (self.runs.is_empty() || run.is_some_and(|r| self.runs.contains(r)))
    }
}

impl Session {
    /// The same session with another run sheet: what a campaign says of a session for which nobody wrote one.
    #[must_use]
    pub fn described_as(&self, sheet: tallywheel_schemas::RunSheet) -> Self {
        Self {
            manifest: Manifest { run: Some(sheet), ..self.manifest.clone() },
            rig: Arc::clone(&self.rig),
            digest: self.digest,
            corrections: self.corrections.clone(),
            root: self.root.clone(),
            files: self.files.clone(),
            disk: self.disk.clone(),
            date: self.date.clone(),
        }
    }

    fn open(disk: &Disk, root: &Path, files: &SealedFiles, rigs: &mut Rigs, path: &Path) -> Result<Self, SessionFault> {
        let (mut manifest, seal) = Manifest::read_with_seal(path)?;
        let (path, run) = (path.to_owned(), manifest.run.as_ref().map(|r| r.run.clone()));
        if seal == Seal::Altered {
            return Err(SessionFault::Altered { path, run });
        }
        let corrections = correct(root, &mut manifest).map_err(|source| SessionFault::Correction {
            path: path.clone(),
            source,
            run: run.clone(),
        })?;
        let rig = rigs.of(&manifest).map_err(|source| SessionFault::Rig { path, source, run })?;
        let date = manifest.start_us.date();
        put_times_right(&mut manifest);
        let (root, files, disk) = (root.to_owned(), files.clone(), disk.clone());
        // Half of a manifest is the rig's text, and nothing needs it that has the rig: a fleet has thousands of manifests.
        manifest.rig.text = String::new();
        Ok(Self { digest: manifest.content_digest(), manifest, rig, corrections, root, files, disk, date })
    }

    /// The rows of one table, of the columns named, as far as their bytes match the manifest's hashes. A table or
    /// column that the session does not have gives no rows; what cannot be trusted is in
    /// [`TableRows::damage`].
    pub fn rows(&self, table: Table, columns: &[&str]) -> TableRows {
        match self.manifest.file(table) {
            Some(record) => TableRows::open(&self.files, record, columns, self.manifest.clock_fit.as_ref()),
            None => TableRows::none(),
        }
    }

    /// Whether every decoded table still has the bytes that the manifest vouches for.
    pub(crate) fn is_intact(&self) -> bool {
        let decoded = |f: &&FileRecord| matches!(Table::from_name(&f.table), Some(Table::Decoded(_)));
        self.manifest.files.iter().filter(decoded).all(|f| verify::matches(&self.files, f))
    }

    /// The decoded tables and the files that hold them.
    pub(crate) fn decoded_files(&self) -> impl Iterator<Item = (Table, PathBuf)> {
        self.manifest.files.iter().filter_map(|f| match Table::from_name(&f.table) {
            Some(table @ Table::Decoded(_)) => Some((table, self.files.holder(f))),
            _ => None,
        })
    }

    /// Root of the dataset.
    pub(crate) fn root(&self) -> &Path {
        &self.root
    }

    /// What its derived files are written through.
    pub(crate) const fn disk(&self) -> &Disk {
        &self.disk
    }

    /// The session's files beside its tables, manifest first: path below the dataset's root and hash of the content as
    /// it is now. A file that cannot be read is left out.
    pub fn companions(&self) -> Vec<(InputKind, String, Digest)> {
        let m = &self.manifest;
        let manifest = manifest_path(&m.vehicle, &self.date, &m.session);
        let corrections = correction::corrections_path(Path::new(""), &m.vehicle, &m.session);
        [(InputKind::Manifest, manifest), (InputKind::Corrections, corrections)]
            .into_iter()
            .filter_map(|(kind, path)| {
                let digest = Digest::of(&fs::read(self.root.join(&path)).ok()?);
                let parts: Vec<_> = path.components().map(|c| c.as_os_str().to_string_lossy()).collect();
                Some((kind, parts.join("/"), digest))
            })
            .collect()
    }

    /// Path of one of this session's derived files below the dataset's root.
    pub(crate) fn derived_path(&self, table: Table) -> PathBuf {
        let m = &self.manifest;
        self.root.join(table.path(&m.vehicle, &self.date, &m.session))
    }

    fn order(&self) -> (&str, Timestamp, &str) {
        (&self.manifest.vehicle, self.manifest.start_us, &self.manifest.session)
    }
}

/// Rigs by their text: a vehicle's sessions share one for months, and it is a third of what opening a session costs.
#[derive(Debug, Default)]
struct Rigs(HashMap<String, Arc<Rig>>);

impl Rigs {
    fn of(&mut self, manifest: &Manifest) -> Result<Arc<Rig>, TextFileError> {
        if let Some(rig) = self.0.get(&manifest.rig.text) {
            return Ok(Arc::clone(rig));
        }
        let rig = Arc::new(manifest.parse_rig()?);
        self.0.insert(manifest.rig.text.clone(), Arc::clone(&rig));
        Ok(rig)
    }
}

/// Applies the corrections of a session's run sheet and says so in the notes.
fn correct(root: &Path, manifest: &mut Manifest) -> Result<Vec<AppliedCorrection>, CorrectionError> {
    let corrections = correction::read(root, &manifest.vehicle, &manifest.session)?;
    let (sheet, applied) = correction::apply(manifest.run.as_ref(), &corrections)?;
    manifest.run = sheet;
    manifest.notes.extend(applied.iter().map(ToString::to_string));
    Ok(applied)
}

/// Adds to a manifest's times what the host's clock was off by.
fn put_times_right(manifest: &mut Manifest) {
    let Some(fit) = manifest.clock_fit.clone() else { return };
    let right = |t: Timestamp| t.plus_us(fit.correction_us(t));
    manifest.start_us = right(manifest.start_us);
    manifest.end_us = right(manifest.end_us);
    for gap in &mut manifest.gaps {
        gap.start_us = right(gap.start_us);
    }
}

/// The folders of some vehicles that are there, or of all.
fn folders_of(directory: &Path, vehicles: &[String]) -> Result<Vec<PathBuf>, DatasetError> {
    if vehicles.is_empty() {
        return partitions(directory, "vehicle=");
    }
    let named = vehicles.iter().map(|v| directory.join(format!("vehicle={v}")));
    Ok(named.filter(|p| p.is_dir()).collect())
}

fn partitions(directory: &Path, prefix: &str) -> Result<Vec<PathBuf>, DatasetError> {
    let mut found = list(directory)?;
    found.retain(|p| p.is_dir() && p.file_name().is_some_and(|n| n.to_string_lossy().starts_with(prefix)));
    Ok(found)
}

fn list(directory: &Path) -> Result<Vec<PathBuf>, DatasetError> {
    let error = |source| DatasetError::Io { path: directory.to_owned(), source };
    let entries = fs::read_dir(directory).map_err(error)?;
    entries.map(|entry| entry.map(|e| e.path()).map_err(error)).collect()
}

#[cfg(test)]
mod tests;
