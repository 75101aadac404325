//! The live recording: the real logger records pseudo-terminals on which instruments play at real pace.

use std::{
    collections::BTreeMap,
    ffi::OsString,
    fs::{self, File},
    process::{Child, Command, Stdio},
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
        mpsc::{Receiver, RecvTimeoutError, channel},
    },
    thread,
    time::{Duration, Instant},
};

use nix::{
    sys::signal::{Signal, kill},
    unistd::Pid,
};
use tallywheel_schemas::Condition;

use super::{
    Plan,
    output::Output,
    programs::{Programs, command_line, tail},
};
use crate::{
    bench::{Port, Sent},
    error::DemoError,
    live::{Instrument, Played},
    sensors, session,
};

/// Where in the run the stretch begins, s: the van is about to set off.
const SKIP_S: f64 = 8.0;
/// What the recorder may take to open its ports, and to seal its session after the signal.
const GRACE: Duration = Duration::from_secs(30);
/// Between the last byte and the signal, so that the recorder has read it.
const AFTERGLOW: Duration = Duration::from_millis(800);

/// What was played on each port.
pub(super) type Live = BTreeMap<Port, Played>;

/// Records the stretch. Ends the recorder with the signal that Ctrl-C sends, as a technician would.
pub(super) fn record(plan: &Plan, programs: &Programs, output: &Output) -> Result<Live, DemoError> {
    let (done, played) = channel();
    let stop = Arc::new(AtomicBool::new(false));
    let mut instruments = Vec::new();
    for port in Port::ALL {
        let script = script(plan, port)?;
        let instrument = Instrument::start(port, script, done.clone(), Arc::clone(&stop))
            .map_err(|e| live(format!("no pseudo-terminal for {}: {e}", port.name())))?;
        instruments.push(instrument);
    }
    drop(done);
    let mut recorder = Recorder::start(plan, programs, output, &instruments)?;
    let result = listen(&mut recorder, &played, plan.live_seconds).and_then(|live| {
        thread::sleep(AFTERGLOW);
        recorder.end()?;
        Ok(live)
    });
    stop.store(true, Ordering::Relaxed);
    recorder.kill();
    for instrument in instruments {
        let port = instrument.port;
        let joined = instrument.join();
        if result.is_ok() {
            joined.map_err(|e| live(format!("writing to the terminal of {}: {e}", port.name())))?;
        }
    }
    result
}

fn live(reason: String) -> DemoError {
    DemoError::Live { reason }
}

/// What a port plays once somebody listens: a stretch of the first assist run.
fn script(
    plan: &Plan,
    port: Port,
) -> Result<impl FnOnce(tallywheel_schemas::Timestamp) -> Sent + Send + use<>, DemoError> {
    let runs = plan.scenario.runs();
    let run = runs.into_iter().find(|r| r.condition == Condition::Assist);
    let run = run.ok_or_else(|| live("the campaign has no assist run to play".to_owned()))?;
    let (seed, seconds) = (plan.scenario.seed, plan.live_seconds as f64);
    Ok(move |start| {
        let errors = sensors::draw_errors(seed);
        let mut sent = session::stretch(&run, errors, seed, start, SKIP_S, seconds);
        sent.remove(&port).unwrap_or_default()
    })
}

/// Waits until every port has played, or the recorder has ended too early.
fn listen(recorder: &mut Recorder, played: &Receiver<Played>, seconds: u64) -> Result<Live, DemoError> {
    let deadline = Instant::now() + Duration::from_secs(seconds) + GRACE;
    let mut all = Live::new();
    while all.len() < Port::ALL.len() {
        match played.recv_timeout(Duration::from_millis(200)) {
            Ok(one) => {
                all.insert(one.port, one);
            }
            Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => {
                recorder.is_still_there()?;
                if Instant::now() > deadline {
                    let heard: Vec<&str> = all.keys().map(|p| p.name()).collect();
                    return Err(live(format!("only {heard:?} were listened to within {seconds} s and a grace")));
                }
            }
        }
    }
    Ok(all)
}

/// The real `tallywheel-logger record`.
struct Recorder {
    child: Child,
    command: String,
    log: std::path::PathBuf,
}

impl Recorder {
    fn start(plan: &Plan, programs: &Programs, output: &Output, instruments: &[Instrument]) -> Result<Self, DemoError> {
        let mut arguments: Vec<OsString> = vec!["record".into(), "--rig".into(), output.rig().into()];
        arguments.extend(["--data".into(), output.data().into()]);
        for instrument in instruments {
            let mut device = OsString::from(format!("{}=", instrument.port.name()));
            device.push(&instrument.device);
            arguments.extend(["--device".into(), device]);
        }
        // The signal comes long before; this only keeps a lost recorder from running for ever.
        let limit = plan.live_seconds + 2 * GRACE.as_secs();
        arguments.extend(["--for".into(), limit.to_string().into()]);
        let log = output.live_log();
        let io = |action: &'static str, path: &std::path::Path| {
            let path = path.to_owned();
            move |source| DemoError::Io { action, path, source }
        };
        let file = File::create(&log).map_err(io("write", &log))?;
        let copy = file.try_clone().map_err(io("write", &log))?;
        let child = Command::new(&programs.logger)
            .args(&arguments)
            .stdin(Stdio::null())
            .stdout(file)
            .stderr(copy)
            .spawn()
            .map_err(io("start", &programs.logger))?;
        Ok(Self { child, command: command_line(&programs.logger, &arguments), log })
    }

    fn is_still_there(&mut self) -> Result<(), DemoError> {
        match self.child.try_wait() {
            Ok(None) => Ok(()),
            Ok(Some(status)) => Err(self.ended(status.to_string())),
            Err(e) => Err(live(format!("cannot look after the recorder: {e}"))),
        }
    }

    /// Sends the signal of Ctrl-C and waits for the session to be sealed.
    fn end(&mut self) -> Result<(), DemoError> {
        let pid = i32::try_from(self.child.id()).map_err(|e| live(e.to_string()))?;
        kill(Pid::from_raw(pid), Signal::SIGINT).map_err(|e| live(format!("signal to the recorder: {e}")))?;
        let deadline = Instant::now() + GRACE;
        while Instant::now() < deadline {
            match self.child.try_wait() {
                Ok(Some(status)) if matches!(status.code(), Some(0 | 1)) => return Ok(()),
                Ok(Some(status)) => return Err(self.ended(status.to_string())),
                Ok(None) => thread::sleep(Duration::from_millis(50)),
                Err(e) => return Err(live(format!("cannot look after the recorder: {e}"))),
            }
        }
        Err(live(format!("the recorder did not end within {} s of the signal", GRACE.as_secs())))
    }

    fn ended(&self, status: String) -> DemoError {
        let said = fs::read(&self.log).unwrap_or_default();
        DemoError::Program { command: self.command.clone(), status, output: tail(&said) }
    }

    /// Makes sure that no recorder is left behind. One that has ended already does not mind.
    fn kill(&mut self) {
        if matches!(self.child.try_wait(), Ok(None)) {
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
    }
}
