//! From captured files to a session, by the same path that lies behind a port.
//!
//! Each capture stands for one port of the rig. Captures are read as streams, stamped by the time they carry
//! ([`clock`]), merged by that time and handed to the sealer. The captures themselves are the record, so there is no
//! journal; a session exists only once its manifest does.

mod capture;
pub mod clock;
mod doubt;
mod order;
mod sniff;
#[cfg(test)]
mod tests;

use std::{
    io,
    path::{Path, PathBuf},
};

use tallywheel_schemas::{
    Digest, Manifest, Rig, RunSheet, TextFileError, Timestamp,
    manifest::{CaptureRecord, Origin},
};

use crate::{
    durable::{self, FileError},
    seal::{SealError, Sealer, SessionFacts},
    session::{SessionError, SessionLock, manifests, remove_partials},
};
use capture::{Capture, Part};
use clock::ClockError;
pub(crate) use order::SORTED_US;
use order::Stamped;

/// What to import.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ImportOptions {
    /// Rig file.
    pub rig: PathBuf,
    /// Dataset directory; made when it does not exist.
    pub data: PathBuf,
    /// Port and file of each capture. `FILE#NAME` means the interface NAME of a CAN log that has several.
    pub captures: Vec<(String, PathBuf)>,
    /// Start of captures that do not know their time.
    pub start: Option<Timestamp>,
    /// Length of captures that have no time stamps at all, s.
    pub span_s: Option<f64>,
    /// Run sheet file.
    pub run_sheet: Option<PathBuf>,
    /// Name of the session instead of `VEHICLE-START`.
    pub session: Option<String>,
    /// Import a capture that the dataset already has of this vehicle.
    pub again: bool,
    /// Later than this is the future; the system's clock, if it is not given.
    pub now: Option<Timestamp>,
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
    /// A file of another kind.
    #[error("{} is {what}. Nothing is imported", path.display())]
    Foreign {
        /// The file.
        path: PathBuf,
        /// What it is, and what to do.
        what: &'static str,
    },
    /// A CAN log of several buses.
    #[error(
        "{}: the log has frames of {} interfaces, {}, and a port is one bus; choose one, as in --capture {port}={}#{}",
        path.display(), names.len(), names.join(", "), path.display(), names[0]
    )]
    Interfaces {
        /// The file.
        path: PathBuf,
        /// The interfaces.
        names: Vec<String>,
        /// The port that it was given for.
        port: String,
    },
    /// A CAN log without the interface that is meant.
    #[error("{}: {message}; the log has {names}", path.display())]
    UnknownInterface {
        /// The file.
        path: PathBuf,
        /// What was meant, and the nearest there is.
        message: String,
        /// The interfaces.
        names: String,
    },
    /// An interface is meant where there are none.
    #[error("{}: is no CAN log, so it has no interface `{interface}`; leave `#{interface}` out", path.display())]
    NoInterfaces {
        /// The file.
        path: PathBuf,
        /// As given.
        interface: String,
    },
    /// The dataset has the capture already.
    #[error(
        "{}: session {session} of vehicle {vehicle} was imported from the same bytes; give --again to import them once more",
        path.display()
    )]
    Known {
        /// The file.
        path: PathBuf,
        /// The session.
        session: String,
        /// Of the rig.
        vehicle: String,
    },
    /// Not one good message.
    #[error(
        "{}: nothing in it could be read as {kind}{fault}; it looks like {looks}. Nothing is imported; check the file, the \
         port and the rig", path.display()
    )]
    NothingGood {
        /// The file.
        path: PathBuf,
        /// What the port asks for.
        kind: &'static str,
        /// What is wrong with the first bad message.
        fault: String,
        /// What the file looks like.
        looks: String,
    },
    /// The dataset cannot be searched.
    #[error(transparent)]
    File(#[from] FileError),
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
/// When a file cannot be read or used, a capture's times cannot be known, nothing in a capture is good, the dataset
/// has a capture already, or the session cannot be written. Then the dataset is as it was before.
pub fn import(options: &ImportOptions, progress: &mut dyn FnMut(u64)) -> Result<Manifest, ImportError> {
    let rig = Rig::read(&options.rig)?;
    let run = options.run_sheet.as_deref().map(RunSheet::read).transpose()?;
    let mut captures = open(options, &rig)?;
    if !options.again {
        refuse_known(&options.data, &rig.vehicle, &captures)?;
    }
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
    start_doubts(options, &captures).into_iter().for_each(|doubt| say(&mut sealer, doubt));
    let now = options.now.unwrap_or_else(Timestamp::now);
    let sealed = merge(sealer, captures, heads, now, progress);
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
        let part = part_of(path);
        let Some(port) = rig.ports.iter().position(|p| p.name == *name) else {
            return fail(tallywheel_schemas::unknown_name("port", name, rig.ports.iter().map(|p| p.name.as_str())));
        };
        if captures.iter().any(|c| c.port() == port) {
            return fail("the port has a capture already; join the files first".to_owned());
        }
        captures.push(Capture::open(rig, port, part, options.start, options.span_s)?);
    }
    captures.sort_by_key(Capture::port);
    Ok(captures)
}

