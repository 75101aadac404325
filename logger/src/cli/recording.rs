//! Commands about recordings: record, check, and what a person asks of one from another terminal.

use std::{
    io::{self, BufRead, IsTerminal},
    path::{Path, PathBuf},
    sync::{Arc, Mutex, PoisonError, mpsc},
    time::Duration,
};

use nix::sys::signal::{SigSet, Signal};
use tallywheel_schemas::RunSheet;

use super::{Format, complain, done, files::report, print};
use crate::{
    control::{Command, CommandKind, correct::correct, socket},
    exit::Exit,
    overview::Overview,
    record::{CheckPlan, RecordOptions, check_ports, record},
};

/// Said once at the start of every recording.
const CAUTION: &str = "\
CAUTION. Road tests are dangerous. Two people: one drives and watches the road, never the screen; start on a closed road.
Above 60 V dc counts as hazardous voltage: isolate and lock out before touching the kit, never work alone.
This program only records. It is not a safety device and must not be relied on to warn of or prevent anything.
Local law and the judgement of licensed practitioners come first.";

#[derive(Debug, clap::Args)]
pub(super) struct CorrectArgs {
    /// Dataset directory
    #[arg(long, value_name = "DATASET")]
    data: PathBuf,
    /// Session
    #[arg(long, value_name = "NAME")]
    session: String,
    /// Who corrects
    #[arg(long, value_name = "INITIALS")]
    who: String,
    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: String,
    /// Field of the run sheet and its new value; nothing after the `=` takes the field away
    #[arg(long = "set", value_name = "FIELD=VALUE", required = true)]
    fields: Vec<String>,
}

/// Time between two looks whether a program in the background has come back.
const LOOK_AGAIN: Duration = Duration::from_millis(500);

/// What the keyboard can do, said once where there is one.
const KEYBOARD: &str = "Type a note and Enter to mark the moment; `start SHEET.toml` and `stop [KG OF FUEL LEFT]` begin \
and end a run; Ctrl-C ends the recording.";

pub(super) fn record_now(options: &RecordOptions) -> Result<Exit, String> {
    complain(CAUTION);
    let data = options.data.clone();
    let outcome = Arc::new(Mutex::new(Ok::<Exit, String>(Exit::Success)));
    let told = Arc::clone(&outcome);
    let sealed = move |manifest: &_| {
        let reported = report(&data, manifest);
        let mut outcome = told.lock().unwrap_or_else(PoisonError::into_inner);
        *outcome = std::mem::replace(&mut *outcome, Ok(Exit::Success)).and_then(|worst| Ok(reported?.max(worst)));
    };
    let recorded = record(options, sealed, |commands| {
        if io::stdin().is_terminal() {
            complain(KEYBOARD);
            std::thread::spawn(move || keyboard(&commands));
        }
    });
    let recorded = recorded.map_err(|e| e.to_string())?;
    let worst = outcome.lock().unwrap_or_else(PoisonError::into_inner).clone()?;
    Ok(if recorded.faults > 0 { worst.max(Exit::Faults) } else { worst })
}

/// Reads what is typed until nobody types any more.
fn keyboard(commands: &mpsc::Sender<Command>) {
    // In the background a read would stop the whole program, and with it the recording. Blocked, it fails instead.
    let mut stops = SigSet::empty();
    stops.add(Signal::SIGTTIN);
    // Fails only for a signal that does not exist.
    let _ = stops.thread_block();
    while let Some(line) = next_line(&mut io::stdin().lock()) {
        let what = match typed(line.trim()) {
            Ok(Some(what)) => what,
            Ok(None) => continue,
            Err(message) => {
                complain(&message);
                continue;
            }
        };
        let (reply, answer) = mpsc::channel();
        if commands.send(Command { what, who: "keyboard".to_owned(), reply }).is_err() {
            return;
        }
        match answer.recv() {
            // What is done is in the log already.
            Ok(Ok(_)) => {}
            Ok(Err(refused)) => complain(&refused),
            Err(_) => return,
        }
    }
}

