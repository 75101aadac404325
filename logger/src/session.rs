//! A session's name, and the lock by which one program at a time works on it.

use std::{
    fs::{self, File, OpenOptions, TryLockError},
    io::Write,
    path::{Path, PathBuf},
};

use tallywheel_schemas::{Table, Timestamp};

use crate::{
    durable::{FileError, make_directory, partial},
    journal::JOURNAL_FILE,
};

/// Directory of unfinished sessions below the dataset.
pub const JOURNAL_DIRECTORY: &str = ".journal";
/// Directory of what could not be read from journals.
pub const UNREADABLE_DIRECTORY: &str = ".journal-unreadable";
/// Directory of decoded files that a rebuild replaced.
pub const SUPERSEDED_DIRECTORY: &str = ".superseded";

const LOCK_FILE: &str = "lock";
const RECORDER_LOCK: &str = "recorder";

/// A session name that cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum SessionError {
    /// A session of this name is sealed.
    #[error("session `{session}` is in the dataset already ({}); choose another name with --session", path.display())]
    Sealed {
        /// Name.
        session: String,
        /// Its manifest.
        path: PathBuf,
    },
    /// Another program works on it, or a journal of that name waits for recovery.
    #[error("session `{session}` is being recorded or waits in {} to be recovered", path.display())]
    InWork {
        /// Name.
        session: String,
        /// Its directory.
        path: PathBuf,
    },
    /// The name does not fit a file name.
    #[error("session name `{0}`: use letters, digits, `-`, `_` and `.`, not starting with a dot")]
    Name(String),
    /// Another program records into the dataset.
    #[error("{} is being recorded into by {holder}; one recorder at a time has a dataset", dataset.display())]
    Held {
        /// Dataset.
        dataset: PathBuf,
        /// Who, as they wrote it down.
        holder: String,
    },
    /// A file operation failed.
    #[error(transparent)]
    File(#[from] FileError),
}

/// The exclusive right to record into a dataset. The system releases it when the program ends, however it ends.
#[derive(Debug)]
pub(crate) struct RecorderLock {
    // Held for its lock.
    _file: File,
}

impl RecorderLock {
    /// Claims a dataset.
    ///
    /// # Errors
    /// When another program records into it, which is named, or the system refuses.
    pub(crate) fn claim(dataset: &Path) -> Result<Self, SessionError> {
        let directory = dataset.join(JOURNAL_DIRECTORY);
        make_directory(&directory)?;
        let path = directory.join(RECORDER_LOCK);
        let mut options = OpenOptions::new();
        options.read(true).write(true).create(true).truncate(false);
        let mut file = options.open(&path).map_err(FileError::io("create", &path))?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let holder = fs::read_to_string(&path).unwrap_or_default();
                return Err(SessionError::Held { dataset: dataset.to_owned(), holder: holder.trim().to_owned() });
            }
            Err(TryLockError::Error(source)) => return Err(FileError::io("lock", &path)(source).into()),
        }
        let holder = format!("process {} since {}\n", std::process::id(), Timestamp::now());
        let written = file.set_len(0).and_then(|()| file.write_all(holder.as_bytes()));
        written.map_err(FileError::io("write", &path))?;
        Ok(Self { _file: file })
    }
}

/// The exclusive right to work on a session, held by a lock on a file in its directory under
/// [`JOURNAL_DIRECTORY`]. The system releases it when the program ends, however it ends.
#[derive(Debug)]
pub struct SessionLock {
    /// Name of the session.
    pub session: String,
    /// Its directory.
    pub directory: PathBuf,
    // Held for its lock.
    _file: File,
}

/// What a session's directory turned out to be.
#[derive(Debug)]
pub(crate) enum Existing {
    /// Nobody works on it; the lock is ours now.
    Free(SessionLock),
    /// Another program holds the lock.
    Held,
}