/// `FILE`, or `FILE#NAME` for an interface of a CAN log. A file whose own name has a `#` is taken at its word.
fn part_of(given: &Path) -> Part {
    let whole = || Part { path: given.to_owned(), interface: None };
    match given.to_str().and_then(|text| text.rsplit_once('#')) {
        Some((path, interface)) if !given.exists() && Path::new(path).is_file() && !interface.is_empty() => {
            Part { path: PathBuf::from(path), interface: Some(interface.to_owned()) }
        }
        _ => whole(),
    }
}

/// Refuses captures that a session of the vehicle was imported from. Only a file as long as a known one is hashed.
fn refuse_known(data: &Path, vehicle: &str, captures: &[Capture]) -> Result<(), ImportError> {
    let mut known: Vec<(String, CaptureRecord)> = Vec::new();
    for path in manifests(data, vehicle)? {
        // What cannot be read is the business of `verify`.
        let Ok(manifest) = Manifest::read(&path) else { continue };
        if let Origin::Imported(records) = manifest.origin {
            known.extend(records.into_iter().map(|record| (manifest.session.clone(), record)));
        }
    }
    for capture in captures {
        let path = capture.path();
        let length = std::fs::metadata(path).map_err(ImportError::io(path))?.len();
        let mut alike = known.iter().filter(|(_, record)| record.bytes == length).peekable();
        if alike.peek().is_none() {
            continue;
        }
        let digest: Digest = durable::digest(path)?.0;
        if let Some((session, _)) = alike.find(|(_, record)| record.blake3 == digest) {
            let (path, vehicle) = (path.to_owned(), vehicle.to_owned());
            return Err(ImportError::Known { path, session: session.clone(), vehicle });
        }
    }
    Ok(())
}

/// What was given about time and is not used.
fn start_doubts(options: &ImportOptions, captures: &[Capture]) -> Vec<String> {
    let mut doubts: Vec<String> = captures.iter().filter_map(Capture::start_doubt).collect();
    if let Some(span_s) = options.span_s
        && !captures.iter().any(Capture::uses_span)
    {
        doubts.push(doubt::about_span(span_s));
    }
    doubts
}

/// Says a doubt where the person sees it now and where a reader of the data sees it later.
fn say(sealer: &mut Sealer, doubt: String) {
    tracing::warn!("{doubt}");
    sealer.note(doubt);
}

/// Hands the captures' messages to the sealer in the order of time; of equal times the rig's order of ports decides.
fn merge(
    mut sealer: Sealer,
    mut captures: Vec<Capture>,
    mut heads: Vec<Option<Stamped>>,
    now: Timestamp,
    progress: &mut dyn FnMut(u64),
) -> Result<Manifest, ImportError> {
    let mut span: Option<(Timestamp, Timestamp)> = None;
    loop {
        let earliest = heads.iter().enumerate().filter_map(|(i, h)| Some((h.as_ref()?.at, i))).min();
        let Some((_, i)) = earliest else { break };
        let next = captures[i].next(progress)?;
        if let Some(Stamped { at, framed }) = std::mem::replace(&mut heads[i], next) {
            span = Some(span.map_or((at, at), |(first, last)| (first.min(at), last.max(at))));
            sealer.message(captures[i].port(), at, framed)?;
        }
    }
    captures.iter().try_for_each(Capture::check_good)?;
    if let Some((first, last)) = span {
        doubt::about_times(first, last, now).into_iter().for_each(|doubt| say(&mut sealer, doubt));
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
