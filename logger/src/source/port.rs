//! One port: opened, listened to, found again when its device was gone, closed.

use std::{
    io,
    rc::Rc,
    sync::atomic::Ordering::Relaxed,
    time::{Duration, Instant},
};

use tallywheel_schemas::{
    Timestamp,
    rig::{Port, PortKind},
};
use tokio::{
    io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt},
    sync::watch,
    time::{sleep, timeout},
};

use super::{
    adapter,
    backoff::Backoff,
    outlet::Outlet,
    pace::Pace,
    talk::{Talk, hex},
};
use crate::journal::PortEvent;

/// Bytes of one read. More than the kernel keeps for a serial line.
const READ: usize = 8192;
/// A read that gave more than this means that there is more to come at once.
const BACKLOG: usize = 3072;
/// Time between reads of an adapter that stamps its frames. The kernel keeps about 19 ms of a full bus, and waking up
/// for every frame would cost more than all the rest.
const PAUSE_STAMPED: Duration = Duration::from_millis(8);
/// Time between reads of an adapter whose frames are stamped on arrival.
const PAUSE_UNSTAMPED: Duration = Duration::from_millis(1);
/// How long an adapter may take to swallow a few bytes.
const COMMAND_TIMEOUT: Duration = Duration::from_millis(500);
/// What is still in the kernel when a recording ends arrives at once.
const LAST_READ: Duration = Duration::from_millis(2);

/// A port of the rig and the device that it is on.
#[derive(Debug, Clone)]
pub(crate) struct Target {
    /// Index in the rig.
    pub(crate) index: u16,
    /// As the rig describes it.
    pub(crate) port: Port,
    /// The device by its name, for people.
    pub(crate) device: String,
}

/// How a port's device is opened, the first time and again.
pub(crate) trait Opener {
    /// What is read from and written to.
    type Stream: AsyncRead + AsyncWrite + Unpin;

    /// Opens the device; says where it was found.
    fn open(&mut self) -> impl Future<Output = Result<(Self::Stream, String), String>>;

    /// Says that the device is gone, so that nothing of it is held any longer.
    fn gone(&mut self) {}
}

/// What a port is listened to with.
pub(super) struct Ear {
    pub(super) outlet: Outlet,
    pub(super) talk: Talk,
    pub(super) stop: watch::Receiver<bool>,
    pub(super) pace: Rc<Pace>,
    pub(super) say: Box<dyn Fn(&str)>,
}

/// Listens to a port until told to stop; `first` is the stream when the device is open already.
pub(super) async fn run<O: Opener>(target: Target, mut opener: O, mut first: Option<O::Stream>, mut ear: Ear) {
    let mut backoff = Backoff::new();
    let mut was_open = first.is_some();
    loop {
        let (mut stream, again) = match first.take() {
            Some(stream) => (stream, None),
            None => match reopen(&mut opener, &mut backoff, &mut ear, &target, was_open).await {
                Some((stream, device)) => (stream, Some(device)),
                None => break,
            },
        };
        let end = session(&target, &mut stream, again, &mut ear).await;
        was_open = true;
        match end {
            End::Stopped => break,
            End::Gone { reason, heard } => {
                // Its number may belong to another device as soon as it is closed.
                opener.gone();
                drop(stream);
                if heard {
                    backoff = Backoff::new();
                }
                let name = &target.port.name;
                (ear.say)(&format!("port `{name}` on {} is gone: {reason}; looking for it", target.device));
                ear.outlet.counters().listening.store(false, Relaxed);
                if ear.outlet.event(PortEvent::Disconnected { reason }).is_err() {
                    break;
                }
            }
        }
    }
    ear.outlet.counters().listening.store(false, Relaxed);
    // Fails only when the writing thread is gone, whose own error is told.
    let _ = ear.outlet.finish();
}

/// Tries until the device opens, or it is time to stop.
async fn reopen<O: Opener>(
    opener: &mut O,
    backoff: &mut Backoff,
    ear: &mut Ear,
    target: &Target,
    was_open: bool,
) -> Option<(O::Stream, String)> {
    let mut told = was_open;
    loop {
        let wait = if told { backoff.wait() } else { Duration::ZERO };
        tokio::select! {
            biased;
            _ = ear.stop.changed() => return None,
            () = sleep(wait) => {}
        }
        match opener.open().await {
            Ok(opened) => return Some(opened),
            Err(reason) if !told => {
                told = true;
                (ear.say)(&format!("port `{}`: {reason}; looking for it", target.port.name));
                ear.outlet.event(PortEvent::Disconnected { reason }).ok()?;
            }
            Err(_) => {}
        }
    }
}

/// Why reading ended.
enum End {
    Stopped,
    Gone { reason: String, heard: bool },
}

/// From opening to closing.
async fn session<S: AsyncRead + AsyncWrite + Unpin>(
    target: &Target,
    stream: &mut S,
    again: Option<String>,
    ear: &mut Ear,
) -> End {
    let event = match again {
        None => PortEvent::Opened,
        Some(device) => {
            ear.outlet.broke_off();
            ear.outlet.counters().reconnections.fetch_add(1, Relaxed);
            (ear.say)(&format!("port `{}` is back on {device}", target.port.name));
            PortEvent::Reopened { device }
        }
    };
    if ear.outlet.event(event).is_err() {
        return End::Stopped;
    }
    command(stream, &adapter::opening(&target.port)).await;
    ear.outlet.counters().listening.store(true, Relaxed);
    let end = converse(&target.port, stream, ear).await;
    if matches!(end, End::Stopped) {
        drain(stream, ear).await;
        command(stream, adapter::closing(&target.port)).await;
    }
    end
}

