//! From a port's task to the writing thread, without ever waiting for it.

use std::sync::{
    Arc,
    atomic::{AtomicU64, Ordering::Relaxed},
    mpsc::{SyncSender, TrySendError},
};

use super::{SessionClock, Target, ToJournal};
use crate::{
    framing::Framer,
    journal::{Event, PortEvent},
    message::Message,
};

/// Live counters of one port, for the status line.
#[derive(Debug)]
pub(super) struct Counters {
    pub(super) port: String,
    pub(super) messages: AtomicU64,
    pub(super) bad: AtomicU64,
    pub(super) dropped: AtomicU64,
}

impl Counters {
    pub(super) fn new(port: &str) -> Self {
        let zero = AtomicU64::default;
        Self { port: port.to_owned(), messages: zero(), bad: zero(), dropped: zero() }
    }
}

/// The writing thread is gone: the disk is full or broken.
#[derive(Debug)]
pub(super) struct WriterGone;

/// Where a port's task puts what it reads.
#[derive(Debug)]
pub(super) struct Outlet {
    port: u16,
    sender: SyncSender<ToJournal>,
    clock: SessionClock,
    offset: u64,
    /// Counts messages as they pass; what is sealed is framed again from the journal.
    framer: Framer,
    counters: Arc<Counters>,
    lost_messages: u64,
    lost_bytes: u64,
}

impl Outlet {
    pub(super) fn new(
        target: &Target,
        sender: SyncSender<ToJournal>,
        clock: SessionClock,
        counters: Arc<Counters>,
    ) -> Self {
        let mut framer = Framer::new(&target.port);
        framer.begin_inside();
        Self { port: target.index, sender, clock, offset: 0, framer, counters, lost_messages: 0, lost_bytes: 0 }
    }

    /// Puts bytes that just arrived.
    pub(super) fn bytes(&mut self, bytes: &[u8]) -> Result<(), WriterGone> {
        let stamp = self.clock.now();
        let messages = self.count(bytes);
        let offset = self.offset;
        self.offset += bytes.len() as u64;
        if self.lost_bytes > 0 && !self.try_send(self.loss())? {
            self.lose(messages, bytes.len());
            return Ok(());
        }
        (self.lost_messages, self.lost_bytes) = (0, 0);
        let chunk = ToJournal::Bytes { port: self.port, stamp, offset, bytes: bytes.to_vec() };
        if !self.try_send(chunk)? {
            self.lose(messages, bytes.len());
        }
        Ok(())
    }

    /// Puts something that happened. It is rare and must not be lost, so this one may wait.
    pub(super) fn event(&mut self, what: PortEvent) -> Result<(), WriterGone> {
        let event = Event { port: self.port, at_us: self.clock.now(), what };
        self.sender.send(ToJournal::Event(event)).map_err(|_| WriterGone)
    }

    /// Tells of losses that are not told of yet.
    pub(super) fn finish(&mut self) -> Result<(), WriterGone> {
        if self.lost_bytes == 0 {
            return Ok(());
        }
        self.sender.send(self.loss()).map_err(|_| WriterGone)
    }

    fn loss(&self) -> ToJournal {
        let what = PortEvent::Dropped { messages: self.lost_messages, bytes: self.lost_bytes };
        ToJournal::Event(Event { port: self.port, at_us: self.clock.now(), what })
    }

    fn lose(&mut self, messages: u64, bytes: usize) {
        self.lost_messages += messages;
        self.lost_bytes += bytes as u64;
        self.counters.dropped.fetch_add(messages, Relaxed);
    }

    /// False when the queue is full.
    fn try_send(&self, message: ToJournal) -> Result<bool, WriterGone> {
        match self.sender.try_send(message) {
            Ok(()) => Ok(true),
            Err(TrySendError::Full(_)) => Ok(false),
            Err(TrySendError::Disconnected(_)) => Err(WriterGone),
        }
    }

    fn count(&mut self, bytes: &[u8]) -> u64 {
        self.framer.received(bytes);
        let mut messages = 0;
        while let Some(framed) = self.framer.next() {
            messages += 1;
            self.counters.bad.fetch_add(u64::from(matches!(framed.message, Message::Bad(_))), Relaxed);
        }
        self.counters.messages.fetch_add(messages, Relaxed);
        messages
    }
}
