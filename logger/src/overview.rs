//! What goes on in a dataset: for `status`, which only reads.

use std::{fmt, path::Path};

use serde::Serialize;

use crate::{
    control::socket::{self, ControlError},
    durable::FileError,
    journal::{DISK_PER_JOURNAL, JOURNAL_FILE},
    session::{SessionLock, unfinished},
    source::Status,
    summary::duration,
    view::free_bytes,
};

/// What goes on in a dataset.
#[derive(Debug, Serialize)]
pub(crate) struct Overview {
    /// As far as it is text.
    data: String,
    /// The running recording.
    recording: Option<Status>,
    /// Sessions that wait to be recovered.
    unfinished: Vec<String>,
    /// Bytes that the disk has room for; `None` when the system does not tell.
    free_bytes: Option<u64>,
    /// Hours of recording that these are at the rate so far.
    free_hours: Option<f64>,
}

impl Overview {
    /// Looks at a dataset.
    ///
    /// # Errors
    /// When its directory cannot be read.
    pub(crate) fn of(data: &Path) -> Result<Self, FileError> {
        std::fs::read_dir(data).map_err(FileError::io("read", data))?;
        let recording = match socket::status(data) {
            Ok(status) => Some(status),
            Err(ControlError::Nobody(_)) => None,
            Err(error) => {
                tracing::warn!("{error}");
                None
            }
        };
        let mut waiting = Vec::new();
        for directory in unfinished(data)? {
            if directory.join(JOURNAL_FILE).exists() && !SessionLock::is_held(&directory)? {
                waiting.push(directory.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default());
            }
        }
        let free_bytes = free_bytes(data).ok();
        let rate = recording.as_ref().filter(|r| r.recorded_s > 1.0 && r.journal_bytes > 0);
        let rate = rate.map(|r| DISK_PER_JOURNAL * r.journal_bytes as f64 / r.recorded_s);
        let free_hours = free_bytes.zip(rate).map(|(bytes, rate)| bytes as f64 / rate / 3600.0);
        Ok(Self { data: data.display().to_string(), recording, unfinished: waiting, free_bytes, free_hours })
    }

    /// Whether somebody should look after it.
    pub(crate) fn is_in_trouble(&self) -> bool {
        let troubled = |r: &Status| r.disk.is_some() || r.ports.iter().any(|p| !p.trouble.is_empty());
        !self.unfinished.is_empty() || self.recording.as_ref().is_some_and(troubled)
    }
}

impl fmt::Display for Overview {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.recording {
            None => writeln!(f, "nothing is being recorded into {}", self.data)?,
            Some(status) => write_status(f, status)?,
        }
        for session in &self.unfinished {
            writeln!(f, "unfinished {session}: run `tallywheel-logger recover --data {}`", self.data)?;
        }
        if let Some(bytes) = self.free_bytes {
            write!(f, "disk       {:.1} GB free", bytes as f64 / 1e9)?;
            if let Some(hours) = self.free_hours {
                write!(f, ", {hours:.0} h of recording at the rate so far")?;
            }
            writeln!(f)?;
        }
        Ok(())
    }
}

fn write_status(f: &mut fmt::Formatter<'_>, status: &Status) -> fmt::Result {
    write!(f, "recording  {}, {}", status.session, duration(status.recorded_s))?;
    if let Some(run) = &status.run {
        write!(f, ", run {run}")?;
    }
    writeln!(f, ", process {}", status.pid)?;
    if let Some(disk) = &status.disk {
        writeln!(f, "DISK       {disk}")?;
    }
    for port in &status.ports {
        let state = if port.listening { "listening" } else { "GONE" };
        let silent = port.silent_s.map_or("nothing yet".to_owned(), |s| format!("last {s:.1} s ago"));
        write!(f, "port       {}: {state}, {} messages, {silent}, {} bad", port.port, port.messages, port.bad)?;
        for (count, word) in
            [(port.overruns, "overruns"), (port.dropped, "dropped"), (port.reconnections, "reconnections")]
        {
            if count > 0 {
                write!(f, ", {count} {word}")?;
            }
        }
        writeln!(f)?;
        port.trouble.iter().try_for_each(|trouble| writeln!(f, "  TROUBLE  {}: {trouble}", port.port))?;
    }
    if let Some(sync) = status.sync {
        writeln!(f, "on disk    {:.0} ms after arrival at most, 99.9 % within {:.0} ms", sync.max_ms, sync.p999_ms)?;
    }
    if status.sealed_sessions > 0 {
        writeln!(f, "sealed     {} session(s) since the start", status.sealed_sessions)?;
    }
    Ok(())
}
