//! From a journal to a sealed session.

use std::path::Path;

use tallywheel_schemas::{
    Manifest, Rig, TextFile, Timestamp,
    manifest::{GapCause, Origin},
    rig::{Port, PortKind},
};

use super::{Links, SealError, Sealer, SessionFacts};
use crate::{
    framing::{End, Framer, SlcanFramer},
    journal::{Batch, EndMark, Event, Header, JournalReader, PortEvent, Record, Skipped, from_hex},
    message::{Bad, Fault, Framed, Message},
    session::SessionLock,
};

/// Where live stamps come from.
pub(super) const LIVE_CLOCK: &str = "arrival at the logger: system clock (UTC) read once at the start of the recording, then \
     carried on by the monotonic clock";

/// After this much silence the first byte of a text port begins a line, µs. At 9600 bit/s a character takes 1 ms, and
/// a USB adapter may hold bytes back for 16 ms.
const QUIET_US: i64 = 50_000;

/// A journal that has become a session.
#[derive(Debug)]
pub struct Replayed {
    /// The session's manifest.
    pub manifest: Manifest,
    /// What could not be read.
    pub skipped: Option<Skipped>,
}

/// Seals the journal of a session. The journal stays; remove it only after this.
///
/// `Origin::Recovered` says in the manifest how the recording ended and what was skipped.
///
/// # Errors
/// When the journal has no readable header, its rig is not valid, or a file cannot be read or written.
pub fn seal_journal(dataset: &Path, lock: &SessionLock, origin: Origin) -> Result<Replayed, SealError> {
    let mut reader = JournalReader::open(&lock.directory)?;
    let header = match reader.next()? {
        Some(Record::Header(header)) => *header,
        Some(_) => return Err(no_header(lock, "the first record is of another kind".to_owned())),
        None => {
            let reason = reader.skipped().map_or("the file is empty".to_owned(), |s| s.reason.to_string());
            return Err(no_header(lock, reason));
        }
    };
    let rig = Rig::parse(TextFile::new(header.rig_file.as_str(), header.rig_text.as_str()))?;
    let mut replay = Replay::new(dataset, lock, header, rig);
    while let Some(record) = reader.next()? {
        replay.record(record)?;
    }
    let skipped = reader.skipped().cloned();
    let torn = skipped.as_ref().map(|skipped| JournalReader::is_torn_write(&lock.directory, skipped)).transpose()?;
    let broken_off = if torn == Some(false) { GapCause::JournalDamaged } else { GapCause::Interrupted };
    let manifest = replay.finish(origin, skipped.as_ref(), broken_off)?;
    Ok(Replayed { manifest, skipped })
}

fn no_header(lock: &SessionLock, reason: String) -> SealError {
    SealError::NoHeader { path: lock.directory.clone(), reason }
}

/// One port's stream while it is replayed.
#[derive(Debug)]
struct Stream {
    framer: Framer,
    /// Place in the stream that is due next.
    offset: u64,
    opened: Option<Timestamp>,
    begun: bool,
    last: Timestamp,
}

impl Stream {
    fn new(port: &Port, header: &Header, index: usize) -> Self {
        let mut framer = Framer::new(port);
        let begins = header.begins.get(index).copied();
        // At a seam a stream goes on where a message begins.
        if let Some(offset) = begins {
            framer.seek(offset);
        }
        let offset = begins.unwrap_or_default();
        Self { framer, offset, opened: None, begun: begins.is_some(), last: header.start_us }
    }
}

struct Replay {
    sealer: Sealer,
    streams: Vec<Stream>,
    start: Timestamp,
    end: Option<EndMark>,
    last: Timestamp,
    foreign: u64,
    links: Links,
}

impl Replay {
    fn new(dataset: &Path, lock: &SessionLock, header: Header, rig: Rig) -> Self {
        let streams = rig.ports.iter().enumerate().map(|(i, port)| Stream::new(port, &header, i)).collect();
        let links = Links { follows: header.follows, followed_by: None };
        let facts = SessionFacts {
            rig,
            rig_file: header.rig_file,
            run: header.run,
            clock: LIVE_CLOCK.to_owned(),
            start: Some(header.start_us),
            live: true,
        };
        let start = header.start_us;
        Self { sealer: Sealer::new(dataset, lock, facts), streams, start, end: None, last: start, foreign: 0, links }
    }

    fn record(&mut self, record: Record) -> Result<(), SealError> {
        match record {
            Record::Bytes(batch) if usize::from(batch.port) < self.streams.len() => self.batch(&batch),
            Record::Event(event) if usize::from(event.port) < self.streams.len() => self.event(event),
            Record::End(end) => {
                self.links.followed_by.clone_from(&end.followed_by);
                self.end = Some(end);
                Ok(())
            }
            Record::Note(note) => {
                self.last = self.last.max(note.at_us);
                self.sealer.session_note(note.at_us, note.what)
            }
            Record::Header(_) | Record::Bytes(_) | Record::Event(_) => {
                self.foreign += 1;
                Ok(())
            }
        }
    }

