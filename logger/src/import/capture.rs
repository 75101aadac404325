//! One captured file, read as the stream of its port.

use std::{
    collections::VecDeque,
    fs::File,
    io::{BufReader, Read},
    path::{Path, PathBuf},
};

use tallywheel_schemas::{
    Digest, Rig, Timestamp,
    manifest::CaptureRecord,
    rig::{Port, PortKind},
};

use super::{
    ImportError,
    clock::{Clock, ClockError, Time},
};
use crate::{
    framing::{CandumpFramer, End, Framer, SlcanFramer},
    message::{Bad, Fault, Framed, Message},
};

const CHUNK: usize = 1 << 16;
/// Messages that may wait for the first time stamp.
const MOST_WAITING: usize = 10_000;

/// A message with the time that its capture gives it.
#[derive(Debug)]
pub(super) struct Stamped {
    pub(super) at: Timestamp,
    pub(super) framed: Framed,
}

/// The framer of a capture.
#[derive(Debug)]
enum CaptureFramer {
    /// What the port itself would send.
    Port(Framer),
    /// A CAN log with times of its own.
    Log(CandumpFramer),
}

/// An open capture.
#[derive(Debug)]
pub(super) struct Capture {
    port: usize,
    port_name: String,
    path: PathBuf,
    file: File,
    chunk: Vec<u8>,
    hasher: Hasher,
    framer: CaptureFramer,
    clock: Clock,
    last: Option<Timestamp>,
    waiting: VecDeque<Framed>,
    ended: bool,
    start: Option<Timestamp>,
    backwards: u64,
}

/// Hash and length of what was read.
#[derive(Debug, Default)]
struct Hasher {
    hash: blake3::Hasher,
    bytes: u64,
}

impl Capture {
    /// Opens a capture and finds out where its times come from.
    pub(super) fn open(
        rig: &Rig,
        port: usize,
        path: &Path,
        start: Option<Timestamp>,
        span_s: Option<f64>,
    ) -> Result<Self, ImportError> {
        let described = &rig.ports[port];
        let metadata = std::fs::metadata(path).map_err(ImportError::io(path))?;
        if metadata.is_file() && metadata.len() == 0 {
            return Err(ImportError::Empty { path: path.to_owned() });
        }
        let file = File::open(path).map_err(ImportError::io(path))?;
        let log = match described.kind {
            PortKind::Can => true,
            PortKind::Slcan => is_can_log(path)?,
            PortKind::Modbus => {
                let message = "a capture of a Modbus line does not say what was asked, so its answers cannot be read";
                return Err(ImportError::Port { name: described.name.clone(), message: message.to_owned() });
            }
            PortKind::Nmea | PortKind::Text => false,
        };
        let clock = clock(rig, described, path, log, start, span_s)?;
        let framer =
            if log { CaptureFramer::Log(CandumpFramer::new()) } else { CaptureFramer::Port(Framer::new(described)) };
        Ok(Self {
            port,
            port_name: described.name.clone(),
            path: path.to_owned(),
            file,
            chunk: vec![0; CHUNK],
            hasher: Hasher::default(),
            framer,
            clock,
            last: None,
            waiting: VecDeque::new(),
            ended: false,
            start,
            backwards: 0,
        })
    }

