//! Makes decoded tables again from the raw ones, with a corrected rig.
//!
//! Raw tables are the record and stay as they are; their hashes are checked before they are trusted. Ports are matched
//! by name. The counters of ports and the gaps describe the raw streams and stay as they were recorded.
//!
//! # Order of events
//!
//! 1. New decoded files are written whole under partial names, and so is the new manifest.
//! 2. The old manifest is copied, and the old decoded files are moved, to `.superseded/SESSION/RIG`.
//! 3. The new files get their names.
//! 4. The new manifest takes the old one's name, in one step.
//!
//! An interruption after 2 leaves a manifest whose decoded files are gone or do not match it, which a reader that
//! checks hashes notices. The raw files are untouched at every point, so running rebuild again repairs it.

mod raw;
#[cfg(test)]
mod tests;

use std::{
    collections::{BTreeMap, HashSet},
    fs,
    path::{Path, PathBuf},
};

use tallywheel_schemas::{
    Domain, Manifest, ManifestError, Rig, Table, TextFileError,
    manifest::{Origin, RigRecord, Seal},
    rig::{Port, PortKind},
};

use crate::{
    decode::Decoder,
    durable::{self, FileError},
    framing::{Columns, Row, is_verified},
    import::{SORTED_US, clock, clock::RowTime},
    message::unescaped,
    seal::{EventKind, FinishedFile, SOFTWARE, SealError, TableFile, WireTime},
    session::{Existing, JOURNAL_DIRECTORY, SUPERSEDED_DIRECTORY, SessionLock, find_manifest, manifests},
};
use raw::RawTable;

const BATCH_ROWS: usize = 8192;

/// What to decode again.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RebuildOptions {
    /// The corrected rig file.
    pub rig: PathBuf,
    /// Dataset directory.
    pub data: PathBuf,
    /// Names of the sessions; none means every session of the rig's vehicle.
    pub sessions: Vec<String>,
}

