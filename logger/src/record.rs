//! From serial ports to a session: ports → journal → sealed tables.

use std::{
    net::SocketAddr,
    path::{Path, PathBuf},
    sync::{Arc, mpsc},
    time::Duration,
};

use tallywheel_schemas::{
    Manifest, Rig, RunSheet, TextFileError,
    manifest::Origin,
    rig::{Port, PortKind},
    unknown_name,
};
use tokio::runtime::Runtime;

use crate::{
    check::{self, CheckOptions, Readiness},
    control::{Command, desk::Desk, socket},
    durable::FileError,
    journal::{Header, JournalError},
    live::{LiveError, LiveState, Running, Server},
    seal::{SOFTWARE, SealError, seal_journal},
    session::{RecorderLock, SessionError, SessionLock, remove_partials, unfinished},
    source::{
        Board, ClaimError, Claimed, Device, DeviceError, Listened, Schedule, Sender, SessionClock, Talk, Target,
        Writer, listen, queue,
    },
    view::{self, Feed, View},
};

/// Time between attempts to seal a session that could not be sealed when it ended.
const SEAL_AGAIN: Duration = Duration::from_secs(60);
/// Time between two snapshots of the technician's page.
const SHOWN_EVERY: Duration = Duration::from_millis(250);

/// What to record.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RecordOptions {
    /// Rig file.
    pub rig: PathBuf,
    /// Dataset directory; made when it does not exist.
    pub data: PathBuf,
    /// Run sheet file.
    pub run_sheet: Option<PathBuf>,
    /// Devices in place of those that the rig names, by port.
    pub devices: Vec<(String, PathBuf)>,
    /// End after so long, unless told to end before.
    pub length: Option<Duration>,
    /// Go on in a new session every so often.
    pub rotate: Option<Duration>,
    /// Nobody is there: a port that cannot be opened is looked for until it can.
    pub unattended: bool,
    /// Serve the technician's page here.
    pub live: Option<SocketAddr>,
}

/// What to look at before a recording.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CheckPlan {
    /// Rig file.
    pub rig: PathBuf,
    /// Dataset directory, for the room on its disk.
    pub data: PathBuf,
    /// Devices in place of those that the rig names, by port.
    pub devices: Vec<(String, PathBuf)>,
    /// How long to watch.
    pub length: Duration,
}

