//! Writes sessions as the captures that a serial terminal would have saved.

use std::{fs, path::Path};

use serde::Serialize;
use tallywheel_schemas::RunSheet;

use crate::{error::DemoError, paper, session::Session};

/// File name of a run sheet.
pub const SHEET_FILE: &str = "run.toml";
/// File name of a truth.
pub const TRUTH_FILE: &str = "truth.json";

/// Writes a session into a directory: a file for every port that spoke, the run sheet if there is one, and the
/// truth.
///
/// # Errors
/// When the directory or a file cannot be written.
pub fn write_session(directory: &Path, session: &Session, sheet: Option<&RunSheet>) -> Result<(), DemoError> {
    make_directory(directory)?;
    for (port, sent) in &session.sent {
        write(&directory.join(port.file()), &sent.bytes)?;
    }
    if let Some(sheet) = sheet {
        write(&directory.join(SHEET_FILE), paper::run_sheet(sheet).as_bytes())?;
    }
    write_json(&directory.join(TRUTH_FILE), &session.truth)
}

/// Writes a value as indented JSON with a line end.
///
/// # Errors
/// When the file cannot be written.
pub fn write_json(path: &Path, value: &impl Serialize) -> Result<(), DemoError> {
    let mut text = serde_json::to_string_pretty(value).map_err(|source| DemoError::Io {
        action: "write",
        path: path.to_owned(),
        source: source.into(),
    })?;
    text.push('\n');
    write(path, text.as_bytes())
}

/// Writes a file whole.
///
/// # Errors
/// When it cannot be written.
pub fn write(path: &Path, bytes: &[u8]) -> Result<(), DemoError> {
    fs::write(path, bytes).map_err(|source| DemoError::Io { action: "write", path: path.to_owned(), source })
}

/// Makes a directory and those above it.
///
/// # Errors
/// When it cannot be made.
pub fn make_directory(path: &Path) -> Result<(), DemoError> {
    fs::create_dir_all(path).map_err(|source| DemoError::Io { action: "make directory", path: path.to_owned(), source })
}