    pub(super) fn port(&self) -> usize {
        self.port
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// Where the times come from, in words.
    pub(super) fn clock(&self) -> String {
        format!("port {}: {}", self.port_name, self.clock.describe())
    }

    /// The next message with its time, which never goes back.
    pub(super) fn next(&mut self, progress: &mut dyn FnMut(u64)) -> Result<Option<Stamped>, ImportError> {
        loop {
            if let Some(at) = self.last
                && let Some(framed) = self.waiting.pop_front()
            {
                return Ok(Some(Stamped { at, framed }));
            }
            let Some((mut framed, logged)) = self.next_framed() else {
                if self.ended {
                    return self.last_waiting();
                }
                self.read(progress)?;
                continue;
            };
            let own = self.clock.time_of(&framed.message, logged).map_err(|e| self.clock_error(e))?;
            if own == Time::Unreadable
                && let Message::Line(text) = framed.message
            {
                framed.message = Message::Bad(Bad { text, fault: Fault::Time });
            }
            match (own, self.last) {
                (Time::At(at), last) => {
                    let at = self.forward(at, last);
                    if self.waiting.is_empty() {
                        return Ok(Some(Stamped { at, framed }));
                    }
                    self.waiting.push_back(framed);
                }
                (_, Some(at)) => return Ok(Some(Stamped { at, framed })),
                (_, None) if self.waiting.len() < MOST_WAITING => self.waiting.push_back(framed),
                (_, None) => return Err(self.clock_error(ClockError::NoTime { lines: MOST_WAITING })),
            }
        }
    }

    /// Keeps time from going back; says how often it would have.
    fn forward(&mut self, at: Timestamp, last: Option<Timestamp>) -> Timestamp {
        self.backwards += u64::from(last.is_some_and(|last| at < last));
        let at = last.map_or(at, |last| at.max(last));
        self.last = Some(at);
        at
    }

    fn next_framed(&mut self) -> Option<(Framed, Option<i64>)> {
        match &mut self.framer {
            CaptureFramer::Port(framer) => framer.next().map(|framed| (framed, None)),
            CaptureFramer::Log(framer) => framer.next().map(|logged| (logged.framed, logged.stamp_us)),
        }
    }

    /// At the end of a file in which no time was found: what waits takes the start, if that is known.
    fn last_waiting(&mut self) -> Result<Option<Stamped>, ImportError> {
        if self.waiting.is_empty() {
            return Ok(None);
        }
        let Some(start) = self.start else {
            return Err(self.clock_error(ClockError::NoTime { lines: self.waiting.len() }));
        };
        self.last = Some(start);
        Ok(self.waiting.pop_front().map(|framed| Stamped { at: start, framed }))
    }

    fn clock_error(&self, source: ClockError) -> ImportError {
        ImportError::Clock { path: self.path.clone(), source }
    }

    fn read(&mut self, progress: &mut dyn FnMut(u64)) -> Result<(), ImportError> {
        let read = self.file.read(&mut self.chunk).map_err(ImportError::io(&self.path))?;
        let bytes = &self.chunk[..read];
        self.hasher.hash.update(bytes);
        self.hasher.bytes += read as u64;
        progress(read as u64);
        self.ended = read == 0;
        match &mut self.framer {
            CaptureFramer::Port(framer) if read == 0 => framer.finish(End::Complete),
            CaptureFramer::Log(framer) if read == 0 => framer.finish(End::Complete),
            CaptureFramer::Port(framer) => framer.received(bytes),
            CaptureFramer::Log(framer) => framer.received(bytes),
        }
        Ok(())
    }

    /// What the manifest says about the file, and notes about its times.
    pub(super) fn finish(self) -> (CaptureRecord, Vec<String>) {
        let record = CaptureRecord {
            port: self.port_name.clone(),
            file: super::file_name(&self.path),
            bytes: self.hasher.bytes,
            blake3: Digest::from(self.hasher.hash.finalize()),
        };
        let mut notes: Vec<String> =
            self.clock.notes().into_iter().map(|note| format!("port {}: {note}", self.port_name)).collect();
        if self.backwards > 0 {
            notes.push(format!(
                "port {}: the time went back before {} message(s); they are stamped with the time before them",
                self.port_name, self.backwards
            ));
        }
        (record, notes)
    }
}

/// A CAN log begins with a time in parentheses; no slcan message does.
fn is_can_log(path: &Path) -> Result<bool, ImportError> {
    let mut file = BufReader::new(File::open(path).map_err(ImportError::io(path))?);
    let mut byte = [0];
    loop {
        match file.read(&mut byte).map_err(ImportError::io(path))? {
            0 => return Ok(false),
            _ if byte[0].is_ascii_whitespace() => {}
            _ => return Ok(byte[0] == b'('),
        }
    }
}

/// Finds out where a capture's times come from, reading as far into the file as that takes.
fn clock(
    rig: &Rig,
    port: &Port,
    path: &Path,
    log: bool,
    start: Option<Timestamp>,
    span_s: Option<f64>,
) -> Result<Clock, ImportError> {
    let clock = match port.kind {
        PortKind::Slcan | PortKind::Can if log => {
            let mut framer = CandumpFramer::new();
            let mut first = None;
            scan(path, |bytes| {
                match bytes {
                    Some(bytes) => framer.received(bytes),
                    None => framer.finish(End::Complete),
                }
                first = std::iter::from_fn(|| framer.next()).find_map(|logged| logged.stamp_us);
                first.is_none()
            })?;
            Clock::logged(first, start)
        }
        PortKind::Slcan | PortKind::Can => {
            let found = scan_slcan(path, span_s.is_some())?;
            Clock::slcan(found.first_is_stamped, found.frames, start, span_s)
        }
        PortKind::Nmea => {
            let mut framer = Framer::new(port);
            let mut finder = super::clock::DateFinder::default();
            scan(path, |bytes| {
                match bytes {
                    Some(bytes) => framer.received(bytes),
                    None => framer.finish(End::Complete),
                }
                std::iter::from_fn(|| framer.next()).all(|framed| finder.wants_more(&framed.message))
            })?;
            Clock::nmea(&finder, start)
        }
        PortKind::Text | PortKind::Modbus => Clock::text(rig, port, start),
    };
    clock.map_err(|source| ImportError::Clock { path: path.to_owned(), source })
}

/// Reads a file chunk by chunk, `None` at its end, as long as the caller wants more.
fn scan(path: &Path, mut more: impl FnMut(Option<&[u8]>) -> bool) -> Result<(), ImportError> {
    let mut file = File::open(path).map_err(ImportError::io(path))?;
    let mut chunk = vec![0; CHUNK];
    loop {
        let read = file.read(&mut chunk).map_err(ImportError::io(path))?;
        let bytes = (read > 0).then_some(&chunk[..read]);
        if !more(bytes) || bytes.is_none() {
            return Ok(());
        }
    }
}

#[derive(Debug, Default)]
struct SlcanScan {
    frames: u64,
    first_is_stamped: Option<bool>,
}

/// Looks at the first frame, or at all of them when they must be counted.
fn scan_slcan(path: &Path, count: bool) -> Result<SlcanScan, ImportError> {
    let mut framer = SlcanFramer::new();
    let mut found = SlcanScan::default();
    scan(path, |bytes| {
        match bytes {
            Some(bytes) => framer.received(bytes),
            None => framer.finish(End::Complete),
        }
        while let Some(framed) = framer.next() {
            if let Message::Frame(frame) = framed.message {
                found.frames += 1;
                found.first_is_stamped.get_or_insert(frame.device_ms.is_some());
            }
        }
        found.first_is_stamped.is_none() || (count && found.first_is_stamped == Some(false))
    })?;
    Ok(found)
}
