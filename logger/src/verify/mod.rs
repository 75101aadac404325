//! Checks a dataset against what was sealed, and changes nothing.
//!
//! Takes a dataset's directory. Gives, for every sealed session, whether its manifest is as it was sealed and every
//! file is there with its length, its hash, the hash of each row group and of the footer, and the count of rows; and
//! beside that the files that no manifest speaks for, and the recordings that are not finished with the part of their
//! journals that proves itself.
//!
//! [`Plan`] reads the manifests and knows how much there is to read; [`Plan::check`] reads it.

mod compacted;
mod file;
mod journal;
mod session;
mod stray;
#[cfg(test)]
mod tests;
mod text;

pub use compacted::CompactedCheck;
pub use file::{FileCheck, FileFault, GroupCheck, check_file};
pub use journal::{JournalCheck, Unread};
pub use session::{ManifestFault, SessionCheck};
pub use stray::{Stray, StrayFile};

use std::{
    fs, io,
    path::{Path, PathBuf},
};

use serde::Serialize;
use tallywheel_schemas::{
    compacted::SealedFiles, correction::corrections_path, manifest::FileRecord, nearest, table::ARRIVING_DIRECTORY,
};

use crate::{
    durable::FileError,
    journal::JournalError,
    session::{UNREADABLE_DIRECTORY, subdirectories},
};
use session::Found;
use stray::Known;

/// Version of the JSON that [`Verification`] becomes.
///
/// 1: first version.
pub const VERIFICATION_VERSION: u32 = 1;

/// What to check.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct VerifyOptions {
    /// Dataset directory.
    pub data: PathBuf,
    /// Names of the sessions; none means everything.
    pub sessions: Vec<String>,
}

/// A dataset that cannot be checked.
#[derive(Debug, thiserror::Error)]
pub enum VerifyError {
    /// The directory is something else.
    #[error("{}: not a dataset: there is no `sessions` directory in it; name the directory that was recorded into", path.display())]
    Foreign {
        /// As given.
        path: PathBuf,
    },
    /// No such session.
    #[error("{}: no session `{session}`{hint}", data.display())]
    Unknown {
        /// Dataset.
        data: PathBuf,
        /// As given.
        session: String,
        /// The nearest name, if one is near.
        hint: String,
    },
    /// A directory or file cannot be read.
    #[error(transparent)]
    File(#[from] FileError),
    /// A journal cannot be read.
    #[error(transparent)]
    Journal(#[from] JournalError),
}

/// Everything that was found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Verification {
    /// [`VERIFICATION_VERSION`].
    pub schema: u32,
    /// Everything holds.
    pub holds: bool,
    /// Every sealed session.
    pub sessions: Vec<SessionCheck>,
    /// Every compacted day.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub compacted: Vec<CompactedCheck>,
    /// Files in the tables that no manifest speaks for.
    pub stray: Vec<StrayFile>,
    /// Recordings that are not finished.
    pub unfinished: Vec<JournalCheck>,
    /// Journals kept by earlier recoveries because their end could not be read.
    pub kept_journals: Vec<String>,
}

/// How it ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    /// Everything holds.
    Holds,
    /// Something is damaged, missing or foreign.
    Damaged,
    /// Something could not be looked at.
    Unchecked,
}

impl Verification {
    /// How it ended. A whole journal that waits for recovery is no damage.
    pub fn verdict(&self) -> Verdict {
        let unchecked = self.sessions.iter().any(SessionCheck::is_unchecked)
            || self.unfinished.iter().any(JournalCheck::is_unchecked);
        let damaged = self.sessions.iter().any(|s| !s.holds())
            || self.compacted.iter().any(|c| !c.holds())
            || self.stray.iter().any(|s| s.what != Stray::Unfinished)
            || self.unfinished.iter().any(JournalCheck::is_damaged);
        match (unchecked, damaged) {
            (true, _) => Verdict::Unchecked,
            (false, true) => Verdict::Damaged,
            (false, false) => Verdict::Holds,
        }
    }

    /// As JSON for programs.
    pub fn to_json(&self) -> String {
        serde_json::to_string_pretty(self).expect("these types have only string keys and whole numbers") + "\n"
    }
}

/// What will be read.
#[derive(Debug)]
pub struct Plan {
    root: PathBuf,
    sealed: SealedFiles,
    /// Whether the compacted days are checked too, rather than single sessions.
    whole: bool,
    found: Vec<Found>,
    journals: Vec<(String, u64)>,
    stray: Vec<StrayFile>,
    kept_journals: Vec<String>,
}

impl Plan {
    /// Lists a dataset and reads its manifests.
    ///
    /// # Errors
    /// When the directory is no dataset, a directory cannot be listed, or there is no session of a name.
    pub fn new(options: &VerifyOptions) -> Result<Self, VerifyError> {
        let root = options.data.clone();
        let journals = journal::list(&root)?;
        if !root.join("sessions").is_dir() && journals.is_empty() {
            return Err(VerifyError::Foreign { path: root });
        }
        let sealed = SealedFiles::open(&root).map_err(FileError::io("read", &root))?;
        let found: Vec<Found> = manifests(&root)?.into_iter().map(|path| Found::read(&root, path)).collect();
        let known = known(&found, &sealed, &journals, arriving(&root)?);
        let stray = stray::find(&root, &known)?;
        let whole = options.sessions.is_empty();
        let mut plan = Self { kept_journals: kept(&root)?, root, sealed, whole, found, journals, stray };
        if !options.sessions.is_empty() {
            plan.keep_only(&options.sessions)?;
        }
        Ok(plan)
    }

