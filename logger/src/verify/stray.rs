//! Files in a dataset's tables that no manifest speaks for.

use std::{
    collections::{BTreeMap, BTreeSet},
    fs, io,
    path::{Path, PathBuf},
};

use serde::Serialize;
use tallywheel_schemas::{Table, correction::CORRECTIONS_DIRECTORY};

use super::session::slashed;
use crate::durable::FileError;

/// A file that no manifest speaks for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StrayFile {
    /// Path below the dataset's root.
    pub path: String,
    /// Length.
    pub bytes: u64,
    /// What it seems to be.
    pub what: Stray,
}

/// What a stray file seems to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, thiserror::Error)]
#[serde(rename_all = "snake_case")]
pub enum Stray {
    /// Nobody knows it.
    #[error("no manifest speaks for it")]
    Foreign,
    /// Its session has a manifest that cannot be used.
    #[error("the manifest of its session cannot be used, so nothing vouches for it")]
    Orphan,
    /// A write that was broken off.
    #[error("left by a write that was broken off")]
    Leftover,
    /// It belongs to a session whose sealing was interrupted or goes on right now.
    #[error("belongs to an unfinished session")]
    Unfinished,
}

/// What is known of a dataset's sessions.
#[derive(Debug, Default)]
pub(super) struct Known {
    /// Paths that manifests speak for, below the root.
    pub(super) spoken: BTreeSet<String>,
    /// Where the corrections of sessions are, if they have any, below the root.
    pub(super) corrected: BTreeSet<PathBuf>,
    /// Sessions whose manifest cannot be used.
    pub(super) unusable: BTreeSet<String>,
    /// Sessions that are not finished.
    pub(super) unfinished: BTreeSet<String>,
}

/// Walks every table's directory. Derived tables are no part of the record; only broken-off writes count there.
pub(super) fn find(root: &Path, known: &Known) -> Result<Vec<StrayFile>, FileError> {
    let derived = Table::DERIVED;
    let tables = Table::SEALED.into_iter().chain(derived).map(Table::name).chain(["sessions"]);
    let mut found = BTreeMap::new();
    for table in tables {
        let sealed = !derived.iter().any(|t| t.name() == table);
        for path in files_below(&root.join(table))? {
            let relative = path.strip_prefix(root).unwrap_or(&path).to_owned();
            if let Some(what) = known.judge(&relative, sealed) {
                let bytes = fs::metadata(&path).map_or(0, |m| m.len());
                found.insert(slashed(&relative), (bytes, what));
            }
        }
    }
    for path in files_below(&root.join(CORRECTIONS_DIRECTORY))? {
        let relative = path.strip_prefix(root).unwrap_or(&path).to_owned();
        let session = path.file_stem().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        if !known.corrected.contains(&relative) && !known.unfinished.contains(&session) {
            let what = if known.unusable.contains(&session) { Stray::Orphan } else { Stray::Foreign };
            found.insert(slashed(&relative), (fs::metadata(&path).map_or(0, |m| m.len()), what));
        }
    }
    Ok(found.into_iter().map(|(path, (bytes, what))| StrayFile { path, bytes, what }).collect())
}

impl Known {
    fn judge(&self, path: &Path, sealed: bool) -> Option<Stray> {
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        if name.starts_with('.') && name.ends_with(".partial") {
            let owned = self.unfinished.iter().any(|s| name[1..].starts_with(&format!("{s}.")));
            return Some(if owned { Stray::Unfinished } else { Stray::Leftover });
        }
        let is_manifest = path.starts_with("sessions") && name.ends_with(".json") && !name.starts_with('.');
        if !sealed || is_manifest || self.spoken.contains(&slashed(path)) {
            return None;
        }
        let stem = path.file_stem().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        Some(match stem {
            stem if self.unusable.contains(&stem) => Stray::Orphan,
            stem if self.unfinished.contains(&stem) => Stray::Unfinished,
            _ => Stray::Foreign,
        })
    }
}

/// Files below a directory, at any depth; none where it does not exist. Links are files, not followed.
fn files_below(directory: &Path) -> Result<Vec<PathBuf>, FileError> {
    let mut found = Vec::new();
    let mut waiting = vec![directory.to_owned()];
    while let Some(directory) = waiting.pop() {
        let entries = match fs::read_dir(&directory) {
            Ok(entries) => entries,
            Err(e) if e.kind() == io::ErrorKind::NotFound => continue,
            Err(e) => return Err(FileError::io("read", &directory)(e)),
        };
        for entry in entries {
            let entry = entry.map_err(FileError::io("read", &directory))?;
            let kind = entry.file_type().map_err(FileError::io("inspect", &entry.path()))?;
            if kind.is_dir() {
                waiting.push(entry.path());
            } else {
                found.push(entry.path());
            }
        }
    }
    Ok(found)
}
