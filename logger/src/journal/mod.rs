//! The journal: everything that arrived, on disk within a quarter of a second, in records that prove themselves.
//!
//! # Layout
//!
//! A journal is one file of records, all integers little-endian:
//!
//! ```text
//! byte  0  magic      4  "TWJR"
//!       4  version    2  2
//!       6  kind       1  0 header, 1 bytes, 2 event, 3 end, 4 note, 5 packed bytes
//!       7  zero       1
//!       8  length     4  of the payload, at most 4 MiB
//!      12  sequence   4  0, 1, 2, … without a gap
//!      16  crc32      4  of bytes 0 to 15 and the payload (IEEE 802.3)
//!      20  payload
//! ```
//!
//! Payload of a `bytes` record, up to 250 ms of one port's stream without a hole in it:
//!
//! ```text
//! byte  0  port       2  index in the rig
//!       2  stamp      8  arrival of the first chunk, UTC µs
//!      10  offset     8  place of the first byte in the port's stream
//!      18  chunks: delta 4 (µs after `stamp`), length 2, bytes
//! ```
//!
//! Payload of a `packed bytes` record: the same as one zstd frame (RFC 8878) that states the size of its content, at
//! most 4 MiB.
//!
//! The other payloads are JSON: [`Header`], [`Event`], [`EndMark`], [`Note`].
//!
//! # Why so
//!
//! - A columnar file is unreadable until it is closed, and an Arrow stream returned phantom rows after a torn write
//!   and wrong values after a flipped bit. A checksum over each record tells what was written from what was not.
//! - The bytes are kept, not the messages cut from them: the journal then holds malformed input for free, is
//!   written without decoding anything, and an error in a framer can be mended after the drive.
//! - The reader stops at the first record that does not prove itself. Beyond it a record could look whole and yet
//!   be out of order, so nothing there is guessed at; what was skipped is reported and kept.

mod packing;
mod reader;
mod writer;

pub use reader::{JournalReader, SkipReason, Skipped};
pub use writer::JournalWriter;

use std::{
    io,
    path::{Path, PathBuf},
};

use serde::{Deserialize, Serialize};
use tallywheel_schemas::{RunSheet, Timestamp};

use packing::Unpacker;

/// Version of the journal format.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct JournalVersion(pub u16);

impl JournalVersion {
    /// The version that this release writes.
    ///
    /// - 1: first version.
    /// - 2: notes, seams between sessions, what was sent to a device, and packed bytes.
    pub const CURRENT: Self = Self(2);
    /// The oldest version that this release reads.
    pub const OLDEST: Self = Self(1);
}

/// Name of the journal's file in its session's directory.
pub const JOURNAL_FILE: &str = "journal.twj";

/// Bytes that the disk must have for each byte of a journal: the journal itself, and the tables made of it before it
/// goes. Measured: 8.2 and 12.6 bytes a frame on a full bus, 11.6 and 7.7 on a quiet one.
pub const DISK_PER_JOURNAL: f64 = 2.6;

const MAGIC: [u8; 4] = *b"TWJR";
const HEAD: usize = 20;
/// Kind of a record of packed bytes.
const PACKED: u8 = 5;
/// Keeps a damaged length from asking for memory.
const MAX_PAYLOAD: usize = 4 << 20;

/// One record.
#[derive(Debug, Clone, PartialEq)]
pub enum Record {
    /// The first record.
    Header(Box<Header>),
    /// Bytes of one port.
    Bytes(Batch),
    /// Something that happened to a port.
    Event(Event),
    /// The recording ended cleanly, or goes on in another session.
    End(EndMark),
    /// Something that concerns the whole session.
    Note(Note),
}

/// What a session is about.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Header {
    /// Name of the session.
    pub session: String,
    /// Vehicle, as in the rig.
    pub vehicle: String,
    /// Start of the recording.
    pub start_us: Timestamp,
    /// File name of the rig.
    pub rig_file: String,
    /// Text of the rig.
    pub rig_text: String,
    /// The run sheet, when the session is a planned run.
    pub run: Option<RunSheet>,
    /// Program and version that recorded.
    pub software: String,
    /// The session that this one goes on from without losing a byte.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub follows: Option<String>,
    /// Place in each port's stream where this journal begins; empty stands for the beginning of every stream.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub begins: Vec<u64>,
}

