//! From captured files to a session, by the same path that lies behind a port.
//!
//! Each capture stands for one port of the rig. Captures are read as streams, stamped by the time they carry
//! ([`clock`]), merged by that time and handed to the sealer. The captures themselves are the record, so there is no
//! journal; a session exists only once its manifest does.

mod capture;
pub mod clock;
#[cfg(test)]
mod tests;

use std::{
    io,
    path::{Path, PathBuf},
};

use tallywheel_schemas::{Manifest, Rig, RunSheet, TextFileError, Timestamp, manifest::Origin};

use crate::{
    seal::{SealError, Sealer, SessionFacts},
    session::{SessionError, SessionLock, remove_partials},
};
use capture::{Capture, Stamped};
use clock::ClockError;

/// What to import.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ImportOptions {
    /// Rig file.
    pub rig: PathBuf,
    /// Dataset directory; made when it does not exist.
    pub data: PathBuf,
    /// Port and file of each capture.
    pub captures: Vec<(String, PathBuf)>,
    /// Start of captures that do not know their time.
    pub start: Option<Timestamp>,
    /// Length of captures that have no time stamps at all, s.
    pub span_s: Option<f64>,
    /// Run sheet file.
    pub run_sheet: Option<PathBuf>,
    /// Name of the session instead of `VEHICLE-START`.
    pub session: Option<String>,
}

/// An import that cannot be done.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    /// The rig or run sheet cannot be used.
    #[error(transparent)]
    Text(#[from] TextFileError),
    /// A capture names a port that the rig does not have.
    #[error("--capture {name}=…: {message}")]
    Port {
        /// As given.
        name: String,
        /// What is wrong with it.
        message: String,
    },
    /// No capture was named.
    #[error("nothing to import: name at least one capture, as in --capture PORT=FILE")]
    NoCapture,
    /// A capture cannot be read.
    #[error("read {}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A capture without a byte.
    #[error("{} is empty", path.display())]
    Empty {
        /// The file.
        path: PathBuf,
    },
    /// The times of a capture cannot be known.
    #[error("{}: {source}", path.display())]
    Clock {
        /// The file.
        path: PathBuf,
        /// Why, and what to do.
        source: ClockError,
    },
    /// The session cannot be written.
    #[error(transparent)]
    Seal(#[from] SealError),
    /// The session's name cannot be had.
    #[error(transparent)]
    Session(#[from] SessionError),
}

impl ImportError {
    fn io(path: &Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Io { path, source }
    }
}

/// Imports captures as one session. `progress` is told of bytes as they are read.
///
/// # Errors
/// When a file cannot be read or used, a capture's times cannot be known, or the session cannot be written. Then the
/// dataset is as it was before.
pub fn import(options: &ImportOptions, progress: &mut dyn FnMut(u64)) -> Result<Manifest, ImportError> {
    let rig = Rig::read(&options.rig)?;
    let run = options.run_sheet.as_deref().map(RunSheet::read).transpose()?;
    let mut captures = open(options, &rig)?;
    let mut heads = Vec::with_capacity(captures.len());
    for capture in &mut captures {
        heads.push(capture.next(progress)?);
    }
    let first = heads.iter().flatten().map(|h| h.at).min().or(options.start);
    let Some(first) = first else {
        let path = captures.first().map(|c| c.path().to_owned()).unwrap_or_default();
        return Err(ImportError::Clock { path, source: ClockError::NoMessage });
    };
    let lock = match &options.session {
        Some(name) => SessionLock::claim(&options.data, name)?,
        None => SessionLock::claim_new(&options.data, &rig.vehicle, first)?,
    };
    let facts = SessionFacts {
        rig_file: file_name(&options.rig),
        run,
        clock: captures.iter().map(Capture::clock).collect::<Vec<_>>().join("; "),
        start: None,
        live: false,
        rig,
    };
    let ports = facts.rig.ports.len();
    let mut sealer = Sealer::new(&options.data, &lock, facts);
    (0..ports).filter(|port| captures.iter().all(|c| c.port() != *port)).for_each(|port| sealer.absent(port));
    let sealed = merge(sealer, captures, heads, progress);
    if sealed.is_err() {
        // Leaves the dataset as it was. The first error is the one to tell of.
        let _ = remove_partials(&options.data, &lock.session);
    }
    let removed = lock.remove();
    let manifest = sealed?;
    removed.map_err(SealError::from)?;
    Ok(manifest)
}

fn file_name(path: &Path) -> String {
    path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default()
}

/// Opens every capture before anything is written, in the order of the rig's ports.
fn open(options: &ImportOptions, rig: &Rig) -> Result<Vec<Capture>, ImportError> {
    if options.captures.is_empty() {
        return Err(ImportError::NoCapture);
    }
    let mut captures: Vec<Capture> = Vec::new();
    for (name, path) in &options.captures {
        let fail = |message| Err(ImportError::Port { name: name.clone(), message });
        let Some(port) = rig.ports.iter().position(|p| p.name == *name) else {
            return fail(tallywheel_schemas::unknown_name("port", name, rig.ports.iter().map(|p| p.name.as_str())));
        };
        if captures.iter().any(|c| c.port() == port) {
            return fail("the port has a capture already; join the files first".to_owned());
        }
        captures.push(Capture::open(rig, port, path, options.start, options.span_s)?);
    }
    captures.sort_by_key(Capture::port);
    Ok(captures)
}

/// Hands the captures' messages to the sealer in the order of time; of equal times the rig's order of ports decides.
fn merge(
    mut sealer: Sealer,
    mut captures: Vec<Capture>,
    mut heads: Vec<Option<Stamped>>,
    progress: &mut dyn FnMut(u64),
) -> Result<Manifest, ImportError> {
    loop {
        let earliest = heads.iter().enumerate().filter_map(|(i, h)| Some((h.as_ref()?.at, i))).min();
        let Some((_, i)) = earliest else { break };
        let next = captures[i].next(progress)?;
        if let Some(Stamped { at, framed }) = std::mem::replace(&mut heads[i], next) {
            sealer.message(captures[i].port(), at, framed)?;
        }
    }
    let mut records = Vec::with_capacity(captures.len());
    for capture in captures {
        let port = capture.port();
        let (record, notes) = capture.finish();
        sealer.bytes(port, record.bytes);
        notes.into_iter().for_each(|note| sealer.note(note));
        records.push(record);
    }
    Ok(sealer.finish(None, Origin::Imported(records))?)
}
