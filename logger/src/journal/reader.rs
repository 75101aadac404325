//! Reads a journal up to the first record that does not prove itself. Never edits the file.

use std::{
    fs::File,
    io::{self, BufReader, Read, Seek, SeekFrom},
    path::{Path, PathBuf},
};

use super::{
    HEAD, JOURNAL_FILE, JournalError, JournalVersion, MAGIC, MAX_PAYLOAD, Record, packing::Unpacker, record_crc,
};

/// Why reading stopped before the end of the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum SkipReason {
    /// The file ends inside a record, as after a crash in the middle of a write.
    #[error("the file ends inside a record")]
    Cut,
    /// No record begins here, as after a torn write that left zeros.
    #[error("no record begins here")]
    Magic,
    /// A record of another version.
    #[error("journal format {0} is not known; this release reads {oldest} to {current}; seal it with the release that wrote it",
        oldest = JournalVersion::OLDEST.0, current = JournalVersion::CURRENT.0)]
    Version(u16),
    /// A length that no record has.
    #[error("a record of {0} bytes is beyond the limit")]
    Length(u32),
    /// A record out of turn.
    #[error("record {found} where {expected} was due")]
    Sequence {
        /// Due here.
        expected: u32,
        /// Found.
        found: u32,
    },
    /// The checksum does not hold.
    #[error("the checksum of record {0} does not hold")]
    Checksum(u32),
    /// The checksum holds but the payload has another form.
    #[error("the payload of record {0} cannot be read")]
    Payload(u32),
}

/// Bytes that can have been on their way to the disk at once: a full queue, and what was taken from it before.
const MOST_UNSYNCED: u64 = 16 << 20;

/// The part of a journal that was not read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Skipped {
    /// First byte of it.
    pub offset: u64,
    /// Bytes from there to the end of the file.
    pub bytes: u64,
    /// Why.
    pub reason: SkipReason,
}

/// Reads the records of a journal in order.
#[derive(Debug)]
pub struct JournalReader<R = BufReader<File>> {
    input: R,
    unpacker: Unpacker,
    path: PathBuf,
    length: u64,
    offset: u64,
    sequence: u32,
    skipped: Option<Skipped>,
    done: bool,
}

impl JournalReader {
    /// Opens the journal in a session's directory.
    ///
    /// # Errors
    /// When there is none or the system refuses.
    pub fn open(directory: &Path) -> Result<Self, JournalError> {
        let path = directory.join(JOURNAL_FILE);
        let file = File::open(&path).map_err(JournalError::io("open", &path))?;
        let length = file.metadata().map_err(JournalError::io("inspect", &path))?.len();
        Ok(Self::new(BufReader::with_capacity(1 << 16, file), path, length))
    }

    /// Whether what was skipped is what an interruption leaves: a write that did not get to the disk whole, with
    /// nothing behind it. A record that proves itself further on, or more bytes than can have been on their way,
    /// mean damage to what was on the disk already.
    ///
    /// # Errors
    /// When the system cannot read the file.
    pub fn is_torn_write(directory: &Path, skipped: &Skipped) -> Result<bool, JournalError> {
        if skipped.bytes > MOST_UNSYNCED {
            return Ok(false);
        }
        let path = directory.join(JOURNAL_FILE);
        let mut rest = Vec::new();
        let mut file = File::open(&path).map_err(JournalError::io("open", &path))?;
        let read = file.seek(SeekFrom::Start(skipped.offset)).and_then(|_| file.read_to_end(&mut rest));
        read.map_err(JournalError::io("read", &path))?;
        Ok(!(1..rest.len()).any(|at| proves_itself(&rest[at..])))
    }
}

/// Whether bytes begin with a whole record whose checksum holds, whatever its place in the journal.
fn proves_itself(bytes: &[u8]) -> bool {
    let Some(head) = bytes.get(..HEAD).filter(|head| head.starts_with(&MAGIC)) else { return false };
    let length = u32_at(head, 8) as usize;
    let payload = bytes.get(HEAD..).and_then(|rest| rest.get(..length));
    payload.is_some_and(|payload| record_crc(&head[..16], payload) == u32_at(head, 16))
}

