//! What a process takes: CPU time, wall time and memory, and the median of several. And what can go wrong.

use std::{
    fs, io,
    io::Write as _,
    path::{Path, PathBuf},
    process::{Command, Stdio},
    thread,
    time::{Duration, Instant},
};

use nix::sys::{
    resource::{UsageWho, getrusage},
    time::TimeValLike as _,
};
use serde::Serialize;
use tallywheel_sample_logs::fleet::sessions;

/// A benchmark that could not be run.
#[derive(Debug, thiserror::Error)]
pub(super) enum BenchError {
    #[error("{action}: {source}")]
    Io { action: String, source: io::Error },
    #[error("{what} ended with {status}: {said}")]
    Contender { what: String, status: String, said: String },
    #[error("make the fleet: {0}")]
    Fleet(#[from] sessions::FleetError),
    #[error("decode {path}: {reason}")]
    Decode { path: String, reason: String },
}

pub(super) fn io_error(action: impl Into<String>) -> impl FnOnce(io::Error) -> BenchError {
    let action = action.into();
    move |source| BenchError::Io { action, source }
}

/// What a contender took.
#[derive(Debug, Clone, Copy, Default, Serialize)]
pub(super) struct Cost {
    pub(super) cpu_s: f64,
    pub(super) wall_s: f64,
    pub(super) peak_mib: f64,
}

pub(super) fn say(line: &str) {
    let _ = writeln!(io::stderr(), "{line}");
}

/// Runs a contender; gives what it took and what it said.
pub(super) fn measured(what: &str, command: &mut Command) -> Result<(Cost, String), BenchError> {
    let begun = Instant::now();
    let before = children_cpu_s()?;
    let child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn();
    let child = child.map_err(io_error(format!("start {what}")))?;
    let watched = watch_memory(child.id());
    let output = child.wait_with_output().map_err(io_error(format!("wait for {what}")))?;
    let peak_mib = watched.join().unwrap_or(0.0);
    // 1 is for faults in the data, of which a simulated fleet has none; a script has no such code.
    if !output.status.success() {
        let said = String::from_utf8_lossy(&output.stderr).trim().to_owned();
        return Err(BenchError::Contender { what: what.to_owned(), status: output.status.to_string(), said });
    }
    let cost = Cost { cpu_s: children_cpu_s()? - before, wall_s: begun.elapsed().as_secs_f64(), peak_mib };
    say(&format!("  {what}: {:.2} s of CPU, {:.1} s, {:.0} MiB", cost.cpu_s, cost.wall_s, cost.peak_mib));
    Ok((cost, String::from_utf8_lossy(&output.stdout).into_owned()))
}

/// CPU time of all children that have ended, s.
fn children_cpu_s() -> Result<f64, BenchError> {
    let usage = getrusage(UsageWho::RUSAGE_CHILDREN).map_err(|e| io_error("ask for the CPU time used")(e.into()))?;
    Ok((usage.user_time().num_microseconds() + usage.system_time().num_microseconds()) as f64 / 1e6)
}

/// The most memory that a process has had resident, MiB, watched until it is gone.
fn watch_memory(process: u32) -> thread::JoinHandle<f64> {
    thread::spawn(move || {
        let mut peak: f64 = 0.0;
        let path = format!("/proc/{process}/status");
        while let Ok(text) = fs::read_to_string(&path) {
            // A process that has ended and is not waited for yet has no memory any more.
            let Some(line) = text.lines().find_map(|l| l.strip_prefix("VmHWM:")) else { break };
            let kib: f64 = line.split_whitespace().next().and_then(|k| k.parse().ok()).unwrap_or(0.0);
            peak = peak.max(kib / 1024.0);
            thread::sleep(Duration::from_millis(5));
        }
        peak
    })
}

/// The run of median CPU time, with the largest memory of all.
pub(super) fn median(costs: &[Cost]) -> Cost {
    let mut sorted = costs.to_vec();
    sorted.sort_by(|a, b| a.cpu_s.total_cmp(&b.cpu_s));
    let middle = sorted.get(sorted.len() / 2).copied().unwrap_or_default();
    Cost { peak_mib: costs.iter().map(|c| c.peak_mib).fold(0.0, f64::max), ..middle }
}

/// Files with an extension below a directory, at any depth, in order; none where there is no directory.
pub(super) fn files(directory: &Path, extension: &str) -> Result<Vec<PathBuf>, BenchError> {
    let mut found = Vec::new();
    let entries = match fs::read_dir(directory) {
        Ok(entries) => entries,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(found),
        Err(e) => return Err(io_error(format!("list {}", directory.display()))(e)),
    };
    for entry in entries {
        let path = entry.map_err(io_error(format!("list {}", directory.display())))?.path();
        if path.is_dir() {
            found.extend(files(&path, extension)?);
        } else if path.extension().is_some_and(|e| e == extension) {
            found.push(path);
        }
    }
    found.sort();
    Ok(found)
}