    fn keep_only(&mut self, sessions: &[String]) -> Result<(), VerifyError> {
        let names = || self.found.iter().map(|f| f.session.as_str()).chain(self.journals.iter().map(|j| j.0.as_str()));
        for session in sessions {
            if !names().any(|name| name == session) {
                let hint = nearest(session, names()).map_or(String::new(), |near| format!("; did you mean `{near}`?"));
                let (data, session) = (self.root.clone(), session.clone());
                return Err(VerifyError::Unknown { data, session, hint });
            }
        }
        let wanted = |name: &str| sessions.iter().any(|s| s == name);
        self.found.retain(|f| wanted(&f.session));
        self.journals.retain(|j| wanted(&j.0));
        self.kept_journals.retain(|name| wanted(name));
        self.stray.retain(|file| {
            let name = file.path.rsplit('/').next().unwrap_or_default().trim_start_matches('.');
            sessions.iter().any(|s| name.strip_prefix(s.as_str()).is_some_and(|rest| rest.starts_with('.')))
        });
        Ok(())
    }

    /// Bytes that there are to read.
    pub fn bytes(&self) -> u64 {
        let files = self.found.iter().flat_map(Found::files);
        let own = |f: &FileRecord| fs::metadata(self.root.join(&f.path)).map(|m| m.len());
        let sizes =
            files.map(|f| own(f).unwrap_or(if self.sealed.compacted().find(&f.path).is_some() { f.bytes } else { 0 }));
        let days = if self.whole { compacted::bytes(&self.sealed) } else { 0 };
        sizes.sum::<u64>() + days + self.journals.iter().map(|j| j.1).sum::<u64>()
    }

    /// Reads everything. `progress` is told of bytes as they are read.
    ///
    /// # Errors
    /// When the system cannot read a journal.
    pub fn check(self, progress: &mut dyn FnMut(u64)) -> Result<Verification, VerifyError> {
        let sessions = self.found.iter().map(|found| found.check(&self.sealed, &self.root, progress)).collect();
        let compacted = if self.whole { compacted::check(&self.sealed, &self.root, progress) } else { Vec::new() };
        let unfinished = self
            .journals
            .iter()
            .map(|(session, bytes)| journal::check(&self.root, session, *bytes, progress))
            .collect::<Result<_, _>>()?;
        let (stray, kept_journals) = (self.stray, self.kept_journals);
        let mut verification = Verification {
            schema: VERIFICATION_VERSION,
            holds: false,
            sessions,
            compacted,
            stray,
            unfinished,
            kept_journals,
        };
        verification.holds = verification.verdict() == Verdict::Holds;
        Ok(verification)
    }
}

fn known(found: &[Found], sealed: &SealedFiles, journals: &[(String, u64)], arriving: Vec<String>) -> Known {
    let days = sealed.compacted().days().iter().flat_map(|d| &d.files).map(|f| f.file.path.clone());
    let corrected = found.iter().filter_map(|f| {
        let (manifest, _) = f.manifest.as_ref().ok()?;
        Some(corrections_path(Path::new(""), &manifest.vehicle, &manifest.session))
    });
    Known {
        corrected: corrected.collect(),
        spoken: found.iter().flat_map(Found::files).map(|f| f.path.clone()).chain(days).collect(),
        unusable: found.iter().filter(|f| f.manifest.is_err()).map(|f| f.session.clone()).collect(),
        unfinished: journals.iter().map(|j| j.0.clone()).chain(arriving).collect(),
    }
}

/// Sessions that are being gathered from elsewhere: their tables may be in their places before their manifest is.
fn arriving(root: &Path) -> Result<Vec<String>, FileError> {
    let names = names(&root.join(ARRIVING_DIRECTORY))?;
    Ok(names.iter().filter_map(|n| n.strip_suffix(".json")).map(str::to_owned).collect())
}

/// Manifests below the root, in the order of their paths.
fn manifests(root: &Path) -> Result<Vec<PathBuf>, FileError> {
    let mut found = Vec::new();
    for vehicle in subdirectories(&root.join("sessions"))? {
        for date in subdirectories(&vehicle)? {
            for entry in fs::read_dir(&date).map_err(FileError::io("read", &date))? {
                let path = entry.map_err(FileError::io("read", &date))?.path();
                let hidden = path.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'));
                if !hidden && path.extension().is_some_and(|e| e == "json") {
                    found.push(path.strip_prefix(root).unwrap_or(&path).to_owned());
                }
            }
        }
    }
    found.sort();
    Ok(found)
}

/// Sessions whose unreadable journals were kept.
fn kept(root: &Path) -> Result<Vec<String>, FileError> {
    names(&root.join(UNREADABLE_DIRECTORY))
}

/// Names in a directory, in order; none where it does not exist.
fn names(directory: &Path) -> Result<Vec<String>, FileError> {
    let mut found = Vec::new();
    match fs::read_dir(directory) {
        Ok(entries) => {
            for entry in entries {
                found.push(entry.map_err(FileError::io("read", directory))?.file_name().to_string_lossy().into_owned());
            }
        }
        Err(e) if e.kind() == io::ErrorKind::NotFound => {}
        Err(e) => return Err(FileError::io("read", directory)(e)),
    }
    found.sort();
    Ok(found)
}