/// The next line; `None` when there will be no more. What is no UTF-8 is kept as well as it can be.
fn next_line(input: &mut (impl BufRead + IsTerminal)) -> Option<String> {
    let mut line = Vec::new();
    loop {
        match input.read_until(b'\n', &mut line) {
            Ok(0) if line.is_empty() => return None,
            Ok(_) => return Some(String::from_utf8_lossy(&line).into_owned()),
            // The program is in the background, from where it may come back; a closed terminal is none any more.
            Err(e) if e.raw_os_error() == Some(nix::libc::EIO) && input.is_terminal() => {
                std::thread::sleep(LOOK_AGAIN);
            }
            Err(_) => return None,
        }
    }
}

/// What a typed line asks for.
fn typed(line: &str) -> Result<Option<CommandKind>, String> {
    let (word, rest) = line.split_once(' ').unwrap_or((line, ""));
    match (word, rest.trim()) {
        ("", _) => Ok(None),
        ("start", sheet) if !sheet.is_empty() => {
            let sheet = RunSheet::read(Path::new(sheet)).map_err(|e| e.to_string())?;
            Ok(Some(CommandKind::RunStart { sheet }))
        }
        ("stop", "") => Ok(Some(CommandKind::RunStop { fuel_mass_after_kg: None })),
        ("stop", kg) if kg.parse::<f64>().is_ok() => {
            Ok(Some(CommandKind::RunStop { fuel_mass_after_kg: kg.parse().ok() }))
        }
        _ => Ok(Some(CommandKind::Mark { text: line.to_owned(), at: None })),
    }
}

pub(super) fn check(plan: &CheckPlan, format: Format) -> Result<Exit, String> {
    let readiness = check_ports(plan).map_err(|e| e.to_string())?;
    print(&match format {
        Format::Text => readiness.to_string(),
        Format::Json => readiness.to_json(),
    })?;
    Ok(readiness.exit())
}

pub(super) fn status(data: &Path, format: Format) -> Result<Exit, String> {
    let overview = Overview::of(data).map_err(|e| e.to_string())?;
    print(&match format {
        Format::Text => overview.to_string(),
        Format::Json => serde_json::to_string_pretty(&overview).map_err(|e| e.to_string())? + "\n",
    })?;
    Ok(if overview.is_in_trouble() { Exit::Faults } else { Exit::Success })
}

pub(super) fn mark(data: &Path, text: String, who: String) -> Result<Exit, String> {
    ask(data, CommandKind::Mark { text, at: None }, who)
}

pub(super) fn start_run(data: &Path, sheet: &Path) -> Result<Exit, String> {
    let sheet = RunSheet::read(sheet).map_err(|e| e.to_string())?;
    ask(data, CommandKind::RunStart { sheet }, String::new())
}

pub(super) fn stop_run(data: &Path, fuel_mass_after_kg: Option<f64>, who: String) -> Result<Exit, String> {
    ask(data, CommandKind::RunStop { fuel_mass_after_kg }, who)
}

fn ask(data: &Path, what: CommandKind, who: String) -> Result<Exit, String> {
    let answer = socket::command(data, what, who).map_err(|e| e.to_string())?;
    done(answer + "\n")
}

pub(super) fn correct_sheet(args: &CorrectArgs) -> Result<Exit, String> {
    let corrected = correct(&args.data, &args.session, &args.who, &args.reason, &args.fields);
    done(corrected.map_err(|e| e.to_string())?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn typed_lines_are_marks_unless_they_begin_or_end_a_run() {
        let mark = |text: &str| Ok(Some(CommandKind::Mark { text: text.to_owned(), at: None }));
        assert_eq!(typed("bump at the quay"), mark("bump at the quay"));
        assert_eq!(typed("stop sign"), mark("stop sign"));
        assert_eq!(typed("start"), mark("start"));
        assert_eq!(typed(""), Ok(None));
        assert_eq!(typed("stop 31.25"), Ok(Some(CommandKind::RunStop { fuel_mass_after_kg: Some(31.25) })));
        assert!(typed("start /nonexistent.toml").is_err());
    }
}