/// Reads, and says what is due to be said.
async fn converse<S: AsyncRead + AsyncWrite + Unpin>(port: &Port, stream: &mut S, ear: &mut Ear) -> End {
    let mut buffer = vec![0; READ];
    let pause = pause(port);
    let mut heard = false;
    let mut due_by: Option<Instant> = None;
    loop {
        if let Some(due_by) = due_by.take() {
            let stall_us = u64::try_from(due_by.elapsed().as_micros()).unwrap_or(u64::MAX);
            ear.outlet.counters().longest_stall_us.fetch_max(stall_us, Relaxed);
        }
        let read = tokio::select! {
            biased;
            _ = ear.stop.changed() => return End::Stopped,
            read = stream.read(&mut buffer) => Some(read),
            () = due(&ear.talk, ear.outlet.now()) => None,
        };
        match read {
            // A serial port never ends by itself: no bytes means that the device was unplugged.
            Some(Ok(0)) => return End::Gone { reason: "the device was disconnected".to_owned(), heard },
            Some(Ok(n)) => {
                heard = true;
                let pause = pause.filter(|_| n < BACKLOG);
                due_by = Some(Instant::now() + pause.unwrap_or_default());
                if take(ear, &buffer[..n]).is_err() {
                    return End::Stopped;
                }
                if pause.is_some() {
                    tokio::select! {
                        biased;
                        _ = ear.stop.changed() => return End::Stopped,
                        () = ear.pace.rest() => {}
                    }
                }
            }
            Some(Err(e)) if e.kind() == io::ErrorKind::Interrupted => {}
            Some(Err(e)) => return End::Gone { reason: e.to_string(), heard },
            None => {}
        }
        if speak(stream, ear).await.is_err() {
            return End::Stopped;
        }
    }
}

/// The pause that suits every port: the frames of a CAN interface are stamped on arrival as well. What comes as text
/// has the delay of its instrument anyway.
pub(super) fn shortest_pause(ports: &[Port]) -> Duration {
    let suits = |port: &Port| if port.kind == PortKind::Can { Some(PAUSE_UNSTAMPED) } else { pause(port) };
    ports.iter().filter_map(suits).min().unwrap_or(PAUSE_STAMPED)
}

/// The pause between two reads that a port allows; `None` where every byte is to be stamped as it arrives.
fn pause(port: &Port) -> Option<Duration> {
    match port.kind {
        PortKind::Slcan if port.device_time => Some(PAUSE_STAMPED),
        PortKind::Slcan => Some(PAUSE_UNSTAMPED),
        _ => None,
    }
}

fn take(ear: &mut Ear, bytes: &[u8]) -> Result<(), super::queue::WriterGone> {
    let Ear { outlet, talk, .. } = ear;
    let now = outlet.now();
    outlet.bytes(bytes, &mut |framed| talk.heard(now, &framed.message))
}

/// What the system has taken in but nobody has read.
async fn drain<S: AsyncRead + Unpin>(stream: &mut S, ear: &mut Ear) {
    let mut buffer = vec![0; READ];
    let until = Instant::now() + COMMAND_TIMEOUT;
    while let Ok(Ok(n)) = timeout(LAST_READ, stream.read(&mut buffer)).await
        && n > 0
        && Instant::now() < until
    {
        if take(ear, &buffer[..n]).is_err() {
            return;
        }
    }
}

/// Until something is to be said.
async fn due(talk: &Talk, now: Timestamp) {
    match talk.next_at() {
        Some(at) => sleep(Duration::from_micros((at.as_us() - now.as_us()).max(0) as u64)).await,
        None => std::future::pending().await,
    }
}

/// Says what is due; the journal has it before the wire.
async fn speak<S: AsyncWrite + Unpin>(stream: &mut S, ear: &mut Ear) -> Result<(), super::queue::WriterGone> {
    while let Some(bytes) = ear.talk.due(ear.outlet.now()) {
        ear.outlet.event(PortEvent::Sent { hex: hex(&bytes) })?;
        let Ear { outlet, talk, .. } = ear;
        let now = outlet.now();
        outlet.sent(&bytes, &mut |framed| talk.heard(now, &framed.message));
        command(stream, &bytes).await;
    }
    for text in ear.talk.take_events() {
        (ear.say)(&text);
        ear.outlet.event(PortEvent::Remark { text })?;
    }
    Ok(())
}

/// Sends bytes to a device. One that does not take them in time is heard out all the same.
async fn command(stream: &mut (impl AsyncWrite + Unpin), bytes: &[u8]) {
    if !bytes.is_empty() {
        let sent = async {
            stream.write_all(bytes).await?;
            stream.flush().await
        };
        let _ = timeout(COMMAND_TIMEOUT, sent).await;
    }
}