/// A session that cannot be decoded again. It is as it was, unless the message says otherwise.
#[derive(Debug, thiserror::Error)]
pub enum RebuildError {
    /// The rig cannot be used.
    #[error(transparent)]
    Rig(#[from] TextFileError),
    /// No such session.
    #[error("{}: no session `{session}` of vehicle {vehicle}", data.display())]
    Unknown {
        /// Dataset.
        data: PathBuf,
        /// As given.
        session: String,
        /// Of the rig.
        vehicle: String,
    },
    /// Nothing to do.
    #[error("{}: no session of vehicle {vehicle}", data.display())]
    Empty {
        /// Dataset.
        data: PathBuf,
        /// Of the rig.
        vehicle: String,
    },
    /// The manifest cannot be used.
    #[error(transparent)]
    Manifest(#[from] ManifestError),
    /// The manifest is not as it was sealed.
    #[error("{}: was altered after sealing; put back the manifest as it was sealed", path.display())]
    Altered {
        /// The manifest.
        path: PathBuf,
    },
    /// The session is of another vehicle.
    #[error("session {session} is of vehicle {found}, the rig of {expected}")]
    Vehicle {
        /// Session.
        session: String,
        /// Of the rig.
        expected: String,
        /// Of the session.
        found: String,
    },
    /// A port of the session is not in the rig.
    #[error("session {session} has data of port `{port}`, which the rig does not have; ports are matched by name")]
    Port {
        /// Session.
        session: String,
        /// Port.
        port: String,
    },
    /// A raw file is not what was sealed.
    #[error("{} is missing or damaged: it does not match the hash in its manifest, so it cannot be trusted", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
    },
    /// A raw file lacks a column.
    #[error("{}: no column `{column}` as this release writes it", path.display())]
    Column {
        /// The file.
        path: PathBuf,
        /// The column.
        column: &'static str,
    },
    /// A raw file cannot be read.
    #[error("read {}: {source}", path.display())]
    Parquet {
        /// The file.
        path: PathBuf,
        /// What the reader said.
        source: parquet::errors::ParquetError,
    },
    /// Another program works on the session.
    #[error("session {0} is in work by another program")]
    InWork(String),
    /// A decoded file cannot be written.
    #[error(transparent)]
    Seal(#[from] SealError),
    /// A file operation failed.
    #[error(transparent)]
    File(#[from] FileError),
}

impl RebuildError {
    fn parquet(path: &Path) -> impl FnOnce(parquet::errors::ParquetError) -> Self {
        let path = path.to_owned();
        move |source| Self::Parquet { path, source }
    }
}

/// Decodes sessions again; gives their new manifests.
///
/// # Errors
/// When the rig or a session cannot be used. Sessions before the one at fault are done.
pub fn rebuild(options: &RebuildOptions) -> Result<Vec<Manifest>, RebuildError> {
    let rig = Rig::read(&options.rig)?;
    let paths = if options.sessions.is_empty() {
        manifests(&options.data, &rig.vehicle)?
    } else {
        let find = |session: &String| {
            find_manifest(&options.data, session)?.ok_or_else(|| RebuildError::Unknown {
                data: options.data.clone(),
                session: session.clone(),
                vehicle: rig.vehicle.clone(),
            })
        };
        options.sessions.iter().map(find).collect::<Result<_, _>>()?
    };
    if paths.is_empty() {
        return Err(RebuildError::Empty { data: options.data.clone(), vehicle: rig.vehicle });
    }
    let record = RigRecord {
        file: options.rig.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default(),
        blake3: rig.digest(),
        text: rig.text.clone(),
    };
    paths.iter().map(|path| rebuild_one(&options.data, path, &rig, &record)).collect()
}

fn rebuild_one(data: &Path, path: &Path, rig: &Rig, record: &RigRecord) -> Result<Manifest, RebuildError> {
    let (old, seal) = Manifest::read_with_seal(path)?;
    if seal == Seal::Altered {
        // Decoding it again would seal what was altered.
        return Err(RebuildError::Altered { path: path.to_owned() });
    }
    check(data, &old, rig)?;
    let directory = data.join(JOURNAL_DIRECTORY).join(&old.session);
    durable::make_directory(&directory)?;
    let Existing::Free(lock) = SessionLock::of_existing(&directory)? else {
        return Err(RebuildError::InWork(old.session));
    };
    let (finished, channels) = decode(data, &old, rig)?;
    let raw = old.files.iter().filter(|f| !is_decoded(&f.table)).cloned();
    let mut new = Manifest { rig: record.clone(), channels, software: SOFTWARE.to_owned(), ..old.clone() };
    new.files = raw.chain(finished.iter().map(|f| f.record.clone())).collect();
    if old.rig.blake3 != record.blake3 {
        new.earlier_rigs.push(old.rig.clone());
    }
    let new = new.sealed();
    let partial = durable::write_partial(path, &new.to_json())?;
    let aside = data.join(SUPERSEDED_DIRECTORY).join(&old.session);
    supersede(data, &old, path, &aside.join(old.rig.blake3.short()))?;
    for file in &finished {
        file.publish(&aside.join("unsealed"))?;
    }
    set_leftovers_aside(data, &new, &aside.join("unsealed"))?;
    durable::relocate(&partial, path)?;
    lock.remove()?;
    Ok(new)
}

fn is_decoded(table: &str) -> bool {
    matches!(Table::from_name(table), Some(Table::Decoded(_)))
}

/// Checks that the rig fits the session and that the raw files are what was sealed.
fn check(data: &Path, manifest: &Manifest, rig: &Rig) -> Result<(), RebuildError> {
    let session = manifest.session.clone();
    if manifest.vehicle != rig.vehicle {
        let (expected, found) = (rig.vehicle.clone(), manifest.vehicle.clone());
        return Err(RebuildError::Vehicle { session, expected, found });
    }
    if let Some(port) = manifest.ports.iter().find(|p| p.bytes > 0 && rig.port(&p.port).is_none()) {
        return Err(RebuildError::Port { session, port: port.port.clone() });
    }
    for file in manifest.files.iter().filter(|f| !is_decoded(&f.table)) {
        let path = data.join(&file.path);
        if durable::digest(&path).map(|(digest, _)| digest).ok() != Some(file.blake3) {
            return Err(RebuildError::Damaged { path });
        }
    }
    Ok(())
}

type Decoded = (Vec<FinishedFile>, Vec<tallywheel_schemas::manifest::ChannelRecord>);

/// Decodes the raw tables in the order of time into files under partial names.
fn decode(data: &Path, manifest: &Manifest, rig: &Rig) -> Result<Decoded, RebuildError> {
    let path = |table| manifest.file(table).map(|f| data.join(&f.path));
    let (frames_path, lines_path) = (path(Table::Frames), path(Table::Lines));
    let mut frames = RawTable::open(frames_path.as_deref())?;
    let mut lines = RawTable::open(lines_path.as_deref())?;
    let mut filter = LineFilter::new(rig, manifest, path(Table::Events).as_deref())?;
    let mut output = Output { data, manifest, decoder: Decoder::new(rig, &manifest.session), files: BTreeMap::new() };
    let live = !matches!(manifest.origin, Origin::Imported(_));
    let mut wire_time = WireTime::new(rig.ports.len(), live);
    loop {
        let (frame_us, line_us) = (frames.peek()?, lines.peek()?);
        match (frame_us, line_us) {
            (None, None) => break,
            (Some(t), other) if other.is_none_or(|o| t <= o) => {
                if let (Some(port), frame) = frames.frame(rig)? {
                    wire_time.frame(t, port, frame);
                }
            }
            (_, Some(t)) => {
                if let (Some(port), text) = lines.line(rig)?
                    && filter.is_good(rig, port, t, &text)
                {
                    wire_time.line(t, port, text);
                }
            }
            (Some(_), None) => {}
        }
        wire_time.decode_due(&mut output.decoder);
        output.write(BATCH_ROWS)?;
    }
    while wire_time.decode_left(&mut output.decoder) {
        output.write(BATCH_ROWS)?;
    }
    output.write(1)?;
    output.finish()
}

/// Decoded rows on their way to their files.
struct Output<'a> {
    data: &'a Path,
    manifest: &'a Manifest,
    decoder: Decoder,
    files: BTreeMap<Domain, TableFile>,
}

impl Output<'_> {
    fn write(&mut self, least: usize) -> Result<(), RebuildError> {
        for domain in Domain::ALL {
            if self.decoder.waiting(domain) < least {
                continue;
            }
            let batch = self.decoder.take(domain);
            let file = match self.files.entry(domain) {
                std::collections::btree_map::Entry::Occupied(entry) => entry.into_mut(),
                std::collections::btree_map::Entry::Vacant(entry) => {
                    let Manifest { vehicle, session, start_us, .. } = self.manifest;
                    let table = Table::Decoded(domain);
                    entry.insert(TableFile::create(self.data, table, vehicle, &start_us.date(), session)?)
                }
            };
            file.write(&batch)?;
        }
        Ok(())
    }

    fn finish(self) -> Result<Decoded, RebuildError> {
        let channels = self.decoder.channels();
        let files = self.files.into_values().map(TableFile::finish).collect::<Result<_, _>>()?;
        Ok((files, channels))
    }
}

/// Tells the lines that may be decoded from those that are only kept.
struct LineFilter {
    columns: Vec<Columns>,
    /// Messages that were cut by the start or end of listening: time, `port: text`.
    fragments: HashSet<(i64, String)>,
    imported: bool,
    /// Of each port's first row, how far its stamp lies behind its own time; rows in their place share it.
    behind_us: Vec<Option<i64>>,
}

impl LineFilter {
    fn new(rig: &Rig, manifest: &Manifest, events: Option<&Path>) -> Result<Self, RebuildError> {
        let mut table = RawTable::open(events)?;
        let mut fragments = HashSet::new();
        while let Some(t) = table.peek()? {
            let (kind, text) = table.event()?;
            if kind == EventKind::Fragment.name() {
                fragments.insert((t, text));
            }
        }
        let imported = matches!(manifest.origin, Origin::Imported(_));
        let columns: Vec<Columns> = rig.ports.iter().map(Columns::of).collect();
        Ok(Self { behind_us: vec![None; columns.len()], columns, fragments, imported })
    }