/// A recording that cannot be made.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// The rig or run sheet cannot be used.
    #[error(transparent)]
    Text(#[from] TextFileError),
    /// A device is given for a port that the rig does not have.
    #[error("--device {name}=…: {message}")]
    Device {
        /// As given.
        name: String,
        /// What is wrong with it.
        message: String,
    },
    /// A port has no device.
    #[error(
        "port `{0}` has no device: add `device` to it in the rig, or give --device {0}=/dev/…; `tallywheel-logger ports` lists what is there"
    )]
    NoDevice(String),
    /// A text port without column names.
    #[error(
        "port `{0}`: a live text port needs `columns` in the rig, since its header is sent before the recording, if ever"
    )]
    NoColumns(String),
    /// A device's name cannot be used.
    #[error("port `{port}`: {source}")]
    DeviceName {
        /// Port in the rig.
        port: String,
        /// What is wrong with the name.
        source: DeviceError,
    },
    /// A CAN interface for another kind of port, or the other way round.
    #[error(
        "port `{port}`: {device} does not fit its kind: kind `can` goes with can://NAME, other kinds with a serial path or tcp://HOST:PORT"
    )]
    DeviceKind {
        /// Port in the rig.
        port: String,
        /// The device.
        device: String,
    },
    /// Two ports of the rig have the same device.
    #[error(
        "ports `{first}` and `{second}` both have {device}: a device has one stream, so give one of them another with --device"
    )]
    Shared {
        /// A port.
        first: String,
        /// Another.
        second: String,
        /// The device.
        device: String,
    },
    /// A port cannot be opened.
    #[error(transparent)]
    Open(ClaimError),
    /// The technician's page cannot be served.
    #[error(transparent)]
    Live(#[from] LiveError),
    /// The asynchronous runtime cannot be started.
    #[error("start listening: {0}")]
    Runtime(std::io::Error),
    /// The journal cannot be written. What was written before is safe.
    #[error("{source}; what was recorded until then is kept: free some space, then run `tallywheel-logger recover --data {}`", data.display())]
    Journal {
        /// Dataset.
        data: PathBuf,
        /// Why.
        source: JournalError,
    },
    /// The session cannot be sealed. The journal is safe.
    #[error("{source}; the journal is kept: run `tallywheel-logger recover --data {}`", data.display())]
    Seal {
        /// Dataset.
        data: PathBuf,
        /// Why.
        source: SealError,
    },
    /// The session cannot be named.
    #[error(transparent)]
    Session(#[from] SessionError),
    /// A file operation failed.
    #[error(transparent)]
    File(#[from] FileError),
}

/// A checked plan: everything is known, nothing is open.
#[derive(Debug)]
struct Plan {
    rig: Rig,
    run: Option<RunSheet>,
    targets: Vec<(Target, Device)>,
}

impl Plan {
    fn new(rig: &Path, devices: &[(String, PathBuf)], run_sheet: Option<&Path>) -> Result<Self, RecordError> {
        let rig = Rig::read(rig)?;
        let run = run_sheet.map(RunSheet::read).transpose()?;
        for (name, _) in devices {
            if rig.port(name).is_none() {
                let message = unknown_name("port", name, rig.ports.iter().map(|p| p.name.as_str()));
                return Err(RecordError::Device { name: name.clone(), message });
            }
        }
        let targets = rig.ports.iter().enumerate().map(|(i, port)| target(i, port, devices));
        let targets = targets.collect::<Result<Vec<_>, _>>()?;
        one_port_each(&targets)?;
        Ok(Self { rig, run, targets })
    }

    /// Opens every port. A port that cannot be opened is an error, unless nobody is there to mend it: then it is
    /// looked for like one that has gone away.
    fn open(&self, runtime: &Runtime, data: &Path, unattended: bool) -> Result<Vec<Listened>, RecordError> {
        let mut ports = Vec::new();
        for (target, device) in &self.targets {
            let mut opener = Claimed::new(&target.port, device.clone(), data);
            let stream = match runtime.block_on(opener.open_now()) {
                Err(error) if !unattended => return Err(RecordError::Open(error)),
                other => other.ok(),
            };
            if let Some(notice) = opener.notice() {
                tracing::info!("{notice}");
            }
            if let Some(announcement) = Talk::announcement(&self.rig, usize::from(target.index)) {
                tracing::warn!("{announcement}");
            }
            ports.push(Listened { target: target.clone(), opener, stream });
        }
        Ok(ports)
    }
}

fn target(index: usize, port: &Port, devices: &[(String, PathBuf)]) -> Result<(Target, Device), RecordError> {
    let given = devices.iter().rfind(|(name, _)| *name == port.name);
    let given = given.map(|(_, path)| path.to_string_lossy().into_owned()).or_else(|| port.device.clone());
    if port.kind == PortKind::Text && port.columns.is_empty() {
        return Err(RecordError::NoColumns(port.name.clone()));
    }
    let given = given.ok_or_else(|| RecordError::NoDevice(port.name.clone()))?;
    let wrong = |source| RecordError::DeviceName { port: port.name.clone(), source };
    let device = Device::parse(&given).map_err(wrong)?;
    let device_fits = (port.kind == PortKind::Can) == given.starts_with("can://");
    if !device_fits {
        return Err(RecordError::DeviceKind { port: port.name.clone(), device: given });
    }
    Ok((Target { index: index as u16, port: port.clone(), device: given }, device))
}

/// Whether no two ports have the same device, links followed. A CAN interface may be listened to more than once.
fn one_port_each(targets: &[(Target, Device)]) -> Result<(), RecordError> {
    let place = |target: &Target| std::fs::canonicalize(&target.device).unwrap_or_else(|_| (&target.device).into());
    for (i, (second, _)) in targets.iter().enumerate().filter(|(_, (t, _))| t.port.kind != PortKind::Can) {
        if let Some((first, _)) = targets[..i].iter().find(|(first, _)| place(first) == place(second)) {
            let (first, second) = (first.port.name.clone(), second.port.name.clone());
            return Err(RecordError::Shared { first, second, device: targets[i].0.device.clone() });
        }
    }
    Ok(())
}

/// Records until the given length is over or the program is told to end (Ctrl-C, SIGTERM, hang-up); each session is
/// sealed as soon as it has ended, and given to `sealed`. `begun` is called once recording has begun, with the way to
/// ask something of it.
///
/// # Errors
/// Before anything is written: when the rig, run sheet or a port cannot be used, or another program records there.
/// Later: when the journal or the sealed files cannot be written; the journal is kept then.
pub fn record(
    options: &RecordOptions,
    sealed: impl FnMut(&Manifest) + Send + 'static,
    begun: impl FnOnce(mpsc::Sender<Command>),
) -> Result<Recorded, RecordError> {
    let plan = Plan::new(&options.rig, &options.devices, options.run_sheet.as_deref())?;
    let _recorder = RecorderLock::claim(&options.data)?;
    warn_of_unfinished(&options.data)?;
    let runtime = runtime()?;
    let ports = plan.open(&runtime, &options.data, options.unattended)?;
    // Before there is anything on the disk that its failure would leave behind.
    let server = options.live.map(Server::bind).transpose()?;
    let clock = SessionClock::start();
    let lock = SessionLock::claim_new(&options.data, &plan.rig.vehicle, clock.started())?;
    let header = header(options, &plan, &lock, clock);
    let board = Board::new(&plan.rig);
    let journal_error = |source| RecordError::Journal { data: options.data.clone(), source };
    let (ended, to_seal) = mpsc::channel();
    let (sender, queue) = queue();
    let commands = open_desk(options, &sender, &board, clock);
    let page = server.map(|server| Page::open(server, &plan.rig, clock, commands.clone())).transpose()?;
    let feed = page.as_ref().map(|page| page.feed.clone());
    let writer = Writer::begin(options.data.clone(), lock, header, clock, Arc::clone(&board), ended, feed);
    let writer = writer.map_err(journal_error)?;
    begun(commands);
    let writer = std::thread::spawn(move || {
        let queue = queue;
        writer.write(&queue)
    });
    let sealer = {
        let (data, board) = (options.data.clone(), Arc::clone(&board));
        std::thread::spawn(move || seal_all(&data, &to_seal, &board, sealed))
    };
    let schedule = Schedule { length: options.length, rotate: options.rotate };
    listen(&runtime, &plan.rig, ports, &sender, clock, &board, schedule).map_err(RecordError::Runtime)?;
    let written = join(writer);
    drop(page);
    let sealed = join(sealer);
    written.map_err(journal_error)?;
    let sessions = sealed.map_err(|source| RecordError::Seal { data: options.data.clone(), source })?;
    let faults = board.state().faults;
    Ok(Recorded { sessions, faults })
}

fn runtime() -> Result<Runtime, RecordError> {
    tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(RecordError::Runtime)
}

/// The technician's page: what is recorded is shown four times a second, on threads of their own.
struct Page {
    feed: Feed,
    _running: Running,
}

impl Page {
    fn open(
        server: Server,
        rig: &Rig,
        clock: SessionClock,
        commands: mpsc::Sender<Command>,
    ) -> Result<Self, RecordError> {
        tracing::info!("{}", server.notice());
        let state = Arc::new(LiveState::new(commands));
        let running = server.run(Arc::clone(&state))?;
        let (feed, inputs) = view::feed();
        let mut view = View::new(rig);
        std::thread::spawn(move || {
            view::watch(&mut view, &inputs, SHOWN_EVERY, || clock.now(), |snapshot| state.publish(&snapshot));
        });
        Ok(Self { feed, _running: running })
    }
}

/// Opens every port, watches it for a while, and says whether all is ready. Nothing is recorded.
///
/// # Errors
/// When the rig or a device's name cannot be used. A port that cannot be opened is part of the answer.
pub fn check_ports(plan: &CheckPlan) -> Result<Readiness, RecordError> {
    let CheckPlan { rig, data, devices, length } = plan;
    let plan = Plan::new(rig, devices, None)?;
    let runtime = runtime()?;
    let ports = plan.open(&runtime, data, true)?;
    let clock = SessionClock::start();
    let board = Board::new(&plan.rig);
    let (sender, queue) = queue();
    let (arrived, arrivals) = mpsc::channel();
    let forward = std::thread::spawn(move || queue.forward(&arrived));
    let options = CheckOptions { length: *length, data: data.clone(), journal_bytes_per_s: None };
    let rig = plan.rig.clone();
    let judge = std::thread::spawn(move || check::run(&rig, &arrivals, &options, || clock.now()));
    let schedule = Schedule { length: Some(*length), rotate: None };
    listen(&runtime, &plan.rig, ports, &sender, clock, &board, schedule).map_err(RecordError::Runtime)?;
    join(forward);
    Ok(join(judge))
}

/// What was recorded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Recorded {
    /// Sessions that were sealed.
    pub sessions: u64,
    /// Faults of the recording itself, as a disk that was full.
    pub faults: u64,
}

fn join<T>(thread: std::thread::JoinHandle<T>) -> T {
    thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))
}

