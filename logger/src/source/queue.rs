//! From the ports to the writing thread: a queue with room for so many bytes.
//!
//! Only captured bytes count against the room and may find none; the rare rest always gets through. So the reading
//! thread never waits for the disk, and what it could not hand over it can say.

use std::sync::{
    Arc,
    atomic::{AtomicBool, AtomicUsize, Ordering::Relaxed},
    mpsc,
};

use tallywheel_schemas::{RunSheet, Timestamp};

use crate::{
    check::{Arrival, News},
    journal::{Event, Note, PortEvent, from_hex},
};

/// Bytes that may wait for the disk, the queue's own cost included. At 620 frames a second this is several minutes.
const ROOM: usize = 8 << 20;
/// With no more than this waiting, a stop of the disk is over.
const CAUGHT_UP: usize = 64 << 10;
/// What a waiting chunk costs beside its bytes.
const CHUNK_COST: usize = 96;

/// What is handed over.
#[derive(Debug)]
pub(crate) enum ToJournal {
    /// Bytes that arrived together.
    Bytes(Arrived),
    /// Something that happened to a port.
    Event(Event),
    /// Something that concerns the session.
    Note(Note),
    /// The recording is to go on in a new session.
    Seam(Seam),
    /// Nothing more will come from any port.
    End,
}

/// Bytes that arrived together on a port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Arrived {
    /// Index in the rig.
    pub(crate) port: u16,
    /// Arrival.
    pub(crate) stamp: Timestamp,
    /// Place in the port's stream.
    pub(crate) offset: u64,
    /// The bytes.
    pub(crate) bytes: Vec<u8>,
    /// Bytes at the end of the stream so far that are the beginning of a message.
    pub(crate) unfinished: usize,
}

/// A wish that the recording goes on in a new session.
#[derive(Debug)]
pub(crate) struct Seam {
    /// From when.
    pub(crate) at: Timestamp,
    /// Run sheet of the new session.
    pub(crate) run: Option<RunSheet>,
    /// Who is told how it went: the names of the session that ended and the one that began.
    pub(crate) reply: Option<mpsc::Sender<Result<Passage, String>>>,
}

/// From one session to the next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Passage {
    /// The session that ended.
    pub(crate) ended: String,
    /// The session that began.
    pub(crate) began: String,
}

/// The writing thread is gone.
#[derive(Debug)]
pub(crate) struct WriterGone;

/// What both ends know.
#[derive(Debug, Default)]
pub(crate) struct Shared {
    queued: AtomicUsize,
    disk_stopped: AtomicBool,
    /// The disk takes data again, and what piled up meanwhile is being written.
    catching_up: AtomicBool,
    ending: AtomicBool,
    /// The writing thread is gone, so that nothing that arrives is kept.
    writer_gone: AtomicBool,
}

impl Shared {
    /// Whether the disk takes nothing at the moment, or has yet to catch up with what piled up meanwhile.
    pub(crate) fn disk_is_stopped(&self) -> bool {
        self.disk_stopped.load(Relaxed)
    }

    pub(crate) fn disk_stops(&self) {
        self.catching_up.store(false, Relaxed);
        self.disk_stopped.store(true, Relaxed);
    }

    /// The disk takes data again. It counts as stopped until what piled up meanwhile is taken: what finds no room
    /// until then is lost to the stop, not to a disk that is too slow.
    pub(crate) fn disk_resumes(&self) {
        self.catching_up.store(true, Relaxed);
        self.caught_up(self.queued.load(Relaxed));
    }

    fn caught_up(&self, queued: usize) {
        if queued <= CAUGHT_UP && self.catching_up.swap(false, Relaxed) {
            self.disk_stopped.store(false, Relaxed);
        }
    }

    /// Whether the recording is about to end, so that nothing may wait for ever.
    pub(crate) fn is_ending(&self) -> bool {
        self.ending.load(Relaxed)
    }

    /// Whether the writing thread is gone.
    pub(crate) fn has_no_writer(&self) -> bool {
        self.writer_gone.load(Relaxed)
    }

    pub(crate) fn end(&self) {
        self.ending.store(true, Relaxed);
    }
}