fn u32_at(head: &[u8], at: usize) -> u32 {
    u32::from_le_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]])
}

impl<R: Read> JournalReader<R> {
    /// Reads `length` bytes of journal from any input; `path` is for messages.
    pub fn new(input: R, path: PathBuf, length: u64) -> Self {
        Self { input, unpacker: Unpacker::default(), path, length, offset: 0, sequence: 0, skipped: None, done: false }
    }

    /// The next record, `None` at the end of what can be read.
    ///
    /// # Errors
    /// When the system cannot read the file. Damage is no error: see [`JournalReader::skipped`].
    #[expect(clippy::should_implement_trait, reason = "errors come first, as in io::Read")]
    pub fn next(&mut self) -> Result<Option<Record>, JournalError> {
        if self.done {
            return Ok(None);
        }
        let outcome = self.read_record().map_err(JournalError::io("read", &self.path))?;
        match outcome {
            Ok((record, size)) => {
                self.offset += size;
                self.sequence = self.sequence.wrapping_add(1);
                Ok(Some(record))
            }
            Err(reason) => {
                self.done = true;
                self.skipped = reason.map(|reason| Skipped {
                    offset: self.offset,
                    bytes: self.length.saturating_sub(self.offset),
                    reason,
                });
                Ok(None)
            }
        }
    }

    /// What was not read, once [`JournalReader::next`] has given `None`.
    pub fn skipped(&self) -> Option<&Skipped> {
        self.skipped.as_ref()
    }

    /// Bytes read so far.
    pub fn offset(&self) -> u64 {
        self.offset
    }

    /// A record and its size, or why there is none (`None`: the file is over).
    fn read_record(&mut self) -> io::Result<Result<(Record, u64), Option<SkipReason>>> {
        let mut head = [0; HEAD];
        match read_up_to(&mut self.input, &mut head)? {
            0 => return Ok(Err(None)),
            n if n < HEAD => {
                let torn = !head.starts_with(&MAGIC[..n.min(MAGIC.len())]);
                return Ok(Err(Some(if torn { SkipReason::Magic } else { SkipReason::Cut })));
            }
            _ => {}
        }
        let (length, crc) = match self.check_head(&head) {
            Ok(checked) => checked,
            Err(reason) => return Ok(Err(Some(reason))),
        };
        let mut payload = vec![0; length];
        if read_up_to(&mut self.input, &mut payload)? < length {
            return Ok(Err(Some(SkipReason::Cut)));
        }
        if record_crc(&head[..16], &payload) != crc {
            return Ok(Err(Some(SkipReason::Checksum(self.sequence))));
        }
        let record =
            Record::decode(head[6], &payload, &mut self.unpacker).ok_or(Some(SkipReason::Payload(self.sequence)));
        Ok(record.map(|r| (r, (HEAD + length) as u64)))
    }

    fn check_head(&self, head: &[u8; HEAD]) -> Result<(usize, u32), SkipReason> {
        let version = u16::from_le_bytes([head[4], head[5]]);
        let (length, sequence) = (u32_at(head, 8), u32_at(head, 12));
        // No release had version 0: these are the zeros of a page that never got to the disk.
        if head[..4] != MAGIC || version == 0 {
            Err(SkipReason::Magic)
        } else if !(JournalVersion::OLDEST.0..=JournalVersion::CURRENT.0).contains(&version) {
            Err(SkipReason::Version(version))
        } else if length as usize > MAX_PAYLOAD {
            Err(SkipReason::Length(length))
        } else if sequence != self.sequence {
            Err(SkipReason::Sequence { expected: self.sequence, found: sequence })
        } else {
            Ok((length as usize, u32_at(head, 16)))
        }
    }
}

/// Fills the buffer as far as the input goes.
fn read_up_to(input: &mut impl Read, buffer: &mut [u8]) -> io::Result<usize> {
    let mut filled = 0;
    while filled < buffer.len() {
        match input.read(&mut buffer[filled..]) {
            Ok(0) => break,
            Ok(n) => filled += n,
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
    Ok(filled)
}
