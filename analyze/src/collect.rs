//! Gathering: sealed sessions of many vehicles, from cards, directories and buckets, into one dataset.
//!
//! Takes [`Source`]s, each a dataset that may be read and is never changed. Leaves in the dataset `into` every session
//! whose manifest is as it was sealed and whose files have the bytes that it vouches for. A session appears whole or
//! not at all:
//!
//! 1. each file is fetched to `.work/collect/`, hashed on the way, and synced; what was fetched before an interruption
//!    is hashed again and gone on from;
//! 2. the manifest is put to `.work/arriving/`, which says that files without a manifest are on their way;
//! 3. the files are renamed into their tables, and the manifest, last, into `sessions/`.
//!
//! Nothing is ever replaced. What cannot be taken is named with the reason, and the others go on: a session that is
//! there with other content, one that is damaged in every source that has it, one that is still being recorded.
//! Corrections of run sheets are merged by adding lines.

mod copy;
mod corrections;
mod destination;
mod plan;
mod source;
#[cfg(test)]
mod tests;
mod text;
pub(crate) mod twins;

use std::{
    io,
    path::{Path, PathBuf},
    sync::{
        Arc,
        atomic::{AtomicBool, AtomicU64, Ordering},
    },
};

use rayon::prelude::*;
use serde::Serialize;

use crate::{
    dataset::{Dataset, DatasetError, Filter},
    disk::Disk,
    lock::LockError,
    progress::Progress,
};
use copy::{Copier, CopyFault};
use destination::Destination;
pub(crate) use destination::manifests;
use plan::{Decision, Plan};

pub use corrections::CorrectionsOutcome;
pub use source::{Source, SourceError};
pub use twins::Twins;

/// Sessions fetched at once without an option. More hides the delays of a bucket; a card is as fast with one.
pub const DEFAULT_JOBS: usize = 4;

/// Version of the JSON that [`Collected`] becomes.
///
/// 1: first version.
pub const COLLECTED_VERSION: u32 = 1;

/// How to collect.
#[derive(Debug, Clone)]
pub struct CollectOptions {
    /// The dataset; made where it is not there.
    pub into: PathBuf,
    /// Sessions at once.
    pub jobs: usize,
    /// Set from outside to stop. What has been fetched is kept for next time.
    pub stop: Option<Arc<AtomicBool>>,
    /// What files are written through.
    pub disk: Disk,
}

impl CollectOptions {
    /// Into a dataset, with everything else as usual.
    pub fn new(into: &Path) -> Self {
        Self { into: into.to_owned(), jobs: DEFAULT_JOBS, stop: None, disk: Disk::default() }
    }
}

/// What was done.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Collected {
    /// [`COLLECTED_VERSION`].
    pub schema: u32,
    /// The sources, as given.
    pub sources: Vec<String>,
    /// Every session that was found, by vehicle and name.
    pub sessions: Vec<SessionOutcome>,
    /// Every file of corrections that was found.
    pub corrections: Vec<CorrectionsOutcome>,
    /// Sessions of the dataset that seem to tell of the same drive.
    pub twins: Vec<Twins>,
    /// Bytes fetched.
    pub bytes: u64,
}

/// What became of one session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SessionOutcome {
    /// Vehicle.
    pub vehicle: String,
    /// Session.
    pub session: String,
    /// The source that it came from or would have come from.
    pub source: String,
    /// What became of it.
    pub outcome: Outcome,
    /// Why it was not taken.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// What became of a session.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// It is in the dataset now.
    Copied,
    /// It was in the dataset, with the same content.
    There,
    /// It was in the dataset with files missing, which are there again.
    Mended,
    /// The dataset has something else under its name.
    Conflict,
    /// Its manifest or a file is not as sealed.
    Damaged,
    /// It is not sealed: it is being recorded, or waits for `recover` where it was recorded.
    Unfinished,
    /// It could not be read or written.
    Failed,
}

/// Collecting that could not be done or finished.
#[derive(Debug, thiserror::Error)]
pub enum CollectError {
    /// A source cannot be used.
    #[error(transparent)]
    Source(#[from] SourceError),
    /// A source is the dataset itself.
    #[error("{name}: is the dataset that is collected into")]
    Itself {
        /// The source.
        name: String,
    },
    /// Another process changes the dataset.
    #[error(transparent)]
    Lock(#[from] LockError),
    /// The dataset cannot be read or written.
    #[error("{}: {source}", path.display())]
    Into {
        /// The file or directory.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The dataset cannot be opened at the end.
    #[error(transparent)]
    Dataset(#[from] DatasetError),
    /// No threads to work in.
    #[error("start worker threads: {0}")]
    Threads(String),
    /// Stopped from outside.
    #[error("interrupted; what was fetched is kept, run the same command to go on")]
    Interrupted,
}

impl Collected {
    /// How many sessions ended so.
    pub fn count(&self, outcome: Outcome) -> usize {
        self.sessions.iter().filter(|s| s.outcome == outcome).count()
    }

    /// Whether something is to be looked at: a conflict, damage, corrections that contradict, copies of one drive.
    pub fn has_faults(&self) -> bool {
        self.count(Outcome::Conflict) + self.count(Outcome::Damaged) > 0
            || !self.twins.is_empty()
            || self.corrections.iter().any(|c| c.reason.is_some())
    }

    /// As JSON for programs.
    pub fn to_json(&self) -> String {
        serde_json::to_string_pretty(self).expect("these types have only string keys and whole numbers") + "\n"
    }
}

/// Collects the sessions of some sources into a dataset.
///
/// # Errors
/// When a source or the dataset cannot be listed, the dataset is collected into by another process, or
/// [`CollectOptions::stop`] was set. A session that cannot be read or written is no error: it is named as
/// [`Outcome::Failed`].
pub fn collect(
    sources: &[Source],
    options: &CollectOptions,
    progress: &dyn Progress,
) -> Result<Collected, CollectError> {
    if let Some(source) = sources.iter().find(|s| s.is_at(&options.into)) {
        return Err(CollectError::Itself { name: source.name().to_owned() });
    }
    let destination = Destination::open(&options.disk, &options.into)?;
    let plan = Plan::new(sources, &destination)?;
    let mut sessions = plan.refused;
    progress.begin_bytes("collect", plan.wanted.iter().map(Decision::bytes).sum());
    let fetched = AtomicU64::new(0);
    let copier =
        Copier { destination: &destination, sources, stop: options.stop.as_deref(), progress, fetched: &fetched };
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(options.jobs)
        .build()
        .map_err(|e| CollectError::Threads(e.to_string()))?;
    let taken: Result<Vec<SessionOutcome>, CopyFault> =
        pool.install(|| plan.wanted.par_iter().map(|decision| copier.take(decision)).collect());
    progress.end();
    sessions.extend(taken.map_err(|fault| match fault {
        CopyFault::Write { path, source } => CollectError::Into { path, source },
        _ => CollectError::Interrupted,
    })?);
    sessions.sort_by(|a, b| (&a.vehicle, &a.session, a.outcome).cmp(&(&b.vehicle, &b.session, b.outcome)));
    let corrections = corrections::merge(sources, &destination)?;
    let twins = twins::find(&Dataset::open(&options.into)?.sessions(&Filter::default()));
    Ok(Collected {
        schema: COLLECTED_VERSION,
        sources: sources.iter().map(|s| s.name().to_owned()).collect(),
        sessions,
        corrections,
        twins,
        bytes: fetched.load(Ordering::Relaxed),
    })
}
