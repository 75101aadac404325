//! Finishes recordings that were interrupted.
//!
//! Every directory under `.journal` that no program holds is looked at. What its journal holds becomes a session;
//! whatever of it cannot be read is moved to `.journal-unreadable/SESSION`, never deleted. The journal goes only after
//! the manifest is on the disk, so an interrupted recovery is simply done again.

#[cfg(test)]
mod tests;

use std::{
    fs,
    path::{Path, PathBuf},
};

use tallywheel_schemas::{Manifest, ManifestError, manifest::Origin};

use crate::{
    durable::{self, FileError},
    journal::{JOURNAL_FILE, JournalReader, SkipReason, Skipped},
    seal::{SealError, seal_journal},
    session::{Existing, SessionLock, UNREADABLE_DIRECTORY, find_manifest, remove_partials, unfinished},
};

/// What became of one unfinished session.
#[derive(Debug)]
pub struct Recovery {
    /// Its name.
    pub session: String,
    /// What became of it.
    pub outcome: Outcome,
}

/// What can become of an unfinished session.
#[derive(Debug)]
pub enum Outcome {
    /// It is sealed now.
    Sealed {
        /// Its manifest.
        manifest: Box<Manifest>,
        /// What could not be read of the journal, and where the journal is kept for that reason.
        skipped: Option<(Skipped, PathBuf)>,
    },
    /// It was sealed already; only its journal was left.
    AlreadySealed,
    /// It is being recorded or imported right now.
    InWork,
    /// Nothing had been recorded: a recording without a byte or an import that broke off.
    Nothing,
    /// Nothing of the journal could be read.
    Unreadable {
        /// Why.
        reason: String,
        /// Where it is kept.
        kept: PathBuf,
    },
    /// It could not be finished and is as it was.
    Failed(RecoverError),
}

/// A session that could not be finished.
#[derive(Debug, thiserror::Error)]
pub enum RecoverError {
    /// A file operation failed.
    #[error(transparent)]
    File(#[from] FileError),
    /// The journal cannot be sealed.
    #[error(transparent)]
    Seal(#[from] SealError),
    /// The journal cannot be read.
    #[error(transparent)]
    Journal(#[from] crate::journal::JournalError),
    /// The session's manifest cannot be used.
    #[error(transparent)]
    Manifest(#[from] ManifestError),
    /// The session is sealed, but not all of it is there.
    #[error("{} does not match its manifest; its journal is kept", .0.display())]
    Damaged(PathBuf),
}

/// Finishes every unfinished session of a dataset.
///
/// # Errors
/// When the dataset's directory of journals cannot be read. What goes wrong with one session is its outcome.
pub fn recover(dataset: &Path) -> Result<Vec<Recovery>, FileError> {
    let mut recoveries = Vec::new();
    for directory in unfinished(dataset)? {
        let session = directory.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let outcome = recover_one(dataset, &directory, &session).unwrap_or_else(Outcome::Failed);
        recoveries.push(Recovery { session, outcome });
    }
    Ok(recoveries)
}

fn recover_one(dataset: &Path, directory: &Path, session: &str) -> Result<Outcome, RecoverError> {
    let Existing::Free(lock) = SessionLock::of_existing(directory)? else { return Ok(Outcome::InWork) };
    let journal = directory.join(JOURNAL_FILE);
    let has_journal = fs::metadata(&journal).is_ok_and(|m| m.len() > 0);
    if let Some(path) = find_manifest(dataset, session)? {
        check_files(dataset, &Manifest::read(&path)?)?;
        if has_journal && read_to_end(directory)?.is_some() {
            keep(dataset, &lock)?;
        }
        lock.remove()?;
        return Ok(Outcome::AlreadySealed);
    }
    remove_partials(dataset, session)?;
    if !has_journal {
        lock.remove()?;
        return Ok(Outcome::Nothing);
    }
    match seal_journal(dataset, &lock, Origin::Recovered) {
        Ok(replayed) => {
            let kept = replayed.skipped.map(|skipped| Ok((skipped, keep(dataset, &lock)?)));
            let skipped = kept.transpose().map_err(|e: FileError| e)?;
            lock.remove()?;
            Ok(Outcome::Sealed { manifest: Box::new(replayed.manifest), skipped })
        }
        Err(SealError::NoHeader { reason, .. }) if !is_of_another_version(directory)? => {
            let kept = keep(dataset, &lock)?;
            lock.remove()?;
            Ok(Outcome::Unreadable { reason, kept })
        }
        Err(error) => {
            remove_partials(dataset, session)?;
            Err(error.into())
        }
    }
}

/// Moves a journal that could not be read to its end to where it is kept for good.
fn keep(dataset: &Path, lock: &SessionLock) -> Result<PathBuf, FileError> {
    let directory = dataset.join(UNREADABLE_DIRECTORY).join(&lock.session);
    durable::set_aside(&lock.directory.join(JOURNAL_FILE), &directory)
}

fn read_to_end(directory: &Path) -> Result<Option<Skipped>, RecoverError> {
    let mut reader = JournalReader::open(directory)?;
    while reader.next()?.is_some() {}
    Ok(reader.skipped().cloned())
}

/// A journal of another release is not damaged and stays where it is.
fn is_of_another_version(directory: &Path) -> Result<bool, RecoverError> {
    let skipped = read_to_end(directory)?;
    Ok(skipped.is_some_and(|s| s.offset == 0 && matches!(s.reason, SkipReason::Version(_))))
}

fn check_files(dataset: &Path, manifest: &Manifest) -> Result<(), RecoverError> {
    for record in &manifest.files {
        let path = dataset.join(&record.path);
        if durable::digest(&path).map(|(digest, _)| digest).ok() != Some(record.blake3) {
            return Err(RecoverError::Damaged(path));
        }
    }
    Ok(())
}
