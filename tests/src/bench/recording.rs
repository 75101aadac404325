//! The real program at real pace, on a pseudo-terminal.

use std::{
    fs,
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    thread,
    time::{Duration, Instant},
};

use nix::{
    sys::signal::{Signal, kill},
    unistd::Pid,
};
use serde::Serialize;
use serde_json::Value;
use tallywheel_schemas::Manifest;
use tempfile::TempDir;

use super::{
    BenchError, Plan,
    cpu::{Process, Threads},
    line::{Line, Spoken},
    shim,
    traffic::Traffic,
};

/// CPU time is counted in so many stretches, of which the median counts.
const STRETCHES: u32 = 5;
/// The recorder ends by itself so long after it was to be ended.
const LONGER_S: u64 = 60;
/// After the first frames, before CPU time is counted.
const WARM_UP: Duration = Duration::from_secs(1);
/// Between the last byte and the signal to end.
const AFTERGLOW: Duration = Duration::from_millis(700);
/// What a recorder may take to seal its last session.
const SEALING: Duration = Duration::from_secs(120);

/// A paced recording.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Recording {
    /// Length, s.
    pub(super) length_s: f64,
    pub(super) frames_sent: u64,
    /// Sent and not in the sealed tables.
    pub(super) frames_lost: u64,
    /// Of these, what the recorder says that it dropped.
    pub(super) frames_dropped: u64,
    /// Sessions that were sealed.
    pub(super) sessions: usize,
    /// Packets that the kernel's buffer had no room for at their time: a device without memory would lose them.
    pub(super) packets_held: u64,
    /// The most that was held back, bytes.
    pub(super) most_held_bytes: usize,
    /// Share of a core, of the reading thread and of all others.
    pub(super) reader_share: f64,
    pub(super) others_share: f64,
    /// Most memory resident while recording, and until the program had ended, MiB.
    pub(super) recording_mib: f64,
    pub(super) ended_mib: f64,
    /// From arrival to disk, ms.
    pub(super) durable_p50_ms: f64,
    pub(super) durable_p99_ms: f64,
    pub(super) durable_p999_ms: f64,
    pub(super) durable_max_ms: f64,
    /// The longest that a read was late, ms.
    pub(super) longest_stall_ms: f64,
    /// The longest that the benchmark's own thread was late, ms: what the machine was worth.
    pub(super) speaker_late_ms: f64,
    /// Bytes of the journal a frame while recording; `None` across sessions.
    pub(super) journal_bytes_per_frame: Option<f64>,
}

impl Recording {
    pub(super) fn share(&self) -> f64 {
        self.reader_share + self.others_share
    }
}

/// A full bus, nothing else.
pub(super) fn steady(plan: &Plan) -> Result<Recording, BenchError> {
    let traffic = Traffic::full_round();
    Run { plan, traffic: &traffic, seconds: plan.steady_s, rotate_s: None, shim: None }.record()
}

/// A full bus with bursts; a new session now and then, so that one is sealed while the next is recorded.
pub(super) fn bursts(plan: &Plan) -> Result<Recording, BenchError> {
    let traffic = Traffic::bursts_round(plan.quick);
    let rotate_s = Some(if plan.quick { 2 } else { 60 });
    Run { plan, traffic: &traffic, seconds: plan.bursts_s, rotate_s, shim: None }.record()
}

/// A full bus while every sync takes half a second longer; `None` after saying why it is left out.
pub(super) fn slow_disk(plan: &Plan) -> Result<Option<Recording>, BenchError> {
    let directory = TempDir::new().map_err(BenchError::io("make a temporary directory"))?;
    let Some(shim) = shim::build(directory.path())? else { return Ok(None) };
    let traffic = Traffic::full_round();
    let run = Run { plan, traffic: &traffic, seconds: plan.slow_s, rotate_s: None, shim: Some(&shim) };
    run.record().map(Some)
}

