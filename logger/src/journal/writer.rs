//! Appends records to a journal.

use std::{
    fs::{self, File, OpenOptions},
    io::Write,
    path::{Path, PathBuf},
};

use super::{Header, JOURNAL_FILE, JournalError, MAX_PAYLOAD, Record};

/// An open journal.
#[derive(Debug)]
pub struct JournalWriter {
    path: PathBuf,
    file: File,
    sequence: u32,
}

impl JournalWriter {
    /// Starts a journal in a session's directory with its header, on disk when this returns.
    ///
    /// # Errors
    /// When the directory has a journal already or the system refuses.
    pub fn create(directory: &Path, header: Header) -> Result<Self, JournalError> {
        let path = directory.join(JOURNAL_FILE);
        let mut options = OpenOptions::new();
        let file = options.append(true).create_new(true).open(&path).map_err(JournalError::io("create", &path))?;
        let mut writer = Self { path, file, sequence: 0 };
        writer.append(&Record::Header(Box::new(header)))?;
        writer.sync()?;
        let directory_file = File::open(directory).map_err(JournalError::io("open", directory))?;
        directory_file.sync_all().map_err(JournalError::io("sync", directory))?;
        Ok(writer)
    }

    /// Writes one record. It survives a killed program at once and a lost supply after the next
    /// [`JournalWriter::sync`].
    ///
    /// # Errors
    /// When the record is too large or the system refuses, as it does on a full disk.
    pub fn append(&mut self, record: &Record) -> Result<(), JournalError> {
        let bytes = record.encode(self.sequence);
        if bytes.len() > MAX_PAYLOAD {
            return Err(JournalError::TooLarge { path: self.path.clone(), bytes: bytes.len() });
        }
        self.file.write_all(&bytes).map_err(JournalError::io("write", &self.path))?;
        self.sequence = self.sequence.wrapping_add(1);
        Ok(())
    }

    /// Waits until all that was written is on the disk (`fdatasync`).
    ///
    /// # Errors
    /// When the system refuses.
    pub fn sync(&self) -> Result<(), JournalError> {
        self.file.sync_data().map_err(JournalError::io("sync", &self.path))
    }

    /// Where the journal is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Bytes written so far.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn bytes(&self) -> Result<u64, JournalError> {
        fs::metadata(&self.path).map(|m| m.len()).map_err(JournalError::io("inspect", &self.path))
    }
}
