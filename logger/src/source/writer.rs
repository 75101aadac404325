//! The writing thread: what ports hand over becomes journal records, synced off the reading thread.
//!
//! While the disk takes nothing, nothing is taken from the queue either, so that memory stays bounded; the writer tries
//! again until there is room or the recording ends.

use std::{
    collections::VecDeque,
    path::PathBuf,
    sync::{Arc, atomic::Ordering::Relaxed, mpsc},
    time::{Duration, Instant},
};

use tallywheel_schemas::{RunSheet, Timestamp};

use super::{
    SessionClock,
    board::{Board, Counters},
    queue::{Arrived, Passage, Queue, ToJournal},
};
use crate::{
    journal::{
        Batch, Chunk, EndMark, Event, Header, JournalError, JournalWriter, Note, PortEvent, Record, SessionNote,
        from_hex,
    },
    session::{SessionError, SessionLock},
    view::{self, DiskNow, Feed, Input, RecordingNow, RecordingState, RunNow, free_bytes},
};

/// Time between syncs. With the sync itself a record is on the disk within a quarter of a second on a healthy disk.
const INTERVAL: Duration = Duration::from_millis(200);
/// How often the queue is looked into meanwhile. It has room for far more than comes in this time.
const LOOK: Duration = Duration::from_millis(50);
/// Time between attempts while the disk takes nothing.
const RETRY: Duration = Duration::from_millis(250);
/// How long an ending recording waits for a disk that takes nothing.
const PATIENCE: Duration = Duration::from_secs(5);
/// Time between two looks at the room on the disk.
const DISK_EVERY: Duration = Duration::from_secs(5);
/// Bytes in one record at most, chunk heads not counted.
const BATCH_BYTES: usize = 1 << 20;
/// Time that one record covers at most, µs. Ports follow each other record by record, and whoever reads a journal puts
/// them in order over a few seconds only: after a stop of the disk much more than that waits in the queue.
const BATCH_US: i64 = 250_000;

/// The writing thread's state.
#[derive(Debug)]
pub(crate) struct Writer {
    data: PathBuf,
    /// Header of the current session.
    header: Header,
    lock: SessionLock,
    journal: JournalWriter,
    streams: Vec<Stream>,
    /// Arrival of the first chunk that no record holds yet, or of an earlier one.
    gathering_since: Option<Timestamp>,
    /// Arrivals of chunks that are not on the disk yet.
    unsynced: Vec<Timestamp>,
    clock: SessionClock,
    board: Arc<Board>,
    /// Ended sessions go here to be sealed.
    ended: mpsc::Sender<SessionLock>,
    /// A copy of what is recorded, for whoever watches. It may lose parts; the journal does not.
    feed: Option<Feed>,
    marks: u64,
    /// When the room on the disk was last looked at.
    looked: Option<Instant>,
}

/// One port's stream.
#[derive(Debug, Default)]
struct Stream {
    waiting: Option<Waiting>,
    /// Place of the next byte.
    offset: u64,
    /// Chunks that hold the beginning of a message, or more.
    tail: VecDeque<Chunk>,
    tail_bytes: usize,
    /// Bytes at the end of the tail that are the beginning of a message.
    unfinished: usize,
    /// What comes on it can only be told by what was asked.
    is_asked: bool,
    /// The question that is not answered yet.
    question: Option<Event>,
}

#[derive(Debug)]
struct Waiting {
    batch: Batch,
    bytes: usize,
}

/// A disk that takes nothing.
struct Stopped {
    since: Timestamp,
    ending_since: Option<Instant>,
    reason: String,
}

impl Writer {
    /// Begins the first session, whose lock the caller holds.
    ///
    /// # Errors
    /// When its journal cannot be created.
    pub(crate) fn begin(
        data: PathBuf,
        lock: SessionLock,
        header: Header,
        clock: SessionClock,
        board: Arc<Board>,
        ended: mpsc::Sender<SessionLock>,
        feed: Option<Feed>,
    ) -> Result<Self, JournalError> {
        let journal = JournalWriter::create(&lock.directory, header.clone())?;
        let stream = |c: &Arc<Counters>| Stream { is_asked: c.is_asked, ..Stream::default() };
        let streams = board.counters.iter().map(stream).collect();
        let writer = Self {
            data,
            header,
            lock,
            journal,
            streams,
            gathering_since: None,
            unsynced: Vec::new(),
            clock,
            board,
            ended,
            feed,
            marks: 0,
            looked: None,
        };
        writer.tell();
        Ok(writer)
    }