/// The ports' end.
#[derive(Debug, Clone)]
pub(crate) struct Sender {
    sender: mpsc::Sender<ToJournal>,
    shared: Arc<Shared>,
    room: usize,
}

/// The writing thread's end.
#[derive(Debug)]
pub(crate) struct Queue {
    pub(crate) receiver: mpsc::Receiver<ToJournal>,
    pub(crate) shared: Arc<Shared>,
}

/// A queue.
pub(crate) fn queue() -> (Sender, Queue) {
    queue_with_room(ROOM)
}

pub(crate) fn queue_with_room(room: usize) -> (Sender, Queue) {
    let (sender, receiver) = mpsc::channel();
    let shared = Arc::new(Shared::default());
    (Sender { sender, shared: Arc::clone(&shared), room }, Queue { receiver, shared })
}

impl Drop for Queue {
    fn drop(&mut self) {
        self.shared.writer_gone.store(true, Relaxed);
    }
}

impl Sender {
    /// Whether bytes can be handed over.
    pub(super) fn has_room(&self, arrived: &Arrived) -> bool {
        self.shared.queued.load(Relaxed) + cost(arrived) <= self.room
    }

    /// Hands bytes over, for which there is room.
    pub(super) fn bytes(&self, arrived: Arrived) -> Result<(), WriterGone> {
        self.shared.queued.fetch_add(cost(&arrived), Relaxed);
        self.send(ToJournal::Bytes(arrived))
    }

    /// Hands over anything else.
    pub(crate) fn send(&self, message: ToJournal) -> Result<(), WriterGone> {
        self.sender.send(message).map_err(|_| WriterGone)
    }

    pub(crate) fn shared(&self) -> &Arc<Shared> {
        &self.shared
    }
}

impl Queue {
    /// Hands on what arrives to somebody who only watches, until the ports have ended.
    pub(crate) fn forward(&self, arrivals: &mpsc::Sender<Arrival>) {
        for message in &self.receiver {
            self.taken(&message);
            let arrival = match message {
                ToJournal::Bytes(arrived) => (usize::from(arrived.port), arrived.stamp, News::Bytes(arrived.bytes)),
                ToJournal::Event(event) => match news(event.what) {
                    Some(news) => (usize::from(event.port), event.at_us, news),
                    None => continue,
                },
                ToJournal::Note(_) | ToJournal::Seam(_) => continue,
                ToJournal::End => return,
            };
            // A watcher that has seen enough is no reason to stop the ports.
            let _ = arrivals.send(arrival);
        }
    }

    /// Frees the room of what was taken.
    pub(super) fn taken(&self, message: &ToJournal) {
        if let ToJournal::Bytes(arrived) = message {
            let cost = cost(arrived);
            let queued = self.shared.queued.fetch_sub(cost, Relaxed) - cost;
            self.shared.caught_up(queued);
        }
    }
}

/// What a watcher has to know of an event.
fn news(event: PortEvent) -> Option<News> {
    match event {
        PortEvent::Disconnected { reason } => Some(News::Gone(reason)),
        PortEvent::Sent { hex } => from_hex(&hex).map(News::Asked),
        PortEvent::Opened | PortEvent::Reopened { .. } | PortEvent::Dropped { .. } | PortEvent::Remark { .. } => None,
    }
}

fn cost(arrived: &Arrived) -> usize {
    arrived.bytes.len() + CHUNK_COST
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stop_lasts_until_what_piled_up_is_taken() {
        let (sender, queue) = queue();
        let arrived =
            Arrived { port: 0, stamp: Timestamp::from_us(0), offset: 0, bytes: vec![0; 40_000], unfinished: 0 };
        for _ in 0..3 {
            sender.bytes(arrived.clone()).expect("the queue is open");
        }
        queue.shared.disk_stops();
        queue.shared.disk_resumes();
        let stopped = queue.receiver.try_iter().map(|message| {
            let before = queue.shared.disk_is_stopped();
            queue.taken(&message);
            before
        });
        assert_eq!(stopped.collect::<Vec<_>>(), [true, true, false]);
        // With nothing piled up it is over at once.
        queue.shared.disk_stops();
        queue.shared.disk_resumes();
        assert!(!queue.shared.disk_is_stopped());
    }
}
