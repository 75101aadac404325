//! Why the demonstration could not finish.

use std::{io, path::PathBuf};

use tallywheel_schemas::{ManifestError, TextFileError};

/// An error of the demonstration. A check that fails is not one: it is reported, and ends with exit code 1.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// A file or directory cannot be used.
    #[error("{action} {}: {source}", path.display())]
    Io {
        /// What was tried.
        action: &'static str,
        /// On what.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The output directory was not made by the demonstration.
    #[error(
        "{} exists and was not made by tallywheel-demo (no {marker} in it); name another directory with --out, nothing \
         was changed", path.display()
    )]
    NotOurs {
        /// The directory.
        path: PathBuf,
        /// Name of the marker file that is missing.
        marker: &'static str,
    },
    /// The directory for a fleet is in use.
    #[error("{} is not empty; name another directory with --out, nothing was changed", path.display())]
    NotEmpty {
        /// The directory.
        path: PathBuf,
    },
    /// A fleet's sessions could not be written.
    #[error(transparent)]
    Fleet(#[from] crate::fleet::sessions::FleetError),
    /// A number on the command line is out of bounds.
    #[error("--{option} is {min} to {max}, not {value}")]
    OutOfBounds {
        /// The option.
        option: &'static str,
        /// Smallest.
        min: u64,
        /// Largest.
        max: u64,
        /// Given.
        value: u64,
    },
    /// One of the two programs is not where it should be.
    #[error(
        "{name} is not in {}; build it with `cargo build --workspace --bins`, or say where it is with --bin-dir",
        directory.display()
    )]
    NoProgram {
        /// Name of the program.
        name: &'static str,
        /// Where it was looked for.
        directory: PathBuf,
    },
    /// cargo could not build the programs.
    #[error("build of tallywheel-logger and tallywheel-analyze with {cargo} ended with {status}")]
    Build {
        /// The cargo that ran.
        cargo: String,
        /// How it ended.
        status: String,
    },
    /// A program could not finish.
    #[error("`{command}` ended with {status}:\n{output}")]
    Program {
        /// Program and first argument.
        command: String,
        /// How it ended.
        status: String,
        /// The last that it said.
        output: String,
    },
    /// The recording through pseudo-terminals came to nothing.
    #[error("live recording: {reason}")]
    Live {
        /// What happened.
        reason: String,
    },
    /// The report lacks something that the comparison needs.
    #[error("{}: no {what} at {pointer}", path.display())]
    Report {
        /// The report.
        path: PathBuf,
        /// What was looked for.
        what: &'static str,
        /// JSON pointer.
        pointer: String,
    },
    /// A file that people write is wrong.
    #[error(transparent)]
    Text(#[from] TextFileError),
    /// A session manifest cannot be read.
    #[error(transparent)]
    Manifest(#[from] ManifestError),
}
