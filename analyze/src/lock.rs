//! One process at a time changes what sessions a dataset has, and where their files are.

use std::{
    fs::{File, TryLockError},
    io,
    path::{Path, PathBuf},
};

use tallywheel_schemas::table::WORK_DIRECTORY;

use crate::disk::Disk;

/// Held by whoever collects or compacts; the system lets go of it when the process ends, however it ends.
#[derive(Debug)]
pub struct DatasetLock {
    _file: File,
}

/// A lock that cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum LockError {
    /// Somebody else has it.
    #[error("{}: another process collects or compacts this dataset; wait for it", path.display())]
    Busy {
        /// The lock's file.
        path: PathBuf,
    },
    /// The system refuses.
    #[error("lock {}: {source}", path.display())]
    Io {
        /// The lock's file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

impl DatasetLock {
    /// Takes the lock of the dataset at `root`.
    ///
    /// # Errors
    /// When another process has it, or the system refuses.
    pub fn take(disk: &Disk, root: &Path) -> Result<Self, LockError> {
        let work = root.join(WORK_DIRECTORY);
        let path = work.join("lock");
        let opened = disk.make_directory(&work).and_then(|()| File::options().create(true).append(true).open(&path));
        let file = opened.map_err(|source| LockError::Io { path: path.clone(), source })?;
        match file.try_lock() {
            Ok(()) => Ok(Self { _file: file }),
            Err(TryLockError::WouldBlock) => Err(LockError::Busy { path }),
            Err(TryLockError::Error(source)) => Err(LockError::Io { path, source }),
        }
    }
}
