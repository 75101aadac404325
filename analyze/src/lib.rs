//! Computes what recorded sessions say: from sealed sessions to a verdict on a mileage claim.
//!
//! The flow is one way. [`dataset`] opens a directory of sealed sessions and checks every file against its
//! manifest; [`ledger`] integrates the native-rate samples exactly into one-second bins; [`trips`] finds drives
//! in the bins. Everything above is sums and selections over ledger rows: [`tally`], [`mileage`], [`account`],
//! [`thermal`]. [`run`] judges the runs of a campaign, [`observation`] reduces them to numbers, [`effect`] compares
//! these, [`judgement`] decides by the rule of [`verdict`], and
//! [`report`] says how it came about.
//! in the bins. Everything above is sums and selections over ledger rows: [`tally`], [`mileage`], [`account`],
//! [`thermal`]. [`run`] judges the runs of a campaign, [`comparison`] compares them, [`verdict`] decides, and
//! [`report`] says how it came about. [`plan`] says beforehand how many runs that takes.
//!
//! ```no_run
//! use std::path::Path;
//! use tallywheel_analyze::{
//!     dataset::{Dataset, Filter}, ledger::{LedgerOptions, ledgers}, progress::Silent, tally::Tally,
//! };
//!
//! let dataset = Dataset::open(Path::new("data"))?;
//! let sessions = dataset.sessions(&Filter::default());
//! for ledger in ledgers(&dataset, &sessions, &LedgerOptions::default(), &Silent)? {
//!     let tally = Tally::of(&ledger.bins, ledger.findings.bin_s())?;
//!     println!("{}: {:?} L/100 km", ledger.session.manifest.session, tally.l_per_100km());
//! }
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

pub mod account;
pub mod ageing;
pub mod answer;
pub mod assemble;
pub mod budget;
pub mod campaign_runs;
pub mod carbon_balance;
pub mod collect;
pub mod columns;
pub mod command;
pub mod compact;
pub mod comparison;
pub mod dataset;
pub mod days;
pub mod derive;
pub mod disk;
pub mod effect;
pub mod explain;
pub mod figure;
#[doc(hidden)]
pub mod fixture;
pub mod fuel_check;
pub mod in_service;
pub mod integral;
pub mod interrupt;
pub mod judgement;
pub mod ledger;
pub mod likeness;
pub mod lock;
pub mod looks;
pub mod mileage;
pub mod observation;
pub mod observed;
mod page;
pub mod passes;
pub mod plan;
pub mod progress;
pub mod provenance;
pub mod rainflow;
pub mod report;
pub mod rollup;
pub mod run;
pub mod sheet;
pub mod stats;
pub mod tally;
pub mod thermal;
pub mod trips;
pub mod uncertainty;
pub mod verdict;

pub use dataset::{Damage, Dataset, DatasetError, Filter, Session};
pub use ledger::{ChannelFinding, Findings, LedgerError, LedgerOptions, SessionLedger, ledgers};
pub use progress::{Bar, Progress, Silent};