/// Bytes of one port without a hole.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Batch {
    /// Index of the port in the rig.
    pub port: u16,
    /// Place of the first byte in the port's stream.
    pub offset: u64,
    /// Chunks in the order of arrival.
    pub chunks: Vec<Chunk>,
}

/// Bytes that arrived together, at most 65,535.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chunk {
    /// Arrival.
    pub stamp: Timestamp,
    /// The bytes.
    pub bytes: Vec<u8>,
}

/// Something that happened to a port.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Event {
    /// Index of the port in the rig.
    pub port: u16,
    /// When.
    pub at_us: Timestamp,
    /// What.
    pub what: PortEvent,
}

/// What can happen to a port.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PortEvent {
    /// Opened for reading.
    Opened,
    /// Opened again after it was gone.
    Reopened {
        /// Where the device was found.
        device: String,
    },
    /// The device went away.
    Disconnected {
        /// What the system said.
        reason: String,
    },
    /// The disk was too slow and bytes were dropped.
    Dropped {
        /// Messages in them.
        messages: u64,
        /// Bytes.
        bytes: u64,
        /// The disk took nothing at all, as when it is full.
        #[serde(default)]
        disk_stopped: bool,
    },
    /// Bytes were sent to the device, other than to open or close it.
    Sent {
        /// The bytes in hexadecimal.
        hex: String,
    },
    /// Something that the conversation with the device gave rise to, in words.
    Remark {
        /// The words.
        text: String,
    },
}

/// Reads the bytes of [`PortEvent::Sent`]. `None` when the text is no such bytes.
pub(crate) fn from_hex(text: &str) -> Option<Vec<u8>> {
    let digits = text.as_bytes();
    let pair = |pair: &[u8]| u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok();
    if digits.len().is_multiple_of(2) { digits.chunks(2).map(pair).collect() } else { None }
}

/// Something that concerns the whole session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    /// When.
    pub at_us: Timestamp,
    /// What.
    pub what: SessionNote,
}

/// What can happen to a session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SessionNote {
    /// A person marked a moment.
    Marker {
        /// What is to be remembered.
        text: String,
        /// Who marked it.
        who: String,
    },
    /// The system's clock was set, or the machine slept. Stamps go on evenly.
    ClockStepped {
        /// How far, µs; positive is forwards.
        by_us: i64,
    },
    /// The disk took nothing for a while.
    DiskStopped {
        /// Since when.
        since_us: Timestamp,
        /// What the system said.
        reason: String,
    },
}

/// A clean end.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct EndMark {
    /// When.
    pub at_us: Timestamp,
    /// The session in which the recording goes on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub followed_by: Option<String>,
    /// Bytes at the end of each port's stream that are the beginning of a message and are kept in that session.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub carried: Vec<u64>,
}

impl EndMark {
    /// An end after which nothing follows.
    pub const fn at(at_us: Timestamp) -> Self {
        Self { at_us, followed_by: None, carried: Vec::new() }
    }
}

/// A journal that cannot be written or read.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
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
    /// A record is larger than a reader would accept.
    #[error("write {}: a record of {bytes} bytes is beyond the limit of {MAX_PAYLOAD}", path.display())]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// Size of its payload.
        bytes: usize,
    },
}

impl JournalError {
    /// Whether there is no room: the disk or a quota is full, or a file may not grow any further.
    pub fn is_full(&self) -> bool {
        use io::ErrorKind::{FileTooLarge, QuotaExceeded, StorageFull};
        matches!(self, Self::Io { source, .. } if matches!(source.kind(), StorageFull | QuotaExceeded | FileTooLarge))
    }

    fn io(action: &'static str, path: &Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Io { action, path, source }
    }
}

impl Record {
    const fn kind(&self) -> u8 {
        match self {
            Self::Header(_) => 0,
            Self::Bytes(_) => 1,
            Self::Event(_) => 2,
            Self::End(_) => 3,
            Self::Note(_) => 4,
        }
    }

