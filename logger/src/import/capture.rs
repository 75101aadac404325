//! One captured file, read as the stream of its port.

use std::{
    fs::File,
    io::{BufReader, Read},
    path::{Path, PathBuf},
};

use tallywheel_schemas::{
    Digest, Rig, Timestamp,
    manifest::CaptureRecord,
    rig::{Port, PortKind},
    unknown_name,
};

use super::{
    ImportError,
    clock::{Clock, ClockError, Time},
    doubt,
    order::{MOST_WAITING, Order, SORTED_US, Stamped},
    sniff::{is_surely, looks_like},
};
use crate::{
    framing::{CandumpFramer, End, Framer, SlcanFramer},
    message::{Bad, Fault, Framed, Message},
};

const CHUNK: usize = 1 << 16;

/// A captured file and which part of it is meant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Part {
    pub(super) path: PathBuf,
    /// Interface of a CAN log.
    pub(super) interface: Option<String>,
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
    part: Part,
    file: File,
    chunk: Vec<u8>,
    hasher: Hasher,
    framer: CaptureFramer,
    kind: PortKind,
    clock: Clock,
    order: Order,
    ended: bool,
    start: Option<Timestamp>,
    good: u64,
    first_fault: Option<Fault>,
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
        part: Part,
        start: Option<Timestamp>,
        span_s: Option<f64>,
    ) -> Result<Self, ImportError> {
        let (described, path) = (&rig.ports[port], part.path.as_path());
        let metadata = std::fs::metadata(path).map_err(ImportError::io(path))?;
        if metadata.is_file() && metadata.len() == 0 {
            return Err(ImportError::Empty { path: path.to_owned() });
        }
        // What is no plain file, as a pipe, can be read only once.
        if metadata.is_file()
            && let Some(what) = is_surely(path).map_err(ImportError::io(path))?
        {
            return Err(ImportError::Foreign { path: path.to_owned(), what });
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
        if !log && let Some(interface) = part.interface {
            return Err(ImportError::NoInterfaces { path: part.path, interface });
        }
        let first_us = if log { scan_log(&part, &described.name)? } else { None };
        let clock = clock(rig, described, path, log.then_some(first_us), start, span_s)?;
        let framer = if log {
            CaptureFramer::Log(log_framer(&part))
        } else {
            let mut framer = Framer::new(described);
            framer.begin_perhaps_inside();
            CaptureFramer::Port(framer)
        };
        Ok(Self {
            port,
            port_name: described.name.clone(),
            part,
            file,
            chunk: vec![0; CHUNK],
            hasher: Hasher::default(),
            framer,
            kind: described.kind,
            clock,
            order: Order::default(),
            ended: false,
            start,
            good: 0,
            first_fault: None,
        })
    }

    pub(super) fn port(&self) -> usize {
        self.port
    }

    pub(super) fn path(&self) -> &Path {
        &self.part.path
    }

    /// Where the times come from, in words.
    pub(super) fn clock(&self) -> String {
        format!("port {}: {}", self.port_name, self.clock.describe())
    }

    /// The next message with its time. It may lie behind the one before by as much as the sealer sorts.
    pub(super) fn next(&mut self, progress: &mut dyn FnMut(u64)) -> Result<Option<Stamped>, ImportError> {
        loop {
            if let Some(stamped) = self.order.next() {
                return Ok(Some(stamped));
            }
            match self.next_framed() {
                Some((framed, logged)) => self.place(framed, logged)?,
                None if self.ended => {
                    self.end()?;
                    return Ok(self.order.next());
                }
                None => self.read(progress)?,
            }
        }
    }

    /// Finds a message's own time and puts it in order.
    fn place(&mut self, mut framed: Framed, logged: Option<i64>) -> Result<(), ImportError> {
        let own = self.clock.time_of(&framed.message, logged).map_err(|e| self.clock_error(e))?;
        if own == Time::Unreadable
            && let Message::Line(text) = framed.message
        {
            framed.message = Message::Bad(Bad { text, fault: Fault::Time });
        }
        match &framed.message {
            Message::Bad(bad) => self.first_fault = self.first_fault.take().or_else(|| Some(bad.fault.clone())),
            // A heading is no data.
            Message::Line(_) if self.kind == PortKind::Text => self.good += u64::from(matches!(own, Time::At(_))),
            Message::Frame(_) | Message::Line(_) | Message::Status(_) => self.good += 1,
            Message::Fragment(_) => {}
        }
        let at = match own {
            Time::At(at) => Some(at),
            Time::Unknown | Time::Unreadable => None,
        };
        self.order.push(framed, at);
        if self.order.waiting() > MOST_WAITING {
            return Err(self.clock_error(ClockError::NoTime { lines: MOST_WAITING }));
        }
        Ok(())
    }

    fn next_framed(&mut self) -> Option<(Framed, Option<i64>)> {
        match &mut self.framer {
            CaptureFramer::Port(framer) => framer.next().map(|framed| (framed, None)),
            CaptureFramer::Log(framer) => framer.next().map(|logged| (logged.framed, logged.stamp_us)),
        }
    }

    /// At the end of a file in which no time was found, what waits takes the start, if that is known.
    fn end(&mut self) -> Result<(), ImportError> {
        self.order.settle();
        match (self.order.waiting(), self.start) {
            (0, _) => Ok(()),
            (_, Some(start)) => {
                self.order.start_at(start);
                Ok(())
            }
            (lines, None) => Err(self.clock_error(ClockError::NoTime { lines })),
        }
    }

    fn clock_error(&self, source: ClockError) -> ImportError {
        ImportError::Clock { path: self.part.path.clone(), source }
    }

    fn read(&mut self, progress: &mut dyn FnMut(u64)) -> Result<(), ImportError> {
        let read = self.file.read(&mut self.chunk).map_err(ImportError::io(&self.part.path))?;
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

    /// A start that was given and contradicts the capture's own times, in words. Known once the first message is.
    pub(super) fn start_doubt(&self) -> Option<String> {
        let (start, first) = (self.start?, self.order.first()?);
        if self.clock.uses_start() { None } else { doubt::about_start(&self.port_name, start, first) }
    }

    /// Whether its times are made from the span that was given.
    pub(super) fn uses_span(&self) -> bool {
        self.clock.uses_span()
    }

    /// Says that a capture read to its end had nothing good in it.
    ///
    /// # Errors
    /// Then.
    pub(super) fn check_good(&self) -> Result<(), ImportError> {
        if self.good > 0 {
            return Ok(());
        }
        let kind = match self.kind {
            PortKind::Slcan => "slcan text or a CAN log",
            PortKind::Nmea => "an NMEA log",
            PortKind::Text => "text in the columns of the rig",
            PortKind::Can => "a CAN log",
            PortKind::Modbus => "an exchange on a Modbus line",
        };
        Err(ImportError::NothingGood {
            path: self.part.path.clone(),
            kind,
            fault: self.first_fault.as_ref().map_or_else(String::new, |f| format!(", the first part of it: {f}")),
            looks: looks_like(&self.part.path),
        })
    }

    /// What the manifest says about the file, and notes about its times.
    pub(super) fn finish(self) -> (CaptureRecord, Vec<String>) {
        let name = super::file_name(&self.part.path);
        let record = CaptureRecord {
            port: self.port_name.clone(),
            file: self.part.interface.as_ref().map_or(name.clone(), |interface| format!("{name}#{interface}")),
            bytes: self.hasher.bytes,
            blake3: Digest::from(self.hasher.hash.finalize()),
        };
        let mut notes = self.clock.notes();
        let (sorted, misplaced) = self.order.disorder();
        let seconds = SORTED_US / 1_000_000;
        if sorted > 0 {
            notes.push(format!(
                "{sorted} message(s) were out of order by up to {seconds} s and are sorted by their time"
            ));
        }
        if misplaced > 0 {
            notes.push(format!(
                "{misplaced} message(s) lie more than {seconds} s away from where they stand in the capture; counted as \
                 bad, kept in `lines`, not decoded"
            ));
        }
        if let CaptureFramer::Log(framer) = &self.framer
            && framer.passed_over() > 0
        {
            notes.push(format!("{} line(s) of other interfaces of the log were left out", framer.passed_over()));
        }
        let notes = notes.into_iter().map(|note| format!("port {}: {note}", self.port_name)).collect();
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

fn log_framer(part: &Part) -> CandumpFramer {
    part.interface.as_deref().map_or_else(CandumpFramer::new, CandumpFramer::of_interface)
}

/// Reads through a CAN log: a port is one bus, so one interface must be meant. Gives its first time.
fn scan_log(part: &Part, port: &str) -> Result<Option<i64>, ImportError> {
    let mut framer = log_framer(part);
    let mut first = None;
    scan(&part.path, |bytes| {
        match bytes {
            Some(bytes) => framer.received(bytes),
            None => framer.finish(End::Complete),
        }
        while let Some(logged) = framer.next() {
            first = first.or(logged.stamp_us);
        }
        true
    })?;
    let names = framer.interfaces();
    let (path, port) = (part.path.clone(), port.to_owned());
    match &part.interface {
        None if names.len() > 1 => {
            let names = names.to_vec();
            Err(ImportError::Interfaces { path, names, port })
        }
        Some(wanted) if !names.contains(wanted) => {
            let message = unknown_name("interface", wanted, names.iter().map(String::as_str));
            let names = names.join(", ");
            Err(ImportError::UnknownInterface { path, message, names })
        }
        _ => Ok(first),
    }
}

/// Finds out where a capture's times come from, reading as far into the file as that takes. `log` is the first time of
/// a CAN log.
fn clock(
    rig: &Rig,
    port: &Port,
    path: &Path,
    log: Option<Option<i64>>,
    start: Option<Timestamp>,
    span_s: Option<f64>,
) -> Result<Clock, ImportError> {
    let clock = match port.kind {
        PortKind::Slcan | PortKind::Can => match log {
            Some(first_us) => Clock::logged(first_us, start),
            None => {
                let found = scan_slcan(path, span_s.is_some())?;
                Clock::slcan(found.first_is_stamped, found.frames, start, span_s)
            }
        },
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