    /// Writes until the ports have ended, then marks a clean end.
    ///
    /// # Errors
    /// When the journal cannot be written at the end. What was synced before is safe.
    pub(crate) fn write(mut self, queue: &Queue) -> Result<(), JournalError> {
        while let Ok(first) = queue.receiver.recv() {
            let due = Instant::now() + INTERVAL;
            let mut ended = self.accept(queue, first)?;
            // To be woken by every read would cost both threads more than what is done with it.
            while let Some(left) = due.checked_duration_since(Instant::now())
                && !ended
            {
                std::thread::sleep(left.min(LOOK));
                for message in queue.receiver.try_iter() {
                    ended |= self.accept(queue, message)?;
                }
            }
            if ended {
                break;
            }
            self.gather()?;
            self.sync(queue)?;
        }
        self.end(queue)
    }

    /// Takes a message; says whether it was the last.
    fn accept(&mut self, queue: &Queue, message: ToJournal) -> Result<bool, JournalError> {
        queue.taken(&message);
        let is_last = matches!(message, ToJournal::End);
        self.take(message)?;
        Ok(is_last)
    }

    fn take(&mut self, message: ToJournal) -> Result<(), JournalError> {
        match message {
            ToJournal::Bytes(arrived) => self.bytes(arrived),
            ToJournal::Event(event) => {
                let stream = &mut self.streams[usize::from(event.port)];
                if stream.is_asked && matches!(event.what, PortEvent::Sent { .. }) {
                    stream.question = Some(event.clone());
                }
                self.show_event(&event);
                self.gather_port(usize::from(event.port))?;
                self.journal.append(&Record::Event(event))
            }
            ToJournal::Note(note) => {
                if matches!(note.what, SessionNote::Marker { .. }) {
                    self.marks += 1;
                    self.show(None);
                }
                self.gather()?;
                self.journal.append(&Record::Note(note))
            }
            ToJournal::Seam(seam) => {
                let outcome = self.seam(seam.at, seam.run);
                if let Err(error) = &outcome {
                    tracing::error!("the recording stays in session {}: {error}", self.lock.session);
                }
                if let Some(reply) = seam.reply {
                    // Whoever asked may have gone away.
                    let _ = reply.send(outcome.map_err(|e| e.to_string()));
                }
                Ok(())
            }
            ToJournal::End => Ok(()),
        }
    }

    fn bytes(&mut self, arrived: Arrived) -> Result<(), JournalError> {
        let Arrived { port, stamp, offset, bytes, unfinished } = arrived;
        if let Some(feed) = &self.feed {
            feed.offer(Input::Bytes { port: usize::from(port), at: stamp, bytes: bytes.clone() });
        }
        let index = usize::from(port);
        let first = *self.gathering_since.get_or_insert(stamp);
        if stamp.as_us() - first.as_us() > BATCH_US {
            self.gather()?;
            self.gathering_since = Some(stamp);
        }
        let stream = &mut self.streams[index];
        let fits = stream
            .waiting
            .as_ref()
            .is_none_or(|w| w.batch.offset + w.bytes as u64 == offset && w.bytes + bytes.len() <= BATCH_BYTES);
        if !fits {
            self.gather_port(index)?;
        }
        let stream = &mut self.streams[index];
        if stream.offset != offset {
            (stream.tail_bytes, stream.tail) = (0, VecDeque::new());
        }
        stream.offset = offset + bytes.len() as u64;
        stream.keep_tail(stamp, &bytes, unfinished);
        self.unsynced.push(stamp);
        let waiting = stream
            .waiting
            .get_or_insert_with(|| Waiting { batch: Batch { port, offset, chunks: Vec::new() }, bytes: 0 });
        waiting.bytes += bytes.len();
        waiting.batch.chunks.push(Chunk { stamp, bytes });
        Ok(())
    }

    /// Makes a record of what waits of a port.
    fn gather_port(&mut self, port: usize) -> Result<(), JournalError> {
        match self.streams[port].waiting.take() {
            Some(waiting) => self.journal.append(&Record::Bytes(waiting.batch)),
            None => Ok(()),
        }
    }

    fn gather(&mut self) -> Result<(), JournalError> {
        self.gathering_since = None;
        (0..self.streams.len()).try_for_each(|port| self.gather_port(port))
    }