/// Seals sessions as they end. One that cannot be sealed, as when the disk is full, does not stand in the way of the
/// next and is tried again.
///
/// # Errors
/// That of the first session that is not sealed in the end.
fn seal_all(
    data: &Path,
    ended: &mpsc::Receiver<SessionLock>,
    board: &Board,
    mut sealed: impl FnMut(&Manifest),
) -> Result<u64, SealError> {
    let (mut waiting, mut sessions, mut unremoved) = (Vec::new(), 0, None);
    loop {
        let next = ended.recv_timeout(SEAL_AGAIN);
        let is_over = matches!(next, Err(mpsc::RecvTimeoutError::Disconnected));
        waiting.extend(next.ok().map(|lock| (lock, false)));
        let mut first_error = None;
        for (lock, told) in std::mem::take(&mut waiting) {
            match seal_journal(data, &lock, Origin::Recorded) {
                Ok(replayed) => {
                    sessions += 1;
                    board.state().sealed = sessions;
                    sealed(&replayed.manifest);
                    unremoved = lock.remove().err().or(unremoved);
                }
                Err(error) => {
                    if !told {
                        let session = &lock.session;
                        tracing::error!("session {session} is not sealed, its journal is kept to try again: {error}");
                    }
                    // They would only take room. Should even this fail, recovery does it.
                    let _ = remove_partials(data, &lock.session);
                    first_error.get_or_insert(error);
                    waiting.push((lock, true));
                }
            }
        }
        if is_over {
            return first_error.or(unremoved.map(SealError::File)).map_or(Ok(sessions), Err);
        }
    }
}