struct Run<'a> {
    plan: &'a Plan,
    traffic: &'a Traffic,
    seconds: u64,
    rotate_s: Option<u64>,
    shim: Option<&'a Path>,
}

/// What is asked of the recorder while it runs.
struct Look {
    /// Share of a core, of the reading thread and of all others.
    shares: (f64, f64),
    recording_mib: f64,
    status: Value,
}

impl Run<'_> {
    fn record(&self) -> Result<Recording, BenchError> {
        let directory = TempDir::new().map_err(BenchError::io("make a temporary directory"))?;
        let mut line = Line::open()?;
        let mut recorder = self.start(directory.path(), &line.device)?;
        let process = Process(recorder.child.id());
        line.wait_until_opened()?;
        let length = Duration::from_secs(self.seconds);
        let (spoken, look) = thread::scope(|scope| {
            let speaker = scope.spawn(|| line.speak(self.traffic, length));
            let look = self.watch(process, length, directory.path());
            let spoken = speaker.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
            spoken.and_then(|spoken| Ok((spoken, look?)))
        })?;
        thread::sleep(AFTERGLOW);
        let ended_mib = recorder.end(process)?.max(look.recording_mib);
        let manifests = manifests(&data(directory.path()))?;
        Ok(self.recording(spoken, &look, ended_mib, &manifests))
    }

    fn start(&self, directory: &Path, device: &Path) -> Result<Recorder, BenchError> {
        let (rig, said) = (directory.join("rig.toml"), directory.join("said"));
        fs::write(&rig, &self.traffic.rig).map_err(BenchError::io("write the rig"))?;
        let log = fs::File::create(&said).map_err(BenchError::io("write a log"))?;
        let mut command = Command::new(&self.plan.logger);
        command.args(["record", "--rig"]).arg(&rig).arg("--data").arg(data(directory));
        command.args(["--device", &format!("bus={}", device.display())]);
        // Should this program be killed, the recorder still ends, and lets go of a device that others may be given.
        command.args(["--for", &(self.seconds + LONGER_S).to_string()]);
        if let Some(seconds) = self.rotate_s {
            command.args(["--rotate", &seconds.to_string()]);
        }
        if let Some(shim) = self.shim {
            shim::apply(&mut command, shim);
        }
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(log);
        let child = command.spawn().map_err(BenchError::io("start the logger"))?;
        Ok(Recorder { child, said })
    }

    /// Looks at the recorder shortly before the end.
    fn watch(&self, process: Process, length: Duration, directory: &Path) -> Result<Look, BenchError> {
        thread::sleep(WARM_UP);
        let stretch = length.saturating_sub(WARM_UP + Duration::from_millis(200)) / STRETCHES;
        let shares = (0..STRETCHES).map(|_| shares(process, stretch)).collect::<Result<Vec<_>, _>>()?;
        let recording_mib = process.peak_mib().unwrap_or(f64::NAN);
        let mut ask = Command::new(&self.plan.logger);
        ask.args(["status", "--format", "json", "--data"]).arg(data(directory));
        let answer = ask.output().map_err(BenchError::io("ask the recorder"))?;
        let status = serde_json::from_slice(&answer.stdout).map_err(|_| BenchError::Peer {
            what: "the logger's status",
            said: String::from_utf8_lossy(&[answer.stdout.as_slice(), &answer.stderr].concat()).into_owned(),
        })?;
        Ok(Look { shares: middle(shares), recording_mib, status })
    }

    fn recording(&self, spoken: Spoken, look: &Look, ended_mib: f64, manifests: &[Manifest]) -> Recording {
        let sum = |count: fn(&tallywheel_schemas::manifest::PortRecord) -> u64| {
            manifests.iter().flat_map(|m| &m.ports).map(count).sum::<u64>()
        };
        let status = &look.status["recording"];
        let number = |name: &str| status["sync"][name].as_f64().unwrap_or(f64::NAN);
        let of_port = |name: &str| status["ports"][0][name].as_f64().unwrap_or(f64::NAN);
        let journal = status["journal_bytes"].as_f64().map(|bytes| bytes / of_port("messages"));
        Recording {
            length_s: spoken.passed.as_secs_f64(),
            frames_sent: spoken.frames,
            frames_lost: spoken.frames.saturating_sub(sum(|p| p.frames)),
            frames_dropped: sum(|p| p.dropped),
            sessions: manifests.len(),
            packets_held: spoken.packets_held,
            most_held_bytes: spoken.most_held,
            reader_share: look.shares.0,
            others_share: look.shares.1,
            recording_mib: look.recording_mib,
            ended_mib,
            durable_p50_ms: number("p50_ms"),
            durable_p99_ms: number("p99_ms"),
            durable_p999_ms: number("p999_ms"),
            durable_max_ms: number("max_ms"),
            longest_stall_ms: of_port("longest_stall_ms"),
            speaker_late_ms: spoken.longest_late.as_secs_f64() * 1000.0,
            journal_bytes_per_frame: journal.filter(|_| self.rotate_s.is_none()),
        }
    }
}

