//! From a port's task to the writing thread, without ever waiting for it.

use std::sync::{Arc, atomic::Ordering::Relaxed};

use tallywheel_schemas::Timestamp;

use super::{
    SessionClock, Target,
    board::Counters,
    queue::{Arrived, Sender, ToJournal, WriterGone},
};
use crate::{
    framing::Framer,
    journal::{Event, PortEvent},
    message::{Framed, Message},
};

/// Where a port's task puts what it reads.
#[derive(Debug)]
pub(super) struct Outlet {
    port: u16,
    sender: Sender,
    clock: SessionClock,
    offset: u64,
    /// Counts messages as they pass; what is sealed is framed again from the journal.
    framer: Framer,
    counters: Arc<Counters>,
    lost_messages: u64,
    lost_bytes: u64,
}

impl Outlet {
    pub(super) fn new(target: &Target, sender: Sender, clock: SessionClock, counters: Arc<Counters>) -> Self {
        let mut framer = Framer::new(&target.port);
        framer.begin_inside();
        Self { port: target.index, sender, clock, offset: 0, framer, counters, lost_messages: 0, lost_bytes: 0 }
    }

    /// Puts bytes that just arrived; gives each of their messages to `heard`.
    pub(super) fn bytes(&mut self, bytes: &[u8], heard: &mut dyn FnMut(&Framed)) -> Result<(), WriterGone> {
        let stamp = self.clock.now();
        let messages = self.count(bytes, heard);
        self.counters.last_us.store(stamp.as_us(), Relaxed);
        let offset = self.offset;
        self.offset += bytes.len() as u64;
        let unfinished = self.framer.waiting();
        let arrived = Arrived { port: self.port, stamp, offset, bytes: bytes.to_vec(), unfinished };
        if !self.sender.has_room(&arrived) {
            self.lose(messages, bytes.len());
            return Ok(());
        }
        // A loss comes first, and not later than what ends it, so that it stands where it happened.
        self.tell_loss(stamp)?;
        self.sender.bytes(arrived)
    }

    /// Puts something that happened.
    pub(super) fn event(&mut self, what: PortEvent) -> Result<(), WriterGone> {
        // What was lost before it happened stands before it.
        self.finish()?;
        self.sender.send(ToJournal::Event(Event { port: self.port, at_us: self.clock.now(), what }))
    }

    /// Says what was sent to the device, by which answers are told.
    pub(super) fn sent(&mut self, bytes: &[u8], heard: &mut dyn FnMut(&Framed)) {
        self.framer.sent(bytes);
        self.count(&[], heard);
    }

    /// Says that the stream breaks off here and goes on from another beginning of the device's.
    pub(super) fn broke_off(&mut self) {
        self.framer.jump(self.offset);
        while self.framer.next().is_some() {}
    }

    /// Tells of losses that are not told of yet.
    pub(super) fn finish(&mut self) -> Result<(), WriterGone> {
        self.tell_loss(self.clock.now())
    }

    fn tell_loss(&mut self, at_us: Timestamp) -> Result<(), WriterGone> {
        if self.lost_bytes == 0 {
            return Ok(());
        }
        let what = PortEvent::Dropped {
            messages: self.lost_messages,
            bytes: self.lost_bytes,
            disk_stopped: self.counters.lost_to_disk.load(Relaxed),
        };
        self.sender.send(ToJournal::Event(Event { port: self.port, at_us, what }))?;
        (self.lost_messages, self.lost_bytes) = (0, 0);
        Ok(())
    }

    pub(super) fn counters(&self) -> &Counters {
        &self.counters
    }

    pub(super) fn now(&self) -> Timestamp {
        self.clock.now()
    }

    fn lose(&mut self, messages: u64, bytes: usize) {
        if self.lost_bytes == 0 {
            self.counters.lost_to_disk.store(self.sender.shared().disk_is_stopped(), Relaxed);
        }
        self.lost_messages += messages;
        self.lost_bytes += bytes as u64;
        self.counters.dropped.fetch_add(messages, Relaxed);
    }

    fn count(&mut self, bytes: &[u8], heard: &mut dyn FnMut(&Framed)) -> u64 {
        self.framer.received(bytes);
        let mut messages = 0;
        while let Some(framed) = self.framer.next() {
            messages += 1;
            match &framed.message {
                Message::Bad(_) => {
                    self.counters.bad.fetch_add(1, Relaxed);
                }
                Message::Status(status) if status.is_overrun() => {
                    self.counters.overruns.fetch_add(1, Relaxed);
                }
                _ => {}
            }
            heard(&framed);
        }
        self.counters.messages.fetch_add(messages, Relaxed);
        messages
    }
}
