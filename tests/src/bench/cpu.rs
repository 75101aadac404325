//! CPU time and memory: of this process, and of another by what the kernel tells of it.

use std::{fs, path::PathBuf, time::Duration};

use nix::sys::{
    resource::{UsageWho, getrusage},
    time::TimeValLike,
};

use super::BenchError;

/// CPU time that this process has used, in its own code and in the kernel, s.
pub(super) fn own_s() -> Result<f64, BenchError> {
    let usage = getrusage(UsageWho::RUSAGE_SELF).map_err(|e| BenchError::io("ask for the CPU time used")(e.into()))?;
    let us = usage.user_time().num_microseconds() + usage.system_time().num_microseconds();
    Ok(us as f64 / 1e6)
}

/// Runs something; gives what it returned and the CPU time that it took, s.
pub(super) fn timed<T>(work: impl FnOnce() -> Result<T, BenchError>) -> Result<(T, f64), BenchError> {
    let before = own_s()?;
    let done = work()?;
    Ok((done, own_s()? - before))
}

/// The median, the upper of two.
pub(super) fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

/// Another process.
#[derive(Debug, Clone, Copy)]
pub(super) struct Process(pub(super) u32);

/// CPU time of a process's threads.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Threads {
    /// The first thread, which reads the ports.
    pub(super) reader: Duration,
    /// All others together.
    pub(super) others: Duration,
}

impl Process {
    fn path(self, name: &str) -> PathBuf {
        PathBuf::from(format!("/proc/{}/{name}", self.0))
    }

    /// CPU time of the threads that are there, to the nanosecond where the kernel counts it.
    pub(super) fn threads(self) -> Result<Threads, BenchError> {
        let tasks = self.path("task");
        let error = || BenchError::io(format!("read {}", tasks.display()));
        let mut threads = Threads::default();
        for task in fs::read_dir(&tasks).map_err(error())? {
            let path = task.map_err(error())?.path();
            // A thread may end between two looks.
            let Ok(text) = fs::read_to_string(path.join("schedstat")) else { continue };
            let ns = text.split_whitespace().next().and_then(|ns| ns.parse().ok()).unwrap_or_default();
            let first = path.file_name().and_then(|n| n.to_str()) == Some(&self.0.to_string());
            let sum = if first { &mut threads.reader } else { &mut threads.others };
            *sum += Duration::from_nanos(ns);
        }
        Ok(threads)
    }

    /// The most memory that it has had resident, MiB; `None` once it is gone.
    pub(super) fn peak_mib(self) -> Option<f64> {
        let text = fs::read_to_string(self.path("status")).ok()?;
        let line = text.lines().find_map(|l| l.strip_prefix("VmHWM:"))?;
        let kib: f64 = line.split_whitespace().next()?.parse().ok()?;
        Some(kib / 1024.0)
    }
}

impl Threads {
    pub(super) fn since(self, before: Self) -> Self {
        let passed = |now: Duration, before| now.saturating_sub(before);
        Self { reader: passed(self.reader, before.reader), others: passed(self.others, before.others) }
    }
}
