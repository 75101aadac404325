//! The writing thread: what ports hand over becomes journal records, synced off the reading thread.

use std::{
    sync::mpsc::{Receiver, RecvTimeoutError},
    time::{Duration, Instant},
};

use tallywheel_schemas::Timestamp;

use super::SessionClock;
use crate::journal::{Batch, Chunk, EndMark, Event, JournalError, JournalWriter, Record};

/// Time between syncs. With the sync itself a record is on the disk within a quarter of a second on a healthy disk.
const INTERVAL: Duration = Duration::from_millis(200);
/// Bytes in one record at most, chunk heads not counted.
const BATCH_BYTES: usize = 1 << 20;

/// What a port hands over.
#[derive(Debug)]
pub(crate) enum ToJournal {
    /// Bytes that arrived together.
    Bytes {
        /// Index in the rig.
        port: u16,
        /// Arrival.
        stamp: Timestamp,
        /// Place in the port's stream.
        offset: u64,
        /// The bytes.
        bytes: Vec<u8>,
    },
    /// Something that happened.
    Event(Event),
}

/// Writes until every port has let go of the queue, then marks a clean end.
///
/// # Errors
/// When the journal cannot be written; the queue is closed then, so that the ports end.
pub(crate) fn write_journal(
    journal: JournalWriter,
    queue: &Receiver<ToJournal>,
    ports: usize,
    clock: SessionClock,
) -> Result<(), JournalError> {
    let mut batches = Batches { journal, waiting: (0..ports).map(|_| None).collect() };
    let mut due: Option<Instant> = None;
    loop {
        let wait = due.map_or(INTERVAL, |due| due.saturating_duration_since(Instant::now()));
        match queue.recv_timeout(wait) {
            Ok(message) => {
                batches.take(message)?;
                due.get_or_insert_with(|| Instant::now() + INTERVAL);
            }
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => {
                batches.write_all()?;
                batches.journal.append(&Record::End(EndMark { at_us: clock.now() }))?;
                return batches.journal.sync();
            }
        }
        if due.is_some_and(|due| due <= Instant::now()) {
            batches.write_all()?;
            batches.journal.sync()?;
            due = None;
        }
    }
}

struct Batches {
    journal: JournalWriter,
    waiting: Vec<Option<Waiting>>,
}

struct Waiting {
    batch: Batch,
    bytes: usize,
}

impl Batches {
    fn take(&mut self, message: ToJournal) -> Result<(), JournalError> {
        match message {
            ToJournal::Event(event) => {
                self.write(usize::from(event.port))?;
                self.journal.append(&Record::Event(event))
            }
            ToJournal::Bytes { port, stamp, offset, bytes } => {
                let index = usize::from(port);
                let fits = self.waiting[index]
                    .as_ref()
                    .is_none_or(|w| w.batch.offset + w.bytes as u64 == offset && w.bytes + bytes.len() <= BATCH_BYTES);
                if !fits {
                    self.write(index)?;
                }
                let waiting = self.waiting[index]
                    .get_or_insert_with(|| Waiting { batch: Batch { port, offset, chunks: Vec::new() }, bytes: 0 });
                waiting.bytes += bytes.len();
                waiting.batch.chunks.push(Chunk { stamp, bytes });
                Ok(())
            }
        }
    }

    fn write(&mut self, port: usize) -> Result<(), JournalError> {
        match self.waiting[port].take() {
            Some(waiting) => self.journal.append(&Record::Bytes(waiting.batch)),
            None => Ok(()),
        }
    }

    fn write_all(&mut self) -> Result<(), JournalError> {
        (0..self.waiting.len()).try_for_each(|port| self.write(port))
    }
}