    fn is_good(&mut self, rig: &Rig, port: usize, t: i64, text: &str) -> bool {
        let described = &rig.ports[port];
        if self.fragments.contains(&(t, format!("{}: {text}", described.name))) {
            return false;
        }
        match described.kind {
            PortKind::Slcan | PortKind::Can => false,
            // The plan tells by the bytes which lines are an exchange.
            PortKind::Modbus => true,
            PortKind::Nmea => is_verified(&unescaped(text)),
            PortKind::Text => match self.columns[port].judge(text) {
                Row::Header => true,
                Row::Mismatch { .. } => false,
                Row::Cells => !self.imported || self.is_in_place(described, port, t, text),
            },
        }
    }

    /// A captured row whose time could not be read, or lay too far back to be sorted, was bad when it was imported.
    fn is_in_place(&mut self, described: &Port, port: usize, t: i64, text: &str) -> bool {
        match clock::row_time(described, &self.columns[port], text) {
            RowTime::NoColumn => true,
            RowTime::Unreadable => false,
            RowTime::At(own) => {
                let behind = t.saturating_sub(own);
                (behind - *self.behind_us[port].get_or_insert(behind)).abs() <= SORTED_US
            }
        }
    }
}

/// Keeps the old manifest and moves the old decoded files where they are kept for good.
fn supersede(data: &Path, old: &Manifest, path: &Path, aside: &Path) -> Result<(), RebuildError> {
    durable::make_directory(aside)?;
    let copy = aside.join(path.file_name().unwrap_or_default());
    if !copy.exists() {
        // Byte for byte: the seal is over the text.
        let text = fs::read_to_string(path).map_err(FileError::io("read", path))?;
        let partial = durable::write_partial(&copy, &text)?;
        durable::publish(&partial, &copy)?;
    }
    for file in old.files.iter().filter(|f| is_decoded(&f.table)) {
        let current = data.join(&file.path);
        // After an interruption the name may be gone or belong to a file of the new decoding.
        if durable::digest(&current).is_ok_and(|(digest, _)| digest == file.blake3) {
            durable::set_aside(&current, &aside.join(&file.table))?;
        }
    }
    Ok(())
}

/// Moves decoded files away that the new manifest does not name: of a domain that has no rows any more.
fn set_leftovers_aside(data: &Path, new: &Manifest, aside: &Path) -> Result<(), RebuildError> {
    for domain in Domain::ALL {
        let table = Table::Decoded(domain);
        let path = data.join(table.path(&new.vehicle, &new.start_us.date(), &new.session));
        if new.file(table).is_none() && fs::exists(&path).unwrap_or(false) {
            durable::set_aside(&path, &aside.join(table.name()))?;
        }
    }
    Ok(())
}
