//! Files that are there whole or not at all: written under another name, synced, renamed, directory synced.

use std::{
    fs::{self, File},
    io::{self, Write},
    path::{Path, PathBuf},
};

/// A file operation that failed.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    /// The system refused.
    #[error("{action} {}: {source}", path.display())]
    Io {
        /// What was tried.
        action: &'static str,
        /// The file or directory.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A finished file is never replaced.
    #[error("{} exists already; a sealed file is never overwritten", path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
}

impl FileError {
    /// An I/O error with what was tried and where.
    pub(crate) fn io(action: &'static str, path: &Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Io { action, path, source }
    }
}

/// The name under which a file is written before it is whole: `.NAME.partial` in the same directory.
pub(crate) fn partial(path: &Path) -> PathBuf {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    path.with_file_name(format!(".{name}.partial"))
}

/// Makes a directory and those above it.
///
/// # Errors
/// When the system refuses.
pub(crate) fn make_directory(path: &Path) -> Result<(), FileError> {
    fs::create_dir_all(path).map_err(FileError::io("create", path))
}

/// Writes a directory's entries to the disk.
///
/// # Errors
/// When the system refuses.
pub(crate) fn sync_directory(path: &Path) -> Result<(), FileError> {
    File::open(path).and_then(|d| d.sync_all()).map_err(FileError::io("sync", path))
}

/// Gives a finished file its name, and makes the name durable.
///
/// # Errors
/// When a file of that name exists, or the system refuses.
pub(crate) fn publish(from: &Path, to: &Path) -> Result<(), FileError> {
    if to.exists() {
        return Err(FileError::Exists { path: to.to_owned() });
    }
    relocate(from, to)
}

/// Renames within the dataset and makes both ends durable. Replaces what is at `to`.
///
/// # Errors
/// When the system refuses.
pub(crate) fn relocate(from: &Path, to: &Path) -> Result<(), FileError> {
    fs::rename(from, to).map_err(FileError::io("rename", from))?;
    for path in [to, from] {
        if let Some(directory) = path.parent() {
            sync_directory(directory)?;
        }
    }
    Ok(())
}

/// Writes a text under a file's partial name, synced.
///
/// # Errors
/// When the system refuses.
pub(crate) fn write_partial(path: &Path, text: &str) -> Result<PathBuf, FileError> {
    let temporary = partial(path);
    if let Some(directory) = path.parent() {
        make_directory(directory)?;
    }
    let mut file = File::create(&temporary).map_err(FileError::io("create", &temporary))?;
    file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(FileError::io("write", &temporary))?;
    Ok(temporary)
}

/// Moves a file to a place where nothing is lost: the same content is not kept twice, other content gets a number.
///
/// # Errors
/// When the system refuses.
pub(crate) fn set_aside(from: &Path, directory: &Path) -> Result<PathBuf, FileError> {
    make_directory(directory)?;
    let name = from.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let mut to = directory.join(&name);
    let mut number = 2;
    while to.exists() {
        if same_content(from, &to)? {
            fs::remove_file(from).map_err(FileError::io("remove", from))?;
            return Ok(to);
        }
        to = directory.join(format!("{name}.{number}"));
        number += 1;
    }
    relocate(from, &to)?;
    Ok(to)
}

/// Whether two files hold the same bytes.
///
/// # Errors
/// When one cannot be read.
pub(crate) fn same_content(a: &Path, b: &Path) -> Result<bool, FileError> {
    Ok(digest(a)? == digest(b)?)
}

/// Hash and length of a file.
///
/// # Errors
/// When it cannot be read.
pub(crate) fn digest(path: &Path) -> Result<(tallywheel_schemas::Digest, u64), FileError> {
    let file = File::open(path).map_err(FileError::io("open", path))?;
    tallywheel_schemas::Digest::of_reader(io::BufReader::with_capacity(1 << 18, file))
        .map_err(FileError::io("read", path))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_finished_file_is_never_replaced() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let target = directory.path().join("a.json");
        let first = write_partial(&target, "one").expect("room");
        assert_eq!(first.file_name().and_then(|n| n.to_str()), Some(".a.json.partial"));
        publish(&first, &target).expect("a free name");
        let second = write_partial(&target, "two").expect("room");
        let error = publish(&second, &target).expect_err("a taken name").to_string();
        assert!(error.ends_with("a.json exists already; a sealed file is never overwritten"), "{error}");
        assert_eq!(fs::read_to_string(&target).expect("the file"), "one");
    }

    #[test]
    fn setting_aside_keeps_every_content_once() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let aside = directory.path().join("aside");
        for text in ["one", "two", "one"] {
            let file = directory.path().join("a");
            fs::write(&file, text).expect("room");
            set_aside(&file, &aside).expect("room");
        }
        let mut found: Vec<String> = fs::read_dir(&aside)
            .expect("there")
            .map(|e| e.expect("an entry").file_name().into_string().expect("utf-8"))
            .collect();
        found.sort();
        assert_eq!(found, ["a", "a.2"]);
    }
}
