//! Derived tables: ledger, motor ledger, trips, days and classes of speed, each made once.
//!
//! Takes sessions of a [`Dataset`]. Leaves in the dataset, beside the sealed tables and with the same partitions, what
//! is missing of their [derived tables](tallywheel_schemas::Table::DERIVED). Sessions are streamed: what one needs in
//! memory is dropped before the next begins, so that memory does not grow with the fleet.
//!
//! What depends on what, and is made again when it changes:
//!
//! | table | depends on |
//! | --- | --- |
//! | `ledger`, `motor_ledger` | decoded tables, rig with its calibrations, the clock's correction, `LEDGER_VERSION`, bin width |
//! | `trips` | the ledger, `TRIPS_VERSION`, the trip rules |
//! | `days`, `speed_classes` | the ledger, the trips, the manifest (counters and gaps), `DAYS_VERSION` |
//!
//! A corrected run sheet changes none of them. Files are written under names of their own and renamed, `days` last;
//! it says what the others should be like, so that whether a session is done is known from one footer and a few file
//! sizes. Two processes at once each leave whole files, and they write the same.

mod state;
mod sweep;
mod tables;
#[cfg(test)]
mod tests;

use std::{
    path::PathBuf,
    sync::{
        Arc,
        atomic::{AtomicBool, AtomicUsize, Ordering},
    },
};

use polars::prelude::PolarsError;
use rayon::prelude::*;

use crate::{
    dataset::{Damage, Dataset, Session},
    days::{class_rows, day_rows, days, speed_classes},
    ledger::{DEFAULT_BIN_US, LedgerError, Ledgered, Rows, session_ledger},
    progress::Progress,
    trips::{TripRules, trip_rows, trips},
};
use state::Keys;

pub use tables::FleetTables;

/// How derived tables are made.
#[derive(Debug, Clone)]
pub struct DeriveOptions {
    /// Width of a bin, µs; 1 s by default.
    pub bin_us: i64,
    /// What makes a trip.
    pub rules: TripRules,
    /// Sessions at once; without it one per core.
    pub jobs: Option<usize>,
    /// Read every decoded and derived table again and compare it with its hash. Without it a file of the same length and time of
    /// change as before counts as the same.
    pub check: bool,
    /// Set from outside to stop: sessions at hand are finished, no other is begun.
    pub stop: Option<Arc<AtomicBool>>,
}

impl Default for DeriveOptions {
    fn default() -> Self {
        Self { bin_us: DEFAULT_BIN_US, rules: TripRules::default(), jobs: None, check: false, stop: None }
    }
}

/// What was done.
#[derive(Debug)]
pub struct Derived {
    /// Every session asked for, in the order asked.
    pub sessions: Vec<SessionDerived>,
    /// Derived files whose session is gone or cannot be used; they were removed. Paths below the dataset's root.
    pub removed: Vec<PathBuf>,
}

/// What was done for one session.
#[derive(Debug)]
pub struct SessionDerived {
    /// The session.
    pub session: Arc<Session>,
    /// What became of its derived tables.
    pub state: State,
}

/// What became of a session's derived tables.
#[derive(Debug)]
pub enum State {
    /// They were there.
    Kept,
    /// Some were made and are there now.
    Made(Remade),
    /// They were made but cannot be kept, as in a dataset that cannot be written to.
    Unwritten {
        /// What the system said.
        reason: String,
        /// The rows, so that they count all the same.
        rows: Box<SessionRows>,
    },
    /// Some of the session's bytes are not as sealed. None of its derived tables are kept, so that nothing counts it
    /// until it is put right.
    Damaged(Vec<Damage>),
}

/// Which tables were made again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Remade {
    /// `ledger` and `motor_ledger`: the session was read.
    pub ledger: bool,
    /// `trips`.
    pub trips: bool,
    /// `days` and `speed_classes`.
    pub days: bool,
}

/// The rows of one session that could not be written.
#[derive(Debug)]
pub struct SessionRows {
    trips: Rows,
    days: Rows,
    classes: Rows,
}