    /// Syncs the journal, however long it takes for the disk to take it.
    ///
    /// # Errors
    /// When the recording is ending and the disk still takes nothing.
    fn sync(&mut self, queue: &Queue) -> Result<(), JournalError> {
        let mut stopped: Option<Stopped> = None;
        loop {
            let error = match self.journal.sync() {
                Ok(()) => break,
                Err(error) => error,
            };
            let stop = stopped.get_or_insert_with(|| self.stop(queue, &error));
            if queue.shared.is_ending() {
                let since = *stop.ending_since.get_or_insert_with(Instant::now);
                if since.elapsed() > PATIENCE {
                    return Err(error);
                }
            }
            std::thread::sleep(RETRY);
        }
        self.tell_synced();
        if let Some(Stopped { since, reason, .. }) = stopped {
            let at_us = self.clock.now();
            tracing::warn!("the disk takes data again after {:.1} s", at_us.seconds_since(since));
            let what = SessionNote::DiskStopped { since_us: since, reason };
            self.journal.append(&Record::Note(Note { at_us, what }))?;
            queue.shared.disk_resumes();
            self.board.state().disk = None;
            self.show(None);
        }
        self.show_disk();
        Ok(())
    }

    fn stop(&self, queue: &Queue, error: &JournalError) -> Stopped {
        let reason = error.to_string();
        let advice = if error.is_full() { "free some space; recording goes on by itself" } else { "trying again" };
        tracing::error!("{reason}; nothing is written until that is mended: {advice}");
        queue.shared.disk_stops();
        let mut state = self.board.state();
        state.disk = Some(reason.clone());
        state.faults += 1;
        drop(state);
        self.show(Some(reason.clone()));
        Stopped { since: self.clock.now(), ending_since: None, reason }
    }

    /// Goes on in a new session. The beginning of a message that has not ended is kept in the new session; the old
    /// one is told of the seam only once that is on the disk, so that whatever happens in between no message is lost
    /// or kept twice.
    fn seam(&mut self, at: Timestamp, run: Option<RunSheet>) -> Result<Passage, SeamError> {
        self.gather()?;
        self.journal.sync()?;
        self.tell_synced();
        let lock = SessionLock::claim_new(&self.data, &self.header.vehicle, at)?;
        let carried: Vec<u64> = self.streams.iter().map(|s| s.unfinished as u64).collect();
        let header = Header {
            session: lock.session.clone(),
            start_us: at,
            run,
            follows: Some(self.lock.session.clone()),
            begins: self.streams.iter().map(|s| s.offset - s.unfinished as u64).collect(),
            ..self.header.clone()
        };
        let journal = self.begin_next(&lock, &header).inspect_err(|_| abandon(&lock))?;
        let end = EndMark { at_us: at, followed_by: Some(lock.session.clone()), carried };
        let mut old = std::mem::replace(&mut self.journal, journal);
        let old_lock = std::mem::replace(&mut self.lock, lock);
        self.header = header;
        let passage = Passage { ended: old_lock.session.clone(), began: self.lock.session.clone() };
        // Should this fail, the old session lacks its end mark: then it is sealed as interrupted, and is whole.
        let marked = old.append(&Record::End(end)).and_then(|()| old.sync());
        if let Err(error) = marked {
            tracing::warn!("session {}: {error}", old_lock.session);
        }
        drop(old);
        // Fails only when the sealing thread is gone; recovery will find the session.
        let _ = self.ended.send(old_lock);
        self.tell();
        Ok(passage)
    }

    fn begin_next(&self, lock: &SessionLock, header: &Header) -> Result<JournalWriter, JournalError> {
        let mut journal = JournalWriter::create(&lock.directory, header.clone())?;
        for (port, stream) in self.streams.iter().enumerate() {
            if let Some(question) = &stream.question {
                journal.append(&Record::Event(question.clone()))?;
            }
            if stream.unfinished == 0 {
                continue;
            }
            let offset = stream.offset - stream.unfinished as u64;
            let batch = Batch { port: port as u16, offset, chunks: stream.unfinished_chunks() };
            journal.append(&Record::Bytes(batch))?;
        }
        journal.sync()?;
        Ok(journal)
    }

    fn end(mut self, queue: &Queue) -> Result<(), JournalError> {
        self.gather()?;
        self.sync(queue)?;
        self.journal.append(&Record::End(EndMark::at(self.clock.now())))?;
        self.sync(queue)?;
        drop(self.journal);
        let _ = self.ended.send(self.lock);
        Ok(())
    }

