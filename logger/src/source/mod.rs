//! The edge to the serial ports, the only place with an asynchronous runtime.
//!
//! One current-thread runtime runs on the reading thread, a task for each port. A task stamps what it reads on arrival
//! and hands it to the writing thread through a bounded queue; it never waits for the disk. When the queue is full the
//! bytes are dropped and counted, and the journal says so.

mod adapter;
mod clock;
mod outlet;
mod port;
mod status;
#[cfg(test)]
mod tests;
mod writer;

pub(crate) use clock::SessionClock;
pub use port::OpenError;
pub(crate) use port::{OpenPort, Target, open};
pub(crate) use writer::{ToJournal, write_journal};

use std::{
    io,
    sync::{Arc, mpsc::SyncSender},
    time::Duration,
};

use tokio::{
    signal::unix::{Signal, SignalKind, signal},
    sync::watch,
    task::JoinSet,
};

use outlet::{Counters, Outlet};
use status::StatusLine;

/// Listens to every port until it is time to end.
///
/// # Errors
/// When the system's signals cannot be waited for.
pub(crate) async fn listen(
    ports: Vec<OpenPort>,
    sender: SyncSender<ToJournal>,
    clock: SessionClock,
    length: Option<Duration>,
) -> io::Result<()> {
    let mut signals = Signals::new()?;
    let (stop, stopped) = watch::channel(false);
    let counters: Vec<Arc<Counters>> = ports.iter().map(|p| Arc::new(Counters::new(&p.target.port.name))).collect();
    let mut tasks = JoinSet::new();
    for (port, counters) in ports.into_iter().zip(&counters) {
        let outlet = Outlet::new(&port.target, sender.clone(), clock, Arc::clone(counters));
        tasks.spawn(port::run(port.stream, port.target, outlet, stopped.clone()));
    }
    drop(sender);
    let mut status = StatusLine::new(counters, clock);
    let mut tick = tokio::time::interval(Duration::from_millis(500));
    let end = length.map(|length| tokio::time::Instant::now() + length);
    loop {
        tokio::select! {
            why = signals.any() => { status.say(&format!("{why}: ending the session")); break }
            () = until(end) => break,
            ended = tasks.join_next() => match ended {
                Some(Ok(Some(message))) => status.say(&message),
                Some(Ok(None)) => {}
                Some(Err(error)) => status.say(&format!("a port's reader failed: {error}")),
                None => { status.say("no port is listened to any more: ending the session"); break }
            },
            _ = tick.tick() => status.update(),
        }
    }
    // A port whose task is over already does not listen any more.
    let _ = stop.send(true);
    while tasks.join_next().await.is_some() {}
    status.end();
    Ok(())
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
}

impl Signals {
    fn new() -> io::Result<Self> {
        Ok(Self {
            interrupt: signal(SignalKind::interrupt())?,
            terminate: signal(SignalKind::terminate())?,
            hang_up: signal(SignalKind::hangup())?,
        })
    }

    async fn any(&mut self) -> &'static str {
        tokio::select! {
            _ = self.interrupt.recv() => "interrupted",
            _ = self.terminate.recv() => "terminated",
            _ = self.hang_up.recv() => "terminal closed",
        }
    }
}