/// Derived tables that cannot be made. Bad data never lead here; they are in [`State`].
#[derive(Debug, thiserror::Error)]
pub enum DeriveError {
    /// The ledger cannot be made.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// A ledger lacks columns.
    #[error("session {session}: read its ledger: {source}")]
    Columns {
        /// Session.
        session: String,
        /// What polars said.
        source: PolarsError,
    },
    /// No threads to work in.
    #[error("start worker threads: {0}")]
    Threads(#[from] rayon::ThreadPoolBuildError),
    /// Stopped from outside.
    #[error("interrupted after {done} of {total} sessions; what is done is kept, run the same command to go on")]
    Interrupted {
        /// Sessions that are done.
        done: usize,
        /// Sessions asked for.
        total: usize,
    },
}

/// Makes what is missing of the derived tables of some sessions, and removes derived files that no session of the
/// dataset stands behind.
///
/// # Errors
/// When the bin width is outside 1 ms to 1 day, no worker threads can be started, or
/// [`DeriveOptions::stop`] was set.
pub fn derive(
    dataset: &Dataset,
    sessions: &[Arc<Session>],
    options: &DeriveOptions,
    progress: &dyn Progress,
) -> Result<Derived, DeriveError> {
    crate::ledger::check_bin_us(options.bin_us)?;
    let pool = rayon::ThreadPoolBuilder::new().num_threads(options.jobs.unwrap_or(0)).build()?;
    let done = AtomicUsize::new(0);
    let total = sessions.len();
    let one = |session: &Arc<Session>| {
        if options.stop.as_ref().is_some_and(|stop| stop.load(Ordering::Relaxed)) {
            return Err(DeriveError::Interrupted { done: done.load(Ordering::Relaxed), total });
        }
        let state = derive_session(session, options)?;
        done.fetch_add(1, Ordering::Relaxed);
        progress.advance();
        Ok(SessionDerived { session: Arc::clone(session), state })
    };
    progress.begin("derived tables", total as u64);
    let made: Result<Vec<_>, _> = pool.install(|| sessions.par_iter().map(one).collect());
    progress.end();
    let stopped = |e| match e {
        // Others were finished after the one that saw it first.
        DeriveError::Interrupted { .. } => DeriveError::Interrupted { done: done.load(Ordering::Relaxed), total },
        other => other,
    };
    let sessions = made.map_err(stopped)?;
    let removed = sweep::sweep(dataset);
    Ok(Derived { sessions, removed })
}

/// One session: nothing if all is there, else the ledger from its cache or a pass, and what is made of it.
fn derive_session(session: &Arc<Session>, options: &DeriveOptions) -> Result<State, DeriveError> {
    let keys = Keys::of(session, options);
    if keys.all_there(session, options.check) {
        return Ok(State::Kept);
    }
    // Before the tables are read: a file that changes meanwhile is then looked at again next time.
    let sources = state::sources(session);
    let Ledgered { ledger, made, kept } = session_ledger(session, options.bin_us, true)?;
    if !ledger.findings.damage.is_empty() {
        sweep::forget(session);
        return Ok(State::Damaged(ledger.findings.damage));
    }
    let name = &session.manifest.session;
    let columns = |source| DeriveError::Columns { session: name.clone(), source };
    let found = trips(&ledger, &options.rules);
    let rows = SessionRows {
        trips: trip_rows(name, &found),
        days: day_rows(name, &days(&ledger, &found).map_err(columns)?),
        classes: class_rows(name, &speed_classes(&ledger).map_err(columns)?),
    };
    // Without its ledger the rest would not be found complete next time.
    Ok(match kept.and_then(|()| keys.write(session, &rows, &sources)) {
        Ok(trips) => State::Made(Remade { ledger: made, trips, days: true }),
        Err(error) => State::Unwritten { reason: error.to_string(), rows: Box::new(rows) },
    })
}

impl Derived {
    /// Number of sessions for which anything was made.
    pub fn made(&self) -> usize {
        self.sessions.iter().filter(|s| !matches!(s.state, State::Kept | State::Damaged(_))).count()
    }

    /// The sessions that are damaged, with what is wrong.
    pub fn damaged(&self) -> impl Iterator<Item = (&Session, &[Damage])> {
        self.sessions.iter().filter_map(|s| match &s.state {
            State::Damaged(damage) => Some((s.session.as_ref(), damage.as_slice())),
            _ => None,
        })
    }
}
