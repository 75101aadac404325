//! From a CAN database file (`.dbc`) to a rig, with a listing of what could be taken over and what could not.
//!
//! ```text
//! bytes → text (encoding) → parsed database → fields (bits, scaling, multiplexing) → rig text
//!                                                   ↘ listing: taken over, as what; not taken over, why
//! ```
//!
//! Every signal becomes an `[aux.NAME]` channel of the rig's own, unless a mapping says which canonical channel it
//! feeds. What the rig cannot express is left out and listed, never bent until it fits. The rig that comes out has
//! passed [`Rig::parse`].
//!
//! ```
//! use tallywheel_logger::database::{DatabaseOptions, make_rig};
//!
//! let text = "VERSION \"\"\n\nBS_:\n\nBU_: Kit\n\nBO_ 784 Pack: 4 Kit\n SG_ Voltage : 7|16@0+ (0.01,0) [0|200] \"V\" Kit\n";
//! let options = DatabaseOptions {
//!     vehicle: "skerry-1".to_owned(),
//!     port: "kit-bus".to_owned(),
//!     bit_rate: 250_000,
//!     maps: vec!["Voltage=pack.voltage_v".parse().unwrap()],
//!     ..DatabaseOptions::default()
//! };
//! let made = make_rig("kit.dbc".as_ref(), text.as_bytes(), &options).unwrap();
//! assert_eq!(made.rig.signals[0].channel, "pack.voltage_v");
//! assert_eq!(made.listing.signals[0].channel.as_deref(), Some("pack.voltage_v"));
//! ```

mod arguments;
mod field;
mod listing;
mod mapping;
mod parsed;
mod places;
mod take;
#[cfg(test)]
mod tests;
mod unit;
mod write;

pub(crate) use arguments::RigArgs;
pub use listing::{Listed, Listing, Outcome};
pub use mapping::{Map, read_maps};

use std::{
    fs::{self, OpenOptions},
    io::{self, Write},
    path::{Path, PathBuf},
};

use tallywheel_schemas::{Rig, TextFile, TextFileError};

/// What to make of a database.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct DatabaseOptions {
    /// Vehicle of the rig.
    pub vehicle: String,
    /// Name of the port on which the database's messages arrive.
    pub port: String,
    /// Bit rate of the CAN bus, bit/s.
    pub bit_rate: u32,
    /// Messages (`MESSAGE`) and signals (`SIGNAL` or `MESSAGE.SIGNAL`) to take; empty for all.
    pub only: Vec<String>,
    /// Signals that feed a canonical channel.
    pub maps: Vec<Map>,
}

/// A rig made from a database.
#[derive(Debug, Clone, PartialEq)]
pub struct MadeRig {
    /// The checked rig; its `text` is what belongs into the file.
    pub rig: Rig,
    /// What became of every signal of the database.
    pub listing: Listing,
}

/// A database that cannot become a rig.
#[derive(Debug, thiserror::Error)]
pub enum DatabaseError {
    /// The system refused.
    #[error("{action} {}: {source}", path.display())]
    Io {
        /// What was tried.
        action: &'static str,
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The text is no CAN database.
    #[error("{}: {message}", place(path, *at))]
    Content {
        /// The database.
        path: PathBuf,
        /// Line and column from 1, where the parser tells them.
        at: Option<(usize, usize)>,
        /// What is wrong.
        message: String,
    },
    /// A name on the command line or in the mapping file that the database does not have, or has twice.
    #[error("{}: {message}", path.display())]
    Name {
        /// The database.
        path: PathBuf,
        /// What is wrong with the name.
        message: String,
    },
    /// A mapping that cannot be carried out.
    #[error("{}: {signal} cannot feed {channel}: {message}", place(path, line.map(|l| (l, 1))))]
    Map {
        /// The database.
        path: PathBuf,
        /// Line of the signal in it, from 1.
        line: Option<usize>,
        /// The signal.
        signal: String,
        /// The channel it was to feed.
        channel: String,
        /// Why it cannot.
        message: String,
    },
    /// The mapping file cannot be used, or the made rig breaks a rule (as an unknown bit rate does).
    #[error(transparent)]
    Text(#[from] TextFileError),
}

impl DatabaseError {
    fn io(action: &'static str, path: &Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Io { action, path, source }
    }
}

fn place(path: &Path, at: Option<(usize, usize)>) -> String {
    match at {
        Some((line, column)) => format!("{}:{line}:{column}", path.display()),
        None => path.display().to_string(),
    }
}

/// Makes a rig from a database in memory; `path` is for messages.
///
/// # Errors
/// When the text cannot be parsed (with line and column where the parser tells them), a name of the options is not
/// in the database, a mapping cannot be carried out, or the vehicle, port or bit rate do not fit a rig. A signal that
/// cannot be taken over is no error: it is listed.
pub fn make_rig(path: &Path, bytes: &[u8], options: &DatabaseOptions) -> Result<MadeRig, DatabaseError> {
    let database = parsed::Database::parse(path, bytes)?;
    let taken = take::take(&database, options)?;
    let text = write::rig_text(path, options, &taken.fields);
    let rig = Rig::parse(TextFile::new("the made rig", text))?;
    let listing = Listing { database: path.to_owned(), notes: database.notes, signals: taken.listed };
    Ok(MadeRig { rig, listing })
}

/// As [`make_rig`], from a file.
///
/// # Errors
/// As [`make_rig`], or when the file cannot be read.
pub fn read_rig(path: &Path, options: &DatabaseOptions) -> Result<MadeRig, DatabaseError> {
    let bytes = fs::read(path).map_err(DatabaseError::io("read", path))?;
    make_rig(path, &bytes, options)
}

/// Writes a made rig to a new file.
///
/// # Errors
/// When the file exists already or cannot be written.
pub fn write_rig(path: &Path, rig: &Rig) -> Result<(), DatabaseError> {
    let mut file =
        OpenOptions::new().write(true).create_new(true).open(path).map_err(DatabaseError::io("create", path))?;
    file.write_all(rig.text.as_bytes()).map_err(DatabaseError::io("write", path))
}
