//! Sessions that cannot be used: found, named, and left out of everything.

use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use tallywheel_schemas::{ManifestError, TextFileError, correction::CorrectionError, report::UnusableSession};

use super::Filter;

/// Why a session cannot be used.
#[derive(Debug, thiserror::Error)]
pub(super) enum SessionFault {
    /// The manifest cannot be read.
    #[error(transparent)]
    Manifest(#[from] ManifestError),
    /// The manifest is not as it was sealed.
    #[error("{}: this manifest was altered after sealing; put it back as it was sealed", path.display())]
    Altered {
        /// The manifest.
        path: PathBuf,
        /// What it now says to be the run.
        run: Option<String>,
    },
    /// The corrections of the run sheet cannot be used.
    #[error("corrections of {}: {source}; mend or remove that line", path.display())]
    Correction {
        /// The manifest.
        path: PathBuf,
        /// Which line and why.
        source: CorrectionError,
        /// The run.
        run: Option<String>,
    },
    /// The rig in the manifest cannot be used.
    #[error("{}: the rig kept in this manifest: {source}; rebuild the session with a corrected rig", path.display())]
    Rig {
        /// The manifest.
        path: PathBuf,
        /// Where and why.
        source: TextFileError,
        /// The run.
        run: Option<String>,
    },
}

/// A session that cannot be used, and where it stands.
#[derive(Debug)]
pub(super) struct Unusable {
    date: Option<NaiveDate>,
    session: UnusableSession,
}

impl Unusable {
    /// Of the manifest at `path`, `…/vehicle=V/date=D/SESSION.json`.
    pub(super) fn new(path: &Path, fault: &SessionFault) -> Self {
        let name = |p: Option<&Path>| p.and_then(Path::file_name).map(|n| n.to_string_lossy().into_owned());
        let value = |p, key: &str| name(p).and_then(|n| n.strip_prefix(key).map(str::to_owned)).unwrap_or_default();
        let date = path.parent();
        let run = match fault {
            SessionFault::Manifest(_) => None,
            SessionFault::Altered { run, .. }
            | SessionFault::Correction { run, .. }
            | SessionFault::Rig { run, .. } => run.clone(),
        };
        Self {
            date: value(date, "date=").parse().ok(),
            session: UnusableSession {
                session: path.file_stem().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default(),
                vehicle: value(date.and_then(Path::parent), "vehicle="),
                run,
                reason: fault.to_string(),
            },
        }
    }

    /// The session, if the filter's vehicles and dates would let it through. Its run is not asked for: it may be
    /// any.
    pub(super) fn matching(&self, filter: &Filter) -> Option<&UnusableSession> {
        let vehicle = filter.vehicles.is_empty() || filter.vehicles.contains(&self.session.vehicle);
        let from = filter.from.is_none_or(|from| self.date.is_none_or(|date| date >= from));
        let to = filter.to.is_none_or(|to| self.date.is_none_or(|date| date <= to));
        (vehicle && from && to).then_some(&self.session)
    }

    /// The session's name.
    pub(super) fn name(&self) -> &str {
        &self.session.session
    }

    pub(super) fn order(&self) -> (&str, Option<NaiveDate>, &str) {
        (&self.session.vehicle, self.date, &self.session.session)
    }
}
