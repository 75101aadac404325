//! From the reading side to the view: copies through a bounded queue, left out when the view does not keep up.

use std::{
    sync::{
        Arc,
        atomic::{AtomicU64, Ordering},
        mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel},
    },
    time::{Duration, Instant},
};

use tallywheel_schemas::Timestamp;

use super::{DiskNow, PortEvent, RecordingNow, Snapshot, View};

/// Pieces that may wait for the view. At 2 KiB each at most this bounds its memory to 8 MiB.
const QUEUE: usize = 4096;

/// Something for the view.
#[derive(Debug, Clone)]
pub enum Input {
    /// Bytes of a port.
    Bytes {
        /// Index in the rig.
        port: usize,
        /// Arrival.
        at: Timestamp,
        /// The bytes.
        bytes: Vec<u8>,
    },
    /// What else happened to a port.
    Event {
        /// Index in the rig.
        port: usize,
        /// When.
        at: Timestamp,
        /// What.
        event: PortEvent,
    },
    /// What is being recorded from now on.
    Recording(Option<RecordingNow>),
    /// Room on the disk from now on.
    Disk(Option<DiskNow>),
}

/// The reading side's end. It never waits.
#[derive(Debug, Clone)]
pub struct Feed {
    sender: SyncSender<Input>,
    left_out: Arc<AtomicU64>,
}

impl Feed {
    /// Hands something over, or leaves it out: the view may miss something, the recording does not.
    pub fn offer(&self, input: Input) {
        if self.sender.try_send(input).is_err() {
            self.left_out.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// Pieces that were left out so far.
    pub fn left_out(&self) -> u64 {
        self.left_out.load(Ordering::Relaxed)
    }
}

/// Both ends of a queue to a view.
pub fn feed() -> (Feed, Receiver<Input>) {
    let (sender, receiver) = sync_channel(QUEUE);
    (Feed { sender, left_out: Arc::new(AtomicU64::new(0)) }, receiver)
}

/// Feeds a view until every [`Feed`] is gone, and shows a snapshot every so often, and a last one.
pub fn watch(
    view: &mut View,
    inputs: &Receiver<Input>,
    every: Duration,
    mut now: impl FnMut() -> Timestamp,
    mut show: impl FnMut(Snapshot),
) {
    let mut due = Instant::now() + every;
    loop {
        match inputs.recv_timeout(due.saturating_duration_since(Instant::now())) {
            Ok(input) => view.take(input),
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => break,
        }
        if Instant::now() >= due {
            show(view.snapshot(now()));
            due = Instant::now() + every;
        }
    }
    show(view.snapshot(now()));
}

impl View {
    /// Takes whatever came through a [`Feed`].
    pub fn take(&mut self, input: Input) {
        match input {
            Input::Bytes { port, at, bytes } => self.bytes(port, at, &bytes),
            Input::Event { port, at, event } => self.port_event(port, at, event),
            Input::Recording(recording) => self.set_recording(recording),
            Input::Disk(disk) => self.set_disk(disk),
        }
    }
}
