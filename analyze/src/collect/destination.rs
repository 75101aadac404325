//! The dataset that is collected into: what it has, and where files grow before they are whole.

use std::{
    collections::HashMap,
    fs::{self, File},
    io,
    path::{Path, PathBuf},
};

use tallywheel_schemas::{Digest, compacted::CompactedIndex, manifest::FileRecord, table::ARRIVING_DIRECTORY};

use super::CollectError;
use crate::{disk::Disk, lock::DatasetLock};

pub(super) struct Destination {
    pub(super) root: PathBuf,
    pub(super) disk: Disk,
    /// Path of each session's manifest below the root.
    pub(super) manifests: HashMap<String, PathBuf>,
    compacted: CompactedIndex,
    /// Holds the lock until it is dropped.
    _lock: DatasetLock,
}

impl Destination {
    /// Opens the dataset and keeps other collecting processes out.
    pub(super) fn open(disk: &Disk, root: &Path) -> Result<Self, CollectError> {
        let at = |path: &Path| {
            let path = path.to_owned();
            move |source| CollectError::Into { path, source }
        };
        let fetching = root.join(FETCHING_DIRECTORY);
        for directory in [root.join("sessions"), fetching.clone(), root.join(ARRIVING_DIRECTORY)] {
            disk.make_directory(&directory).map_err(at(&directory))?;
        }
        let lock = DatasetLock::take(disk, root)?;
        let compacted = CompactedIndex::read(root).map_err(at(root))?;
        let manifests = manifests(root).map_err(at(root))?;
        Ok(Self { root: root.to_owned(), disk: disk.clone(), manifests, compacted, _lock: lock })
    }

    /// Whether a session of this name is being recorded into the dataset, or waits for recovery.
    pub(super) fn is_recording(&self, session: &str) -> bool {
        self.root.join(".journal").join(session).exists()
    }

    /// Where a file is fetched to.
    pub(super) fn part(&self, session: &str, record: &FileRecord) -> PathBuf {
        let name = format!("{session}.{}.{}.part", record.table, record.blake3.short());
        self.root.join(FETCHING_DIRECTORY).join(name)
    }

    /// Where a manifest waits while the files are put in their places.
    pub(super) fn arriving(&self, session: &str) -> PathBuf {
        self.root.join(ARRIVING_DIRECTORY).join(format!("{session}.json"))
    }

    /// What is in a file's place.
    pub(super) fn place(&self, record: &FileRecord) -> Place {
        let path = self.root.join(&record.path);
        match fs::metadata(&path) {
            // The compacted day has it, and `verify` answers for that.
            Err(_) if self.compacted.find(&record.path).is_some() => Place::SameLength,
            Err(e) if e.kind() == io::ErrorKind::NotFound => Place::Free,
            Ok(m) if m.len() == record.bytes => Place::SameLength,
            _ => Place::Other,
        }
    }

    /// Whether the file in a record's place has the recorded bytes.
    pub(super) fn holds(&self, record: &FileRecord) -> bool {
        let file = File::open(self.root.join(&record.path));
        file.and_then(Digest::of_reader).is_ok_and(|(digest, _)| digest == record.blake3)
    }
}

/// Where files are fetched to, below the root.
const FETCHING_DIRECTORY: &str = ".work/collect";

/// What is in a file's place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Place {
    Free,
    SameLength,
    Other,
}

/// Path of each session's manifest below the root.
pub(crate) fn manifests(root: &Path) -> io::Result<HashMap<String, PathBuf>> {
    let mut found = HashMap::new();
    let mut directories = vec![root.join("sessions")];
    while let Some(directory) = directories.pop() {
        for entry in fs::read_dir(&directory)? {
            let path = entry?.path();
            if path.is_dir() {
                directories.push(path);
            } else if path.extension().is_some_and(|e| e == "json")
                && let Some(session) = path.file_stem()
            {
                let below = path.strip_prefix(root).unwrap_or(&path).to_owned();
                found.insert(session.to_string_lossy().into_owned(), below);
            }
        }
    }
    Ok(found)
}