    /// Tells the board that all that was taken is on the disk.
    fn tell_synced(&mut self) {
        self.board.journal_bytes.store(self.journal.synced(), Relaxed);
        self.board.synced(self.clock.now(), self.unsynced.drain(..));
    }

    /// Tells the board which session is being recorded.
    fn tell(&self) {
        let mut state = self.board.state();
        state.session.clone_from(&self.header.session);
        state.run = self.header.run.as_ref().map(|run| run.run.clone());
        state.since = Some(self.header.start_us);
        drop(state);
        self.show(None);
        tracing::info!("recording session {}", self.header.session);
    }

    /// Shows what is being recorded to whoever watches.
    fn show(&self, trouble: Option<String>) {
        let Some(feed) = &self.feed else { return };
        let header = &self.header;
        let run = header.run.as_ref().map(|sheet| RunNow {
            run: sheet.run.clone(),
            route: sheet.route.clone(),
            condition: sheet.condition,
            since_us: header.start_us,
        });
        let state = if trouble.is_some() { RecordingState::Paused } else { RecordingState::Recording };
        let (session, since_us, marks) = (header.session.clone(), header.start_us, self.marks);
        feed.offer(Input::Recording(Some(RecordingNow { session, since_us, state, trouble, run, marks })));
    }

    /// Shows the room on the disk now and then.
    fn show_disk(&mut self) {
        let Some(feed) = &self.feed else { return };
        if self.looked.is_some_and(|looked| looked.elapsed() < DISK_EVERY) {
            return;
        }
        self.looked = Some(Instant::now());
        let passed_s = self.clock.now().seconds_since(self.header.start_us).max(1.0);
        let rate = self.journal.synced() as f64 / passed_s;
        feed.offer(Input::Disk(free_bytes(&self.data).ok().map(|free| DiskNow::new(free, rate))));
    }

    fn show_event(&self, event: &Event) {
        let Some(feed) = &self.feed else { return };
        let shown = match &event.what {
            PortEvent::Opened | PortEvent::Reopened { .. } => view::PortEvent::Opened,
            PortEvent::Disconnected { reason } => view::PortEvent::Gone(reason.clone()),
            PortEvent::Dropped { messages, .. } => view::PortEvent::Dropped(*messages),
            PortEvent::Sent { hex } => match from_hex(hex) {
                Some(bytes) => view::PortEvent::Asked(bytes),
                None => return,
            },
            PortEvent::Remark { .. } => return,
        };
        feed.offer(Input::Event { port: usize::from(event.port), at: event.at_us, event: shown });
    }
}

/// A session in which the recording cannot go on.
#[derive(Debug, thiserror::Error)]
enum SeamError {
    #[error(transparent)]
    Journal(#[from] JournalError),
    #[error(transparent)]
    Session(#[from] SessionError),
}

/// Clears away what was begun of a session that never came to be. What stays is found by recovery.
fn abandon(lock: &SessionLock) {
    let _ = std::fs::remove_file(lock.directory.join(crate::journal::JOURNAL_FILE));
}

impl Stream {
    /// Keeps the chunks that hold the beginning of a message.
    fn keep_tail(&mut self, stamp: Timestamp, bytes: &[u8], unfinished: usize) {
        if unfinished <= bytes.len() {
            self.tail.clear();
            let bytes = bytes[bytes.len() - unfinished..].to_vec();
            self.tail_bytes = bytes.len();
            self.tail.extend((unfinished > 0).then_some(Chunk { stamp, bytes }));
        } else {
            self.tail.push_back(Chunk { stamp, bytes: bytes.to_vec() });
            self.tail_bytes += bytes.len();
            while let Some(first) = self.tail.front()
                && self.tail_bytes - first.bytes.len() >= unfinished
            {
                self.tail_bytes -= first.bytes.len();
                self.tail.pop_front();
            }
        }
        if unfinished == 0 {
            self.question = None;
        }
        // After a loss a framer may wait for bytes that never got here.
        self.unfinished = unfinished.min(self.tail_bytes);
    }

    fn unfinished_chunks(&self) -> Vec<Chunk> {
        let mut skip = self.tail_bytes - self.unfinished;
        let mut chunks = Vec::new();
        for chunk in &self.tail {
            let from = skip.min(chunk.bytes.len());
            skip -= from;
            if from < chunk.bytes.len() {
                chunks.push(Chunk { stamp: chunk.stamp, bytes: chunk.bytes[from..].to_vec() });
            }
        }
        chunks
    }
}