    fn payload(&self) -> Vec<u8> {
        let json = "these types have only string keys and finite numbers";
        match self {
            Self::Header(header) => serde_json::to_vec(header).expect(json),
            Self::Bytes(batch) => batch.encode(),
            Self::Event(event) => serde_json::to_vec(event).expect(json),
            Self::End(end) => serde_json::to_vec(end).expect(json),
            Self::Note(note) => serde_json::to_vec(note).expect(json),
        }
    }

    /// The record with its head, ready to be written, without packing anything.
    pub fn encode(&self, sequence: u32) -> Vec<u8> {
        let mut bytes = Vec::new();
        write_record(&mut bytes, self.kind(), sequence, &self.payload());
        bytes
    }

    fn decode(kind: u8, payload: &[u8], unpacker: &mut Unpacker) -> Option<Self> {
        match kind {
            0 => serde_json::from_slice(payload).ok().map(|h| Self::Header(Box::new(h))),
            1 => Batch::decode(payload).map(Self::Bytes),
            2 => serde_json::from_slice(payload).ok().map(Self::Event),
            3 => serde_json::from_slice(payload).ok().map(Self::End),
            4 => serde_json::from_slice(payload).ok().map(Self::Note),
            PACKED => Batch::decode(&unpacker.unpack(payload)?).map(Self::Bytes),
            _ => None,
        }
    }
}

/// Appends a record with its head.
fn write_record(out: &mut Vec<u8>, kind: u8, sequence: u32, payload: &[u8]) {
    out.reserve(HEAD + payload.len());
    let start = out.len();
    out.extend_from_slice(&MAGIC);
    out.extend_from_slice(&JournalVersion::CURRENT.0.to_le_bytes());
    out.extend_from_slice(&[kind, 0]);
    out.extend_from_slice(&(payload.len() as u32).to_le_bytes());
    out.extend_from_slice(&sequence.to_le_bytes());
    let crc = record_crc(&out[start..], payload);
    out.extend_from_slice(&crc.to_le_bytes());
    out.extend_from_slice(payload);
}

fn record_crc(head: &[u8], payload: &[u8]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(head);
    hasher.update(payload);
    hasher.finalize()
}

impl Batch {
    fn encode(&self) -> Vec<u8> {
        let start = self.chunks.first().map_or(0, |c| c.stamp.as_us());
        let mut bytes = Vec::with_capacity(18 + self.chunks.iter().map(|c| 6 + c.bytes.len()).sum::<usize>());
        bytes.extend_from_slice(&self.port.to_le_bytes());
        bytes.extend_from_slice(&start.to_le_bytes());
        bytes.extend_from_slice(&self.offset.to_le_bytes());
        for chunk in &self.chunks {
            let delta = (chunk.stamp.as_us() - start).clamp(0, i64::from(u32::MAX)) as u32;
            bytes.extend_from_slice(&delta.to_le_bytes());
            bytes.extend_from_slice(&(chunk.bytes.len() as u16).to_le_bytes());
            bytes.extend_from_slice(&chunk.bytes);
        }
        bytes
    }

    fn decode(payload: &[u8]) -> Option<Self> {
        let (port, rest) = payload.split_first_chunk()?;
        let (stamp, rest) = rest.split_first_chunk()?;
        let (offset, mut rest) = rest.split_first_chunk()?;
        let start = Timestamp::from_us(i64::from_le_bytes(*stamp));
        let mut chunks = Vec::new();
        while !rest.is_empty() {
            let (delta, after) = rest.split_first_chunk()?;
            let (length, after) = after.split_first_chunk()?;
            let (bytes, after) = after.split_at_checked(usize::from(u16::from_le_bytes(*length)))?;
            let stamp = start.plus_us(i64::from(u32::from_le_bytes(*delta)));
            chunks.push(Chunk { stamp, bytes: bytes.to_vec() });
            rest = after;
        }
        Some(Self { port: u16::from_le_bytes(*port), offset: u64::from_le_bytes(*offset), chunks })
    }
}

#[cfg(test)]
mod tests;