    fn batch(&mut self, batch: &Batch) -> Result<(), SealError> {
        let port = usize::from(batch.port);
        if batch.offset != self.streams[port].offset {
            self.streams[port].framer.jump(batch.offset);
            self.drain(port, self.streams[port].last)?;
            self.streams[port].offset = batch.offset;
        }
        for chunk in &batch.chunks {
            self.begin(port, chunk.stamp);
            let stream = &mut self.streams[port];
            stream.framer.received(&chunk.bytes);
            stream.offset += chunk.bytes.len() as u64;
            stream.last = chunk.stamp;
            self.last = self.last.max(chunk.stamp);
            self.sealer.bytes(port, chunk.bytes.len() as u64);
            self.drain(port, chunk.stamp)?;
        }
        Ok(())
    }

    /// Before the first byte of a port: it may lie inside a message, unless the port was silent before it. An NMEA
    /// sentence or an slcan line proves itself either way, so there it only matters what a bad first one is called.
    fn begin(&mut self, port: usize, stamp: Timestamp) {
        let text = self.sealer.port_kind(port) == PortKind::Text;
        let stream = &mut self.streams[port];
        if std::mem::replace(&mut stream.begun, true) {
            return;
        }
        let quiet = stream.opened.is_some_and(|opened| stamp.as_us() - opened.as_us() >= QUIET_US);
        if !text || !quiet {
            stream.framer.begin_inside();
        }
    }

    fn drain(&mut self, port: usize, stamp: Timestamp) -> Result<(), SealError> {
        while let Some(framed) = self.streams[port].framer.next() {
            self.sealer.message(port, stamp, framed)?;
        }
        Ok(())
    }

    fn event(&mut self, event: Event) -> Result<(), SealError> {
        let port = usize::from(event.port);
        self.last = self.last.max(event.at_us);
        match &event.what {
            PortEvent::Opened => self.streams[port].opened = Some(event.at_us),
            PortEvent::Reopened { .. } => self.reopened(port, event.at_us)?,
            PortEvent::Sent { hex } => self.sent(port, event.at_us, hex)?,
            _ => {}
        }
        self.sealer.event(port, event.at_us, event.what)
    }

    /// A stream that goes on after its device was gone: what was pending is cut off, and the first new byte may lie
    /// inside a message.
    fn reopened(&mut self, port: usize, at: Timestamp) -> Result<(), SealError> {
        let stream = &mut self.streams[port];
        stream.framer.jump(stream.offset);
        (stream.opened, stream.begun) = (Some(at), false);
        let last = stream.last;
        while let Some(framed) = self.streams[port].framer.next() {
            self.sealer.message(port, last, ended(framed))?;
        }
        Ok(())
    }

    /// What was sent belongs to the record like what was heard.
    fn sent(&mut self, port: usize, at: Timestamp, hex: &str) -> Result<(), SealError> {
        let Some(bytes) = from_hex(hex) else { return Ok(()) };
        for framed in framed_sent(self.sealer.port_kind(port), &bytes) {
            self.sealer.message(port, at, framed)?;
        }
        self.streams[port].framer.sent(&bytes);
        self.drain(port, at)
    }

    /// Seals; `broken_off` is why there is no end mark, should there be none.
    fn finish(
        mut self,
        origin: Origin,
        skipped: Option<&Skipped>,
        broken_off: GapCause,
    ) -> Result<Manifest, SealError> {
        let carried = self.end.as_ref().map(|end| end.carried.clone()).unwrap_or_default();
        for port in 0..self.streams.len() {
            if let Some(bytes) = carried.get(port).filter(|bytes| **bytes > 0) {
                // The message that begins with them is kept whole in the session that follows.
                self.sealer.carried(port, *bytes);
                continue;
            }
            self.streams[port].framer.finish(End::Cut);
            while let Some(framed) = self.streams[port].framer.next() {
                self.sealer.message(port, self.streams[port].last, ended(framed))?;
            }
        }
        if origin == Origin::Recovered {
            self.sealer.note(match &self.end {
                Some(end) => format!("the recording ended cleanly at {}, but its sealing was interrupted", end.at_us),
                None => format!("the recording was interrupted; the last record of its journal is of {}", self.last),
            });
        }
        if let Some(skipped) = skipped {
            self.sealer.note(format!(
                "{} bytes of the journal from byte {} on could not be read and were skipped: {}",
                skipped.bytes, skipped.offset, skipped.reason
            ));
        }
        if self.end.is_none() {
            self.sealer.broken_off(broken_off);
        }
        if self.foreign > 0 {
            self.sealer.note(format!("{} journal record(s) name a port that the rig does not have", self.foreign));
        }
        self.sealer.links(self.links);
        let end = self.end.map_or(self.last, |end| end.at_us).max(self.start);
        self.sealer.finish(Some(end), origin)
    }
}

/// The messages that were sent to a device: frames for a CAN adapter.
fn framed_sent(kind: PortKind, bytes: &[u8]) -> Vec<Framed> {
    if kind != PortKind::Slcan {
        return Vec::new();
    }
    let mut framer = SlcanFramer::new();
    framer.received(bytes);
    let sent = std::iter::from_fn(|| framer.next()).filter_map(|framed| match framed.message {
        Message::Frame(mut frame) => {
            frame.transmitted = true;
            Some(Framed { message: Message::Frame(frame), ..framed })
        }
        _ => None,
    });
    sent.collect()
}

/// The end of a recording cuts what is just being sent; that is no fault of the port.
fn ended(framed: Framed) -> Framed {
    let message = match framed.message {
        Message::Bad(Bad { text, fault: Fault::Cut }) => Message::Fragment(text),
        other => other,
    };
    Framed { message, ..framed }
}