/// Shares of a core over a stretch of time, of the reading thread and of all others.
fn shares(process: Process, stretch: Duration) -> Result<(f64, f64), BenchError> {
    let (before, began) = (process.threads()?, Instant::now());
    thread::sleep(stretch);
    let Threads { reader, others } = process.threads()?.since(before);
    let passed_s = began.elapsed().as_secs_f64();
    Ok((reader.as_secs_f64() / passed_s, others.as_secs_f64() / passed_s))
}

/// The stretch whose sum is the median.
fn middle(mut shares: Vec<(f64, f64)>) -> (f64, f64) {
    shares.sort_by(|a, b| (a.0 + a.1).total_cmp(&(b.0 + b.1)));
    shares.get(shares.len() / 2).copied().unwrap_or((f64::NAN, f64::NAN))
}

fn data(directory: &Path) -> PathBuf {
    directory.join("data")
}

/// The running program. Killed when it is dropped before its end.
struct Recorder {
    child: Child,
    said: PathBuf,
}

impl Recorder {
    /// Ends it as Ctrl-C does; gives the most memory that it had until then, MiB.
    fn end(&mut self, process: Process) -> Result<f64, BenchError> {
        let pid = Pid::from_raw(self.child.id().cast_signed());
        kill(pid, Signal::SIGINT).map_err(|e| BenchError::io("end the recorder")(e.into()))?;
        let until = Instant::now() + SEALING;
        let mut peak_mib = 0.0;
        loop {
            if let Some(status) = self.child.try_wait().map_err(BenchError::io("wait for the recorder"))? {
                return if status.code() == Some(2) || status.code().is_none() {
                    Err(self.failed(status.to_string()))
                } else {
                    Ok(peak_mib)
                };
            }
            if Instant::now() > until {
                return Err(self.failed("no end".to_owned()));
            }
            peak_mib = process.peak_mib().unwrap_or(0.0).max(peak_mib);
            thread::sleep(Duration::from_millis(10));
        }
    }

    fn failed(&self, status: String) -> BenchError {
        let said = fs::read_to_string(&self.said).unwrap_or_default();
        let lines: Vec<&str> = said.lines().collect();
        BenchError::Recorder { status, said: lines[lines.len().saturating_sub(8)..].join("\n") }
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        // Fails only when it has ended already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The manifests of all sealed sessions.
fn manifests(data: &Path) -> Result<Vec<Manifest>, BenchError> {
    let mut found = Vec::new();
    let mut directories = vec![data.join("sessions")];
    while let Some(directory) = directories.pop() {
        let Ok(entries) = fs::read_dir(&directory) else { continue };
        for entry in entries.flatten() {
            let path = entry.path();
            if path.is_dir() {
                directories.push(path);
            } else if path.extension().is_some_and(|e| e == "json") {
                found.push(Manifest::read(&path).map_err(BenchError::logger("read a manifest"))?);
            }
        }
    }
    Ok(found)
}
