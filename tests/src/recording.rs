//! Recording with the real logger into a [`Bench`], and what is in the dataset afterwards.

use std::{
    path::{Path, PathBuf},
    process::Command,
};

use arrow::{
    array::{Array as _, AsArray as _, RecordBatch},
    datatypes::{Float64Type, Int32Type, Int64Type, UInt32Type},
};
use nix::sys::signal::Signal;
use tallywheel_schemas::Table;

use crate::{
    Bench,
    faults::{
        recorder::{self, Ended, Recorder},
        sealed::{self, Sealed},
    },
    instruments::{PATIENCE, wait_until},
    program,
};

/// One row of `frames`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FrameRow {
    /// Stamp, µs.
    pub t_us: i64,
    /// The logger transmitted it.
    pub is_sent: bool,
    /// As an adapter is told to transmit it, `t7DF8…`, with three digits or, extended, eight.
    pub line: String,
}

impl Bench {
    /// The arguments that every recording has: rig, dataset, devices.
    fn common(&self, rig: &Path, devices: &[(&str, &str)]) -> Vec<PathBuf> {
        let mut args = vec!["--rig".into(), rig.to_owned(), "--data".into(), self.dataset()];
        args.extend(devices.iter().flat_map(|(port, device)| ["--device".into(), format!("{port}={device}").into()]));
        args
    }

    /// Starts `record`.
    ///
    /// # Panics
    /// When the program cannot be started.
    pub fn record(&self, rig: &Path, devices: &[(&str, &str)], more: &[&str]) -> Recorder {
        let mut command = Command::new(program("tallywheel-logger"));
        command.arg("record").args(self.common(rig, devices)).args(more);
        Recorder::start(command).expect("the recorder starts")
    }

    /// Runs `check` to its end.
    ///
    /// # Panics
    /// When the program cannot be started.
    pub fn check(&self, rig: &Path, devices: &[(&str, &str)], more: &[&str]) -> Ended {
        let args = [vec!["check".into()], self.common(rig, devices), more.iter().map(PathBuf::from).collect()];
        recorder::run(&program("tallywheel-logger"), args.concat()).expect("the logger starts")
    }

    /// Runs another command of the logger on the dataset to its end.
    ///
    /// # Panics
    /// When the program cannot be started.
    pub fn logger(&self, command: &[&str], more: &[&str]) -> Ended {
        let mut args: Vec<PathBuf> = command.iter().map(PathBuf::from).collect();
        args.extend(["--data".into(), self.dataset()]);
        args.extend(more.iter().map(PathBuf::from));
        recorder::run(&program("tallywheel-logger"), args).expect("the logger starts")
    }

    /// What `status` says to programs, null while there is no dataset, and its exit code.
    ///
    /// # Panics
    /// When that is no JSON.
    pub fn status(&self) -> (serde_json::Value, Option<i32>) {
        let ended = self.logger(&["status"], &["--format", "json"]);
        if ended.stdout.is_empty() {
            return (serde_json::Value::Null, ended.code);
        }
        let json = serde_json::from_str(&ended.stdout);
        (json.unwrap_or_else(|e| panic!("{e}: {}{}", ended.stdout, ended.stderr)), ended.code)
    }

    /// Waits until the running recorder has so many messages of its only port.
    ///
    /// # Panics
    /// When it never has.
    pub fn wait_messages(&self, messages: usize) {
        let seen = || self.status().0["recording"]["ports"][0]["messages"].as_u64().unwrap_or_default() as usize;
        wait_until("the messages to arrive", || seen() >= messages, || format!("{} of {messages}", seen()));
    }

    /// Every sealed session in the order of time; each file's hash is checked.
    ///
    /// # Panics
    /// When something does not match its manifest.
    pub fn sessions(&self) -> Vec<Sealed> {
        sealed::sessions(&self.dataset()).expect("sealed sessions")
    }

    /// The only sealed session.
    ///
    /// # Panics
    /// When there is none, or another.
    pub fn only_session(&self) -> Sealed {
        let mut sessions = self.sessions();
        assert_eq!(sessions.len(), 1, "one session");
        sessions.remove(0)
    }

    fn rows(&self, session: &Sealed, table: Table) -> Vec<RecordBatch> {
        sealed::rows(&self.dataset(), &session.manifest, table).expect("a table")
    }

