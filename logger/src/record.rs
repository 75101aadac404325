//! From serial ports to a session: ports → journal → sealed tables.

use std::{
    path::{Path, PathBuf},
    sync::mpsc,
    time::Duration,
};

use tallywheel_schemas::{
    Manifest, Rig, RunSheet, TextFileError,
    manifest::Origin,
    rig::{Port, PortKind},
    unknown_name,
};

use crate::{
    durable::FileError,
    journal::{Header, JournalError, JournalWriter},
    seal::{SOFTWARE, SealError, seal_journal},
    session::{SessionError, SessionLock, unfinished},
    source::{self, OpenError, SessionClock, Target},
};

/// Chunks that may wait for the disk. A chunk is what one read gave: a frame or a few, 2 KiB at most.
const QUEUE: usize = 32_768;

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
    /// A port cannot be opened.
    #[error(transparent)]
    Open(#[from] OpenError),
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
    targets: Vec<Target>,
}

impl Plan {
    fn new(options: &RecordOptions) -> Result<Self, RecordError> {
        let rig = Rig::read(&options.rig)?;
        let run = options.run_sheet.as_deref().map(RunSheet::read).transpose()?;
        for (name, _) in &options.devices {
            if rig.port(name).is_none() {
                let message = unknown_name("port", name, rig.ports.iter().map(|p| p.name.as_str()));
                return Err(RecordError::Device { name: name.clone(), message });
            }
        }
        let targets = rig.ports.iter().enumerate().map(|(i, port)| target(i, port, &options.devices));
        let targets = targets.collect::<Result<_, _>>()?;
        Ok(Self { rig, run, targets })
    }
}

fn target(index: usize, port: &Port, devices: &[(String, PathBuf)]) -> Result<Target, RecordError> {
    let given = devices.iter().rfind(|(name, _)| *name == port.name).map(|(_, path)| path.clone());
    let device = given.or_else(|| port.device.as_ref().map(PathBuf::from));
    if port.kind == PortKind::Text && port.columns.is_empty() {
        return Err(RecordError::NoColumns(port.name.clone()));
    }
    let device = device.ok_or_else(|| RecordError::NoDevice(port.name.clone()))?;
    Ok(Target { index: index as u16, port: port.clone(), device })
}

/// Records until the given length is over, the program is told to end (Ctrl-C, SIGTERM, hang-up), or every port is
/// gone; then seals the session.
///
/// # Errors
/// Before anything is written: when the rig, run sheet or a port cannot be used. Later: when the journal or the
/// sealed files cannot be written; the journal is kept then.
pub fn record(options: &RecordOptions) -> Result<Manifest, RecordError> {
    let plan = Plan::new(options)?;
    warn_of_unfinished(&options.data)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(RecordError::Runtime)?;
    let open = {
        // Serial ports register with the runtime when they are opened.
        let _inside = runtime.enter();
        plan.targets.iter().map(source::open).collect::<Result<Vec<_>, _>>()?
    };
    let clock = SessionClock::start();
    let lock = SessionLock::claim_new(&options.data, &plan.rig.vehicle, clock.started())?;
    let header = header(options, &plan, &lock, clock);
    let journal_error = |source| RecordError::Journal { data: options.data.clone(), source };
    let journal = JournalWriter::create(&lock.directory, header).map_err(journal_error)?;
    tracing::info!("recording session {}", lock.session);
    let (sender, receiver) = mpsc::sync_channel(QUEUE);
    let ports = plan.rig.ports.len();
    let writer = std::thread::spawn(move || source::write_journal(journal, &receiver, ports, clock));
    runtime.block_on(source::listen(open, sender, clock, options.length)).map_err(RecordError::Runtime)?;
    match writer.join() {
        Ok(written) => written.map_err(journal_error)?,
        Err(panic) => std::panic::resume_unwind(panic),
    }
    let seal_error = |source| RecordError::Seal { data: options.data.clone(), source };
    let replayed = seal_journal(&options.data, &lock, Origin::Recorded).map_err(seal_error)?;
    lock.remove()?;
    Ok(replayed.manifest)
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
