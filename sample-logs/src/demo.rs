//! The whole demonstration: simulate, record live, import, report, and hold the result against the truth.
//!
//! [`run`] reads as the list of its steps. What is measured comes from the real `tallywheel-logger` and
//! `tallywheel-analyze`, started as programs; nothing of theirs is linked in here.

mod check;
mod import;
mod output;
mod plan;
mod programs;
mod recording;
mod report;
mod simulate;

use std::{io::Write, thread, time::Instant};

pub use plan::{DEFAULT_SEED, Plan};

use crate::{cli::Exit, error::DemoError};
use check::Check;
use output::Output;
use programs::Programs;

/// Printed once, before anything else.
const CAUTION: &str = "\
Everything here is simulated: the Skerry Isles, their vans and every number. On a real vehicle drive test runs \
with a second person at the instruments, within the traffic rules, and never look at the screen while driving. A \
traction pack is dangerous even at 96 V: only trained people open it or touch its wiring.";

/// Runs the demonstration. The table of truth against measured goes to `out`, progress to stderr.
///
/// # Errors
/// When a file cannot be written, a program is missing or cannot finish, or its report lacks a value.
pub fn run(plan: &Plan, out: &mut impl Write) -> Result<Exit, DemoError> {
    let begun = Instant::now();
    say(out, CAUTION);
    progress("1/6 finding tallywheel-logger and tallywheel-analyze");
    let programs = Programs::find(plan.bin_dir.as_deref())?;
    let output = Output::prepare(&plan.out)?;
    progress(&format!("2/6 simulating {} pairs on the {}", plan.scenario.pairs, plan.scenario.route.name));
    progress(&format!("3/6 meanwhile recording {} s live through pseudo-terminals", plan.live_seconds));
    let (campaign, live) = thread::scope(|scope| {
        let live = scope.spawn(|| recording::record(plan, &programs, &output));
        let campaign = simulate::campaign(plan, &output).and_then(|sessions| {
            progress(&format!("4/6 importing {} sessions, two at a time", sessions.len()));
            import::all(&sessions, &programs, &output)?;
            Ok(sessions)
        });
        let live = live
            .join()
            .unwrap_or_else(|_| Err(DemoError::Live { reason: "the thread that looked after it panicked".to_owned() }));
        (campaign, live)
    });
    let (sessions, live) = (campaign?, live?);
    let truth = simulate::truth(plan, sessions);
    progress("5/6 analysing");
    let report = report::make(&programs, &output)?;
    progress("6/6 comparing with the truth");
    let checks = check::all(plan, &truth, &report, &live, &output)?;
    for check in &checks {
        say(out, &check.line());
    }
    say(out, &format!("report:  {}", output.report().join("report.html").display()));
    say(out, &format!("dataset: {}", output.data().display()));
    let failed = checks.iter().filter(|c| !c.holds).count();
    let seconds = begun.elapsed().as_secs_f64();
    say(out, &format!("{} checks, {failed} outside what is stated, {seconds:.0} s", checks.len()));
    Ok(if failed == 0 { Exit::Success } else { Exit::Disagrees })
}

/// Simulates and writes captures and truth; prints the truth.
///
/// # Errors
/// When a file cannot be written.
pub fn simulate_only(plan: &Plan, out: &mut impl Write) -> Result<Exit, DemoError> {
    let output = Output::prepare(&plan.out)?;
    let begun = Instant::now();
    let sessions = simulate::campaign(plan, &output)?;
    let seconds = begun.elapsed().as_secs_f64();
    let emitted: u64 = sessions.iter().map(|s| crate::samples::emitted(&s.truth)).sum();
    let truth = simulate::truth(plan, sessions);
    for line in simulate::table(&truth) {
        say(out, &line);
    }
    let rate = emitted as f64 / seconds / 1e6;
    say(
        out,
        &format!("{emitted} frames and lines simulated and written in {seconds:.1} s ({rate:.2} million a second)"),
    );
    Ok(Exit::Success)
}

/// Prints a line. A reader that has gone away is no error.
pub fn say(out: &mut impl Write, line: &str) {
    let _ = writeln!(out, "{line}");
}

fn progress(line: &str) {
    eprintln!("{line}");
}

impl Check {
    /// Heading and rows share one set of columns.
    fn line(&self) -> String {
        let mark = if self.holds { "ok" } else { "OUTSIDE" };
        format!(
            "{:<36} true {:>13}  measured {:>13}  difference {:>9}  stated {:<22} {mark}",
            self.what, self.truth, self.measured, self.difference, self.stated
        )
    }
}
