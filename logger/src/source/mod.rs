//! The edge to the ports, the only place with an asynchronous runtime.
//!
//! One current-thread runtime runs on the reading thread, a task for each port. A task stamps what it reads on arrival
//! and hands it to the writing thread through a bounded queue; it never waits for the disk. When the queue is full the
//! bytes are dropped and counted, and the journal says so. A device that goes away is looked for until it is back.

mod adapter;
mod backoff;
mod board;
#[cfg(feature = "socketcan")]
mod can_interface;
mod clock;
mod device;
mod opened;
mod outlet;
mod pace;
mod port;
mod port_lock;
mod queue;
mod stable_name;
mod status;
mod sync_times;
mod talk;
#[cfg(test)]
mod tests;
mod writer;

pub(crate) use board::{Board, Status};
pub(crate) use clock::SessionClock;
pub(crate) use device::{Device, Stream};
pub use device::{DeviceError, OpenError};
pub use opened::ClaimError;
pub(crate) use opened::Claimed;
pub(crate) use port::Target;
pub use port_lock::LockError;
#[cfg(test)]
pub(crate) use queue::Queue;
pub(crate) use queue::{Passage, Seam, Sender, ToJournal, queue};
pub(crate) use talk::Talk;
pub(crate) use writer::Writer;

use std::{io, rc::Rc, sync::Arc, time::Duration};

use tallywheel_schemas::Rig;
use tokio::{
    signal::unix::{Signal, SignalKind, signal},
    sync::watch,
    task::LocalSet,
};

use crate::journal::{Note, SessionNote};
use clock::StepWatch;
use outlet::Outlet;
use pace::Pace;
use port::Ear;
use status::StatusLine;

/// A port to be listened to.
pub(crate) struct Listened {
    /// What and where.
    pub(crate) target: Target,
    /// How its device is opened again.
    pub(crate) opener: Claimed,
    /// Its stream, when it is open already.
    pub(crate) stream: Option<Stream>,
}

/// When a recording ends, and when it goes on in a new session.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Schedule {
    /// End after so long.
    pub(crate) length: Option<Duration>,
    /// A new session every so often.
    pub(crate) rotate: Option<Duration>,
}

/// Listens to every port until it is time to end.
///
/// # Errors
/// When the system's signals cannot be waited for.
pub(crate) fn listen(
    runtime: &tokio::runtime::Runtime,
    rig: &Rig,
    ports: Vec<Listened>,
    sender: &Sender,
    clock: SessionClock,
    board: &Arc<Board>,
    schedule: Schedule,
) -> io::Result<()> {
    LocalSet::new().block_on(runtime, async {
        let mut signals = Signals::new()?;
        let (stop, stopped) = watch::channel(false);
        let status = Rc::new(StatusLine::new(Arc::clone(board), clock));
        let pace = Rc::new(Pace::new(port::shortest_pause(&rig.ports)));
        let keeper = Rc::clone(&pace);
        let keeper = tokio::task::spawn_local(async move { keeper.keep().await });
        let mut tasks = Vec::new();
        for Listened { target, opener, stream } in ports {
            let index = usize::from(target.index);
            let counters = Arc::clone(&board.counters[index]);
            let say = Rc::clone(&status);
            let ear = Ear {
                outlet: Outlet::new(&target, sender.clone(), clock, counters),
                talk: Talk::new(rig, index),
                stop: stopped.clone(),
                pace: Rc::clone(&pace),
                say: Box::new(move |text| say.say(text)),
            };
            tasks.push(tokio::task::spawn_local(port::run(target, opener, stream, ear)));
        }
        watch_over(&mut signals, sender, clock, schedule, &status).await;
        sender.shared().end();
        // A port whose task is over already does not listen any more.
        let _ = stop.send(true);
        for task in tasks {
            if let Err(error) = task.await {
                status.say(&format!("a port's reader failed: {error}"));
            }
        }
        keeper.abort();
        // Fails only when the writing thread is gone, whose own error is told.
        let _ = sender.send(ToJournal::End);
        status.end();
        Ok(())
    })
}

/// Until it is time to end: shows how it goes, watches the system's clock, and begins new sessions.
async fn watch_over(
    signals: &mut Signals,
    sender: &Sender,
    clock: SessionClock,
    schedule: Schedule,
    status: &StatusLine,
) {
    let mut steps = StepWatch::new(clock);
    let mut tick = tokio::time::interval(Duration::from_millis(500));
    let end = schedule.length.map(|length| tokio::time::Instant::now() + length);
    let mut seam = schedule.rotate.map(|every| tokio::time::Instant::now() + every);
    loop {
        tokio::select! {
            why = signals.any() => match why {
                Some(why) => { status.say(&format!("{why}: ending the session")); return }
                None => status.say("a recording is not suspended, for that would lose data; Ctrl-C ends it"),
            },
            () = until(end) => return,
            () = until(seam) => {
                seam = schedule.rotate.map(|every| tokio::time::Instant::now() + every);
                // While the disk takes nothing there is no other session to go on in.
                if !sender.shared().disk_is_stopped() {
                    let _ = sender.send(ToJournal::Seam(Seam { at: clock.now(), run: None, reply: None }));
                }
            }
            _ = tick.tick() => {
                if let Some(by_us) = steps.look() {
                    status.say(&format!("the system's clock was set by {:+.3} s; stamps go on evenly", by_us as f64 / 1e6));
                    let note = Note { at_us: clock.now(), what: SessionNote::ClockStepped { by_us } };
                    let _ = sender.send(ToJournal::Note(note));
                }
                if sender.shared().has_no_writer() {
                    status.say("the writing thread is gone, and with it what would be recorded: ending");
                    return;
                }
                status.update();
            }
        }
    }
}

async fn until(end: Option<tokio::time::Instant>) {
    match end {
        Some(end) => tokio::time::sleep_until(end).await,
        None => std::future::pending().await,
    }
}

/// The ways in which a person or the system asks the program to end.
struct Signals {
    interrupt: Signal,
    terminate: Signal,
    hang_up: Signal,
    suspend: Signal,
}

impl Signals {
    fn new() -> io::Result<Self> {
        Ok(Self {
            interrupt: signal(SignalKind::interrupt())?,
            terminate: signal(SignalKind::terminate())?,
            hang_up: signal(SignalKind::hangup())?,
            suspend: signal(SignalKind::from_raw(nix::libc::SIGTSTP))?,
        })
    }

    /// Why the program is to end; `None` when somebody typed Ctrl-Z beside the Ctrl-C.
    async fn any(&mut self) -> Option<&'static str> {
        tokio::select! {
            _ = self.interrupt.recv() => Some("interrupted"),
            _ = self.terminate.recv() => Some("terminated"),
            _ = self.hang_up.recv() => Some("terminal closed"),
            _ = self.suspend.recv() => None,
        }
    }
}
