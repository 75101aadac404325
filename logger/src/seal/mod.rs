//! From messages to a sealed session: sorted by time, decoded, written, hashed, named.
//!
//! A [`Sealer`] takes the messages of a session as they come, in bounded memory, and keeps to one order of events:
//! every table is written whole under a partial name and synced; then each gets its name; the manifest is written
//! and named last. So a session exists once its manifest does, and an interruption at any point leaves only files
//! that nothing speaks for.

mod device_clock;
mod gps_clock;
mod port_tally;
mod raw_rows;
mod replay;
mod table_file;
#[cfg(test)]
mod tests;
mod window;
mod wire_time;

pub(crate) use port_tally::PortTally;
pub(crate) use raw_rows::EventKind;
pub use replay::{Replayed, seal_journal};
pub(crate) use table_file::{FinishedFile, TableFile};
pub(crate) use wire_time::WireTime;

use std::{
    collections::BTreeMap,
    path::{Path, PathBuf},
};

use arrow::array::{RecordBatch, StringArray};
use tallywheel_schemas::{
    Domain, Manifest, Rig, RunSheet, Table, Timestamp,
    manifest::{GapCause, MANIFEST_VERSION, Origin, RigRecord},
    rig::PortKind,
};

use crate::{
    decode::Decoder,
    durable::{self, FileError},
    journal::{JournalError, PortEvent, SessionNote},
    message::{Framed, Message},
    session::{SUPERSEDED_DIRECTORY, SessionError, SessionLock},
};
use gps_clock::GpsClock;
use raw_rows::{EventRows, FrameRows, LineRows};
use window::Window;

/// Rows gathered before they are handed to Parquet.
const BATCH_ROWS: usize = 1024;

/// Program and version, as manifests name it.
pub const SOFTWARE: &str = concat!("tallywheel-logger ", env!("CARGO_PKG_VERSION"));