    /// The rows of `frames`.
    ///
    /// # Panics
    /// When the table cannot be read.
    pub fn frames(&self, session: &Sealed) -> Vec<FrameRow> {
        self.rows(session, Table::Frames).iter().flat_map(frame_rows).collect()
    }

    /// The rows of `lines`: stamp, µs, and text.
    ///
    /// # Panics
    /// When the table cannot be read.
    pub fn lines(&self, session: &Sealed) -> Vec<(i64, String)> {
        let rows = |batch: &RecordBatch| {
            let texts = sealed::column(batch, "text").expect("texts").as_string::<i32>().clone();
            let texts: Vec<String> = texts.iter().flatten().map(str::to_owned).collect();
            stamps(batch).into_iter().zip(texts).collect::<Vec<_>>()
        };
        self.rows(session, Table::Lines).iter().flat_map(rows).collect()
    }

    /// The values of a decoded column of floating-point numbers, without nulls.
    ///
    /// # Panics
    /// When the table cannot be read or has no such column.
    pub fn values(&self, session: &Sealed, table: Table, column: &str) -> Vec<f64> {
        let values = |batch: &RecordBatch| {
            let values = sealed::column(batch, column).expect("the column").as_primitive::<Float64Type>().clone();
            values.iter().flatten().collect::<Vec<_>>()
        };
        self.rows(session, table).iter().flat_map(values).collect()
    }

    /// The values of one of the rig's own channels.
    ///
    /// # Panics
    /// When the table cannot be read.
    pub fn own_values(&self, session: &Sealed, channel: &str) -> Vec<f64> {
        let table = Table::Decoded(tallywheel_schemas::Domain::Aux);
        let values = |batch: &RecordBatch| {
            let names = words(batch, "channel");
            let values = sealed::column(batch, "value").expect("values").as_primitive::<Float64Type>().clone();
            names
                .into_iter()
                .zip(values.values().to_vec())
                .filter(|(name, _)| name == channel)
                .map(|(_, v)| v)
                .collect::<Vec<_>>()
        };
        self.rows(session, table).iter().flat_map(values).collect()
    }

    /// Every file and directory below the dataset, sorted.
    ///
    /// # Panics
    /// When one cannot be listed.
    pub fn everything(&self) -> Vec<PathBuf> {
        let (mut found, mut open) = (Vec::new(), vec![self.dataset()]);
        while let Some(directory) = open.pop() {
            for path in sealed::entries(&directory).expect("a directory") {
                open.push(path.clone());
                found.push(path);
            }
        }
        found.sort();
        found
    }
}

/// Ends a recording as a person would.
///
/// # Panics
/// When it does not end.
pub fn end(recorder: Recorder) -> Ended {
    recorder.signal(Signal::SIGTERM).expect("a signal");
    recorder.wait(PATIENCE).expect("an end")
}

fn stamps(batch: &RecordBatch) -> Vec<i64> {
    sealed::column(batch, "t_us").expect("stamps").as_primitive::<Int64Type>().values().to_vec()
}

/// The texts of a dictionary column.
fn words(batch: &RecordBatch, name: &str) -> Vec<String> {
    let column = sealed::column(batch, name).expect("the column").as_dictionary::<Int32Type>();
    let words = column.values().as_string::<i32>();
    column.keys().values().iter().map(|key| words.value(*key as usize).to_owned()).collect()
}

fn frame_rows(batch: &RecordBatch) -> Vec<FrameRow> {
    let ids = sealed::column(batch, "id").expect("identifiers").as_primitive::<UInt32Type>();
    let extended = sealed::column(batch, "extended").expect("a flag").as_boolean();
    let data = sealed::column(batch, "data").expect("data").as_binary::<i32>();
    let directions = words(batch, "direction");
    let row = |(i, t_us): (usize, i64)| {
        let (id, bytes) = (ids.value(i), data.value(i));
        let head = if extended.value(i) { format!("T{id:08X}") } else { format!("t{id:03X}") };
        let digits: String = bytes.iter().map(|b| format!("{b:02X}")).collect();
        FrameRow { t_us, is_sent: directions[i] == "tx", line: format!("{head}{}{digits}", bytes.len()) }
    };
    assert_eq!(data.null_count(), 0, "every frame has data");
    stamps(batch).into_iter().enumerate().map(row).collect()
}
