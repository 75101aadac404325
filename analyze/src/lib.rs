//! Computes what recorded sessions say: exact per-second integrals, trips, and everything above them.
//!
//! The flow is one way: [`Dataset`] opens a directory of sealed sessions and checks every file against its
//! manifest; [`ledger`] integrates a session's native-rate samples into bins; [`trips`] finds drives in the
//! bins. Whatever follows is sums and selections over ledger rows.
//!
//! ```no_run
//! use std::path::Path;
//! use tallywheel_analyze::{Dataset, Filter, LedgerOptions, Silent, ledgers};
//!
//! let dataset = Dataset::open(Path::new("data"))?;
//! let sessions = dataset.sessions(&Filter::default());
//! for ledger in ledgers(&dataset, &sessions, &LedgerOptions::default(), &Silent)? {
//!     println!("{}: {} bins", ledger.session.manifest.session, ledger.bins.height());
//! }
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

pub mod ageing;
pub mod dataset;
pub mod integral;
pub mod ledger;
mod progress;
pub mod stats;
pub mod trips;

pub use dataset::{Damage, Dataset, DatasetError, Filter, Session};
pub use ledger::{ChannelFinding, Findings, LedgerError, LedgerOptions, SessionLedger, ledgers};
pub use progress::{Bar, Progress, Silent};
pub use trips::{Trip, TripRules, store_trips, trips, trips_frame, whole_session};
