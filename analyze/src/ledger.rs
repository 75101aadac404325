//! The ledger: exact integrals of a session's native-rate samples, one row per bin.
//!
//! Takes sessions of a [`Dataset`]. Gives, per session, the `ledger` and `motor_ledger` tables as
//! polars frames and [`Findings`] about the data they rest on. One streaming pass per session feeds the accumulators
//! of [`integral`](crate::integral); the result is cached in the dataset, keyed by the session's content.
//!
//! Where several sources measure the same thing, all are integrated, and the ledger's `distance_m` and `fuel_g` take
//! the one that the rig names or, without its word, the first that the session has: wheel speed, wheel edges,
//! satellite speed; volumetric meter, fuel rate, air mass.

mod ambient;
mod cache;
mod columns;
mod dense;
mod engine;
mod findings;
mod gauge;
mod motion;
mod motor;
mod pack;
mod pass;
mod rows;

use std::{io, sync::Arc};

use polars::prelude::{DataFrame, PolarsError};
use rayon::prelude::*;

use crate::{
    dataset::{Dataset, Session},
    progress::Progress,
};

pub(crate) use cache::{derived_keys, read_back, read_rows, vouched_rows, write_derived};
pub use findings::{ChannelFinding, Findings};
pub(crate) use rows::Rows;

/// Bin width without an option, µs.
pub const DEFAULT_BIN_US: i64 = 1_000_000;

/// How the ledger is made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LedgerOptions {
    /// Width of a bin, µs; 1 s by default. Only ledgers of the default width are cached.
    pub bin_us: i64,
    /// Sessions integrated at once; without it one per core.
    pub jobs: Option<usize>,
}

impl Default for LedgerOptions {
    fn default() -> Self {
        Self { bin_us: DEFAULT_BIN_US, jobs: None }
    }
}

/// One session's ledger.
#[derive(Debug, Clone)]
pub struct SessionLedger {
    /// The session.
    pub session: Arc<Session>,
    /// Columns of [`Table::Ledger`](tallywheel_schemas::Table), one row per bin.
    pub bins: DataFrame,
    /// Columns of [`Table::MotorLedger`](tallywheel_schemas::Table), one row per bin and motor position.
    pub motors: DataFrame,
    /// What the data are like.
    pub findings: Findings,
}

/// A ledger that cannot be made. Bad data never lead here; they are in [`Findings`].
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// The bin width is unusable.
    #[error("bin width {bin_us} µs is outside 1000 to 86400000000 (1 ms to 1 day)")]
    BinWidth {
        /// The width asked for.
        bin_us: i64,
    },
    /// No threads to work in.
    #[error("start worker threads: {0}")]
    Threads(#[from] rayon::ThreadPoolBuildError),
    /// The rows make no frame.
    #[error("session {session}: build the ledger's frame: {source}")]
    Frame {
        /// Session.
        session: String,
        /// What polars said.
        source: PolarsError,
    },
}

/// The ledgers of some sessions, in their order: from the cache where it fits, else made now.
///
/// A dataset that cannot be written to works the same, without the cache.
///
/// # Errors
/// When the bin width is outside 1 ms to 1 day, or when no worker threads can be started.
pub fn ledgers(
    dataset: &Dataset,
    sessions: &[Arc<Session>],
    options: &LedgerOptions,
    progress: &dyn Progress,
) -> Result<Vec<SessionLedger>, LedgerError> {
    check_bin_us(options.bin_us)?;
    tracing::debug!(dataset = %dataset.root().display(), sessions = sessions.len(), "ledgers");
    let pool = rayon::ThreadPoolBuilder::new().num_threads(options.jobs.unwrap_or(0)).build()?;
    progress.begin("ledger", sessions.len() as u64);
    let made = pool.install(|| {
        sessions
            .par_iter()
            .map(|session| {
                let keep = options.bin_us == DEFAULT_BIN_US;
                let ledger = session_ledger(session, options.bin_us, keep).map(|made| made.ledger);
                progress.advance();
                ledger
            })
            .collect()
    });
    progress.end();
    made
}

pub(crate) fn check_bin_us(bin_us: i64) -> Result<(), LedgerError> {
    if (1_000..=86_400_000_000).contains(&bin_us) { Ok(()) } else { Err(LedgerError::BinWidth { bin_us }) }
}

/// A session's ledger and where it comes from.
pub(crate) struct Ledgered {
    pub(crate) ledger: SessionLedger,
    /// It was not in the cache.
    pub(crate) made: bool,
    /// Whether it is in the cache now; ledgers of damaged data never are.
    pub(crate) kept: io::Result<()>,
}

/// A session's ledger. `keep` says whether the cache is asked and added to.
pub(crate) fn session_ledger(session: &Arc<Session>, bin_us: i64, keep: bool) -> Result<Ledgered, LedgerError> {
    let cached = if keep { cache::load(session, bin_us) } else { None };
    let fresh = cached.is_none();
    let integrals = cached.unwrap_or_else(|| pass::integrate(session, bin_us));
    let kept = if keep && fresh { cache::store(session, &integrals) } else { Ok(()) };
    if let Err(error) = &kept {
        tracing::debug!(session = %session.manifest.session, %error, "the ledger is not cached");
    }
    // Each of the two is gone before the next is copied: of a night on the charger they are the most that memory holds.
    let frame =
        |rows: Rows| rows.frame().map_err(|source| LedgerError::Frame { session: rows.session.clone(), source });
    let (bins, motors) = (frame(integrals.bins)?, frame(integrals.motors)?);
    let ledger = SessionLedger { session: Arc::clone(session), bins, motors, findings: integrals.findings };
    Ok(Ledgered { ledger, made: fresh, kept })
}

#[cfg(test)]
mod tests;