/// Opens the ways by which a person may ask something of the recording. Without them it is still a recording.
fn open_desk(
    options: &RecordOptions,
    sender: &Sender,
    board: &Arc<Board>,
    clock: SessionClock,
) -> mpsc::Sender<Command> {
    let (commands, asked) = mpsc::channel();
    if let Err(error) = socket::serve(&options.data, Arc::clone(board), clock, commands.clone()) {
        tracing::warn!("other terminals cannot reach this recording: {error}");
    }
    let desk = Desk { data: options.data.clone(), sender: sender.clone(), board: Arc::clone(board), clock };
    // Lives as long as the program; what it still wants after the end of a recording is answered with that.
    std::thread::spawn(move || desk.serve(&asked));
    commands
}

fn header(options: &RecordOptions, plan: &Plan, lock: &SessionLock, clock: SessionClock) -> Header {
    Header {
        session: lock.session.clone(),
        vehicle: plan.rig.vehicle.clone(),
        start_us: clock.started(),
        rig_file: options.rig.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default(),
        rig_text: plan.rig.text.clone(),
        run: plan.run.clone(),
        software: SOFTWARE.to_owned(),
        follows: None,
        begins: Vec::new(),
    }
}

/// Unfinished sessions do not stand in the way of a new one, but somebody should know of them.
fn warn_of_unfinished(data: &Path) -> Result<(), FileError> {
    let mut waiting = Vec::new();
    for directory in unfinished(data)? {
        if let crate::session::Existing::Free(lock) = SessionLock::of_existing(&directory)? {
            waiting.push(lock.session.clone());
        }
    }
    if !waiting.is_empty() {
        tracing::warn!(
            "unfinished sessions wait in {}: {}; run `tallywheel-logger recover --data {}`",
            data.display(),
            waiting.join(", "),
            data.display()
        );
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_device_is_not_read_by_two_ports() {
        let directory = tempfile::tempdir().expect("a directory");
        let (device, link) = (directory.path().join("ttyX0"), directory.path().join("by-id"));
        std::fs::write(&device, "").expect("room");
        std::os::unix::fs::symlink(&device, &link).expect("a link");
        let rig = directory.path().join("rig.toml");
        let port = |name: &str| format!("[[port]]\nname = \"{name}\"\nkind = \"nmea\"\n");
        std::fs::write(&rig, format!("schema = 1\nvehicle = \"skerry-1\"\n{}{}", port("a"), port("b"))).expect("room");
        let devices = [("a".to_owned(), device), ("b".to_owned(), link)];
        let error = Plan::new(&rig, &devices, None).expect_err("one device").to_string();
        assert!(error.starts_with("ports `a` and `b` both have"), "{error}");
    }
}
