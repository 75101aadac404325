//! One sealed session: its manifest, then every file that the manifest speaks for.

use std::{
    fs::File,
    io,
    path::{Component, Path, PathBuf},
};

use bytes::Bytes;
use serde::{Serialize, Serializer};
use tallywheel_schemas::{
    Digest, Manifest, ManifestError,
    compacted::{SealedFileError, SealedFiles},
    correction,
    manifest::{FileRecord, Seal},
};

use super::file::{FileCheck, FileFault, check_file};

/// What was found about one session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SessionCheck {
    /// Name, as its manifest's file has it.
    pub session: String,
    /// The manifest, below the dataset's root.
    pub manifest: String,
    /// What is wrong with the manifest.
    pub faults: Vec<ManifestFault>,
    /// What cannot be checked, in sentences.
    pub notes: Vec<String>,
    /// Each file that the manifest speaks for.
    pub files: Vec<FileCheck>,
}

/// Something about a manifest that does not hold.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ManifestFault {
    /// It is no manifest of a version that this release reads.
    #[error("{0}")]
    Unusable(String),
    /// The system does not give it out, so nothing is known about the session.
    #[error("{0}")]
    Unreadable(String),
    /// It is not as it was sealed.
    #[error("the manifest was altered after sealing; its hashes vouch for nothing")]
    Altered,
    /// It stands elsewhere than vehicle, date and session say.
    #[error("the manifest belongs at {0}")]
    Misplaced(String),
    /// The rig kept in it does not match its hash.
    #[error("the rig in the manifest does not match its hash")]
    RigHash,
    /// The corrections of its run sheet cannot be read or applied; nothing else vouches for them.
    #[error("the corrections of its run sheet cannot be used: {0}")]
    Corrections(String),
    /// The rig kept in it is not valid in this release.
    #[error("the rig in the manifest cannot be used: {0}")]
    Rig(String),
}

impl Serialize for ManifestFault {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl SessionCheck {
    /// Everything that could be checked holds.
    pub fn holds(&self) -> bool {
        self.faults.is_empty() && self.files.iter().all(|f| f.faults.is_empty())
    }

    /// Something could not be looked at.
    pub fn is_unchecked(&self) -> bool {
        self.faults.iter().any(|f| matches!(f, ManifestFault::Unreadable(_)))
            || self.files.iter().flat_map(|f| &f.faults).any(FileFault::is_unchecked)
    }
}

/// A manifest as it was found, before its files are looked at.
#[derive(Debug)]
pub(super) struct Found {
    pub(super) session: String,
    /// Below the dataset's root.
    pub(super) path: PathBuf,
    pub(super) manifest: Result<(Manifest, Seal), ManifestError>,
}

impl Found {
    /// Reads the manifest at `path` below `root`.
    pub(super) fn read(root: &Path, path: PathBuf) -> Self {
        Self {
            session: path.file_stem().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default(),
            manifest: Manifest::read_with_seal(&root.join(&path)),
            path,
        }
    }

    /// The files that it speaks for.
    pub(super) fn files(&self) -> &[FileRecord] {
        self.manifest.as_ref().map_or(&[], |(manifest, _)| &manifest.files)
    }

    /// Checks the session.
    pub(super) fn check(&self, sealed: &SealedFiles, root: &Path, progress: &mut dyn FnMut(u64)) -> SessionCheck {
        let (faults, notes) = match &self.manifest {
            Err(error) => (vec![unusable(error)], Vec::new()),
            Ok((manifest, seal)) => (self.manifest_faults(root, manifest, *seal), notes(manifest, *seal)),
        };
        let files = self.files().iter().map(|record| check_on_disk(sealed, root, record, progress)).collect();
        let manifest = slashed(&self.path);
        SessionCheck { session: self.session.clone(), manifest, faults, notes, files }
    }

    fn manifest_faults(&self, root: &Path, manifest: &Manifest, seal: Seal) -> Vec<ManifestFault> {
        let mut faults = Vec::new();
        if seal == Seal::Altered {
            faults.push(ManifestFault::Altered);
        }
        let home = manifest.path();
        if home != self.path {
            faults.push(ManifestFault::Misplaced(slashed(&home)));
        }
        if Digest::of(manifest.rig.text.as_bytes()) != manifest.rig.blake3 {
            faults.push(ManifestFault::RigHash);
        }
        if let Err(error) = manifest.parse_rig() {
            faults.push(ManifestFault::Rig(error.to_string()));
        }
        let corrections = correction::read(root, &manifest.vehicle, &manifest.session);
        if let Err(error) = corrections.and_then(|c| correction::apply(manifest.run.as_ref(), &c)) {
            faults.push(ManifestFault::Corrections(error.to_string()));
        }
        faults
    }
}

fn unusable(error: &ManifestError) -> ManifestFault {
    match error {
        ManifestError::Io { .. } => ManifestFault::Unreadable(error.to_string()),
        ManifestError::Json { .. } | ManifestError::Version { .. } => ManifestFault::Unusable(error.to_string()),
    }
}

fn notes(manifest: &Manifest, seal: Seal) -> Vec<String> {
    let mut notes = Vec::new();
    if seal == Seal::Absent {
        notes.push("sealed by an early release: whether the manifest was altered cannot be checked".to_owned());
    }
    if manifest.files.iter().any(|f| f.footer.is_none()) {
        notes.push("sealed by an early release: footers are checked only with their whole files".to_owned());
    }
    notes
}

/// Checks a file where it is; one that is in a compacted day is put together again first.
fn check_on_disk(sealed: &SealedFiles, root: &Path, record: &FileRecord, progress: &mut dyn FnMut(u64)) -> FileCheck {
    let path = Path::new(&record.path);
    if path.components().any(|c| !matches!(c, Component::Normal(_))) {
        return FileCheck::of_fault(record, FileFault::Outside);
    }
    match File::open(root.join(path)) {
        Ok(file) => check_file(record, &file, progress),
        Err(e) if e.kind() == io::ErrorKind::NotFound => match sealed.read_compacted(record) {
            Ok(bytes) => check_file(record, &Bytes::from(bytes), progress),
            Err(SealedFileError::Compacted(reason)) => FileCheck::of_fault(record, FileFault::Compacted(reason)),
            Err(SealedFileError::Io(e)) => FileCheck::of_fault(record, FileFault::Unreadable(e.to_string())),
            Err(_) => FileCheck::of_fault(record, FileFault::Missing),
        },
        Err(e) => FileCheck::of_fault(record, FileFault::Unreadable(e.to_string())),
    }
}

/// A path below the root as manifests write it.
pub(super) fn slashed(path: &Path) -> String {
    path.iter().map(|p| p.to_string_lossy()).collect::<Vec<_>>().join("/")
}
