//! One Parquet file of a session, from its first batch to its hashes.

use std::{
    fs::{self, File},
    path::{Path, PathBuf},
};

use arrow::array::RecordBatch;
use parquet::{arrow::ArrowWriter, file::metadata::ParquetMetaData};
use tallywheel_schemas::{Table, manifest::FileRecord};

use super::SealError;
use crate::durable::{self, FileError};

/// A file being written under its partial name.
pub(crate) struct TableFile {
    table: Table,
    relative: PathBuf,
    target: PathBuf,
    partial: PathBuf,
    file: File,
    writer: ArrowWriter<File>,
}

impl TableFile {
    /// Opens the file of a session's table.
    ///
    /// # Errors
    /// When the system refuses.
    pub(crate) fn create(
        dataset: &Path,
        table: Table,
        vehicle: &str,
        date: &str,
        session: &str,
    ) -> Result<Self, SealError> {
        let relative = table.path(vehicle, date, session);
        let target = dataset.join(&relative);
        if let Some(directory) = target.parent() {
            durable::make_directory(directory)?;
        }
        let partial = durable::partial(&target);
        let file = File::create(&partial).map_err(FileError::io("create", &partial))?;
        let handle = file.try_clone().map_err(FileError::io("open", &partial))?;
        let writer = ArrowWriter::try_new(file, table.schema(), Some(table.writer_properties()))
            .map_err(SealError::parquet(&partial))?;
        Ok(Self { table, relative, target, partial, file: handle, writer })
    }

    /// Appends rows.
    ///
    /// # Errors
    /// When the system refuses.
    pub(crate) fn write(&mut self, batch: &RecordBatch) -> Result<(), SealError> {
        self.writer.write(batch).map_err(SealError::parquet(&self.partial))
    }

    /// Closes the file, puts it on the disk and reads it back for its hashes.
    ///
    /// # Errors
    /// When the system refuses.
    pub(crate) fn finish(self) -> Result<FinishedFile, SealError> {
        let Self { table, relative, target, partial, file, writer } = self;
        let metadata = writer.close().map_err(SealError::parquet(&partial))?;
        file.sync_all().map_err(FileError::io("sync", &partial))?;
        let record = record(table, &relative, &partial, &metadata)?;
        Ok(FinishedFile { record, target, partial })
    }
}

/// A whole file that does not have its name yet.
#[derive(Debug)]
pub(crate) struct FinishedFile {
    /// What the manifest says about it.
    pub(crate) record: FileRecord,
    /// Where it belongs.
    pub(crate) target: PathBuf,
    partial: PathBuf,
}

impl FinishedFile {
    /// Gives the file its name. What an interrupted sealing left there is moved to `aside`, never deleted, unless it
    /// is the same; the caller knows that no manifest speaks for it.
    ///
    /// # Errors
    /// When the system refuses.
    pub(crate) fn publish(&self, aside: &Path) -> Result<(), FileError> {
        if self.target.exists() {
            if durable::same_content(&self.partial, &self.target)? {
                return fs::remove_file(&self.partial).map_err(FileError::io("remove", &self.partial));
            }
            durable::set_aside(&self.target, &aside.join(&self.record.table))?;
        }
        durable::publish(&self.partial, &self.target)
    }
}

fn record(table: Table, relative: &Path, partial: &Path, metadata: &ParquetMetaData) -> Result<FileRecord, SealError> {
    let file = File::open(partial).map_err(FileError::io("open", partial))?;
    let bytes = file.metadata().map_err(FileError::io("inspect", partial))?.len();
    Ok(FileRecord::of(table, relative, metadata, bytes, file).map_err(FileError::io("read", partial))?)
}
