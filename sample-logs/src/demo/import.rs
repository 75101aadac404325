//! Imports the captures with the real logger, two sessions at a time.

use std::{ffi::OsString, sync::Mutex, thread};

use indicatif::{ProgressBar, ProgressStyle};

use super::{
    output::Output,
    programs::{self, Programs},
    simulate::Written,
};
use crate::{capture::SHEET_FILE, error::DemoError};

/// Imports that run side by side.
const AT_A_TIME: usize = 2;

/// Imports every session.
pub(super) fn all(sessions: &[Written], programs: &Programs, output: &Output) -> Result<(), DemoError> {
    let bar = bar(sessions.len() as u64);
    let queue = Mutex::new(sessions.iter());
    let work = || -> Result<(), DemoError> {
        loop {
            // A poisoned lock still holds a sound iterator.
            let next = queue.lock().unwrap_or_else(std::sync::PoisonError::into_inner).next();
            let Some(session) = next else { return Ok(()) };
            let done = programs::run(&programs.logger, &arguments(session, output))?;
            if done.status.code() == Some(1) {
                let said = programs::tail(&done.stderr);
                bar.println(format!("    {}: imported with faults in the data\n{said}", session.truth.run));
            }
            bar.inc(1);
        }
    };
    let results: Vec<Result<(), DemoError>> = thread::scope(|scope| {
        let workers: Vec<_> = (0..AT_A_TIME).map(|_| scope.spawn(work)).collect();
        workers.into_iter().map(|w| w.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))).collect()
    });
    bar.finish_and_clear();
    results.into_iter().collect()
}

fn bar(length: u64) -> ProgressBar {
    let bar = ProgressBar::new(length);
    match ProgressStyle::with_template("    {pos}/{len} sessions {bar:30} {elapsed}") {
        Ok(style) => bar.with_style(style),
        Err(_) => bar,
    }
}

fn arguments(session: &Written, output: &Output) -> Vec<OsString> {
    let directory = output.captures(&session.truth.run);
    let mut arguments: Vec<OsString> = vec!["import".into(), "--rig".into(), output.rig().into()];
    arguments.extend(["--data".into(), output.data().into()]);
    for port in &session.ports {
        let mut capture = OsString::from(format!("{}=", port.name()));
        capture.push(directory.join(port.file()));
        arguments.extend(["--capture".into(), capture]);
    }
    arguments.extend(["--start".into(), session.start.to_string().into()]);
    arguments.extend(["--session".into(), session.truth.run.clone().into()]);
    if session.sheet.is_some() {
        arguments.extend(["--run-sheet".into(), directory.join(SHEET_FILE).into()]);
    }
    arguments
}
