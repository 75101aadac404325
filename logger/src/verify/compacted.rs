//! Compacted days: their records, and the files that other engines read. The sessions in them are checked as sessions.

use std::{fs::File, path::Path};

use serde::Serialize;
use tallywheel_schemas::compacted::{CompactedDay, CompactedFile, SealedFiles};

use super::file::{FileCheck, FileFault, check_file};

/// What was found about one compacted day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CompactedCheck {
    /// Its record, below the dataset's root.
    pub record: String,
    /// What is wrong with the record.
    pub faults: Vec<String>,
    /// Each of its files.
    pub files: Vec<FileCheck>,
}

impl CompactedCheck {
    /// Everything that could be checked holds.
    pub fn holds(&self) -> bool {
        self.faults.is_empty() && self.files.iter().all(|f| f.faults.is_empty())
    }
}

/// Bytes that there are to read.
pub(super) fn bytes(sealed: &SealedFiles) -> u64 {
    sealed.compacted().days().iter().flat_map(|d| &d.files).map(|f| f.file.bytes).sum()
}

/// Checks every compacted day.
pub(super) fn check(sealed: &SealedFiles, root: &Path, progress: &mut dyn FnMut(u64)) -> Vec<CompactedCheck> {
    let index = sealed.compacted();
    let mut found: Vec<CompactedCheck> = index
        .days()
        .iter()
        .map(|day| CompactedCheck {
            record: super::session::slashed(&day.path()),
            faults: Vec::new(),
            files: day.files.iter().map(|file| check_day_file(day, file, root, progress)).collect(),
        })
        .collect();
    found.extend(index.faults().iter().map(|(record, reason)| CompactedCheck {
        record: record.clone(),
        faults: vec![reason.clone()],
        files: Vec::new(),
    }));
    found
}

/// A day's file, in its place or still waiting for it.
fn check_day_file(day: &CompactedDay, file: &CompactedFile, root: &Path, progress: &mut dyn FnMut(u64)) -> FileCheck {
    let opened = File::open(root.join(&file.file.path)).or_else(|_| File::open(root.join(day.waiting(file))));
    match opened {
        Ok(opened) => check_file(&file.file, &opened, progress),
        Err(_) => FileCheck::of_fault(&file.file, FileFault::Missing),
    }
}
