//! Recordings that are not finished: named, and read as far as their records prove themselves.

use std::{
    fs::{self, File, TryLockError},
    path::Path,
};

use serde::Serialize;

use crate::{
    durable::FileError,
    journal::{JOURNAL_FILE, JournalError, JournalReader, SkipReason},
    session::{JOURNAL_DIRECTORY, unfinished},
};

/// As the session's lock is named, see [`crate::session`].
const LOCK_FILE: &str = "lock";

/// What was found about one unfinished recording.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct JournalCheck {
    /// Session.
    pub session: String,
    /// A program works on it right now; its last record may be half written.
    pub in_work: bool,
    /// Length of the journal.
    pub bytes: u64,
    /// Records that prove themselves, from the beginning.
    pub records: u64,
    /// The part behind them.
    pub unread: Option<Unread>,
}

/// The part of a journal that could not be read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Unread {
    /// First byte of it.
    pub offset: u64,
    /// Bytes to the end of the file.
    pub bytes: u64,
    /// Why.
    pub reason: String,
    /// Another release wrote it, so nothing is known about it.
    pub other_version: bool,
}

impl JournalCheck {
    /// Its records are not whole to the end, and nobody is writing them.
    pub fn is_damaged(&self) -> bool {
        !self.in_work && self.unread.as_ref().is_some_and(|u| !u.other_version)
    }

    /// It could not be looked at.
    pub fn is_unchecked(&self) -> bool {
        self.unread.as_ref().is_some_and(|u| u.other_version)
    }
}

/// The unfinished sessions of a dataset, by name, with the length of their journals.
pub(super) fn list(root: &Path) -> Result<Vec<(String, u64)>, FileError> {
    let name = |path: &Path| path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let length = |path: &Path| fs::metadata(path.join(JOURNAL_FILE)).map_or(0, |m| m.len());
    Ok(unfinished(root)?.iter().map(|path| (name(path), length(path))).collect())
}

/// Reads a journal to its end or its first bad record. Never writes.
pub(super) fn check(
    root: &Path,
    session: &str,
    bytes: u64,
    progress: &mut dyn FnMut(u64),
) -> Result<JournalCheck, JournalError> {
    let directory = root.join(JOURNAL_DIRECTORY).join(session);
    let mut check = JournalCheck {
        session: session.to_owned(),
        in_work: is_in_work(&directory.join(LOCK_FILE)),
        bytes,
        records: 0,
        unread: None,
    };
    if !directory.join(JOURNAL_FILE).exists() {
        return Ok(check);
    }
    let mut reader = JournalReader::open(&directory)?;
    let mut told = 0;
    while reader.next()?.is_some() {
        check.records += 1;
        progress(reader.offset() - told);
        told = reader.offset();
    }
    progress(bytes.saturating_sub(told));
    check.unread = reader.skipped().map(|s| Unread {
        offset: s.offset,
        bytes: s.bytes,
        reason: s.reason.to_string(),
        other_version: s.offset == 0 && matches!(s.reason, SkipReason::Version(_)),
    });
    Ok(check)
}

/// Whether somebody holds the session's lock. A shared lock, given back at once, asks without making a file.
fn is_in_work(lock: &Path) -> bool {
    File::open(lock).is_ok_and(|file| matches!(file.try_lock_shared(), Err(TryLockError::WouldBlock)))
}