/// A session that cannot be sealed.
#[derive(Debug, thiserror::Error)]
pub enum SealError {
    /// A file operation failed.
    #[error(transparent)]
    File(#[from] FileError),
    /// Parquet could not be written.
    #[error("write {}: {source}", path.display())]
    Parquet {
        /// The file.
        path: PathBuf,
        /// What the writer said.
        source: parquet::errors::ParquetError,
    },
    /// The session's name cannot be had.
    #[error(transparent)]
    Session(#[from] SessionError),
    /// The journal cannot be read.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// The journal's first record is missing or damaged.
    #[error("{}: the journal has no readable header: {reason}", path.display())]
    NoHeader {
        /// The session's directory.
        path: PathBuf,
        /// What was found instead.
        reason: String,
    },
    /// The rig in the journal is not valid any more.
    #[error("the journal's rig cannot be used: {0}")]
    Rig(#[from] tallywheel_schemas::TextFileError),
}

impl SealError {
    fn parquet(path: &Path) -> impl FnOnce(parquet::errors::ParquetError) -> Self {
        let path = path.to_owned();
        move |source| Self::Parquet { path, source }
    }
}

/// What is known about a session before its data.
#[derive(Debug, Clone)]
pub struct SessionFacts {
    /// The rig.
    pub rig: Rig,
    /// File name of the rig.
    pub rig_file: String,
    /// The run sheet, when the session is a planned run.
    pub run: Option<RunSheet>,
    /// Where time stamps come from, in words.
    pub clock: String,
    /// Start of the recording; without it the session starts with its first message.
    pub start: Option<Timestamp>,
    /// Stamps are arrivals, so that an adapter's or a satellite receiver's own time has something to add.
    pub live: bool,
}

impl SessionFacts {
    pub(crate) fn rig_record(&self) -> RigRecord {
        RigRecord { file: self.rig_file.clone(), blake3: self.rig.digest(), text: self.rig.text.clone() }
    }
}

/// What passes through the window.
#[derive(Debug)]
enum Passing {
    Message(Framed),
    Event(PortEvent),
    Note(SessionNote),
}

/// The sessions before and after, when a recording goes on across a seam.
#[derive(Debug, Clone, Default)]
pub(crate) struct Links {
    /// The session that this one goes on from.
    pub(crate) follows: Option<String>,
    /// The session that goes on from this one.
    pub(crate) followed_by: Option<String>,
}

/// Writes one session.
pub struct Sealer {
    dataset: PathBuf,
    session: String,
    facts: SessionFacts,
    window: Window<(u16, Passing)>,
    wire_time: WireTime,
    gps_clock: GpsClock,
    links: Links,
    tallies: Vec<PortTally>,
    decoder: Decoder,
    frames: FrameRows,
    lines: LineRows,
    events: EventRows,
    port_names: StringArray,
    files: BTreeMap<Table, TableFile>,
    first_us: Option<i64>,
    last_us: i64,
    notes: Vec<String>,
    /// Moments that a person marked.
    marks: Vec<(i64, String)>,
    broken_off: Option<GapCause>,
}

impl Sealer {
    /// Begins a session of which the caller holds the lock.
    pub fn new(dataset: &Path, lock: &SessionLock, facts: SessionFacts) -> Self {
        let rig = &facts.rig;
        Self {
            dataset: dataset.to_owned(),
            session: lock.session.clone(),
            window: Window::new(if facts.live { window::RECORDED_US } else { window::CAPTURED_US }),
            wire_time: WireTime::new(rig.ports.len(), facts.live),
            gps_clock: GpsClock::default(),
            links: Links::default(),
            tallies: rig.ports.iter().map(|p| PortTally::new(rig, p)).collect(),
            decoder: Decoder::new(rig, &lock.session),
            frames: FrameRows::default(),
            lines: LineRows::default(),
            events: EventRows::default(),
            port_names: rig.ports.iter().map(|p| Some(p.name.as_str())).collect(),
            files: BTreeMap::new(),
            first_us: None,
            last_us: i64::MIN,
            notes: Vec::new(),
            marks: Vec::new(),
            broken_off: None,
            facts,
        }
    }

    /// Counts bytes of a port's stream.
    pub fn bytes(&mut self, port: usize, bytes: u64) {
        self.tallies[port].bytes(bytes);
    }

    /// Takes back bytes that are the beginning of another session's first message.
    pub(crate) fn carried(&mut self, port: usize, bytes: u64) {
        self.tallies[port].carried(bytes);
    }

    /// Says that a port has no source in this session, so that its silence is no gap.
    pub(crate) fn absent(&mut self, port: usize) {
        self.tallies[port].absent();
    }

    /// Adds a sentence for the reader of the data.
    pub fn note(&mut self, note: String) {
        self.notes.push(note);
    }

    /// Takes a message of a port, named by its index in the rig. Messages may be out of order by up to five seconds,
    /// recorded ones by half a second.
    ///
    /// # Errors
    /// When a table cannot be written.
    pub fn message(&mut self, port: usize, at: Timestamp, framed: Framed) -> Result<(), SealError> {
        self.window.push(at.as_us(), (port as u16, Passing::Message(framed)));
        self.pass_due()
    }

    /// Takes something that happened to a port.
    ///
    /// # Errors
    /// When a table cannot be written.
    pub fn event(&mut self, port: usize, at: Timestamp, event: PortEvent) -> Result<(), SealError> {
        self.window.push(at.as_us(), (port as u16, Passing::Event(event)));
        self.pass_due()
    }

    /// Takes something that concerns the whole session.
    ///
    /// # Errors
    /// When a table cannot be written.
    pub(crate) fn session_note(&mut self, at: Timestamp, note: SessionNote) -> Result<(), SealError> {
        if let SessionNote::Marker { text, who } = note {
            // It may be told of long after its moment, as when the page was out of reach.
            let text = if who.is_empty() { text } else { format!("{text} ({who})") };
            self.marks.push((at.as_us(), text));
            return Ok(());
        }
        self.window.push(at.as_us(), (0, Passing::Note(note)));
        self.pass_due()
    }

    /// Says which sessions this one hangs together with.
    pub(crate) fn links(&mut self, links: Links) {
        self.links = links;
    }

    /// Says that the recording broke off: no port's last gap has an end.
    pub(crate) fn broken_off(&mut self, cause: GapCause) {
        // The tallies are told once the messages that still wait in the window have passed.
        self.broken_off = Some(cause);
    }

    fn pass_due(&mut self) -> Result<(), SealError> {
        while let Some((t_us, (port, passing))) = self.window.next_due() {
            self.pass(t_us, usize::from(port), passing)?;
        }
        Ok(())
    }

    fn pass(&mut self, t_us: i64, port: usize, passing: Passing) -> Result<(), SealError> {
        // A session begins with what it holds, not with the opening of a port.
        if !matches!(passing, Passing::Event(PortEvent::Opened)) {
            self.first_us.get_or_insert(t_us);
            self.last_us = self.last_us.max(t_us);
        }
        match passing {
            Passing::Message(framed) => return self.pass_message(t_us, port, framed),
            Passing::Event(event) => self.pass_event(t_us, port, &event),
            Passing::Note(note) => self.pass_note(t_us, &note),
        }
        Ok(())
    }

    fn pass_message(&mut self, t_us: i64, port: usize, framed: Framed) -> Result<(), SealError> {
        let start_us = self.start_us();
        self.tallies[port].count(start_us, t_us, &framed);
        match framed.message {
            Message::Frame(frame) => {
                self.frames.push(t_us, port, &frame);
                if self.wire_time.frame(t_us, port, frame) {
                    self.event_row(t_us, EventKind::Restart, port, "the adapter's clock started anew", None);
                }
            }
            Message::Line(text) => {
                self.lines.push(t_us, port, &text);
                if self.port_kind(port) == PortKind::Nmea && self.facts.live {
                    self.gps_clock.sentence(t_us, &text);
                }
                self.wire_time.line(t_us, port, text);
            }
            Message::Status(status) => {
                self.lines.push(t_us, port, &status.text);
                if status.is_overrun() {
                    self.event_row(t_us, EventKind::Overrun, port, "", None);
                } else if let Some(trouble) = status.trouble() {
                    self.event_row(t_us, EventKind::Adapter, port, &trouble, None);
                }
            }
            Message::Bad(bad) => self.lines.push(t_us, port, &bad.text),
            Message::Fragment(text) => {
                self.lines.push(t_us, port, &text);
                self.event_row(t_us, EventKind::Fragment, port, &text, None);
            }
        }
        self.wire_time.decode_due(&mut self.decoder);
        self.write_full()
    }

    fn pass_event(&mut self, t_us: i64, port: usize, event: &PortEvent) {
        match event {
            PortEvent::Opened | PortEvent::Sent { .. } => {}
            PortEvent::Reopened { device } => self.event_row(t_us, EventKind::Reconnected, port, device, None),
            PortEvent::Disconnected { reason } => {
                self.tallies[port].lost(GapCause::Disconnected);
                self.event_row(t_us, EventKind::Disconnected, port, reason, None);
            }
            PortEvent::Dropped { messages, bytes: _, disk_stopped } => {
                self.tallies[port].dropped(*messages, *disk_stopped);
                self.event_row(t_us, EventKind::Dropped, port, "", Some(*messages as f64));
            }
            PortEvent::Remark { text } => self.event_row(t_us, EventKind::Remark, port, text, None),
        }
    }

    fn pass_note(&mut self, t_us: i64, note: &SessionNote) {
        match note {
            // Kept until the end: see `session_note`.
            SessionNote::Marker { .. } => {}
            SessionNote::ClockStepped { by_us } => {
                let by_s = *by_us as f64 / 1e6;
                self.notes.push(format!(
                    "the system's clock was set by {by_s:+.3} s, or the machine slept, at {}; stamps go on evenly",
                    Timestamp::from_us(t_us)
                ));
                self.events.push(t_us, EventKind::ClockStep, "the system's clock was set", Some(by_s));
            }
            SessionNote::DiskStopped { since_us, reason } => {
                let for_s = (t_us - since_us.as_us()) as f64 / 1e6;
                self.notes.push(format!("the disk took nothing for {for_s:.1} s from {since_us}: {reason}"));
                self.events.push(t_us, EventKind::DiskStopped, reason, Some(for_s));
            }
        }
    }

    fn pass_marks(&mut self) {
        for (t_us, text) in std::mem::take(&mut self.marks) {
            // A mark of an earlier moment is told of here, but the session was not recording then: it neither begins
            // earlier nor lasts longer for it.
            let begin_us = self.facts.start.map(Timestamp::as_us).or(self.first_us).unwrap_or(t_us);
            let moment = Timestamp::from_us(t_us);
            let text = if t_us < begin_us { format!("{text} (of {moment}, before this session)") } else { text };
            // Tables that there are already lie under the date of their first row.
            let first_us = if self.files.is_empty() { begin_us } else { self.first_us.unwrap_or(begin_us) };
            let t_us = t_us.max(first_us);
            self.first_us = Some(self.first_us.map_or(t_us, |first| first.min(t_us)));
            self.last_us = self.last_us.max(t_us);
            self.events.push(t_us, EventKind::Marker, &text, None);
        }
    }

    fn event_row(&mut self, t_us: i64, kind: EventKind, port: usize, detail: &str, value: Option<f64>) {
        let port = &self.facts.rig.ports[port].name;
        let text = if detail.is_empty() { port.clone() } else { format!("{port}: {detail}") };
        self.events.push(t_us, kind, &text, value);
    }

    fn start_us(&self) -> i64 {
        self.facts.start.map(Timestamp::as_us).or(self.first_us).unwrap_or_default()
    }

    /// Hands tables that have gathered a batch to Parquet.
    fn write_full(&mut self) -> Result<(), SealError> {
        if self.frames.len() >= BATCH_ROWS {
            let batch = self.frames.take(&self.session, &self.port_names);
            self.write(Table::Frames, &batch)?;
        }
        if self.lines.len() >= BATCH_ROWS {
            let batch = self.lines.take(&self.session, &self.port_names);
            self.write(Table::Lines, &batch)?;
        }
        for domain in Domain::ALL {
            if self.decoder.waiting(domain) >= BATCH_ROWS {
                let batch = self.decoder.take(domain);
                self.write(Table::Decoded(domain), &batch)?;
            }
        }
        Ok(())
    }

    fn write_rest(&mut self) -> Result<(), SealError> {
        let batch = self.frames.take(&self.session, &self.port_names);
        self.write(Table::Frames, &batch)?;
        let batch = self.lines.take(&self.session, &self.port_names);
        self.write(Table::Lines, &batch)?;
        let batch = self.events.take(&self.session);
        self.write(Table::Events, &batch)?;
        for domain in Domain::ALL {
            let batch = self.decoder.take(domain);
            self.write(Table::Decoded(domain), &batch)?;
        }
        Ok(())
    }

    fn write(&mut self, table: Table, batch: &RecordBatch) -> Result<(), SealError> {
        if batch.num_rows() == 0 {
            return Ok(());
        }
        let date = Timestamp::from_us(self.first_us.unwrap_or(self.start_us())).date();
        let file = match self.files.entry(table) {
            std::collections::btree_map::Entry::Occupied(entry) => entry.into_mut(),
            std::collections::btree_map::Entry::Vacant(entry) => {
                let vehicle = &self.facts.rig.vehicle;
                entry.insert(TableFile::create(&self.dataset, table, vehicle, &date, &self.session)?)
            }
        };
        file.write(batch)
    }

    /// Ends the session at `end`, or with its last message, and seals it.
    ///
    /// # Errors
    /// When a file cannot be written or named. Then there is no manifest, hence no session, and whatever the data
    /// came from is still there.
    pub fn finish(mut self, end: Option<Timestamp>, origin: Origin) -> Result<Manifest, SealError> {
        while let Some((t_us, (port, passing))) = self.window.next_left() {
            self.pass(t_us, usize::from(port), passing)?;
        }
        if let Some(cause) = self.broken_off {
            self.tallies.iter_mut().for_each(|t| t.broken_off(cause));
        }
        while self.wire_time.decode_left(&mut self.decoder) {
            self.write_full()?;
        }
        self.pass_marks();
        self.write_rest()?;
        let mut finished = Vec::new();
        let (decoded, raw): (Vec<_>, Vec<_>) = Table::SEALED.iter().partition(|t| matches!(t, Table::Decoded(_)));
        for table in raw.into_iter().chain(decoded) {
            if let Some(file) = self.files.remove(&table) {
                finished.push(file.finish()?);
            }
        }
        let manifest = self.manifest(end, origin, &finished).sealed();
        publish(&self.dataset, &manifest, &finished)?;
        Ok(manifest)
    }

    fn manifest(&mut self, end: Option<Timestamp>, origin: Origin, finished: &[FinishedFile]) -> Manifest {
        let start_us = self.start_us();
        let first_us = self.first_us.unwrap_or(start_us);
        let last_us = self.last_us.max(first_us);
        let end_us = end.map_or(last_us, Timestamp::as_us).max(last_us);
        let mut notes = std::mem::take(&mut self.notes);
        notes.extend(self.decoder.notes());
        if self.first_us.is_none() {
            notes.push("nothing arrived on any port".to_owned());
        }
        if self.window.late() > 0 {
            notes.push(format!(
                "{} message(s) came more than {} s late and are stamped with the time they missed",
                self.window.late(),
                self.window.span_us() as f64 / 1e6
            ));
        }
        if let Some(fit) = self.gps_clock.fit().filter(|fit| fit.correction_us(fit.at_us) != 0) {
            notes.push(format!(
                "the host's clock was {:+.1} s off satellite time; readers add it, the files keep their stamps",
                -(fit.offset_us as f64) / 1e6
            ));
        }
        let (mut ports, mut gaps) = (Vec::new(), Vec::new());
        for tally in std::mem::take(&mut self.tallies) {
            let (record, port_gaps, port_notes) = tally.finish(start_us, end_us);
            ports.push(record);
            gaps.extend(port_gaps);
            notes.extend(port_notes);
        }
        Manifest {
            schema: MANIFEST_VERSION,
            session: self.session.clone(),
            vehicle: self.facts.rig.vehicle.clone(),
            start_us: Timestamp::from_us(first_us),
            end_us: Timestamp::from_us(last_us),
            software: SOFTWARE.to_owned(),
            origin,
            clock: self.facts.clock.clone(),
            clock_fit: self.gps_clock.fit(),
            follows: self.links.follows.clone(),
            followed_by: self.links.followed_by.clone(),
            rig: self.facts.rig_record(),
            earlier_rigs: Vec::new(),
            run: self.facts.run.clone(),
            ports,
            channels: self.decoder.channels(),
            gaps,
            notes,
            files: finished.iter().map(|f| f.record.clone()).collect(),
            seal: None,
        }
    }

    /// Whether the port of this index is a satellite receiver or text box, whose lines are decoded.
    pub(crate) fn port_kind(&self, port: usize) -> PortKind {
        self.facts.rig.ports[port].kind
    }
}

/// Names every finished file, then the manifest.
fn publish(dataset: &Path, manifest: &Manifest, finished: &[FinishedFile]) -> Result<(), SealError> {
    let aside = dataset.join(SUPERSEDED_DIRECTORY).join(&manifest.session).join("unsealed");
    for file in finished {
        file.publish(&aside)?;
    }
    let path = dataset.join(manifest.path());
    let partial = durable::write_partial(&path, &manifest.to_json())?;
    durable::publish(&partial, &path)?;
    Ok(())
}
