//! Appends records to a journal.

use std::{
    fs::{File, OpenOptions},
    io::Write,
    path::{Path, PathBuf},
};

use super::{Header, JOURNAL_FILE, JournalError, MAX_PAYLOAD, PACKED, Record, packing::Packer, write_record};

/// An open journal.
///
/// Records gather in memory until [`JournalWriter::sync`] puts them on the disk. One that fails there is not lost:
/// the next sync first cuts the file back to what was known to be on the disk, then writes all that is waiting again.
#[derive(Debug)]
pub struct JournalWriter {
    path: PathBuf,
    file: File,
    sequence: u32,
    waiting: Vec<u8>,
    packer: Packer,
    /// Bytes that are on the disk.
    synced: u64,
    /// The last sync failed, so the file's end is unknown.
    torn: bool,
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
        let packer = Packer::new().map_err(JournalError::io("prepare to pack", &path))?;
        let mut writer = Self { path, file, sequence: 0, waiting: Vec::new(), packer, synced: 0, torn: false };
        writer.append(&Record::Header(Box::new(header)))?;
        writer.sync()?;
        let directory_file = File::open(directory).map_err(JournalError::io("open", directory))?;
        directory_file.sync_all().map_err(JournalError::io("sync", directory))?;
        Ok(writer)
    }

    /// Takes one record. It is safe after the next [`JournalWriter::sync`].
    ///
    /// # Errors
    /// When the record is larger than a reader would accept.
    pub fn append(&mut self, record: &Record) -> Result<(), JournalError> {
        let payload = record.payload();
        if payload.len() > MAX_PAYLOAD {
            return Err(JournalError::TooLarge { path: self.path.clone(), bytes: payload.len() });
        }
        let packed = matches!(record, Record::Bytes(_)).then(|| self.packer.pack(&payload)).flatten();
        let (kind, payload) = packed.map_or((record.kind(), payload), |packed| (PACKED, packed));
        write_record(&mut self.waiting, kind, self.sequence, &payload);
        self.sequence = self.sequence.wrapping_add(1);
        Ok(())
    }

    /// Puts all that was appended on the disk (`write`, then `fdatasync`) and waits until it is there.
    ///
    /// # Errors
    /// When the system refuses, as it does on a full disk. What was appended goes on waiting; try again.
    pub fn sync(&mut self) -> Result<(), JournalError> {
        if self.waiting.is_empty() {
            return Ok(());
        }
        // After a failed sync nobody knows which pages reached the disk, so none of them are trusted.
        if self.torn {
            self.file.set_len(self.synced).map_err(JournalError::io("cut back", &self.path))?;
        }
        self.torn = true;
        self.file.write_all(&self.waiting).map_err(JournalError::io("write", &self.path))?;
        self.file.sync_data().map_err(JournalError::io("sync", &self.path))?;
        self.torn = false;
        self.synced += self.waiting.len() as u64;
        self.waiting.clear();
        Ok(())
    }

    /// Where the journal is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Bytes that are on the disk.
    pub fn synced(&self) -> u64 {
        self.synced
    }

    /// Bytes that wait for the next sync.
    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }
}

impl Drop for JournalWriter {
    /// A recording that breaks off between two syncs still hands over what it has, as far as the system lets it.
    fn drop(&mut self) {
        let _ = self.sync();
    }
}