impl SessionLock {
    /// Claims the first free name for a session that starts at `start`: `VEHICLE-YYYYMMDDTHHMMSSZ`, with `-2`, `-3`
    /// and so on behind it where that is taken.
    ///
    /// # Errors
    /// When the system refuses.
    pub fn claim_new(dataset: &Path, vehicle: &str, start: Timestamp) -> Result<Self, SessionError> {
        let base = format!("{vehicle}-{}", start.compact());
        let mut name = base.clone();
        let mut number = 1;
        loop {
            match Self::claim(dataset, &name) {
                Err(SessionError::Sealed { .. } | SessionError::InWork { .. }) => {
                    number += 1;
                    name = format!("{base}-{number}");
                }
                other => return other,
            }
        }
    }

    /// Claims a name. A directory that a broken import left behind is taken over; a journal is not.
    ///
    /// # Errors
    /// When the name is no file name, a session of that name is sealed or in work, or the system refuses.
    pub fn claim(dataset: &Path, session: &str) -> Result<Self, SessionError> {
        let fine = |c: char| c.is_ascii_alphanumeric() || "-_.".contains(c);
        if session.is_empty() || session.starts_with('.') || !session.chars().all(fine) {
            return Err(SessionError::Name(session.to_owned()));
        }
        if let Some(path) = find_manifest(dataset, session)? {
            return Err(SessionError::Sealed { session: session.to_owned(), path });
        }
        let directory = dataset.join(JOURNAL_DIRECTORY).join(session);
        make_directory(&directory)?;
        match Self::of_existing(&directory)? {
            Existing::Free(lock) if !directory.join(JOURNAL_FILE).exists() => Ok(lock),
            _ => Err(SessionError::InWork { session: session.to_owned(), path: directory }),
        }
    }

    /// Takes the lock of a session's directory, if nobody holds it.
    ///
    /// # Errors
    /// When the system refuses.
    pub(crate) fn of_existing(directory: &Path) -> Result<Existing, FileError> {
        let path = directory.join(LOCK_FILE);
        let mut options = OpenOptions::new();
        let file =
            options.write(true).create(true).truncate(false).open(&path).map_err(FileError::io("create", &path))?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Ok(Existing::Held),
            Err(TryLockError::Error(source)) => return Err(FileError::io("lock", &path)(source)),
        }
        let session = directory.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        Ok(Existing::Free(Self { session, directory: directory.to_owned(), _file: file }))
    }

    /// Whether a program works on the session of a directory; nothing is made there or changed.
    ///
    /// # Errors
    /// When the system refuses.
    pub(crate) fn is_held(directory: &Path) -> Result<bool, FileError> {
        let path = directory.join(LOCK_FILE);
        let file = match File::open(&path) {
            Ok(file) => file,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(false),
            Err(e) => return Err(FileError::io("open", &path)(e)),
        };
        match file.try_lock_shared() {
            Ok(()) => Ok(false),
            Err(TryLockError::WouldBlock) => Ok(true),
            Err(TryLockError::Error(source)) => Err(FileError::io("lock", &path)(source)),
        }
    }

    /// Removes the session's directory with its journal. Only for a session that is sealed, or one in which nothing
    /// was ever written.
    ///
    /// # Errors
    /// When the system refuses.
    pub(crate) fn remove(self) -> Result<(), FileError> {
        // The journal goes first: a directory without one is known as nothing but a leftover.
        for name in [JOURNAL_FILE, LOCK_FILE] {
            let path = self.directory.join(name);
            match fs::remove_file(&path) {
                Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(FileError::io("remove", &path)(e)),
                _ => {}
            }
        }
        fs::remove_dir(&self.directory).map_err(FileError::io("remove", &self.directory))
    }
}

/// Directories of sessions that are not finished, in the order of their names.
///
/// # Errors
/// When the system refuses.
pub(crate) fn unfinished(dataset: &Path) -> Result<Vec<PathBuf>, FileError> {
    let mut found = subdirectories(&dataset.join(JOURNAL_DIRECTORY))?;
    // A link would lead recovery, which removes what it has sealed, out of the dataset.
    found.retain(|path| !path.is_symlink());
    found.sort();
    Ok(found)
}

/// The manifest of a sealed session, of whatever vehicle and date.
///
/// # Errors
/// When the system refuses.
pub(crate) fn find_manifest(dataset: &Path, session: &str) -> Result<Option<PathBuf>, FileError> {
    for vehicle in subdirectories(&dataset.join("sessions"))? {
        let dates = subdirectories(&vehicle)?;
        if let Some(found) = dates.into_iter().map(|d| d.join(format!("{session}.json"))).find(|p| p.exists()) {
            return Ok(Some(found));
        }
    }
    Ok(None)
}

/// Manifests of every sealed session of a vehicle, in the order of date and name.
///
/// # Errors
/// When the system refuses.
pub(crate) fn manifests(dataset: &Path, vehicle: &str) -> Result<Vec<PathBuf>, FileError> {
    let mut found = Vec::new();
    for date in subdirectories(&dataset.join("sessions").join(format!("vehicle={vehicle}")))? {
        for entry in fs::read_dir(&date).map_err(FileError::io("read", &date))? {
            let path = entry.map_err(FileError::io("read", &date))?.path();
            let hidden = path.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'));
            if !hidden && path.extension().is_some_and(|e| e == "json") {
                found.push(path);
            }
        }
    }
    found.sort();
    Ok(found)
}

/// Removes what an interrupted sealing left under partial names. The data are elsewhere: in the journal or the capture.
///
/// # Errors
/// When the system refuses.
pub(crate) fn remove_partials(dataset: &Path, session: &str) -> Result<(), FileError> {
    for table in Table::SEALED.map(Table::name).into_iter().chain(["sessions"]) {
        for vehicle in subdirectories(&dataset.join(table))? {
            for date in subdirectories(&vehicle)? {
                for ending in ["parquet", "json"] {
                    let path = partial(&date.join(format!("{session}.{ending}")));
                    if path.exists() {
                        fs::remove_file(&path).map_err(FileError::io("remove", &path))?;
                    }
                }
            }
        }
    }
    Ok(())
}

/// Directories in a directory; none when it does not exist.
pub(crate) fn subdirectories(path: &Path) -> Result<Vec<PathBuf>, FileError> {
    let entries = match fs::read_dir(path) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(FileError::io("read", path)(e)),
    };
    let mut found = Vec::new();
    for entry in entries {
        let path = entry.map_err(FileError::io("read", path))?.path();
        if path.is_dir() {
            found.push(path);
        }
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_in_use_get_a_number() {
        let dataset = tempfile::tempdir().expect("a temporary directory");
        let start = Timestamp::from_us(1_791_189_000_000_000);
        let claim = || SessionLock::claim_new(dataset.path(), "skerry-1", start).expect("a free name");
        let first = claim();
        let second = claim();
        assert_eq!(
            (first.session.as_str(), second.session.as_str()),
            ("skerry-1-20261005T083000Z", "skerry-1-20261005T083000Z-2")
        );
        fs::write(first.directory.join(JOURNAL_FILE), b"x").expect("room");
        drop(first);
        assert_eq!(claim().session, "skerry-1-20261005T083000Z-3", "a journal is not taken over");
        drop(second);
        assert_eq!(claim().session, "skerry-1-20261005T083000Z-2", "a leftover without journal is");
    }

    #[test]
    fn a_link_out_of_the_dataset_is_no_session() {
        let (dataset, elsewhere) = (tempfile::tempdir().expect("a directory"), tempfile::tempdir().expect("another"));
        let journals = dataset.path().join(JOURNAL_DIRECTORY);
        fs::create_dir_all(journals.join("session")).expect("room");
        std::os::unix::fs::symlink(elsewhere.path(), journals.join("link")).expect("a link");
        assert_eq!(unfinished(dataset.path()).expect("readable"), [journals.join("session")]);
    }

    #[test]
    fn a_name_that_is_a_path_is_refused() {
        let dataset = tempfile::tempdir().expect("a temporary directory");
        let error = SessionLock::claim(dataset.path(), "../x").expect_err("a path").to_string();
        assert!(error.starts_with("session name `../x`: use letters"), "{error}");
    }
}
